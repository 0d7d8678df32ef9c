"""Orders as files: none writes over another, a maker's lines stay, what cannot be is refused before it is written."""

import datetime
import hashlib
import json
import tomllib

import pandas as pd
import pytest

from testburn import depthfit, labbook
from testburn.job import Job, Order, orders
from testburn.job.order import ORDER
from testburn.labbook import columns, files, jobs

DAY = datetime.date(2026, 3, 14)
PROOF = {"board": "Plank-7", "depths_mm": [0.55, 0.57, 0.54], "gauge_step_mm": 0.01, "power_pct": 90, "speed_mm_s": 76,
         "line_pitch_mm": 0.1, "passes": 1, "proved_on": DAY}
FORMER = '''# the maker's own words
name = "gate"   # north gate
species = "white oak"
[prices]
board = 31
[proof]
# read twice
board = "G1"
depths_mm = [0.5]
gauge_step_mm = 0.01
power_pct = 90
speed_mm_s = 90
line_pitch_mm = 0.05
passes = 1
'''


@pytest.fixture
def drawn(book):
    (book / "artwork").mkdir()
    (book / "artwork" / "gate.svg").write_bytes(b"<svg/>")
    return book


def text_of(book, name):
    return (book / "orders" / f"{name}.toml").read_text(encoding="utf-8")


def test_a_new_order_is_a_file_that_says_what_was_said_and_is_open(drawn):
    said = {"customer": "the arboretum", "species": "white oak", "module_w": 15, "pieces": 6, "pieces_a_board": 6,
            "artwork": "gate.svg", "ordered_on": DAY, "prices": {"board": 7.5},
            "infill": {"grits": (150, 180), "colour": {"coats": 3, "wet_mm": [0.4, 0.6], "solids": [0.35, 0.5]}}}
    file = orders.new(drawn, "gate", **said)
    assert file == drawn / "orders" / "gate.toml"
    read = orders.read(drawn)
    assert {name: getattr(read, name) for name in said} == said | {"infill": said["infill"] | {"grits": [150, 180]}}
    assert read.artwork_sha256 == hashlib.sha256(b"<svg/>").hexdigest()
    # A line that nobody said stands there as a remark, with what it means.
    assert "# board =   # The board on the bench, once there is one." in text_of(drawn, "gate")
    assert tomllib.loads((drawn / "open-order.toml").read_text(encoding="utf-8")) == {"order": "gate"}


def test_every_line_of_an_order_is_written_and_read_back():
    """No field of the table is without a place in the order, and the other way round."""
    assert {one.name for one in ORDER} == {name.replace("proofs", "proof") for name in Order.__dataclass_fields__} - {"file"}


def test_where_no_order_is_open_it_is_said_and_nothing_is_promised_of_one(book, burns):
    assert orders.said(book) == [orders.NONE_OPEN]
    job = Job.read(book, depthfit.fit(burns(boards=2)))
    assert not job.trouble and job.condition == "" and set(job.promised["order"]) == {""}
    orders.new(book, "gate")
    job = Job.read(book, job.fit)
    assert orders.said(book) == [] and job.condition.startswith("Nothing is the matter") and set(job.promised["order"]) == {"", "gate"}


def test_the_next_order_writes_over_none(book):
    orders.new(book, "gate", species="white oak")
    before = text_of(book, "gate")
    orders.new(book, "pond", species="black cherry")
    with pytest.raises(FileExistsError, match="The order gate is already in the lab book: orders/gate.toml."):
        orders.new(book, "GATE", species="sugar maple")
    assert text_of(book, "gate") == before and orders.read(book).name == "pond"
    orders.open_order(book, "gate")
    assert orders.read(book).name == "gate"
    assert list(orders.listed(book)["name"]) == ["gate", "pond"] and list(orders.listed(book)["open"]) == [True, False]


def test_each_proof_is_added_and_brings_its_board_to_the_bench(book):
    orders.new(book, "gate", pieces=6, board="Plank-6")
    orders.add_proof(book, "gate", PROOF)
    orders.add_proof(book, "gate", PROOF | {"board": "Plank-8", "speed_mm_s": 80})
    read = orders.read(book)
    assert [proof["board"] for proof in read.proofs] == ["Plank-7", "Plank-8"] and read.on_bench == "Plank-8"
    assert read.boards == ("Plank-7", "Plank-8") and read.proofs[0] == PROOF
    assert sorted(file.name for file in (book / "orders" / "history" / "gate").iterdir()) == ["1.toml", "2.toml"]


