"""Least squares: lack of fit from repeats, and the ordinary interval of the textbook."""

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS

from testburn import depthfit
from testburn.depthfit import group as lackoffit, compare

REFERENCE = Path(__file__).parents[1] / "reference"
DESIGNS = {"straight": 1, "quadratic": 2}


def columns(name, x, y):
    with open(REFERENCE / name, encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return np.array([float(row[x]) for row in rows]), np.array([float(row[y]) for row in rows])


def pontius():
    return columns("nist_strd_pontius.csv", "x_load", "y_deflection")


def load_cell():
    return columns("nist_ehandbook_loadcell.csv", "load_psi", "reading")


# The data are NIST's; these F ratios are not printed there but were computed from them, with
# another program than this one (residual and replicate sums of squares).
LACK = [(pontius, "straight", 214.747, 18, 20), (pontius, "quadratic", 0.81072, 17, 20),
        (load_cell, "quadratic", 0.3477, 8, 22)]


@pytest.mark.parametrize(("data", "form", "f", "df_lack", "df_pure"), LACK)
def test_lack_of_fit_from_repeats(data, form, f, df_lack, df_pure):
    found = lackoffit.lack_of_fit(*data(), form)
    assert (found.df_lack, found.df_pure) == (df_lack, df_pure)
    assert found.f == pytest.approx(f, rel=2e-4)
    assert found.p == pytest.approx(stats.f.sf(f, df_lack, df_pure), rel=0.02)


@pytest.mark.parametrize(("data", "form"), [case[:2] for case in LACK])
def test_lack_of_fit_is_what_the_sums_of_squares_say(data, form):
    """By the definition: squares about the curve less squares about the means of the repeats."""
    x, y = data()
    scale = x.max()
    curve = np.polynomial.Polynomial.fit(x / scale, y, DESIGNS[form])(x / scale)
    within = pd.Series(y).groupby(x).transform("mean").to_numpy()
    pure, about = ((y - within) ** 2).sum(), ((y - curve) ** 2).sum()
    df_pure = len(y) - len(np.unique(x))
    df_lack = len(np.unique(x)) - DESIGNS[form] - 1
    expected = (about - pure) / df_lack / (pure / df_pure)
    assert lackoffit.lack_of_fit(x, y, form).f == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("x", "df_lack", "df_pure"), [
    ([1, 2, 3, 4, 5, 6], 4, 0), ([1, 1, 1, 2, 2, 2], 0, 4)], ids=["nothing repeated", "two energies"])
def test_where_lack_of_fit_cannot_be_judged_it_is_missing(x, df_lack, df_pure):
    found = lackoffit.lack_of_fit(x, [1.0, 2.1, 2.9, 4.2, 5.1, 5.8])
    assert np.isnan([found.f, found.p]).all()
    assert (found.df_lack, found.df_pure) == (df_lack, df_pure)


def test_boards_of_their_own_height_are_no_lack_of_fit():
    x = np.tile(np.repeat([1.0, 2, 3, 4], 2), 2)
    high = np.repeat([0.0, 1.0], 8)
    y = 0.5 * x + high + np.random.default_rng(4).normal(0, 0.02, 16)
    keep = ~((x == 4) & (high == 0))        # boards were not burned at the same energies
    plain = lackoffit.lack_of_fit(x[keep], y[keep])
    allowed = lackoffit.lack_of_fit(x[keep], y[keep], blocks=high[keep, None])
    assert allowed.df_pure == plain.df_pure - 1
    assert allowed.p > 0.05


def bent_readings(burns, depth_of_dose):
    """Readings with little scatter about a curve, two swatches at each energy on each board."""
    frame = pd.concat([burns(), burns(seed=8).assign(burn=lambda rows: rows["burn"] + " again")],
                      ignore_index=True)
    dose = 18 / frame["speed_mm_s"] / 0.05
    dice = np.random.default_rng(5)
    swatch = frame.groupby(["burn", "swatch"]).ngroup().to_numpy()
    factor = np.exp(dice.normal(0, 0.01, swatch.max() + 1))[swatch]
    return frame.assign(depth_mm=depth_of_dose(dose) * factor * np.exp(dice.normal(0, 0.01, len(frame))))


