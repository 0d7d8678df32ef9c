"""The binder: which cards it binds, what it says of those out of date, on how many pages."""

import os
import re
import subprocess
import sys
import zlib
from pathlib import Path

import pandas as pd
import pytest

from testburn import depthfit, labbook
from testburn.job import cautions, settings
from testburn.labbook import Machine
from testburn.paper import binder, card, record as cardrecord
from testburn.workshop import cards, newbook

NASTY = "#panic() *bold* _low_ $x$ <b> `raw` \\ \" 😀 木 " + "W" * 300


def group(burns, species="white oak", module_w=20.0, wavelength_nm=450.0, boards=2, **more):
    """The readings of one species × module, under a name that the list of woods need not have."""
    rows = burns(module_w=module_w, wavelength_nm=wavelength_nm, boards=boards, **more)
    return rows.assign(species=species, burn=species + " " + rows["burn"])


@pytest.fixture(scope="module")
def burned(burns):
    return pd.concat([group(burns), group(burns, module_w=2.0, wavelength_nm=1064.0),
                      group(burns, "black cherry")], ignore_index=True)


@pytest.fixture
def readings(burned):
    return burned.copy()


@pytest.fixture(scope="module")
def fit(burned):
    return depthfit.fit(burned)


@pytest.fixture(scope="module")
def old(burned):
    """The fit before the last reading came in."""
    return depthfit.fit(burned.iloc[:-1])


@pytest.fixture(scope="module")
def forty(burns):
    """A fit of forty groups with the worst names."""
    return depthfit.fit(pd.concat([group(burns, f"wood {number} {NASTY}", module_w)
                                   for number in range(20) for module_w in (10.0, 20.0)], ignore_index=True))


def board_card(folder, fit, board, depths_mm=(1.1, 1.12, 1.08), paper="a5", invented=False):
    """Print the card of a proved board; return the proved fit."""
    steps = settings.steps(fit, "white oak", 20, [0.5, 1.0], wavelength_nm=450)
    proved = fit.proved(depthfit.proof(steps.iloc[1], board, depths_mm, 0.01, invented=invented))
    steps = settings.steps(proved, "white oak", 20, [0.5, 1.0], wavelength_nm=450, board=board)
    card.write(folder.parent / f"{paper}.pdf", proved, steps, board=board, paper=paper, records=folder)
    return proved


def bound(fit, folder=None, **how):
    """Everything that stands in the binder."""
    fresh = card.document(fit, settings.for_card(fit))
    return binder.document(fit, fresh, () if folder is None else cardrecord.kept(folder), **how)


def inside(pdf: Path) -> bytes:
    """The PDF with every compressed stream unpacked."""
    made = pdf.read_bytes()
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", made, re.DOTALL)
    # A stream's own last byte may look like the end of a line and be missing here.
    return made + b"".join(zlib.decompressobj().decompress(part) for part in streams
                           if part[:1] == b"\x78")


def pages_in(pdf: Path) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", inside(pdf)))


# ── what is bound ──


def test_the_fresh_cards_come_first_then_those_for_one_board(fit, tmp_path):
    proved = board_card(tmp_path / "records", fit, "K7")
    made = bound(fit, tmp_path / "records")
    assert [(sheet["page"]["species"], sheet["page"]["module"], sheet["page"]["holds"], sheet["data"],
             sheet["state"]) for sheet in made["sheets"]] == [
        ("Black cherry", "20 W", card.NEXT_BOARD, fit.fingerprint, "Holds"),
        ("White oak", "2 W", card.NEXT_BOARD, fit.fingerprint, "Holds"),
        ("White oak", "20 W", card.NEXT_BOARD, fit.fingerprint, "Holds"),
        ("White oak", "20 W", "For board K7 only", proved.fingerprint, "Holds")]
    assert (made["groups"], made["holds"]) == (3, "3 cards for the next board, 1 for one order or board each")
    assert made["title"] == "Card folder: 4 settings cards"
    assert made["alarms"] == []
    assert made["notes"] == ["An order has one live card. Of several cards for one board, that with the most proof swatches knows it "
                             "best. To leave a card out of the card folder, take its file out of records/records."]


