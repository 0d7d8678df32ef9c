"""Form boxes: what the entry form is put together from, and how it looks.

Decides the order and width of the boxes, their labels and colours. Measurements are typed into
plain text boxes: a bounded number box turns 99 into its upper bound without a word. Every box has
its description as a label for screen readers; inside the grid, where the heading already says it,
the label is there but not shown. Message colours have a contrast of at least 9 : 1. The grid of a burn is a row of
boxes for each swatch; another swatch or reading is put under or beside what is there, which is not drawn anew, and
every box tells one listener what was changed in it.

Decides too what a key does inside a form: Enter moves on to the next box, as Tab does; in the grid it passes over what
may stay empty, and from a row's end it goes to the first empty box of the row below; arrows go up and down a column. A
plain widget cannot: by the time its kernel has heard of Enter and sent the focus on, the next digits are typed into the
old box. Shift+Enter goes back, Ctrl+S presses Save, and the notebook's own single-letter commands are off while a form has
the focus, as one of them cuts the cell that the form stands in. Where the kernel no longer answers, the page says that
what is typed is not kept.
"""

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import anywidget
import ipywidgets as widgets
import traitlets

from testburn.entry.draft import row_cell
from testburn.entry.grid import DEPTH, FACE_AND_FLOOR, HEADER
from testburn.entry.remarks import Remark
from testburn.entry.typed import MM_OF
from testburn.labbook import shown, woods
from testburn.units import PERCENT, SPACINGS, SPEEDS

LINES = {
    "Burn": ("burn", "burned_on", "species", "board", "depth_unit", "depth_as", "gauge_step"),
    "Setting": ("module_w", "wavelength_nm", "module", "power_pct", "power_unit", "passes", "line_spacing",
                "line_spacing_unit", "speed_unit"),
    "Optional": ("board_thickness", "moisture_pct", "focus_offset_mm", "air_assist",
                 "sweep_vs_grain", "note"),
}
_WIDTHS = {"species": "170px", "line_spacing_unit": "170px", "note": "240px", "power_unit": "90px", "speed_unit": "90px",
           "depth_unit": "90px", "gauge_step": "110px", "board": "110px"}
FIELD, NAME, CELL, HALF_CELL = "150px", "66px", "96px", "84px"
# Own power and own pitch share the place of one, so that the row stands on one line at 1024 px.
_SHARED = "46px"
# Where the focus goes when a form is opened: the first of these that is empty.
MUST = "burn-must"
_HEAD = "burn-head"
STYLE = """<style>
.burn-entry { max-width: 100%; padding: 4px; }
.burn-entry .widget-box, .burn-entry .burn-field, .burn-entry .burn-cell { overflow: visible; }
.burn-entry .burn-field { flex-direction: column; align-items: stretch; height: auto; }
.burn-entry .burn-field > label { width: auto; text-align: left; height: 20px; line-height: 20px; }
.burn-entry .burn-field > input, .burn-entry .burn-field > select { flex: 0 0 28px; }
.burn-entry input, .burn-entry select { color: #111 !important; background-color: #fff !important;
  border: 1px solid #767676 !important; }
.burn-entry input:disabled { background-color: #eee !important; color: #333 !important; opacity: 1; }
.burn-entry .burn-head { white-space: normal; line-height: 1.15; height: auto; align-self: flex-end; }
.burn-entry label, .burn-entry .widget-label, .burn-entry .widget-html-content { color: #111; }
.burn-entry .burn-cell > label { position: absolute; width: 1px; height: 1px; margin: -1px;
  padding: 0; overflow: hidden; clip-path: inset(50%); white-space: nowrap; }
.burn-entry input:focus, .burn-entry select:focus, .burn-entry button:focus {
  outline: 3px solid #0b57d0 !important; outline-offset: 1px; }
.burn-entry button { color: #111; background: #e4e4e4; border: 1px solid #767676; }
.burn-entry button.mod-primary { color: #fff; background: #0b4fae; border-color: #0b4fae; }
.burn-entry .burn-said .widget-html-content { line-height: 1.35; font-size: 13px;
  overflow-wrap: anywhere; }
.burn-entry .burn-said p { margin: 1px 0; padding: 1px 6px; border-radius: 2px; }
.burn-entry .burn-said .fault { background: #fdeaea; color: #7a1010; }
.burn-entry .burn-said .doubt { background: #fff3d1; color: #533800; }
.burn-entry .burn-said .saved { background: #e3f4e4; color: #0e4a17; }
.burn-entry .burn-silent { background: #7a1010; color: #fff; padding: 6px; font-weight: 600; }
.burn-entry .burn-said table { border-collapse: collapse; font-size: 13px; }
.burn-entry .burn-said td, .burn-entry .burn-said th { padding: 1px 8px; text-align: left;
  border-bottom: 1px solid #bbb; color: #111; background: #fff; max-width: 220px; }
</style>"""



