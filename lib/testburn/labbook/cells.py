"""Cells: how a cell of a file becomes a value, and a value a cell again.

Decides what text is a number, a whole number, a day or a text, and what is said of one that is not; and how
a value is written: shortest exact numbers, ISO 8601 days, formulas disarmed. Turning text into numbers is
ours, because a coercing library takes "nan" and "1_000" for numbers and has no word for a decimal comma.
A column is turned as a whole; each different text in it is looked at once.
"""

import csv
import datetime
import io
import re
from pathlib import Path

import numpy as np
import pandas as pd

from testburn.labbook import csvfile
from testburn.labbook.columns import Field
from testburn.labbook.makerfile import Problem, composed, told

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_MOST_BYTES = 1_000_000          # of a small file: thousands of rows
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
# Control characters and direction marks, which could steer a terminal, and halves of characters; a cell may have lines.
UNWRITABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


def absent(column, index) -> pd.Series:
    """Return the empty cells of a column that a file does not have."""
    return pd.Series("" if column.kind == "text" else np.nan, index=index,
                     dtype=object if column.kind == "text" else float)


def typed_table(fields: tuple[Field, ...], placed: pd.DataFrame) -> tuple[pd.DataFrame, list[Problem]]:
    """Return a table's cells as what its fields ask for, and every cell that is not.

    Parameters
    ----------
    fields : tuple of Field
    placed : DataFrame
        As text or typed, with _file and _row; a column that is not there is empty.
    """
    where = placed[["_file", "_row"]]
    typed, problems = {}, []
    for column in fields:
        cells = placed[column.name] if column.name in placed else absent(column, placed.index)
        typed[column.name], faults = converted(column, cells, where)
        problems += faults
    for column in fields:
        problems += beyond(column, typed[column.name], where)
    return pd.DataFrame(typed, index=placed.index), problems


def typed_file(file: Path, fields: tuple[Field, ...]) -> tuple[pd.DataFrame, list[Problem]]:
    """Return a small file of the lab book, typed, by the rows a spreadsheet shows, and its faults; one that is not there is empty."""
    text, problems = _rows(file, fields)
    table, faults = typed_table(fields, text.assign(_file=file.name, _row=text.index).reset_index(drop=True))
    return table.set_axis(text.index), problems + faults


def text_of(file: Path, fields: tuple[Field, ...]) -> pd.DataFrame:
    """Return a sound small file's cells as they stand, those columns too that a maker put beside ours: they are written back."""
    return _rows(file, fields)[0].astype(object)


def _rows(file, fields) -> tuple[pd.DataFrame, list[Problem]]:
    names, found, problems = [field.name for field in fields], pd.DataFrame(dtype=object), []
    if file.exists():
        found, problems = csvfile.read_rows(file, [field.name for field in fields if field.required], _MOST_BYTES)
    return found.reindex(columns=[*found, *(name for name in names if name not in found)], fill_value=""), problems


def beyond(column: Field, values: pd.Series, where) -> list[Problem]:
    """Find typed values of one column outside what it allows; an empty cell is none."""
    if column.kind == "text":
        bad = ~values.isin(["", *column.among]).to_numpy() if column.among else np.zeros(len(values), bool)
    else:
        bad, found = np.zeros(len(values), bool), values.to_numpy()
        for end, over in ((column.above, np.less_equal), (column.at_least, np.less),
                          (column.at_most, np.greater)):
            if end is not None:
                bad |= over(found, end)
    return [fault(column, where, place, plain(values[place]), f"allowed is {column.allowed}", column.remedy)
            for place in told(bad)]


