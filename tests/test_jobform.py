"""Job form: boxes for a finished job, answered at once, saved whole, accepted on the maker's word."""

import datetime

import numpy as np
import pytest

from testburn import jobform, jobs, labbook, promise

PROMISE = dict(
    card="1a2b3c4d5e6f", readings_mark="1a2b3c4d5e6f", board="next", species="white oak", module_w=20.0,
    wavelength_nm=450.0, power_pct=90.0, speed_mm_s=143.0, line_pitch_mm=0.05, passes=1,
    line_energy_j_mm=0.126, aim_mm=0.6, at_least_mm=0.5, at_most_mm=0.7, expected_mm=0.6, curve_sd=0.04,
    board_sd=0.09, swatch_sd=0.04, reading_sd=0.03, gauge_sd_mm=0.015, df=20.0, invented="")
TYPED = {"burn": "sign 1", "burned_on": "2026-03-20", "board": "K1", "readings": "0.58 0.61 0.60"}


@pytest.fixture
def cards():
    import pandas as pd
    rows = [PROMISE, PROMISE | {"aim_mm": np.nan, "expected_mm": 0.8, "board": "K1"}]
    return pd.DataFrame(rows, columns=list(promise.COLUMNS))


@pytest.fixture
def form(book, cards):
    return jobform.form(book, cards)


def fill(form, **typed):
    for name, text in (TYPED | typed).items():
        form.boxes[name].value = text
    return form


def test_a_card_row_is_said_in_one_line(form):
    assert [text for text, _ in form.boxes["card"].options] == [
        "white oak, 20 W, 0.60 mm: 90 %, 143 mm/s · card 1a2b3c4d5e6f",
        "white oak, 20 W, 0.80 mm: 90 %, 143 mm/s · card 1a2b3c4d5e6f · board K1"]


def test_pressing_save_writes_the_job(form, book):
    fill(form, note="fern walk").save.click()
    assert form.said.value.count("Saved 3 readings in ") == 1
    saved = jobs.read(book)
    assert saved["depth_mm"].tolist() == [0.58, 0.61, 0.6] and set(saved["note"]) == {"fern walk"}
    assert set(saved["burn"]) == {"sign 1"} and set(saved["card"]) == {"1a2b3c4d5e6f"}
    assert set(saved["gauge_step_mm"]) == {0.01} and set(saved["expected_mm"]) == {0.6}


def test_nothing_is_written_before_a_button_is_pressed(form, book):
    fill(form)
    assert not [path for path in book.rglob("*.csv")]


@pytest.mark.parametrize("text, unit, depths", [
    ("0.58 0.61", "mm", [0.58, 0.61]), ("0,58 0,61", "mm", [0.58, 0.61]), ("0.58, 0.61", "mm", [0.58, 0.61]),
    ("0,58; 0,61;", "mm", [0.58, 0.61]), ("0.58 mm 0.61mm", "mm", [0.58, 0.61]),
    ("0.023 0.024", "inch", [0.5842, 0.6096]), ("0.58mm 0.024", "inch", [0.58, 0.6096]),
    ("0.023 in", "mm", [0.5842]), ("", "mm", []), (" 0.5\n0.6 ", "mm", [0.5, 0.6])])
def test_readings_are_typed_in_one_box(text, unit, depths):
    assert jobform.depths_mm(text, unit) == pytest.approx(depths)


def test_a_reading_that_is_no_number_is_named(form, book):
    fill(form, readings="0.58 deep").save.click()
    assert "Readings &#x27;deep&#x27;: this is not a number; write it like 0.45 or 0,45." in form.promised.value
    assert "Not saved; everything you typed is still here." in form.said.value
    assert form.boxes["readings"].value == "0.58 deep" and jobs.read(book).empty


def test_the_card_and_the_readings_are_compared_at_once(form):
    assert "The card promised 0.60 mm; 19 recesses in 20 lie between 0.46 and 0.74 mm." in form.promised.value
    fill(form)
    assert ("Mean of 3: 0.60 mm, -1 %: as boards differ. Inside the window 0.5 to 0.7 mm."
            in form.promised.value)
    form.boxes["readings"].value = "0.40 0.42"
    assert ("Mean of 2: 0.41 mm, -32 %: further off than 19 boards in 20. Outside the window 0.5 to 0.7 mm."
            in form.promised.value)


def test_the_wrong_unit_is_asked_about_before_it_is_saved(form, book):
    fill(form, readings="0.023 0.024").save.click()
    assert ("Not saved yet; press Save job again to save it so. The readings are 0.039 times what the card "
            "promised: is the unit right, and the card?") in form.said.value
    assert jobs.read(book).empty
    form.save.click()
    assert len(jobs.read(book)) == 2


def test_a_change_after_the_question_asks_again(form, book):
    fill(form, readings="0.023").save.click()
    form.boxes["note"].value = "hm"
    form.save.click()
    assert "Not saved yet" in form.said.value and jobs.read(book).empty


