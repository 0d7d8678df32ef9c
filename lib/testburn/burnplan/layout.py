"""Swatch layout: how large a swatch is, where it lies on the scrap, and the drawing of it.

Decides the size from what must fit on it. Depth is read in the middle third, away from the walls, with
untouched face on both sides to zero the gauge on; a third next to every wall is left out. So a swatch is
three times as wide and as high as the gauge's foot, and the face left between two swatches and around
them is as wide again. Along the lines the middle third must also lie where the head has its full speed: where the
machine runs up on the wood (`runs_up_outside` is false), a swatch is at least three run-ups long
(`sweep.run_up_mm`), those of a slow head as long as its acceleration is not known.

The drawing is plain SVG (SVG 1.1, W3C) in millimetres: a filled rectangle for each swatch in a group of
its own, whose id is the swatch's id. Scrap and labels are in groups named do-not-burn.

Source: ISO 5436-1, type A grooves: depth from the middle third of the groove against the face on both
sides, thirds beside the walls left out (from memory). Three foot widths then follow.
"""

import math
from dataclasses import dataclass
from xml.etree import ElementTree

import pandas as pd

from testburn import sweep
from testburn.labbook import Machine

THIRDS = 3
_LEAST_MM = 6.0                 # a smaller square burns together with its neighbour's scorched edge
_SVG = "http://www.w3.org/2000/svg"


@dataclass(frozen=True)
class Scrap:
    """The board to burn on, in mm: along the lines, across the lines, and its thickness."""

    width_mm: float
    height_mm: float
    thickness_mm: float

    def __post_init__(self):
        for name, size in vars(self).items():
            if not (size > 0 and math.isfinite(size)):
                raise ValueError(f"The scrap's {name.removesuffix('_mm')} is {size:g} mm. "
                                 "Measure it, in mm, above 0.")


@dataclass(frozen=True)
class Layout:
    """Equal swatches in rows on a scrap, all in mm; the corner of the first is `land_mm` from two edges."""

    scrap: Scrap
    swatch_width_mm: float
    swatch_height_mm: float
    land_mm: float
    columns: int
    rows: int

    def places(self, swatches: int) -> list[tuple[float, float]]:
        """Return the upper left corner of so many swatches, row by row, from the scrap's upper left."""
        return [(self.land_mm + place % self.columns * (self.swatch_width_mm + self.land_mm),
                 self.land_mm + place // self.columns * (self.swatch_height_mm + self.land_mm))
                for place in range(swatches)]

    def area_cm2(self, swatches: int) -> float:
        """Return the scrap that so many swatches use up, with the face around them."""
        columns = min(swatches, self.columns)
        rows = math.ceil(swatches / self.columns)
        return ((columns * (self.swatch_width_mm + self.land_mm) + self.land_mm)
                * (rows * (self.swatch_height_mm + self.land_mm) + self.land_mm)) / 100


def size_mm(fastest_mm_s: float, gauge_foot_mm: float, machine: Machine = Machine()) -> tuple[float, float]:
    """Return the least width (along the lines) and height of a swatch, in whole mm.

    Parameters
    ----------
    fastest_mm_s : float
        The fastest swatch of the plan.
    gauge_foot_mm : float
        What of the gauge stands in the recess: the diameter of its foot or tip's holder.
    machine : Machine
        Where its head runs up.
    """
    if not 0 < gauge_foot_mm <= 50:
        raise ValueError(f"A gauge foot of {gauge_foot_mm:g} mm cannot be. Measure across the part "
                         "that stands in the recess, in mm.")
    height = max(THIRDS * gauge_foot_mm, _LEAST_MM)
    run_up = 0.0 if machine.runs_up_outside else float(
        sweep.run_up_mm(fastest_mm_s, sweep.heads(machine)[1].acceleration_mm_s2))
    return _whole(max(height, THIRDS * run_up)), _whole(height)


def fitted(scrap: Scrap, width_mm: float, height_mm: float) -> Layout:
    """Return as many swatches of that size as the scrap holds; `rows` is 0 where it holds none."""
    land = height_mm
    columns = int((scrap.width_mm - land + 1e-9) // (width_mm + land))
    rows = int((scrap.height_mm - land + 1e-9) // (height_mm + land))
    return Layout(scrap, width_mm, height_mm, land, max(columns, 0), max(rows, 0))


def svg(layout: Layout, swatches: pd.DataFrame, title: str, labels: bool = True) -> bytes:
    """Return the drawing of one board as SVG, in mm from the scrap's upper left corner.

    Parameters
    ----------
    layout : Layout
    swatches : DataFrame
        One board's: swatch (the id of its group), x_mm, y_mm, width_mm, height_mm, words (its settings).
    title : str
    labels : bool
        With the scrap's outline and the swatches' numbers, in groups named do-not-burn.
    """
    scrap = layout.scrap
    root = ElementTree.Element("svg", {
        "xmlns": _SVG, "version": "1.1", "width": f"{scrap.width_mm:g}mm",
        "height": f"{scrap.height_mm:g}mm", "viewBox": f"0 0 {scrap.width_mm:g} {scrap.height_mm:g}"})
    ElementTree.SubElement(root, "title").text = _plain(title)
    if labels:
        outline = ElementTree.SubElement(root, "g", {"id": "do-not-burn-scrap", "fill": "none"})
        _rectangle(outline, 0, 0, scrap.width_mm, scrap.height_mm, stroke="black",
                   **{"stroke-width": "0.2"})
    for row in swatches.itertuples():
        group = ElementTree.SubElement(root, "g", {"id": _plain(row.swatch), "fill": "black"})
        ElementTree.SubElement(group, "title").text = _plain(f"{row.swatch}: {row.words}")
        _rectangle(group, row.x_mm, row.y_mm, row.width_mm, row.height_mm)
    if labels:
        texts = ElementTree.SubElement(root, "g", {
            "id": "do-not-burn-labels", "font-family": "sans-serif", "font-size": "4",
            "fill": "black"})
        for row in swatches.itertuples():
            ElementTree.SubElement(texts, "text", {
                "x": f"{row.x_mm:g}", "y": f"{row.y_mm - 1.2:g}"}).text = _plain(row.swatch)
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=True) + b"\n"


def _rectangle(parent, x, y, width, height, **more):
    ElementTree.SubElement(parent, "rect", {
        "x": f"{x:g}", "y": f"{y:g}", "width": f"{width:g}", "height": f"{height:g}", **more})


def _plain(text: object) -> str:
    """Return the text without what XML 1.0 cannot hold at all (control signs, lone surrogates)."""
    return "".join(sign if sign in "\t\n" or (" " <= sign < "\ud800") or ("\ue000" <= sign < "\ufffe")
                   or sign > "\uffff" else "\ufffd" for sign in str(text))


def _whole(mm: float) -> float:
    return float(math.ceil(mm - 1e-9))
