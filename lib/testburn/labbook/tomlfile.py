"""TOML file: lines that a maker types, each a declared field.

Decides whether a value is what its field asks for, and says all that is wrong with a file at once, each with the
line it stands in. A table of a file has fields of its own; one that may come more than once (`many`) stands once as a
table, or as [[table]] each time. What a line alone cannot tell is its reader's to say. Decides too how a line of such a
file is changed: those lines that are changed and no others, comments and the order of lines stay (tomlkit).

Source: TOML 1.0.0, whose values have a kind; names near to each other by the longest common parts (difflib).
"""

import datetime
import difflib
import re
from collections.abc import Mapping
from numbers import Real
from pathlib import Path

import tomlkit

from testburn.labbook import makerfile
from testburn.labbook.cells import UNWRITABLE, plain as as_typed
from testburn.labbook.columns import Field
from testburn.labbook.files import burn_name_fault
from testburn.labbook.makerfile import Problem, ReadingsError

# Nobody types more; it keeps what a computer cannot hold out of every sum.
_MOST = 1e9
_WRITE = {
    "text": ("this is not a text", "Write a text in quotes."),
    "number": ("this is not a number", "Write a number without quotes, with a point, e.g. 0.5."),
    "integer": ("this is not a whole number", "Write a whole number without quotes."),
    "date": ("this is not a day", "Write the day as year-month-day without quotes, e.g. 2026-03-14."),
    "yes or no": ("this is not true or false", "Write true or false."),
    "span": ("this is no span", "Write [from, to], the smaller first."),
    "place": ("this is no place", "A place is [x, y], in mm."),
}
_TABLE = re.compile(r"\s*\[\s*([\w-]+)\s*\]")
_ONE_OF_MANY = re.compile(r"\s*\[\[\s*([\w-]+)\s*\]\]")
_LINE = re.compile(r"""\s*["']?([\w-]+)["']?\s*=""")


def read(path: str | Path, fields: tuple[Field, ...], example: str, former: dict | None = None) -> dict:
    """Return what a file says, by the names of its fields.

    Parameters
    ----------
    path : path
    fields : tuple of Field
        What it may say; those of kind "table" have their own.
    example : str
        How a line is written, for the words on a file that is no TOML.
    former : dict, optional
        Names of earlier versions, and what they are called now.

    Raises
    ------
    ReadingsError
        With every fault: a line that nothing asks for, a value that cannot be, a line that is missing.
    """
    path = Path(path)
    return said(path.name, makerfile.text(path, makerfile.MOST_TOML_BYTES), fields, example, former)


def said(file: str, text: str, fields: tuple[Field, ...], example: str, former: dict | None = None) -> dict:
    """Return what the text of a file of that name says; all else as in `read`."""
    found = makerfile.toml(file, text, example)
    found = {(former or {}).get(name, name): value for name, value in found.items()}
    if faults := list(_faults(fields, found, "")):
        rows = _rows(text)
        back = {now: was for was, now in (former or {}).items()}
        raise ReadingsError([
            Problem(file, _row_of(rows, back.get(place, place)), place.replace(".", ", "), _shown(value), problem, remedy)
            for place, value, problem, remedy in faults], file)
    return found


def fault_of(field: Field, value) -> tuple[str, str] | None:
    """Return what is wrong with a value, and what to do; None where nothing is."""
    if not field.many:
        return _fault_of_one(field, value)
    if not isinstance(value, (list, tuple)) or not len(value):
        return "this is not a list", f"Write a list in brackets. {field.remedy}".strip()
    fault = next(filter(None, (_fault_of_one(field, one) for one in value)), None)
    if fault and field.kind == "number" and len(value) % 2 == 0 and all(
            _is_a("integer", one) for one in value) and max(value[::2]) < 10:
        pairs = ", ".join(f"{whole}.{rest}" for whole, rest in zip(value[::2], value[1::2]))
        return fault[0], f"Perhaps [{pairs}]? A comma begins the next number; decimals have a point."
    return fault


def must_be(field: Field, value) -> None:
    """Refuse a value that its field does not allow.

    Raises
    ------
    ValueError
        With what is wrong and what to do.
    """
    if fault := fault_of(field, value):
        raise ValueError(f"{field.name} is {_shown([value])[1:-1]}: {fault[0]}. {fault[1]}")


def document(text: str) -> tomlkit.TOMLDocument:
    """Return the text of a TOML file as a document to change; `as_text` gives it back with every comment."""
    return tomlkit.parse(text)


def as_text(document) -> str:
    """Return a document, or a few lines, as the text of a file."""
    return tomlkit.dumps(document)


def literal(value) -> str:
    """Return a value as it stands in a file."""
    return tomlkit.item(_plain(value)).as_string()


