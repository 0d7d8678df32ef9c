"""Draft: a burn on the bench again: half entered, as the journal keeps it, or saved and to be corrected.

Decides how each accepted cell is named in the journal, and how its lines become a filled form
again. The first line of a draft is the whole form as it then stood; every later one is one cell, so
the last value of each cell is what the maker had typed when kernel, tab or power went away.
Drafts of the scratch demo are kept in the system's folder for passing files, as the demo's own copy
goes with its kernel.

Decides too how a burn of the lab book is opened for correcting, which burns the form cannot hold (it would lose
something, so the file has to be corrected itself), and how a change is said before it is saved. The lab book keeps the
burn as it was.
"""

import datetime
import getpass
import json
import secrets
import tempfile
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from testburn import labbook
from testburn.entry.grid import HEADER, LABELS, as_readings, filled
from testburn.labbook import columns, csvfile, files, jobs, journal
from testburn.units import Units

_WHOLE, _CORRECTING = "form", "correcting"
_TAKEN_OVER = ("This draft was gone on with in another window. What you type here is kept as a draft of its own, and is offered "
               "like the other.")
_LISTS = {"depth": "depths", "face": "faces"}
_NAMES = [column.name for column in columns.COLUMNS]
_KEY = ["swatch", "reading"]


def home(book: Path, scratch: bool) -> Path:
    """Return the folder whose journal keeps the drafts of a lab book."""
    if not scratch:
        return Path(book)
    try:
        user = getpass.getuser()
    except (OSError, KeyError, ImportError):
        user = "maker"
    # Where several people share the folder, only its owner may look into it.
    folder = Path(tempfile.gettempdir()) / f"testburn-drafts-{user}"
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder


def new_name() -> str:
    """Return a name that no other draft has."""
    return f"{datetime.datetime.now():%Y%m%d-%H%M%S}-{secrets.token_hex(3)}"


class Draft:
    """One draft; it begins in the journal with the first cell that is kept.

    Parameters
    ----------
    folder : Path
        From `home`.
    name : str, optional
        The draft that is resumed.
    correcting : dict, optional
        burn and seen (the fingerprint of its file) of the saved burn that is being corrected.
    """

    def __init__(self, folder: Path, name: str = "", correcting: dict | None = None):
        self.folder, self.correcting, self.begun = Path(folder), correcting, bool(name)
        self.name = name or new_name()
        self._hold = None

    def take(self) -> "Draft":
        """Become the draft's owner, whoever was it; return the draft."""
        self._hold = journal.Hold(self.folder, self.name)
        return self

    def keep(self, typed: dict, cell: str, value: str) -> str:
        """Write one accepted cell to the journal; it is on the disk when this returns.

        Where another window has taken the draft over, or saved it, what is typed here becomes a draft of its own:
        all of it, so that it can be resumed. That is said in what is returned; mostly it is nothing.

        Raises
        ------
        OSError
            If the journal cannot be written.
        """
        said = ""
        with files.locked(self.folder):
            if self.begun and self._hold and not self._hold.still():
                self._let_go()
                self.name, self.begun = new_name(), False
                said = _TAKEN_OVER
            if not self._hold:
                self.take()
            self._write(typed, cell, value)
        return said

    def _let_go(self) -> None:
        if self._hold:
            self._hold.let_go()
        self._hold = None

    def _write(self, typed, cell, value) -> None:
        if not self.begun:
            journal.record(self.folder, self.name, _WHOLE, json.dumps(typed, ensure_ascii=False))
            if self.correcting:
                journal.record(self.folder, self.name, _CORRECTING, json.dumps(self.correcting))
            self.begun = True
        journal.record(self.folder, self.name, cell, value)

    def close(self) -> None:
        """Put the draft away, as its burn is saved; one that another window has taken over stays."""
        if self.begun and (self._hold is None or self._hold.still()):
            journal.close(self.folder, self.name)
        self._let_go()
        self.begun = False

    def put_away(self) -> None:
        """Put the draft away unsaved; its file stays, in journal/put-away/."""
        journal.close(self.folder, self.name, "put-away")


