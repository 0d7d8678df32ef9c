"""First piece: what to do when it did not come out as deep as wanted.

Decides three things. At which speed to burn the next piece of the same board after the first one measured so much: a first
piece is a proof of its board, read as such, and the speed is the one whose chance to land inside the window is best.
With which second pass a piece that is too shallow and was not moved is brought into the window, and with what chance. And
how deep to aim where a second pass is planned from the start: burn a little too shallow, measure, finish.

A second pass adds its dose to the first one's, less what is lost (char in the way, a floor out of focus): 5 to 20 %, in
the middle 12.5. Whether it also pays once more what the wood takes before any mark shows, as the floor has cooled, nobody
told: it is counted with one chance in four (all of this our own judgement). Burns with one and with two passes of a wood tell,
as far as they were precise, and closer still the second passes that were recorded, each with its depth before and after: `Second`.
The recess is known by its readings and by what its
board and setting foretold, each weighed by its variance; the increment scatters as swatches do, by what is lost, and by
how steeply that board's depth rises, which one depth does not tell. Power and pitch stay, since a depth at another route
would tell less. What to do with a piece that is off follows from what bounds its window (`terms`); common practice, no
source.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from testburn import energy
from testburn.depthfit import DOSE, DepthFit, GroupFit, NEXT, proof
from testburn.job import settings
from testburn.job.infill import AT_MOST, Window
from testburn.labbook import Machine, columns

# Shares of the window's ends that the first piece may measure: enough to read a depth between them by eye. Judgement.
SHALLOW, DEEP = (0.75, 0.9), (1.1, 1.25)
_READINGS = 3
_PASSES = 2                    # of a route: power, pitch, passes
# What is lost of a second pass, the chance that it pays the first mark again, and how steeply one board differs from its wood: our own judgement.
LOST, LOST_SD, AGAIN, STEEP_SD = 0.125, 0.045, 0.25, 0.10
# A depth of the first pass by each of these chances: for the aim of a planned second pass.
_CHANCES, _MISREAD = (np.arange(25) + 0.5) / 25, special.ndtri((np.arange(5) + 0.5) / 5)
BURNS = "your burns with several passes"
UNSURE = "what a second pass loses is our judgement, not measured on your wood"
TELLS = "Three swatches burned with one pass and three with two, on one board of this wood, would tell"
_SHALLOW_NOW = {
    "shallow": "sanding may reach the colour.", "brush-filled": "sanding flush would take the colour with it.",
    "sprayed": "sanding may reach the colour.", "resin-filled": "sanding flush would take the resin with it.",
    "mask-sprayed": "sanding may reach the colour.", "sealed-face": "sanding may reach the colour."}
_DEEP_NOW = {
    "board": "too little wood is left under the floor: put this piece aside, it may crack or show through.",
    "narrowest stroke": "the walls of narrow strokes may break out: seal them before the colour, and sand with care.",
    "char": "more char stands in the recess: brush it out again and seal twice before the colour.",
    "paint": "it takes more colour: fill in more coats, each dry before the next, until it stands as the steps say."}
_DEEP_ON_THE_FLOOR = "the colour lies far below the face: see that the walls get theirs, or fill the recess up in thin coats first."


@dataclass(frozen=True)
class Second:
    """What a second pass loses of its dose, in two readings: with nothing more, and with the first mark paid once more.

    `chances` of the two, `lost` and `lost_sd` (shares of its dose) and `paid_j_mm2`; `burned`: whether burns told of it; `recorded`: how
    many recorded second passes did.
    """

    chances: np.ndarray
    lost: np.ndarray
    lost_sd: np.ndarray
    paid_j_mm2: np.ndarray
    burned: bool
    recorded: int = 0

    @property
    def ground(self) -> str:
        """What it rests on, in words."""
        if not self.burned and not self.recorded:
            return UNSURE
        own = f"{self.recorded} second pass{'es' * (self.recorded > 1)} you recorded"
        return "what a second pass loses is taken from " + " and ".join(
            [BURNS] * self.burned + ["our judgement"] * (not self.burned) + [own] * bool(self.recorded))

    @property
    def said(self) -> str:
        """The same, and what would tell where nothing does."""
        return self.ground if self.burned or self.recorded else f"{self.ground}. {TELLS}"


def second(fit: DepthFit, group: GroupFit, recorded: pd.DataFrame | None = None) -> Second:
    """Return what a second pass on a group's wood loses, from burns with several passes and recorded second passes where there are any.

    Parameters
    ----------
    recorded : DataFrame, optional
        From `jobs.second_passes`; those of this wood and module count, whose piece had one pass before.
    """
    begun = _from_burns(fit, group)
    if recorded is None or recorded.empty:
        return begun
    own = (recorded[list(columns.GROUP_KEY)] == [getattr(group, name) for name in columns.GROUP_KEY]).all(axis=1) & (recorded["passes"] == 1)
    return _from_records(fit, group, begun, recorded[own]) if own.any() else begun


def _from_burns(fit, group) -> Second:
    """Return what burns with several passes tell of a second one; our judgement where there are none.

    Of equal passes, half the dose is the second one's: at the middle of such burns' doses a loss of it makes them shallower
    than one pass of the same dose by a logarithm that the fit knows as the passes' route slope.
    """
    paid = np.array([0.0, group.threshold * (1.0 if group.regressor == DOSE else 1 / group.line_pitches_mm[0])])
    chances, lost, sd = np.array([1 - AGAIN, AGAIN]), np.full(2, LOST), np.full(2, LOST_SD)
    several = group.readings[group.readings["passes"] > 1]
    if several.empty or (group.readings["passes"] == 1).sum() == 0:
        return Second(chances, lost, sd, paid, False)
    seen, told = fit.spreads.told_of_route(group.index, _PASSES)
    dose = float(np.exp(np.log(several[DOSE]).mean()))
    whole, half = group.mean([dose])[0], 0.5 * dose
    shallower = np.log(group.mean(dose - paid - LOST * half) / whole)
    per_loss = np.log(group.mean(dose - paid - (LOST + 0.01) * half) / whole) - shallower
    per_loss, total = per_loss / 0.01, told + (per_loss / 0.01 * LOST_SD)**2
    chances = chances * np.exp(-0.5 * (seen - shallower)**2 / total) / np.sqrt(total)
    gain = LOST_SD**2 * per_loss / total
    return Second(chances / chances.sum(), lost + gain * (seen - shallower), LOST_SD * np.sqrt(told / total), paid, True)


def _from_records(fit, group, begun: Second, rows: pd.DataFrame) -> Second:
    """Return what is known after recorded second passes: each tells by how much a known dose made a known depth deeper.

    The logarithm of after over before is compared with what each reading of a second pass foretells, its loss as it was known; both depths
    scatter as their readings do, what was added as swatches do, and how steeply a board rises is one thing for all of its pieces. What is
    lost then moves by one normal step, all passes at once, and each reading's chance by how well it foretold them.
    """
    _, swatch, _, _ = fit.curves.components.variances
    doses = [energy.areal_dose(energy.line_energy(group.module_w, rows["power_pct"], rows[speed], 1), rows["line_pitch_mm"]).to_numpy()
             for speed in ("first_speed_mm_s", "speed_mm_s")]
    depths, counts = rows[["before_mm", "depth_mm"]].to_numpy(float), rows[["before_readings", "readings"]].to_numpy(float)
    noise = (_noise(fit, depths, counts) / depths**2).sum(axis=1)
    seen, alike = np.log(depths[:, 1] / depths[:, 0]), np.equal.outer(rows["board"].to_numpy(), rows["board"].to_numpy())
    logs, lost, sd = np.log(begun.chances), begun.lost.copy(), begun.lost_sd.copy()
    for one, paid in enumerate(begun.paid_j_mm2 / fit.machine_factor(group)):
        foretold, less = (np.log1p(_growth(fit, group, doses[0], _arriving(doses[1], begun.lost[one] + more, paid))) for more in (0, 0.01))
        per_loss, added = (less - foretold) / 0.01, -np.expm1(-foretold)
        total = np.diag(noise + added**2 * swatch) + alike * np.outer(added, added) * STEEP_SD**2 + np.outer(per_loss, per_loss) * sd[one]**2
        told = np.linalg.solve(total, np.column_stack([seen - foretold, per_loss]))
        logs[one] -= 0.5 * ((seen - foretold) @ told[:, 0] + np.linalg.slogdet(total)[1])
        lost[one] += sd[one]**2 * per_loss @ told[:, 0]
        sd[one] *= np.sqrt(1 - sd[one]**2 * per_loss @ told[:, 1])
    chances = np.exp(logs - logs.max())
    return Second(chances / chances.sum(), lost, sd, begun.paid_j_mm2, begun.burned, len(rows))


def _arriving(dose, lost, paid):
    """Return what of a second pass's dose digs."""
    return np.maximum((1 - lost) * dose - paid, 0)


