"""Machine form, timed runs, and what is measured on machine and gauge: judged as typed, written once, kept until then."""

import datetime
import shutil
import tomllib

import numpy as np
import pandas as pd
import pytest

from testburn import depthfit, drift, energy, labbook
from testburn.entry import focus_form, ladder_choice, machine_form, repeats_form, timed_form
from testburn.labbook import Machine, machine, machinelog
from testburn.sweep import timedruns
from testburn.workshop import newbook

RUN = {"width_mm": "20", "height_mm": "40", "speed_mm_s": "100", "line_pitch_mm": "0.1", "passes": "1", "seconds": "1:50"}


@pytest.fixture
def own(labdata, tmp_path):
    for name in ("machine.toml", "timed_runs.csv", "woods.csv"):
        shutil.copy(labdata / name, tmp_path / name)
    return tmp_path


@pytest.fixture
def new(tmp_path):
    return newbook.make(tmp_path / "new")


def text_of(book):
    return (book / "machine.toml").read_text(encoding="utf-8")


def filled(form, **typed):
    for name, text in typed.items():
        form.boxes[name].value = text
    return form


def saved(form):
    form.buttons["Save machine"].click()
    return form.said.value


def test_a_change_touches_its_own_lines_only_and_the_file_as_it_was_stays(own):
    before = text_of(own)
    said = saved(filled(machine_form(own), max_speed_mm_s="300", focus_gap_mm="7,5"))
    assert "Saved: " in said and text_of(own) == before.replace("max_speed_mm_s = 450", "max_speed_mm_s = 300").replace(
        "focus_gap_mm = 7\n", "focus_gap_mm = 7.5\n")
    assert (own / "history" / "machine" / "1.toml").read_text(encoding="utf-8") == before


def test_nothing_changed_is_said_and_nothing_is_written(own):
    before = text_of(own)
    said = saved(machine_form(own))
    assert "Nothing has changed since it was saved." in said and "Not saved" not in said and text_of(own) == before and not (own / "history").exists()
    form = filled(machine_form(own), max_speed_mm_s="300")
    assert "Saved: " in saved(form) and "Nothing has changed since it was saved." in saved(form)


def test_every_line_of_machine_toml_has_its_box(own):
    """But the step in mm/s, which is typed where the step with its unit is."""
    declared = {one.name for field in machine.FIELDS for one in (field.of or (field,))}
    assert set(machine_form(own).boxes) == declared - {"speed_step_mm_s"}


def test_what_work_may_change_is_typed_in_percent_and_taken_out_by_emptying_its_box(own):
    form = machine_form(own)
    assert "5 after lens wiped, 15 after lens changed" in form.about.value
    said = saved(filled(form, lens_wiped_pct="3,5", refocused_pct="12"))
    assert "Saved: " in said and Machine.of(own).spreads_pct == {"lens wiped": 3.5, "refocused": 12}
    assert form.boxes["lens_wiped_pct"].value == "3.5" and "after lens wiped" not in form.about.value
    saved(filled(form, lens_wiped_pct=""))
    assert Machine.of(own).spreads_pct == {"refocused": 12}
    saved(filled(form, belt_pct="a bit"))
    assert "Belt, % &#x27;a bit&#x27;: this is not a number" in form.beside["belt_pct"].value
    assert "allowed is at least 0 and at most 100 %. Use percent, e.g. 2, or leave the box empty." in filled(form, belt_pct="300").beside["belt_pct"].value


