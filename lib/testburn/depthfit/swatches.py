"""Swatches: the readings of one swatch become a count, a mean and a sum of squares.

Decides what the fit has to know of a lab book. Readings of one swatch share everything but the
error of the single reading, so their count, their mean and their sum of squares about it hold all
that least squares can use: the mean carries the curve and the scatter between swatches and boards,
the sum of squares carries the scatter within a swatch. All later work runs on swatches. They are
sorted by group (species × module) and by board, so that a sum over a board or a group
is a sum over neighbours; that is what keeps a million readings cheap.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import special

from testburn.labbook import columns

COUNTED = "counted_mm"
ROUTE = ("power_pct", "line_pitch_mm", "passes")
_GROUP_KEYS = columns.GROUP_KEY
_SWATCH_KEYS = ("burn", "swatch")
# A gross reading lies this many standard deviations from the median of its swatch: our own judgement. Readings scatter
# by 4 % and 0.02 mm as a rule (`components.PRIORS`), or by more where a lab book's do.
GROSS, _USUAL, _FEWEST_TO_TELL = 5.0, (0.04, 0.02), 3
# Where one of n readings lies a limit from their median, their squares about the mean add up to at least 2/3 of its square.
_LEAST_SHARE = 0.66


@dataclass(frozen=True, eq=False)
class Swatches:
    """Swatches sorted by group and board.

    Attributes
    ----------
    regressor : (swatches,) array
        Line energy in J/mm or areal dose in J/mm².
    count, mean_mm, squares_mm2 : (swatches,) arrays
        Readings of the swatch, their mean, and their sum of squares about it.
    gauge_step_mm : (swatches,) array
    board_start : (boards,) array of int
        The first swatch of each board.
    group_start : (groups,) array of int
        The first board of each group.
    group_keys : DataFrame
        A row per group.
    boards : (boards,) array
        The board's name.
    first_row : (swatches,) array of int
        Position in the readings of one reading of the swatch.
    route : (swatches, 3) array
        log2 of power, pitch and passes; see `route`.
    """

    regressor: np.ndarray
    count: np.ndarray
    mean_mm: np.ndarray
    squares_mm2: np.ndarray
    gauge_step_mm: np.ndarray
    board_start: np.ndarray
    group_start: np.ndarray
    group_keys: pd.DataFrame
    boards: np.ndarray
    first_row: np.ndarray
    route: np.ndarray

    @cached_property
    def board_of(self) -> np.ndarray:
        """The board of each swatch."""
        return self.of_board(np.arange(len(self.board_start)))

    @cached_property
    def group_of_board(self) -> np.ndarray:
        """The group of each board."""
        return np.repeat(np.arange(len(self.group_start)),
                         np.diff(np.r_[self.group_start, len(self.board_start)]))

    @cached_property
    def group_of(self) -> np.ndarray:
        """The group of each swatch."""
        return self.of_group(np.arange(len(self.group_start)))

    @cached_property
    def swatch_start(self) -> np.ndarray:
        """The first swatch of each group."""
        return self.board_start[self.group_start]

    @cached_property
    def _board_sizes(self) -> np.ndarray:
        return np.diff(np.r_[self.board_start, len(self.count)])

    @cached_property
    def _group_sizes(self) -> np.ndarray:
        return np.diff(np.r_[self.swatch_start, len(self.count)])

    def of_board(self, values: np.ndarray) -> np.ndarray:
        """Give each swatch the value of its board."""
        return np.repeat(values, self._board_sizes, axis=0)

    def of_group(self, values: np.ndarray) -> np.ndarray:
        """Give each swatch the value of its group."""
        return np.repeat(values, self._group_sizes, axis=0)

    def by_board(self, values: np.ndarray) -> np.ndarray:
        """Sum a value per swatch over each board."""
        return np.add.reduceat(values, self.board_start)

    def by_group(self, values: np.ndarray) -> np.ndarray:
        """Sum a value per swatch over each group."""
        return np.add.reduceat(values, self.swatch_start)


def reduced(readings: pd.DataFrame, regressor: np.ndarray, group_keys: Sequence[str] = _GROUP_KEYS,
            swatch_keys: Sequence[str] = _SWATCH_KEYS) -> Swatches:
    """Reduce readings to swatches.

    Parameters
    ----------
    readings : DataFrame
        With board, depth_mm, gauge_step_mm and the key columns, in any order of rows; where there is a column
        `counted_mm` it counts instead of depth_mm.
    regressor : (n,) array
        One value a reading, equal within a swatch.
    group_keys, swatch_keys : names of columns
        What tells groups apart, and the swatches of one board. Boards of one name in two groups
        are two boards.
    """
    readings = columns.with_module(readings)
    cells = {key: _comparable(readings[key]) for key in (*group_keys, "board", *swatch_keys)}
    starts = _starts(*cells.values())
    cells = {key: values[starts] for key, values in cells.items()}
    group = _labels([cells[key] for key in group_keys])
    board = _labels([cells["board"]], group)
    swatch = _labels([cells[key] for key in swatch_keys], board)
    statistics = _stretches(readings[COUNTED if COUNTED in readings else "depth_mm"].to_numpy(float), starts)
    first, statistics = _merged(swatch, statistics)
    group, board, starts = group[first], board[first], starts[first]
    if (np.diff(group) < 0).any() or (np.diff(board) < 0).any():
        order = np.lexsort((board, group))
        group, board, starts = group[order], board[order], starts[order]
        statistics = tuple(values[order] for values in statistics)
    board_start = _starts(board)
    group_start = _starts(group[board_start])
    heads = starts[board_start]
    keys = readings[list(group_keys)].iloc[heads[group_start]].reset_index(drop=True)
    return Swatches(np.asarray(regressor, float)[starts], *statistics,
                    readings["gauge_step_mm"].to_numpy(float)[starts], board_start, group_start,
                    keys, readings["board"].iloc[heads].to_numpy(), starts, _routes(readings, starts))


def drawn_in(readings: pd.DataFrame, swatches: Swatches) -> tuple[np.ndarray, Swatches]:
    """Return each reading's depth as it counts, drawn in where it lies far from its swatch-mates, and the swatches of these.

    Of a swatch with three readings or more, what lies farther from their median than `GROSS` times what readings scatter
    (as usual, or as this lab book's do, by the median of its swatches) counts the less the farther it lies: drawn in to
    `limit`² / distance from the median. A slip in typing then moves its swatch by little, and nothing else moves at all.
    The idea is that of ISO 13528:2015, annex C, algorithm A (from memory), which draws in to a limit of 1.5 standard
    deviations; here gross errors only are meant, so it is wider, and what lies beyond it counts for less still.

    Parameters
    ----------
    readings : DataFrame
        Those that were reduced to `swatches`.
    """
    depth = readings["depth_mm"].to_numpy(float)
    several = np.flatnonzero(swatches.count >= _FEWEST_TO_TELL)
    usual = np.hypot(_USUAL[0] * swatches.mean_mm[several], _USUAL[1])
    free = swatches.count[several] - 1
    # Half of all swatches scatter less than this, whatever a gross reading does to its own.
    different, each = np.unique(free, return_inverse=True)
    scatter = np.sqrt(swatches.squares_mm2[several] / (2 * special.gammaincinv(different / 2, 0.5))[each]) / usual
    limit = GROSS * max(1.0, float(np.median(scatter))) * usual if len(several) else usual
    # No reading of a swatch lies beyond the limit where all of them together do not.
    wide = swatches.squares_mm2[several] > _LEAST_SHARE * limit**2
    counted, mean, squares = depth.copy(), swatches.mean_mm.copy(), swatches.squares_mm2.copy()
    if not wide.any():
        return counted, swatches
    for at, rows, most in zip(several[wide], _rows_of(readings, swatches, several[wide]), limit[wide]):
        away = depth[rows] - np.median(depth[rows])
        far = np.abs(away) > most
        counted[rows] -= np.where(far, away - np.sign(away) * most**2 / np.maximum(np.abs(away), most), 0.0)
        mean[at] = counted[rows].mean()
        squares[at] = ((counted[rows] - mean[at]) ** 2).sum()
    return counted, replace(swatches, mean_mm=mean, squares_mm2=squares)


def _rows_of(readings: pd.DataFrame, swatches: Swatches, which: np.ndarray) -> list[np.ndarray]:
    """Return the positions of the readings of some swatches; mostly they are neighbours, and only else are they looked for."""
    count, first = swatches.count[which].astype(int), swatches.first_row[which]
    rows = np.minimum(np.repeat(first, count) + np.concatenate([np.arange(number) for number in count]), len(readings) - 1)
    names = readings[[*_GROUP_KEYS, "board", *_SWATCH_KEYS]]
    together = (names.iloc[rows].to_numpy(object) == names.iloc[np.repeat(first, count)].to_numpy(object)).all(axis=1)
    found = np.split(rows, np.cumsum(count)[:-1])
    apart = [place for place, own in enumerate(np.split(together, np.cumsum(count)[:-1])) if not own.all()]
    if apart:
        number = pd.MultiIndex.from_frame(names.iloc[first[apart]]).get_indexer(pd.MultiIndex.from_frame(names))
        at = np.flatnonzero(number >= 0)
        at = at[np.argsort(number[at], kind="stable")]
        for place, own in zip(apart, np.split(at, np.cumsum(np.bincount(number[at]))[:-1])):
            found[place] = own
    return found


def route(power_pct, line_pitch_mm, passes) -> np.ndarray:
    """Return log2 of one route: what lays a dose besides the speed."""
    return np.log2([float(power_pct), float(line_pitch_mm), float(passes)])


def _routes(readings, rows) -> np.ndarray:
    """Return log2 of power, pitch and passes of these rows (n × 3); zero where readings have none."""
    return np.column_stack([np.log2(readings[name].to_numpy(float)[rows]) if name in readings else np.zeros(len(rows))
                            for name in ROUTE])


def kept(swatches: Swatches, keep: np.ndarray) -> Swatches:
    """Return the swatches where `keep` is True, without boards and groups left empty."""
    s = swatches
    board, group = s.board_of[keep], s.group_of[keep]
    board_start = _starts(board)
    group_start = _starts(group[board_start])
    keys = s.group_keys.iloc[group[board_start][group_start]].reset_index(drop=True)
    return Swatches(s.regressor[keep], s.count[keep], s.mean_mm[keep], s.squares_mm2[keep],
                    s.gauge_step_mm[keep], board_start, group_start, keys,
                    s.boards[board[board_start]], s.first_row[keep], s.route[keep])


def different_doses(swatches: Swatches) -> np.ndarray:
    """Return at how many different doses each group got a mark deeper than its gauge's step."""
    marked = swatches.mean_mm > swatches.gauge_step_mm
    group, dose = swatches.group_of[marked], swatches.regressor[marked]
    order = np.lexsort((dose, group))
    group, dose = group[order], dose[order]
    fresh = np.ones(len(group), bool)
    fresh[1:] = (np.diff(group) > 0) | (np.diff(dose) > 1e-9 * dose[1:])
    return np.bincount(group[fresh], minlength=len(swatches.group_keys))


def some_groups(swatches: Swatches, most: int) -> Swatches:
    """Return every k-th group, about `most` swatches: a cheap first look at a large lab book."""
    step = int(np.ceil(len(swatches.count) / most))
    return kept(swatches, swatches.group_of % step == 0)


def _starts(*columns) -> np.ndarray:
    """Return where a stretch of equal rows begins."""
    change = np.zeros(len(columns[0]), bool)
    change[:1] = True
    for values in columns:
        change[1:] |= np.asarray(values[1:] != values[:-1], bool)
    return np.flatnonzero(change)


def _stretches(depth_mm, starts) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return count, mean and sum of squares of each stretch of neighbouring readings."""
    count = np.diff(np.r_[starts, len(depth_mm)])
    heads = depth_mm[starts]
    away = depth_mm - np.repeat(heads, count)       # sums about the first reading keep digits
    total = np.add.reduceat(away, starts)
    away *= away
    squares = np.add.reduceat(away, starts) - total**2 / count
    return count.astype(float), heads + total / count, np.maximum(squares, 0.0)


def _merged(swatch, statistics):
    """Join stretches of one swatch that lie apart; return a stretch of each and its statistics."""
    size = int(swatch.max()) + 1
    if size == len(swatch):
        return slice(None), statistics
    count, mean, squares = statistics
    together = np.bincount(swatch, count, size)
    middle = np.bincount(swatch, count * mean, size) / together
    squares = np.bincount(swatch, squares + count * (mean - middle[swatch]) ** 2, size)
    first = np.empty(size, np.intp)
    first[swatch[::-1]] = np.arange(len(swatch) - 1, -1, -1)
    return first, (together, middle, squares)


def _comparable(column: pd.Series) -> np.ndarray:
    """Return the column as an array that compares cheaply (codes where categorical)."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.cat.codes.to_numpy()
    if column.dtype.kind in "biuf":
        return column.to_numpy()
    front = column.iloc[:5_000].to_numpy(dtype=object)
    if 2 * np.sum(front[1:] != front[:-1]) > len(front):    # rows in no order: look every one up
        return pd.factorize(column)[0]
    return column.to_numpy(dtype=object)


def _codes(values) -> tuple[np.ndarray, int]:
    """Number the distinct values; of a stretch of equal ones only the first is looked up."""
    starts = _starts(values)
    if len(starts) == 1:                                    # of one swatch, nearly every column
        return np.zeros(len(values), np.int64), 1
    if 2 * len(starts) > len(values):
        codes, distinct = pd.factorize(values)
        return codes, len(distinct)
    codes, distinct = pd.factorize(values[starts])
    return np.repeat(codes, np.diff(np.r_[starts, len(values)])), len(distinct)


def _labels(columns, within=None) -> np.ndarray:
    """Number the distinct combinations of columns (and of `within`) from 0 up."""
    size = 1 if within is None else int(within.max()) + 1
    label = np.zeros(len(columns[0]), np.int64) if within is None else within.astype(np.int64)
    for values in columns:
        codes, count = _codes(values)
        label, size = label * count + codes, size * count
        if size > 2**31:                                    # before the products overflow
            label, size = _codes(label)
            label = label.astype(np.int64)
    return _codes(label)[0]
