"""CSV text: a maker's file as a table of untouched text, or a plain word on why not.

Decides what counts as a readable file: comma-separated (RFC 4180), UTF-8 with or without a byte
order mark, one header row. Blank rows, which spreadsheets leave behind, are passed over; every row
keeps the number a spreadsheet shows for it. What was read of a small lab book is not read again in the same process
while no file of it was touched. Text that a spreadsheet would run as a formula is kept
as text and gets an apostrophe in front when written, which is taken off again when read.

Source: formula starts after "CSV Injection", OWASP Foundation (from memory): = + - @ tab return.
"""

import csv
import difflib
import io
import itertools
import os
import re
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from testburn.labbook import makerfile
from testburn.labbook.makerfile import MOST_BYTES, MOST_PROBLEMS, Problem, ReadingsError

# Of all files read together. A burn has some dozen rows of a hundred bytes: these are far off.
MOST_ROWS = 2_000_000
MOST_COLUMNS = 200
_CHUNK_BYTES = 1 << 20
_BLOCK_ROWS = 50_000
# A smaller file is read faster than pandas is called.
_FEW_BYTES = 50_000
# A lab book's tables are kept in memory up to this size, and once their files have lain still for so long: until then a
# change may bear the same time as the one before, on disks that count whole or even two seconds.
_REMEMBERED_BYTES, _SETTLED_S = 1_000_000, 3.0
_remembered: dict[tuple, tuple[list, pd.DataFrame]] = {}
# The full-width signs too: a spreadsheet takes them for the narrow ones.
_FORMULA = re.compile(r"'*[=+\-@\t\r\uff1d\uff0b\uff0d\uff20]")
_TO_CLEAN = re.compile(r"\0[\s']|\s\0")
# A quoted cell as RFC 4180 has it, and what stands around one: nothing, a comma or a line end.
_QUOTED = re.compile(rb'"[^"]*(?:""[^"]*)*"')
_ENDS = (b"", b",", b"\r", b"\n")


def neutralised(text: str) -> str:
    """Return the text with an apostrophe in front where a spreadsheet would see a formula."""
    return "'" + text if _FORMULA.match(text) else text


def restored(text: str) -> str:
    """Return the text as it was before `neutralised`."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


def remembered(what: tuple, folders: Sequence[Path], read: Callable[[], pd.DataFrame]) -> pd.DataFrame:
    """Return what `read` returns; not asked again while no file that lies in one of the folders was touched."""
    try:
        seen = [(entry.path, (known := entry.stat()).st_mtime_ns, known.st_size, entry.inode())
                for folder in folders if folder.is_dir() for entry in os.scandir(folder) if entry.is_file()]
    except OSError:  # `read` says what can be read, and what not
        return read()
    if (kept := _remembered.get(what)) and kept[0] == seen:
        return kept[1].copy()
    found = read()
    if sum(size for _, _, size, _ in seen) < _REMEMBERED_BYTES and all(
            at / 1e9 + _SETTLED_S < time.time() for _, at, _, _ in seen):
        _remembered[what] = seen, found.copy()
    return found


def read_files(files: list[Path], needed: tuple[str, ...],
               what: str) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the cells of all files as text, with _file and _row beside them, and every fault.

    Every column is categorical: it keeps each different text once, and a cell is its number.

    Parameters
    ----------
    files : list of Path
    needed : tuple of str
        As in `read_rows`.
    what : str
        What a file holds, e.g. burn, for the words on an empty one.
    """
    tables, problems = [], too_large(files)
    for file in files if not problems else ():
        table, rows, faults = _read(file, needed)
        problems += faults
        if len(rows):
            whole = {"_file": (np.zeros(len(rows), np.int32), np.array([file.name], dtype=object))}
            tables.append((table | whole, rows))
        elif not faults:
            problems.append(Problem(file.name, None, "", "", "the file is empty",
                                    f"Enter the {what}'s readings, or remove the file."))
    if not tables:
        return pd.DataFrame(columns=[*needed, "_file", "_row"], dtype=object), problems
    names = dict.fromkeys(name for table, _ in tables for name in table)
    sizes = [len(rows) for _, rows in tables]
    joined = {name: _joined([table.get(name) for table, _ in tables], sizes) for name in names}
    return pd.DataFrame(joined).assign(_row=np.concatenate([rows for _, rows in tables])), problems


