"""Maker's file: which file may be opened at all, and how its faults are said.

Decides that a file somebody typed is a regular file of bounded size in UTF-8, whatever it holds: a pipe never
ends, a device never fills, a folder is no file, and none of them may keep a notebook waiting. A letter and its accent
are one sign, however a system wrote them, so that a name is one name. A fault is one
shape for every kind of file: where it stands, what stands there, what is wrong, what to do. The same fault on
many rows is one line with its rows.

Source: opening a pipe without waiting for its other end, O_NONBLOCK of open(2), POSIX.1-2017 (from memory).
"""

import codecs
import os
import re
import stat
import tomllib
import unicodedata
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from testburn.labbook.shown import harmless

MOST_BYTES = 400_000_000
# Of one line. A reading takes a hundred signs, a whole table of settings some thousand.
MOST_LINE_BYTES = 1_000_000
# A job or machine file has two thousand bytes. A name of a hundred parts is none, and costs the parser minutes.
MOST_TOML_BYTES, _MOST_TOML_LINE = 100_000, 2_000
_LONG_NAME = re.compile(r"""(?:["'\w-]+\s*\.\s*){50}""")
# Of one kind; a file in which everything is wrong needs no longer list.
MOST_PROBLEMS = 1000
_TOML_LINE = re.compile(r"line (\d+)")
# How a line goes wrong under the hand: what stands after its "=", what is wrong with it, what to write.
_SLIPS_OF_TOML = tuple((re.compile(look), problem, remedy) for look, problem, remedy in (
    (r"(?P<a>-?\d+),(?P<b>\d+)\s*(#|$)", "this number has a decimal comma", "Write it with a point: {name} = {a}.{b}"),
    (r"\[.*\b0\d", "a number begins with 0", "Write decimals with a point, [0.56, 0.61]: a comma begins the next number."),
    (r"\d{4}-\d{1,2}-\d{1,2}\s*(#|$)", "this is not a day",
     "Write the day as year-month-day with two digits each, e.g. 2026-03-14."),
    (r"(?P<a>\.\d+)\s*(#|$)", "a digit is missing before the point", "Write {name} = 0{a}"),
    (r"0+(?P<a>\d+)\s*(#|$)", "a number begins with 0", "Write {name} = {a}"),
    (r"(?P<a>-?\d+(\.\d+)?)\s*(?P<b>[a-zA-Z%°µ\"'][^#]*)", "something stands after the number",
     "Write the number alone, in the unit that the name says: {name} = {a}"),
    (r"(?i:(?P<a>true|false|yes|no))\s*(#|$)", "this is not true or false", "Write true or false, in small letters."),
    (r"(?P<a>[^\W\d_][^\"'#\[\]{}]*)", "a text needs quotes", 'Write {name} = "{a}"')))
_CHUNK_BYTES = 1 << 20
_SHOWN_LINES = 200


@dataclass(frozen=True)
class Problem:
    """One fault of a file: where it stands, what stands there, and what to do about it."""

    file: str
    row: int | None
    column: str
    value: str
    problem: str
    remedy: str


class ReadingsError(ValueError):
    """Files or tables that cannot be used; `problems` is a DataFrame with a row for every fault."""

    def __init__(self, problems: list[Problem], what: str = "the readings"):
        self.faults = ordered = sorted(problems, key=lambda p: (p.file, p.row or 0, p.column))
        self.problems = pd.DataFrame(ordered, columns=list(Problem.__dataclass_fields__))
        lines = _lines_of(ordered)
        if len(lines) > _SHOWN_LINES:
            lines[_SHOWN_LINES:] = [f"… and {len(lines) - _SHOWN_LINES} more."]
        count = "at least " * (len(ordered) >= MOST_PROBLEMS) + f"{len(ordered)} fault" + "s" * (len(ordered) > 1)
        super().__init__(f"{count} in {what}:\n" + "\n".join(lines))