def test_a_new_book_is_filled_in_and_its_remarks_stay(new):
    form = machine_form(new)
    assert "Speeds run from 1 mm/s to 600 mm/s." in form.about.value and "minutes are a range" in form.about.value
    filled(form, speed="mm/min", spacing="lines per inch", power_out_of="255", max_speed_mm_s="30000 mm/min", speed_step="100 mm/min", powers_pct="50 90",
           passes="1; 2", acceleration_mm_s2="2500", skips_blanks="no", clearance_mm="2.5 in")
    assert "to 30000 mm/min" in form.about.value
    saved(form)
    machine, text = Machine.of(new), text_of(new)
    assert (machine.max_speed_mm_s, machine.speed_step, machine.powers_pct, machine.passes, machine.clearance_mm, machine.skips_blanks) == (
        500, "100 mm/min", (50, 90), (1, 2), 63.5, False)
    assert (machine.units.speed, machine.units.spacing, machine.units.power_out_of) == ("mm/min", "lines per inch", 255)
    assert set(newbook.MACHINE.splitlines()) - set(text.splitlines()) == {"max_speed_mm_s = 600", "speed_step_mm_s = 1"}


def test_a_line_is_taken_out_by_emptying_its_box(own):
    saved(filled(machine_form(own), acceleration_mm_s2="", speed="mm/s"))
    assert Machine.of(own).acceleration_mm_s2 is None and "# How briskly the head" in text_of(own)


def test_a_step_in_mm_s_is_a_number(own):
    saved(filled(machine_form(own), speed_step="0,5"))
    assert tomllib.loads(text_of(own))["speed_step_mm_s"] == 0.5 and Machine.of(own).speed_step is None


@pytest.mark.parametrize(("typed", "name", "words"), [
    ({"max_speed_mm_s": "fast"}, "max_speed_mm_s", "Highest, mm/s &#x27;fast&#x27;: this is not a number"),
    ({"max_speed_mm_s": "0"}, "max_speed_mm_s", "allowed is at least 0.001"), ({"powers_pct": "50 190"}, "powers_pct", "allowed is at least 0.01 and at most 100 %"),
    ({"passes": "1.5"}, "passes", "this is not a whole number"), ({"speed_step": "1 knot"}, "speed_step", "&#x27;knot&#x27; is no unit of speed"),
    ({"min_speed_mm_s": "500"}, None, "Give a lowest that is not above the highest")])
def test_what_no_machine_has_is_refused_beside_its_box(typed, name, words, own):
    before, form = text_of(own), filled(machine_form(own), **typed)
    said = saved(form)
    assert words in (form.beside[name].value if name else said) and text_of(own) == before


def test_speeds_that_look_like_a_slip_are_said(own):
    assert "9000 mm/min would be 150." in saved(filled(machine_form(own), max_speed_mm_s="9000"))


def test_what_somebody_else_changed_is_not_written_over(own):
    form = filled(machine_form(own), max_speed_mm_s="300")
    (own / "machine.toml").write_text(text_of(own) + "# mine\n", encoding="utf-8")
    assert "somebody else changed it since you opened it" in saved(form) and "max_speed_mm_s = 450" in text_of(own)
    again = machine_form(own)
    assert again.boxes["max_speed_mm_s"].value == "300" and "somebody else changed it" in saved(again)
    again.buttons["Start anew"].click()
    assert again.boxes["max_speed_mm_s"].value == "450"
    saved(filled(again, max_speed_mm_s="310"))
    assert Machine.of(own).max_speed_mm_s == 310 and "# mine" in text_of(own)


def test_a_file_that_is_no_toml_is_named_and_left(own):
    (own / "machine.toml").write_text("max_speed_mm_s = 300 mm\n", encoding="utf-8")
    form = machine_form(own)
    assert "machine.toml, line 1" in form.said.value
    assert "machine.toml, line 1" in saved(filled(form, focus_gap_mm="7")) and text_of(own) == "max_speed_mm_s = 300 mm\n"


def test_a_line_of_an_earlier_version_gives_way_to_the_one_that_is_typed(own):
    (own / "machine.toml").write_text("bed_clearance_mm = 60\n", encoding="utf-8")
    form = machine_form(own)
    assert form.boxes["clearance_mm"].value == "60"
    saved(filled(form, clearance_mm="61"))
    assert tomllib.loads(text_of(own)) == {"clearance_mm": 61}


