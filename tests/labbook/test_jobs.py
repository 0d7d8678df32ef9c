"""Jobs: a finished job is kept with its promise, whole or not at all, and every fault is named."""

import datetime
import json

import numpy as np
import pandas as pd
import pytest

from testburn import depthfit, labbook
from testburn.job import promise, settings
from testburn.labbook import ReadingsError, columns, jobs

DAY = datetime.date(2026, 3, 20)


@pytest.fixture(scope="module")
def card(burns):
    fit = depthfit.fit(burns())
    rows = promise.of(fit, settings.steps(fit, "white oak", 20, [0.5, 1.0]))
    return rows.assign(expected_mm=[0.498, 0.995], curve_sd=0.05, board_sd=0.083, df=7.4)


def one_job(card, job="job-1", depths=(0.48, 0.5, 0.49), board="K1", **more):
    return jobs.readings_of(card.iloc[0], job, board, depths, 0.01, DAY, **more)


def two_recesses(card, job="job-1"):
    return pd.concat([one_job(card, job), jobs.readings_of(card.iloc[1], job, "K1", [0.97, 0.99], 0.01,
                                                           DAY, swatch="2")], ignore_index=True)


def changed(book, before, after, job="job-1"):
    file = book / "jobs" / f"{job}.csv"
    text = file.read_text(encoding="utf-8")
    assert before in text
    file.write_text(text.replace(before, after, 1), encoding="utf-8", newline="")


def said(call, *args, error=ReadingsError):
    with pytest.raises(error) as refusal:
        call(*args)
    return str(refusal.value)


def test_a_saved_job_comes_back_with_its_promise(card, book):
    file = jobs.save(two_recesses(card), book)
    assert file == book / "jobs" / "job-1.csv"
    back = jobs.read(book)
    assert list(back.columns) == [column.name for column in jobs.COLUMNS]
    assert back["depth_mm"].tolist() == [0.48, 0.5, 0.49, 0.97, 0.99]
    assert back.groupby("swatch")["expected_mm"].first().tolist() == card["expected_mm"].tolist()
    assert set(back["card"]) == set(card["card"]) and set(back["promised_for"]) == {"next"}
    assert back["at_least_mm"].isna().all() and back["aim_mm"].tolist() == [0.5] * 3 + [1.0] * 2


def test_what_is_saved_again_is_the_same_bytes(card, book, tmp_path):
    first = jobs.save(two_recesses(card), book)
    again = jobs.save(jobs.read(book), tmp_path)
    assert again.read_bytes() == first.read_bytes()


def test_a_lab_book_without_jobs_has_none(book):
    empty = jobs.read(book)
    assert empty.empty and list(empty.columns) == [column.name for column in jobs.COLUMNS]
    (book / "jobs").mkdir()
    assert jobs.read(book).empty and not (book / "jobs").with_suffix(".lock").exists()


def test_reading_writes_nothing(card, book):
    jobs.save(one_job(card), book)
    before = sorted(book.rglob("*"))
    jobs.read(book)
    assert sorted(book.rglob("*")) == before


def test_a_saved_job_is_never_overwritten(card, book):
    file = jobs.save(one_job(card), book)
    before = file.read_bytes()
    assert said(jobs.save, one_job(card, depths=[0.9]), book, error=FileExistsError) == (
        f"Job job-1 is already in the lab book: {file}. Another job needs another id; to correct this "
        "one, choose it under Saved job.")
    assert said(jobs.save, one_job(card, "JOB-1"), book, error=FileExistsError).startswith("Job job-1 is")
    assert file.read_bytes() == before


def test_two_jobs_are_not_one_file(card, book):
    both = pd.concat([one_job(card), one_job(card, "job-2")], ignore_index=True)
    assert said(jobs.save, both, book) == (
        "1 fault in the readings:\n  table, column burn, value 'job-1, job-2': a file holds one job, this "
        "table 2. Save each job by itself.")


