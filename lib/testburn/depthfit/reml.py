"""One step of the estimator: the curves at given variances, and how to mend the variances.

Decides nothing about wood; it is the algebra of generalised least squares for swatches on boards.
Divided by the fitted depth f, the mean of the n readings of a swatch is

    z = x'β + B + S + R,    var B = board, var S = swatch,
    var R = within / n,     within = reading + (gauge + step² / 12) / f²

where board, swatch and reading are relative variances, gauge is in mm², and step² / 12 is the
known variance of rounding to the gauge's step: half the step over √3, squared (JCGM 100:2008,
GUM, 4.3.7 and F.2.2.1). With D the diagonal of the swatches' own variances, a board's covariance
matrix is V = D + board · 11'. Its inverse needs no matrix: V⁻¹ = D⁻¹ - κ dd', d = 1/diagonal,
κ = board / (1 + board Σd) (Sherman & Morrison 1950).

Restricted maximum likelihood (REML) asks for the variances whose residual scatter equals what they
predict. With C = (X'V⁻¹X)⁻¹, U = V⁻¹X, P = V⁻¹ - U C U' and Vₖ = ∂V/∂θₖ:

    score of θₖ             ½ (z'P Vₖ P z - tr P Vₖ)
    expected information    ½ tr(P Vₐ P V_b)

and the covariance C of the curve splits into C = Σ θₖ Sₖ + S₀ with Sₖ = C U'VₖU C. These shares
are what later gives every prediction its degrees of freedom. The scatter within swatches is
independent of the means and adds its own chi-squared terms for reading and gauge.

Source: Searle, Casella & McCulloch, Variance Components (1992), chapter 6 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from testburn.depthfit.swatches import Swatches


@dataclass(frozen=True, eq=False)
class Divided:
    """Swatches on the scale divided by a depth: what one step works on.

    `response` and `rows` (one array per coefficient) are divided already; `pinned`
    (groups × coefficients) is 1 where a group cannot carry a coefficient, whose row is zero there.
    `precision` (coefficients × coefficients) is the inverse covariance of random ones; zero for the others.
    """

    swatches: Swatches
    depth_mm: np.ndarray
    response: np.ndarray
    rows: Sequence[np.ndarray]
    pinned: np.ndarray | None = None
    precision: np.ndarray | None = None

    @cached_property
    def inverse_square(self) -> np.ndarray:
        inverse = 1.0 / self.depth_mm
        return inverse * inverse


@dataclass(frozen=True, eq=False)
class Step:
    """Coefficients (groups × p) with covariance, and score and information of the variances.

    `shares` (groups × 5 × p × p): the covariance is the sum of the four variances times their
    shares, plus the fifth share, which is the gauge's rounding.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    score: np.ndarray | None = None
    information: np.ndarray | None = None
    shares: np.ndarray | None = None


@dataclass(frozen=True, eq=False)
class _Weights:
    """What V⁻¹ needs: `d` per swatch; `total` = Σd, `damping` = 1/(1 + board Σd), κ per board."""

    within: np.ndarray
    d: np.ndarray
    total: np.ndarray
    damping: np.ndarray
    kappa: np.ndarray


def step(variances: np.ndarray, data: Divided, only_curve: bool = False) -> Step:
    """Fit the curves at these variances; tell how the variances should move.

    Parameters
    ----------
    variances : (4,) array
        board, swatch, reading (relative), gauge (mm²).
    only_curve : bool
        Leave out score, information and shares.
    """
    weights = _weights(variances, data)
    coefficients, covariance, u, e = _least_squares(weights, data)
    if only_curve:
        return Step(coefficients, covariance)
    score, information, shares = _from_means(weights, data, u, e, covariance)
    inner_score, inner_information = _from_within(weights, data)
    score[2:] += inner_score
    information[2:, 2:] += inner_information
    if data.pinned is not None:
        live = data.pinned == 0
        covariance = covariance * live[:, :, None] * live[:, None, :]
    known = covariance - np.einsum("k,kgij->gij", variances, shares)
    shares = np.concatenate([shares, known[None]]).swapaxes(0, 1)
    return Step(coefficients, covariance, score, information, shares)


# Below, s are the swatches, p the number of coefficients, and u, e, d, κ those of the module's text:
# u has a row per coefficient, e = Pz.


def _weights(variances, data) -> _Weights:
    s = data.swatches
    board, swatch, reading, gauge = variances
    within = reading + data.inverse_square * (gauge + s.gauge_step_mm**2 / 12.0)
    d = 1.0 / (within / s.count + swatch)
    total = s.by_board(d)
    damping = 1.0 / (1.0 + board * total)
    return _Weights(within, d, total, damping, board * damping)


