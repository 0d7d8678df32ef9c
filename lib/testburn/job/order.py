"""Order: what a customer asked for, said once for every notebook, in a file of its own.

Decides what a maker may say of an order in orders/<name>.toml of the lab book (or in job.toml, as earlier versions
had it), and refuses the rest by name. What it comes to with a fit, a machine and a drawing, `bench` works out; what
is left out is taken from the best known wood and module there, so that an empty order works too. [infill] holds
what `infill.window` asks, [prices] what `stakes.Prices` asks, under the same names, and each [[proof]] the depths of
a proof swatch with the setting it was burned with. Where no price is said, examples stand in, and the order says so.
Depths of finished pieces stay in jobs/*.csv. A new order's file says beside each line what it means, and names those that
nobody said, so that it can be gone on with by hand; a change touches the lines it is about and no others (TOML 1.0, whose
comments and order of lines the writer keeps).
"""

import datetime
import re
from dataclasses import dataclass, field, fields, replace

from testburn.job.facts import INFILL, label
from testburn.job.stakes import PRICES, Prices
from testburn.labbook import NEXT, columns, shown, tomlfile

FORMER = "job.toml"
_WITHOUT_ARTWORK_MM2 = 6000.0
_EXAMPLE_PRICES = {"per_minute": 0.5, "board": 18.0, "finishing": 12.0, "proof_minutes": 6.0,
                   "rerun_minutes": 45.0, "deep_extra": 3.0, "shallow_rerun_share": 0.8,
                   "deep_lost_share": 0.2, "setup_minutes": 10.0, "loading_minutes": 2.0}
_TABLES = ("infill", "prices", "proofs", "finished", "file")
_DEPTH, _UNDER = columns.BY_NAME["depth_mm"], "Write [{}] on a line of its own, and its lines under it."
_DAY = "Write the day as year-month-day without quotes, e.g. 2026-03-14."
_MOST_PIECES = 100_000
PROOF = (
    columns.Field("board", "text", "The board it was burned on.", "Name the board.", names_file=True),
    replace(_DEPTH, name="depths_mm", many=True, above=0, at_least=None, remedy="In mm, e.g. [0.56, 0.55, 0.58]."),
    *(columns.BY_NAME[name] for name in (*columns.MACHINE_SETTING, "gauge_step_mm")),
    columns.Field("proved_on", "date", "The day it was read.", _DAY, required=False),
    columns.Field("confirmed", "text", "Why a proof that looks like a slip is none.", "", required=False),
    columns.Field("invented", "yes or no", "Whether it is an example.", "", required=False),
    columns.Field("taken_back_on", "date", "The day it was taken back: it counts no more.", _DAY, required=False),
    columns.Field("taken_back_because", "text", "Why.", "", required=False),
)
FINISHED = (
    columns.Field("on", "date", "The day it was finished.", _DAY),
    columns.Field("note", "text", "Anything worth keeping.", "", required=False),
)
ORDER = (
    columns.Field("name", "text", "The order's name, that of its file.", "", required=False, names_file=True),
    columns.Field("customer", "text", "Whom it is for.", "", required=False),
    columns.Field("ordered_on", "date", "The day it was ordered.", _DAY, required=False),
    *(replace(columns.BY_NAME[name], required=False) for name in columns.GROUP_KEY),
    replace(columns.BY_NAME["board_thickness_mm"], at_least=1, at_most=200),
    columns.Field("board", "text", "The board on the bench, once there is one.", "", required=False, names_file=True),
    columns.Field("artwork", "text", "A drawing in artwork/ of the lab book.", "", required=False),
    columns.Field("artwork_sha256", "text", "Which version of the drawing: its SHA-256.",
                  "Leave the line out, or copy it from what is said of the drawing.", required=False),
    columns.Field("drawing_width_mm", "number", "How wide the drawing's page is on the sign, where that is not what its file says.",
                  "Use mm, or leave the line out: then it is as the file says.", "mm", False, at_least=1, at_most=2000),
    columns.Field("left_out_mm", "place", "Places in pieces of the drawing that are not engraved: lines to cut along.",
                  "Write [[x, y], [x, y]], places as the drawing's table gives them.", "mm", False, many=True),
    columns.Field("white_pct", "number", "Paint of the drawing that is no more off white than this does not burn.",
                  "Use a share from 0 to 90; without the line it is 1.", "%", False, at_least=0, at_most=90),
    columns.Field("area_mm2", "number", "To engrave, where there is no drawing.", "Use mm²: 60 cm² are 6000 mm².", "mm²",
                  False, at_least=1, at_most=10_000_000),
    columns.Field("pieces", "integer", "How many alike.", "Use a whole number, 1 or more.", required=False, at_least=1,
                  at_most=_MOST_PIECES),
    columns.Field("pieces_a_board", "integer", "How many of them one board (a plank) gives.", "Use a whole number, 1 or more.",
                  required=False, at_least=1, at_most=_MOST_PIECES),
    columns.Field("first", "text", "Which settings come first.", "Write fastest or surest.", required=False,
                  among=("fastest", "surest")),
    columns.Field("repeats", "text", "The earlier order that this one repeats.", "", required=False, names_file=True),
    columns.Field("note", "text", "Anything worth keeping.", "", required=False),
    *(columns.Field(name, "table", "", _UNDER.format(name), required=False, of=of)
      for name, of in (("infill", INFILL), ("prices", PRICES))),
    columns.Field("proof", "table", "", "Write [[proof]] on a line of its own, and its lines under it.", required=False, of=PROOF,
                  many=True),
    columns.Field("finished", "table", "", _UNDER.format("finished"), required=False, of=FINISHED),
)
# Of the lines' names those that are no words of the trade.
_NAMED = {"species": "wood", "artwork": "drawing", "artwork_sha256": "which version of it (SHA-256)", "drawing_width_mm": "how wide it is, mm", "first": "settings first",
          "white_pct": "paler does not burn, %", "price, shallow_rerun_share": "misses, share of shallow ones seen in time",
          "price, deep_lost_share": "misses, share of deep ones lost"}
