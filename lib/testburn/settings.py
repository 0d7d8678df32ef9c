"""Settings: which line energy reaches a depth, and which settings land inside a window.

Decides by inverting the prediction itself: first the point, then the limits, where the upper and
the lower bound of the prediction cross the wanted depth. No straight-line guess of the error is
made, so the limits are lopsided where the bounds are, and may be missing on one side.

Source: calibration limits by inverting the prediction band, e.g. Greenwell & Schubert Kabban 2014,
The R Journal 6(1):90-100; Fieller's limits in the straight-line case with constant variance.
"""

import tomllib
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize, stats

from testburn import energy, sweep
from testburn.depthfit import LEVEL, DepthFit, GroupFit

# How far past the highest energy burned a crossing is still looked for.
_REACH = 10.0
CARD_AREA_MM2 = 1000.0
# Minutes depend on how long a line is. Without the artwork, lines of a sign's usual width are taken.
LINE_LENGTH_MM = 100.0
GOOD_CHANCE = 0.80
_ROUND_MM = (0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
_MOST_STEPS = 8


@dataclass(frozen=True)
class EnergyFor:
    """The line energy for a wanted depth: J/mm, NaN where a limit does not exist."""

    depth_mm: float
    best: float
    lower: float
    upper: float
    level: float
    extrapolated: bool
    words: str


@dataclass(frozen=True)
class Machine:
    """What the machine can be set to. None means: what was burned in the group.

    The acceleration is that of the head along a line; without it minutes count the burning only.
    """

    min_speed_mm_s: float = 1.0
    max_speed_mm_s: float = 600.0
    speed_step_mm_s: float = 1.0
    powers_pct: tuple[float, ...] | None = None
    line_pitches_mm: tuple[float, ...] | None = None
    passes: tuple[int, ...] | None = None
    acceleration_mm_s2: float | None = None

    def __post_init__(self):
        if not 0 < self.min_speed_mm_s <= self.max_speed_mm_s:
            raise ValueError(f"The machine's speeds run from {self.min_speed_mm_s:g} to "
                             f"{self.max_speed_mm_s:g} mm/s. Give a lowest above 0 and a highest "
                             "that is not below it.")
        if self.speed_step_mm_s <= 0:
            raise ValueError("The machine's speed step must be above 0 mm/s.")
        if wrong := [power for power in self.powers_pct or () if not 0 < power <= 100]:
            raise ValueError(f"The machine's power cannot be set to {wrong[0]:g} %. "
                             "Give powers above 0 and at most 100 %.")

    @classmethod
    def read(cls, path: str | Path) -> "Machine":
        """Return the machine of a machine.toml.

        Raises
        ------
        ValueError
            If the file is no TOML, or says something a machine does not have.
        """
        try:
            said = tomllib.loads(Path(path).read_text(encoding="utf-8-sig"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
            raise ValueError(f"{Path(path).name} cannot be read: {fault}. Write one "
                             "`name = number` a line.") from None
        known = [field.name for field in fields(cls)]
        if strange := sorted(set(said) - set(known)):
            raise ValueError(f"{Path(path).name} says {', '.join(strange)}, which no machine has. "
                             f"Known are: {', '.join(known)}.")
        for name, value in said.items():
            listed = name in ("powers_pct", "line_pitches_mm", "passes")
            numbers = value if listed and isinstance(value, list) else [value]
            if listed != isinstance(value, list) or not all(
                    isinstance(one, (int, float)) and not isinstance(one, bool) for one in numbers):
                wanted = "a list of numbers, e.g. [90]" if listed else "a number"
                raise ValueError(f"{Path(path).name}: {name} is {value!r}. Write {wanted}.")
        return cls(**{name: tuple(value) if isinstance(value, list) else value
                      for name, value in said.items()})

    def speeds(self) -> np.ndarray:
        """Return every speed that can be set, in mm/s."""
        steps = int((self.max_speed_mm_s - self.min_speed_mm_s) / self.speed_step_mm_s + 1e-9)
        return self.min_speed_mm_s + self.speed_step_mm_s * np.arange(steps + 1)


def line_energy_for(fit: DepthFit, species: str, module_w: float, depth_mm: float,
                    line_pitch_mm: float | None = None, level: float = LEVEL,
                    of: str = "reading", wavelength_nm: float | None = None) -> EnergyFor:
    """Return the line energy that reaches a depth, with calibration limits.

    Parameters
    ----------
    fit : DepthFit
    depth_mm : float
        The wanted depth, above 0.
    of : "reading" or "mean"
        Whether the limits are for a single reading or for the mean curve.

    Returns
    -------
    EnergyFor
        best: where the curve reaches the depth; lower: the energy below which the depth is out of
        reach of the upper bound; upper: the energy from which even the lower bound has it.

    Raises
    ------
    ValueError
        If the wanted depth is not above 0, or the curve never reaches it.
    """
    if not depth_mm > 0:
        raise ValueError(f"A wanted depth of {depth_mm:g} mm makes no recess. Ask for more than 0.")
    group = fit.group(species, module_w, wavelength_nm)
    shallow, deep = group.readings["depth_mm"].min(), group.readings["depth_mm"].max()
    top = group.line_energy_of(_REACH * group.range[1], line_pitch_mm)

    def crossing(column):
        def miss(e):
            band = fit.predict(species, module_w, e, line_pitch_mm, level, of,
                               wavelength_nm=wavelength_nm)
            return band[column].iloc[0] - depth_mm
        if miss(top) <= 0:
            return np.nan
        return optimize.brentq(miss, top * 1e-9, top, xtol=1e-12, rtol=1e-12) \
            if miss(top * 1e-9) < 0 else 0.0

    best = crossing("depth_mm")
    if not best > 0:
        raise ValueError(
            f"{depth_mm:g} mm is out of reach for {group.name}: the readings span {shallow:g} to "
            f"{deep:g} mm. Burn {'shallower' if best == 0 else 'deeper'} swatches, or ask for a "
            "depth in that range.")
    lower, upper = crossing("upper_mm"), crossing("lower_mm")
    outside = bool(fit.predict(species, module_w, best, line_pitch_mm,
                               wavelength_nm=wavelength_nm)["extrapolated"].iloc[0])
    return EnergyFor(depth_mm, best, lower, upper, level, outside,
                     _limits_in_words(best, lower, upper, level, outside, shallow, deep))


def _limits_in_words(best, lower, upper, level, outside, shallow, deep) -> str:
    said = f"{best:.3f} J/mm"
    if np.isnan(upper):
        said += (f"; at least {lower:.3f} J/mm, but no energy is sure to reach it at "
                 f"{100 * level:g} %: the readings scatter too much")
    else:
        said += f", limits {lower:.3f} to {upper:.3f} J/mm ({100 * level:g} %)"
    if outside:
        said += f"; outside the readings ({shallow:g} to {deep:g} mm), burn there before you trust it"
    return said


def energy_needs(fit: DepthFit, depth_mm: float, line_pitch_mm: float) -> pd.DataFrame:
    """Return the line energy for one depth in every species × module that reaches it.

    Returns
    -------
    DataFrame
        species, module_w, wavelength_nm, depth_mm, best_j_mm, lower_j_mm, upper_j_mm (NaN where no
        limit exists), words, extrapolated.
    """
    rows = []
    for group in fit.groups:
        try:
            need = line_energy_for(fit, group.species, group.module_w, depth_mm, line_pitch_mm,
                                   wavelength_nm=group.wavelength_nm)
        except ValueError:
            continue
        rows.append(dict(species=group.species, module_w=group.module_w,
                         wavelength_nm=group.wavelength_nm, depth_mm=depth_mm, best_j_mm=need.best,
                         lower_j_mm=need.lower, upper_j_mm=need.upper, words=need.words,
                         extrapolated=need.extrapolated))
    return pd.DataFrame(rows)


def choose(fit: DepthFit, species: str, module_w: float, at_least_mm: float, at_most_mm: float,
           machine: Machine = Machine(), area_mm2: float = CARD_AREA_MM2, board: str = "next",
           chance: float = GOOD_CHANCE, wavelength_nm: float | None = None) -> pd.DataFrame:
    """Return the settings that land inside a depth window, fastest first.

    For each power, pitch and number of passes: of the speeds whose chance to land inside reaches
    `chance` the one that takes the fewest minutes, or else the speed with the best chance there is.

    Parameters
    ----------
    at_least_mm, at_most_mm : float
        The window, 0 < at_least_mm < at_most_mm.
    area_mm2 : float
        Area to engrave; minutes are those of a block with lines 100 mm long.
    chance : float
        Wanted chance that a reading on that board lies inside the window.

    Returns
    -------
    DataFrame
        species, module_w, wavelength_nm, power_pct, speed_mm_s, line_pitch_mm, passes,
        line_energy_j_mm, depth_mm, lower_mm, upper_mm, level, chance_inside, good, minutes,
        extrapolated.

    Raises
    ------
    ValueError
        If the window is not one.
    """
    if not 0 < at_least_mm < at_most_mm:
        raise ValueError(f"The window {at_least_mm:g} to {at_most_mm:g} mm is not one. "
                         "Give a least depth above 0 and a greater largest depth.")
    group = fit.group(species, module_w, wavelength_nm)
    found = []
    for tried in _combinations(group, machine):
        options = _predicted(fit, group, machine.speeds(), *tried, board)
        inside = _chance_inside(options, at_least_mm, at_most_mm)
        options = _with_minutes(options, area_mm2, machine).assign(
            chance_inside=inside, good=inside >= chance)
        good = options[options["good"]]
        pick = good["minutes"].idxmin() if len(good) else options["chance_inside"].idxmax()
        found.append(options.loc[[pick]])
    table = pd.concat(found, ignore_index=True)
    # Settings that reach the wanted chance come first, however slow: the others are no answer.
    return table.sort_values(["good", "minutes"], ascending=[False, True], ignore_index=True)


def steps(fit: DepthFit, species: str, module_w: float, depths_mm, machine: Machine = Machine(),
          wavelength_nm: float | None = None, board: str = "next") -> pd.DataFrame:
    """Return, for each wanted depth, the fastest setting whose predicted depth is nearest to it.

    These are the rows of a settings card: `aim_mm`, the columns of `choose` (chance_inside is
    NaN, as a step has no window) and minutes_per_10cm2.
    """
    group = fit.group(species, module_w, wavelength_nm)
    rows = []
    for aim in depths_mm:
        tried = [_nearest(fit, group, machine, aim, *one, board)
                 for one in _combinations(group, machine)]
        table = _with_minutes(pd.concat(tried, ignore_index=True), CARD_AREA_MM2, machine)
        # A setting more than a hundredth of the aim off is no match for one that is nearer.
        miss = ((table["depth_mm"] - aim).abs() / aim).clip(lower=0.01).round(2)
        rows.append(table.assign(aim_mm=aim, miss=miss).sort_values(["miss", "minutes"]).head(1))
    table = pd.concat(rows, ignore_index=True)
    return table.drop(columns="miss").rename(columns={"minutes": "minutes_per_10cm2"}).assign(
        chance_inside=np.nan)


def for_card(fit: DepthFit, machine: Machine = Machine(), board: str = "next") -> pd.DataFrame:
    """Return the steps of every species × module of the fit, at round depths it was burned to."""
    return pd.concat([
        steps(fit, group.species, group.module_w, round_depths(group), machine,
              group.wavelength_nm, board) for group in fit.groups], ignore_index=True)


def round_depths(group: GroupFit) -> list[float]:
    """Return up to eight round depths in mm that the group's curve reaches inside its readings."""
    low, high = group.curve.mean(np.array(group.range))
    inside = [depth for depth in _ROUND_MM if low <= depth <= high]
    while len(inside) > _MOST_STEPS:
        inside = inside[1:]
    return inside or [round(float(low + high) / 2, 2)]


def _combinations(group, machine) -> list[tuple[float, float, int]]:
    """Return the power, pitch and passes to try; what was burned where the machine says nothing."""
    burned = group.readings
    powers = machine.powers_pct or sorted(burned["power_pct"].unique())
    pitches = machine.line_pitches_mm or group.line_pitches_mm
    passes = machine.passes or sorted(burned["passes"].unique())
    return [(power, pitch, times) for power in powers for pitch in pitches for times in passes]


def _predicted(fit, group, speeds, power_pct, line_pitch_mm, passes, board) -> pd.DataFrame:
    """Predict one power, pitch and number of passes at each speed."""
    joules = energy.line_energy(group.module_w, power_pct, speeds, passes)
    band = fit.predict(group.species, group.module_w, joules, line_pitch_mm, board=board,
                       wavelength_nm=group.wavelength_nm)
    burned = group.readings
    strange = (not burned["passes"].eq(passes).any()
               or not burned["power_pct"].min() <= power_pct <= burned["power_pct"].max())
    return band.assign(species=group.species, module_w=group.module_w,
                       wavelength_nm=group.wavelength_nm, power_pct=power_pct, speed_mm_s=speeds,
                       line_pitch_mm=line_pitch_mm, passes=passes, level=LEVEL,
                       extrapolated=band["extrapolated"] | strange)


def _nearest(fit, group, machine, aim_mm, power_pct, line_pitch_mm, passes, board) -> pd.DataFrame:
    """Return the one speed whose predicted depth is nearest to the aim."""
    options = _predicted(fit, group, machine.speeds(), power_pct, line_pitch_mm, passes, board)
    return options.loc[[(options["depth_mm"] - aim_mm).abs().idxmin()]]


def _chance_inside(options, at_least_mm, at_most_mm) -> np.ndarray:
    """Return the chance that a reading lies in the window, from the predictive t distribution."""
    spread = stats.t(options["df"], options["depth_mm"], options["sd_mm"])
    return spread.cdf(at_most_mm) - spread.cdf(at_least_mm)


def _with_minutes(options, area_mm2, machine) -> pd.DataFrame:
    """Add the minutes of a block of that area with lines 100 mm long."""
    return options.assign(minutes=sweep.minutes(
        LINE_LENGTH_MM, area_mm2 / LINE_LENGTH_MM, options["speed_mm_s"], options["line_pitch_mm"], options["passes"],
        machine.acceleration_mm_s2))