def test_a_change_keeps_the_makers_remarks_and_the_order_of_the_lines(book):
    (book / "orders").mkdir()
    (book / "orders" / "gate.toml").write_text(FORMER, encoding="utf-8")
    orders.change(book, "gate", board="G2", pieces=4, species=None, prices={"board": 33})
    assert text_of(book, "gate").startswith(
        '# the maker\'s own words\nname = "gate"   # north gate\nboard = "G2"\npieces = 4\n\n[prices]\nboard = 33\n[[proof]]\n# read twice\n')
    assert (book / "orders" / "history" / "gate" / "1.toml").read_text(encoding="utf-8") == FORMER


@pytest.mark.parametrize(("lines", "said"), [
    ({"pieces": 0}, "pieces, value '0': allowed is at least 1 and at most 100000."),
    ({"speceis": "oak"}, "speceis: nothing asks for this line. Perhaps species?"),
    ({"prices": {"board": float("nan")}}, "prices, board, value 'nan': allowed is at least 0"),
    ({"infill": {"variant": "poured"}}, "infill, variant, value 'poured': allowed is one of"),
    ({"board": "next"}, "a board cannot be named 'next'")])
def test_what_cannot_be_is_refused_before_it_is_written(lines, said, book):
    with pytest.raises(ValueError) as refused:
        orders.new(book, "gate", **lines)
    assert said in str(refused.value) and "gate.toml" in str(refused.value)
    assert not (book / "orders").exists() and not (book / "open-order.toml").exists()
    orders.new(book, "gate")
    before = text_of(book, "gate")
    with pytest.raises(ValueError):
        orders.change(book, "gate", **lines)
    assert text_of(book, "gate") == before


def test_every_fault_of_an_order_is_said_at_once_with_its_line(book):
    (book / "orders").mkdir()
    (book / "orders" / "gate.toml").write_text("pieces = 0\nlens = 1\n[[proof]]\nboard = 'A'\n[[proof]]\nboard = 5\n", encoding="utf-8")
    with pytest.raises(labbook.ReadingsError) as refused:
        orders.read(book)
    said = str(refused.value)
    assert "gate.toml, line 1, pieces, value '0'" in said and "gate.toml, line 2, lens: nothing asks" in said
    assert "gate.toml, line 3, proof 1, depths_mm: this line is missing" in said
    assert "gate.toml, line 6, proof 2, board, value '5': this is not a text." in said


def test_a_name_that_no_file_can_have_is_refused(book):
    with pytest.raises(ValueError, match="The order's name 'gate/4': this cannot name a file."):
        orders.new(book, "gate/4")
    (book / "orders").mkdir()
    (book / "orders" / "gate.toml").write_text('name = "pond"', encoding="utf-8")
    with pytest.raises(ValueError, match="gate.toml: name is 'pond', and the file is that of the order 'gate'."):
        orders.read(book)


def test_an_orders_name_may_have_letters_of_any_script(book):
    """The name with its accents apart (NFD, Unicode Standard Annex #15) is the same order, typed so or listed so."""
    name, apart = "Haus Müller 2. Stock", "Haus Mu\u0308ller 2. Stock"
    assert orders.new(book, apart, pieces=2, board="Bohle Ä").name == f"{name}.toml"
    assert orders.read(book).name == name and orders.open_order(book, apart).stem == name
    orders.add_proof(book, name, PROOF | {"board": "Bohle A\u0308"})
    assert orders.read(book).boards == ("Bohle Ä",)
    with pytest.raises(FileExistsError, match="The order Haus Müller 2. Stock is already in the lab book"):
        orders.new(book, "haus müller 2. stock")
    (book / "orders" / f"{name}.toml").rename(book / "orders" / f"{apart}.toml")
    assert orders.read(book).name == name and orders.change(book, name, pieces=3) and orders.read(book).pieces == 3
    assert orders.listed(book)["name"].tolist() == [name]


def test_of_several_orders_one_must_be_open(book):
    (book / "orders").mkdir()
    for name in ("gate", "pond"):
        (book / "orders" / f"{name}.toml").write_text("", encoding="utf-8")
    with pytest.raises(ValueError, match='orders/ holds gate, pond, and nothing says which is open. Open one, or write open-order.toml'):
        orders.read(book)
    (book / "open-order.toml").write_text('order = "moss"', encoding="utf-8")
    with pytest.raises(ValueError, match="There is no order moss in orders/ of the lab book. There are: gate, pond."):
        orders.read(book)
    with pytest.raises(ValueError, match="There is no order"):
        orders.open_order(book, "moss")


