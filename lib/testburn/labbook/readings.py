"""Reading check: what a reading is, and every way a row can fail to be one.

Decides which rows may enter a fit. One door: text or typed frame, everything passes `check`, which
reports every fault at once (file, row, column, value, remedy) and returns either all rows or none.
Nothing is dropped, corrected or guessed in silence. Ranges are checked by pandera from
`columns.COLUMNS`; turning text into numbers is ours, because a coercing library takes "nan" and
"1_000" for numbers and has no word for a decimal comma.
"""

import datetime
import hashlib
import re

import numpy as np
import pandas as pd
import pandera.errors

from testburn.labbook import columns, woods
from testburn.labbook.csvfile import MOST_PROBLEMS, Problem

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
# Control characters, which could steer a terminal, and halves of characters; a cell may have lines.
_UNWRITABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")
_BURN_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,79}(?<![ .])")
_SHOWN_PROBLEMS = 200
_RANGES = columns.range_checks()
# Names that Windows opens as a device instead of a file, whatever follows a point (from memory).
_WINDOWS_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{number}" for port in ("com", "lpt")
                                                  for number in range(10))}


class ReadingsError(ValueError):
    """Readings that cannot be used; `problems` is a DataFrame with a row for every fault."""

    def __init__(self, problems: list[Problem]):
        ordered = sorted(problems, key=lambda p: (p.file, p.row or 0, p.column))
        self.problems = pd.DataFrame(ordered, columns=list(Problem.__dataclass_fields__))
        lines = [_worded(problem) for problem in ordered[:_SHOWN_PROBLEMS]]
        if len(ordered) > _SHOWN_PROBLEMS:
            lines.append(f"… and {len(ordered) - _SHOWN_PROBLEMS} more.")
        count = "at least " * (len(ordered) >= MOST_PROBLEMS) + f"{len(ordered)} fault" + ("s" if len(ordered) > 1 else "")
        super().__init__(f"{count} in the readings:\n" + "\n".join(lines))


def _worded(fault: Problem) -> str:
    """Say one fault in one line; long or unprintable text is cut short and escaped."""
    place = [_short(fault.file) or "table"]
    place += [f"row {fault.row}"] if fault.row is not None else []
    place += [f"column {_short(fault.column)}"] if fault.column else []
    place += [f"value {_short(fault.value)!r}"] if fault.value else []
    said = f"{', '.join(place)}: {_short(fault.problem, 300)}. {fault.remedy}".rstrip()
    return "  " + "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in said)


def _short(text: str, signs: int = 60) -> str:
    return text if len(text) <= signs else text[:signs - 3] + "…"


def check(frame: pd.DataFrame, species=None, today: datetime.date | None = None) -> pd.DataFrame:
    """Return the readings, typed; the same door that every file passes.

    Parameters
    ----------
    frame : DataFrame
        Columns of `columns.COLUMNS`, as text or typed; optional ones may be missing.
    species : iterable of str, optional
        Allowed species; those of the project's labdata/woods.csv by default.
    today : date, optional

    Returns
    -------
    DataFrame
        All columns of `columns.COLUMNS` in their order; missing optional numbers are NaN,
        missing optional texts empty. Further columns are kept behind them.

    Raises
    ------
    ReadingsError
        With every fault; `row` is the frame's index label.
    """
    missing = [name for name in columns.REQUIRED if name not in frame.columns]
    if missing:
        raise ReadingsError([Problem("", None, name, "", "this column is missing",
                                     columns.BY_NAME[name].remedy) for name in missing])
    placed = frame.assign(_file="", _row=frame.index).reset_index(drop=True)
    known = set(woods.read().index) if species is None else set(species)
    readings, problems = checked(placed, known, today)
    if problems:
        raise ReadingsError(problems)
    return readings


def checked(placed, known, today) -> tuple[pd.DataFrame, list[Problem]]:
    """Type every column, then check ranges, rows and repeats; gather a fault for each bad cell."""
    where = placed[["_file", "_row"]]
    typed, problems = {}, []
    for column in columns.COLUMNS:
        cells = placed[column.name] if column.name in placed else _absent(column, placed.index)
        typed[column.name], faults = _converted(column, cells, where)
        problems += faults
    extra = placed.columns.difference([*typed, "_file", "_row", "struck_because"], sort=False)
    readings = pd.concat([pd.DataFrame(typed, index=placed.index), placed[extra]], axis=1)
    problems += _out_of_range(readings, where) + _row_faults(readings, where, known, today)
    problems += _repeats(readings, where)
    problems = list({(p.file, p.row, p.column): p for p in reversed(problems)}.values())
    if not problems:
        whole = [column.name for column in columns.COLUMNS if column.kind == "integer"]
        readings = readings.astype(dict.fromkeys(whole, "int64"))
    return readings, problems


