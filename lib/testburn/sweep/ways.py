"""Sweep ways: three ways to sweep artwork, and what the head's time is spent on in each.

Decides which pieces are swept together. "each piece" sweeps every piece by itself; "rows" sweeps
together what overlaps from top to bottom, such as the letters of a line of words; "full width" sweeps
everything at once. A border, or a bar beside several rows, is a row of its own. Sweeps follow one
another in reading order, each from its top left.

A machine that skips blanks sweeps a line from its first burn to its last, hurries over gaps as far
as its travel speed allows, and jumps lines on which nothing burns; another sweeps every line of a
sweep over the sweep's whole width. One that speeds up and slows down on the wood is taken to have its
speed at every gap in a line: short of it only where a line's first or last piece is shorter than a run-up.

Source: constant-acceleration kinematics, closed forms; checked by integrating the head's pace
place by place in tests/sweep/test_sweep.py.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from testburn.labbook import Machine
from testburn.sweep import lines
from testburn.sweep.artwork import Artwork
from testburn.sweep.head import hurry_s, rest_to_rest_s, run_up_mm, slowing_s, turn_s

EACH, ROWS, FULL = "each piece", "rows", "full width"
PARTS = ("burn_minutes", "blank_minutes", "turn_minutes", "travel_minutes")
_BLOCK = 1_000_000
_ALIKE = np.log(1.01)


@dataclass(frozen=True, eq=False)
class Way:
    """One way to sweep: lengths and counts from which the seconds at any speed follow.

    `gaps`, and `shifts` from a line to the next, are blanks to hurry over (a machine that skips blanks), `blank_mm`
    blanks swept at set speed; `extents` are the lines: of each (n, 2) lengths in mm and how many of them. `across_mm`,
    `down_mm` lead from one sweep's last burn to the next one's first; `beyond` says how many run-ups nearer (after a
    line to the right) the stops lie. `boxes` has a row a sweep: left_mm, top_mm, right_mm, bottom_mm, lines, burn_mm,
    begin_mm, end_mm (where the first line is entered and the last one left).
    """

    name: str
    sweep_of_piece: np.ndarray
    boxes: pd.DataFrame
    burn_mm: float
    blank_mm: float
    gaps: np.ndarray
    shifts: np.ndarray
    extents: np.ndarray
    jump_mm: np.ndarray
    across_mm: np.ndarray
    down_mm: np.ndarray
    beyond: np.ndarray

    @property
    def sweeps(self) -> int:
        """How many sweeps it takes."""
        return len(self.boxes)

    @property
    def lines(self) -> int:
        """How many lines are swept, a line once in every sweep it belongs to."""
        return int(self.boxes["lines"].sum())

    def parts_s(self, speeds_mm_s: np.ndarray, machine: Machine) -> tuple[np.ndarray, ...]:
        """Return the seconds of burning, blanks, turns and travel, an array over the speeds each.

        A turn between two sweeps is a turn like any other; its travel comes on top, from rest to rest.
        The first run-up and the last run-out are left out, as for a rectangle.
        """
        blank, travel = self.blank_mm / speeds_mm_s, self._travel_s(speeds_mm_s, machine)
        turns = (self.lines - 1) * turn_s(speeds_mm_s, machine)
        hurried = np.vstack([self.gaps, self.shifts]) if machine.runs_up_outside else self.gaps
        if len(hurried):
            blank = blank + hurry_s(hurried[:, 0], speeds_mm_s[:, None], machine) @ hurried[:, 1]
        if not machine.runs_up_outside:
            # The head stands still at the end of every line.
            turns = turns + slowing_s(self.extents[:, 0], speeds_mm_s[:, None], machine) @ self.extents[:, 1]
            travel = travel + rest_to_rest_s(self.shifts[:, 0], machine) @ self.shifts[:, 1]
        return self.burn_mm / speeds_mm_s, blank, turns, travel

    def _travel_s(self, speeds, machine):
        seconds = np.full(len(speeds), rest_to_rest_s(self.jump_mm, machine).sum())
        # A stop lies a run-up beyond the last burn, a start a run-up before the first.
        block = max(1, _BLOCK // max(len(self.across_mm), 1))
        for begin in range(0, len(speeds), block):
            run_up = machine.runs_up_outside * run_up_mm(speeds[begin:begin + block, None], machine.acceleration_mm_s2)
            way = np.hypot(self.across_mm - self.beyond * run_up, self.down_mm)
            seconds[begin:begin + block] += rest_to_rest_s(way, machine).sum(axis=1)
        return seconds


def ways(art: Artwork, at_mm: np.ndarray, skips_blanks: bool) -> tuple[tuple[Way, ...], int]:
    """Return the three ways over the lines, and how many pieces no line meets.

    Raises
    ------
    ValueError
        If no line meets any piece.
    """
    first, count = lines.of_runs(art, at_mm)
    spans = pd.DataFrame({"piece": art.piece, "first": first, "count": count, "left": art.left_mm,
                          "right": art.right_mm})[count > 0]
    if spans.empty:
        raise ValueError("No line meets the artwork: every piece is lower than the pitch. Take a smaller pitch.")
    groups = {EACH: each_piece(art.pieces), ROWS: rows(art.pieces), FULL: np.zeros(len(art.pieces), int)}
    found = tuple(_way(name, group, spans, at_mm, skips_blanks) for name, group in groups.items())
    return found, len(art.pieces) - spans["piece"].nunique()


def each_piece(pieces: pd.DataFrame) -> np.ndarray:
    """Return a sweep for every piece, numbered row by row and from the left."""
    return np.argsort(np.lexsort((pieces["left_mm"], rows(pieces))))


def rows(pieces: pd.DataFrame) -> np.ndarray:
    """Return the row of each piece, numbered from the top.

    Pieces join from the lowest to the tallest. One that goes round others, or bridges rows less than
    half its height (a bar beside several lines of words), is a row of its own.
    """
    left, top, bottom, alone = pieces[["left_mm", "top_mm", "bottom_mm", "goes_round"]].to_numpy().T
    alone = alone.astype(bool)
    row_top, row_bottom, members = np.zeros(0), np.zeros(0), []
    for at in np.argsort(bottom - top, kind="stable"):
        if alone[at]:
            continue
        met = (row_top <= bottom[at]) & (row_bottom >= top[at])
        if met.sum() > 1 and bottom[at] - top[at] > 2 * (row_bottom - row_top)[met].max():
            alone[at] = True
            continue
        joined = [at, *(one for place in np.flatnonzero(met) for one in members[place])]
        members = [row for row, gone in zip(members, met) if not gone] + [joined]
        row_top = np.append(row_top[~met], top[joined].min())
        row_bottom = np.append(row_bottom[~met], bottom[joined].max())
    members += [[at] for at in np.flatnonzero(alone)]
    members.sort(key=lambda row: (top[row].min(), left[row].min()))
    row_of = np.empty(len(pieces), int)
    for place, row in enumerate(members):
        row_of[row] = place
    return row_of


def _way(name, sweep_of_piece, spans, at_mm, skips_blanks) -> Way:
    """Return one way. Every sweep begins at its left and goes there and back, from top to bottom."""
    spans = spans.assign(sweep=sweep_of_piece[spans["piece"]]).sort_values(["sweep", "first", "left"])
    first, count, left, right, sweep = (spans[of].to_numpy() for of in ("first", "count", "left", "right", "sweep"))
    beside = (sweep[1:] == sweep[:-1]) & (first[1:] == first[:-1])
    gaps = _counted((left[1:] - right[:-1])[beside], count[1:][beside])
    burn = np.add.reduceat((right - left) * count, _begins(sweep))
    # From here on an entry a row of pixels that its sweep burns, which several lines may meet.
    begins, ends = np.append(True, ~beside), np.append(~beside, True)
    first, count, left, right, sweep = first[begins], count[begins], left[begins], right[ends], sweep[begins]
    opens, last = _begins(sweep), first + count - 1
    closes, follows = np.append(opens[1:], len(sweep)) - 1, sweep[1:] == sweep[:-1]
    before = np.cumsum(count) - count
    before -= np.repeat(before[opens], closes - opens + 1)
    entry, leave = np.where(before % 2, right, left), np.where((before + count) % 2, right, left)
    shifts = np.abs(entry[1:] - leave[:-1])[follows]
    jumped = (first[1:] - last[:-1])[follows]
    boxes = pd.DataFrame({
        "left_mm": np.minimum.reduceat(left, opens), "top_mm": at_mm[first[opens]],
        "right_mm": np.maximum.reduceat(right, opens), "bottom_mm": at_mm[last[closes]],
        "lines": np.add.reduceat(count, opens), "burn_mm": burn, "begin_mm": entry[opens], "end_mm": leave[closes]})
    extents, blank = _counted(right - left, count), 0.0
    if not skips_blanks:
        boxes["lines"] = last[closes] - first[opens] + 1
        wide = (boxes["right_mm"] - boxes["left_mm"]).to_numpy()
        boxes["begin_mm"] = boxes["left_mm"]
        boxes["end_mm"] = boxes["right_mm"].where(boxes["lines"] % 2 == 1, boxes["left_mm"])
        gaps, shifts, jumped, extents = gaps[:0], shifts[:0], jumped[:0], np.column_stack([wide, boxes["lines"]])
        blank = float(extents.prod(axis=1).sum() - burn.sum())
    begin, end, top, bottom = (boxes[of].to_numpy() for of in ("begin_mm", "end_mm", "top_mm", "bottom_mm"))
    pitch = at_mm[1] - at_mm[0] if len(at_mm) > 1 else 0.0
    return Way(name, sweep_of_piece, boxes, float(burn.sum()), blank, gaps,
               _counted(shifts, np.ones(len(shifts))), extents, jumped[jumped > 1] * pitch,
               across_mm=begin[1:] - end[:-1], down_mm=top[1:] - bottom[:-1],
               beyond=np.where(boxes["lines"][:-1] % 2 == 1, 2.0, 0.0))


def _begins(sweep) -> np.ndarray:
    """Return where each sweep begins."""
    return np.flatnonzero(np.append(True, sweep[1:] != sweep[:-1]))


def _counted(lengths_mm, count) -> np.ndarray:
    """Return lengths and how many there are of each; of those within 1 % the mean, which is right to about 1e-5."""
    some = lengths_mm > 0
    lengths, count = lengths_mm[some], count[some]
    box = np.unique(np.round(np.log(lengths) / _ALIKE), return_inverse=True)[1]
    many = np.bincount(box, count)
    return np.column_stack([np.bincount(box, lengths * count) / many, many])