_ONE_PROOF = re.compile(r"^(\s*)\[\s*proof\s*\]", re.MULTILINE)
_LINES = tuple(one for one in ORDER if one.kind != "table")
_EXAMPLE = 'Write one `name = value` a line, a point in numbers, texts in quotes, e.g. species = "white oak".'


@dataclass(frozen=True, eq=False)
class Order:
    """What is to be made; None means: not said.

    `area_mm2` counts only where there is no artwork. `file` is where all this was said: "" where nowhere.
    """

    name: str = "the next sign"
    customer: str | None = None
    ordered_on: datetime.date | None = None
    species: str | None = None
    module_w: float | None = None
    wavelength_nm: float | None = None
    module: str | None = None
    board: str | None = None
    board_thickness_mm: float = 19.0
    artwork: str | None = None
    artwork_sha256: str | None = None
    drawing_width_mm: float | None = None
    left_out_mm: list | None = None
    white_pct: float | None = None
    area_mm2: float = _WITHOUT_ARTWORK_MM2
    pieces: int = 1
    pieces_a_board: int | None = None
    first: str = "fastest"
    repeats: str | None = None
    note: str | None = None
    infill: dict = field(default_factory=dict)
    prices: dict = field(default_factory=dict)
    proofs: tuple[dict, ...] = ()
    finished: dict = field(default_factory=dict)
    file: str = ""

    def changed(self, **said) -> "Order":
        """Return the order with some lines changed."""
        return replace(self, **said)

    def says(self, name: str, value) -> bool:
        """Return whether it says this of a line already; None stands for what stands in where nothing is said."""
        now = getattr(self, name)
        return value == now or value is None and now == getattr(Order(), name)

    @property
    def place(self) -> str:
        """Where it stands, for words on a fault."""
        return self.file or "the order"

    @property
    def on_bench(self) -> str | None:
        """The board on the bench: as said, else the one proved last."""
        return self.board or (self.proofs[-1]["board"] if self.proofs else None)

    @property
    def boards(self) -> tuple[str, ...]:
        """Every board the order names, in the order they came."""
        named = [proof["board"] for proof in self.proofs] + [self.board] * bool(self.board)
        return tuple(dict.fromkeys(named))

    def proofs_of(self, board: str | None) -> tuple[dict, ...]:
        """Return the proof swatches burned on a board."""
        return tuple(proof for proof in self.proofs if proof["board"] == board)

    @property
    def prices_or_examples(self) -> Prices:
        """The maker's prices, examples for those not typed; see `stakes.Prices`."""
        return Prices(**_EXAMPLE_PRICES | self.prices)

    @property
    def example_prices(self) -> tuple[str, ...]:
        """Which prices nobody typed."""
        return tuple(name for name in _EXAMPLE_PRICES if name not in self.prices)

    @property
    def lines(self) -> dict[str, str]:
        """What the order says, as text; what it leaves open is not there."""
        unsaid = (*_TABLES, *(("area_mm2",) if self.artwork else ("artwork", "drawing_width_mm", "left_out_mm", "white_pct")))
        said = {one.name: getattr(self, one.name) for one in fields(self) if one.name not in unsaid}
        if self.artwork_sha256:
            said["artwork_sha256"] = f"{self.artwork_sha256[:12]}…"
        said |= {f"infill: {label(name)}": value for name, value in self.infill.items()}
        said |= {f"price, {name}": value if name in self.prices else f"{value:g} (an example; type your own)"
                 for name, value in (_EXAMPLE_PRICES | self.prices).items()}
        for number, proof in enumerate(self.proofs, start=1):
            which = "proof" if len(self.proofs) == 1 else f"proof {number}"
            said |= {f"{which} {name}": value for name, value in proof.items()}
        said |= {f"finished {name}": value for name, value in self.finished.items()}
        return {_with_unit(_NAMED.get(name, name)): _written(value) for name, value in said.items() if value is not None}

    def __repr__(self) -> str:
        return "\n".join(f"{name}: {value}" for name, value in self.lines.items())

    def _repr_html_(self) -> str:
        left = ' style="text-align: left"'
        rows = "".join(f"<tr><th{left}>{shown.as_html(name)}</th><td{left}>{shown.as_html(value)}</td></tr>"
                       for name, value in self.lines.items())
        return f"<table><tbody>{rows}</tbody></table>"


