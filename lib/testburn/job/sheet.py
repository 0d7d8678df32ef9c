"""Job sheet: the job on the bench, said once for every notebook.

Decides what a maker may say of a job in job.toml of the lab book, and refuses the rest by name. What it comes
to with a fit, a machine and a drawing, `bench` works out; what is left out is taken from the best known wood
and module there, so that an empty sheet works too. [infill] holds what `infill.window` asks,
[prices] what `stakes.Prices` asks, under the same names, and [proof] the depths of a proof swatch with
the setting it was burned with. Where no price is said, examples stand in, and the sheet says so.
"""

from dataclasses import dataclass, field, fields, replace
from pathlib import Path

from testburn.job.facts import INFILL
from testburn.job.stakes import PRICES, Prices
from testburn.labbook import NEXT, columns, shown, tomlfile

FILE = "job.toml"
_WITHOUT_ARTWORK_MM2 = 6000.0
_EXAMPLE_PRICES = {"per_minute": 0.5, "board": 18.0, "finishing": 12.0, "proof_minutes": 6.0,
                   "rerun_minutes": 45.0, "deep_extra": 3.0, "shallow_rerun_share": 0.8,
                   "deep_lost_share": 0.2}
_TABLES = ("infill", "prices", "proof")
_DEPTH, _UNDER = columns.BY_NAME["depth_mm"], "Write [{}] on a line of its own, and its lines under it."
_PROOF = (
    columns.Field("board", "text", "The board it was burned on.", "Name the board.", names_file=True),
    replace(_DEPTH, name="depths_mm", many=True, above=0, at_least=None, remedy="In mm, e.g. [0.56, 0.55, 0.58]."),
    *(columns.BY_NAME[name] for name in (*columns.MACHINE_SETTING, "gauge_step_mm")),
    columns.Field("confirmed", "text", "Why a proof that looks like a slip is none.", "", required=False),
    columns.Field("invented", "yes or no", "Whether it is an example.", "", required=False),
)
SHEET = (
    columns.Field("name", "text", "The job's name.", "", required=False, names_file=True),
    *(replace(columns.BY_NAME[name], required=False) for name in columns.GROUP_KEY),
    replace(columns.BY_NAME["board_thickness_mm"], at_least=1, at_most=200),
    columns.Field("board", "text", "The board it is burned on.", "", required=False, names_file=True),
    columns.Field("artwork", "text", "A drawing in artwork/ of the lab book.", "", required=False),
    columns.Field("left_out_mm", "place", "Places in pieces of the drawing that are not engraved: lines to cut along.",
                  "Write [[x, y], [x, y]], places as the drawing's table gives them.", "mm", False, many=True),
    columns.Field("area_mm2", "number", "To engrave, where there is no drawing.", "Use mm²: 60 cm² are 6000 mm².", "mm²",
                  False, at_least=1, at_most=10_000_000),
    columns.Field("first", "text", "Which settings come first.", "Write fastest or surest.", required=False,
                  among=("fastest", "surest")),
    *(columns.Field(name, "table", "", _UNDER.format(name), required=False, of=of)
      for name, of in (("infill", INFILL), ("prices", PRICES), ("proof", _PROOF))),
)


@dataclass(frozen=True, eq=False)
class JobSheet:
    """What is to be made; None means: not said.

    `area_mm2` counts only where there is no artwork.
    """

    name: str = "the next sign"
    species: str | None = None
    module_w: float | None = None
    wavelength_nm: float | None = None
    module: str | None = None
    board: str = "Plaque-1"
    board_thickness_mm: float = 19.0
    artwork: str | None = None
    left_out_mm: list | None = None
    area_mm2: float = _WITHOUT_ARTWORK_MM2
    first: str = "fastest"
    infill: dict = field(default_factory=dict)
    prices: dict = field(default_factory=dict)
    proof: dict = field(default_factory=dict)

    def changed(self, **said) -> "JobSheet":
        """Return the sheet with some lines changed."""
        return replace(self, **said)

    @property
    def prices_or_examples(self) -> Prices:
        """The maker's prices, examples for those not typed; see `stakes.Prices`."""
        return Prices(**_EXAMPLE_PRICES | self.prices)

    @property
    def lines(self) -> dict[str, str]:
        """What the sheet says, as text; what it leaves open is not there."""
        unsaid = (*_TABLES, *(("area_mm2",) if self.artwork else ("artwork", "left_out_mm")))
        said = {one.name: getattr(self, one.name) for one in fields(self) if one.name not in unsaid}
        said |= {f"infill {name}": value for name, value in self.infill.items()}
        said |= {f"price, {name}": value if name in self.prices else f"{value:g} (an example; type your own)"
                 for name, value in (_EXAMPLE_PRICES | self.prices).items()}
        said |= {f"proof {name}": value for name, value in self.proof.items()}
        return {_with_unit(name): f"{value:g}" if isinstance(value, float) else str(value)
                for name, value in said.items() if value is not None}

    def __repr__(self) -> str:
        return "\n".join(f"{name}: {value}" for name, value in self.lines.items())

    def _repr_html_(self) -> str:
        left = ' style="text-align: left"'
        rows = "".join(f"<tr><th{left}>{shown.as_html(name)}</th><td{left}>{shown.as_html(value)}</td></tr>"
                       for name, value in self.lines.items())
        return f"<table><tbody>{rows}</tbody></table>"


def read(book: str | Path) -> JobSheet:
    """Return the job sheet of a lab book's folder; an empty one where job.toml is not there.

    Raises
    ------
    ReadingsError
        If the file is no TOML, or with every line that nobody asks for or that cannot be.
    """
    path = Path(book) / FILE
    if not path.exists():
        return JobSheet()
    said = tomlfile.read(path, SHEET, "Write one `name = value` a line, a point in numbers, texts in quotes, e.g. "
                                      'species = "white oak".')
    for table, line in (("", said.get("board")), ("[proof], ", said.get("proof", {}).get("board"))):
        if line == NEXT:
            raise ValueError(f"{path.name}: {table}{columns.BOARD_NAMED_NEXT}.")
    return JobSheet(**said)


def _with_unit(name: str) -> str:
    """Return a line's name in words, its unit after a comma."""
    words, _, unit = name.rpartition("_")
    units = {"mm2": "mm²", "mm": "mm", "nm": "nm", "w": "W"}
    return f"{words}, {units[unit]}".replace("_", " ") if unit in units else name.replace("_", " ")