def written(value) -> str:
    """Return a value as a maker reads and types it outside a file: yes, 0.1 0.14 for several, 12 34; 50 60 for places."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (list, tuple)):
        return ("; " if any(isinstance(one, (list, tuple)) for one in value) else " ").join(map(written, value))
    return f"{value:.9g}" if isinstance(value, Real) else str(value)


def add_table(document, name: str, lines: dict) -> None:
    """Add a table to those of a name, the last of them."""
    if name not in document:
        document.append(name, tomlkit.aot())
    document[name].append(_table(lines))


def put(document, lines: dict) -> None:
    """Put lines into a document; None takes one out. A table's lines are put into the table."""
    for name, value in lines.items():
        if isinstance(value, dict) and name in document:
            put(document[name], value)
        elif value is None:
            document.pop(name, None)
        elif isinstance(value, dict):
            if any(one is not None for one in value.values()):
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


def _faults(fields, said: Mapping, table: str, above: tuple[str, ...] = ()):
    """Find what nothing asks for, what cannot be, and what is missing: place, value, problem, remedy.

    `above` are the names of the lines that stand before the first table.
    """
    known = {field.name: field for field in fields}
    for name, value in said.items():
        place, field = f"{table}{name}", known.get(name)
        if field is None:
            near = difflib.get_close_matches(name, known, 1)
            yield (place, "", "nothing asks for this line",
                   f"It belongs above [{table[:-1].partition(' ')[0]}]: move it to the file's first lines." if name in above else
                   f"Perhaps {near[0]}?" if near else f"Known are: {', '.join(known)}.")
        elif field.kind != "table":
            if fault := fault_of(field, value):
                yield (place, value, *fault)
        elif isinstance(value, Mapping):
            yield from _faults(field.of, value, f"{place}.", tuple(known))
        elif field.many and isinstance(value, list) and value and all(isinstance(one, Mapping) for one in value):
            for number, one in enumerate(value, start=1):
                yield from _faults(field.of, one, f"{place} {number}.", tuple(known))
        else:
            yield place, value, "this is no table", field.remedy
    if said or not table:
        yield from ((f"{table}{name}", "", "this line is missing", field.remedy)
                    for name, field in known.items() if field.required and name not in said)


def _fault_of_one(field: Field, value) -> tuple[str, str] | None:
    wrong, write = _WRITE[field.kind]
    if not _is_a(field.kind, value):
        return wrong, f"{write} {field.remedy}".strip() if field.many else write
    if field.kind == "text":
        if UNWRITABLE.search(value):
            return "this holds a character that cannot be printed", "Type it again."
        if field.names_file and (fault := burn_name_fault(value)):
            return fault
    ends = value if field.kind in ("span", "place") else (value,)
    if field.among and value not in field.among or field.kind in ("number", "integer", "span", "place") and not all(
            _inside(field, end) for end in ends):
        return f"allowed is {field.allowed or f'at most {_MOST:,.0f}'}", field.remedy
    return None


def _is_a(kind: str, value) -> bool:
    number = isinstance(value, Real) and not isinstance(value, bool)
    if kind in ("span", "place"):
        return (isinstance(value, (list, tuple)) and len(value) == 2 and all(_is_a("number", end) for end in value)
                and (kind == "place" or value[0] <= value[1]))
    return {"text": isinstance(value, str), "number": number, "integer": number and value % 1 == 0,
            "date": isinstance(value, datetime.date), "yes or no": isinstance(value, bool)}[kind]


def _inside(field: Field, number) -> bool:
    """Say whether a number lies inside its field's limits; what is not a number lies nowhere."""
    return (-_MOST <= number <= _MOST and (field.above is None or number > field.above)
            and (field.at_least is None or number >= field.at_least)
            and (field.at_most is None or number <= field.at_most))


def _shown(value) -> str:
    """Return a value as it would be typed."""
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(repr(one) if isinstance(one, str) else _shown(one) for one in value)}]"
    return str(value).lower() if isinstance(value, bool) else as_typed(value)


def _row_of(rows: dict[str, int], place: str) -> int | None:
    """Return the line of a place, else of the table it belongs to."""
    while place and place not in rows:
        place = place.rpartition(".")[0]
    return rows.get(place)


def _rows(text: str) -> dict[str, int]:
    """Return the line in which each name stands, by table and name."""
    rows, table, counts = {}, "", {}
    for number, line in enumerate(text.splitlines(), start=1):
        if named := _ONE_OF_MANY.match(line):
            counts[named[1]] = counts.get(named[1], 0) + 1
            table = f"{named[1]} {counts[named[1]]}."
            rows[table[:-1]] = number
        elif named := _TABLE.match(line):
            table = f"{named[1]}."
            rows.setdefault(named[1], number)
        elif named := _LINE.match(line):
            rows.setdefault(f"{table}{named[1]}", number)
    return rows