def _joined(parts: list, sizes: list[int]) -> pd.Categorical:
    """Return one column of several files, each different text once; a file without it has no cells of it."""
    if len(parts) == 1:
        return pd.Categorical.from_codes(parts[0][0], pd.Index(parts[0][1], dtype=object))
    texts = [part[1] if part else np.array([], dtype=object) for part in parts]
    places, different = pd.factorize(np.concatenate(texts))
    before, codes = 0, []
    for part, found, size in zip(parts, texts, sizes):
        codes.append(places[before:][part[0]] if part else np.full(size, -1))
        before += len(found)
    return pd.Categorical.from_codes(np.concatenate(codes), pd.Index(different, dtype=object))


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


def read_rows(path: Path, needed: Sequence[str], most_bytes: int = MOST_BYTES) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the file's cells as text; the index is the row number a spreadsheet shows.

    Parameters
    ----------
    path : Path
    needed : sequence of str
        Columns the header must have; they tell a wrong delimiter from a wrong header.
    most_bytes : int
        Of a file of this kind.

    Returns
    -------
    DataFrame, list of Problem
        An empty frame wherever the file as a whole cannot be used.
    """
    table, rows, problems = _read(path, needed, most_bytes)
    frame = {name: texts[codes] for name, (codes, texts) in table.items()}
    return pd.DataFrame(frame, index=rows if frame else None), problems


def _read(path, needed, most_bytes=MOST_BYTES) -> tuple[dict, np.ndarray, list[Problem]]:
    """Return each column as (numbers of its texts, its different texts), the rows' numbers, and the faults."""
    content, problems = _content(path, most_bytes)
    if problems:
        return {}, np.array([], int), problems
    records = enumerate(csv.reader(_lines(content), strict=True), start=1)
    rows = ((number, cells) for number, cells in records if any(map(str.strip, cells)))
    try:
        first = next(rows, None)
        if first is None:
            return {}, np.array([], int), [Problem(path.name, None, "", "", "the file is empty",
                                                   "Enter the burn's readings, or remove the file.")]
        header = [name.strip() for name in first[1]]
        if problems := _header_problems(path.name, first[0], header, needed):
            return {}, np.array([], int), problems
        whole = _by_columns(content, len(header)) if first[0] == 1 and len(content) > _FEW_BYTES else None
        columns, numbers, problems = whole or _by_rows(path.name, len(header), rows)
    except csv.Error as fault:
        return {}, np.array([], int), [Problem(path.name, None, "", "", f"this is not CSV: {fault}",
                                               "Save it again as CSV (comma separated, UTF-8).")]
    return {name: _cleaned(*column) for name, column in zip(header, columns) if name}, numbers, problems


def _lines(content: bytes) -> io.TextIOWrapper:
    """Return the lines of bytes that are UTF-8, without a second copy of them all."""
    return io.TextIOWrapper(io.BytesIO(content), encoding="utf-8-sig", newline="")


def _content(path: Path, most_bytes: int) -> tuple[bytes, list[Problem]]:
    """Return the file's bytes, or say which of them are not UTF-8 and where."""
    remedy = "Save the file as 'CSV UTF-8 (comma separated)'."
    try:
        content = makerfile.content(path, most_bytes)
    except ReadingsError as refusal:
        return b"", refusal.faults
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return b"", [Problem(path.name, None, "", "", "the file is UTF-16, not UTF-8", remedy)]
    if (nul := content.find(b"\0")) >= 0:
        return b"", [Problem(path.name, content.count(b"\n", 0, nul) + 1, "", "NUL byte",
                             "the file holds bytes that are not text", remedy)]
    if fault := makerfile.line_too_long(path.name, content):
        return b"", [fault]
    if not makerfile.is_utf_8(content):
        return b"", _foreign_cells(path.name, content, remedy)
    return content, []


def _foreign_cells(name: str, content: bytes, remedy: str) -> list[Problem]:
    """Name every cell that is not UTF-8, shown as Windows-1252 would read it."""
    lines = io.BytesIO(content.removeprefix(b"\xef\xbb\xbf"))
    header = lines.readline().decode("cp1252", "replace").strip().split(",")
    lines.seek(0)
    found = []
    for number, line in enumerate(lines, start=1):
        if makerfile.is_utf_8(line):
            continue
        for place, cell in enumerate(line.rstrip(b"\r\n").split(b",")):
            if not makerfile.is_utf_8(cell):
                column = header[place] if place < len(header) else ""
                found.append(Problem(name, number, column, cell[:200].decode("cp1252", "replace"),
                                     "this cell is not UTF-8 (it looks like Windows-1252)", remedy))
            if len(found) >= MOST_PROBLEMS:
                return found
    return found


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
    return found + [Problem(name, row, column, "", "this column is missing", _where_it_may_be(column, header, needed))
                    for column in needed if column not in header]