def test_a_boards_card_printed_on_two_papers_is_bound_once(fit, tmp_path):
    for paper in card.PAPERS:
        board_card(tmp_path / "records", fit, "K7", paper=paper)
    board_card(tmp_path / "records", fit, "K8")
    assert sorted(sheet["page"]["holds"] for sheet in bound(fit, tmp_path / "records")["sheets"][3:]) == [
        "For board K7 only", "For board K8 only"]


def test_boards_cards_that_hold_come_before_those_out_of_date(fit, old, tmp_path):
    for board, one in (("K5", old), ("K6", fit), ("K7", old), ("K8", fit)):
        board_card(tmp_path / "records", one, board)
    assert [sheet["state"] for sheet in bound(fit, tmp_path / "records")["sheets"][3:]] == [
        "Holds", "Holds", "Out of date", "Out of date"]


def test_a_boards_card_from_older_readings_is_marked_everywhere(fit, old, tmp_path):
    then = board_card(tmp_path / "records", old, "K7").fingerprint
    made = bound(fit, tmp_path / "records")
    sheet = made["sheets"][3]
    assert sheet["state"] == "Out of date" and not sheet["holds"]
    assert sheet["stale"] == (f"Out of date: printed from data {then}; the lab book is now data "
                              f"{fit.fingerprint}. Do not burn by it: prove the board and print it again.")
    assert made["alarms"] == [f"The card for board K7, data {then}, is out of date: prove the board and "
                              "print it again."]


def test_older_cards_for_the_next_board_are_named_to_be_taken_down(fit, old, readings, tmp_path):
    older = depthfit.fit(readings.iloc[:-2])
    for one in (old, older, fit):
        for paper in card.PAPERS:
            card.write(tmp_path / "card.pdf", one, settings.for_card(one), paper=paper,
                       records=tmp_path / "records")
    made = bound(fit, tmp_path / "records")
    assert made["alarms"] == ["Sheets marked data "
                              f"{', '.join(sorted((old.fingerprint, older.fingerprint)))} are out of "
                              "date: take them down."]
    assert len(made["sheets"]) == 3


def test_what_has_no_card_and_what_cannot_be_read_is_said(fit):
    made = bound(fit, left_off="elm, 20 W at 450 nm (why)", unread=["Card record a.json is left out: why."])
    assert made["notes"] == ["Without a card: elm, 20 W at 450 nm (why).",
                             "Card record a.json is left out: why."]


def test_a_group_too_thin_for_a_card_is_said_in_the_binder(readings, burns, tmp_path, monkeypatch):
    thin = group(burns, "elm", boards=1)
    seen = []
    monkeypatch.setattr(binder, "compiled", lambda content, template: seen.append(content) or b"%PDF-")
    binder.write(tmp_path / "binder.pdf", depthfit.fit(
        pd.concat([readings, thin[thin["swatch"].isin(["1", "2"])]], ignore_index=True)))
    assert seen[0]["notes"] == ["Without a card: elm, 20 W at 450 nm (left a mark at 2 different energies, "
                                "3 are needed)."]


@pytest.mark.parametrize(("everything", "said", "state"), [
    (True, card.INVENTED, "Holds"), (False, None, "Holds, invented")])
def test_invented_data_is_said_to_be_invented(readings, tmp_path, everything, said, state):
    fit = depthfit.fit(readings.assign(invented="yes" if everything else ""))
    board_card(tmp_path / "records", fit, "K7", invented=True)
    made = bound(fit, tmp_path / "records")
    assert made["invented"] == said
    assert [sheet["invented"] for sheet in made["sheets"]] == [said] * 3 + [
        card.INVENTED if everything else card.INVENTED_PROOF]
    assert made["sheets"][3]["state"] == state


