"""The entry form: typed text becomes readings, doubts are said, nothing typed is lost.

Depths, ids and boards are invented. Expected numbers follow from definitions: 25.4 mm per inch,
10 mm per cm, line energy = watts · percent / speed · passes.
"""

import datetime
import errno
import json
import os

import ipywidgets as widgets
import pytest

from testburn import labbook
from testburn.entry import Bench, burnform, correction, draft, grid as entry, remarks, typed
from testburn.entry.importform import ImportForm
from testburn.labbook import columns, woods

HEADER = {
    "burn": "oak-01", "burned_on": "2024-03-14", "species": "black cherry", "board": "C1",
    "module_w": "20", "wavelength_nm": "450", "power_pct": "90", "passes": "1",
    "line_spacing": "0.05", "line_spacing_unit": "mm between lines", "depth_unit": "mm",
    "gauge_step": "0.01",
}
ROWS = [{"swatch": "1", "speed": "150", "depths": ["0.66", "0.67", "0.71"]},
        {"swatch": "2", "speed": "300", "depths": ["0.31", "0.30", ""]}]


@pytest.fixture
def book(tmp_path):
    (tmp_path / "burns").mkdir()
    return tmp_path


def form_for(book, rows=ROWS, scratch=False, **header):
    return burnform.entry(book, {**HEADER, **header, "swatches": rows}, scratch)


def saved(book, burn="oak-01"):
    return labbook.read(book / "burns" / f"{burn}.csv")


@pytest.mark.parametrize(("typed", "value"), [
    ("0.45", 0.45), ("0,45", 0.45), (".5", 0.5), (",5", 0.5), ("12.", 12.0), (" 7 ", 7.0),
    ("-3", -3.0), ("0,450", 0.45), ("1200", 1200.0), ("", None), ("  ", None),
])
def test_a_typed_number(typed, value):
    assert typed.number(typed) == value


@pytest.mark.parametrize("typed", [
    "1/64", "abc", "1.2.3", "1,2,3", "1_000", "nan", "inf", "1e3", ".", "-", "0.4 mm", "٣", "0x1"])
def test_text_that_is_no_number(typed):
    with pytest.raises(ValueError) as refused:
        typed.number(typed)
    assert str(refused.value) == "this is not a number; write it like 0.45 or 0,45"


def test_a_comma_that_may_stand_for_thousands_is_asked_about():
    with pytest.raises(ValueError) as refused:
        typed.number("1,200")
    assert str(refused.value) == (
        "this may mean 1200 or 1.200; write the one you mean without the comma")
    assert typed.length_mm("1,250", "mm") == 1.25


@pytest.mark.parametrize(("typed", "unit", "mm"), [
    ("0.45", "mm", 0.45), ("0,018", "inch", 0.4572), ("1", "inch", 25.4),
    ("0.0005 in", "mm", 0.0127),
    ('0.75"', "mm", 19.05), ("19 mm", "inch", 19.0), ("0.5inch", "mm", 12.7), ("", "inch", None),
])
def test_a_typed_length(typed, unit, mm):
    assert typed.length_mm(typed, unit) == mm


@pytest.mark.parametrize(("typed", "unit", "mm"), [
    ("0,05", "mm between lines", 0.05), ("200", "lines per cm", 0.05),
    ("254", "lines per inch", 0.1),
    ("508", "lines per inch", 0.05), ("0", "lines per cm", 0.0), ("", "lines per inch", None),
])
def test_a_typed_line_spacing(typed, unit, mm):
    assert typed.pitch_mm(typed, unit) == mm


def test_blank_swatches_and_empty_depths_are_passed_over():
    rows = [*ROWS, {"swatch": "3"}, {"swatch": "4", "depths": ["", " "]}]
    readings = entry.as_readings({**HEADER, "swatches": rows})
    assert readings[["swatch", "reading", "speed_mm_s", "depth_mm"]].values.tolist() == [
        ["1", 1, 150.0, 0.66], ["1", 2, 150.0, 0.67], ["1", 3, 150.0, 0.71],
        ["2", 1, 300.0, 0.31], ["2", 2, 300.0, 0.30]]


def test_a_reading_keeps_the_place_of_its_box():
    rows = [{"swatch": "1", "speed": "150", "depths": ["0.66", "", "0.71"]}]
    assert entry.as_readings({**HEADER, "swatches": rows})["reading"].tolist() == [1, 3]


