"""Check burn: three swatches burned again on a board that was burned while all was well.

Decides which board checks a module, at which settings, and how closely it tells. The board is the one with the most
swatches of those burned in the state that the module's curves rest on: burned on it again, its own way of burning drops
out, and three swatches know the machine to a few percent; on a board never burned they tell little, as boards differ.
Lowest, middle and highest setting show whether all of the range moved alike. What to expect is what that board gave at
the same setting, on which the machine as it was would land again 95 times in 100.

Decides too the ladder of powers: five at the speed of that board's deepest swatch, down to the energy of its shallowest and no
less than a fifth, which tell whether the percent is proportional to what arrives (`drift.power_check`).
"""

import random

import numpy as np
import pandas as pd

from testburn import energy
from testburn.burnplan.layout import Scrap, fitted, size_mm
from testburn.burnplan.levels import Levels
from testburn.burnplan.plan import BurnPlan, minutes_of
from testburn.depthfit import DepthFit, GroupFit, states, width
from testburn.labbook import Machine, columns

_POWERS, _WEAKEST = 5, 0.2
_LADDER = ("Enter it as a burn like any other. What it says stands in notebook 12; the fit learns from it what power does beside its energy.")
_NAMES = ("shallow end", "middle", "deep end")
_SURE = 1.96


def check(fit: DepthFit, scrap: Scrap, machine: Machine = Machine(), module_w: float | None = None,
          species: str | None = None, wavelength_nm: float | None = None, module: str | None = None,
          readings: int = 3, gauge_tip_mm: float = 4.0, seed: int = 1) -> BurnPlan:
    """Return the check burn of a module as a plan of one board, for sheet, drawing and form.

    Parameters
    ----------
    fit : DepthFit
    scrap : Scrap
        What is free on the check board.
    module_w, species, wavelength_nm, module : optional
        Which module to check, and on which wood; without a word the fit's board with the most swatches.
    others : as in `burnplan.propose`.

    Raises
    ------
    LookupError
        If no board of the fit is as asked.
    ValueError
        If the free part is too small or too thin.
    """
    group, board, rows = _kept(fit, module_w, species, wavelength_nm, module)
    one, same, new = closeness(fit, group, board, len(rows), readings)
    words = (f"Burn these three on board {board}, which was burned while all was well: they tell what {group.module_name} does "
             f"now to ±{100 * same:.0f} % in depth. On a board never burned it would be ±{100 * new:.0f} %.")
    return _laid_out(fit, group, board, rows, one, scrap, machine, readings, gauge_tip_mm, seed, (words, *_STEPS))


def power_ladder(fit: DepthFit, scrap: Scrap, machine: Machine = Machine(), module_w: float | None = None,
                 species: str | None = None, wavelength_nm: float | None = None, module: str | None = None,
                 readings: int = 3, gauge_tip_mm: float = 4.0, seed: int = 1) -> BurnPlan:
    """Return five powers at one speed as a plan of one board, for sheet, drawing and form; parameters and refusals as in `check`."""
    group, board, rows = _kept(fit, module_w, species, wavelength_nm, module)
    top = rows.iloc[-1]
    shares = np.linspace(max(rows["line_energy_j_mm"].iloc[0] / top["line_energy_j_mm"], _WEAKEST), 1, _POWERS)
    powers = np.unique(np.r_[np.round(top["power_pct"] * shares[:-1]), top["power_pct"]])
    joules = energy.line_energy(group.module_w, powers, top["speed_mm_s"], top["passes"])
    steps = pd.DataFrame({name: top[name] for name in columns.MACHINE_SETTING}, index=range(len(powers))).assign(
        power_pct=powers, line_energy_j_mm=joules, depth_mm=group.mean(joules / top["line_pitch_mm"]),
        level=[f"power step {step}" for step in range(1, len(powers) + 1)])
    words = (f"Burn these {len(powers)} on board {board}: one speed, {len(powers)} powers. Their depths say whether the percent is proportional to "
             "what arrives.")
    # The depths are the curve's: what a board is off by comes on top of what a swatch is.
    half = float(np.hypot(closeness(fit, group, board, len(steps), readings)[0],
                          _SURE * fit.components.set_index("component")["sd"]["board"]))
    return _laid_out(fit, group, board, steps, half, scrap, machine, readings, gauge_tip_mm, seed, (words, _LADDER))


