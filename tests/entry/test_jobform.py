"""Job form: boxes for a finished job, answered at once, saved whole, accepted on the maker's word."""

import datetime

import numpy as np
import pytest

from testburn import labbook
from testburn.entry import jobform
from testburn.job import promise
from testburn.labbook import jobs
from testburn.units import Units

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
    return jobform.job_form(book, cards)


def fill(form, **typed):
    for name, text in (TYPED | typed).items():
        form.boxes[name].value = text
    return form


def test_a_card_row_is_said_in_one_line(form):
    assert [text for text, _ in form.boxes["card"].options] == [
        "white oak, 20 W, 0.60 mm: 90 %, 143 mm/s · card 1a2b3c4d5e6f",
        "white oak, 20 W, 0.80 mm: 90 %, 143 mm/s · card 1a2b3c4d5e6f · board K1"]


def test_rows_that_read_the_same_are_told_apart_by_what_differs(book, cards):
    import pandas as pd
    line = "white oak, 20 W, 0.60 mm: 90 %, 143 mm/s · card 1a2b3c4d5e6f"
    for changes, lines in [
            ([{}, {"at_least_mm": 0.55}], [" · at least 0.5 mm", " · at least 0.55 mm"]),
            ([{}, {"at_most_mm": 0.65}, {"at_most_mm": np.nan, "at_least_mm": np.nan}],
             [" · at least 0.5 mm · at most 0.7 mm", " · at least 0.5 mm · at most 0.65 mm", " · no window"]),
            ([{}, {"board": "K1"}, {"board": "K2"}], ["", " · board K1", " · board K2"]),
            ([{}, {"passes": 2, "line_pitch_mm": 0.1}], [" · pitch 0.05 mm", " · pitch 0.1 mm"]),
            ([{}, {"expected_mm": 0.58}], [" · said 0.6 mm", " · said 0.58 mm"]),
            ([{}, {"curve_sd": 0.05}], ["", " · no. 2"]), ([{}, {}], [""])]:
        rows = pd.DataFrame([PROMISE | change for change in changes], columns=list(promise.COLUMNS))
        assert [text for text, _ in jobform.job_form(book, rows).boxes["card"].options] == [
            line + more for more in lines]


def test_in_a_list_of_several_pitches_each_line_says_its_own(cards):
    two = promise.labels(cards.assign(line_pitch_mm=[0.05, 0.1]))
    assert [line.rpartition(" · ")[2] for line in two] == ["pitch 0.05 mm", "pitch 0.1 mm"]


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


@pytest.mark.parametrize("piece, saved, offered", [
    ("gate 1", [], "gate 1"), ("gate 1", ["gate 1"], "gate 2"), ("gate 1", ["gate 1", "gate 2", "gate 4"], "gate 3"),
    ("gate 9", ["gate 9"], "gate 10"), ("gate", ["gate"], "gate"), ("", [], "")])
def test_the_next_piece_is_offered(form, book, piece, saved, offered):
    (book / "jobs").mkdir(exist_ok=True)
    for name in saved:
        (book / "jobs" / f"{name}.csv").touch()
    assert jobform.job_form(book, form.promises, piece=piece).boxes["burn"].value == offered


def test_the_card_and_the_readings_are_compared_at_once(form):
    assert "The card said 0.60 mm; 95 recesses in 100 lie between 0.47 and 0.73 mm." in form.promised.value
    fill(form)
    assert ("Mean of 3: 0.60 mm, -1 %: as boards differ. Inside the window 0.5 to 0.7 mm."
            in form.promised.value)
    form.boxes["readings"].value = "0.40 0.42"
    assert ("Mean of 2: 0.41 mm, -32 %: further off than 95 boards in 100. Outside the window 0.5 to 0.7 mm."
            in form.promised.value)


def test_the_wrong_unit_is_asked_about_before_it_is_saved(form, book):
    fill(form, readings="0.023 0.024").save.click()
    assert ("Not saved yet; press Save job again to save it so. The readings are 0.039 times what the card "
            "said: is the unit right, and the card?") in form.said.value
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
    ({"board": "next"}, "A board cannot be named &#x27;next&#x27;: that means the one not yet seen."),
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
    form = fill(jobform.job_form(book, cards), burn="job-10")
    form.accept.click()
    assert "Not accepted yet; press Accept into the fit again if you know the cause" in form.said.value
    assert "Since job job-06 (2026-03-07) recesses come out" in form.said.value
    assert labbook.read(book).empty
    form.accept.click()
    assert len(labbook.read(book)) == 1
    fill(form, burn="job-01").accept.click()
    assert "Job job-01 is in the fit now" in form.said.value


