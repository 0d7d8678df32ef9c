"""Pieces: which burned runs hang together, and how narrow a stroke is.

Decides that runs of neighbouring rows belong together where they overlap (what only touches in a point is two), which
piece goes round another, and the narrowest stroke: the smallest distance of two walls that run within 20° of parallel
for 1.2 times that distance, but no more than the largest disc of any piece.

Source: an outline's length from its crossings with a grid, each weighted by its normal (Cauchy's formula, by its local
form: sin² + cos² = 1); the largest disc that touches a wall at a point by the shrinking ball (Ma, Bae and Choi 2012,
The Visual Computer 28, 7), from memory; a figure's holes by Euler's formula: runs less contacts.
"""

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

_MOST_BALLS, _ROUNDS, _WHISKER_PX = 6_000, 60, 0.1
_PARALLEL, _LONG = np.cos(np.radians(20)), 1.2


def labelled(row, first, after, diagonal: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Return the piece of each run, numbered by first run, and the contacts as pairs of runs.

    Parameters
    ----------
    row, first, after : int arrays
        Runs sorted by row and place; `after` is the first pixel behind the run.
    diagonal : bool
        Whether runs that touch at a corner hang together.
    """
    if not len(row):
        return np.zeros(0, int), np.zeros((2, 0), int)
    wide = int(after.max()) + 2
    begins, ends = row * wide + first, row * wide + after
    # Runs of the next row that end behind this one's beginning and begin before its end.
    low = np.searchsorted(ends, begins + wide, side="left" if diagonal else "right")
    high = np.searchsorted(begins, ends + wide, side="right" if diagonal else "left")
    count = np.maximum(high - low, 0)
    upper = np.repeat(np.arange(len(row)), count)
    lower = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(low, count)
    graph = coo_array((np.ones(len(upper), bool), (upper, lower)), shape=(len(row), len(row)))
    return connected_components(graph, directed=False)[1], np.stack([upper, lower])


def table(picture, piece, contacts) -> pd.DataFrame:
    """Return a row a piece: left_mm, top_mm, right_mm, bottom_mm, area_mm2, perimeter_mm, holes, row (its first)."""
    step, number = picture.step_mm, int(piece.max()) + 1
    x, y, _, _, stands_for, run = picture.rim.T
    owner = piece[run.astype(int)]
    ends = np.full((4, number), np.inf)
    for end, values in zip(ends, (x, y, -x, -y)):
        np.minimum.at(end, owner, values)
    return pd.DataFrame({
        "left_mm": ends[0] * step, "top_mm": ends[1] * step, "right_mm": -ends[2] * step, "bottom_mm": -ends[3] * step,
        "area_mm2": np.bincount(piece, picture.paint, number) * step ** 2,
        "perimeter_mm": np.bincount(owner, stands_for, number) * step,
        "holes": 1 - np.bincount(piece, minlength=number) + np.bincount(piece[contacts[0]], minlength=number)})


def goes_round(row, first, after, piece) -> np.ndarray:
    """Return for each piece whether another lies in one of its holes."""
    around = np.zeros(int(piece.max()) + 1, bool)
    wide, edge = int(after.max()) + 1, np.flatnonzero(np.append(True, np.diff(row) != 0))
    # The gaps of each row, its margins and the rows above and below included, are runs of bare wood.
    rows = np.arange(row[0] - 1, row[-1] + 2)
    gap_row = np.concatenate([row, row[edge], np.setdiff1d(rows, row[edge])])
    gap_first = np.concatenate([after, np.full(len(gap_row) - len(row), -1)])
    gap_after = np.concatenate([np.append(first[1:], wide), first[edge], np.full(len(gap_row) - len(row) - len(edge), wide)])
    gap_after[:len(row)][np.append(edge[1:] - 1, len(row) - 1)] = wide
    order = np.lexsort((gap_first, gap_row))
    gap_row, gap_first, gap_after = gap_row[order], gap_first[order], gap_after[order]
    bare, _ = labelled(gap_row, gap_first + 1, gap_after + 1, diagonal=True)
    # Bare wood is numbered from its top: above its first gap lies the piece that goes round it.
    key = gap_row * (wide + 2) + gap_first
    beside = bare[np.searchsorted(key, row * (wide + 2) + first, side="right") - 1]
    top_gap = np.unique(bare, return_index=True)[1]
    above = np.searchsorted(row * (wide + 2) + first, (gap_row[top_gap] - 1) * (wide + 2) + gap_first[top_gap], side="right") - 1
    outer = np.where(bare[0] == np.arange(len(top_gap)), -1, piece[above])
    inside = outer[beside[np.unique(piece, return_index=True)[1]]]
    around[inside[inside >= 0]] = True
    return around


def narrowest_px(rim, piece) -> float:
    """Return the narrowest stroke, in pixels; `piece` is that of each place of the rim.

    Looked for at some places of the rim, then at every place around the narrow ones.
    """
    points, every = rim[:, :2], 1 + len(rim) // _MOST_BALLS
    asked = np.arange(0, len(rim), every)
    disc, partner = _balls(points, rim[:, 2:4], asked)
    largest = np.zeros(int(piece.max()) + 1)
    np.maximum.at(largest, piece[asked], disc)
    # No stroke is narrower all over than the largest disc of its piece.
    widest = largest[largest > 0].min()
    rough, middle = _narrowest(rim, asked, disc, partner, every, widest)
    if every > 1 and len(middle):
        asked = np.flatnonzero(cKDTree(middle).query(points, distance_upper_bound=2 * rough)[0] < np.inf)
        rough, _ = _narrowest(rim, asked, *_balls(points, rim[:, 2:4], asked), 1, widest)
    return float(rough)


def _narrowest(rim, asked, disc, partner, every, widest):
    """Return the narrowest stroke by the discs at some places, and the middles of discs hardly larger."""
    wall = np.flatnonzero((rim[partner, 2:4] * rim[asked, 2:4]).sum(axis=1) < -_PARALLEL)
    wall = wall[np.argsort(disc[wall], kind="stable")]
    disc, long, best = disc[wall], rim[asked[wall], 4] * every, widest
    middle = rim[asked[wall], :2] + rim[asked[wall], 2:4] * disc[:, None] / 2
    tree = cKDTree(middle) if len(wall) else None
    for one in range(len(wall)):
        if disc[one] >= best:
            break
        near = np.sort(tree.query_ball_point(middle[one], disc[one]))
        enough = np.flatnonzero(np.cumsum(long[near]) >= 2 * _LONG * disc[near])
        if len(enough):
            best = min(best, disc[near[enough[0]]])
    return best, middle[disc <= 1.5 * best]


def _balls(points, inward, asked):
    """Return the diameter of the largest disc inside that touches each asked point, and the point opposite."""
    tree, at = cKDTree(points), asked.copy()
    radius, partner = np.full(len(asked), np.ptp(points, axis=0).max() + 1.0), asked.copy()
    open_now = np.arange(len(asked))
    for _ in range(_ROUNDS):
        here, normal, old = points[at[open_now]], inward[at[open_now]], radius[open_now]
        near, found = tree.query(here + normal * old[:, None])
        apart = points[found] - here
        deep = (apart * normal).sum(axis=1)
        size = (apart ** 2).sum(axis=1) / (2 * np.maximum(deep, 1e-9))
        # A neighbour a little inside is the grain of the picture, not a wall.
        closer = (near < old - _WHISKER_PX) & (deep > 1e-6) & (size < old)
        open_now, size, found = open_now[closer], size[closer], found[closer]
        radius[open_now], partner[open_now] = size, found
        if not len(open_now):
            break
    return 2 * radius, partner