CARD = "Copy it from the card that the job was made from."
FAULTS = {
    ",0.498,0.05,": (",0.498,2.5 %,", "column curve_sd, value '2.5 %': this is not a number. " + CARD),
    ",0.083,": (",8.2,", "column board_sd, value '8.2': allowed is at least 0 and at most 3. " + CARD),
    ",0.498,": (",0,", "column expected_mm, value '0': allowed is above 0 mm. " + CARD),
    ",7.4": (",", "column df: this cell is empty. " + CARD),
    ",next,": (",,", "column promised_for: this cell is empty. Write next, or the board's id."),
    ",0.48,": (",-0.48,", "column depth_mm, value '-0.48': allowed is at least 0 and at most 1000 mm. Measure again from "
               "the face to the floor of the recess, in mm."),
    ",0.5,0.498": (",-1,0.498", "column aim_mm, value '-1': allowed is above 0 mm. Use mm, or leave "
                      "the cell empty."),
    "white oak": ("plastic", "column species, value 'plastic': this wood is not in woods.csv. Use a "
                  "wood of woods.csv, or add this one there."),
}


@pytest.mark.parametrize("before", FAULTS)
def test_each_fault_is_named_with_its_row_and_what_to_do(card, book, before):
    jobs.save(one_job(card, depths=[0.48]), book)
    after, words = FAULTS[before]
    changed(book, before, after)
    assert said(jobs.read, book) == f"1 fault in the readings:\n  job-1.csv, row 2, {words}"


def test_all_faults_of_all_files_at_once(card, book):
    jobs.save(one_job(card, depths=[0.48]), book)
    jobs.save(one_job(card, "job-2", depths=[0.48]), book)
    changed(book, ",0.083,", ",-1,")
    changed(book, ",0.48,", ",deep,", "job-2")
    (book / "jobs" / "job-3.csv").write_text("burn,depth_mm\n", encoding="utf-8")
    text = said(jobs.read, book)
    assert "job-1.csv, row 2, column board_sd, value '-1'" in text
    assert "job-2.csv, row 2, column depth_mm, value 'deep': this is not a number" in text
    assert "job-3.csv, row 1, column expected_mm: this column is missing" in text


def test_one_recess_has_one_promise(card, book):
    jobs.save(one_job(card, depths=[0.48, 0.5]), book)
    file = book / "jobs" / "job-1.csv"
    head, first, second = file.read_text(encoding="utf-8").splitlines()
    file.write_text("\n".join([head, first, second.replace("0.498", "0.6")]) + "\n", encoding="utf-8")
    assert said(jobs.read, book) == (
        "1 fault in the readings:\n  job-1.csv, row 3, column expected_mm, value '0.6': swatch 1 began "
        "with 0.498. One recess was made from one row of a card: correct the row, or use a new "
        "swatch id.")


def test_a_copied_file_is_not_a_second_job(card, book):
    file = jobs.save(one_job(card, depths=[0.48]), book)
    (book / "jobs" / "job-2.csv").write_bytes(file.read_bytes())
    assert "job-2.csv, row 2, column burn, value 'job-1': the file's name says job-2." in said(jobs.read, book)


def test_a_burn_is_no_job(burns, book):
    assert said(jobs.save, burns().drop(columns="struck_because"), book).startswith(
        "10 faults in the readings:\n  table, column board_sd: this column is missing. " + CARD)


def test_a_card_for_another_board_is_refused(card):
    row = card.iloc[0].copy()
    row["board"] = "K1"
    assert one_job(row.to_frame().T, board="K1")["promised_for"].tolist() == ["K1"] * 3
    assert said(one_job, row.to_frame().T, "job-1", [0.5], "K2", error=ValueError) == (
        "The card's row is for board K1, and the job was made on board K2. Choose a row for that board or the next one; "
        "where there is none, correct the board.")


@pytest.mark.parametrize("board, words", [
    ("next", "A board cannot be named 'next': that means the one not yet seen."),
    ("", "Board: this cell is empty. Give each board a name of its own, e.g. C1."),
    (" ", "Board: this cell is empty. Give each board a name of its own, e.g. C1.")])
