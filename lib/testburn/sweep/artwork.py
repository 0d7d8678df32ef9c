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
from testburn.sweep import picture, pieces as grouping, svgfile
from testburn.sweep.svgfile import ArtworkError, Drawing

MOST_PIECES = 20_000
# No diode module's line is narrower: our own judgement. An outline below it is drawn to cut along.
CUT_MM, NARROWEST_MM = 0.1, 0.05
_PAGE_PX, _SHOWN_PX = 420, 600


@dataclass(frozen=True, eq=False)
class Artwork:
    """What a drawing burns: runs in rows of `step_mm`, and the pieces they make.

    `row`, `left_mm`, `right_mm`, `piece` have an entry a run, sorted by row and place. `pieces` has a row a piece in
    reading order (by their tops, then from the left): left_mm, top_mm, right_mm, bottom_mm, area_mm2, perimeter_mm,
    holes, goes_round. `rim` is that of `picture.Picture`. `marks_mm` are boxes that remarks speak of.
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
    rim: np.ndarray | None = None
    content: bytes = b""
    marks_mm: tuple[tuple[float, ...], ...] = ()

    @property
    def bounds_mm(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom of all that is burned."""
        ends = self.pieces
        return tuple(map(float, (ends["left_mm"].min(), ends["top_mm"].min(), ends["right_mm"].max(), ends["bottom_mm"].max())))

    @property
    def area_mm2(self) -> float:
        """The burned area."""
        return float(self.pieces["area_mm2"].sum())

    @property
    def perimeter_mm(self) -> float:
        """The length of all outlines, holes included; right to about 1 %."""
        return float(self.pieces["perimeter_mm"].sum())

    @cached_property
    def narrowest_stroke_mm(self) -> float:
        """The narrowest stroke; see `pieces`. Found to about 2 %, or half a pixel; 0.05 mm at least."""
        if self.rim is None:
            return float(min(self.width_mm, self.height_mm))
        owner = self.piece[self.rim[:, 5].astype(int)]
        return max(NARROWEST_MM, grouping.narrowest_px(self.rim, owner, self.pieces, self.step_mm) * self.step_mm)

    @property
    def table(self) -> pd.DataFrame:
        """A row per piece: piece, left_mm, top_mm, width_mm, height_mm, area_mm2, perimeter_mm, holes."""
        ends = self.pieces[["left_mm", "top_mm"]].assign(
            width_mm=self.pieces["right_mm"] - self.pieces["left_mm"], height_mm=self.pieces["bottom_mm"] - self.pieces["top_mm"])
        ends.insert(0, "piece", np.arange(1, len(ends) + 1))
        return ends.join(self.pieces[["area_mm2", "perimeter_mm", "holes"]])

    @property
    def words(self) -> str:
        """Return the drawing in a sentence or two, with every remark."""
        left, top, right, bottom = self.bounds_mm
        return " ".join([
            f"{self.name}: {len(self.pieces)} piece(s) on a page of {self.width_mm:.4g} × {self.height_mm:.4g} mm "
            f"({self.width_mm / 25.4:.3g} × {self.height_mm / 25.4:.3g} in), "
            f"{self.area_mm2 / 100:.1f} cm² burned within {right - left:.1f} × {bottom - top:.1f} mm.", *self.remarks])

    @property
    def stroke_words(self) -> str:
        """Say how narrow the strokes are, and what that may do."""
        return (f"Its narrowest stroke is {self.narrowest_stroke_mm:.1f} mm wide. Strokes narrower than your swatches may come out "
                "otherwise: short lines return sooner and run hotter, and a head without run-up burns their ends deeper. A proof "
                "with strokes of that width tells.")

    def without(self, *pieces: int) -> "Artwork":
        """Return the drawing without some pieces of `table`, by their numbers: lines to cut along, not to engrave."""
        gone = np.isin(np.arange(1, len(self.pieces) + 1), pieces)
        if wrong := set(pieces) - set(range(1, len(self.pieces) + 1)):
            raise ArtworkError(f"{self.name} has no piece {min(wrong)}. Its pieces are 1 to {len(self.pieces)}.")
        wide = (2 * self.pieces["area_mm2"] / self.pieces["perimeter_mm"])[gone]
        said = f"{gone.sum()} outline(s) {wide.max():.2g} mm wide are taken for cut lines and not engraved."
        return _kept(self, ~gone, (*self.remarks, *[said] * bool(gone.any())))

    @cached_property
    def picture_png(self) -> bytes:
        """What burns as a small picture, dark brown on nothing, for the page and for a card."""
        scale = _SHOWN_PX / self.width_mm
        rows = max(int(np.ceil(self.height_mm / self.step_mm - 1e-6)), int(self.row[-1]) + 1)
        high = min(max(1, round(self.height_mm * scale)), rows)
        shares, falls_in = np.zeros((high, _SHOWN_PX + 2)), np.arange(rows) * high // rows
        for ends, sign in ((self.left_mm, 1), (self.right_mm, -1)):
            x = np.clip(ends * scale, 0, _SHOWN_PX)
            np.add.at(shares, (falls_in[self.row], x.astype(int)), sign * (1 - x % 1))
            np.add.at(shares, (falls_in[self.row], x.astype(int) + 1), sign * (x % 1))
        full = np.bincount(falls_in)[:, None]
        alpha, png = np.clip(255 * np.cumsum(shares, axis=1)[:, :_SHOWN_PX] / full, 0, 255).astype(np.uint8), io.BytesIO()
        brown = Image.new("RGBA", alpha.shape[::-1], "#3a2a1a")
        brown.putalpha(Image.fromarray(alpha))
        brown.resize((_SHOWN_PX, max(1, round(self.height_mm * scale))), Image.Resampling.NEAREST).save(png, "PNG")
        return png.getvalue()

    def __repr__(self) -> str:
        return shown.harmless(self.words)

    def _repr_html_(self) -> str:
        """Draw the drawing, and what burns laid over it; a picture runs no script and fetches nothing."""
        frame, box = f'width="{_PAGE_PX}" style="max-width:100%;background:#fff;border:1px solid #bbb"', (
            f'viewBox="0 0 {self.width_mm:.2f} {self.height_mm:.2f}"')
        whole = f'width="{self.width_mm:.2f}" height="{self.height_mm:.2f}"'
        drawn, burned = (f"data:image/{kind};base64,{base64.b64encode(content).decode()}" for kind, content in (
            ("svg+xml", self.content), ("png", self.picture_png)))
        marks = "".join(f'<rect x="{left:.2f}" y="{top:.2f}" width="{right - left:.2f}" height="{bottom - top:.2f}" '
                        'fill="none" stroke="#d55e00" stroke-width="2" vector-effect="non-scaling-stroke"/>'
                        for left, top, right, bottom in self.marks_mm)
        beside = f'<img alt="the drawing" {frame} src="{drawn}"> ' * bool(self.content)
        under = f'<image {whole} opacity="0.35" href="{drawn}"/>' * bool(self.content)
        return (f'{beside}<svg xmlns="http://www.w3.org/2000/svg" {frame} role="img" '
                f'aria-label="what burns" {box}>{under}'
                f'<image {whole} opacity="0.85" href="{burned}"/>{marks}</svg><p>{shown.as_html(self.words)}</p>')


