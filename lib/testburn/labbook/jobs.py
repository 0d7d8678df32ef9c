"""Jobs: readings of finished work, each kept with what its card promised.

Decides how a finished job is kept: one CSV file in the lab book's folder jobs/, the reading columns
of a burn (`burn` is the job's id) and beside them the promise it was made from (`promise`), so that
the file tells the whole story when card and fit are long gone. Jobs are no burns: they never enter a
fit by being there. `accept` is the maker's word that one shall; its file stays for the drift charts. A job that was typed wrong is
corrected or taken back, and the file as it was stays in history/jobs/.
A second pass over a recess that came out too shallow is a row in second_passes.csv: the job's own file stays as it is,
as only its first depth tests what the card said. Faults are found and said as for burns.
"""

import datetime
import difflib
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from testburn.labbook import burns, columns, csvfile, files, woods
from testburn.labbook.cells import as_csv, as_text, fault, plain, typed_file, typed_table
from testburn.labbook.columns import NEXT, PROMISED, SECOND_PASSES
from testburn.labbook.files import burn_name_fault, must_be_readable, same_name
from testburn.labbook.makerfile import Problem, ReadingsError
from testburn.labbook.readings import checked, fingerprint, foreign_burns, swatches_of, unlike_the_first
from testburn.labbook.slips import beyond_wood, second_pass_faults

COLUMNS = (*columns.COLUMNS, *PROMISED)
REQUIRED = (*columns.REQUIRED, *(column.name for column in PROMISED if column.required))
_READING_COLUMNS = [column.name for column in columns.COLUMNS]
_BOARD = columns.BY_NAME["board"]
_DEPTHS = "Give at least one depth in mm."
SECOND_FILE = "second_passes.csv"
_SECOND = {column.name: column for column in SECOND_PASSES}


def readings_of(promise_row: pd.Series, job: str, board: str, depths_mm, gauge_step_mm: float, finished_on: datetime.date,
                note: str = "", invented: bool = False, swatch: str = "1") -> pd.DataFrame:
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
        If the board has no name or the name "next", the promise is for another board, or no depth is given.
    """
    if not board.strip():
        raise ValueError(f"Board: this cell is empty. {_BOARD.remedy}")
    if board == NEXT:
        raise ValueError(f"{columns.BOARD_NAMED_NEXT.capitalize()}.")
    if promise_row["board"] not in (NEXT, board):
        raise ValueError(f"The card's row is for board {promise_row['board']}, and the job was made on "
                         f"board {board}. Choose a row for that board or the {NEXT} one; where there is none, correct the board.")
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
        raise ReadingsError([Problem("", None, column.name, "", "this column is missing", column.remedy) for column in missing])
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
    return csvfile.remembered(("jobs", book.absolute()), (book, folder), lambda: _read(book, burns.burn_files(folder) if folder.is_dir() else []))


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
    rows, job = _one_job(frame, book)
    target = book / "jobs" / f"{job}.csv"
    with files.locked(book):
        if there := same_name(target.parent, target.name):
            raise FileExistsError(f"Job {there.stem} is already in the lab book: {there}. Another job "
                                  "needs another id; to correct this one, choose it under Saved job.")
        files.add_whole(book, target, _csv_bytes(rows))
    return target


def version(book: str | Path, job: str) -> str:
    """Return sixteen hex digits that any change to the job's file would change; FileNotFoundError where there is none."""
    return files.mark(_saved(Path(book), job).read_bytes())


def correct(frame: pd.DataFrame, book: str | Path, seen: str) -> Path:
    """Replace a finished job, whole or not at all, and where it is in the fit its burn with it; see `burns.correct`.

    Raises
    ------
    ReadingsError
        If a reading is at fault, or a second pass or a reading set aside does not fit the job any more.
    FileNotFoundError, NotWritten
        If the job is gone or has changed since `seen` (of `version`), or the disk refuses it.
    """
    book = Path(book)
    rows, job = _one_job(frame, book)
    with files.locked(book):
        finished = read(book)
        own = finished["burn"] == job
        files.unchanged(_saved(book, job), seen)
        second_passes(book, pd.concat([finished[~own], rows]))
        in_fit = _in_fit(book, job, finished[own])
    # The burn first, which has its own lock: cut off between the two, the correction is made once more, and finds it corrected.
    if in_fit:
        burns.correct(rows[_READING_COLUMNS], book, burns.version(book, job))
    with files.locked(book):
        return _put(book, job, seen, _csv_bytes(rows))