def test_a_job_off_from_the_first_job_on_is_accepted_on_a_second_press(book, cards):
    for place, share in enumerate([-0.25, -0.24, -0.28, -0.26, -0.22, -0.25]):
        jobs.save(jobs.readings_of(cards.iloc[0], f"job-{place}", f"B{place}", [0.6 * (1 + share)], 0.01,
                                   datetime.date(2026, 3, 1 + place)), book)
    form = fill(jobform.job_form(book, cards), burn="job-3")
    form.accept.click()
    assert "Not accepted yet; press Accept into the fit again if you know the cause" in form.said.value
    assert "It was so from the first job on: lens, setting or curve." in form.said.value
    assert labbook.read(book).empty
    form.accept.click()
    assert "Job job-3 is in the fit now" in form.said.value


LOST = ('<p class="fault">The card of this draft is not in the list: choose it again.</p>'
        '<p class="doubt">It was: white oak, 20 W, 0.60 mm: 90 %, 143 mm/s · card 1a2b3c4d5e6f')


def test_a_draft_whose_card_is_gone_is_not_held_to_another(book, cards):
    fill(jobform.job_form(book, cards))
    other = cards.assign(card="ffffffffffff", species="black cherry")
    again = jobform.job_form(book, other)
    assert again.row is None and again.boxes["card"].label is None
    assert again.boxes["readings"].value == TYPED["readings"]
    assert LOST in again.promised.value and "Mean of" not in again.promised.value
    again.boxes["note"].value = "still"
    again.save.click()
    assert ("Not saved; everything you typed is still here.</p><p class=\"fault\">The card of this draft is "
            "not in the list: choose it again.") in again.said.value
    assert jobs.read(book).empty
    assert LOST in jobform.job_form(book, other).promised.value, "asked again until it is chosen"
    again.boxes["card"].value = 0
    assert "Mean of 3: 0.60 mm" in again.promised.value and "not in the list" not in again.promised.value
    assert jobform.job_form(book, other).row["species"] == "black cherry"
    again.save.click()
    assert set(jobs.read(book)["card"]) == {"ffffffffffff"}


def test_a_draft_comes_back_with_its_own_one_of_two_cards_that_read_the_same(book, cards):
    import pandas as pd
    narrow = cards.iloc[[0]].assign(at_most_mm=0.65)
    fill(jobform.job_form(book, pd.concat([cards, narrow])), card=2)
    again = jobform.job_form(book, pd.concat([narrow, cards]))
    assert (again.boxes["card"].value, again.row["at_most_mm"]) == (0, 0.65)
    alone = jobform.job_form(book, cards)
    assert alone.row is None, "its line is that of another card now"


def test_a_draft_of_an_elder_form_leaves_its_card_open(book, cards):
    from testburn.labbook import journal
    journal.record(book / "jobs", "20260101-000000-abcdef", "card", promise.label(cards.iloc[0]))
    assert jobform.job_form(book, cards).row is None
    journal.close(book / "jobs", "20260101-000000-abcdef")
    journal.record(book / "jobs", "20260101-000000-abcdef", "note", "torn")
    assert "It was: not kept" in jobform.job_form(book, cards).promised.value


def test_start_empty_chooses_a_card_again_where_the_drafts_was_gone(book, cards):
    fill(jobform.job_form(book, cards))
    again = jobform.job_form(book, cards.assign(card="ffffffffffff"))
    again.clear.click()
    assert again.row["card"] == "ffffffffffff" and "not in the list" not in again.promised.value
    assert jobform.job_form(book, cards).boxes["readings"].value == ""


def test_what_was_typed_and_not_saved_is_there_again(book, cards):
    fill(jobform.job_form(book, cards), card=1, note="half done")
    again = jobform.job_form(book, cards)
    assert {name: again.boxes[name].value for name in TYPED} == TYPED
    assert (again.boxes["note"].value, again.row["expected_mm"]) == ("half done", 0.8)
    assert "What you typed last time and did not save is filled in again." in (
        again.children[2].value)


def test_after_saving_nothing_is_filled_in_again(form, book, cards):
    fill(form).save.click()
    assert jobform.job_form(book, cards).boxes["readings"].value == ""


def test_start_empty_clears_the_boxes_and_keeps_the_draft_among_the_saved(form, book, cards):
    fill(form).clear.click()
    assert form.boxes["readings"].value == "" and form.boxes["gauge_step"].value == "0.01 mm"
    assert jobform.job_form(book, cards).boxes["readings"].value == ""
    assert any("0.58 0.61 0.60" in path.read_text(encoding="utf-8") for path in book.glob("jobs/journal/saved/*.jsonl"))


