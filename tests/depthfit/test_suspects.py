"""Suspects: each slip of hand is named, nothing is dropped, and clean readings are left in peace."""

import numpy as np
import pytest

from testburn import depthfit
from testburn.depthfit import suspects
from testburn.labbook import woods

FAR = "far from the other readings of its swatch"


@pytest.fixture(scope="module")
def wood():
    return woods.read()


def with_slip(readings, change, rows=(("2", 2),)):
    """Change single readings (swatch, reading) of the first burn."""
    frame = readings.copy()
    for swatch, reading in rows:
        at = (frame["burn"] == frame["burn"].iloc[0]) & (frame["swatch"] == swatch) & (
            frame["reading"] == reading)
        assert at.sum() == 1
        frame.loc[at, "depth_mm"] = change(frame.loc[at, "depth_mm"])
    return frame


SLIPS = [
    ("an inch for a mm", lambda mm: mm / 25.4, "perhaps typed in inches"),
    ("twice turned into mm", lambda mm: mm * 25.4, "perhaps inches turned into mm twice"),
    ("a cm for a mm", lambda mm: mm / 10, "perhaps typed in cm"),
    ("a decimal point", lambda mm: mm * 10, "perhaps a decimal point one place off"),
    ("a deep pore", lambda mm: mm * 1.5, FAR),
]


@pytest.mark.parametrize(("change", "said"), [slip[1:] for slip in SLIPS], ids=[s[0] for s in SLIPS])
def test_a_slip_is_named_and_stays_in_the_fit(change, said, burns, wood):
    fit = depthfit.fit(with_slip(burns(), change))
    found = suspects.suspects(fit, wood)
    worst = found.iloc[0]
    assert (worst["swatch"], worst["reading"]) == ("2", 2)
    assert said in worst["why"].split("; ")
    assert len(fit.fitted) == len(fit.readings) == 54 and fit.readings["used"].all()
    assert set(found.columns) == {*fit.fitted.columns, "times_sd", "why"}


def test_a_slip_does_not_make_suspects_of_its_swatch_mates(burns, wood):
    """With three readings, the median of a mate's other two lies between slip and truth."""
    found = suspects.suspects(depthfit.fit(with_slip(burns(), lambda mm: mm * 1.4)), wood)
    assert found[["swatch", "reading"]].values.tolist()[0] == ["2", 2]


def test_an_energy_that_wood_cannot_have_is_said_with_its_joules(burns, wood):
    """White oak, specific gravity 0.68 at 12 %: 0.34 J/mm³ is needed, 22.8 the most that is known."""
    deep = depthfit.fit(with_slip(burns(), lambda mm: mm * 12, [("2", 1), ("2", 2), ("2", 3)]))
    assert "J/mm³ is less than heating wood to 300 °C takes" in suspects.suspects(deep, wood)["why"].iloc[0]
    flat = with_slip(burns(), lambda mm: mm / 12, [("2", 1), ("2", 2), ("2", 3)])
    said = suspects.suspects(depthfit.fit(flat), wood)
    assert said["why"].str.contains("J/mm³ is more than wood is known to take").sum() == 3
    dose = 18 / 75 / 0.05
    expected = dose / said["depth_mm"].iloc[0]
    assert said["why"].iloc[0].startswith(f"{expected:.3g} J/mm³ is more than wood")


def test_a_depth_of_nothing_is_not_divided_by(burns, wood):
    fit = depthfit.fit(with_slip(burns(), lambda mm: 0.0))
    assert suspects.suspects(fit, wood).iloc[0][["swatch", "reading"]].tolist() == ["2", 2]


def test_a_swatch_of_one_reading_is_held_against_the_curve(burns, wood):
    single = burns().query("reading == 1")
    clean = suspects.suspects(depthfit.fit(single), wood)
    assert clean.empty
    found = suspects.suspects(depthfit.fit(with_slip(single, lambda mm: mm / 25.4, [("2", 1)])), wood)
    assert found[["burn", "swatch"]].values.tolist() == [["white oak 20 450 1", "2"]]
    assert "perhaps typed in inches" in found["why"].iloc[0] and FAR not in found["why"].iloc[0]


@pytest.mark.parametrize("factor", [1 / 1.6, 1.6])
def test_two_readings_that_disagree_show_their_swatch(factor, burns, wood):
    """Which of the two is wrong cannot be told; that one of them is, can."""
    two = burns().query("reading < 3")
    found = suspects.suspects(depthfit.fit(with_slip(two, lambda mm: mm * factor)), wood)
    assert len(found) and found[["burn", "swatch"]].drop_duplicates().values.tolist() == [
        ["white oak 20 450 1", "2"]]
    assert found["why"].str.startswith(FAR).all()


