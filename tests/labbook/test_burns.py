"""Lab book: saving is whole or nothing, reading gives back what was saved, strikes keep readings."""

import csv
import datetime
import json
import math
import os

import pandas as pd
import pytest

from testburn import depthfit, labbook
from testburn.labbook import columns

FORMULAS = ["=1+1", "+49 170", "-dull spot", "@home", "'=already disarmed", "''-twice"]


@pytest.fixture
def saved(book, sound):
    """A lab book that holds the sound burn."""
    labbook.save(pd.DataFrame(sound()), book)
    return book


def test_reading_gives_back_the_table_that_was_saved(book, burns):
    frame = burns(boards=1)
    path = labbook.save(frame, book / "burns")
    assert path == book / "burns" / "white oak 20 450 1.csv"
    pd.testing.assert_frame_equal(labbook.read(path), frame, check_dtype=False)
    pd.testing.assert_frame_equal(labbook.read(book), frame, check_dtype=False)


@pytest.mark.parametrize("depth_mm", [0.1 + 0.2, 1 / 3, 1e-7, 0.0, 12.345678901234567, 5.0, 999.9999999999999])
def test_a_saved_number_is_read_back_to_the_last_bit(depth_mm, book, sound):
    frame = pd.DataFrame(sound()).drop(columns="board_thickness_mm").assign(depth_mm=depth_mm, speed_mm_s=0.05)
    labbook.save(frame, book)
    assert labbook.read(book)["depth_mm"].tolist() == [depth_mm] * 4


@pytest.mark.parametrize("note", FORMULAS)
def test_a_formula_stays_text_is_disarmed_in_the_file_and_restored_on_reading(note, book, sound):
    path = labbook.save(pd.DataFrame(sound()).assign(note=note), book)
    with open(path, encoding="utf-8", newline="") as file:
        assert {row["note"] for row in csv.DictReader(file)} == {"'" + note}
    assert set(labbook.read(book)["note"]) == {note}


def test_a_formula_in_a_file_of_the_makers_is_read_as_text(book, sound, as_csv):
    rows = [row | {"note": "=HYPERLINK(1)"} for row in sound()]
    (book / "burns" / "b01.csv").write_text(as_csv(rows), encoding="utf-8", newline="")
    assert set(labbook.read(book)["note"]) == {"=HYPERLINK(1)"}


@pytest.mark.parametrize("note", ['two "quotes"', "a, b", "line\nbreak", "Eiche ßäö 木", "'quoted'"])
def test_any_text_survives_saving(note, book, sound):
    labbook.save(pd.DataFrame(sound()).assign(note=note), book)
    assert set(labbook.read(book)["note"]) == {note}


def test_a_saved_file_is_comma_separated_utf_8_without_empty_columns(saved):
    content = (saved / "burns" / "b01.csv").read_bytes()
    assert content.decode("utf-8").splitlines()[:2] == [
        "burn,burned_on,species,board,module_w,wavelength_nm,power_pct,speed_mm_s,line_pitch_mm,"
        "passes,swatch,reading,depth_mm,gauge_step_mm,board_thickness_mm",
        "b01,2026-03-14,white oak,O1,20,450,90,60,0.05,1,1,1,1.23,0.01,19"]
    assert content.count(b"\r\n") == content.count(b"\n") == 5


def test_a_saved_burn_is_never_overwritten(saved, sound):
    before = (saved / "burns" / "b01.csv").read_bytes()
    with pytest.raises(FileExistsError) as caught:
        labbook.save(pd.DataFrame(sound()).assign(depth_mm=1), saved)
    assert str(caught.value) == (
        "b01.csv is already in the lab book. To correct it, choose it under Open in the notebook "
        f"that enters readings, or edit {(saved / 'burns' / 'b01.csv').resolve()}. Only a burn "
        "that is not in there yet needs another id.")
    assert (saved / "burns" / "b01.csv").read_bytes() == before


@pytest.mark.parametrize("broken", [["fsync"], ["link", "replace"]])
def test_a_save_that_fails_leaves_nothing_behind(broken, book, sound, monkeypatch):
    def fail(*_):
        raise OSError("disk full")
    for step in broken:
        monkeypatch.setattr(os, step, fail)
    with pytest.raises(OSError, match="disk full"):
        labbook.save(pd.DataFrame(sound()), book)
    assert list((book / "burns").iterdir()) == []


