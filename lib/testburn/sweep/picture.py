"""Picture: what a renderer shows of a drawing, taken apart into burned runs and their rim.

Decides what burns: whatever is not white. The card's typesetter renders the drawing, of which a byte a pixel is kept; the
pixels are bounded, and with them the memory. A pixel on a rim burns where at least half
of it is painted; where along a line the rim lies is worked out of its grey, to a few hundredths of a pixel on straight
edges. Paint burns whole, however pale.

Source: edges between pixel centres by linear interpolation at one half (marching squares: Lorensen and Cline 1987,
Computer Graphics 21, 163, in two dimensions); normals by Scharr's operator (from memory).
"""

import io
import itertools
import tempfile
from dataclasses import dataclass, replace

import numpy as np
import typst
from PIL import Image, ImageChops

from testburn.sweep.svgfile import ArtworkError, Drawing

FINEST_PX_MM, COARSEST_PX_MM, FEW_PX, MOST_PX = 20, 10, 3e6, 24e6
MOST_RUNS = 400_000
# Of 255: paler than white is white; nearly white; a shade.
WHITE, NEARLY, SHADE = 2, 25, 127
_PX_MM, _AROUND, _COARSE_PX, _EDGE = 96 / 25.4, 4, 400, 60

_SCHARR = {-1: 3.0, 0: 10.0, 1: 3.0}


@dataclass(frozen=True, eq=False)
class Picture:
    """The burned runs of a drawing in pixels of `step_mm`, row by row, and the points of their rims.

    `row`, `left`, `right`, `paint` (its area) have an entry a run; `contacts` are pairs of runs, one above the other,
    that hang together. `rim` has a row a place where a row or a column of pixels crosses an outline, first those where
    it enters paint, then in the same order where it leaves: x, y, the inward normal's x and y, the length of outline it
    stands for, and the run it belongs to. `pale` has for what is too pale to burn, nearly white paint and shades their
    pixels and their box.
    """

    step_mm: float
    row: np.ndarray
    left: np.ndarray
    right: np.ndarray
    paint: np.ndarray
    contacts: np.ndarray
    rim: np.ndarray
    pale: list


def rendered(drawing: Drawing, left_mm, top_mm, width_mm, height_mm, width_px: int, height_px: int) -> Image.Image:
    """Return a part of the drawing as a browser shows it on white.

    Raises
    ------
    ArtworkError
        If the renderer does not take it.
    """
    box = " ".join(f"{size * _PX_MM:.9g}" for size in (left_mm, top_mm, width_mm, height_mm))
    svg = (f'<svg xmlns="http://www.w3.org/2000/svg" width="{width_px}" height="{height_px}" viewBox="{box}" '
           f'preserveAspectRatio="none">{drawing.inner}</svg>')
    page = (f"#set page(width: {width_px}pt, height: {height_px}pt, margin: 0pt, fill: white)\n"
            f'#image(bytes(sys.inputs.svg), format: "svg", width: {width_px}pt, height: {height_px}pt)')
    try:
        with tempfile.TemporaryDirectory() as empty:
            png = typst.compile(page.encode(), root=empty, format="png", ppi=72, sys_inputs={"svg": svg},
                                ignore_system_fonts=True)
    except BaseException as fault:  # what the renderer did not foresee comes as no Exception
        if isinstance(fault, (KeyboardInterrupt, SystemExit)):
            raise
        raise ArtworkError(f"{drawing.name} is not taken by the renderer ({str(fault)[:200]}). Save it again as plain "
                           "SVG.") from None
    return Image.open(io.BytesIO(png))


def px_per_mm(width_mm: float, height_mm: float) -> float:
    """Return how finely a page is looked at: 20 pixels a mm if small, 10 if larger, less where that is too many."""
    fine = min(FINEST_PX_MM, max(COARSEST_PX_MM, int((FEW_PX / (width_mm * height_mm)) ** 0.5)))
    return min(fine, (MOST_PX / (width_mm * height_mm)) ** 0.5)


