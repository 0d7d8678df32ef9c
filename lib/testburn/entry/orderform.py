"""Order form: boxes for an order and for its proof, and buttons that open, save, repeat and finish one.

Decides what a maker types of an order instead of editing its file, and what is answered. All goes through `job.orders`,
which checks every line, keeps the file as it was and never writes over another order. What is typed is in a journal on the
disk as its box is left, and stands in the boxes again until it is saved. What the boxes do not show (infill details,
remarks in the file) a save leaves as it is. A proof starts from the setting that the order's card gives first.
"""

import datetime
from pathlib import Path

import ipywidgets as widgets

from testburn.depthfit import DepthFit
from testburn.entry import boxes, typed
from testburn.entry.boxes import button, keys, wrapped
from testburn.entry.jobform import depths_mm
from testburn.entry.kept import Kept
from testburn.entry.remarks import Remark
from testburn.entry.typed import MM_OF, short
from testburn.job import Job, Order, infill, orders
from testburn.labbook import columns, files, shown, woods

_NOTHING, _NEW = "", "a new order"
_PRICES = {"per_minute": "Minute at the machine", "labour_per_minute": "Minute by hand", "board": "Wood of a piece",
           "finishing": "Finishing of a piece", "proof_minutes": "Proof, minutes", "setup_minutes": "Setting up, minutes",
           "loading_minutes": "Loading a piece, minutes", "rerun_minutes": "Burning again, minutes", "deep_extra": "More for too deep"}
LINES = {
    "Order": {"name": "Name", "customer": "Customer", "ordered_on": "Ordered on", "note": "Note"},
    "Piece": {"artwork": "Drawing", "area_mm2": "Area without one, mm²", "species": "Wood", "module": "Module",
              "board_thickness_mm": "Board thickness", "variant": "How it is filled", "sanded_mm": "Sanding takes off, mm",
              "first": "Settings first"},
    "Pieces": {"pieces": "Pieces", "pieces_a_board": "Pieces a board", "board": "Board on the bench"},
    "Prices": {f"price_{name}": label for name, label in _PRICES.items()},
}
LABELS = {name: label for line in LINES.values() for name, label in line.items()}
PROOF = {"board": "Board", "depths": "Depths", "unit": "In", "gauge_step": "Gauge step", "proved_on": "Read on", "speed_mm_s": "Speed",
         "power_pct": "Power", "line_pitch_mm": "Pitch", "passes": "Passes", "confirmed": "Odd, but so because"}
_WIDTHS = {"name": "190px", "customer": "190px", "note": "240px", "artwork": "190px", "depths": "200px", "unit": "80px", "confirmed": "220px", "sanded_mm": "190px", "area_mm2": "190px", **dict.fromkeys((f"price_{name}" for name in _PRICES), "190px")}
_MEASURED = {"speed_mm_s": typed.speed_mm_s, "power_pct": typed.power_pct, "line_pitch_mm": typed.pitch_mm}
_SAID = PROOF | LABELS | {f"prices, {name}": label for name, label in _PRICES.items()}
_WHOLE = ("pieces", "pieces_a_board")


def order_form(book: str | Path, fit: DepthFit | None = None, scratch: bool = False) -> "OrderForm":
    """Return a form that makes, opens, changes, repeats and finishes the orders of a lab book.

    Parameters
    ----------
    book : path
    fit : DepthFit, optional
        Its woods and modules are offered.
    scratch : bool
        The folder is a copy of the demo lab book: say so.
    """
    return OrderForm(Path(book), fit, scratch)


