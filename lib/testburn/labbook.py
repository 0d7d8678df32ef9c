"""Lab book: the folder that keeps readings.

Decides how readings are kept: a lab book is a folder with burns/ (one CSV file a burn), woods.csv,
strikes.csv and datapackage.json. What is read or saved passes `check` first. Nothing is deleted: a
strike takes a reading out of the fits, with the maker's reason, and leaves the reading where it is.
"""

import csv
import datetime
import io
import os
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from testburn import columns, csvtext, woods
from testburn.csvtext import Problem
from testburn.readingcheck import ReadingsError, as_text, check, checked, fault

__all__ = ["ReadingsError", "check", "read", "save", "strike"]

STRIKE_COLUMNS = ("burn", "swatch", "reading", "reason", "struck_on")


def read(path: str | Path, today: datetime.date | None = None) -> pd.DataFrame:
    """Return the readings of a lab book, a folder of burns, or one burn file.

    Parameters
    ----------
    path : path
        The lab book (holds burns/), its burns folder, or one CSV file.
    today : date, optional
        The day after which a burn lies in the future; the computer's day by default.

    Returns
    -------
    DataFrame
        Typed rows (see `check`) plus `struck_because`: the maker's reason, or empty.

    Raises
    ------
    ReadingsError
        With every fault of every file.
    FileNotFoundError
        If there is nothing at `path`.
    """
    path = Path(path)
    if not path.exists():
        raise FileNotFoundError(f"There is no lab book or burn at {path}. Check the folder's name.")
    book, burns = _places(path)
    if path.is_dir() and burns == path and (path / "woods.csv").exists():
        raise FileNotFoundError(f"The lab book {path} has no folder named burns. Make one in it "
                                "and put the burns there.")
    files = [path] if path.is_file() else sorted(
        file for file in burns.iterdir() if file.suffix.lower() == ".csv")
    frames, problems = [], []
    for file in files:
        frame, faults = csvtext.read_rows(file, columns.REQUIRED)
        problems += faults
        if len(frame):
            frames.append(frame.assign(_file=file.name, _row=frame.index))
        elif not faults:
            problems.append(Problem(file.name, None, "", "", "the file is empty",
                                    "Enter the burn's readings, or remove the file."))
    text = pd.concat(frames, ignore_index=True) if frames else _no_rows()
    readings, faults = checked(text, _known_species(book), today)
    strikes, strike_faults = _read_strikes(book / "strikes.csv")
    problems += faults + _foreign_burns(text) + strike_faults
    if not problems and not path.is_file():
        problems = _idle_strikes(readings, strikes)
    if problems:
        raise ReadingsError(problems)
    return _with_strikes(readings, strikes)


def save(frame: pd.DataFrame, folder: str | Path, species=None) -> Path:
    """Write one burn to `folder`/<burn>.csv, whole or not at all, and return the file's path.

    Parameters
    ----------
    frame : DataFrame
        The readings of one burn; they pass `check` first.
    folder : path
        The burns folder of a lab book (or the lab book itself).
    species : iterable of str, optional
        Allowed species; those of the lab book's woods.csv by default.

    Raises
    ------
    ReadingsError
        If a reading is at fault, or the frame holds another number of burns than one.
    FileExistsError
        If that burn is already there: a saved burn is never overwritten.
    """
    book, folder = _places(Path(folder))
    known = _known_species(book) if species is None else species
    readings = check(frame, known)
    burns = sorted(readings["burn"].unique())
    if len(burns) != 1:
        raise ReadingsError([Problem("", None, "burn", ", ".join(burns) or "none",
                                     f"a file holds one burn, this table {len(burns)}",
                                     "Save each burn by itself.")])
    target = folder / f"{burns[0]}.csv"
    folder.mkdir(parents=True, exist_ok=True)
    if target.exists():
        raise FileExistsError(
            f"{target.name} is already in the lab book. Give the burn another id; or, to correct "
            f"the saved one, edit the file {target.resolve()}, or strike the reading.")
    _write_whole(target, _csv_bytes(readings))
    return target


def strike(folder: str | Path, burn: str, swatch: str, reading: int, reason: str,
           struck_on: datetime.date | None = None) -> Path:
    """Take one reading out of the fits, with a reason; the reading itself stays where it is.

    Raises
    ------
    ValueError
        If the lab book has no such reading, or the reason is empty.
    """
    book, _ = _places(Path(folder))
    if not reason.strip():
        raise ValueError("A strike needs a reason, e.g. 'typed in inches'.")
    readings = read(book)
    there = ((readings["burn"] == burn) & (readings["swatch"] == swatch)
             & (readings["reading"] == reading))
    if not there.any():
        raise ValueError(f"There is no reading {reading} of swatch {swatch} in burn {burn}.")
    strikes, _ = _read_strikes(book / "strikes.csv")
    day = (struck_on or datetime.date.today()).isoformat()
    row = dict(zip(STRIKE_COLUMNS, (burn, swatch, str(reading), reason, day)))
    _write_whole(book / "strikes.csv",
                 _csv_bytes(pd.concat([strikes, pd.DataFrame([row])], ignore_index=True)))
    return book / "strikes.csv"


