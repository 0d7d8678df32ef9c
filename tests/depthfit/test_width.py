"""The width a plan will leave: with nothing planned the fit's own, and the closed form of a balanced plan."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from testburn import depthfit, labbook
from testburn.depthfit import width
from testburn.depthfit.boards import next_board, predictive
from testburn.depthfit.components import PRIORS
from testburn.labbook import woods

WOODS = woods.read()
LABDATA = Path(__file__).parents[2] / "labdata"


@pytest.fixture(scope="module")
def demo():
    return depthfit.fit(labbook.read(LABDATA))


def test_with_nothing_planned_the_width_is_the_fits_own(demo):
    for group in demo.groups:
        start = width.from_group(demo, group.index)
        dose = float(np.mean(group.doses))
        half = width.half_width(start, [], 0, 3, dose, 0.01)
        for name, of in (("reading", "reading"), ("recess", "swatch")):
            pitch = group.line_pitches_mm[0]
            row = demo.predict(group.species, group.module_w, dose * pitch, pitch, of=of,
                               wavelength_nm=group.wavelength_nm).iloc[0]
            assert half[name] == pytest.approx(row["upper_mm"] / row["depth_mm"] - 1, rel=2e-3)


def no_gauge(start):
    """The same start with a gauge that does not scatter, so that all scatter is relative."""
    known = start.components
    return replace(start, components=replace(known, variances=known.variances * [1, 1, 1, 0],
                                             priors=PRIORS | {"gauge": (0.02, 0.0)}))


@pytest.mark.parametrize(("boards", "readings"), [(2, 1), (3, 3), (6, 3)])
@pytest.mark.parametrize("target", [0.3, 0.6, 0.9, 1.8])
def test_the_variance_is_the_closed_form_of_a_balanced_plan(boards, readings, target):
    """All boards alike and all scatter relative: the line's variance at a target is board / boards plus
    that of a straight line in u = 1/depth, σ²/N · (1 + (u₀ - ū)² / var u), σ² = swatch + reading / n."""
    guessed = depthfit.guess(None, WOODS, "white oak", 20.0)
    start = no_gauge(width.from_guess(None, guessed, (1.0, 20.0)))
    depths = np.array([0.3, 0.6, 0.6, 1.2, 1.2])
    doses = np.array([width.target_dose(start, depth, 100) for depth in depths])
    at = width.target_dose(start, target, 100)
    curves = width._as_if_burned(start, doses, boards, readings, 0.0)
    got = predictive(curves, next_board(curves, 0), at, "swatch", 0.0)
    u, own = 1 / depths, PRIORS["swatch"][0] ** 2 + PRIORS["reading"][0] ** 2 / readings
    line = own / (boards * len(u)) * (1 + (1 / target - u.mean()) ** 2 / u.var())
    board = PRIORS["board"][0] ** 2
    assert got.relative_sd[0] ** 2 == pytest.approx(
        board / boards + line + board + PRIORS["swatch"][0] ** 2, rel=1e-4)
