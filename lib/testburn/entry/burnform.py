"""Forms: boxes for a burn's header and its grid of swatches, and a Save button.

Decides what happens when a box is left or a button pressed. Typed text goes to `entry`, which makes
readings of it, and to `remarks`, which judges them; saving goes through `labbook`, which checks
everything and never overwrites what was not seen. The form never changes or clears what was typed.
Every change passes `BurnForm._changed`, and is in the journal before anything else is done with it.
"""

import datetime
import html
import itertools
import json
from pathlib import Path

import ipywidgets as widgets

from testburn import depthfit, labbook
from testburn.entry import boxes as formboxes, correction, remarks
from testburn.entry.boxes import CELL, HALF_CELL, LINES, NAME, RowBoxes, as_html, button, words
from testburn.entry.correction import Saved
from testburn.entry.draft import Draft, home, row_cell
from testburn.entry.grid import DEPTH, HEADER, as_readings, faults_in_words, remembered, swatches_of, with_face
from testburn.entry.keys import Keys
from testburn.entry.livechart import LiveChart
from testburn.entry.remarks import Remark
from testburn.labbook import woods

_PLOTLY = "application/vnd.plotly.v1+json"


def entry(book: str | Path, start: dict | None = None, scratch: bool = False,
          draft: Draft | None = None, saved: Saved | None = None, begin: bool = False) -> "BurnForm":
    """Return a form that enters one burn into a lab book.

    Parameters
    ----------
    book : path
        The lab book's folder; a new one is made when the first burn is saved.
    start : dict, optional
        What is already typed (see `BurnForm.typed`), put over the header of the newest burn.
    scratch : bool
        The folder is a copy of the demo lab book: say so, and mark what is saved as invented.
    draft : Draft, optional
        The draft to go on with; a new one by default.
    saved : Saved, optional
        The saved burn that is corrected.
    begin : bool
        Put the focus into the first empty box.

    Raises
    ------
    ValueError
        If `start` holds something the form has no box for, or woods.csv cannot be used.
    """
    book, start = Path(book), start or {}
    if unknown := sorted(set(start) - {*HEADER, "swatches"}):
        raise ValueError(f"The form has no box for {', '.join(unknown)}. "
                         f"It has {', '.join(HEADER)} and swatches.")
    wood = woods.of(book)
    known, fit, notice = {}, None, ""
    if (book / "burns").is_dir():
        try:
            readings = labbook.read(book)
            known = remembered(readings)
            fit = depthfit.fit_if_enough(readings[readings["burn"] != (saved.burn if saved else "")])
        except labbook.ReadingsError as error:
            notice = f"The header is not filled in, since the lab book cannot be read. {error}"
    typed = {"burned_on": datetime.date.today().isoformat(), "passes": "1", "depth_unit": "mm",
             "depth_as": DEPTH, "line_spacing_unit": "mm between lines"} | known | start
    correcting = {"burn": saved.burn, "seen": saved.seen} if saved else None
    draft = draft or Draft(home(book, scratch), correcting=correcting)
    return BurnForm(book, typed, wood, draft, LiveChart(fit), notice, scratch, saved, begin)


