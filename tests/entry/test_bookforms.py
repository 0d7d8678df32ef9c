"""Small forms of the lab book: judged as typed, refused beside the box, written once, kept until then."""

import datetime
import json
import shutil

import pandas as pd
import pytest

from testburn import depthfit, energy, labbook
from testburn.entry import log_form, retire_form, second_pass_form, set_aside_form, wood_form
from testburn.job import Job
from testburn.labbook import Machine, jobs, machinelog, woods

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
    assert "Set aside: burn trail-03, swatch 4, reading 1. It stays in its burn, and out of the fits. Run the page again to see it." in form.said.value
    assert struck(own) == ["trail-03 4 1", "trail-03 4 2"] and form.boxes["burn"].value == ""
    filled(form, **READING | {"reason": "right after all"}).buttons["Take back"].click()
    assert "Taken back: burn trail-03, swatch 4, reading 1 counts again." in form.said.value and struck(own) == ["trail-03 4 2"]


@pytest.mark.parametrize(("typed", "beside", "said"), [
    ({"reason": " "}, {"reason": "Why: nothing is typed here. Say why it is set aside, e.g. &#x27;typed in inches&#x27;."}, "See under Why."),
    ({"reading": "one"}, {"reading": "Reading &#x27;one&#x27;: this is not a whole number; write it like 6."}, "See under Reading."),
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


@pytest.mark.parametrize("broken", [False, True])
def test_work_on_the_day_of_a_burn_is_asked_about(own, broken):
    """Days alone do not tell which came first; a job's file that cannot be read hinders nothing."""
    if broken:
        (own / "jobs").mkdir(exist_ok=True)
        (own / "jobs" / "gate.csv").write_bytes(b"\xff\xfe\x00")
    day = str(labbook.read(own)["burned_on"].max().date())
    form = filled(log_form(own), day=day, done="lens wiped")
    form.buttons["Add to the log"].click()
    assert "Burns or finished jobs are of that very day" in form.about.value and machinelog.read(own).empty
    form.buttons["Add to the log"].click()
    assert len(machinelog.read(own)) == 1


def test_what_is_asked_about_is_written_at_the_second_press(own):
    form = filled(log_form(own, scratch=True), day="2999-01-01", done="belt", new_state="no")
    form.buttons["Add to the log"].click()
    assert "2999-01-01 lies after today" in form.said.value and machinelog.read(own).empty
    form.buttons["Add to the log"].click()
    assert machinelog.read(own)[["new_state", "invented"]].to_numpy().tolist() == [["no", "yes"]]


def test_the_last_line_of_the_log_is_taken_back_once_it_was_shown(own):
    for day, done in (("2026-03-14", "lens wiped"), ("2026-03-15", "belt")):
        machinelog.add(own, datetime.date.fromisoformat(day), done)
    before = (own / machinelog.FILE).read_bytes()
    form = log_form(own)
    back = form.buttons["Take back the last"]
    back.click()
    assert "The last in machine_log.csv: 2026-03-15, belt. Press Take back the last again" in form.said.value and len(machinelog.read(own)) == 2
    machinelog.add(own, datetime.date(2026, 3, 16), "belt")
    back.click()  # another line stands there now: it is shown first
    assert "2026-03-16, belt. Press" in form.said.value and len(machinelog.read(own)) == 3
    for _ in range(2):
        back.click()
    assert machinelog.read(own)["day"].dt.day.tolist() == [14, 15]
    for _ in range(4):
        back.click()
    assert machinelog.read(own).empty and before in [file.read_bytes() for file in (own / "history" / "machine_log").iterdir()]
    back.click()
    assert "machine_log.csv has nothing to take back." in form.said.value
    assert machinelog.read(machinelog.add(own, datetime.date(2026, 3, 17), "belt").parent)["done"].tolist() == ["belt"]


@pytest.mark.parametrize(("called", "meant"), [
    ("red oak", ["northern red oak"]), ("Red Oak", ["northern red oak"]), ("oak", ["white oak", "northern red oak"]), ("hard maple", ["sugar maple"]),
    ("yellow poplar", ["yellow-poplar"]), ("black chery", ["black cherry"]), ("White Oak", ["white oak"]), ("ebony", []),
    ("rd oak", ["northern red oak"]), ("hard mapel", ["sugar maple"])])
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


PROMISE = pd.Series({"card": "1a2b3c4d5e6f", "readings_mark": "0123456789ab", "board": "Plank-1", "species": "black cherry", "module_w": 15.0,
                     "wavelength_nm": 445.0, "module": "", "power_pct": 90.0, "speed_mm_s": 80.0, "line_pitch_mm": 0.1, "passes": 1, "aim_mm": 0.51,
                     "at_least_mm": 0.46, "at_most_mm": 0.63, "expected_mm": 0.51, "curve_sd": 0.0, "board_sd": 0.04, "swatch_sd": 0.04,
                     "reading_sd": 0.03, "gauge_sd_mm": 0.01, "df": 20.0, "invented": "yes", "order": "trail-sign"})
DAY = datetime.date(2026, 2, 10)
AFTER = {"depths_mm": "0,57 0.58 0.57", "day": "2026-02-11"}
SECOND = "second_passes.csv"


@pytest.fixture(scope="module")
def fit(request):
    return depthfit.fit(labbook.read(request.path.parents[2] / "labdata"))


@pytest.fixture
def sign(labdata, tmp_path):
    """The demo's order on Plank-1, and two of its pieces: one as deep as wanted, one too shallow."""
    for name in ("burns", "orders", "artwork"):
        shutil.copytree(labdata / name, tmp_path / "sign" / name)
    for name in ("woods.csv", "strikes.csv", "machine.toml", "open-order.toml"):
        shutil.copy(labdata / name, tmp_path / "sign" / name)
    piece(tmp_path / "sign", "trail-sign 1", 0.52)
    piece(tmp_path / "sign", "trail-sign 3", 0.40)
    return tmp_path / "sign"


def piece(book, name, depth_mm, **changed):
    jobs.save(jobs.readings_of(PROMISE.replace({"trail-sign": changed.pop("order", "trail-sign")}), name, "Plank-1",
                               [depth_mm, depth_mm + 0.01, depth_mm - 0.01], 0.01, DAY, **changed), book)


def second_form(book, fit, **typed):
    return filled(second_pass_form(book, Job.read(book, fit, Machine.of(book))), **typed)


def test_the_shallow_piece_is_chosen_and_its_second_pass_said_before_anything_is_typed(sign, fit):
    form, job = second_form(sign, fit), Job.read(sign, fit, Machine.of(sign))
    assert form.boxes["job"].value == "trail-sign 3" and form.boxes["job"].options == ("trail-sign 3", "trail-sign 1")
    # Of the setting that the piece was burned with, not the one recommended now.
    best = job.top_up(0.40, energy.with_energy(jobs.read(sign)).query("burn == 'trail-sign 3'").iloc[0])
    assert form.boxes["speed_mm_s"].value == f"{best['speed_mm_s']:g}" and "0.40 mm is too shallow. Burn the piece once more" in form.about.value
    # Nothing was typed: no draft is left.
    assert "filled in again" not in second_form(sign, fit).said.value and not list(sign.rglob("second-pass"))


def test_a_second_pass_is_recorded_with_what_is_typed_and_the_next_one_counts_with_it(sign, fit):
    form = second_form(sign, fit, **AFTER, note="where it lay")
    assert "Mean of 3: 0.57 mm: inside the window 0.46 to 0.63 mm." in form.about.value
    speed = float(form.boxes["speed_mm_s"].value)
    form.buttons["Save second pass"].click()
    assert "Saved: trail-sign 3: 0.40 mm, then 0.57 mm after a second pass: inside the window" in form.said.value, form.said.value
    row, = jobs.second_passes(sign).to_dict("records")
    assert (row["job"], row["speed_mm_s"], row["depths_mm"], row["note"], row["invented"]) == ("trail-sign 3", speed, "0.57 0.58 0.57", "where it lay", "")
    assert form.boxes["job"].value == "" and Job.read(sign, fit, Machine.of(sign)).loses.recorded == 1
    filled(form, job="trail-sign 3", speed_mm_s="200", **AFTER).buttons["Save second pass"].click()
    assert "Piece (its job id) &#x27;trail-sign 3&#x27;: this recess has a second pass already." in form.said.value


@pytest.mark.parametrize(("typed", "about"), [
    ({"job": "trail-sign 1"}, "0.52 mm is as deep as the window&#x27;s floor (0.46 mm): no second pass is needed."),
    ({"job": "trail-sign 9"}, "There is no finished job trail-sign 9 yet: save the piece in the form above first"),
    ({"job": "", "depth_mm": "0,38"}, "0.38 mm is too shallow. Burn the piece once more"), ({"job": ""}, "Choose the piece that is too shallow, or type its depth"),
    ({"speed_mm_s": "400"}, "At the speed typed, about 0.4"), ({"recess": "7"}, "Job trail-sign 3 has the recess 1: name that, or none.")])
def test_what_is_said_of_what_is_typed(sign, fit, typed, about):
    assert about in second_form(sign, fit, **typed).about.value


def test_the_speed_follows_the_piece_until_another_is_typed(sign, fit):
    form = second_form(sign, fit)
    first = form.boxes["speed_mm_s"].value
    filled(form, job="", depth_mm="0.44")
    other = form.boxes["speed_mm_s"].value
    assert float(other) > float(first)
    filled(form, speed_mm_s="300", depth_mm="0.40")
    assert form.boxes["speed_mm_s"].value == "300" and "At the speed typed" in form.about.value


def test_the_speed_is_said_and_typed_in_the_controls_unit_and_kept_in_mm_s(sign, fit):
    Machine.change(sign, {"units": {"speed": "mm/min"}})
    form = second_form(sign, fit)
    said = float(form.boxes["speed_mm_s"].value)
    assert said > 5000 and form.boxes["speed_mm_s"].description == "Second pass, mm/min" and "mm/min, power and pitch as before" in form.about.value
    filled(form, speed_mm_s="12000", **AFTER).buttons["Save second pass"].click()
    assert jobs.second_passes(sign)["speed_mm_s"].tolist() == [200.0], form.said.value


@pytest.mark.parametrize(("typed", "words"), [
    ({"depths_mm": "0.39 0.40"}, "0.40 mm after the second pass is no deeper than the 0.40 mm before it: is it that piece?"),
    ({"depths_mm": "1.2"}, "1.20 mm is far from the 0.5"), ({"depths_mm": "0.9 in"}, "mm is far from the 0.5")])
def test_what_looks_like_a_slip_is_asked_about_once(sign, fit, typed, words):
    form = second_form(sign, fit, **AFTER | typed)
    form.buttons["Save second pass"].click()
    assert words in form.said.value and "Press Save second pass again to write it so." in form.said.value and not (sign / SECOND).exists()
    form.buttons["Save second pass"].click()
    assert (sign / SECOND).exists() == ("in" not in typed["depths_mm"]), form.said.value


@pytest.mark.parametrize(("typed", "name", "words"), [
    ({"depths_mm": ""}, "depths_mm", "Readings after, mm: nothing is typed here."), ({"depths_mm": "0.5 deep"}, "depths_mm", "&#x27;deep&#x27;: this is not a number"),
    ({"job": ""}, "job", "nothing is typed here"), ({"speed_mm_s": "fast"}, "speed_mm_s", "this is not a number"), ({"day": "11.2."}, "day", "this is not a day"),
    ({"gauge_step_mm": ""}, "gauge_step_mm", "nothing is typed here"), ({"day": "2026-02-09"}, "day", "job trail-sign 3 was finished on 2026-02-10"),
    ({"job": "trail-sign 9"}, "job", "there is no such job in jobs/. Perhaps trail-sign")])
def test_what_cannot_be_is_said_beside_its_box_and_everything_typed_stays(sign, fit, typed, name, words):
    form = second_form(sign, fit, **AFTER | typed)
    form.buttons["Save second pass"].click()
    assert words in form.beside[name].value and not (sign / SECOND).exists()
    assert {box: form.boxes[box].value for box in AFTER | typed} == AFTER | typed


def test_a_piece_of_another_order_gets_no_setting_here_and_is_recorded_all_the_same(sign, fit):
    piece(sign, "pond 1", 0.40, order="pond")
    form = second_form(sign, fit, job="pond 1", speed_mm_s="230", **AFTER)
    assert "Job pond 1 is of the order pond: open that one to see its second pass." in form.about.value
    form.buttons["Save second pass"].click()
    assert "Saved: pond 1: 0.40 mm, then 0.57 mm" in form.said.value


def test_a_half_typed_second_pass_outlives_a_crash_and_a_piece_saved_meanwhile(sign, fit):
    form = second_form(sign, fit, depths_mm="0.57 0.5")
    piece(sign, "trail-sign 6", 0.42)
    form.look_again()
    assert form.boxes["job"].value == "trail-sign 3" and form.boxes["depths_mm"].value == "0.57 0.5"
    again = second_form(sign, fit)
    assert (again.boxes["job"].value, again.boxes["depths_mm"].value) == ("trail-sign 3", "0.57 0.5") and "filled in again" in again.said.value
    again.buttons["Start anew"].click()
    assert again.boxes["job"].value == "trail-sign 6" and again.boxes["depths_mm"].value == ""


def test_without_an_order_or_with_a_file_at_fault_it_says_so_and_stands(sign, fit, labdata, tmp_path):
    (sign / SECOND).write_text("day,job\n", encoding="utf-8")
    form = second_form(sign, fit)
    assert SECOND in form.said.value and form.boxes["job"].value == ""
    bare = tmp_path / "bare"
    (bare / "burns").mkdir(parents=True)
    assert "Choose the piece that is too shallow" in second_pass_form(bare, Job.read(bare, fit)).about.value
