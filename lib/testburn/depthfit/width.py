"""Plan width: how wide the interval will be once a plan is burned and measured.

Decides what a plan is worth before any wood is burned. The width of the interval for the next board does
not depend on the depths that will be read, only on where, on how many boards and how often they are
read. So planned swatches are put beside those of the lab book as if they were read already, and the
model's own algebra gives the rest: at every node of the spreads the covariance of the curve
(`spreads.at_nodes`), and the prediction for the next board (`boards.predictive`). How far the planned boards
will tell the spreads is what they are expected to: boards and swatches that scatter as is thought now,

    -½ Σ degrees of freedom · (log v + v now / v),  v = board² + swatch² / swatches a board, and swatch²

If boards turn out to differ more than that, the interval will be wider than planned.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from testburn.depthfit import boards, components as scatter, spreads, swatches as reduction
from testburn.depthfit.coldstart import Guess
from testburn.depthfit.components import Components, PRIORS
from testburn.depthfit.curves import CurveFit, depth_and_slopes
from testburn.depthfit.depths import DepthFit
from testburn.depthfit.group import GroupFit
from testburn.depthfit.spreads import NODES, Spreads
from testburn.depthfit.swatches import Swatches


@dataclass(frozen=True, eq=False)
class Start:
    """What a plan starts from: a curve, and what is thought of the spreads so far.

    Attributes
    ----------
    unit, coefficients, bent
        The curve in areal dose, as in `CurveFit`; a guessed one is straight.
    components : Components
        Its reading and gauge are taken.
    weights : (nodes,) array
        The chance of each node of `spreads.NODES`.
    route_middle, route : (3,) arrays
        The route that the curve is of, and that of the planned swatches and the target; see `swatches.route`.
    swatches : Swatches or None
        What was burned of this group already, with `residual` and `route_slopes` as in `CurveFit`.
    """

    unit: float
    coefficients: np.ndarray
    bent: bool
    components: Components
    weights: np.ndarray
    route_middle: np.ndarray
    route: np.ndarray
    swatches: Swatches | None = None
    residual: np.ndarray = field(default_factory=lambda: np.zeros(0))
    route_slopes: np.ndarray = field(default_factory=lambda: np.zeros(3))

    def depth_mm(self, dose_j_mm2) -> np.ndarray:
        """Return the depth to be expected at areal doses."""
        return depth_and_slopes(np.asarray(dose_j_mm2, float) / self.unit, self.coefficients)[0]


def from_group(fit: DepthFit, group: GroupFit, line_pitch_mm: float | None = None) -> Start:
    """Return the start where the group was burned before; the plan keeps to one pitch."""
    curves, index = fit.curves, group.index
    own = curves.swatches.group_of == index
    return Start(float(curves.unit[index]), curves.coefficients[index],
                 bool(curves.curvature["bent"].iloc[index]), curves.components, fit.spreads.weights(index),
                 curves.route_middle[index], group.route(line_pitch_mm=line_pitch_mm)[0],
                 reduction.kept(curves.swatches, own), curves.residual[own], curves.route_slopes[index])


def from_guess(fit: DepthFit | None, guessed: Guess, doses: tuple[float, float]) -> Start:
    """Return the start of a group never burned: a line through the guess at two areal doses."""
    low, high = (float(guessed.middle_mm(dose * guessed.line_pitch_mm)[0]) for dose in doses)
    slope = (high - low) / (doses[1] / doses[0] - 1)
    line = np.array([low - slope, slope, 0.0])
    known = fit.curves.components if fit else Components(
        scatter.prior_variances(PRIORS), np.zeros((4, 4)), np.zeros((4, 4)), PRIORS)
    weights = fit.spreads.weights(None) if fit else spreads.PRIOR
    return Start(doses[0], line, False, known, weights, np.zeros(3), np.zeros(3))


def half_width(start: Start, plan_doses, planned_boards: int, readings: int, target_dose: float,
               gauge_step_mm: float = 0.01, level: float = 0.95, proved: bool = False) -> pd.Series:
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
    proved : bool
        The next board was proved with one swatch at the target, which came out as expected.

    Returns
    -------
    Series
        `reading` and `recess`: for one depth reading, and for the recess as a whole.

    Raises
    ------
    ValueError
        If neither the lab book nor the plan holds a swatch.
    """
    doses, share = np.asarray(plan_doses, float), {}
    known, state = _as_if_burned(start, doses, planned_boards, readings, gauge_step_mm)
    if proved:
        expected = boards.predictive(known, state, target_dose, start.route, "mean").depth_mm
        state = boards.proved(known, state, target_dose, start.route, expected, readings, gauge_step_mm)
    for name, of in (("reading", "reading"), ("recess", "swatch")):
        spread = boards.predictive(known, state, target_dose, start.route, of, gauge_step_mm)
        share[name] = float((spread.limits(level)[1] / spread.depth_mm - 1)[0])
    return pd.Series(share)