def _places(path: Path) -> tuple[Path, Path]:
    """Return the lab book and the burns folder that a lab book, burns folder or burn belongs to."""
    folder = path.parent if path.suffix.lower() == ".csv" and path.is_file() else path
    if (folder / "burns").is_dir():
        return folder, folder / "burns"
    return (folder.parent if folder.name == "burns" else folder), folder


def _known_species(book: Path) -> set[str]:
    """Return the species of the lab book's own woods.csv, else of the project's."""
    own = book / "woods.csv"
    return set(woods.read(own if own.exists() else woods.HANDBOOK).index)


def _no_rows() -> pd.DataFrame:
    return pd.DataFrame(columns=[*columns.REQUIRED, "_file", "_row"], dtype=object)


def _foreign_burns(text) -> list[Problem]:
    """Find rows whose burn is not the name of the file they stand in."""
    if "burn" not in text:
        return []
    stems = text["_file"].map(lambda name: Path(name).stem)
    other = (text["burn"] != stems) & (text["burn"] != "") & text["burn"].notna()
    # One copied file is one fault, however many rows it has.
    firsts = text.index[other & ~text[other].duplicated(["_file", "burn"]).reindex(text.index, fill_value=True)]
    return [fault(columns.BY_NAME["burn"], text, i, text["burn"][i],
                  f"the file's name says {stems[i]}", columns.BY_NAME["burn"].remedy)
            for i in firsts]


def _read_strikes(path: Path) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the strikes as text; a lab book without the file has none."""
    if not path.exists():
        return pd.DataFrame(columns=list(STRIKE_COLUMNS), dtype=object), []
    frame, problems = csvtext.read_rows(path, STRIKE_COLUMNS)
    if problems or frame.empty:
        return pd.DataFrame(columns=list(STRIKE_COLUMNS), dtype=object), problems
    nameless = frame["reason"] == ""
    return frame, [
        Problem(path.name, row, "reason", "", "a strike needs a reason", "Say why it is struck.")
        for row in frame.index[nameless]]


def _idle_strikes(readings, strikes) -> list[Problem]:
    """Find strikes that name no reading: one digit off, and the reading would stay in the fit."""
    there = set(zip(readings["burn"], readings["swatch"], readings["reading"].astype(str)))
    return [Problem("strikes.csv", row, "reading", strike.reading,
                    f"burn {strike.burn}, swatch {strike.swatch} has no such reading",
                    "Correct the row, or remove it.")
            for row, strike in zip(strikes.index, strikes.itertuples(index=False))
            if (strike.burn, strike.swatch, strike.reading) not in there]


def _with_strikes(readings, strikes) -> pd.DataFrame:
    """Return the readings with the reason of each strike in `struck_because`."""
    reasons = {tuple(row[:3]): row[3] for row in strikes[list(STRIKE_COLUMNS)].itertuples(index=False)}
    keys = zip(readings["burn"], readings["swatch"], readings["reading"].astype(str))
    return readings.assign(struck_because=pd.Series(
        [reasons.get(key, "") for key in keys], index=readings.index, dtype=object))


def _csv_bytes(frame) -> bytes:
    """Return the frame as CSV (RFC 4180, UTF-8); optional columns without content are left out."""
    kept = [name for name in frame.columns
            if name in (*columns.REQUIRED, *STRIKE_COLUMNS)
            or name in columns.BY_NAME and frame[name].map(as_text).ne("").any()]
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(kept)
    cells = [frame[name].map(_written).tolist() for name in kept]
    writer.writerows(zip(*cells))
    return out.getvalue().encode("utf-8")


def _written(cell) -> str:
    """Return a cell as it is written: shortest exact numbers, ISO days, formulas disarmed."""
    if isinstance(cell, float):
        return "" if np.isnan(cell) else repr(cell).removesuffix(".0")
    text = as_text(cell)
    return csvtext.neutralised(text) if isinstance(cell, str) else text


def _write_whole(target: Path, content: bytes) -> None:
    """Write a file so that it is there whole or not at all, also when the power fails."""
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=".", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as part:
            part.write(content)
            part.flush()
            os.fsync(part.fileno())
        os.replace(name, target)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