class OrderForm(Kept):
    """The form; `boxes` holds its boxes by name, `which` chooses among the orders there are."""

    labels, whole, folder = _SAID, _WHOLE, orders.FOLDER

    def __init__(self, book: Path, fit: DepthFit | None, scratch: bool):
        self._modules = {f"{group.module_w:g} W, {group.wavelength_nm:g} nm" + f", {group.module}" * bool(group.module):
                         {name: getattr(group, name) or None for name in columns.MODULE_KEY} for group in (fit.groups if fit else ())}
        species = list(dict.fromkeys(group.species for group in fit.groups)) if fit else list(woods.of(book).index)
        drawings = sorted(file.name for file in (book / "artwork").glob("*.svg")) if (book / "artwork").is_dir() else []
        self._choices = {"artwork": ("none: a block", drawings), "species": ("the best known", species), "module": ("the best known", list(self._modules)),
                         "variant": ("brush-filled", list(infill.VARIANTS)), "first": ("fastest", ["fastest", "surest"])}
        self.boxes = {name: self._box(name) for name in LABELS}
        self._loaded, self._seen, self._repeats = "", "", ""
        self._keep(book, scratch, orders.FOLDER)
        self.which = boxes.choice([_NEW], _NEW, "Orders", "260px")
        self.open_it, self.repeat_it = button("Open it", self._press(self._open)), button("Repeat it", self._press(self._repeat))
        self.save = button("Save order", self._press(self._save), "primary", "burn-save")
        self.finish = button("Finish order", self._press(self._finish))
        place = f"<p>Saves into <b>{shown.as_html(str((book / orders.FOLDER).resolve()))}</b></p>"
        trial = Remark("doubt", "For trying out only: this is a scratch copy of the invented demo lab book.") if scratch else Remark("plain", "")
        super().__init__([widgets.HTML(boxes.STYLE), keys(), widgets.HTML(place), boxes.message(trial),
                          boxes.row([self.which, self.open_it, self.repeat_it]),
                          *(wrapped(title, [self.boxes[name] for name in line]) for title, line in LINES.items()),
                          widgets.HBox([self.save, self.finish]), self.said])
        self.add_class("burn-entry")
        self._try(self._start)

    def _box(self, name: str) -> widgets.Widget:
        width = _WIDTHS.get(name, boxes.FIELD)
        if name not in self._choices:
            return boxes.text("", LABELS[name], width)
        nothing, offered = self._choices[name]
        return boxes.choice([(nothing, _NOTHING), *((one, one) for one in offered)], _NOTHING, LABELS[name], width)

    def _press(self, act):
        return lambda _: self._try(act)

    def _start(self) -> list[Remark]:
        """Show what was typed and not saved, else the open order."""
        self._list()
        if left := self._draft.left():
            self._loaded, self._seen, self._repeats = (left.pop(f"({name})", "") for name in ("loaded", "seen", "repeats"))
            self._fill(left)
            return [Remark("doubt", "What you typed last time and did not save is filled in again.")]
        return self._show(orders.read(self.book))

    def _typed(self) -> dict[str, str]:
        return super()._typed() | {"(loaded)": self._loaded, "(seen)": self._seen, "(repeats)": self._repeats}

    def _list(self, chosen: str = "") -> None:
        found = orders.listed(self.book)
        self.which.options = [(_NEW, _NOTHING), *(
            (f"{row.name}{f', {row.customer}' if row.customer else ''}: {row.pieces} piece{'s' * (row.pieces > 1)}"
             f"{', finished' if row.finished_on is not None else ''}{' (open)' if row.open else ''}", row.name) for row in found.itertuples())]
        names = [value for _, value in self.which.options]
        self.which.value = chosen if chosen in names else names[1] if len(names) > 1 else _NOTHING

    def _show(self, order: Order, name: str | None = None) -> list[Remark]:
        """Put an order into the boxes; under another name it is not that order any more."""
        said = {one: getattr(order, one, None) for one in LABELS} | {f"price_{one}": order.prices.get(one) for one in _PRICES}
        said |= {"variant": order.infill.get("variant"), "sanded_mm": " to ".join(f"{mm:g}" for mm in order.infill.get("sanded_mm", ())), "module": self._module_of(order),
                 "board": order.board, "name": (order.name if order.file else None) if name is None else name}
        if order.area_mm2 == Order().area_mm2:
            said["area_mm2"] = None
        self._fill({one: "" if value is None else f"{value:.9g}" if isinstance(value, float) else str(value) for one, value in said.items()})
        self._loaded = order.name if order.file and name is None else ""
        self._seen = orders.mark(self.book, order.name) if order.file not in ("", orders.FORMER) and name is None else ""
        return [Remark("doubt", words) for words in orders.said(self.book)]

    def _module_of(self, order: Order) -> str:
        """Return the module that an order names, as it is offered; its own words where none of the modules is."""
        if order.module_w is None and order.module is None:
            return _NOTHING
        for label, key in self._modules.items():
            if all(getattr(order, name) in (None, value) for name, value in key.items()):
                return label
        return order.module or f"{order.module_w:g} W"

    def _lines(self) -> dict:
        """Return the lines that the boxes say; None where one is empty.

        Raises
        ------
        ValueError
            Naming the box that holds no number or no day.
        """
        text = {name: str(box.value).strip() or None for name, box in self.boxes.items()}
        lines = {name: text[name] for name in ("customer", "note", "artwork", "species", "first", "board")}
        lines |= {name: self._number(name, LABELS[name]) for name in ("area_mm2", "board_thickness_mm", *_WHOLE)}
        lines["ordered_on"] = self._day("ordered_on", LABELS["ordered_on"])
        if text["module"] in self._modules or text["module"] is None:
            lines |= self._modules.get(text["module"], dict.fromkeys(columns.MODULE_KEY))
        lines["infill"] = {"variant": text["variant"], "sanded_mm": self._read("sanded_mm", typed.span_mm)}
        lines["prices"] = {name: self._number(f"price_{name}", label) for name, label in _PRICES.items()}
        return lines

    def _save(self) -> list[Remark]:
        name, lines = self.boxes["name"].value.strip(), self._lines()
        if not name:
            raise ValueError("Name: give the order one; its file is named after it.")
        if self._loaded and name == self._loaded:
            taken = orders.take_over(self.book)
            old = orders.read(self.book, None if taken else name)
            changed = {one: value for one, value in lines.items() if one in ("infill", "prices") or not _says(old, one, value)}
            if "artwork" in changed:
                changed["artwork_sha256"] = orders.fingerprint(self.book, changed["artwork"])
            file = orders.change(self.book, old.name, "" if taken else self._seen, **changed)
        else:
            file, taken = self._new(name, lines), ""
        return self._saved(file, "Saved", taken)

    def _new(self, name: str, lines: dict) -> Path:
        """Write the boxes as a new order; one that repeats another has what that one said and the boxes do not show."""
        for table in ("infill", "prices"):
            lines[table] = {one: value for one, value in lines[table].items() if value is not None}
        if not self._repeats:
            return orders.new(self.book, name, **lines)
        old = orders.read(self.book, self._repeats)
        lines |= {table: getattr(old, table) | lines[table] for table in ("infill", "prices")}
        return orders.repeat(self.book, self._repeats, name, **lines)

    def _saved(self, file: Path, done: str, taken: str = "") -> list[Remark]:
        said, self._repeats = self._put_away(), ""
        order = orders.read(self.book, files.name_of(file))
        self._list(order.name)
        said += self._show(order)
        return [Remark("saved", f"{done}: order {order.name}, {file.resolve()}. {taken} Run the cells below again.".replace("  ", " ")), *said]

    def _open(self) -> list[Remark]:
        if not self.which.value:
            self._repeats = ""
            self._show(Order())
            return [*self._put_away(), Remark("plain", "Type the new order, and save it.")]
        if self.which.value == self._loaded and not self._seen:
            return self._taken_over()
        return self._saved(orders.open_order(self.book, self.which.value), "Open")

    def _taken_over(self) -> list[Remark]:
        """Take job.toml over, which is open already."""
        said = orders.take_over(self.book)
        order = orders.read(self.book)
        self._list(order.name)
        return [Remark("saved", said), *self._show(order)] if said else self._show(order)

    def _repeat(self) -> list[Remark]:
        """Fill in an order again, under no name yet, and say how it came out."""
        if not self.which.value:
            raise ValueError("Orders: choose the order to repeat.")
        if orders.take_over(self.book):
            self._list()
        old = orders.read(self.book, self.which.value)
        self._show(old, name="")
        self._fill({"ordered_on": datetime.date.today().isoformat(), "board": "", "note": ""})
        self._repeats = old.name
        return [Remark("doubt", orders.came_out(self.book, old.name).words),
                Remark("plain", f"This repeats {old.name}, on another board. Give it a name, change what is another now, and save it.")]

    def _finish(self) -> list[Remark]:
        if not self._loaded:
            raise ValueError("Save the order first.")
        orders.take_over(self.book)
        return self._saved(orders.finish(self.book, orders.read(self.book, self._loaded).name, datetime.date.today()), "Finished")