def block(name: str, width_mm: float, height_mm: float) -> Artwork:
    """Return a filled rectangle as large as its page."""
    piece = dict(left_mm=0.0, top_mm=0.0, right_mm=width_mm, bottom_mm=height_mm, area_mm2=width_mm * height_mm,
                 perimeter_mm=2 * (width_mm + height_mm), holes=0, goes_round=False)
    none = np.zeros(1, int)
    return Artwork(name, width_mm, height_mm, height_mm, none, np.zeros(1), np.array([float(width_mm)]), none,
                   pd.DataFrame([piece]))


def read(path: str | Path, paler_than: int = picture.WHITE) -> Artwork:
    """Return what an SVG file burns.

    Parameters
    ----------
    path : str or Path
    paler_than : int
        Paint that differs from white by no more than this, of 255, is left out.

    Raises
    ------
    ArtworkError
        If the file is no SVG, has no size, is too large, holds what is not read, or burns nothing.
    """
    drawing = svgfile.opened(path)
    seen = picture.taken_apart(drawing, paler_than)
    if not len(seen.row):
        raise ArtworkError(f"{drawing.name} burns nothing: no shape on its page has any paint but white. Fill the shapes "
                           "that are to be burned.")
    piece, contacts = grouping.labelled(seen.row, seen.first, seen.after)
    table = grouping.table(seen, piece, contacts)
    if len(table) > MOST_PIECES:
        raise ArtworkError(f"{drawing.name} has {len(table)} separate pieces; {MOST_PIECES} are read at most. Take "
                           "away specks, or split the drawing.")
    order = np.lexsort((table["left_mm"], np.round(table["top_mm"] / seen.step_mm)))
    remarks, marks = _remarks(drawing, seen, table)
    art = Artwork(drawing.name, drawing.width_mm, drawing.height_mm, seen.step_mm, seen.row, seen.left * seen.step_mm,
                  seen.right * seen.step_mm, np.argsort(order)[piece], table.iloc[order].reset_index(drop=True), remarks,
                  seen.rim, drawing.content, marks)
    around = _cut_around(art.pieces)
    return art.without(around) if around else art


