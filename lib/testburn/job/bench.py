"""Bench: the open order, with all that it comes to.

Decides, from what the maker said (`order`) with a fit, a machine and the folder of drawings, which wood and
module to engrave with, which drawing, the depth window, what the proofs of the board on the bench taught, the one
setting to use and what may be promised: each worked out once. Of what the order leaves open, the best known is taken.
Before a proof everything is for the next board; after it for the board that was proved, and for no other.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from testburn import sweep
from testburn.depthfit import DepthFit, GroupFit, NEXT, proof, suspects
from testburn.job import finishing, firstpiece, orders, outcome, promise, quote, settings
from testburn.job.facts import PRACTICE, Fact
from testburn.job.infill import VARIANTS, Film, Window, another_way
from testburn.job.infill import window as depth_window
from testburn.job.order import Order
from testburn.job.quote import Batch, Quote
from testburn.job.stakes import Stakes, compare
from testburn.labbook import Machine, columns, jobs
from testburn.sweep import Artwork, artwork

_VARIANT = "brush-filled"
# A proof that fewer boards than this would show is taken for a slip until the maker confirms it: our own judgement.
_IMPOSSIBLE = 0.001
_MOST_ON_A_CARD = 4
# Where fewer pieces get a second pass, nothing is planned: one pass at that speed is as good.
_FEW = 0.05
# A board is no narrower and no wider than an order may say; see `facts`.
_LEAST_WIDTH_MM, _MOST_WIDTH_MM = 5, 1000


@dataclass(frozen=True, eq=False)
class Job:
    """The job on the bench; `folder` is that of the drawings."""

    order: Order
    fit: DepthFit
    machine: Machine
    folder: Path

    @classmethod
    def read(cls, book: str | Path, fit: DepthFit, machine: Machine = Machine()) -> "Job":
        """Return the job that a lab book's open order says; see `orders.read` for what it refuses."""
        return cls(orders.read(book), fit, machine, Path(book) / "artwork")

    def changed(self, **lines) -> "Job":
        """Return the job with some lines of its order changed."""
        return replace(self, order=self.order.changed(**lines))

    @cached_property
    def group(self) -> GroupFit:
        """The wood and module to engrave with: of those the order leaves open, the best known.

        Raises
        ------
        LookupError
            If nothing was burned that is as the order says, or its watts could mean several modules.
        """
        if self.fit is None:
            raise LookupError("There is no curve yet: burn swatches and enter their depths first.")
        asked = {name: getattr(self.order, name) for name in columns.GROUP_KEY
                 if getattr(self.order, name) is not None}
        found = [group for group in self.fit.groups
                 if all(value in (getattr(group, name), group.module_name if name == "module" else None)
                        for name, value in asked.items())]
        if not found:
            words = ", ".join(f"{name} = {value}" for name, value in asked.items())
            raise LookupError(f"{self.order.place} says {words}, and there is no fit for that. Fitted are: "
                              f"{'; '.join(group.name for group in self.fit.groups)}. Burn a board of it, or "
                              "choose one of these.")
        best = max(found, key=lambda group: (group.boards, len(group.readings)))
        alike = [group.module_name for group in found
                 if (group.species, group.module_w, group.wavelength_nm) == (best.species, best.module_w, best.wavelength_nm)]
        if self.order.module_w is not None and len(alike) > 1:
            raise LookupError(f"{self.order.place} says module_w = {best.module_w:g}, and {best.species} was burned with several modules of "
                              f"these watts: {', '.join(alike)}. Write a line module = \"{alike[0]}\", or another of these.")
        return best

    @cached_property
    def drawing(self) -> Artwork:
        """The artwork out of its folder; where the order names none, a block of its area.

        Raises
        ------
        ValueError
            If it cannot be read, is not there, or burns nothing where a piece of it is to be left out.
        """
        order = self.order
        if order.artwork is None:
            # As long as lines usually are, so that minutes and settings are those without artwork.
            width, height = settings.LINE_LENGTH_MM, order.area_mm2 / settings.LINE_LENGTH_MM
            return artwork.block(f"a block of {order.area_mm2 / 100:g} cm² (no artwork is named)", width, height)
        file = self.folder / order.artwork
        if not file.is_file():
            raise ValueError(f"{self.order.place} names the artwork {order.artwork}, which is not in {self.folder.name}/ "
                             "of the lab book. Put the SVG there, or correct its name.")
        white = {} if order.white_pct is None else {"paler_than": round(2.55 * order.white_pct)}
        return sweep.read(file, **white, width_mm=order.drawing_width_mm).without_places(*order.left_out_mm or ())

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
        """The board to work out settings for: the one on the bench once it is proved, else the next one.

        A proof of another board proves nothing of this one.
        """
        on_bench = self.order.on_bench
        return on_bench if self.order.proofs_of(on_bench) else NEXT

    @property
    def left_open(self) -> dict:
        """Wood and module as lines of an order, those it leaves open: from its first proof on it is of no other."""
        return {} if self.trouble else {name: getattr(self.group, name) or None for name in columns.GROUP_KEY if getattr(self.order, name) is None}

    @property
    def standing(self) -> str:
        """What the order's card stands on: no proof yet, or which board's."""
        if self.board == NEXT:
            return "before proof"
        swatches = len(self.order.proofs_of(self.board))
        return f"proved on board {self.board}" + f" with {swatches} swatches" * (swatches > 1)

    @property
    def proof_unused(self) -> str:
        """Say that the order's proofs are of other boards than the one on the bench; mostly nothing."""
        if self.board != NEXT or not self.order.proofs:
            return ""
        proved = self.order.proofs[-1]["board"]
        return (f"The proof in {self.order.place} is of board {proved} and the job on board {self.order.board}: it is not used. Burn a proof on board "
                f"{self.order.board} and enter it; or, where {proved} lies on the bench, write that under Board on the bench.")

    @property
    def drawing_changed(self) -> str:
        """Say that the drawing is not the version that the order was made for; mostly nothing."""
        order = self.order
        now = orders.fingerprint(self.folder.parent, order.artwork) if order.artwork_sha256 else None
        if now is None or now == order.artwork_sha256.strip().casefold():
            return ""
        return (f"The drawing {order.artwork} is not the one that the order was made for: its fingerprint begins with {now[:12]}, and "
                f"{order.place} says {order.artwork_sha256[:12]}. See whether that is meant; if so, write artwork_sha256 = \"{now}\".")

    @property
    def size_unsure(self) -> str:
        """Say that the drawing's size is a guess; mostly nothing."""
        return "" if self.trouble else next((words for words in self.drawing.remarks if words.startswith(sweep.SIZE_IN_PX)), "")

    @property
    def notes(self) -> list[str]:
        """What to know of the order before its card is used; mostly nothing."""
        return [words for words in (*self.missed, self.size_unsure, self.proof_unused, self.drawing_changed, "" if self.trouble else finishing.through(self.window)) if words]

    @cached_property
    def proved(self) -> DepthFit:
        """The fit with what the proof swatches of the board on the bench taught; without any, the fit itself.

        Raises
        ------
        ValueError
            If a proof is next to impossible or a slip would explain it, and the order does not confirm it.
        """
        fit = self.fit
        for number, proved in enumerate(self.order.proofs_of(self.board), start=1):
            burned = pd.Series({name: getattr(self.group, name) for name in columns.GROUP_KEY}
                               | {name: proved[name] for name in columns.MACHINE_SETTING})
            seen = proof(burned, self.board, proved["depths_mm"], proved["gauge_step_mm"], str(number),
                         invented=proved.get("invented", False))
            if not proved.get("confirmed"):
                self._must_be_likely(proved, float(self.fit.proved(seen).proofs["surprise_p"].iloc[0]))
            fit = fit.proved(seen)
        return fit

    def _must_be_likely(self, proved: dict, surprise_p: float) -> None:
        """Refuse a proof that the lab book calls next to impossible, that a slip would explain, or one reading of which strays."""
        so = 'if it is so all the same, write a line confirmed = "why" under [proof].'
        if stray := suspects.stray(proved["depths_mm"]):
            raise ValueError(f"{self.order.place}, [proof]: {stray}. No setting is made from it. Correct it; {so}")
        mean = sum(proved["depths_mm"]) / len(proved["depths_mm"])
        setting = {name: proved[name] for name in columns.MACHINE_SETTING}
        words = suspects.slip(self.group, setting | {"module_w": self.group.module_w, "depth_mm": mean})
        if words or surprise_p < _IMPOSSIBLE:
            odds = f"one board in {1 / max(surprise_p, 1e-6):,.0f} would show it" if surprise_p < _IMPOSSIBLE else (
                "the lab book's curve does not expect it")
            raise ValueError(f"{self.order.place}, [proof]: a mean of {mean:.3g} mm at this setting: {odds}."
                             + f" Perhaps {words}." * bool(words) + " No setting is made from it. Check wood, module, "
                             f"setting and gauge, and correct it; {so}")

    def choose(self, chance: float = settings.GOOD_CHANCE) -> pd.DataFrame:
        """Return the settings for the next board that land inside the window; see `settings.choose`."""
        return settings.for_group(self.fit, self.group, *self.ends_mm, self.machine, chance=chance,
                                  artwork=self.drawing)

    @cached_property
    def fast_and_sure(self) -> pd.DataFrame:
        """The fastest settings for the next board and the surest, in the order the order says; see `settings.fast_and_sure`."""
        return settings.fast_and_sure(self.fit, self.group, *self.ends_mm, machine=self.machine,
                                      artwork=self.drawing, first=self.order.first)

    @cached_property
    def modules(self) -> pd.DataFrame:
        """Which module for this job: each with a curve for its wood, side by side, on the next board; see `settings.by_module`."""
        return settings.by_module(self.fit, self.group.species, *self.ends_mm, self.machine, self.drawing)

    @cached_property
    def on_this_board(self) -> pd.DataFrame:
        """The settings for the board that was proved, 95 % sure where any is."""
        return settings.for_group(self.proved, self.group, *self.ends_mm, self.machine, board=self.board,
                                  chance=settings.SURE_CHANCE, artwork=self.drawing)

    @property
    def choices(self) -> pd.DataFrame:
        """The settings for the state the order is in, the recommended one first: for the next board, or the one that was proved."""
        return self.fast_and_sure if self.board == NEXT else self.on_this_board.head(_MOST_ON_A_CARD)

    @property
    def recommended(self) -> pd.Series:
        """The one setting to use."""
        return self.choices.iloc[0]

    @cached_property
    def stakes(self) -> Stakes:
        """Whether a proof is worth its minutes for one piece; the pieces of a board share its proof."""
        prices, a_board = self.order.prices_or_examples, min(self.pieces_a_board, self.order.pieces)
        choice = self.fast_and_sure.iloc[0]
        return compare(self.fit, choice, *self.ends_mm, choice["minutes"], replace(prices, proof_minutes=prices.proof_minutes / a_board),
                       self.machine, loses=self.loses)

    @cached_property
    def quote(self) -> Quote:
        """What the order comes to; see `quote`. Before a proof, averaged over what the proof may show."""
        prices, order = self.order.prices_or_examples, self.order
        outcomes = self.stakes.outcomes if self.board == NEXT else self.recommended.to_frame().T.assign(
            chance_deep=lambda row: 1 - row["chance_inside"] - row["chance_shallow"])
        return quote.of(order.pieces, self.pieces_a_board, outcomes, prices, order.example_prices)

    @property
    def batch(self) -> Batch:
        """The order's pieces, board by board, with their minutes."""
        return self.quote.batch

    @cached_property
    def loses(self) -> firstpiece.Second:
        """What a second pass loses on this wood and module, with what was recorded of earlier ones; see `firstpiece.second`."""
        recorded = jobs.second_passes(self.folder.parent) if self.order.file else None
        return firstpiece.second(self.fit, self.group, recorded)

    def top_up(self, measured_mm: float, burned: pd.Series | None = None, speeds_mm_s=None) -> pd.Series:
        """Return the second pass of a recess of this depth, of all speeds or some; see `firstpiece.top_up`.

        Parameters
        ----------
        burned : Series, optional
            Its first pass and board, a row of `jobs.read` with its energy; the recommended setting by default.
        """
        choice = self.recommended if burned is None else burned
        board = self.board if burned is None or burned.get("board", self.board) == self.board else NEXT
        return firstpiece.top_up(self.proved, choice, measured_mm, *self.ends_mm, self.machine, board, loses=self.loses, speeds_mm_s=speeds_mm_s)

    def second_pass(self, measured_mm: float, burned: pd.Series | None = None) -> str:
        """Say with which second pass a recess of this depth is brought into the window; see `top_up`."""
        if not isinstance(measured_mm, (int, float)):
            raise ValueError(f"The measured depth is {measured_mm}: write one number with a point, e.g. 0.36.")
        choice, units = self.recommended if burned is None else burned, self.machine.units
        if choice["passes"] != 1:
            return f"The setting has {choice['passes']:g} passes: what one more adds to them is not known here. Prove it on waste wood."
        if measured_mm >= self.window.at_least_mm:
            return f"{measured_mm:.2f} mm is as deep as the window's floor ({self.window.at_least_mm:.2f} mm): no second pass is needed."
        more = self.top_up(measured_mm, burned)
        minutes = sweep.plan(self.drawing, choice["line_pitch_mm"], self.machine).fastest_minutes(np.array([more["speed_mm_s"]]), 1)[0]
        weak = " So weak a pass was never burned: try it on waste wood first." * bool(more["beyond"])
        return (f"{measured_mm:.2f} mm is too shallow. Burn the piece once more, where it lies, at {units.said('speed_mm_s', more['speed_mm_s'])}, "
                f"power and pitch as before: about {more['depth_mm']:.2f} mm deep then, {firstpiece.of_100(more['chance_inside'])} land inside "
                f"the window, {minutes:.0f} minutes more. Measure again: {self.loses.said}.{weak} If the piece was moved, the second pass lies "
                "beside the first: burn another piece instead.")

    @property
    def planned_second_pass(self) -> str:
        """Say what it brings to burn a little too shallow, measure, and finish; see `firstpiece.planned`."""
        choice, units = self.recommended, self.machine.units
        if choice["passes"] != 1:
            return ""
        plan = firstpiece.planned(self.proved, choice, *self.ends_mm, self.machine, self.board, loses=self.loses)
        if plan["topped_up"] < _FEW:
            return ""
        return (f"Planned from the start: the first pass at {units.said('speed_mm_s', plan['speed_mm_s'])} aims at {plan['aim_mm']:.2f} mm, "
                f"{100 * plan['topped_up']:.0f} of 100 pieces then need a second one, and {firstpiece.of_100(plan['chance_inside'])} end "
                f"inside, where one pass alone brings {100 * choice['chance_inside']:.0f}.")

    @property
    def pieces_a_board(self) -> int:
        """As said; where it is not, a piece is a board of its own."""
        return self.order.pieces_a_board or 1

    @cached_property
    def finished(self) -> pd.DataFrame | None:
        """The order's finished recesses, as `outcome.of` has them; None where no order is open."""
        return None if self.order.file in ("", orders.FORMER) else outcome.of(self.folder.parent, self.order).table

    @property
    def missed(self) -> list[str]:
        """Say which pieces on the board on the bench came out beside the window since its last proof."""
        if self.board == NEXT or self.finished is None or self.finished.empty:
            return []
        proved = pd.Timestamp(max(str(one.get("proved_on") or "") for one in self.order.proofs_of(self.board)) or "1900-01-01")
        rows = self.finished[(self.finished["board"] == self.board)  # None is neither inside nor outside
                             & (self.finished["inside"].eq(False) | (self.finished["first_mm"] < self.finished["at_least_mm"]))
                             & (pd.to_datetime(self.finished["finished_on"]) >= proved)]
        return [outcome.missed(row) for row in rows.itertuples()]

    @property
    def condition(self) -> str:
        """What the page says of the order first."""
        if self.order.finished:
            return self.trouble or f"It is finished, on {self.order.finished['on']}: open another order, or repeat it."
        return self.trouble or ("" if self.missed or self.size_unsure or not self.order.file else f"Nothing is the matter with it. It is {self.standing}.")

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
        """What may be promised today: this order's settings as its card has them, then those of every wood's card.

        A job that has no window or no drawing (any more), or is no order's, has none of its own.
        """
        cards = promise.of(self.fit, settings.for_card(self.fit, self.machine))
        if self.trouble or not self.order.file:
            return cards
        own = promise.of(self.proved, settings.for_job(self.choices, self.drawing), self.board, self.window, self.order.name)
        return pd.concat([own, cards], ignore_index=True)

    def _window(self, variant: str | None) -> Window:
        """Return the window of the order's way to fill, or of another with that way's own usual colour."""
        typed = {name: _typed(value) for name, value in self.order.infill.items()}
        asked = {"variant": _VARIANT, "narrowest_stroke_mm": self.drawing.narrowest_stroke_mm,
                 "species": self.group.species, "board_thickness_mm": self.order.board_thickness_mm} | self._drawn_width
        try:
            own = depth_window(**asked | typed)
            return own if variant in (None, own.variant) else another_way(own, variant)
        except ValueError as fault:
            raise ValueError(f"{self.order.place}, [infill]: {fault}") from None

    @property
    def _drawn_width(self) -> dict[str, Fact]:
        """Return the board's width for its cup, from the drawing; nothing where there is none."""
        across = max(_LEAST_WIDTH_MM, min(self.drawing.width_mm, self.drawing.height_mm, _MOST_WIDTH_MM))
        source = f"the drawing's shorter side, as a sign's grain mostly runs along its longer one: {PRACTICE}"
        return {"board_width_mm": Fact(round(across, 1), source)} if self.order.artwork else {}

    def __repr__(self) -> str:
        return repr(self.order)

    def _repr_html_(self) -> str:
        return self.order._repr_html_()


def _typed(value):
    """Return what a line under [infill] means: a list is a span or grits, a table a film."""
    if isinstance(value, dict):
        spans = {name: tuple(one) if isinstance(one, list) else one for name, one in value.items()}
        return Film(**spans)
    return tuple(value) if isinstance(value, list) else value