def remarks_on(speed="150", depths=(), power="", species="black cherry", faces=(), **header):
    typed = {**HEADER, **header, "swatches": [{
        "swatch": "1", "speed": speed, "power": power, "depths": list(depths), "faces": list(faces)}]}
    limits = woods.volume_energy_limits(woods.read()["specific_gravity_12pct"]).loc[species]
    return [(said.weight, said.text) for said in remarks.row_remarks(typed, 0, limits)]


@pytest.mark.parametrize(("row", "said"), [
    # 20 W · 90 % / 150 mm/s = 0.12 J/mm; over 0.05 mm 2.4 J/mm².
    ({"depths": ["0,66", "0.67", "0.71"]},
     [("plain", "0.12 J/mm, 2.4 J/mm²; mean 0.68 mm; spread 0.05 mm")]),
    ({"depths": ["0.33"], "power": "45"}, [("plain", "0.06 J/mm, 1.2 J/mm²; mean 0.33 mm")]),
    ({"depths": ["1.3"], "passes": "3"}, [("plain", "0.36 J/mm, 7.2 J/mm²; mean 1.3 mm")]),
    ({"speed": "", "depths": ["0.33", "0.34"]}, [("plain", "mean 0.335 mm; spread 0.01 mm")]),
    ({"speed": "", "depths": ["", ""]}, []),
    ({"speed": "abc", "depths": ["1/64"]},
     [("fault", "Speed mm/s 'abc': this is not a number; write it like 0.45 or 0,45"),
      ("fault", "Reading 1 '1/64': this is not a number; write it like 0.45 or 0,45")]),
    ({"speed": "-5", "depths": ["-0.1"], "power": "120"},
     [("fault", "Speed mm/s '-5': allowed is above 0 mm/s"),
      ("fault", "Power % '120': allowed is above 0 and at most 100 %"),
      ("fault", "Reading 1 '-0.1': allowed is at least 0 mm")]),
    # Black cherry, specific gravity 0.50: 0.25 J/mm³ is refused, below 0.75 and above 15 doubted.
    ({"depths": ["0.66", "0.67"], "depth_unit": "inch"},
     [("doubt", "Readings 1, 2: 17 mm at 0.14 J/mm³ is deeper than wood can give "
       "(from 0.25 J/mm³): did you mean mm?"),
      ("plain", "0.12 J/mm, 2.4 J/mm²; mean 16.9 mm; spread 0.25 mm")]),
    ({"depths": ["4"]},
     [("doubt", "Reading 1: 4 mm at 0.6 J/mm³ is deeper than wood usually gives "
       "(from 0.75 J/mm³): is the decimal point in its place?"),
      ("plain", "0.12 J/mm, 2.4 J/mm²; mean 4 mm")]),
    ({"depths": ["0.026"]},
     [("doubt", "Reading 1: 0.026 mm at 92 J/mm³ is shallower than wood usually gives "
       "(up to 17 J/mm³): did you mean inches?"),
      ("plain", "0.12 J/mm, 2.4 J/mm²; mean 0.026 mm")]),
    ({"depths": ["0.0026"], "depth_unit": "inch"},
     [("doubt", "Reading 1: 0.066 mm at 36 J/mm³ is shallower than wood usually gives "
       "(up to 17 J/mm³): did the gauge reach the floor?"),
      ("plain", "0.12 J/mm, 2.4 J/mm²; mean 0.066 mm")]),
    ({"depths": ["0.5", "0.8"]},
     [("doubt", "The readings differ by 0.3 mm, 46 % of their mean: measure again?"),
      ("plain", "0.12 J/mm, 2.4 J/mm²; mean 0.65 mm; spread 0.3 mm")]),
])
def test_what_is_said_beside_a_row(row, said):
    assert remarks_on(**row) == said


def test_a_coarse_gauge_makes_no_doubt_of_its_own_steps():
    assert remarks_on(depths=["0.2", "0.4"], gauge_step="0.1")[0][0] == "plain"
    assert remarks_on(depths=["0.2", "0.4"], gauge_step="0.01")[0][0] == "doubt"