class BurnForm(widgets.VBox):
    """The form; `header` and `rows` are its boxes, `typed` what they hold."""

    def __init__(self, book, typed, wood, draft, chart, notice="", scratch=False, saved=None,
                 begin=False):
        self.book, self.scratch, self.draft, self.saved = book, scratch, draft, saved
        self._limits = woods.volume_energy_limits(wood["specific_gravity_12pct"])
        self.header = {name: self._header_box(name, typed.get(name, ""), wood.index)
                       for name in HEADER}
        # A corrected burn keeps its id: another one would be another burn.
        self.header["burn"].disabled = saved is not None
        self.header_said, self.said, self.kept = (formboxes.message() for _ in range(3))
        self._saved, self._warned, self._chart = False, False, chart
        self._place, self.when_saved = formboxes.message(), lambda: None
        self.plot = widgets.Output()
        self.rows, self._grid, self._headings = [], widgets.VBox(), widgets.HBox()
        rows = typed.get("swatches") or [{"swatch": str(n)} for n in range(1, 7)]
        self._readings = max(3, *(len(row.get(name, ())) for row in rows
                                  for name in ("depths", "faces")))
        for row in rows:
            self._put_row(row)
        self._put_headings()
        self.add_swatch = button("Add swatch", self._add_swatch)
        self.add_reading = button("Add reading", self._add_reading)
        self.save = button("Save correction" if saved else "Save burn", self._save, "primary",
                           "burn-save")
        lines = [formboxes.wrapped(title, [self.header[name] for name in line])
                 for title, line in LINES.items()]
        super().__init__([
            widgets.HTML(formboxes.STYLE), Keys(begin=begin), self._place, *lines,
            self.header_said, self.plot, self._headings, self._grid,
            widgets.HBox([self.add_swatch, self.add_reading, self.save, self.kept]), self.said])
        self.add_class("burn-entry")
        self._say_place(notice)
        self._say_all()
        self._show_progress()

    def typed(self) -> dict:
        """Return everything typed, as texts; `entry(book, start=…)` takes it back."""
        return ({name: box.value for name, box in self.header.items()}
                | {"swatches": [row.typed() for row in self.rows]})

    def _say_place(self, notice: str = "") -> None:
        """Say which folder is written to, and whether it only is for trying out."""
        folder = html.escape(str((self.book / "burns").resolve()))
        text = f"<p>Saves into <b>{folder}</b></p>"
        if self.saved:
            text = (f"<p><b>Correcting the saved burn {html.escape(self.saved.burn)}</b> in {folder}. "
                    "The burn as it was is kept.</p>")
        if self.scratch:
            text += ('<p class="doubt"><b>For trying out only:</b> this is a scratch copy of the '
                     "invented demo lab book. What you save here is marked invented.</p>")
        if notice:
            text += as_html([Remark("doubt", line) for line in notice.splitlines()])
        self._place.value = text

    def _header_box(self, name, value, species):
        box = formboxes.header_box(name, value, species)
        box.observe(lambda change: self._changed(None, name, change["new"]), "value")
        return box

    def _put_row(self, row: dict) -> RowBoxes:
        """Put one more swatch under the grid; what is there already is not drawn anew."""
        boxes, place = RowBoxes.of(row, self._readings), len(self.rows)
        boxes.swatch.description = f"Swatch id, row {place + 1}"
        for name, number, box in boxes.cells():
            self._watch(box, boxes, row_cell(place, name, number))
        both = with_face({"depth_as": self.header["depth_as"].value})
        boxes.put_labels(both)
        boxes.show(both)
        self.rows.append(boxes)
        self._grid.children = [*self._grid.children, boxes.line]
        return boxes

    def _watch(self, box, row, cell) -> None:
        box.observe(lambda change: self._changed(row, cell, change["new"]), "value")

    def _put_headings(self) -> None:
        typed = {name: self.header[name].value for name in ("depth_as", "depth_unit")}
        unit, both = "in" if typed["depth_unit"] == "inch" else "mm", with_face(typed)
        names = ("Face", "Floor") if both else ("Reading",)
        over = [f"{name} {n}, {unit}" for n in range(1, self._readings + 1) for name in names]
        self._headings.children = [
            words("Swatch", NAME), words("Speed mm/s", CELL), words("Own power %", CELL),
            *(words(text, HALF_CELL if both else CELL) for text in over)]

    def _add_swatch(self, _) -> None:
        taken = {row.swatch.value for row in self.rows}
        name = next(str(n) for n in itertools.count(len(self.rows) + 1) if str(n) not in taken)
        row = self._put_row({"swatch": name})
        self._changed(row, row_cell(len(self.rows) - 1, "swatch"), name)
        row.speed.focus()

    def _add_reading(self, _) -> None:
        self._readings += 1
        both = with_face(self.typed())
        for place, row in enumerate(self.rows):
            for name, boxes in (("face", row.faces), ("depth", row.depths)):
                boxes.append(formboxes.cell(""))
                self._watch(boxes[-1], row, row_cell(place, name, self._readings))
            row.put_labels(both)
            row.show(both)
        self._put_headings()
        self._show_progress()

    def _said_of(self, row: RowBoxes) -> list[Remark]:
        typed = self.typed()
        species = typed["species"]
        limits = self._limits.loc[species] if species in self._limits.index else None
        return remarks.row_remarks(typed, self.rows.index(row), limits)

    def _say_all(self) -> None:
        self.header_said.value = as_html([remarks.header_remark(self.typed())])
        for row in self.rows:
            row.said.value = as_html(self._said_of(row))

    def _changed(self, row: RowBoxes | None, cell: str, value: str) -> None:
        """Keep a change, then answer it: in its row, or everywhere where it is the header's."""
        trouble = ""
        try:
            self.draft.keep(self.typed(), cell, value)
        except OSError as error:
            trouble = (f"Not kept for a crash: {error.strerror or error}. What you typed stands "
                       "here; save soon.")
        self._warned = False
        if self._saved:
            self._saved, self.said.value = False, ""
        both = with_face(self.typed())
        for other in self.rows if row is None else [row]:
            other.put_labels(both)
        if row is None:
            if cell == "depth_as":
                for other in self.rows:
                    other.show(both)
            self._put_headings()
            self._say_all()
        else:
            row.said.value = as_html(self._said_of(row))
        self._show_progress(trouble)

    def _show_progress(self, trouble: str = "") -> None:
        """Say how many readings are typed, and draw those that can be drawn."""
        typed = self.typed()
        done = sum(len(row.readings(with_face(typed))) for row in swatches_of(typed))
        wanted = len(self.rows) * self._readings
        self.kept.value = (
            f'<div role="status"><progress max="{wanted}" value="{done}" '
            f'aria-label="readings typed"></progress> <b>{done} of {wanted}</b> readings typed'
            + (", each kept as you leave its box" if self.draft.begun and not trouble else "")
            + "</div>" + as_html([Remark("fault", trouble)]))
        figure = self._chart.figure(typed)
        # Its height stays while it is drawn anew, so that the boxes under it do not jump.
        self.plot.layout.height = None if figure is None else f"{figure.layout.height + 12}px"
        chart = {} if figure is None else json.loads(figure.to_json()) | {"config": {"displayModeBar": False}}
        self.plot.outputs = () if figure is None else ({
            "output_type": "display_data", "metadata": {},
            "data": {_PLOTLY: chart, "text/plain": "chart of the points typed"}},)

    def _save(self, _) -> None:
        """Save through the lab book; say every fault in full, or where the file now is."""
        invented = self.saved.invented if self.saved else self.scratch
        readings = as_readings(self.typed(), invented=invented)
        try:
            if readings.empty:
                raise ValueError("No swatch is filled in yet: type a speed and its depths.")
            asked = self._to_ask(readings)
            if asked and not self._warned:
                self._warned = True
                self.said.value = as_html(asked)
                return
            file = self._write(readings)
        except labbook.ReadingsError as error:
            self._refuse(faults_in_words(error, readings))
        except (OSError, ValueError) as error:
            # The system's own words name a temporary file, which says little to the maker.
            ours = getattr(error, "strerror", None) is None
            self._refuse([str(error) if ours else
                          f"{self.book / 'burns'} cannot be written to: {error.strerror}. "
                          "Check the folder, then save again."])
        else:
            self._say_saved(len(readings), file)

    def _to_ask(self, readings) -> list[Remark]:
        """Return what the maker should see before the burn is saved by a second press."""
        doubtful = sum(any(remark.weight == "doubt" for remark in self._said_of(row))
                       for row in self.rows)
        # Checked first, so that a doubt is only asked about where nothing is wrong.
        checked = labbook.check(readings, self._limits.index)
        twin = "" if self.saved else self._twin(checked)
        if not (doubtful or self.saved or twin):
            return []
        changed = correction.changes(self.saved.readings, checked) if self.saved else []
        if self.saved and not changed:
            raise ValueError("Nothing is changed.")
        said = [Remark("doubt", text) for text in changed]
        if doubtful:
            said.append(Remark("fault", f"{doubtful} swatch{'es look' if doubtful > 1 else ' looks'} "
                               "doubtful, see beside. Correct, or keep as it is."))
        if twin:
            said.append(Remark("fault", f"Burn {twin} holds the very same depths. If this is that "
                               "board, do not save it twice: one board would count as two."))
        return [Remark("fault", f"Not saved yet; press {self.save.description} again to "
                       + ("save these changes." if self.saved else "save it so.")), *said]

    def _twin(self, readings) -> str:
        """Return the saved burn with the very same depths; a book that cannot be read has none."""
        try:
            return remarks.twin_of(readings, labbook.read(self.book))
        except (OSError, ValueError):
            return ""

    def _write(self, readings) -> Path:
        if self.saved:
            return labbook.correct(readings, self.book, self.saved.seen)
        return labbook.save(readings, self.book / "burns")

    def _say_saved(self, count: int, file: Path) -> None:
        said = [Remark("saved", f"Saved {count} reading{'s' * (count != 1)} in {file.resolve()}. "
                       "For another burn choose it above.")]
        try:
            self.draft.close()
        except OSError as error:
            said.append(Remark("doubt", f"The draft could not be put away: {error}"))
        # What is changed from here on corrects the burn that now is in the lab book.
        self.saved = correction.saved_burn(self.book, file.stem)
        self.draft = Draft(self.draft.folder,
                           correcting={"burn": self.saved.burn, "seen": self.saved.seen})
        self.header["burn"].disabled, self.save.description = True, "Save correction"
        self._say_place()
        self._saved = True
        self.said.value = as_html(said)
        self.when_saved()

    def _refuse(self, faults: list[str]) -> None:
        said = ["Not saved; everything you typed is still here.", *faults]
        self.said.value = as_html([Remark("fault", fault) for fault in said])
