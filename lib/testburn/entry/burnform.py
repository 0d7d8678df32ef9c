"""Burn form: boxes for a burn's header, the grid of its swatches, and a Save button.

Decides what happens when a box is left or a button pressed. Typed text goes to `grid`, which makes
readings of it, and to `remarks`, which judges them; saving goes through `labbook`, which checks
everything and never overwrites what was not seen. The form never changes or clears what was typed.
Every change passes `BurnForm._changed`, and is in the journal before anything else is done with it.

Decides too what of a half-typed burn can be drawn already: every reading whose setting and depth are numbers. Curve and
band are the lab book's, without this burn, so a slip of the pen lies off the band while the board is still under the
gauge. Nothing is fitted here.
"""

import datetime
import json
from pathlib import Path

import ipywidgets as widgets
import numpy as np
import pandas as pd
from plotly.graph_objects import Figure

from testburn import charts, depthfit, energy, labbook
from testburn.charts import plain
from testburn.depthfit import DOSE, DepthFit
from testburn.entry import remarks
from testburn.entry.boxes import LINES, STYLE, Keys, RowBoxes, Rows, as_html, button, chooser, header_box, keys, message, wrapped
from testburn.entry.draft import Draft, Saved, changes, home, last_depths, saved_burn
from testburn.entry.grid import DEPTH, HEADER, USUAL_SWATCHES, as_readings, faults_in_words, next_burn, remembered, set_units, swatches_of, units_typed, with_face
from testburn.entry.kept import Asking, attempt, saved as saved_in
from testburn.entry.remarks import Remark
from testburn.labbook import columns, days_ahead, shown, woods
from testburn.units import Units

_PLOTLY = "application/vnd.plotly.v1+json"
_NUMBERS = ["module_w", *columns.MACHINE_SETTING, "depth_mm"]
_HEIGHT = 270


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
    known, fit, notice, machine = {}, None, "", None
    if (book / "machine.toml").is_file():
        try:
            machine = labbook.Machine.read(book / "machine.toml")
            notice = "\n".join(machine.doubts())
        except ValueError as error:
            notice = f"The machine's limits are not looked at. {error}"
    units = machine.units if machine else Units()
    if (book / "burns").is_dir():
        try:
            readings = labbook.read(book)
            known = remembered(readings, units) if start else next_burn(readings, units) | last_depths(home(book, scratch))
            fit = depthfit.fit_if_enough(readings[readings["burn"] != (saved.burn if saved else "")])
        except labbook.ReadingsError as error:
            notice = f"The header is not filled in, since the lab book cannot be read. {error}\n{notice}".strip()
    typed = {"burned_on": datetime.date.today().isoformat(), "passes": "1", "depth_unit": "mm",
             "depth_as": DEPTH} | units_typed(units) | known | start
    if draft or saved:  # what was typed was typed in its own units, or in those of the files
        typed |= set_units(start)
    correcting = {"burn": saved.burn, "seen": saved.seen} if saved else None
    draft = draft or Draft(home(book, scratch), correcting=correcting)
    if known and not start:
        notice = f"Id, setting and speeds are filled in as after the last burn: change what is another.\n{notice or ''}".strip()
    return BurnForm(book, typed, wood, draft, LiveChart(fit), notice, scratch, saved, begin, machine)


def curve_choice(fit: DepthFit) -> widgets.VBox:
    """Return a list of the curves of a fit, and the chart of the one that is chosen, beside what ordinary statistics would say."""
    place = widgets.Output()

    def show(group) -> None:
        figure = charts.depth(fit, group.species, group.module_w, group.wavelength_nm, ordinary=True, module=group.module) if group else None
        place.outputs = _output(figure, "chart of a curve")

    return chooser("Curve", {group.name: group for group in fit.groups}, show, place)


def _output(figure: Figure | None, words: str) -> tuple[dict, ...]:
    """Return a chart as an output of the page; nothing for none."""
    if figure is None:
        return ()
    chart = json.loads(figure.to_json()) | {"config": {"displayModeBar": False}}
    return ({"output_type": "display_data", "metadata": {}, "data": {_PLOTLY: chart, "text/plain": words}},)


