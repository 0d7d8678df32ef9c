"""Measuring: which gauge reads a recess, a patch to read where none goes in, and swatches that tell the focus.

Decides which gauges go into a stroke. A depth gauge's flat base bridges the recess and stands on the face at both sides;
only its tip goes in. The tip has to reach the floor in the middle third of the stroke, clear of the walls, and must not
press into the char. The widths are common practice, no source; the middle third is that of `layout`. Where no gauge goes
in, a patch as large as a test swatch (`layout.size_mm`) is burned beside the drawing in the same run. The drawing with
its patch is read again before it is handed out: it must burn what it burned, and the patch.
"""

import tempfile
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd

from testburn import sweep
from testburn.burnplan.drawing import svg
from testburn.burnplan.layout import Layout, Scrap, size_mm
from testburn.labbook import Machine

PRACTICE = "common practice, no source"
_GAUGES = pd.DataFrame([
    ("depth gauge, needle tip", 1.0, "for narrow strokes; it sinks into pores and char: brush first, light hand, more readings"),
    ("depth gauge, ball tip of 1 mm", 3.0, "rides over pores and what char is left: the steadiest"),
    ("caliper's depth rod", 4.0, "will do: the beam's end flat on the face; it tilts, so read more often"),
], columns=["gauge", "least_stroke_mm", "what"]).assign(source=PRACTICE)
_SVG, _PX_MM = "http://www.w3.org/2000/svg", 25.4 / 96
# What is burned may differ by this share of the patch once the drawing is drawn again: pixels at its rim.
_SAME = 0.05
# And a box may lie this far off.
_BESIDE_MM = 0.2


@dataclass(frozen=True)
class Drawn:
    """A drawing to burn: its file's name, its bytes, and what to know of it."""

    name: str
    svg: bytes
    words: str


def gauges(stroke_mm: float = float("inf")) -> pd.DataFrame:
    """Return the gauges that go into a stroke of a width: gauge, least_stroke_mm, what, source; all of them without one."""
    return _GAUGES[_GAUGES["least_stroke_mm"] <= stroke_mm].reset_index(drop=True)


def gauge_words(stroke_mm: float) -> str:
    """Say with what to read a stroke of a width in mm; where no gauge goes in, what to read instead."""
    fitting = list(gauges(stroke_mm)["gauge"])
    if not fitting:
        return f"No gauge goes into strokes of {stroke_mm:.1f} mm: read a patch burned beside the drawing with this setting."
    rod = " (or a caliper's depth rod)" * fitting[-1].startswith("caliper")
    return f"{fitting[min(len(fitting), 2) - 1].capitalize()}{rod}: its base bridges the recess, only the tip goes in."


def with_patch(drawing: sweep.Artwork, choice: pd.Series, machine: Machine = Machine(), gauge_tip_mm: float = 4.0) -> Drawn:
    """Return a drawing with a patch that a gauge fits into on the waste side, to the right of its page.

    Parameters
    ----------
    drawing : Artwork
    choice : Series
        A row of `settings.choose`: speed_mm_s, power_pct, line_pitch_mm, passes.
    gauge_tip_mm : float
        What of the gauge goes into the recess.

    Returns
    -------
    Drawn
        Without a drawing (no bytes), and with words that say so, where it would not burn as before beside a patch.

    Raises
    ------
    ValueError
        If the tip cannot be.
    """
    width, land = size_mm(choice["speed_mm_s"], gauge_tip_mm, machine)
    made = _beside(drawing, width, land)
    name = f"{Path(drawing.name).stem if drawing.content else 'block'}-with-patch.svg"
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / name
        file.write_bytes(made)
        again = sweep.read(file)
        whole = sweep.read(_written(Path(folder), drawing)) if drawing.content else drawing
    again = _left_out_alike(again, whole)
    patch_mm2 = width * land
    if abs(again.area_mm2 - whole.area_mm2 - patch_mm2) > _SAME * patch_mm2 or len(again.pieces) != len(whole.pieces) + 1:
        return Drawn(name, b"", f"No drawing with a patch is made: {drawing.name} would not burn as before with one beside it. Where no gauge goes "
                     f"into the strokes, draw a rectangle of {width:g} × {land:g} mm beside it yourself, in black, and save it again.")
    minutes = [sweep.plan(one, choice["line_pitch_mm"], machine).fastest_minutes(
        pd.Series([choice["speed_mm_s"]]).to_numpy(float), choice["passes"])[0] for one in (whole, again)]
    return Drawn(name, made, (
        f"Patch: {width:g} × {land:g} mm, {land:g} mm to the right of the drawing, on the board's waste side: burned in the same run "
        f"with the same setting, {max(minutes[1] - minutes[0], 0):.1f} minutes more. Read it in its middle third, as a proof swatch. It says how "
        f"deep this setting goes on this board where the floor is wide. Of narrower strokes it tells less. {whole.stroke_words}"))


