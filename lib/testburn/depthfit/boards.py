"""Boards: what is known of one board, and the depth to expect on it.

Decides how deep a setting goes on the next board, on a board that was burned, or on a board with a
proof swatch, and how far off that may be; and when a proof is too odd to be believed. All three come from one
small state: at every node of the spreads (`spreads`) a mean and covariance of eight errors on the scale of
logarithms, those of the group's three coefficients, its three route slopes, the board's level and its slope.
The next board's level and slope are free. A burned board's are the best linear prediction from its swatches
(Robinson 1991, That BLUP is a good thing, Statistical Science 6:15-32, from memory). A proof swatch moves
every node by one Kalman step on the logarithm of observed over expected, and the nodes are weighed again by how
well they foretold it: that makes an odd board widen, where it would else be pulled back to the usual ones.
Level, slope and route are in the state, so a proof elsewhere tells less by itself.

A prediction is a mixture of normal distributions over the nodes. Its limits are that mixture's quantiles, a
chance its distribution function; no degrees of freedom are needed, since the nodes carry what is not known of
the spreads. `df` is told for those who need a t distribution like it (Satterthwaite 1946, Biometrics Bulletin
2:110-114, from memory: 2 · mean² / variance of the variance).

Surprise is the chance, before any proof, that the weighted mean of all proofs of a board lies so far off, and
apart from it that they disagree so much: joined in one sum of squares it would fade as more proofs agree. It is looked at
after each proof, and the least counts.
"""

from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import special

from testburn.depthfit import spreads
from testburn.depthfit.group import GroupFit
from testburn.depthfit.spreads import LEVEL, NODES, Spreads, TILT, of_density
from testburn.labbook import columns

# Places on one board differ, beside what swatches do: rings. Judgement; only repeats could tell it.
PLACE_SD = 0.02
SURPRISE = 0.02
_LEAST_WEIGHT = 2e-3            # of the best node's; what is lighter is left out of a prediction
_MOST_DF = 1e6
_ROUNDS = 12
# A setting this much stronger or weaker than the proof is elsewhere: our own judgement. Routes in log2.
_NEAR, _SAME_ROUTE = 1.2, 0.01
_DEEPEST, _SHALLOWEST = 20.0, 0.05
_PAIRS = np.triu_indices(8)     # of the eight errors


@dataclass(frozen=True, eq=False)
class Proofs:
    """The proof swatches of a board: rows of the errors, log of observed over curve, own variance less swatch.

    `dose_j_mm2`, that reached the wood, and `route` say where they were burned.
    """

    rows: np.ndarray
    gap: np.ndarray
    noise: np.ndarray
    dose_j_mm2: np.ndarray
    route: np.ndarray

    def and_those(self, more: "Proofs") -> "Proofs":
        """Return these proofs and more of the same board."""
        return Proofs(*(np.concatenate([getattr(part, one.name) for part in (self, more)]) for one in fields(self)))


@dataclass(frozen=True, eq=False)
class BoardState:
    """What is known of one board of a group, at every node of `spreads.NODES`.

    Attributes
    ----------
    group : int
    weights : (nodes,) array
    mean, covariance : (nodes, 8), (nodes, 8, 8) arrays
    before : BoardState or None
        What was known before the first proof.
    learned : Proofs or None
    surprise_p : float
        Chance of proofs as far off on the whole, the least after any number of them; NaN before.
    """

    group: int
    weights: np.ndarray
    mean: np.ndarray
    covariance: np.ndarray
    before: "BoardState | None" = None
    learned: Proofs | None = None
    surprise_p: float = np.nan

    @property
    def proofs(self) -> int:
        """Proof swatches learned from."""
        return 0 if self.learned is None else len(self.learned.gap)

    def error(self, place: int) -> tuple[float, float]:
        """Return mean and sd of one of the eight errors over all nodes."""
        mean = self.weights @ self.mean[:, place]
        square = self.weights @ (self.covariance[:, place, place] + (self.mean[:, place] - mean) ** 2)
        return float(mean), float(np.sqrt(square))