def test_a_change_made_meanwhile_by_somebody_else_is_not_written_over(book):
    orders.new(book, "gate")
    seen = orders.mark(book, "gate")
    orders.change(book, "gate", pieces=3)
    with pytest.raises(files.NotWritten, match="somebody else changed it since you opened it"):
        orders.change(book, "gate", seen, pieces=9)
    assert orders.read(book).pieces == 3


def test_a_job_toml_is_read_and_taken_over_once_with_the_first_thing_written(book):
    (book / "job.toml").write_text(FORMER, encoding="utf-8")
    read = orders.read(book)
    assert (read.name, read.file, read.on_bench) == ("gate", "job.toml", "G1") and orders.listed(book)["name"].tolist() == ["gate"]
    assert orders.said(book) == ["job.toml is the open order, as before. It is taken over into orders/ with the first thing written "
                                 "to it here; the file stays."]
    assert orders.take_over(book) == ("job.toml was taken over into orders/gate.toml, which is the open order now. The file itself "
                                      "stays, and is not read any more.")
    assert orders.take_over(book) == "" and orders.said(book) == []
    assert (book / "job.toml").read_text(encoding="utf-8") == FORMER
    assert text_of(book, "gate") == FORMER.replace("[proof]", "[[proof]]")
    orders.add_proof(book, "gate", PROOF)
    assert [proof["board"] for proof in orders.read(book).proofs] == ["G1", "Plank-7"]
    (book / "job.toml").write_text(FORMER + "confirmed = 'why'\n", encoding="utf-8")
    assert orders.said(book) == ["job.toml was changed since it was taken over and is not read: the open order is orders/gate.toml. "
                                 "Write it there, and take job.toml away."]


def test_a_new_order_takes_the_former_job_over_and_an_order_of_its_name_stays(book):
    (book / "job.toml").write_text(FORMER, encoding="utf-8")
    (book / "orders").mkdir()
    (book / "orders" / "gate.toml").write_text("pieces = 2", encoding="utf-8")
    orders.new(book, "pond")
    assert text_of(book, "gate") == "pieces = 2" and orders.read(book).name == "pond"
    assert orders.read(book, "gate 2").species == "white oak"


def test_of_new_orders_cut_off_before_it_was_said_which_is_open_the_first_stays_open(book, monkeypatch):
    remember = orders._remember
    for name in ("gate", "pond", "bench"):
        with monkeypatch.context() as killed:
            killed.setattr(orders, "_remember", lambda folder, said, *more, name=name: (
                remember(folder, said, *more) if said != name else (_ for _ in ()).throw(KeyboardInterrupt)))
            with pytest.raises(KeyboardInterrupt):
                orders.new(book, name, species="white oak")
    assert orders.read(book).name == "gate" and orders.listed(book)["name"].tolist() == ["gate", "bench", "pond"]
    orders.open_order(book, "pond")
    assert orders.read(book).name == "pond"


def test_of_several_orders_put_there_by_hand_one_is_opened_from_the_list(book):
    orders.new(book, "gate", species="white oak")
    (book / "open-order.toml").unlink()
    (book / "orders" / "pond.toml").write_text('species = "white oak"\n', encoding="utf-8")
    assert orders.listed(book)[["name", "open"]].to_numpy().tolist() == [["gate", False], ["pond", False]]
    with pytest.raises(ValueError, match="nothing says which is open"):
        orders.read(book)
    orders.open_order(book, "pond")
    assert orders.listed(book)[["name", "open"]].to_numpy().tolist() == [["pond", True], ["gate", False]]


