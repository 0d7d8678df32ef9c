"""Inverse: published calibrations, Fieller's closed form, and each limit that does not exist."""

import csv
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from testburn import depthfit
from testburn.depthfit import compare
from testburn.job import energyfor

REFERENCE = Path(__file__).parents[1] / "reference"
# item: file, column of x, column of y, form
CURVES = {
    "arsenic": ("investr_arsenic.csv", "actual", "measured", "straight"),
    "crystal": ("investr_crystal.csv", "time", "weight", "straight"),
    "thermostat": ("graybill_iyer_thermostat.csv", "temp", "reading", "straight"),
    "chamber": ("graybill_iyer_chamber.csv", "dial", "temp", "straight"),
    "pressure": ("nist_ehandbook_pressure.csv", "temp_C", "pressure", "straight"),
    "pontius": ("nist_strd_pontius.csv", "x_load", "y_deflection", "quadratic"),
    "massart": ("chemcal_massart97ex1.csv", "x", "y", "straight"),
    "din 32645": ("chemcal_din32645.csv", "x", "y", "straight"),
}


def table(name):
    with open(REFERENCE / name, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def calibration(item):
    """The ordinary fit of a published calibration, unit weights, and where its x lie."""
    file, x, y, form = CURVES[item]
    rows = table(file)
    x, y = [float(row[x]) for row in rows], [float(row[y]) for row in rows]
    return compare.fitted(x, y, form, relative=False), min(x), max(x)


def ordinary_band(fit, level, of="reading"):
    """Centre and bounds of one new reading, or of the line itself."""
    wide = stats.t.ppf((1 + level) / 2, fit.df)

    def band(x):
        if of == "reading":
            return fit.mean(x), *compare.interval(fit, x, level)
        half = wide * fit.mean_sd(x)
        return fit.mean(x), fit.mean(x) - half, fit.mean(x) + half
    return band


def of_calibration(row):
    """Compute a quantity of published_inverse.csv."""
    fit, low, high = calibration(row["item"])
    level, over = float(row["level"]), (high - low) / 2
    band = ordinary_band(fit, level, row["of"])
    if row["quantity"] == "critical value":
        # The x whose centre is as high as the upper bound where nothing is measured: at 98 %
        # two-sided, as the norm asks for 1 % on one side.
        return energyfor.limits(band, band(np.array([0.0]))[2][0], 0, high).best
    found = energyfor.limits(band, float(row["height"]), low - over, high + over)
    assert found.kind == "finite"
    if row["quantity"] == "symmetric half-width":
        # Massart and the norm divide the band's half-height at the best x by the slope.
        return (band(np.array([found.best]))[2][0] - float(row["height"])) / fit.coefficients[1]
    return getattr(found, row["quantity"])


@pytest.mark.parametrize("row", [pytest.param(row, id=(
    f"{row['item']} at {row['height']}, {row['of']}: {row['quantity']}"))
    for row in table("published_inverse.csv")])
def test_a_published_calibration(row):
    last_digit = 10.0 ** Decimal(row["published"]).as_tuple().exponent
    assert abs(of_calibration(row) - float(row["published"])) <= 0.5 * last_digit, row["source"]


def test_how_a_published_value_was_obtained_is_said():
    assert {row["obtained"] for row in table("published_inverse.csv")} == {
        "read", "from memory", "from memory after computing"}


@pytest.mark.parametrize(("item", "height", "level"), [("massart", 15, 0.95), ("din 32645", 3500, 0.99)])
def test_inverting_the_band_is_not_the_symmetric_approximation(item, height, level):
    """Published half-widths of Massart and DIN 32645 hold to the approximation only."""
    fit, low, high = calibration(item)
    found = energyfor.limits(ordinary_band(fit, level), height, low - high, 2 * high)
    below, above = found.best - found.lower, found.upper - found.best
    half = (stats.t.ppf((1 + level) / 2, fit.df)
            * np.hypot(fit.mean_sd([found.best]), fit.residual_sd)[0] / fit.coefficients[1])
    assert below > half * 1.001 and above < below / 1.001
    assert (below + above) / 2 == pytest.approx(half, rel=0.03)


def fieller(x, y, height, level):
    """Fieller's limits of a straight-line calibration in closed form, and g (none from 1 on).

    Source: Fieller 1954, J. R. Statist. Soc. B 16(2):175-185 (from memory), for one new reading.
    """
    x, y, n = np.asarray(x), np.asarray(y), len(x)
    squares = ((x - x.mean()) ** 2).sum()
    slope = ((x - x.mean()) * y).sum() / squares
    residual = y - y.mean() - slope * (x - x.mean())
    variance, t = residual @ residual / (n - 2), stats.t.ppf((1 + level) / 2, n - 2)
    g = t**2 * variance / (slope**2 * squares)
    away = (height - y.mean()) / slope
    if g >= 1:
        return None, None, g
    half = t / slope * np.sqrt(variance * (away**2 / squares + (1 - g) * (1 + 1 / n)))
    return x.mean() + (away - half) / (1 - g), x.mean() + (away + half) / (1 - g), g


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("level", [0.5, 0.95, 0.99])
def test_on_a_straight_line_these_are_fiellers_limits(seed, level):
    dice = np.random.default_rng(seed)
    x = np.sort(dice.uniform(0, 10, 8 + seed))
    y = 1 + 2 * x + dice.normal(0, 1 + seed / 3, len(x))
    low, high, g = fieller(x, y, 12.0, level)
    fit = compare.fitted(x, y, relative=False)
    found = energyfor.limits(ordinary_band(fit, level), 12.0, low - 20, high + 20)
    assert g < 0.5 and found.kind == "finite"
    assert (found.lower, found.upper) == pytest.approx((low, high), rel=1e-9)


def test_where_fieller_has_no_finite_limits_none_is_made_up():
    x = np.arange(6.0)
    y = 5 + 0.1 * x + np.array([1, -1, 0.5, -1, 1, -0.5])
    assert fieller(x, y, 5.2, 0.95)[2] > 1
    fit = compare.fitted(x, y, relative=False)
    found = energyfor.limits(ordinary_band(fit, 0.95), 5.2, -100, 100)
    assert np.isfinite(found.best) and np.isnan([found.lower, found.upper]).all()
    assert found.kind == "no limit"


# ------------------------------------------------------------------ each kind of limit, constructed
NAN = float("nan")
KINDS = [
    # lower bound, upper bound of the centre x; height; best, lower, upper, kind
    (lambda x: x - 1, lambda x: x + 2, 5, 5, 3, 6, "finite"),
    (lambda x: x / 10, lambda x: x + 2, 5, 5, 3, NAN, "no upper limit"),
    (lambda x: x - 1, lambda x: x + 6, 5, 5, NAN, 6, "no lower limit"),
    (lambda x: x / 10, lambda x: x + 6, 5, 5, NAN, NAN, "no limit"),
    (lambda x: x - 1, lambda x: x + 2, 10.5, NAN, NAN, NAN, "too deep"),
    (lambda x: x - 1, lambda x: x + 2, -0.5, NAN, NAN, NAN, "too shallow"),
]


@pytest.mark.parametrize("case", KINDS, ids=lambda case: case[-1])
def test_a_limit_that_does_not_exist_is_missing(case):
    lower, upper, height, *expected, kind = case
    found = energyfor.limits(lambda x: (x, lower(x), upper(x)), height, 0, 10)
    assert found.kind == kind
    assert (found.best, found.lower, found.upper) == pytest.approx(expected, nan_ok=True)


def levelling_off(burns):
    """The same scatter about a curve that comes no deeper than 1 mm."""
    frame = burns()
    dose = 18 / frame["speed_mm_s"] / 0.05
    return frame.assign(depth_mm=frame["depth_mm"] / (0.3 * dose - 0.05) * -np.expm1(-dose / 1.5))


def deep_from_the_start(burns):
    return burns(intercept_mm=0.3)


@pytest.mark.parametrize(("readings", "depth_mm", "level", "kind", "said"), [
    (lambda burns: burns(), 1.0, 0.95, "finite",
     "{best:.3f} J/mm, limits {lower:.3f} to {upper:.3f} J/mm at 95 %"),
    (levelling_off, 0.9, 0.95, "no upper limit",
     "{best:.3f} J/mm; at least {lower:.3f} J/mm, but no energy is sure to reach it at 95 %: "
     "depths scatter too much"),
    (deep_from_the_start, 0.31, 0.9, "no lower limit",
     "{best:.3f} J/mm; from {upper:.3f} J/mm on it is sure at 90 %, but any less may reach it too; "
     "outside the readings ({low:g} to {high:g} mm), burn there before you trust it"),
    (levelling_off, 0.9, 0.999999, "no limit",
     "{best:.3f} J/mm; not attainable at 99.9999 %: depths scatter too much to tell"),
])
def test_an_energy_is_said_with_the_limits_it_has(readings, depth_mm, level, kind, said, burns):
    frame = readings(burns)
    found = energyfor.line_energy_for(depthfit.fit(frame), "white oak", 20, depth_mm, level=level)
    assert found.kind == kind
    assert found.words == said.format(best=found.best, lower=found.lower, upper=found.upper,
                                      low=frame["depth_mm"].min(), high=frame["depth_mm"].max())


@pytest.mark.parametrize(("readings", "depth_mm", "advice"), [
    (levelling_off, 1.3, "deeper"), (deep_from_the_start, 0.1, "shallower")])
def test_a_depth_the_curve_never_has_is_refused(readings, depth_mm, advice, burns):
    frame = readings(burns)
    with pytest.raises(ValueError) as caught:
        energyfor.line_energy_for(depthfit.fit(frame), "white oak", 20, depth_mm)
    assert str(caught.value) == (
        f"{depth_mm:g} mm is out of reach for white oak, 20 W at 450 nm: the readings span "
        f"{frame['depth_mm'].min():g} to {frame['depth_mm'].max():g} mm. Burn {advice} swatches, "
        "or ask for a depth in that range.")


def test_a_wood_that_never_gets_there_has_no_row_among_the_needs(burns):
    fit = depthfit.fit(levelling_off(burns))
    assert len(energyfor.energy_needs(fit, 0.9, 0.05)) == 1
    empty = energyfor.energy_needs(fit, 1.3, 0.05)
    assert empty.empty and {"best_j_mm", "lower_j_mm", "upper_j_mm", "words"} <= set(empty)
