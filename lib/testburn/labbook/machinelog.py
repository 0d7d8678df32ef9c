"""Machine log: what was done to the machine, day by day, and which of its burns count no more.

Decides how an entry is kept: one row in machine_log.csv of the lab book, read by the declared fields of `columns.LOG` and
written whole or not at all; rows that are there stay as they are. What an entry means for depth, `depthfit` decides.
Burns of a module before a day are retired in the same way, by a row in retired.csv, and taken back by two more cells of
that row: nothing is deleted, and the reasons stay. A lab book without the files has no entry.
"""

import datetime
from pathlib import Path

import pandas as pd

from testburn.labbook import burns, columns, files
from testburn.labbook.cells import typed_file
from testburn.labbook.columns import LOG, RETIRED
from testburn.labbook.makerfile import ReadingsError

FILE = "machine_log.csv"


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
