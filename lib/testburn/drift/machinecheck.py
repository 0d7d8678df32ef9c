"""Machine check: is the percent proportional to what arrives, and at which focus is the recess deepest?

Decides what a ladder of power steps and a ladder of focus offsets say, each with its doubt. Power: swatches at several powers
and one speed on one board. Each depth is read backwards through the wood's curve as the energy that must have arrived; the
board's own level is common to all steps and drops out, its slope, the swatch's and the reading's scatter stay in as doubt. Of
what arrives against the percent the slope of the logarithms is taken (generalised least squares): 0 is proportional. That it is
proportional is said only where two one-sided tests at 5 % show it (Schuirmann 1987, from memory) to `ALIKE` for half the power;
that it is not, where it is 2 sd off. Where neither is shown, that is said. A wood may itself answer otherwise to a weak
beam than to a fast one: depth cannot tell the two apart, and a setting does not need it to.

Focus: one setting at several offsets. The deepest is the vertex of a parabola through the logarithms of the depths, -b / 2c, with
its uncertainty to first order (JCGM 100:2008, 5.1.2); a parabola is fair near the focus only. A vertex outside the
ladder, or a curve that does not bend down, is no result. The curve's own error is left out, as in `depthfit.states`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from testburn import energy
from testburn.depthfit import DepthFit, DOSE, GroupFit, NEXT, states
from testburn.labbook import columns

ALIKE, _ONE_SIDED, _TWO_SIDED = 1.10, 1.645, 1.96
FEWEST_STEPS = 4
_TILT = 7                       # the place of a board's slope among its errors
_GRID = np.geomspace(0.02, 20, 4000)
# What a ladder of powers has one of.
_ONE_OF = ("board", "species", "speed_mm_s", "line_pitch_mm", "passes", *columns.MODULE_KEY)
# How far from the deepest the depth has fallen by this share is said beside it.
_FALLS = 0.05


@dataclass(frozen=True, eq=False)
class PowerCheck:
    """What a ladder of powers says.

    `table` has a row a power: power_pct, depth_mm, arrives_pct, lower_pct and upper_pct (95 %), counted from the strongest. `slope` is
    by how much more than in proportion what arrives grows, on logarithms; 0 is proportional.
    """

    table: pd.DataFrame
    slope: float
    slope_sd: float
    verdict: str
    words: str


@dataclass(frozen=True, eq=False)
class FocusCheck:
    """What a ladder of focus offsets says: a row an offset (focus_offset_mm, depth_mm, fitted_mm), the deepest and its sd in mm.

    `deepest_mm` is NaN where none was shown. `note` is what to write into the machine's log.
    """

    table: pd.DataFrame
    deepest_mm: float
    deepest_sd_mm: float
    words: str
    note: str

    @property
    def at_home(self) -> bool:
        """Whether the deepest may be where the module stands: no offset."""
        return bool(abs(self.deepest_mm) < _TWO_SIDED * self.deepest_sd_mm)


def power_ladders(readings: pd.DataFrame) -> list[str]:
    """Return the burns that are ladders of powers, as `power_check` takes them, the newest first."""
    rows = _counting(columns.with_module(readings))
    each = rows.groupby("burn").agg(**{name: (name, "nunique") for name in (*_ONE_OF, "power_pct")}, day=("burned_on", "max"))
    ladders = each[(each[list(_ONE_OF)] <= 1).all(axis=1) & (each["power_pct"] >= FEWEST_STEPS)]
    return ladders.sort_values("day", ascending=False, kind="stable").index.tolist()


def power_check(fit: DepthFit, readings: pd.DataFrame) -> PowerCheck:
    """Return whether the percent is proportional to what arrives, from one burn of several powers at one speed.

    Parameters
    ----------
    fit : DepthFit
        Without that burn.
    readings : DataFrame
        Of that burn, as `labbook.read` gives them; those set aside stay out.

    Raises
    ------
    ValueError
        If the burn is of several boards, speeds, pitches or passes, has fewer than `FEWEST_STEPS` powers, or no mark.
    LookupError
        If there is no curve of its wood and module.
    """
    rows = _one_ladder(columns.with_module(readings))
    group = fit.group_of(rows.iloc[0])
    steps = energy.with_energy(rows).groupby("power_pct").agg(
        depth_mm=("depth_mm", "mean"), count=("depth_mm", "size"), gauge_step_mm=("gauge_step_mm", "max"), swatches=("swatch", "nunique"),
        **{DOSE: (DOSE, "mean")}).reset_index()
    steps = steps[steps["depth_mm"] > steps["gauge_step_mm"]].reset_index(drop=True)
    if len(steps) < FEWEST_STEPS:
        raise ValueError(f"Only {len(steps)} powers left a mark; {FEWEST_STEPS} are needed. Burn the ladder slower.")
    grid = _GRID * np.sqrt(np.prod(group.doses))
    arrived = np.interp(steps["depth_mm"], group.mean(grid), grid)
    y, noise = np.log(arrived / steps[DOSE].to_numpy()), _noise(fit, group, steps, arrived)
    x = np.log(steps["power_pct"].to_numpy() / steps["power_pct"].iloc[-1])
    weight = np.linalg.inv(noise)
    design = np.column_stack([np.ones(len(x)), x])
    covariance = np.linalg.inv(design.T @ weight @ design)
    slope, sd = float((covariance @ design.T @ weight @ y)[1]), float(np.sqrt(covariance[1, 1]))
    apart = np.diag(noise) + noise[-1, -1] - 2 * noise[:, -1]
    low, arrives, high = (steps["power_pct"] * np.exp(y - y[-1] + side * _TWO_SIDED * np.sqrt(np.maximum(apart, 0))) for side in (-1, 0, 1))
    table = steps[["power_pct", "depth_mm"]].assign(arrives_pct=arrives, lower_pct=low, upper_pct=high)
    verdict = _verdict(slope, sd)
    return PowerCheck(table, slope, sd, verdict, _power_words(group, table, slope, sd, verdict))


def focus_check(fit: DepthFit, offsets_mm: Sequence[float], depths_mm: Sequence[Sequence[float]], gauge_step_mm: float = 0.01) -> FocusCheck:
    """Return at which focus offset a recess is deepest, from swatches of one setting on one board.

    Parameters
    ----------
    fit : DepthFit
        Its scatter of swatches and readings is taken.
    offsets_mm : n offsets, below the face positive
    depths_mm : n lists of readings

    Raises
    ------
    ValueError
        If there are fewer than `FEWEST_STEPS` offsets, an offset without a depth, or no mark.
    """
    x = np.asarray(offsets_mm, float)
    if len(np.unique(x)) < FEWEST_STEPS or len(depths_mm) != len(x):
        raise ValueError(f"{len(np.unique(x))} offsets and {len(depths_mm)} lists of depths: give a list for each of {FEWEST_STEPS} offsets "
                         "or more.")
    means, count = np.array([np.mean(one) if len(one) else np.nan for one in depths_mm], float), np.array([len(one) for one in depths_mm])
    if not (means > gauge_step_mm).all():
        raise ValueError(f"The offset {x[~(means > gauge_step_mm)][0]:g} mm has no depth above the gauge's step. Leave it out, or read it.")
    c, covariance, fitted = _parabola(x, np.log(means), _repeats(fit, means, count, gauge_step_mm))
    table = pd.DataFrame({"focus_offset_mm": x, "depth_mm": means, "fitted_mm": np.exp(fitted)}).sort_values(
        "focus_offset_mm", ignore_index=True)
    vertex = -c[1] / (2 * c[2]) if c[2] else np.nan
    bends = c[2] + _TWO_SIDED * np.sqrt(covariance[2, 2]) < 0
    if not bends or not x.min() <= vertex <= x.max():
        deepest = table.loc[table["depth_mm"].idxmax(), "focus_offset_mm"]
        at_end = deepest in (x.min(), x.max())
        why = (f"the deepest swatch stands at its end, {deepest:+g} mm: go on that way" if at_end else
               "the depths do not fall on both sides by more than swatches differ: take larger steps")
        return FocusCheck(table, np.nan, np.nan, f"This ladder shows no deepest focus: {why}.", "")
    slopes = np.array([0, -1 / (2 * c[2]), c[1] / (2 * c[2]**2)])
    sd = float(np.sqrt(slopes @ covariance @ slopes))
    span = f"{vertex - _TWO_SIDED * sd:+.2f} to {vertex + _TWO_SIDED * sd:+.2f} mm"
    words = (f"Deepest at {vertex:+.2f} mm ({span}, 95 %). Within {np.sqrt(_FALLS / -c[2]):.2f} mm of it the depth falls by less than "
             f"{100 * _FALLS:.0f} %. " + ("That may be where you stand: nothing need be moved." if abs(vertex) < _TWO_SIDED * sd else
                                         "Move the module there, write it into the machine's log as refocused, and burn the check board."))
    return FocusCheck(table, float(vertex), sd, words, f"focus ladder: deepest at {vertex:+.2f} mm ({span})")


def _counting(readings: pd.DataFrame) -> pd.DataFrame:
    return readings[readings["struck_because"] == ""] if "struck_because" in readings else readings


def _one_ladder(readings: pd.DataFrame) -> pd.DataFrame:
    """Return the readings that count of a ladder of powers, weakest first; refuse what is none."""
    rows = _counting(readings)
    several = [name for name in _ONE_OF if rows[name].nunique() > 1]
    if several:
        raise ValueError(f"A ladder of powers has one {' and one '.join(name.partition('_mm')[0].replace('_', ' ') for name in several)}. "
                         "Give the readings of one such burn.")
    if rows["power_pct"].nunique() < FEWEST_STEPS:
        raise ValueError(f"{rows['power_pct'].nunique()} powers at one speed tell nothing of their proportion; {FEWEST_STEPS} are needed.")
    return rows.sort_values("power_pct", kind="stable")


def _repeats(fit, depth_mm, count, gauge_step_mm, swatches=1) -> np.ndarray:
    """Return the relative variance of a swatch's mean about what its board gives at that setting."""
    sds = fit.components.set_index("component")["sd"]
    reading = (sds["reading"]**2 + (sds["gauge"]**2 + gauge_step_mm**2 / 12) / depth_mm**2) / count
    return (sds["swatch"]**2 + states.PLACE_SD**2) / swatches + reading


