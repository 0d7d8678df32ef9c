"""Curve fit: a certified curve, what must not change it, and what it does with little data."""

import csv
import dataclasses
import sys
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from testburn.depthfit import boards, components, curves, swatches

from testburn.depthfit.spreads import Spreads

sys.path.append(str(Path(__file__).parents[1] / "benchmarks"))
from simulated_workshops import SPECIES, USUAL_PITCH_MM, Truth, burned, draw_truth, line_energy_j_mm

REFERENCE = Path(__file__).parents[1] / "reference"
ENERGY = np.linspace(0.14, 0.58, 12)


def fitted(readings, regressor=None, **options):
    regressor = line_energy_j_mm(readings) if regressor is None else regressor
    return curves.fitted(swatches.reduced(readings, regressor), **options)


def expected(fit, x=ENERGY, of="reading", group=0):
    known = Spreads(fit)
    return boards.predictive(known, boards.next_board(known, group), x, fit.route_middle[group], of)


def burn(seed=3, kind="standard", **burns):
    rng = np.random.default_rng(seed)
    return burned(rng, draw_truth(rng, kind), **burns)[0]


def straight(seed, threshold=0.5, **scatter):
    """A workshop whose depth is a straight line in energy, the same for all species."""
    one = np.ones(len(SPECIES))
    rng = np.random.default_rng(seed)
    truth = Truth(5.0 * one, threshold * one, 1e6 * one, 0.0, **scatter)
    return burned(rng, truth)[0], truth


# ----------------------------------------------------------------------------------- the form
def misra1a():
    """Gauss-Newton on the package's curve through the origin: b1 = b / k, b2 = k."""
    data = pd.read_csv(REFERENCE / "nist_strd_misra1a.csv")
    x, y = data["x"].to_numpy(float), data["y"].to_numpy(float)
    unit = x.mean()
    at = np.array([0.0, y.max() / x.max() * unit, 0.1])
    for _ in range(50):
        depth, slopes = curves.depth_and_slopes(x / unit, at)
        at[1:] += np.linalg.lstsq(slopes[:, 1:], y - depth, rcond=None)[0]
    depth, slopes = curves.depth_and_slopes(x / unit, at)
    squares = ((y - depth) ** 2).sum()
    covariance = np.linalg.inv(slopes[:, 1:].T @ slopes[:, 1:]) * squares / (len(y) - 2)
    to_b1 = np.array([1 / at[2], -at[1] / at[2] ** 2])
    return {"b1": at[1] / at[2], "b2": at[2] / unit, "residual sum of squares": squares,
            "standard error of b1": np.sqrt(to_b1 @ covariance @ to_b1),
            "standard error of b2": np.sqrt(covariance[1, 1]) / unit}


def certified():
    with open(REFERENCE / "published_gls.csv", encoding="utf-8", newline="") as file:
        return [(row["quantity"], row["published"]) for row in csv.DictReader(file)
                if row["item"] == "misra1a"]


@pytest.mark.parametrize(("quantity", "printed"), certified())
def test_the_bent_line_is_nists_misra1a(quantity, printed):
    last = 0.5 * 10.0 ** Decimal(printed).as_tuple().exponent
    assert misra1a()[quantity] == pytest.approx(float(printed), rel=0, abs=last)


@pytest.mark.parametrize("bend", [-1.0, -0.02, -2e-3, -5e-4, 0.0, 5e-4, 2e-3, 0.02, 4.0])
def test_slopes_are_the_derivatives(bend):
    x, at, move = np.linspace(0.1, 2, 9), np.array([-0.3, 0.8, bend]), 1e-4
    _, slopes = curves.depth_and_slopes(x, at)
    for place in range(3):
        step = move * (np.arange(3) == place)
        difference = (curves.depth_and_slopes(x, at + step)[0] - curves.depth_and_slopes(x, at - step)[0])
        assert slopes[:, place] == pytest.approx(difference / (2 * move), rel=1e-6, abs=1e-8)


def test_the_series_meets_the_exponential():
    x = np.array([0.2, 1.0, 1.9])
    below, above = (np.array(curves.bent(x, side / x)) for side in (0.999e-3, 1.001e-3))
    assert below == pytest.approx(above, rel=1e-5)
    assert curves.bent(x, np.array(1e-3 / x))[0] == pytest.approx(-np.expm1(-1e-3) / 1e-3 * x, rel=1e-9)