def test_what_is_said_of_the_header():
    spacing = {"line_spacing": "200", "line_spacing_unit": "lines per cm"}
    said = remarks.header_remark(HEADER | spacing)
    assert said == remarks.Remark(
        "plain", "Line spacing: 0.05 mm between lines, 200 lines per cm, 508 lines per inch")
    said = remarks.header_remark({**HEADER, "module_w": "20 W", "moisture_pct": "-1"})
    assert said == remarks.Remark(
        "fault", "Module W '20 W': this is not a number; write it like 0.45 or 0,45; "
                 "Moisture % '-1': allowed is at least 0 and at most 100 %")


def test_a_burn_typed_into_the_boxes_is_saved(book):
    form = burnform.entry(book)
    for name, text in HEADER.items():
        form.header[name].value = text
    for row, typed in zip(form.rows, ROWS):
        row.speed.value = typed["speed"]
        for box, text in zip(row.depths, typed["depths"]):
            box.value = text
    form.save.click()
    file = (book / "burns" / "oak-01.csv").resolve()
    assert f"Saved 5 readings in {file}." in form.said.value
    readings = saved(book)
    assert readings["depth_mm"].tolist() == [0.66, 0.67, 0.71, 0.31, 0.30]
    assert readings["speed_mm_s"].tolist() == [150, 150, 150, 300, 300]
    assert (readings["invented"] == "").all()
    one = readings.iloc[0]
    assert (one["species"], one["board"], one["module_w"]) == ("black cherry", "C1", 20)
    assert (one["line_pitch_mm"], one["gauge_step_mm"], one["power_pct"]) == (0.05, 0.01, 90)


def test_other_units_and_commas_are_saved_as_mm(book):
    form = form_for(
        book, [{"swatch": "1", "speed": "150,5", "power": "45", "depths": ["0,026", "0.027"]}],
        depth_unit="inch", gauge_step="0.0005", line_spacing="200", board_thickness="0,75",
        line_spacing_unit="lines per cm", moisture_pct="8,5", focus_offset_mm="-0,5",
        air_assist="on", sweep_vs_grain="across", note="dried a week")
    form.save.click()
    one = saved(book).iloc[0]
    assert one[["depth_mm", "gauge_step_mm", "line_pitch_mm", "board_thickness_mm"]].tolist() == [
        0.6604, 0.0127, 0.05, 19.05]
    assert one[["speed_mm_s", "power_pct", "moisture_pct", "focus_offset_mm"]].tolist() == [
        150.5, 45, 8.5, -0.5]
    assert one[["air_assist", "sweep_vs_grain", "note"]].tolist() == [
        "on", "across", "dried a week"]


def test_every_fault_is_said_and_nothing_typed_is_lost(book):
    rows = [{"swatch": "1", "speed": "1,200", "power": "", "depths": ["1/64", "0.5", ""]},
            {"swatch": "2", "speed": "150", "power": "", "depths": ["", "", ""]},
            {"swatch": "3", "speed": "", "power": "", "depths": ["0.4", "", "99"]}]
    form = form_for(book, rows, burn="", power_pct="120", board_thickness="19")
    before = form.typed()
    form.save.click()
    assert list((book / "burns").iterdir()) == []
    assert form.typed() == before and before["swatches"] == rows
    said = [line.split("</p>")[0] for line in form.said.value.split('<p class="fault">')[1:]]
    assert said == [
        "Not saved; everything you typed is still here.",
        "Burn id: this cell is empty. Use the file&#x27;s name without .csv.",
        "Swatch 1, reading 1: Depth &#x27;1/64&#x27;: this is not a number; "
        "write it like 0.45 or 0,45.",
        "Power % &#x27;120&#x27;: allowed is above 0 and at most 100 %. "
        "Use the set power in percent.",
        "Swatch 1: Speed mm/s &#x27;1,200&#x27;: this may mean 1200 or 1.200; "
        "write the one you mean without the comma.",
        "Swatch 2, reading 1: Depth: this cell is empty. "
        "Measure again from the face to the floor of the recess, in mm.",
        "Swatch 3: Speed mm/s: this cell is empty. "
        "Use the set speed in mm/s (mm/min divided by 60).",
        "Swatch 3, reading 3: Depth &#x27;99&#x27;: "
        "the depth is not less than the board&#x27;s 19 mm. "
        "Check both; a burn right through the board has no depth.",
    ]


