"""Pieces: which burned runs hang together, and how narrow a stroke is.

Decides that runs of neighbouring rows belong together where they overlap (what only touches in a point is two), which
piece goes round another, and the narrowest stroke: the smallest distance of two walls of a piece that run within 20° of
parallel for one and a half times as long; of a piece that has none, four times its area over its outline, as of a
disc or a square, or its height or width if that is less.

Source: an outline's length from its crossings with a grid, each weighted by its normal (Cauchy's formula, by its local
form: sin² + cos² = 1); a figure's holes by Euler's formula, runs less contacts; a polygon around a circle has half its
outline times the radius as its area (closed form).
"""

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

BOX = ["left_mm", "top_mm", "right_mm", "bottom_mm"]
_PARALLEL, _LONG, _STEEP = np.cos(np.radians(20)), 1.5, 0.6


def labelled(row, first, after) -> tuple[np.ndarray, np.ndarray]:
    """Return the piece of each run, numbered by first run, and the contacts as pairs of runs.

    Parameters
    ----------
    row, first, after : int arrays
        Runs sorted by row and place; `after` is the first pixel behind the run.
    """
    wide = int(after.max()) + 2
    begins, ends = row * wide + first, row * wide + after
    # Runs of the next row that end behind this one's beginning and begin before its end.
    low = np.searchsorted(ends, begins + wide, side="right")
    high = np.searchsorted(begins, ends + wide, side="left")
    count = np.maximum(high - low, 0)
    upper = np.repeat(np.arange(len(row)), count)
    lower = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(low, count)
    graph = coo_array((np.ones(len(upper), bool), (upper, lower)), shape=(len(row), len(row)))
    return connected_components(graph, directed=False)[1], np.stack([upper, lower])


def table(picture, piece, contacts) -> pd.DataFrame:
    """Return a row a piece: its box, area_mm2, perimeter_mm, holes, goes_round and narrowest_mm."""
    step, number = picture.step_mm, int(piece.max()) + 1
    owner = piece[picture.rim[:, 5].astype(int)]
    ends = np.full((number, 4), np.inf)
    np.minimum.at(ends, owner, np.column_stack([picture.rim[:, :2], -picture.rim[:, :2]]))
    found = pd.DataFrame(ends * [step, step, -step, -step], columns=BOX).assign(
        area_mm2=np.bincount(piece, picture.paint, number) * step ** 2,
        perimeter_mm=np.bincount(owner, picture.rim[:, 4], number) * step,
        holes=1 - np.bincount(piece, minlength=number) + np.bincount(piece[contacts[0]], minlength=number))
    return found.assign(goes_round=goes_round(found), narrowest_mm=narrowest_px(picture.rim, owner, found, step) * step)


def goes_round(table: pd.DataFrame) -> np.ndarray:
    """Return for each piece whether it has a hole and another piece lies within its box."""
    ends = table[BOX].to_numpy() * [1, 1, -1, -1]
    around = table["holes"].to_numpy() > 0
    around[around] = [(ends > ends[one]).all(axis=1).any() for one in np.flatnonzero(around)]
    return around


def narrowest_px(rim, piece, table: pd.DataFrame, step_mm: float) -> np.ndarray:
    """Return the narrowest stroke of each piece, in pixels; `piece` is that of each place of the rim.

    A row's or column's way from wall to wall, times the cosine of its angle to the walls, is a stroke's width where
    these run within 20° of parallel.
    """
    narrowest = np.min([4 * table["area_mm2"] / table["perimeter_mm"], table["right_mm"] - table["left_mm"],
                        table["bottom_mm"] - table["top_mm"]], axis=0) / step_mm
    across = []
    for level, (along, aside) in ((True, (0, 1)), (False, (1, 0))):
        ends = np.flatnonzero(rim[:, 6] == level)
        first, last = ends[np.lexsort((rim[ends, along], rim[ends, aside]))].reshape(-1, 2).T
        steep = (rim[first, 4] + rim[last, 4]) / 2
        walls = ((rim[first, 2:4] * rim[last, 2:4]).sum(axis=1) < -_PARALLEL) & (steep > _STEEP)
        across.append(np.column_stack([piece[first], (rim[last, along] - rim[first, along]) * steep, steep])[walls])
    owner, width, long = np.concatenate(across).T
    order = np.lexsort((width, owner))
    owner, width, long = owner[order].astype(int), width[order], np.cumsum(long[order])
    before = np.searchsorted(owner, owner)
    # A stretch of wall that leans counts by rows and by columns: together once.
    enough = long - np.where(before > 0, long[before - 1], 0) >= _LONG * width
    np.minimum.at(narrowest, owner[enough], width[enough])
    return narrowest