def test_a_finished_job_was_made_on_a_board_with_a_name(card, board, words):
    assert said(one_job, card, "job-1", [0.5], board, error=ValueError) == words


@pytest.mark.parametrize("board, words", [
    ("next", ", value 'next': a board cannot be named 'next': that means the one not yet seen. "),
    ("", ": this cell is empty. ")])
def test_a_table_of_a_job_on_a_board_without_a_name_is_refused(card, book, board, words):
    told = "column board" + words + "Give each board a name of its own, e.g. C1."
    assert said(jobs.check, one_job(card, depths=[0.5]).assign(board=board)) == (
        f"1 fault in the readings:\n  table, row 0, {told}")
    jobs.save(one_job(card, depths=[0.5]), book)
    changed(book, ",K1,", f",{board},")
    assert said(jobs.read, book) == f"1 fault in the readings:\n  job-1.csv, row 2, {told}"


def test_a_job_needs_a_depth(card):
    assert said(one_job, card, "job-1", [], error=ValueError) == "Give at least one depth in mm."


def test_an_invented_promise_makes_an_invented_job(card):
    assert set(one_job(card.assign(invented="yes"))["invented"]) == {"yes"}
    assert set(one_job(card, invented=True)["invented"]) == {"yes"}
    assert set(one_job(card)["invented"]) == {""}


def test_an_accepted_job_is_a_burn_and_stays_a_job(card, book):
    job = jobs.save(two_recesses(card), book)
    before = job.read_bytes()
    file = jobs.accept(book, "job-1")
    assert file == book / "burns" / "job-1.csv" and job.read_bytes() == before
    burn = labbook.read(book)
    assert burn["depth_mm"].tolist() == [0.48, 0.5, 0.49, 0.97, 0.99]
    assert not {column.name for column in jobs.PROMISED} & set(burn.columns)


def test_a_job_is_accepted_once_and_says_so(card, book):
    jobs.save(one_job(card), book)
    jobs.accept(book, "job-1")
    assert said(jobs.accept, book, "job-1", error=FileExistsError) == (
        "Job job-1 is in the fit already, as burns/job-1.csv. It counts once.")


def test_a_burn_of_the_same_id_is_not_taken_for_it(card, book):
    jobs.save(one_job(card), book)
    labbook.save(one_job(card, depths=[0.7])[list(columns.REQUIRED)], book)
    assert said(jobs.accept, book, "job-1", error=FileExistsError) == (
        "Another burn has the id job-1: burns/job-1.csv. Rename the job's file and the id in it, then "
        "accept it under its new id.")


@pytest.mark.parametrize("name", ["job-9", "../burns/b01", ""])
def test_a_job_that_is_not_there_cannot_be_accepted(card, book, name):
    assert said(jobs.accept, book, name, error=FileNotFoundError) == (
        f"There is no job {name} in {book / 'jobs'}. Check the job's id.")


def test_accepting_needs_only_its_own_file_to_be_sound(card, book):
    jobs.save(one_job(card), book)
    (book / "jobs" / "job-2.csv").write_text("nonsense", encoding="utf-8")
    assert jobs.accept(book, "job-1").exists()


@pytest.mark.parametrize(("before", "why"), [
    (lambda book: jobs.accept(book, "job-1"), "Job job-1 is in the fit, as burns/job-1.csv: it can be corrected, but not taken back."),
    (lambda book: jobs.add_second_pass(book, DAY, "job-1", 200, [0.6, 0.61], 0.01),
     "Job job-1 has a second pass, in second_passes.csv: it can be corrected, but not taken back.")])
def test_a_job_that_more_depends_on_is_not_taken_back(card, book, before, why):
    jobs.save(one_job(card), book)
    before(book)
    assert said(jobs.take_back, book, "job-1", jobs.version(book, "job-1"), error=ValueError) == why and len(jobs.read(book)) == 3


