"""Settings: which settings land inside a depth window, and which of them is the fastest.

Decides by the prediction itself, backwards: the energy for a depth by inverting its band
(`energyfor`), the chance to land inside a window from the same distribution that draws the band.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from testburn import energy, sweep
from testburn.depthfit import DepthFit, GroupFit, LEVEL, NEXT, proof
from testburn.job.energyfor import EnergyFor, energy_needs, line_energy_for
from testburn.labbook import Machine, columns
from testburn.units import Units

if TYPE_CHECKING:
    from testburn.sweep import Artwork

__all__ = ["EnergyFor", "Machine", "advice", "by_module", "by_speed", "chance_inside", "choose", "energy_needs",
           "for_card", "left_off", "line_energy_for", "round_depths", "steps"]

CARD_AREA_MM2 = 1000.0
# Minutes depend on how long a line is. Without the artwork, lines of a sign's usual width are taken.
LINE_LENGTH_MM = 100.0
GOOD_CHANCE, SURE_CHANCE = 0.80, 0.95
FASTEST, SUREST = "fastest", "surest"
_ROUND_MM = (0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
_MOST_STEPS = 8
# Up to so many speeds are all tried; of more, a ladder of so many, and then those beside its best.
_ALL_SPEEDS, _LADDER = 2000, 300
_A_PROOF = "(a proof)"
_FARTHEST_MISS = 0.05


def choose(fit: DepthFit, species: str, module_w: float, at_least_mm: float, at_most_mm: float,
           machine: Machine = Machine(), area_mm2: float = CARD_AREA_MM2, board: str = NEXT,
           chance: float = GOOD_CHANCE, wavelength_nm: float | None = None,
           artwork: "Artwork | None" = None, module: str | None = None) -> pd.DataFrame:
    """Return the settings that land inside a depth window, fastest first.

    For each power, pitch and number of passes: of the speeds whose chance to land inside reaches
    `chance` the one that takes the fewest minutes, or else the speed with the best chance there is.

    Parameters
    ----------
    at_least_mm, at_most_mm : float
        The window, 0 < at_least_mm < at_most_mm.
    area_mm2 : float
        Area to engrave; without artwork, minutes are those of a block with lines 100 mm long.
    chance : float
        Wanted chance that the recess on that board lies inside the window.
    artwork : Artwork, optional
        The drawing to engrave: minutes are then its own, swept in the fastest `way`.

    Returns
    -------
    DataFrame
        species, module_w, wavelength_nm, module, power_pct, speed_mm_s, line_pitch_mm, passes,
        line_energy_j_mm, depth_mm, lower_mm, upper_mm and level (of a single reading),
        chance_inside and chance_shallow (of the recess: its mean depth), good, minutes and least_minutes (of a slow and a
        brisk head, where the machine does not say how briskly its own speeds up), way (with artwork), extrapolated and why (in words). Rows outside the burns stand last.

    Raises
    ------
    ValueError
        If the window is not one.
    """
    return for_group(fit, fit.group(species, module_w, wavelength_nm, module), at_least_mm, at_most_mm, machine,
                     area_mm2, board, chance, artwork)


def for_group(fit: DepthFit, group: GroupFit, at_least_mm: float, at_most_mm: float,
              machine: Machine = Machine(), area_mm2: float = CARD_AREA_MM2, board: str = NEXT,
              chance: float = GOOD_CHANCE, artwork: "Artwork | None" = None) -> pd.DataFrame:
    """Return the settings of one group that land inside a depth window, fastest first; see `choose`."""
    if not 0 < at_least_mm < at_most_mm:
        raise ValueError(f"The window {at_least_mm:g} to {at_most_mm:g} mm is not one. "
                         "Give a least depth above 0 and a greater largest depth.")
    group.must_rise()
    found, timed = [], _clock(area_mm2, machine, artwork)

    def options_at(speeds, tried):
        options = timed(_predicted(fit, group, speeds, *tried, board))
        recess = _recess(fit, group, options, board)
        shallow = recess.chance_below(at_least_mm)
        inside = recess.chance_below(at_most_mm) - shallow
        return options.assign(chance_shallow=shallow, chance_inside=inside, good=reaches(inside, chance))

    for tried in _combinations(group, machine):
        found.append(_best(machine.speeds(), lambda speeds, tried=tried: options_at(speeds, tried), _fastest_good))
    # What was burned comes first: a setting outside the burns rests on what such machines usually do. Then those
    # that reach the wanted chance, the fastest before the others; those that do not, the surest before the others.
    table = pd.concat(found, ignore_index=True)
    short = np.where(table["good"], 0, 100 - np.round(100 * table["chance_inside"]))
    return table.iloc[np.lexsort((table["minutes"], short, table["extrapolated"]))].reset_index(drop=True)


def _fastest_good(options: pd.DataFrame) -> int:
    """Return the row of the good speed that takes the fewest minutes, or else of the best chance there is."""
    good = options[options["good"]]
    return good["minutes"].idxmin() if len(good) else options["chance_inside"].idxmax()


def _best(speeds: np.ndarray, options_at: Callable, pick: Callable) -> pd.DataFrame:
    """Return the one best speed: of all where they are few, else between the neighbours of the best of some.

    Depth and minutes change steadily with the speed, so that what is best lies beside the best of a ladder.
    """
    while True:
        ladder = np.unique(np.geomspace(1, len(speeds), _LADDER).round().astype(int)) - 1
        tried = speeds[ladder] if len(speeds) > _ALL_SPEEDS else speeds
        options = options_at(tried)
        best = options.loc[[pick(options)]]
        if len(tried) == len(speeds):
            return best
        at = int(np.searchsorted(tried, best["speed_mm_s"].iloc[0]))
        speeds = speeds[ladder[max(at - 1, 0)]:ladder[min(at + 1, len(ladder) - 1)] + 1]


def reaches(chance_inside, wanted: float):
    """Return whether a chance is the wanted one, as both are said: in whole percent."""
    return np.round(100 * chance_inside) >= np.round(100 * wanted)


def by_speed(fit: DepthFit, choice: pd.Series, at_least_mm: float, at_most_mm: float,
             machine: Machine = Machine(), area_mm2: float = CARD_AREA_MM2,
             board: str = NEXT, artwork: "Artwork | None" = None) -> pd.DataFrame:
    """Return every speed at a choice's power, pitch and passes, with its chance and minutes.

    Only speeds whose depth lies between half the window's floor and twice its ceiling are kept.
    """
    group = fit.group_of(choice)
    options = _predicted(fit, group, machine.speeds(_ALL_SPEEDS), choice["power_pct"],
                         choice["line_pitch_mm"], choice["passes"], board)
    options = options[options["depth_mm"].between(at_least_mm / 2, 2 * at_most_mm)]
    if options.empty:
        raise ValueError(f"At {machine.units.said('power_pct', choice['power_pct'])} and "
                         f"{machine.units.said('line_pitch_mm', choice['line_pitch_mm'])} no speed of this machine comes near {at_least_mm:g} to "
                         f"{at_most_mm:g} mm.")
    return _clock(area_mm2, machine, artwork)(options).assign(
        chance_inside=chance_inside(fit, group, options, at_least_mm, at_most_mm, board))


def advice(fit: DepthFit, choice: pd.Series, at_least_mm: float, at_most_mm: float,
           wanted: float = GOOD_CHANCE, board: str = NEXT, units: Units = Units()) -> str:
    """Say in words how sure the choice is, and what would make it surer; its setting in the machine's units."""
    group = fit.group_of(choice)
    said = (f"{units.said('speed_mm_s', choice['speed_mm_s'])} at {units.said('power_pct', choice['power_pct'])}: "
            f"{100 * choice['chance_inside']:.0f} % chance to land between {at_least_mm:.3g} and "
            f"{at_most_mm:.3g} mm")
    if choice["why"]:
        said += f" ({choice['why']})"
    if board != NEXT and (away := fit.proved_elsewhere(choice, board)):
        said += f". {away.rstrip('.')}"
    if reaches(choice["chance_inside"], wanted):
        return said + "."
    row = choice.to_frame().T
    step = group.gauge_step_mm
    helps = []
    if board == NEXT and choice["depth_mm"] > step:
        expected = proof(choice, _A_PROOF, [choice["depth_mm"]] * 3, step)
        surer = chance_inside(fit.proved(expected), group, row.astype({"line_energy_j_mm": float}),
                              at_least_mm, at_most_mm, _A_PROOF)[0]
        helps.append(f"a proof swatch that comes out as predicted would make it {100 * surer:.0f} %")
    if group.boards < 5:
        helps.append(f"another board ({group.boards} so far) narrows the curve")
    helps.append("a wider window takes more boards in")
    return (f"{said}; {100 * wanted:g} % was wanted and no setting has it. What would help: "
            + "; ".join(helps) + ".")


