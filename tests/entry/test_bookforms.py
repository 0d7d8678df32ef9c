"""Small forms of the lab book: judged as typed, refused beside the box, written once, kept until then."""

import datetime
import json
import shutil

import pytest

from testburn import labbook
from testburn.entry import log_form, retire_form, set_aside_form, wood_form
from testburn.labbook import machinelog, woods

FORMS = {"set-aside": set_aside_form, "retired": retire_form, "log": log_form, "wood": wood_form}
READING = {"burn": "trail-03", "swatch": "4", "reading": "1", "reason": "a pore"}


@pytest.fixture
def own(labdata, tmp_path):
    shutil.copytree(labdata / "burns", tmp_path / "book" / "burns")
    for name in ("woods.csv", "strikes.csv", "datapackage.json"):
        shutil.copy(labdata / name, tmp_path / "book" / name)
    return tmp_path / "book"


def filled(form, **typed):
    for name, text in typed.items():
        form.boxes[name].value = text
    return form


def struck(book):
    found = labbook.read(book)
    return found.loc[found["struck_because"] != "", ["burn", "swatch", "reading"]].astype(str).agg(" ".join, axis=1).tolist()


def test_a_reading_is_set_aside_and_taken_back_with_a_reason(own):
    form = filled(set_aside_form(own), **READING)
    assert "reading 1: 1.5 mm; reading 2: 0.058 mm (set aside: typed in inches); reading 3: 1.47 mm." in form.about.value
    form.buttons["Set aside"].click()
    assert "Set aside: burn trail-03, swatch 4, reading 1. It stays in its burn, and out of the fits." in form.said.value
    assert struck(own) == ["trail-03 4 1", "trail-03 4 2"] and form.boxes["burn"].value == ""
    filled(form, **READING | {"reason": "right after all"}).buttons["Take back"].click()
    assert "Taken back: burn trail-03, swatch 4, reading 1 counts again." in form.said.value and struck(own) == ["trail-03 4 2"]


@pytest.mark.parametrize(("typed", "beside", "said"), [
    ({"reason": " "}, {"reason": "Why: nothing is typed here. Say why it is set aside, e.g. &#x27;typed in inches&#x27;."}, "See under Why."),
    ({"reading": "one"}, {"reading": "Reading &#x27;one&#x27;: this is not a number; write it like 0.45 or 0,45."}, "See under Reading."),
    ({"reading": "1.5"}, {"reading": "Reading &#x27;1.5&#x27;: this is not a whole number."}, "See under Reading."),
    ({"reading": "9"}, {}, "There is no reading 9 of swatch 4 in burn trail-03."),
    ({"burn": "trail-99"}, {}, "There is no reading 1 of swatch 4 in burn trail-99."),
    ({"reading": "2"}, {}, "This reading is set aside already: typed in inches.")])
def test_what_cannot_be_set_aside_is_said_where_it_is_and_nothing_is_written(typed, beside, said, own):
    before = (own / "strikes.csv").read_bytes()
    form = filled(set_aside_form(own), **READING | typed)
    form.buttons["Set aside"].click()
    assert said in form.said.value and "everything you typed is still here" in form.said.value
    assert {name: words.value for name, words in form.beside.items() if words.value}.keys() == beside.keys()
    assert all(words in form.beside[name].value for name, words in beside.items())
    assert form.boxes["burn"].value == (READING | typed)["burn"] and (own / "strikes.csv").read_bytes() == before


def test_burns_are_retired_and_taken_back(own):
    form = filled(retire_form(own), module="15 W", before="2025-06-01", reason="the old lens")
    kept = (labbook.read(own)["struck_because"] == "").sum()
    assert " burns, " in form.about.value and "trail-0" in form.about.value
    form.buttons["Retire"].click()
    assert "Retired: " in form.said.value and (labbook.read(own)["struck_because"] == "").sum() < kept
    filled(form, module="15 W", before="2025-06-01", reason="it was the same lens")
    assert "Retired now: " in form.about.value
    form.buttons["Take back"].click()
    assert "count again" in form.said.value and (labbook.read(own)["struck_because"] == "").sum() == kept


def test_burns_of_a_module_that_is_none_are_named_before_a_button_is_pressed(own):
    form = filled(retire_form(own), module="25", before="2025-06-01", reason="the old lens")
    assert "No burn of 25 W is from before 2025-06-01. Modules are: 15 W" in form.about.value
    form.buttons["Retire"].click()
    assert "There is no burn of 25 W before 2025-06-01." in form.said.value and not (own / "retired.csv").exists()


def test_the_log_takes_an_entry_and_asks_about_a_module_that_no_burn_has(own):
    form = filled(log_form(own), day="2025-03-01", done="lens wiped", module="25W", note="brown film")
    form.buttons["Add to the log"].click()
    assert "No burn is of the module 25 W" in form.said.value and machinelog.read(own).empty
    filled(form, module="15").buttons["Add to the log"].click()
    entry = machinelog.read(own).iloc[0]
    assert (str(entry["day"].date()), *entry[["done", "module", "note", "new_state", "invented"]]) == (
        "2025-03-01", "lens wiped", "15 W", "brown film", "", "")
    assert form.boxes["day"].value == datetime.date.today().isoformat() and form.boxes["note"].value == ""


def test_what_is_asked_about_is_written_at_the_second_press(own):
    form = filled(log_form(own, scratch=True), day="2999-01-01", done="belt", new_state="no")
    form.buttons["Add to the log"].click()
    assert "2999-01-01 lies after today" in form.said.value and machinelog.read(own).empty
    form.buttons["Add to the log"].click()
    assert machinelog.read(own)[["new_state", "invented"]].to_numpy().tolist() == [["no", "yes"]]


