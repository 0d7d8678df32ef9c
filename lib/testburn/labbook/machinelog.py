"""Machine log: what was done to the machine, day by day, which of its burns count no more, and how its gauge repeats.

Decides how an entry is kept: one row in machine_log.csv of the lab book, read by the declared fields of `columns.LOG` and
written whole or not at all; rows that are there stay as they are. What an entry means for depth, `depthfit` decides.
Burns of a module before a day are retired in the same way, by a row in retired.csv, and taken back by two more cells of
that row: nothing is deleted, and the reasons stay. A repeatability sheet (one recess, read again and again with one gauge, lifted off
between) is a row a reading in gauge.csv; the newest counts. A lab book without the files has no entry.
"""

import datetime
from pathlib import Path

import pandas as pd

from testburn.labbook import burns, columns, files
from testburn.labbook.cells import typed_file
from testburn.labbook.columns import LOG, REPEATS, RETIRED
from testburn.labbook.makerfile import Problem, ReadingsError

FILE, GAUGE_FILE = "machine_log.csv", "gauge.csv"
# From fewer readings an sd tells next to nothing: our own judgement.
FEWEST_REPEATS = 5


def read(book: str | Path) -> pd.DataFrame:
    """Return the log, typed, in the order of its days: the columns of `columns.LOG`.

    Raises
    ------
    ReadingsError
        With every fault.
    """
    book = Path(book)
    files.must_be_readable(book)
    entries, problems = typed_file(book / FILE, LOG)
    if problems:
        raise ReadingsError(problems)
    return entries.sort_values("day", kind="stable", ignore_index=True)


def add(book: str | Path, day: datetime.date, done: str, module: str = "", note: str = "", new_state: str = "",
        invented: bool = False) -> Path:
    """Add one entry behind those that are there, and return the file's path.

    Parameters
    ----------
    day : date
        What is burned from that day on counts as after it.
    done : str
        A kind of `columns.DONE`.
    module : str
        Its name, or its watts (20 W); empty: every module of the machine.
    new_state : "", "yes" or "no"
        no where nothing can have changed by it.

    What is refused is what `files.add_row` refuses.
    """
    return files.add_row(Path(book) / FILE, LOG, {
        "day": f"{day:%Y-%m-%d}", "module": module.strip(), "done": done, "new_state": new_state, "note": note,
        "invented": "yes" if invented else ""})


def add_repeats(book: str | Path, day: datetime.date, depths_mm: list[float], gauge_step_mm: float, gauge: str = "", note: str = "",
                invented: bool = False) -> Path:
    """Add a repeatability sheet behind those that are there, and return the file's path; the newest one again is not added twice.

    Parameters
    ----------
    depths_mm : list of float
        Ten readings or so of one place of one recess, the gauge lifted off and zeroed again between them.
    gauge : str
        Which gauge, with its tip.

    Raises
    ------
    ValueError
        If there are fewer than `FEWEST_REPEATS`, or the same gauge has a sheet of that day already.

    What is refused besides is what `files.add_row` refuses.
    """
    if len(depths_mm) < FEWEST_REPEATS:
        raise ValueError(f"{len(depths_mm)} readings tell next to nothing of how a gauge repeats. Read the same place ten times, "
                         f"{FEWEST_REPEATS} at the least.")
    gauge, there = gauge.strip(), _repeats(book)
    own = there[there["gauge"] == gauge]
    if len(own) and own.groupby("day")["depth_mm"].agg(list).iloc[-1] == [float(depth) for depth in depths_mm]:
        return Path(book) / GAUGE_FILE
    if (own["day"] == pd.Timestamp(day)).any():
        raise ValueError(f"{GAUGE_FILE} has a sheet of {gauge or 'the gauge'} of {day:%Y-%m-%d} already. Write another name of the gauge, or "
                         "take that sheet back, if it is the last, or correct it in the file.")
    same = {"day": f"{day:%Y-%m-%d}", "gauge": gauge, "gauge_step_mm": f"{gauge_step_mm:.9g}", "note": note,
            "invented": "yes" if invented else ""}
    return files.add_row(Path(book) / GAUGE_FILE, REPEATS, *(
        same | {"reading": str(number), "depth_mm": f"{depth:.9g}"} for number, depth in enumerate(depths_mm, start=1)))


def repeats(book: str | Path) -> pd.DataFrame:
    """Return the newest repeatability sheet, a row a reading: the columns of `columns.REPEATS`; no row where there is none.

    Raises
    ------
    ReadingsError
        With every fault; also where that sheet has too few readings or several gauge steps.
    """
    found = _repeats(book)
    if found.empty:
        return found
    newest = found[(found[["day", "gauge"]] == found[["day", "gauge"]].iloc[-1]).all(axis=1)]
    if (len(newest) < FEWEST_REPEATS or newest["gauge_step_mm"].nunique() > 1):
        row = int(newest.index[-1]) + 2
        raise ReadingsError([Problem(
            GAUGE_FILE, row, "depth_mm", "", f"the newest sheet has {len(newest)} readings with {newest['gauge_step_mm'].nunique()} gauge steps",
            f"A sheet is {FEWEST_REPEATS} readings or more of one recess, with one gauge.")])
    return newest.reset_index(drop=True)


def _repeats(book) -> pd.DataFrame:
    """Return every repeatability sheet, in the order of their days."""
    book = Path(book)
    files.must_be_readable(book)
    found, problems = typed_file(book / GAUGE_FILE, REPEATS)
    if problems:
        raise ReadingsError(problems)
    return found.sort_values("day", kind="stable")


def retire(book: str | Path, before: datetime.date, reason: str, module: str = "",
           retired_on: datetime.date | None = None) -> Path:
    """Take the burns of a module before a day out of the fits, with a reason; they stay where they are.

    Parameters
    ----------
    module : str
        Its name, or its watts (20 W); empty: every module.

    Raises
    ------
    ValueError
        If there is no such burn.
    ReadingsError
        If there is no reason, or a file is at fault.
    """
    readings = burns.read(book, as_typed=True)
    if not (columns.of_module(readings, module) & (readings["burned_on"] < pd.Timestamp(before))).any():
        names = ", ".join(sorted({columns.module_name(*one) for one in zip(readings["module"], readings["module_w"])}))
        raise ValueError(f"There is no burn of {module or 'any module'} before {before:%Y-%m-%d}. Modules are: {names}.")
    row = {"retired_on": (retired_on or datetime.date.today()).isoformat(), "module": module, "before": f"{before:%Y-%m-%d}",
           "reason": reason.strip(), "taken_back_on": "", "taken_back_because": ""}
    return files.add_row(Path(book) / burns.RETIRED_FILE, RETIRED, row)


def take_back(book: str | Path, before: datetime.date, reason: str, module: str = "",
              taken_back_on: datetime.date | None = None) -> Path:
    """Take burns that were retired with these words back into the fits; the row stays, with this reason beside it.

    Raises
    ------
    ValueError
        If none are retired so.
    """
    book, file = Path(book), Path(book) / burns.RETIRED_FILE
    with files.locked(book):
        if not files.take_back(file, RETIRED, {"module": module, "before": pd.Timestamp(before)}, reason,
                               taken_back_on or datetime.date.today()):
            raise ValueError(f"No burns of {module or 'every module'} before {before:%Y-%m-%d} are retired.")
    return file