def test_a_correction_that_a_second_pass_contradicts_is_refused(card, book):
    file = jobs.save(one_job(card), book)
    jobs.add_second_pass(book, DAY, "job-1", 200, [0.6, 0.61], 0.01)
    before, seen = file.read_bytes(), jobs.version(book, "job-1")
    assert "0.9 mm before the second pass" in said(jobs.correct, one_job(card, depths=[0.9, 0.9]), book, seen)
    assert file.read_bytes() == before
    jobs.correct(one_job(card, depths=[0.5, 0.52]), book, seen)
    assert jobs.second_passes(book)["before_mm"].tolist() == pytest.approx([0.51])


def test_a_burn_of_another_origin_is_not_corrected_with_a_job(card, book):
    jobs.save(one_job(card), book)
    labbook.save(one_job(card, depths=[0.7])[list(columns.REQUIRED)], book)
    jobs.correct(one_job(card, depths=[0.5]), book, jobs.version(book, "job-1"))
    assert labbook.read(book)["depth_mm"].tolist() == [0.7] and jobs.read(book)["depth_mm"].tolist() == [0.5]


def test_formulas_in_a_note_are_disarmed(card, book):
    file = jobs.save(one_job(card, note="=1+1"), book)
    assert ",'=1+1," in file.read_text(encoding="utf-8")
    assert set(jobs.read(book)["note"]) == {"=1+1"}


def test_the_schema_names_every_column_with_unit_and_limits():
    schema = json.loads(json.dumps(jobs.table_schema()))
    fields = {field["name"]: field for field in schema["fields"]}
    assert list(fields) == [column.name for column in jobs.COLUMNS]
    assert fields["expected_mm"] == {
        "name": "expected_mm", "type": "number", "unit": "mm",
        "description": "Depth of the recess that the card promised.",
        "constraints": {"required": True, "exclusiveMinimum": 0}}
    assert fields["board_sd"]["constraints"] == {"required": True, "minimum": 0, "maximum": 3}
    assert schema["primaryKey"] == ["burn", "swatch", "reading"]


PASS = {"day": datetime.date(2026, 3, 21), "job": "job-1", "speed_mm_s": 400.0, "depths_mm": [0.58, 0.6, 0.59], "gauge_step_mm": 0.01}
SECOND = "second_passes.csv"
HEAD = "day,job,recess,speed_mm_s,depths_mm,gauge_step_mm"


def test_a_second_pass_comes_back_with_the_recess_it_is_of_and_the_jobs_file_stays(card, book):
    assert jobs.second_passes(book).empty
    first = jobs.save(two_recesses(card), book).read_bytes()
    jobs.add_second_pass(book, **PASS, recess="1", note="as it lay", invented=True)
    jobs.add_second_pass(book, **PASS | {"depths_mm": [1.1]}, recess="2")
    back = jobs.second_passes(book)
    assert back[["job", "recess", "note", "invented"]].to_numpy().tolist() == [["job-1", "1", "as it lay", "yes"], ["job-1", "2", "", ""]]
    assert back[["before_mm", "before_readings", "depth_mm", "readings"]].round(6).to_numpy().tolist() == [[0.49, 3, 0.59, 3], [0.98, 2, 1.1, 1]]
    assert back["first_speed_mm_s"].tolist() == jobs.read(book).groupby("swatch")["speed_mm_s"].first().tolist()
    assert set(back["species"]) == {"white oak"} and set(back["board"]) == {"K1"} and back["line_pitch_mm"].nunique() == 1
    assert (book / "jobs" / "job-1.csv").read_bytes() == first
    assert (book / SECOND).read_text(encoding="utf-8").splitlines()[1] == "2026-03-21,job-1,1,400,0.58 0.6 0.59,0.01,as it lay,yes"


