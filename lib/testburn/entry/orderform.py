"""Order form: boxes for an order and for its proof, and buttons that open, save, repeat and finish one.

Decides what a maker types of an order instead of editing its file, and what is answered: as every small form answers
(`smallform`), with all that is wrong at once, each fault under its box. All goes through `job.orders`, which checks every
line, keeps the file as it was and never writes over another order. What the boxes do not show (remarks in the file, and
the figures of films, sanding, board and drawing, which have boxes of their own) a save leaves as it is. A proof starts from the setting that the order's card gives first; one typed a second
time, and an order finished with pieces unmeasured, are asked about. A proof taken back stays in the order, and counts no more.
"""

import datetime
from dataclasses import replace
from pathlib import Path

import ipywidgets as widgets

from testburn.depthfit import DepthFit
from testburn.entry import boxes, typed
from testburn.entry.boxes import button
from testburn.entry.jobform import depths_mm
from testburn.entry.remarks import Remark
from testburn.entry.smallform import Box, SmallForm, several
from testburn.entry.typed import MM_OF
from testburn.job import Job, Order, infill, orders, outcome
from testburn.labbook import NEXT, columns, files, tomlfile, woods

_NOTHING, _NEW = "", "a new order"
_SIDE = "190px"
_PRICES = {"per_minute": "Minute at the machine", "labour_per_minute": "Minute by hand", "board": "Wood of a piece",
           "finishing": "Finishing of a piece", "proof_minutes": "Proof, minutes", "setup_minutes": "Setting up, minutes",
           "loading_minutes": "Loading a piece, minutes", "rerun_minutes": "Burning again, minutes", "deep_extra": "More for too deep"}
_FIELDS = {field.name: field for field in orders.FIELDS}
_TABLES = {name: {field.name: field for field in _FIELDS[name].of} for name in ("infill", "prices", "proof")}
_SETTING = {"speed_mm_s": "Speed", "power_pct": "Power", "line_pitch_mm": "Pitch", "passes": "Passes"}
_MEASURED = {"speed_mm_s": typed.speed_mm_s, "power_pct": typed.power_pct, "line_pitch_mm": typed.pitch_mm}


def _board(text: str) -> str:
    if text == NEXT:
        raise ValueError(columns.BOARD_NAMED_NEXT)
    return text


def _named(field: str, label: str, width: str = boxes.FIELD, nothing: str = "", offered=(), **more) -> Box:
    """Return the box of an order's line; where texts are offered, one of them is chosen, or nothing."""
    choices = ((nothing, _NOTHING), *((one, one) for one in offered)) if nothing else ()
    return Box(_FIELDS[field], label, choices=choices, width=width, **more)


def _lines(book: Path, modules, fit: DepthFit | None) -> dict[str, tuple[Box, ...]]:
    """Return the boxes of each line of an order."""
    species = list(dict.fromkeys(group.species for group in fit.groups)) if fit else list(woods.of(book).index)
    drawings = sorted(file.name for file in (book / "artwork").glob("*.svg")) if (book / "artwork").is_dir() else []
    # Lumber goes by other names; whichever is chosen, the wood itself is written.
    woods_offered = (("the best known", _NOTHING), *((wood, wood) for wood in species), *boxes.named_in_the_trade(species))
    inside = _TABLES["infill"]
    name = Box(replace(_FIELDS["name"], remedy="Give the order a name; its file is called so."), "Name", must=True, width=_SIDE)
    return {
        "Order": (name, _named("customer", "Customer", _SIDE), _named("ordered_on", "Ordered on"), _named("note", "Note", "240px")),
        "Piece": (_named("artwork", "Drawing", _SIDE, "none: a block", drawings), _named("drawing_width_mm", "Its width on the sign, mm", _SIDE, read=typed.length_mm), _named("area_mm2", "Area without one, mm²", _SIDE),
                  Box(_FIELDS["species"], "Wood", choices=woods_offered), _named("module", "Module", boxes.FIELD, "the best known", modules),
                  _named("board_thickness_mm", "Board thickness", read=typed.length_mm),
                  Box(inside["variant"], "How it is filled", choices=(("brush-filled", _NOTHING), *((one, one) for one in infill.VARIANTS))),
                  Box(replace(inside["sanded_mm"], remedy="Write it like 0.10 to 0.20."), "Sanding takes off, mm", read=typed.span_mm, width=_SIDE),
                  _named("first", "Settings first", boxes.FIELD, "fastest", ("fastest", "surest"))),
        "Pieces": (_named("pieces", "Pieces"), _named("pieces_a_board", "Pieces a board"), _named("board", "Board on the bench", read=_board)),
        "Prices": tuple(Box(replace(_TABLES["prices"][one], name=f"price_{one}"), label, width=_SIDE) for one, label in _PRICES.items())}


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


