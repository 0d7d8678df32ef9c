"""Offers: what is proposed first: an unfinished burn, a plan, a saved burn."""

import sys
from html import escape
from pathlib import Path

import pytest

from testburn import burnplan
from testburn.entry import Offers, grid, plan_form, sheet_button
from testburn.labbook import Machine, columns, woods
from testburn.paper import burnsheet
from testburn.workshop import newbook

sys.path.append(str(Path(__file__).parent))
from typed_burns import all_boxes, buttons, drafts, form_for, saved


def test_an_unfinished_burn_is_offered_before_anything_else(book):
    form_for(book, board="<i>C1").rows[0].depths[2].value = "0.70"
    opened = Offers(book)
    assert opened.form is None and {"Resume", "Put away", "Start new"} <= buttons(opened).keys()
    shown = "".join(getattr(box, "value", "") for box in all_boxes(opened.offers))
    assert "1 burn was not finished. Everything you typed is kept." in shown
    assert "oak-01, black cherry; begun 20" in shown and "5 readings typed" in shown
    buttons(opened)["Resume"].click()
    assert opened.form.header["board"].value == "<i>C1"
    opened.form.save.click()
    assert "Saved 5 readings" in opened.form.said.value
    assert Offers(book).form is not None


def test_a_draft_put_away_is_offered_no_more_but_not_deleted(book):
    form_for(book).rows[0].depths[2].value = "0.70"
    opened = Offers(book)
    buttons(opened)["Put away"].click()
    assert opened.form is not None and drafts(book) == []
    assert len(list((book / "journal" / "put-away").iterdir())) == 1


def test_start_new_leaves_the_draft_for_another_time(book):
    form_for(book).rows[0].depths[2].value = "0.70"
    opened = Offers(book)
    buttons(opened)["Start new"].click()
    assert opened.form.header["burn"].value == "" and len(drafts(book)) == 1


def test_a_journal_without_a_form_is_said_and_left_alone(book):
    (book / "journal").mkdir()
    file = book / "journal" / "odd.jsonl"
    file.write_text('{"at": "2026-03-14T10:00:00+00:00", "cell": "row 1 speed", "value": "3"}\n',
                    encoding="utf-8")
    opened = Offers(book)
    assert "The draft odd cannot be read" in "".join(
        getattr(box, "value", "") for box in all_boxes(opened.offers))
    buttons(opened)["Resume"].click()
    assert "The draft odd cannot be read" in opened.said.value and file.exists()


def plan_file(book, last_pitch="0.05", **changed):
    rows = [{"species": "white oak", "module_w": "20", "wavelength_nm": "450", "power_pct": power,
             "speed_mm_s": speed, "line_pitch_mm": pitch, "passes": "1", "swatch": swatch,
             "gauge_step_mm": "0.01", "board_thickness_mm": "19", "note": "plan a1"} | changed
            for swatch, speed, power, pitch in (
                ("A1", "120", "90", "0.05"), ("A2", "60.5", "90", "0.05"), ("A3", "90", "45", last_pitch))]
    names = [column.name for column in columns.COLUMNS if column.name != "depth_mm"]
    lines = [",".join(names), *(",".join(row.get(name, "") for name in names) for row in rows)]
    file = book / "plans" / "plan-a1" / "board-A.csv"
    file.parent.mkdir(parents=True)
    file.write_text("\r\n".join(lines), encoding="utf-8")
    return file


def test_a_planned_burn_fills_the_form(book):
    start = grid.from_plan(plan_file(book))
    assert start["swatches"] == [
        {"swatch": "A1", "speed": "120", "depths": [], "power": ""},
        {"swatch": "A2", "speed": "60.5", "depths": [], "power": ""},
        {"swatch": "A3", "speed": "90", "depths": [], "power": "45"}]
    assert start["gauge_step"] == "0.01 mm" and start["board_thickness"] == "19 mm"
    assert "burn" not in start and "board" not in start
    opened = Offers(book)
    opened.choose.value = next(value for label, value in opened.choose.options
                               if label == "Planned burn: plan-a1, board-A")
    opened.go.click()
    form = opened.form
    form.header["burn"].value, form.header["board"].value = "oak-05", "O5"
    form.rows[1].depths[0].value = "1,2"
    form.save.click()
    assert "Swatches A1, A3: no depth is typed, so they are left out." in form.said.value and not (book / "burns" / "oak-05.csv").exists()
    for place in (0, 2):
        form.rows[place].depths[0].value = "0.6"
    form.save.click()
    assert saved(book, "oak-05")["depth_mm"].tolist() == [0.6, 1.2, 0.6]