def taken_apart(drawing: Drawing, paler_than: int = WHITE) -> Picture:
    """Return the runs of a drawing: what is painted darker than `paler_than` of 255 from white.

    Raises
    ------
    ArtworkError
        If nothing is, or the runs are too many.
    """
    fine = px_per_mm(drawing.width_mm, drawing.height_mm)
    width, height = (int(np.ceil(size * fine - 1e-6)) for size in (drawing.width_mm, drawing.height_mm))
    # A pixel of margin, so that every pixel has its neighbours.
    ink = np.pad(_ink(rendered(drawing, 0, 0, width / fine, height / fine, width, height)), 1)
    full, mask, pale = _painted(ink, paler_than)
    if not mask.any():
        raise ArtworkError(f"{drawing.name} burns nothing: no shape on its page has any paint but white. Fill the "
                           "shapes that are to be burned.")
    # Strokes begin along the rows; outlines across them would fill the memory just as well.
    if max(np.count_nonzero(mask[:, 1:] > mask[:, :-1]), np.count_nonzero(mask[1:] > mask[:-1])) > MOST_RUNS:
        raise ArtworkError(f"{drawing.name} is too fine a pattern: more than {MOST_RUNS} strokes of the head, or as much outline, at "
                           f"{fine:.3g} lines a mm. Take away what is finer than the beam, and save again.")
    return Picture(1 / fine, *_runs(ink.ravel(), full.ravel(), mask.ravel(), width + 2), pale)


def beyond_page(drawing: Drawing) -> float:
    """Return the painted area off the page as a share of the page, seen coarsely over four pages each way."""
    around, side = 2 * _AROUND + 1, 50
    width, height = drawing.width_mm, drawing.height_mm
    ink = _ink(rendered(drawing, -_AROUND * width, -_AROUND * height, around * width, around * height, around * side,
                        around * side))
    # The pixel beside the page is left out: half a stroke along its edge is no part off the page.
    ink[_AROUND * side - 1:(_AROUND + 1) * side + 1, _AROUND * side - 1:(_AROUND + 1) * side + 1] = 0
    return float((ink > WHITE).sum()) / side ** 2


def differs_mm(drawing: Drawing, inner: str) -> tuple[float, ...] | None:
    """Return left, top, right and bottom of where a drawing looks otherwise than `inner` would, seen coarsely."""
    size = np.array([drawing.width_mm, drawing.height_mm])
    wide, high = np.maximum(np.round(_COARSE_PX * size / size.max()), 1).astype(int)
    seen = [rendered(one, 0, 0, *size, wide, high).convert("L") for one in (drawing, replace(drawing, inner=inner))]
    box = ImageChops.difference(*seen).point(lambda apart: apart > WHITE).getbbox()
    return box and tuple((np.array(box) * np.tile(size / (wide, high), 2)).tolist())


def runs_together_mm(drawing: Drawing) -> tuple[float, ...] | None:
    """Return left, top, right and bottom of where what burns is drawn in more than one colour or shade, seen coarsely."""
    size = np.array([drawing.width_mm, drawing.height_mm])
    wide, high = np.maximum(np.round(_COARSE_PX * size / size.max()), 3).astype(int)
    seen = rendered(drawing, 0, 0, *size, wide, high)
    # Two pixels from a rim, whose own grey says nothing; nor does that of a seam between two shapes.
    burned, grey = (_ink(seen) > WHITE).view(np.uint8), _around(np.asarray(seen.convert("L")), np.minimum)
    within = _around(_around(burned, np.minimum), np.minimum) > 0
    edges = within & (_around(grey, np.maximum) - _around(grey, np.minimum) > _EDGE)
    count, *box = _spot(edges)
    return tuple((np.array(box) * np.tile(size / (wide, high), 2)).tolist()) if count > 0.005 * burned.sum() else None


def _ink(image: Image.Image) -> np.ndarray:
    """Return how far from white each pixel is in the channel that is furthest, 0 to 255."""
    red, green, blue, *_ = image.split()
    return np.array(ImageChops.invert(ImageChops.darker(ImageChops.darker(red, green), blue)))


def _around(ink, pick) -> np.ndarray:
    """Return the highest or lowest of each pixel and its eight neighbours; 0 on the margin."""
    found, level = np.zeros_like(ink), pick(pick(ink[:, 2:], ink[:, :-2]), ink[:, 1:-1])
    found[1:-1, 1:-1] = pick(pick(level[2:], level[:-2]), level[1:-1])
    return found