def _growth(fit, group, first, added):
    """Return by what share of its depth a recess grows by so much dose added to the first."""
    before, after = (group.mean(fit.machine_factor(group) * dose) for dose in (first, first + added))
    return after / np.maximum(before, 1e-9) - 1


def next_speeds(fit: DepthFit, choice: pd.Series, window: Window, machine: Machine = Machine(),
                board: str = NEXT) -> pd.DataFrame:
    """Return at which speed to go on after the first piece.

    Parameters
    ----------
    fit : DepthFit
        With the board's proofs, where there are any.
    choice : Series
        The setting the first piece was burned with, a row of `settings.choose`.
    window : Window
    machine : Machine
    board : str

    Returns
    -------
    DataFrame
        side ("too shallow", "too deep"), measured_mm, speed_mm_s, chance_inside: of the next piece, on the same board.
    """
    group = fit.group_of(choice)
    step, own = group.gauge_step_mm, "first piece" if board == NEXT else board
    rows = []
    for side, end, shares in (("too shallow", window.at_least_mm, SHALLOW), ("too deep", window.at_most_mm, DEEP)):
        for share in shares:
            measured = round(end * share, 2)
            seen = proof(choice, own, [measured] * _READINGS, step, "first piece")
            options = settings.by_speed(fit.proved(seen), choice, window.at_least_mm, window.at_most_mm, machine, board=own)
            best = options.loc[options["chance_inside"].idxmax()]
            rows.append({"side": side, "measured_mm": measured, "speed_mm_s": best["speed_mm_s"],
                         "chance_inside": best["chance_inside"]})
    return pd.DataFrame(rows)


