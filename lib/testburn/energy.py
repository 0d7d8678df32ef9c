"""Energy and length: what a setting puts into the wood, and in whose units it is said.

Decides how power, speed, pitch and passes become one regressor. Line energy is the energy laid
down along one millimetre of one line; areal dose divides it by the distance between lines; energy
per volume divides that by the depth that came out. All three are definitions, no model.

Source: the international inch is exactly 25.4 mm (international yard and pound agreement, 1959).
"""

import pandas as pd

MM_PER_INCH = 25.4
MM_PER_CM = 10.0


def line_energy(module_w, power_pct, speed_mm_s, passes=1):
    """Return the energy laid along one millimetre of a line, in J/mm.

    Parameters
    ----------
    module_w : float or array, W
        Nominal optical output of the module.
    power_pct : float or array, %
    speed_mm_s : float or array, mm/s
    passes : int or array
    """
    return module_w * power_pct / 100 / speed_mm_s * passes


def speed_for(module_w, power_pct, line_energy_j_mm, passes=1):
    """Return the speed in mm/s that lays down `line_energy_j_mm` (the inverse of `line_energy`)."""
    return module_w * power_pct / 100 / line_energy_j_mm * passes


def areal_dose(line_energy_j_mm, line_pitch_mm):
    """Return the energy laid onto one square millimetre of surface, in J/mm²."""
    return line_energy_j_mm / line_pitch_mm


def volume_energy(areal_dose_j_mm2, depth_mm):
    """Return the energy spent per cubic millimetre of wood removed, in J/mm³."""
    return areal_dose_j_mm2 / depth_mm


def mm_from_inches(inches):
    """Return millimetres; exact, since the inch is defined as 25.4 mm."""
    return inches * MM_PER_INCH


def inches_from_mm(mm):
    """Return inches; exact, since the inch is defined as 25.4 mm."""
    return mm / MM_PER_INCH


def pitch_from_lines_per_cm(lines_per_cm):
    """Return the line pitch in mm."""
    return MM_PER_CM / lines_per_cm


def lines_per_cm(line_pitch_mm):
    """Return how many lines lie in one centimetre."""
    return MM_PER_CM / line_pitch_mm


def pitch_from_lines_per_inch(lines_per_inch):
    """Return the line pitch in mm."""
    return MM_PER_INCH / lines_per_inch


def with_energy(readings: pd.DataFrame) -> pd.DataFrame:
    """Return the readings with `line_energy_j_mm` and `areal_dose_j_mm2` added.

    Parameters
    ----------
    readings : DataFrame
        Needs module_w, power_pct, speed_mm_s, passes, line_pitch_mm.
    """
    energy = line_energy(
        readings["module_w"], readings["power_pct"], readings["speed_mm_s"], readings["passes"]
    )
    return readings.assign(
        line_energy_j_mm=energy, areal_dose_j_mm2=areal_dose(energy, readings["line_pitch_mm"])
    )
