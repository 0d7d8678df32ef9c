"""Forms: boxes for a burn's header and its grid of swatches, and a Save button.

Decides only what is shown where. Typed text goes to `entry`, which makes readings of it, and to
`remarks`, which judges them; saving goes through `labbook.save`, which checks everything and never
overwrites. Measurements are typed into plain text boxes: a bounded number box turns 99 into its
upper bound without a word. The form never changes or clears what was typed. Every change passes
`BurnForm._changed`.

Every box has its description as a label for screen readers; inside the grid, where the heading
already says it, the label is there but not shown. Message colours have a contrast
of at least 9 : 1.
"""

import datetime
import html
import itertools
from dataclasses import dataclass
from pathlib import Path

import ipywidgets as widgets

from testburn import labbook, remarks, woods
from testburn.entry import HEADER, MM_OF, PITCH_OF, as_readings, faults_in_words, remembered
from testburn.remarks import Remark

_LINES = (
    ("burn", "burned_on", "species", "board", "depth_unit", "gauge_step"),
    ("module_w", "wavelength_nm", "power_pct", "passes", "line_spacing", "line_spacing_unit"),
    ("board_thickness", "moisture_pct", "focus_offset_mm", "air_assist", "sweep_vs_grain", "note"),
)
_LINE_NAMES = ("Burn", "Setting", "Optional")
_WIDTHS = {"species": "170px", "line_spacing_unit": "170px", "note": "240px"}
_FIELD, _NAME, _CELL = "150px", "66px", "104px"
_STYLE = """<style>
.burn-entry .burn-field { flex-direction: column; align-items: stretch; height: auto; }
.burn-entry .burn-field > label { width: auto; text-align: left; height: 20px; line-height: 20px; }
.burn-entry .burn-field > input, .burn-entry .burn-field > select { flex: 0 0 28px; }
.burn-entry .burn-cell > label { position: absolute; width: 1px; height: 1px; margin: -1px;
  padding: 0; overflow: hidden; clip-path: inset(50%); white-space: nowrap; }
.burn-entry input:focus, .burn-entry select:focus, .burn-entry button:focus {
  outline: 2px solid #0b57d0 !important; outline-offset: 1px; }
.burn-entry .burn-said .widget-html-content { line-height: 1.35; font-size: 13px;
  overflow-wrap: anywhere; }
.burn-entry .burn-said p { margin: 1px 0; padding: 1px 6px; border-radius: 2px; }
.burn-entry .burn-said .fault { background: #fdeaea; color: #7a1010; }
.burn-entry .burn-said .doubt { background: #fff3d1; color: #533800; }
.burn-entry .burn-said .saved { background: #e3f4e4; color: #0e4a17; }
</style>"""


def entry(book: str | Path, start: dict | None = None, scratch: bool = False) -> "BurnForm":
    """Return a form that enters one burn into a lab book.

    Parameters
    ----------
    book : path
        The lab book's folder; a new one is made when the first burn is saved.
    start : dict, optional
        What is already typed (see `BurnForm.typed`), put over the header of the newest burn.
    scratch : bool
        The folder is a copy of the demo lab book: say so, and mark what is saved as invented.

    Raises
    ------
    ValueError
        If `start` holds something the form has no box for, or woods.csv cannot be used.
    """
    book, start = Path(book), start or {}
    if unknown := sorted(set(start) - {*HEADER, "swatches"}):
        raise ValueError(f"The form has no box for {', '.join(unknown)}. "
                         f"It has {', '.join(HEADER)} and swatches.")
    own = book / "woods.csv"
    wood = woods.read(own if own.exists() else woods.HANDBOOK)
    known, notice = {}, ""
    if (book / "burns").is_dir():
        try:
            known = remembered(labbook.read(book))
        except labbook.ReadingsError as error:
            notice = f"The header is not filled in, since the lab book cannot be read. {error}"
    typed = {"burned_on": datetime.date.today().isoformat(), "passes": "1", "depth_unit": "mm",
             "line_spacing_unit": "mm between lines"} | known | start
    return BurnForm(book, typed, wood, notice, scratch)


@dataclass(frozen=True, eq=False)
class RowBoxes:
    """The boxes of one swatch, and the message beside them."""

    swatch: widgets.Text
    speed: widgets.Text
    power: widgets.Text
    depths: list[widgets.Text]
    said: widgets.HTML
    line: widgets.HBox

    def typed(self) -> dict:
        return {"swatch": self.swatch.value, "speed": self.speed.value, "power": self.power.value,
                "depths": [box.value for box in self.depths]}

    def put_labels(self) -> None:
        """Name each box after the swatch it belongs to, for screen readers."""
        self.speed.description = f"Swatch {self.swatch.value} speed mm/s"
        self.power.description = f"Swatch {self.swatch.value} own power %"
        for number, box in enumerate(self.depths, 1):
            box.description = f"Swatch {self.swatch.value} reading {number}"