@pytest.mark.parametrize(("name", "text", "said"), [
    ("species", "", "Species: this cell is empty."),
    ("burned_on", "14.3.2026", "Day, year-month-day &#x27;14.3.2026&#x27;: this is not a day."),
    ("burned_on", "2999-01-01", "this day lies in the future."),
    ("passes", "1,5", "Passes &#x27;1.5&#x27;: this is not a whole number."),
    ("line_spacing", "0", "Line spacing &#x27;0&#x27;: allowed is above 0 mm."),
    ("burn", "../away", "Burn id &#x27;../away&#x27;: this cannot name a file."),
    ("gauge_step", "1 cm", "Gauge step &#x27;1 cm&#x27;: this is not a number;"),
    ("air_assist", "maybe", "Air assist &#x27;maybe&#x27;: allowed is one of on, off."),
    ("species", "moon wood", "Species &#x27;moon wood&#x27;: this species is not in woods.csv."),
])
def test_a_fault_of_the_header_is_said_once(book, name, text, said):
    form = form_for(book, **{name: text})
    form.save.click()
    assert form.said.value.count(said) == 1
    assert form.header[name].value == text
    assert list((book / "burns").iterdir()) == []


def test_two_rows_of_one_swatch_id_are_refused(book):
    form = form_for(book, [ROWS[0], {**ROWS[1], "swatch": "1"}])
    form.save.click()
    assert "burn oak-01, swatch 1 already has it" in form.said.value
    assert "swatch 1 began with 150" in form.said.value
    assert not (book / "burns" / "oak-01.csv").exists()


def test_a_saved_burn_is_never_overwritten(book):
    form_for(book).save.click()
    content = (book / "burns" / "oak-01.csv").read_bytes()
    again = form_for(book, [{"swatch": "1", "speed": "99", "depths": ["0.9"]}])
    again.save.click()
    assert "oak-01.csv is already in the lab book. To correct it, choose it under Open" in again.said.value
    assert (book / "burns" / "oak-01.csv").read_bytes() == content
    again.header["burn"].value = "oak-02"
    again.save.click()
    assert "Saved 1 reading in" in again.said.value
    assert saved(book, "oak-02")["speed_mm_s"].tolist() == [99]


def test_an_empty_grid_is_not_saved(book):
    form = form_for(book, [])
    form.save.click()
    assert "No swatch is filled in yet" in form.said.value
    assert list((book / "burns").iterdir()) == []


def test_a_folder_that_cannot_be_written_is_said(tmp_path):
    (tmp_path / "burns").write_text("a file, no folder", encoding="utf-8")
    form = form_for(tmp_path)
    form.save.click()
    assert "Not saved; everything you typed is still here." in form.said.value
    assert form.rows[0].speed.value == "150"
    assert (tmp_path / "burns").read_text(encoding="utf-8") == "a file, no folder"


