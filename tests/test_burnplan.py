"""Burn plan: levels the machine can burn, across the wanted depths, in an order of chance."""

import numpy as np
import pytest

from testburn import burnplan, depthfit, energy, woods
from testburn.settings import Machine

WOOD = woods.read()


@pytest.fixture
def fit(burns):
    return depthfit.fit(burns())


def plan(fit, species="white oak", window=(0.5, 0.9), **more):
    return burnplan.levels(fit, WOOD, species, 20.0, *window, **more)


@pytest.mark.parametrize("species", ["white oak", "white ash"])
@pytest.mark.parametrize("machine", [Machine(), Machine(20, 150, 5), Machine(60.5, 200, 0.25)])
def test_levels_stay_inside_the_machine(species, machine, fit):
    found = plan(fit, species, machine=machine)
    assert found["speed_mm_s"].between(machine.min_speed_mm_s, machine.max_speed_mm_s).all()
    steps = (found["speed_mm_s"] - machine.min_speed_mm_s) / machine.speed_step_mm_s
    assert steps.tolist() == pytest.approx(steps.round().tolist())
    assert found["speed_mm_s"].is_unique
    assert found["line_energy_j_mm"].tolist() == pytest.approx(
        energy.line_energy(20, 90, found["speed_mm_s"]).tolist())


def test_a_known_wood_is_burned_from_half_the_floor_to_one_and_a_half_ceilings(fit):
    found = plan(fit, machine=Machine(1, 1000, 0.1))
    depth = fit.predict("white oak", 20, found["line_energy_j_mm"].sort_values())["depth_mm"]
    assert depth.iloc[[0, -1]].tolist() == pytest.approx([0.25, 1.35], rel=0.01)
    assert len(found) == 8 and found["known"].all()
    assert (found["lowest_mm"] < found["highest_mm"]).all()
    ratios = np.diff(np.log(found["line_energy_j_mm"].sort_values()))
    assert ratios == pytest.approx([ratios.mean()] * 7, rel=0.05)


def test_a_known_wood_is_told_the_depths_of_its_own_fit(fit):
    found = plan(fit)
    said = fit.predict("white oak", 20, found["line_energy_j_mm"])
    assert found["lowest_mm"].tolist() == pytest.approx(said["lower_mm"].tolist())
    assert found["highest_mm"].tolist() == pytest.approx(said["upper_mm"].tolist())


@pytest.mark.parametrize("known", [True, False])
def test_an_unknown_wood_is_burned_across_the_band_of_energy(known, fit):
    """White ash, specific gravity 0.60: 2.0 to 9.4 kJ per gram of 0.60 · 1.12 g/cm³."""
    found = plan(fit if known else None, "white ash", machine=Machine(1, 5000, 0.1), line_pitch_mm=0.1)
    low, high = 2.0 * 0.60 * 1.12, 9.4 * 0.60 * 1.12
    joules = found["line_energy_j_mm"].sort_values()
    assert joules.iloc[[0, -1]].tolist() == pytest.approx(
        [0.25 * low * 0.1, 1.35 * high * 0.1], rel=0.01)
    assert not found["known"].any()
    assert found["lowest_mm"].tolist() == pytest.approx((found["line_energy_j_mm"] / 0.1 / high).tolist())
    assert found["highest_mm"].tolist() == pytest.approx((found["line_energy_j_mm"] / 0.1 / low).tolist())


def test_the_order_is_random_and_the_same_for_the_same_seed(fit):
    again = [plan(fit, seed=seed)["speed_mm_s"].tolist() for seed in (1, 1, 2, 3)]
    assert again[0] == again[1] and len({tuple(order) for order in again}) == 3
    assert len({tuple(sorted(order)) for order in again}) == 1
    assert all(order not in (sorted(order), sorted(order, reverse=True)) for order in again)
    assert plan(fit)["swatch"].tolist() == ["1", "2", "3", "4", "5", "6", "7", "8"]


@pytest.mark.parametrize("swatches", [3, 5, 12])
def test_as_many_swatches_as_asked(swatches, fit):
    assert len(plan(fit, swatches=swatches)) == swatches


@pytest.mark.parametrize(("asked", "said"), [
    (dict(window=(0.9, 0.5)), "The window 0.9 to 0.5 mm is not one. Give a least depth above 0 and a "
                              "greater largest depth."),
    (dict(window=(0, 0.5)), "The window 0 to 0.5 mm is not one. Give a least depth above 0 and a "
                            "greater largest depth."),
    (dict(swatches=2), "2 swatches cannot show a line and its scatter. Plan 3 or more."),
    (dict(species="moon wood"), "moon wood is not in woods.csv. Add it there, with its specific "
                                "gravity."),
])
def test_a_plan_that_is_none_is_refused(asked, said, fit):
    with pytest.raises(ValueError) as caught:
        plan(fit, **asked)
    assert str(caught.value) == said


def test_a_machine_too_fast_or_too_slow_for_three_levels_is_refused(fit):
    with pytest.raises(ValueError) as caught:
        plan(fit, machine=Machine(1, 2))
    joules = [burnplan.line_energy_for(fit, "white oak", 20.0, depth).best for depth in (0.25, 1.35)]
    fast, slow = (energy.speed_for(20, 90, joule) for joule in joules)
    assert str(caught.value) == (
        f"At 90 % of 20 W this window needs {slow:.3g} to {fast:.3g} mm/s; the machine runs 1 to "
        "2 mm/s. Change the power, the line pitch or the module.")


def test_a_depth_the_wood_never_reaches_is_refused(fit):
    with pytest.raises(ValueError, match="is out of reach for white oak, 20 W at 450 nm"):
        plan(fit, window=(0.5, 60))