def test_more_energy_never_predicts_less_depth():
    far = np.linspace(0.02, 3.0, 300)
    for seed in range(20):
        fit = fitted(burn(seed, "strong saturation", boards=2))
        for group in range(3):
            depth = expected(fit, far, "mean", group).depth_mm
            assert (np.diff(depth) >= 0).all()


# ------------------------------------------------------------------------------ the curvature test
def test_a_straight_line_is_rarely_called_bent():
    tests = pd.concat([fitted(straight(seed)[0]).curvature for seed in range(100)])
    assert ((tests["p"] < 0.05) == tests["bent"]).all()
    assert 0.02 <= tests["bent"].mean() <= 0.085   # 300 tests; chance alone leaves 0.025 to 0.075


def test_strong_saturation_is_called_bent():
    asked = [fitted(burn(seed, "strong saturation", boards=5)).curvature["bent"].mean() for seed in range(10)]
    assert np.mean(asked) > 0.9


def test_a_straight_group_has_no_bend_and_no_uncertainty_of_one():
    fit = fitted(burn(1, "nearly straight"), alpha=0.0)
    assert not fit.curvature["bent"].any()
    assert (fit.coefficients[:, 2] == 0).all() and (fit.shares[:, :, 2] == 0).all()


# ------------------------------------------------------------------------- what must not matter
def test_the_order_of_rows_is_irrelevant():
    readings = burn()
    one, other = fitted(readings), fitted(readings.sample(frac=1, random_state=1))
    group = other.group_index(SPECIES[0], 40.0)
    assert other.components.variances == pytest.approx(one.components.variances, rel=1e-9)
    for of in ("reading", "swatch", "mean"):
        a, b = expected(one, of=of), expected(other, of=of, group=group)
        assert b.depth_mm == pytest.approx(a.depth_mm, rel=1e-9)
        assert b.limits(0.95)[0] == pytest.approx(a.limits(0.95)[0], rel=1e-9)


def test_the_regressors_unit_changes_nothing_but_the_unit():
    readings = burn(boards=5, kind="strong saturation")
    one, other = fitted(readings), fitted(readings, 1000 * line_energy_j_mm(readings))
    assert one.curvature["bent"].any()
    a, b = expected(one), expected(other, 1000 * ENERGY)
    assert b.depth_mm == pytest.approx(a.depth_mm, rel=1e-9)
    assert b.relative_sd == pytest.approx(a.relative_sd, rel=1e-9)
    assert b.df == pytest.approx(a.df, rel=1e-9)


def test_depth_in_other_units_scales_the_curve_and_the_gauge():
    readings = burn()
    inches = readings.assign(depth_mm=readings["depth_mm"] / 25.4,
                             gauge_step_mm=readings["gauge_step_mm"] / 25.4)
    gauge_sd, weight = components.PRIORS["gauge"]
    one = fitted(readings)
    other = fitted(inches, priors=components.PRIORS | {"gauge": (gauge_sd / 25.4, weight)})
    assert other.components.variances[:3] == pytest.approx(one.components.variances[:3], rel=1e-6)
    assert expected(other).depth_mm * 25.4 == pytest.approx(expected(one).depth_mm, rel=1e-6)


def test_a_large_lab_book_started_from_a_part_ends_at_the_same_fit(monkeypatch):
    readings = pd.concat([burn(seed, "nearly straight", boards=5).assign(module_w=10.0 + seed)
                          for seed in range(8)])
    whole = fitted(readings, alpha=1e-6)
    monkeypatch.setattr(curves, "_LARGE", 200)
    started = fitted(readings, alpha=1e-6)
    assert len(whole.swatches.count) > 400 and started.rounds != whole.rounds
    assert started.components.variances == pytest.approx(whole.components.variances, rel=2e-3)
    assert expected(started).depth_mm == pytest.approx(expected(whole).depth_mm, rel=1e-3)


# ------------------------------------------------------------------------------ what it finds
def test_the_components_are_found():
    truth = {"board_sd": 0.12, "swatch_sd": 0.05, "reading_sd": 0.03, "gauge_noise_mm": 0.03}
    sds = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        readings, _ = burned(rng, draw_truth(rng, "nearly straight", **truth), boards=8)
        sds.append(np.sqrt(fitted(readings, priors=components.NO_PRIORS).components.variances))
    assert np.mean(sds, axis=0) == pytest.approx(list(truth.values()), rel=0.08)


