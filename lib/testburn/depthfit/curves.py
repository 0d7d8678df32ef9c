"""Curves: the mean curve of every group, and the components of scatter, found together.

The form. Depth follows, on the average board of a species under one module,

    depth = a + b · φ(x),    φ(x) = (1 - exp(-k x)) / k

x is the energy, k the bend. With k = 0, φ(x) is x and the curve is the plain straight line that
depth follows first of all; a negative a shows a threshold, energy spent before anything is dug.
With k > 0 deeper burns gain less and less, because light reaches the floor of a deep recess badly
and smoke takes its part; the depth would level off at a + b / k. With k < 0 they gain more.
Why this form and not a quadratic: its slope is b · exp(-k x), which has the sign of b everywhere, so
more energy never predicts less depth, within the burned range or beyond it. It contains the straight
line, so asking whether the line bends is asking whether k is 0, and it passes through the straight
line smoothly, so that fitting does not stumble there.

Decides the mean curve of every species × module and how sure it is. Readings scatter by a share of
the depth, so swatches are divided by their fitted depth, and curve and components are found in
turns: generalised least squares at the present components, one move of the components
(`components.scored`), division by the new fitted depth, until nothing moves (iteratively reweighted
least squares, NIST/SEMATECH e-Handbook 4.4.5.2).

It is done twice. First with a quadratic in every group, for a test: an F test of the quadratic term,
with degrees of freedom after Satterthwaite, says in which groups the readings ask for a curve.
Then with a straight line, or in those groups the bent line. Swatches on one board lean
the same way and the test knows it, because the components stand in its covariance.

Swatches whose mean is not above one gauge step are left out: "no mark" says where the curve ends, not
how it runs. Depths below a tenth of the group's deepest swatch are weighted as if they stood there:
near "no mark" a small error in mm is a large share of the depth, and a few faint swatches would set
the swatch component for all.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import special

from testburn.depthfit import components as scatter, reml, swatches as reduction
from testburn.depthfit.components import Components, PRIORS
from testburn.depthfit.swatches import Swatches

BEND_RANGE = (-1.0, 4.0)        # for energy divided by the group's mean energy
FAINTEST_WEIGHT = 0.10         # share of the group's deepest swatch
_LEAST_MOVE = 1e-3              # relative move of a component that ends the rounds
_MOST_ROUNDS = 60
_LARGE = 10_000                 # swatches above twice this start from the components of a part
_NEARLY_STRAIGHT = 1e-3
_MOST_CHOICES = 4              # of which swatches left a mark


@dataclass(frozen=True, eq=False)
class CurveFit:
    """The curves of all groups with the components of scatter.

    Attributes
    ----------
    swatches : Swatches
        Those used.
    unit : (groups,) array
        Mean energy of the group. Coefficients are for x = energy / unit.
    coefficients : (groups, 3) array
        a, b and bend of `curve.depth_and_slopes`.
    shares : (groups, 5, 3, 3) array
        Covariance of the coefficients per unit of each component; the fifth is the gauge's rounding.
    components : Components
    curvature : DataFrame
        A row per group: F, df, p of the curvature test, and whether the curve is bent.
    residual : (swatches,) array
        (swatch mean - fitted depth) / weight depth.
    weight_depth_mm : (swatches,) array
        Fitted depth, never below a tenth of the group's deepest swatch.
    rounds : (int, int)
        Rounds that the test and the fit took.
    route_middle, route_slopes : (groups, 3) arrays
        The route (log2 of power, pitch, passes) that the curve is of, and the share of depth a doubling off it.
    """

    swatches: Swatches
    unit: np.ndarray
    coefficients: np.ndarray
    shares: np.ndarray
    components: Components
    curvature: pd.DataFrame
    residual: np.ndarray
    weight_depth_mm: np.ndarray
    rounds: tuple[int, int]
    route_middle: np.ndarray
    route_slopes: np.ndarray

    @cached_property
    def faintest_mm(self) -> np.ndarray:
        """The depth of each group below which scatter is taken as if it stood there."""
        return _faintest(self.swatches)

    @cached_property
    def live(self) -> np.ndarray:
        """Which of (a, b, bend) each group carries: a slope needs two energies (groups × 3)."""
        x, starts = self.swatches.regressor, self.swatches.swatch_start
        low, high = np.minimum.reduceat(x, starts), np.maximum.reduceat(x, starts)
        return np.column_stack([np.ones(len(low), bool), high - low > 1e-9 * high, self.curvature["bent"]])

    def route_of(self, route, group: int) -> np.ndarray:
        """Return routes (log2 of power, pitch and passes) about the group's middle one."""
        return np.asarray(route, float) - self.route_middle[group]

    def group_index(self, *key) -> int:
        """Return the number of the group whose keys begin with these.

        Raises
        ------
        LookupError
            If no swatch of it was used.
        """
        keys = self.swatches.group_keys
        same = np.logical_and.reduce([keys.iloc[:, i] == part for i, part in enumerate(key)])
        if not same.any():
            raise LookupError(f"No swatch with a mark was burned for {', '.join(map(str, key))}. "
                              "Burn a board of it, or ask for a group that was burned.")
        return int(np.flatnonzero(same)[0])


