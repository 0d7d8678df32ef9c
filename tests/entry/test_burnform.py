"""Burn form: boxes are filled in, faults are said, and nothing typed is lost."""

import datetime
import json
import sys
from pathlib import Path

import ipywidgets as widgets
import pytest

from testburn import depthfit, labbook
from testburn.labbook import woods
from testburn.entry import boxes, burnform, curve_choice, grid
from testburn.entry.draft import Draft, home

sys.path.append(str(Path(__file__).parent))
from typed_burns import HEADER, ROWS, all_boxes, drafts, form_for, full_disk, saved


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
        "Power &#x27;120&#x27;: allowed is at least 0.01 and at most 100 %. "
        "Type the power that was set, in the unit said above or with its own behind it.",
        "Swatch 1: Speed &#x27;1,200&#x27;: this may mean 1200 or 1.200; "
        "write the one you mean without the comma.",
        "Swatch 2, reading 1: Depth: this cell is empty. "
        "Measure again from the face to the floor of the recess, in mm.",
        "Swatch 3: Speed: this cell is empty. "
        "Type the speed that was set, in the unit said above or with its own behind it.",
        "Swatch 3, reading 3: Depth &#x27;99&#x27;: "
        "the depth is not less than the board&#x27;s 19 mm. "
        "Check both; a burn right through the board has no depth.",
    ]


@pytest.mark.parametrize(("name", "text", "said"), [
    ("species", "", "Wood: this cell is empty."),
    ("burned_on", "14.3.2026", "Day, year-month-day &#x27;14.3.2026&#x27;: this is not a day."),
    ("passes", "1,5", "Passes &#x27;1.5&#x27;: this is not a whole number."),
    ("line_spacing", "0", "Pitch &#x27;0&#x27;: allowed is at least 0.0001 and at most 100 mm."),
    ("burn", "../away", "Burn id &#x27;../away&#x27;: this cannot name a file."),
    ("gauge_step", "1 cm", "Gauge step &#x27;1 cm&#x27;: this is not a number;"),
    ("air_assist", "maybe", "Air assist &#x27;maybe&#x27;: allowed is one of on, off."),
    ("species", "moon wood", "Wood &#x27;moon wood&#x27;: this wood is not in woods.csv."),
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
        "burn": "oak-02", "species": "black cherry", "board": "", "module_w": "20", "module": "",
        "wavelength_nm": "450", "power_pct": "90", "passes": "2", "line_spacing": "0.05",
        "speed_unit": "mm/s", "power_unit": "%", "line_spacing_unit": "mm", "depth_unit": "mm", "depth_as": "the depth",
        "gauge_step": "0.0127 mm",
        "board_thickness": "", "moisture_pct": "", "focus_offset_mm": "", "air_assist": "on",
        "sweep_vs_grain": "", "note": ""}


def test_the_next_burn_is_offered_the_next_id_the_last_speeds_and_the_unit_that_was_typed(book):
    first = form_for(book, [dict(row, power="") for row in ROWS], speed_unit="mm/s")
    first.header["depth_unit"].value = "inch"
    for row, depths in zip(first.rows, (("0.026", "0.027", "0.028"), ("0.012", "0.012", ""))):
        for box, text in zip(row.depths, depths):
            box.value = text
    first.save.click()
    form = burnform.entry(book)
    held = form.typed()
    assert (held["burn"], held["board"], held["depth_unit"]) == ("oak-02", "", "inch")
    assert [(row["swatch"], row["speed"], row["depths"]) for row in held["swatches"]] == [("1", "150", [""] * 3), ("2", "300", [""] * 3),
                                                                                         *((name, "", [""] * 3) for name in "3456")]
    assert "Id, setting and speeds are filled in as after the last burn: change what is another." in form.children[2].value
    # A form that is opened, and not typed into, is no draft.
    assert drafts(book) == []


@pytest.mark.parametrize(("burn", "after"), [("oak-01", "oak-02"), ("oak-09", "oak-10"), ("oak", "oak-2"), ("7", "8"), ("B 99", "B 100")])
def test_the_next_id_is_one_that_is_free(burn, after, book):
    form_for(book, burn=burn, burned_on="2024-03-15").save.click()
    assert burnform.entry(book).header["burn"].value == after
    rows = [dict(ROWS[0], depths=["0.61", "0.62", ""]), ROWS[1]]
    form_for(book, rows, burn=after.upper(), burned_on="2024-03-14", board="C2").save.click()
    assert burnform.entry(book).header["burn"].value not in ("", burn, after)


def test_a_remembered_gauge_step_keeps_its_unit(book):
    form_for(book).save.click()
    form = burnform.entry(book)
    form.header["depth_unit"].value = "inch"
    readings = grid.as_readings({**form.typed(), "swatches": ROWS})
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


def test_every_box_has_a_label_of_its_own_and_measurements_are_plain_text(book):
    form = form_for(book)
    form.rows[0].swatch.value = "A1"
    boxes = [box for box in all_boxes(form) if isinstance(box, (widgets.Text, widgets.Dropdown))]
    labels = [box.description for box in boxes]
    assert len(boxes) == 22 + 2 * 6 and all(labels) and len(set(labels)) == len(labels)
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
        "Swatch id, row 1", "Swatch 1 speed", "Swatch 1 own power", "Swatch 1 reading 1",
        "Swatch 1 reading 2", "Swatch 1 reading 3", "Swatch id, row 2"]


def headings(form):
    return [box.value for box in all_boxes(form) if isinstance(box, widgets.Label)]


