"""Journal: every cell of a burn is on the disk the moment it is accepted, long before the burn is saved.

Decides how a half-entered burn survives a crash, a closed tab or a restarted kernel: each accepted
cell is one line of JSON appended to journal/<draft>.jsonl in the lab book and forced to the disk
before anything else happens. A line that a crash tore is no cell. Nothing typed is ever deleted: the
journal of a burn that was saved moves to journal/saved/, of one put away to journal/put-away/.

One draft has one owner, whatever number of windows show it. A window that goes on with a draft writes its mark
beside the journal and locks a file of that mark as long as its kernel lives; another window may take the draft over,
and the first sees that the mark is no longer its own before it writes the next cell.

Source: a lock that the system gives back when its process ends (filelock; flock(2), LockFileEx, from memory).
"""

import datetime
import json
import os
import secrets
from pathlib import Path

import filelock
import pandas as pd

from testburn.labbook import files
from testburn.labbook.files import NotWritten
from testburn.labbook.files import burn_name_fault

__all__ = ["Hold", "NotWritten", "close", "drafts", "elsewhere", "last_saved", "record", "replay"]

def record(book: str | Path, draft: str, cell: str, value: str) -> None:
    """Append one accepted cell; when this returns, it is on the disk.

    Parameters
    ----------
    book : path
        The lab book.
    draft : str
        The draft's name: letters, digits, spaces, points, - and _.
    cell, value : str
        Which cell, and what was typed there.

    Raises
    ------
    NotWritten
        If the disk refuses it, or a link leads outside the lab book.
    ValueError
        If the draft's name cannot name a file.
    """
    book, file = Path(book), _file(book, draft)
    now = datetime.datetime.now().astimezone().isoformat(timespec="milliseconds")
    line = json.dumps({"at": now, "cell": str(cell), "value": str(value)}).encode("ascii") + b"\n"
    with files.in_words(f"The journal {file.name}"):
        files.make_folder(book, file.parent)
        files.inside(book, file)
        new = not file.exists()
        # Unbuffered: one line is one write, at the end, whoever else writes.
        with open(file, "a+b", buffering=0) as journal:
            size = journal.seek(0, os.SEEK_END)
            if size and journal.seek(size - 1) >= 0 and journal.read(1) != b"\n":
                line = b"\n" + line
            while line:
                line = line[journal.write(line):]
            os.fsync(journal.fileno())
        if new:
            files.on_disk(file.parent)


def replay(book: str | Path, draft: str) -> dict[str, str]:
    """Return each cell of a draft with the value that was accepted last; empty if there is none."""
    return {entry["cell"]: entry["value"] for entry in _entries(_file(Path(book), draft))}


def last_saved(book: str | Path) -> dict[str, str]:
    """Return each cell of the draft that was saved last; empty if there is none."""
    files_of = sorted((Path(book) / "journal" / "saved").glob("*.jsonl"), key=lambda file: (file.stat().st_mtime_ns, file.name))
    return {entry["cell"]: entry["value"] for entry in _entries(files_of[-1])} if files_of else {}


def drafts(book: str | Path) -> pd.DataFrame:
    """Return the unfinished drafts, newest first: draft, started (time of the first cell), cells."""
    rows = []
    for file in (Path(book) / "journal").glob("*.jsonl"):
        if not burn_name_fault(file.stem) and (entries := _entries(file)):
            rows.append((file.stem, pd.Timestamp(entries[0]["at"]).tz_convert("UTC"),
                         len({entry["cell"] for entry in entries})))
    found = pd.DataFrame(rows, columns=["draft", "started", "cells"])
    found = found.astype({"started": "datetime64[ms, UTC]", "draft": object, "cells": int})
    return found.sort_values(["started", "draft"], ascending=False, ignore_index=True)


def close(book: str | Path, draft: str, into: str = "saved") -> None:
    """Move the journal of a draft that was saved to journal/saved/; without a journal, nothing.

    One that was put away unsaved goes into another folder, so that it can be told apart.

    Raises
    ------
    NotWritten
        If the disk refuses it.
    """
    book, file = Path(book), _file(Path(book), draft)
    if not file.exists():
        return
    with files.locked(book), files.in_words(f"The journal {file.name}"):
        saved, number = file.parent / into, 1
        files.make_folder(book, saved)
        target = saved / file.name
        while target.exists():
            number += 1
            target = saved / f"{draft} ({number}).jsonl"
        os.rename(file, target)
        files.on_disk(saved)
        files.on_disk(file.parent)


def _file(book, draft) -> Path:
    if fault := burn_name_fault(draft):
        raise ValueError(f"Draft {draft[:60]!r}: {fault[0]}. {fault[1]}")
    return book / "journal" / f"{draft}.jsonl"


def _entries(file) -> list[dict]:
    """Return the whole lines of a journal; what a crash tore, or was never one, is passed over."""
    found = []
    if not file.is_file():
        return found
    for line in file.read_bytes().splitlines():
        try:
            entry = json.loads(line)
            pd.Timestamp(entry["at"]).tz_convert("UTC")
        except (ValueError, TypeError, KeyError, RecursionError):
            continue
        if isinstance(entry["cell"], str) and isinstance(entry["value"], str):
            found.append(entry)
    return found


class Hold:
    """One window's hold on a draft of a lab book; `still` says whether it has it yet."""

    def __init__(self, book: str | Path, draft: str):
        self._mark, self._file = secrets.token_hex(8), _mark_file(Path(book), draft)
        with files.in_words(f"The draft {draft}"):
            self._begin(Path(book))

    def _begin(self, book: Path) -> None:
        files.make_folder(book, self._file.parent)
        self._lock = filelock.FileLock(_lock_file(self._file, self._mark), timeout=0)
        self._lock.acquire()
        self._file.write_text(json.dumps({"mark": self._mark, "process": os.getpid()}), encoding="utf-8")

    def still(self) -> bool:
        """Return whether no other window has taken the draft over or put it away."""
        return _owner(self._file).get("mark") == self._mark

    def let_go(self) -> None:
        """Give the draft up; where another window has it, its mark stays."""
        if self.still():
            self._file.unlink(missing_ok=True)
        self._lock.release()
        Path(self._lock.lock_file).unlink(missing_ok=True)


def elsewhere(book: str | Path, draft: str) -> bool:
    """Return whether a window of another kernel, one that still lives, has the draft."""
    file = _mark_file(Path(book), draft)
    owner = _owner(file)
    if not owner or owner["process"] == os.getpid():
        return False
    lock_file = _lock_file(file, owner["mark"])
    if not lock_file.exists():
        return False
    lock = filelock.FileLock(lock_file, timeout=0)
    try:
        lock.acquire()
    except filelock.Timeout:
        return True
    lock.release()
    lock_file.unlink(missing_ok=True)
    return False


def _mark_file(book: Path, draft: str) -> Path:
    return book / "journal" / f"{draft}.owner"


def _lock_file(file: Path, mark: str) -> Path:
    return file.with_name(f".{file.stem}-{mark}.lock")


def _owner(file: Path) -> dict:
    """Return mark and process of the owner; nothing where there is none, or its file is torn."""
    try:
        said = json.loads(file.read_text(encoding="utf-8"))
        return {"mark": str(said["mark"]), "process": int(said["process"])}
    except (OSError, ValueError, KeyError, TypeError):
        return {}