def top_up(fit: DepthFit, choice: pd.Series, measured_mm: float, at_least_mm: float, at_most_mm: float,
           machine: Machine = Machine(), board: str = NEXT, readings: int = _READINGS, loses: Second | None = None,
           speeds_mm_s=None) -> pd.Series:
    """Return the second pass that brings a piece, not moved since, into the window.

    Parameters
    ----------
    fit : DepthFit
        With the board's proofs, where there are any.
    choice : Series
        The setting of the first pass: one pass.
    measured_mm : float
        Mean depth of the recess, of so many `readings`.
    machine : Machine
    board : str
    loses : Second, optional
        What a second pass loses; by default without any that were recorded.
    speeds_mm_s : optional
        The speeds it may have; by default all of the machine's.

    Returns
    -------
    Series
        speed_mm_s, depth_mm (to be expected then) with its sd_mm, chance_inside, chance_deep, share (of the first pass's energy),
        beyond (True where no pass so weak was burned: its dose is less than the lab book's least).

    Raises
    ------
    ValueError
        If the recess is as deep as the window's ceiling already, or has no depth.
    """
    if not 0 < measured_mm < at_most_mm:
        raise ValueError(f"A recess of {measured_mm:g} mm needs no second pass: the window ends at {at_most_mm:.2f} mm. Measure again.")
    group, speeds = fit.group_of(choice), machine.speeds() if speeds_mm_s is None else np.asarray(speeds_mm_s, float)
    chances, mean, sd = _after(fit, group, choice, np.array([measured_mm]), speeds, board, readings, loses or second(fit, group))
    inside, deep = (found[0] for found in _chances(chances, mean, sd, at_least_mm, at_most_mm))
    best = int(inside.argmax())
    dose = energy.areal_dose(energy.line_energy(group.module_w, choice["power_pct"], speeds[best], 1), choice["line_pitch_mm"])
    depth = chances @ mean[:, 0, best]
    sd_mm = np.sqrt(chances @ (sd[:, 0, best]**2 + (mean[:, 0, best] - depth)**2))
    return pd.Series({"speed_mm_s": speeds[best], "depth_mm": depth, "sd_mm": sd_mm, "chance_inside": inside[best], "chance_deep": deep[best],
                      "share": choice["speed_mm_s"] / speeds[best], "beyond": bool(dose < group.doses[0])})


