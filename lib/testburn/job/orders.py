"""Orders: the files of a lab book that hold one order each, and which of them is open.

Decides how an order comes, changes and goes: a new one never takes an earlier one's place, a change keeps the file as
it was in orders/history/, comments stay, and what is written is read back before it takes its place. Which order is
open stands in open-order.toml. A job.toml of an earlier version is the open order until something is written or
opened; then it is taken over into orders/, once, and stays where it is. Everything is written behind the lab book's
lock, whole or not at all (`labbook.files`); a writer that is killed half way leaves nothing that the next one would
take for more.

Source: a drawing's version is its SHA-256 (FIPS 180-4).
"""

import datetime
import hashlib
import tempfile
from dataclasses import fields
from pathlib import Path

import pandas as pd

from testburn import sweep
from testburn.job import order as order_file, outcome
from testburn.job.order import FINISHED, FORMER, Order
from testburn.labbook import columns, files, makerfile, tomlfile

FOLDER, OPEN, FIELDS = "orders", "open-order.toml", order_file.ORDER
_OPEN = (
    columns.Field("order", "text", "The order that is open.", "Write the name of a file in orders/.", names_file=True),
    columns.Field("taken_over_sha256", "text", "The job.toml that was taken over.", "", required=False),
)
# What a repeat does not take over: it belongs to the one order only.
_ITS_OWN = ("name", "customer", "ordered_on", "board", "artwork_sha256", "repeats", "note", "proofs", "finished", "file")
NONE_OPEN = ("No order is open, so no order's card is made. On page 6, One order: fill in the boxes and press Save order, or open an "
             "earlier one.")
_LIST = ["name", "customer", "ordered_on", "pieces", "on_boards", "proofs", "finished_on", "open"]


def read(book: str | Path, name: str | None = None) -> Order:
    """Return an order of a lab book: that of a name, or the open one; an empty one where there is none at all.

    Raises
    ------
    ReadingsError
        If its file cannot be used, with every fault.
    ValueError
        If no order has that name, or it is not said which of several is open.
    """
    book = Path(book)
    files.must_be_readable(book)
    name = name or _open_name(book)
    if name:
        return _parsed(_file(book, name))
    former = book / FORMER
    return order_file.parsed(FORMER, _text(former)) if former.exists() else Order()


def listed(book: str | Path) -> pd.DataFrame:
    """Return the orders of a lab book, the open one (if it is said which) first: name, customer, ordered_on, pieces, on_boards, proofs,
    finished_on, open.

    Raises
    ------
    ReadingsError
        If a file cannot be used.
    """
    book = Path(book)
    open_name = None if _undecided(book) else _open_name(book)
    found = [_parsed(file) for file in _order_files(book)]
    if open_name == "" and (book / FORMER).exists():
        found.insert(0, read(book))
    rows = [{"name": one.name, "customer": one.customer or "", "ordered_on": one.ordered_on, "pieces": one.pieces,
             "on_boards": ", ".join(one.boards), "proofs": len(one.proofs), "finished_on": one.finished.get("on"),
             "open": open_name is not None and one.name == (open_name or one.name)} for one in found]
    table = pd.DataFrame(rows, columns=_LIST)
    return table.sort_values(["open", "name"], ascending=[False, True], ignore_index=True) if len(table) else table


def new(book: str | Path, name: str, **lines) -> Path:
    """Write a new order, open it, and return its file; the drawing's version is written down with it.

    Parameters
    ----------
    lines
        As in `Order`; None is not said.

    Raises
    ------
    FileExistsError
        If an order of that name is there: none is ever written over.
    ReadingsError
        If a line cannot be.
    NotWritten
        If the disk refuses it.
    """
    book, name = Path(book), makerfile.composed(name)
    lines = {"artwork_sha256": fingerprint(book, lines.get("artwork"))} | lines
    made = order_file.made({"name": name} | lines)
    with files.locked(book):
        _take_over(book)
        # The one order of a writer that was killed before it wrote down what is open: open it stays until this one is there.
        if not (book / OPEN).exists() and not _undecided(book) and (alone := _open_name(book)):
            _remember(book, alone)
        file = _new_file(book, name)
        _readable(file.name, made, name)
        files.say_format(book)
        files.add_whole(book, file, made.encode("utf-8"))
        _remember(book, name)
    return file


def open_order(book: str | Path, name: str) -> Path:
    """Open another order, which every page then works on, and return its file.

    Raises
    ------
    ValueError
        If there is none of that name, or its file is at fault.
    """
    book = Path(book)
    with files.locked(book):
        _take_over(book)
        file = _file(book, name)
        _parsed(file)
        _remember(book, files.name_of(file))
    return file


def change(book: str | Path, name: str, seen: str = "", **lines) -> Path:
    """Change lines of an order, keeping its comments and, in orders/history/, the file as it was; return the file.

    Parameters
    ----------
    seen : str
        `mark` of the file that the change was made for; one changed since is not written over.
    lines
        As in `Order`; None takes a line out.

    Raises
    ------
    ReadingsError
        If a line cannot be.
    NotWritten
        If somebody else changed the file, or the disk refuses it.
    """
    return _changed(Path(book), name, lambda document: tomlfile.put(document, lines), seen)