@pytest.mark.parametrize(("typed", "pitches_mm"), [
    ("254 lines per inch", [0.1]), ("254, 508 lines per inch", [0.1, 0.05]), ("[0.1, 0.08]", [0.1, 0.08]), ("0.1 0.08 mm", [0.1, 0.08]), ("0,1", [0.1]),
    ("0,1; 0,08", [0.1, 0.08])])
def test_pitches_are_typed_in_the_unit_behind_them(typed, pitches_mm, new):
    assert "Saved: " in saved(filled(machine_form(new), line_pitches_mm=typed))
    assert Machine.of(new).line_pitches_mm == pytest.approx(pitches_mm)


@pytest.mark.parametrize(("typed", "control", "asks"), [
    ({"max_speed_mm_s": "15000"}, "mm/min", True), ({"speed_step": "100"}, "mm/min", True), ({"max_speed_mm_s": "15000 mm/min"}, "mm/min", False),
    ({"speed_step": "100 mm/min"}, "mm/min", False), ({"max_speed_mm_s": "400"}, "mm/min", False), ({"max_speed_mm_s": "1500"}, "mm/s", False)])
def test_a_large_speed_without_a_unit_is_asked_about_where_the_control_has_another(typed, control, asks, new):
    form, before = filled(machine_form(new), speed=control, **typed), (new / "machine.toml").read_text(encoding="utf-8")
    assert ("without a unit it is mm/s" in saved(form)) == asks and ((new / "machine.toml").read_text(encoding="utf-8") == before) == asks
    assert not asks or "Saved: " in saved(form)


def test_a_gauge_sheet_in_thousandths_is_asked_about(new):
    form = filled(repeats_form(new), depths_mm="17 17 17 16 17 17 18 17 17 17")
    form.buttons["Save sheet"].click()
    assert "17 thousandths of an inch would be 0.43 mm" in form.said.value and machinelog.repeats(new).empty
    form.buttons["Save sheet"].click()
    assert len(machinelog.repeats(new)) == 10


def test_lines_per_inch_typed_as_mm_are_named(new):
    form = filled(machine_form(new), line_pitches_mm="254, 318")
    assert "a pitch of 318 mm is none. For lines per inch write 254, 318 lines per inch." in form.beside["line_pitches_mm"].value


def test_a_timed_run_is_judged_with_the_others_before_it_is_written(own):
    form, runs = filled(timed_form(own, scratch=True), **RUN), len(timedruns.read(own))
    form.buttons["Add run"].click()
    assert "Added: run-" in form.said.value and "The head speeds up at" in form.said.value
    found = timedruns.read(own)
    assert len(found) == runs + 1 and found.iloc[-1][["seconds", "invented"]].tolist() == [110, "yes"]
    assert form.boxes["run"].value != found["run"].iloc[-1] and form.boxes["width_mm"].value == "20" and form.boxes["seconds"].value == ""


@pytest.mark.parametrize(("typed", "name", "words"), [
    ({"seconds": "0:10"}, "seconds", "alone takes"), ({"seconds": ""}, "seconds", "nothing is typed here"),
    ({"speed_mm_s": "quick"}, "speed_mm_s", "this is not a number"), ({"height_mm": "0.05"}, "height_mm", "allowed is at least 0.1"),
    ({"timed_on": "1.3.2026"}, "timed_on", "Timed on"), ({"run": "run-1"}, None, "There is a run run-1 already")])
def test_a_run_that_cannot_be_is_refused(typed, name, words, own):
    before = (own / "timed_runs.csv").read_bytes()
    form = filled(timed_form(own), **RUN | typed)
    form.buttons["Add run"].click()
    assert words in (form.beside[name].value if name else form.said.value) and (own / "timed_runs.csv").read_bytes() == before


@pytest.mark.parametrize(("made", "day", "button", "file"), [
    (lambda book: filled(timed_form(book), **RUN), "timed_on", "Add run", "timed_runs.csv"),
    (lambda book: filled(repeats_form(book), depths_mm=TYPED_TEN), "day", "Save sheet", "gauge.csv")])