def header_box(name: str, value: str, species, powers=()) -> widgets.Widget:
    """Make one header box: a choice where the answers are few, else plain text.

    Parameters
    ----------
    powers : sequence of str
        Units of power beside percent.
    """
    value, width = str(value), _WIDTHS.get(name, FIELD)
    mark = "burn-field" if name in LINES["Optional"] else f"burn-field {MUST}"
    choices = {
        "species": ["", *species], "line_spacing_unit": list(SPACINGS), "speed_unit": list(SPEEDS),
        "power_unit": [PERCENT.name, *powers],
        "depth_unit": list(MM_OF), "depth_as": [DEPTH, FACE_AND_FLOOR],
        "air_assist": ["", "on", "off"], "sweep_vs_grain": ["", "along", "across"],
    }.get(name)
    if choices:
        # What was typed before stays even where it is no choice; the check names it then.
        nothing = "choose…" if name == "species" else "not noted"
        options = [(choice or nothing, choice) for choice in dict.fromkeys([*choices, value])]
        more = named_in_the_trade([wood for _, wood in options]) if name == "species" else []
        box = choice([*options, *more], value, HEADER[name], width, mark)
        if more:
            box.observe(lambda change: _said_plainly(box, len(options)), "index")
        return box
    return text(value, HEADER[name], width, mark)


def named_in_the_trade(names: list[str]) -> list[tuple[str, str]]:
    """Return what lumber is called as further choices: typing "red oak" among the names alone would stop at red alder."""
    return [(word, meant[0]) for word, meant in woods.COMMON.items() if len(meant) == 1 and meant[0] in names and word not in names]


def _said_plainly(box: widgets.Dropdown, names: int) -> None:
    """Let a wood that was chosen by another word stand there by its own name, the first of those for it."""
    if box.index is not None and box.index >= names:
        box.index = [value for _, value in box.options].index(box.value)


@cache
def laid(**options) -> widgets.Layout:
    """Return a layout; boxes that lie alike share one, as the page is told of each by itself. Never change one: give another."""
    return widgets.Layout(**options)


@cache
def _style(kind) -> widgets.Widget:
    return kind.class_traits()["style"].klass()


def _box(kind, mark: str, width: str, **traits) -> widgets.Widget:
    # Its classes from the first: each one given later is a message of its own to the page.
    return kind(layout=laid(width=width), style=_style(kind), _dom_classes=tuple(mark.split()), **traits)


def text(value="", label: str = "", width: str = FIELD, mark: str = "burn-field", offered: tuple[str, ...] = ()) -> widgets.Text:
    """Return a box to type into, its label above it; where texts are offered, another may be typed all the same."""
    more = {"options": offered} if offered else {}
    return _box(widgets.Combobox if offered else widgets.Text, mark, width, value=str(value), description=label, continuous_update=False, **more)


def choice(options, value, label: str = "", width: str = FIELD, mark: str = "burn-field", kind=widgets.Dropdown):
    """Return a box to choose in, its label above it."""
    return _box(kind, mark, width, options=options, value=value, description=label)


def chooser(label: str, options: dict, show: Callable, place: widgets.Widget) -> widgets.VBox:
    """Return a list to choose from over the place where `show` puts what is chosen; it is given "" where nothing is."""
    choose = choice([("choose…", ""), *options.items()], "", label, "320px")
    choose.observe(lambda change: show(change["new"]), "value")
    shown = widgets.VBox([widgets.HTML(STYLE), keys(), choose, place])
    shown.add_class("burn-entry")
    return shown


def cell(value, width: str = CELL, label: str = "", must: bool = False) -> widgets.Text:
    """Return a box of the grid; its label is for screen readers."""
    return text(value, label, width, f"burn-cell {MUST}" if must else "burn-cell")


def words(text, width, mark: str = "") -> widgets.Label:
    """Return words that stand over a column or before a line."""
    return widgets.Label(text, layout=laid(width=width), style=_style(widgets.Label), _dom_classes=tuple(mark.split()))


