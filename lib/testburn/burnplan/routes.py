"""Plan routes: two swatches that tell whether a pitch, or a power, matters beside its energy.

Decides, where the machine may use two pitches or two powers and the lab book has not seen both under this wood and
module, which two swatches to add: the plan's own and the one farthest from it, at the same energy per mm², side by side
on the first board. Whatever they differ by beyond what a setting repeats to is the route's own; without them a setting
at the other pitch rests on what such machines usually do.
"""

import numpy as np
import pandas as pd

from testburn import energy
from testburn.burnplan.levels import Levels
from testburn.labbook import Machine, columns

_OF = {"line_pitch_mm": ("line_pitches_mm", "pitch"), "power_pct": ("powers_pct", "power")}


def pairs(levels: Levels, machine: Machine) -> tuple[pd.DataFrame, list[str]]:
    """Return the settings to add, two for each of pitch and power that is not told apart yet, and words on them.

    Returns
    -------
    DataFrame
        level, power_pct, speed_mm_s, line_pitch_mm, passes, line_energy_j_mm and the depths to expect.
    list of str
    """
    found, said = [], []
    burned = levels.group.readings if levels.group is not None else pd.DataFrame(columns=list(columns.MACHINE_SETTING))
    for name, (allowed, word) in _OF.items():
        own, other = getattr(levels, name), _farthest(machine, name, allowed, getattr(levels, name))
        if other is None or all(np.isclose(burned[name].astype(float), value).any() for value in (own, other)):
            continue
        rows = [_at_target(levels, machine, word, {"power_pct": levels.power_pct, "line_pitch_mm": levels.line_pitch_mm} | {name: one})
                for one in (own, other)]
        both = [machine.units.said(name, one) for one in (own, other)]
        if any(row is None for row in rows):
            said.append(f"Whether {both[0]} and {both[1]} dig alike cannot be tried at one energy within the machine's speeds.")
            continue
        found += rows
        said.append(f"Two swatches more on board A, at one energy per mm² with {both[0]} and {both[1]}: the lab book cannot tell "
                    f"yet whether {word} matters beside energy, and the machine may use both.")
    return pd.DataFrame(found), said


def _farthest(machine, name, allowed, own) -> float | None:
    """Return of what the machine may use the value farthest from the plan's, by ratio; None where there is one only."""
    others = [value for value in machine.taken(name, getattr(machine, allowed) or ()) if not np.isclose(value, own)]
    return max(others, key=lambda value: abs(np.log(value / own)), default=None)


def _at_target(levels, machine, word, setting) -> dict | None:
    """Return a setting at the target's energy per mm²; None where the machine has no such speed."""
    wanted = energy.speed_for(levels.module_w, setting["power_pct"], levels.target_dose * setting["line_pitch_mm"], levels.passes)
    speed = float(machine.nearest_speeds(wanted))
    # A speed beyond the machine's, or between two far apart, is no longer the same energy.
    if abs(np.log(speed / wanted)) > 0.02:
        return None
    joules = energy.line_energy(levels.module_w, setting["power_pct"], speed, levels.passes)
    same_speed = energy.speed_for(levels.module_w, levels.power_pct, joules / setting["line_pitch_mm"] * levels.line_pitch_mm,
                                  levels.passes)
    expected = {name: float(value[0]) for name, value in levels.expected(np.array([same_speed])).items()}
    return {"level": f"tells {word} apart", **setting, "speed_mm_s": speed, "passes": levels.passes,
            "line_energy_j_mm": joules, **expected}