def _noise(fit, group, steps, arrived) -> np.ndarray:
    """Return the covariance of the logarithms of what arrived: steps by themselves, and the board's level and slope in all."""
    steep = states.elasticity(group.curves, group.index, arrived)
    own = _repeats(fit, steps["depth_mm"].to_numpy(), steps["count"].to_numpy(), steps["gauge_step_mm"].to_numpy(), steps["swatches"].to_numpy())
    low, high = np.log2(group.doses)
    tilt = (np.log2(arrived) - (low + high) / 2) / ((high - low) / 2) * fit.board_state(group, NEXT).error(_TILT)[1] / steep
    level = fit.components.set_index("component")["sd"]["board"] / steep
    return np.diag(own / steep**2) + np.outer(level, level) + np.outer(tilt, tilt)


def _verdict(slope, sd) -> str:
    half = np.log(2)
    if half * (abs(slope) + _ONE_SIDED * sd) < np.log(ALIKE):
        return "proportional"
    return "not proportional" if abs(slope) > _TWO_SIDED * sd else "not shown"


def _power_words(group: GroupFit, table, slope, sd, verdict) -> str:
    weakest, strongest = table.iloc[0], table.iloc[-1]
    half = [100 * (2.0**-(slope + side * _TWO_SIDED * sd) - 1) for side in (1, -1)]
    arrives = (f"{weakest['power_pct']:g} % arrives as {weakest['arrives_pct']:.0f} % ({weakest['lower_pct']:.0f} to {weakest['upper_pct']:.0f} %), "
               f"counted from {strongest['power_pct']:g} %")
    said = {
        "proportional": f"{group.module_name}: the percent is proportional to what arrives, to {100 * (ALIKE - 1):.0f} % for half the power",
        "not proportional": f"{group.module_name}: the percent is not proportional to what arrives. Half the power brings {min(half):+.0f} to "
                            f"{max(half):+.0f} % of what half would be. Stay at the powers that you burned your curves with",
        "not shown": f"{group.module_name}: whether the percent is proportional is not shown: half the power may bring {min(half):+.0f} to "
                     f"{max(half):+.0f} % of what half would be. Burn each step twice, or on a second board"}[verdict]
    return f"{said}; {arrives}. Saved as a burn, these swatches teach the fit what power does beside its energy."


def _parabola(x, y, variance):
    """Return coefficients, covariance and fitted values of a parabola by weighted least squares; no surer than its own misfit."""
    design = np.column_stack([np.ones_like(x), x, x**2])
    weight = 1 / variance
    covariance = np.linalg.inv((design.T * weight) @ design)
    c = covariance @ (design.T * weight) @ y
    left = len(x) - 3
    misfit = float(weight @ (y - design @ c)**2) / left if left else 1.0
    return c, covariance * max(misfit, 1.0), design @ c