class OrderForm(SmallForm):
    """The form; `which` chooses among the orders there are."""

    anew = "Show the open order again"

    def __init__(self, book: Path, fit: DepthFit | None, scratch: bool):
        self._modules = {f"{group.module_w:g} W, {group.wavelength_nm:g} nm" + f", {group.module}" * bool(group.module):
                         {name: getattr(group, name) or None for name in columns.MODULE_KEY} for group in (fit.groups if fit else ())}
        self._loaded = self._repeats = ""
        self.which = boxes.choice([_NEW], _NEW, "Orders", "420px")
        self.upload = widgets.FileUpload(accept=".svg", multiple=False, description="Add a drawing (SVG)", layout=boxes.laid(width="auto"))
        self.upload.observe(lambda change: change["new"] and self._try(self._add_drawing), "value")
        self.open_it, self.repeat_it = (button(words, lambda _, act=act: self._try(act)) for words, act in
                                        (("Open it", self._open), ("Repeat it", self._repeat)))
        super().__init__(book, scratch, orders.FOLDER, orders.FOLDER, _lines(book, list(self._modules), fit),
                         {"Save order": lambda _, said: self._save(said)}, lambda _: self._files(), {"Finish order": lambda _: self._finish()},
                         self._opened, [boxes.row([self.which, self.open_it, self.repeat_it, self.upload])])
        self.save, self.finish = self.buttons["Save order"], self.buttons["Finish order"]

    def _keep(self, book: Path, scratch: bool, kind: str) -> None:
        super()._keep(book, scratch, kind.removeprefix("journal/"))

    def _typed(self) -> dict[str, str]:
        return super()._typed() | {"(loaded)": self._loaded, "(repeats)": self._repeats}

    def _go_on(self, left: dict[str, str]) -> None:
        self._loaded, self._repeats = left.pop("(loaded)", ""), left.pop("(repeats)", "")
        super()._go_on(left)

    def _files(self) -> list[Remark]:
        """Say what is to be said of the orders' files; what is wrong with one is said as it is read."""
        try:
            return [Remark("doubt", words) for words in orders.said(self.book)]
        except (OSError, ValueError):
            return []

    def _opened(self) -> tuple[dict[str, str], str]:
        """Return what the open order says, and the mark of its file."""
        self._loaded = self._repeats = ""
        self._list()
        order = orders.read(self.book)
        self._loaded = order.name if order.file else ""
        return self._texts(order), orders.mark(self.book, order.name) if order.file not in ("", orders.FORMER) else ""

    def _list(self) -> None:
        self.which.options = [(_NEW, _NOTHING), *(
            (f"{row.name}{f', {row.customer}' if row.customer else ''}: {row.pieces} piece{'s' * (row.pieces > 1)}"
             f"{', finished' if row.finished_on is not None else ''}{' (open)' if row.open else ''}", row.name)
            for row in orders.listed(self.book).itertuples())]
        self.which.value = self.which.options[min(1, len(self.which.options) - 1)][1]

    def _texts(self, order: Order) -> dict[str, str]:
        """Return an order as what would have been typed into the boxes."""
        said = {one: getattr(order, one, None) for one in self.boxes} | {f"price_{one}": order.prices.get(one) for one in _PRICES}
        said |= {"variant": order.infill.get("variant"), "sanded_mm": " to ".join(f"{mm:g}" for mm in order.infill.get("sanded_mm", ())),
                 "module": self._module_of(order), "name": order.name if order.file else None}
        if order.area_mm2 == Order().area_mm2:
            said["area_mm2"] = None
        return {one: "" if value is None else f"{value:.9g}" if isinstance(value, float) else str(value) for one, value in said.items()}

    def _module_of(self, order: Order) -> str:
        """Return the module that an order names, as it is offered; its own words where none of the modules is."""
        if order.module_w is None and order.module is None:
            return _NOTHING
        for label, key in self._modules.items():
            if all(getattr(order, name) in (None, value) for name, value in key.items()):
                return label
        return order.module or f"{order.module_w:g} W"

    def _lines_of(self, said: dict) -> dict:
        """Return the lines of an order that the boxes say; None where one is empty."""
        lines = {name: value for name, value in said.items() if name in _FIELDS and name not in ("name", "module")}
        if said["module"] in self._modules or said["module"] is None:
            lines |= self._modules.get(said["module"], dict.fromkeys(columns.MODULE_KEY))
        return lines | {"infill": {name: said[name] for name in ("variant", "sanded_mm")},
                        "prices": {name: said[f"price_{name}"] for name in _PRICES}}

    def _save(self, said: dict) -> list[Remark]:
        name, lines = said["name"], self._lines_of(said)
        self._ask_about_width(lines)
        if not self._loaded or name != self._loaded:
            return self._done("Saved", self._new(name, lines))
        taken = orders.take_over(self.book)
        old = orders.read(self.book, None if taken else name)
        changed = {one: value for one, value in lines.items() if one in ("infill", "prices") or not old.says(one, value)}
        if "artwork" in changed:
            changed |= {"artwork_sha256": orders.fingerprint(self.book, changed["artwork"])}
        anew = {"artwork", "drawing_width_mm"} & set(changed)
        changed |= {"left_out_mm": None} if anew else {}
        other = "What was left out of the drawing before is not left out of this one." * (bool(anew) and old.left_out_mm is not None)
        return self._done("Saved", orders.change(self.book, old.name, "" if taken else self.seen, **changed), taken, other)

    def _ask_about_width(self, lines: dict) -> None:
        """Ask once whether a width that was said of the drawing before holds for this one too."""
        old = orders.read(self.book, self._repeats or None) if self._loaded or self._repeats else Order()
        wide = lines["drawing_width_mm"]
        if wide and wide == old.drawing_width_mm and lines["artwork"] not in (None, old.artwork) and self.asking.first("width"):
            raise ValueError(f"{wide:g} mm was the width of {old.artwork}: is {lines['artwork']} as wide? Correct it, or press Save order again.")

    def _new(self, name: str, lines: dict) -> Path:
        """Write the boxes as a new order; one that repeats another has what that one said and the boxes do not show."""
        for table in ("infill", "prices"):
            lines[table] = {one: value for one, value in lines[table].items() if value is not None}
        if not self._repeats:
            return orders.new(self.book, name, **lines)
        old = orders.read(self.book, self._repeats)
        lines |= {table: getattr(old, table) | lines[table] for table in ("infill", "prices")}
        if (lines["artwork"], lines["drawing_width_mm"]) != (old.artwork, old.drawing_width_mm):
            lines["left_out_mm"] = None
        return orders.repeat(self.book, self._repeats, name, **lines)

    def _done(self, done: str, file: Path, *more: str) -> list[Remark]:
        words = " ".join(filter(None, [f"{done}: order {files.name_of(file)}, {file.resolve()}.", *more, "Run the page again."]))
        return [Remark("saved", words)]

    def _add_drawing(self) -> list[Remark]:
        """Put the file chosen into artwork/ of the lab book, and its name into the box."""
        (chosen,), self.upload.value = self.upload.value, ()  # so that the same file may be chosen again
        file, words = orders.add_drawing(self.book, chosen["name"], bytes(chosen["content"]), self.known("drawing_width_mm"))
        self._fill({"artwork": file.name})
        self._changed("artwork")
        return [Remark("saved", f"Added to {file.parent.resolve()}. {words}"), Remark("plain", "It stands under Drawing; press Save order to use it.")]

    def _open(self) -> list[Remark]:
        name = self.which.value
        if name == self._loaded and name and not self.seen:  # job.toml, which is open already
            taken = orders.take_over(self.book)
            return [*([Remark("saved", taken)] if taken else []), *self._ready()]
        done = self._done("Open", orders.open_order(self.book, name)) if name else [Remark("plain", "Type the new order, and save it.")]
        hindered = self._ready()
        if not name:
            self._loaded = self.seen = ""
            self._fill({one: "" for one in self.boxes})
        return [*done, *hindered]

    def _repeat(self) -> list[Remark]:
        """Fill in an order again, under no name yet, and say how it came out."""
        name = self.which.value
        if not name:
            raise ValueError("Orders: choose the order to repeat.")
        orders.take_over(self.book)
        old, hindered = orders.read(self.book, name), self._ready()
        self._fill(self._texts(old) | {"name": "", "ordered_on": datetime.date.today().isoformat(), "board": "", "note": ""})
        self._loaded, self.seen, self._repeats = "", "", old.name
        self._changed("name")  # kept from now on, as if it had been typed
        return [Remark("doubt", orders.came_out(self.book, old.name).words),
                Remark("plain", f"This repeats {old.name}, on another board. Give it a name, change what is another now, and save it."), *hindered]

    def _finish(self) -> list[Remark]:
        if not self._loaded:
            raise ValueError("Save the order first.")
        taken = orders.take_over(self.book)
        order = orders.read(self.book, None if taken else self._loaded)
        doubts = [outcome.of(self.book, order).unmeasured]
        if any(self.text(name) != self.start[name].strip() for name in self.boxes):
            doubts.append("What you changed above is not saved yet: it would not be in the order.")
        if any(doubts) and self.asking.first("finish"):
            raise ValueError(" ".join(filter(None, [*doubts, "Press Finish order again to finish it so."])))
        file = orders.finish(self.book, order.name, datetime.date.today())
        return [*self._done("Finished", file, taken), *self._ready()]