def _kept(art: Artwork, keep: np.ndarray, remarks) -> Artwork:
    runs = keep[art.piece]
    if not runs.any():
        raise ArtworkError(f"{art.name} burns nothing but cut lines. Leave a piece to be engraved.")
    rim = art.rim[runs[art.rim[:, 5].astype(int)]] if art.rim is not None else None
    if rim is not None:
        rim[:, 5] = (np.cumsum(runs) - 1)[rim[:, 5].astype(int)]
    return replace(art, row=art.row[runs], left_mm=art.left_mm[runs], right_mm=art.right_mm[runs], rim=rim,
                   piece=(np.cumsum(keep) - 1)[art.piece[runs]], pieces=art.pieces[keep].reset_index(drop=True), remarks=remarks)


def _cut_around(pieces: pd.DataFrame) -> int | None:
    """Return the number of a piece that is an outline around everything, thinner than any line could burn."""
    ends = pieces[["left_mm", "top_mm", "right_mm", "bottom_mm"]].to_numpy() * [1, 1, -1, -1]
    around = (2 * pieces["area_mm2"] < CUT_MM * pieces["perimeter_mm"]) & pieces["goes_round"] & (ends <= ends.min(axis=0)).all(axis=1)
    return int(around.argmax()) + 1 if around.any() else None


def _remarks(drawing: Drawing, seen: picture.Picture, table) -> tuple[tuple[str, ...], tuple]:
    """Return what is to be said of a drawing, and the boxes spoken of."""
    said, marks, step = list(drawing.remarks), [], seen.step_mm
    for kind, what in ((picture.NEARLY, "nearly white paint"), (picture.SHADE, "paint paler than half black")):
        count, *box = seen.pale[kind]
        if count * step ** 2 > 0.5:
            left, top, right, bottom = (float(end) * step for end in box)
            said.append(f"About {_about(count * step ** 2 / 100)} cm² of {what}, from {left:.0f} to {right:.0f} mm across and {top:.0f} to "
                        f"{bottom:.0f} mm down, burn as deep as black. Make white what is not to burn.")
            marks.append((left, top, right, bottom))
            break
    if table["area_mm2"].sum() > 0.98 * drawing.width_mm * drawing.height_mm:
        said.append("The whole page burns. If that is a ground behind the drawing, make it white or take it away.")
    if (off := picture.beyond_page(drawing)) > 1e-3:
        said.append(f"About {_about(off * drawing.width_mm * drawing.height_mm / 100)} cm² lie off the page and are left out.")
    if step > 0.101:
        said.append(f"The page is so large that it is looked at in steps of {step:.2g} mm: what is finer may be missed.")
    hairs = np.flatnonzero(2 * table["area_mm2"] < CUT_MM * table["perimeter_mm"])
    if len(hairs):
        ends = table.iloc[hairs[0]][["left_mm", "top_mm", "right_mm", "bottom_mm"]]
        marks.append(tuple(map(float, ends)))
    return tuple(said), tuple(marks)


def _about(number: float) -> str:
    return f"{float(f'{number:.1g}'):g}"
