"""Slips: which mistake of unit would explain a reading that cannot be, or that nobody expects.

Decides what a number was probably meant to be: a depth in inches or one place off, a speed in mm/min, lines per inch
for lines per cm, power as a share. A slip is named where the reading, put right, becomes likely, and the likeliest
is named first. Decides too which depth no wood gives: the energy that a cubic millimetre took is less than heating
it to 300 °C takes (`woods`), and which second pass cannot be. That is refused, not doubted.

Source: 25.4 mm in an inch, 60 s in a minute; the limits of energy per volume, see `woods`.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import log

import numpy as np
import pandas as pd

from testburn import energy
from testburn.labbook import columns, woods
from testburn.labbook.cells import fault, plain
from testburn.labbook.makerfile import Problem, told

_LESS_OFTEN = 0.5
_SETTING = ("module_w", *columns.MACHINE_SETTING)
# A second pass takes wood away: a mean below this share of the one before is a slip, not the readings' scatter. Judgement.
_SHALLOWER = 0.9
_SECOND_PASS = {column.name: column for column in columns.SECOND_PASSES}


@dataclass(frozen=True)
class Slip:
    """What was typed, times `factor`, is what was meant."""

    column: str
    factor: float
    words: str

    def said(self, typed: float) -> str:
        """Return the slip in words, with both numbers."""
        return self.words.format(typed=typed, meant=typed * self.factor, typed_lpc=energy.lines_per_cm(typed),
                                 typed_lpi=energy.MM_PER_INCH / typed)


_INCH, _PER_CM = energy.MM_PER_INCH, energy.MM_PER_INCH / energy.MM_PER_CM
SLIPS = (
    Slip("depth_mm", _INCH, "{typed:g} inches would be {meant:.3g} mm"),
    Slip("depth_mm", 1 / _INCH, "inches turned into mm twice: {meant:.3g} mm would fit"),
    Slip("depth_mm", _INCH / 1000, "{typed:g} thousandths of an inch would be {meant:.3g} mm"),
    Slip("depth_mm", 10, "a decimal point one place off: {meant:.3g} mm would fit"),
    Slip("depth_mm", 0.1, "a decimal point one place off: {meant:.3g} mm would fit"),
    Slip("depth_mm", 0.01, "a decimal point two places off: {meant:.3g} mm would fit"),
    Slip("speed_mm_s", 1 / 60, "{typed:g} mm/min would be {meant:.4g} mm/s"),
    Slip("speed_mm_s", _INCH, "{typed:g} inches per second would be {meant:.4g} mm/s"),
    Slip("line_pitch_mm", _PER_CM, "{typed_lpc:.4g} lines per inch would fit"),
    Slip("line_pitch_mm", 1 / _PER_CM, "{typed_lpi:.4g} lines per cm would fit"),
    Slip("power_pct", 100, "a share of {typed:g} would be {meant:g} %"),
)


def explaining(reading: Mapping, off: Callable[[dict], float]) -> str:
    """Return in words which slips would explain a reading, the likeliest first; nothing where none would.

    Parameters
    ----------
    reading : mapping
        module_w, power_pct, speed_mm_s, line_pitch_mm, passes and depth_mm.
    off : callable
        How far such a reading lies from what is likely, as the logarithm of a ratio; up to 1 is likely.
    """
    found = []
    for slip in SLIPS:
        typed = float(reading[slip.column])
        meant = {**reading, slip.column: typed * slip.factor}
        if meant["power_pct"] <= 100 and (distance := abs(off(meant))) <= 1:
            # A unit is taken for another more often than a point is put elsewhere.
            found.append((distance + _LESS_OFTEN * ("decimal" in slip.words), slip.said(typed)))
    return ", or ".join(words for _, words in sorted(found, key=lambda one: one[0])[:3])


def beyond_wood(readings: pd.DataFrame, where: pd.DataFrame, gravity: pd.Series, among=True) -> list[Problem]:
    """Find depths that took less energy than wood can have cost, with the slip that would explain each.

    Parameters
    ----------
    readings : DataFrame
        Typed; what is empty or at fault otherwise is passed over.
    where : DataFrame
        _file and _row of each.
    gravity : Series
        Specific gravity at 12 % by species.
    among : array of bool, optional
        Which readings are looked at.
    """
    dense = readings["species"].map(gravity).to_numpy(float)
    joules = energy.line_energy(*(readings[name].to_numpy(float) for name in ("module_w", "power_pct", "speed_mm_s",
                                                                             "passes")))
    depths, least = readings["depth_mm"].to_numpy(float), woods.REFUSE_BELOW_KJ_G * dense
    with np.errstate(all="ignore"):
        dose = joules / readings["line_pitch_mm"].to_numpy(float)
    # Multiplied, not divided: a depth of nothing took no energy.
    sound = (readings[["module_w", *columns.MACHINE_SETTING]].to_numpy(float) > 0).all(axis=1)
    bad = sound & (dose < least * depths) & among
    return [fault(columns.BY_NAME["depth_mm"], where, row, f"{depths[place]:g}",
                  f"{dose[place] / depths[place]:.2g} J/mm³ are less than heating {readings['species'][row]} takes "
                  f"({least[place]:.2g})", _remedy(readings.loc[row], dense[place]))
            for place, row in zip(told(bad), readings.index[told(bad)])]


def second_pass_faults(joined, rows, where, gravity) -> list[Problem]:
    """Find second passes (`rows`, and `joined` to their jobs) before their job, twice on one recess, that filled it up, or that dug more than wood gives."""
    before, again = joined["day"] < joined["finished_on"], joined.duplicated(["job", "recess"])
    shallower = joined["depth_mm"] < _SHALLOWER * joined["before_mm"]
    # Both passes as one of the same energy.
    once = joined.assign(speed_mm_s=1 / (joined["passes"] / joined["first_speed_mm_s"] + 1 / joined["speed_mm_s"]), passes=1)
    said = [(before, "day", lambda row: f"job {row.job} was finished on {row.finished_on:%Y-%m-%d}", "Correct the day, or the job."),
            (again, "job", lambda row: "this recess has a second pass already", "A recess has one: correct that row, or name the other job."),
            (shallower, "depths_mm", lambda row: f"{row.depth_mm:.3g} mm on average, and {row.before_mm:.3g} mm before the second pass",
             "Measure again, and see whether it is that job.")]
    problems = [fault(_SECOND_PASS[column], where, place, plain(rows[column][place]), words(row), remedy)
                for bad, column, words, remedy in said for place, row in enumerate(joined.itertuples()) if bad[place]]
    return problems + [fault(_SECOND_PASS["depths_mm"], where, place, rows["depths_mm"][place], "wood does not give so much depth for the energy of "
                             "both passes", "Check the unit of the depths (mm) and of the speed (mm/s), or measure again.")
                       for place in joined.index if beyond_wood(once.loc[[place]], where, gravity)]


def _remedy(reading: pd.Series, gravity: float) -> str:
    """Say what the reading was probably meant to be."""
    low, high = (limit * woods.MOIST_PER_DRY * gravity for limit in woods.USUAL_KJ_G)
    middle, half = log(low * high) / 2, log(high / low) / 2

    def off(meant):
        joules = energy.line_energy(meant["module_w"], meant["power_pct"], meant["speed_mm_s"], meant["passes"])
        return (log(joules / meant["line_pitch_mm"] / meant["depth_mm"]) - middle) / half

    words = explaining(reading[[*_SETTING, "depth_mm"]].astype(float).to_dict(), off)
    return (f"Perhaps {words}. " if words else "") + "Correct it, or measure again."
