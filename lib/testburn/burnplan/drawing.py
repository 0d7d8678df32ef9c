"""Swatch drawing: the swatches of one board, or a proof swatch, as a file for the machine.

Decides what is drawn: what is to be burned and nothing else, in black, a named group for each swatch. The swatches'
names are drawn only where asked for, as strokes and not as text, since no machine is sure to have a typeface; and the
scrap's outline only where asked for, in a group that says it is not to be burned.

The drawing is plain SVG in millimetres from the scrap's upper left corner. Source: SVG 1.1 (W3C).
"""

from dataclasses import dataclass
from xml.etree import ElementTree

import pandas as pd

from testburn.burnplan.layout import Layout, size_mm
from testburn.labbook import Machine, columns

_SVG = "http://www.w3.org/2000/svg"
_BLACK = "#000000"
_LETTER_MM, _STROKE_MM, _ABOVE_MM = 3.0, 0.3, 1.0
# Strokes of each sign on a field 4 wide and 6 high, x and y of their corners from the upper left.
_STROKES = {
    "A": "06 20 46;14 34", "B": "00 06 36 45 44 33 03;33 42 41 30 00", "C": "40 10 01 05 16 46", "D": "00 06 26 44 42 20 00",
    "E": "40 00 06 46;03 33", "F": "40 00 06;03 33", "G": "40 10 01 05 16 46 43 23", "H": "00 06;40 46;03 43", "I": "20 26",
    "J": "40 45 36 16 05", "K": "00 06;40 03 46", "L": "00 06 46", "M": "06 00 23 40 46", "N": "06 00 46 40",
    "O": "10 30 41 45 36 16 05 01 10", "P": "06 00 30 41 42 33 03", "Q": "10 30 41 45 36 16 05 01 10;24 46",
    "R": "06 00 30 41 42 33 03;23 46", "S": "40 10 01 02 13 33 44 45 36 06", "T": "00 40;20 26", "U": "00 05 16 36 45 40",
    "V": "00 26 40", "W": "00 16 23 36 40", "X": "00 46;40 06", "Y": "00 23 40;23 26", "Z": "00 40 06 46",
    "0": "10 30 41 45 36 16 05 01 10;05 41", "1": "12 20 26;16 36", "2": "01 10 30 41 42 06 46", "3": "00 40 23 33 44 45 36 16 05",
    "4": "36 30 04 44", "5": "40 00 03 33 44 45 36 06", "6": "40 10 01 05 16 36 45 44 33 03", "7": "00 40 16",
    "8": "10 30 41 42 33 13 02 01 10;13 04 05 16 36 45 44 33", "9": "43 13 02 01 10 30 41 45 36 06"}


@dataclass(frozen=True)
class ProofSwatch:
    """A swatch to prove a board with: its size, in mm, the face left around it, the words and the drawing.

    `toml` are the lines of its setting for [[proof]] in an order's file, in the units of the files.
    """

    width_mm: float
    height_mm: float
    land_mm: float
    setting: str
    toml: str
    svg: bytes

    @property
    def words(self) -> str:
        """How large it is, which way its lines run, and how much of the board's waste side it takes."""
        across, down = (size + 2 * self.land_mm for size in (self.width_mm, self.height_mm))
        return (f"Proof swatch: {self.width_mm:g} × {self.height_mm:g} mm, lines along the {self.width_mm:g} mm, at "
                f"{self.setting}. Keep {self.land_mm:g} mm of untouched face around it to zero the gauge on: {across:g} × "
                f"{down:g} mm of the board's waste side.")


def proof_swatch(choice: pd.Series, machine: Machine = Machine(), gauge_tip_mm: float = 4.0) -> ProofSwatch:
    """Return a swatch to prove a board with, as large as a test swatch at that speed (`layout.size_mm`).

    Parameters
    ----------
    choice : Series
        A row of `settings.choose`: speed_mm_s, power_pct, line_pitch_mm, passes.

    Raises
    ------
    ValueError
        If the gauge's tip cannot be.
    """
    width, height = size_mm(choice["speed_mm_s"], gauge_tip_mm, machine)
    setting = machine.units.setting(choice)
    root = _page(width + 2 * height, 3 * height, "Proof swatch")
    _swatch(root, "proof", setting, height, height, width, height)
    lines = "".join(f"{name} = {choice[name]:.9g}\n" for name in columns.MACHINE_SETTING)
    return ProofSwatch(width, height, height, setting, lines, _bytes(root))