def proof_form(book: str | Path, job: Job, scratch: bool = False) -> "ProofForm":
    """Return a form that writes a proof swatch into the open order.

    Parameters
    ----------
    book : path
    job : Job
        Its recommended setting is filled in.
    scratch : bool
        The folder is a copy of the demo lab book: what is saved is marked invented.
    """
    return ProofForm(Path(book), job, scratch)


class ProofForm(Kept):
    """The form; `boxes` holds its boxes by name."""

    labels, folder = _SAID, orders.FOLDER

    def __init__(self, book: Path, job: Job, scratch: bool):
        self._job, self._units = job, job.machine.units
        self._setting = {} if job.trouble else {
            name: self._units.of(name).words(job.recommended[name]) for name in _MEASURED}
        self.boxes = {name: self._box(name) for name in PROOF}
        self._keep(book, scratch, "orders/proofs")
        self.save = button("Add proof", lambda _: self._try(self._add), "primary", "burn-save")
        super().__init__([widgets.HTML(boxes.STYLE), keys(), boxes.row(self.boxes.values()), self.save, self.said])
        self.add_class("burn-entry")
        if left := self._draft.left():
            self._fill(left)
            self._tell("doubt", "What you typed last time and did not save is filled in again.")

    def _box(self, name: str) -> widgets.Widget:
        start = self._setting | {"board": self._job.order.board or "", "unit": "mm", "gauge_step": "0.01 mm",
                                 "passes": f"{self._job.recommended['passes']:g}" if self._setting else "",
                                 "proved_on": datetime.date.today().isoformat()}
        if name == "unit":
            return boxes.choice(list(MM_OF), "mm", PROOF[name], _WIDTHS[name])
        return boxes.text(start.get(name, ""), PROOF[name], _WIDTHS.get(name, "120px"))

    def _proof(self) -> dict:
        """Return the proof that the boxes say, as `orders.add_proof` takes it."""
        text = {name: str(box.value).strip() for name, box in self.boxes.items()}
        said = {"board": text["board"], "depths_mm": depths_mm(text["depths"], text["unit"])}
        for name, read in _MEASURED.items():
            try:
                # A setting left as it was filled in is the card's own, to its last digit.
                same = text[name] == self._setting.get(name)
                said[name] = self._job.recommended[name] if same else read(text[name], self._units.of(name).name)
            except ValueError as wrong:
                raise ValueError(f"{PROOF[name]} '{short(text[name])}': {wrong}.") from None
        said["passes"], step = self._number("passes", PROOF["passes"]), typed.length_mm(text["gauge_step"], text["unit"])
        said |= {"gauge_step_mm": step, "proved_on": self._day("proved_on", PROOF["proved_on"]), "confirmed": text["confirmed"] or None}
        return said | ({"invented": True} if self.scratch else {})

    def _add(self) -> list[Remark]:
        order, proof = orders.read(self.book), self._proof()
        if not order.file:
            raise ValueError("There is no order yet: save one first.")
        if not proof["board"] or not proof["depths_mm"]:
            raise ValueError("Board, Depths: give the board and at least one depth.")
        self._must_be_sound(order, proof)
        taken = orders.take_over(self.book)
        order = orders.read(self.book)
        file = orders.add_proof(self.book, order.name, proof)
        return [Remark("saved", f"Saved: proof {len(order.proofs) + 1} of the order {order.name}, {file.resolve()}. {taken} Run the page again: "
                       "its settings are for this board now, and its card is to be printed again."), *self._put_away()]

    def _must_be_sound(self, order: Order, proof: dict) -> None:
        """Refuse a proof that nobody could work with: the order would have no setting any more."""
        said = {name: value for name, value in proof.items() if value is not None}
        job = self._job.changed(proofs=(*order.proofs, said), board=proof["board"])
        if not self._job.trouble and job.trouble:
            raise ValueError(job.trouble)


def _says(order: Order, name: str, value) -> bool:
    """Return whether an order says this of a line already; an empty box says what stands in where nothing is said."""
    now = getattr(order, name)
    return value == now or value is None and now == getattr(Order(), name)
