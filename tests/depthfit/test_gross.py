"""Gross readings: one slip in typing moves its swatch by little, and nothing else moves at all.

The limit's reference is the normal distribution: of readings that scatter as usual next to none is drawn in.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from testburn import depthfit
from testburn.depthfit import swatches


# readings of one swatch → as they count. The limit is 5 · √((0.04 · mean)² + 0.02²), by hand; beyond it limit² / distance.
@pytest.mark.parametrize(("depths", "expected"), [
    ((0.50, 0.52, 0.48), (0.50, 0.52, 0.48)), ((0.50, 0.52), (0.50, 0.52)), ((0.50, 5.0), (0.50, 5.0)),
    ((0.50, 0.52, 1.02), (0.50, 0.52, 0.52 + (25 * ((0.04 * 0.68)**2 + 0.02**2)) / 0.50)),
    ((0.50, 0.52, 0.05), (0.50, 0.52, 0.50 - (25 * ((0.04 * (1.07 / 3))**2 + 0.02**2)) / 0.45)),
    ((0.03, 0.05, 0.09), (0.03, 0.05, 0.09))])
def test_a_reading_far_from_its_swatch_mates_is_drawn_in(depths, expected):
    # A lone swatch tells its own scatter: usual is the least that is taken, and here it is the median of one.
    rows = [(0.5, 0.51, 0.49)] * 9
    frame = pd.DataFrame([{"species": "white oak", "module_w": 20.0, "wavelength_nm": 450.0, "module": "", "board": "B1", "burn": "b",
                           "swatch": str(number), "depth_mm": depth, "gauge_step_mm": 0.01}
                          for number, swatch in enumerate([depths, *rows]) for depth in swatch])
    found = swatches.drawn_in(frame, swatches.reduced(frame, np.ones(len(frame))))[0]
    assert found[:len(depths)] == pytest.approx(expected, abs=1e-12) and (found[len(depths):] == frame["depth_mm"][len(depths):]).all()


def test_of_ordinary_readings_next_to_none_is_drawn_in():
    """Scatter as usual, or twice that: of 30,000 normal readings in swatches of three about 1 in 20,000.

    A reading and the median of its two mates differ by √(3/2) standard deviations at most as a rule.
    """
    dice = np.random.default_rng(4)
    for times in (1.0, 2.0):
        depth = 0.5 + times * np.hypot(0.04 * 0.5, 0.02) * dice.standard_normal(30_000)
        frame = pd.DataFrame({"species": "white oak", "module_w": 20.0, "wavelength_nm": 450.0, "module": "", "board": "B1", "burn": "b",
                              "swatch": np.repeat(np.arange(10_000), 3), "depth_mm": depth, "gauge_step_mm": 0.01})
        found = swatches.drawn_in(frame, swatches.reduced(frame, np.ones(len(frame))))[0]
        assert (found != depth).mean() <= 2 * stats.norm.sf(5 * (2 / 3)**0.5)


@pytest.mark.parametrize("factor", [0.1, 1.6, 25.4])
def test_one_slip_moves_the_fit_by_little_and_is_said(burns, factor):
    clean = burns(boards=4)
    slipped = clean.copy()
    slipped.loc[40, "depth_mm"] *= factor
    before, after = depthfit.fit(clean), depthfit.fit(slipped)
    untouched = depthfit.fit(slipped.drop(index=40))
    ask = ("white oak", 20, [0.1, 0.2, 0.3])
    assert after.predict(*ask)["depth_mm"].to_numpy() == pytest.approx(untouched.predict(*ask)["depth_mm"].to_numpy(), rel=0.015)
    assert after.predict(*ask)["sd_mm"].to_numpy() == pytest.approx(before.predict(*ask)["sd_mm"].to_numpy(), rel=0.12)
    row = slipped.loc[40]
    assert (f"1 reading far from the swatch's other readings weighs less: burn {row['burn']}, swatch {row['swatch']}, "
            f"{row['depth_mm']:g} mm counts as") in after.table["flags"].iloc[0]
    assert "weigh" not in before.table["flags"].iloc[0]
    # What was typed stays as it was typed.
    assert after.readings["depth_mm"].tolist() == slipped["depth_mm"].tolist()


def test_readings_of_a_swatch_that_lie_apart_count_alike(burns):
    frame = burns(boards=2)
    frame.loc[30, "depth_mm"] *= 1.6
    mixed = frame.sample(frac=1, random_state=3)
    found, other = (depthfit.fit(one).readings["counted_mm"].to_numpy() for one in (frame, mixed))
    assert (found != frame["depth_mm"]).sum() == 1
    assert other == pytest.approx(found[mixed.index], abs=1e-12)