def test_the_unit_stands_over_the_depths(book):
    form = form_for(book)
    assert "Reading 1 mm" in headings(form)
    form.header["depth_unit"].value = "inch"
    assert "Reading 1 in" in headings(form) and "Reading 1 mm" not in headings(form)


def test_progress_counts_the_readings_typed(book):
    form = form_for(book)
    assert "<b>5 of 6</b> readings typed</div>" in form.kept.value
    form.rows[1].depths[2].value = "0.31"
    assert "<b>6 of 6</b> readings typed, each kept as you leave its box" in form.kept.value
    form.add_swatch.click()
    assert "<b>6 of 9</b>" in form.kept.value


def test_face_and_floor_are_typed_side_by_side_and_saved_as_depth(book):
    form = form_for(book, [{"swatch": "1", "speed": "150", "faces": ["0.10", "0,12"],
                            "depths": ["0.76", "0.79"]}], depth_as=grid.FACE_AND_FLOOR)
    assert headings(form)[-6:] == ["Face 1 mm", "Floor 1 mm", "Face 2 mm", "Floor 2 mm",
                                   "Face 3 mm", "Floor 3 mm"]
    line = [box.description for box in form.rows[0].line.children[3:7]]
    assert line == ["Swatch 1 face 1", "Swatch 1 floor 1", "Swatch 1 face 2", "Swatch 1 floor 2"]
    assert "mean 0.665 mm" in form.rows[0].said.value
    form.save.click()
    assert saved(book)["depth_mm"].tolist() == [0.66, 0.67]


@pytest.fixture
def shop(book):
    """A lab book whose machine takes mm/min, lines per inch and power out of 255."""
    (book / "machine.toml").write_text('max_speed_mm_s = 450\n[units]\nspeed = "mm/min"\nspacing = "lines per inch"\n'
                                       "power_out_of = 255\n", encoding="utf-8")
    return book


def test_the_form_takes_the_machine_s_units_and_says_them_in_its_headings(shop):
    form = burnform.entry(shop)
    assert [label.value for label in form.grid._headings.children[:3]] == ["Swatch", "Speed mm/min", "Own power of 255"]
    assert [form.header[name].value for name in ("speed_unit", "power_unit", "line_spacing_unit")] == [
        "mm/min", "of 255", "lines per inch"]
    form.header["speed_unit"].value = "in/s"
    assert form.grid._headings.children[1].value == "Speed in/s"


@pytest.mark.parametrize(("speed", "power", "lines", "setting"), [
    ("2400", "51", "254", (40.0, 20.0, 0.1)), ("40 mm/s", "20 %", "0.1 mm", (40.0, 20.0, 0.1)),
    ("90 in/min", "200 of 1000", "10 lines per mm", (38.1, 20.0, 0.1))])
def test_a_number_is_in_the_form_s_unit_or_in_the_one_behind_it_and_saved_in_the_files(shop, speed, power, lines, setting):
    form = burnform.entry(shop, {**HEADER, "speed_unit": "mm/min", "power_unit": "of 255", "power_pct": power,
                                 "line_spacing": lines, "line_spacing_unit": "lines per inch", "swatches": [
                                     {"swatch": "1", "speed": speed, "depths": ["0.50", "0.52", "0.51"]}]})
    form.save.click()
    form.save.click()
    saved = labbook.read(shop)
    assert saved[["speed_mm_s", "power_pct", "line_pitch_mm"]].drop_duplicates().to_numpy().tolist() == [list(setting)]


def test_a_draft_typed_before_the_machine_s_units_were_said_keeps_those_of_the_files(shop):
    """Its 40 were mm/s; read as mm/min they would be a sixtieth."""
    typed = {**HEADER, "swatches": [{"swatch": "1", "speed": "40", "depths": ["0.5"]}]}
    form = burnform.entry(shop, typed, draft=Draft(home(shop, False)))
    assert form.header["speed_unit"].value == "mm/s" and form.header["power_unit"].value == "%"
    assert form.header["line_spacing_unit"].value == "mm"


@pytest.mark.parametrize("word, wood", [("red oak", "northern red oak"), ("hard maple", "sugar maple"), ("walnut", "black walnut")])
def test_a_wood_may_be_chosen_by_what_lumber_is_called(word, wood):
    box = boxes.header_box("species", "", list(woods.read().index))
    labels = [label for label, _ in box.options]
    box.index = labels.index(word)
    assert box.value == wood and box.label == wood, "and its own name is what then stands there"
    assert len(labels) == len(set(labels)) and "oak" not in labels and box.options[0] == ("choose…", "")


def test_a_curve_is_chosen_from_a_list_and_drawn(labdata):
    fit = depthfit.fit(labbook.read(labdata))
    shown = curve_choice(fit)
    choose, place = shown.children[-2:]
    assert [label for label, _ in choose.options] == ["choose…", *(group.name for group in fit.groups)] and place.outputs == ()
    choose.value = fit.groups[3]
    chart = place.outputs[0]["data"]["application/vnd.plotly.v1+json"]
    assert fit.groups[3].name.split(",")[0] in json.dumps(chart["layout"]["title"])
    choose.value = ""
    assert place.outputs == ()


def test_a_day_to_come_is_saved_at_the_second_press_only(book):
    form = form_for(book, burned_on="2999-01-02")
    form.save.click()
    assert "2999-01-02 lies after today" in form.said.value and not (book / "burns" / "oak-01.csv").exists()
    form.save.click()
    assert (book / "burns" / "oak-01.csv").exists()
