"""Plan width: how wide the interval will be once a plan is burned and measured.

Decides what a plan is worth before any wood is burned. The width of the interval for the next board does
not depend on the depths that will be read, only on where, on how many boards and how often they are
read. So planned swatches are put beside those of the lab book as if they were read already, and the
model's own algebra gives the rest: the covariance of the curve and its shares (`reml.step`), what the
variances will rest on (`components.finished`), and the prediction for the next board
(`boards.predictive`). The four variances are taken as they stand now; where nothing is known, as the
priors say. If boards turn out to differ more than that, the interval will be wider than planned.

What other groups of the lab book tell about the scatter is kept: the expected information of
independent groups adds up, so only the group itself is worked out again.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import special

from testburn.depthfit import boards, components as scatter, reml, swatches as reduction
from testburn.depthfit.coldstart import Guess
from testburn.depthfit.components import Components, PRIORS
from testburn.depthfit.curves import CurveFit, FAINTEST_WEIGHT, depth_and_slopes
from testburn.depthfit.depths import DepthFit
from testburn.depthfit.swatches import Swatches


@dataclass(frozen=True, eq=False)
class Start:
    """What a plan starts from: a curve, the variances and what they rest on so far.

    Attributes
    ----------
    unit, coefficients, bent
        The curve in areal dose, as in `CurveFit`; a guessed one is straight.
    components : Components
    information : (4, 4) array
        Expected information about the variances from all other groups.
    swatches : Swatches or None
        What was burned of this group already, with `weight_depth_mm` of each.
    """

    unit: float
    coefficients: np.ndarray
    bent: bool
    components: Components
    information: np.ndarray
    swatches: Swatches | None = None
    weight_depth_mm: np.ndarray | None = None

    def depth_mm(self, dose_j_mm2) -> np.ndarray:
        """Return the depth to be expected at areal doses."""
        return depth_and_slopes(np.asarray(dose_j_mm2, float) / self.unit, self.coefficients)[0]


def from_group(fit: DepthFit, index: int) -> Start:
    """Return the start where the group was burned before."""
    curves = fit.curves
    own = curves.swatches.group_of == index
    start = Start(float(curves.unit[index]), curves.coefficients[index],
                  bool(curves.curvature["bent"].iloc[index]), curves.components, np.zeros((4, 4)),
                  reduction.kept(curves.swatches, own), curves.weight_depth_mm[own])
    alone = _step(start, start.swatches, start.weight_depth_mm).information
    return replace(start, information=curves.components.information - alone)


def from_guess(fit: DepthFit | None, guessed: Guess, doses: tuple[float, float]) -> Start:
    """Return the start of a group never burned: a line through the guess at two areal doses."""
    low, high = (float(guessed.middle_mm(dose * guessed.line_pitch_mm)[0]) for dose in doses)
    slope = (high - low) / (doses[1] / doses[0] - 1)
    line = np.array([low - slope, slope, 0.0])
    known = fit.curves.components if fit else Components(
        scatter.prior_variances(PRIORS), np.zeros((4, 4)), np.zeros((4, 4)), PRIORS)
    return Start(doses[0], line, False, known, known.information)


def half_width(start: Start, plan_doses, planned_boards: int, readings: int, target_dose: float,
               gauge_step_mm: float = 0.01, level: float = 0.95) -> pd.Series:
    """Return half the interval's width for the next board at the target, as a share of its depth.

    Parameters
    ----------
    start : Start
    plan_doses : (n,) array
        Areal dose of each swatch of one board, the same on every board.
    planned_boards, readings : int
        Boards to burn more, and readings of each swatch.
    target_dose : float, J/mm²
    gauge_step_mm : float

    Returns
    -------
    Series
        `reading` and `recess`: for one depth reading, and for the recess as a whole.

    Raises
    ------
    ValueError
        If neither the lab book nor the plan holds a swatch.
    """
    curves = _as_if_burned(start, np.asarray(plan_doses, float), planned_boards, readings, gauge_step_mm)
    state, share = boards.next_board(curves, 0), {}
    for name, of in (("reading", "reading"), ("recess", "swatch")):
        spread = boards.predictive(curves, state, target_dose, of, gauge_step_mm)
        share[name] = float(special.stdtrit(spread.df, (1 + level) / 2)[0] * spread.relative_sd[0])
    return pd.Series(share)


def _as_if_burned(start, doses, planned_boards, readings, gauge_step_mm) -> CurveFit:
    """Return the fit that the lab book and the planned swatches would make together."""
    size = len(doses) * planned_boards
    if start.swatches is None and not size:
        raise ValueError("Nothing was burned and nothing is planned. Plan one board or more.")
    x, mean = np.tile(doses, planned_boards), np.tile(start.depth_mm(doses), planned_boards)
    planned = Swatches(
        x, np.full(size, float(readings)), mean, np.zeros(size), np.full(size, gauge_step_mm),
        np.arange(planned_boards) * len(doses), np.zeros(1, int), pd.DataFrame({"group": [0]}),
        np.array([f"planned {board}" for board in range(planned_boards)], object), np.zeros(size, int))
    together = planned if start.swatches is None else _joined(start.swatches, planned)
    own = () if start.weight_depth_mm is None else start.weight_depth_mm
    faintest = FAINTEST_WEIGHT * together.mean_mm.max()
    divisor = np.r_[own, np.maximum(mean, faintest)]
    step = _step(start, together, divisor)
    held = replace(step, information=start.information + step.information)
    known = scatter.finished(start.components.variances, held, start.components.priors)
    return CurveFit(together, np.array([start.unit]), start.coefficients[None], step.shares, known,
                    pd.DataFrame({"bent": [start.bent]}), np.zeros(len(divisor)), divisor, (0, 0))


def _joined(burned: Swatches, planned: Swatches) -> Swatches:
    """Return both, the planned boards behind the burned ones, as one group."""
    pairs = {name: np.r_[getattr(burned, name), getattr(planned, name)]
             for name in ("regressor", "count", "mean_mm", "squares_mm2", "gauge_step_mm", "boards",
                          "first_row")}
    return replace(planned, **pairs, board_start=np.r_[
        burned.board_start, len(burned.count) + planned.board_start])


def _step(start: Start, swatches: Swatches, divisor) -> reml.Step:
    """Return covariance, shares and information of these swatches at the variances of the start."""
    _, slopes = depth_and_slopes(swatches.regressor / start.unit, start.coefficients)
    slopes[:, 2] *= start.bent
    pinned = np.array([[0.0, 0.0, float(not start.bent)]])
    rows = list(np.ascontiguousarray((slopes / divisor[:, None]).T))
    data = reml.Divided(swatches, divisor, np.ones_like(divisor), rows, pinned)
    return reml.step(start.components.variances, data)


def target_dose(start: Start, depth_mm: float, most_j_mm2: float) -> float:
    """Return the areal dose at which the curve reaches a depth; NaN where it does not by `most`."""
    doses = np.geomspace(most_j_mm2 / 1e4, most_j_mm2, 4000)
    depths = start.depth_mm(doses)
    if not depths[0] < depth_mm <= depths[-1]:
        return np.nan
    return float(np.interp(depth_mm, depths, doses))