class BoxesDraft:
    """The draft of a form whose boxes each have a name: the whole form with its first change, then every change.

    Parameters
    ----------
    book : path
    scratch : bool
    kind : str
        What is typed, e.g. jobs: drafts of each kind have a folder of their own.
    """

    def __init__(self, book: Path, scratch: bool, kind: str):
        self._folder, self._scratch = home(book, scratch) / kind, scratch
        self._name, self._begun, self._hold = new_name(), False, None

    def left(self) -> dict[str, str]:
        """Return what was typed last and not saved, and go on with it; nothing where nothing was left."""
        # Several people's trials share one scratch folder: theirs are not filled in. What is open in another window is
        # that window's.
        found = [] if self._scratch else [name for name in journal.drafts(self._folder)["draft"] if not journal.elsewhere(self._folder, name)]
        if not found:
            return {}
        self._name, self._begun = found[0], True
        self._hold = journal.Hold(self._folder, self._name)
        return journal.replay(self._folder, self._name)

    def keep(self, typed: dict[str, str], changed: str) -> None:
        """Write the box that was changed to the journal; it is on the disk when this returns.

        Where another window has taken the draft over, what is typed here becomes a draft of its own.

        Raises
        ------
        OSError
            If the journal cannot be written.
        """
        with files.locked(self._folder):
            if self._hold and not self._hold.still():
                self._name, self._begun, self._hold = new_name(), False, None
            self._hold = self._hold or journal.Hold(self._folder, self._name)
            # A draft begins with the whole form, so that what stood there before comes back too.
            for cell in [changed] if self._begun else typed:
                journal.record(self._folder, self._name, cell, typed[cell])
        self._begun = True

    def put_away(self) -> str:
        """Close the draft, as it is saved, and begin another with the next change; return what hinders it."""
        said = ""
        try:
            if self._hold is None or self._hold.still():
                journal.close(self._folder, self._name)
            if self._hold:
                self._hold.let_go()
        except OSError as error:
            said = f"The draft could not be put away: {error}"
        self._name, self._begun, self._hold = new_name(), False, None
        return said


def row_cell(place: int, name: str, number: int = 0) -> str:
    """Name a cell of the grid, e.g. row 2 depth 1; `place` counts from 0."""
    return f"row {place + 1} {name}" + (f" {number}" if number else "")


def unfinished(folder: Path) -> pd.DataFrame:
    """Return the drafts that were never saved, newest first: draft, started, cells."""
    return journal.drafts(folder)


def resumed(folder: Path, name: str) -> tuple[dict, Draft]:
    """Return what was typed, for `forms.entry(book, start=…)`, and the draft to go on with.

    Raises
    ------
    ValueError
        If the journal's file holds no form; it stays where it is.
    """
    cells = journal.replay(folder, name)
    try:
        typed = _typed(cells)
        correcting = json.loads(cells[_CORRECTING]) if _CORRECTING in cells else None
    except (KeyError, TypeError, ValueError, AttributeError) as fault:
        raise ValueError(f"The draft {name} cannot be read ({type(fault).__name__}). "
                         f"Its file stays in {Path(folder) / 'journal'}.") from fault
    return typed, Draft(folder, name, correcting)


def last_depths(folder: Path) -> dict[str, str]:
    """Return how the depths of the last saved burn were typed: their unit, and whether as face and floor; nothing where none was."""
    try:
        typed = _typed(journal.last_saved(folder))
    except (OSError, KeyError, TypeError, ValueError, AttributeError):
        return {}
    return {name: typed[name] for name in ("depth_unit", "depth_as") if typed.get(name)}


def _typed(cells: dict[str, str]) -> dict:
    """Return the form as it first stood, with every later cell put over it."""
    whole = json.loads(cells[_WHOLE])
    typed = {name: str(whole.get(name, "")) for name in HEADER if name in whole}
    typed["swatches"] = rows = [_row(row) for row in whole["swatches"]]
    for cell, value in cells.items():
        if cell in HEADER:
            typed[cell] = value
        elif cell.startswith("row "):
            _, place, name, *number = cell.split(" ")
            if max(map(int, (place, *number))) > 1000:
                raise ValueError("a cell far outside the form")
            rows += [_row({}) for _ in range(int(place) - len(rows))]
            if number:
                texts = rows[int(place) - 1][_LISTS[name]]
                texts += [""] * (int(number[0]) - len(texts))
                texts[int(number[0]) - 1] = value
            else:
                rows[int(place) - 1][name] = value
    return typed


def _row(row: dict) -> dict:
    return ({name: str(row.get(name, "")) for name in ("swatch", "speed", "power", "pitch") if name != "pitch" or name in row}
            | {name: [str(text) for text in row.get(name, [])] for name in ("depths", "faces")})


@dataclass(frozen=True, eq=False)
class Saved:
    """A burn, or a finished job, as it is in the lab book; `seen` is the fingerprint of its file."""

    burn: str
    seen: str
    readings: pd.DataFrame

    @property
    def invented(self) -> bool:
        return bool((self.readings["invented"] == "yes").all())