def test_a_bad_reading_keeps_the_whole_burn_out(book, sound):
    rows = sound()
    rows[3]["depth_mm"] = "-1"
    with pytest.raises(labbook.ReadingsError):
        labbook.save(pd.DataFrame(rows), book)
    assert list((book / "burns").iterdir()) == []


@pytest.mark.parametrize(("names", "said"), [
    (["b01", "b02"], "value 'b01, b02': a file holds one burn, this table 2."),
    ([], "value 'none': a file holds one burn, this table 0.")])
def test_a_file_holds_one_burn(names, said, book, sound):
    rows = [row for name in names for row in sound(name)]
    frame = pd.DataFrame(rows, columns=list(sound()[0]))
    with pytest.raises(labbook.ReadingsError) as caught:
        labbook.save(frame, book)
    assert str(caught.value) == (
        f"1 fault in the readings:\n  table, column burn, {said} Save each burn by itself.")
    assert list((book / "burns").iterdir()) == []


@pytest.mark.parametrize("name", ["../b01", "a/b", "a\\b", "b01.", ".b01", "b:1", "b*", "x" * 81, "-b"])
def test_a_burn_whose_name_cannot_name_a_file_is_refused(name, book, sound):
    with pytest.raises(labbook.ReadingsError, match="this cannot name a file"):
        labbook.save(pd.DataFrame(sound(name)), book)
    assert [path.name for path in book.rglob("*")] == ["burns"]


