"""Burn plan: which swatches to burn next.

Decides the levels of a test burn from the depth window wanted. Where the lab book knows the group,
the levels run from the energy of half the window's floor to that of one and a half times its
ceiling; where it does not, they span what a handbook says a cubic millimetre of wood can have cost.
Levels are spaced evenly in the logarithm of energy, as depth scatters in proportion, and burned in
random order, so that a lens that fogs up during the burn does not pose as curvature.

Source: energy per volume, see `testburn.woods`.
"""

import random

import numpy as np
import pandas as pd

from testburn import energy, woods
from testburn.depthfit import DepthFit
from testburn.settings import Machine, line_energy_for

# How far below the window's floor and above its ceiling the swatches reach.
BELOW, ABOVE = 0.5, 1.5


def levels(fit: DepthFit | None, wood_table: pd.DataFrame, species: str, module_w: float,
           at_least_mm: float, at_most_mm: float, machine: Machine = Machine(), swatches: int = 8,
           power_pct: float = 90.0, line_pitch_mm: float = 0.05, seed: int = 1) -> pd.DataFrame:
    """Return the swatches of one test burn, in the order to burn them.

    Parameters
    ----------
    fit : DepthFit or None
        What the lab book knows so far.
    wood_table : DataFrame
        From `woods.read`.
    at_least_mm, at_most_mm : float
        The depth window wanted.
    swatches : int
        3 or more; burn them all on one board, and the same plan again on other boards.
    power_pct, line_pitch_mm : float
        Kept the same for the whole burn, so that only speed varies.
    seed : int
        Another number gives another random order, one for each board.

    Returns
    -------
    DataFrame
        swatch, power_pct, speed_mm_s, line_pitch_mm, line_energy_j_mm, lowest_mm and highest_mm
        (the depth to be expected), known (whether that comes from the lab book).

    Raises
    ------
    ValueError
        If the window or the number of swatches makes no plan, the species is unknown, or the
        machine's speeds do not allow two different levels.
    """
    if not 0 < at_least_mm < at_most_mm:
        raise ValueError(f"The window {at_least_mm:g} to {at_most_mm:g} mm is not one. "
                         "Give a least depth above 0 and a greater largest depth.")
    if swatches < 3:
        raise ValueError(f"{swatches} swatches cannot show a line and its scatter. Plan 3 or more.")
    if species not in wood_table.index:
        raise ValueError(f"{species} is not in woods.csv. Add it there, with its specific gravity.")
    known = fit is not None and any(
        group.species == species and np.isclose(group.module_w, module_w) for group in fit.groups)
    limits = woods.volume_energy_limits(wood_table["specific_gravity_12pct"][species]).iloc[0]
    low, high = (_known_span if known else _guessed_span)(
        fit, species, module_w, line_pitch_mm, limits, at_least_mm * BELOW, at_most_mm * ABOVE)
    speeds = _speeds(module_w, power_pct, np.geomspace(low, high, swatches), machine)
    joules = energy.line_energy(module_w, power_pct, speeds)
    plan = pd.DataFrame({"power_pct": power_pct, "speed_mm_s": speeds,
                         "line_pitch_mm": line_pitch_mm, "line_energy_j_mm": joules})
    if known:
        band = fit.predict(species, module_w, joules, line_pitch_mm)
        plan = plan.assign(lowest_mm=band["lower_mm"], highest_mm=band["upper_mm"], known=True)
    else:
        dose = energy.areal_dose(joules, line_pitch_mm)
        plan = plan.assign(lowest_mm=dose / limits["usual_high"],
                           highest_mm=dose / limits["usual_low"], known=False)
    order = random.Random(seed).sample(range(len(plan)), len(plan))
    plan = plan.iloc[order].reset_index(drop=True)
    plan.insert(0, "swatch", [str(number) for number in range(1, len(plan) + 1)])
    return plan


def _known_span(fit, species, module_w, line_pitch_mm, limits, shallow_mm, deep_mm):
    """Return the line energies of the shallowest and the deepest swatch from the fit."""
    return tuple(line_energy_for(fit, species, module_w, depth, line_pitch_mm).best
                 for depth in (shallow_mm, deep_mm))


def _guessed_span(fit, species, module_w, line_pitch_mm, limits, shallow_mm, deep_mm):
    """Return them from the usual energy per volume: the cheapest shallow to the dearest deep."""
    return (shallow_mm * limits["usual_low"] * line_pitch_mm,
            deep_mm * limits["usual_high"] * line_pitch_mm)


def _speeds(module_w, power_pct, joules, machine) -> np.ndarray:
    """Return the nearest speeds the machine can be set to, each once."""
    settable = machine.speeds()
    wanted = energy.speed_for(module_w, power_pct, joules)
    nearest = np.unique(settable[np.abs(settable[:, None] - wanted).argmin(axis=0)])[::-1]
    if len(nearest) < 3:
        raise ValueError(
            f"At {power_pct:g} % of {module_w:g} W this window needs {wanted.min():.3g} to "
            f"{wanted.max():.3g} mm/s; the machine runs {machine.min_speed_mm_s:g} to "
            f"{machine.max_speed_mm_s:g} mm/s. Change the power, the line pitch or the module.")
    return nearest