@dataclass(frozen=True, eq=False)
class Predictive:
    """The depth expected at each energy, and how it scatters: a mixture of normals, nodes × energies."""

    weights: np.ndarray
    centres_mm: np.ndarray
    sds_mm: np.ndarray

    @cached_property
    def depth_mm(self) -> np.ndarray:
        """The mean depth."""
        return self.weights @ self.centres_mm

    @cached_property
    def sd_mm(self) -> np.ndarray:
        """The scatter in mm."""
        return np.sqrt(self.weights @ (self.sds_mm**2 + (self.centres_mm - self.depth_mm) ** 2))

    @property
    def relative_sd(self) -> np.ndarray:
        """The scatter as a share of the depth."""
        return self.sd_mm / np.maximum(self.depth_mm, 1e-9)

    @cached_property
    def df(self) -> np.ndarray:
        """Degrees of freedom of a t distribution whose variance is as little known."""
        variance = self.sds_mm**2
        mean = self.weights @ variance
        spread = self.weights @ (variance - mean) ** 2
        return np.clip(2 * mean**2 / np.maximum(spread, 1e-300), 1.0, _MOST_DF)

    def chance_below(self, depth_mm) -> np.ndarray:
        """Return the chance that the depth lies below."""
        return self.weights @ special.ndtr((depth_mm - self.centres_mm) / self.sds_mm)

    def quantile(self, chance) -> np.ndarray:
        """Return the depth in mm with this chance below it, by Newton steps on the normal scale."""
        wanted = special.ndtri(chance)
        depth = self.depth_mm + wanted * self.sd_mm
        for _ in range(_ROUNDS):
            z = (depth - self.centres_mm) / self.sds_mm
            now = special.ndtri(np.clip(self.weights @ special.ndtr(z), 1e-15, 1 - 1e-15))
            slope = self.weights @ (np.exp(0.5 * (now**2 - z * z)) / self.sds_mm)
            move = np.clip((wanted - now) / slope, -self.sd_mm, self.sd_mm)
            depth = depth + move
            if (np.abs(move) < 1e-11 * self.sd_mm).all():
                break
        return depth

    def limits(self, level: float) -> tuple[np.ndarray, np.ndarray]:
        """Return lower and upper limit in mm; a lower limit of 0 means "maybe no mark"."""
        return np.maximum(self.quantile((1 - level) / 2), 0.0), self.quantile((1 + level) / 2)

    def chance_inside(self, at_least_mm, at_most_mm) -> np.ndarray:
        """Return the chance that the depth lies in the window, from the limits' own distribution."""
        return self.chance_below(at_most_mm) - self.chance_below(at_least_mm)


def next_board(known: Spreads, group: int, weights: np.ndarray | None = None) -> BoardState:
    """Return what is known of a board not seen yet: the curve, and how boards differ (or these weights of nodes)."""
    nodes = known.nodes(group)
    mean, covariance = np.zeros((len(NODES), 8)), np.zeros((len(NODES), 8, 8))
    mean[:, :6], covariance[:, :6, :6] = nodes.mean, nodes.covariance
    covariance[:, LEVEL, LEVEL], covariance[:, TILT, TILT] = NODES[:, 0] ** 2, NODES[:, 1] ** 2
    return BoardState(group, known.weights(group) if weights is None else weights, mean, covariance)


def burned_board(known: Spreads, group: int, board) -> BoardState:
    """Return what is known of a board that is in the fit.

    Its level and slope are predicted as K Z'd r from the residuals r of its swatches. The curve was fitted to
    the same swatches, so the errors of both go together.

    Raises
    ------
    LookupError
        If no swatch of that board was used.
    """
    s = known.curves.swatches
    names = s.boards[s.group_of_board == group]
    at = np.flatnonzero(names == board)
    if not len(at):
        raise LookupError(f"Board {board} has no swatch with a mark in this fit. Fitted are: "
                          f"{', '.join(map(str, names))}. Ask for one of these, or for the next board.")
    state, nodes = next_board(known, group), known.nodes(group)
    inner = nodes.inner[:, :, :, at[0]].reshape(-1, 2, 2)
    across = np.broadcast_to(nodes.moments[:, at[0], :2, 2:], (*spreads.SHAPE, 2, 7)).reshape(-1, 2, 7)
    pull = inner @ across                                   # K Z'd (X, z)
    mean, covariance = state.mean.copy(), state.covariance.copy()
    mean[:, LEVEL:] = pull[:, :, 6] - np.einsum("nij,nj->ni", pull[:, :, :6], mean[:, :6])
    lean = pull[:, :, :6] @ nodes.covariance
    covariance[:, LEVEL:, :6], covariance[:, :6, LEVEL:] = -lean, -lean.transpose(0, 2, 1)
    covariance[:, LEVEL:, LEVEL:] = inner + lean @ pull[:, :, :6].transpose(0, 2, 1)
    return replace(state, mean=mean, covariance=covariance)