def svg(layout: Layout, swatches: pd.DataFrame, title: str, labels: bool = False, outline: bool = False) -> bytes:
    """Return the drawing of one board as SVG, in mm from the scrap's upper left corner.

    Parameters
    ----------
    layout : Layout
    swatches : DataFrame
        Of one board: swatch (the id of its group), x_mm, y_mm, width_mm, height_mm, words (its settings).
    title : str
    labels : bool
        Draw each swatch's name above it, as strokes in a group named labels: it is burned as well.
    outline : bool
        Draw the scrap's outline, in a group named do-not-burn-scrap.
    """
    scrap = layout.scrap
    root = _page(scrap.width_mm, scrap.height_mm, title)
    if outline:
        _rectangle(ElementTree.SubElement(root, "g", {"id": "do-not-burn-scrap", "fill": "none", "stroke": _BLACK,
                                                      "stroke-width": f"{_STROKE_MM:g}"}), 0, 0, scrap.width_mm, scrap.height_mm)
    for row in swatches.itertuples():
        _swatch(root, row.swatch, row.words, row.x_mm, row.y_mm, row.width_mm, row.height_mm)
    if labels:
        group = ElementTree.SubElement(root, "g", {"id": "labels", "fill": "none", "stroke": _BLACK,
                                                   "stroke-width": f"{_STROKE_MM:g}"})
        for row in swatches.itertuples():
            ElementTree.SubElement(group, "path", {"id": _plain(f"label-{row.swatch}"), "d": _strokes(
                str(row.swatch), row.x_mm, row.y_mm - _ABOVE_MM - _LETTER_MM)})
    return _bytes(root)


def _page(width_mm, height_mm, title) -> ElementTree.Element:
    root = ElementTree.Element("svg", {
        "xmlns": _SVG, "version": "1.1", "width": f"{width_mm:g}mm", "height": f"{height_mm:g}mm",
        "viewBox": f"0 0 {width_mm:g} {height_mm:g}"})
    ElementTree.SubElement(root, "title").text = _plain(title)
    return root


def _swatch(root, name, words, x, y, width, height) -> None:
    group = ElementTree.SubElement(root, "g", {"id": _plain(name), "fill": _BLACK})
    ElementTree.SubElement(group, "title").text = _plain(f"{name}: {words}")
    _rectangle(group, x, y, width, height)


def _rectangle(parent, x, y, width, height) -> None:
    ElementTree.SubElement(parent, "rect", {"x": f"{x:g}", "y": f"{y:g}", "width": f"{width:g}", "height": f"{height:g}"})


def _strokes(name: str, x_mm: float, y_mm: float) -> str:
    """Return a name as the strokes of a path; a sign that has none leaves its room empty."""
    scale, drawn = _LETTER_MM / 6, []
    for place, sign in enumerate(name.upper()):
        left = x_mm + 5.5 * scale * place
        for stroke in filter(None, _STROKES.get(sign, "").split(";")):
            corners = [f"{left + scale * int(x):.4g} {y_mm + scale * int(y):.4g}" for x, y in stroke.split()]
            drawn.append("M" + " L".join(corners))
    return " ".join(drawn)


def _bytes(root) -> bytes:
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=True) + b"\n"


def _plain(text: object) -> str:
    """Return the text without what XML 1.0 cannot hold at all (control signs, lone surrogates)."""
    return "".join(sign if sign in "\t\n" or (" " <= sign < "\ud800") or ("\ue000" <= sign < "\ufffe")
                   or sign > "\uffff" else "\ufffd" for sign in str(text))
