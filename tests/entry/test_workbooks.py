"""Workbooks: a sheet of .xlsx or .ods becomes the readings that its cells say, or is refused in words."""

import datetime
import sys
from pathlib import Path

import pytest

from testburn import labbook
from testburn.entry import importing
from testburn.entry.importform import ImportForm
from testburn.entry.importing import ImportRefused

sys.path.append(str(Path(__file__).parent))
from workbooks import ods, xlsx

DAY = datetime.date(2026, 3, 14)
HEAD = ["Test", "Date", "Material", "Plank", "Laser module W", "Wavelength nm", "Power %", "Feed mm/min", "DPI", "Passes", "Sample",
        "Reading 1 (mm)", "Reading 2 (mm)", "Gauge step mm"]
# Invented.
ROWS = [HEAD, ["scrap-1", DAY, "white oak", "C1", 20, 450, 90.0, 9000, 254, 1, "1", 0.52, 0.53, 0.01],
        ["scrap-1", DAY, "white oak", "C1", 20, 450, 90.0, 18000, 254, 1, "2", 0.27, 0.26, 0.01]]
KINDS = {"xlsx": xlsx, "ods": ods}
both = pytest.mark.parametrize("make", KINDS.values(), ids=KINDS)


def table(content):
    return importing.table(content, importing.guess_layout(content))


@both
def test_a_sheet_is_read_as_a_spreadsheet_shows_it(make):
    """A day, a number of many digits, a whole number, yes, text; an empty row keeps the numbers of those below."""
    content = make(Notes=[["nothing here"]], Data=[["A title"], ["day", "a", "b", "c", "d"], [], [DAY, 0.1, 12345678.25, True, "0,5"],
                                                   [DAY, 1e-05, 3, False, "x"]])
    layout = importing.guess_layout(content)
    assert (layout.sheet, layout.words, importing.sheets(content)) == ("Data", "a workbook, sheet Data", ["Notes", "Data"])
    assert importing.table(content, importing.Layout(sheet="Data")).reset_index().to_numpy().tolist() == [
        [4, "2026-03-14", "0.1", "12345678.25", "yes", "0,5"], [5, "2026-03-14", "0.00001", "3", "no", "x"]]
    # Texts with a comma say that numbers have one.
    assert layout.decimal == "," and table(content).iloc[0].tolist() == ["2026-03-14", "0,1", "12345678,25", "yes", "0,5"]


@both
def test_common_headings_are_guessed_and_a_sheet_is_saved_at_one_press(make, tmp_path):
    (tmp_path / "burns").mkdir()
    form = ImportForm(tmp_path)
    assert (form.said.value, form.guesses.value, form.preview.value) == ("", "", "")
    form.take(make(Burns=ROWS), "scrap.xlsx")
    assert 'class="fault"' not in form.preview.value
    form.save.click()
    found = labbook.read(tmp_path)
    assert "Saved 4 readings in" in form.said.value
    assert found[["burn", "swatch", "reading", "speed_mm_s", "line_pitch_mm", "depth_mm"]].to_numpy().tolist() == [
        ["scrap-1", "1", 1, 150, 0.1, 0.52], ["scrap-1", "1", 2, 150, 0.1, 0.53], ["scrap-1", "2", 1, 300, 0.1, 0.27], ["scrap-1", "2", 2, 300, 0.1, 0.26]]


def test_the_preview_says_once_what_is_the_same_for_all_and_names_the_rest_in_words(tmp_path):
    form = ImportForm(tmp_path)
    form.take(xlsx(Burns=ROWS), "scrap.xlsx")
    assert "The same for all: Burn id: scrap-1; " in form.preview.value and "Wood: white oak" in form.preview.value
    assert "<tr><th>Row</th><th>Speed, mm/s</th><th>Swatch</th><th>Reading</th><th>Depth, mm</th></tr>" in form.preview.value


def test_another_sheet_is_chosen(tmp_path):
    form = ImportForm(tmp_path)
    form.take(xlsx(Old=[["burn", "depth"], ["a", 1.0]], New=ROWS), "two.xlsx")
    assert form.layout_boxes["sheet"].value == "Old"
    form.layout_boxes["sheet"].value = "New"
    assert "sheet New" in form.guesses.value and "4 readings, 2 swatches" in form.preview.value


def cut(content):
    return content[:len(content) // 2]


@pytest.mark.parametrize(("content", "words"), [
    (cut(xlsx(A=ROWS)), "The workbook cannot be read"), (b"PK\x03\x04", "The workbook cannot be read"),
    (xlsx(A=[["only a header"]]), "No sheet of the workbook has rows under a header."),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "This is a workbook of an old kind, or one with a password."),
    (b"\x00\x01binary", "The file holds bytes that are not text.")])
def test_what_is_no_workbook_is_refused_in_words(content, words):
    with pytest.raises(ImportRefused, match=words.replace(".", r"\.")):
        table(content)


def test_a_workbook_that_unpacks_to_far_more_than_a_table_is_refused_before_it_is_unpacked(monkeypatch):
    monkeypatch.setattr(importing, "_UNPACKED_BYTES", 1000)
    with pytest.raises(ImportRefused, match="far larger than a table"):
        importing.sheets(xlsx(A=ROWS))
