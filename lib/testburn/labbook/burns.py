"""Lab book: the folder that keeps readings.

Decides how readings are kept: a lab book is a folder with burns/ (one CSV file a burn), woods.csv,
strikes.csv and datapackage.json. What is read or saved passes `check` first. Nothing is deleted: a
strike takes a reading out of the fits, with the maker's reason, until it is taken back, and leaves the reading where it
is; retiring takes the burns of a module before a day out likewise; a correction leaves the
burn as it was in history/. A strike that names no reading is a fault: one digit off, and the reading would stay in
the fit unseen.
"""

import datetime
from dataclasses import replace
from pathlib import Path

import pandas as pd

from testburn.labbook import columns, csvfile, files, woods
from testburn.labbook.cells import as_csv, as_text, typed_file
from testburn.labbook.columns import READING_KEY, RETIRED, STRUCK
from testburn.labbook.files import (burn_name_fault, mark, must_be_readable, name_of, same_name,
                                    say_format, unchanged)
from testburn.labbook.makerfile import Problem, ReadingsError, composed
from testburn.labbook.readings import check, checked, foreign_burns
from testburn.labbook.slips import beyond_wood

STRUCK_FILE, RETIRED_FILE = "strikes.csv", "retired.csv"


def read(path: str | Path, as_typed: bool = False) -> pd.DataFrame:
    """Return the readings of a lab book, a folder of burns, or one burn file.

    Parameters
    ----------
    path : path
        The lab book (holds burns/), its burns folder, or one CSV file.
    as_typed : bool
        Let a depth pass that no wood gives, so that it can be put right or set aside.

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
    book, burns = places(path)
    if path.is_dir() and burns == path and (path / "woods.csv").exists():
        raise FileNotFoundError(f"The lab book {path} has no folder named burns. Make one in it "
                                "and put the burns there.")
    must_be_readable(book)
    return csvfile.remembered(("burns", path.absolute(), as_typed), (book, burns), lambda: _read(path, book, burns, as_typed))


def _read(path, book, burns, as_typed) -> pd.DataFrame:
    """Return the readings of burn files with what strikes and retirements say of them; every fault of every file at once."""
    paths = [path] if not path.is_dir() else burn_files(burns)
    text, problems = csvfile.read_files(paths, columns.REQUIRED, "burn")
    wood = woods.of(book)
    readings, faults = checked(text, set(wood.index))
    struck, strike_faults = _strikes(book)
    gone, gone_faults = typed_file(book / RETIRED_FILE, RETIRED)
    problems += faults + foreign_burns(text) + strike_faults + gone_faults
    if not problems and not path.is_file():
        problems = _idle(readings, struck)
    readings = _applied(readings, struck)
    if not problems:
        readings = _retired(readings, gone)
    if not problems and not as_typed:
        kept = (readings["struck_because"] == "").to_numpy()
        problems = beyond_wood(readings, text, woods.gravity(wood), kept)
    if problems:
        raise ReadingsError(problems)
    return readings


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
    book, folder = places(Path(folder))
    readings, burn = _one_burn(frame, book, species)
    target = folder / f"{burn}.csv"
    with files.locked(book):
        there = same_name(folder, target.name)
        try:
            if there is None:
                _named(book, readings)
                files.add_whole(book, target, _csv_bytes(readings))
                return target
        except FileExistsError:
            there = target
    raise FileExistsError(
        f"{there.name} is already in the lab book. To correct it, choose it under Open in the "
        f"notebook that enters readings, or edit {there.resolve()}. Only a burn that is not "
        "in there yet needs another id.")


def version(folder: str | Path, burn: str) -> str:
    """Return sixteen hex digits that any change to the saved burn's file would change.

    Raises
    ------
    FileNotFoundError
        If the lab book has no such burn.
    """
    return mark(_saved(places(Path(folder))[1], burn).read_bytes())


def correct(frame: pd.DataFrame, folder: str | Path, seen: str, species=None) -> Path:
    """Replace a saved burn, whole or not at all; the burn as it was stays in history/<burn>/.

    Parameters
    ----------
    frame : DataFrame
        All readings of the burn as they should be; they pass `check` first.
    folder : path
        The lab book, or its burns folder.
    seen : str
        `version` of the burn that was corrected. What nobody has seen is not overwritten.
    species : iterable of str, optional
        Allowed species; those of the lab book's woods.csv by default.

    Raises
    ------
    ReadingsError
        If a reading is at fault, a struck reading is gone, or it is not one burn.
    FileNotFoundError
        If the lab book has no such burn.
    NotWritten
        If the file changed since `seen`, is open in a spreadsheet, or the disk refuses it.
    """
    book, folder = places(Path(folder))
    readings, burn = _one_burn(frame, book, species)
    content = _csv_bytes(readings)
    with files.locked(book):
        target = files.left_alone_by_spreadsheets(_saved(folder, burn))
        files.inside(book, target)
        before = unchanged(target, seen)
        struck, _ = _strikes(book)
        if lost := _idle(readings, struck[struck["burn"] == burn]):
            raise ReadingsError([replace(fault, remedy="Keep the reading that is set aside in the burn, or "
                                         "take it back.") for fault in lost])
        if content != before:
            _named(book, readings)
            files.keep_version(book, book / "history" / burn, ".csv", before)
            files.replace_whole(book, target, content, still=lambda: unchanged(target, seen))
    return target


def strike(folder: str | Path, burn: str, swatch: str, reading: int, reason: str,
           struck_on: datetime.date | None = None) -> Path:
    """Take one reading out of the fits, with a reason; the reading itself stays where it is.

    Raises
    ------
    ValueError
        If the lab book has no such reading, or the reason is empty.
    """
    book, _ = places(Path(folder))
    if not reason.strip():
        raise ValueError("A reading is set aside with a reason, e.g. 'typed in inches'.")
    row = {"burn": burn, "swatch": swatch, "reading": str(reading), "reason": reason,
           "struck_on": (struck_on or datetime.date.today()).isoformat()}
    with files.locked(book):
        readings = read(book, as_typed=True)
        there = ((readings["burn"] == burn) & (readings["swatch"] == swatch)
                 & (readings["reading"] == reading))
        if not there.any():
            raise ValueError(f"There is no reading {reading} of swatch {swatch} in burn {burn}.")
        return files.append(book / STRUCK_FILE, STRUCK, row, new_format=False)


def take_back(folder: str | Path, burn: str, swatch: str, reading: int, reason: str,
              taken_back_on: datetime.date | None = None) -> Path:
    """Take a reading that was set aside back into the fits; what was said of it stays, with this reason beside it.

    Raises
    ------
    ValueError
        If it is not set aside, or the reason is empty.
    """
    book, _ = places(Path(folder))
    if not reason.strip():
        raise ValueError("A reading is taken back with a reason, e.g. 'measured again: it was right'.")
    with files.locked(book):
        if not files.take_back(book / STRUCK_FILE, STRUCK, dict(zip(READING_KEY, (burn, swatch, reading))), reason,
                               taken_back_on or datetime.date.today()):
            raise ValueError(f"Reading {reading} of swatch {swatch} in burn {burn} is not set aside.")
    return book / STRUCK_FILE


def places(path: Path) -> tuple[Path, Path]:
    """Return the lab book and the burns folder that a lab book, burns folder or burn belongs to."""
    folder = path.parent if path.suffix.lower() == ".csv" and path.is_file() else path
    if (folder / "burns").is_dir():
        return folder, folder / "burns"
    return (folder.parent if folder.name == "burns" else folder), folder


def burn_files(burns: Path) -> list[Path]:
    """Return the burn files; what systems and spreadsheets leave beside them is none."""
    return sorted(file for file in burns.iterdir() if file.suffix.lower() == ".csv" and not file.name.startswith((".", "~$")))


def _one_burn(frame, book, species) -> tuple[pd.DataFrame, str]:
    """Check the readings and return them with the name of the one burn they are of."""
    readings = check(frame, woods.of(book) if species is None else species)
    burns = sorted(readings["burn"].unique())
    if len(burns) != 1:
        raise ReadingsError([Problem("", None, "burn", ", ".join(burns) or "none",
                                     f"a file holds one burn, this table {len(burns)}",
                                     "Save each burn by itself.")])
    return readings, burns[0]


def _saved(folder: Path, burn: str) -> Path:
    """Return the file of a saved burn."""
    file = None if burn_name_fault(burn) else same_name(folder, f"{burn}.csv")
    if file is None or name_of(file) != composed(burn) or not file.is_file():
        raise FileNotFoundError(f"There is no burn {burn[:80]} in {folder}. Check the burn's id.")
    return file


def _named(book, readings) -> None:
    """Raise the book's format where readings name their module: an earlier version would pool them."""
    if (readings["module"] != "").any():
        say_format(book)


