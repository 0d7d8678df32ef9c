"""Jobs: readings of finished work, each kept with what its card promised.

Decides how a finished job is kept: one CSV file in the lab book's folder jobs/, the reading columns
of a burn (`burn` is the job's id) and beside them the promise it was made from (`promise`), so that
the file tells the whole story when card and fit are long gone. Jobs are no burns: they never enter a
fit by being there. `accept` is the maker's word that one shall; its file stays for the drift charts.
Faults are found and said as for burns.
"""

import datetime
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import special

from testburn.labbook import burns, columns, csvfile, files, woods
from testburn.labbook.cells import as_csv, as_text, fault, plain, typed_table
from testburn.labbook.columns import NEXT, PROMISED
from testburn.labbook.files import burn_files, burn_name_fault, must_be_readable, same_name
from testburn.labbook.makerfile import Problem, ReadingsError
from testburn.labbook.readings import checked, fingerprint, foreign_burns, swatches_of, unlike_the_first
from testburn.labbook.slips import beyond_wood

COLUMNS = (*columns.COLUMNS, *PROMISED)
REQUIRED = (*columns.REQUIRED, *(column.name for column in PROMISED if column.required))
_READING_COLUMNS = [column.name for column in columns.COLUMNS]
_BOARD = columns.BY_NAME["board"]
_DEPTHS = "Give at least one depth in mm."


def readings_of(promise_row: pd.Series, job: str, board: str, depths_mm, gauge_step_mm: float,
                finished_on: datetime.date, note: str = "", invented: bool = False,
                swatch: str = "1") -> pd.DataFrame:
    """Return the readings of one recess of a finished job, with its promise, for `save`.

    Parameters
    ----------
    promise_row : Series
        A row of `promise.of`.
    job : str
        The job's id, which becomes its file's name.
    board : str
        The board it was engraved on.
    depths_mm : sequence of float
        The readings in that recess, mm.
    gauge_step_mm : float
    finished_on : date
    swatch : str
        Which recess; give each its own name and concatenate the tables to keep several.

    Raises
    ------
    ValueError
        If the board has no name or the name "next", the promise is for another board, or no
        depth is given.
    """
    if not board.strip():
        raise ValueError(f"Board: this cell is empty. {_BOARD.remedy}")
    if board == NEXT:
        raise ValueError(f"{columns.BOARD_NAMED_NEXT.capitalize()}.")
    if promise_row["board"] not in (NEXT, board):
        raise ValueError(f"The card's row is for board {promise_row['board']}, and the job was made on "
                         f"board {board}. Choose the row for the {NEXT} board.")
    if not len(depths_mm):
        raise ValueError(_DEPTHS)
    made_up = invented or promise_row["invented"] == "yes"
    head = {name: promise_row.get(name, "") for name in (*columns.GROUP_KEY, *columns.MACHINE_SETTING)}
    kept = {column.name: promise_row["board"] if column.name == "promised_for" else promise_row[column.name]
            for column in PROMISED if column.required or column.name in promise_row}
    return pd.DataFrame([head | {
        "burn": job, "burned_on": pd.Timestamp(finished_on), "board": board, "swatch": swatch,
        "reading": number, "depth_mm": float(depth), "gauge_step_mm": gauge_step_mm, "note": note,
        "invented": "yes" if made_up else ""} | kept
        for number, depth in enumerate(depths_mm, start=1)])


def expected_limits(promise_row: pd.Series, readings: int = 3, gauge_step_mm: float = 0.01,
                    level: float = 0.95) -> tuple[float, float]:
    """Return the limits in mm that the mean of so many readings in one recess was promised."""
    depth, row = promise_row["expected_mm"], promise_row
    gauge = (row["gauge_sd_mm"] ** 2 + gauge_step_mm**2 / 12) / depth**2
    state = row.get("state_sd", np.nan)
    variance = (row["curve_sd"] ** 2 + row["board_sd"] ** 2 + row["swatch_sd"] ** 2 + (0 if pd.isna(state) else state ** 2)
                + (row["reading_sd"] ** 2 + gauge) / readings)
    half = special.stdtrit(row["df"], (1 + level) / 2) * np.sqrt(variance) * depth
    return max(depth - half, 0.0), depth + half


def check(frame: pd.DataFrame, species=None) -> pd.DataFrame:
    """Return finished jobs, typed; every file and every table passes here.

    Parameters
    ----------
    frame : DataFrame
        Columns of `COLUMNS`, as text or typed; optional ones may be missing.
    species : iterable of str, optional
        Allowed species; those of the project by default.

    Raises
    ------
    ReadingsError
        With every fault.
    """
    if missing := [column for column in COLUMNS if column.required and column.name not in frame]:
        raise ReadingsError([Problem("", None, column.name, "", "this column is missing",
                                     column.remedy) for column in missing])
    placed = frame.assign(_file="", _row=frame.index).reset_index(drop=True)
    rows, problems = _checked(placed, woods.read() if species is None else species)
    if problems:
        raise ReadingsError(problems)
    return rows


