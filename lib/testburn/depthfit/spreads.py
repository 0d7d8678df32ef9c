"""Spreads: how much boards differ, in level and slope, and swatches; for every wood its own, with its doubt.

Decides what is not known of the spreads, and carries it: no single value is chosen. About the present curve,
and divided by it, the mean of a swatch departs by

    z = x'β + ρ'γ + level + t · slope + swatch + reading + gauge,    t = log2 dose about the middle, in half ranges

β are errors of the curve's coefficients, γ the group's route slopes on ρ, log2 of power, pitch and passes about
the burned ones. Levels, slopes and swatches scatter by a node of a grid; at each node one generalised least
squares with 2 × 2 blocks a board gives β and γ, and its restricted likelihood says how well the node fits.

The route slopes have a prior, since a dose laid otherwise does not dig alike (Kudela et al. 2022 found one dose
for all powers in oak; others did not): 8, 10 and 7 % a doubling of power, pitch and passes, and 8 % for the speed
that goes with each at equal dose. A wood's spread of boards is lognormal about the shop's middle, narrowly where
all woods are alike and widely where they differ, even odds to start with; that middle is lognormal about 10 %
(specific gravity within a species, Wood Handbook, FPL-GTR-190, table 5-6, from memory). A wood whose density is
published to vary more than that begins wider (`DENSITY_CV`), none begins narrower. Slope and swatch are shared by all
woods. The widths of these priors are judgement, weighed on simulated workshops
(`tests/benchmarks/honesty.py`).
"""

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np

from testburn.depthfit.components import ROUTE_PRECISION
from testburn.depthfit.curves import BEND_RANGE, CurveFit, depth_and_slopes

LEVEL_SDS = np.geomspace(0.025, 0.45, 11)
SLOPE_SDS = np.geomspace(0.004, 0.11, 5)
SWATCH_SDS = np.geomspace(0.015, 0.22, 7)
NODES = np.array([axis.ravel() for axis in np.meshgrid(LEVEL_SDS, SLOPE_SDS, SWATCH_SDS, indexing="ij")]).T
SHAPE = (len(LEVEL_SDS), len(SLOPE_SDS), len(SWATCH_SDS))
# (middle, sd of the logarithm)
BOARD, SLOPE, SWATCH = (0.10, 0.4), (0.04, 0.7), (0.05, 0.5)
ALIKE, DIFFERENT = 0.10, 0.45
# Coefficient of variation of density within a species, where it is well above the usual tenth: Global Wood Density Database,
# version 2 (Fischer et al. 2026), as estimated by its authors' model. Living trees, not boards, and the model's own doubt
# is in it, so that thinly sampled species come out wider: half of it counts, on the scale of logarithms (judgement).
DENSITY_CV = {
    "shagbark hickory": 0.111, "sweet birch": 0.118, "red alder": 0.126, "eastern white pine": 0.133, "American basswood": 0.141,
    "hackberry": 0.146, "bigleaf maple": 0.152, "butternut": 0.154, "sugar pine": 0.232, "western redcedar": 0.244}
_MOST_GROUPS = 12               # whose likelihoods tell the shared spreads of a large lab book
CURVE, ROUTE, LEVEL, TILT = slice(0, 3), slice(3, 6), 6, 7


@dataclass(frozen=True, eq=False)
class Nodes:
    """One group at every node: log likelihood, and mean and covariance of (a, b, bend, route slopes).

    `moments` (swatch sds × boards × 9 × 9) are the weighted products of (level, slope, six columns, response).
    """

    log_likelihood: np.ndarray
    mean: np.ndarray
    covariance: np.ndarray
    inner: np.ndarray
    moments: np.ndarray


