"""Finished: what the mean of some readings was promised, against another library's distribution."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from testburn import drift

ROW = pd.Series({"expected_mm": 0.5, "curve_sd": 0.05, "board_sd": 0.083, "swatch_sd": 0.04, "reading_sd": 0.03, "gauge_sd_mm": 0.015, "df": 7.4})


def test_limits_of_the_mean_of_many_readings_are_narrower_but_the_board_stays():
    widths = [np.subtract(*drift.expected_limits(ROW, count)[::-1]) for count in (1, 3, 100)]
    assert widths[0] > widths[1] > widths[2] > 2 * 2 * ROW["board_sd"] * ROW["expected_mm"]


@pytest.mark.parametrize(("df", "readings"), [(7.4, 1), (7.4, 3), (30, 3), (1e6, 5)])
def test_limits_are_the_quantiles_of_their_normals_drawn_at_random(df, readings):
    """Against two million draws of scipy.stats: a variance known as chi-square over its degrees of freedom, a normal of it."""
    variance = (ROW["curve_sd"]**2 + ROW["board_sd"]**2 + ROW["swatch_sd"]**2
                + (ROW["reading_sd"]**2 + (ROW["gauge_sd_mm"]**2 + 0.01**2 / 12) / ROW["expected_mm"]**2) / readings)
    random = np.random.default_rng(5)
    drawn = random.standard_normal(2_000_000) * np.sqrt(variance * stats.chi2(df).rvs(2_000_000, random_state=random) / df)
    want = 0.5 * (1 + np.quantile(drawn, [0.025, 0.975]))
    assert drift.expected_limits(pd.Series(ROW.to_dict() | {"df": df}), readings) == pytest.approx(want, abs=0.001)