def row(boxes) -> widgets.HBox:
    """Return boxes side by side, wrapped where the page is narrow."""
    return widgets.HBox(list(boxes), layout=laid(flex_flow="row wrap", align_items="flex-end"))


def wrapped(title: str, boxes) -> widgets.HBox:
    """Return a line of boxes after its name."""
    return row([words(title, NAME), *boxes])


def message(*said: Remark) -> widgets.HTML:
    """Return a place for messages."""
    return widgets.HTML(as_html(said), layout=laid(), style=_style(widgets.HTML), _dom_classes=("burn-said",))


def button(label, pressed, style="", name="") -> widgets.Button:
    """Return a button as wide as its label; `name` is its class in the page."""
    made = widgets.Button(description=label, button_style=style,
                          layout=laid(width="auto", min_width="110px"), style=_style(widgets.Button))
    made.on_click(pressed)
    if name:
        made.add_class(name)
    return made


def as_html(said) -> str:
    """Return remarks as HTML, with everything typed escaped; screen readers are told of them."""
    lines = "".join(f'<p class="{remark.weight}">{shown.as_html(remark.text)}</p>'
                    for remark in said if remark.text)
    return f'<div role="status">{lines}</div>' if lines else ""


class Keys(anywidget.AnyWidget):
    """An unseen widget; put into a box of the class burn-entry, it listens to that box's keys.

    With `begin`, the first empty box that must be filled gets the focus once it is on the page.
    """

    _esm = Path(__file__).with_name("keys.js").read_text(encoding="utf-8")
    begin = traitlets.Bool(False).tag(sync=True)
    # The page counts the boxes that were left; what has been answered has been kept.
    asked = traitlets.Int(0).tag(sync=True)
    answered = traitlets.Int(0).tag(sync=True)

    @traitlets.observe("asked")
    def _answer(self, change) -> None:
        self.answered = change["new"]


@cache
def keys() -> Keys:
    """Return the one listener that the forms of a page share: each of its own would be loaded by itself, while the page waits."""
    return Keys()


@dataclass(frozen=True, eq=False)
class RowBoxes:
    """The boxes of one swatch, and the message beside them."""

    swatch: widgets.Text
    speed: widgets.Text
    power: widgets.Text
    pitch: widgets.Text
    faces: list[widgets.Text]
    depths: list[widgets.Text]
    said: widgets.HTML
    line: widgets.HBox

    @classmethod
    def of(cls, row: dict, readings: int) -> "RowBoxes":
        """Return boxes holding what is typed already; `readings` is how many there are."""
        line = widgets.HBox(layout=laid(align_items="center", flex_flow="row wrap"))
        line.add_class("burn-row")
        boxes = cls(cell(row.get("swatch", ""), NAME, must=True), cell(row.get("speed", ""), must=True),
                    cell(row.get("power", "")), cell(row.get("pitch", "")), *(
                        [cell(texts[place] if place < len(texts) else "", must=True)
                         for place in range(readings)]
                        for texts in (row.get("faces", ()), row.get("depths", ()))),
                    message(), line)
        boxes.said.layout = laid(flex="1 1 230px", min_width="230px")
        return boxes

    def cells(self) -> list[tuple[str, int, widgets.Text]]:
        """Return every box with its name, and its number where it is a reading's."""
        return [("swatch", 0, self.swatch), ("speed", 0, self.speed), ("power", 0, self.power), ("pitch", 0, self.pitch),
                *(("face", number, box) for number, box in enumerate(self.faces, 1)),
                *(("depth", number, box) for number, box in enumerate(self.depths, 1))]

    def typed(self) -> dict:
        faces = [box.value for box in self.faces]
        return {"swatch": self.swatch.value, "speed": self.speed.value, "power": self.power.value,
                "depths": [box.value for box in self.depths]} | ({"faces": faces} if any(faces) else {}) | (
                    {"pitch": self.pitch.value} if self.pitch.value else {})

    def show(self, with_face: bool, with_pitch: bool) -> None:
        """Put the boxes into the line, the face's before the floor's where both are typed; a pitch where a swatch has its own."""
        width = HALF_CELL if with_face else CELL
        for box in (self.power, self.pitch):
            box.layout = laid(width=_SHARED if with_pitch else CELL)
        for box in (*self.faces, *self.depths):
            box.layout = laid(width=width)
        pairs = zip(self.faces, self.depths) if with_face else ((box,) for box in self.depths)
        self.line.children = [self.swatch, self.speed, self.power, *[self.pitch] * with_pitch,
                              *(box for pair in pairs for box in pair), self.said]

    def put_labels(self, with_face: bool) -> None:
        """Name each box after the swatch it belongs to, for screen readers."""
        name = f"Swatch {self.swatch.value}"
        self.speed.description = f"{name} speed"
        self.power.description = f"{name} own power"
        self.pitch.description = f"{name} own pitch"
        for number, (face, floor) in enumerate(zip(self.faces, self.depths), 1):
            face.description = f"{name} face {number}"
            floor.description = f"{name} {'floor' if with_face else 'reading'} {number}"