class BurnForm(widgets.VBox):
    """The form; `header` and `rows` are its boxes, `typed` what they hold."""

    def __init__(self, book, typed, wood, draft, chart, notice="", scratch=False, saved=None,
                 begin=False, machine=None):
        self._machine = machine
        self.book, self.scratch, self.draft, self.saved = book, scratch, draft, saved
        self._limits, self._wood = woods.volume_energy_limits(wood["specific_gravity_12pct"]), wood
        # Several powers may be known by name: the machine's, and that of a draft typed before it was changed.
        self._powers = (machine.units.power,) if machine else ()
        self.header = {name: self._header_box(name, typed.get(name, ""), wood.index)
                       for name in HEADER}
        # A corrected burn keeps its id: another one would be another burn.
        self.header["burn"].disabled = saved is not None
        self.header_said, self.said, self.kept = (message() for _ in range(3))
        self._saved, self._asking, self._chart = False, Asking(), chart
        self._place, self.when_saved = message(), lambda: None
        self.plot = widgets.Output()
        self.grid = Rows(typed.get("swatches") or [{"swatch": str(n)} for n in range(1, USUAL_SWATCHES + 1)],
                         self._columns(), self._changed)
        self.add_swatch = button("Add swatch", lambda _: self.grid.add_swatch(self._columns()[1]))
        self.add_reading = button("Add reading", self._add_reading)
        self.save = button("Save correction" if saved else "Save burn", self._save, "primary",
                           "burn-save")
        lines = [wrapped(title, [self.header[name] for name in line])
                 for title, line in LINES.items()]
        super().__init__([
            widgets.HTML(STYLE), Keys(begin=True) if begin else keys(), self._place, *lines,
            self.header_said, self.plot, self.grid,
            widgets.HBox([self.add_swatch, self.add_reading, self.save, self.kept]), self.said])
        self.add_class("burn-entry")
        self._say_place(notice)
        self._say_all()
        self._show_progress()

    @property
    def rows(self) -> list[RowBoxes]:
        """The boxes of each swatch."""
        return self.grid.rows

    def typed(self) -> dict:
        """Return everything typed, as texts; `entry(book, start=…)` takes it back."""
        return {name: box.value for name, box in self.header.items()} | {"swatches": self.grid.typed()}

    def _columns(self) -> tuple[str, bool, str, str, str]:
        """Return what the grid's columns depend on: unit of depth, whether the face is typed too, of speed, power and pitch."""
        typed = {name: self.header[name].value for name in ("depth_as", "depth_unit", "speed_unit", "power_unit", "line_spacing_unit")}
        return typed["depth_unit"], with_face(typed), typed["speed_unit"], typed["power_unit"], typed["line_spacing_unit"]

    def _say_place(self, notice: str = "") -> None:
        """Say which folder is written to, and whether it only is for trying out."""
        folder = shown.as_html(str((self.book / "burns").resolve()))
        text = f"<p>Saves into <b>{folder}</b></p>"
        if self.saved:
            text = (f"<p><b>Correcting the saved burn {shown.as_html(self.saved.burn)}</b> in {folder}. "
                    "The burn as it was is kept.</p>")
        if self.scratch:
            text += ('<p class="doubt"><b>For trying out only:</b> this is a scratch copy of the '
                     "invented demo lab book. What you save here is marked invented.</p>")
        if notice:
            text += as_html([Remark("doubt", line) for line in notice.splitlines()])
        self._place.value = text

    def _header_box(self, name, value, species):
        box = header_box(name, value, species, self._powers)
        box.observe(lambda change: self._changed(None, name, change["new"]), "value")
        return box

    def _add_reading(self, _) -> None:
        self.grid.add_reading(*self._columns())
        self._show_progress()

    def _said_of(self, row: RowBoxes) -> list[Remark]:
        typed = self.typed()
        species = typed["species"]
        limits = self._limits.loc[species] if species in self._limits.index else None
        return remarks.row_remarks(typed, self.rows.index(row), limits, self._chart.group(typed), self._machine)

    def _say_all(self) -> None:
        self._say_header()
        for row in self.rows:
            row.said.value = as_html(self._said_of(row))

    def _say_header(self) -> None:
        typed = self.typed()
        self.header_said.value = as_html([remarks.header_remark(typed), remarks.wavelength_remark(typed),
                                          remarks.check_remark(typed, self._chart.group(typed))])

    def _changed(self, row: RowBoxes | None, cell: str, value: str) -> None:
        """Keep a change, then answer it: in its row, or everywhere where it is the header's."""
        trouble = ""
        try:
            trouble = self.draft.keep(self.typed(), cell, value)
        except OSError as error:
            trouble = (f"Not kept for a crash: {error.strerror or error}. What you typed stands "
                       "here; save soon.")
        self._asking.forget()
        if self._saved:
            self._saved, self.said.value = False, ""
        both = self._columns()[1]
        for other in self.rows if row is None else [row]:
            other.put_labels(both)
        if row is None:
            if cell == "depth_as":
                self.grid.show(both)
            self.grid.put_headings(*self._columns())
            self._say_all()
        else:
            row.said.value = as_html(self._said_of(row))
            self._say_header()
        self._show_progress(trouble)

    def _show_progress(self, trouble: str = "") -> None:
        """Say how many readings are typed, and draw those that can be drawn."""
        typed = self.typed()
        done = sum(len(row.readings(with_face(typed))) for row in swatches_of(typed))
        wanted = len(self.rows) * self.grid.readings
        self.kept.value = (
            f'<div role="status"><progress max="{wanted}" value="{done}" '
            f'aria-label="readings typed"></progress> <b>{done} of {wanted}</b> readings typed'
            + (", each kept as you leave its box" if self.draft.begun and not trouble else "")
            + "</div>" + as_html([Remark("fault", trouble)]))
        figure = self._chart.figure(typed)
        # Its height stays while it is drawn anew, so that the boxes under it do not jump.
        self.plot.layout.height = None if figure is None else f"{figure.layout.height + 12}px"
        self.plot.outputs = _output(figure, "chart of the points typed")

    def _save(self, _) -> None:
        """Save through the lab book; say every fault in full, or where the file now is."""
        readings, left = self._burned(as_readings(self.typed(), invented=self.saved.invented if self.saved else self.scratch))
        self.said.value = as_html(attempt(
            lambda: self._asked_or_saved(readings, left), lambda error: faults_in_words(error, readings),
            self.book / "burns"))

    def _burned(self, readings) -> tuple[pd.DataFrame, list[str]]:
        """Return the readings that are to be saved, and the swatches left out: those of the plan or the last burn without a depth.

        Where something else is wrong, or no swatch has a depth, every one is looked at.
        """
        bare = readings["depth_mm"] == ""
        if not bare.any():
            return readings, []
        burned = readings[~bare].reset_index(drop=True)
        try:
            labbook.check(burned, self._wood)
        except ValueError:
            return readings, []
        return burned, list(readings.loc[bare, "swatch"])

    def _asked_or_saved(self, readings, left: list[str]) -> list[Remark]:
        """Ask about what looks doubtful once, and about swatches that are left out; else save. Return what to say of it."""
        if readings.empty:
            raise ValueError("No swatch is filled in yet: type a speed and its depths.")
        if (asked := self._to_ask(readings, left)) and self._asking.first():
            return asked
        file = (labbook.correct(readings, self.book, self.saved.seen) if self.saved
                else labbook.save(readings, self.book / "burns"))
        return self._after_saving(len(readings), file)

    def _to_ask(self, readings, left) -> list[Remark]:
        """Return what the maker should see before the burn is saved by a second press."""
        doubtful = sum(any(remark.weight == "doubt" for remark in self._said_of(row))
                       for row in self.rows)
        # Checked first, so that a doubt is only asked about where nothing is wrong.
        checked = labbook.check(readings, self._wood)
        twin = "" if self.saved else self._twin(checked)
        ahead = days_ahead(checked["burned_on"])
        if not (doubtful or self.saved or twin or left or ahead):
            return []
        changed = changes(self.saved.readings, checked) if self.saved else []
        if self.saved and not changed:
            raise ValueError("Nothing is changed.")
        said = [Remark("doubt", text) for text in changed]
        if left:
            said.append(Remark("fault", f"Swatch{'es' * (len(left) > 1)} {', '.join(left)}: no depth is typed, so "
                               f"{'they are' if len(left) > 1 else 'it is'} left out."))
        if doubtful:
            said.append(Remark("fault", f"{doubtful} swatch{'es look' if doubtful > 1 else ' looks'} "
                               "doubtful, see beside. Correct, or keep as it is."))
        if ahead:
            said.append(Remark("fault", f"{ahead[0].upper()}{ahead[1:]}"))
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

    def _after_saving(self, count: int, file: Path) -> list[Remark]:
        """Put the draft away and go on as a correction of the burn that now is in the lab book."""
        said = [saved_in(count, file, more=" For another burn choose it above.")]
        try:
            self.draft.close()
        except OSError as error:
            said.append(Remark("doubt", f"The draft could not be put away: {error}"))
        self.saved = saved_burn(self.book, file.stem)
        self.draft = Draft(self.draft.folder,
                           correcting={"burn": self.saved.burn, "seen": self.saved.seen})
        self.header["burn"].disabled, self.save.description = True, "Save correction"
        self._say_place()
        self._saved = True
        self.when_saved()
        return said


