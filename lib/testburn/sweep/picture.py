"""Picture: what a renderer shows of a drawing, taken apart into burned runs and their rim.

Decides what burns: whatever is not white. The card's typesetter renders the drawing a strip at a time, so that memory
stays bounded. A pixel on a rim burns where at least half of it is painted; where along a line the rim lies is worked
out of its grey, to a few hundredths of a pixel on straight edges. Paint burns whole, however pale.

Source: edges between pixel centres by linear interpolation at one half (marching squares: Lorensen and Cline 1987,
Computer Graphics 21, 163, in two dimensions); normals by Scharr's operator (from memory).
"""

import io
import tempfile
from dataclasses import dataclass, replace

import numpy as np
import typst
from PIL import Image, ImageChops

from testburn.sweep.svgfile import ArtworkError, Drawing

FINEST_PX_MM, COARSEST_PX_MM, FEW_PX, MOST_PX, STRIP_PX = 20, 10, 3e6, 24e6, 5e6
MOST_RUNS = 2_000_000
# Of 255: paler than white is white; nearly white; a shade.
WHITE, NEARLY, SHADE = 2, 25, 127
_PX_MM, _AROUND, _COARSE_PX = 96 / 25.4, 4, 400

_SCHARR = np.array([3.0, 10.0, 3.0])


@dataclass(frozen=True, eq=False)
class Picture:
    """The burned runs of a drawing in pixels of `step_mm`, row by row, and the points of their rims.

    `row`, `first`, `after`: whole pixels; `left`, `right`: the run's ends in pixels; `paint`: its area. `rim` has a
    row a place where a row or a column of pixels crosses an outline: x, y, the inward normal's x and y, the length of
    outline it stands for, the run it belongs to, and whether a row crosses. `pale` holds for nearly white paint and for
    shades their pixels and their box.
    """

    step_mm: float
    row: np.ndarray
    first: np.ndarray
    after: np.ndarray
    left: np.ndarray
    right: np.ndarray
    paint: np.ndarray
    rim: np.ndarray
    pale: dict


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
    """Return the runs of a drawing: what is painted darker than `paler_than` of 255 from white."""
    fine = px_per_mm(drawing.width_mm, drawing.height_mm)
    width, height = (int(np.ceil(size * fine - 1e-6)) for size in (drawing.width_mm, drawing.height_mm))
    rows = max(8, int(STRIP_PX / width))
    parts, count, above = [], 0, np.zeros((3, width + 2), np.uint8)
    pale = {kind: np.array([0, np.inf, np.inf, -np.inf, -np.inf]) for kind in (NEARLY, SHADE)}
    for top in range(0, height, rows):
        high = min(rows, height - top)
        # Three rows of the strip above, so that every row and every pair of rows has its neighbours once.
        ink = np.zeros((high + 3 + 2 * (top + high == height), width + 2), np.uint8)
        ink[:3] = above
        strip = rendered(drawing, 0, top / fine, width / fine, high / fine, width, high)
        ink[3:high + 3, 1:-1] = _ink(strip, paler_than)
        above = ink[high:high + 3].copy()
        if ink.any():
            parts.append(_strip(ink, top - 3, count, pale))
            count += len(parts[-1][0])
            if count > MOST_RUNS:
                raise ArtworkError(f"{drawing.name} is too fine a pattern: more than {MOST_RUNS} strokes of the head "
                                   f"at {fine:.3g} lines a mm. Take away what is finer than the beam, and save again.")
    none = [np.zeros(0, int)] * 3 + [np.zeros(0)] * 3 + [np.zeros((0, 7))]
    return Picture(1 / fine, *(np.concatenate(found) for found in zip(*(parts or [none]))), pale)


def beyond_page(drawing: Drawing) -> float:
    """Return the painted area off the page as a share of the page, seen coarsely over four pages each way."""
    around, side = 2 * _AROUND + 1, 50
    width, height = drawing.width_mm, drawing.height_mm
    ink = _ink(rendered(drawing, -_AROUND * width, -_AROUND * height, around * width, around * height, around * side,
                        around * side), WHITE)
    # The pixel beside the page is left out: half a stroke along its edge is no part off the page.
    ink[_AROUND * side - 1:(_AROUND + 1) * side + 1, _AROUND * side - 1:(_AROUND + 1) * side + 1] = 0
    return float((ink > 0).sum()) / side ** 2


def differs_mm(drawing: Drawing, inner: str) -> tuple[float, ...] | None:
    """Return left, top, right and bottom of where a drawing looks otherwise than `inner` would, seen coarsely."""
    size = np.array([drawing.width_mm, drawing.height_mm])
    wide, high = np.maximum(np.round(_COARSE_PX * size / size.max()), 1).astype(int)
    seen = [np.asarray(rendered(one, 0, 0, *size, wide, high).convert("L"), int)
            for one in (drawing, replace(drawing, inner=inner))]
    places = np.argwhere(np.abs(seen[0] - seen[1]) > WHITE)[:, ::-1]
    box = (np.concatenate([places.min(axis=0), places.max(axis=0) + 1]) if len(places) else None)
    return None if box is None else tuple((box * np.tile(size / (wide, high), 2)).tolist())