@dataclass(frozen=True, eq=False)
class _Solved:
    coefficients: np.ndarray
    variances: np.ndarray
    step: reml.Step
    rounds: int
    route_slopes: np.ndarray


def fitted(swatches: Swatches, priors=PRIORS, alpha: float = 0.05) -> CurveFit:
    """Fit all groups.

    Parameters
    ----------
    swatches : Swatches
    priors : mapping of component to (sd, weight), see `components.PRIORS`
    alpha : float
        A group's curve is bent where the curvature test's p is below it.

    Raises
    ------
    ValueError
        If no swatch left a mark.
    """
    marked = swatches.mean_mm > swatches.gauge_step_mm
    if not marked.any():
        raise ValueError(f"None of the {len(marked)} swatches is deeper than one gauge step, so there "
                         "is no curve to fit. Burn slower, or with more power.")
    for _ in range(_MOST_CHOICES):
        used = swatches if marked.all() else reduction.kept(swatches, marked)
        found = _fitted(used, priors, alpha)
        before, marked = marked, _marked(swatches, found, marked)
        if (marked == before).all():
            break
    return found


def _fitted(used, priors, alpha) -> CurveFit:
    """Fit all groups to all these swatches."""
    prior = scatter.prior_variances(priors)
    if len(used.count) > 2 * _LARGE and len(used.group_start) > 3:
        some, tested = _fit(reduction.some_groups(used, _LARGE), priors, alpha, prior, None, 0)
        return _fit(used, priors, alpha, tested, some.components.variances, 2)[0]
    return _fit(used, priors, alpha, prior, None, 0)[0]


def _marked(swatches, found: CurveFit, before) -> np.ndarray:
    """Return which swatches the curve expects above two sds of the noise of their mean.

    Judged by their own reading, the luckily deep ones alone would stay and bend the curve up. A swatch well
    above its step is never taken out: the curve may be wrong there.
    """
    s, known = swatches, found.swatches
    noise = np.sqrt((found.components.variances[3] + s.gauge_step_mm**2 / 12) / s.count)
    faint = s.mean_mm < 4 * noise + s.gauge_step_mm
    if not faint.any():
        return before
    keys = pd.MultiIndex.from_frame(known.group_keys).get_indexer(pd.MultiIndex.from_frame(s.group_keys))
    group = s.of_group(keys)
    judged = faint & (group >= 0)
    at = group[judged]
    expected = depth_and_slopes(s.regressor[judged] / found.unit[at], found.coefficients[at])[0]
    marked = before.copy()
    # No mark at all where a plain one is expected is no faint mark but something gone wrong: it stays out.
    marked[judged] = (expected > 2 * noise[judged]) & (before[judged] | (expected < 6 * noise[judged]))
    gone = np.setdiff1d(at, s.of_group(keys)[marked])       # a group is not lost over this
    return np.where(np.isin(group, gone), before, marked)


# Below, s are the swatches, x their energy / unit, p the number of coefficients, and `at` holds the
# coefficients of each swatch's group.


def _fit(s, priors, alpha, test_start, fit_start, light) -> tuple[CurveFit, np.ndarray]:
    """Test and fit from these variances; also return the variances that the test ended at.

    Without `fit_start` the fit starts where the test ended. The first `light` rounds of each move
    the curves alone; the test then stops after one move of the components.
    """
    unit = s.by_group(s.regressor) / s.by_group(np.ones_like(s.regressor))
    x = s.regressor / s.of_group(unit)
    line = _start_line(s, x)
    quadratic = _solve(s, x, line, test_start, priors, None, light, light + 1 if light else _MOST_ROUNDS)
    curvature = _curvature(quadratic, priors, alpha)
    is_bent = curvature["bent"].to_numpy()
    start = _start_bend(line, quadratic.coefficients, is_bent)
    if fit_start is None:
        fit_start = quadratic.variances
    solved = _solve(s, x, start, fit_start, priors, is_bent, light)
    curve = 3 if is_bent.any() else 2
    shares = solved.step.shares[:, :, :curve, :curve]
    missing = 3 - curve
    shares = np.pad(shares, ((0, 0), (0, 0), (0, missing), (0, missing)))
    depth, _ = _depth_and_rows(x, [s.of_group(c) for c in solved.coefficients.T], is_bent.any())
    weight_depth = _weight_depth(s, depth)
    middle, route = _centred(s)
    slopes = solved.route_slopes if route is not None else np.zeros((len(unit), 3))
    off = 0.0 if route is None else (route * s.of_group(slopes)).sum(axis=1)
    return CurveFit(s, unit, solved.coefficients, shares,
                    scatter.finished(solved.variances, solved.step, priors), curvature,
                    (s.mean_mm - depth) / weight_depth - off, weight_depth,
                    (quadratic.rounds, solved.rounds), middle, slopes), quadratic.variances