def test_a_day_to_come_is_written_at_the_second_press_only(made, day, button, file, new):
    form = filled(made(new), **{day: "2999-01-01"})
    form.buttons[button].click()
    assert "2999-01-01 lies after today" in form.said.value and not (new / file).exists()
    form.buttons[button].click()
    assert "2999-01-01" in (new / file).read_text(encoding="utf-8")


def test_runs_that_contradict_are_asked_about_and_the_first_two_say_the_acceleration(new):
    """A head of 2000 mm/s², constant acceleration: a turn takes 2v/a, worked out by hand: 401 lines, 400 turns of 20 mm."""
    form = filled(timed_form(new), **RUN | {"seconds": f"{401 * 20 / 100 + 400 * 2 * 100 / 2000:g}"})
    form.buttons["Add run"].click()
    assert "cannot tell acceleration" in form.said.value
    filled(form, speed_mm_s="200", seconds=f"{401 * 20 / 200 + 400 * 2 * 200 / 2000:g}").buttons["Add run"].click()
    form.buttons["Put into machine.toml"].click()
    assert "acceleration_mm_s2 = 2000" in form.said.value and Machine.of(new).acceleration_mm_s2 == pytest.approx(2000, abs=1)
    filled(form, speed_mm_s="400", seconds="21").buttons["Add run"].click()
    assert "Press Add run again to write it all the same." in form.said.value and len(timedruns.read(new)) == 2
    form.buttons["Add run"].click()
    assert len(timedruns.read(new)) == 3


TEN = [0.51, 0.50, 0.52, 0.51, 0.51, 0.50, 0.52, 0.51, 0.50, 0.51]
TYPED_TEN = "0,51 0.50 0.52; 0.51 0.51 0.50 mm 0.52 0.51, 0.50 0.51"


def test_a_sheet_of_the_gauge_is_said_as_it_is_typed_and_written_once(own):
    form = filled(repeats_form(own, scratch=True), depths_mm="0.51 0.50 0.52")
    assert "3 readings: ten are asked for, 5 at the least." in form.about.value
    filled(form, depths_mm=TYPED_TEN, gauge="dial, ball tip", day="2026-03-14")
    assert f"10 readings: mean 0.509 mm, standard deviation {np.std(TEN, ddof=1):.4f} mm." in form.about.value
    form.buttons["Save sheet"].click()
    assert "dial, ball tip repeats to ±0.00738 mm (standard deviation of 10 readings" in form.said.value, form.said.value
    sheet = machinelog.repeats(own)
    assert sheet["depth_mm"].tolist() == TEN and set(sheet["invented"]) == {"yes"} and form.boxes["depths_mm"].value == ""


def test_the_last_sheet_and_the_last_run_are_taken_back_whole(own):
    for day, gauge, depths in (("2026-03-14", "dial", TEN), ("2026-03-15", "dial", TEN[1:] + [0.53]), ("2026-03-15", "needle", TEN)):
        machinelog.add_repeats(own, datetime.date.fromisoformat(day), depths, 0.01, gauge)
    form = repeats_form(own)
    for _ in range(2):
        form.buttons["Take back the last"].click()
    assert "Taken back: 2026-03-15, needle" in form.said.value.replace("0.51, ", "") and machinelog.repeats(own)["gauge"].unique().tolist() == ["dial"]
    assert len((own / "gauge.csv").read_text(encoding="utf-8").splitlines()) == 21
    for _ in range(4):
        form.buttons["Take back the last"].click()
    assert machinelog.repeats(own).empty
    runs, form = timedruns.read(own), timed_form(own)
    for _ in range(2):
        form.buttons["Take back the last"].click()
    assert timedruns.read(own)["run"].tolist() == runs["run"].tolist()[:-1]