def parsed(file: str, text: str, name: str | None = None) -> Order:
    """Return the order that the text of a file says.

    Parameters
    ----------
    file : str
        The file's name, for the words.
    text : str
    name : str, optional
        What it must be called: its file's name without .toml.

    Raises
    ------
    ReadingsError
        If it is no TOML, or with every line that nobody asks for or that cannot be.
    ValueError
        If a board is named "next", or the order otherwise than its file.
    """
    said = tomlfile.said(file, text, ORDER, _EXAMPLE)
    proofs = said.pop("proof", [])
    # A heading with nothing under it says nothing; a proof taken back stands there to be read by a maker.
    proofs = tuple(one for one in ([proofs] if isinstance(proofs, dict) else proofs) if one and "taken_back_on" not in one)
    for table, line in (("", said.get("board")), *(("[proof], ", proof["board"]) for proof in proofs)):
        if line == NEXT:
            raise ValueError(f"{file}: {table}{columns.BOARD_NAMED_NEXT}.")
    if name is not None and said.setdefault("name", name) != name:
        raise ValueError(f"{file}: name is {said['name']!r}, and the file is that of the order {name!r}. Write the file's name, or "
                         "rename the file.")
    return Order(**said, proofs=proofs, file=file)


def _written(value) -> str:
    """Return what a line says as a maker would write it."""
    if isinstance(value, dict):
        return "; ".join(f"{_with_unit(name)} {tomlfile.written(one)}" for name, one in value.items())
    return tomlfile.written(value)


def _with_unit(name: str) -> str:
    """Return a line's name in words, its unit after a comma."""
    if name.endswith("_mm_s"):
        return f"{name.removesuffix('_mm_s').replace('_', ' ')}, mm/s"
    words, _, unit = name.rpartition("_")
    units = {"mm2": "mm²", "mm": "mm", "nm": "nm", "w": "W", "pct": "%"}
    return f"{words}, {units[unit]}".replace("_", " ") if unit in units else name.replace("_", " ")


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
        meaning = one.meaning and f"{one.meaning.rstrip('.')}.{f' In {one.unit}.' if one.unit and one.kind != 'text' else ''}"
        if said.get(one.name) is not None:
            lines.append(f"{one.name} = {tomlfile.literal(said[one.name])}")
        elif unsaid and meaning:
            lines.append(f"# {one.name} =   # {meaning}")
    return lines + [f"{name} = {tomlfile.literal(value)}" for name, value in said.items()
                    if of is not _LINES and value is not None and name not in {one.name for one in of}]
