"""Correction: a saved burn is changed after the change was shown, and what was not seen stays."""

import sys
from pathlib import Path

from testburn import labbook
from testburn.entry import Offers, draft, grid

sys.path.append(str(Path(__file__).parent))
from typed_burns import HEADER, buttons, drafts, form_for, saved


def correct(book, burn="oak-01"):
    opened = Offers(book)
    opened.choose.value = ("correct", burn)
    opened.go.click()
    return opened.form if not opened.said.value else opened.said.value


def test_a_saved_burn_is_corrected_after_its_change_was_shown(book):
    form_for(book, note="first").save.click()
    before = (book / "burns" / "oak-01.csv").read_bytes()
    form = correct(book)
    assert form.header["burn"].disabled and form.header["burn"].value == "oak-01"
    form.rows[1].depths[0].value = "0,32"
    form.rows[0].depths[2].value = ""
    form.header["board"].value = "C2"
    form.save.click()
    said = [line.split("</p>")[0].split(">")[-1] for line in form.said.value.split("<p")[1:]]
    assert said == ["Not saved yet; press Save correction again to save these changes.",
                    "Swatch 1, reading 3: 0.71 mm is taken away", "Board: C1 becomes C2",
                    "Swatch 2, reading 1: Depth 0.31 becomes 0.32 mm"]
    assert (book / "burns" / "oak-01.csv").read_bytes() == before
    form.save.click()
    assert "Saved 4 readings" in form.said.value
    assert saved(book)["depth_mm"].tolist() == [0.66, 0.67, 0.32, 0.3]
    assert before in [file.read_bytes() for file in (book / "history").rglob("*.csv")]


def test_a_burn_once_saved_is_corrected_from_there_on(book):
    opened = Offers(book)
    form = opened.form
    for name, text in HEADER.items():
        form.header[name].value = text
    form.rows[0].speed.value, form.rows[0].depths[0].value = "150", "0.62"
    form.save.click()
    assert "Correct saved burn: oak-01" in [label for label, _ in opened.choose.options]
    assert form.header["burn"].disabled and form.save.description == "Save correction"
    form.rows[0].depths[0].value = "0.66"
    form.save.click()
    assert "Depth 0.62 becomes 0.66 mm" in form.said.value
    form.save.click()
    assert saved(book, "oak-01")["depth_mm"].tolist() == [0.66]
    form.rows[0].depths[0].value = "0.67"
    assert draft.resumed(book, drafts(book)[0])[1].correcting["seen"] == labbook.version(book, "oak-01")


def test_a_correction_without_a_change_saves_nothing(book):
    form_for(book).save.click()
    form = correct(book)
    form.save.click()
    assert "Nothing is changed." in form.said.value and not (book / "history").exists()


def test_a_correction_does_not_overwrite_what_was_not_seen(book):
    form_for(book).save.click()
    one, other = correct(book), correct(book)
    for form, depth in ((one, "0.5"), (other, "0.6")):
        form.rows[0].depths[0].value = depth
        form.save.click()
        form.save.click()
    assert "Saved 5 readings" in one.said.value and "Not saved;" in other.said.value
    assert saved(book)["depth_mm"].iloc[0] == 0.5


def test_a_correction_half_typed_is_resumed_as_a_correction(book):
    form_for(book).save.click()
    correct(book).rows[0].depths[0].value = "0.5"
    opened = Offers(book)
    buttons(opened)["Resume"].click()
    form = opened.form
    assert form.saved.burn == "oak-01" and form.rows[0].depths[0].value == "0.5"
    form.save.click()
    assert "Swatch 1, reading 1: Depth 0.66 becomes 0.5 mm" in form.said.value
    form.save.click()
    assert saved(book)["depth_mm"].iloc[0] == 0.5


def test_a_burn_the_form_cannot_hold_is_not_opened(book):
    form_for(book).save.click()
    file = book / "burns" / "oak-01.csv"
    rows = file.read_text(encoding="utf-8").splitlines()
    file.write_text("\n".join([rows[0] + ",colour", *(row + ",red" for row in rows[1:])]), encoding="utf-8")
    assert "holds more than the form has boxes for: columns of its own (colour). Correct its file" in correct(book)


def test_every_burn_of_the_demo_can_be_opened_and_says_no_change(labdata):
    for file in sorted((labdata / "burns").glob("*.csv")):
        burn = draft.saved_burn(labdata, file.stem)
        back = labbook.check(grid.as_readings(draft.opened(burn), burn.invented))
        assert draft.changes(burn.readings, back) == []