def read(book: str | Path) -> pd.DataFrame:
    """Return every finished job of a lab book, typed, in the order of `COLUMNS`.

    A lab book without the folder jobs/ has none: the table is empty, with its columns.

    Raises
    ------
    ReadingsError
        With every fault of every file.
    """
    book, folder = Path(book), Path(book) / "jobs"
    must_be_readable(book)
    return csvfile.remembered(("jobs", book.absolute()), (book, folder),
                              lambda: _read(book, burn_files(folder) if folder.is_dir() else []))


def save(frame: pd.DataFrame, book: str | Path) -> Path:
    """Write one finished job to jobs/<job>.csv, whole or not at all, and return the file's path.

    Raises
    ------
    ReadingsError
        If a reading is at fault, or the table holds another number of jobs than one.
    FileExistsError
        If that job is already there: a saved job is never overwritten.
    NotWritten
        If the disk refuses it.
    """
    book = Path(book)
    rows = check(frame, woods.of(book))
    names = sorted(rows["burn"].unique())
    if len(names) != 1:
        raise ReadingsError([Problem("", None, "burn", ", ".join(names) or "none",
                                     f"a file holds one job, this table {len(names)}",
                                     "Save each job by itself.")])
    target = book / "jobs" / f"{names[0]}.csv"
    with files.locked(book):
        if there := same_name(target.parent, target.name):
            raise FileExistsError(f"Job {there.stem} is already in the lab book: {there}. Another job "
                                  "needs another id; to correct this one, edit its file.")
        files.add_whole(book, target, _csv_bytes(rows))
    return target


def accept(book: str | Path, job: str) -> Path:
    """Take a finished job into the fit: its readings become a burn, and its path is returned.

    The job's own file stays. What was promised of it is not the burn's business and stays behind.
    Whether the job belongs to a fade is not asked here: that is the form's question, as only a maker
    who knows the cause can answer it.

    Raises
    ------
    FileNotFoundError
        If the lab book has no such job.
    FileExistsError
        If it is in the fit already, or another burn has its id.
    ReadingsError
        If its file is at fault.
    """
    book = Path(book)
    file = (None if burn_name_fault(job)
            else same_name(book / "jobs", f"{job}.csv"))
    if file is None:
        raise FileNotFoundError(f"There is no job {job[:80]} in {book / 'jobs'}. Check the job's id.")
    readings = _read(book, [file])[_READING_COLUMNS]
    if there := same_name(book / "burns", f"{job}.csv"):
        if fingerprint(burns.read(there)) == fingerprint(readings):
            raise FileExistsError(f"Job {job} is in the fit already, as burns/{there.name}. "
                                  "It counts once.")
        raise FileExistsError(f"Another burn has the id {job}: burns/{there.name}. Rename the job's "
                              "file and the id in it, then accept it under its new id.")
    (book / "burns").mkdir(exist_ok=True)
    return burns.save(readings, book)


def table_schema() -> dict:
    """Return the Frictionless Table Schema of a job file, with the unit beside each field."""
    burn = columns.table_schema()
    return burn | {"fields": burn["fields"] + [columns.field(column) for column in PROMISED]}


def _read(book, paths) -> pd.DataFrame:
    """Read job files of a lab book; every fault of every file at once."""
    text, problems = csvfile.read_files(paths, REQUIRED, "job")
    rows, faults = _checked(text, woods.of(book))
    if problems := problems + faults + foreign_burns(text):
        raise ReadingsError(problems)
    return rows


def _checked(placed, species) -> tuple[pd.DataFrame, list[Problem]]:
    """Type the reading columns as those of a burn, then the promise; gather every fault."""
    readings, problems = checked(placed, set(species.index if isinstance(species, pd.DataFrame) else species))
    where = placed[["_file", "_row"]]
    problems = problems or beyond_wood(readings, where, woods.gravity(species))
    typed, faults = typed_table(PROMISED, placed)
    readings[list(typed)] = typed
    problems += faults
    problems += _two_promises(readings, where)
    # One cell is told one fault, the first.
    problems = list({(p.file, p.row, p.column): p for p in reversed(problems)}.values())
    return readings[[column.name for column in COLUMNS]], problems


def _two_promises(readings, where) -> list[Problem]:
    """Find recesses whose readings were promised different things."""
    swatch, first = swatches_of(readings)
    return [fault(column, where, place, plain(readings[column.name][place]),
                  f"swatch {readings['swatch'][place]} began with {plain(began)}",
                  "One recess was made from one row of a card: correct the row, or use a new swatch id.")
            for column in PROMISED
            for place, began in unlike_the_first(readings[column.name], swatch, first)]


def _csv_bytes(rows) -> bytes:
    """Return the job as CSV (RFC 4180, UTF-8); optional columns without content are left out."""
    kept = [column.name for column in COLUMNS if column.required
            or any(map(as_text, rows[column.name].unique()))]
    return as_csv(rows, kept)