def refused(name: str, value: str, problem: str, remedy: str) -> ReadingsError:
    """Return the error of a file that cannot be used as a whole."""
    return ReadingsError([Problem(name, None, "", value, problem, remedy)], name)


def content(path: str | Path, most_bytes: int = MOST_BYTES) -> bytes:
    """Return the bytes of a file that somebody typed or drew; never waits, never reads without end.

    Parameters
    ----------
    path : path
    most_bytes : int
        Of a file of this kind; a larger one is refused before it is read.

    Raises
    ------
    ReadingsError
        If it is no regular file, is too large, or the system refuses it: one fault, in words.
    """
    path = Path(path)
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with open(handle, "rb") as file:
            found = os.fstat(handle)
            if stat.S_ISREG(found.st_mode) and found.st_size <= most_bytes:
                # One byte more than it may have: it may grow while it is read.
                read = file.read(most_bytes + 1)
                if len(read) <= most_bytes:
                    return read
    except OSError as refusal:
        # Windows refuses a folder when it is opened, others when it is read.
        if path.exists() and not path.is_file():
            raise refused(path.name, "", "this is not a file", "Move it elsewhere.") from None
        raise refused(path.name, "", f"the file cannot be read: {refusal.strerror}",
                      "Close it in other programs, or see who may read it.") from None
    if not stat.S_ISREG(found.st_mode):
        raise refused(path.name, "", "this is not a file", "Move it elsewhere.")
    raise refused(path.name, f"{max(found.st_size, most_bytes + 1) / 1e6:.3g} MB",
                  f"this is too large: such a file has at most {most_bytes / 1e6:.3g} MB",
                  "Take out what does not belong in it.")


def composed(text: str) -> str:
    """Return a text with each letter and its accent as one sign (Unicode's form NFC); some systems write them as two."""
    return unicodedata.normalize("NFC", text)


def text(path: str | Path, most_bytes: int = MOST_BYTES) -> str:
    """Return the file as text, without a byte order mark; `content` says what is refused.

    Raises
    ------
    ReadingsError
        Also if it is not UTF-8, or holds a line longer than `MOST_LINE_BYTES`.
    """
    path = Path(path)
    read = content(path, most_bytes)
    if fault := line_too_long(path.name, read):
        raise ReadingsError([fault], path.name)
    if read.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise refused(path.name, "", "the file is UTF-16, not UTF-8", "Save it again as UTF-8.")
    try:
        return composed(read.decode("utf-8-sig"))
    except UnicodeDecodeError as fault:
        line = read.count(b"\n", 0, fault.start) + 1
        raise ReadingsError([Problem(path.name, line, "", read[fault.start:fault.start + 20].decode("cp1252", "replace"),
                                     "these bytes are not UTF-8", "Save it again as UTF-8.")], path.name) from None


def toml(file: str, said: str, example: str) -> dict:
    """Return what the text of a TOML 1.0 file says.

    Parameters
    ----------
    file : str
        The file's name, for the words.
    said : str
    example : str
        How a line is written, for the words on a file that is no TOML.

    Raises
    ------
    ReadingsError
        If nobody types such a line, or it is no TOML, with line and column.
    """
    for number, line in enumerate(said.splitlines(), start=1):
        if len(line) > _MOST_TOML_LINE or _LONG_NAME.search(line):
            raise ReadingsError([Problem(file, number, "", line[:40], "nobody types such a line",
                                         "Take out what does not belong in it.")], file)
    try:
        return tomllib.loads(said)
    except RecursionError:
        raise refused(file, "", "brackets stand in brackets too many times over",
                      "Take out what does not belong in it.") from None
    except ValueError as fault:
        line, twice = _TOML_LINE.search(str(fault)), "overwrite a value" in str(fault)
        wrong = ("a name stands twice", "Keep one of the two lines.") if twice else None
        shown = "" if twice or not line else said.splitlines()[int(line[1]) - 1].strip()
        problem, remedy = wrong or _meant(shown) or (f"this is no TOML: {fault}", example)
        raise ReadingsError([Problem(file, int(line[1]) if line else None, "", shown, problem, remedy)], file) from None