def chance_inside(fit: DepthFit, group: GroupFit, options: pd.DataFrame, at_least_mm: float,
                  at_most_mm: float, board: str = NEXT) -> np.ndarray:
    """Return the chance that a recess burned with each setting lies in the window.

    Parameters
    ----------
    options : DataFrame
        Rows with line_energy_j_mm, of one power_pct, line_pitch_mm and passes.
    """
    return _recess(fit, group, options, board).chance_inside(at_least_mm, at_most_mm)


def _recess(fit, group, options, board):
    """Return the distribution of a recess burned with each setting of one route."""
    power, pitch, passes = (options[name].iloc[0] for name in ("power_pct", "line_pitch_mm", "passes"))
    return fit.predictive(group, options["line_energy_j_mm"].to_numpy(), pitch, "swatch", board, power, passes)[0]


def steps(fit: DepthFit, species: str, module_w: float, depths_mm, machine: Machine = Machine(),
          wavelength_nm: float | None = None, board: str = NEXT, module: str | None = None) -> pd.DataFrame:
    """Return, for each wanted depth, the fastest setting whose predicted depth is nearest to it.

    These are the rows of a settings card: `aim_mm`, the columns of `choose` (chance_inside is
    NaN, as a step has no window) and minutes_per_10cm2. A depth that no setting of the machine
    comes within a twentieth of has no row.
    """
    return _steps(fit, fit.group(species, module_w, wavelength_nm, module), depths_mm, machine, board)


