"""Artwork: the burned regions of an SVG drawing, at their true size.

Decides what a piece is (a connected burned region, with its holes) and how wide its narrowest stroke
is. Distances are mm on the wood, x along the lines and y across them, from the page's top left
corner. What lies off the page is left out, as a viewer leaves it out.

Source: SVG 2 (W3C), 8.2 the viewport; openings of mathematical morphology (Serra 1982, Image Analysis
and Mathematical Morphology, from memory) for the narrowest stroke.
"""

import io
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import shapely
import svgelements

from testburn.sweep import svgcheck, svgshapes
from testburn.sweep.svgcheck import ArtworkError

MOST_PIECES = 20_000
_SHOWN_WIDTH_PX = 420
_STEP, _AHEAD, _NARROWEST_MM = 1.1, 7, 0.05


@dataclass(frozen=True, eq=False)
class Artwork:
    """What a drawing burns.

    `pieces` are shapely polygons, connected regions with their holes, in reading order: by their tops,
    then from the left. Pieces that only touch in a point are two.
    """

    name: str
    width_mm: float
    height_mm: float
    pieces: tuple[shapely.Polygon, ...]
    remarks: tuple[str, ...] = ()

    @property
    def bounds_mm(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom of all that is burned."""
        return tuple(float(end) for end in shapely.total_bounds(self.pieces))

    @property
    def area_mm2(self) -> float:
        """The burned area."""
        return float(shapely.area(self.pieces).sum())

    @property
    def perimeter_mm(self) -> float:
        """The length of all outlines, holes included."""
        return float(shapely.length(self.pieces).sum())

    @cached_property
    def narrowest_stroke_mm(self) -> float:
        """The narrowest stroke: the smallest width that a disc of it cannot get into.

        Corners do not count: what the disc leaves over must have at least the area of the square over
        the width, or be a whole piece. A bar counts once it is 1.2 times as long as wide, a pointed tip from 21°
        down (there it is the smallest width looked for, 0.05 mm). Found to about 2 %.
        """
        return _narrowest_mm(np.array(self.pieces))

    @property
    def table(self) -> pd.DataFrame:
        """A row per piece: piece, left_mm, top_mm, width_mm, height_mm, area_mm2, perimeter_mm, holes."""
        left, top, right, bottom = shapely.bounds(self.pieces).T
        return pd.DataFrame({
            "piece": np.arange(1, len(self.pieces) + 1), "left_mm": left, "top_mm": top, "width_mm": right - left,
            "height_mm": bottom - top, "area_mm2": shapely.area(self.pieces),
            "perimeter_mm": shapely.length(self.pieces), "holes": shapely.get_num_interior_rings(self.pieces)})

    @property
    def words(self) -> str:
        """Return the drawing in a sentence or two, with every remark."""
        left, top, right, bottom = self.bounds_mm
        return " ".join([
            f"{self.name}: {len(self.pieces)} piece(s) on a page of {self.width_mm:.4g} × {self.height_mm:.4g} mm, "
            f"{self.area_mm2 / 100:.1f} cm² burned within {right - left:.1f} × {bottom - top:.1f} mm.", *self.remarks])

    def __repr__(self) -> str:
        return self.words

    def _repr_html_(self) -> str:
        """Draw the pieces as they burn; numbers only, so that nothing of the file is executed."""
        simple = shapely.simplify(np.array(self.pieces), max(self.width_mm, self.height_mm) / 2000)
        paths = "".join(f'<path d="{_path(piece)}"/>' for piece in simple)
        return (f'<svg xmlns="http://www.w3.org/2000/svg" width="{_SHOWN_WIDTH_PX}" role="img" '
                f'aria-label="the artwork" viewBox="0 0 {self.width_mm:.2f} {self.height_mm:.2f}" '
                f'style="background:#f4efe6;max-width:100%" fill="#3a2a1a" fill-rule="evenodd">{paths}</svg>')


def read(path: str | Path) -> Artwork:
    """Return the burned regions of an SVG file.

    Raises
    ------
    ArtworkError
        If the file is no SVG, has no size, is too large, holds what is not honoured (text, pictures,
        clips, masks, patterns, filters, dashes, markers, drawings inside it), or burns nothing.
    """
    content, width, height, remarks = svgcheck.checked(path)
    name = Path(path).name
    try:
        drawing = svgelements.SVG.parse(io.BytesIO(content), reify=False, ppi=96, on_error="raise")
        # The library takes a mm for 3.7795296 px; the page's own size puts that right to the last digit.
        region = svgshapes.burned(drawing, width / float(drawing.width))
    except ArtworkError as fault:
        raise ArtworkError(f"{name}: {fault}") from None
    except (ValueError, ZeroDivisionError, TypeError, AttributeError, IndexError, OverflowError,
            RecursionError, shapely.errors.ShapelyError) as fault:
        said = f" ({fault})" if str(fault) else ""
        raise ArtworkError(f"{name} holds a shape that cannot be read{said}. Save it again as plain SVG.") from None
    on_page = shapely.intersection(region, shapely.box(0, 0, width, height))
    if region.area - on_page.area > 0.5:
        remarks += (f"{(region.area - on_page.area) / 100:.2f} cm² lie off the page and are left out.",)
    pieces = [part for part in shapely.get_parts(on_page) if part.geom_type == "Polygon" and part.area > 1e-6]
    if not pieces:
        raise ArtworkError(f"{name} burns nothing: no shape on its page has any paint but white. Fill the shapes "
                           "that are to be burned.")
    if len(pieces) > MOST_PIECES:
        raise ArtworkError(f"{name} has {len(pieces)} separate pieces; {MOST_PIECES} are read at most. Take "
                           "away specks, or split the drawing.")
    pieces.sort(key=lambda piece: piece.bounds[1::-1])
    return Artwork(name, width, height, tuple(pieces), remarks)


def _path(piece) -> str:
    return "".join("M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in ring.coords[:-1]) + "z"
                   for ring in (piece.exterior, *piece.interiors))


def _narrowest_mm(pieces) -> float:
    """Return the smallest width at which a stroke falls out of an opening of the pieces.

    Widths are tried upwards in steps, as a short bar is a stroke at its own width and none at a larger. Most steps
    are passed over unseen: a narrower disc leaves over no more than a wider one, so that where the largest part left
    over is A, no stroke is wider than the root of A but narrower than the disc.
    """
    pieces = shapely.simplify(pieces, svgshapes.TOLERANCE_MM / 2)
    lowest, width, passed = _NARROWEST_MM, _NARROWEST_MM, 0.0
    # No piece is narrower all over than its largest disc, so the search ends.
    while True:
        if width > passed:
            ahead = width * _STEP ** _AHEAD
            falls, largest = _strokes(pieces, ahead)
            narrower = np.sqrt(largest) >= width
            if falls.any():
                pieces, passed = pieces[falls | narrower], np.inf
            else:
                width, passed = width if narrower.any() else ahead * _STEP, ahead
        if width > passed:
            continue
        falls, _ = _strokes(pieces, width)
        if falls.any():
            break
        width *= _STEP
    pieces, low, high = pieces[falls], width / _STEP, width
    while width > lowest and high / low > 1.01:
        middle = np.sqrt(low * high)
        low, high = (low, middle) if _strokes(pieces, middle)[0].any() else (middle, high)
    return float(high if width > lowest else lowest)


def _strokes(pieces, width) -> tuple[np.ndarray, np.ndarray]:
    """Return for each piece whether it has a stroke narrower than the width, and the largest area left over."""
    core = shapely.buffer(pieces, -width / 2, quad_segs=8)
    # A hair more than was taken away, so that chords of arcs leave no rind.
    rest = shapely.difference(pieces, shapely.buffer(core, width / 2 * 1.005 + 0.001, quad_segs=16))
    parts, owner = shapely.get_parts(rest, return_index=True)
    largest = np.zeros(len(pieces))
    np.maximum.at(largest, owner, shapely.area(parts))
    return shapely.is_empty(core) | (largest >= width ** 2), largest
