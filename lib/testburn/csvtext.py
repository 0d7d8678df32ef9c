"""CSV text: a maker's file as a table of untouched text, or a plain word on why not.

Decides what counts as a readable file: comma-separated (RFC 4180), UTF-8 with or without a byte
order mark, one header row. Blank rows, which spreadsheets leave behind, are passed over; every row
keeps the number a spreadsheet shows for it. Text that a spreadsheet would run as a formula is kept
as text and gets an apostrophe in front when written, which is taken off again when read.

Source: formula starts after "CSV Injection", OWASP Foundation (from memory): = + - @ tab return.
"""

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

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
    text, problems = _decoded(path)
    if problems:
        return pd.DataFrame(), problems
    try:
        records = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except csv.Error as fault:
        return pd.DataFrame(), [Problem(path.name, None, "", "", f"this is not CSV: {fault}",
                                        "Save it again as CSV (comma separated, UTF-8).")]
    rows = [(number, cells) for number, cells in enumerate(records, start=1)
            if any(cell.strip() for cell in cells)]
    if not rows:
        return pd.DataFrame(), [Problem(path.name, None, "", "", "the file is empty",
                                        "Enter the burn's readings, or remove the file.")]
    header = [name.strip() for name in rows[0][1]]
    if problems := _header_problems(path.name, rows[0][0], header, needed):
        return pd.DataFrame(), problems
    return _as_frame(path.name, header, rows[1:])


def _decoded(path: Path) -> tuple[str, list[Problem]]:
    """Return the file's text, or say which bytes are not UTF-8 and where."""
    content = path.read_bytes()
    remedy = "Save the file as 'CSV UTF-8 (comma separated)'."
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "", [Problem(path.name, None, "", "", "the file is UTF-16, not UTF-8", remedy)]
    if (nul := content.find(b"\0")) >= 0:
        return "", [Problem(path.name, content.count(b"\n", 0, nul) + 1, "", "NUL byte",
                            "the file holds bytes that are not text", remedy)]
    try:
        return content.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        return "", _foreign_cells(path.name, content, remedy)


def _foreign_cells(name: str, content: bytes, remedy: str) -> list[Problem]:
    """Name every cell that is not UTF-8, shown as Windows-1252 would read it."""
    lines = content.removeprefix(b"\xef\xbb\xbf").split(b"\n")
    header = lines[0].decode("cp1252", "replace").strip().split(",")
    found = []
    for number, line in enumerate(lines, start=1):
        for place, cell in enumerate(line.rstrip(b"\r").split(b",")):
            try:
                cell.decode("utf-8")
            except UnicodeDecodeError:
                column = header[place] if place < len(header) else ""
                found.append(Problem(name, number, column, cell.decode("cp1252", "replace"),
                                     "this cell is not UTF-8 (it looks like Windows-1252)", remedy))
    return found


def _header_problems(name, row, header, needed) -> list[Problem]:
    """Tell a wrong delimiter, a column named twice and a missing column apart."""
    if len(header) == 1:
        for mark, word in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
            if mark in header[0]:
                return [Problem(name, row, "", header[0][:60],
                                f"the columns are separated by {word}, not by commas",
                                "Save it as CSV with commas between columns and points in numbers.")]
    twice = sorted({column for column in header if column and header.count(column) > 1})
    found = [Problem(name, row, column, column, "the header names this column twice",
                     "Keep one of the two columns.") for column in twice]
    return found + [Problem(name, row, column, "", "this column is missing",
                            "Add the column; the lab book's datapackage.json says what goes in it.")
                    for column in needed if column not in header]


def _as_frame(name, header, rows) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the cells as text, and a problem for each row with cells beyond the header."""
    width = len(header)
    problems = [
        Problem(name, number, "", ",".join(cells),
                f"the row has {len(cells)} cells, the header {width}",
                "Write numbers with a point (0.45): a comma starts a new cell.")
        for number, cells in rows if len(cells) > width
    ]
    kept = {number: [restored(cell.strip()) for cell in cells + [""] * (width - len(cells))]
            for number, cells in rows if len(cells) <= width}
    frame = pd.DataFrame.from_dict(kept, orient="index", columns=header, dtype=object)
    return frame.loc[:, [column != "" for column in header]], problems
