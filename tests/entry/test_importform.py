"""Import form: an export is mapped, previewed and saved; its text is escaped."""

import sys
from pathlib import Path

import ipywidgets as widgets
import pytest

from testburn.entry.importform import ImportForm

sys.path.append(str(Path(__file__).parent))
from typed_burns import all_boxes, saved

EXPORT = ("My scrap test;;;;;\r\nSquare;Wood;Feed (mm/min);Lines per inch;Depth 1 (in);Depth 2 (in)\r\n"
          "1;black cherry;9000;508;0,026;0,0264\r\n2;black cherry;18000;508;0,0125;\r\n").encode("cp1252")


def imported(book, content=EXPORT, name="scrap 3.csv"):
    form = ImportForm(book)
    form.take(content, name)
    return form


def fill(form):
    for name, text in {"burned_on": "2024-03-14", "board": "C7", "module_w": "20", "power_pct": "90",
                       "wavelength_nm": "450", "gauge_step_mm": "0.01"}.items():
        form.lines[name][1].value = text


def test_an_export_is_mapped_previewed_and_saved(book):
    form = imported(book)
    assert "It looks like UTF-8, semicolons between the columns, a comma in the numbers." in form.guesses.value
    assert "Board: this cell is empty." in form.preview.value
    fill(form)
    assert "<b>3 readings, 2 swatches; the first of them:</b>" in form.preview.value
    assert "fault" not in form.preview.value and list((book / "burns").iterdir()) == []
    form.save.click()
    assert "Saved 3 readings" in form.said.value
    read = saved(book, "scrap-3")
    assert read["depth_mm"].tolist() == [0.6604, 0.67056, 0.3175]
    assert read["speed_mm_s"].tolist() == [150, 150, 300]
    assert read["line_pitch_mm"].tolist() == [0.05] * 3


@pytest.mark.parametrize(("machine", "heading", "unit", "power_pct"), [
    ("", "Power", "%", 90.0), ("[units]\npower_out_of = 1000\n", "Power", "of 1000", 9.0), ("[units]\npower_out_of = 1000\n", "Power %", "%", 90.0)])
def test_power_has_the_unit_of_its_heading_else_of_the_control(book, machine, heading, unit, power_pct):
    (book / "machine.toml").write_text(machine, encoding="utf-8")
    export = EXPORT.replace(b"My scrap test;", b"My scrap test;;").replace(b"Square;", f"{heading};Square;".encode()).replace(b"\r\n1;", b"\r\n90;1;").replace(
        b"\r\n2;", b"\r\n90;2;")
    form = imported(book, export)
    assert form.lines["power_pct"][2].value == unit
    fill(form)
    for _ in range(2):  # a doubt is asked about
        form.save.click()
    assert saved(book, "scrap-3")["power_pct"].unique().tolist() == [power_pct]
    assert imported(book, export, "scrap 9.csv").lines["power_pct"][2].value == unit


def test_a_mapping_is_remembered(book):
    first = imported(book)
    fill(first)
    first.lines["note"][0].value = "Wood"
    first.save.click()
    again = imported(book, name="scrap 4.csv")
    assert "Columns as you mapped them last time." in again.guesses.value
    assert again.mapping.sources == first.mapping.sources
    assert again.mapping.fixed["board"] == "C7"


def test_a_wrong_unit_is_asked_about_before_an_import_is_saved(book):
    form = imported(book)
    fill(form)
    form.lines["depth_mm"][2].value = "mm"
    form.save.click()
    assert "3 of 3 readings are shallower than wood usually gives" in form.said.value
    assert list((book / "burns").iterdir()) == []
    form.save.click()
    assert "Saved 3 readings" in form.said.value


def test_text_of_a_file_reaches_the_page_escaped(book):
    bad = b"<img src=x onerror=alert(1)>"
    form = imported(book, EXPORT.replace(b"black cherry", bad).replace(b"Square", b"Square" + bad),
                    "<img src=x>.csv")
    fill(form)
    form.save.click()
    shown = "".join(box.value for box in all_boxes(form) if isinstance(box, widgets.HTML))
    assert "<img" not in shown and "&lt;img" in shown


@pytest.mark.parametrize(("content", "said"), [
    (b"", "The file is empty."), (b"PK\0\0", "bytes that are not text"),
    (b"a;b\r\n", "There is no row under the header.")])
def test_a_file_that_is_no_table_is_said(book, content, said):
    form = imported(book, content)
    assert said in form.guesses.value
    form.save.click()
    assert "Choose a file first." in form.said.value


def test_an_import_never_overwrites_a_saved_burn(book):
    for _ in range(2):
        form = imported(book)
        fill(form)
        form.lines["burn"][1].value = "scrap-3"
        form.save.click()
    assert "scrap-3 is already in the lab book." in form.said.value
