"""Rows: the grid of a burn form, a row of boxes for each swatch.

Decides which boxes a swatch has, what stands over them and what each is called for a screen reader; that
another swatch or reading is put under or beside what is there, which is not drawn anew; and that every box
tells one listener what was changed in it.
"""

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import ipywidgets as widgets

from testburn.entry.boxes import CELL, HALF_CELL, NAME, cell, laid, message, words
from testburn.entry.draft import row_cell


@dataclass(frozen=True, eq=False)
class RowBoxes:
    """The boxes of one swatch, and the message beside them."""

    swatch: widgets.Text
    speed: widgets.Text
    power: widgets.Text
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
                    cell(row.get("power", "")), *(
                        [cell(texts[place] if place < len(texts) else "", must=True)
                         for place in range(readings)]
                        for texts in (row.get("faces", ()), row.get("depths", ()))),
                    message(), line)
        boxes.said.layout = laid(flex="1 1 230px", min_width="230px")
        return boxes

    def cells(self) -> list[tuple[str, int, widgets.Text]]:
        """Return every box with its name, and its number where it is a reading's."""
        return [("swatch", 0, self.swatch), ("speed", 0, self.speed), ("power", 0, self.power),
                *(("face", number, box) for number, box in enumerate(self.faces, 1)),
                *(("depth", number, box) for number, box in enumerate(self.depths, 1))]

    def typed(self) -> dict:
        faces = [box.value for box in self.faces]
        return {"swatch": self.swatch.value, "speed": self.speed.value, "power": self.power.value,
                "depths": [box.value for box in self.depths]} | ({"faces": faces} if any(faces) else {})

    def show(self, with_face: bool) -> None:
        """Put the boxes into the line, the face's before the floor's where both are typed."""
        width = HALF_CELL if with_face else CELL
        for box in (*self.faces, *self.depths):
            box.layout = laid(width=width)
        pairs = zip(self.faces, self.depths) if with_face else ((box,) for box in self.depths)
        self.line.children = [self.swatch, self.speed, self.power,
                              *(box for pair in pairs for box in pair), self.said]

    def put_labels(self, with_face: bool) -> None:
        """Name each box after the swatch it belongs to, for screen readers."""
        name = f"Swatch {self.swatch.value}"
        self.speed.description = f"{name} speed"
        self.power.description = f"{name} own power"
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
        What the columns depend on: the unit of depth, whether the face is typed too, the units of speed and power.
    changed : callable
        Called with the row, the cell's name and its new text after every change.
    """

    def __init__(self, swatches: list[dict], heads: tuple, changed: Callable):
        self.rows, self._changed = [], changed
        self._headings, self._lines = widgets.HBox(), widgets.VBox()
        self.readings = max(3, *(len(row.get(name, ())) for row in swatches for name in ("depths", "faces")))
        for row in swatches:
            self._put(row, heads[1])
        self.put_headings(*heads)
        super().__init__([self._headings, self._lines])

    def typed(self) -> list[dict]:
        """Return what the boxes hold, a swatch each."""
        return [row.typed() for row in self.rows]

    def put_headings(self, depth_unit: str, with_face: bool, speed_unit: str, power_unit: str) -> None:
        """Write the words over the columns."""
        unit = "in" if depth_unit == "inch" else "mm"
        names = ("Face", "Floor") if with_face else ("Reading",)
        over = [f"{name} {n}, {unit}" for n in range(1, self.readings + 1) for name in names]
        self._headings.children = [
            words("Swatch", NAME), words(f"Speed {speed_unit}", CELL), words(f"Own power {power_unit}", CELL),
            *(words(text, HALF_CELL if with_face else CELL) for text in over)]

    def show(self, with_face: bool) -> None:
        """Put every row's boxes into its line again, with or without those of the face."""
        for row in self.rows:
            row.show(with_face)

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
                boxes.append(cell(""))
                self._watch(boxes[-1], row, row_cell(place, name, self.readings))
            row.put_labels(with_face)
            row.show(with_face)
        self.put_headings(*heads)

    def _put(self, typed: dict, with_face: bool) -> RowBoxes:
        """Put a row under the grid; what is there already is not drawn anew."""
        row, place = RowBoxes.of(typed, self.readings), len(self.rows)
        row.swatch.description = f"Swatch id, row {place + 1}"
        for name, number, box in row.cells():
            self._watch(box, row, row_cell(place, name, number))
        row.put_labels(with_face)
        row.show(with_face)
        self.rows.append(row)
        self._lines.children = [*self._lines.children, row.line]
        return row

    def _watch(self, box, row, name) -> None:
        box.observe(lambda change: self._changed(row, name, change["new"]), "value")