def _solve(s, x, coefficients, variances, priors, is_bent, light, most=_MOST_ROUNDS) -> _Solved:
    """Iterate curves and components; `is_bent` None asks for a quadratic in every group."""
    coefficients = coefficients.copy()
    p = 3 if is_bent is None or is_bent.any() else 2
    pinned, (_, route) = _pinned(s, x, p, is_bent), _centred(s)
    precision = None
    if route is not None:
        pinned, precision = np.pad(pinned, ((0, 0), (0, 3))), np.pad(scatter.ROUTE_PRECISION, (p, 0))
    for rounds in range(1, most + 1):
        at = [s.of_group(column) for column in coefficients.T[:p]]
        depth, rows = _quadratic(x, at) if is_bent is None else _depth_and_rows(x, at, p == 3)
        data = _divided(s, depth, at, rows, pinned, route, precision)
        step = reml.step(variances, data, only_curve=rounds <= light)
        new = _allowed(step, coefficients, pinned, is_bent, p)
        moves = (new - coefficients[:, :p]).T
        gap = sum(row * s.of_group(move) for row, move in zip(data.rows, moves))
        coefficients[:, :p] = new
        if rounds > light:
            before, variances = variances, scatter.scored(variances, step, priors)
            move = np.max(np.abs(variances - before) / before)
            if gap @ gap < (0.1 * _LEAST_MOVE) ** 2 * len(gap) and move < _LEAST_MOVE:
                break
    return _Solved(coefficients, variances, step, rounds, step.coefficients[:, p:])


def _divided(s, depth, at, rows, pinned, route, precision) -> reml.Divided:
    """Linearise about the present curve and divide by it.

    The response is what is left, plus what the coefficients explain now. Rows of pinned
    coefficients are zero.
    """
    divisor = _weight_depth(s, depth)
    inverse = 1.0 / divisor
    response = s.mean_mm - depth
    for coefficient, row in zip(at, rows):
        response += coefficient * row
    rows = [row * inverse for row in rows]
    for place in np.flatnonzero(pinned.any(axis=0)):
        rows[place] *= s.of_group(pinned[:, place] == 0)
    # Route slopes are shares of the depth already.
    rows += [] if route is None else list(np.ascontiguousarray(route.T))
    return reml.Divided(s, divisor, response * inverse, rows, pinned, precision)


def _centred(s):
    """Return each group's middle route, and every swatch's about it; None where no route differs in a group."""
    middle = np.column_stack([s.by_group(column) for column in s.route.T])
    middle /= s.by_group(np.ones(len(s.count)))[:, None]
    route = s.route - s.of_group(middle)
    return middle, route if np.abs(route).max() > 1e-9 else None


def _allowed(step, old, pinned, is_bent, p) -> np.ndarray:
    """Return the new coefficients, the bend within its range and moved by 1 at most.

    Where the bend is held back, the others are those that go with the bend it was given: left at
    what goes with the bend that was asked for, the slope would turn negative.
    """
    new = np.where(pinned > 0, 0.0, step.coefficients)[:, :p]
    if is_bent is not None and p == 3:
        bend = np.clip(new[:, 2], np.maximum(old[:, 2] - 1, BEND_RANGE[0]),
                       np.minimum(old[:, 2] + 1, BEND_RANGE[1]))
        spread = np.where(is_bent, step.covariance[:, 2, 2], 1.0)
        new -= step.covariance[:, :3, 2] * ((new[:, 2] - bend) / spread)[:, None]
        new[:, 2] = bend
    return new


def _quadratic(x, at):
    rows = [np.ones_like(x), x, x * x]
    return sum(c * row for c, row in zip(at, rows)), rows


def _depth_and_rows(x, at, with_bend):
    """Return the depth and its derivatives, one array per coefficient."""
    if not with_bend:
        return at[0] + at[1] * x, [np.ones_like(x), x]
    value, by_bend = bent(x, at[2])
    return at[0] + at[1] * value, [np.ones_like(x), value, at[1] * by_bend]