def converted(column, cells, where) -> tuple[pd.Series, list[Problem]]:
    """Turn one column's cells into its type; a cell that cannot be turned is a fault."""
    if column.kind in ("number", "integer") and pd.api.types.is_numeric_dtype(cells):
        places, text, values = slice(None), None, cells.to_numpy(dtype=float, na_value=np.nan)
        bad = np.isinf(values)
    elif column.kind == "date" and pd.api.types.is_datetime64_any_dtype(cells):
        places, text = slice(None), None
        values = cells.dt.tz_localize(None).dt.normalize().to_numpy("datetime64[s]")
        bad = np.zeros(len(cells), dtype=bool)
    else:
        places, text = _different(cells)
        values, bad = _parsed(column.kind, text)
    if column.kind == "integer":
        # A number of this size has lost its last digits already.
        bad = bad | np.isfinite(values) & ((values != np.round(values)) | (np.abs(values) >= 2.0 ** 53))
    shown = (lambda place: as_text(cells[place])) if text is None else (lambda place: text[places[place]])
    problems = [fault(column, where, place, shown(place), *_not_a(column, shown(place)))
                for place in told(bad[places])]
    if column.required:
        empty = (values == "") if column.kind == "text" else pd.isna(values) & ~bad
        problems += [fault(column, where, place, "", "this cell is empty", column.remedy)
                     for place in told(empty[places])]
    if column.kind == "text":
        return pd.Series(pd.array(values, dtype="str").take(places), index=cells.index), problems
    if bad.any():
        values = np.where(bad, np.array("NaT" if column.kind == "date" else "nan", values.dtype), values)
    return pd.Series(values[places], index=cells.index), problems


def as_text(cell) -> str:
    """Return a cell as stripped text; nothing, NaN and NaT are empty."""
    if isinstance(cell, str):
        return composed(cell.strip())
    if isinstance(cell, (datetime.date, pd.Timestamp)) and not pd.isna(cell):
        return cell.isoformat()[:10]
    return "" if pd.isna(cell) else str(cell).strip()


def _different(cells) -> tuple[np.ndarray, np.ndarray]:
    """Return which of the column's different texts each cell is, and those texts.

    Columns repeat themselves: each different text is turned once.
    """
    if isinstance(cells.dtype, pd.CategoricalDtype):
        # As `csvfile.read_files` gives them, cleaned; the last stands for no cell at all, number -1.
        codes, texts = cells.cat.codes.to_numpy(), np.append(cells.cat.categories.to_numpy(object), "")
        return np.where(codes < 0, len(texts) - 1, codes), texts
    if pd.api.types.infer_dtype(cells, skipna=False) == "string":
        places, different = pd.factorize(cells.to_numpy(dtype=object), use_na_sentinel=False)
    else:
        places, different = np.arange(len(cells)), cells
    return places, np.array([as_text(cell) for cell in different], dtype=object)


def _parsed(kind, text) -> tuple[np.ndarray, np.ndarray]:
    """Return the texts as values of `kind`, and which could not be turned."""
    if kind == "text":
        # Looked through at once: one that cannot be printed is rare.
        if not UNWRITABLE.search("".join(text)):
            return text, np.zeros(len(text), dtype=bool)
        bad = np.array([bool(UNWRITABLE.search(cell)) for cell in text], dtype=bool)
        return np.array([UNWRITABLE.sub("?", cell) for cell in text], dtype=object), bad
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


def plain(value) -> str:
    """Return a typed value as a maker would write it."""
    return f"{value:g}" if isinstance(value, float) else as_text(value)


def as_csv(frame: pd.DataFrame, names: list[str]) -> bytes:
    """Return the named columns as CSV (RFC 4180, UTF-8)."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(names)
    writer.writerows(zip(*(_column(frame[name]) for name in names)))
    return out.getvalue().encode("utf-8")


def _column(cells) -> list[str]:
    """Return a column's cells as they are written; a text that repeats is looked at once."""
    if not pd.api.types.is_string_dtype(cells):
        return cells.map(_written).tolist()
    written = {cell: _written(cell) for cell in cells.unique()}
    return [written[cell] for cell in cells]


def _written(cell) -> str:
    """Return a cell as it is written: shortest exact numbers, ISO days, formulas disarmed."""
    if isinstance(cell, float):
        return "" if np.isnan(cell) else repr(cell).removesuffix(".0")
    text = as_text(cell)
    return csvfile.neutralised(text) if isinstance(cell, str) else text