class Rows(widgets.VBox):
    """The grid; `rows` holds the boxes of each swatch, in the order they stand.

    Parameters
    ----------
    swatches : list of dict
        What is typed already, a swatch each.
    heads : tuple
        What the columns depend on: the unit of depth, whether the face is typed too, the units of speed, power and pitch.
    changed : callable
        Called with the row, the cell's name and its new text after every change.
    """

    def __init__(self, swatches: list[dict], heads: tuple, changed: Callable):
        self.rows, self._changed = [], changed
        self._headings, self._lines = widgets.HBox(), widgets.VBox()
        self.with_pitch = any(row.get("pitch") for row in swatches)
        self.readings = max(3, *(len(row.get(name, ())) for row in swatches for name in ("depths", "faces")))
        for row in swatches:
            self._put(row, heads[1])
        self.put_headings(*heads)
        super().__init__([self._headings, self._lines])

    def typed(self) -> list[dict]:
        """Return what the boxes hold, a swatch each."""
        return [row.typed() for row in self.rows]

    def put_headings(self, depth_unit: str, with_face: bool, speed_unit: str, power_unit: str, pitch_unit: str) -> None:
        """Write the words over the columns."""
        unit = "in" if depth_unit == "inch" else "mm"
        names = ("Face", "Floor") if with_face else ("Reading",)
        over = [f"{name} {n} {unit}" for n in range(1, self.readings + 1) for name in names]
        self._headings.children = [
            words("Swatch", NAME, _HEAD), words(f"Speed {speed_unit}", CELL, _HEAD), words(f"Own power {power_unit}", _SHARED if self.with_pitch else CELL, _HEAD),
            *[words(f"Own pitch {pitch_unit}", _SHARED, _HEAD)] * self.with_pitch,
            *(words(text, HALF_CELL if with_face else CELL, _HEAD) for text in over)]

    def show(self, with_face: bool) -> None:
        """Put every row's boxes into its line again, with or without those of the face."""
        for row in self.rows:
            row.show(with_face, self.with_pitch)

    def add_swatch(self, with_face: bool) -> None:
        """Put one more swatch under the others, under the first number that is free."""
        taken = {row.swatch.value for row in self.rows}
        name = next(str(n) for n in itertools.count(len(self.rows) + 1) if str(n) not in taken)
        row = self._put({"swatch": name}, with_face)
        self._changed(row, row_cell(len(self.rows) - 1, "swatch"), name)
        row.speed.focus()

    def add_reading(self, *heads) -> None:
        """Put one more reading beside the others of every swatch."""
        self.readings, with_face = self.readings + 1, heads[1]
        for place, row in enumerate(self.rows):
            for name, boxes in (("face", row.faces), ("depth", row.depths)):
                boxes.append(cell("", must=True))
                self._watch(boxes[-1], row, row_cell(place, name, self.readings))
            row.put_labels(with_face)
            row.show(with_face, self.with_pitch)
        self.put_headings(*heads)

    def _put(self, typed: dict, with_face: bool) -> RowBoxes:
        """Put a row under the grid; what is there already is not drawn anew."""
        row, place = RowBoxes.of(typed, self.readings), len(self.rows)
        row.swatch.description = f"Swatch id, row {place + 1}"
        for name, number, box in row.cells():
            self._watch(box, row, row_cell(place, name, number))
        row.put_labels(with_face)
        row.show(with_face, self.with_pitch)
        self.rows.append(row)
        self._lines.children = [*self._lines.children, row.line]
        return row

    def _watch(self, box, row, name) -> None:
        box.observe(lambda change: self._changed(row, name, change["new"]), "value")