def proved(known: Spreads, state: BoardState, x, route, mean_mm, count, gauge_step_mm=0.01) -> BoardState:
    """Learn the board from proof swatches on it, one after another or all at once.

    Parameters
    ----------
    x, mean_mm, count : (m,) arrays or floats
        Areal dose, mean depth and number of readings of each proof swatch.
    route : (m, 3) array or (3,)
        log2 of power, pitch and passes, see `swatches.route`.
    """
    curves = known.curves
    x, mean_mm = np.atleast_1d(x).astype(float), np.atleast_1d(mean_mm).astype(float)
    count = np.broadcast_to(np.asarray(count, float), x.shape)
    depth, floored, rows = spreads.log_rows(curves, state.group, x, curves.route_of(route, state.group))
    observed = np.maximum(mean_mm, gauge_step_mm)
    gap = np.log(np.clip(1 + (observed - depth) / floored, _SHALLOWEST, _DEEPEST))
    noise = spreads.within(curves, np.maximum(floored, observed), count, gauge_step_mm) + PLACE_SD**2
    new = Proofs(rows, gap, noise, x, np.broadcast_to(route, (len(x), 3)))
    before = state if state.before is None else state.before
    every = new if state.learned is None else state.learned.and_those(new)
    off, total = _foretold(before, every)
    inverse = np.linalg.inv(total)
    gain = before.covariance @ every.rows.T @ inverse
    mean = before.mean + np.einsum("nij,nj->ni", gain, off)
    covariance = before.covariance - gain @ every.rows @ before.covariance
    likelihood = -0.5 * (np.linalg.slogdet(total)[1] + np.einsum("ni,nij,nj->n", off, inverse, off))
    weights = spreads.normed(np.log(np.maximum(before.weights, 1e-300)) + likelihood)
    # What was odd after fewer proofs stays odd: its advice was to prove again, and to follow it must not silence it.
    odd = [_surprise(before, off[:, :some], total[:, :some, :some]) for some in range(state.proofs + 1, len(every.gap) + 1)]
    return BoardState(state.group, weights, mean, covariance, before, every, float(np.nanmin([state.surprise_p, *odd])))


def _foretold(before: BoardState, learned: Proofs) -> tuple[np.ndarray, np.ndarray]:
    """Return how far the proofs lie off what each node foretold, and the covariance it foretold."""
    own = learned.noise + NODES[:, 2:] ** 2
    total = learned.rows @ before.covariance @ learned.rows.T + own[:, :, None] * np.eye(len(learned.gap))
    return learned.gap - before.mean @ learned.rows.T, total


def _surprise(before, off, total) -> float:
    """Return the chance of a weighted mean of all proofs as far off, or of proofs that disagree as much.

    The lesser counts; disagreement, a chi-squared of what the mean leaves, is held to half its chance.
    """
    weight = np.linalg.inv(np.einsum("n,nij->ij", before.weights, total)).sum(axis=1)
    weight = weight / weight.sum()
    below = before.weights @ special.ndtr(off @ weight / np.sqrt(np.einsum("i,nij,j->n", weight, total, weight)))
    inverse, free = np.linalg.inv(total), len(weight) - 1
    squares = (np.einsum("ni,nij,nj->n", off, inverse, off)
               - np.einsum("nij,nj->n", inverse, off) ** 2 / inverse.sum(axis=(1, 2)))
    apart = before.weights @ special.chdtrc(free, np.maximum(squares, 0)) if free else 1.0
    return float(min(2 * min(below, 1 - below), 2 * apart, 1.0))


