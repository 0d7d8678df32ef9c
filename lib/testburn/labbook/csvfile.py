"""CSV text: a maker's file as a table of untouched text, or a plain word on why not.

Decides what counts as a readable file: comma-separated (RFC 4180), UTF-8 with or without a byte
order mark, one header row. Blank rows, which spreadsheets leave behind, are passed over; every row
keeps the number a spreadsheet shows for it. Text that a spreadsheet would run as a formula is kept
as text and gets an apostrophe in front when written, which is taken off again when read.

Source: formula starts after "CSV Injection", OWASP Foundation (from memory): = + - @ tab return.
"""

import codecs
import csv
import io
import itertools
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

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


def neutralised(text: str) -> str:
    """Return the text with an apostrophe in front where a spreadsheet would see a formula."""
    return "'" + text if _FORMULA.match(text) else text


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
    known.update({cell: restored(cell.strip()) for cell in set(cells) - known.keys()})
    return np.fromiter(map(known.__getitem__, cells), dtype=object, count=len(cells))
