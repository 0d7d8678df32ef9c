"""The demo lab book: invented, said to be invented, and the same bytes whenever it is made."""

import importlib.util
import json
import shutil

import numpy as np
import pytest

from testburn import depthfit, drift, energy, labbook
from testburn.labbook import columns, jobs, machinelog, woods


@pytest.fixture(scope="module")
def readings(request):
    return labbook.read(request.path.parents[2] / "labdata")


def swatches(readings):
    return readings.groupby(["burn", "swatch"])


def test_making_it_again_gives_the_committed_bytes(labdata, tmp_path):
    spec = importlib.util.spec_from_file_location("make_demo", labdata / "make_demo.py")
    make_demo = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(make_demo)
    shutil.copy(labdata / "woods.csv", tmp_path)
    make_demo.make(tmp_path)

    def content(folder):
        paths = [*folder.glob("burns/*"), *folder.glob("jobs/*.csv"), *folder.glob("orders/*"), folder / "strikes.csv",
                 folder / "open-order.toml", folder / "datapackage.json"]
        return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}
    assert content(tmp_path).keys() == content(labdata).keys()
    assert content(tmp_path) == content(labdata)


def test_every_reading_says_that_it_is_invented(readings):
    assert set(readings["invented"]) == {"yes"}


def test_the_data_package_says_it_in_its_title_and_description(labdata):
    package = json.loads((labdata / "datapackage.json").read_text(encoding="utf-8"))
    assert "invented" in package["title"]
    assert package["description"].startswith("INVENTED")
    assert "arboretum" in package["title"]


def test_the_data_package_has_the_schema_that_the_checks_read(labdata):
    package = json.loads((labdata / "datapackage.json").read_text(encoding="utf-8"))
    schemas = {resource["name"]: resource["schema"] for resource in package["resources"]}
    assert schemas["burns"] == json.loads(json.dumps(columns.table_schema()))
    assert [field["name"] for field in schemas["woods"]["fields"]] == [
        "species", *woods.read().columns]
    assert [field["name"] for field in schemas["strikes"]["fields"]] == [field.name for field in columns.STRUCK]


def test_the_data_package_lists_jobs_and_timed_runs_and_says_that_they_are_invented(labdata):
    package = json.loads((labdata / "datapackage.json").read_text(encoding="utf-8"))
    added = {resource["name"]: resource for resource in package["resources"]}
    assert added["jobs"]["schema"] == json.loads(json.dumps(jobs.table_schema()))
    assert added["jobs"]["path"] == [f"jobs/sign-{number:02d}.csv" for number in range(1, 20)]
    for name in ("jobs", "timed-runs"):
        assert "invented" in added[name]["title"] and "INVENTED" in added[name]["description"]
    assert [(field["name"], field["type"], field.get("unit"))
            for field in added["timed-runs"]["schema"]["fields"]] == [
        ("run", "string", None), ("timed_on", "date", None), ("width_mm", "number", "mm"),
        ("height_mm", "number", "mm"), ("speed_mm_s", "number", "mm/s"),
        ("line_pitch_mm", "number", "mm"), ("passes", "integer", None), ("seconds", "number", "s"),
        ("invented", "string", None)]


def test_every_number_with_a_dimension_has_its_unit_in_the_data_package():
    fields = {field["name"]: field for field in columns.table_schema()["fields"]}
    numbers = {name for name, field in fields.items() if field["type"] == "number"}
    assert {name: fields[name]["unit"] for name in numbers} == {
        "module_w": "W", "wavelength_nm": "nm", "power_pct": "%", "speed_mm_s": "mm/s",
        "line_pitch_mm": "mm", "depth_mm": "mm", "gauge_step_mm": "mm", "board_thickness_mm": "mm",
        "moisture_pct": "%", "focus_offset_mm": "mm"}


def test_four_species_and_three_blue_modules(readings):
    modules = set(map(tuple, readings[["module_w", "wavelength_nm"]].drop_duplicates().to_numpy()))
    assert modules == {(6, 445), (15, 445), (30, 445)}
    assert readings["species"].nunique() == 4


def test_two_to_four_boards_each(readings):
    boards = readings.groupby(list(columns.GROUP_KEY))["board"].nunique()
    assert boards.between(2, 4).all() and set(boards) == {2, 3, 4}


def test_five_to_eight_swatches_a_board_with_three_readings_or_more(readings):
    assert readings.groupby("board")["swatch"].nunique().between(5, 8).all()
    assert (swatches(readings)["reading"].size() >= 3).all()


def test_every_swatch_numbers_its_readings_from_1(readings):
    assert all(list(group) == list(range(1, len(group) + 1))
               for _, group in swatches(readings)["reading"])


