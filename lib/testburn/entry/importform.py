"""Import form: a maker's export on the page, mapped once, previewed, then saved.

Decides how the guesses of `importing` are shown and put right. Nothing is saved
before the whole of it passes the lab book's check; readings that no wood gives for their energy are
asked about by refusing the first press of Save. Everything of the file that reaches the page is
escaped.
"""

import re
from pathlib import Path

import ipywidgets as widgets

from testburn import labbook
from testburn.entry import importing, remarks
from testburn.entry.boxes import STYLE, as_html, button, cell, choice, keys, laid, message, words
from testburn.entry.grid import LABELS, units_of
from testburn.entry.typed import short
from testburn.entry.importing import DECIMALS, DELIMITERS, ENCODINGS, ImportRefused, Layout, Mapping, UNITS
from testburn.entry.remarks import Remark
from testburn.entry.kept import Asking, attempt, saved
from testburn.labbook import columns, shown, woods

_SHOWN_ROWS, _SHOWN_FAULTS = 6, 12
_OURS = [column.name for column in columns.COLUMNS if column.name != "invented"]
_NONE = "(no column)"


class ImportForm(widgets.VBox):
    """The form; `layout_boxes` and `lines` hold what the maker says of the file.

    Parameters
    ----------
    book : path
        The lab book to save into.
    scratch : bool
        Mark what is saved as invented.
    """

    def __init__(self, book: str | Path, scratch: bool = False):
        self.when_saved = lambda: None
        self.book, self.scratch = Path(book), scratch
        wood = woods.of(self.book)
        self._limits, self._wood = woods.volume_energy_limits(wood["specific_gravity_12pct"]), wood
        self.upload = widgets.FileUpload(accept=".xlsx,.ods,.csv,.tsv,.txt", multiple=False,
                                         description="Choose a file", layout=laid(width="auto"))
        self.upload.observe(lambda _: self._uploaded(), "value")
        self.layout_boxes, self.lines = {}, {}
        self._content, self._name, self._rows, self._asking = b"", "", None, Asking()
        self.guesses, self.said, self.preview = message(), message(), message()
        self._layout_line, self._map = widgets.HBox(), widgets.VBox()
        self.save = button("Save import", self._save, "primary", "burn-save")
        super().__init__([
            widgets.HTML(STYLE), keys(), message(Remark("plain", (
                "A spreadsheet (.xlsx, .ods), or its export as CSV or TSV. Nothing is saved before you press Save "
                "import; the file itself is never changed."))),
            widgets.HBox([self.upload]), self.guesses, self._layout_line, self._map, self.preview,
            widgets.HBox([self.save]), self.said])
        self.add_class("burn-entry")

    def _uploaded(self) -> None:
        for file in self.upload.value:
            self.take(bytes(file["content"]), file["name"])

    def take(self, content: bytes, name: str) -> None:
        """Take up a file: guess how it is written and what its columns hold, and show that."""
        self._content, self._name = content, name
        self.said.value = ""
        try:
            layout = importing.guess_layout(content)
        except ImportRefused as refused:
            self._nothing(str(refused))
            return
        choices = {"encoding": ENCODINGS, "delimiter": DELIMITERS} if not layout.sheet else {
            "sheet": {name: name for name in importing.sheets(content)}}
        choices |= {"decimal": DECIMALS}
        labels = {"encoding": "Letters are", "delimiter": "Columns are parted by", "sheet": "Sheet",
                  "decimal": "Numbers in text have" if layout.sheet else "Numbers have"}
        self.layout_boxes = {
            part: choice([(word, mark) for mark, word in marks.items()], getattr(layout, part), labels[part], "170px")
            for part, marks in choices.items()}
        self._layout_line.children = list(self.layout_boxes.values())
        for part, box in self.layout_boxes.items():
            # Numbers of a workbook are written with the mark that its texts have.
            box.observe(lambda _, part=part: self._show() if part == "decimal" and not layout.sheet else self._read(), "value")
        self._read()

    @property
    def file_layout(self) -> Layout:
        """How the file is written, as the boxes say."""
        return Layout(**{part: box.value for part, box in self.layout_boxes.items()})

    def _nothing(self, why: str) -> None:
        self._rows, self._map.children, self.preview.value = None, [], ""
        self.guesses.value = as_html([Remark("fault", why)])

    def _read(self) -> None:
        """Read the table as the boxes say, and propose a mapping."""
        try:
            self._rows = importing.table(self._content, self.file_layout)
        except ImportRefused as refused:
            self._nothing(str(refused))
            return
        known = importing.remembered(self.book, self._rows.columns)
        mapping = known or importing.guessed(self._rows.columns)
        kind = ("Columns as you mapped them last time." if known else
                "What each column holds is guessed from its heading: check it.")
        self.guesses.value = as_html([
            Remark("plain", f"{self._name}: {len(self._rows)} rows. It looks like "
                            f"{self.file_layout.words}."), Remark("plain", kind)])
        self._put_map(mapping, "%" if known else units_of(self.book).power)
        self._show()

    def _put_map(self, mapping: Mapping, power: str) -> None:
        """Show the boxes of a mapping; `power` is its unit where the mapping says none, as one of an earlier version."""
        names = [(_NONE, ""), *((short(name), name) for name in self._rows.columns)]
        self.lines, lines = {}, []
        for ours in _OURS:
            label, sources = LABELS.get(ours, ours), mapping.sources.get(ours, ())
            several = ours == "depth_mm"
            source = choice(names[several:], sources if several else sources[0] if sources else "", f"{label}: column", "220px",
                            "burn-cell", widgets.SelectMultiple if several else widgets.Dropdown)
            fixed = cell(mapping.fixed.get(ours, self._suggested(ours, sources)), "150px", f"{label}: same for all rows")
            units = list(UNITS.get(ours, {}))
            if ours == "power_pct":  # what the control asks for is what is mostly written down
                units = list(dict.fromkeys([mapping.units.get(ours, power), units_of(self.book).power, *units]))
            unit = choice(units, mapping.units.get(ours, units[0] if units else None), f"{label}: unit", "140px", "burn-cell")
            for box in (source, fixed, unit):
                box.observe(lambda _: self._show(), "value")
            self.lines[ours] = (source, fixed, unit)
            must = "" if columns.BY_NAME[ours].required else " (optional)"
            lines.append(widgets.HBox([words(label + must, "215px"), source,
                                       *([] if ours == "depth_mm" else [fixed]),
                                       *([unit] if units else [])]))
        self._map.children = [widgets.HBox([
            words(text, width) for text, width in (
                ("In the lab book", "215px"), ("Column of the file", "222px"),
                ("or same for all rows", "152px"), ("Unit in the file", "140px"))]), *lines]

    def _suggested(self, ours: str, sources) -> str:
        """Suggest a burn's id from the file's name, where no column holds it."""
        if ours == "burn" and not sources:
            return re.sub(r"[^\w.-]+", "-", Path(self._name).stem).strip("-._ ")[:60]
        return "1" if ours == "passes" and not sources else ""

    @property
    def mapping(self) -> Mapping:
        """What the boxes say of the columns; a column goes before a value for all rows."""
        sources, fixed, units = {}, {}, {}
        for ours, (source, text, unit) in self.lines.items():
            chosen = source.value if isinstance(source.value, tuple) else (source.value,)
            if chosen := tuple(name for name in chosen if name):
                sources[ours] = chosen
            elif text.value.strip() and ours != "depth_mm":
                fixed[ours] = text.value.strip()
            if unit.value:
                units[ours] = unit.value
        return Mapping(sources, fixed, units)

    def _readings(self):
        rows = importing.readings(self._rows, self.mapping, self.layout_boxes["decimal"].value)
        return rows.assign(invented="yes") if self.scratch else rows

    def _show(self) -> None:
        """Preview what would be saved, and say what is wrong with it."""
        self._asking.forget()
        self.said.value = ""
        rows = self._readings()
        kept = [name for name in _OURS if rows[name].map(str).ne("").any()]
        alike = [name for name in kept if len(rows) > 1 and rows[name].map(str).nunique() == 1]
        kept = [name for name in kept if name not in alike]
        swatches = len(rows[["burn", "swatch"]].drop_duplicates())
        head = "".join(f"<th>{shown.as_html(_heading(name) if name != 'row' else 'Row')}</th>" for name in ("row", *kept))
        same = "; ".join(f"{_heading(name)}: {short(str(rows[name].iloc[0]))}" for name in alike)
        body = "".join(
            "<tr>" + "".join(f"<td>{shown.as_html(short(str(cell)))}</td>"
                             for cell in (row, *cells[kept])) + "</tr>"
            for row, cells in rows.head(_SHOWN_ROWS).iterrows())
        try:
            said = [Remark("doubt", remarks.import_doubt(labbook.check(rows, self._wood), self._limits))]
        except labbook.ReadingsError as error:
            said = _faults(error)
        self.preview.value = (
            f"<b>{len(rows)} readings, {swatches} swatches; the first of them:</b>"
            + (f"<p>The same for all: {shown.as_html(same)}.</p>" if same else "") +
            f'<div style="overflow-x: auto"><table><tr>{head}</tr>{body}</table></div>'
            + as_html(said))

    def _save(self, _) -> None:
        """Save every burn of the file, or none where one of them cannot be."""
        self.said.value = as_html(attempt(
            self._asked_or_saved, lambda error: [fault.text for fault in _faults(error)], self.book / "burns",
            "Not saved."))

    def _asked_or_saved(self) -> list[Remark]:
        """Ask about readings that no wood gives once, else save; return what to say of it."""
        if self._rows is None:
            raise ValueError("Choose a file first.")
        checked = labbook.check(self._readings(), self._wood)
        doubt = remarks.import_doubt(checked, self._limits)
        if doubt and self._asking.first():
            raise ValueError(f"{doubt} Press Save import again to keep them as they are.")
        burns = list(dict.fromkeys(checked["burn"]))
        if there := [burn for burn in burns if (self.book / "burns" / f"{burn}.csv").exists()]:
            raise FileExistsError(f"{', '.join(there)} is already in the lab book. Give the burn "
                                  "another id, or correct the saved one.")
        files = [labbook.save(checked[checked["burn"] == burn], self.book / "burns") for burn in burns]
        importing.remember(self.book, self.mapping)
        self.when_saved()
        return [saved(len(checked), *files)]


def _heading(name: str) -> str:
    """Return what a column of the preview is called, its unit behind."""
    label, unit = LABELS.get(name, name), columns.BY_NAME[name].unit
    return f"{label}, {unit}" if unit and not label.endswith(unit) else label


def _faults(error: labbook.ReadingsError) -> list[Remark]:
    """Say the first faults, each with the row a spreadsheet shows; alike ones once."""
    alike = error.problems.groupby(["column", "value", "problem", "remedy"], sort=False)["row"]
    said = []
    for (column, value, problem, remedy), rows in alike:
        at = ", ".join(map(str, rows.head(5))) + (" …" if len(rows) > 5 else "")
        typed = f" '{short(value)}'" if value else ""
        said.append(f"Row {at}: {LABELS.get(column, column)}{typed}: {problem}. {remedy}".strip())
    more = len(said) - _SHOWN_FAULTS
    said = said[:_SHOWN_FAULTS] + ([f"… and {more} more."] if more > 0 else [])
    return [Remark("fault", text) for text in said]
