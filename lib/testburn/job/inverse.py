"""Inverse: at which x a band reaches a wanted height, and between which limits.

Decides by inverting the band itself: the centre gives the point, the upper bound the lower limit
(below it the height is out of reach), the lower bound the upper limit (from it on the height is
sure). No straight-line guess of the error is made, so the limits are lopsided where the band is,
and a limit that does not exist is said to be missing rather than made up. It knows nothing of
wood, so that published calibrations can be run through it.

Source: calibration limits by inversion of the prediction band, Greenwell & Schubert Kabban 2014,
The R Journal 6(1):90-100; for a straight line with constant scatter these are Fieller's limits.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize

_GRID = 400


@dataclass(frozen=True)
class Limits:
    """Where a band reaches a height; NaN where it does not.

    `kind` is finite, no upper limit, no lower limit, no limit, too shallow (the centre is above
    the height from the start) or too deep (the centre never reaches it).
    """

    best: float
    lower: float
    upper: float
    kind: str


def limits(band: Callable, height: float, start: float, stop: float) -> Limits:
    """Return where a band crosses a height between start and stop.

    Parameters
    ----------
    band : function
        x (n,) → centre, lower bound, upper bound, each (n,). The centre rises with x.
    height : float
    start, stop : float
        Where to look.
    """
    grid = np.linspace(start, stop, _GRID)
    drawn = band(grid)

    def crossing(which: int) -> float:
        """The first x where the line rises through the height: -inf before start, NaN never."""
        above = drawn[which] >= height
        if above[0]:
            return -np.inf
        if not above.any():
            return np.nan
        place = int(np.argmax(above))
        return optimize.brentq(lambda x: band(np.array([x]))[which][0] - height,
                               grid[place - 1], grid[place], xtol=1e-14, rtol=1e-14)

    best, upper, lower = (crossing(which) for which in range(3))
    if np.isnan(best) or np.isinf(best):
        return Limits(np.nan, np.nan, np.nan, "too deep" if np.isnan(best) else "too shallow")
    has_lower, has_upper = np.isfinite(lower), np.isfinite(upper)
    kind = {(True, True): "finite", (True, False): "no upper limit",
            (False, True): "no lower limit", (False, False): "no limit"}[has_lower, has_upper]
    return Limits(best, lower if has_lower else np.nan, upper if has_upper else np.nan, kind)
