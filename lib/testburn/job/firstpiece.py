"""First piece: what to do when it did not come out as deep as wanted.

Decides three things. At which speed to burn the next piece of the same board after the first one measured so much: a first
piece is a proof of its board, read as such, and the speed is the one whose chance to land inside the window is best.
With which second pass a piece that is too shallow and was not moved is brought into the window, and with what chance. And
how deep to aim where a second pass is planned from the start: burn a little too shallow, measure, finish.

A second pass adds its dose to the first one's, less what is lost (char in the way, a floor out of focus): 5 to 20 %, in
the middle 12.5 (our own judgement; burns with two passes would tell). The recess is known by its readings and by what its
board and setting foretold, each weighed by its variance; the increment scatters as swatches do, by what is lost, and by
how steeply that board's depth rises, which one depth does not tell. Power and pitch stay, since a depth at another route
would tell less. What to do with a piece that is off follows from what bounds its window (`terms`); common practice, no
source.
"""

import numpy as np
import pandas as pd
from scipy import special

from testburn import energy
from testburn.depthfit import DepthFit, GroupFit, NEXT, proof
from testburn.job import settings
from testburn.job.infill import AT_MOST, Window
from testburn.labbook import Machine

# Shares of the window's ends that the first piece may measure: enough to read a depth between them by eye. Judgement.
SHALLOW, DEEP = (0.75, 0.9), (1.1, 1.25)
_READINGS = 3
# What is lost of a second pass, and how steeply one board differs from its wood: our own judgement.
LOST, LOST_SD, STEEP_SD = 0.125, 0.045, 0.10
# A depth of the first pass by each of these chances: for the aim of a planned second pass.
_CHANCES, _MISREAD = (np.arange(25) + 0.5) / 25, special.ndtri((np.arange(5) + 0.5) / 5)
_AS_GOOD = 0.005
UNSURE = "what a second pass loses is our judgement, not measured on your wood"
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
    step, own = float(group.readings["gauge_step_mm"].median()), "first piece" if board == NEXT else board
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
           machine: Machine = Machine(), board: str = NEXT, readings: int = _READINGS) -> pd.Series:
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

    Returns
    -------
    Series
        speed_mm_s, depth_mm (to be expected then), chance_inside, chance_deep, share (of the first pass's energy),
        beyond (True where no pass so weak was burned: its dose is less than the lab book's least).

    Raises
    ------
    ValueError
        If the recess is as deep as the window's ceiling already, or has no depth.
    """
    if not 0 < measured_mm < at_most_mm:
        raise ValueError(f"A recess of {measured_mm:g} mm needs no second pass: the window ends at {at_most_mm:.2f} mm. Measure again.")
    group, speeds = fit.group_of(choice), machine.speeds()
    mean, sd = _after(fit, group, choice, np.array([measured_mm]), speeds, board, readings)
    inside, deep = _chances(mean[0], sd[0], at_least_mm, at_most_mm)
    best = int(inside.argmax())
    dose = energy.areal_dose(energy.line_energy(group.module_w, choice["power_pct"], speeds[best], 1), choice["line_pitch_mm"])
    return pd.Series({"speed_mm_s": speeds[best], "depth_mm": mean[0, best], "chance_inside": inside[best], "chance_deep": deep[best],
                      "share": choice["speed_mm_s"] / speeds[best], "beyond": bool(dose < group.doses[0])})


def planned(fit: DepthFit, choice: pd.Series, at_least_mm: float, at_most_mm: float, machine: Machine = Machine(),
            board: str = NEXT, readings: int = _READINGS) -> pd.Series:
    """Return at which speed to burn the first pass where a second one is planned for pieces that need it.

    A first pass that lands inside is left as it is; one that is too shallow gets its best second pass; one too deep is
    lost. Of all speeds whose pieces end inside as good as most often the one is taken that the fewest need a second pass at.

    Returns
    -------
    Series
        speed_mm_s, aim_mm (of the first pass), chance_inside (of all pieces in the end), topped_up (share of the pieces).
    """
    group, speeds = fit.group_of(choice), machine.speeds(60)
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
        ends = ((own >= at_least_mm) & (own <= at_most_mm)) * np.ones_like(read)
        if shallow.any():
            mean, sd = _after(fit, group, begun, read[shallow], speeds, board, readings)
            ends[shallow] = _chances(mean, sd, at_least_mm, at_most_mm)[0].max(axis=1)
        rows.append({"speed_mm_s": speeds[at], "aim_mm": first.depth_mm[at], "chance_inside": ends.mean(), "topped_up": shallow.mean()})
    table = pd.DataFrame(rows)
    best = table[table["chance_inside"] >= table["chance_inside"].max() - _AS_GOOD]
    return best.loc[best["topped_up"].idxmin()]


def _after(fit: DepthFit, group: GroupFit, choice: pd.Series, measured_mm, speeds, board: str,
           readings: int) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and sd of the depth after a second pass: recesses measured × speeds of the second pass."""
    factor, pitch, power = fit.machine_factor(group), choice["line_pitch_mm"], choice["power_pct"]
    first = energy.areal_dose(choice["line_energy_j_mm"], pitch)
    second = energy.areal_dose(energy.line_energy(group.module_w, power, speeds, 1), pitch)
    sds = fit.components.set_index("component")["sd"]
    foretold = fit.predictive(group, [choice["line_energy_j_mm"]], pitch, "swatch", board, power, choice["passes"])[0]
    noise = _noise(fit, measured_mm, readings)
    weight = foretold.sd_mm[0]**2 / (foretold.sd_mm[0]**2 + noise)
    depth, doubt = foretold.depth_mm[0] + weight * (measured_mm - foretold.depth_mm[0]), weight * noise
    total = first + (1 - LOST) * second
    before, after, more = (group.mean(factor * dose) for dose in (np.array([first]), total, total + LOST_SD * second))
    growth, lost = after / np.maximum(before, 1e-9) - 1, (more - after) / np.maximum(before, 1e-9)
    mean = depth[:, None] * (1 + growth)
    own = (lost**2 + growth**2 * (sds["swatch"]**2 + STEEP_SD**2)) * depth[:, None]**2
    return mean, np.sqrt(own + doubt[:, None] * (1 + growth)**2)


def _noise(fit: DepthFit, depth_mm, readings: int):
    """Return the variance of the mean of so many readings."""
    sds = fit.components.set_index("component")["sd"]
    return ((sds["reading"] * depth_mm)**2 + sds["gauge"]**2) / readings


def _chances(mean, sd, at_least_mm, at_most_mm) -> tuple[np.ndarray, np.ndarray]:
    """Return the chances to end inside and too deep."""
    below_most = special.ndtr((at_most_mm - mean) / sd)
    return below_most - special.ndtr((at_least_mm - mean) / sd), 1 - below_most


def of_100(chance: float) -> str:
    """Return a chance in words; no second pass is surer than 99 of 100."""
    return f"{min(round(100 * chance), 99)} of 100"


def this_piece(window: Window) -> dict[str, str]:
    """Return what becomes of a piece that is too shallow or too deep, by what bounds its window."""
    most = window.dominating[AT_MOST]
    return {"too shallow": f"Measure before the piece is moved, as a second pass would lie beside the first, and again after it: "
                           f"{UNSURE}. As it is, {_SHALLOW_NOW[window.variant]}", "too deep": f"This piece: {_DEEP_ON_THE_FLOOR if most == 'paint' and not window.recipe.fills else _DEEP_NOW[most]}"}