def add_drawing(book: str | Path, name: str, content: bytes, width_mm: float | None = None) -> tuple[Path, str]:
    """Put a drawing into artwork/ of a lab book; return its file, and what it is in words.

    Raises
    ------
    ValueError
        If it cannot be read or burned (see `sweep.read`), its name cannot name a file, or another drawing has that name.
    """
    book, target = Path(book), Path(book) / "artwork" / name
    fault = files.burn_name_fault(target.stem) if target.name == name and name.lower().endswith(".svg") else (
        "this is no SVG file", "Save the drawing as SVG, its text as outlines.")
    if fault:
        raise ValueError(f"{name}: {fault[0]}. {fault[1]}")
    with tempfile.TemporaryDirectory() as scratch:
        Path(scratch, name).write_bytes(content)
        words = sweep.read(Path(scratch, name), width_mm=width_mm).words
    with files.locked(book):
        files.make_folder(book, target.parent)
        if not target.exists():
            files.add_whole(book, target, content)
        elif target.read_bytes() != content:
            raise ValueError(f"artwork/ holds another drawing called {name}, which earlier orders may have been burned by. Give the file "
                             f"another name, e.g. {target.stem}-2.svg, and add it again.")
    return target, words


def add_proof(book: str | Path, name: str, proof: dict, left_open: dict | None = None) -> Path:
    """Add a proof swatch to an order, and put its board on the bench; return the file.

    Parameters
    ----------
    left_open : dict, optional
        `Job.left_open`: the wood and module that it was burned with are written down too.
    proof : dict
        board, depths_mm, gauge_step_mm, the setting, proved_on, confirmed, invented; see `order.PROOF`.
    """
    def put(document):
        tomlfile.put(document, {"board": proof.get("board")} | (left_open or {}))
        tomlfile.add_table(document, "proof", proof)
    return _changed(Path(book), name, put)


def take_back_proof(book: str | Path, name: str, reason: str, on: datetime.date) -> Path:
    """Let the last proof of an order count no more, with day and reason; it stays in the file, which is returned.

    Raises
    ------
    ValueError
        If no proof counts.
    """
    def put(document):
        counting = [one for one in document.get("proof", ()) if one and "taken_back_on" not in one]
        if not counting:
            raise ValueError(f"The order {name} has no proof to take back.")
        tomlfile.put(counting[-1], {"taken_back_on": on, "taken_back_because": reason})
    return _changed(Path(book), name, put)


def finish(book: str | Path, name: str, on: datetime.date, note: str = "") -> Path:
    """Write down that an order is finished; return the file. It stays, to be looked at and repeated."""
    said = {one.name: value for one, value in zip(FINISHED, (on, note or None))}
    return _changed(Path(book), name, lambda document: tomlfile.put(document, {"finished": said}))


def repeat(book: str | Path, former: str, name: str, **lines) -> Path:
    """Write a new order like an earlier one, open it, and return its file.

    Board, proofs and days are not taken over, as the wood is another; the drawing's version is that of the file as it is now.
    """
    old = read(book, former)
    kept = {one.name: getattr(old, one.name) for one in fields(Order) if one.name not in _ITS_OWN}
    unsaid = Order()
    kept = {one: value for one, value in kept.items() if value != getattr(unsaid, one)}
    return new(book, name, **kept | {"customer": old.customer, "repeats": old.name} | lines)


def came_out(book: str | Path, name: str) -> outcome.Outcome:
    """Return how an order came out, by its finished pieces in jobs/, which name it.

    Raises
    ------
    ReadingsError
        If a file cannot be used.
    """
    return outcome.of(book, read(book, name))


def take_over(book: str | Path) -> str:
    """Take a job.toml of an earlier version over into orders/, once; return what was done, or nothing."""
    book = Path(book)
    with files.locked(book):
        return _take_over(book)


def said(book: str | Path) -> list[str]:
    """Return what is to be said of the orders' files: none is open, a job.toml waits, or is not looked at any more."""
    book = Path(book)
    former, name = book / FORMER, _open_name(book)
    if not former.exists():
        return [] if name else [NONE_OPEN]
    if not name:
        return [f"{FORMER} is the open order, as before. It is taken over into {FOLDER}/ with the first thing written to it here; "
                "the file stays."]
    opened = book / OPEN
    taken = tomlfile.read(opened, _OPEN, 'order = "gate"').get("taken_over_sha256") if opened.exists() else None
    if taken == _sha256(makerfile.content(former)):
        return []
    return [f"{FORMER} {'was changed since it was taken over and' if taken else 'is there and'} is not read: the open order is "
            f"{FOLDER}/{name}.toml. Write it there, and take {FORMER} away."]


def mark(book: str | Path, name: str) -> str:
    """Return a mark of an order's file as it is now, for `change`."""
    return files.mark(makerfile.content(_file(Path(book), name)))


