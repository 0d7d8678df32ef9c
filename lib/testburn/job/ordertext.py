"""Order text: how an order is written into its file, and a maker's own lines and comments kept while one is changed.

Decides that a new order says beside each line what it means, and names those that nobody said, so that the file can be
gone on with by hand; and that a change touches the lines it is about and no others. The ground: TOML 1.0, whose comments
and order of lines the writer keeps (`labbook.tomlfile`).
"""

import re

from testburn.job.order import ORDER
from testburn.labbook import columns, tomlfile

_ONE_PROOF = re.compile(r"^(\s*)\[\s*proof\s*\]", re.MULTILINE)
_LINES = tuple(one for one in ORDER if one.kind != "table")


def document(content: bytes):
    """Return a maker's file as a document to change; the one [proof] of earlier versions becomes the first of several."""
    return tomlfile.document(_ONE_PROOF.sub(r"\1[[proof]]", content.decode("utf-8-sig")))


def named(content: bytes, name: str) -> bytes:
    """Return a maker's file with the order's name in it."""
    found = document(content)
    if found.get("name", name) != name:
        found["name"] = name
    return tomlfile.as_text(found).encode("utf-8")


def made(lines: dict) -> str:
    """Return the text of a new order: what is said, with what each line means; what is not said stands as a remark."""
    text = ["# An order. What is not said is taken from the wood and module known best. Every line: name = value.",
            *_stated(_LINES, lines)]
    for name in ("infill", "prices", "finished"):
        if lines.get(name):
            of = next(one for one in ORDER if one.name == name).of
            text += ["", f"[{name}]", *_stated(of, lines[name], name == "prices")]
    found = tomlfile.document("\n".join(text) + "\n")
    for proof in lines.get("proofs") or ():
        tomlfile.add_table(found, "proof", proof)
    # A line that nothing asks for is the reader's to refuse.
    known = {one.name for one in _LINES} | {"infill", "prices", "finished", "proofs"}
    tomlfile.put(found, {name: value for name, value in lines.items() if name not in known})
    return tomlfile.as_text(found)


def _stated(of: tuple[columns.Field, ...], said: dict, unsaid: bool = True) -> list[str]:
    """Return the lines of a table: those said, and what else could be."""
    lines = []
    for one in of:
        meaning = f"{one.meaning}{f' In {one.unit}.' if one.unit and one.kind != 'text' else ''}"
        if said.get(one.name) is not None:
            lines.append(f"{one.name} = {tomlfile.literal(said[one.name])}")
        elif unsaid and meaning:
            lines.append(f"# {one.name} =   # {meaning}")
    return lines + [f"{name} = {tomlfile.literal(value)}" for name, value in said.items()
                    if of is not _LINES and value is not None and name not in {one.name for one in of}]