def _steps(fit, group, depths_mm, machine, board) -> pd.DataFrame:
    """Return the steps of one group; see `steps`."""
    aims = np.asarray(depths_mm, float)
    every = [_nearest(fit, group, machine, aims, *one, board).assign(aim_mm=aims, place=np.arange(len(aims)))
             for one in _combinations(group, machine)]
    table = _clock(CARD_AREA_MM2, machine)(pd.concat(every, ignore_index=True))
    # A setting more than a hundredth of the aim off is no match for one that is nearer.
    table["miss"] = ((table["depth_mm"] - table["aim_mm"]).abs() / table["aim_mm"]).clip(lower=0.01).round(2)
    # What was burned comes before what was not, however well that fits.
    table = table[table["miss"] <= _FARTHEST_MISS].sort_values(["place", "extrapolated", "miss", "minutes"])
    table = table.drop_duplicates("place", ignore_index=True).drop(columns=["miss", "place"])
    return table.rename(columns={name: f"{name}_per_10cm2" for name in ("minutes", "least_minutes")}).assign(
        chance_inside=np.nan)


def for_card(fit: DepthFit, machine: Machine = Machine(), board: str = NEXT) -> pd.DataFrame:
    """Return the steps of every species × module of the fit, at round depths it was burned to.

    A group whose curve does not clearly rise has none; `left_off` says which and why.

    Raises
    ------
    ValueError
        If no group has any.
    """
    table = pd.concat([
        _steps(fit, group, round_depths(group), machine, board) for group in fit.groups if group.rises],
        ignore_index=True) if any(group.rises for group in fit.groups) else pd.DataFrame()
    if table.empty:
        raise ValueError("There is nothing to put on a card: " + left_off(fit, table))
    return table


def fast_and_sure(fit: DepthFit, group: GroupFit, at_least_mm: float, at_most_mm: float,
                  each: int = 2, first: str = FASTEST, **more) -> pd.DataFrame:
    """Return the fastest settings that are good enough and those that are 95 % sure.

    Takes what `for_group` takes, without its chance; `each` is how many of either kind, `first` which kind
    comes first: fastest or surest.
    """
    chances = (GOOD_CHANCE, SURE_CHANCE) if first == FASTEST else (SURE_CHANCE, GOOD_CHANCE)
    found = pd.concat([for_group(fit, group, at_least_mm, at_most_mm, chance=chance, **more).head(each)
                       for chance in chances])
    return found.drop_duplicates(list(columns.MACHINE_SETTING), ignore_index=True)


def by_module(fit: DepthFit, species: str, at_least_mm: float, at_most_mm: float, machine: Machine = Machine(),
              artwork: "Artwork | None" = None, chance: float = GOOD_CHANCE) -> pd.DataFrame:
    """Return, for each module with a curve for a wood, its first setting for a window: those that are good enough first, by minutes.

    Power and pitches that machine.toml names are tried with every module; else each has those it was burned with.

    Returns
    -------
    DataFrame
        module_name, boards, finest_pitch_mm (burned so far) and the columns of `choose`. A module whose curve does not rise has
        no setting: it stands last, and `why` says so.

    Raises
    ------
    ValueError
        If the window is not one.
    """
    rows = []
    for group in (group for group in fit.groups if group.species == species):
        known = {"module_name": f"{group.module_name}, {group.wavelength_nm:g} nm", "boards": group.boards,
                 "finest_pitch_mm": min(group.line_pitches_mm)}
        found = (for_group(fit, group, at_least_mm, at_most_mm, machine, chance=chance, artwork=artwork).iloc[0].to_dict() if group.rises
                 else {"good": False, "why": "its depths do not clearly rise with energy; look at its readings"})
        rows.append(known | found)
    table = pd.DataFrame(rows)
    return table.sort_values(["good", "minutes"], ascending=[False, True], ignore_index=True) if "minutes" in table else table