def test_drafts_of_jobs_are_not_taken_for_burns(form, book):
    from testburn.entry import draft
    fill(form)
    assert draft.unfinished(book).empty and jobs.read(book).empty


def test_on_the_scratch_demo_everything_is_marked_invented(book, cards):
    form = fill(jobform.job_form(book, cards, scratch=True))
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
        jobform.job_form(book, cards.iloc[:0])
    assert str(refusal.value) == ("There is no card to choose from. Print a card first, or make promises with "
                                  "promise.of.")


def test_a_promise_is_labelled_in_the_machine_s_units(cards):
    row = cards.iloc[0]
    words = promise.label(row, Units("mm/min", power_out_of=255))
    assert f"{60 * row['speed_mm_s']:g} mm/min" in words and " of 255, " in words and "mm/s" not in words


def test_a_reading_that_strays_is_asked_about(form, book):
    fill(form, readings="0.58 0.058 0.60").save.click()
    assert "the reading 0.058 mm lies far from the others of its recess (0.58, 0.6): 0.58 would fit. Press Save job again" in form.said.value
    assert jobs.read(book).empty
    form.save.click()
    assert "Saved 3 readings" in form.said.value


def test_a_day_to_come_is_asked_about(form, book):
    fill(form, burned_on="2999-12-30")
    form.save.click()
    assert "2999-12-30 lies after today" in form.said.value and jobs.read(book).empty
    form.save.click()
    assert len(jobs.read(book)) == 3


def test_the_same_piece_typed_again_is_asked_about(form, book):
    fill(form).save.click()
    fill(form, burn="sign 2", burned_on="2026-03-21", readings="0.61 0.60 0.58").save.click()
    assert "these are the readings of job sign 1 to the last digit" in form.said.value and jobs.read(book)["burn"].unique().tolist() == ["sign 1"]
    form.save.click()
    assert jobs.read(book)["burn"].nunique() == 2
    fill(form, burn="sign 3", board="K2").save.click()
    assert jobs.read(book)["burn"].nunique() == 3


def test_several_doubts_are_asked_one_after_the_other(form, book):
    fill(form, burned_on="2999-12-30", readings="2.4 2.6 0.25")
    for _ in range(4):
        form.save.click()
    assert jobs.read(book)["burn"].unique().tolist() == ["sign 1"]


def test_after_a_save_the_next_piece_of_the_board_is_ready_and_the_saved_one_can_be_accepted(book, cards):
    form = jobform.job_form(book, cards, piece="sign 1")
    fill(form, note="first")
    form.save.click()
    assert "Saved 3 readings" in form.said.value
    assert {name: form.boxes[name].value for name in ("burn", "board", "readings", "note")} == {
        "burn": "sign 2", "board": "K1", "readings": "", "note": ""}
    form.accept.click()
    assert "Job sign 1 is in the fit now" in form.said.value
    form.boxes["readings"].value = "0.6 0.6"
    form.save.click()
    assert sorted(jobs.read(book)["burn"].unique()) == ["sign 1", "sign 2"] and form.boxes["burn"].value == "sign 3"


def test_after_a_piece_without_a_number_the_next_has_one(book, cards):
    form = fill(jobform.job_form(book, cards), burn="gate")
    form.save.click()
    assert form.boxes["burn"].value == "gate-2"


def opened(form, job="sign 1"):
    form.saved_job.value = job
    form.correct.click()
    return form


def test_a_saved_job_is_corrected_after_its_change_was_shown_and_its_burn_with_it(form, book):
    fill(form, note="first").save.click()
    form.accept.click()
    before = (book / "jobs" / "sign 1.csv").read_bytes()
    opened(form)
    assert form.boxes["burn"].disabled and {name: form.boxes[name].value for name in TYPED} == TYPED | {"readings": "0.58 0.61 0.6"}
    assert form.boxes["card"].label == "As saved: white oak, 20 W, 0.60 mm: 90 %, 143 mm/s · card 1a2b3c4d5e6f · no. 2"
    form.save.click()
    assert "Nothing of job sign 1 has changed" in form.said.value
    fill(form, board="K2", readings="0,51 0.61").save.click()
    said = [line.split("</p>")[0].split(">")[-1] for line in form.said.value.split("<p")[1:]]
    assert said == ["Not saved yet; press Save correction again to save these changes.", "Recess 1, reading 3: 0.6 mm is taken away",
                    "Board: K1 becomes K2", "Recess 1, reading 1: Depth 0.58 becomes 0.51 mm"]
    assert (book / "jobs" / "sign 1.csv").read_bytes() == before
    form.save.click()
    assert "Saved 2 readings" in form.said.value and (book / "history" / "jobs" / "sign 1" / "1.csv").read_bytes() == before
    for rows in (jobs.read(book), labbook.read(book)):
        assert rows["depth_mm"].tolist() == [0.51, 0.61] and set(rows["board"]) == {"K2"} and set(rows["note"]) == {"first"}
    assert form.save.description == "Save job" and not form.boxes["burn"].disabled and len(form.boxes["card"].options) == 2
    fill(form, burn="sign 2", readings="0.57 0.59").save.click()
    assert sorted(jobs.read(book)["burn"].unique()) == ["sign 1", "sign 2"]