@pytest.mark.parametrize(("typed", "name", "words"), [
    ({"depths_mm": "0.51 deep"}, "depths_mm", "&#x27;deep&#x27;: this is not a number"), ({"depths_mm": ""}, "depths_mm", "nothing is typed here"),
    ({"depths_mm": "0.5 -0.5 0.5 0.5 0.5"}, "depths_mm", "allowed is at least 0 and at most 1000 mm"),
    ({"gauge_step_mm": "2"}, "gauge_step_mm", "allowed is at least 0.0001 and at most 1 mm"),
    ({"depths_mm": "0.51 0.50"}, None, "2 readings tell next to nothing of how a gauge repeats")])
def test_a_sheet_that_tells_nothing_is_refused(typed, name, words, own):
    form = filled(repeats_form(own), **{"depths_mm": TYPED_TEN} | typed)
    form.buttons["Save sheet"].click()
    assert words in (form.beside[name].value if name else form.said.value) and not (own / "gauge.csv").exists()


def test_a_point_that_was_left_out_is_asked_about_as_it_is_typed(own):
    form = filled(repeats_form(own), depths_mm="0.51 0.50 52 0.51 0.50", gauge="needle")
    assert "The reading 52 mm lies far from the others of its recess (0.51, 0.5, 0.51, 0.5): 0.52 would fit." in form.about.value


def test_a_sheet_with_a_reading_that_strays_is_saved_with_a_second_press_only(own):
    form = filled(repeats_form(own), depths_mm="0.51 0.50 0.95 0.51 0.50 0.51", gauge="needle")
    form.buttons["Save sheet"].click()
    assert "press Save sheet again" in form.said.value and not (own / "gauge.csv").exists()
    form.buttons["Save sheet"].click()
    assert (own / "gauge.csv").exists()


@pytest.fixture(scope="module")
def fit(request):
    return depthfit.fit(labbook.read(request.path.parents[2] / "labdata"))


def test_most_lab_books_have_no_ladder_of_powers_and_it_is_said_in_one_line(fit):
    assert drift.power_ladders(fit.readings) == []
    assert "No burn of the lab book is a ladder of powers" in ladder_choice(fit).value


def test_a_ladder_of_powers_is_chosen_from_a_list_and_answered(labdata):
    """Five powers at one speed, proportional: depths are the curve's own at the energy that each brings."""
    read = labbook.read(labdata)
    group = depthfit.fit(read).group("black cherry", 15)
    like = read[(read["species"] == "black cherry") & (read["module_w"] == 15)].iloc[0]
    rows = []
    for place, power in enumerate((30.0, 47.0, 65.0, 82.0, 100.0)):
        dose = energy.line_energy(15, power, 60.0, 1) / 0.1
        rows += [like.to_dict() | {"burn": "ladder", "board": "L", "power_pct": power, "speed_mm_s": 60.0, "line_pitch_mm": 0.1, "passes": 1, "swatch": str(place),
                                   "reading": reading, "depth_mm": float(group.mean(np.array([dose]))[0]), "struck_because": ""} for reading in (1, 2, 3)]
    both = pd.concat([read, pd.DataFrame(rows)], ignore_index=True).astype(read.dtypes.to_dict())
    shown = ladder_choice(depthfit.fit(both))
    choose, said = shown.children[2:]
    assert [name for _, name in choose.options] == ["", "ladder"] and choose.description and said.value == ""
    choose.value = "ladder"
    assert "15 W: the percent is proportional to what arrives" in said.value
    choose.value = ""
    assert said.value == ""


CHOICE = pd.Series({"module": "", "module_w": 15.0})


def focus_depths(at_mm, bend=0.08):
    """Three readings a swatch of a parabola on logarithms, deepest at an offset."""
    return {offset: " ".join(f"{0.6 * np.exp(-bend * (offset - at_mm)**2) + off:.3f}" for off in (0, 0.005, -0.005)) for offset in (-2, -1, 0, 1, 2)}