def saved_burn(book: str | Path, burn: str) -> Saved:
    """Return a burn of the lab book.

    Raises
    ------
    ReadingsError, FileNotFoundError
        If it cannot be read, or is not there.
    """
    # The fingerprint comes first: what changes after it was taken is refused when saving.
    seen = labbook.version(book, burn)
    return Saved(burn, seen, labbook.read(Path(book) / "burns" / f"{burn}.csv", as_typed=True))


def saved_job(book: str | Path, job: str) -> Saved:
    """Return a finished job of the lab book, as `saved_burn` does a burn.

    Raises
    ------
    ValueError
        If it holds more than the form has boxes for, and makes: several recesses, or columns of its own.
    """
    seen, finished = jobs.version(book, job), jobs.read(book)
    readings = finished[finished["burn"] == job].reset_index(drop=True)
    text, _ = csvfile.read_files([Path(book) / "jobs" / f"{job}.csv"], jobs.REQUIRED, "job")
    own, recesses = [name for name in text if name not in ("_file", "_row", *finished.columns)], readings["swatch"].nunique()
    if own or recesses > 1:
        more = f"columns of its own ({', '.join(own)})" if own else f"{recesses} recesses"
        raise ValueError(f"Job {job} holds more than the form has boxes for: {more}. Correct its file jobs/{job}.csv in a spreadsheet.")
    return Saved(job, seen, readings)


def opened(saved: Saved, units: Units = Units()) -> dict:
    """Return the burn as what would have been typed for it, in the machine's units; see `grid.filled`.

    Raises
    ------
    ValueError
        If the form cannot hold all of it.
    """
    start = _held(saved, units)
    back = labbook.check(as_readings(start, saved.invented), saved.readings["species"].unique(), as_typed=True)
    if lost := changes(saved.readings, back):
        raise ValueError(_too_much(saved.burn, "; ".join(lost[:3])))
    return start


def _held(saved: Saved, units: Units) -> dict:
    further = saved.readings.columns.difference([*_NAMES, "struck_because"], sort=False)
    if len(further):
        raise ValueError(_too_much(saved.burn, f"columns of its own ({', '.join(further)})"))
    try:
        return filled(saved.readings, units)
    except ValueError as reason:
        raise ValueError(_too_much(saved.burn, str(reason))) from reason


def _too_much(burn, what) -> str:
    return (f"Burn {burn} holds more than the form has boxes for: {what.rstrip('.')}. "
            f"Correct its file burns/{burn}.csv in a spreadsheet.")


def changes(before: pd.DataFrame, after: pd.DataFrame) -> list[str]:
    """Return in words what differs between two states of one burn, both from `labbook.check`."""
    old, new = (frame.set_index(_KEY)[[name for name in _NAMES if name not in _KEY]]
                for frame in (before, after))
    gone, added = old.index.difference(new.index), new.index.difference(old.index)
    found = [f"Swatch {swatch}, reading {reading}: {old.at[(swatch, reading), 'depth_mm']:g} mm "
             "is taken away" for swatch, reading in gone]
    found += [f"Swatch {swatch}, reading {reading}: {new.at[(swatch, reading), 'depth_mm']:g} mm "
              "is added" for swatch, reading in added]
    both = old.index.intersection(new.index)
    for name in old.columns:
        found += _column_changes(name, old.loc[both, name].map(word), new.loc[both, name].map(word))
    return found


def _column_changes(name, old, new) -> list[str]:
    """Say what changed in one column: once where all rows changed alike, else by swatch."""
    other = old != new
    pairs = pd.DataFrame({"old": old, "new": new})[other]
    if pairs.empty:
        return []
    label = LABELS.get(name, name)
    if name != "depth_mm" and other.all() and len(pairs.drop_duplicates()) == 1:
        return [f"{label}: {pairs['old'].iloc[0]} becomes {pairs['new'].iloc[0]}"]
    unit = f" {columns.BY_NAME[name].unit}".rstrip() if name == "depth_mm" else ""
    places = {}
    for (swatch, reading), row in pairs.iterrows():
        place = f"Swatch {swatch}" + (f", reading {reading}" if name == "depth_mm" else "")
        places[place] = f"{place}: {label} {row['old']} becomes {row['new']}{unit}"
    return list(places.values())


def word(value) -> str:
    """Return a cell as it is said; numbers in as many digits as they have, up to nine."""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, str):
        return value or "empty"
    return "empty" if pd.isna(value) else f"{value:.9g}"
