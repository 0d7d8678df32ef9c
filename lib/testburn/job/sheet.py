"""Job sheet: the job on the bench, said once for every notebook.

Decides which wood, module, drawing and board the notebooks work out a depth, minutes, settings and a
card for. It is job.toml of the lab book, typed by the maker; what is left out is taken from the best
known wood and module, so that an empty sheet works too. [infill] holds what `infill.window` asks,
[prices] what `stakes.Prices` asks, under the same names, and [proof] the depths of a proof swatch with
the setting it was burned with. Where no price is said, examples stand in, and the sheet says so.
"""

import html
import tomllib
from dataclasses import dataclass, field, fields, replace
from pathlib import Path

import pandas as pd
import shapely

from testburn.depthfit import DepthFit, GroupFit, NEXT, proof
from testburn.job import promise, settings
from testburn.job.infill import Film, OWN, VARIANTS, Window, window as depth_window
from testburn.job.settings import LINE_LENGTH_MM
from testburn.job.stakes import Prices
from testburn.labbook import Machine, burn_name_fault, columns
from testburn.sweep import Artwork, artwork

FILE = "job.toml"
_TEXTS = ("name", "species", "artwork", "board")
_WITHOUT_ARTWORK_MM2 = 6000.0
_VARIANT = "brush-filled"
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

    def group(self, fit: DepthFit) -> GroupFit:
        """Return the wood and module to engrave with: of those the sheet leaves open, the best known.

        Raises
        ------
        LookupError
            If nothing was burned that is as the sheet says.
        """
        said = {name: getattr(self, name) for name in columns.GROUP_KEY if getattr(self, name) is not None}
        found = [group for group in fit.groups
                 if all(getattr(group, name) == value for name, value in said.items())]
        if not found:
            asked = ", ".join(f"{name} = {value}" for name, value in said.items())
            raise LookupError(f"{FILE} says {asked}, and there is no fit for that. Fitted are: "
                              f"{'; '.join(group.name for group in fit.groups)}. Burn a board of it, or "
                              "choose one of these.")
        return max(found, key=lambda group: (group.boards, len(group.readings)))

    @property
    def bench(self) -> str:
        """The board to work out settings for: the job's own once it is proved, else the next one.

        A proof of another board proves nothing of this one.
        """
        return self.board if self.proof.get("board") == self.board else NEXT

    def proved(self, fit: DepthFit) -> DepthFit:
        """Return the fit with what the sheet's proof swatch taught; without one, the fit itself."""
        if self.bench == NEXT:
            return fit
        group = self.group(fit)
        burned = pd.Series({name: getattr(group, name) for name in columns.GROUP_KEY}
                           | {name: self.proof[name] for name in columns.MACHINE_SETTING})
        return fit.proved(proof(burned, self.board, self.proof["depths_mm"],
                                         self.proof["gauge_step_mm"],
                                         invented=self.proof.get("invented", False)))

    def promised(self, fit: DepthFit, machine: Machine, folder: Path) -> pd.DataFrame:
        """Return what may be promised today: this job's settings, then those of every card.

        A job that has no window or no drawing (any more) has none of its own.
        """
        cards = promise.of(fit, settings.for_card(fit, machine))
        try:
            group, drawing = self.group(fit), self.drawing(folder)
            window = self.window(fit, drawing).must_be_one()
        except (LookupError, ValueError):
            return cards
        asked = (group.species, group.module_w, window.at_least_mm, window.at_most_mm, machine)
        wave, found = dict(wavelength_nm=group.wavelength_nm, artwork=drawing), []
        if self.bench != NEXT:
            proved = self.proved(fit)
            sure = settings.choose(proved, *asked, board=self.bench, chance=0.95, **wave)
            found.append(promise.of(proved, settings.for_job(sure, drawing), self.bench, window))
        rows = settings.for_job(settings.fast_and_sure(fit, *asked, **wave), drawing)
        return pd.concat([*found, promise.of(fit, rows, window=window), cards], ignore_index=True)

    def drawing(self, folder: Path) -> Artwork:
        """Return the artwork out of its folder; where the sheet names none, a block of its area.

        Raises
        ------
        ValueError
            If it cannot be read, or is not there.
        """
        if self.artwork is None:
            # As long as lines usually are, so that minutes and settings are those without artwork.
            width, height = LINE_LENGTH_MM, self.area_mm2 / LINE_LENGTH_MM
            return Artwork(f"a block of {self.area_mm2 / 100:g} cm² (no artwork is named)", width, height,
                           (shapely.box(0, 0, width, height),))
        file = Path(folder) / self.artwork
        if not file.is_file():
            raise ValueError(f"{FILE} names the artwork {self.artwork}, which is not in {Path(folder).name}/ "
                             "of the lab book. Put the SVG there, or correct its name.")
        return artwork.read(file)

    def window(self, fit: DepthFit, drawing: Artwork, variant: str | None = None) -> Window:
        """Return the depth window of this job; see `infill.window`.

        Parameters
        ----------
        fit : DepthFit
        drawing : Artwork
        variant : str, optional
            Another way to fill it than the sheet's, with that way's own usual colour.

        Raises
        ------
        ValueError
            If [infill] says something that cannot be.
        """
        said = {name: _typed(value) for name, value in self.infill.items()}
        if variant not in (None, said.get("variant", _VARIANT)):
            said = {name: value for name, value in said.items() if name not in OWN} | {"variant": variant}
        asked = {"variant": _VARIANT, "narrowest_stroke_mm": drawing.narrowest_stroke_mm,
                 "species": self.group(fit).species, "board_thickness_mm": self.board_thickness_mm}
        try:
            return depth_window(**asked | said)
        except ValueError as fault:
            raise ValueError(f"{FILE}, [infill]: {fault}") from None

    def trouble(self, fit: DepthFit, folder: Path) -> str:
        """Say what is the matter with the job: its wood, drawing or window; nothing where all is well."""
        try:
            self.window(fit, self.drawing(folder)).must_be_one()
        except (LookupError, ValueError) as fault:
            return str(fault)
        return ""

    def variants(self, fit: DepthFit, drawing: Artwork) -> pd.DataFrame:
        """Return the window of every way to fill: variant, at_least_mm, at_most_mm, feasible, words."""
        found = [self.window(fit, drawing, variant) for variant in VARIANTS]
        return pd.DataFrame([{"variant": one.variant, "at_least_mm": one.at_least_mm,
                              "at_most_mm": one.at_most_mm, "feasible": one.feasible,
                              "words": one.words} for one in found])

    def costs(self) -> Prices:
        """Return the maker's prices, examples for those not said; see `stakes.Prices`."""
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
    try:
        said = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise ValueError(f"{path.name} cannot be read: {fault}. Write one `name = value` a line, a point in "
                         'numbers, texts in quotes, e.g. species = "white oak".') from None
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


def _typed(value):
    """Return what a line under [infill] means: a list is a span or grits, a table a film."""
    if isinstance(value, dict):
        spans = {name: tuple(one) if isinstance(one, list) else one for name, one in value.items()}
        try:
            return Film(**spans)
        except TypeError:
            raise ValueError(f"{FILE}: {value!r} is no film. Write coats, wet_mm and solids, e.g. "
                             "{coats = 3, wet_mm = [0.4, 0.6], solids = [0.35, 0.5]}.") from None
    return tuple(value) if isinstance(value, list) else value


def _with_unit(name: str) -> str:
    """Return a line's name in words, its unit after a comma."""
    words, _, unit = name.rpartition("_")
    units = {"mm2": "mm²", "mm": "mm", "nm": "nm", "w": "W"}
    return f"{words}, {units[unit]}".replace("_", " ") if unit in units else name.replace("_", " ")
