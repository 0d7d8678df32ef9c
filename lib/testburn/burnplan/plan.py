"""Burn plan: which swatches to burn next, on how many boards, and what that will teach.

Decides levels, counts and order. Where the lab book knows the wood under this module, swatches stand
at three depths: half the window's floor, its middle, and one and a half times its ceiling, in the
counts of `design`. Where it does not, the depth that a setting gives is a guess, and
the swatches are spread evenly over all energies that may reach the window; with the first burn in
the lab book the next plan knows more. Speed alone varies, and the order is random, so that a lens that
fogs up during the burn does not pose as curvature.

How many boards and swatches: every alternative is weighed by the interval it will leave (`depthfit.width`), on the
next board as it is and on one that was proved. The plan takes the fewest swatches that bring the interval of a recess
inside the window, or, where no plan does, the fewest that come within a tenth of the best. Three swatches on a board
are the fewest where the lab book has measured how a setting repeats, else five, so that a setting comes twice. Where
another board would narrow the interval by less than a tenth, the plan says to burn nothing and to prove. A maker who
proves every board burns one board of three swatches: what boards differ by is then the proof's to tell.
"""

import hashlib
import random
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from testburn import sweep
from testburn.burnplan.layout import Layout, Scrap, fitted, size_mm
from testburn.burnplan.levels import Levels, levels_for
from testburn.burnplan.routes import pairs
from testburn.depthfit import DepthFit
from testburn.depthfit.width import half_width
from testburn.labbook import Machine

BOARDS, SWATCHES = (1, 2, 3, 4, 5), (3, 5, 8)
# Without a setting repeated on one board, boards and swatches are hard to tell apart.
FEWEST, FEWEST_WITHOUT_REPEATS = 3, 5
MOST_BOARDS, MOST_SWATCHES = 26, 40
# How a setting repeats counts as measured where less of it than this is assumed.
_MOST_ASSUMED = 0.5
_NEAR_BEST = 1.1


@dataclass(frozen=True, eq=False)
class BurnPlan:
    """One proposed test burn.

    Attributes
    ----------
    levels : Levels
        What varies and what stays, and on what ground.
    boards : int
        Boards to burn, the same swatches on each, in another order.
    readings : int
        Readings to take of each swatch.
    swatches : DataFrame
        A row per swatch in the order to burn: board (A, B …), swatch (its id, e.g. A3), level, power_pct,
        speed_mm_s, line_pitch_mm, passes, line_energy_j_mm, depth_mm, lowest_mm, highest_mm (what to
        expect), x_mm, y_mm, width_mm, height_mm (on the scrap), minutes and least_minutes (of a slow and a brisk
        head where the machine's acceleration is not known).
    alternatives : DataFrame
        A row per plan that was weighed: boards, swatches (on each), reading_pct, recess_pct (half the
        95 % interval at the window's middle), proved_pct (the same on a board with one proof swatch), minutes, least_minutes, area_cm2, fits (on one scrap each), chosen.
    now : Series or None
        reading, recess and proved: the same as it stands without any more burning.
    layout : Layout
    notes : tuple of str
        What the maker should know about this plan.
    machine : Machine
        What it is burned with.
    check_board : str
        The board a check is burned on; nothing for a test burn.
    """

    levels: Levels
    boards: int
    readings: int
    seed: int
    swatches: pd.DataFrame
    alternatives: pd.DataFrame
    now: pd.Series | None
    layout: Layout
    invented: bool
    data: str
    notes: tuple[str, ...]
    machine: Machine
    check_board: str = ""

    @cached_property
    def id(self) -> str:
        """A name that is another one wherever a setting is: what is on the wood stays what it says."""
        said = self.check_board + self.swatches.round(6).to_csv(index=False, lineterminator="\n") + repr(self.layout)
        mark = hashlib.sha256(said.encode("utf-8")).hexdigest()[:6]
        wood = "".join(sign if sign.isascii() and sign.isalnum() else "-"
                       for sign in self.levels.species.lower())
        return "check-" * bool(self.check_board) + f"{wood[:40]}-{self.levels.module_w:g}W-{mark}"

    def board(self, name: str) -> pd.DataFrame:
        """Return one board's swatches."""
        return self.swatches[self.swatches["board"] == name].reset_index(drop=True)