class LiveChart:
    """Draws the typed points; curve and band of a group are computed once.

    Parameters
    ----------
    fit : DepthFit or None
        Of the lab book, where it has enough to fit.
    """

    def __init__(self, fit: DepthFit | None):
        self.fit, self._drawn = fit, {}

    def figure(self, typed: dict) -> Figure | None:
        """Return the chart, or None where nothing can be drawn yet."""
        points, group = drawable(typed), self.group(typed)
        if points.empty and group is None:
            return None
        figure = Figure(self._curve(group)) if group else _bare()
        across = DOSE if group is None else group.regressor
        at = points[DOSE] if across == DOSE else points[DOSE] * group.line_pitches_mm[0]
        figure.add_scatter(
            x=at.round(4).tolist(), y=points["depth_mm"].round(4).tolist(), mode="markers",
            name="this burn", hovertemplate="%{text}<extra>this burn</extra>",
            text=[f"swatch {plain(row.swatch)}, reading {row.reading}: {row.depth_mm:g} mm"
                  for row in points.itertuples()],
            marker=dict(symbol="diamond", size=11, color="#B3261E", line=dict(color="#222", width=1)))
        figure.update_layout(title_text="This burn against " + (
            f"the lab book: {group.name}" if group else "nothing: the lab book has no curve for it yet"))
        return figure.update_layout(
            height=_HEIGHT, title=dict(subtitle_text="", font_size=15, y=0.96),
            font_size=12, margin=dict(l=60, r=10, t=36, b=40))

    def group(self, typed):
        """Return the fitted group the header names, or None."""
        head = pd.to_numeric(as_readings({**typed, "swatches": [{"swatch": "1", "speed": "1"}]})[
            ["module_w", "wavelength_nm"]].iloc[0], errors="coerce")
        for group in self.fit.groups if self.fit else ():
            if (group.species, group.module) == (typed.get("species"), typed.get("module", "").strip()) and np.allclose(
                    [group.module_w, group.wavelength_nm], head.to_numpy(float)):
                return group
        return None

    def _curve(self, group) -> Figure:
        if group.name not in self._drawn:
            self._drawn[group.name] = charts.depth(self.fit, group.species, group.module_w,
                                                   group.wavelength_nm, module=group.module)
        return self._drawn[group.name]


def drawable(typed: dict) -> pd.DataFrame:
    """Return the typed readings that can be drawn, with their energies."""
    rows = as_readings(typed)
    numbers = rows[_NUMBERS].apply(pd.to_numeric, errors="coerce").astype(float)
    whole = numbers.notna().all(axis=1) & (numbers.drop(columns="depth_mm") > 0).all(axis=1)
    return energy.with_energy(rows.assign(**numbers)[whole & (numbers["depth_mm"] >= 0)])


def _bare() -> Figure:
    """Return axes without a curve, for a wood or module that the lab book does not know yet."""
    figure = Figure()
    figure.update_layout(template="none", font_color="#222",
                         title=dict(x=0.01, xanchor="left"))
    axis = dict(showline=True, linecolor="#444", gridcolor="#ddd", zeroline=False, ticks="outside",
                automargin=True, rangemode="tozero")
    figure.update_xaxes(title=charts.AXIS_WORDS[DOSE], **axis)
    return figure.update_yaxes(title="depth, mm", **axis)