def test_a_job_is_corrected_to_another_row_of_the_card(form, book):
    fill(form).save.click()
    opened(form).boxes["card"].value = 1
    for _ in range(2):
        form.save.click()
    assert "Saved 3 readings" in form.said.value and jobs.read(book)["expected_mm"].unique().tolist() == [0.8]
    assert jobs.read(book)["promised_for"].unique().tolist() == ["K1"]


def test_a_correction_comes_back_after_a_crash_and_what_changed_meanwhile_is_not_overwritten(form, book, cards):
    fill(form).save.click()
    opened(form).boxes["readings"].value = "0.50 0.51"
    again = jobform.job_form(book, cards)
    assert again.save.description == "Save correction" and again.boxes["readings"].value == "0.50 0.51" and again.boxes["burn"].value == "sign 1"
    file = book / "jobs" / "sign 1.csv"
    file.write_text(file.read_text(encoding="utf-8").replace("0.58", "0.59"), encoding="utf-8", newline="")
    changed = file.read_bytes()
    for _ in range(2):
        again.save.click()
    assert "somebody else changed it since you opened it" in again.said.value and file.read_bytes() == changed


def test_what_is_typed_and_not_saved_is_asked_about_before_a_job_is_opened(form, book):
    fill(form).save.click()
    fill(form, burn="sign 2", readings="0.7 0.8")
    assert "What is typed here is not saved." in opened(form).said.value and form.boxes["readings"].value == "0.7 0.8"
    form.correct.click()
    assert form.boxes["readings"].value == "0.58 0.61 0.6"
    form.clear.click()
    assert form.save.description == "Save job" and form.boxes["readings"].value == "" and len(jobs.read(book)) == 3


def test_a_job_is_taken_back_at_the_second_press_and_its_file_stays(form, book):
    form.back.click()
    assert "Choose a saved job first." in form.said.value
    fill(form).save.click()
    before = (book / "jobs" / "sign 1.csv").read_bytes()
    form.saved_job.value = "sign 1"
    form.back.click()
    assert "job sign 1 counts no more" in form.said.value and len(jobs.read(book)) == 3
    form.back.click()
    assert "Taken back: job sign 1." in form.said.value and jobs.read(book).empty
    assert (book / "history" / "jobs" / "sign 1" / "1.csv").read_bytes() == before and len(form.saved_job.options) == 1


def test_a_job_with_two_recesses_is_not_opened(form, book):
    rows = [jobs.readings_of(form.promises.iloc[0], "pair", "K1", [0.6, depth], 0.01, datetime.date(2026, 3, 20), swatch=swatch)
            for swatch, depth in (("1", 0.61), ("2", 0.58))]
    import pandas as pd
    jobs.save(pd.concat(rows, ignore_index=True), book)
    form = jobform.job_form(book, form.promises)
    assert "Job pair holds more than the form has boxes for: 2 recesses. Correct its file jobs/pair.csv" in opened(form, "pair").said.value and form.save.description == "Save job"


@pytest.mark.parametrize(("column", "said"), [("moisture_pct", ""), ("my_own", "columns of its own (my_own)")])
def test_what_the_form_has_no_box_for_stays_or_stops_it(form, book, column, said):
    fill(form).save.click()
    file = book / "jobs" / "sign 1.csv"
    head, *rows = file.read_text(encoding="utf-8").splitlines()
    file.write_text("\n".join([f"{head},{column}", *(f"{row},9" for row in rows)]) + "\n", encoding="utf-8", newline="")
    opened(form)
    assert (said in form.said.value) and (form.save.description == "Save job") == bool(said)
    if not said:
        form.boxes["readings"].value = "0.5 0.6"
        for _ in range(2):
            form.save.click()
        assert jobs.read(book)[["depth_mm", "moisture_pct"]].to_numpy().tolist() == [[0.5, 9], [0.6, 9]]