def _ink(image: Image.Image, paler_than: int) -> np.ndarray:
    """Return how far from white each pixel is in the channel that is furthest, 0 to 255."""
    red, green, blue, *_ = image.split()
    ink = np.asarray(ImageChops.invert(ImageChops.darker(ImageChops.darker(red, green), blue))).copy()
    ink[ink <= paler_than] = 0
    return ink


def _strip(ink, top, count, pale):
    """Return runs and rim of a strip whose first row lies at `top`; the first and last row are neighbours only."""
    across = np.maximum(np.maximum(ink[:, 2:], ink[:, :-2]), ink[:, 1:-1])
    highest = np.maximum(np.maximum(across[2:], across[:-2]), across[1:-1])
    across = np.minimum(np.minimum(ink[:, 2:], ink[:, :-2]), ink[:, 1:-1])
    within = np.minimum(np.minimum(across[2:], across[:-2]), across[1:-1]) > 0
    mask, full = ink > SHADE, np.full(ink.shape, 255, np.uint8)
    mask[1:-1, 1:-1] = within | (ink[1:-1, 1:-1] > highest // 2)
    if (shaded := within & (highest < 255)).any():
        full[1:-1, 1:-1] = np.maximum(highest, 1)
        full[1:-1, 1:-1][within] = ink[1:-1, 1:-1][within]
        for kind, seen in pale.items():
            y, x = np.nonzero((shaded & (highest <= kind))[1:])
            if len(x):
                seen[:] = [seen[0] + len(x), *np.minimum(seen[1:3], [x.min() - 1, y.min() + top + 1]),
                           *np.maximum(seen[3:], [x.max() + 2, y.max() + top + 4])]
    return _runs(ink.ravel(), full.ravel(), mask.ravel(), ink.shape, top, count)


def _runs(ink, full, mask, shape, top, count):
    """Return row, first, after, left and right of the runs, and their rim: row pairs from the second row on."""
    high, wide = shape
    turns = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    turns = turns[np.searchsorted(turns, wide):np.searchsorted(turns, (high - 1) * wide)]
    first, last = turns[::2], turns[1::2] - 1
    old = np.searchsorted(first, 2 * wide)  # runs of the strip above
    upper = np.flatnonzero(mask[2 * wide:-wide] != mask[wide:-2 * wide]) + wide
    begins = mask[upper + wide]
    rim, outside = [], []
    for inside, step in ((first[old:], -1), (last[old:], 1), (upper[begins] + wide, -wide), (upper[~begins], wide)):
        place = np.sign(step) * _crossing(ink, full, mask, inside, step)
        level, normal = abs(step) == 1, _normal(ink, mask, inside, step, wide)
        run = np.searchsorted(first, inside, side="right") - 1 - old + count
        rim.append(np.column_stack([
            inside % wide - 0.5 + place * level, inside // wide + top + 0.5 + place * (not level), *normal,
            np.abs(normal[0 if level else 1]), run, np.full(len(run), level)]))
        outside.append(inside + step)
    first, last, (left, right) = first[old:], last[old:], (rim[at][:, 0] for at in (0, 1))
    rim, (outside, at) = np.concatenate(rim), np.unique(np.concatenate(outside), return_index=True)
    share = ink / full.astype(np.float32)
    # What is painted of a run's pixels, and of those beside it.
    paint = np.add.reduceat(share, np.column_stack([first, last + 1]).ravel())[::2] if len(first) else np.zeros(0)
    run = rim[at, 5].astype(int) - count
    mine = (run >= 0) & ~mask[outside]
    paint += np.bincount(run[mine], share[outside[mine]], len(first))
    return first // wide + top, first % wide - 1, last % wide, left, np.maximum(right, left + 1e-3), paint, rim


def _crossing(ink, full, mask, inside, step):
    """Return how far from the centre of a burned pixel towards its unburned neighbour the rim lies, in pixels."""
    there, beyond, behind = (ink[at] / full[inside].astype(float) for at in (inside, inside + step, inside - step))
    there, beyond, behind = (np.minimum(share, 1) for share in (there, beyond, behind))
    low, high = np.minimum(beyond, 0.5), np.maximum(there, 0.5)
    place = 1 - (0.5 - low) / np.maximum(high - low, 1e-9)
    # One pixel across: as wide as the paint in it and beside it, and where that paint lies.
    thin, paint = ~mask[inside - step], there + beyond + behind
    return np.where(thin, (beyond - behind) / paint + paint / 2, np.minimum(place, 1))


def _normal(ink, mask, inside, step, wide):
    """Return the unit vector into the paint at burned pixels on the rim; one pixel across counts as thick."""
    own, thin, out = ink[inside], ~mask[inside - step], np.sign(step)
    around = np.zeros((3, 3, len(inside)))
    for dy, dx in np.ndindex(3, 3):
        at, back = inside + dx - 1 + (dy - 1) * wide, (dx if abs(step) == 1 else dy) == 1 - out
        around[dy, dx] = np.minimum(np.where(thin, ink[at + step], ink[at]) if back else ink[at], own)
    x = np.tensordot(_SCHARR, around[:, 2] - around[:, 0], 1)
    y = np.tensordot(_SCHARR, around[2] - around[0], 1)
    long = np.hypot(x, y)
    return np.stack([x, y]) / np.where(long > 0, long, 1)
