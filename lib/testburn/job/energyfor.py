"""Energy for: the line energy that reaches a depth, with its limits, in numbers and in words.

Decides by inverting the band of the prediction itself: the centre gives the point, the upper bound the
lower limit (below it the depth is out of reach), the lower bound the upper limit (from it on the depth is
sure). No straight-line guess of the error is made, so the limits are lopsided where the band is, and a
limit that does not exist is said to be missing rather than made up. `limits` knows nothing of wood, so that
published calibrations can be run through it.

Source: calibration limits by inversion of the prediction band, Greenwell & Schubert Kabban 2014,
The R Journal 6(1):90-100; for a straight line with constant scatter these are Fieller's limits.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize

from testburn.depthfit import DepthFit, LEVEL, NEXT

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


# How far past the highest energy burned a crossing is still looked for.
_REACH = 10.0


@dataclass(frozen=True)
class EnergyFor:
    """The line energy for a wanted depth: J/mm, NaN where a limit does not exist."""

    depth_mm: float
    best: float
    lower: float
    upper: float
    level: float
    kind: str
    extrapolated: bool
    words: str


def line_energy_for(fit: DepthFit, species: str, module_w: float, depth_mm: float,
                    line_pitch_mm: float | None = None, level: float = LEVEL,
                    of: str = "reading", board: str = NEXT,
                    wavelength_nm: float | None = None, power_pct: float | None = None,
                    passes: int | None = None, module: str | None = None) -> EnergyFor:
    """Return the line energy that reaches a depth, with calibration limits.

    Parameters
    ----------
    fit : DepthFit
    depth_mm : float
        The wanted depth, above 0.
    of, board, power_pct, passes
        As in `DepthFit.predict`: whose depth the limits are for, and by which route.

    Returns
    -------
    EnergyFor
        best: where the curve reaches the depth; lower: the energy below which the depth is out of
        reach of the upper bound; upper: the energy from which even the lower bound has it; kind:
        see `Limits`.

    Raises
    ------
    ValueError
        If the wanted depth is not above 0, or the curve never reaches it.
    """
    if not depth_mm > 0:
        raise ValueError(f"A wanted depth of {depth_mm:g} mm makes no recess. Ask for more than 0.")
    return _of_group(fit, fit.group(species, module_w, wavelength_nm, module), depth_mm, line_pitch_mm, level, of, board,
                     power_pct, passes)


def _of_group(fit, group, depth_mm, line_pitch_mm, level=LEVEL, of="reading", board=NEXT, power_pct=None,
              passes=None) -> EnergyFor:
    """Return the line energy that reaches a depth in one group; see `line_energy_for`."""
    group.must_rise()
    top = group.line_energy_of(_REACH * group.doses[1], line_pitch_mm)

    def band(joules):
        rows = fit.band(group, joules, line_pitch_mm, level, of, board, power_pct, passes)
        return (rows[name].to_numpy() for name in ("depth_mm", "lower_mm", "upper_mm"))

    found = limits(lambda joules: tuple(band(joules)), depth_mm, top * 1e-9, top)
    shallow, deep = group.readings["depth_mm"].min(), group.readings["depth_mm"].max()
    if np.isnan(found.best):
        raise ValueError(
            f"{depth_mm:g} mm is out of reach for {group.name}: the readings span {shallow:g} to "
            f"{deep:g} mm. Burn {'shallower' if found.kind == 'too shallow' else 'deeper'} "
            "swatches, or ask for a depth in that range.")
    why = fit.predictive(group, found.best, line_pitch_mm, power_pct=power_pct, passes=passes)[2][0]
    # Where the upper bound has the depth at no energy at all, nothing is too little.
    lower = 0.0 if found.kind == "no lower limit" else found.lower
    return EnergyFor(depth_mm, found.best, lower, found.upper, level, found.kind, why != "",
                     _limits_in_words(found, level, why and (f"{shallow:g} to {deep:g} mm" if power_pct is passes is None
                                                             else why)))


def _limits_in_words(found, level, outside) -> str:
    share = f"at {100 * level:.7g} %"
    said = f"{found.best:.3f} J/mm" + {
        "finite": f", limits {found.lower:.3f} to {found.upper:.3f} J/mm {share}",
        "no upper limit": f"; at least {found.lower:.3f} J/mm, but no energy is sure to reach it "
                          f"{share}: depths scatter too much",
        "no lower limit": f"; from {found.upper:.3f} J/mm on it is sure {share}, but any less may "
                          "reach it too",
        "no limit": f"; not attainable {share}: depths scatter too much to tell",
    }[found.kind]
    if outside:
        said += f"; outside the readings ({outside}), burn there before you trust it"
    return said


def energy_needs(fit: DepthFit, depth_mm: float, line_pitch_mm: float) -> pd.DataFrame:
    """Return the line energy for one depth in every species × module that reaches it.

    Returns
    -------
    DataFrame
        species, module_w, wavelength_nm, module, depth_mm, best_j_mm, lower_j_mm, upper_j_mm (NaN where no
        limit exists), words, extrapolated.
    """
    rows = []
    for group in fit.groups:
        try:
            need = _of_group(fit, group, depth_mm, line_pitch_mm)
        except ValueError:
            continue
        rows.append(dict(species=group.species, module_w=group.module_w,
                         wavelength_nm=group.wavelength_nm, module=group.module, depth_mm=depth_mm, best_j_mm=need.best,
                         lower_j_mm=need.lower, upper_j_mm=need.upper, words=need.words,
                         extrapolated=need.extrapolated))
    return pd.DataFrame(rows, columns=["species", "module_w", "wavelength_nm", "module", "depth_mm",
                                       "best_j_mm", "lower_j_mm", "upper_j_mm", "words",
                                       "extrapolated"])


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