def usual_module(readings: pd.DataFrame, example: tuple[float, float] | None = (15.0, 445.0)) -> tuple[float, float] | None:
    """Return watts and wavelength of the module with which most boards of a lab book were burned; without a burn, the example.

    Parameters
    ----------
    readings : DataFrame
        From `labbook.read`.
    """
    if readings.empty:
        return example
    boards = readings[["module_w", "wavelength_nm", "species", "board"]].drop_duplicates()
    return tuple(map(float, boards.groupby(["module_w", "wavelength_nm"]).size().idxmax()))


def propose(fit: DepthFit | None, wood_table: pd.DataFrame, species: str, module_w: float,
            at_least_mm: float, at_most_mm: float, scrap: Scrap, machine: Machine = Machine(),
            wavelength_nm: float | None = None, boards: int | None = None,
            swatches: int | None = None, readings: int = 3, gauge_tip_mm: float = 4.0,
            proves_every_board: bool = False, seed: int = 1, **settings) -> BurnPlan:
    """Propose a test burn.

    Parameters
    ----------
    fit : DepthFit or None
        What the lab book knows so far.
    wood_table : DataFrame
        From `woods.read`.
    at_least_mm, at_most_mm : float
        The depth window wanted.
    scrap : Scrap
        Each board to burn on is one like this.
    wavelength_nm : float, optional
        Needed where the lab book has not seen the module, or at several.
    boards, swatches : int, optional
        To be burned, and on each of them; without a word the plan chooses.
    readings : int
        Of each swatch, 1 to 5.
    gauge_tip_mm : float
        As in `layout.size_mm`.
    proves_every_board : bool
        One board of three swatches, and a proof on each job's board.
    seed : int
        Another number gives other orders.
    **settings
        module, power_pct, line_pitch_mm, passes, gauge_step_mm, as in `levels.levels_for`.

    Raises
    ------
    ValueError
        If there is no such plan: a window that is none, an unknown species, a machine that cannot be
        set to it, a scrap too small or too thin.
    """
    _refuse(boards, swatches, readings)
    if proves_every_board:
        boards, swatches = boards or 1, swatches or FEWEST
    levels = levels_for(fit, wood_table, species, module_w, at_least_mm, at_most_mm,
                        scrap.thickness_mm, machine, wavelength_nm, **settings)
    layout = fitted(scrap, *size_mm(levels.speeds(3).max(), gauge_tip_mm, machine))
    weighed = _alternatives(levels, layout, readings, machine, {boards} - {None}, {swatches} - {None})
    fewest, why = _fewest(fit)
    weighed["chosen"] = weighed.index == _choice(weighed, levels, boards, swatches, fewest)
    if not weighed["chosen"].any():
        raise ValueError(_too_small(layout, swatches or fewest, levels, machine))
    chosen = weighed[weighed["chosen"]].iloc[0]
    more, told_apart = pairs(levels, machine)
    if len(more) and chosen["swatches"] + len(more) > layout.columns * layout.rows:
        more, told_apart = more[:0], ["The scrap has no room for the two swatches that would tell two pitches or powers apart."]
    rows = pd.concat([_board(levels, layout, number, int(chosen["swatches"]), machine, seed, more if number == 0 else more[:0])
                      for number in range(int(chosen["boards"]))], ignore_index=True)
    now = _widths(levels, [], 0, readings) if levels.known else None
    words = ([_nothing_to_burn(weighed, now, len(more))] if now is not None else []) + (
        [_proving(weighed, levels)] if proves_every_board else [] if swatches else [why]) + told_apart
    return BurnPlan(levels, int(chosen["boards"]), readings, seed, rows, weighed, now, layout,
                    bool(fit and fit.invented), fit.fingerprint if fit else "",
                    tuple(filter(None, [*words, *_notes(levels, weighed, machine, layout, proves_every_board)])), machine)


def _refuse(boards, swatches, readings):
    """Raise where a number that was asked for makes no plan."""
    for name, value, least, most in (("boards", boards, 1, MOST_BOARDS),
                                     ("swatches", swatches, 3, MOST_SWATCHES),
                                     ("readings", readings, 1, 5)):
        if value is not None and not (isinstance(value, (int, np.integer)) and least <= value <= most):
            raise ValueError(f"{value!r} {name} make no plan. Give a whole number from {least} to {most}.")


