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

from testburn.sweep.picture import Picture

BOX, NARROW = ["left_mm", "top_mm", "right_mm", "bottom_mm"], ("narrow_x_mm", "narrow_y_mm")
_PARALLEL, _LONG, _STEEP = np.cos(np.radians(20)), 1.5, 0.6


def of_runs(picture: Picture) -> tuple[np.ndarray, pd.DataFrame]:
    """Return the piece of each run, and a row a piece: its box, area_mm2, perimeter_mm, holes, goes_round, narrowest_mm.

    Last are narrow_x_mm, narrow_y_mm: where it is narrowest. Pieces are in reading order: by their tops, then from the left.
    """
    step, runs = picture.step_mm, len(picture.row)
    graph = coo_array((np.ones(picture.contacts.shape[1], bool), tuple(picture.contacts)), shape=(runs, runs))
    number, piece = connected_components(graph, directed=False)
    rim = picture.rim.reshape(-1, 6)
    owner, ends = piece[rim[:, 5].astype(int)], np.full((number, 4), np.inf)
    np.minimum.at(ends, owner, np.column_stack([rim[:, :2], -rim[:, :2]]))
    table = pd.DataFrame(ends * [step, step, -step, -step], columns=BOX).assign(
        area_mm2=np.bincount(piece, picture.paint) * step ** 2,
        perimeter_mm=np.bincount(owner, rim[:, 4]) * step,
        holes=1 - np.bincount(piece) + np.bincount(piece[picture.contacts[0]], minlength=number))
    narrowest = narrowest_px(picture, owner, table).T * step
    table = table.assign(goes_round=goes_round(table)).assign(**dict(zip(("narrowest_mm", *NARROW), narrowest)))
    order = np.lexsort((table["left_mm"], np.round(table["top_mm"] / step)))
    return np.argsort(order)[piece], table.iloc[order].reset_index(drop=True)


def goes_round(table: pd.DataFrame) -> np.ndarray:
    """Return for each piece whether it has a hole and another piece lies within its box."""
    ends = table[BOX].to_numpy() * [1, 1, -1, -1]
    around = table["holes"].to_numpy() > 0
    around[around] = [(ends > ends[one]).all(axis=1).any() for one in np.flatnonzero(around)]
    return around


def narrowest_px(picture: Picture, piece, table: pd.DataFrame) -> np.ndarray:
    """Return the narrowest stroke of each piece, and where it is, in pixels; `piece` is that of each place of the rim.

    A row's or column's way from wall to wall, times the cosine of its angle to the walls, is a stroke's width where
    these run within 20° of parallel.
    """
    narrowest = np.min([4 * table["area_mm2"] / table["perimeter_mm"], table["right_mm"] - table["left_mm"],
                        table["bottom_mm"] - table["top_mm"]], axis=0) / picture.step_mm
    first, last = picture.rim
    steep = (first[:, 4] + last[:, 4]) / 2
    walls = ((first[:, 2:4] * last[:, 2:4]).sum(axis=1) < -_PARALLEL) & (steep > _STEEP)
    width, owner = (last[:, :2] - first[:, :2]).sum(axis=1) * steep, piece[:len(first)]
    order = np.flatnonzero(walls)[np.lexsort((width[walls], owner[walls]))]
    owner, width, long = owner[order], width[order], np.cumsum(steep[order])
    before = np.searchsorted(owner, owner)
    # A stretch of wall that leans counts by rows and by columns: together once.
    enough = long - np.where(before > 0, long[before - 1], 0) >= _LONG * width
    found = np.column_stack([narrowest, table[BOX[:2]].to_numpy() + table[BOX[2:]].to_numpy()])
    found[:, 1:] /= 2 * picture.step_mm
    # The narrowest of a piece comes first: written last, it stays.
    at = np.flatnonzero(enough & (width < narrowest[owner]))[::-1]
    middle = (first[order[at], :2] + last[order[at], :2]) / 2
    found[owner[at]] = np.column_stack([width[at], middle])
    return found