def _meant(line: str) -> tuple[str, str] | None:
    """Say what is wrong with a line that is no TOML, and what it was probably meant to be; None where nothing is known."""
    name, value = (part.strip() for part in line.partition("=")[::2])
    for look, problem, remedy in _SLIPS_OF_TOML:
        if value and (found := look.match(value)):
            return problem, remedy.format(name=name, **{key: part.strip() for key, part in found.groupdict("").items()})
    return None


def line_too_long(name: str, read: bytes) -> Problem | None:
    """Return the fault of the first line longer than any that is typed; mostly there is none."""
    if len(read) <= MOST_LINE_BYTES:
        return None
    start, number = 0, 1
    while len(read) - start > MOST_LINE_BYTES:
        # Only the last line end within reach is looked for: one step a million bytes.
        end = max(read.rfind(b"\n", start, start + MOST_LINE_BYTES + 1), read.rfind(b"\r", start, start + MOST_LINE_BYTES + 1))
        if end < 0:
            number += read.count(b"\n", 0, start)
            return Problem(name, number, "", read[start:start + 40].decode("utf-8", "replace"),
                           f"this line is longer than {MOST_LINE_BYTES / 1e6:g} million bytes",
                           "Take out what does not belong in it.")
        start = end + 1
    return None


def is_utf_8(read: bytes) -> bool:
    """Say whether bytes are UTF-8, a piece at a time: no second copy of a large file."""
    decoder = codecs.getincrementaldecoder("utf-8-sig")()
    try:
        for start in range(0, len(read), _CHUNK_BYTES):
            decoder.decode(read[start:start + _CHUNK_BYTES])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def told(bad) -> np.ndarray:
    """Return the places of the faults that are told: one kind of fault needs no endless list."""
    return np.flatnonzero(bad)[:MOST_PROBLEMS]


def _lines_of(faults: list[Problem]) -> list[str]:
    """Say every fault, the same one on many rows in one line, in the order of the first."""
    same: dict[tuple, list] = {}
    for fault in faults:
        alike = (fault.file, fault.column, fault.value, fault.problem, fault.remedy)
        same.setdefault(alike, []).append(fault.row)
    return [_worded(*alike, rows) for alike, rows in same.items()]


def _worded(file, column, value, problem, remedy, rows) -> str:
    """Say one fault in one line; long or unprintable text is cut short and escaped."""
    row, key = ("line", "") if file.endswith(".toml") else ("row", "column ")
    place = [_short(file) or "table"]
    place += [_rows(rows, row)] if rows[0] is not None else []
    place += [f"{key}{_short(column)}"] if column else []
    place += [f"value {_short(value)!r}"] if value else []
    said = f"{', '.join(place)}: {_short(problem, 300)}. {remedy}".rstrip()
    return "  " + harmless(said).replace("\n", "\\n")


def _rows(rows: list, word: str) -> str:
    """Name rows as a maker would: row 3, rows 12 to 48, rows 3, 5 and 12 to 48."""
    if not all(isinstance(row, (int, np.integer)) for row in rows):
        return f"{word} {rows[0]}" if len(rows) == 1 else f"{word}s {_short(', '.join(map(str, rows)))}"
    spans: list[list] = []
    for row in sorted(set(rows)):
        if spans and row == spans[-1][1] + 1:
            spans[-1][1] = row
        else:
            spans.append([row, row])
    parts = [f"{first}" if first == last else f"{first} to {last}" if last > first + 1 else f"{first}, {last}"
             for first, last in spans]
    more = f" and {len(parts) - 12} more places" if len(parts) > 12 else ""
    return f"{word}{'s' * (len(rows) > 1)} " + ", ".join(parts[:12]) + more


def _short(text: str, signs: int = 60) -> str:
    return text if len(text) <= signs else text[:signs - 3] + "…"
