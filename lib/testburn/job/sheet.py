"""Job sheet: the job on the bench, said once for every notebook.

Decides what a maker may say of a job in job.toml of the lab book, and refuses the rest by name. What it comes
to with a fit, a machine and a drawing, `bench` works out; what is left out is taken from the best known wood
and module there, so that an empty sheet works too. [infill] holds what `infill.window` asks,
[prices] what `stakes.Prices` asks, under the same names, and [proof] the depths of a proof swatch with
the setting it was burned with. Where no price is said, examples stand in, and the sheet says so.
"""

import html
from dataclasses import dataclass, field, fields, replace
from pathlib import Path

from testburn.job.stakes import Prices
from testburn.labbook import NEXT, burn_name_fault, columns, makerfile

FILE = "job.toml"
_TEXTS = ("name", "species", "artwork", "board")
_WITHOUT_ARTWORK_MM2 = 6000.0
_EXAMPLE_PRICES = {"per_minute": 0.5, "board": 18.0, "finishing": 12.0, "proof_minutes": 6.0,
                   "rerun_minutes": 45.0, "deep_extra": 3.0, "shallow_rerun_share": 0.8,
                   "deep_lost_share": 0.2}
_TABLES = ("infill", "prices", "proof")
_PROOF = ("board", "depths_mm", *columns.MACHINE_SETTING, "gauge_step_mm", "invented")


@dataclass(frozen=True, eq=False)
class JobSheet:
    """What is to be made; None means: not said.

    `area_mm2` counts only where there is no artwork.
    """

    name: str = "the next sign"
    species: str | None = None
    module_w: float | None = None
    wavelength_nm: float | None = None
    board: str = "Plaque-1"
    board_thickness_mm: float = 19.0
    artwork: str | None = None
    area_mm2: float = _WITHOUT_ARTWORK_MM2
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
        unsaid = (*_TABLES, "area_mm2" if self.artwork else "artwork")
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
        rows = "".join(f"<tr><th{left}>{html.escape(name)}</th><td{left}>{html.escape(value)}</td></tr>"
                       for name, value in self.lines.items())
        return f"<table><tbody>{rows}</tbody></table>"


def read(book: str | Path) -> JobSheet:
    """Return the job sheet of a lab book's folder; an empty one where job.toml is not there.

    Raises
    ------
    ValueError
        If the file is no TOML, or says something that nobody asks for.
    """
    path = Path(book) / FILE
    if not path.exists():
        return JobSheet()
    said = makerfile.toml(path, "Write one `name = value` a line, a point in numbers, texts in quotes, e.g. "
                                'species = "white oak".')
    _must_be_known(path.name, "", said, [one.name for one in fields(JobSheet)])
    for table in _TABLES:
        if not isinstance(held := said.get(table, {}), dict):
            raise ValueError(f"{path.name}: {table} is {held!r}. Write [{table}] on a line of its own, "
                             "and its lines under it.")
    _must_be_known(path.name, " under [prices]", said.get("prices", {}),
                   [one.name for one in fields(Prices)])
    _must_be_a_proof(path.name, said.get("proof", {}))
    for name, value in said.items():
        wanted = str if name in _TEXTS else dict if name in _TABLES else (int, float)
        if not isinstance(value, wanted) or isinstance(value, bool):
            raise ValueError(f"{path.name}: {name} is {value!r}. Write "
                             + ("a text in quotes." if name in _TEXTS else "a number."))
        if wanted == (int, float) and not 0 < value < float("inf"):
            raise ValueError(f"{path.name}: {name} is {value:g}. Give a number above 0.")
        # Cards are named after both.
        if name in ("name", "board") and (fault := burn_name_fault(value)):
            raise ValueError(f"{path.name}: {name} is {value[:60]!r}: {fault[0]}. {fault[1]}")
    if said.get("board") == NEXT:
        raise ValueError(f"{path.name}: a board cannot be named {NEXT!r}: that means the one not yet seen.")
    return JobSheet(**said)


def _must_be_known(file: str, where: str, said: dict, known: list[str]) -> None:
    if strange := sorted(set(said) - set(known)):
        raise ValueError(f"{file} says {', '.join(strange)}{where}, which nothing asks for. "
                         f"Known are: {', '.join(known)}.")


def _must_be_a_proof(file: str, said: dict) -> None:
    """Refuse a proof that lacks its depths or setting, or has something else than numbers."""
    _must_be_known(file, " under [proof]", said, list(_PROOF))
    if missing := [name for name in _PROOF[:-1] if said and name not in said]:
        raise ValueError(f"{file}: [proof] lacks {', '.join(missing)}. Say the board, the depths you read, the "
                         "gauge's step, and the setting the swatch was burned with.")
    for name, value in said.items():
        wanted = {"invented": bool, "board": str}.get(name, (int, float))
        listed = isinstance(value, list) and len(value) > 0
        values = value if name == "depths_mm" and listed else [value]
        if any(not isinstance(one, wanted) or wanted == (int, float) and (isinstance(one, bool) or not one > 0)
               for one in values) or listed != (name == "depths_mm"):
            raise ValueError(f"{file}: {name} under [proof] is {value!r}. Write "
                             + {"depths_mm": "a list of depths in mm, e.g. [0.56, 0.55, 0.58].",
                                "invented": "true or false.", "board": "a text in quotes."}.get(name, "a number above 0."))


def _with_unit(name: str) -> str:
    """Return a line's name in words, its unit after a comma."""
    words, _, unit = name.rpartition("_")
    units = {"mm2": "mm²", "mm": "mm", "nm": "nm", "w": "W"}
    return f"{words}, {units[unit]}".replace("_", " ") if unit in units else name.replace("_", " ")