def _alternatives(levels, layout, readings, machine, boards, swatches) -> pd.DataFrame:
    """Return what each number of boards and swatches would leave open, and cost."""
    rows = []
    for count in sorted({*SWATCHES, *swatches}):
        speeds = levels.speeds(count)
        minutes = {name: each.sum() for name, each in minutes_of(levels, layout, speeds, machine).items()}
        for number in sorted({*BOARDS, *boards}):
            share = 100 * _widths(levels, levels.doses(speeds), number, readings)
            rows.append({"boards": number, "swatches": count, "reading_pct": share["reading"],
                         "recess_pct": share["recess"], "proved_pct": share["proved"], **{name: number * all_of for name, all_of in minutes.items()},
                         "area_cm2": number * layout.area_cm2(count) if layout.columns else np.nan,
                         "fits": count <= layout.columns * layout.rows})
    return pd.DataFrame(rows).sort_values(["boards", "swatches"], ignore_index=True)


def _widths(levels, doses, boards, readings) -> pd.Series:
    """Return half the interval of a reading, of a recess, and of a recess on a board with one proof swatch, as shares."""
    asked = levels.start, doses, boards, readings, levels.target_dose, levels.gauge_step_mm
    return pd.concat([half_width(*asked), pd.Series({"proved": half_width(*asked, proved=True)["recess"]})])


def _fewest(fit: DepthFit | None) -> tuple[int, str]:
    """Return the fewest swatches to burn on a board, and why."""
    row = fit.components.set_index("component").loc["swatch"] if fit else None
    if row is not None and row["prior_share"] < _MOST_ASSUMED:
        return FEWEST, (f"Three swatches on a board are enough: how a setting repeats is known, ±{100 * row['sd']:.0f} % as sure as "
                        f"after {row['df']:.0f} repeats.")
    assumed = "all" if row is None else f"{100 * row['prior_share']:.0f} %"
    return FEWEST_WITHOUT_REPEATS, (f"Five swatches on a board at least: how a setting repeats is not known yet ({assumed} of it is "
                                    "assumed), and three would not show it.")


def _nothing_to_burn(weighed, now, more) -> str:
    """Say so where another board would narrow the interval by less than a tenth; else nothing."""
    one = weighed[weighed["boards"] == 1]
    best, as_is, proved = one["recess_pct"].min(), 100 * now["recess"], 100 * now["proved"]
    if as_is > _NEAR_BEST * best:
        return ""
    return (f"Burn nothing: prove. A recess on your next board is known to ±{as_is:.1f} %, and another board would bring "
            f"±{best:.1f} %, less than a tenth narrower. One proof swatch on the job's own board brings ±{proved:.1f} %."
            + " Burn this board only for the swatches that tell two pitches or powers apart." * bool(more))


def _proving(weighed, levels) -> str:
    """Say what a maker who proves every board gets of the plan, and what a larger one would bring."""
    chosen, largest = weighed[weighed["chosen"]].iloc[0], weighed.iloc[-1]
    return (f"You prove every board: after one proof swatch a recess is then known to ±{chosen['proved_pct']:.0f} % "
            f"(window: ±{levels.window_pct:.0f} %); {largest['boards']:.0f} boards of {largest['swatches']:.0f} swatches would bring "
            f"±{largest['proved_pct']:.0f} %.")


def _choice(weighed, levels, boards, swatches, fewest) -> int | None:
    """Return which alternative to burn: the fewest swatches that do, then the fewest minutes."""
    can = weighed[weighed["fits"]]
    can = can[can["boards"] == boards] if boards else can
    can = can[can["swatches"] == swatches] if swatches else can[
        can["swatches"] >= (min(fewest, can["swatches"].max()) if len(can) else 0)]
    if can.empty:
        return None
    good = can["recess_pct"] <= levels.window_pct
    if not good.any():
        good = can["recess_pct"] <= _NEAR_BEST * can["recess_pct"].min()
    cost = (can["boards"] * can["swatches"])[good]
    return can.loc[cost.index].assign(cost=cost).sort_values(["cost", "minutes"]).index[0]