# ── the cautions ──


@pytest.mark.parametrize("word", [
    "Class 4", "interlocks", "marked on it for 450 nm and 1064 nm, never by tint", "unattended",
    "Extinguisher", "smoulder", "metal bin", "filter", "PVC", "vinyl", "treated against rot",
    "any unknown coating", "respirator", "cancer", "solvent", "rags", "Module off and unplugged before the lens",
    "Local codes", "manuals", "laser safety officer"])
def test_the_cautions_are_complete(fit, word):
    assert word in " ".join(" ".join([head, *texts]) for head, texts in bound(fit)["cautions"])


def test_no_optical_density_number_is_printed(fit):
    said = " ".join(" ".join(texts) for _, texts in bound(fit)["cautions"])
    assert re.findall(r"\d+", said) == ["4", "450", "1064"]
    assert [head for head, _ in cautions.IN_THE_BINDER][-1] == "Who decides"


# ── the file ──


@pytest.mark.parametrize("paper", card.PAPERS)
def test_an_index_a_page_a_card_and_the_cautions(fit, old, tmp_path, paper):
    board_card(tmp_path / "records", fit, "K7")
    board_card(tmp_path / "records", old, "K6", invented=True)
    made = binder.write(tmp_path / "cards" / "binder.pdf", fit, Machine(), tmp_path / "records", paper)
    assert pages_in(made) == 1 + 3 + 2 + 1
    assert [left.name for left in made.parent.iterdir()] == ["binder.pdf"]


@pytest.mark.parametrize(("paper", "pages"), [("a5", 2 + 40 + 1), ("us-half-letter", 2 + 40 + 1)])
def test_forty_groups_have_an_index_over_several_pages(forty, tmp_path, paper, pages):
    assert pages_in(binder.write(tmp_path / "binder.pdf", forty, paper=paper)) == pages


@pytest.mark.parametrize("paper", card.PAPERS)
def test_the_fullest_page_with_the_worst_text_stays_one_page_when_out_of_date(readings, tmp_path, paper):
    readings["species"] = readings["species"] + NASTY
    readings["board"] = readings["board"] + NASTY
    fit, old = depthfit.fit(readings.assign(invented="yes")), depthfit.fit(readings.iloc[:-1].assign(invented="yes"))
    rows = settings.for_card(old)
    rows = rows[rows["species"].str.startswith("black cherry")]
    board = old.readings["board"].iloc[0]
    card.write(tmp_path / "card.pdf", old, rows, {"at_least_mm": 0.5, "at_most_mm": 1.0}, board=board,
               records=tmp_path / "records")
    made = binder.write(tmp_path / "binder.pdf", fit, Machine(), tmp_path / "records", paper)
    assert pages_in(made) == 1 + 3 + 1 + 1


def test_the_pdf_is_tagged_titled_and_in_a_language(fit, old, tmp_path):
    board_card(tmp_path / "records", old, "K7")
    made = inside(binder.write(tmp_path / "binder.pdf", fit, Machine(), tmp_path / "records"))
    for mark in (b"<pdfuaid:part>1</pdfuaid:part>", b"/Lang", b"/StructTreeRoot", b"/Alt",
                 b"/Title (Card folder: 4 settings cards)", b"/ToUnicode", b"/MarkInfo"):
        assert re.sub(rb"\s", b"", mark) in re.sub(rb"\s", b"", made), mark
    assert b"CreationDate" not in made and b"ModifyDate" not in made