def proof_form(book: str | Path, job: Job, scratch: bool = False) -> "ProofForm":
    """Return a form that writes a proof swatch into the open order, and takes the last one back.

    Parameters
    ----------
    book : path
    job : Job
        Its recommended setting is filled in.
    scratch : bool
        The folder is a copy of the demo lab book: what is saved is marked invented.
    """
    return ProofForm(Path(book), job, scratch)


class ProofForm(SmallForm):
    """The form of a proof."""

    def __init__(self, book: Path, job: Job, scratch: bool):
        self._job, self._units, of = job, job.machine.units, _TABLES["proof"]
        self._setting = {} if job.trouble else {name: self._units.of(name).words(job.recommended[name]) for name in _MEASURED}
        if self._setting:
            self._setting["passes"] = f"{job.recommended['passes']:g}"
        setting = tuple(Box(of[name], label, self._setting.get(name, ""), width="120px",
                            read=None if name == "passes" else lambda text, name=name: self._set(name, text)) for name, label in _SETTING.items())
        lines = {
            "Proof": (Box(of["board"], "Board", read=_board, width="120px"),
                      Box(replace(of["depths_mm"], name="depths", remedy="Type what the gauge says, e.g. 0.56 0.55 0.58."), "Depths",
                          read=self._depths, width="200px"),
                      Box(columns.Field("unit", "text", "", "", among=tuple(MM_OF)), "In", "mm", width="80px"),
                      Box(replace(of["gauge_step_mm"], name="gauge_step"), "Gauge step", "0.01 mm", width="120px",
                          read=lambda text: typed.length_mm(text, self.text("unit"))),
                      Box(of["proved_on"], "Read on", datetime.date.today().isoformat(), width="120px")),
            "Setting": setting,
            "If need be": (Box(of["confirmed"], "Odd, but so because", width="220px"),
                           Box(of["taken_back_because"], "Taken back because", width="220px", offered=("typed twice", "another board", "misread")))}
        super().__init__(book, scratch, "orders/proofs", orders.FOLDER, lines, {"Add proof": lambda _, said: self._add(said)},
                         further={"Take back the last proof": lambda _: self._take_back()}, starts=self._on_bench)
        self.save, self.take_back = self.buttons["Add proof"], self.buttons["Take back the last proof"]

    def _keep(self, book: Path, scratch: bool, kind: str) -> None:
        super()._keep(book, scratch, kind.removeprefix("journal/"))

    def _on_bench(self) -> tuple[dict[str, str], str]:
        return {"board": orders.read(self.book).board or ""}, ""

    def _depths(self, text: str) -> list[float]:
        try:
            return depths_mm(text, self.text("unit"))
        except ValueError as wrong:
            raise ValueError(str(wrong).rstrip(".")) from None

    def _set(self, name: str, text: str) -> float | None:
        """Return a measure of the setting; one left as it was filled in is the card's own, to its last digit."""
        return self._job.recommended[name] if text == self._setting.get(name) else _MEASURED[name](text, self._units.of(name).name)

    def _add(self, said: dict) -> list[Remark]:
        order = orders.read(self.book)
        if not order.file:
            raise ValueError("There is no order yet: save one first.")
        proof = {name: said[name] for name in ("board", *_SETTING, "proved_on", "confirmed")}
        proof |= {"depths_mm": said["depths"], "gauge_step_mm": said["gauge_step"]} | ({"invented": True} if self.scratch else {})
        self._must_be_sound(order, proof)
        if any(all(one.get(name) == proof[name] for name in ("board", "depths_mm", "proved_on", *_SETTING)) for one in order.proofs) \
                and self.asking.first():
            raise ValueError("This very proof is in the order already: the same board, setting, depths and day. Twice, it would count as two "
                             "swatches. Press Add proof again if it is another swatch.")
        taken = orders.take_over(self.book)
        order = orders.read(self.book)
        file = orders.add_proof(self.book, order.name, proof, self._job.changed(**{name: getattr(order, name) for name in columns.GROUP_KEY}).left_open)
        return _proved(f"Saved: proof {len(order.proofs) + 1} of the order {order.name}, {file.resolve()}.", taken)

    def _take_back(self) -> list[Remark]:
        order, reason = orders.read(self.book), self.text("taken_back_because")
        if not order.proofs:
            raise ValueError("The open order has no proof to take back.")
        last = order.proofs[-1]
        meant = (f"The last proof, number {len(order.proofs)}: board {last['board']}, {' '.join(f'{mm:g}' for mm in last['depths_mm'])} mm"
                 + f", read on {last['proved_on']}" * ("proved_on" in last))
        if not reason:
            raise ValueError(f"{meant}. Say beside Taken back because why it is none, and press again.")
        if self.asking.first("take back"):
            raise ValueError(f"{meant}. Press Take back the last proof again: it stays in the order, and counts no more.")
        taken = orders.take_over(self.book)
        file = orders.take_back_proof(self.book, orders.read(self.book).name, reason, datetime.date.today())
        hindered = self._ready()
        # What comes next is mostly the same swatch, typed rightly: it was burned as that proof says, not as the card would say now.
        self._fill({"board": last["board"], "passes": f"{last['passes']:g}"}
                   | {name: self._units.of(name).words(last[name]) for name in _MEASURED})
        return [*_proved(f"Taken back: proof {len(order.proofs)} of the order {order.name}, {file.resolve()}.", taken),
                Remark("plain", "Board and setting are filled in as that proof had them."), *hindered]

    def _must_be_sound(self, order: Order, proof: dict) -> None:
        """Refuse a proof that nobody could work with: the order would have no setting any more."""
        said = {name: value for name, value in proof.items() if value is not None}
        job = self._job.changed(proofs=(*order.proofs, said), board=proof["board"])
        if not self._job.trouble and job.trouble:
            raise ValueError(job.trouble.replace(f"{job.order.place}, [proof]: ", "This proof: ").replace(
                'write a line confirmed = "why" under [proof].', "say why beside Odd, but so because."))


