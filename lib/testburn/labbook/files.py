"""Files: where a lab book's files are, and how one is written so that nothing that was there is lost.

Decides which folder is the book and which its burns, that b01.csv and B01.CSV are one file, that what systems
and spreadsheets leave beside the burns is no burn, that a burn's file bears the burn's name, and which names a
file can bear on every system: letters of any script are among them. Decides the book's format too: a book without a
number is of the first, one written by a newer version is refused before anything of it is read wrongly.

Decides that a file is there whole or not at all, also when the power fails: it is written beside
its place under another name, forced to the disk, and then takes its place in one step. Writers wait
for each other behind one lock for the whole lab book. Nothing is written outside the lab book, a
file open in a spreadsheet is left alone, and a disk that refuses is said in words.

Sources: the lab book is described by its datapackage.json, a Data Package (version 2); `format` is a property of
ours. A file and the folder that names it must both be forced to the disk: fsync(2), Linux manual
pages (from memory). The names of spreadsheets' own lock files are common knowledge, no source.
"""

import contextlib
import errno
import hashlib
import json
import os
import secrets
import unicodedata
from pathlib import Path

import filelock
import pandas as pd

from testburn.labbook import columns, makerfile
from testburn.labbook.cells import as_csv, text_of, typed_file, typed_table

LOCK = ".testburn.lock"
WAIT_S = 30.0
_PART = ".testburn-*.part"
_IN_WORDS = {
    errno.ENOSPC: "the disk is full. Make room on it",
    errno.EDQUOT: "your share of the disk is full. Make room on it",
    errno.EFBIG: "the file would be larger than is allowed here. Make room for it",
    errno.EROFS: "the disk can only be read. Use a folder that you may write to",
    errno.EACCES: "you may not write there, or another program holds the file open. Close it there, or use a folder "
                  "that you may write to",
    errno.EPERM: "you may not write there. Use a folder that you may write to",
    errno.ENAMETOOLONG: "the name is too long. Use a shorter one",
}

# Letters of any script, accents that stand as signs of their own, and digits: no system refuses these.
_NAME_SIGNS, _NAME_BYTES, _IN_NAMES = 80, 200, " ._-"
# Names that Windows opens as a device instead of a file, whatever follows a point (from memory).
_WINDOWS_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}
_PACKAGE, _MOST_BYTES = "datapackage.json", 1_000_000


class NotWritten(OSError):
    """The lab book could not be written and is as it was; the message says why, and what to do."""


@contextlib.contextmanager
def locked(book: Path):
    """Hold the lab book's lock: one writer at a time, in every kernel and process.

    Raises
    ------
    NotWritten
        If another writer keeps the lock longer than `WAIT_S`, or there can be no lock.
    """
    inside(book, book / LOCK)
    with in_words(f"The lab book {book}"):
        book.mkdir(parents=True, exist_ok=True)
        try:
            lock = filelock.FileLock(book / LOCK, timeout=WAIT_S)
            lock.acquire()
        except filelock.Timeout:
            raise NotWritten(f"The lab book {book} was not changed: another notebook has been writing to it for {WAIT_S:g} s. "
                             "Wait for it, or restart its kernel; then try again.") from None
        except NotImplementedError:
            raise NotWritten(f"The lab book {book} was not changed: its disk cannot lock a file. Move it to a disk of this "
                             "computer.") from None
    try:
        yield
    finally:
        lock.release()


@contextlib.contextmanager
def in_words(what: str):
    """Turn the system's refusal into a sentence; `what` is what was not written."""
    try:
        yield
    except (NotWritten, FileExistsError, filelock.Timeout):
        raise
    except OSError as refusal:
        why = _IN_WORDS.get(refusal.errno, f"{refusal.strerror or refusal}. Mend that")
        worded = NotWritten(f"{what} was not changed: {why}; then try again.")
        worded.errno = refusal.errno
        raise worded from refusal


def inside(book: Path, path: Path) -> Path:
    """Return `path`, once it is certain that writing there stays inside the lab book.

    Raises
    ------
    NotWritten
        If a link on the way leads outside the book, or the file itself is a link.
    """
    if path.is_symlink():
        raise NotWritten(f"{path} is a link to another file, so it was not changed. Put the file itself in its place.")
    home, real = Path(os.path.realpath(book)), Path(os.path.realpath(path))
    if real != home and home not in real.parents:
        raise NotWritten(f"{path} was not changed: a link leads outside the lab book, to {real}. Put the folder itself in its place.")
    return path


def left_alone_by_spreadsheets(path: Path) -> Path:
    """Return `path`, once it is certain that no spreadsheet program has it open.

    Raises
    ------
    NotWritten
        If the mark that a spreadsheet program puts beside an open file is there.
    """
    for mark in (path.with_name(f".~lock.{path.name}#"), path.with_name(f"~${path.name}")):
        if mark.exists():
            raise NotWritten(f"{path.name} was not changed: it is open in a spreadsheet program. Close "
                             f"it there; then try again. If it is not open, remove the file {mark}.")
    return path


