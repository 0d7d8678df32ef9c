"""Sweep: how long the head takes over a drawing.

Decides what of an SVG burns (what a renderer shows that is not white), or refuses it by name; how it is cut into
lines; three ways to sweep them, and the minutes of each by the head's own kinematics. The ground: a renderer held to
what a browser shows, and a head that speeds up and slows down evenly.
`timedruns`, which reads acceleration off a stopwatch, is imported by name.
"""

from testburn.sweep import artwork, lines
from testburn.sweep.artwork import Artwork
from testburn.sweep.head import heads, minutes, run_up_mm
from testburn.sweep.lines import line_count
from testburn.sweep.recalled import read
from testburn.sweep.svgfile import SIZE_IN_PX, ArtworkError
from testburn.sweep.sweeps import SweepPlan, plan, slow_ends

__all__ = ["SIZE_IN_PX", "Artwork", "ArtworkError", "SweepPlan", "artwork", "heads", "line_count", "lines", "minutes",
           "plan", "read", "run_up_mm", "slow_ends"]
