"""Machine check: a parabola of a certified data set, ladders whose truth is known, and what is refused."""

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from testburn import depthfit, drift, energy, labbook
from testburn.drift import machinecheck

REFERENCE = Path(__file__).parents[1] / "reference"
POWERS = (30, 47, 65, 82, 100)


@pytest.fixture(scope="module")
def fit(request):
    return depthfit.fit(labbook.read(request.path.parents[2] / "labdata"))


def ladder(fit, more=0.0, level=1.0, scatter=0.0, seed=0, powers=POWERS, **changed):
    """Readings of a ladder on a board of this level, where what arrives goes as power to (1 + more)."""
    dice, group, rows = np.random.default_rng(seed), fit.group("black cherry", 15), []
    for place, power in enumerate(powers):
        arrives = 100 * (power / 100) ** (1 + more)
        dose = energy.line_energy(15, arrives, 60.0, 1) / 0.1
        depth = float(group.mean(np.array([dose]))[0]) * level * np.exp(scatter * dice.standard_normal())
        rows += [{"burn": "ladder", "species": "black cherry", "board": "L", "module_w": 15.0, "wavelength_nm": group.wavelength_nm, "module": "",
                  "power_pct": float(power), "speed_mm_s": 60.0, "line_pitch_mm": 0.1, "passes": 1, "swatch": str(place), "reading": reading,
                  "depth_mm": depth, "gauge_step_mm": 0.01, "struck_because": ""} | changed for reading in (1, 2, 3)]
    return pd.DataFrame(rows)


@pytest.mark.parametrize(("more", "verdict"), [(0.0, "proportional"), (0.4, "not proportional"), (-0.3, "not proportional")])
def test_a_ladder_without_scatter_says_its_own_truth(fit, more, verdict):
    found = drift.power_check(fit, ladder(fit, more))
    assert found.slope == pytest.approx(more, abs=0.002) and found.verdict == verdict
    truth = 100 * (np.array(POWERS) / 100) ** (1 + more)
    assert found.table["arrives_pct"].tolist() == pytest.approx(truth.tolist(), rel=0.002)
    assert (found.table["lower_pct"] <= found.table["arrives_pct"]).all() and found.table["upper_pct"].iloc[-1] == pytest.approx(100)


def test_a_board_that_burns_deeper_in_all_is_no_machine_that_is_off(fit):
    plain, deep = (drift.power_check(fit, ladder(fit, level=level)) for level in (1.0, 1.15))
    assert abs(deep.slope - plain.slope) < plain.slope_sd and deep.verdict != "not proportional"


def test_the_doubt_is_that_of_many_ladders(fit):
    """Boards by 10 %, swatches by 5 %: of proportional ladders about 1 in 20 is called otherwise; the sd said is the sd seen."""
    found = [drift.power_check(fit, ladder(fit, level=np.random.default_rng(1000 + seed).normal(1, 0.1), scatter=0.05, seed=seed))
             for seed in range(200)]
    slopes, said = np.array([one.slope for one in found]), np.array([one.slope_sd for one in found])
    assert np.std(slopes) == pytest.approx(said.mean(), rel=0.2)
    assert np.mean(np.abs(slopes) > 1.96 * said) < 0.10


@pytest.mark.parametrize(("changed", "ladders"), [
    ({}, ["ladder"]), ({"powers": (30, 65, 100)}, []), ({"struck_because": "a pore"}, [])])
def test_the_burns_that_are_ladders_are_found_among_all(fit, changed, ladders):
    """The demo's burns vary the speed; of two boards in one burn, none is a ladder."""
    rows = ladder(fit, **changed).assign(burned_on=pd.Timestamp("2026-03-01"))
    assert drift.power_ladders(pd.concat([fit.readings, rows], ignore_index=True)) == ladders
    two = pd.concat([rows, rows.assign(board="M")], ignore_index=True)
    assert drift.power_ladders(two) == []
    newer = rows.assign(burn="newer", burned_on=pd.Timestamp("2026-03-02"))
    assert drift.power_ladders(pd.concat([rows, newer], ignore_index=True)) == ["newer", "ladder"] * bool(ladders)


def test_what_is_said_of_a_ladder(fit):
    assert drift.power_check(fit, ladder(fit)).words.startswith(
        "15 W: the percent is proportional to what arrives, to 10 % for half the power; 30 % arrives as 30 %")
    words = drift.power_check(fit, ladder(fit, 0.4)).words
    found = drift.power_check(fit, ladder(fit, 0.4))
    low, high = (100 * (2.0 ** -(found.slope + side * 1.96 * found.slope_sd) - 1) for side in (1, -1))
    assert f"not proportional to what arrives. Half the power brings {low:+.0f} to {high:+.0f} % of what half would be. Stay at the powers" in words
    unsure = drift.power_check(fit, ladder(fit, 0.08, powers=(80, 85, 90, 100)))
    assert unsure.verdict == "not shown" and "is not shown" in unsure.words


