"""Plan levels: between which settings a test burn runs.

Decides power, pitch and passes, which stay, and the speeds at the shallow end, the target and the deep
end, which vary. All are settings the machine has. The ends are pulled in where the machine or the
thickness of the scrap ends before them, and the plan says so; a target out of reach is refused.

Where nothing was burned, the ends are where a wood that takes energy unusually well, and one that
takes it unusually badly, would still reach the window: the middle 9 in 10 of the guess (`guess`).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from testburn import energy
from testburn.burnplan import design
from testburn.depthfit import DepthFit, GroupFit, Guess, guess, width
from testburn.labbook import Machine

# How far below the window's floor and above its ceiling the swatches reach.
BELOW, ABOVE = 0.5, 1.5
DEEPEST_SHARE = 0.5             # of the scrap's thickness: deeper, it may burn through
_GUESS_LEVEL = 0.9
_USUAL = {"power_pct": 90.0, "line_pitch_mm": 0.05, "passes": 1, "gauge_step_mm": 0.01}
_MOST_DOSE = 1e4                # J/mm²; no depth worth planning lies beyond
_NEVER_BURNED = ("The depths to expect are a guess ({basis}). Burn the first board, enter it and plan the "
                 "other boards again: that plan will know where the window lies.")


@dataclass(frozen=True, eq=False)
class Levels:
    """What stays the same in a test burn, and the ends and target of what varies.

    `ends_mm_s` are the speeds of the shallow end, the target and the deep end, all settable.
    """

    species: str
    module_w: float
    wavelength_nm: float
    at_least_mm: float
    at_most_mm: float
    power_pct: float
    line_pitch_mm: float
    passes: int
    gauge_step_mm: float
    ends_mm_s: np.ndarray
    settable_mm_s: np.ndarray
    start: width.Start
    fit: DepthFit | None
    group: GroupFit | None
    guessed: Guess | None
    notes: tuple[str, ...]
    module: str = ""

    @property
    def known(self) -> bool:
        """True where the lab book has a curve for this wood and module."""
        return self.guessed is None

    @property
    def target_mm(self) -> float:
        """The middle of the window."""
        return (self.at_least_mm + self.at_most_mm) / 2

    @property
    def window_pct(self) -> float:
        """Half the window's width in percent of its middle."""
        return 100 * (self.at_most_mm - self.at_least_mm) / (2 * self.target_mm)

    @property
    def target_dose(self) -> float:
        """The areal dose of the setting next to the target, J/mm²."""
        return float(self.doses(self.ends_mm_s[1]))

    def line_energies(self, speeds):
        """Return J/mm at these speeds."""
        return energy.line_energy(self.module_w, self.power_pct, speeds, self.passes)

    def doses(self, speeds):
        """Return J/mm² at these speeds."""
        return energy.areal_dose(self.line_energies(speeds), self.line_pitch_mm)

    def speeds(self, swatches: int) -> np.ndarray:
        """Return the speed of each swatch of a board, fastest first."""
        if self.known:
            depths = self.start.depth_mm(self.doses(self.ends_mm_s))
            return np.repeat(self.ends_mm_s, design.counts(*depths, swatches))
        spread = np.geomspace(self.ends_mm_s[0], self.ends_mm_s[2], swatches)
        spread[swatches // 2] = self.ends_mm_s[1] if swatches == 3 else spread[swatches // 2]
        return _nearest(self.settable_mm_s, spread)

    def names(self, speeds) -> list[str]:
        """Return what each speed is for: shallow end, target, deep end or between."""
        named = dict(zip(self.ends_mm_s, ("shallow end", "target", "deep end")))
        return [named.get(speed, "between") for speed in speeds]

    def expected(self, speeds) -> dict:
        """Return depth_mm, lowest_mm and highest_mm to be expected, 95 of 100 readings between."""
        joules = self.line_energies(speeds)
        band = (self.guessed.predict(joules) if self.guessed else
                self.fit.predict(self.species, self.module_w, joules, self.line_pitch_mm,
                                 wavelength_nm=self.wavelength_nm, module=self.module))
        return {"depth_mm": band["depth_mm"].to_numpy(), "lowest_mm": band["lower_mm"].to_numpy(),
                "highest_mm": band["upper_mm"].to_numpy()}


def levels_for(fit: DepthFit | None, wood_table: pd.DataFrame, species: str, module_w: float,
               at_least_mm: float, at_most_mm: float, thickness_mm: float,
               machine: Machine = Machine(), wavelength_nm: float | None = None, module: str | None = None,
               **settings) -> Levels:
    """Return the levels of a test burn.

    Parameters
    ----------
    thickness_mm : float
        Of the scrap.
    **settings
        power_pct, line_pitch_mm, passes, gauge_step_mm; what is not said is what was burned most, or
        else what the machine has nearest to usual.
    others : as in `burnplan.propose`.

    Raises
    ------
    ValueError
        As in `burnplan.propose`.
    """
    if not 0 < at_least_mm < at_most_mm:
        raise ValueError(f"The window {at_least_mm:g} to {at_most_mm:g} mm is not one. "
                         "Give a least depth above 0 and a greater largest depth.")
    if species not in wood_table.index:
        raise ValueError(f"{species} is not in woods.csv. Add it there, with its specific gravity.")
    if species[0] in "=+-@\t\r":
        raise ValueError(f"{species!r} begins with a sign that a spreadsheet takes for a formula, and the "
                         "file for entry holds it. Rename it in woods.csv.")
    if not module_w > 0:
        raise ValueError(f"A module of {module_w:g} W burns nothing. Give its optical watts.")
    if at_most_mm > DEEPEST_SHARE * thickness_mm:
        raise ValueError(f"A scrap of {thickness_mm:g} mm is too thin for {at_most_mm:g} mm deep. Use one "
                         f"of {at_most_mm / DEEPEST_SHARE:g} mm or more.")
    group = _group(fit, species, module_w, wavelength_nm, module)
    wavelength_nm = group.wavelength_nm if group else _wavelength(fit, module_w, wavelength_nm)
    stay = _settings(group, fit, machine, settings)
    target = (at_least_mm + at_most_mm) / 2
    start, guessed, doses = (_from_group(fit, group, at_least_mm, target, at_most_mm, thickness_mm,
                                              stay["line_pitch_mm"])
                             if group else (None, None, None))
    if start is None:
        start, guessed, doses = _from_guess(
            fit if group is None else None, wood_table, (species, module_w, stay["line_pitch_mm"],
            wavelength_nm), at_least_mm, target, at_most_mm, thickness_mm)
    ends, notes = _settable(machine, module_w, stay, doses, target)
    if guessed:
        notes = (_NEVER_BURNED.format(basis=guessed.basis), *notes)
    return Levels(species, module_w, wavelength_nm, at_least_mm, at_most_mm, **stay, ends_mm_s=ends,
                  settable_mm_s=machine.speeds(), start=start, fit=fit, group=group, guessed=guessed, notes=notes,
                  module=group.module if group else module or "")


def _group(fit, species, module_w, wavelength_nm, module):
    """Return the group of the lab book, or None where there is none."""
    same = [group for group in (fit.groups if fit else ())
            if group.species == species and np.isclose(group.module_w, module_w)
            and (wavelength_nm is None or np.isclose(group.wavelength_nm, wavelength_nm))
            and (module is None or module in (group.module, group.module_name))]
    if len({group.wavelength_nm for group in same}) < len(same):
        named = ", ".join(repr(group.module_name) for group in same)
        raise ValueError(f"{species} was burned with several modules of {module_w:g} W ({named}). Say module.")
    if len(same) > 1:
        named = ", ".join(f"{group.wavelength_nm:g}" for group in same)
        raise ValueError(f"{species} was burned with {module_w:g} W at {named} nm. Say wavelength_nm.")
    return same[0] if same else None


def _wavelength(fit, module_w, said) -> float:
    """Return the wavelength said, or the one the lab book knows the module by."""
    known = {group.wavelength_nm for group in (fit.groups if fit else ())
             if np.isclose(group.module_w, module_w)}
    if said is not None:
        return float(said)
    if len(known) != 1:
        raise ValueError(f"The lab book does not tell the wavelength of the {module_w:g} W module. "
                         "Say wavelength_nm, e.g. 445: it stands on the module's label.")
    return known.pop()


def _settings(group, fit, machine, said) -> dict:
    """Return power, pitch, passes and gauge step: as said, as burned most, or as usual."""
    if strange := sorted(set(said) - set(_USUAL)):
        raise ValueError(f"{', '.join(strange)} cannot be set in a plan. Known are: {', '.join(_USUAL)}.")
    rows = group.readings if group else fit.readings[fit.readings["used"]] if fit else None
    stay = dict(_USUAL)
    if rows is not None and len(rows):
        stay = dict(zip(_USUAL, rows.groupby(list(_USUAL), sort=True).size().idxmax()))
    for name, allowed in (("power_pct", machine.powers_pct), ("line_pitch_mm", machine.line_pitches_mm),
                          ("passes", machine.passes)):
        if allowed:
            stay[name] = min(allowed, key=lambda value: abs(value - stay[name]))
    for name in ("power_pct", "line_pitch_mm"):
        stay[name] = machine.units.of(name).taken(stay[name])
    stay |= {name: value for name, value in said.items() if value is not None}
    for name, value in stay.items():
        if not 0 < value <= (100 if name == "power_pct" else np.inf):
            raise ValueError(f"{name} is {value:g}, which cannot be set. Give one above 0"
                             f"{' and at most 100' if name == 'power_pct' else ''}.")
    if stay["passes"] != int(stay["passes"]):
        raise ValueError(f"{stay['passes']:g} passes cannot be burned. Give a whole number.")
    return {name: int(value) if name == "passes" else float(value) for name, value in stay.items()}


def _from_group(fit, group, at_least_mm, target_mm, at_most_mm, thickness_mm, line_pitch_mm):
    """Return start, no guess and the doses of ends and target; three times None where there are none."""
    start = width.from_group(fit, group, line_pitch_mm)
    most = 10 * group.doses[1]
    target = width.target_dose(start, target_mm, most)
    if np.isnan(target) or start.coefficients[1] <= 0:
        return None, None, None
    shallow = width.target_dose(start, BELOW * at_least_mm, most)
    deep = width.target_dose(start, min(ABOVE * at_most_mm, DEEPEST_SHARE * thickness_mm), most)
    if np.isnan(shallow):               # the curve has some depth at no energy
        shallow = target / 4
    if np.isnan(deep):                  # it levels off before
        deep = min(2 * target, most)
    return start, None, (shallow, target, deep)


def _from_guess(fit, wood_table, wood_and_module, at_least_mm, target_mm, at_most_mm, thickness_mm):
    """Return the same from what a handbook or other burns say."""
    line_pitch_mm = wood_and_module[2]
    guessed = guess(fit, wood_table, *wood_and_module)
    doses = np.geomspace(1e-3, _MOST_DOSE, 4000)
    depths = guessed.middle_mm(doses * line_pitch_mm)
    wide = np.exp(special.stdtrit(guessed.df, (1 + _GUESS_LEVEL) / 2) * guessed.log_sd)
    deepest = min(at_most_mm * wide, DEEPEST_SHARE * thickness_mm / wide)
    if deepest <= target_mm or depths[-1] < deepest:
        raise ValueError(f"A scrap of {thickness_mm:g} mm is too thin to find {target_mm:g} mm in: what "
                         f"was never burned may go {wide:.1f} times as deep as guessed. Use one of "
                         f"{wide * target_mm / DEEPEST_SHARE * 1.2:.0f} mm or more.")
    ends = np.interp([at_least_mm / wide, target_mm, deepest], depths, doses)
    return width.from_guess(fit, guessed, (ends[0], ends[2])), guessed, tuple(ends)


def _settable(machine, module_w, stay, doses, target_mm):
    """Return the settable speeds of shallow end, target and deep end, and what was cut off."""
    wanted = energy.speed_for(module_w, stay["power_pct"], np.array(doses) * stay["line_pitch_mm"],
                              stay["passes"])
    speeds = machine.speeds()
    low, high, units = speeds.min(), speeds.max(), machine.units
    if not low <= wanted[1] <= high:
        factor = high / wanted[1] if wanted[1] > high else low / wanted[1]
        less = stay["power_pct"] * factor
        remedy = (f"Set power_pct to {less:.2g} or less" if wanted[1] > high else
                  f"Set power_pct to {less:.3g} or more" if less <= 100 else
                  f"Set passes to {int(np.ceil(stay['passes'] * factor))} or more")
        raise ValueError(
            f"At {stay['power_pct']:g} % of {module_w:g} W a depth of {target_mm:g} mm needs about "
            f"{units.said('speed_mm_s', _rough(wanted[1]))}; the machine runs {units.between('speed_mm_s', low, high)}. {remedy}.")
    notes = []
    for place, end in ((0, "shallow"), (2, "deep")):
        if not low <= wanted[place] <= high:
            reached = np.clip(wanted[place], low, high)
            notes.append(f"The {end} end would need {units.said('speed_mm_s', _rough(wanted[place]))}; the machine ends at "
                         f"{units.said('speed_mm_s', reached)}, so the swatches span less and the line is less sure.")
    ends = _nearest(speeds, wanted)
    if len(set(ends)) < 3:
        raise ValueError(
            f"The machine cannot be set to three different speeds between "
            f"{units.between('speed_mm_s', _rough(wanted[2]), _rough(wanted[0]), 'and')} at {stay['power_pct']:g} %. "
            "Use another power or finer speed steps.")
    return ends, tuple(notes)


def _rough(speed_mm_s) -> float:
    """Return a speed that need not be one to set, in three digits."""
    return float(f"{speed_mm_s:.3g}")


def _nearest(speeds, wanted) -> np.ndarray:
    """Return the nearest speeds the machine can be set to, by ratio, since energy goes with it."""
    return speeds[np.abs(np.log(speeds[:, None] / np.asarray(wanted))).argmin(axis=0)]
