"""Saving: what is doubtful is asked about once; what is wrong is refused."""

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))
from typed_burns import form_for, saved

DOUBTFUL = [{"swatch": "1", "speed": "150", "depths": ["0.66", "0.67", "0.95"]},
            {"swatch": "2", "speed": "300", "depths": ["0.31", "0.30", ""]}]
REFUSED = ("Not saved yet; press Save burn again to save it so.",
           "1 swatch looks doubtful, see beside. Correct, or keep as it is.")


def nothing_saved(book):
    return list((book / "burns").iterdir()) == []


def test_a_doubtful_burn_is_saved_at_the_second_press(book):
    form = form_for(book, DOUBTFUL)
    form.save.click()
    assert nothing_saved(book)
    assert [form.said.value.count(line) for line in REFUSED] == [1, 1]
    assert form.said.value.count('class="fault"') == 2
    form.save.click()
    assert "Saved 5 readings in" in form.said.value
    assert saved(book)["depth_mm"].tolist() == [0.66, 0.67, 0.95, 0.31, 0.30]


def test_a_sound_burn_is_saved_at_the_first_press(book):
    form = form_for(book)
    form.save.click()
    assert "Saved 5 readings in" in form.said.value


def test_several_doubtful_swatches_are_counted(book):
    rows = [DOUBTFUL[0], {"swatch": "2", "speed": "300", "depths": ["0.31", "0.60", ""]}]
    form = form_for(book, rows)
    form.save.click()
    assert "2 swatches look doubtful, see beside." in form.said.value


@pytest.mark.parametrize("change", [
    lambda form: setattr(form.header["note"], "value", "knot"),
    lambda form: setattr(form.header["species"], "value", "white oak"),
    lambda form: setattr(form.rows[1].depths[0], "value", "0.32"),
    lambda form: setattr(form.rows[0].depths[2], "value", "0.96"),
    lambda form: setattr(form.rows[0].swatch, "value", "9"),
], ids=["note", "species", "another row", "the doubted row", "swatch id"])
def test_any_change_in_between_asks_again(change, book):
    form = form_for(book, DOUBTFUL)
    form.save.click()
    change(form)
    form.save.click()
    assert nothing_saved(book) and REFUSED[1] in form.said.value
    form.save.click()
    assert "Saved 5 readings in" in form.said.value


def test_a_swatch_typed_into_an_added_row_asks_again(book):
    form = form_for(book, DOUBTFUL)
    form.save.click()
    form.add_swatch.click()
    form.rows[2].speed.value, form.rows[2].depths[0].value = "600", "0.15"
    form.save.click()
    assert nothing_saved(book) and REFUSED[1] in form.said.value


def test_a_corrected_doubt_is_saved_at_once(book):
    form = form_for(book, DOUBTFUL)
    form.save.click()
    form.rows[0].depths[2].value = "0.69"
    form.save.click()
    assert "Saved 5 readings in" in form.said.value


def test_a_fault_is_said_before_a_doubt(book):
    form = form_for(book, DOUBTFUL, power_pct="190")
    form.save.click()
    assert "Power &#x27;190&#x27;" in form.said.value and "doubtful" not in form.said.value
    form.save.click()
    assert nothing_saved(book) and "doubtful" not in form.said.value
    form.header["power_pct"].value = "90"
    form.save.click()
    assert nothing_saved(book) and REFUSED[1] in form.said.value


def test_a_doubtful_burn_once_saved_is_not_saved_again(book):
    form = form_for(book, DOUBTFUL)
    for _ in range(3):
        form.save.click()
    assert "Nothing is changed." in form.said.value
    assert len(list((book / "burns").iterdir())) == 1


def test_the_very_same_depths_under_another_name_are_asked_about(book):
    form_for(book).save.click()
    again = form_for(book, burn="oak-01-again", board="C 1")
    again.save.click()
    assert "Burn oak-01 holds the very same depths." in again.said.value
    assert [file.stem for file in (book / "burns").iterdir()] == ["oak-01"]
    again.save.click()
    assert "Saved 5 readings in" in again.said.value


def test_other_depths_are_not_asked_about(book):
    form_for(book).save.click()
    other = form_for(book, burn="oak-02", board="C2")
    other.rows[0].depths[0].value = "0.65"
    other.save.click()
    assert "Saved 5 readings in" in other.said.value