def test_the_bytes_depend_on_nothing_but_the_inputs(readings, fit, old, tmp_path):
    """Another process, clock epoch, time zone, locale and hash seed: the same bytes."""
    board_card(tmp_path / "records", old, "K7")
    here = binder.write(tmp_path / "here.pdf", fit, Machine(), tmp_path / "records").read_bytes()
    readings.to_pickle(tmp_path / "readings.pickle")
    script = ("import sys, pandas; from testburn.paper import binder; from testburn.depthfit import depths as depthfit; "
              "fit = depthfit.fit(pandas.read_pickle(sys.argv[1])); "
              "binder.write(sys.argv[2], fit, records_folder=sys.argv[3])")
    there = tmp_path / "there.pdf"
    other = os.environ | {"TZ": "Pacific/Auckland", "LC_ALL": "de_DE.UTF-8", "PYTHONHASHSEED": "7",
                          "SOURCE_DATE_EPOCH": "981173106"}
    subprocess.run([sys.executable, "-c", script, str(tmp_path / "readings.pickle"), str(there),
                    str(tmp_path / "records")], env=other, cwd=tmp_path, check=True)
    assert there.read_bytes() == here


def test_the_binders_own_cards_leave_their_record(fit, old, tmp_path):
    binder.write(tmp_path / "binder.pdf", old, Machine(), tmp_path / "records")
    record, = cardrecord.kept(tmp_path / "records")
    assert (record.board, record.fingerprint, record.pdf) == ("next", old.fingerprint, "binder.pdf")
    assert bound(fit, tmp_path / "records")["alarms"] == [
        f"Sheets marked data {old.fingerprint} are out of date: take them down."]


def test_an_unknown_paper_is_refused(fit, tmp_path):
    with pytest.raises(ValueError) as refused:
        binder.write(tmp_path / "binder.pdf", fit, paper="a9")
    assert str(refused.value) == "Paper 'a9' is unknown. Use one of: a5, us-half-letter."


# ── the command ──


@pytest.fixture
def own(tmp_path, monkeypatch, burns):
    """A lab book with a board of white oak that is the open one."""
    book = newbook.make(tmp_path / "book")
    monkeypatch.setenv("TESTBURN_LABDATA", str(book))
    monkeypatch.setenv("TESTBURN_CARDS", str(tmp_path / "cards"))
    labbook.save(burns(boards=1).drop(columns="struck_because").round({"depth_mm": 2}), book / "burns")
    return book


def test_the_command_binds_both_papers_and_says_what_is_out_of_date(own, tmp_path, capsys, burns):
    assert cards.main(["binder"]) == 0
    places = "".join(f"Card folder: {tmp_path / 'cards' / name}\n" for name in ("binder-a5.pdf",
                                                                         "binder-half-letter.pdf"))
    assert capsys.readouterr().out == places
    first = depthfit.fit(labbook.read(own))
    second = burns(boards=2).query("board == 'B2'")
    labbook.save(second.drop(columns="struck_because").round({"depth_mm": 2}), own / "burns")
    assert cards.main(["binder"]) == 0
    assert capsys.readouterr().out == (
        f"Sheets marked data {first.fingerprint} are out of date: take them down.\n" + places)


def test_the_command_says_faults_in_words(own, capsys, monkeypatch, tmp_path):
    (own / "machine.toml").write_text("max_speed_mm_s = 'fast'", encoding="utf-8")
    assert cards.main(["binder"]) == 1
    assert capsys.readouterr().out == ("1 fault in machine.toml:\n  machine.toml, line 1, max_speed_mm_s, value 'fast': this "
                                       "is not a number. Write a number without quotes, with a point, e.g. 0.5.\n")
    for burn in (own / "burns").glob("*.csv"):
        burn.unlink()
    assert cards.main(["binder"]) == 1
    assert capsys.readouterr().out == ("There is nothing to fit yet: the lab book has no readings. Burn more "
                                       "swatches and enter their depths.\n")
    monkeypatch.setenv("TESTBURN_LABDATA", str(tmp_path / "nowhere"))
    assert cards.main(["binder"]) == 1
    assert capsys.readouterr().out == (f"There is no lab book folder at {tmp_path / 'nowhere'}. Check "
                                       "--labdata.\n")