class BurnForm(widgets.VBox):
    """The form; `header` and `rows` are its boxes, `typed` what they hold."""

    def __init__(self, book, typed, wood, notice="", scratch=False):
        self.book, self.scratch, self._wood = book, scratch, wood
        self._limits = woods.volume_energy_limits(wood["specific_gravity_12pct"])
        self.header = {name: self._header_box(name, typed.get(name, "")) for name in HEADER}
        self.header_said, self.said, self._saved = _message(), _message(), False
        self._warned = False
        self.rows, self._grid, self._headings = [], widgets.VBox(), widgets.HBox()
        rows = typed.get("swatches") or [{"swatch": str(n)} for n in range(1, 7)]
        self._readings = max(3, *(len(row.get("depths", ())) for row in rows))
        for row in rows:
            self._put_row(row)
        self._put_headings()
        self.add_swatch = _button("Add swatch", self._add_swatch)
        self.add_reading = _button("Add reading", self._add_reading)
        self.save = _button("Save burn", self._save, "primary")
        lines = [widgets.HBox([_words(title, _NAME), *(self.header[name] for name in line)],
                              layout=widgets.Layout(flex_flow="row wrap", align_items="flex-end"))
                 for title, line in zip(_LINE_NAMES, _LINES)]
        super().__init__([
            widgets.HTML(_STYLE), self._place_line(notice), *lines, self.header_said,
            self._headings, self._grid,
            widgets.HBox([self.add_swatch, self.add_reading, self.save]), self.said])
        self.add_class("burn-entry")
        self._say_all()

    def typed(self) -> dict:
        """Return everything typed, as texts; `entry(book, start=…)` takes it back."""
        return ({name: box.value for name, box in self.header.items()}
                | {"swatches": [row.typed() for row in self.rows]})

    def _place_line(self, notice) -> widgets.HTML:
        """Say which folder is written to, and whether it only is for trying out."""
        folder = html.escape(str((self.book / "burns").resolve()))
        text = f"<p>Saves into <b>{folder}</b></p>"
        if self.scratch:
            text += ('<p class="doubt"><b>For trying out only:</b> this is a scratch copy of the '
                     "invented demo lab book. What you save here is marked invented.</p>")
        if notice:
            text += _as_html([Remark("doubt", line) for line in notice.splitlines()])
        box = _message()
        box.value = text
        return box

    def _header_box(self, name, value):
        """Make one header box: a choice where the answers are few, else plain text."""
        value = str(value)
        choices = {
            "species": ["", *self._wood.index], "line_spacing_unit": list(PITCH_OF),
            "depth_unit": list(MM_OF), "air_assist": ["", "on", "off"],
            "sweep_vs_grain": ["", "along", "across"],
        }.get(name)
        if choices:
            # What was typed before stays even where it is no choice; the check names it then.
            nothing = "choose…" if name == "species" else "not noted"
            options = [(choice or nothing, choice) for choice in dict.fromkeys([*choices, value])]
            box = widgets.Dropdown(options=options, value=value, description=HEADER[name])
        else:
            box = widgets.Text(value, description=HEADER[name], continuous_update=False)
        box.layout = widgets.Layout(width=_WIDTHS.get(name, _FIELD))
        box.add_class("burn-field")
        box.observe(lambda _: self._changed(), "value")
        return box

    def _put_row(self, row: dict) -> RowBoxes:
        """Put one more swatch under the grid; what is there already is not drawn anew."""
        depths = list(row.get("depths", ()))
        depths += [""] * (self._readings - len(depths))
        line = widgets.HBox(layout=widgets.Layout(align_items="center", flex_flow="row wrap"))
        boxes = RowBoxes(
            _cell(row["swatch"], _NAME), _cell(row.get("speed", "")), _cell(row.get("power", "")),
            [_cell(text) for text in depths], _message(), line)
        boxes.swatch.description = f"Swatch id, row {len(self.rows) + 1}"
        boxes.put_labels()
        boxes.said.layout = widgets.Layout(flex="1 1 240px", min_width="240px")
        cells = [boxes.swatch, boxes.speed, boxes.power, *boxes.depths]
        for box in cells:
            box.observe(lambda _: self._changed(boxes), "value")
        line.children = [*cells, boxes.said]
        self.rows.append(boxes)
        self._grid.children = [*self._grid.children, line]
        return boxes

    def _put_headings(self) -> None:
        unit = "in" if self.header["depth_unit"].value == "inch" else "mm"
        readings = [f"Reading {n}, {unit}" for n in range(1, self._readings + 1)]
        self._headings.children = [_words("Swatch", _NAME), *(
            _words(name, _CELL) for name in ("Speed mm/s", "Own power %", *readings))]

    def _add_swatch(self, _) -> None:
        taken = {row.swatch.value for row in self.rows}
        name = next(str(n) for n in itertools.count(len(self.rows) + 1) if str(n) not in taken)
        self._put_row({"swatch": name}).speed.focus()

    def _add_reading(self, _) -> None:
        self._readings += 1
        for row in self.rows:
            box = _cell("")
            box.observe(lambda _, row=row: self._changed(row), "value")
            row.depths.append(box)
            row.put_labels()
            row.line.children = [*row.line.children[:-1], box, row.said]
        self._put_headings()

    def _say(self, row: RowBoxes) -> None:
        typed = self.typed()
        species = typed["species"]
        limits = self._limits.loc[species] if species in self._limits.index else None
        row.said.value = _as_html(remarks.row_remarks(typed, self.rows.index(row), limits))

    def _say_all(self) -> None:
        self.header_said.value = _as_html([remarks.header_remark(self.typed())])
        for row in self.rows:
            self._say(row)

    def _changed(self, row: RowBoxes | None = None) -> None:
        """Answer a change in one row, or in the header, which bears on all rows."""
        self._warned = False
        if self._saved:
            self._saved, self.said.value = False, ""
        if row is None:
            self._put_headings()
            self._say_all()
        else:
            row.put_labels()
            self._say(row)

    def _save(self, _) -> None:
        """Save through the lab book; say every fault in full, or where the file now is."""
        readings = as_readings(self.typed(), invented=self.scratch)
        try:
            if readings.empty:
                raise ValueError("No swatch is filled in yet: type a speed and its depths.")
            doubtful = self._doubtful()
            if doubtful and not self._warned:
                # Checked first, so that a doubt is only asked about where nothing is wrong.
                labbook.check(readings, self._limits.index)
                self._warned = True
                self._refuse([f"{doubtful} look doubtful, see beside them. Correct them, or press "
                              "Save burn again to keep them as they are."])
                return
            file = labbook.save(readings, self.book / "burns")
        except labbook.ReadingsError as error:
            self._refuse(faults_in_words(error, readings))
        except (OSError, ValueError) as error:
            # The system's own words name a temporary file, which says little to the maker.
            ours = getattr(error, "strerror", None) is None
            self._refuse([str(error) if ours else
                          f"{self.book / 'burns'} cannot be written to: {error.strerror}. "
                          "Check the folder, then save again."])
        else:
            count = "1 reading" if len(readings) == 1 else f"{len(readings)} readings"
            self._saved = True
            self.said.value = _as_html([Remark("saved", (
                f"Saved {count} in {file.resolve()}. Run this cell again for the next burn."))])

    def _doubtful(self) -> str:
        """Say how many rows carry a doubt, or nothing."""
        typed, count = self.typed(), 0
        for place in range(len(self.rows)):
            species = typed["species"]
            limits = self._limits.loc[species] if species in self._limits.index else None
            said = remarks.row_remarks(typed, place, limits)
            count += any(remark.weight == "doubt" for remark in said)
        return f"{count} swatch{'es' * (count > 1)}" if count else ""

    def _refuse(self, faults: list[str]) -> None:
        said = ["Not saved; everything you typed is still here.", *faults]
        self.said.value = _as_html([Remark("fault", fault) for fault in said])


def _cell(value, width=_CELL) -> widgets.Text:
    box = widgets.Text(str(value), continuous_update=False, layout=widgets.Layout(width=width))
    box.add_class("burn-cell")
    return box


def _words(text, width) -> widgets.Label:
    return widgets.Label(text, layout=widgets.Layout(width=width))


def _message() -> widgets.HTML:
    box = widgets.HTML()
    box.add_class("burn-said")
    return box


def _button(label, pressed, style="") -> widgets.Button:
    button = widgets.Button(description=label, button_style=style)
    button.on_click(pressed)
    return button


def _as_html(said: list[Remark]) -> str:
    """Return remarks as HTML, with everything typed escaped; screen readers are told of them."""
    lines = "".join(f'<p class="{remark.weight}">{html.escape(remark.text)}</p>'
                    for remark in said if remark.text)
    return f'<div role="status">{lines}</div>' if lines else ""
