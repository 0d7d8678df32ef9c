"""Machine log: what was done to the machine, day by day, in machine_log.csv of the lab book.

Decides how an entry is kept: one row in a file that is read by the declared fields of `columns.LOG` and written whole or
not at all; rows that are there stay as they are. What an entry means for depth, `depthfit` decides. A lab book without
the file has no entry.
"""

import datetime
from pathlib import Path

import pandas as pd

from testburn.labbook import csvfile, files
from testburn.labbook.cells import as_csv, as_text, typed_table
from testburn.labbook.columns import LOG, Field
from testburn.labbook.makerfile import Problem, ReadingsError

FILE = "machine_log.csv"
_MOST_BYTES = 1_000_000


def read(book: str | Path) -> pd.DataFrame:
    """Return the log, typed, in the order of its days: the columns of `columns.LOG`.

    Raises
    ------
    ReadingsError
        With every fault.
    """
    book = Path(book)
    files.must_be_readable(book)
    entries, problems = typed(book / FILE, LOG)
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

    Raises
    ------
    ReadingsError
        If the entry, or what the file holds, is at fault.
    NotWritten
        If the file is open in a spreadsheet, or the disk refuses it.
    """
    return with_row(Path(book) / FILE, LOG, {
        "day": f"{day:%Y-%m-%d}", "module": module.strip(), "done": done, "new_state": new_state, "note": note,
        "invented": "yes" if invented else ""})


def with_row(file: Path, fields: tuple[Field, ...], row: dict) -> Path:
    """Add a row to a small file of the lab book, whole or not at all; it is checked before; return the file's path."""
    _, faults = typed_table(fields, pd.DataFrame([row]).assign(_file=file.name, _row=None))
    if faults:
        raise ReadingsError(faults)
    with files.locked(file.parent):
        rows, problems = typed(file, fields)
        if problems:
            raise ReadingsError(problems)
        files.say_format(file.parent)
        added = pd.concat([rows.map(as_text).astype(object), pd.DataFrame([row])], ignore_index=True)
        files.put_back(file.parent, file, lambda: as_csv(added, [field.name for field in fields]))
    return file


def typed(file: Path, fields: tuple[Field, ...]) -> tuple[pd.DataFrame, list[Problem]]:
    """Return a small file of the lab book, typed, and its faults; one that is not there is empty."""
    rows, problems = pd.DataFrame(columns=[field.name for field in fields], dtype=object), []
    if file.exists():
        found, problems = csvfile.read_rows(file, [field.name for field in fields if field.required], _MOST_BYTES)
        rows = rows if problems or found.empty else found
    table, faults = typed_table(fields, rows.assign(_file=file.name, _row=rows.index).reset_index(drop=True))
    return table, problems + faults