def take_back(book: str | Path, job: str, seen: str) -> Path:
    """Take a finished job out of the lab book, as `correct` does; its file stays in the folder that is returned.

    Raises
    ------
    ValueError
        If it is in the fit, or has a second pass.
    """
    book = Path(book)
    with files.locked(book):
        finished = read(book)
        in_fit = _in_fit(book, job, finished[finished["burn"] == job])
        if in_fit or (second_passes(book, finished)["job"] == job).any():
            where = f"is in the fit, as burns/{job}.csv" if in_fit else f"has a second pass, in {SECOND_FILE}"
            raise ValueError(f"Job {job} {where}: it can be corrected, but not taken back.")
        _put(book, job, seen, None)
    return book / "history" / "jobs" / job


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
    readings = _read(book, [_saved(book, job)])[_READING_COLUMNS]
    if there := same_name(book / "burns", f"{job}.csv"):
        if _in_fit(book, job, readings):
            raise FileExistsError(f"Job {job} is in the fit already, as burns/{there.name}. It counts once.")
        raise FileExistsError(f"Another burn has the id {job}: burns/{there.name}. Rename the job's file and the id in it, then accept it "
                              "under its new id.")
    (book / "burns").mkdir(exist_ok=True)
    return burns.save(readings, book)


def second_passes(book: str | Path, finished: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return the second passes of a lab book, each with its recess of a finished job, in the order of the file.

    Parameters
    ----------
    finished : DataFrame, optional
        From `read`, where it is at hand.

    Returns
    -------
    DataFrame
        `columns.SECOND_PASSES`; depth_mm and readings (mean and number after); of the job the group's key, board, order, power_pct,
        line_pitch_mm, passes, first_speed_mm_s, finished_on, before_mm, before_readings, before_step_mm.

    Raises
    ------
    ReadingsError
        With every fault.
    """
    book = Path(book)
    finished = read(book) if finished is None else finished
    rows, problems = typed_file(book / SECOND_FILE, SECOND_PASSES)
    if not problems:
        rows, problems = _with_their_jobs(rows.assign(_file=SECOND_FILE, _row=rows.index), finished, woods.of(book))
    if problems:
        raise ReadingsError(problems)
    return rows


def add_second_pass(book: str | Path, day: datetime.date, job: str, speed_mm_s: float, depths_mm: list[float], gauge_step_mm: float,
                    recess: str = "", note: str = "", invented: bool = False) -> Path:
    """Write down what a second pass gave, behind those that are there, and return the file's path.

    Parameters
    ----------
    job : str
        The finished job whose recess it is, with the depth before.
    speed_mm_s : float
        Of the second pass; power and pitch are the job's.
    depths_mm : list of float
        The readings after it.
    recess : str
        Which one, where the job has several.

    Raises
    ------
    ReadingsError
        If the job or the recess is not there or has a second pass already, if the depths cannot be, or a file is at fault.
    NotWritten
        If the file is open in a spreadsheet, or the disk refuses it.
    """
    book = Path(book)
    row = {"day": f"{day:%Y-%m-%d}", "job": job.strip(), "recess": recess.strip(), "speed_mm_s": f"{speed_mm_s:.9g}",
           "depths_mm": " ".join(f"{depth:.9g}" for depth in depths_mm), "gauge_step_mm": f"{gauge_step_mm:.9g}", "note": note,
           "invented": "yes" if invented else ""}
    with files.locked(book):
        finished = read(book)
        second_passes(book, finished)
        there = typed_file(book / SECOND_FILE, SECOND_PASSES)[0]
        added, problems = typed_table(SECOND_PASSES, pd.DataFrame([row]).assign(_file=SECOND_FILE, _row=None))
        both = pd.concat([there.assign(_row=there.index), added.assign(_row=None)]).assign(_file=SECOND_FILE)
        if problems := problems or _with_their_jobs(both, finished, woods.of(book))[1]:
            raise ReadingsError(problems)
        return files.append(book / SECOND_FILE, SECOND_PASSES, row, new_format=False)


def table_schema() -> dict:
    """Return the Frictionless Table Schema of a job file, with the unit beside each field."""
    burn = columns.table_schema()
    return burn | {"fields": burn["fields"] + [columns.field(column) for column in PROMISED]}


def _one_job(frame, book) -> tuple[pd.DataFrame, str]:
    """Check the readings and return them with the id of the one job they are of."""
    rows = check(frame, woods.of(book))
    names = sorted(rows["burn"].unique())
    if len(names) != 1:
        raise ReadingsError([Problem("", None, "burn", ", ".join(names) or "none", f"a file holds one job, this table {len(names)}",
                                     "Save each job by itself.")])
    return rows, names[0]


def _saved(book, job) -> Path:
    """Return the file of a finished job."""
    file = None if burn_name_fault(job) else same_name(book / "jobs", f"{job}.csv")
    if file is None:
        raise FileNotFoundError(f"There is no job {job[:80]} in {book / 'jobs'}. Check the job's id.")
    return file


def _put(book, job, seen, content: bytes | None) -> Path:
    """Put content in a job's place, or nothing, and keep its file as it was. The lock must be held."""
    target = files.left_alone_by_spreadsheets(_saved(book, job))
    files.keep_version(book, book / "history" / "jobs" / job, ".csv", files.unchanged(target, seen))
    with files.in_words(target.name):
        if content is None:
            target.unlink()
        else:
            files.replace_whole(book, target, content, still=lambda: files.unchanged(target, seen))
    return target


def _in_fit(book, job, readings) -> bool:
    """Return whether a burn of the job's id has its readings."""
    there = same_name(book / "burns", f"{job}.csv")
    return there is not None and fingerprint(burns.read(there)) == fingerprint(readings[_READING_COLUMNS])


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
            for column in PROMISED for place, began in unlike_the_first(readings[column.name], swatch, first)]


