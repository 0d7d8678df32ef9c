"""Repeatability: the worked examples of the GUM, and what a sheet does to the fit."""

import pandas as pd
import pytest

from testburn import depthfit, labbook
from testburn.depthfit import Repeatability, components, states

# JCGM 100:2008 (GUM), table 1 and 4.4.3: twenty temperatures in °C, read (from memory, and the sums come out as printed).
TABLE_1 = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07, 100.33, 100.42, 100.68, 100.95, 101.11, 101.20,
           101.57, 101.84, 102.36, 102.72]
# JCGM 100:2008 (GUM), table H.2: five sets of voltage (V), current (mA) and phase (rad); means and sds of the means as printed there.
VOLTS, MILLIAMPERES = [5.007, 4.994, 5.005, 4.990, 4.999], [19.663, 19.639, 19.640, 19.685, 19.678]
RADIANS = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def sheet(values, step=0.01, gauge="dial, ball tip"):
    return pd.DataFrame({"depth_mm": values, "gauge_step_mm": step, "gauge": gauge})


@pytest.mark.parametrize(("values", "mean", "sd", "sd_of_mean", "digits"), [
    (TABLE_1, 100.145, 1.489, 0.333, 5e-4), (VOLTS, 4.9990, None, 0.0032, 5e-5), (MILLIAMPERES, 19.6610, None, 0.0095, 5e-5),
    (RADIANS, 1.04446, None, 0.00075, 5e-6)], ids=["table 1", "volts", "milliamperes", "radians"])
def test_the_worked_examples_of_the_gum(values, mean, sd, sd_of_mean, digits):
    found = Repeatability.of(sheet(values, step=1e-5))
    assert (found.mean_mm, found.sd_of_mean_mm) == pytest.approx((mean, sd_of_mean), abs=digits)
    assert sd is None or found.sd_mm == pytest.approx(sd, abs=digits)
    assert found.prior == (found.sd_mm, len(values) - 1)


# JCGM 100:2008, F.2.2.1: a reading of step d knows no better than d over the root of 12, 0.29 d.
@pytest.mark.parametrize(("values", "step", "counts"), [([0.5] * 10, 0.01, 0.0029), ([0.5] * 10, 0.1, 0.029), ([0.4, 0.5] * 5, 0.1, 0.0527)])
def test_no_less_is_believed_than_the_step_allows(values, step, counts):
    found = Repeatability.of(sheet(values, step))
    assert found.counts_mm == pytest.approx(counts, rel=0.01)
    assert ("less than its step" in found.words) == (found.sd_mm < counts - 1e-3)


def test_a_sheet_is_said():
    assert Repeatability.of(sheet([0.50, 0.52, 0.48, 0.50, 0.50, 0.52, 0.48, 0.50, 0.51, 0.49])).words == (
        "dial, ball tip repeats to ±0.0141 mm (standard deviation of 10 readings of one recess of 0.50 mm, 9 degrees of freedom). This "
        "takes the place of what was assumed of the gauge; readings of your burns count beside it.")
    assert Repeatability.of(sheet([])) is None


@pytest.fixture(scope="module")
def readings(request):
    return labbook.read(request.path.parents[2] / "labdata")


@pytest.fixture(scope="module")
def plain(readings):
    return depthfit.fit(readings)


def with_gauge(readings, values, step=0.01):
    """The fit of readings whose gauge was read so, and to whose machine nothing happened."""
    nothing = (pd.DataFrame(columns=list(columns)) for columns in (
        [field.name for field in labbook.columns.LOG], [*states.MODULE, "species", "board"], [*states.MODULE, "species", "since", "since_on"]))
    return depthfit.fit(readings, states.Past(*nothing, gauge=Repeatability.of(sheet(values, step))))


def test_the_sheet_takes_the_place_of_the_assumption_and_marks_the_card(readings, plain):
    # 10 readings scattering by 0.05 mm: nine degrees of freedom instead of two assumed ones.
    noisy = with_gauge(readings, [0.45, 0.55, 0.45, 0.55, 0.45, 0.55, 0.45, 0.55, 0.5, 0.5])
    row, before = (fit.components.set_index("component").loc["gauge"] for fit in (noisy, plain))
    assert row["prior_measured"] and not before["prior_measured"]
    assert row["prior_sd"] == pytest.approx(0.0471, abs=5e-5) and before["prior_sd"] == components.PRIORS["gauge"][0]
    assert row["sd"] > before["sd"] and noisy.readings_mark != plain.readings_mark
    assert not noisy.components.set_index("component").loc[["board", "swatch", "reading"], "prior_measured"].any()


def test_on_few_readings_the_sheet_decides_as_far_as_the_burns_agree(readings):
    few = readings[(readings["reading"] == 1) & (readings["species"] == "black cherry")]
    quiet, noisy = (with_gauge(few, values).components.set_index("component").loc["gauge", "sd"]
                    for values in ([0.500, 0.501] * 5, [0.45, 0.55] * 5))
    assumed = components.PRIORS["gauge"][0]
    assert quiet == pytest.approx(0.01 / 12**0.5, abs=1e-4) and 1.5 * assumed < noisy < 0.0527


def test_without_a_sheet_nothing_changes(readings, plain):
    assert plain.curves.components.marks == () and with_gauge(readings, []).readings_mark == plain.readings_mark