def predictive(known: Spreads, state: BoardState, x, route, of: str = "reading",
               gauge_step_mm: float = 0.01) -> Predictive:
    """Predict the depth on this board.

    Parameters
    ----------
    x : float or (n,) array
        Areal dose.
    route : (3,) or (n, 3) array
        log2 of power, pitch and passes, see `swatches.route`.
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
    curves = known.curves
    depth, floored, rows = spreads.log_rows(curves, state.group, x, curves.route_of(route, state.group))
    heavy = state.weights > _LEAST_WEIGHT * state.weights.max()
    weights = state.weights[heavy] / state.weights[heavy].sum()
    off = state.mean[heavy] @ rows.T
    # x' C x as the products of two entries of x, each pair once, times those of C: one matrix product for all of them.
    one, other = _PAIRS
    covariance = state.covariance[heavy]
    variance = (covariance[:, one, other] + covariance[:, other, one] * (one != other)) @ (rows[:, one] * rows[:, other]).T
    centres = np.maximum(depth + floored * np.expm1(np.clip(off, -3.0, 3.0)), 0.0)
    scale = np.maximum(centres, curves.faintest_mm[state.group])
    if of != "mean":
        variance += NODES[heavy, 2:] ** 2 + PLACE_SD**2 * (state.proofs > 0)
    if of == "reading":
        variance += spreads.within(curves, scale, 1.0, gauge_step_mm)
    return Predictive(weights, centres, scale * np.sqrt(np.maximum(variance, 1e-12)))


def deviations(groups: tuple[GroupFit, ...], known: Spreads) -> pd.DataFrame:
    """Return how far each burned board lies off its curve, in percent, with about 95 % limits.

    Returns
    -------
    DataFrame
        The group's key, board, board_pct, lower_pct, upper_pct.
    """
    rows = []
    for group in groups:
        for board in sorted(set(group.readings["board"])):
            try:
                state = burned_board(known, group.index, board)
            except LookupError:  # none of its swatches left a mark: nothing is known of it
                continue
            mean, sd = state.error(LEVEL)
            off, low, high = 100 * np.expm1(mean + np.array([0, -2, 2]) * sd)
            rows.append(_key(group) | {"board": board, "board_pct": off, "lower_pct": low, "upper_pct": high})
    return pd.DataFrame(rows)


def by_wood(groups: tuple[GroupFit, ...], known: Spreads) -> pd.DataFrame:
    """Return how much the boards of each wood differ, with 90 % limits, and in words.

    Returns
    -------
    DataFrame
        species, boards, board_pct, lower_pct, upper_pct, words.
    """
    rows = []
    for species in dict.fromkeys(group.species for group in groups):
        mine = [group for group in groups if group.species == species]
        boards = sorted({board for group in mine for board in group.readings["board"]})
        middle, low, high = (100 * sd for sd in known.board_sd(mine[0].index))
        words = (f"Boards of {species} differ by about {middle:.0f} % ({low:.0f} to {high:.0f} %), "
                 f"from {len(boards)} board{'s' * (len(boards) > 1)}")
        words += "; one board tells nothing of it, so this is what boards usually do." if len(boards) == 1 else "."
        words = f"{words} {of_density(species)}".strip()
        rows.append({"species": species, "boards": len(boards), "board_pct": middle, "lower_pct": low,
                     "upper_pct": high, "words": words})
    return pd.DataFrame(rows)


def proofs(groups: tuple[GroupFit, ...],
           proved: dict[tuple[int, str], BoardState]) -> pd.DataFrame:
    """Return a row per proved board: how it differs, and a warning where it differs too much.

    Returns
    -------
    DataFrame
        The group's key, board, swatches, board_pct, surprise_p (how often a
        board as odd as this turns up), warning.
    """
    rows = []
    for (index, board), state in proved.items():
        group = next(group for group in groups if group.index == index)
        rows.append(_key(group) | {
            "board": board, "swatches": state.proofs,
            "board_pct": 100 * np.expm1(state.error(LEVEL)[0]), "surprise_p": state.surprise_p,
            "warning": _surprise_words(state) if state.surprise_p < SURPRISE else ""})
    return pd.DataFrame(rows, columns=[*columns.GROUP_KEY, "board", "swatches", "board_pct", "surprise_p", "warning"])


def _key(group: GroupFit) -> dict:
    return {name: getattr(group, name) for name in columns.GROUP_KEY}


def elsewhere(state: BoardState, dose_j_mm2: float, route: np.ndarray, machine_factor: float = 1.0) -> str:
    """Say where a board was proved, and how far a setting lies from there; nothing where that is near, or none.

    A proof says most of its own setting: boards differ in slope too, and routes among each other. Proofs keep the dose
    that reached the wood, `machine_factor` times the one that was set; what is said here is what is set.
    """
    if state.learned is None:
        return ""
    other = np.abs(state.learned.route - route) > _SAME_ROUTE
    proved_j_mm2 = state.learned.dose_j_mm2 / machine_factor
    ratio = dose_j_mm2 / proved_j_mm2
    nearest = np.lexsort((np.abs(np.log(ratio)), other.sum(axis=1)))[0]
    ways = [name for name, differs in zip(("power", "pitch", "number of passes"), other[nearest]) if differs]
    if not ways and 1 / _NEAR < ratio[nearest] < _NEAR:
        return ""
    more = 100 * (ratio[nearest] - 1)
    return (f"Proved at {proved_j_mm2[nearest]:.3g} J/mm²; this setting lays {dose_j_mm2:.3g} J/mm², "
            f"{abs(more):.0f} % {'more' if more > 0 else 'less'}" + f", by another {' and '.join(ways)}" * bool(ways)
            + ": the proof says less of it, and the interval counts that in. A proof with this setting tells most.")


def _surprise_words(state: BoardState) -> str:
    odds = f"{1 / max(state.surprise_p, 1e-6):,.0f}"
    return (f"This proof is further off than the boards of this lab book are: one in {odds} would "
            "be. Check wood, module, focus, lens and gauge before you believe either; burn a "
            "second proof swatch.")