def _least_squares(weights, data):
    """Return coefficients, their covariance C, U = V⁻¹X as p rows, and e = Pz."""
    s, p = data.swatches, len(data.rows)
    columns = [*data.rows, data.response]
    solved = []                                             # V⁻¹ times each column
    for column in columns:
        weighted = weights.d * column
        solved.append(weighted - weights.d * s.of_board(weights.kappa * s.by_board(weighted)))
    products = np.empty((len(s.group_start), p, p + 1))
    for i in range(p):
        for j in range(i, p + 1):
            products[:, i, j] = s.by_group(columns[i] * solved[j])
            if j < p:
                products[:, j, i] = products[:, i, j]
    normal = products[:, :, :p]
    if data.pinned is not None:
        normal[:, np.arange(p), np.arange(p)] += data.pinned
    if data.precision is not None:
        normal += data.precision
    covariance = np.linalg.inv(normal)
    coefficients = np.einsum("gij,gj->gi", covariance, products[:, :, p])
    e = solved[p]
    for i in range(p):
        e -= solved[i] * s.of_group(coefficients[:, i])
    return coefficients, covariance, np.array(solved[:p]), e


def _from_means(weights, data, u, e, covariance):
    """Return score, information and shares (4 × groups × p × p) that the swatch means give."""
    s = data.swatches
    # Diagonals of Vₖ for swatch, reading and gauge. The first is all ones and never multiplied.
    diagonals = (None, 1.0 / s.count, data.inverse_square / s.count)
    root = np.linalg.cholesky(covariance)[s.group_of_board]
    leverage = _leverage(u, covariance, s)
    sums = np.array([s.by_board(row) for row in u])         # U'1 of each board
    turned = _turned(sums, root)
    score = np.empty(4)
    score[0] = 0.5 * ((s.by_board(e) ** 2).sum() - weights.total @ weights.damping
                      + (turned**2).sum())
    pull = 0.5 * (e * e - weights.d + s.of_board(weights.kappa) * weights.d**2 + leverage)
    score[1:] = [_times(k, pull).sum() for k in diagonals]
    inner = np.array([_products(sums, s.group_start)]
                     + [_products(u, s.swatch_start, k) for k in diagonals])
    shares = covariance @ inner @ covariance
    information = _traces(weights, s, u, root, turned, leverage, diagonals)
    information += np.einsum("agij,bgji->ab", inner, shares)
    return score, 0.5 * information, shares


def _traces(weights, s, u, root, turned, leverage, diagonals) -> np.ndarray:
    """Return tr V⁻¹Vₐ V⁻¹V_b - 2 tr V⁻¹Vₐ U C U'V_b for all pairs of components.

    For the board it is a sum over boards; for two diagonals k and l it is, over swatches,
    Σ kl (d² - 2κd³ - 2d u'Cu), plus what two swatches of a board share, over boards,
    κ² Σkd² Σld² + 2κ (Σkd u)'C(Σld u).
    """
    d, damping, kappa = weights.d, weights.damping, weights.kappa
    d2 = d * d
    core = d2 - 2 * s.of_board(kappa) * d2 * d - 2 * d * leverage
    squares = [s.by_board(_times(k, d2)) for k in diagonals]
    crossed = [_turned(np.array([s.by_board(kd * row) for row in u]), root)
               for kd in (_times(k, d) for k in diagonals)]
    out = np.empty((4, 4))
    whole = weights.total * damping                         # 1'V⁻¹1 of each board
    out[0, 0] = whole @ whole - 2 * (whole @ (turned**2).sum(1))
    for a, k in enumerate(diagonals):
        out[0, a + 1] = squares[a] @ damping**2 - 2 * (damping @ (turned * crossed[a]).sum(1))
        core_k = _times(k, core)
        for b in range(a, 3):
            out[a + 1, b + 1] = (_times(diagonals[b], core_k).sum() + kappa**2 @ (squares[a] * squares[b])
                                 + 2 * (kappa @ (crossed[a] * crossed[b]).sum(1)))
    return np.triu(out) + np.triu(out, 1).T


def _from_within(weights, data) -> tuple[np.ndarray, np.ndarray]:
    """Return score and information of (reading, gauge) from the scatter within swatches.

    A sum of squares over its variance is chi-squared with n - 1 degrees of freedom.
    """
    free = data.swatches.count - 1.0
    within = np.where(weights.within > 0, weights.within, 1.0)      # zero: no reading part asked for
    ratio = data.swatches.squares_mm2 * data.inverse_square / within
    pull, weight = 0.5 * (ratio - free) / within, 0.5 * free / within**2
    f2 = data.inverse_square
    mixed = weight @ f2
    return (np.array([pull.sum(), pull @ f2]),
            np.array([[weight.sum(), mixed], [mixed, (weight * f2) @ f2]]))


def _times(diagonal, values):
    return values if diagonal is None else diagonal * values


def _products(rows, starts, diagonal=None) -> np.ndarray:
    """Sum rows' diagonal · rows over stretches: stretches × p × p."""
    p = len(rows)
    out = np.empty((len(starts), p, p))
    for i in range(p):
        left = _times(diagonal, rows[i])
        for j in range(i, p):
            out[:, i, j] = out[:, j, i] = np.add.reduceat(left * rows[j], starts)
    return out


def _leverage(u, covariance, s) -> np.ndarray:
    """Return u'Cu of each swatch."""
    out = np.zeros(u.shape[1])
    for i in range(len(u)):
        for j in range(i, len(u)):
            out += u[i] * u[j] * s.of_group((1 + (i < j)) * covariance[:, i, j])
    return out


def _turned(sums, root) -> np.ndarray:
    """Return board sums (p × boards) in coordinates where C is the identity, boards × p."""
    return np.einsum("ib,bik->bk", sums, root)