def fingerprint(book: str | Path, artwork: str | None) -> str | None:
    """Return the SHA-256 of a drawing in artwork/ of the lab book; None where there is none."""
    file = Path(book) / "artwork" / artwork if artwork else None
    return _sha256(makerfile.content(file)) if file and file.is_file() else None


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _text(file: Path) -> str:
    return makerfile.text(file, makerfile.MOST_TOML_BYTES)


def _order_files(book: Path) -> list[Path]:
    folder = book / FOLDER
    return sorted(file for file in folder.glob("*.toml") if not file.name.startswith(".")) if folder.is_dir() else []


def _undecided(book: Path) -> bool:
    """Return whether nothing says which of several orders is open."""
    return not (book / OPEN).exists() and not (book / FORMER).exists() and len(_order_files(book)) > 1


def _open_name(book: Path) -> str:
    """Return the name of the open order; "" where it is still job.toml, or there is none."""
    opened, there = book / OPEN, _order_files(book)
    if opened.exists():
        return tomlfile.read(opened, _OPEN, 'Write order = "gate", the name of a file in orders/.')["order"]
    if (book / FORMER).exists() or not there:
        return ""
    if _undecided(book):
        raise ValueError(f"{FOLDER}/ holds {', '.join(map(files.name_of, there[:6]))}, and nothing says which is open. Open one, or "
                         f'write {OPEN}: order = "{files.name_of(there[0])}"')
    return files.name_of(there[0])


def _file(book: Path, name: str) -> Path:
    """Return the file of an order.

    Raises
    ------
    ValueError
        If there is none of that name.
    """
    there = files.same_name(book / FOLDER, f"{name}.toml")
    if there is None:
        names = ", ".join(map(files.name_of, _order_files(book)[:6])) or "none yet"
        raise ValueError(f"There is no order {name[:80]} in {FOLDER}/ of the lab book. There are: {names}. Open one of these "
                         f"(it is written in {OPEN}), or make it.")
    return there


def _new_file(book: Path, name: str) -> Path:
    if fault := files.burn_name_fault(name):
        raise ValueError(f"The order's name {name[:60]!r}: {fault[0]}. {fault[1]}")
    if there := files.same_name(book / FOLDER, f"{name}.toml"):
        raise FileExistsError(f"The order {files.name_of(there)} is already in the lab book: {FOLDER}/{there.name}. Another order needs another "
                              "name; to go on with that one, open it.")
    return book / FOLDER / f"{name}.toml"


def _parsed(file: Path) -> Order:
    return order_file.parsed(file.name, _text(file), files.name_of(file))


def _readable(file: str, text: str, name: str) -> Order:
    """Return what a text says, before it takes a file's place; refused as the file would be."""
    return order_file.parsed(file, text, name)


def _changed(book: Path, name: str, put, seen: str = "") -> Path:
    """Let `put` change an order's document, and put it in its file's place."""
    with files.locked(book):
        _take_over(book)
        file = files.left_alone_by_spreadsheets(_file(book, name))
        files.inside(book, file)
        before = files.unchanged(file, seen) if seen else file.read_bytes()
        # A file may be at fault before: what is wrong with it is said first.
        _parsed(file)
        document = order_file.document(before)
        put(document)
        made = tomlfile.as_text(document)
        _readable(file.name, made, files.name_of(file))
        if made.encode("utf-8") != before:
            files.say_format(book)
            files.keep_version(book, book / FOLDER / "history" / file.stem, ".toml", before)
            files.replace_whole(book, file, made.encode("utf-8"), still=lambda: files.unchanged(file, files.mark(before)))
    return file


def _take_over(book: Path) -> str:
    """Take job.toml over if that was not done; the lock must be held."""
    former = book / FORMER
    if (book / OPEN).exists() or not former.exists():
        return ""
    content = makerfile.content(former, makerfile.MOST_TOML_BYTES)
    old = order_file.parsed(FORMER, _text(former))
    base = old.name if old.name != Order().name else "first order"
    name, number = base, 1
    # A writer killed before it remembered what is open left a file of these very bytes: that is the one.
    while (there := files.same_name(book / FOLDER, f"{name}.toml")) and there.read_bytes() != order_file.named(content, name):
        number += 1
        name = f"{base} {number}"
    if there is None:
        files.say_format(book)
        files.add_whole(book, book / FOLDER / f"{name}.toml", order_file.named(content, name))
    _remember(book, name, _sha256(content))
    return f"{FORMER} was taken over into {FOLDER}/{name}.toml, which is the open order now. The file itself stays, and is not read any more."


def _remember(book: Path, name: str, taken_over: str | None = None) -> None:
    """Write down which order is open; the lock must be held."""
    file = book / OPEN
    before = tomlfile.read(file, _OPEN, 'order = "gate"') if file.exists() else {}
    said = before | {"order": name} | ({"taken_over_sha256": taken_over} if taken_over else {})
    if said != before:
        files.replace_whole(book, file, tomlfile.as_text(said).encode("utf-8"))
