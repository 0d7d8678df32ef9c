"""Correction: a saved burn on the bench again.

Decides how a burn of the lab book is opened for correcting, which burns the form cannot hold (it
would lose something, so the file has to be corrected itself), and how a change is said before it
is saved. The lab book keeps the burn as it was.
"""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from testburn import labbook
from testburn.entry.grid import LABELS, as_readings, filled
from testburn.labbook import columns
from testburn.units import Units

_NAMES = [column.name for column in columns.COLUMNS]
_KEY = ["swatch", "reading"]


@dataclass(frozen=True, eq=False)
class Saved:
    """A burn as it is in the lab book; `seen` is the fingerprint of its file."""

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
        found += _column_changes(name, old.loc[both, name].map(_word), new.loc[both, name].map(_word))
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


def _word(value) -> str:
    """Return a cell as it is said; numbers in as many digits as they have, up to nine."""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, str):
        return value or "empty"
    return "empty" if pd.isna(value) else f"{value:.9g}"