@dataclass(frozen=True, eq=False)
class Spreads:
    """What the curves' residuals say of the spreads, asked group by group and kept."""

    curves: CurveFit

    @cached_property
    def _found(self) -> dict[int, Nodes]:
        return {}

    def nodes(self, group: int) -> Nodes:
        """Return one group at every node."""
        if group not in self._found:
            self._found[group] = solved(self.curves, group)
        return self._found[group]

    @cached_property
    def _sample(self) -> dict[str, list[int]]:
        """The groups of each wood that tell the shared spreads: all, or of a large lab book some."""
        count = len(self.curves.coefficients)
        groups = np.unique(np.linspace(0, count - 1, min(count, _MOST_GROUPS)).astype(int))
        found = {}
        for group in groups:
            found.setdefault(self.wood(group), []).append(int(group))
        return found

    def wood(self, group: int) -> str:
        return str(self.curves.swatches.group_keys.iloc[group, 0])

    @cached_property
    def _evidence(self) -> dict[str, np.ndarray]:
        """For each wood of the sample its log likelihood, given middle and width and the shared nodes."""
        return {wood: _given_shop(self._likelihood(groups), wood) for wood, groups in self._sample.items()}

    def _likelihood(self, groups) -> np.ndarray:
        return sum(self.nodes(group).log_likelihood for group in groups).reshape(SHAPE)

    def weights(self, group: int | None) -> np.ndarray:
        """Return the chance of each node for a group's wood; None asks for a wood never burned."""
        wood = None if group is None else self.wood(group)
        other = _SHARED + sum(told for name, told in self._evidence.items() if name != wood)
        prior = _log_sum(other[:, :, None] + _of_wood(wood)[:, :, :, None, None], (0, 1))
        own = 0.0
        if wood is not None:
            own = self._likelihood(sorted({*self._sample.get(wood, []), group}))
        return normed((prior + own).ravel())

    def board_sd(self, group: int | None, level: float = 0.90) -> tuple[float, float, float]:
        """Return the middle and limits of a wood's spread of boards."""
        chance = self.weights(group).reshape(SHAPE).sum(axis=(1, 2)).cumsum()
        # Each node stands for the stretch about it, on the scale of logarithms.
        half = 0.5 * np.log(LEVEL_SDS[1] / LEVEL_SDS[0])
        edges = np.r_[np.log(LEVEL_SDS[0]) - half, np.log(LEVEL_SDS) + half]
        low, middle, high = np.exp(np.interp([(1 - level) / 2, 0.5, (1 + level) / 2], np.r_[0, chance], edges))
        return float(middle), float(low), float(high)

    def told_of_route(self, group: int, place: int) -> tuple[float, float]:
        """Return what burns alone say of a route slope: its value and variance, with its prior taken out again."""
        weights, nodes, at = self.weights(group), self.nodes(group), ROUTE.start + place
        slope = weights @ nodes.mean[:, at]
        variance = weights @ (nodes.covariance[:, at, at] + (nodes.mean[:, at] - slope) ** 2)
        told = 1 / max(1 / variance - 1 / np.linalg.inv(ROUTE_PRECISION)[place, place], 1e-6)
        return float(slope * told / variance), float(told)


def normed(log_weights: np.ndarray) -> np.ndarray:
    """Return weights that sum to 1 from their logarithms."""
    weights = np.exp(log_weights - log_weights.max())
    return weights / weights.sum()


def _log_sum(logs, axis):
    top = logs.max(axis=axis, keepdims=True)
    return np.log(np.exp(logs - top).sum(axis=axis)) + np.squeeze(top, axis)


def _log_normal(values, middle, sd) -> np.ndarray:
    """Return log chances of values on a grid even in the logarithm."""
    logs = -0.5 * (np.log(values / middle) / sd) ** 2
    return logs - _log_sum(logs, 0)


def of_density(wood: str) -> str:
    """Say that a wood's boards are taken to differ more from the start, and on what ground; mostly nothing."""
    if wood not in DENSITY_CV:
        return ""
    return (f"The density of {wood} is published to vary by {100 * DENSITY_CV[wood]:.0f} % within the wood, where a tenth is usual "
            "(Global Wood Density Database, a model's estimate): until your boards tell, they are taken to differ more than others.")


@cache
def _of_wood(wood: str | None) -> np.ndarray:
    """Return the log chance of a wood's spread given the shop's middle and width: middle × width × spread."""
    wider = max(DENSITY_CV.get(wood, 0) / BOARD[0], 1) ** 0.5
    return np.array([[_log_normal(LEVEL_SDS, middle * wider, width) for width in (ALIKE, DIFFERENT)] for middle in LEVEL_SDS])


# What is thought of (middle, width, slope, swatch) before anything was burned.
_SHARED = (_log_normal(LEVEL_SDS, *BOARD)[:, None, None, None] + np.full(2, np.log(0.5))[:, None, None]
           + _log_normal(SLOPE_SDS, *SLOPE)[:, None] + _log_normal(SWATCH_SDS, *SWATCH))


PRIOR = normed(_log_sum(_SHARED[:, :, None] + _of_wood(None)[:, :, :, None, None], (0, 1)).ravel())


def _given_shop(log_likelihood, wood: str) -> np.ndarray:
    """Return middle × width × slope × swatch: the likelihood with the wood's own spread summed out."""
    return _log_sum(_of_wood(wood)[:, :, :, None, None] + log_likelihood, 2)


def place(curves: CurveFit, group: int, dose) -> np.ndarray:
    """Return t: log2 of the dose about the middle of the burned ones, in half ranges of one doubling at least."""
    s = curves.swatches
    own = np.log2(s.regressor[s.group_of == group])
    middle, half = (own.max() + own.min()) / 2, max((own.max() - own.min()) / 2, 1.0)
    return np.clip((np.log2(np.maximum(dose, 1e-9)) - middle) / half, -1.5, 1.5)


