"""Boards: what is known of one board, and the depth to expect on it.

Decides how deep a setting goes on the next board, on a board that was burned, or on a board with a
proof swatch, and how far off that may be; and when a proof is too odd to be believed: one as far off as
happens once in a hundred boards, if the components are right, is flagged and never corrected away. All three come from one small state: a mean and a
covariance of four errors, those of the group's three coefficients and the logarithm of the board's own
factor. The next board's factor is free: 1, give or take the board component. A burned board's factor
is the best linear prediction from its swatches (Robinson 1991, That BLUP is a good thing, Statistical
Science 6:15-32, from memory). A proof swatch moves a state by one Kalman step: the logarithm of
observed over predicted is believed by as much as the board may differ, set against what the swatch
and its readings may be off, and shrunk toward 0 by the rest.

A state keeps its covariance in five parts, per unit of each component and for the gauge's rounding.
The variance of a prediction is then a sum over components, v = Σ θₖ hₖ, and its degrees of freedom are
2 v² / (h' cov(θ) h) (Satterthwaite 1946, Biometrics Bulletin 2:110-114, from memory). Limits are t
limits on the relative scale.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from testburn.depthfit.curves import CurveFit, depth_and_slopes
from testburn.depthfit.group import GroupFit

# Below this share of the group's deepest swatch a curve counts as level, so that logarithms stay finite.
_FAINTEST = 0.01
_MOST_SHIFT = 3.0               # no board is more than exp(3) = 20 times as deep
_MOST_DF = 1e6
SURPRISE = 0.01


@dataclass(frozen=True, eq=False)
class BoardState:
    """What is known of one board of a group.

    Attributes
    ----------
    group : int
    mean : (4,) array
        Expected errors of a, b, bend, and the expected logarithm of the board's factor.
    parts : (5, 4, 4) array
        Their covariance per unit of board, swatch, reading and gauge variance; the fifth is rounding.
    proofs : int
        Proof swatches learned from.
    surprise_p : float
        Chance that the latest proof disagrees at least so much, if the components hold; NaN before.
    """

    group: int
    mean: np.ndarray
    parts: np.ndarray
    proofs: int = 0
    surprise_p: float = np.nan


@dataclass(frozen=True, eq=False)
class Predictive:
    """The depth expected at each energy, and how it scatters.

    `relative_sd` is a share of `scale_mm`, which is the depth itself but for places where next to no
    mark is expected. `shares` (energies × 5) holds what each component's variance, and the rounding,
    is multiplied by.
    """

    depth_mm: np.ndarray
    scale_mm: np.ndarray
    relative_sd: np.ndarray
    df: np.ndarray
    shares: np.ndarray

    @property
    def sd_mm(self) -> np.ndarray:
        """The scatter in mm."""
        return self.scale_mm * self.relative_sd

    def limits(self, level: float) -> tuple[np.ndarray, np.ndarray]:
        """Return lower and upper limit in mm; a lower limit of 0 means "maybe no mark"."""
        half = special.stdtrit(self.df, (1 + level) / 2) * self.sd_mm
        return np.maximum(self.depth_mm - half, 0.0), self.depth_mm + half

    def chance_inside(self, at_least_mm, at_most_mm) -> np.ndarray:
        """Return the chance that the depth lies in the window, from the limits' own distribution."""
        above, below = (special.stdtr(self.df, (edge - self.depth_mm) / self.sd_mm)
                        for edge in (at_most_mm, at_least_mm))
        return above - below


def next_board(curves: CurveFit, group: int) -> BoardState:
    """Return what is known of a board not seen yet: the curve, and how boards differ."""
    parts = np.zeros((5, 4, 4))
    parts[:, :3, :3] = curves.shares[group]
    parts[0, 3, 3] = 1.0
    return BoardState(group, np.zeros(4), parts)