@pytest.mark.parametrize(("how", "said"), [
    (dict(powers=(50, 75, 100)), "3 powers at one speed tell nothing of their proportion; 4 are needed."),
    (dict(depth_mm=0.005), "Only 0 powers left a mark; 4 are needed. Burn the ladder slower.")])
def test_a_ladder_that_is_none_is_refused(fit, how, said):
    with pytest.raises(ValueError) as refused:
        drift.power_check(fit, ladder(fit, **how))
    assert str(refused.value) == said


def test_a_ladder_of_several_boards_or_speeds_is_refused(fit):
    mixed = ladder(fit)
    mixed.loc[:3, ["board", "speed_mm_s"]] = ["M", 70.0]
    with pytest.raises(ValueError, match="has one board and one speed. Give the readings of one such burn"):
        drift.power_check(fit, mixed)


def pontius():
    with open(REFERENCE / "nist_strd_pontius.csv", encoding="utf-8", newline="") as file:
        return [np.array(column, float) for column in zip(*[(row["x_load"], row["y_deflection"]) for row in csv.DictReader(file)])]


def test_the_parabola_is_the_certified_one():
    # NIST StRD, Pontius: a quadratic of 40 loads; certified coefficients and their sds, as in published.csv.
    x, y = pontius()
    c, covariance, fitted = machinecheck._parabola(x / 1e6, y, np.full(len(x), 1e-12))
    assert c == pytest.approx([0.673565789473684e-3, 0.732059160401003, -0.316081871345029e-2], rel=1e-6)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.107938612033077e-3, 0.157817399981659e-3, 0.486652849992036e-4], rel=1e-6)


def focus(fit, deepest=0.5, bends=0.06, scatter=0.0, seed=0, offsets=(-2, -1, 0, 1, 2)):
    dice = np.random.default_rng(seed)
    depths = [0.6 * np.exp(-bends * (x - deepest) ** 2 + scatter * dice.standard_normal()) for x in offsets]
    return drift.focus_check(fit, offsets, [[depth] * 3 for depth in depths])


@pytest.mark.parametrize("deepest", [-0.8, 0.0, 0.5])
def test_the_deepest_focus_is_found(fit, deepest):
    found = focus(fit, deepest)
    assert found.deepest_mm == pytest.approx(deepest, abs=1e-6) and found.words.startswith(f"Deepest at {found.deepest_mm:+.2f} mm (")
    assert f"Within {np.sqrt(0.05 / 0.06):.2f} mm of it the depth falls by less than 5 %" in found.words
    assert ("nothing need be moved" in found.words) == (abs(deepest) < 1.96 * found.deepest_sd_mm)
    assert found.note.startswith(f"focus ladder: deepest at {found.deepest_mm:+.2f} mm")


def test_the_deepest_focus_is_as_unsure_as_many_ladders_differ(fit):
    found = [focus(fit, scatter=0.045, seed=seed) for seed in range(300)]
    shown = np.array([(one.deepest_mm, one.deepest_sd_mm) for one in found if np.isfinite(one.deepest_mm)])
    assert len(shown) > 250 and np.mean(np.abs(shown[:, 0] - 0.5) < 1.96 * shown[:, 1]) > 0.90


@pytest.mark.parametrize(("deepest", "bends", "said"), [
    (3.0, 0.06, "the deepest swatch stands at its end, +2 mm: go on that way."),
    (0.0, 0.001, "the depths do not fall on both sides by more than swatches differ: take larger steps.")])
def test_a_ladder_that_shows_no_focus_says_so(fit, deepest, bends, said):
    found = focus(fit, deepest, bends)
    assert np.isnan(found.deepest_mm) and found.note == "" and found.words == f"This ladder shows no deepest focus: {said}"


@pytest.mark.parametrize(("offsets", "depths", "said"), [
    ((0, 1, 2), [[0.5]] * 3, "3 offsets and 3 lists of depths: give a list for each of 4 offsets or more."),
    ((-1, 0, 1, 2), [[0.5], [], [0.5], [0.4]], "The offset 0 mm has no depth above the gauge's step. Leave it out, or read it.")])
def test_a_focus_ladder_that_is_none_is_refused(fit, offsets, depths, said):
    with pytest.raises(ValueError) as refused:
        drift.focus_check(fit, offsets, depths)
    assert str(refused.value) == said