def _csv_bytes(frame) -> bytes:
    """Return the frame as CSV (RFC 4180, UTF-8); optional columns without content are left out."""
    kept = [name for name in frame.columns
            if name in columns.REQUIRED
            or name in columns.BY_NAME and any(map(as_text, frame[name].unique()))]
    return as_csv(frame, kept)


def _retired(readings, rows) -> pd.DataFrame:
    """Return the readings with the reason why a burn is retired in `struck_because`, where nothing else is."""
    for row in rows[rows["taken_back_on"].isna()].itertuples():
        gone = columns.of_module(readings, row.module) & (readings["burned_on"] < row.before).to_numpy()
        readings.loc[gone & (readings["struck_because"] == "").to_numpy(), "struck_because"] = f"retired: {row.reason}"
    return readings


def _strikes(book: Path) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the readings that are set aside and not taken back, and the faults of their file."""
    rows, problems = typed_file(book / STRUCK_FILE, STRUCK)
    return rows[rows["taken_back_on"].isna()].iloc[:0 if problems else None], problems


def _idle(readings, strikes) -> list[Problem]:
    """Find strikes that name no reading: one digit off, and the reading would stay in the fit."""
    if strikes.empty:
        return []
    own = readings[readings["burn"].isin(strikes["burn"])]
    there = set(own[list(READING_KEY)].itertuples(index=False, name=None))
    return [Problem(STRUCK_FILE, row, "reading", f"{key[2]:.0f}",
                    f"burn {key[0]}, swatch {key[1]} has no such reading",
                    "Correct the row, or remove it.")
            for row, key in zip(strikes.index, strikes[list(READING_KEY)].itertuples(index=False, name=None)) if key not in there]


def _applied(readings, strikes) -> pd.DataFrame:
    """Return the readings with the reason of each strike in `struck_because`."""
    if strikes.empty:
        return readings.assign(struck_because=pd.Series("", index=readings.index, dtype=object))
    reasons = {row[:3]: row[3] for row in strikes[[*READING_KEY, "reason"]].itertuples(index=False, name=None)}
    own = readings[readings["burn"].isin(strikes["burn"])]
    struck = pd.Series([reasons.get(key, "") for key in own[list(READING_KEY)].itertuples(index=False, name=None)],
                       index=own.index, dtype=object)
    return readings.assign(struck_because=struck.reindex(readings.index, fill_value=""))
