"""Sweeps: how long the head takes to engrave a drawing, line by line.

Decides the minutes of given artwork swept in three ways: each piece by itself, rows of pieces side by
side, or everything at full width. A line burns at set speed; outside what it sweeps the head turns, and
between sweeps it travels from rest to rest (`head`). Where the machine's acceleration is not known, minutes are a
range from a brisk head to a slow one, and no way is called the fastest: heads disagree on it.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import brentq

from testburn.labbook import Machine
from testburn.sweep import lines
from testburn.sweep.artwork import Artwork, shapes
from testburn.sweep.head import (BRISK_MM_S2, SLOW_MM_S2, energy_share, heads, hurry_s, rest_to_rest_s, run_up_mm,
                                 turn_s)
from testburn.sweep.ways import EACH, FULL, PARTS, ROWS, Way, ways

_SPENT = {"blank_minutes": "over blank wood", "turn_minutes": "turning round", "travel_minutes": "travelling",
          "burn_minutes": "burning"}
# A way becomes the fastest at some speed among so many; a finer one has no use.
_MOST_SPEEDS = 2000
_CALLED = {EACH: "sweeping each shape by itself", ROWS: "sweeping in rows", FULL: "one full-width sweep"}



@dataclass(frozen=True, eq=False)
class SweepPlan:
    """The artwork cut into lines once; minutes for any speeds follow from lengths and counts.

    `ways` are the three ways of sweeping; `missed` counts pieces so low that no line meets them. Minutes are the
    machine's own, or where its acceleration is not known a slow head's, `least_minutes` beside them a brisk one's.
    """

    artwork: Artwork
    line_pitch_mm: float
    machine: Machine
    ways: tuple[Way, ...]
    missed: int = 0

    @property
    def known(self) -> bool:
        """Whether the machine says how briskly its head speeds up."""
        return self.machine.acceleration_mm_s2 is not None

    def minutes(self, speed_mm_s, passes=1, head: Machine | None = None) -> pd.DataFrame:
        """Return the minutes by way: a row a speed, a column a way."""
        head = head or heads(self.machine)[1]
        speeds = np.atleast_1d(np.asarray(speed_mm_s, float))
        if len(wrong := speeds[~(np.isfinite(speeds) & (speeds > 0))]):
            raise ValueError(f"The minutes were asked for a speed of {wrong[0]:g} mm/s. Give speeds above 0.")
        times = {way.name: np.sum(way.parts_s(speeds, head), axis=0) for way in self.ways}
        return pd.DataFrame(times, index=pd.Index(speeds, name="speed_mm_s")).mul(
            np.broadcast_to(passes, speeds.shape), axis=0) / 60

    def fastest_minutes(self, speeds_mm_s, passes=1) -> np.ndarray:
        """Return the minutes of the fastest way at each speed, whichever it is."""
        return self.minutes(speeds_mm_s, passes).to_numpy().min(axis=1)

    def least_minutes(self, speeds_mm_s, passes=1) -> np.ndarray:
        """Return the same of a brisk head where the machine does not say how brisk its own is."""
        return self.minutes(speeds_mm_s, passes, heads(self.machine)[0]).to_numpy().min(axis=1)

    def ways_at(self, speeds_mm_s) -> np.ndarray:
        """Return the name of the fastest way at each speed; of equal ones, that with fewest sweeps; "" if not known."""
        if not self.known:
            return np.full(np.size(speeds_mm_s), "", object)
        times = self.minutes(speeds_mm_s)[[way.name for way in reversed(self.ways)]]
        # The three may differ by rounding only: a whisker keeps the simplest.
        near = times.to_numpy() <= times.to_numpy().min(axis=1)[:, None] * (1 + 1e-9)
        return times.columns.to_numpy(object)[near.argmax(axis=1)]

    def fastest(self, speed_mm_s: float, passes: int = 1) -> pd.Series:
        """Return the row of `table` of the fastest way at one speed.

        Raises
        ------
        ValueError
            If the machine does not say how briskly its head speeds up.
        """
        if not self.known:
            raise ValueError(self.machine.to_measure)
        table = self.table(speed_mm_s, passes)
        return table[table["way"] == self.ways_at(speed_mm_s)[0]].iloc[0]

    def table(self, speed_mm_s: float, passes: int = 1) -> pd.DataFrame:
        """Return a row per way: way, minutes, least_minutes and what minutes are spent on, sweeps, lines, fastest."""
        brisk, slow = heads(self.machine)
        parts = passes / 60 * np.hstack([way.parts_s(np.array([float(speed_mm_s)]), slow) for way in self.ways])
        names = np.array([way.name for way in self.ways], object)
        return pd.DataFrame({
            "way": names, "minutes": parts.sum(axis=0),
            "least_minutes": self.minutes(speed_mm_s, passes, brisk).to_numpy()[0], **dict(zip(PARTS, parts)),
            "sweeps": [way.sweeps for way in self.ways], "lines": [way.lines for way in self.ways],
            "fastest": names == self.ways_at(speed_mm_s)[0]})

    def at_speeds(self, speeds_mm_s, passes: int = 1) -> pd.DataFrame:
        """Return the fastest way's row of `table` at each speed, speed_mm_s in front; all ways' if not known."""
        tables = [self.table(speed, passes) for speed in speeds_mm_s]
        table = pd.concat(tables, keys=map(float, speeds_mm_s), names=["speed_mm_s"]).reset_index(0)
        return (table[table["fastest"]] if self.known else table).reset_index(drop=True)

    def words(self, speed_mm_s: float, passes: int = 1) -> str:
        """Return which way is fastest, and what the others lose by; or minutes as a range, and what is not known."""
        table = self.table(speed_mm_s, passes).set_index("way")
        if self.known:
            text = self._fastest_words(table, speed_mm_s)
        else:
            text = [f"At {self._said(speed_mm_s)} " + ", ".join(
                f"{_CALLED[way]} {row['least_minutes']:.1f} to {row['minutes']:.1f} min"
                for way, row in table.iterrows()) + f", by a brisk head ({BRISK_MM_S2:g} mm/s²) and a slow one "
                f"({SLOW_MM_S2:g}).", self.machine.to_measure]
        text += self._wide_piece(speed_mm_s, passes, table["minutes"].min())
        if self.missed:
            text.append(f"Lower than a pitch, fallen between the lines and not burned: {shapes(self.missed)}.")
        return " ".join([*text, self.slow_ends(speed_mm_s)]).rstrip()

    def slow_ends(self, speed_mm_s: float) -> str:
        """Say what running up on the wood does to narrow strokes; nothing where the head runs up outside."""
        return slow_ends(self.machine, speed_mm_s, self.artwork.narrowest_stroke_mm)

    def _said(self, speed_mm_s: float) -> str:
        return self.machine.units.said("speed_mm_s", speed_mm_s)

    def _fastest_words(self, table: pd.DataFrame, speed_mm_s: float) -> list[str]:
        best = table[table["fastest"]].iloc[0]
        text = [f"{best.name.capitalize()}, {best['minutes']:.1f} min at {self._said(speed_mm_s)}."]
        for way, row in table[~table["fastest"]].iterrows():
            more = row["minutes"] - best["minutes"]
            if more < 0.05:
                text.append(f"{_CALLED[way].capitalize()} takes as long.")
                continue
            what = max(_SPENT, key=lambda part: row[part] - best[part])
            text.append(f"{_CALLED[way].capitalize()}: {row['minutes']:.1f} min, "
                        f"{row[what] - best[what]:.1f} min more {_SPENT[what]}.")
        return text

    def _wide_piece(self, speed_mm_s, passes, best_minutes) -> list[str]:
        """Return advice where one piece, such as a border, makes the head sweep mostly blank wood."""
        boxes = self.ways[0].boxes
        width, height = boxes["right_mm"] - boxes["left_mm"], boxes["bottom_mm"] - boxes["top_mm"]
        blank_mm = boxes["lines"] * width - boxes["burn_mm"]
        wide, blank = blank_mm.idxmax(), passes * blank_mm.max() / speed_mm_s / 60
        if self.machine.skips_blanks or blank < best_minutes / 4:
            return []
        return [f"One piece alone, {width[wide]:.0f} × {height[wide]:.0f} mm, has the head sweep blank wood for {blank:.1f} min. "
                "A border drawn as four bars that do not touch is swept bar by bar."]

    def changes(self, speeds_mm_s=None) -> pd.DataFrame:
        """Return from which speed on which way is fastest: from_mm_s, way, minutes; no row where that is not known.

        Parameters
        ----------
        speeds_mm_s : array, optional
            Rising. By default every speed of the machine.
        """
        speeds = self.machine.speeds(_MOST_SPEEDS) if speeds_mm_s is None else np.asarray(speeds_mm_s, float)
        speeds = speeds if self.known else speeds[:0]
        names = self.ways_at(speeds)
        new = np.append(True, names[1:] != names[:-1])[:len(names)]
        return pd.DataFrame({"from_mm_s": speeds[new], "way": names[new],
                             "minutes": self.fastest_minutes(speeds[new])})

    def break_even(self, speeds_mm_s) -> pd.DataFrame:
        """Return by speed the gap from which two pieces side by side are better swept apart.

        speed_mm_s, gap_mm (a slow head's), least_gap_mm (a brisk one's) and the way that is fastest. The pieces are
        taken as of the mean number of lines that this artwork's pieces have.
        """
        speeds = np.atleast_1d(np.asarray(speeds_mm_s, float))
        count = max(1, round(self.ways[0].lines / max(self.ways[0].sweeps, 1)))
        least, most = ([break_even_gap_mm(speed, head, count, self.line_pitch_mm) for speed in speeds]
                       for head in heads(self.machine))
        return pd.DataFrame({"speed_mm_s": speeds, "gap_mm": most, "least_gap_mm": least, "way": self.ways_at(speeds)})


def plan(artwork: Artwork, line_pitch_mm: float, machine: Machine) -> SweepPlan:
    """Return the plan of the sweeps: the artwork cut into lines along x at the pitch.

    Raises
    ------
    ValueError
        If the pitch is not a distance between 0.005 and 10 mm, or no line meets the artwork.
    """
    if not 0.005 <= line_pitch_mm <= 10:
        raise ValueError(f"The pitch is {line_pitch_mm:g} mm. Give the distance between neighbouring lines, "
                         "0.005 to 10 mm.")
    _, top, _, bottom = artwork.bounds_mm
    at = lines.positions_mm(top, bottom, line_pitch_mm)
    found, missed = ways(artwork, at, machine.skips_blanks)
    return SweepPlan(artwork, line_pitch_mm, machine, found, missed)


def break_even_gap_mm(speed_mm_s: float, machine: Machine, count: int | None = None,
                      line_pitch_mm: float | None = None) -> float:
    """Return the gap above which two equal pieces side by side are faster swept apart, in mm.

    Sweeping them apart costs a turn more on every line, sweeping them together crosses the gap on
    every line: gap/v = 2v/a + overhead, gap = v·(2v/a + overhead); v/a only where the head starts and stops on
    the wood and the pieces are long enough for it to reach its speed; less where it hurries over
    gaps, more for the one travel back to the top, which `count` lines share. For an odd count, after
    which the head stands beside the second piece; for an even one the pieces' width is to travel too.

    Returns
    -------
    float
        NaN without acceleration.
    """
    if machine.acceleration_mm_s2 is None:
        return np.nan
    height, outside = 0.0 if count is None else (count - 1) * line_pitch_mm, machine.runs_up_outside
    run_up = outside * float(run_up_mm(speed_mm_s, machine.acceleration_mm_s2))
    apart = turn_s(speed_mm_s, machine) + (0.0 if outside else speed_mm_s / machine.acceleration_mm_s2)

    def saved_s(gap_mm):
        crossed = (hurry_s(gap_mm, speed_mm_s, machine) if machine.skips_blanks else gap_mm / speed_mm_s)
        travel = 0.0 if count is None else rest_to_rest_s(np.hypot(gap_mm - 2 * run_up, height), machine) / count
        return float(crossed - apart - travel)
    high = 1.0
    while saved_s(high) < 0:
        high *= 2
        if high > 1e9:
            return float("inf")
    return brentq(saved_s, 0.0, high, xtol=1e-9)


def slow_ends(machine: Machine, speed_mm_s: float, narrowest_stroke_mm: float | None = None) -> str:
    """Say what a head that speeds up on the wood does to the ends of lines and to narrow strokes.

    Source: constant-acceleration kinematics; over its run-up the head takes twice the time of even speed.
    """
    if machine.runs_up_outside:
        return ""
    head = heads(machine)[1]
    ends = float(run_up_mm(speed_mm_s, head.acceleration_mm_s2))
    known = "" if machine.acceleration_mm_s2 else "up to "
    speed = machine.units.said("speed_mm_s", speed_mm_s)
    said = (f"The head speeds up on the wood (runs_up_outside = false): at {speed} the first and last {known}{ends:.1f}"
            " mm of every line get twice the energy on average and burn deeper, unless your machine lowers its power "
            "with the speed.")
    if narrowest_stroke_mm is not None and narrowest_stroke_mm > 0:
        share = float(energy_share(narrowest_stroke_mm, speed_mm_s, head))
        said += (f" A stroke {narrowest_stroke_mm:.1f} mm wide that is swept by itself gets {known}{share:.1f} times "
                 "the energy set.")
    return said