def _where_it_may_be(column, header, needed) -> str:
    """Say which heading was probably meant to be the missing column, else where columns are described."""
    unknown = {re.sub(r"\W+", "_", other.lower()).strip("_"): other for other in header if other and other not in needed}
    near = difflib.get_close_matches(column, unknown, 1, 0.75)
    return (f"Perhaps the heading {unknown[near[0]]!r} is meant? Write it {column}." if near else
            "Add the column; the lab book's datapackage.json says what goes in it.")


def _by_columns(content: bytes, width: int) -> tuple[list, np.ndarray, list[Problem]] | None:
    """Return the columns of a file without a fault in its form; None where it must be read row by row.

    pandas and the csv module agree on what RFC 4180 allows. What else there may be (a stray quote, an old
    line end, a row too long) is left to the csv module, which says it.
    """
    content = content.removeprefix(b"\xef\xbb\xbf")
    if content.count(b"\r") != content.count(b"\r\n") or not _well_quoted(content):
        return None
    try:
        table = pd.read_csv(io.BytesIO(content), header=None, names=range(width), index_col=False, dtype="category",
                            na_filter=False, skip_blank_lines=False, low_memory=False, encoding="utf-8")
    except pd.errors.ParserError:
        return None
    columns = [(table[name].cat.codes.to_numpy()[1:], table[name].cat.categories.to_numpy(dtype=object))
               for name in table]
    if max(len(text) for _, texts in columns for text in texts) > csv.field_size_limit():
        return None
    blank = np.ones(len(table) - 1, dtype=bool)
    for codes, texts in columns:
        blank &= np.array([not text.strip() for text in texts])[codes]
        if not blank.any():
            break
    numbers = np.arange(2, len(table) + 1)
    if blank.any():
        columns, numbers = [(codes[~blank], texts) for codes, texts in columns], numbers[~blank]
    return columns, numbers, []


def _well_quoted(content: bytes) -> bool:
    """Say whether every quote belongs to a cell that is quoted as a whole."""
    left = content.count(b'"')
    for cell in _QUOTED.finditer(content):
        first, end = cell.span()
        if content[max(first - 1, 0):first] not in _ENDS or content[end:end + 1] not in _ENDS:
            return False
        left -= cell.group().count(b'"')
    return not left


def _by_rows(name, width, rows) -> tuple[list, np.ndarray, list[Problem]]:
    """Return the columns, and a problem for each row with cells beyond the header.

    Takes a block of rows at a time, and keeps a text that a column repeats only once.
    """
    empty, problems, numbers = [""] * width, [], []
    known, codes = [{} for _ in range(width)], [[np.array([], np.int64)] for _ in range(width)]
    while block := list(itertools.islice(rows, _BLOCK_ROWS)):
        long = [(number, cells) for number, cells in block if len(cells) > width]
        problems += [Problem(name, number, "", ",".join(cells),
                             f"the row has {len(cells)} cells, the header {width}",
                             "Write numbers with a point (0.45): a comma starts a new cell.")
                     for number, cells in long[:MOST_PROBLEMS - len(problems)]]
        kept = [(number, cells) for number, cells in block if len(cells) <= width]
        numbers += [number for number, _ in kept]
        for place, cells in enumerate(zip(*(cells + empty[len(cells):] for _, cells in kept))):
            texts = known[place]
            codes[place].append(np.array([texts.setdefault(cell, len(texts)) for cell in cells]))
    columns = [(np.concatenate(parts), np.array(list(texts), dtype=object)) for parts, texts in zip(codes, known)]
    return columns, np.array(numbers, int), problems


def _cleaned(codes: np.ndarray, texts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return a column with its texts stripped, restored and composed, each different one once."""
    # No cell holds NUL. Where none begins or ends with a space, may be a formula or has accents apart, nothing is to be done.
    joined = "\0".join(texts)
    if not _TO_CLEAN.search(f"\0{joined}\0") and makerfile.composed(joined) == joined:
        return codes, texts
    # The numbers in the file, not in pandas: what is not there any more is no text of the column.
    places, different = pd.factorize(np.array([makerfile.composed(restored(text.strip())) for text in texts], dtype=object))
    return places[codes], different