def focus_ladder(choice: pd.Series, machine: Machine = Machine(), offsets_mm: tuple[float, ...] = (-2, -1, 0, 1, 2),
                 gauge_tip_mm: float = 4.0) -> Drawn:
    """Return swatches of one setting in a row, a group for each focus offset, for `drift.focus_check`.

    Parameters
    ----------
    choice : Series
        A row of `settings.choose`.
    offsets_mm : tuple of float
        Below the face positive; each is burned by itself, with the module moved.

    Raises
    ------
    ValueError
        If an offset comes twice, or the tip cannot be.
    """
    if len(set(offsets_mm)) < len(offsets_mm):
        raise ValueError(f"The offsets {', '.join(f'{one:g}' for one in offsets_mm)} mm: one comes twice. Name each once.")
    width, land = size_mm(choice["speed_mm_s"], gauge_tip_mm, machine)
    swatches = pd.DataFrame([{"swatch": f"focus{offset:+g}", "x_mm": land + place * (width + land), "y_mm": land, "width_mm": width,
                              "height_mm": land, "words": f"{machine.units.setting(choice)}, focus {offset:+g} mm"}
                             for place, offset in enumerate(offsets_mm)])
    page = Layout(Scrap(land + len(offsets_mm) * (width + land), 3 * land, 1), width, land, land, len(offsets_mm), 1)
    return Drawn("focus-ladder.svg", svg(page, swatches, "Focus ladder"), (
        f"Focus ladder: {len(offsets_mm)} swatches of {width:g} × {land:g} mm in a row on one board, all at {machine.units.setting(choice)}. Burn "
        f"one group after another, in any order but this, with the focus at {', '.join(f'{one:+g}' for one in offsets_mm)} mm (+ below the "
        "face, - above it). Look at the nearest surface first: the nose must not touch the board."))


def _beside(drawing: sweep.Artwork, width_mm: float, land_mm: float) -> bytes:
    """Return the drawing, whole and at its size, in a wider page with a rectangle to its right."""
    wide, high = drawing.width_mm, drawing.height_mm
    inner = (ElementTree.fromstring(drawing.content) if drawing.content else
             ElementTree.fromstring(f'<svg xmlns="{_SVG}"><rect width="100%" height="100%"/></svg>'))
    inner.attrib.setdefault("viewBox", f"0 0 {wide / _PX_MM:.9g} {high / _PX_MM:.9g}")
    inner.attrib |= {"x": "0", "y": "0", "width": f"{wide:.9g}", "height": f"{high:.9g}"}
    page = (wide + land_mm + width_mm, max(high, land_mm))
    root = ElementTree.Element(f"{{{_SVG}}}svg", {"width": f"{page[0]:.9g}mm", "height": f"{page[1]:.9g}mm",
                                                  "viewBox": f"0 0 {page[0]:.9g} {page[1]:.9g}"})
    patch = ElementTree.Element(f"{{{_SVG}}}rect", {
        "id": "patch", "x": f"{wide + land_mm:.9g}", "y": "0", "width": f"{width_mm:g}", "height": f"{land_mm:g}", "style": "fill:#000000;stroke:none;opacity:1"})
    root.extend([inner, patch])
    ElementTree.register_namespace("", _SVG)
    ElementTree.register_namespace("xlink", "http://www.w3.org/1999/xlink")
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=True) + b"\n"


def _left_out_alike(again: sweep.Artwork, whole: sweep.Artwork) -> sweep.Artwork:
    """Return a drawing without the outlines left out of another: a cut line round everything does not go round a patch."""
    if whole.left_out <= again.left_out:
        return again
    boxes = again.pieces[["left_mm", "top_mm", "right_mm", "bottom_mm"]].to_numpy()
    gone = [place for place, box in enumerate(boxes, 1) if any(np.abs(box - mark).max() < _BESIDE_MM for mark in whole.marks_mm[-whole.left_out:])]
    return again.without(*gone)


def _written(folder: Path, drawing: sweep.Artwork) -> Path:
    """Write a drawing as it came, and return its file: pieces left out of the job are in the file all the same."""
    file = folder / "drawing.svg"
    file.write_bytes(drawing.content)
    return file
