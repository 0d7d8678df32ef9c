"""Lines picture: what the head does, as strokes to draw.

Decides which strokes stand for a sweep on paper: a few of its lines, evenly thinned, each with what
burns, what is swept blank, and the run-up and run-out at its ends; and the travel from sweep to sweep.
"""

import numpy as np
import pandas as pd

from testburn.sweep import lines, sweeps as sweep
from testburn.sweep.sweeps import SweepPlan

BURN, BLANK, RUN_UP, TRAVEL = "burning", "blank wood", "run-up and turn", "travel"


def strokes(plan: SweepPlan, speed_mm_s: float, most_lines: int = 60) -> pd.DataFrame:
    """Return the strokes of every way: way, kind, x0_mm, y0_mm, x1_mm, y1_mm.

    Parameters
    ----------
    plan : SweepPlan
    speed_mm_s : float
        The run-up grows with it.
    most_lines : int
        How many of the artwork's lines are drawn at most.
    """
    _, top, _, bottom = plan.artwork.bounds_mm
    at = lines.positions_mm(top, bottom, plan.line_pitch_mm)
    at = at[(len(at) - 1) % max(1, len(at) // most_lines) // 2::max(1, len(at) // most_lines)]
    a = plan.machine.acceleration_mm_s2
    run_up = 0.0 if a is None else float(sweep.run_up_mm(speed_mm_s, a))
    line, piece, left, right = (np.concatenate(parts) for parts in zip(*lines.cut(plan.artwork.pieces, at)))
    spans = pd.DataFrame({"line": line, "piece": piece, "x0_mm": left, "x1_mm": right, "y0_mm": at[line]})
    return pd.concat([_of(way, spans, at, run_up, plan.machine.skips_blanks) for way in plan.ways],
                     ignore_index=True)


def _of(way, spans, at_mm, run_up_mm, skips_blanks) -> pd.DataFrame:
    """Return the strokes of one way."""
    if skips_blanks:
        swept = spans.assign(sweep=way.sweep_of_piece[spans["piece"]]).groupby(["sweep", "line"]).agg(
            x0_mm=("x0_mm", "min"), x1_mm=("x1_mm", "max"), y0_mm=("y0_mm", "first"))
    else:
        swept = pd.DataFrame([(box.left_mm, box.right_mm, y) for box in way.boxes.itertuples()
                              for y in at_mm[(at_mm >= box.top_mm) & (at_mm <= box.bottom_mm)]],
                             columns=["x0_mm", "x1_mm", "y0_mm"])
    before = swept.assign(x1_mm=swept["x0_mm"], x0_mm=swept["x0_mm"] - run_up_mm)
    after = swept.assign(x0_mm=swept["x1_mm"], x1_mm=swept["x1_mm"] + run_up_mm)
    level = pd.concat([spans.assign(kind=BURN), swept.assign(kind=BLANK),
                       *([before.assign(kind=RUN_UP), after.assign(kind=RUN_UP)] if run_up_mm else [])])
    boxes = way.boxes
    travel = pd.DataFrame({
        "kind": TRAVEL, "x0_mm": boxes["end_mm"][:-1].to_numpy(), "y0_mm": boxes["bottom_mm"][:-1].to_numpy(),
        "x1_mm": boxes["begin_mm"][1:].to_numpy(), "y1_mm": boxes["top_mm"][1:].to_numpy()})
    drawn = pd.concat([level.assign(y1_mm=level["y0_mm"]), travel])
    return drawn.assign(way=way.name)[["way", "kind", "x0_mm", "y0_mm", "x1_mm", "y1_mm"]]