def test_a_planned_swatch_of_another_pitch_has_its_own_box(book):
    plan_file(book, last_pitch="0.1")
    form = Offers(book).form
    assert [row.pitch.value for row in form.rows] == ["", "", "0.1"] and form.rows[2].pitch in form.rows[2].line.children
    form.rows[0].depths[0].value, form.rows[2].depths[0].value = "0.6", "0.5"
    form.rows[2].pitch.value = "-1"
    assert "Pitch &#x27;-1&#x27;: allowed is at least 0.0001" in form.rows[2].said.value
    form.rows[2].pitch.value = "254 lines per inch"
    form.header["burn"].value, form.header["board"].value = "oak-05", "O5"
    again = Offers(book)
    buttons(again)["Resume"].click()
    assert [row.get("pitch", "") for row in again.form.typed()["swatches"]] == ["", "", "254 lines per inch"]
    for _ in range(2):
        again.form.save.click()
    assert saved(book, "oak-05").set_index("swatch")["line_pitch_mm"].to_dict() == {"A1": 0.05, "A3": 0.1}


def test_a_plan_that_cannot_be_opened_leaves_no_other_burn_to_type_into(book):
    plan_file(book)
    opened = Offers(book)
    assert opened.form is not None
    broken = book / "plans" / "plan-a1" / "board-B.csv"
    broken.write_text("no,such,columns\r\n1,2,3", encoding="utf-8")
    opened = Offers(book)
    opened.choose.value = next(value for label, value in opened.choose.options if label.endswith("board-B"))
    opened.go.click()
    assert opened.form is None and not opened._slot.children and opened.said.value


def test_swatches_of_a_plan_that_were_not_burned_are_left_out_once_asked(book):
    plan_file(book)
    form = Offers(book).form
    form.rows[1].depths[0].value = "1.2"
    for _ in range(2):
        form.save.click()
    assert saved(book, "plan-a1-A")["swatch"].tolist() == ["A2"]
    assert "Saved 1 reading" in form.said.value


def test_a_plan_that_is_none_is_said(book):
    file = plan_file(book)
    opened = Offers(book)
    plan = next(value for _, value in opened.choose.options if value[0] == "plan")
    file.write_text("a;b\n1;2\n", encoding="utf-8")
    opened.choose.value = plan
    opened.go.click()
    assert "separated by semicolons" in opened.said.value


@pytest.fixture
def new(tmp_path):
    return newbook.make(tmp_path / "new")


def planned(book, fit=None, **typed):
    form = plan_form(book, fit, Machine.of(book), book / "cards" / "plans")
    for name, text in ({"module_w": "15", "wavelength_nm": "445"} | typed).items():
        form.boxes[name].value = text
    form.buttons["Make the plan"].click()
    return form


def test_a_burn_is_planned_in_boxes_and_then_offered(new):
    """The same plan as the function proposes for these figures."""
    form = planned(new, species="red oak", module_w="10", wavelength_nm="455", at_least_mm="0,5", at_most_mm="0.7 mm", width_mm="250", boards="2",
                   swatches="5")
    plan = burnplan.propose(None, woods.of(new), "northern red oak", 10.0, 0.5, 0.7, burnplan.Scrap(250.0, 200.0, 19.0), Machine.of(new), 455.0, 2, 5)
    folder, = (new / "cards" / "plans").iterdir()
    assert folder.name == plan.id and "Made for northern red oak: " in form.said.value
    assert escape(burnsheet.worth(plan)) in form.said.value and all(escape(note) in form.said.value for note in plan.notes)
    assert [board for _, (kind, board) in Offers(new, plans=new / "cards" / "plans").choose.options if kind == "plan"] == [
        str(file) for file in sorted(folder.glob("*.csv"), reverse=True)]
    # What was asked stands there for another try.
    assert (form.boxes["species"].value, form.boxes["width_mm"].value) == ("red oak", "250")


def test_a_plan_of_two_pitches_and_inches_can_be_entered(new):
    file = new / "machine.toml"
    file.write_text(file.read_text(encoding="utf-8") + "\nline_pitches_mm = [0.08, 0.1]\npowers_pct = [80]\n", encoding="utf-8")
    planned(new, species="white oak", module_w="10", wavelength_nm="455", width_mm="12 in", height_mm="8 in", thickness_mm="3/4 in")
    form = Offers(new, plans=new / "cards" / "plans").form
    assert {row.pitch.value for row in form.rows} == {"", "0.1"} and form.header["line_spacing"].value == "0.08"
    assert form.header["board_thickness"].value == "19.05 mm"