def _absent(column, index) -> pd.Series:
    return pd.Series("" if column.kind == "text" else np.nan, index=index,
                     dtype=object if column.kind == "text" else float)


def _converted(column, cells, where) -> tuple[pd.Series, list[Problem]]:
    """Turn one column's cells into its type; a cell that cannot be turned is a fault."""
    if column.kind in ("number", "integer") and pd.api.types.is_numeric_dtype(cells):
        text, values = None, cells.to_numpy(dtype=float, na_value=np.nan)
        bad = np.isinf(values)
    elif column.kind == "date" and pd.api.types.is_datetime64_any_dtype(cells):
        text, values = None, cells.dt.tz_localize(None).dt.normalize().to_numpy("datetime64[s]")
        bad = np.zeros(len(cells), dtype=bool)
    else:
        text, values, bad = _from_text(column.kind, cells)
    if column.kind == "integer":
        # A number of this size has lost its last digits already.
        bad = bad | np.isfinite(values) & ((values != np.round(values)) | (np.abs(values) >= 2.0 ** 53))
    shown = (lambda place: as_text(cells[place])) if text is None else (lambda place: text[place])
    problems = [fault(column, where, place, shown(place), *_not_a(column, shown(place)))
                for place in _first(bad)]
    if column.required:
        empty = (values == "") if column.kind == "text" else pd.isna(values) & ~bad
        problems += [fault(column, where, place, "", "this cell is empty", column.remedy)
                     for place in _first(empty)]
    if column.kind == "text":
        return pd.Series(values, index=cells.index, dtype="str"), problems
    if bad.any():
        values = np.where(bad, np.array("NaT" if column.kind == "date" else "nan", values.dtype), values)
    return pd.Series(values, index=cells.index), problems


def as_text(cell) -> str:
    """Return a cell as stripped text; nothing, NaN and NaT are empty."""
    if isinstance(cell, str):
        return cell.strip()
    if isinstance(cell, (datetime.date, pd.Timestamp)) and not pd.isna(cell):
        return cell.isoformat()[:10]
    return "" if pd.isna(cell) else str(cell).strip()


