"""The width a plan will leave: with nothing planned the fit's own, and the closed form of a balanced plan."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from testburn import depthfit, labbook
from testburn.depthfit import width
from testburn.depthfit.boards import predictive
from testburn.depthfit.components import PRIORS
from testburn.depthfit.spreads import NODES
from testburn.labbook import woods

WOODS = woods.read()
LABDATA = Path(__file__).parents[2] / "labdata"


@pytest.fixture(scope="module")
def demo():
    return depthfit.fit(labbook.read(LABDATA))


def test_with_nothing_planned_the_width_is_the_fits_own(demo):
    for group in demo.groups:
        start = width.from_group(demo, group, group.line_pitches_mm[0])
        dose = float(np.mean(group.doses))
        half = width.half_width(start, [], 0, 3, dose, 0.01)
        for name, of in (("reading", "reading"), ("recess", "swatch")):
            pitch = group.line_pitches_mm[0]
            row = demo.predict(group.species, group.module_w, dose * pitch, pitch, of=of,
                               wavelength_nm=group.wavelength_nm).iloc[0]
            assert half[name] == pytest.approx(row["upper_mm"] / row["depth_mm"] - 1, rel=2e-3)


def certain(start, node):
    """The same start with the spreads known, and a gauge and readings that do not scatter."""
    known = replace(start.components, variances=start.components.variances * [1, 1, 1, 0])
    return replace(start, components=known, weights=(np.arange(len(NODES)) == node).astype(float))


@pytest.mark.parametrize(("boards", "readings"), [(2, 1), (3, 3), (6, 3)])
@pytest.mark.parametrize("target", [0.3, 0.6, 0.9, 1.8])
def test_the_variance_is_the_closed_form_of_a_balanced_plan(boards, readings, target):
    """All boards alike and all scatter relative: what is not known of the line and the boards is, on the scale of
    logarithms, rows (1/depth, x/depth) of a line, level and slope of each board, done the long way in one matrix;
    a new board adds its own level and slope, a recess its own swatch."""
    node = int(np.argmin(np.abs(NODES - [0.1, 0.03, 0.05]).sum(axis=1)))
    level, slope, swatch = NODES[node]
    start = certain(width.from_guess(None, depthfit.guess(None, WOODS, "white oak", 20.0), (1.0, 20.0)), node)
    doses = np.array([width.target_dose(start, depth, 100) for depth in (0.3, 0.6, 0.6, 1.2, 1.2)])
    at = width.target_dose(start, target, 100)
    known, state = width._as_if_burned(start, doses, boards, readings, 0.0)
    got = predictive(known, state, at, start.route, "swatch", 0.0)

    def rows(dose):
        t = np.clip((np.log2(dose) - np.log2(doses[[0, -1]]).mean()) / max(np.log2(doses[-1] / doses[0]) / 2, 1), -1.5, 1.5)
        return np.column_stack([np.ones_like(dose), dose / start.unit]) / start.depth_mm(dose)[:, None], t

    x, t = rows(np.tile(doses, boards))
    same = np.kron(np.eye(boards), np.ones((len(doses),) * 2))
    v = same * (level**2 + slope**2 * np.outer(t, t)) + np.eye(len(t)) * (swatch**2 + PRIORS["reading"][0] ** 2 / readings)
    curve = np.linalg.inv(x.T @ np.linalg.solve(v, x))
    h, u = rows(np.array([at]))
    assert (got.sds_mm / got.centres_mm)[0, 0] ** 2 == pytest.approx(
        (h @ curve @ h.T)[0, 0] + level**2 + (slope * u[0]) ** 2 + swatch**2, rel=1e-9)