def burned_board(curves: CurveFit, group: int, board) -> BoardState:
    """Return what is known of a board that is in the fit.

    Its factor is predicted as w'r from the relative residuals r of its swatches, w = board · V⁻¹1.
    The curve was fitted to the same swatches, so the errors of both go together.

    Raises
    ------
    LookupError
        If no swatch of that board was used.
    """
    s, variances, shares = curves.swatches, curves.components.variances, curves.shares[group]
    boards = np.flatnonzero((s.group_of_board == group) & (s.boards == board))
    if not len(boards):
        known = ", ".join(map(str, s.boards[s.group_of_board == group]))
        raise LookupError(f"Board {board} has no swatch with a mark in this fit. Fitted are: {known}. "
                          "Ask for one of these, or for the next board.")
    own = np.flatnonzero(s.board_of == boards[0])
    depth, count = curves.weight_depth_mm[own], s.count[own]
    rows = _slopes(curves, group, s.regressor[own])[1] / depth[:, None]
    noise = _noise(depth, count, s.gauge_step_mm[own])
    inverse = np.linalg.inv(variances[0] + np.diag(np.r_[variances, 1.0] @ noise))
    weight = variances[0] * inverse.sum(1)
    covariance = np.einsum("k,kij->ij", np.r_[variances, 1.0], shares)
    lean = weight @ rows                    # how an error of the curve moves the factor
    parts = np.zeros((5, 4, 4))
    for k, share in enumerate(shares):
        # Of component k: its product with w, and its part of the variance of w'r less the factor.
        product, alone = noise[k] * weight, (weight * weight) @ noise[k]
        if k == 0:
            product, alone = np.full(len(own), weight.sum() - 1.0), (weight.sum() - 1.0) ** 2
        across = covariance @ (rows.T @ (inverse @ product))
        parts[k, :3, :3] = share
        parts[k, :3, 3] = parts[k, 3, :3] = across - share @ lean
        parts[k, 3, 3] = alone - 2 * lean @ across + lean @ share @ lean
    factor = weight @ np.log1p(np.maximum(curves.residual[own], -0.9))
    return BoardState(group, np.r_[np.zeros(3), factor], parts)


def proved(curves: CurveFit, state: BoardState, x, mean_mm, count, gauge_step_mm=0.01) -> BoardState:
    """Learn the board from proof swatches on it.

    All at once and one after another differ by next to nothing: only the gauge's share of the noise
    is taken at the depth expected so far.

    Parameters
    ----------
    x, mean_mm, count : (m,) arrays or floats
        Regressor, mean depth and number of readings of each proof swatch.
    gauge_step_mm : float

    Returns
    -------
    BoardState
        Its `surprise_p` is small where the proofs disagree by more than the components allow
        (F test of the disagreement).
    """
    x, mean_mm = np.atleast_1d(x).astype(float), np.atleast_1d(mean_mm).astype(float)
    count = np.broadcast_to(np.asarray(count, float), x.shape)
    variances = np.r_[curves.components.variances, 1.0]
    _, floored, h = _log_rows(curves, state.group, x)
    gap = np.log(np.maximum(mean_mm, gauge_step_mm) / floored) - h @ state.mean
    here = floored * np.exp(np.minimum(h @ state.mean, 1.0))
    noise = _noise(here, count, gauge_step_mm)
    covariance = np.einsum("k,kij->ij", variances, state.parts)
    total = h @ covariance @ h.T + np.diag(variances @ noise)
    gain = np.linalg.solve(total, h @ covariance).T
    keep = np.eye(4) - gain @ h
    parts = np.array([keep @ part @ keep.T + gain @ (own[:, None] * gain.T)
                      for part, own in zip(state.parts, noise)])
    return BoardState(state.group, state.mean + gain @ gap, parts, state.proofs + len(gap),
                      np.fmin(state.surprise_p, _surprise(curves, state, h, noise, total, gap)))


def predictive(curves: CurveFit, state: BoardState, x, of: str = "reading",
               gauge_step_mm: float = 0.01) -> Predictive:
    """Predict the depth on this board.

    Parameters
    ----------
    x : float or (n,) array
        The regressor, in its own units.
    of : "reading", "swatch" or "mean"
        A reading of a new swatch, the true depth of a new swatch, or the board's own mean curve.
    gauge_step_mm : float
        Of the gauge that will read it; matters for a reading only.

    Raises
    ------
    ValueError
        If `of` is none of the three.
    """
    if of not in ("reading", "swatch", "mean"):
        raise ValueError(f"of={of!r} is unknown. Ask for a 'reading', a 'swatch' or the 'mean'.")
    depth, floored, h = _log_rows(curves, state.group, x)
    # The curve's errors are added, not multiplied: near no mark their share of the depth has no bound.
    curved = depth + floored * (h[:, :3] @ state.mean[:3])
    centre = np.maximum(curved, 0.0) * np.exp(np.clip(state.mean[3], -_MOST_SHIFT, _MOST_SHIFT))
    shares = np.einsum("ei,kij,ej->ek", h, state.parts, h)
    if of == "reading":
        shares += _noise(np.maximum(centre, floored), np.ones_like(centre), gauge_step_mm).T
    elif of == "swatch":
        shares[:, 1] += 1.0
    variance = shares @ np.r_[curves.components.variances, 1.0]
    spread = np.einsum("ei,ij,ej->e", shares[:, :4], curves.components.covariance, shares[:, :4])
    df = np.clip(2 * variance**2 / np.maximum(spread, 1e-300), 1.0, _MOST_DF)
    # Where the curve says next to no mark, the scatter stays that of the faintest mark: 0 ± 0 mm
    # would be certainty.
    scale = np.where(floored > depth, np.maximum(centre, floored), np.maximum(centre, 0.01 * floored))
    return Predictive(centre, scale, np.sqrt(variance), df, shares)


