"""Oracle: the reader as it was before columns were converted whole, kept as it was to compare with.

One cell after another, by Python's own csv module. Only what reads a folder of burns is here; the future day,
which was a fault then and is a remark now, is left out. Not a model of how to write it: a witness.
"""

import codecs
import csv
import datetime
import io
import itertools
import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from testburn.labbook import columns
from testburn.labbook.columns import BOARD_NAMED_NEXT, NEXT


# Of all files read together. A burn has some dozen rows of a hundred bytes: these are far off.
MOST_BYTES = 400_000_000
MOST_ROWS = 2_000_000
MOST_COLUMNS = 200
# Of one kind; a file in which everything is wrong needs no longer list.
MOST_PROBLEMS = 1000
_CHUNK_BYTES = 1 << 20
_BLOCK_ROWS = 50_000
_FORMULA = re.compile(r"'*[=+\-@\t\r]")


@dataclass(frozen=True)
class Problem:
    """One fault of a file: where it stands, what stands there, and what to do about it."""

    file: str
    row: int | None
    column: str
    value: str
    problem: str
    remedy: str


def restored(text: str) -> str:
    """Return the text as it was before `neutralised`."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


def read_files(files: list[Path], needed: tuple[str, ...],
               what: str) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the cells of all files as text, with _file and _row beside them, and every fault.

    Parameters
    ----------
    files : list of Path
    needed : tuple of str
        As in `read_rows`.
    what : str
        What a file holds, e.g. burn, for the words on an empty one.
    """
    frames, problems = [], too_large(files)
    for file in files if not problems else ():
        frame, faults = read_rows(file, needed)
        problems += faults
        if len(frame):
            frames.append(frame.assign(_file=file.name, _row=frame.index))
        elif not faults:
            problems.append(Problem(file.name, None, "", "", "the file is empty",
                                    f"Enter the {what}'s readings, or remove the file."))
    empty = pd.DataFrame(columns=[*needed, "_file", "_row"], dtype=object)
    return (pd.concat(frames, ignore_index=True) if frames else empty), problems


def too_large(files: list[Path]) -> list[Problem]:
    """Find the file with which the limits are passed; looks at sizes and line ends only."""
    total_bytes = total_rows = 0
    sizes = [file.stat().st_size if file.is_file() else 0 for file in files]
    for file, size in zip(files, sizes):
        total_bytes += size
        # No row is shorter than a byte: most lab books need no count.
        if size and sum(sizes) > MOST_ROWS and total_bytes <= MOST_BYTES:
            total_rows += _line_ends(file)
        if total_bytes > MOST_BYTES or total_rows > MOST_ROWS:
            return [Problem(file.name, None, "", f"{size / 1e6:.0f} MB",
                            f"this is too large: a lab book can hold {MOST_BYTES / 1e6:.0f} MB and "
                            f"{MOST_ROWS / 1e6:.0f} million rows in all",
                            "Move files that hold no burns elsewhere; give each burn a file of its own.")]
    return []


def _line_ends(file) -> int:
    """Count the line ends of a file, a piece at a time."""
    feeds = returns = 0
    try:
        with open(file, "rb") as content:
            while piece := content.read(_CHUNK_BYTES):
                feeds, returns = feeds + piece.count(b"\n"), returns + piece.count(b"\r")
                if max(feeds, returns) > MOST_ROWS:
                    break
    except OSError:
        return 0  # Reading it says why.
    return max(feeds, returns)


