"""Folder: where a lab book's files are, and what beside them is none.

Decides which folder is the book and which its burns, that b01.csv and B01.CSV are one file, that what systems
and spreadsheets leave beside the burns is no burn, that a burn's file bears the burn's name, and which names a
file can bear on every system. Decides the book's format too: a book without a number is of the first, one written
by a newer version is refused before anything of it is read wrongly.

Source: the lab book is described by its datapackage.json, a Data Package (version 2); `format` is a property of ours.
"""

import json
import re
from pathlib import Path

from testburn.labbook import columns, makerfile
from testburn.labbook.cells import fault
from testburn.labbook.makerfile import MOST_PROBLEMS, Problem

_BURN_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,79}(?<![ .])")
# Names that Windows opens as a device instead of a file, whatever follows a point (from memory).
_WINDOWS_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{number}" for port in ("com", "lpt")
                                                  for number in range(10))}


_PACKAGE, _MOST_BYTES = "datapackage.json", 1_000_000


def must_be_readable(book: Path) -> None:
    """Refuse a lab book that a newer version wrote.

    Raises
    ------
    ReadingsError
        Also if its datapackage.json is no JSON.
    """
    file = book / _PACKAGE
    if not file.exists():
        return
    try:
        said = json.loads(makerfile.text(file, _MOST_BYTES))
        number = said.get("format", 1) if isinstance(said, dict) else 1
    except (RecursionError, ValueError) as fault:
        if isinstance(fault, makerfile.ReadingsError):
            raise
        raise makerfile.refused(_PACKAGE, "", "this is no JSON, and nothing else says what the lab book's files hold",
                                "Take it from your backup; or remove it, and the files are read as they are.") from None
    if not isinstance(number, int) or isinstance(number, bool) or not 1 <= number <= columns.FORMAT:
        raise makerfile.refused(_PACKAGE, str(number)[:40], "this lab book was written by a newer version",
                                f"This one reads formats 1 to {columns.FORMAT}. Open it with the version that wrote it, or get that "
                                "version here.")


def same_name(folder: Path, name: str) -> Path | None:
    """Return the file of that name; b01.csv and B01.CSV are one file on many computers."""
    files = folder.iterdir() if folder.is_dir() else ()
    return next((file for file in files if file.name.casefold() == name.casefold()), None)


def places(path: Path) -> tuple[Path, Path]:
    """Return the lab book and the burns folder that a lab book, burns folder or burn belongs to."""
    folder = path.parent if path.suffix.lower() == ".csv" and path.is_file() else path
    if (folder / "burns").is_dir():
        return folder, folder / "burns"
    return (folder.parent if folder.name == "burns" else folder), folder


def burn_files(burns: Path) -> list[Path]:
    """Return the burn files; what systems and spreadsheets leave beside them is none."""
    return sorted(file for file in burns.iterdir()
                  if file.suffix.lower() == ".csv" and not file.name.startswith((".", "~$")))


def foreign_burns(text) -> list[Problem]:
    """Find rows whose burn is not the name of the file they stand in."""
    if "burn" not in text:
        return []
    # One copied file is one fault, however many rows it has.
    pairs = text[["_file", "burn"]].drop_duplicates().astype(object)
    stems = pairs["_file"].map(lambda name: Path(name).stem)
    other = (pairs["burn"] != stems) & (pairs["burn"] != "") & pairs["burn"].notna()
    return [fault(columns.BY_NAME["burn"], text, i, text["burn"][i],
                  f"the file's name says {stems[i]}", columns.BY_NAME["burn"].remedy)
            for i in pairs.index[other][:MOST_PROBLEMS]]


def burn_name_fault(burn: str) -> tuple[str, str] | None:
    """Say why a burn's id cannot name a file on every system, and what to do; None if it can."""
    if not _BURN_NAME.fullmatch(burn):
        return ("this cannot name a file",
                "Use letters, digits, spaces, points, - and _, at most 80 of them.")
    if burn.split(".")[0].strip().casefold() in _WINDOWS_DEVICES:
        return "Windows keeps this name for a device", "Use another one, e.g. burn-1."
    return None