def log_rows(curves: CurveFit, group: int, dose, route) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return depth, depth kept off zero, and the derivatives of its logarithm by the eight errors.

    Below a tenth of the deepest swatch both fit and prediction take scatter as if it stood there.
    """
    dose = np.atleast_1d(np.asarray(dose, float))
    depth, slopes = depth_and_slopes(dose / curves.unit[group], curves.coefficients[group])
    slopes *= curves.live[group]
    floored = np.maximum(depth, curves.faintest_mm[group])
    route = np.broadcast_to(route, (len(dose), 3))
    return depth, floored, np.column_stack([slopes / floored[:, None], route, np.ones(len(dose)),
                                            place(curves, group, dose)])


def within(curves: CurveFit, depth_mm, count, gauge_step_mm) -> np.ndarray:
    """Return the relative variance of a mean of readings about its swatch."""
    _, _, reading, gauge = curves.components.variances
    return (reading + (gauge + gauge_step_mm**2 / 12.0) / depth_mm**2) / count


def own_swatches(curves: CurveFit, group: int):
    """Return what one group's swatches are in the algebra: rows, within variances, response, board starts."""
    s = curves.swatches
    first = s.swatch_start[group]
    own = slice(first, s.swatch_start[group + 1] if group + 1 < len(s.swatch_start) else len(s.count))
    boards = s.board_start[s.group_of_board == group] - first
    route = curves.route_of(s.route[own], group)
    _, floored, rows = log_rows(curves, group, s.regressor[own], route)
    noise = within(curves, floored, s.count[own], s.gauge_step_mm[own])
    response = curves.residual[own] + route @ curves.route_slopes[group]
    return rows, noise, response[:, None], boards


def solved(curves: CurveFit, group: int) -> Nodes:
    """Return one group at every node."""
    rows, noise, response, boards = own_swatches(curves, group)
    nodes = at_nodes(rows, noise, response, boards)
    mean = nodes.mean
    bend = np.clip(mean[:, 2], *(np.array(BEND_RANGE) - curves.coefficients[group, 2]))
    # Where the bend is held in its range, the others are those that go with the bend it has.
    beyond = (mean[:, 2] - bend) / nodes.covariance[:, 2, 2]
    mean -= nodes.covariance[:, :, 2] * beyond[:, None]
    return nodes


def at_nodes(rows, noise, responses, boards) -> Nodes:
    """Solve generalised least squares at every node; several responses add up their squares."""
    columns = np.column_stack([rows[:, 6:8], rows[:, :6], responses])
    d = 1.0 / (noise + SWATCH_SDS[:, None] ** 2)
    products = columns[:, :, None] * columns[:, None, :]
    moments = np.add.reduceat(d[:, :, None, None] * products, boards, axis=1)
    inner, log_det = _boards_inner(moments[:, :, :2, :2])
    across = moments[:, :, :2, 2:]
    # nodes as level × slope × swatch; of the boards' part only what is summed over boards is kept
    gone = np.einsum("lswbik,wbij,wbkn->lswjn", inner, across, across, optimize=True)
    normal = (moments[:, :, 2:, 2:].sum(axis=1) - gone).reshape(len(NODES), *gone.shape[3:])
    x, right = normal[:, :6, :6].copy(), normal[:, :6, 6:]
    x[:, 3:, 3:] += ROUTE_PRECISION
    pinned = np.abs(rows[:, :3]).max(axis=0) == 0
    x[:, np.flatnonzero(pinned), np.flatnonzero(pinned)] += 1.0
    covariance = np.linalg.inv(x)
    solution = covariance @ right
    squares = np.einsum("nii->n", normal[:, 6:, 6:]) - np.einsum("nik,nik->n", right, solution)
    log_likelihood = 0.5 * (np.broadcast_to(np.log(d).sum(axis=1) - log_det, SHAPE).ravel()
                            - np.linalg.slogdet(x)[1] - squares)
    live = ~np.r_[pinned, np.zeros(3, bool)]
    covariance = covariance * np.outer(live, live) + 1e-12 * np.diag(~live)
    return Nodes(log_likelihood, solution.sum(axis=2), covariance, inner, moments)


def _boards_inner(m) -> tuple[np.ndarray, np.ndarray]:
    """Return (G⁻¹ + Z'dZ)⁻¹ of each board at each node, and Σ log |I + G Z'dZ| over boards, written out for 2 × 2."""
    level, slope = LEVEL_SDS[:, None, None, None] ** 2, SLOPE_SDS[:, None, None] ** 2
    a, b, c = 1 / level + m[..., 0, 0], m[..., 0, 1], 1 / slope + m[..., 1, 1]
    a, b, c = np.broadcast_arrays(a, b, c)
    determinant = a * c - b * b
    inner = np.stack([np.stack([c, -b], -1), np.stack([-b, a], -1)], -2) / determinant[..., None, None]
    return inner, np.log(determinant * level * slope).sum(axis=-1)
