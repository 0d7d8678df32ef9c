"""Timed runs: the head's acceleration and what a turn costs besides, from a stopwatch.

Decides both from filled rectangles timed on the maker's own machine. What a run takes beyond its
burning is its turns: turns · (2v · 1/a + overhead), a straight plane without a constant in 1/a and
the overhead, fitted by ordinary least squares; lines · v · 1/a instead where the head runs up on the wood
(`runs_up_outside` of the machine), and then of lines long enough for it to reach its speed. Runs at one speed
cannot tell the two apart.

Source: constant-acceleration kinematics, as in `sweep`; ordinary least squares of statsmodels.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import statsmodels.api as sm

from testburn.labbook import Machine, ReadingsError, cells, columns, csvfile, files
from testburn.sweep.lines import line_count

_BY = {name: columns.BY_NAME[name] for name in ("speed_mm_s", "line_pitch_mm", "passes")}
_SIDE = {"unit": "mm", "at_least": 0.1, "at_most": 10_000}
FIELDS = (
    columns.Field("run", "text", "The run's name.", "Give each run a name of its own, e.g. run-1."),
    columns.Field("timed_on", "text", "The day it was timed.", "", required=False),
    columns.Field("width_mm", "number", "Length of its lines.", "Use the width of the rectangle in mm.", **_SIDE),
    columns.Field("height_mm", "number", "Across its lines.", "Use the height of the rectangle in mm.", **_SIDE),
    *_BY.values(),
    columns.Field("seconds", "number", "What the stopwatch said.", "Use seconds: 1:55 is 115.", "s", at_least=0.1,
                  at_most=1e6),
    columns.BY_NAME["invented"],
)
COLUMNS = tuple(field.name for field in FIELDS[:-1])
FILE = "timed_runs.csv"
LEVEL = 0.95
# A hand on a stopwatch, and a head that is not quite even; common practice, no source.
_STOPWATCH_S, _OFF_SHARE = 4.0, 0.03
_MOST_BYTES = 4_000_000
_NEXT = "Time a filled rectangle of many {} lines (say {} mm wide, 40 mm high) at {} speed."


@dataclass(frozen=True, eq=False)
class Calibration:
    """What timed runs say of the head.

    Limits are 95 %; None where two runs leave nothing to judge them by. `runs` has a row a run, with
    turns, burn_seconds, expected_seconds and residual_seconds.
    """

    acceleration_mm_s2: float
    acceleration_limits_mm_s2: tuple[float, float] | None
    turn_overhead_s: float
    overhead_limits_s: tuple[float, float] | None
    runs: pd.DataFrame
    remarks: tuple[str, ...]

    @property
    def table(self) -> pd.DataFrame:
        """A row per figure: figure, estimate, lower, upper, unit."""
        nan = (np.nan, np.nan)
        a, overhead = self.acceleration_limits_mm_s2 or nan, self.overhead_limits_s or nan
        return pd.DataFrame({
            "figure": ["acceleration", "turn overhead"], "unit": ["mm/s²", "s"],
            "estimate": [self.acceleration_mm_s2, self.turn_overhead_s],
            "lower": [a[0], overhead[0]], "upper": [a[1], overhead[1]]})

    @property
    def words(self) -> str:
        """Return both figures with their limits, and every remark."""
        a, overhead = self.acceleration_limits_mm_s2, self.overhead_limits_s
        within = "" if a is None else (f" (95 %: {a[0]:.0f} to {a[1]:.0f})" if np.isfinite(a[1]) else
                                       f" (95 %: above {a[0]:.0f})")
        turns = "" if overhead is None else f" (95 %: {overhead[0]:.3f} to {overhead[1]:.3f})"
        off = self.runs["residual_seconds"].abs().max()
        return " ".join([
            f"The head speeds up at {self.acceleration_mm_s2:.0f} mm/s²{within}; a turn costs "
            f"{self.turn_overhead_s:.3f} s{turns} besides. The {len(self.runs)} runs are met to {off:.1f} s.",
            *self.remarks])

    def __str__(self) -> str:
        return f"{self.words}\n\nFor machine.toml:\n{self.toml.rstrip()}"

    @property
    def toml(self) -> str:
        """The two lines for machine.toml."""
        return (f"acceleration_mm_s2 = {self.acceleration_mm_s2:.0f}\n"
                f"turn_overhead_s = {self.turn_overhead_s:.3f}\n")


def read(book: str | Path) -> pd.DataFrame:
    """Return the timed runs of a lab book's timed_runs.csv; none where the file is not there.

    Raises
    ------
    ReadingsError
        If the file is no CSV table of runs; every fault at once.
    """
    file = Path(book) / FILE
    if not file.exists():
        return pd.DataFrame(columns=[*COLUMNS, "invented"])
    rows, problems = csvfile.read_rows(file, COLUMNS, _MOST_BYTES)
    if problems:
        raise ReadingsError(problems, FILE)
    return _typed(rows, FILE)


def from_book(book: str | Path, machine: Machine = Machine()) -> "Calibration | str":
    """Return what a lab book's timed runs say, or in words why they say nothing yet.

    Raises
    ------
    ReadingsError
        If the file is no CSV table of runs; every fault at once.
    ValueError
        If they take no time to turn.
    """
    runs = read(book)
    if runs.empty:
        return (f"No timed runs yet. Add two or more, or write them into {FILE}, under the columns "
                f"{', '.join(COLUMNS)}. " + _next("one, and another at twice that", machine.runs_up_outside))
    return of(runs, machine)


def of(runs: pd.DataFrame, machine: Machine = Machine()) -> "Calibration | str":
    """Return what some timed runs say, or in words why they say nothing yet; see `calibrate`."""
    return _too_few(_checked(runs), machine.runs_up_outside) or calibrate(runs, machine.runs_up_outside)


def one(run: dict) -> pd.DataFrame:
    """Return a timed run as a row of `read`, once it is certain that it is one.

    Raises
    ------
    ReadingsError
        If a value cannot be, or its burning alone takes longer than the stopwatch said.
    """
    try:
        row = _typed(pd.DataFrame([run]).fillna(""), "")
        _checked(row)
    except ReadingsError as error:
        raise ReadingsError([replace(fault, row=None) for fault in error.faults], FILE) from None
    return row


def add(book: str | Path, run: dict) -> Path:
    """Add a timed run to a lab book's timed_runs.csv, and return the file.

    Parameters
    ----------
    run : dict
        Its values by the names of `FIELDS`.

    Raises
    ------
    ValueError
        If it is no run (see `one`), or another one has its name.
    NotWritten
        If the file is open in a spreadsheet, or the disk refuses it.
    """
    one(run)
    file = Path(book) / FILE
    with files.locked(file.parent):
        if run["run"] in set(read(book)["run"]):
            raise ValueError(f"There is a run {run['run']} already: give this one another name.")
        return files.append(file, FIELDS, {name: "" if value is None else value for name, value in run.items()}, new_format=False)


def calibrate(timed_runs: pd.DataFrame, runs_up_outside: bool = True) -> Calibration:
    """Return acceleration and turn overhead from timed filled rectangles, burned in both directions.

    Parameters
    ----------
    timed_runs : DataFrame
        A row a run: run, timed_on, width_mm, height_mm, speed_mm_s, line_pitch_mm, passes, seconds.
    runs_up_outside : bool
        Of the machine.

    Raises
    ------
    ReadingsError
        With every run that is no run.
    ValueError
        If all have one speed, if they take no time to turn, or if a head that runs up on the wood reaches its
        speed on no line of a run.
    """
    runs = _checked(timed_runs)
    if too_few := _too_few(runs, runs_up_outside):
        raise ValueError(too_few)
    slowed = 2 * runs["turns"] if runs_up_outside else runs["turns"] + runs["passes"]
    slowing = (runs["speed_mm_s"] * slowed).to_numpy()
    design = np.column_stack([slowing, runs["turns"]])
    over = (runs["seconds"] - runs["burn_seconds"]).to_numpy()
    fit, remarks = sm.OLS(over, design).fit(), []
    limits = fit.conf_int(1 - LEVEL) if len(runs) > 2 else None
    # Dropped as soon as its limits hold 0, a real overhead would go into the acceleration and spoil both.
    if fit.params[1] < 0:
        remarks.append("By these runs a turn costs less than nothing besides, which is taken as 0. "
                       + _next("a low", runs_up_outside))
        fit = sm.OLS(over, design[:, :1]).fit()
        limits = fit.conf_int(1 - LEVEL)
    elif limits is not None and limits[1, 0] <= 0:
        remarks.append("What a turn costs besides is not yet told from nothing. " + _next("a low", runs_up_outside))
    if not fit.params[0] > 0:
        raise ValueError("By these runs turning at a higher speed takes no more time, so no acceleration can be "
                         "worked out. Check speed, pitch and seconds of each. " + _next("a high", runs_up_outside))
    if not runs_up_outside:
        _long_enough(runs, 1 / fit.params[0])
    if limits is None:
        remarks.append("Two runs leave nothing to judge them by: no limits. Time a third, at another speed.")
    return _said(runs, fit, limits, design, remarks, runs_up_outside)


def _next(speed: str, runs_up_outside: bool) -> str:
    """Say which rectangle to time: short lines turn often, but a head that runs up on the wood needs room to."""
    return _NEXT.format(*(("short", 20) if runs_up_outside else ("long", 200)), speed)


def _too_few(runs, runs_up_outside) -> str:
    """Return why runs at fewer than two speeds say nothing; nothing where there are two."""
    if (speeds := runs["speed_mm_s"].unique()).size > 1:
        return ""
    return (f"{len(runs)} timed run(s), " + "".join(f"all at {speed:g} mm/s, " for speed in speeds)
            + "cannot tell acceleration from what a turn costs besides. "
            + _next("another" if len(runs) else "one, and another at twice that", runs_up_outside))


def _long_enough(runs, acceleration_mm_s2) -> None:
    """Refuse runs on whose lines the head, running up on the wood, never reaches its speed."""
    needed = runs["speed_mm_s"] ** 2 / acceleration_mm_s2
    if (short := runs["width_mm"] < needed).any():
        one = runs[short].iloc[0]
        raise ValueError(f"The head runs up on the wood (runs_up_outside = false), and the {one['width_mm']:g} mm "
                         f"lines of run {one['run']} are too short to reach {one['speed_mm_s']:g} mm/s: they tell "
                         f"nothing certain. Time it with lines of {2 * needed[short].iloc[0]:.0f} mm or more.")


def _said(runs, fit, limits, design, remarks, runs_up_outside) -> Calibration:
    """Return the fit as a calibration, the interval of 1/a turned over."""
    with_overhead = len(fit.params) > 1
    overhead = float(fit.params[1]) if with_overhead else 0.0
    between = None
    if limits is not None:
        low, high = limits[0]
        between = (float(1 / high), float(1 / low) if low > 0 else float("inf"))
        if low <= 0:
            remarks.append("The acceleration has no upper limit yet. " + _next("a high", runs_up_outside))
    expected = runs["burn_seconds"] + design[:, :len(fit.params)] @ fit.params
    runs = runs.assign(expected_seconds=expected, residual_seconds=runs["seconds"] - expected)
    off = runs["residual_seconds"].abs()
    if (off > np.maximum(_STOPWATCH_S, _OFF_SHARE * runs["seconds"])).any():
        worst = runs.loc[off.idxmax()]
        remarks.append(f"Run {worst['run']} is {worst['residual_seconds']:+.0f} s off, more than a stopwatch is: "
                       "time it again before you believe this.")
    return Calibration(
        float(1 / fit.params[0]), between, overhead,
        # A turn gives no time back: the limits end at 0.
        tuple(map(float, np.maximum(limits[1], 0))) if limits is not None and with_overhead else None, runs,
        tuple(remarks))


def _checked(timed_runs: pd.DataFrame) -> pd.DataFrame:
    """Return the runs with turns and burn_seconds; every fault at once."""
    if missing := [name for name in COLUMNS if name not in timed_runs.columns]:
        raise ValueError(f"The timed runs have no column {', '.join(missing)}. A run needs {', '.join(COLUMNS)}.")
    runs = _typed(timed_runs, "")
    placed = runs.assign(_file="", _row=runs.index)
    runs["turns"] = runs["passes"] * (line_count(runs["height_mm"], runs["line_pitch_mm"]) - 1)
    runs["burn_seconds"] = (runs["turns"] + runs["passes"]) * runs["width_mm"] / runs["speed_mm_s"]
    short = (runs["turns"] < 1) | (runs["seconds"] <= runs["burn_seconds"])
    if short.any():
        raise ReadingsError([
            cells.fault(FIELDS[-2], placed, row, f"{runs['seconds'][row]:g}",
                  f"burning run {runs['run'][row]} alone takes {runs['burn_seconds'][row]:.1f} s" if runs["turns"][row]
                  else f"run {runs['run'][row]} is a single line, which never turns",
                  "Check its sides, speed, pitch and seconds.") for row in short[short].index], FILE)
    return runs.reset_index(drop=True)


def _typed(runs: pd.DataFrame, file: str) -> pd.DataFrame:
    """Return the runs as their fields ask for; every fault at once."""
    table, faults = cells.typed_table(FIELDS, runs.assign(_file=file, _row=runs.index).reset_index(drop=True))
    if faults:
        raise ReadingsError(faults, FILE)
    return table.set_index(runs.index)
