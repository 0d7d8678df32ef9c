"""Lines: artwork cut into the spans that burn, line by line.

Decides which stretches of which line burn, and what lies between them when pieces are swept together:
gaps inside a line, the way from one line's end to the next one's beginning, and lines jumped because
nothing burns there. All ways of sweeping burn the same lines, laid over the whole artwork.

Memory is bounded: lines are cut a block at a time, and gaps are kept as a tally by length.
"""

from dataclasses import dataclass, field

import numpy as np

from testburn.sweep.artwork import Artwork

_BLOCK = 500_000
# Gaps of one tally box differ by 1 %; their mean stands for them, which is right to about 1e-5.
_BOX, _SHORTEST_MM, _BOXES = np.log(1.01), 1e-4, 1800
_WHISKER_MM = 1e-6


def line_count(height_mm, line_pitch_mm):
    """Return how many lines cover the height: floor(height / pitch) + 1."""
    # 60 / 0.08 is 749.9999…: a whisker keeps a whole number of pitches whole.
    return np.floor(height_mm / np.asarray(line_pitch_mm) + 1e-9) + 1


def positions_mm(top_mm: float, bottom_mm: float, line_pitch_mm: float) -> np.ndarray:
    """Return where the lines lie, centred over the height and a whisker inside its ends."""
    count = int(line_count(bottom_mm - top_mm, line_pitch_mm))
    reach = min((count - 1) * line_pitch_mm, bottom_mm - top_mm - 2 * _WHISKER_MM)
    middle = (top_mm + bottom_mm) / 2
    return np.linspace(middle - reach / 2, middle + reach / 2, count) if count > 1 else np.array([middle])


def cut(art: Artwork, at_mm: np.ndarray):
    """Yield the burned spans a block of lines at a time, as arrays line, piece, left_mm, right_mm.

    A line burns what the row of pixels it lies in burns. Within a block spans are sorted by line and place.

    Parameters
    ----------
    art : Artwork
    at_mm : array
        Where the lines lie, rising.
    """
    row = np.clip(np.floor(at_mm / art.step_mm + 1e-9), art.row[0], art.row[-1]).astype(int)
    low, high = np.searchsorted(art.row, row), np.searchsorted(art.row, row, side="right")
    spans, begin = np.cumsum(high - low), 0
    while begin < len(at_mm):
        done = spans[begin - 1] if begin else 0
        end = max(begin + 1, int(np.searchsorted(spans, done + _BLOCK, side="right")))
        count = (high - low)[begin:end]
        run = np.arange(count.sum()) + np.repeat(low[begin:end] - np.cumsum(count) + count, count)
        yield np.repeat(np.arange(begin, end), count), art.piece[run], art.left_mm[run], art.right_mm[run]
        begin = end


class Lengths:
    """Lengths counted in boxes, each a little longer than the one before: `count` of about `mm` each."""

    def __init__(self):
        self._count, self._total = np.zeros(_BOXES), np.zeros(_BOXES)

    def add(self, lengths_mm) -> None:
        """Count lengths; none is of no length."""
        lengths = lengths_mm[lengths_mm > 0]
        box = np.clip(np.log(lengths / _SHORTEST_MM) / _BOX, 0, _BOXES - 1).astype(int)
        self._count += np.bincount(box, minlength=_BOXES)
        self._total += np.bincount(box, lengths, _BOXES)

    @property
    def count(self) -> np.ndarray:
        """How many each box holds; empty boxes are left out."""
        return self._count[self._count > 0]

    @property
    def mm(self) -> np.ndarray:
        """The mean length of each box."""
        return self._total[self._count > 0] / self.count


@dataclass(eq=False)
class Tally:
    """What is between the burned spans, for pieces swept together.

    Every sweep begins at its left and goes there and back, top to bottom. Fill it block by block with
    `add`; then `lines`, `burn_mm` and the ends of each sweep, and of all the lengths of the gaps in a line, of the
    shifts from a line's end to where the next begins, and of the lines from first burn to last.
    """

    sweep_of_piece: np.ndarray
    jumps: list = field(default_factory=list)

    def __post_init__(self):
        sweeps = int(self.sweep_of_piece.max()) + 1
        self.lines, self.burn_mm = np.zeros(sweeps, int), np.zeros(sweeps)
        self.first_line, self.last_line = np.full(sweeps, -1), np.full(sweeps, -1)
        self.left_mm, self.right_mm = np.full(sweeps, np.inf), np.full(sweeps, -np.inf)
        self.entry_mm, self.exit_mm = np.zeros(sweeps), np.zeros(sweeps)
        self.gaps, self.shifts, self.extents = Lengths(), Lengths(), Lengths()

    def add(self, line, piece, left_mm, right_mm) -> None:
        """Count one block of spans."""
        if not len(line):
            return
        sweep = self.sweep_of_piece[piece]
        order = np.lexsort((left_mm, line, sweep))
        sweep, line, left_mm, right_mm = sweep[order], line[order], left_mm[order], right_mm[order]
        self.burn_mm += np.bincount(sweep, right_mm - left_mm, len(self.burn_mm))
        same = (sweep[1:] == sweep[:-1]) & (line[1:] == line[:-1])
        self.gaps.add((left_mm[1:] - right_mm[:-1])[same])
        begins, ends = np.append(True, ~same), np.append(~same, True)
        self._lines(sweep[begins], line[begins], left_mm[begins], right_mm[ends])

    def _lines(self, sweep, line, left, right):
        """Count lines, and the way from each to the next of its sweep."""
        new = np.append(True, sweep[1:] != sweep[:-1])
        at = np.flatnonzero(new)
        rank = np.arange(len(sweep)) - np.repeat(at, np.diff(np.append(at, len(sweep))))
        forth = (self.lines[sweep] + rank) % 2 == 0
        entry, leave = np.where(forth, left, right), np.where(forth, right, left)
        came_from = np.where(new, self.exit_mm[sweep], np.append(0.0, leave[:-1]))
        line_before = np.where(new, self.last_line[sweep], np.append(0, line[:-1]))
        follows = line_before >= 0
        self.shifts.add(np.abs(entry - came_from)[follows])
        self.extents.add(right - left)
        jumped = (line - line_before)[follows]
        self.jumps.append(jumped[jumped > 1])
        opens = sweep[~follows]
        self.first_line[opens], self.entry_mm[opens] = line[~follows], entry[~follows]
        last = np.append(sweep[1:] != sweep[:-1], True)
        self.last_line[sweep[last]], self.exit_mm[sweep[last]] = line[last], leave[last]
        self.lines += np.bincount(sweep, minlength=len(self.lines))
        np.minimum.at(self.left_mm, sweep, left)
        np.maximum.at(self.right_mm, sweep, right)
