"""Lines: artwork cut into lines at a pitch.

Decides where the lines lie, and which of them burn which stretch: a line burns what the row of pixels it lies in burns.
All ways of sweeping burn the same lines, laid over the whole artwork.
"""

import numpy as np

from testburn.sweep.artwork import Artwork

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


def of_runs(art: Artwork, at_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return for each run of the artwork the first line that burns it, and how many do.

    Parameters
    ----------
    art : Artwork
    at_mm : array
        Where the lines lie, rising.
    """
    row = np.clip(np.floor(at_mm / art.step_mm + 1e-9), art.row[0], art.row[-1]).astype(int)
    first = np.searchsorted(row, art.row)
    return first, np.searchsorted(row, art.row, side="right") - first


def cut(art: Artwork, at_mm: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return every burned span, sorted by line and place: arrays line, piece, left_mm, right_mm; see `of_runs`."""
    first, count = of_runs(art, at_mm)
    run = np.repeat(np.arange(len(first)), count)
    line = first[run] + np.arange(len(run)) - np.repeat(np.cumsum(count) - count, count)
    order = np.argsort(line, kind="stable")
    return line[order], *(of[run[order]] for of in (art.piece, art.left_mm, art.right_mm))