# What is typed, and what is said: of a row that is added, and of the same row in the file.
FAULTY = [
    ({"job": "jop-1"}, "column job, value 'jop-1': there is no such job in jobs/. Perhaps job-1?"),
    ({"job": "gate"}, "column job, value 'gate': there is no such job in jobs/. Use the id of a finished job of jobs/."),
    ({"recess": "2"}, "column recess, value '2': job job-1 has the recess 1. Name one of these."),
    ({"day": datetime.date(2026, 3, 19)}, "column day, value '2026-03-19': job job-1 was finished on 2026-03-20. Correct the day, or the job."),
    ({"depths_mm": [0.4, 0.42]}, "column depths_mm, value '0.4 0.42': 0.41 mm on average, and 0.49 mm before the second pass. Measure again"),
    ({"depths_mm": [23.0]}, "column depths_mm, value '23': wood does not give so much depth for the energy of both passes. Check the unit"),
    ({"depths_mm": [0.58, -0.6]}, "column depths_mm, value '-0.6': allowed is at least 0 and at most 1000 mm."),
    ({"depths_mm": []}, "column depths_mm: this cell is empty. Write the readings in mm with a space between them: 0.57 0.58 0.56."),
    ({"speed_mm_s": 0.0}, "column speed_mm_s, value '0': allowed is at least 0.001 and at most 100000 mm/s."),
]


@pytest.mark.parametrize(("typed", "words"), FAULTY)
def test_a_second_pass_that_cannot_be_is_refused_added_or_in_the_file(card, book, typed, words):
    jobs.save(one_job(card), book)
    row = PASS | {"recess": ""} | typed
    refusal = said(lambda: jobs.add_second_pass(book, **row))
    assert words in refusal and not (book / SECOND).exists()
    cells = (row["day"], row["job"], row["recess"], f"{row['speed_mm_s']:g}", " ".join(f"{one:g}" for one in row["depths_mm"]), "0.01")
    (book / SECOND).write_text(f"{HEAD}\n{','.join(map(str, cells))}\n", encoding="utf-8")
    assert f"{SECOND}, row 2, {words}" in said(jobs.second_passes, book)


@pytest.mark.parametrize(("cell", "words"), [
    ("0.58; 0.60 0.59", None), ('"0,58 0,60"', "value '0,58': this number has a decimal comma. Write it with a point: 0.58."),
    ("0.58 deep", "value 'deep': this is not a number")])
def test_the_readings_stand_in_one_cell_each_judged_as_a_reading(card, book, cell, words):
    jobs.save(one_job(card), book)
    (book / SECOND).write_text(f"{HEAD}\n2026-03-21,job-1,,400,{cell},0.01\n", encoding="utf-8")
    if words:
        assert f"{SECOND}, row 2, column depths_mm, {words}" in said(jobs.second_passes, book)
    else:
        assert jobs.second_passes(book)["depth_mm"].round(9).tolist() == [0.59]


def test_a_recess_has_one_second_pass_and_one_of_several_is_named(card, book):
    jobs.save(two_recesses(card), book)
    assert "column recess: job job-1 has the recesses 1, 2. Name one of these." in said(lambda: jobs.add_second_pass(book, **PASS))
    jobs.add_second_pass(book, **PASS, recess="1")
    before = (book / SECOND).read_bytes()
    assert "column job, value 'job-1': this recess has a second pass already." in said(lambda: jobs.add_second_pass(book, **PASS, recess="1"))
    assert (book / SECOND).read_bytes() == before


def test_every_fault_of_every_row_is_said_at_once_also_where_no_job_is(card, book):
    rows = ["2026-03-19,job-1,,400,0.58,0.01", "2026-03-21,gate,,400,0.58,0.01", "2026-03-21,job-1,,400,23,0.01", "2026-03-21,gate,,400,deep,0.01"]
    (book / SECOND).write_text("\n".join([HEAD, *rows]) + "\n", encoding="utf-8")
    refusal = said(jobs.second_passes, book)
    assert "rows 2, 4, column job, value 'job-1': there is no such job" in refusal and "rows 3, 5, column job, value 'gate'" in refusal
    jobs.save(one_job(card), book)
    refusal = said(jobs.second_passes, book)
    for words in ("row 2, column day", "rows 3, 5, column job, value 'gate'", "row 4, column job", "row 4, column depths_mm", "row 5, column depths_mm, value 'deep'"):
        assert words in refusal, refusal
