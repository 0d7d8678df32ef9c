"""Suspects: readings to look at again.

Decides which readings smell of a mistake, and says why. Nothing is corrected or dropped: a suspect
stays in the fit until the maker strikes it out. Four things give a reading away: its energy per
volume is none that wood allows, it is an inch's factor off its swatch-mates, it lies further from
them than readings of this lab book do, or its whole swatch lies far from the curve. The last is
judged by the median of all swatches' deviations, so that a slip cannot hide itself by widening
what is usual; only the worst swatch of a wood and module is named, as a slip drags its neighbours'
curve along.

Source: energy per volume, see `testburn.labbook.woods`; 25.4 mm in an inch; studentised deviations with
the reading component of the fit, two-sided and corrected for the number of readings (Bonferroni).
"""

from collections.abc import Mapping
from math import log

import numpy as np
import pandas as pd
from scipy import special

from testburn import energy
from testburn.depthfit.depths import DepthFit
from testburn.depthfit.group import DOSE, GroupFit
from testburn.depthfit.swatches import COUNTED
from testburn.labbook import columns, slips, woods

# A reading this many times its fellows' median, and so many mm off it, is asked about.
_STRAY, _STRAY_PAIR, _STRAY_MM = 1.6, 3.0, 0.08
# A slip of unit is told by the factor it leaves: mm for inches, or cm.
_FACTORS = ((1 / energy.MM_PER_INCH, "typed in inches"), (energy.MM_PER_INCH, "inches turned into mm twice"),
            (0.1, "typed in cm"), (10.0, "a decimal point one place off"))
_NEAR = 0.25
_CHANCE = 0.05
# Deviations have longer tails than the normal: boards are in them too.
_SWATCH_TIMES = 1.5
# No board comes out half or twice as deep as its wood's curve; put right, a slip lies near it. Our own judgement.
_ODD, _LIKELY, _NO_DEPTH_MM = 2.0, 2.0, 1e-4


def suspects(fit: DepthFit, wood_table: pd.DataFrame) -> pd.DataFrame:
    """Return the readings to look at again, with `why` in words, worst first.

    Parameters
    ----------
    fit : DepthFit
    wood_table : DataFrame
        From `woods.read`.

    Returns
    -------
    DataFrame
        The columns of `fit.fitted` plus `times_sd` (deviation from the swatch-mates) and `why`.
    """
    rows = fit.fitted
    mates, others = _mates(rows)
    components = fit.components.set_index("component")["sd"]
    # Of two readings either may be the wrong one: both are judged by the shallower.
    middle = mates.where(others > 1, np.minimum(mates, rows["depth_mm"]))
    scatter = np.sqrt((components["reading"] * middle) ** 2 + components["gauge"] ** 2
                      + rows["gauge_step_mm"] ** 2 / 12)
    times = (rows["depth_mm"] - mates) / (scatter * np.sqrt(1 + 1 / others.clip(lower=1)))
    df = fit.components.set_index("component")["df"]["reading"]
    limit = special.stdtrit(max(df, 2), 1 - _CHANCE / (2 * max(len(rows), 1)))
    why = pd.DataFrame({
        "volume": _volume_words(rows, wood_table),
        "unit": _unit_words(rows["depth_mm"] / np.where(others > 0, mates, rows["fitted_mm"])),
        "mates": np.where((times.abs() > limit) & (others > 0),
                          "far from the other readings of its swatch", ""),
        "swatch": _swatch_words(rows, components["gauge"]),
    }, index=rows.index)
    # Where a cause is plain, a neighbour that the slip has dragged off the curve is not accused.
    plain = (why["volume"] != "") | (why["unit"] != "")
    group = [rows[name] for name in columns.GROUP_KEY]
    why.loc[plain.groupby(group).transform("any") & ~plain, "swatch"] = ""
    words = why.apply(lambda row: "; ".join(part for part in row if part), axis=1)
    found = rows.assign(times_sd=times, why=words, plain=plain)[words != ""]
    return found.sort_values(["plain", "times_sd"], key=abs, ascending=False).drop(columns="plain")


def slip(group: GroupFit, reading: Mapping) -> str:
    """Return which slip would explain a depth that a group's curve does not expect; nothing where none is odd.

    Parameters
    ----------
    group : GroupFit
    reading : mapping
        module_w, power_pct, speed_mm_s, line_pitch_mm, passes and depth_mm, as they were typed.
    """
    def off(typed):
        dose = energy.areal_dose(energy.line_energy(typed["module_w"], typed["power_pct"], typed["speed_mm_s"],
                                                    typed["passes"]), typed["line_pitch_mm"])
        expected = float(group.mean(np.array([dose]))[0])
        return log(max(typed["depth_mm"], _NO_DEPTH_MM) / max(expected, _NO_DEPTH_MM)) / log(_LIKELY)

    return slips.explaining(reading, off) if abs(off(reading)) * log(_LIKELY) > log(_ODD) else ""