def read_rows(path: Path, needed: tuple[str, ...]) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the file's cells as text; the index is the row number a spreadsheet shows.

    Parameters
    ----------
    path : Path
    needed : tuple of str
        Columns the header must have; they tell a wrong delimiter from a wrong header.

    Returns
    -------
    DataFrame, list of Problem
        An empty frame wherever the file as a whole cannot be used.
    """
    content, problems = _content(path)
    if problems:
        return pd.DataFrame(), problems
    records = enumerate(csv.reader(_lines(content), strict=True), start=1)
    rows = ((number, cells) for number, cells in records if any(map(str.strip, cells)))
    try:
        first = next(rows, None)
        if first is None:
            return pd.DataFrame(), [Problem(path.name, None, "", "", "the file is empty",
                                            "Enter the burn's readings, or remove the file.")]
        header = [name.strip() for name in first[1]]
        if problems := _header_problems(path.name, first[0], header, needed):
            return pd.DataFrame(), problems
        return _as_frame(path.name, header, rows)
    except csv.Error as fault:
        return pd.DataFrame(), [Problem(path.name, None, "", "", f"this is not CSV: {fault}",
                                        "Save it again as CSV (comma separated, UTF-8).")]


def _lines(content: bytes) -> io.TextIOWrapper:
    """Return the lines of bytes that are UTF-8, without a second copy of them all."""
    return io.TextIOWrapper(io.BytesIO(content), encoding="utf-8-sig", newline="")


def _content(path: Path) -> tuple[bytes, list[Problem]]:
    """Return the file's bytes, or say which of them are not UTF-8 and where."""
    remedy = "Save the file as 'CSV UTF-8 (comma separated)'."
    if path.exists() and not path.is_file():
        return b"", [Problem(path.name, None, "", "", "this is not a file", "Move it elsewhere.")]
    try:
        content = path.read_bytes()
    except OSError as refusal:
        return b"", [Problem(path.name, None, "", "", f"the file cannot be read: {refusal.strerror}",
                             "Close it in other programs, or see who may read it.")]
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return b"", [Problem(path.name, None, "", "", "the file is UTF-16, not UTF-8", remedy)]
    if (nul := content.find(b"\0")) >= 0:
        return b"", [Problem(path.name, content.count(b"\n", 0, nul) + 1, "", "NUL byte",
                             "the file holds bytes that are not text", remedy)]
    decoder = codecs.getincrementaldecoder("utf-8-sig")()
    try:
        for start in range(0, len(content), _CHUNK_BYTES):
            decoder.decode(content[start:start + _CHUNK_BYTES])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return b"", _foreign_cells(path.name, content, remedy)
    return content, []


def _foreign_cells(name: str, content: bytes, remedy: str) -> list[Problem]:
    """Name every cell that is not UTF-8, shown as Windows-1252 would read it."""
    lines = io.BytesIO(content.removeprefix(b"\xef\xbb\xbf"))
    header = lines.readline().decode("cp1252", "replace").strip().split(",")
    lines.seek(0)
    found = []
    for number, line in enumerate(lines, start=1):
        if _is_utf_8(line):
            continue
        for place, cell in enumerate(line.rstrip(b"\r\n").split(b",")):
            if not _is_utf_8(cell):
                column = header[place] if place < len(header) else ""
                found.append(Problem(name, number, column, cell[:200].decode("cp1252", "replace"),
                                     "this cell is not UTF-8 (it looks like Windows-1252)", remedy))
            if len(found) >= MOST_PROBLEMS:
                return found
    return found


def _is_utf_8(content: bytes) -> bool:
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _header_problems(name, row, header, needed) -> list[Problem]:
    """Tell a wrong delimiter, a column named twice and a missing column apart."""
    if len(header) == 1:
        for mark, word in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
            if mark in header[0]:
                return [Problem(name, row, "", header[0][:60],
                                f"the columns are separated by {word}, not by commas",
                                "Save it as CSV with commas between columns and points in numbers.")]
    if len(header) > MOST_COLUMNS:
        return [Problem(name, row, "", "", f"the header names {len(header)} columns; "
                        f"at most {MOST_COLUMNS} can be read", "Remove what is no column of readings.")]
    twice = sorted({column for column in header if column and header.count(column) > 1})
    found = [Problem(name, row, column, column, "the header names this column twice",
                     "Keep one of the two columns.") for column in twice]
    return found + [Problem(name, row, column, "", "this column is missing",
                            "Add the column; the lab book's datapackage.json says what goes in it.")
                    for column in needed if column not in header]