def _as_if_burned(start, doses, planned_boards, readings, gauge_step_mm) -> tuple[Spreads, boards.BoardState]:
    """Return what would be known of the next board, had the planned swatches been burned as well."""
    size = len(doses) * planned_boards
    if start.swatches is None and not size:
        raise ValueError("Nothing was burned and nothing is planned. Plan one board or more.")
    x, mean = np.tile(doses, planned_boards), np.tile(start.depth_mm(doses), planned_boards)
    planned = Swatches(
        x, np.full(size, float(readings)), mean, np.zeros(size), np.full(size, gauge_step_mm),
        np.arange(planned_boards) * len(doses), np.zeros(1, int), pd.DataFrame({"group": [0]}),
        np.array([f"planned {board}" for board in range(planned_boards)], object), np.zeros(size, int),
        np.tile(start.route, (size, 1)))
    together = planned if start.swatches is None else _joined(start.swatches, planned)
    curves = CurveFit(together, np.array([start.unit]), start.coefficients[None], np.zeros((1, 5, 3, 3)),
                      start.components, pd.DataFrame({"bent": [start.bent]}), np.r_[start.residual, np.zeros(size)],
                      np.ones(len(together.count)), (0, 0), start.route_middle[None], start.route_slopes[None])
    known, before = Spreads(curves), 0 if start.swatches is None else len(start.swatches.board_start)
    told = _expected_to_tell(start, len(doses), planned_boards - (before == 0), planned_boards)
    weights = spreads.normed(np.log(np.maximum(start.weights, 1e-300)) + told)
    return known, boards.next_board(known, 0, weights)


def _expected_to_tell(start: Start, swatches: int, levels: int, planned_boards: int) -> np.ndarray:
    """Return the log likelihood of each node that the planned boards are expected to bring."""
    level, own = NODES[:, 0] ** 2, NODES[:, 2] ** 2
    told = np.zeros(len(NODES))
    for free, variance in ((levels, level + own / max(swatches, 1)), (planned_boards * max(swatches - 2, 0), own)):
        told -= 0.5 * max(free, 0) * (np.log(variance) + np.exp(start.weights @ np.log(variance)) / variance)
    return told


def _joined(burned: Swatches, planned: Swatches) -> Swatches:
    """Return both, the planned boards behind the burned ones, as one group."""
    pairs = {name: np.concatenate([getattr(burned, name), getattr(planned, name)])
             for name in ("regressor", "count", "mean_mm", "squares_mm2", "gauge_step_mm", "boards",
                          "first_row", "route")}
    return Swatches(**pairs, group_start=planned.group_start, group_keys=planned.group_keys, board_start=np.r_[
        burned.board_start, len(burned.count) + planned.board_start])


def target_dose(start: Start, depth_mm: float, most_j_mm2: float) -> float:
    """Return the areal dose at which the curve reaches a depth; NaN where it does not by `most`."""
    doses = np.geomspace(most_j_mm2 / 1e4, most_j_mm2, 4000)
    depths = start.depth_mm(doses)
    if not depths[0] < depth_mm <= depths[-1]:
        return np.nan
    return float(np.interp(depth_mm, depths, doses))
