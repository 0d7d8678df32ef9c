"""Control charts: the e-Handbook's worked examples, runs, and shifts of correlated values."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from testburn.drift import controlcharts

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: lambda 0.3, target 50, s 2.0539.
EWMA_LIMITS = (47.4115, 52.5884)
# The same, 6.3.2.2.
INDIVIDUALS = {"centre": 50.81, "moving_range": 1.8778, "lower": 45.8159, "upper": 55.8041}


@pytest.fixture(scope="module")
def reference(request):
    folder = request.path.parents[1] / "reference"
    return {name: pd.read_csv(folder / f"nist_ehandbook_{name}.csv") for name in ("ewma", "individuals")}


def test_the_handbooks_ewma(reference):
    given = reference["ewma"]
    chart = controlcharts.ewma(given["value"], 50.0, 2.0539, weight=0.3)
    assert chart["ewma"].to_numpy() == pytest.approx(given["published_ewma"].to_numpy(), abs=0.005)
    # The page cuts the limits' last digit where it should round.
    assert chart[["lower", "upper"]].iloc[0].to_numpy() == pytest.approx(EWMA_LIMITS, abs=1e-4)
    assert not chart["outside"].any()


def test_the_handbooks_individuals_chart(reference):
    chart = controlcharts.individuals(reference["individuals"]["value"])
    assert {name: chart[name].mean() for name in INDIVIDUALS} == pytest.approx(INDIVIDUALS, abs=5e-5)
    assert not chart["outside"].any()


def test_one_value_has_no_limits_and_none_has_no_rows():
    assert controlcharts.individuals([3.0])[["lower", "upper", "outside"]].values.tolist() == [
        [pytest.approx(np.nan, nan_ok=True)] * 2 + [False]]
    assert controlcharts.individuals([]).empty and controlcharts.ewma([], 0, 1).empty


def test_a_small_lasting_shift_leaves_the_ewma_before_it_leaves_the_individuals():
    values = np.r_[np.tile([0.5, -0.5], 5), np.tile([2.1, 1.1], 5)]
    assert controlcharts.ewma(values, 0.0, 1.0)["outside"].to_numpy()[10:].any()
    assert (np.abs(values) < 3).all()


@pytest.mark.parametrize("values, ends", [
    ([1] * 7, []), ([1] * 8, [7]), ([1] * 9, [7, 8]), ([1] * 7 + [-1] * 8, [14]),
    ([1] * 4 + [0] + [1] * 7, []), ([-1] * 8, [7])])
def test_eight_in_a_row_on_one_side(values, ends):
    assert np.flatnonzero(controlcharts.runs(values)).tolist() == ends


def test_the_rules_cry_wolf_as_often_as_this_on_20_normal_values():
    dice = np.random.default_rng(5)
    series = dice.standard_normal((2000, 20))
    said = {"ewma": np.mean([controlcharts.ewma(row, 0, 1)["outside"].any() for row in series]),
            "individuals": np.mean([controlcharts.individuals(row)["outside"].any() for row in series]),
            "runs": np.mean([controlcharts.runs(row).any() for row in series])}
    # Measured: of 1000 series in step, 34, 44 and 55 are alarmed.
    assert said == pytest.approx({"ewma": 0.034, "individuals": 0.044, "runs": 0.055}, abs=0.015)


def test_a_shift_of_independent_values_is_their_mean():
    values = np.array([0.1, -0.2, 1.1, 0.9, 1.3])
    shift = controlcharts.largest_shift(values, 0.25 * np.eye(5), [[1, 1, 1, 1, 1], [0, 0, 1, 1, 1]])
    assert (shift.place, shift.size, shift.sd) == (1, pytest.approx(1.1), pytest.approx(0.5 / 3**0.5))
    assert shift.z == pytest.approx(1.1 / (0.5 / 3**0.5))
    assert shift.limits() == pytest.approx(stats.norm.interval(0.95, 1.1, 0.5 / 3**0.5), rel=1e-4)


def test_what_is_common_to_all_values_is_known_no_better_from_many():
    common = np.full((9, 9), 0.04) + 0.01 * np.eye(9)
    shift = controlcharts.largest_shift(np.ones(9), common, np.ones((1, 9)))
    assert shift.sd == pytest.approx((0.04 + 0.01 / 9) ** 0.5)


def test_one_pattern_alone_has_the_p_of_a_t_test_and_many_pay_for_their_number():
    # What is left of the values scatters as the scale of 12 degrees of freedom says, so that both agree on it: 31 of them.
    values = np.r_[2.5, np.tile([1.0, -1.0], 10)[:19]]
    one = controlcharts.largest_shift(values, np.eye(20), np.eye(20)[:1], df=12)
    many = controlcharts.largest_shift(values, np.eye(20), np.eye(20), df=12)
    twice = controlcharts.largest_shift(values, np.eye(20), np.eye(20)[[0, 0, 0]], df=12)
    assert one.p == pytest.approx(2 * stats.t.sf(2.5, 31), abs=0.006)
    assert twice.p == one.p
    assert 0.2 < many.p < 20 * one.p