def focused(book, fit, at_mm=0.8, **typed):
    form = focus_form(book, fit, CHOICE)
    return filled(form, **{f"depths_{place}": text for place, text in enumerate(focus_depths(at_mm).values(), start=1)} | typed)


def test_a_focus_ladder_says_where_it_is_deepest_and_reaches_the_machines_log(own, labdata, fit):
    shutil.copytree(labdata / "burns", own / "burns")
    form = focus_form(own, fit, CHOICE)
    assert "Type the depths of 4 swatches or more" in form.about.value and form.boxes["offset_1"].value == "-2"
    form = focused(own, fit)
    found = drift.focus_check(fit, [-2, -1, 0, 1, 2], [[float(one) for one in text.split()] for text in focus_depths(0.8).values()])
    assert found.deepest_mm == pytest.approx(0.8, abs=0.02) and not found.at_home and found.words.split(" (")[0] in form.about.value
    filled(form, day="2026-03-01").buttons["Write as refocused"].click()
    assert "In the log: 2026-03-01, refocused, 15 W: focus ladder: deepest at +0.8" in form.said.value, form.said.value
    entry, = machinelog.read(own).to_dict("records")
    assert (entry["day"], entry["done"], entry["module"], entry["note"]) == (pd.Timestamp("2026-03-01"), "refocused", "15 W", found.note)
    # A state is open from that day on: what the work did is not known yet.
    past = drift.past_of(own)
    assert past.begun((15.0, 445.0, ""))["done"].tolist()[-1] == "refocused"


@pytest.mark.parametrize(("typed", "said"), [
    ({"depths_1": "", "depths_2": ""}, "This ladder shows no deepest focus yet"), ({"depths_5": "0.9 0.9"}, "This ladder shows no deepest focus yet"),
    ({"depths_3": "deep"}, "See under Depths 3, mm."), ({"day": ""}, "See under Module moved on.")])
def test_a_focus_that_is_not_shown_is_not_written(own, fit, typed, said):
    form = focused(own, fit, **typed)
    form.buttons["Write as refocused"].click()
    assert said in form.said.value and not machinelog.read(own).size


@pytest.mark.parametrize(("typed", "said"), [({"depths_2": ""}, "Focus -1 mm: no depths yet, so it does not count."), ({"depths_2": "0.47 0.047 0.48"}, "Focus -1 mm: ")])
def test_a_gap_in_a_focus_ladder_and_a_slip_are_named_and_asked_about(own, fit, typed, said):
    form = focused(own, fit, 0.8, **typed)
    assert said in form.about.value
    form.buttons["Write as refocused"].click()
    assert said in form.said.value and not machinelog.read(own).size


@pytest.mark.parametrize(("at_mm", "module", "doubt"), [
    (0.0, "15 W", "That may be where the module stood already: write it only if it was moved."), (0.8, "17", "No burn is of the module 17 W")])
def test_a_focus_where_the_module_stood_and_a_strange_module_are_asked_about(own, labdata, fit, at_mm, module, doubt):
    shutil.copytree(labdata / "burns", own / "burns")
    form = focused(own, fit, at_mm, module=module)
    form.buttons["Write as refocused"].click()
    assert doubt in form.said.value and not machinelog.read(own).size
    form.buttons["Write as refocused"].click()
    assert "In the log: " in form.said.value and len(machinelog.read(own)) == 1


@pytest.mark.parametrize(("form", "typed"), [
    (repeats_form, {"depths_mm": "0.51 0.5", "gauge": "dial"}), (lambda book: focus_form(book, None, CHOICE), {"depths_2": "0.4 0.41", "offset_1": "-3"})])
def test_what_is_half_typed_stands_there_again_and_every_box_has_a_label(own, form, typed):
    filled(form(own), **typed)
    again = form(own)
    assert {name: again.boxes[name].value for name in typed} == typed and "did not save is filled in again" in again.said.value
    labels = [box.description for box in again.boxes.values()]
    assert all(labels) and len(set(labels)) == len(labels)