def _from_text(kind, cells) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return a column's cells as text, as values of `kind`, and which could not be turned.

    Columns repeat themselves: each different text is turned once.
    """
    if pd.api.types.infer_dtype(cells, skipna=False) == "string":
        places, different = pd.factorize(cells.to_numpy(dtype=object), use_na_sentinel=False)
    else:
        places, different = np.arange(len(cells)), cells
    text = np.array([as_text(cell) for cell in different], dtype=object)
    values, bad = _parsed(kind, text)
    return text[places], values[places], bad[places]


def _parsed(kind, text) -> tuple[np.ndarray, np.ndarray]:
    """Return the texts as values of `kind`, and which could not be turned."""
    if kind == "text":
        bad = np.array([bool(_UNWRITABLE.search(cell)) for cell in text], dtype=bool)
        return np.array([_UNWRITABLE.sub("?", cell) for cell in text], dtype=object), bad
    filled = text != ""
    if kind == "date":
        values = np.array([_day(cell) for cell in text], dtype="datetime64[s]")
        return values, filled & np.isnat(values)
    values = np.array([float(cell) if _NUMBER.fullmatch(cell) else np.nan for cell in text], dtype=float)
    return values, filled & ~np.isfinite(values)


def _day(text) -> np.datetime64:
    """Return the day that a text in ISO 8601 names; not a time where it names none."""
    try:
        return np.datetime64(datetime.date.fromisoformat(text) if _DAY.fullmatch(text) else "NaT", "s")
    except ValueError:
        return np.datetime64("NaT", "s")


def _first(bad) -> np.ndarray:
    """Return the places of the faults that are told: one kind of fault needs no endless list."""
    return np.flatnonzero(bad)[:MOST_PROBLEMS]


def _not_a(column, value) -> tuple[str, str]:
    """Say why a cell is no number or date, and what to write instead."""
    if column.kind == "text":
        return "this cell holds a character that cannot be printed", "Type the cell again."
    if column.kind == "date":
        return "this is not a day", column.remedy
    if _NUMBER.fullmatch(value.replace(",", ".")) and "," in value:
        return "this number has a decimal comma", f"Write it with a point: {value.replace(',', '.')}."
    if column.kind == "integer" and _NUMBER.fullmatch(value):
        return "this is not a whole number", column.remedy
    return "this is not a number", column.remedy


def fault(column, where, place, value, problem, remedy) -> Problem:
    """Return the fault of one cell, with the file and row it stands in."""
    row = where["_row"][place]
    return Problem(where["_file"][place], row if pd.notna(row) else None, column.name,
                   str(value), problem, remedy)


def _out_of_range(readings, where) -> list[Problem]:
    """Check ranges and members with pandera, and turn its failures into faults."""
    try:
        _RANGES.validate(readings, lazy=True)
    except pandera.errors.SchemaErrors as failures:
        found = failures.failure_cases.drop_duplicates(["column", "index"])
        found = found.groupby("column", sort=False).head(MOST_PROBLEMS)
        return [
            fault(columns.BY_NAME[name], where, place, _plain(value),
                   f"allowed is {columns.BY_NAME[name].allowed}", columns.BY_NAME[name].remedy)
            for name, place, value in zip(found["column"], found["index"], found["failure_case"])
        ]
    return []


def _plain(value) -> str:
    return f"{value:g}" if isinstance(value, float) else as_text(value)


def _row_faults(readings, where, known, today) -> list[Problem]:
    """Check what one cell alone cannot tell: species, future days, depth against thickness."""
    by = columns.BY_NAME
    last = pd.Timestamp(today or datetime.date.today())
    strange = (readings["species"] != "") & ~readings["species"].isin(known)
    future = readings["burned_on"] > last
    through = readings["depth_mm"] >= readings["board_thickness_mm"]
    found = [fault(by["species"], where, i, readings["species"][i],
                    "this species is not in woods.csv", by["species"].remedy)
             for i in _first(strange)]
    found += [fault(by["burned_on"], where, i, f"{readings['burned_on'][i]:%Y-%m-%d}",
                     "this day lies in the future", by["burned_on"].remedy)
              for i in _first(future)]
    return found + [
        fault(by["depth_mm"], where, i, _plain(readings["depth_mm"][i]),
               f"the depth is not less than the board's {readings['board_thickness_mm'][i]:g} mm",
               "Check both; a burn right through the board has no depth.")
        for i in _first(through)]


def _repeats(readings, where) -> list[Problem]:
    """Find readings entered twice, and swatches whose rows disagree on their setting."""
    by, key = columns.BY_NAME, list(columns.READING_KEY)
    full = readings[key].notna().all(axis=1)
    twice = readings[key].duplicated() & full
    found = [fault(by["reading"], where, i, _plain(readings["reading"][i]),
                    f"burn {readings['burn'][i]}, swatch {readings['swatch'][i]} already has it",
                    "Give it the next number, or remove the row that is a copy.")
             for i in _first(twice)]
    swatches = readings.groupby(["burn", "swatch"], sort=False)
    for name in columns.SWATCH_SETTING:
        first = swatches[name].transform("first")
        other = readings[name].notna() & first.notna() & (readings[name] != first)
        found += [fault(by[name], where, i, _plain(readings[name][i]),
                         f"swatch {readings['swatch'][i]} began with {_plain(first[i])}",
                         "One swatch has one setting: correct the row, or use a new swatch id.")
                  for i in _first(other)]
    names = {burn: burn_name_fault(burn) for burn in readings["burn"].unique() if burn}
    wrong = readings["burn"].isin([burn for burn, said in names.items() if said])
    return found + [fault(by["burn"], where, i, readings["burn"][i], *names[readings["burn"][i]])
                    for i in _first(wrong)]


def burn_name_fault(burn: str) -> tuple[str, str] | None:
    """Say why a burn's id cannot name a file on every system, and what to do; None if it can."""
    if not _BURN_NAME.fullmatch(burn):
        return ("this cannot name a file",
                "Use letters, digits, spaces, points, - and _, at most 80 of them.")
    if burn.split(".")[0].strip().casefold() in _WINDOWS_DEVICES:
        return "Windows keeps this name for a device", "Use another one, e.g. burn-1."
    return None


def fingerprint(readings: pd.DataFrame) -> str:
    """Return twelve hex digits that another reading, or another value, would change.

    The order of the rows and the optional columns do not count; of a proof's readings, those
    required columns count that it has.
    """
    kept = readings[[name for name in columns.REQUIRED if name in readings]]
    kept = kept.sort_values(list(columns.READING_KEY))
    text = kept.to_csv(index=False, lineterminator="\n", date_format="%Y-%m-%d")
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:12]


def joined_marks(first: str, *others: str) -> str:
    """Return one fingerprint of several; of one alone, itself."""
    if not others:
        return first
    return hashlib.sha256(" ".join((first, *others)).encode("ascii")).hexdigest()[:12]