def _weight_depth(s, depth) -> np.ndarray:
    return np.maximum(depth, s.of_group(_faintest(s)))


def _faintest(s) -> np.ndarray:
    return np.maximum(FAINTEST_WEIGHT * np.maximum.reduceat(s.mean_mm, s.swatch_start), 1e-6)


def _start_line(s, x) -> np.ndarray:
    """Return a weighted straight line of each group, with no bend, to start from."""
    deepest = s.of_group(np.maximum.reduceat(s.mean_mm, s.swatch_start))
    w = 1.0 / np.maximum(s.mean_mm, FAINTEST_WEIGHT * deepest + 1e-9) ** 2
    sw, sx, sy, sxx, sxy = (s.by_group(w * v) for v in (1, x, s.mean_mm, x * x, x * s.mean_mm))
    determinant = sw * sxx - sx * sx
    several = determinant > 1e-12 * sw * sxx                # more than one energy
    slope = np.where(several, (sw * sxy - sx * sy) / np.where(several, determinant, 1.0), 0.0)
    return np.column_stack([(sy - slope * sx) / sw, slope, np.zeros_like(slope)])


def _start_bend(line, quadratic, is_bent) -> np.ndarray:
    """Return bent lines with the quadratic's depth, slope and curvature at x = 1, where asked for."""
    slope = quadratic[:, 1] + 2 * quadratic[:, 2]
    bend = np.clip(-2 * quadratic[:, 2] / np.where(slope > 0, slope, 1.0),
                   0.5 * BEND_RANGE[0], 0.5 * BEND_RANGE[1])
    bend = np.where(is_bent, bend, 0.0)
    b = np.where(is_bent, slope * np.exp(bend), line[:, 1])
    a = np.where(is_bent, quadratic.sum(1) - b * bent(np.ones_like(bend), bend)[0], line[:, 0])
    return np.column_stack([a, b, bend])


def _pinned(s, x, p, is_bent) -> np.ndarray:
    """Mark (1) what a group cannot carry.

    A slope needs two energies, a curvature one well between two others.
    """
    low, high = np.minimum.reduceat(x, s.swatch_start), np.maximum.reduceat(x, s.swatch_start)
    flat = high - low <= 1e-9 * high
    pinned = np.zeros((len(low), p))
    pinned[:, 1] = flat
    if p == 3:
        place = (x - s.of_group(low)) / s.of_group(np.where(flat, 1.0, high - low))
        pinned[:, 2] = s.by_group(place * (1 - place)) < 0.1 if is_bent is None else ~is_bent
    return pinned


def _curvature(quadratic, priors, alpha) -> pd.DataFrame:
    """F test of the quadratic term in each group, one row each."""
    step, term = quadratic.step, quadratic.coefficients[:, 2]
    variance = step.covariance[:, 2, 2]
    shares = step.shares[:, :4, 2, 2]
    covariance = scatter.finished(quadratic.variances, step, priors).covariance
    spread = np.einsum("gi,ij,gj->g", shares, covariance, shares)
    df = np.maximum(2 * variance**2 / np.where(spread > 0, spread, np.inf), 1.0)
    f = np.where(term != 0, term**2 / np.where(variance > 0, variance, 1.0), 0.0)
    p = special.fdtrc(1.0, df, f)
    return pd.DataFrame({"F": f, "df": df, "p": p, "bent": (p < alpha) & (term != 0)})


def bent(x: np.ndarray, bend: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the bent energy φ(x) and its derivative by the bend.

    Near k = 0 both are differences of nearly equal numbers, so their series are used there.
    """
    u = bend * x
    straight = np.abs(u) < _NEARLY_STRAIGHT
    safe = np.where(straight, 1.0, u)
    left = np.exp(-safe)
    value = np.where(straight, x * (1 - u / 2 + u * u / 6), x * (1 - left) / safe)
    by_bend = np.where(straight, x * x * (-0.5 + u / 3 - u * u / 8),
                       x * x * (safe * left - (1 - left)) / safe**2)
    return value, by_bend


def depth_and_slopes(x: np.ndarray, coefficients: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the depth at x, and its derivatives by (a, b, k) along a last axis.

    Parameters
    ----------
    x : array
    coefficients : (..., 3) array
        a, b and k; broadcasts against x.
    """
    a, b, bend = coefficients[..., 0], coefficients[..., 1], coefficients[..., 2]
    value, by_bend = bent(x, bend)
    return a + b * value, np.stack([np.ones_like(value), value, b * by_bend], -1)