@pytest.mark.parametrize(("called", "meant"), [
    ("red oak", ["northern red oak"]), ("Red Oak", ["northern red oak"]), ("oak", ["white oak", "northern red oak"]), ("hard maple", ["sugar maple"]),
    ("yellow poplar", ["yellow-poplar"]), ("black chery", ["black cherry"]), ("White Oak", ["white oak"]), ("ebony", [])])
def test_a_common_name_leads_to_the_right_wood(called, meant):
    """Names of lumber: Wood Handbook (FPL-GTR-282), chapter 2, from memory."""
    assert woods.called(called, woods.read().index) == meant


def test_a_wood_is_found_under_its_common_name_and_added_all_the_same_at_the_second_press(own):
    form = filled(wood_form(own), species="red oak", specific_gravity_12pct="0,63", source="a timber table")
    assert "Perhaps this is northern red oak (Quercus rubra, 0.63), which is in the list already" in form.about.value
    form.buttons["Add wood"].click()
    assert "Perhaps it is in the list already, as northern red oak" in form.said.value and "red oak" not in woods.of(own).index
    form.buttons["Add wood"].click()
    assert form.said.value.count("Run the page again") == 1
    assert "Added: red oak." in form.said.value and woods.of(own).at["red oak", "specific_gravity_12pct"] == 0.63


def test_a_book_without_woods_of_its_own_begins_with_the_handbooks(own):
    (own / "woods.csv").unlink()
    handbook = woods.read()
    filled(wood_form(own), species="ebony", specific_gravity_12pct="1.1", source="a timber table").buttons["Add wood"].click()
    assert list(woods.of(own).index) == [*handbook.index, "ebony"]
    # What stood there stands there to the letter.
    assert (own / "woods.csv").read_text(encoding="utf-8").splitlines()[1:-1] == woods.HANDBOOK.read_text(encoding="utf-8").splitlines()[1:]


def test_what_the_handbook_has_and_the_book_has_not_is_filled_in(own):
    rows = (own / "woods.csv").read_text(encoding="utf-8").splitlines()
    (own / "woods.csv").write_text("\n".join(row for row in rows if not row.startswith("northern red oak")) + "\n", encoding="utf-8")
    form = filled(wood_form(own), species="red oak")
    assert "The handbook has northern red oak (Quercus rubra)" in form.about.value
    assert (form.text("specific_gravity_12pct"), form.text("botanical_name"), form.text("shrinkage_radial_pct")) == ("0.63", "Quercus rubra", "4")
    form.buttons["Add wood"].click()
    assert woods.of(own).at["red oak", "source"].startswith("Wood Handbook (FPL-GTR-190)")


@pytest.mark.parametrize(("typed", "name", "words"), [
    ({"specific_gravity_12pct": "63"}, "specific_gravity_12pct", "allowed is at least 0.1 and at most 1.4. Look it up in a handbook."),
    ({"source": ""}, "source", "Where that stands: nothing is typed here."), ({"species": ""}, "species", "Wood: nothing is typed here.")])
def test_a_wood_that_cannot_be_is_refused(typed, name, words, own):
    before = (own / "woods.csv").read_bytes()
    form = filled(wood_form(own), **{"species": "ebony", "specific_gravity_12pct": "1.1", "source": "a timber table"} | typed)
    form.buttons["Add wood"].click()
    assert words in form.beside[name].value and (own / "woods.csv").read_bytes() == before


@pytest.mark.parametrize("kind", FORMS)
def test_what_was_typed_and_not_saved_comes_back(kind, own):
    form = FORMS[kind](own)
    first = next(name for name, box in form.boxes.items() if not box.value)
    text = "belt" if first == "done" else "half typed"
    form.boxes[first].value = text
    again = FORMS[kind](own)
    assert again.boxes[first].value == text and "What you typed last time and did not save is filled in again." in again.said.value
    assert list((own / "journal" / kind / "journal").glob("*.jsonl"))


@pytest.mark.parametrize("kind", FORMS)
def test_every_box_has_a_label_and_opening_a_form_writes_nothing(kind, own):
    before = sorted(own.rglob("*"))
    form = FORMS[kind](own)
    assert all(box.description for box in form.boxes.values()) and sorted(own.rglob("*")) == before


@pytest.mark.parametrize("kind", FORMS)
def test_a_lab_book_that_cannot_be_read_is_no_end_of_a_form(kind, own):
    (own / "burns" / "trail-01.csv").write_text("burn,depth\n1,2\n", encoding="utf-8")
    form = FORMS[kind](own)
    form.boxes[next(iter(form.boxes))].value = "2025-03-01" if kind == "log" else "trail-01"
    assert "Traceback" not in form.about.value


def test_a_fault_of_the_file_is_said_with_its_row_and_not_beside_a_box(own):
    (own / "machine_log.csv").write_text("day,module,done\n2025-01-01,,lens licked\n", encoding="utf-8")
    form = filled(log_form(own), day="2025-03-01", done="belt")
    form.buttons["Add to the log"].click()
    assert "machine_log.csv, row 2, column done, value &#x27;lens licked&#x27;" in form.said.value and not form.beside["done"].value


def test_what_is_typed_is_shown_as_text(own):
    form = filled(set_aside_form(own), burn="<b>$x$</b>", reading="<i>")
    assert "<b>$x" not in form.about.value and "<i>" not in form.beside["reading"].value


def test_taking_back_raises_the_books_format(own):
    (own / "datapackage.json").write_text('{"format": 4}', encoding="utf-8")
    filled(set_aside_form(own), burn="trail-03", swatch="4", reading="2", reason="measured again").buttons["Take back"].click()
    assert json.loads((own / "datapackage.json").read_text(encoding="utf-8"))["format"] == labbook.columns.FORMAT