def test_a_take_over_cut_off_half_way_is_gone_on_with(book, monkeypatch):
    (book / "job.toml").write_text(FORMER, encoding="utf-8")
    with monkeypatch.context() as killed:
        killed.setattr(orders, "_remember", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            orders.take_over(book)
    assert orders.read(book).file == "job.toml"
    orders.take_over(book)
    assert [file.name for file in (book / "orders").iterdir()] == ["gate.toml"] and orders.read(book).file == "gate.toml"


def test_a_finished_order_is_repeated_on_another_board_with_the_drawing_as_it_is_now(drawn):
    orders.new(drawn, "gate", customer="the arboretum", artwork="gate.svg", pieces=6, prices={"board": 7.5}, board="Plank-7", note="by Easter")
    orders.add_proof(drawn, "gate", PROOF)
    orders.finish(drawn, "gate", DAY, "two coats more")
    assert orders.read(drawn).finished == {"on": DAY, "note": "two coats more"}
    (drawn / "artwork" / "gate.svg").write_bytes(b"<svg />")
    orders.repeat(drawn, "gate", "gate again", pieces=12)
    again = orders.read(drawn)
    assert (again.name, again.repeats, again.customer, again.pieces, again.prices) == ("gate again", "gate", "the arboretum", 12, {"board": 7.5})
    assert (again.board, again.proofs, again.finished, again.note, again.ordered_on) == (None, (), {}, None, None)
    assert again.artwork_sha256 == hashlib.sha256(b"<svg />").hexdigest() != orders.read(drawn, "gate").artwork_sha256


def test_how_an_order_came_out_is_read_from_its_finished_pieces(book):
    promised = {"card": "0123456789ab", "readings_mark": "0123456789ab", "board": "Plank-7", "species": "white oak", "module_w": 15,
                "wavelength_nm": 445, "power_pct": 90, "speed_mm_s": 76, "line_pitch_mm": 0.1, "passes": 1, "aim_mm": 0.5,
                "at_least_mm": 0.45, "at_most_mm": 0.6, "expected_mm": 0.5, "curve_sd": 0.0, "board_sd": 0.05, "swatch_sd": 0.04,
                "reading_sd": 0.03, "gauge_sd_mm": 0.01, "df": 20.0, "invented": "yes", "order": "gate"}
    orders.new(book, "gate", pieces=6)
    assert orders.came_out(book, "gate").words == "Order gate: no piece was measured, so how it came out is not known."
    for piece, depths in (("gate-1", [0.52, 0.54]), ("gate-3", [0.42, 0.44])):
        jobs.save(jobs.readings_of(pd.Series(promised), piece, "Plank-7", depths, 0.01, DAY), book)
    jobs.save(jobs.readings_of(pd.Series(promised | {"order": "pond"}), "pond-1", "Plank-7", [0.9], 0.01, DAY), book)
    orders.finish(book, "gate", DAY, "one a little shallow")
    out = orders.came_out(book, "gate")
    assert out.table[["job", "depth_mm", "inside"]].round(3).to_numpy().tolist() == [["gate-1", 0.53, True], ["gate-3", 0.43, False]]
    assert out.table["off_pct"].round(6).tolist() == [6.0, -14.0]
    assert out.words == ("Order gate: 2 recesses measured, 0.43 to 0.53 mm, -4 % of what the card said on average. 1 of 2 lay in the "
                         "window. Finished 2026-03-14 (one a little shallow).")
    # A second pass is the piece's end; what the card promised is held to the first.
    jobs.add_second_pass(book, DAY, "gate-3", 400.0, [0.52, 0.54], 0.01)
    out = orders.came_out(book, "gate")
    assert out.table[["job", "first_mm", "depth_mm", "inside"]].round(3).astype(object).where(lambda one: one.notna(), None).to_numpy().tolist() == [
        ["gate-1", None, 0.53, True], ["gate-3", 0.43, 0.53, True]]
    assert out.table["off_pct"].round(6).tolist() == [6.0, -14.0]
    assert out.words == ("Order gate: 2 recesses measured, 0.53 to 0.53 mm, -4 % of what the card said on average with the first pass. 2 of 2 lay in "
                         "the window. gate-3: 0.43 mm, then 0.53 mm after a second pass: inside. Finished 2026-03-14 (one a little shallow).")


def test_another_drawing_than_the_order_was_made_for_is_said(drawn):
    orders.new(drawn, "gate", artwork="gate.svg")
    assert Job.read(drawn, None).notes == []
    (drawn / "artwork" / "gate.svg").write_bytes(b"<svg />")
    note, = Job.read(drawn, None).notes
    assert note.startswith("The drawing gate.svg is not the one that the order was made for: its fingerprint begins with ")
    assert hashlib.sha256(b"<svg />").hexdigest() in note


def test_the_first_order_raises_the_books_format(book):
    (book / "datapackage.json").write_text('{"format": 2}', encoding="utf-8")
    orders.new(book, "gate")
    assert json.loads((book / "datapackage.json").read_text(encoding="utf-8"))["format"] == columns.FORMAT == 5


def test_a_disk_that_refuses_leaves_the_order_as_it_was(book, monkeypatch):
    orders.new(book, "gate")
    before = text_of(book, "gate")

    def full(source, target):
        raise OSError(28, "No space left on device")
    monkeypatch.setattr(files.os, "replace", full)
    with pytest.raises(files.NotWritten, match="the disk is full"):
        orders.change(book, "gate", pieces=3)
    assert text_of(book, "gate") == before
