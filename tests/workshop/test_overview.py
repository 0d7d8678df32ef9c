"""The map: what it says of each species × module, and what it asks for next."""

import datetime

import pandas as pd
import pytest

from testburn import depthfit, labbook
from testburn.labbook import Machine, jobs
from testburn.workshop import overview

TODAY = datetime.date(2026, 4, 1)


@pytest.fixture
def none(tmp_path):
    return jobs.read(tmp_path)


def test_a_field_says_boards_day_age_and_jobs(burns, none):
    readings = burns(boards=2)
    table = overview.state(readings, depthfit.fit_if_enough(readings), none, TODAY)
    assert table.to_dict("records") == [{
        "species": "white oak", "module_w": 20.0, "wavelength_nm": 450.0, "module": "", "boards": 2,
        "last_burn": pd.Timestamp("2026-03-14"), "age_days": 18, "jobs": 0, "drift": "no jobs",
        "fitted": True}]
    assert overview.Grid(table).fields.iloc[0, 0] == "2 boards; burned 2026-03-14; 18 days ago; no jobs"


def test_woods_go_down_and_modules_across(burns, none):
    readings = pd.concat([burns("white oak", 20), burns("white oak", 5), burns("sugar maple", 20),
                          burns("sugar maple", 2, 1064)], ignore_index=True)
    fields = overview.Grid(overview.state(readings, depthfit.fit_if_enough(readings), none, TODAY)).fields
    assert list(fields.columns) == ["5 W, 450 nm", "20 W, 450 nm", "2 W, 1064 nm"]
    assert list(fields.index) == ["sugar maple", "white oak"]
    assert fields.loc["white oak", "2 W, 1064 nm"] == ""


def test_an_empty_book_says_where_to_begin(book, none):
    table = overview.state(labbook.read(book), None, none, TODAY)
    assert overview.next_steps(table) == [
        "The lab book is empty. Plan a test burn, burn it, enter its depths."]
    assert repr(overview.Grid(table)) == "no burn yet"


def test_too_few_swatches_for_a_curve_are_on_the_map(burns, none):
    readings = burns(boards=1)
    few = readings[readings["swatch"].isin(["1", "2"])]
    assert depthfit.fit_if_enough(few) is None
    table = overview.state(few, depthfit.fit_if_enough(few), none, TODAY)
    assert overview.next_steps(table) == [
        "white oak 20 W: no curve yet. Burn more swatches, at three speeds or more."]


def test_what_is_asked_for_comes_in_order_of_weight(labdata):
    readings, finished = labbook.read(labdata), jobs.read(labdata)
    table = overview.state(readings, depthfit.fit_if_enough(readings), finished, TODAY)
    said = overview.next_steps(table.assign(boards=[1, *table["boards"][1:]]))
    assert said[0] == ("black cherry 15 W, black walnut 15 W, sugar maple 15 W, white oak 15 W: finished jobs no "
                       "longer come out as promised. See the notebook on finished jobs.")
    assert said[1].startswith("black cherry 6 W: one board only.")


def test_names_of_the_lab_book_are_escaped(burns, none):
    readings = burns().assign(species="<b>oak</b>")
    table = overview.state(readings, None, none, TODAY)
    assert "<b>oak" not in overview.Grid(table)._repr_html_()


def test_a_head_that_was_never_timed_is_asked_for(burns, none):
    readings, head = burns(boards=2), Machine(acceleration_mm_s2=2000)
    known = overview.state(readings, depthfit.fit_if_enough(readings), none, TODAY)
    for table in (known, known[:0]):
        assert overview.next_steps(table, Machine())[-1] == (
            "machine.toml does not say how briskly the head speeds up: minutes are a range, and no way to sweep is called the "
            "fastest. Time two filled rectangles, one at twice the other's speed; notebook 8 works the acceleration out.")
        assert overview.next_steps(table, head) == overview.next_steps(table)


def test_what_looks_wrong_in_machine_toml_is_on_the_map(burns, none):
    readings = burns(boards=2)
    table = overview.state(readings, depthfit.fit_if_enough(readings), none, TODAY)
    said = overview.next_steps(table, Machine(max_speed_mm_s=50, acceleration_mm_s2=2000), readings)
    assert said[-1].startswith("machine.toml: max_speed_mm_s = 50, but white oak under 20 W was burned at")
