"""The chain's refusals, and a new lab book: what a maker meets before the first notebook runs."""

import json
import os
import subprocess
import sys

import nbformat
import pandas as pd
import pytest
from nbclient.exceptions import CellExecutionError

from testburn import labbook
from testburn.job import orders
from testburn.labbook import Machine
from testburn.labbook import columns
from testburn.workshop import cards, chain, newbook, openbook as workshop


@pytest.fixture
def own(tmp_path, monkeypatch):
    """A new lab book that is the open one."""
    book = newbook.make(tmp_path / "book")
    monkeypatch.setenv("TESTBURN_LABDATA", str(book))
    monkeypatch.setenv("TESTBURN_CARDS", str(tmp_path / "cards"))
    return book


def test_a_faulty_book_stops_the_chain_with_its_faults_and_no_traceback(own, capsys, sound, as_csv):
    rows = sound()
    rows[1]["speed_mm_s"], rows[2]["power_pct"] = "-5", "190"
    (own / "burns" / "b01.csv").write_text(as_csv(rows), encoding="utf-8", newline="")
    assert chain.main([]) == 1
    said = capsys.readouterr().out
    assert "b01.csv, row 3, column speed_mm_s, value '-5'" in said
    assert "b01.csv, row 4, column power_pct, value '190'" in said
    assert "Traceback" not in said


def test_an_empty_book_stops_the_chain_with_what_to_do(own, capsys):
    assert chain.main([]) == 1
    assert capsys.readouterr().out.startswith("The lab book holds no readings yet. Enter a burn")


def test_too_few_swatches_stop_the_chain_before_any_notebook(own, capsys, sound, as_csv):
    (own / "burns" / "b01.csv").write_text(as_csv(sound()), encoding="utf-8", newline="")
    assert chain.main([]) == 1
    said = capsys.readouterr().out
    assert "white oak with 20 W left a mark at 2 different energies, 3 are needed" in said
    assert "Traceback" not in said and "notebooks" not in said