@pytest.mark.parametrize("typed, words", [
    ({"burn": ""}, "Job id: give the job one; its file is named after it."),
    ({"board": ""}, "Board: this cell is empty. Give each board a name of its own, e.g. C1."),
    ({"burned_on": "20.3.2026"}, "Finished on &#x27;20.3.2026&#x27;: this is not a day. Write it as "
                                 "year-month-day, e.g. 2026-03-14."),
    ({"readings": ""}, "Give at least one depth in mm."),
    ({"gauge_step": "fine"}, "Gauge step &#x27;fine&#x27;: this is not a number; write it like 0.45 or 0,45."),
    ({"gauge_step": ""}, "Gauge step: this cell is empty. Use the gauge&#x27;s smallest step in mm, e.g. "
                         "0.01."),
    ({"burn": "a/b"}, "Job id &#x27;a/b&#x27;: this cannot name a file. Use letters, digits, spaces, points, - "
                      "and _, at most 80 of them."),
])
def test_each_fault_is_said_in_the_forms_own_words(form, book, typed, words):
    fill(form, **typed).save.click()
    assert words in form.said.value and jobs.read(book).empty


def test_a_saved_job_is_not_overwritten(form, book):
    fill(form).save.click()
    fill(form, readings="0.5").save.click()
    assert "Job sign 1 is already in the lab book" in form.said.value
    assert len(jobs.read(book)) == 3


def test_a_card_for_another_board_is_refused(form):
    fill(form, card=1, board="K2").save.click()
    assert "The card&#x27;s row is for board K1, and the job was made on board K2." in form.said.value


def test_accepting_makes_a_burn(form, book):
    fill(form).save.click()
    form.accept.click()
    assert "Job sign 1 is in the fit now" in form.said.value
    assert labbook.read(book)["depth_mm"].tolist() == [0.58, 0.61, 0.6]
    form.accept.click()
    assert "Job sign 1 is in the fit already, as burns/sign 1.csv. It counts once." in form.said.value


def test_a_job_must_be_saved_before_it_is_accepted(form, book):
    fill(form).accept.click()
    assert "There is no job sign 1 in " in form.said.value and labbook.read(book).empty


def test_a_faded_job_is_accepted_on_a_second_press(book, cards):
    for place, share in enumerate([0.02, -0.03, 0.04, 0.01, -0.02, 0.03, -0.25, -0.24, -0.25, -0.26, -0.24]):
        jobs.save(jobs.readings_of(cards.iloc[0], f"job-{place:02d}", f"B{place}", [0.6 * (1 + share)], 0.01,
                                   datetime.date(2026, 3, 1 + place)), book)
    form = fill(jobform.form(book, cards), burn="job-10")
    form.accept.click()
    assert "Not accepted yet; press Accept into the fit again if you know the cause" in form.said.value
    assert "Since job job-06 (2026-03-07) recesses come out" in form.said.value
    assert labbook.read(book).empty
    form.accept.click()
    assert len(labbook.read(book)) == 1
    fill(form, burn="job-01").accept.click()
    assert "Job job-01 is in the fit now" in form.said.value


def test_what_was_typed_and_not_saved_is_there_again(book, cards):
    fill(jobform.form(book, cards), card=1, note="half done")
    again = jobform.form(book, cards)
    assert {name: again.boxes[name].value for name in TYPED} == TYPED
    assert (again.boxes["note"].value, again.row["expected_mm"]) == ("half done", 0.8)
    assert "What you typed last time and did not save is filled in again." in (
        again.children[2].value)


def test_after_saving_nothing_is_filled_in_again(form, book, cards):
    fill(form).save.click()
    assert jobform.form(book, cards).boxes["readings"].value == ""


def test_start_empty_clears_the_boxes_and_keeps_the_draft_among_the_saved(form, book, cards):
    fill(form).clear.click()
    assert form.boxes["readings"].value == "" and form.boxes["gauge_step"].value == "0.01 mm"
    assert jobform.form(book, cards).boxes["readings"].value == ""
    assert any("0.58 0.61 0.60" in path.read_text() for path in book.glob("jobs/journal/saved/*.jsonl"))


def test_drafts_of_jobs_are_not_taken_for_burns(form, book):
    from testburn import draft
    fill(form)
    assert draft.unfinished(book).empty and jobs.read(book).empty


def test_on_the_scratch_demo_everything_is_marked_invented(book, cards):
    form = fill(jobform.form(book, cards, scratch=True))
    form.save.click()
    assert set(jobs.read(book)["invented"]) == {"yes"}
    assert "For trying out only" in form.children[2].value


def test_text_is_escaped(form):
    fill(form, burn="<b>x", readings="<script>").save.click()
    assert "<script" not in form.promised.value + form.said.value
    fill(form, burn="<b>x").save.click()
    assert "<b>x" not in form.said.value and "&lt;b&gt;x" in form.said.value


def test_without_a_card_there_is_nothing_to_choose(book, cards):
    with pytest.raises(ValueError) as refusal:
        jobform.form(book, cards.iloc[:0])
    assert str(refusal.value) == ("There is no card to choose from. Print a card first, or make promises with "
                                  "promise.of.")