def planned(fit: DepthFit, choice: pd.Series, at_least_mm: float, at_most_mm: float, machine: Machine = Machine(),
            board: str = NEXT, readings: int = _READINGS, loses: Second | None = None) -> pd.Series:
    """Return at which speed to burn the first pass where a second one is planned for pieces that need it.

    A first pass that lands inside is left as it is; one that is too shallow gets its best second pass; one too deep is
    lost. The speed is the one whose pieces end inside most often.

    Returns
    -------
    Series
        speed_mm_s, aim_mm (of the first pass), chance_inside, chance_shallow, chance_deep (of all pieces in the end),
        topped_up (share of the pieces).
    """
    group, speeds = fit.group_of(choice), machine.speeds(60)
    loses = loses or second(fit, group)
    doses = energy.line_energy(group.module_w, choice["power_pct"], speeds, 1)
    first = fit.predictive(group, doses, choice["line_pitch_mm"], "swatch", board, choice["power_pct"], 1)[0]
    tried = np.flatnonzero((first.depth_mm > 0.5 * at_least_mm) & (first.depth_mm < at_most_mm))
    depths = np.array([first.quantile(chance) for chance in _CHANCES])
    rows = []
    for at in tried:
        begun = choice.copy()
        begun["speed_mm_s"], begun["line_energy_j_mm"] = speeds[at], doses[at]
        # Whether a piece gets a second pass is told by its readings, which may be off.
        own = depths[:, at, None]
        read = np.maximum(own + _MISREAD * np.sqrt(_noise(fit, own, readings)), 1e-3)
        shallow = read < at_least_mm
        ends, deep = (kept * np.ones_like(read) for kept in ((own >= at_least_mm) & (own <= at_most_mm), own > at_most_mm))
        if shallow.any():
            after = _after(fit, group, begun, read[shallow], speeds, board, readings, loses)
            inside, below = _chances(*after, at_least_mm, at_most_mm)
            best = np.arange(shallow.sum()), inside.argmax(axis=1)
            ends[shallow], deep[shallow] = inside[best], below[best]
        rows.append({"speed_mm_s": speeds[at], "aim_mm": first.depth_mm[at], "chance_inside": ends.mean(),
                     "chance_shallow": 1 - ends.mean() - deep.mean(), "chance_deep": deep.mean(), "topped_up": shallow.mean()})
    table = pd.DataFrame(rows)
    return table.loc[table["chance_inside"].idxmax()]


def _after(fit: DepthFit, group: GroupFit, choice: pd.Series, measured_mm, speeds, board: str,
           readings: int, loses: Second) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return chances, mean and sd of the depth after a second pass: its two readings × recesses measured × speeds of it."""
    pitch, power = choice["line_pitch_mm"], choice["power_pct"]
    first = energy.areal_dose(choice["line_energy_j_mm"], pitch)
    more = energy.areal_dose(energy.line_energy(group.module_w, power, speeds, 1), pitch)
    foretold = fit.predictive(group, [choice["line_energy_j_mm"]], pitch, "swatch", board, power, choice["passes"])[0]
    noise = _noise(fit, measured_mm, readings)
    weight = foretold.sd_mm[0]**2 / (foretold.sd_mm[0]**2 + noise)
    depth, doubt = foretold.depth_mm[0] + weight * (measured_mm - foretold.depth_mm[0]), weight * noise
    lost, spread, paid = (of[:, None] for of in (loses.lost, loses.lost_sd, loses.paid_j_mm2 / fit.machine_factor(group)))
    added = _arriving(more, lost, paid)
    growth, surer = (_growth(fit, group, np.array([first]), dose) for dose in (added, added + spread * more))
    doubtful = surer - growth
    growth, doubtful, depth, doubt = growth[:, None], doubtful[:, None], depth[:, None], doubt[:, None]
    own = (doubtful**2 + growth**2 * (fit.curves.components.variances[1] + STEEP_SD**2)) * depth**2
    return loses.chances, depth * (1 + growth), np.sqrt(own + doubt * (1 + growth)**2)


def _noise(fit: DepthFit, depth_mm, readings: int):
    """Return the variance of the mean of so many readings."""
    _, _, reading, gauge = fit.curves.components.variances
    return (reading * depth_mm**2 + gauge) / readings


def _chances(chances, mean, sd, at_least_mm, at_most_mm) -> tuple[np.ndarray, np.ndarray]:
    """Return the chances to end inside and too deep, of recesses × speeds, whichever reading of a second pass is true."""
    below_most, below_least = (np.tensordot(chances, special.ndtr((end - mean) / sd), 1) for end in (at_most_mm, at_least_mm))
    return below_most - below_least, 1 - below_most


def of_100(chance: float) -> str:
    """Return a chance in words; no second pass is surer than 99 of 100."""
    return f"{min(round(100 * chance), 99)} of 100"


def this_piece(window: Window, ground: str = UNSURE) -> dict[str, str]:
    """Return what becomes of a piece that is too shallow or too deep, by what bounds its window; `ground`: of a second pass."""
    most = window.dominating[AT_MOST]
    deep = _DEEP_ON_THE_FLOOR if most == "paint" and not window.recipe.fills else _DEEP_NOW[most]
    return {"too shallow": f"Measure before the piece is moved, as a second pass would lie beside the first, and again after it: "
                           f"{ground}. As it is, {_SHALLOW_NOW[window.variant]}", "too deep": f"This piece: {deep}"}