@pytest.mark.parametrize("factor", [10, 2.54, 25.4, 0.1, 1 / 25.4])
def test_a_whole_swatch_in_the_wrong_unit_is_found(factor, burns, wood):
    """Its readings agree with one another, so only the curve gives it away."""
    slipped = with_slip(burns(), lambda mm: mm * factor, [("2", 1), ("2", 2), ("2", 3)])
    found = suspects.suspects(depthfit.fit(slipped), wood)
    assert found[["burn", "swatch"]].iloc[0].tolist() == ["white oak 20 450 1", "2"]
    assert len(found[found["swatch"] == "2"]) == 3


def test_a_struck_reading_is_not_listed(burns, wood):
    frame = with_slip(burns(), lambda mm: mm / 25.4)
    slip = frame["depth_mm"] < 0.1
    assert slip.sum() == 1
    struck = frame.assign(struck_because=np.where(slip, "typed in inches", ""))
    assert suspects.suspects(depthfit.fit(struck), wood).empty


def test_a_species_of_no_known_density_is_still_judged_by_its_mates(burns, wood):
    fit = depthfit.fit(with_slip(burns(), lambda mm: mm * 1.5))
    found = suspects.suspects(fit, wood.drop(index="white oak"))
    assert found["why"].iloc[0] == FAR


def test_the_worst_comes_first(burns, wood):
    frame = with_slip(with_slip(burns(), lambda mm: mm * 1.5), lambda mm: mm * 2, [("4", 1)])
    found = suspects.suspects(depthfit.fit(frame), wood)
    assert found["times_sd"].abs().is_monotonic_decreasing
    assert found.iloc[0]["swatch"] == "4"


def test_clean_readings_raise_few_false_alarms(burns, wood):
    """Forty lab books of 54 clean readings: the limit is meant to let one alarm through in 20 books."""
    frame, alarms = burns(), 0
    dose = 18 / frame["speed_mm_s"] / 0.05
    dice = np.random.default_rng(6)
    board = frame.groupby("burn").ngroup().to_numpy()
    swatch = frame.groupby(["burn", "swatch"]).ngroup().to_numpy()
    for _ in range(40):
        depth = ((0.3 * dose - 0.05) * np.exp(dice.normal(0, 0.09, board.max() + 1))[board]
                 * np.exp(dice.normal(0, 0.04, swatch.max() + 1))[swatch]
                 * (1 + dice.normal(0, 0.03, len(frame))) + dice.normal(0, 0.015, len(frame)))
        found = suspects.suspects(depthfit.fit(frame.assign(depth_mm=depth.round(2))), wood)
        alarms += len(found)
    assert alarms <= 3


def test_a_reading_one_step_of_its_gauge_off_is_no_suspect(burns, wood):
    """One board measured with a coarse gauge, among others that say well how readings scatter."""
    frame, step_mm = burns(boards=5), 0.2
    coarse = frame["burn"] == frame["burn"].iloc[0]
    steps = (frame.groupby(["burn", "swatch"])["depth_mm"].transform("mean") / step_mm).round()
    deeper = (frame["swatch"] == "6") & (frame["reading"] == 3)
    fit = depthfit.fit(frame.assign(
        depth_mm=frame["depth_mm"].mask(coarse, step_mm * (steps + deeper)),
        gauge_step_mm=frame["gauge_step_mm"].mask(coarse, step_mm)))
    assert (coarse & deeper).sum() == 1 and suspects.suspects(fit, wood).empty


@pytest.mark.parametrize("depths, said", [
    ((0.55, 0.055, 0.54), "0.055 mm lies far from the others of its recess (0.55, 0.54): 0.55 would fit"),
    ((0.53, 5.3, 0.54, 0.52), "5.3 mm lies far from the others of its recess (0.53, 0.54, 0.52): 0.53 would fit"),
    ((0.51, 0.50, 52, 0.51), "52 mm lies far from the others of its recess (0.51, 0.5, 0.51): 0.52 would fit"),
    ((0.53, 0.0209, 0.54), "0.0209 mm lies far from the others of its recess (0.53, 0.54): 0.531 would fit"),
    ((0.50, 0.51, 0.95), "0.95 mm lies far from the others of its recess (0.5, 0.51)"),
    ((0.55, 0.48, 0.60), ""), ((0.05, 0.09, 0.06), ""), ((0.55, 0.3), ""), ((0.55,), ""), ((), "")])
def test_a_reading_that_strays_from_its_recess_is_named(depths, said):
    assert suspects.stray(depths) == (f"the reading {said}" if said else "")


def test_of_two_readings_far_apart_it_is_not_said_which_is_the_slip():
    assert suspects.stray((0.55, 0.055)) == "the readings 0.55 and 0.055 mm of one recess lie far apart: one of them may be a slip"
