"""Artwork: what burns of a drawing, at its true size.

Decides that what is not white as a browser shows it burns, whole and to one depth; what a piece is (burned runs that
hang together); which outline is a cut and not engraved; and what a maker is told of all that. Distances are mm on the
wood, x along the lines and y across them, from the page's top left corner.
"""

import base64
import io
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
from PIL import Image

from testburn.labbook import shown
from testburn.sweep import picture, pieces, svgfile
from testburn.sweep.pieces import BOX
from testburn.sweep.svgfile import ArtworkError, Drawing

MOST_PIECES, _DUST = 20_000, 1e-3
# No diode module's line is narrower: our own judgement. An outline below it is drawn to cut along.
CUT_MM, NARROWEST_MM = 0.1, 0.05
# How far beside a piece a place typed for it may lie.
_BESIDE_MM = 0.2
_BROAD_MM = 10.0
_PAGE_PX, _SHOWN_PX = 420, 600
_DEEP = "burn as deep as black. Make white what is not to burn."
# Of the pale tail of a shade, under a hundredth of what burns, nobody has to be told that it does not.
_PALE = (("paint so pale that it counts as white", "do not burn.", 0.01),
         ("nearly white paint", _DEEP, 0), ("paint paler than half black", _DEEP, 0))


@dataclass(frozen=True, eq=False)
class Artwork:
    """What a drawing burns: runs in rows of `step_mm`, and the pieces they make.

    `row`, `left_mm`, `right_mm`, `piece` have an entry a run, sorted by row and place. `pieces` has a row a piece in
    reading order (by their tops, then from the left): left_mm, top_mm, right_mm, bottom_mm, area_mm2, perimeter_mm,
    holes, goes_round, narrowest_mm. `marks_mm` are boxes that remarks speak of; `left_out` counts pieces that are not
    engraved.
    """

    name: str
    width_mm: float
    height_mm: float
    step_mm: float
    row: np.ndarray
    left_mm: np.ndarray
    right_mm: np.ndarray
    piece: np.ndarray
    pieces: pd.DataFrame
    remarks: tuple[str, ...] = ()
    content: bytes = b""
    marks_mm: tuple[tuple[float, ...], ...] = ()
    left_out: int = 0

    @property
    def bounds_mm(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom of all that is burned."""
        ends = self.pieces[BOX]
        return *ends.min()[:2].tolist(), *ends.max()[2:].tolist()

    @property
    def area_mm2(self) -> float:
        """The burned area."""
        return float(self.pieces["area_mm2"].sum())

    @property
    def perimeter_mm(self) -> float:
        """The length of all outlines, holes included; right to about 1 %."""
        return float(self.pieces["perimeter_mm"].sum())

    @property
    def narrowest_stroke_mm(self) -> float:
        """The narrowest stroke; see `pieces`. Found to about 2 %, or half a pixel; 0.05 mm at least."""
        return max(NARROWEST_MM, float(self.pieces["narrowest_mm"].min()))

    @property
    def narrow_place_mm(self) -> tuple[float, float]:
        """Where the narrowest stroke is, x and y from the page's top left corner."""
        return tuple(self.pieces.loc[self.pieces["narrowest_mm"].idxmin(), list(pieces.NARROW)])

    @property
    def widest_stroke_mm(self) -> float:
        """How wide every stroke of the broadest piece is at least: there a gauge goes in."""
        return max(NARROWEST_MM, float(self.pieces["narrowest_mm"].max()))

    @property
    def table(self) -> pd.DataFrame:
        """A row per piece: piece, x_mm, y_mm (a place in it), left_mm, top_mm, width_mm, height_mm, area_mm2, ….

        Its last columns are perimeter_mm and holes.
        """
        # The widest run of each, the lowest of equal ones.
        run = pd.Series(self.right_mm - self.left_mm)[::-1].groupby(self.piece[::-1]).idxmax().to_numpy()
        left, top, right, bottom = self.pieces[BOX].to_numpy().T
        return pd.DataFrame({
            "piece": np.arange(1, len(run) + 1), "x_mm": ((self.left_mm + self.right_mm)[run] / 2).round(2),
            "y_mm": ((self.row[run] + 0.5) * self.step_mm).round(2), "left_mm": left, "top_mm": top,
            "width_mm": right - left, "height_mm": bottom - top, **self.pieces[["area_mm2", "perimeter_mm", "holes"]]})

    @property
    def words(self) -> str:
        """Return the drawing in a sentence or two, with every remark."""
        left, top, right, bottom = self.bounds_mm
        return " ".join([
            f"{self.name}: {shapes(len(self.pieces), 'separate shape')} on a page of {self.width_mm:.4g} × {self.height_mm:.4g} mm "
            f"({self.width_mm / 25.4:.3g} × {self.height_mm / 25.4:.3g} in), "
            f"{self.area_mm2 / 100:.1f} cm² burned within {right - left:.1f} × {bottom - top:.1f} mm.", *self.remarks,
            self.hair_words]).rstrip()

    @property
    def stroke_words(self) -> str:
        """Say how narrow the strokes are, and what that may do."""
        x, y = self.narrow_place_mm
        said = f"Its narrowest stroke is {self.narrowest_stroke_mm:.2g} mm wide, at {x:.0f} {y:.0f}."
        if self.narrowest_stroke_mm > _BROAD_MM:
            said = f"It has no long stroke narrower than {_BROAD_MM:g} mm."
        return (f"{said} Strokes narrower than your swatches "
                "may come out otherwise: short lines return sooner and run hotter, and a head without run-up burns "
                "their ends deeper. A proof with strokes of that width tells.")

    @cached_property
    def hairs(self) -> pd.Series:
        """Whether a piece is an outline thinner than any line could burn."""
        length = self.pieces["perimeter_mm"]
        return (2 * self.pieces["area_mm2"] < CUT_MM * length) & (length > 50 * CUT_MM)

    @property
    def specks(self) -> pd.Series:
        """Whether a piece is smaller each way than any line could burn: most are what a hairline leaves at its corners."""
        return (self.pieces["right_mm"] - self.pieces["left_mm"] < CUT_MM) & (self.pieces["bottom_mm"] - self.pieces["top_mm"] < CUT_MM)

    @property
    def hair_words(self) -> str:
        """Say how thin outlines that burn are left out; nothing where there is none."""
        found = self.table[self.hairs]
        places = "; ".join(f"{x:g} {y:g}" for x, y in zip(found["x_mm"], found["y_mm"]))
        burns, them = ("burns", "it") if len(found) == 1 else ("burn", "them")
        return (f"{shapes(len(found), 'outline')} thinner than {CUT_MM:g} mm {burns} like all else. To cut along {them}, not to engrave, "
                f"type {places} into the order's box Left out at.") * bool(places)

    def without(self, *pieces: int) -> "Artwork":
        """Return the drawing without some pieces of `table`, by their numbers: lines to cut along, and specks that no beam could burn."""
        gone = np.isin(np.arange(1, len(self.pieces) + 1), pieces)
        if wrong := set(pieces) - set(range(1, len(self.pieces) + 1)):
            raise ArtworkError(f"{self.name} has no shape {min(wrong)}. Its shapes are 1 to {len(self.pieces)}.")
        if gone.all():
            raise ArtworkError(f"{self.name} burns nothing but cut lines. Leave a piece to be engraved.")
        if not gone.any():
            return self
        small = gone & self.specks
        said = f"{shapes(int(small.sum()), 'speck')} smaller than {CUT_MM:g} mm left out." if small.any() else ""
        if count := int((gone & ~small).sum()):
            wide = (2 * self.pieces["area_mm2"] / self.pieces["perimeter_mm"])[gone & ~small].max()
            said = " ".join(filter(None, [f"{shapes(count, 'outline')} {wide:.2g} mm wide "
                                          f"{'is taken for a cut line' if count == 1 else 'are taken for cut lines'} and not engraved.", said]))
        runs = ~gone[self.piece]
        return replace(
            self, row=self.row[runs], left_mm=self.left_mm[runs], right_mm=self.right_mm[runs],
            piece=(np.cumsum(~gone) - 1)[self.piece[runs]], pieces=self.pieces[~gone].reset_index(drop=True),
            remarks=(*self.remarks, said), left_out=self.left_out + int(gone.sum()),
            marks_mm=(*self.marks_mm, *self.pieces.loc[gone, BOX].itertuples(index=False, name=None)))

    def without_places(self, *places_mm: tuple[float, float]) -> "Artwork":
        """Return the drawing without the pieces that lie at places x, y, as `table` gives them.

        Raises
        ------
        ArtworkError
            If nothing burns at a place.
        """
        pieces = []
        for x, y in places_mm:
            aside = np.maximum(np.abs((self.row + 0.5) * self.step_mm - y) - self.step_mm / 2, 0)
            beside = np.hypot(aside, np.maximum(np.maximum(self.left_mm - x, x - self.right_mm), 0))
            pieces.append(self.piece[beside.argmin()] + 1)
            if beside.min() > _BESIDE_MM:
                near = self.table.iloc[pieces[-1] - 1]
                raise ArtworkError(
                    f"{self.name} burns nothing at {x:g} {y:g}, so no piece can be left out there. The nearest "
                    f"piece lies at {near['x_mm']:g} {near['y_mm']:g}. Correct the order's box Left out at (left_out_mm), or take the "
                    "place out of it.")
        return self.without(*pieces)

    @cached_property
    def picture_png(self) -> bytes:
        """What burns as a small picture, dark brown on nothing, for the page and for a card."""
        scale = _SHOWN_PX / max(self.width_mm, self.height_mm)
        wide, high = (max(1, round(side * scale)) for side in (self.width_mm, self.height_mm))
        # Four places a pixel, so that thin lines keep their share of it.
        turns = np.zeros((max(round(self.height_mm / self.step_mm), self.row[-1] + 1), 4 * wide + 1), np.int16)
        np.add.at(turns, (self.row, np.clip(np.floor(4 * scale * self.left_mm), 0, 4 * wide).astype(int)), 1)
        np.add.at(turns, (self.row, np.clip(np.ceil(4 * scale * self.right_mm), 0, 4 * wide).astype(int)), -1)
        burned = Image.fromarray((np.cumsum(turns, axis=1)[:, :-1] > 0).astype(np.uint8) * 255)
        brown, png = Image.new("RGBA", (wide, high), "#3a2a1a"), io.BytesIO()
        brown.putalpha(burned.resize((wide, high), Image.Resampling.BOX))
        brown.save(png, "PNG")
        return png.getvalue()

    def __repr__(self) -> str:
        return shown.harmless(self.words)

    def _repr_html_(self) -> str:
        """Draw the drawing, and what burns laid over it; a picture runs no script and fetches nothing."""
        frame = f'width="{_PAGE_PX}" style="max-width:100%;background:#fff;border:1px solid #bbb"'
        whole = f'width="{self.width_mm:.2f}" height="{self.height_mm:.2f}"'
        drawn, burned = (f"data:image/{kind};base64,{base64.b64encode(content).decode()}" for kind, content in (
            ("svg+xml", self.content), ("png", self.picture_png)))
        marks = "".join(f'<rect x="{left:.2f}" y="{top:.2f}" width="{right - left:.2f}" height="{bottom - top:.2f}" '
                        'fill="none" stroke="#d55e00" stroke-width="2" vector-effect="non-scaling-stroke"/>'
                        for left, top, right, bottom in (*self.marks_mm, *self.pieces.loc[self.hairs, BOX].to_numpy()))
        beside = f'<img alt="the drawing" {frame} src="{drawn}"> ' * bool(self.content)
        under = f'<image {whole} opacity="0.35" href="{drawn}"/>' * bool(self.content)
        return (f'{beside}<svg xmlns="http://www.w3.org/2000/svg" {frame} role="img" aria-label="what burns" '
                f'viewBox="0 0 {self.width_mm:.2f} {self.height_mm:.2f}">{under}<image {whole} '
                f'href="{burned}"/>{marks}</svg><p>{shown.as_html(self.words)}</p>')


def block(name: str, width_mm: float, height_mm: float) -> Artwork:
    """Return a filled rectangle as large as its page."""
    piece = dict(left_mm=0.0, top_mm=0.0, right_mm=width_mm, bottom_mm=height_mm, area_mm2=width_mm * height_mm,
                 perimeter_mm=2 * (width_mm + height_mm), holes=0, goes_round=False,
                 narrowest_mm=float(min(width_mm, height_mm)), narrow_x_mm=width_mm / 2, narrow_y_mm=height_mm / 2)
    none = np.zeros(1, int)
    return Artwork(name, width_mm, height_mm, height_mm, none, np.zeros(1), np.array([float(width_mm)]), none,
                   pd.DataFrame([piece]))


def read(path: str | Path, paler_than: int = picture.WHITE, width_mm: float | None = None) -> Artwork:
    """Return what an SVG file burns.

    Parameters
    ----------
    path : str or Path
    paler_than : int
        Paint that differs from white by no more than this, of 255, is left out.
    width_mm : float, optional
        How wide its page is on the sign, where that is not what the file says.

    Raises
    ------
    ArtworkError
        If the file is no SVG, has no size, is too large, holds what is not read, or burns nothing.
    """
    drawing = svgfile.opened(path, width_mm)
    seen = picture.taken_apart(drawing, paler_than)
    piece, table = pieces.of_runs(seen)
    if len(table) > MOST_PIECES:
        raise ArtworkError(f"{drawing.name} has {len(table)} separate shapes; {MOST_PIECES} are read at most. Take "
                           "away specks, or split the drawing.")
    remarks = list(_remarks(drawing, seen, table))
    art = Artwork(drawing.name, drawing.width_mm, drawing.height_mm, seen.step_mm, seen.row, seen.left * seen.step_mm,
                  seen.right * seen.step_mm, piece, table, tuple(said for said, _ in remarks), drawing.content,
                  tuple(box for _, box in remarks if box))
    # A few specks are dust or the corners of a hairline; where they are more than that they are what is drawn.
    if art.pieces.loc[art.specks, "area_mm2"].sum() < _DUST * art.area_mm2:
        art = art.without(*np.flatnonzero(art.specks) + 1)
    return art.without(*_around(art))


def _around(art: Artwork) -> np.ndarray:
    """Return the numbers of the pieces that are an outline around everything, thinner than any line could burn; or none.

    A line thinner than a pixel may come in parts: they are one outline where no other hairline is drawn, they reach all four ends
    together, are about as long as the box round them (a diamond's sides are 0.71 of it), and something lies inside.
    """
    ends = art.pieces[BOX] * [1, 1, -1, -1]
    outer, hairs = ends.min(), art.hairs
    whole = hairs & art.pieces["goes_round"] & (ends <= outer).all(axis=1)
    if whole.any() or not hairs.any():
        return np.flatnonzero(whole)[:1] + 1
    parts = hairs & (ends <= outer + CUT_MM).any(axis=1)
    left, top, right, bottom = outer * [1, 1, -1, -1]
    long = art.pieces.loc[parts, "perimeter_mm"].sum() / 2 >= 0.7 * 2 * (right - left + bottom - top)
    around = long and (parts == hairs).all() and not parts.all() and (ends[parts].min() <= outer).all()
    return np.flatnonzero(parts) + 1 if around else np.zeros(0, int)


def shapes(count: int, what: str = "shape") -> str:
    """Return how many: what hangs together in a drawing is a shape, as a piece is what an order has several of."""
    return f"{count} {what}{'s' * (count != 1)}"


def _remarks(drawing: Drawing, seen: picture.Picture, table: pd.DataFrame):
    """Yield what is to be said of a drawing, each with the box it speaks of, if any."""
    yield from ((said, None) for said in drawing.remarks)
    yield from ((said, box) for said, inner in drawing.unshown if (box := picture.differs_mm(drawing, inner)))
    page_mm2, burned_mm2, step = drawing.width_mm * drawing.height_mm, table["area_mm2"].sum(), seen.step_mm
    for (pixels, *box), (what, burns, share) in zip(seen.pale, _PALE):
        if pixels * step ** 2 > max(0.5, share * burned_mm2):
            left, top, right, bottom = box = tuple(side * step for side in box)
            yield (f"About {_about(pixels * step ** 2)} cm² of {what}, from {left:.0f} to {right:.0f} mm across and "
                   f"{top:.0f} to {bottom:.0f} mm down, {burns}"), box
    if box := picture.runs_together_mm(drawing):
        yield "Colours and shades that lie side by side burn as one: what is drawn within a burned shape does not show.", box
    if burned_mm2 > 0.98 * page_mm2:
        yield "The whole page burns. If that is a ground behind the drawing, make it white or take it away.", None
    if (off := picture.beyond_page(drawing)) > 1e-3:
        yield f"About {_about(off * page_mm2)} cm² lie off the page and are left out.", None
    if step > 0.101:
        yield f"The page is so large that it is looked at in steps of {step:.2g} mm: what is finer may be missed.", None


def _about(area_mm2: float) -> str:
    return f"{float(f'{area_mm2 / 100:.1g}'):g}"