def test_a_threshold_shows_as_a_negative_intercept():
    readings, truth = straight(5, threshold=1.2)
    fit = fitted(readings, alpha=0.0)
    a, b, _ = fit.coefficients.mean(axis=0)
    no_mark_j_mm = -a / b * fit.unit.mean()
    assert no_mark_j_mm == pytest.approx(1.2 * USUAL_PITCH_MM, rel=0.15)


def test_residuals_are_about_the_curve_also_where_the_weight_stops():
    fit = fitted(straight(2, threshold=2.0)[0])
    s = fit.swatches
    x = s.regressor / fit.unit[s.group_of]
    depth, _ = curves.depth_and_slopes(x, fit.coefficients[s.group_of])
    stopped = depth < fit.weight_depth_mm * (1 - 1e-9)
    assert stopped.any() and not stopped.all()
    assert fit.residual * fit.weight_depth_mm == pytest.approx(s.mean_mm - depth, abs=1e-12)
    assert abs(fit.residual[stopped].mean()) < 0.1


# ------------------------------------------------------------------------------ little or odd data
def test_from_one_board_each_the_board_component_is_all_prior():
    fit = fitted(burn(boards=1))
    board = fit.components.table.set_index("component").loc["board"]
    assert board["prior_share"] > 0.98 and board["data_df"] < 0.1
    assert board["sd"] == pytest.approx(0.10, rel=0.02)


def test_every_board_adds_degrees_of_freedom():
    df = [fitted(burn(boards=number)).components.table["data_df"][0] for number in (1, 2, 3, 5)]
    assert (np.diff(df) > 1).all()


def test_one_reading_a_swatch_leaves_swatch_and_reading_together():
    one, three = (fitted(burn(boards=3, readings=readings)) for readings in (1, 3))
    table = one.components.table.set_index("component")
    assert table.loc["reading", "prior_share"] > 0.5 > three.components.table["prior_share"][2]
    # Each wood's boards have a spread of their own, so it is the woods' mean that is alike.
    sds = [np.mean([expected(fitted(burn(seed, readings=readings)), group=group).relative_sd
                    for group in range(3) for seed in range(6)], axis=0) for readings in (1, 3)]
    assert sds[0] == pytest.approx(sds[1], rel=0.4)
    assert (expected(one).depth_mm > 0).all()


SMALL = {
    "one reading": lambda r: r.iloc[:1],
    "one swatch": lambda r: r[(r["board"] == "0-0") & (r["swatch"] == "s0")],
    "two swatches": lambda r: r[(r["board"] == "0-0") & r["swatch"].isin(["s0", "s7"])],
    "one energy, many boards": lambda r: r[r["swatch"] == "s3"],
    "readings all alike": lambda r: r.assign(
        depth_mm=r.groupby(["board", "swatch"])["depth_mm"].transform("first")),
}


@pytest.mark.parametrize("case", SMALL)
def test_little_data_gives_a_wide_interval_and_not_an_error(case):
    fit = fitted(SMALL[case](burn()))
    lower, upper = expected(fit, 0.3).limits(0.95)
    depth = expected(fit, 0.3).depth_mm
    assert np.isfinite([lower, upper]).all()
    assert (upper - lower)[0] > 0.3 * depth[0]


def test_swatches_without_a_mark_are_left_out():
    readings = burn()
    faint = readings["speed_mm_s"] > 220
    with_zeros = fitted(readings.assign(depth_mm=readings["depth_mm"].where(~faint, 0.0)))
    without = fitted(readings[~faint])
    assert with_zeros.components.variances == pytest.approx(without.components.variances, rel=1e-9)
    assert len(with_zeros.swatches.count) == len(without.swatches.count)


def test_a_lab_book_without_any_mark_is_refused():
    with pytest.raises(ValueError) as refused:
        fitted(burn(boards=1).assign(depth_mm=0.0))
    assert str(refused.value) == ("None of the 24 swatches is deeper than one gauge step, so there is no "
                                  "curve to fit. Burn slower, or with more power.")


def test_a_group_never_burned_is_not_found():
    with pytest.raises(LookupError) as refused:
        fitted(burn(boards=1)).group_index("teak", 40.0)
    assert str(refused.value) == ("No swatch with a mark was burned for teak, 40.0. Burn a board of it, "
                                  "or ask for a group that was burned.")


def test_a_fit_cannot_be_changed():
    with pytest.raises(dataclasses.FrozenInstanceError):
        fitted(burn(boards=1)).rounds = (0, 0)