def strikes(book):
    with open(book / "strikes.csv", encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_strike_is_kept_with_its_reason_and_day_and_the_reading_stays(saved):
    before = (saved / "burns" / "b01.csv").read_bytes()
    labbook.strike(saved, "b01", "1", 2, "typed in inches", datetime.date(2026, 4, 1))
    assert strikes(saved) == [{"burn": "b01", "swatch": "1", "reading": "2",
                               "reason": "typed in inches", "struck_on": "2026-04-01", "taken_back_on": "",
                               "taken_back_because": ""}]
    assert (saved / "burns" / "b01.csv").read_bytes() == before
    assert labbook.read(saved)["struck_because"].tolist() == ["", "typed in inches", "", ""]


def test_strikes_add_up(saved):
    labbook.strike(saved, "b01", "1", 2, "typed in inches")
    labbook.strike(saved, "b01", "2", 1, "=pore")
    assert labbook.read(saved)["struck_because"].tolist() == ["", "typed in inches", "=pore", ""]
    assert strikes(saved)[1]["reason"] == "'=pore"


@pytest.mark.parametrize("place", ["burns", "burns/b01.csv"])
def test_strikes_also_count_when_only_the_burns_or_one_burn_is_read(place, saved):
    labbook.strike(saved, "b01", "1", 2, "typed in inches")
    assert labbook.read(saved / place)["struck_because"].tolist() == ["", "typed in inches", "", ""]


def test_a_strike_through_the_burns_folder_lands_in_the_lab_book(saved):
    labbook.strike(saved / "burns", "b01", "1", 2, "typed in inches")
    assert [path.name for path in (saved / "burns").iterdir()] == ["b01.csv"]
    assert labbook.read(saved)["struck_because"].tolist() == ["", "typed in inches", "", ""]


@pytest.mark.parametrize("key", [("b02", "1", 1), ("b01", "3", 1), ("b01", "1", 3)])
def test_a_reading_that_is_not_there_cannot_be_struck(key, saved):
    with pytest.raises(ValueError) as caught:
        labbook.strike(saved, *key, "why not")
    assert str(caught.value) == f"There is no reading {key[2]} of swatch {key[1]} in burn {key[0]}."
    assert not (saved / "strikes.csv").exists()


def test_a_strike_needs_a_reason(saved):
    with pytest.raises(ValueError) as caught:
        labbook.strike(saved, "b01", "1", 1, "  ")
    assert str(caught.value) == "A reading is set aside with a reason, e.g. 'typed in inches'."


@pytest.mark.parametrize(("row", "said"), [
    ("b01,1,2,,2026-04-01",
     "row 2, column reason: this cell is empty. Say why it is set aside, e.g. 'typed in inches'."),
    ("b01,1,9,typed in inches,2026-04-01",
     "row 2, column reading, value '9': burn b01, swatch 1 has no such reading. "
     "Correct the row, or remove it."),
])
def test_a_strike_typed_by_hand_that_strikes_nothing_is_a_fault(row, said, saved):
    (saved / "strikes.csv").write_text("burn,swatch,reading,reason,struck_on\n" + row + "\n",
                                       encoding="utf-8")
    with pytest.raises(labbook.ReadingsError) as caught:
        labbook.read(saved)
    assert str(caught.value) == f"1 fault in the readings:\n  strikes.csv, {said}"


def test_a_reading_is_taken_back_with_a_reason_and_both_reasons_stay(saved):
    """Set aside twice by two windows, it comes back at once; taken back, it can be set aside again."""
    day = datetime.date(2026, 4, 1)
    for reason in ("typed in inches", "a pore"):
        labbook.strike(saved, "b01", "1", 2, reason, day)
    labbook.take_back(saved, "b01", "1", 2, " measured again ", datetime.date(2026, 4, 2))
    assert set(labbook.read(saved)["struck_because"]) == {""}
    assert [(row["reason"], row["taken_back_on"], row["taken_back_because"]) for row in strikes(saved)] == [
        ("typed in inches", "2026-04-02", "measured again"), ("a pore", "2026-04-02", "measured again")]
    labbook.strike(saved, "b01", "1", 2, "a pore after all", day)
    assert labbook.read(saved)["struck_because"].tolist() == ["", "a pore after all", "", ""]


@pytest.mark.parametrize(("reading", "reason", "words"), [
    (1, "right after all", "Reading 1 of swatch 1 in burn b01 is not set aside."),
    (2, " ", "A reading is taken back with a reason, e.g. 'measured again: it was right'.")])
def test_what_is_not_set_aside_or_has_no_reason_is_not_taken_back(reading, reason, words, saved):
    labbook.strike(saved, "b01", "1", 2, "typed in inches")
    before = (saved / "strikes.csv").read_bytes()
    with pytest.raises(ValueError) as refused:
        labbook.take_back(saved, "b01", "1", reading, reason)
    assert str(refused.value) == words and (saved / "strikes.csv").read_bytes() == before


def test_a_reading_that_came_back_may_be_corrected_away(saved, sound):
    """A row that is taken back strikes nothing, so it need not find its reading."""
    labbook.strike(saved, "b01", "1", 2, "typed in inches")
    labbook.take_back(saved, "b01", "1", 2, "right after all")
    labbook.correct(pd.DataFrame([row for row in sound() if str(row["reading"]) == "1"]), saved, labbook.version(saved, "b01"))
    assert set(labbook.read(saved)["reading"]) == {1}


def test_only_taking_back_raises_the_books_format(saved):
    """An earlier version would leave out what came back; a row that is set aside it reads alike."""
    description = saved / "datapackage.json"
    description.write_text('{"format": 4}', encoding="utf-8")
    labbook.strike(saved, "b01", "1", 2, "typed in inches")
    assert json.loads(description.read_text(encoding="utf-8")) == {"format": 4}
    labbook.take_back(saved, "b01", "1", 2, "right after all")
    assert json.loads(description.read_text(encoding="utf-8")) == {"format": columns.FORMAT}


@pytest.mark.parametrize("day", ["", "1.3.2026"])
def test_strikes_of_an_earlier_version_are_read_whatever_their_day(day, saved):
    (saved / "strikes.csv").write_text(f"burn,swatch,reading,reason,struck_on\nb01,1,2,a pore,{day}\n", encoding="utf-8")
    assert labbook.read(saved)["struck_because"].tolist() == ["", "a pore", "", ""]


def test_strikes_without_a_row_are_no_fault(saved):
    (saved / "strikes.csv").write_text("burn,swatch,reading,reason,struck_on\n", encoding="utf-8")
    assert set(labbook.read(saved)["struck_because"]) == {""}


def test_a_struck_reading_stays_out_of_the_fit_and_in_the_table(book, burns):
    frame = burns(boards=3)
    for _, burn in frame.groupby("burn"):
        labbook.save(burn, book)
    plain = depthfit.fit(labbook.read(book))
    first = frame["burn"].iloc[0]
    labbook.strike(book, first, "1", 1, "a pore")
    fit = depthfit.fit(labbook.read(book))
    assert len(fit.readings) == len(plain.readings) == len(frame)
    assert fit.readings["used"].sum() == len(frame) - 1
    assert fit.table["readings"].tolist() == [len(frame) - 1]
    without = frame.drop(frame.index[(frame["burn"] == first) & (frame["swatch"] == "1")
                                     & (frame["reading"] == 1)])
    assert math.isclose(fit.table["slope"][0], depthfit.fit(without).table["slope"][0], rel_tol=1e-9)
    assert not math.isclose(fit.table["slope"][0], plain.table["slope"][0], rel_tol=1e-9)