def _laid_out(fit, group, board, rows, half, scrap, machine, readings, gauge_tip_mm, seed, notes) -> BurnPlan:
    """Return rows of settings, and the depths they are expected to have give or take a share, as a plan of one board."""
    layout = fitted(scrap, *size_mm(rows["speed_mm_s"].max(), gauge_tip_mm, machine))
    if layout.columns * layout.rows < len(rows):
        raise ValueError(f"{scrap.width_mm:g} × {scrap.height_mm:g} mm hold {layout.columns * layout.rows} swatches of "
                         f"{layout.swatch_width_mm:g} × {layout.swatch_height_mm:g} mm, and a check has {len(rows)}. "
                         "Free a larger part of the board, or turn it.")
    order = random.Random(f"{seed}-check").sample(range(len(rows)), len(rows))
    levels = _levels(fit, group, rows)
    minutes = minutes_of(levels, layout, rows["speed_mm_s"].to_numpy(), machine, rows["line_pitch_mm"].to_numpy())
    rows = rows.assign(lowest_mm=rows["depth_mm"] * (1 - half), highest_mm=rows["depth_mm"] * (1 + half), **minutes).iloc[order]
    x, y = np.array(layout.places(len(rows))).T
    rows = rows.assign(board="A", swatch=[f"A{place}" for place in range(1, len(rows) + 1)], x_mm=x, y_mm=y,
                       width_mm=layout.swatch_width_mm, height_mm=layout.swatch_height_mm).reset_index(drop=True)
    return BurnPlan(levels, 1, readings, seed, rows, pd.DataFrame(), None, layout, fit.invented, fit.fingerprint, notes, machine,
                    check_board=board)


_STEPS = ("First write what was done (lens wiped, lens changed …) into the machine's log: the check then tells of the state since "
          "that day.",
          "All depths off the same way: the machine. One off: burn that one again. Only the deep end off: look at focus and at "
          "what the board stands on (common practice, no source).")


def closeness(fit: DepthFit, group: GroupFit, board: str, swatches: int, readings: int = 3) -> tuple[float, float, float]:
    """Return how closely a check tells the depth, half of 95 % intervals as shares.

    Of one swatch of it, of all together on the board itself, and of all together on a board never burned.
    """
    sds = fit.components.set_index("component")["sd"]
    depth = float(group.readings["depth_mm"].median())
    swatch = sds["swatch"]**2 + states.PLACE_SD**2 + (sds["reading"]**2 + (sds["gauge"] / depth)**2) / readings
    burned = _while_all_was_well(fit, group)
    before = _swatches(burned[burned["board"] == board])
    return tuple(_SURE * np.sqrt([swatch + swatch / before, swatch / swatches + swatch / before,
                                  swatch / swatches + sds["board"]**2]))


def _kept(fit, module_w, species, wavelength_nm, module) -> tuple[GroupFit, str, pd.DataFrame]:
    """Return the board that checks a module best, and its lowest, middle and highest setting with the depth it gave there."""
    groups = [group for group in fit.groups if species in (None, group.species)
              and (module_w is None or np.isclose(group.module_w, module_w))
              and (wavelength_nm is None or np.isclose(group.wavelength_nm, wavelength_nm))
              and module in (None, group.module, group.module_name)]
    if not groups:
        raise LookupError("No board was burned with that wood and module. A check needs one that was burned while all was well.")
    boards = [(-_swatches(own), place, board) for place, group in enumerate(groups)
              for board, own in _while_all_was_well(fit, group).groupby("board")]
    _, place, board = min(boards)
    readings = _while_all_was_well(fit, groups[place])
    setting = [*columns.MACHINE_SETTING, "line_energy_j_mm"]
    burned = readings[readings["board"] == board].groupby([*setting, "areal_dose_j_mm2"], as_index=False).agg(
        depth_mm=("depth_mm", "mean")).sort_values("areal_dose_j_mm2")
    rows = burned.iloc[sorted({0, len(burned) // 2, len(burned) - 1})].drop(columns="areal_dose_j_mm2")
    return groups[place], board, rows.assign(level=_NAMES[-len(rows):]).reset_index(drop=True)


def _while_all_was_well(fit: DepthFit, group: GroupFit) -> pd.DataFrame:
    """Return a group's readings that were burned in the state which its module's curves rest on."""
    known = fit.modules.get(group.module_key)
    if known is None:
        return group.readings
    state = states.numbered(known.since, pd.to_datetime(group.readings["burned_on"]))
    return group.readings[state == state.min()]


def _swatches(readings: pd.DataFrame) -> int:
    return len(readings[["burn", "swatch"]].drop_duplicates())


def _levels(fit, group, rows) -> Levels:
    """Return what the sheet says of the check: its window is from the shallowest to the deepest depth expected."""
    usual, middle = rows.iloc[len(rows) // 2], width.from_group(fit, group, float(rows["line_pitch_mm"].iloc[0]))
    return Levels(group.species, group.module_w, group.wavelength_nm, rows["depth_mm"].min(), rows["depth_mm"].max(),
                  usual["power_pct"], usual["line_pitch_mm"], int(usual["passes"]),
                  group.gauge_step_mm, rows["speed_mm_s"].to_numpy(), rows["speed_mm_s"].to_numpy(),
                  middle, fit, group, None, (), group.module)
