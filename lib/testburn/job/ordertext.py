"""Order text: how an order is written into its file, and a maker's own lines and comments kept while one is changed.

Decides that a new order says beside each line what it means, and names those that nobody said, so that the file can be
gone on with by hand; and that a change touches the lines it is about and no others. The ground: TOML 1.0, whose comments
and order of lines the writer keeps (tomlkit).
"""

import datetime
import re

import tomlkit

from testburn.job.order import ORDER
from testburn.labbook import columns

_ONE_PROOF = re.compile(r"^(\s*)\[\s*proof\s*\]", re.MULTILINE)
_LINES = tuple(one for one in ORDER if one.kind != "table")


def document(content: bytes):
    """Return a maker's file as a document to change; the one [proof] of earlier versions becomes the first of several."""
    return tomlkit.parse(_ONE_PROOF.sub(r"\1[[proof]]", content.decode("utf-8-sig")))


def as_text(document) -> str:
    """Return a document, or a few lines, as the text of a file."""
    return tomlkit.dumps(document)


def named(content: bytes, name: str) -> bytes:
    """Return a maker's file with the order's name in it."""
    found = document(content)
    if found.get("name", name) != name:
        found["name"] = name
    return as_text(found).encode("utf-8")


def made(lines: dict) -> str:
    """Return the text of a new order: what is said, with what each line means; what is not said stands as a remark."""
    text = ["# An order. What is not said is taken from the wood and module known best. Every line: name = value.",
            *_stated(_LINES, lines)]
    for name in ("infill", "prices", "finished"):
        if lines.get(name):
            of = next(one for one in ORDER if one.name == name).of
            text += ["", f"[{name}]", *_stated(of, lines[name], name == "prices")]
    found = tomlkit.parse("\n".join(text) + "\n")
    for proof in lines.get("proofs") or ():
        add_proof(found, proof)
    # A line that nothing asks for is the reader's to refuse.
    known = {one.name for one in _LINES} | {"infill", "prices", "finished", "proofs"}
    put(found, {name: value for name, value in lines.items() if name not in known})
    return as_text(found)


def add_proof(document, proof: dict) -> None:
    """Add a proof swatch, the last of those there are."""
    if "proof" not in document:
        document.append("proof", tomlkit.aot())
    document["proof"].append(_table(proof))


def _stated(of: tuple[columns.Field, ...], said: dict, unsaid: bool = True) -> list[str]:
    """Return the lines of a table: those said, and what else could be."""
    lines = []
    for one in of:
        meaning = f"{one.meaning}{f' In {one.unit}.' if one.unit and one.kind != 'text' else ''}"
        if said.get(one.name) is not None:
            lines.append(f"{one.name} = {tomlkit.item(_plain(said[one.name])).as_string()}")
        elif unsaid and meaning:
            lines.append(f"# {one.name} =   # {meaning}")
    return lines + [f"{name} = {tomlkit.item(_plain(value)).as_string()}" for name, value in said.items()
                    if of is not _LINES and value is not None and name not in {one.name for one in of}]


def put(document, lines: dict) -> None:
    """Put lines into a document; None takes one out. A table's lines are put into the table."""
    for name, value in lines.items():
        if isinstance(value, dict) and name in document:
            put(document[name], value)
        elif value is None:
            document.pop(name, None)
        elif isinstance(value, dict):
            document[name] = _table(value)
        else:
            document[name] = _plain(value)


def _table(said: dict):
    table = tomlkit.table()
    for name, value in said.items():
        if value is not None:
            table.add(name, _plain(value))
    return table


def _plain(value):
    """Return a value as TOML knows it: numpy's numbers and tuples are none."""
    if isinstance(value, dict):
        inline = tomlkit.inline_table()
        inline.update({name: _plain(one) for name, one in value.items() if one is not None})
        return inline
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    value = value.item() if hasattr(value, "item") and not isinstance(value, (str, datetime.date)) else value
    return int(value) if isinstance(value, float) and value.is_integer() and abs(value) < 1e15 else value