def stray(depths_mm) -> str:
    """Say which reading of one recess lies far from the others, and what it was probably meant to be; mostly nothing.

    Of three readings or more; of two that are far apart it is not known which is the slip. What wood and gauge scatter is far
    less than these bounds (our own judgement).
    """
    depths = np.array([float(depth) for depth in depths_mm])
    if len(depths) < 2 or not (depths > 0).all():
        return ""
    if len(depths) == 2:
        apart = depths.max() - depths.min() >= _STRAY_MM and depths.max() / depths.min() >= _STRAY_PAIR
        return f"the readings {depths[0]:g} and {depths[1]:g} mm of one recess lie far apart: one of them may be a slip" * bool(apart)
    place = int(np.abs(np.log(depths / np.median(depths))).argmax())
    depth, others = depths[place], np.delete(depths, place)
    middle = float(np.median(others))
    if abs(depth - middle) < _STRAY_MM or 1 / _STRAY < depth / middle < _STRAY:
        return ""
    # The factors that slips leave, and a point that was left out or doubled.
    meant = next((depth * factor for factor in (*(factor for factor, _ in _FACTORS), 100, 0.01)
                  if 0.8 < depth * factor / middle < 1.25), None)
    return (f"the reading {depth:g} mm lies far from the others of its recess ({', '.join(f'{one:g}' for one in others[:4])})"
            + (f": {meant:.3g} would fit" if meant else ""))


def _swatch_words(rows: pd.DataFrame, gauge_mm: float) -> np.ndarray:
    """Say which swatch, the worst of each wood and module at most, lies far from its curve."""
    swatches = rows.groupby([*columns.GROUP_KEY, "burn", "swatch"])[[COUNTED, "fitted_mm"]].mean()
    off = (swatches[COUNTED] / swatches["fitted_mm"].clip(lower=gauge_mm) - 1).abs()
    usual = np.hypot(1.4826 * off.median(), gauge_mm / swatches["fitted_mm"].clip(lower=gauge_mm))
    times = off / usual
    worst = times == times.groupby(level=list(range(len(columns.GROUP_KEY)))).transform("max")
    odd = worst & (times > _SWATCH_TIMES * special.ndtri(1 - _CHANCE / (2 * len(times))))
    places = pd.MultiIndex.from_frame(rows[[*columns.GROUP_KEY, "burn", "swatch"]])
    return np.where(odd.reindex(places).to_numpy(), "its whole swatch lies far from the curve", "")


def _mates(rows: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Return the median of the other readings of each reading's swatch, and how many they are."""
    swatch = rows.groupby(["burn", "swatch"], sort=False)["depth_mm"]
    medians = swatch.transform(_median_of_others)
    return medians, swatch.transform("size") - 1


def _median_of_others(depths: pd.Series) -> pd.Series:
    values = depths.to_numpy()
    if len(values) < 2:
        return depths
    return pd.Series([np.median(np.delete(values, place)) for place in range(len(values))],
                     index=depths.index)


def _volume_words(rows: pd.DataFrame, wood_table: pd.DataFrame) -> np.ndarray:
    """Say where the energy per volume is outside what wood allows."""
    known = rows["species"].map(wood_table["specific_gravity_12pct"])
    limits = woods.volume_energy_limits(known).set_axis(rows.index)
    spent = energy.volume_energy(rows[DOSE], rows["depth_mm"].where(rows["depth_mm"] > 0))
    said = [f"{joules:.3g} J/mm³ is less than heating wood to 300 °C takes" if joules < low
            else f"{joules:.3g} J/mm³ is more than wood is known to take"
            + ", perhaps typed in inches" * (usual_low <= joules / energy.MM_PER_INCH <= usual_high) if joules > high else ""
            for joules, low, high, usual_low, usual_high in zip(spent, limits["refuse_below"], limits["warn_above"],
                                                                limits["warn_below"], limits["usual_high"])]
    return np.array(said, dtype=object)


def _unit_words(ratio: pd.Series) -> np.ndarray:
    """Say which unit slip a ratio to the expected depth smells of."""
    words = np.full(len(ratio), "", dtype=object)
    for factor, slip in _FACTORS:
        near = (ratio / factor - 1).abs() < _NEAR
        words[near.to_numpy()] = f"perhaps {slip}"
    return words