def test_every_reading_lies_on_its_gauges_step_but_the_one_typed_in_inches(readings):
    steps = readings["depth_mm"] / readings["gauge_step_mm"]
    off = readings[~np.isclose(steps, steps.round(), atol=1e-6)]
    assert off["struck_because"].tolist() == ["typed in inches"]


def test_one_reading_was_typed_in_inches_and_is_struck(readings):
    struck = readings[readings["struck_because"] != ""]
    assert struck["struck_because"].tolist() == ["typed in inches"]
    slip = struck.iloc[0]
    beside = readings[(readings["burn"] == slip["burn"]) & (readings["swatch"] == slip["swatch"])
                      & (readings["struck_because"] == "")]["depth_mm"]
    assert energy.mm_from_inches(slip["depth_mm"]) == pytest.approx(beside.mean(), rel=0.15)


def test_one_reading_is_an_outlier_and_is_not_struck(readings):
    kept = readings[readings["struck_because"] == ""]
    off = kept["depth_mm"] / swatches(kept)["depth_mm"].transform("median")
    assert kept.loc[off > 1.3, ["burn", "swatch", "reading"]].values.tolist() == [["trail-22", "5", 3]]


def test_deeper_boards_and_shallower_boards_differ_by_several_percent(readings):
    group = readings[(readings["species"] == "sugar maple") & (readings["module_w"] == 30)]
    means = group.groupby("board")["depth_mm"].mean()
    assert len(means) == 3 and 0.02 < means.std() / means.mean() < 0.3


def test_no_reading_asks_more_of_wood_than_wood_allows(readings):
    rows = energy.with_energy(readings[readings["struck_because"] == ""])
    gravity = rows["species"].map(woods.read()["specific_gravity_12pct"])
    spent = energy.volume_energy(rows["areal_dose_j_mm2"], rows["depth_mm"])
    limits = woods.volume_energy_limits(gravity)
    assert ((spent > limits["warn_below"]) & (spent < limits["warn_above"])).all()


def test_every_group_of_it_can_be_fitted(readings):
    fit = depthfit.fit(readings)
    assert len(fit.groups) == 12 and fit.left_out.empty and fit.invented


@pytest.fixture(scope="module")
def finished(request):
    return jobs.read(request.path.parents[2] / "labdata")


CHECK = "trail-31"


def test_the_lens_is_wiped_after_the_last_job_and_checked_on_a_board_from_before(finished, readings, labdata):
    log = machinelog.read(labdata)
    assert set(log["invented"]) == {"yes"} and log["done"].tolist() == ["belt", "lens wiped"]
    check, wiped = readings[readings["burn"] == CHECK], log["day"].iloc[1]
    assert finished["burned_on"].max() < wiped < check["burned_on"].min()
    assert set(check["board"]) < set(readings.loc[readings["burn"] != CHECK, "board"]) and check["swatch"].nunique() == 3
    known = depthfit.fit(readings, drift.past_of(labdata)).states.iloc[0]
    assert (known["done"], known["check_boards"]) == ("lens wiped", 1)
    assert known["lower_pct"] < 0 < known["upper_pct"] < 12


def test_finished_jobs_are_invented_and_come_after_the_burns(finished, readings):
    assert set(finished["invented"]) == {"yes"}
    assert finished["burned_on"].min() > readings.loc[readings["burn"] != CHECK, "burned_on"].max()
    assert finished["burned_on"].dt.year.eq(2025).all()


def test_finished_jobs_are_of_four_woods_on_boards_of_their_own(finished, readings):
    by_module = finished.groupby("module_w")["burn"].nunique()
    assert by_module.to_dict() == {15: 15, 30: 4} and finished["species"].nunique() == 4
    assert not set(finished["board"]) & set(readings["board"])
    shared = finished.groupby("board")["burn"].nunique()
    assert shared.max() == 2 and finished.groupby("burn")["swatch"].nunique().max() == 2


def test_finished_jobs_were_made_from_the_demos_own_cards(finished, readings):
    fit = depthfit.fit(readings[readings["burn"] != CHECK])
    assert set(finished["card"]) == {fit.fingerprint}
    for key, rows in finished.groupby([*columns.GROUP_KEY]):
        joules = energy.with_energy(rows)["line_energy_j_mm"].to_numpy()
        told = fit.predictive(fit.group(*key), joules, 0.05, "swatch")[0].depth_mm
        assert rows["expected_mm"].to_numpy() == pytest.approx(told, abs=0.0006)


def test_the_last_six_jobs_of_the_15_w_module_are_shallower(finished):
    own = finished[finished["module_w"] == 15]
    ratio = own.groupby("burn")["depth_mm"].mean() / own.groupby("burn")["expected_mm"].mean()
    assert len(ratio) == 15 and (ratio.iloc[-6:] < 0.9).all()
    assert 0.9 < ratio.iloc[:-6].mean() < 1.1