def replace_whole(book: Path, target: Path, content: bytes, still=None) -> None:
    """Put `content` in the place of the file, whole or not at all. The lock must be held.

    Parameters
    ----------
    book, target : Path
    content : bytes
    still : callable, optional
        Called when all is ready, the last moment to object by raising.
    """
    with in_words(target.name), _part(book, target, content) as part:
        if still is not None:
            still()
        os.replace(part, target)


def add_whole(book: Path, target: Path, content: bytes) -> None:
    """Put a new file in its place, whole or not at all. The lock must be held.

    Raises
    ------
    FileExistsError
        If a file of that name is there: one step both looks and places.
    """
    with in_words(target.name), _part(book, target, content) as part:
        try:
            # A second name for the same file; unlike a rename it never takes another's place.
            os.link(part, target)
        except FileExistsError:
            raise
        except OSError:
            # Not every disk knows second names.
            if target.exists():
                raise FileExistsError(errno.EEXIST, "is there", str(target)) from None
            os.replace(part, target)


def put(path: Path, content: bytes) -> Path:
    """Put a page or a plan, which lies outside every lab book, in its place whole or not at all.

    It is written beside its place, on the same disk, so that what was there survives every fault.

    Raises
    ------
    PermissionError
        The file cannot be replaced, mostly because a viewer holds it open.
    NotWritten
        The disk refuses it, e.g. because it is full.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with _beside(path, content) as part:
            os.replace(part, path)
    except PermissionError as refusal:
        raise PermissionError(f"{path} cannot be replaced. Close it in the program that shows it, or see whether "
                              "you may write to its folder; then try again.") from refusal
    except OSError as refusal:
        with in_words(str(path)):
            raise refusal
    return path


@contextlib.contextmanager
def _part(book, target, content):
    """Write `content` beside the target inside the book; the lock must be held."""
    inside(book, target)
    make_folder(book, target.parent)
    for left in target.parent.glob(_PART):
        # Behind the lock there is no other writer: this one was killed.
        left.unlink(missing_ok=True)
    with _beside(target, content) as part:
        yield part


@contextlib.contextmanager
def _beside(target, content):
    """Write `content` beside the target, on the disk for certain; take away what is left after."""
    part = target.with_name(f".testburn-{secrets.token_hex(8)}.part")
    try:
        with open(part, "xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        yield part
        part.unlink(missing_ok=True)
        on_disk(target.parent)
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def make_folder(book: Path, folder: Path) -> None:
    """Make a folder inside the lab book, on the disk for certain."""
    inside(book, folder)
    if not folder.is_dir():
        make_folder(book, folder.parent) if folder != book else folder.parent.mkdir(parents=True, exist_ok=True)
        folder.mkdir(exist_ok=True)
        on_disk(folder.parent)


def on_disk(folder: Path) -> None:
    """Force a folder's list of names to the disk, where the system can (Windows does by itself)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as refusal:
        if refusal.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(handle)


def mark(content: bytes) -> str:
    """Return sixteen hex digits that any change to a file's content would change."""
    return hashlib.sha256(content).hexdigest()[:16]


def unchanged(file: Path, seen: str) -> bytes:
    """Return the file's bytes if their mark is the one that was seen.

    Raises
    ------
    NotWritten
        If somebody else changed it.
    """
    content = file.read_bytes()
    if mark(content) != seen:
        raise NotWritten(f"{file.name} was not changed: somebody else changed it since you opened it. Open it again and make your "
                         "change once more.")
    return content


def put_back(book: Path, file: Path, content) -> None:
    """Put what `content()` returns in a file's place, or make it. The lock must be held.

    What somebody else wrote meanwhile, past the lock, is not overwritten.
    """
    left_alone_by_spreadsheets(file)
    seen = mark(file.read_bytes()) if file.exists() else ""
    if seen:
        replace_whole(book, file, content(), still=lambda: unchanged(file, seen))
    else:
        add_whole(book, file, content())


def keep_version(book: Path, folder: Path, suffix: str, content: bytes) -> None:
    """Keep a file as it was in a folder under the next number, unless the last number is the same. The lock must be held."""
    last = max((int(file.stem) for file in folder.glob(f"*{suffix}") if file.stem.isdecimal()), default=0)
    if not last or (folder / f"{last}{suffix}").read_bytes() != content:
        add_whole(book, folder / f"{last + 1}{suffix}", content)


def add_row(file: Path, fields: tuple[columns.Field, ...], *rows: dict) -> Path:
    """Add rows to a small file of a lab book, whole or not at all; they are checked before; return the file's path.

    Raises
    ------
    ReadingsError
        If a row, or what the file holds, is at fault.
    NotWritten
        If the file is open in a spreadsheet, or the disk refuses it.
    """
    with locked(file.parent):
        return append(file, fields, *rows)