@pytest.mark.parametrize(("depth_of_dose", "flagged"), [
    (lambda dose: 0.3 * dose - 0.05, False),
    (lambda dose: 0.3 * dose * (1 + 0.15 * np.sin(2 * dose)), True)], ids=["straight", "wavy"])
def test_a_curve_that_misses_some_energies_is_flagged(depth_of_dose, flagged, burns):
    fit = depthfit.fit(bent_readings(burns, depth_of_dose))
    (group,) = fit.groups
    assert ("the curve misses some energies" in group.flags) == flagged
    assert (group.lack_of_fit.p < 0.01) == flagged
    assert fit.table["lack_of_fit_p"].tolist() == [group.lack_of_fit.p]


def test_lack_of_fit_of_a_group_without_repeats_is_missing_and_not_flagged(burns):
    (group,) = depthfit.fit(burns(boards=1)).groups
    assert np.isnan(group.lack_of_fit.p)
    assert "the curve misses some energies" not in group.flags


@pytest.mark.parametrize("form", ["straight", "quadratic"])
@pytest.mark.parametrize("level", [0.5, 0.95])
def test_the_ordinary_interval_is_that_of_statsmodels(form, level):
    x, y = load_cell()
    y = y + np.random.default_rng(1).normal(0, 0.02, len(y))
    asked = np.array([1.0, 7.3, 21.0, 30.0])
    theirs = OLS(y, np.vander(x, DESIGNS[form] + 1)).fit().get_prediction(
        np.vander(asked, DESIGNS[form] + 1)).summary_frame(alpha=1 - level)
    ours = compare.fitted(x, y, form, relative=False)
    lower, upper = compare.interval(ours, asked, level)
    assert ours.mean(asked) == pytest.approx(theirs["mean"].to_numpy(), rel=1e-9)
    assert lower == pytest.approx(theirs["obs_ci_lower"].to_numpy(), rel=1e-8)
    assert upper == pytest.approx(theirs["obs_ci_upper"].to_numpy(), rel=1e-8)


def test_scatter_in_proportion_to_depth_gives_weights_of_one_over_depth_squared():
    """Iterated weights end where weighting by one's own fitted values changes nothing."""
    dice = np.random.default_rng(2)
    x = np.linspace(1, 10, 40)
    y = (0.2 + 0.5 * x) * (1 + dice.normal(0, 0.1, 40))
    fit = compare.fitted(x, y)
    design, weights = np.vander(x, 2, increasing=True), 1 / fit.mean(x) ** 2
    again = np.linalg.solve(design.T * weights @ design, design.T * weights @ y)
    assert fit.coefficients == pytest.approx(again, rel=1e-9)
    assert fit.reading_sd([8.0])[0] == pytest.approx(0.1 * fit.mean([8.0])[0], rel=0.3)


@pytest.mark.parametrize(("x", "form", "said"), [
    ([1, 1, 1, 1], "straight", "a straight curve needs 2 different energies and 3 readings"),
    ([1, 2], "straight", "a straight curve needs 2 different energies and 3 readings"),
    ([1, 1, 2, 2], "quadratic", "a quadratic curve needs 3 different energies and 4 readings")])
def test_too_little_for_a_curve_is_said(x, form, said):
    with pytest.raises(ValueError) as caught:
        compare.fitted(x, np.arange(len(x)) + 1.0, form)
    assert str(caught.value) == said


def test_a_board_with_one_swatch_alone_at_its_energy_is_no_trouble():
    """Its own column and its energy's are one and the same: it tells nothing of the curve's shape."""
    x, y = [1, 1, 2, 2, 3, 3, 4, 4], [1.0, 1.1, 2.1, 2.0, 3.1, 2.9, 4.0, 4.1]
    blocks = [[0.0]] * 8
    plain = lackoffit.lack_of_fit(x, y, blocks=blocks)
    more = lackoffit.lack_of_fit([*x, 2.5], [*y, 9.0], blocks=[*blocks, [1.0]])
    assert more.f == pytest.approx(plain.f) and (more.df_lack, more.df_pure) == (plain.df_lack, plain.df_pure)