def full_disk(monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device", ".x.part")
    monkeypatch.setattr(os, "fsync", full)


def test_a_full_disk_is_said_and_leaves_no_file(book, monkeypatch):
    form = form_for(book)
    full_disk(monkeypatch)
    form.save.click()
    assert "the disk is full" in form.said.value
    assert ".x.part" not in form.said.value and list((book / "burns").glob("*.csv")) == []


def test_the_saved_message_goes_when_something_is_changed(book):
    form = form_for(book)
    form.save.click()
    form.rows[0].depths[0].value = "0.65"
    assert form.said.value == ""


def test_typed_text_is_shown_escaped_and_saved_as_it_is(book):
    bad = "<img src=x onerror=alert(1)>"
    form = form_for(book, [{"swatch": bad, "speed": bad, "depths": ["0.5"]}], module_w=bad)
    form.save.click()
    for shown in (form.said.value, form.header_said.value, form.rows[0].said.value):
        assert "<img" not in shown and "&lt;img" in shown
    form_for(book, ROWS[:1], note=bad, board="=1+1").save.click()
    assert saved(book)[["note", "board"]].iloc[0].tolist() == [bad, "=1+1"]


def test_the_folder_is_named_escaped_and_scratch_is_said(tmp_path):
    book = tmp_path / "my & lab"
    form = form_for(book, scratch=True)
    place = next(box.value for box in form.children if "Saves into" in getattr(box, "value", ""))
    assert str(tmp_path / "my &amp; lab") in place.replace(str(tmp_path.resolve()), str(tmp_path))
    assert "For trying out only:" in place
    form.save.click()
    assert (saved(book)["invented"] == "yes").all()
    plain = form_for(tmp_path)
    assert "trying out" not in "".join(getattr(box, "value", "") for box in plain.children)


def test_the_header_is_remembered_from_the_newest_burn(book):
    form_for(book, burn="oak-09", burned_on="2024-01-02", module_w="40").save.click()
    form_for(book, burn="oak-01", burned_on="2024-03-14", line_spacing="200", passes="2",
             line_spacing_unit="lines per cm", gauge_step="0.0005 in", air_assist="on",
             moisture_pct="8", note="split").save.click()
    before = datetime.date.today()
    held = {name: box.value for name, box in burnform.entry(book).header.items()}
    assert before <= datetime.date.fromisoformat(held.pop("burned_on")) <= datetime.date.today()
    assert held == {
        "burn": "", "species": "black cherry", "board": "", "module_w": "20",
        "wavelength_nm": "450", "power_pct": "90", "passes": "2", "line_spacing": "0.05",
        "line_spacing_unit": "mm between lines", "depth_unit": "mm", "depth_as": "the depth",
        "gauge_step": "0.0127 mm",
        "board_thickness": "", "moisture_pct": "", "focus_offset_mm": "", "air_assist": "on",
        "sweep_vs_grain": "", "note": ""}


def test_a_remembered_gauge_step_keeps_its_unit(book):
    form_for(book).save.click()
    form = burnform.entry(book)
    form.header["depth_unit"].value = "inch"
    readings = entry.as_readings({**form.typed(), "swatches": ROWS})
    assert readings["gauge_step_mm"].unique().tolist() == [0.01]


def test_a_lab_book_that_cannot_be_read_still_gives_a_form(book):
    (book / "burns" / "old.csv").write_text("burn;depth\n<b>;1\n", encoding="utf-8")
    form = form_for(book)
    shown = "".join(getattr(box, "value", "") for box in form.children)
    assert "The header is not filled in, since the lab book cannot be read." in shown
    assert "separated by semicolons" in shown
    form.save.click()
    assert "Saved 5 readings" in form.said.value


def test_added_swatches_and_readings_keep_the_boxes_and_their_text(book):
    form = form_for(book)
    first = form.rows[0].depths[0]
    form.add_swatch.click()
    form.add_reading.click()
    assert [row.swatch.value for row in form.rows] == ["1", "2", "3"]
    assert [len(row.depths) for row in form.rows] == [4, 4, 4]
    assert form.rows[0].depths[0] is first and first.value == "0.66"
    form.rows[2].speed.value = "75"
    form.rows[2].depths[3].value = "1,3"
    assert "mean 1.3 mm" in form.rows[2].said.value
    form.save.click()
    assert saved(book).iloc[-1][["swatch", "reading", "depth_mm"]].tolist() == ["3", 4, 1.3]


def test_what_is_typed_can_be_kept_as_json_and_given_back(book):
    form = form_for(book, depth_unit="inch", note="half done")
    form.rows[1].depths[2].value = "1/6"
    again = burnform.entry(book, json.loads(json.dumps(form.typed())))
    assert again.typed() == form.typed()
    assert again.rows[1].said.value == form.rows[1].said.value != ""


def test_an_unknown_start_is_refused(book):
    with pytest.raises(ValueError, match="^The form has no box for speed. It has burn, "):
        burnform.entry(book, {"speed": "3"})


def all_boxes(widget):
    for child in getattr(widget, "children", ()):
        yield child
        yield from all_boxes(child)


def test_every_box_has_a_label_of_its_own_and_measurements_are_plain_text(book):
    form = form_for(book)
    form.rows[0].swatch.value = "A1"
    boxes = [box for box in all_boxes(form) if isinstance(box, (widgets.Text, widgets.Dropdown))]
    labels = [box.description for box in boxes]
    assert len(boxes) == 19 + 2 * 6 and all(labels) and len(set(labels)) == len(labels)
    assert "Swatch A1 reading 2" in labels
    assert not [box for box in all_boxes(form) if "value" in box.traits() and isinstance(
        box, (widgets.BoundedFloatText, widgets.FloatText, widgets.BoundedIntText))]


def test_a_number_is_judged_when_its_box_is_left_not_at_each_key(book):
    assert not any(box.continuous_update for box in all_boxes(form_for(book))
                   if isinstance(box, widgets.Text))


def test_tab_goes_along_the_row(book):
    boxes = [box.description for box in all_boxes(form_for(book)) if isinstance(box, widgets.Text)]
    start = boxes.index("Swatch id, row 1")
    assert boxes[start:start + 7] == [
        "Swatch id, row 1", "Swatch 1 speed mm/s", "Swatch 1 own power %", "Swatch 1 reading 1",
        "Swatch 1 reading 2", "Swatch 1 reading 3", "Swatch id, row 2"]


def headings(form):
    return [box.value for box in all_boxes(form) if isinstance(box, widgets.Label)]


def test_the_unit_stands_over_the_depths(book):
    form = form_for(book)
    assert "Reading 1, mm" in headings(form)
    form.header["depth_unit"].value = "inch"
    assert "Reading 1, in" in headings(form) and "Reading 1, mm" not in headings(form)


# What is typed is kept at once


def drafts(book):
    return draft.unfinished(book)["draft"].tolist()


def test_nothing_is_written_before_something_is_typed(book):
    burnform.entry(book)
    Bench(book)
    assert not (book / "journal").exists()


def test_every_accepted_cell_is_on_the_disk_before_the_box_is_answered(book):
    form = form_for(book)
    kept = []
    form.rows[0].said.observe(lambda _: kept.append(draft.resumed(book, *drafts(book))[0]), "value")
    form.rows[0].depths[2].value = "0.75"
    assert kept[0]["swatches"][0]["depths"] == ["0.66", "0.67", "0.75"]
    assert kept[0]["burn"] == "oak-01"


def test_a_half_entered_burn_comes_back_as_it_was(book):
    form = burnform.entry(book)
    form.header["burn"].value = "oak-02"
    form.header["depth_as"].value = entry.FACE_AND_FLOOR
    form.add_reading.click()
    form.rows[1].speed.value = "15"
    form.rows[1].speed.value = "150"
    form.rows[1].faces[3].value = "0,1"
    form.rows[1].depths[3].value = "<b>"
    form.add_swatch.click()
    form.rows[6].power.value = "45"
    typed, kept = draft.resumed(book, *drafts(book))
    again = burnform.entry(book, typed, draft=kept)
    assert again.typed() == form.typed()
    assert again.typed()["swatches"][6] == {"swatch": "7", "speed": "", "power": "45",
                                            "depths": ["", "", "", ""]}
    again.rows[0].speed.value = "99"
    assert len(drafts(book)) == 1
    assert draft.resumed(book, *drafts(book))[0]["swatches"][0]["speed"] == "99"


def test_a_saved_burn_is_no_draft_any_more_but_its_journal_is_kept(book):
    form = form_for(book)
    form.rows[0].depths[2].value = "0.70"
    form.save.click()
    assert drafts(book) == [] and len(list((book / "journal" / "saved").iterdir())) == 1
    form.rows[0].depths[2].value = "0.71"
    assert len(drafts(book)) == 1


def test_a_journal_that_cannot_be_written_is_said_and_the_text_stays(book, monkeypatch):
    form = form_for(book)
    full_disk(monkeypatch)
    form.rows[0].depths[2].value = "0.70"
    assert "Not kept for a crash: " in form.kept.value and "the disk is full" in form.kept.value
    assert form.rows[0].depths[2].value == "0.70"


def test_drafts_of_the_scratch_demo_outlive_its_copy(tmp_path, monkeypatch):
    monkeypatch.setattr(draft.tempfile, "gettempdir", lambda: str(tmp_path))
    first = form_for(tmp_path / "scratch-1", scratch=True)
    first.rows[0].depths[2].value = "0.70"
    opened = Bench(tmp_path / "scratch-2", scratch=True)
    buttons(opened)["Resume"].click()
    assert opened.form.rows[0].depths[2].value == "0.70"
    assert not (tmp_path / "scratch-1" / "journal").exists()


def buttons(widget):
    return {box.description: box for box in all_boxes(widget) if isinstance(box, widgets.Button)}


def test_an_unfinished_burn_is_offered_before_anything_else(book):
    form_for(book, board="<i>C1").rows[0].depths[2].value = "0.70"
    opened = Bench(book)
    assert opened.form is None and {"Resume", "Put away", "Start new"} <= buttons(opened).keys()
    shown = "".join(getattr(box, "value", "") for box in all_boxes(opened.offers))
    assert "1 burn was not finished. Everything you typed is kept." in shown
    assert "oak-01, black cherry; begun 20" in shown and "5 readings typed" in shown
    buttons(opened)["Resume"].click()
    assert opened.form.header["board"].value == "<i>C1"
    opened.form.save.click()
    assert "Saved 5 readings" in opened.form.said.value
    assert Bench(book).form is not None


def test_a_draft_put_away_is_offered_no_more_but_not_deleted(book):
    form_for(book).rows[0].depths[2].value = "0.70"
    opened = Bench(book)
    buttons(opened)["Put away"].click()
    assert opened.form is not None and drafts(book) == []
    assert len(list((book / "journal" / "put-away").iterdir())) == 1


def test_start_new_leaves_the_draft_for_another_time(book):
    form_for(book).rows[0].depths[2].value = "0.70"
    opened = Bench(book)
    buttons(opened)["Start new"].click()
    assert opened.form.header["burn"].value == "" and len(drafts(book)) == 1


def test_a_journal_without_a_form_is_said_and_left_alone(book):
    (book / "journal").mkdir()
    file = book / "journal" / "odd.jsonl"
    file.write_text('{"at": "2026-03-14T10:00:00+00:00", "cell": "row 1 speed", "value": "3"}\n',
                    encoding="utf-8")
    opened = Bench(book)
    assert "The draft odd cannot be read" in "".join(
        getattr(box, "value", "") for box in all_boxes(opened.offers))
    buttons(opened)["Resume"].click()
    assert "The draft odd cannot be read" in opened.said.value and file.exists()


def test_progress_counts_the_readings_typed(book):
    form = form_for(book)
    assert "<b>5 of 6</b> readings typed</div>" in form.kept.value
    form.rows[1].depths[2].value = "0.31"
    assert "<b>6 of 6</b> readings typed, each kept as you leave its box" in form.kept.value
    form.add_swatch.click()
    assert "<b>6 of 9</b>" in form.kept.value


# Face and floor


@pytest.mark.parametrize(("face", "floor", "unit", "mm"), [
    ("0.10", "1.36", "mm", 1.26), ("12,5", "11.24", "mm", 1.26), ("0", "0.05", "inch", 1.27),
    ("-0.01", "-1.27", "mm", 1.26), ("", "", "mm", None)])
def test_a_depth_from_face_and_floor(face, floor, unit, mm):
    assert typed.depth_mm((face, floor), unit) == mm


def test_face_and_floor_are_typed_side_by_side_and_saved_as_depth(book):
    form = form_for(book, [{"swatch": "1", "speed": "150", "faces": ["0.10", "0,12"],
                            "depths": ["0.76", "0.79"]}], depth_as=entry.FACE_AND_FLOOR)
    assert headings(form)[-6:] == ["Face 1, mm", "Floor 1, mm", "Face 2, mm", "Floor 2, mm",
                                   "Face 3, mm", "Floor 3, mm"]
    line = [box.description for box in form.rows[0].line.children[3:7]]
    assert line == ["Swatch 1 face 1", "Swatch 1 floor 1", "Swatch 1 face 2", "Swatch 1 floor 2"]
    assert "mean 0.665 mm" in form.rows[0].said.value
    form.save.click()
    assert saved(book)["depth_mm"].tolist() == [0.66, 0.67]


def test_a_face_without_its_floor_and_an_exchange_are_said():
    both = {"depth_as": entry.FACE_AND_FLOOR, "faces": ["0.10", "0.1"]}
    assert remarks_on(**both, depths=["0.76"])[0] == (
        "fault", "Reading 2 '0.1 to ': the floor is missing")
    both["faces"] = ["0.10", "0.1", "0.75"]
    assert remarks_on(**both, depths=["0.76", "0.77", "0.1"])[0] == (
        "doubt", "Reading 3: face and floor are the other way round than in the rest: "
                 "were they exchanged?")


# Planned and saved burns


def plan_file(book, **changed):
    rows = [{"species": "white oak", "module_w": "20", "wavelength_nm": "450", "power_pct": power,
             "speed_mm_s": speed, "line_pitch_mm": "0.05", "passes": "1", "swatch": swatch,
             "gauge_step_mm": "0.01", "board_thickness_mm": "19", "note": "plan a1"} | changed
            for swatch, speed, power in (("A1", "120", "90"), ("A2", "60.5", "90"), ("A3", "90", "45"))]
    names = [column.name for column in columns.COLUMNS if column.name != "depth_mm"]
    lines = [",".join(names), *(",".join(row.get(name, "") for name in names) for row in rows)]
    file = book / "plans" / "plan-a1" / "board-A.csv"
    file.parent.mkdir(parents=True)
    file.write_text("\r\n".join(lines), encoding="utf-8")
    return file


def test_a_planned_burn_fills_the_form(book):
    start = entry.from_plan(plan_file(book))
    assert start["swatches"] == [
        {"swatch": "A1", "speed": "120", "depths": [], "power": ""},
        {"swatch": "A2", "speed": "60.5", "depths": [], "power": ""},
        {"swatch": "A3", "speed": "90", "depths": [], "power": "45"}]
    assert start["gauge_step"] == "0.01 mm" and start["board_thickness"] == "19 mm"
    assert "burn" not in start and "board" not in start
    opened = Bench(book)
    opened.choose.value = next(value for label, value in opened.choose.options
                               if label == "Planned burn: plan-a1, board-A")
    opened.go.click()
    form = opened.form
    form.header["burn"].value, form.header["board"].value = "oak-05", "O5"
    form.rows[1].depths[0].value = "1,2"
    form.save.click()
    assert "Swatch A1: Depth: this cell is empty" in form.said.value.replace(", reading 1", "")
    for place in (0, 2):
        form.rows[place].depths[0].value = "0.6"
    form.save.click()
    assert saved(book, "oak-05")["depth_mm"].tolist() == [0.6, 1.2, 0.6]


def test_a_plan_that_is_none_is_said(book):
    file = plan_file(book)
    opened = Bench(book)
    plan = next(value for _, value in opened.choose.options if value[0] == "plan")
    file.write_text("a;b\n1;2\n", encoding="utf-8")
    opened.choose.value = plan
    opened.go.click()
    assert "separated by semicolons" in opened.said.value


def correct(book, burn="oak-01"):
    opened = Bench(book)
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
    opened = Bench(book)
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
    opened = Bench(book)
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
        burn = correction.saved_burn(labdata, file.stem)
        back = labbook.check(entry.as_readings(correction.opened(burn), burn.invented))
        assert correction.changes(burn.readings, back) == []


# The live chart


def chart(form):
    return form.plot.outputs[0]["data"]["application/vnd.plotly.v1+json"]


def test_points_are_drawn_as_they_are_typed(book):
    form = form_for(book, [{"swatch": "<b>", "speed": "150", "depths": ["0.66"]}])
    drawn = chart(form)["data"][-1]
    assert drawn["name"] == "this burn" and (drawn["x"], drawn["y"]) == ([2.4], [0.66])
    assert drawn["text"] == ["swatch &lt;b&gt;, reading 1: 0.66 mm"]
    assert "no curve for it yet" in chart(form)["layout"]["title"]["text"]
    form.rows[0].depths[1].value = "0,70"
    form.rows[0].depths[2].value = "no number"
    assert chart(form)["data"][-1]["y"] == [0.66, 0.7]


def test_the_points_lie_on_the_lab_books_own_axis(labdata):
    start = {"burn": "new", "species": "black cherry", "board": "C9", "swatches": [
        {"swatch": "1", "speed": "150", "depths": ["0.66"]}]}
    form = burnform.entry(labdata, HEADER | start)
    drawn = chart(form)
    names = [trace.get("name") for trace in drawn["data"]]
    assert "next board, 95 % band" in names and names[-1] == "this burn"
    per = 0.05 if "J/mm²" not in drawn["layout"]["xaxis"]["title"]["text"] else 1
    assert drawn["data"][-1]["x"] == [pytest.approx(2.4 * per)]
    assert "black cherry, 20 W" in drawn["layout"]["title"]["text"]


def test_nothing_is_drawn_before_there_is_a_point_or_a_curve(book):
    assert burnform.entry(book).plot.outputs == ()


# Importing an export


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


# ------------------------------------------------------------------ doubtful rows are asked about
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
    assert "Power % &#x27;190&#x27;" in form.said.value and "doubtful" not in form.said.value
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


# ------------------------------------------------------------------ one board must not count as two
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