def _as_frame(name, header, rows) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the cells as text, and a problem for each row with cells beyond the header.

    Takes a block of rows at a time, and keeps a text that a column repeats only once.
    """
    width, empty = len(header), [""] * len(header)
    problems, numbers, blocks = [], [], []
    known = [{} for _ in header]
    while block := list(itertools.islice(rows, _BLOCK_ROWS)):
        long = [(number, cells) for number, cells in block if len(cells) > width]
        problems += [Problem(name, number, "", ",".join(cells),
                             f"the row has {len(cells)} cells, the header {width}",
                             "Write numbers with a point (0.45): a comma starts a new cell.")
                     for number, cells in long[:MOST_PROBLEMS - len(problems)]]
        kept = [(number, cells) for number, cells in block if len(cells) <= width]
        numbers += [number for number, _ in kept]
        blocks.append([_cleaned(texts, cells) for texts, cells in zip(known, zip(
            *(cells if len(cells) == width else cells + empty[len(cells):] for _, cells in kept)))]
                      if kept else [])
    parts = [part for part in zip(*filter(None, blocks))] or [[np.array([], dtype=object)]] * width
    table = dict(enumerate(np.concatenate(part) for part in parts))
    frame = pd.DataFrame(table, index=numbers).set_axis(header, axis=1)
    return frame.loc[:, [column != "" for column in header]], problems


def _cleaned(known: dict, cells: tuple) -> np.ndarray:
    """Return the cells stripped and restored; `known` keeps what each text became."""
    known.update({cell: unicodedata.normalize("NFC", restored(cell.strip())) for cell in set(cells) - known.keys()})
    return np.fromiter(map(known.__getitem__, cells), dtype=object, count=len(cells))


_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
# Control characters, which could steer a terminal, and halves of characters; a cell may have lines.
_UNWRITABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")


def absent(column, index) -> pd.Series:
    """Return the empty cells of a column that a file does not have."""
    return pd.Series("" if column.kind == "text" else np.nan, index=index,
                     dtype=object if column.kind == "text" else float)


def converted(column, cells, where) -> tuple[pd.Series, list[Problem]]:
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
                for place in told(bad)]
    if column.required:
        empty = (values == "") if column.kind == "text" else pd.isna(values) & ~bad
        problems += [fault(column, where, place, "", "this cell is empty", column.remedy)
                     for place in told(empty)]
    if column.kind == "text":
        return pd.Series(values, index=cells.index, dtype="str"), problems
    if bad.any():
        values = np.where(bad, np.array("NaT" if column.kind == "date" else "nan", values.dtype), values)
    return pd.Series(values, index=cells.index), problems


def as_text(cell) -> str:
    """Return a cell as stripped text; nothing, NaN and NaT are empty."""
    if isinstance(cell, str):
        return unicodedata.normalize("NFC", cell.strip())
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


def told(bad) -> np.ndarray:
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


def plain(value) -> str:
    """Return a typed value as a maker would write it."""
    return f"{value:g}" if isinstance(value, float) else as_text(value)


def foreign_burns(text) -> list[Problem]:
    """Find rows whose burn is not the name of the file they stand in."""
    if "burn" not in text:
        return []
    stems = text["_file"].map({name: Path(name).stem for name in text["_file"].unique()})
    other = (text["burn"] != stems) & (text["burn"] != "") & text["burn"].notna()
    # One copied file is one fault, however many rows it has.
    firsts = text.loc[other, ["_file", "burn"]].drop_duplicates().index[:MOST_PROBLEMS]
    return [fault(columns.BY_NAME["burn"], text, i, text["burn"][i],
                  f"the file's name says {stems[i]}", columns.BY_NAME["burn"].remedy)
            for i in firsts]


# \w without the figures that are no digits, as ² in COM², which Windows keeps; accents that no letter holds join it.
_BURN_NAME = re.compile(r"[^\W_][\w\u0300-\u036f .-]{0,79}(?<![ .])")
_SHOWN_PROBLEMS = 200
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


def checked(placed, known) -> tuple[pd.DataFrame, list[Problem]]:
    """Type every column, then check ranges, rows and repeats; gather a fault for each bad cell."""
    where = placed[["_file", "_row"]]
    typed, problems = {}, []
    for column in columns.COLUMNS:
        cells = placed[column.name] if column.name in placed else absent(column, placed.index)
        typed[column.name], faults = converted(column, cells, where)
        problems += faults
    extra = placed.columns.difference([*typed, "_file", "_row", "struck_because"], sort=False)
    readings = pd.concat([pd.DataFrame(typed, index=placed.index), placed[extra]], axis=1)
    problems += [one for column in columns.COLUMNS for one in beyond(column, readings[column.name], where)]
    problems += _row_faults(readings, where, known)
    problems += _repeats(readings, where)
    problems = list({(p.file, p.row, p.column): p for p in reversed(problems)}.values())
    if not problems:
        whole = [column.name for column in columns.COLUMNS if column.kind == "integer"]
        readings = readings.astype(dict.fromkeys(whole, "int64"))
    return readings, problems


def beyond(column: columns.Field, values: pd.Series, where) -> list[Problem]:
    """Find typed values of one column outside what it allows; an empty cell is none."""
    if column.kind == "text":
        bad = ~values.isin(["", *column.among]) if column.among else pd.Series(False, index=values.index)
    else:
        bad = pd.Series(False, index=values.index)
        for end, over in ((column.above, np.less_equal), (column.at_least, np.less),
                          (column.at_most, np.greater)):
            if end is not None:
                bad |= over(values, end)
    return [fault(column, where, place, plain(values[place]), f"allowed is {column.allowed}", column.remedy)
            for place in told(bad)]


def _row_faults(readings, where, known) -> list[Problem]:
    """Check what one cell alone cannot tell: species, depth against thickness."""
    by = columns.BY_NAME
    strange = (readings["species"] != "") & ~readings["species"].isin(known)
    through = readings["depth_mm"] >= readings["board_thickness_mm"]
    found = [fault(by["species"], where, i, readings["species"][i],
                    "this wood is not in woods.csv", by["species"].remedy)
             for i in told(strange)]
    # Asked for by this name, a prediction would answer for the board that nobody has seen.
    found += [fault(by["board"], where, i, NEXT, BOARD_NAMED_NEXT, by["board"].remedy)
              for i in told(readings["board"] == NEXT)]
    return found + [
        fault(by["depth_mm"], where, i, plain(readings["depth_mm"][i]),
               f"the depth is not less than the board's {readings['board_thickness_mm'][i]:g} mm",
               "Check both; a burn right through the board has no depth.")
        for i in told(through)]


def _repeats(readings, where) -> list[Problem]:
    """Find readings entered twice, and swatches whose rows disagree on their setting."""
    by, key = columns.BY_NAME, list(columns.READING_KEY)
    full = readings[key].notna().all(axis=1)
    twice = readings[key].duplicated() & full
    found = [fault(by["reading"], where, i, plain(readings["reading"][i]),
                    f"burn {readings['burn'][i]}, swatch {readings['swatch'][i]} already has it",
                    "Give it the next number, or remove the row that is a copy.")
             for i in told(twice)]
    swatches = readings.groupby(["burn", "swatch"], sort=False)
    for name in columns.SWATCH_SETTING:
        first = swatches[name].transform("first")
        other = readings[name].notna() & first.notna() & (readings[name] != first)
        found += [fault(by[name], where, i, plain(readings[name][i]),
                         f"swatch {readings['swatch'][i]} began with {plain(first[i])}",
                         "One swatch has one setting: correct the row, or use a new swatch id.")
                  for i in told(other)]
    names = {burn: burn_name_fault(burn) for burn in readings["burn"].unique() if burn}
    wrong = readings["burn"].isin([burn for burn, said in names.items() if said])
    return found + [fault(by["burn"], where, i, readings["burn"][i], *names[readings["burn"][i]])
                    for i in told(wrong)]


def burn_name_fault(burn: str) -> tuple[str, str] | None:
    """Say why a burn's id cannot name a file on every system, and what to do; None if it can."""
    if not _BURN_NAME.fullmatch(burn) or any(unicodedata.category(sign) in ("No", "Nl", "Pc") and sign != "_" for sign in burn):
        return ("this cannot name a file",
                "Use letters, digits, spaces, points, - and _, at most 80 of them.")
    if burn.split(".")[0].strip().casefold() in _WINDOWS_DEVICES:
        return "Windows keeps this name for a device", "Use another one, e.g. burn-1."
    return None


def read(files: list[Path], known) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the readings of burn files, typed, and every fault."""
    text, problems = read_files(files, columns.REQUIRED, "burn")
    readings, faults = checked(text, known)
    return readings, problems + faults + foreign_burns(text)
