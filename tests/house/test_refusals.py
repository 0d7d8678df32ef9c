"""Refusals that no other test reaches: what each says, in whole."""

import re

import pytest

from testburn import depthfit, labbook
from testburn.job import Job, settings
from testburn.labbook import Machine, woods


@pytest.fixture(scope="module")
def fit(burns):
    return depthfit.fit(burns(boards=2))


@pytest.mark.parametrize(("text", "words"), [
    ("acceleration_mm_s2 = 0", "acceleration_mm_s2, value '0': allowed is at least 1 and at most 1000000 mm/s². Time two "
     "rectangles (notebook on time), or leave the line out."),
    ("turn_overhead_s = -1", "turn_overhead_s, value '-1': allowed is at least 0 and at most 60 s. Time two rectangles, or "
     "leave the line out."),
    ("lens = 3", "lens: nothing asks for this line. Known are: min_speed_mm_s, "),
    ("max_sped_mm_s = 3", "max_sped_mm_s: nothing asks for this line. Perhaps max_speed_mm_s?"),
    ("turn_overhead_s = 1\nturn_overhead_s = 2\n", "line 2: a name stands twice. Keep one of the two lines."),
    ("max speed = 3", "this is no TOML: ")])
def test_a_machine_that_cannot_be(text, words, tmp_path):
    (tmp_path / "machine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=re.escape(words)):
        Machine.read(tmp_path / "machine.toml")


def test_a_former_name_of_the_support_still_reads(tmp_path):
    (tmp_path / "machine.toml").write_text("bed_clearance_mm = 60\ngrid_height_mm = 22", encoding="utf-8")
    machine = Machine.read(tmp_path / "machine.toml")
    assert (machine.clearance_mm, machine.support_height_mm) == (60, 22)


HEAD = "species,botanical_name,specific_gravity_12pct,source,dust_caution\n"


@pytest.mark.parametrize(("rows", "words"), [
    ("oak,Q,0.6,,\noak,Q,0.6,,\n", "row 3, column species, value 'oak': this wood stands here twice. Keep one row."),
    ("oak,Q,6,,\n", "row 2, column specific_gravity_12pct, value '6': allowed is at least 0.1 and at most 1.4. Look "
     "it up in a handbook.")])
def test_woods_that_cannot_be(rows, words, tmp_path):
    (tmp_path / "woods.csv").write_text(HEAD + rows, encoding="utf-8")
    with pytest.raises(ValueError) as refused:
        woods.read(tmp_path / "woods.csv")
    assert str(refused.value) == f"1 fault in woods.csv:\n  woods.csv, {words}"


def test_a_table_without_a_column(burns):
    with pytest.raises(labbook.ReadingsError, match="column board: this column is missing"):
        labbook.check(burns(boards=1).drop(columns=["board", "struck_because"]))


def test_a_burned_board_named_next_would_answer_for_the_unseen_one(burns):
    frame = burns(boards=1).drop(columns="struck_because").assign(board="next")
    with pytest.raises(labbook.ReadingsError) as refused:
        labbook.check(frame)
    assert set(refused.value.problems["problem"]) == {"a board cannot be named 'next': that means the one not yet seen"}


def test_a_lab_book_whose_burns_are_gone(tmp_path):
    (tmp_path / "woods.csv").write_text(HEAD, encoding="utf-8")
    with pytest.raises(FileNotFoundError) as refused:
        labbook.read(tmp_path)
    assert str(refused.value) == (f"The lab book {tmp_path} has no folder named burns. Make one in it and put the "
                                  "burns there.")


def test_a_prediction_of_nothing_that_is_known(fit):
    with pytest.raises(ValueError, match="of='board' is unknown. Ask for a 'reading', a 'swatch' or the 'mean'."):
        fit.predict("white oak", 20, 0.1, of="board")


def test_readings_that_do_not_rise_make_no_setting(burns):
    frame = burns(boards=2)
    flat = depthfit.fit(frame.assign(depth_mm=frame.groupby("burn")["depth_mm"].transform("mean").round(2)))
    with pytest.raises(ValueError, match="more energy does not clearly dig deeper in these readings"):
        settings.choose(flat, "white oak", 20, 0.4, 0.6)


def test_a_window_that_no_speed_comes_near(fit):
    choice = settings.choose(fit, "white oak", 20, 0.4, 0.6).iloc[0]
    with pytest.raises(ValueError, match="no speed of this machine comes near 4 to 6 mm"):
        settings.by_speed(fit, choice, 4, 6, Machine(500, 600))


def test_an_infill_that_cannot_be_names_its_table(fit, tmp_path):
    (tmp_path / "job.toml").write_text("[infill]\nmost_step_mm = 2\n", encoding="utf-8")
    with pytest.raises(ValueError, match=re.escape("job.toml, [infill]: A brush-filled window has no most_step_mm.")):
        Job.read(tmp_path, fit).window