def _with_their_jobs(rows, finished, species) -> tuple[pd.DataFrame, list[Problem]]:
    """Join second passes to the recesses of their jobs; gather every fault."""
    rows = rows.reset_index(drop=True)
    where, recesses = rows[["_file", "_row"]], _recesses(finished)
    each = rows["depths_mm"].map(lambda text: re.split(r"[;\s]+", text.strip("; "))).explode()
    placed = pd.DataFrame({"depths_mm": each.to_numpy(object)}).join(where.loc[each.index].reset_index(drop=True))
    depths, problems = typed_table((replace(columns.BY_NAME["depth_mm"], name="depths_mm"),), placed)
    after = depths["depths_mm"].groupby(each.index).agg(["mean", "size"])
    found = [_recess_of(rows.loc[place], recesses) for place in rows.index]
    problems += [fault(_SECOND[column], where, place, rows[column][place], *words)
                 for place, (_, column, *words) in enumerate(found) if column]
    joined = rows.drop(columns=["recess", "_file", "_row"]).assign(depth_mm=after["mean"], readings=after["size"]).join(
        recesses.reindex([key for key, *_ in found]).reset_index(drop=True) if len(found) else recesses.reset_index(drop=True))
    problems += second_pass_faults(joined, rows, where, woods.gravity(species))
    return joined, list({(one.file, one.row, one.column): one for one in reversed(problems)}.values())


def _recesses(finished) -> pd.DataFrame:
    """Return a row for each recess of finished jobs, as it was before a second pass, by (job, recess)."""
    kept = {name: (name, "first") for name in (*columns.GROUP_KEY, "board", "order", "power_pct", "line_pitch_mm", "passes")}
    recesses = finished.groupby(["burn", "swatch"], sort=False).agg(
        recess=("swatch", "first"), **kept, first_speed_mm_s=("speed_mm_s", "first"), finished_on=("burned_on", "max"),
        before_mm=("depth_mm", "mean"), before_readings=("depth_mm", "size"), before_step_mm=("gauge_step_mm", "max"))
    return recesses.set_axis(recesses.index.to_flat_index())


def _recess_of(row, recesses) -> tuple[tuple | None, str, str, str]:
    """Return the key of a second pass's recess; where there is none, the column at fault, what is wrong, and what to do."""
    own = [recess for job, recess in recesses.index if job == row["job"]]
    if not own:
        near = difflib.get_close_matches(row["job"], dict.fromkeys(job for job, _ in recesses.index), 1)
        return None, "job", "there is no such job in jobs/", f"Perhaps {near[0]}?" if near else _SECOND["job"].remedy
    if row["recess"] in own or not row["recess"] and len(own) == 1:
        return (row["job"], row["recess"] or own[0]), "", "", ""
    return None, "recess", f"job {row['job']} has the recess{'es' * (len(own) > 1)} {', '.join(own)}", "Name one of these."


def _csv_bytes(rows) -> bytes:
    """Return the job as CSV (RFC 4180, UTF-8); optional columns without content are left out."""
    kept = [column.name for column in COLUMNS if column.required or any(map(as_text, rows[column.name].unique()))]
    return as_csv(rows, kept)