# The lines of an order that few makers change: what stands in for each, page 7 shows.
_FILM = {"coats": ("coats", None), "wet_mm": ("wet coat, mm", typed.wet_mm), "solids": ("solids, share", typed.share_span), "soaks": ("soaks in, share", typed.share_span)}
_FILMS = ("sealer", "colour")
_FURTHER = {"Sanding": ("grits", "flatness_mm"),
            "Recess": ("hides_mm", "least_step_mm", "most_step_mm", "depth_to_width", "char_mm", "least_floor_mm", "floor_sd_mm", "gauge_mm"),
            "Board": ("board_width_mm", "pith_mm", "moisture_change_pct", "flat_sawn")}
def figures_form(book: str | Path, scratch: bool = False) -> SmallForm:
    """Return a form for the figures of the open order that stand in until one's own are typed: films, sanding, recess, board, drawing, risks.

    Parameters
    ----------
    book : path
    scratch : bool
        The folder is a copy of the demo lab book: say so.
    """
    inside, prices, book = _TABLES["infill"], _TABLES["prices"], Path(book)
    lines = {film.capitalize(): tuple(Box(replace(field, name=f"{film}_{field.name}", required=False), f"{film.capitalize()}, {_FILM[field.name][0]}",
                                          read=_FILM[field.name][1], width="170px") for field in inside[film].of) for film in _FILMS}
    read = {"grits": lambda text: sorted(set(several(text)))} | {name: typed.length_mm for name in inside if name.endswith("_mm")}
    lines |= {title: tuple(Box(inside[name], infill.label(name), read=read.get(name), width=_SIDE) for name in line) for title, line in _FURTHER.items()}
    lines["Misses"] = tuple(Box(prices[name], label, width=_SIDE) for name, label in (
        ("shallow_rerun_share", "Shallow ones seen, share"), ("deep_lost_share", "Deep ones lost, share")))
    lines["Drawing"] = (_named("white_pct", "Paler does not burn, %", "170px"), _named("left_out_mm", "Left out at, mm", "240px", read=typed.places_mm))

    def starts():
        order = orders.read(book)
        said = order.prices | order.infill | {"white_pct": order.white_pct, "left_out_mm": order.left_out_mm}
        said |= {f"{film}_{name}": value for film in _FILMS for name, value in said.get(film, {}).items()}
        shown = {box.field.name: tomlfile.written(said[box.field.name]) for line in lines.values() for box in line if said.get(box.field.name) is not None}
        return shown, orders.mark(book, order.name) if order.file else ""

    def save(form, said):
        order = orders.read(book)
        if order.file in ("", orders.FORMER):
            raise ValueError("No order is open: save one on page 6 first.")
        changed = {name: value for name, value in said.items() if form.text(name) != form.start[name]}
        for film in filter(lambda film: any(name.startswith(f"{film}_") for name in changed), _FILMS):
            own = {field.name: said[f"{film}_{field.name}"] for field in inside[film].of}
            empty = [form.labels[f"{film}_{name}"] for name in ("coats", "wet_mm", "solids") if own[name] is None]
            if empty and any(value is not None for value in own.values()):
                raise ValueError(f"{', '.join(empty)}: nothing is typed here. A film needs its coats, wet thickness and solids; empty all its boxes, "
                                 "and what stands in counts again.")
            changed[film] = own if any(value is not None for value in own.values()) else None
        tables = {table: {name: changed[name] for name in changed if name in of} for table, of in (("infill", inside), ("prices", prices))}
        own = {name: changed[name] for name in ("white_pct", "left_out_mm") if name in changed}
        file = orders.change(book, order.name, form.seen, **own, **{table: some for table, some in tables.items() if some})
        unheard = [Remark("doubt", "Grits do not count while the order's box Sanding takes off is filled in.")] * bool(
            said["grits"] and order.infill.get("sanded_mm"))
        return [Remark("saved", f"Saved: order {order.name}, {file.resolve()}. Run the page again: it counts with these figures."), *unheard]

    return SmallForm(book, scratch, "figures", orders.FOLDER, lines, {"Save figures": save}, starts=starts)


def _proved(words: str, taken: str) -> list[Remark]:
    return [Remark("saved", " ".join(filter(None, [words, taken, "Run the page again: its settings are for the proofs that count now, and its "
                                                   "card is to be printed again."])))]