def _noise(depth_mm, count, gauge_step_mm) -> np.ndarray:
    """Relative variance of a swatch's mean about its board, per unit of each component: 5 × swatches.

    Rows: board (none: boards are common to their swatches), swatch, reading, gauge, rounding.
    """
    one = np.ones_like(depth_mm)
    gauge = 1.0 / count / depth_mm**2
    return np.array([0.0 * one, one, 1.0 / count, gauge, gauge_step_mm**2 / 12.0 * gauge])


def _slopes(curves, group, x):
    """Return the depth at x and its derivatives by the group's coefficients; 0 for a bend not fitted."""
    depth, slopes = depth_and_slopes(x / curves.unit[group], curves.coefficients[group])
    slopes[..., 2] *= curves.curvature["bent"].iloc[group]
    return depth, slopes


def _log_rows(curves, group, x):
    """Return depth, depth kept off zero, and the derivatives of its logarithm by the four errors."""
    s = curves.swatches
    depth, slopes = _slopes(curves, group, np.atleast_1d(np.asarray(x, float)))
    deepest = s.mean_mm[s.group_of == group].max()
    floored = np.maximum(depth, max(_FAINTEST * deepest, 1e-6))
    return depth, floored, np.hstack([slopes / floored[:, None], np.ones((len(depth), 1))])


def _surprise(curves, state, h, noise, total, gap) -> float:
    """Return the chance of a disagreement at least as large, by an F test of all proofs together.

    Its degrees of freedom are those of the variance of their weighted mean.
    """
    inverse = np.linalg.inv(total)
    statistic = gap @ inverse @ gap / len(gap)
    w = inverse.sum(1)
    shares = np.array([w @ (h @ part @ h.T + np.diag(own)) @ w
                       for part, own in zip(state.parts[:4], noise)])
    spread = shares @ curves.components.covariance @ shares
    df = max(2 * (w @ total @ w) ** 2 / max(spread, 1e-300), 1.0)
    return float(special.fdtrc(len(gap), df, statistic))


def deviations(groups: tuple[GroupFit, ...]) -> pd.DataFrame:
    """Return how far each burned board lies off its curve, in percent, with about 95 % limits.

    Returns
    -------
    DataFrame
        species, module_w, wavelength_nm, board, board_pct, lower_pct, upper_pct.
    """
    rows = []
    for group in groups:
        weights = np.append(group.curves.components.variances, 1.0)
        for board in sorted(set(group.readings["board"])):
            try:
                state = burned_board(group.curves, group.index, board)
            except LookupError:  # none of its swatches left a mark: nothing is known of it
                continue
            sd = np.sqrt(weights @ state.parts[:, -1, -1])
            off, low, high = 100 * np.expm1(state.mean[-1] + np.array([0, -2, 2]) * sd)
            rows.append({"species": group.species, "module_w": group.module_w,
                         "wavelength_nm": group.wavelength_nm, "board": board, "board_pct": off,
                         "lower_pct": low, "upper_pct": high})
    return pd.DataFrame(rows)


def proofs(groups: tuple[GroupFit, ...],
           proved: dict[tuple[int, str], BoardState]) -> pd.DataFrame:
    """Return a row per proved board: how it differs, and a warning where it differs too much.

    Returns
    -------
    DataFrame
        species, module_w, wavelength_nm, board, swatches, board_pct, surprise_p (how often a
        board as odd as this turns up), warning.
    """
    rows = []
    for (index, board), state in proved.items():
        group = next(group for group in groups if group.index == index)
        rows.append({
            "species": group.species, "module_w": group.module_w,
            "wavelength_nm": group.wavelength_nm, "board": board, "swatches": state.proofs,
            "board_pct": 100 * np.expm1(state.mean[-1]), "surprise_p": state.surprise_p,
            "warning": _surprise_words(state) if state.surprise_p < SURPRISE else ""})
    return pd.DataFrame(rows, columns=["species", "module_w", "wavelength_nm", "board", "swatches",
                                       "board_pct", "surprise_p", "warning"])


def _surprise_words(state: BoardState) -> str:
    odds = f"{1 / max(state.surprise_p, 1e-6):,.0f}"
    return (f"This proof is further off than the boards of this lab book are: one in {odds} would "
            "be. Check species, module, focus, lens and gauge before you believe either; burn a "
            "second proof swatch.")