def for_job(choices: pd.DataFrame, artwork: "Artwork") -> pd.DataFrame:
    """Return choices as the rows of a job's own card: what they aim at is the depth they have."""
    name = artwork.name + f" without {sweep.artwork.shapes(artwork.left_out)}" * bool(artwork.left_out)
    return choices.assign(aim_mm=choices["depth_mm"].round(2), artwork=name, **{
        f"{name}_per_10cm2": choices[name] / artwork.area_mm2 * CARD_AREA_MM2 for name in ("minutes", "least_minutes")})


def left_off(fit: DepthFit, card_rows: pd.DataFrame) -> str:
    """Say which species × module have no row on the card, and why; or nothing."""
    on = set() if card_rows.empty else set(
        card_rows[list(columns.GROUP_KEY)].itertuples(index=False, name=None))
    said = [f"{group.name} ("
            + ("its depths do not clearly rise with energy; look at its readings" if not group.rises
               else "none of its depths is within this machine's speeds") + ")"
            for group in fit.groups
            if tuple(getattr(group, name) for name in columns.GROUP_KEY) not in on]
    said += [f"{row.species}, {row.module_w:g} W at {row.wavelength_nm:g} nm" + f", {row.module}" * bool(row.module) + f" ({row.why})"
             for row in fit.left_out.itertuples()]
    return "; ".join(said)


def round_depths(group: GroupFit) -> list[float]:
    """Return up to eight round depths in mm that the group's curve reaches inside its readings."""
    low, high = group.mean(np.array(group.doses))
    inside = [depth for depth in _ROUND_MM if low <= depth <= high]
    while len(inside) > _MOST_STEPS:
        inside = inside[1:]
    return inside or [round(float(low + high) / 2, 2)]


def _combinations(group, machine) -> list[tuple[float, float, int]]:
    """Return the power, pitch and passes to try; what was burned where the machine says nothing."""
    burned = group.readings
    powers = machine.taken("power_pct", machine.powers_pct or sorted(burned["power_pct"].unique()))
    pitches = machine.taken("line_pitch_mm", machine.line_pitches_mm or group.line_pitches_mm)
    passes = machine.passes or sorted(burned["passes"].unique())
    return [(power, pitch, times) for power in powers for pitch in pitches for times in passes]


def _predicted(fit, group, speeds, power_pct, line_pitch_mm, passes, board) -> pd.DataFrame:
    """Predict one power, pitch and number of passes at each speed."""
    joules = energy.line_energy(group.module_w, power_pct, speeds, passes)
    band = fit.band(group, joules, line_pitch_mm, board=board, power_pct=power_pct, passes=passes)
    return band.assign(species=group.species, module_w=group.module_w,
                       wavelength_nm=group.wavelength_nm, module=group.module, power_pct=power_pct, speed_mm_s=speeds,
                       line_pitch_mm=line_pitch_mm, passes=passes, level=LEVEL)


def _nearest(fit, group, machine, depths_mm, power_pct, line_pitch_mm, passes, board) -> pd.DataFrame:
    """Return for each depth the one speed whose predicted depth is nearest to it."""
    speeds = machine.speeds(_ALL_SPEEDS)
    joules = energy.line_energy(group.module_w, power_pct, speeds, passes)
    expected = fit.predictive(group, joules, line_pitch_mm, "reading", board, power_pct, passes)[0].depth_mm
    if len(speeds) > 1 and speeds[1] - speeds[0] > machine.step_mm_s * 1.5:
        # Of more speeds than are tried: the one between two of them, as depth falls steadily with the speed.
        nearest = machine.nearest_speeds(np.interp(depths_mm, expected[::-1], speeds[::-1]))
    else:
        nearest = speeds[np.abs(expected - np.asarray(depths_mm)[:, None]).argmin(axis=1)]
    return _predicted(fit, group, nearest, power_pct, line_pitch_mm, passes, board)


def _clock(area_mm2, machine, artwork=None) -> Callable[[pd.DataFrame], pd.DataFrame]:
    """Return what adds minutes to settings: of the artwork, or of a block with lines 100 mm long."""
    if artwork is None:
        return lambda options: options.assign(**{name: sweep.minutes(
            LINE_LENGTH_MM, area_mm2 / LINE_LENGTH_MM, options["speed_mm_s"], options["line_pitch_mm"], options["passes"],
            head) for name, head in zip(("least_minutes", "minutes"), sweep.heads(machine))})
    plans = {}

    def timed(options):
        # The drawing is cut into lines once a pitch, whatever the powers and passes.
        pitch, speeds = options["line_pitch_mm"].iloc[0], options["speed_mm_s"].to_numpy()
        plan = plans.get(pitch) or plans.setdefault(pitch, sweep.plan(artwork, pitch, machine))
        passes = options["passes"].iloc[0]
        return options.assign(least_minutes=plan.least_minutes(speeds, passes),
                              minutes=plan.fastest_minutes(speeds, passes), way=plan.ways_at(speeds))
    return timed