def _painted(ink, paler_than) -> tuple[np.ndarray, np.ndarray, list]:
    """Take away what is too pale; return the ink of each pixel painted whole, whether it burns, and what there is of pale paint."""
    faint = _around(((ink > 0) & (ink <= paler_than)).view(np.uint8), np.minimum) > 0
    ink[ink <= paler_than] = 0
    highest, within = _around(ink, np.maximum), _around(ink, np.minimum) > 0
    mask, shaded = within | (ink > highest // 2), within & (highest < 255)
    full = np.where(within, ink, np.maximum(highest, 1)) if shaded.any() else np.full_like(ink, 255)
    return full, mask, [_spot(kind) for kind in (
        faint, shaded & (highest <= NEARLY), shaded & (highest > NEARLY) & (highest <= SHADE))]


def _spot(places) -> tuple[int, ...]:
    """Return how many pixels there are, and left, top, right and bottom with a pixel of rim around them."""
    left, top, right, bottom = Image.fromarray(places.view(np.uint8)).getbbox() or (2, 2, 0, 0)
    return np.count_nonzero(places), left - 2, top - 2, right, bottom


def _runs(ink, full, mask, wide):
    """Return row, left, right, paint and contacts of the runs, and their rim; see `Picture`."""
    turns = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    first, after = turns[::2], turns[1::2]
    upper = np.flatnonzero(mask[wide:] != mask[:-wide])
    upper = upper[np.argsort(upper % wide, kind="stable")]
    begins = mask[upper + wide]
    rim = np.concatenate([_wall(ink, full, mask, inside, across, down, wide, first) for inside, across, down in (
        (first, -1, 0), (upper[begins] + wide, 0, -1), (after - 1, 1, 0), (upper[~begins], 0, 1))]).reshape(2, -1, 6)
    both = mask[wide:] & mask[:-wide]
    meets = np.flatnonzero(both[1:] > both[:-1]) + 1
    meets = np.concatenate([[meets, meets + wide], *_aslant(ink, mask, wide)], axis=1)
    left, right = rim[:, :len(first), 0]
    return (first // wide - 1, left, np.maximum(right, left + 1e-3), _paint(ink, full, mask, first, after, wide),
            _run(first, meets), rim)


def _aslant(ink, mask, wide):
    """Yield burned pixels that meet at a corner, with paint beside it: a thin line that leans, not two shapes that touch."""
    for one, other, beside, below in ((0, wide + 1, 1, wide), (1, wide, 0, wide + 1)):
        end = len(mask) - wide - 1
        corner = mask[one:end + one] & mask[other:end + other] & ~mask[beside:end + beside] & ~mask[below:end + below]
        at = np.flatnonzero(corner)
        at = at[(ink[at + beside] > 0) | (ink[at + below] > 0)]
        yield np.array([at + one, at + other])


def _run(first, pixel) -> np.ndarray:
    """Return the run that a burned pixel belongs to."""
    return np.searchsorted(first, pixel, side="right") - 1


def _paint(ink, full, mask, first, after, wide) -> np.ndarray:
    """Return what is painted of each run: its pixels but what they lack, and its share of the pixels beside it."""
    grey = np.flatnonzero(ink != full * mask)
    at = np.zeros_like(grey)
    for step in (-wide, wide, -1, 1, 0):
        at = np.where(mask[grey + step], grey + step, at)
    grey, at = grey[at > 0], at[at > 0]
    return after - first + np.bincount(_run(first, at), ink[grey] / full[grey] - mask[grey], len(first))


def _wall(ink, full, mask, inside, across, down, wide, first):
    """Return the rim at burned pixels whose neighbour a step across or down is not burned."""
    x, y = _normal(ink, mask, inside, across, down, wide)
    place = _crossing(ink, full, mask, inside, across + down * wide)
    return np.column_stack([inside % wide - 0.5 + across * place, inside // wide - 0.5 + down * place, x, y,
                            np.abs(across * x + down * y), _run(first, inside)])


def _crossing(ink, full, mask, inside, step):
    """Return how far from the centre of a burned pixel towards its unburned neighbour the rim lies, in pixels."""
    there, beyond, behind = (np.minimum(ink[at] / full[inside], 1) for at in (inside, inside + step, inside - step))
    low, high = np.minimum(beyond, 0.5), np.maximum(there, 0.5)
    place = 1 - (0.5 - low) / np.maximum(high - low, 1e-9)
    # One pixel across: as wide as the paint in it and beside it, and where that paint lies.
    thin, paint = ~mask[inside - step], there + beyond + behind
    return np.where(thin, (beyond - behind) / paint + paint / 2, np.minimum(place, 1))


def _normal(ink, mask, inside, across, down, wide):
    """Return the unit vector into the paint at burned pixels on the rim; one pixel across counts as thick."""
    step = across + down * wide
    found, own, thin = np.zeros((2, len(inside))), ink[inside], ~mask[inside - step]
    for x, y in itertools.product(_SCHARR, repeat=2):
        behind = thin & (x * across + y * down < 0)
        seen = np.minimum(ink[inside + x + y * wide + step * behind], own)
        found += np.outer([x * _SCHARR[y], y * _SCHARR[x]], seen)
    return found / np.maximum(np.hypot(*found), 1e-9)