def test_cards_that_cannot_be_kept_are_said(own, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(chain, "_checked_run", lambda cards, refresh: 0)
    (tmp_path / "cards").write_text("in the way", encoding="utf-8")
    assert chain.main([]) == 1
    said = capsys.readouterr().out
    assert said.startswith("The cards could not be kept: ") and said.endswith(
        "Close them in the program that shows them, then run this again.\n")


def test_a_missing_book_is_said(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("TESTBURN_LABDATA", str(tmp_path / "nowhere"))
    assert chain.main([]) == 1
    assert "There is no lab book folder at" in capsys.readouterr().out


def test_a_new_book_is_an_empty_lab_book_that_reads(own):
    assert labbook.read(own).empty
    assert Machine.read(own / "machine.toml") == Machine()
    package = json.loads((own / "datapackage.json").read_text(encoding="utf-8"))
    assert package["resources"][0]["schema"] == json.loads(json.dumps(columns.table_schema()))
    assert "INVENTED" not in (own / "machine.toml").read_text(encoding="utf-8")


def test_a_new_book_never_goes_into_a_folder_that_holds_something(own):
    with pytest.raises(FileExistsError, match="is not empty. Name a new folder"):
        newbook.make(own)


def test_without_a_book_of_ones_own_it_is_a_scratch_copy_of_the_demo(monkeypatch):
    monkeypatch.delenv("TESTBURN_LABDATA", raising=False)
    monkeypatch.delenv("TESTBURN_CARDS", raising=False)
    opened = workshop.open_workshop()
    assert opened.scratch and workshop.DEMO not in opened.book.parents
    assert opened.cards.parent == opened.book.parent
    same = {path.name: path.read_bytes() for path in (workshop.DEMO / "burns").iterdir()}
    assert {path.name: path.read_bytes() for path in (opened.book / "burns").iterdir()} == same


@pytest.mark.parametrize("text, said", [
    ("max_speed_mm_s = ", "machine.toml: this is no TOML"),
    ("top_speed = 5", "machine.toml, line 1, top_speed: nothing asks for this line."),
    ("min_speed_mm_s = 50\nmax_speed_mm_s = 5", "speeds run from 50 to 5 mm/s"),
    ("powers_pct = [190]", "powers_pct, value '[190]': allowed is at least 0.01 and at most 100 %."),
    ("powers_pct = 90", "powers_pct, value '90': this is not a list. Write a list in brackets."),
    ("max_speed_mm_s = 'fast'", "max_speed_mm_s, value 'fast': this is not a number."),
    ("skips_blanks = 1", "skips_blanks, value '1': this is not true or false. Write true or false."),
    ("\nturn_overhead_s = -1", "line 2, turn_overhead_s, value '-1': allowed is at least 0 and at most 60 s."),
    ("travel_speed_mm_s = 0", "travel_speed_mm_s, value '0': allowed is at least 0.001 and at most 100000 mm/s."),
])
def test_a_machine_file_that_cannot_be_is_refused(tmp_path, text, said):
    (tmp_path / "machine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ValueError) as fault:
        Machine.read(tmp_path / "machine.toml")
    assert said in str(fault.value)


# --------------------------------------------------------------------- a small lab book, really run
@pytest.fixture
def small(own, burns):
    """A lab book with a wood that can be fitted, a thin one, and a reading typed in inches."""
    oak, cherry = burns(boards=2), burns(species="black cherry", boards=1)
    frame = pd.concat([oak, cherry[cherry["swatch"].isin(["1", "2"])]], ignore_index=True)
    frame["depth_mm"] = frame["depth_mm"].round(2)
    frame["burn"] = frame["burn"].map({name: f"sign-{number}" for number, name in
                                       enumerate(frame["burn"].unique(), start=1)})
    slip = (frame["burn"] == "sign-2") & (frame["swatch"] == "3") & (frame["reading"] == 2)
    frame.loc[slip, "depth_mm"] = 0.04
    for _, rows in frame.drop(columns="struck_because").groupby("burn"):
        labbook.save(rows, own / "burns")
    return own


def run_by_itself(program):
    """Run the chain in an interpreter of its own, whose kernels and loops go when it ends."""
    done = subprocess.run([sys.executable, *program], capture_output=True, timeout=300,
                          env=os.environ | {"PYTHONUTF8": "1"})
    return done.returncode, done.stdout.decode("utf-8").replace("\r\n", "\n")


def test_a_job_that_cannot_be_stops_the_chain_with_what_else_can_be_done(small, capsys):
    (small / "job.toml").write_text("board_thickness_mm = 3", encoding="utf-8")
    assert chain.main([]) == 1
    said = capsys.readouterr().out
    assert said.startswith("The open order: Brush-filled: no depth will do.")
    assert said.endswith(f"The cards of all woods need no job: python3 lib/start.py binder --labdata \"{small}\"\n")


def test_a_small_lab_book_runs_through_its_notebooks_to_its_cards(small, tmp_path):
    """The pages that make cards; every page on small books: tests/house/test_own_books.py."""
    book = {path: path.read_bytes() for path in small.rglob("*") if path.is_file()}
    pages = tmp_path / "pages"
    pages.mkdir()
    for page in chain.notebooks():
        if "ordercard" in (text := page.read_text(encoding="utf-8")):
            (pages / page.name).write_text(text, encoding="utf-8")
    code, said = run_by_itself(["-c", STOPPING, str(pages)])
    assert code == 0, said
    assert ("Not on the card: black cherry, 20 W at 450 nm (left a mark at 2 different energies, 3 "
            "are needed).") in said
    assert "Doubtful: burn sign-2, swatch 3, reading 2, 0.04 mm: " in said
    assert "perhaps typed in inches" in said
    assert len(list(pages.iterdir())) == 2 and "2/2" in said and "Traceback" not in said
    cards = sorted((tmp_path / "cards").glob("*.pdf"))
    assert {"settings-cards-a5.pdf", "settings-cards-half-letter.pdf"} <= {card.name for card in cards}
    assert all(card.read_bytes().startswith(b"%PDF-") for card in cards)
    assert [f"Card: {card}" in said for card in cards] == [True] * len(cards)
    assert f'python3 lib/start.py lab --labdata "{small}"' in said
    # Nothing in the book but what its cards promised.
    assert {path: path.read_bytes() for path in small.rglob("*") if path.is_file() and path.parent.name != "records"} == book
    # The command makes the same cards to the byte, and no kernel; a job with a proof has a board's card too.
    other = tmp_path / "by the command"
    done = subprocess.run([sys.executable, "-m", "testburn.workshop.cards"], capture_output=True, timeout=120,
                          env=os.environ | {"PYTHONUTF8": "1", "TESTBURN_CARDS": str(other)})
    assert done.returncode == 0, done.stderr.decode()
    made = {path.name: path.read_bytes() for path in other.glob("*.pdf")}
    # No order is open: no card is made as if one were, and both say what to do.
    assert not [name for name in made if name.startswith("order-")] and said.count(orders.NONE_OPEN) == 1
    assert done.stdout.decode("utf-8").count(orders.NONE_OPEN) == 1
    assert not [record for record in small.rglob("records/*.json") if json.loads(record.read_text(encoding="utf-8"))["record"].get("order")]
    assert made == {card.name: card.read_bytes() for card in cards}
    assert f"{len(made)}/{len(made)}".encode() in done.stdout


STOPPING = """
import pathlib, sys
from testburn.workshop import chain
chain.notebooks = lambda: sorted(pathlib.Path(sys.argv[1]).glob("*.ipynb"))
sys.exit(chain.main([]))
"""
def notebook(folder, number, source):
    """Put a notebook of one cell into a folder."""
    cell = nbformat.v4.new_code_cell(source, id=f"cell{number}")
    nbformat.write(nbformat.v4.new_notebook(cells=[cell]), folder / f"{number}_made_up.ipynb")


PRINTING = """
from testburn.depthfit import depths as depthfit
from testburn.job import settings
from testburn.labbook import burns as labbook
from testburn.paper import card, record as cardrecord
from testburn.workshop.openbook import open_workshop
workshop = open_workshop()
workshop.cards.mkdir(exist_ok=True)
earlier = [record.path.name for record in cardrecord.kept(workshop.records)]
(workshop.cards / "seen.pdf").write_text(" ".join(earlier), encoding="utf-8")
fit = depthfit.fit(labbook.read(workshop.book))
card.write(workshop.cards / "card.pdf", fit, settings.for_card(fit), records=workshop.records)
"""


def test_records_of_earlier_cards_are_seen_and_new_ones_kept(small, tmp_path):
    """The second run sees the record of the first; a record that is there is not written again."""
    notebook(tmp_path, 1, PRINTING)
    cards = tmp_path / "cards"
    assert run_by_itself(["-c", STOPPING, str(tmp_path)])[0] == 0
    record, = small.rglob("records/*.json")
    assert record.parent == workshop.Workshop(small, cards, False).records
    assert (cards / "seen.pdf").read_text(encoding="utf-8") == ""
    before = record.read_bytes(), record.stat().st_mtime_ns
    assert run_by_itself(["-c", STOPPING, str(tmp_path)])[0] == 0
    assert [*small.rglob("records/*.json")] == [record]
    assert (record.read_bytes(), record.stat().st_mtime_ns) == before
    assert (cards / "seen.pdf").read_text(encoding="utf-8") == record.name


CELLS = (
    "import os, pathlib\nfolder = pathlib.Path(os.environ['TESTBURN_CARDS'])\n"
    "folder.mkdir(exist_ok=True)\n(folder / 'settings-card.pdf').write_bytes(b'half done')",
    "raise ValueError('The gauge is in the other room.')",
)


def test_a_notebook_that_fails_is_said_and_leaves_the_old_cards(small, tmp_path):
    for number, cell in enumerate(CELLS):
        notebook(tmp_path, number, cell)
    (tmp_path / "cards").mkdir()
    (tmp_path / "cards" / "settings-card.pdf").write_bytes(b"the old card")
    code, said = run_by_itself(["-c", STOPPING, str(tmp_path)])
    assert code == 1
    assert "Notebook 1_made_up.ipynb stopped: The gauge is in the other room." in said
    assert "Traceback" not in said and "Card:" not in said
    assert [card.read_bytes() for card in (tmp_path / "cards").iterdir()] == [b"the old card"]


@pytest.mark.parametrize(("kind", "words", "trace", "said"), [
    ("ValueError", "The gauge is away.", "ValueError: The gauge is away.", "The gauge is away."),
    ("KeyboardInterrupt", "", "\x1b[0;31m-----\x1b[0m\nKeyboardInterrupt  Traceback\n\x1b[0;31mKeyboardInterrupt\x1b[0m: ", "KeyboardInterrupt:"),
    ("AssertionError", "None", "AssertionError Traceback\n----> 1 assert 1 == 2\n\nAssertionError: \n", "AssertionError:"),
    ("DeadKernelError", "None", "", "DeadKernelError")])
def test_a_fault_without_words_is_said_by_its_last_line(kind, words, trace, said):
    assert chain._in_words(CellExecutionError(trace, kind, words)) == said


def test_a_notebook_that_stops_without_words_is_named_with_its_kind(small, tmp_path):
    notebook(tmp_path, 0, "class Odd(Exception):\n    def __str__(self):\n        return 'None'\nraise Odd")
    code, said = run_by_itself(["-c", STOPPING, str(tmp_path)])
    assert code == 1 and "Notebook 0_made_up.ipynb stopped: Odd: None" in said and "stopped: None" not in said


def test_a_burn_in_inches_makes_no_card_and_is_named(small, capsys, burns):
    rows = burns(boards=1).drop(columns="struck_because").assign(burn="in-inches")
    labbook.save(rows.assign(depth_mm=(rows["depth_mm"] / 25.4).round(3)), small / "burns")
    assert cards.main([]) == 1
    said = capsys.readouterr().out
    assert said.startswith("No card is made: most readings of these burns cannot be right: in-inches (") and "in inches" in said


def test_a_proof_of_another_board_than_the_job_s_is_said(small, capsys):
    (small / "job.toml").write_text("board = 'K1'\n[proof]\nboard = 'K2'\ndepths_mm = [0.5]\ngauge_step_mm = 0.01\n"
                                    "power_pct = 90\nspeed_mm_s = 90\nline_pitch_mm = 0.05\npasses = 1\n", encoding="utf-8")
    cards.main([])
    assert "The proof in job.toml is of board K2 and the job on board K1: it is not used." in capsys.readouterr().out