def _board(levels, layout, number, count, machine, seed, more) -> pd.DataFrame:
    """Return one board's swatches, and `more` of other routes, in the order to burn, which is that of their places."""
    speeds, name = levels.speeds(count), chr(ord("A") + number)
    rows = pd.DataFrame({
        "level": levels.names(speeds), "power_pct": levels.power_pct, "speed_mm_s": speeds,
        "line_pitch_mm": levels.line_pitch_mm, "passes": levels.passes,
        "line_energy_j_mm": levels.line_energies(speeds), **levels.expected(speeds)})
    rows = pd.concat([rows, more], ignore_index=True) if len(more) else rows
    order = random.Random(f"{seed}-{name}").sample(range(len(rows)), len(rows))
    rows = rows.iloc[order].reset_index(drop=True)
    x, y = np.array(layout.places(len(rows))).T
    rows.insert(0, "board", name)
    rows.insert(1, "swatch", [f"{name}{place}" for place in range(1, len(rows) + 1)])
    return rows.assign(x_mm=x, y_mm=y, width_mm=layout.swatch_width_mm, height_mm=layout.swatch_height_mm, **minutes_of(
        levels, layout, rows["speed_mm_s"].to_numpy(), machine, rows["line_pitch_mm"].to_numpy()))


def minutes_of(levels, layout, speeds, machine, line_pitch_mm=None) -> dict[str, np.ndarray]:
    """Return the minutes of each swatch: of a brisk and a slow head where the machine's is not known."""
    pitch = levels.line_pitch_mm if line_pitch_mm is None else line_pitch_mm
    return {name: sweep.minutes(layout.swatch_width_mm, layout.swatch_height_mm, speeds, pitch, levels.passes, head)
            for name, head in zip(("least_minutes", "minutes"), sweep.heads(machine))}


def _too_small(layout, count, levels, machine) -> str:
    """Say how large a swatch must be, and what would help."""
    room, one = layout.columns * layout.rows, layout
    said = (f"The scrap of {one.scrap.width_mm:g} × {one.scrap.height_mm:g} mm holds {room} swatches of "
            f"{one.swatch_width_mm:g} × {one.swatch_height_mm:g} mm with {one.land_mm:g} mm of face "
            f"around each; {count} are asked for. Use a larger scrap, turn it, or plan fewer.")
    if one.swatch_width_mm > one.swatch_height_mm:
        said += (f" The width comes from the run-up at {machine.units.said('speed_mm_s', levels.speeds(3).max())}: less power "
                 "makes the swatches slower and smaller; or write runs_up_outside = true into machine.toml if your "
                 "machine has its speed before the drawing begins.")
        if machine.acceleration_mm_s2 is None:
            said += " That run-up is a slow head's, as yours is not known: time two filled rectangles (notebook 8)."
    return said


def _notes(levels, weighed, machine, layout, proves) -> tuple[str, ...]:
    """Return what the maker should know about this plan."""
    notes = [*levels.notes]
    chosen = weighed[weighed["chosen"]].iloc[0]
    if chosen["recess_pct"] > levels.window_pct and not proves:
        notes.append(
            f"Your window is ±{levels.window_pct:.0f} % wide; after this burn a recess on the next board "
            f"is known to ±{chosen['recess_pct']:.0f} %. Boards differ too much for burning alone: "
            "prove each job's board with one swatch on its waste side.")
    known, fastest = machine.acceleration_mm_s2 is not None, levels.speeds(3).max()
    reach = float(sweep.run_up_mm(fastest, sweep.heads(machine)[1].acceleration_mm_s2))
    slow = "" if known else ", if it is a slow one,"
    if machine.runs_up_outside:
        notes.append(f"The head runs up to {reach:.0f} mm beyond a swatch on both sides{slow.rstrip(',')}: keep clamps away.")
    elif layout.swatch_width_mm > layout.swatch_height_mm:
        notes.append(f"The head speeds up on the wood (runs_up_outside = false): it needs {reach:.0f} mm{slow} to reach "
                     f"{machine.units.said('speed_mm_s', fastest)}, so swatches are {layout.swatch_width_mm:g} mm long and their middle third has full speed.")
    return (*notes, *filter(None, [machine.to_measure]))
