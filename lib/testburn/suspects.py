"""Suspects: readings to look at again.

Decides which readings smell of a mistake, and says why. Nothing is corrected or dropped: a suspect
stays in the fit until the maker strikes it out. Three things give a reading away: its energy per
volume is none that wood allows, it is an inch's factor off its swatch or its curve, or it lies
further from its swatch-mates than readings of this lab book do.

Source: energy per volume, see `testburn.woods`; 25.4 mm in an inch; studentised deviations with
the reading component of the fit, two-sided and corrected for the number of readings (Bonferroni).
"""

import numpy as np
import pandas as pd
from scipy import stats

from testburn import energy, woods
from testburn.depthfit import DepthFit
from testburn.depthgroup import DOSE

# A slip of unit is told by the factor it leaves: mm for inches, or cm.
_FACTORS = ((1 / energy.MM_PER_INCH, "typed in inches"), (energy.MM_PER_INCH, "inches turned into mm twice"),
            (0.1, "typed in cm"), (10.0, "a decimal point one place off"))
_NEAR = 0.25
_CHANCE = 0.05


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
    scatter = np.sqrt((components["reading"] * mates) ** 2 + components["gauge"] ** 2
                      + rows["gauge_step_mm"] ** 2 / 12)
    times = (rows["depth_mm"] - mates) / (scatter * np.sqrt(1 + 1 / others.clip(lower=1)))
    df = fit.components.set_index("component")["df"]["reading"]
    limit = stats.t.ppf(1 - _CHANCE / (2 * max(len(rows), 1)), max(df, 2))
    why = pd.DataFrame({
        "volume": _volume_words(rows, wood_table),
        "unit": _unit_words(rows["depth_mm"] / np.where(others > 0, mates, rows["fitted_mm"])),
        "mates": np.where((times.abs() > limit) & (others > 0),
                          "far from the other readings of its swatch", ""),
    }, index=rows.index)
    words = why.apply(lambda row: "; ".join(part for part in row if part), axis=1)
    found = rows.assign(times_sd=times, why=words)[words != ""]
    return found.sort_values("times_sd", key=abs, ascending=False)


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
    said = [f"{joules:.2g} J/mm³ is less than heating wood to 300 °C takes" if joules < low
            else f"{joules:.2g} J/mm³ is more than wood is known to take" if joules > high else ""
            for joules, low, high in zip(spent, limits["refuse_below"], limits["warn_above"])]
    return np.array(said, dtype=object)


def _unit_words(ratio: pd.Series) -> np.ndarray:
    """Say which unit slip a ratio to the expected depth smells of."""
    words = np.full(len(ratio), "", dtype=object)
    for factor, slip in _FACTORS:
        near = (ratio / factor - 1).abs() < _NEAR
        words[near.to_numpy()] = f"perhaps {slip}"
    return words