def append(file: Path, fields: tuple[columns.Field, ...], *rows: dict, new_format: bool = True) -> Path:
    """Add rows as `add_row` does. The lock must be held; without `new_format` an earlier version reads them alike."""
    _, faults = typed_table(fields, pd.DataFrame(rows).assign(_file=file.name, _row=None))
    if problems := faults or typed_file(file, fields)[1]:
        raise makerfile.ReadingsError(problems)
    if new_format:
        say_format(file.parent)
    before = text_of(file, fields)
    added = pd.concat([before, pd.DataFrame(rows)], ignore_index=True)[list(before)].fillna("")
    put_back(file.parent, file, lambda: as_csv(added, list(added)))
    return file


def take_back(file: Path, fields: tuple[columns.Field, ...], key: dict, reason: str, day) -> bool:
    """Write day and reason into the rows of that key that are not taken back yet; return whether there is one.

    The lock must be held. The rows stay: what was done, and why, can be read as long as the book is kept.

    Raises
    ------
    ReadingsError
        If what the file holds is at fault.
    """
    rows, problems = typed_file(file, fields)
    if problems:
        raise makerfile.ReadingsError(problems)
    same = rows["taken_back_on"].isna()
    for name, value in key.items():
        same &= rows[name] == value
    if same.any():
        text = text_of(file, fields)
        text.loc[same, ["taken_back_on", "taken_back_because"]] = [f"{day:%Y-%m-%d}", reason.strip()]
        say_format(file.parent)
        put_back(file.parent, file, lambda: as_csv(text, list(text)))
    return bool(same.any())


def drop_last(file: Path, fields: tuple[columns.Field, ...], last: dict, rows: int = 1) -> None:
    """Take the last rows of a small file out, if the very last is `last`; in history/ the file stays as it was."""
    with locked(file.parent):
        if problems := typed_file(file, fields)[1]:
            raise makerfile.ReadingsError(problems)
        text = text_of(file, fields)
        if text.empty or text.iloc[-1].to_dict() != last:
            raise NotWritten(f"{file.name} was not changed: another line is its last now. Press once more to see it.")
        keep_version(file.parent, file.parent / "history" / file.stem, ".csv", file.read_bytes())
        put_back(file.parent, file, lambda: as_csv(text[:-rows], list(text)))


def must_be_readable(book: Path) -> None:
    """Refuse a lab book that a newer version wrote.

    Raises
    ------
    ReadingsError
        Also if its datapackage.json is no JSON.
    """
    file = book / _PACKAGE
    if not file.exists():
        return
    try:
        said = json.loads(makerfile.text(file, _MOST_BYTES))
        number = said.get("format", 1) if isinstance(said, dict) else 1
    except (RecursionError, ValueError) as fault:
        if isinstance(fault, makerfile.ReadingsError):
            raise
        raise makerfile.refused(_PACKAGE, "", "this is no JSON, and nothing else says what the lab book's files hold",
                                "Take it from your backup; or remove it, and the files are read as they are.") from None
    if not isinstance(number, int) or isinstance(number, bool) or not 1 <= number <= columns.FORMAT:
        raise makerfile.refused(_PACKAGE, str(number)[:40], "this lab book was written by a newer version",
                                f"This one reads formats 1 to {columns.FORMAT}. Open it with the version that wrote it, or get that "
                                "version here.")


def say_format(book: Path) -> None:
    """Let a lab book say that it holds what earlier versions would misread; the lock must be held."""
    file = book / _PACKAGE
    if file.exists() and (said := json.loads(makerfile.text(file, _MOST_BYTES))).get("format", 1) < columns.FORMAT:
        raised = json.dumps(said | {"format": columns.FORMAT}, indent=1, ensure_ascii=False) + "\n"
        replace_whole(book, file, raised.encode("utf-8"))


def same_name(folder: Path, name: str) -> Path | None:
    """Return the file of that name; b01.csv and B01.CSV are one file on many computers, however accents are written."""
    there, asked = folder.iterdir() if folder.is_dir() else (), makerfile.composed(name).casefold()
    return next((file for file in there if makerfile.composed(file.name).casefold() == asked), None)


def name_of(file: Path) -> str:
    """Return the name that a file gives its burn, job or order; some systems list its accents apart."""
    return makerfile.composed(file.stem)


def burn_name_fault(burn: str) -> tuple[str, str] | None:
    """Say why a burn's id cannot name a file on every system, and what to do; None if it can."""
    written = [unicodedata.category(sign) in ("Nd", "Mn", "Mc") or sign.isalpha() or sign in _IN_NAMES for sign in burn]
    if not (all(written) and 1 <= len(burn) <= _NAME_SIGNS and burn[0].isalnum() and burn[-1] not in " ."):
        return "this cannot name a file", "Use letters, digits, spaces, points, - and _, at most 80 of them."
    if len(burn.encode("utf-8")) > _NAME_BYTES:
        return "this is too long to name a file", "Use fewer letters."
    device = burn.split(".")[0].strip().casefold() in _WINDOWS_DEVICES
    return ("Windows keeps this name for a device", "Use another one, e.g. burn-1.") if device else None