@pytest.mark.parametrize("typed, said", [
    ({"species": "white oak", "module_w": "10000"}, "Watts on its label: 10000 W is no diode module. Milliwatts? That would be 10 W."),
    ({"species": "oak"}, "Wood &#x27;oak&#x27;: this could be white oak or northern red oak."),
    ({"species": "rd oak"}, "Wood &#x27;rd oak&#x27;: this could be northern red oak."),
    ({"species": "moon wood"}, "Wood &#x27;moon wood&#x27;: this wood is not in the list: add it on page 3."),
    ({"species": ""}, "Wood: nothing is typed here."), ({"module_w": ""}, "Watts on its label: nothing is typed here."), ({"width_mm": "-3"}, "allowed is above 0"), ({"boards": "two"}, "this is not a whole number"),
    ({"at_least_mm": "0.8"}, "At least 0.8 mm and at most 0.6 mm is no window: the first has to be less."),
    ({"width_mm": "5"}, "The scrap of 5 × 200 mm")])
def test_a_plan_that_cannot_be_is_said_and_nothing_is_made(typed, said, new):
    form = planned(new, **{"species": "white oak"} | typed)
    words = form.said.value + "".join(words.value for words in form.beside.values())
    assert said in words, words
    assert not (new / "cards" / "plans").exists()


def in_form(opened):
    return opened.form.header["burn"].value, opened.form.header["board"].value, opened.choose.value[1][-22:]


def test_the_newest_plan_stands_in_the_form_board_by_board_until_another_burn_is_saved(new):
    """Named after the plan; burned once more it is another burn, on a board that has no name yet."""
    plans = new / "cards" / "plans"
    planned(new, species="white oak", boards="2")
    folder, = plans.iterdir()
    mark = folder.name.rpartition("-")[2]
    for letter in "AB":
        opened = Offers(new, plans=plans)
        assert in_form(opened)[:2] == (f"{folder.name}-{letter}", f"{letter} {mark}")
        assert f"Planned burn: {folder.name}, board-{letter}. Setting and speeds are those of its sheet" in opened.said.value
        for place, row in enumerate(opened.form.rows, 1):
            row.depths[0].value = f"{0.4 + place / 20:.2f}"
        for _ in range(2):  # a doubt about invented depths is asked about first
            opened.form.save.click()
        assert saved(new, f"{folder.name}-{letter}")["board"].unique().tolist() == [f"{letter} {mark}"]
        assert opened.choose.value == (("plan", str(folder / "board-B.csv")) if letter == "A" else ("new", ""))
    assert Offers(new, plans=plans).form.header["burn"].value == f"{folder.name}-B-2"  # no plan: the next id
    opened.choose.value = ("plan", str(folder / "board-A.csv"))
    opened.go.click()
    assert in_form(opened)[:2] == (f"{folder.name}-A-2", "")


def test_a_plan_older_than_another_burn_is_offered_by_choice_alone(new):
    planned(new, species="white oak")
    form_for(new, burn="oak-01", board="O1", species="white oak").save.click()
    opened = Offers(new, plans=new / "cards" / "plans")
    assert opened.choose.value == ("new", "") and any(kind == "plan" for _, (kind, _) in opened.choose.options)


def test_a_newest_plan_that_cannot_be_read_is_said_over_a_new_burn(book):
    plan_file(book).write_text("a;b\n1;2\n", encoding="utf-8")
    opened = Offers(book)
    assert "separated by semicolons" in opened.said.value and opened.form.header["burn"].value == "" and opened.choose.value == ("new", "")


def test_a_sheet_is_made_by_its_button(tmp_path):
    plan = burnplan.propose(None, woods.of(newbook.make(tmp_path / "b")), "white oak", 20.0, 0.4, 0.6, burnplan.Scrap(300.0, 200.0, 19.0), wavelength_nm=450.0)
    shown = sheet_button(tmp_path / "plans", plan)
    assert not (tmp_path / "plans").exists()
    buttons(shown)["Make the sheet"].click()
    assert "Made: board-A.csv, board-A.svg" in shown.children[-1].value and (tmp_path / "plans" / plan.id / "burn-sheet-a4.pdf").exists()
    drawing = burnplan.Drawn("focus.svg", b"<svg/>", "")
    shown = sheet_button(tmp_path / "plans", drawing)
    buttons(shown)["Make the drawing"].click()
    assert (tmp_path / "plans" / "focus.svg").read_bytes() == b"<svg/>"
