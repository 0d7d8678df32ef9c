"""Bench: the job on the bench, with all that it comes to.

Decides, from what the maker said (`sheet`) with a fit, a machine and the folder of drawings, which wood and
module to engrave with, which drawing, the depth window, what the job's proof taught, its settings and what
may be promised: each worked out once. Of what the sheet leaves open, the best known is taken.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import pandas as pd

from testburn.depthfit import DepthFit, GroupFit, NEXT, proof, suspects
from testburn.job import promise, settings, sheet as job_sheet
from testburn.job.infill import OWN, VARIANTS, Film, Window
from testburn.job.infill import window as depth_window
from testburn.job.sheet import FILE, JobSheet
from testburn.labbook import Machine, columns
from testburn.sweep import Artwork, artwork

_VARIANT = "brush-filled"
# A proof that fewer boards than this would show is taken for a slip until the maker confirms it: our own judgement.
_IMPOSSIBLE = 0.001


@dataclass(frozen=True, eq=False)
class Job:
    """The job on the bench; `folder` is that of the drawings."""

    sheet: JobSheet
    fit: DepthFit
    machine: Machine
    folder: Path

    @classmethod
    def read(cls, book: str | Path, fit: DepthFit, machine: Machine = Machine()) -> "Job":
        """Return the job that a lab book's job.toml says; see `sheet.read` for what it refuses."""
        return cls(job_sheet.read(book), fit, machine, Path(book) / "artwork")

    def changed(self, **lines) -> "Job":
        """Return the job with some lines of its sheet changed."""
        return replace(self, sheet=self.sheet.changed(**lines))

    @cached_property
    def group(self) -> GroupFit:
        """The wood and module to engrave with: of those the sheet leaves open, the best known.

        Raises
        ------
        LookupError
            If nothing was burned that is as the sheet says, or its watts could mean several modules.
        """
        asked = {name: getattr(self.sheet, name) for name in columns.GROUP_KEY
                 if getattr(self.sheet, name) is not None}
        found = [group for group in self.fit.groups
                 if all(value in (getattr(group, name), group.module_name if name == "module" else None)
                        for name, value in asked.items())]
        if not found:
            words = ", ".join(f"{name} = {value}" for name, value in asked.items())
            raise LookupError(f"{FILE} says {words}, and there is no fit for that. Fitted are: "
                              f"{'; '.join(group.name for group in self.fit.groups)}. Burn a board of it, or "
                              "choose one of these.")
        best = max(found, key=lambda group: (group.boards, len(group.readings)))
        alike = [group.module_name for group in found
                 if (group.species, group.module_w, group.wavelength_nm) == (best.species, best.module_w, best.wavelength_nm)]
        if self.sheet.module_w is not None and len(alike) > 1:
            raise LookupError(f"{FILE} says module_w = {best.module_w:g}, and {best.species} was burned with several modules of "
                              f"these watts: {', '.join(alike)}. Write a line module = \"{alike[0]}\", or another of these.")
        return best

    @cached_property
    def drawing(self) -> Artwork:
        """The artwork out of its folder; where the sheet names none, a block of its area.

        Raises
        ------
        ValueError
            If it cannot be read, is not there, or burns nothing where a piece of it is to be left out.
        """
        sheet = self.sheet
        if sheet.artwork is None:
            # As long as lines usually are, so that minutes and settings are those without artwork.
            width, height = settings.LINE_LENGTH_MM, sheet.area_mm2 / settings.LINE_LENGTH_MM
            return artwork.block(f"a block of {sheet.area_mm2 / 100:g} cm² (no artwork is named)", width, height)
        file = self.folder / sheet.artwork
        if not file.is_file():
            raise ValueError(f"{FILE} names the artwork {sheet.artwork}, which is not in {self.folder.name}/ "
                             "of the lab book. Put the SVG there, or correct its name.")
        return artwork.read(file).without_places(*sheet.left_out_mm or ())

    @cached_property
    def window(self) -> Window:
        """The depth window of this job; see `infill.window`.

        Raises
        ------
        ValueError
            If [infill] says something that cannot be.
        """
        return self._window(None)

    @property
    def variants(self) -> pd.DataFrame:
        """The window of every way to fill: variant, at_least_mm, at_most_mm, feasible, words."""
        found = [self._window(variant) for variant in VARIANTS]
        return pd.DataFrame([{"variant": one.variant, "at_least_mm": one.at_least_mm,
                              "at_most_mm": one.at_most_mm, "feasible": one.feasible,
                              "words": one.words} for one in found])

    @property
    def ends_mm(self) -> tuple[float, float]:
        """Floor and ceiling of the window; refused in words where there is none."""
        window = self.window.must_be_one()
        return window.at_least_mm, window.at_most_mm

    @property
    def board(self) -> str:
        """The board to work out settings for: the job's own once it is proved, else the next one.

        A proof of another board proves nothing of this one.
        """
        return self.sheet.board if self.sheet.proof.get("board") == self.sheet.board else NEXT

    @property
    def proof_unused(self) -> str:
        """Say that the sheet's proof is of another board than the job's; mostly nothing."""
        proved = self.sheet.proof.get("board", self.sheet.board)
        return "" if proved == self.sheet.board else (
            f"The proof in {FILE} is of board {proved} and the job on board {self.sheet.board}: it is not used. Name the "
            f"board above all tables: board = \"{proved}\".")

    @cached_property
    def proved(self) -> DepthFit:
        """The fit with what the sheet's proof swatch taught; without one, the fit itself.

        Raises
        ------
        ValueError
            If the proof is next to impossible or a slip would explain it, and the sheet does not confirm it.
        """
        if self.board == NEXT:
            return self.fit
        proved = self.sheet.proof
        burned = pd.Series({name: getattr(self.group, name) for name in columns.GROUP_KEY}
                           | {name: proved[name] for name in columns.MACHINE_SETTING})
        learned = self.fit.proved(proof(burned, self.board, proved["depths_mm"], proved["gauge_step_mm"],
                                        invented=proved.get("invented", False)))
        if not proved.get("confirmed"):
            self._must_be_likely(proved, float(learned.proofs["surprise_p"].iloc[0]))
        return learned

    def _must_be_likely(self, proved: dict, surprise_p: float) -> None:
        """Refuse a proof that the lab book calls next to impossible, or that a slip would explain."""
        mean = sum(proved["depths_mm"]) / len(proved["depths_mm"])
        setting = {name: proved[name] for name in columns.MACHINE_SETTING}
        words = suspects.slip(self.group, setting | {"module_w": self.group.module_w, "depth_mm": mean})
        if words or surprise_p < _IMPOSSIBLE:
            odds = f"one board in {1 / max(surprise_p, 1e-6):,.0f} would show it" if surprise_p < _IMPOSSIBLE else (
                "the lab book's curve does not expect it")
            raise ValueError(f"{FILE}, [proof]: a mean of {mean:.3g} mm at this setting: {odds}."
                             + f" Perhaps {words}." * bool(words) + " No setting is made from it. Check species, module, "
                             "setting and gauge, and correct it; if it is so all the same, write a line "
                             'confirmed = "why" under [proof].')

    def choose(self, chance: float = settings.GOOD_CHANCE) -> pd.DataFrame:
        """Return the settings for the next board that land inside the window; see `settings.choose`."""
        return settings.for_group(self.fit, self.group, *self.ends_mm, self.machine, chance=chance,
                                  artwork=self.drawing)

    @cached_property
    def fast_and_sure(self) -> pd.DataFrame:
        """The fastest settings for the next board and the surest, in the order the sheet says; see `settings.fast_and_sure`."""
        return settings.fast_and_sure(self.fit, self.group, *self.ends_mm, machine=self.machine,
                                      artwork=self.drawing, first=self.sheet.first)

    @cached_property
    def on_this_board(self) -> pd.DataFrame:
        """The settings for the board that was proved, 95 % sure where any is."""
        return settings.for_group(self.proved, self.group, *self.ends_mm, self.machine, board=self.board,
                                  chance=settings.SURE_CHANCE, artwork=self.drawing)

    @property
    def trouble(self) -> str:
        """What is the matter with the job: its wood, drawing, window or proof; nothing where all is well."""
        try:
            self.ends_mm, self.proved
        except (LookupError, ValueError) as fault:
            return str(fault)
        return ""

    @property
    def promised(self) -> pd.DataFrame:
        """What may be promised today: this job's settings, then those of every card.

        A job that has no window or no drawing (any more) has none of its own.
        """
        cards = promise.of(self.fit, settings.for_card(self.fit, self.machine))
        if self.trouble:
            return cards
        found = [promise.of(self.proved, settings.for_job(self.on_this_board, self.drawing), self.board,
                            self.window)] if self.board != NEXT else []
        rows = settings.for_job(self.fast_and_sure, self.drawing)
        return pd.concat([*found, promise.of(self.fit, rows, window=self.window), cards], ignore_index=True)

    def _window(self, variant: str | None) -> Window:
        """Return the window of the sheet's way to fill, or of another with that way's own usual colour."""
        typed = {name: _typed(value) for name, value in self.sheet.infill.items()}
        if variant not in (None, typed.get("variant", _VARIANT)):
            typed = {name: value for name, value in typed.items() if name not in OWN} | {"variant": variant}
        asked = {"variant": _VARIANT, "narrowest_stroke_mm": self.drawing.narrowest_stroke_mm,
                 "species": self.group.species, "board_thickness_mm": self.sheet.board_thickness_mm}
        try:
            return depth_window(**asked | typed)
        except ValueError as fault:
            raise ValueError(f"{FILE}, [infill]: {fault}") from None

    def __repr__(self) -> str:
        return repr(self.sheet)

    def _repr_html_(self) -> str:
        return self.sheet._repr_html_()


def _typed(value):
    """Return what a line under [infill] means: a list is a span or grits, a table a film."""
    if isinstance(value, dict):
        spans = {name: tuple(one) if isinstance(one, list) else one for name, one in value.items()}
        return Film(**spans)
    return tuple(value) if isinstance(value, list) else value
