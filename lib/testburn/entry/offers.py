"""Offers: what lies ready when the entry notebook is opened, and how a burn is planned so that it lies there.

Decides what is offered first: a burn that was half entered when kernel, tab or power went away is
offered before anything else, to resume or to put away; else the next board of the newest plan stands in the form, until
another burn is saved. A new burn, another plan, a saved burn to correct or a spreadsheet to import can be chosen. Opening
another thing loses nothing: what was typed is in the journal, and is offered again. A plan is asked for in boxes: wood,
module, window, scrap; what is left empty is proposed (`burnplan.propose`). Sheets are made by a pressed button, never
because a page was run.
"""

from dataclasses import replace
from pathlib import Path

import ipywidgets as widgets

from testburn import burnplan
from testburn.burnplan import BurnPlan, Drawn, Scrap
from testburn.depthfit import DepthFit
from testburn.entry import boxes, burnform, draft, grid as entry, typed
from testburn.entry.boxes import STYLE, as_html, button, keys, message
from testburn.entry.importform import ImportForm
from testburn.entry.remarks import Remark
from testburn.entry.smallform import Box, SmallForm
from testburn.labbook import Machine, columns, journal, woods
from testburn.paper import burnsheet, pdf

_NEW, _IMPORT = ("new", ""), ("import", "")
_MOST_OFFERED, _MOST_W = 8, 200.0
_PLANNED_BURN = ("{}. Setting and speeds are those of its sheet; burn id and board are named after it. Change what was burned otherwise, and a board "
                 "that your lab book knows by another name. Another burn is under Open.")
_ELSEWHERE = ("This burn is open in another window. Go on there; or press Resume once more to take it over: what is typed there "
              "from then on becomes a draft of its own.")


_DEPTH, _MM = columns.BY_NAME["depth_mm"], {"kind": "number", "unit": "mm", "above": 0}
_PLANNED = {field.name: field for field in (
    columns.Field("species", "text", "The wood.", "Choose the wood of the scrap."), columns.BY_NAME["module_w"], columns.BY_NAME["wavelength_nm"],
    *(replace(_DEPTH, name=name, above=0, at_least=None) for name in ("at_least_mm", "at_most_mm")),
    *(columns.Field(name, meaning=meaning, remedy="Measure it, in mm.", at_most=5000, **_MM) for name, meaning in (
        ("width_mm", "The scrap, along the lines."), ("height_mm", "The scrap, across the lines."), ("thickness_mm", "The scrap, through."),
        ("gauge_tip_mm", "What of the gauge goes into the recess."))),
    *(columns.Field(name, "integer", meaning, "Leave it out, and it is proposed.", required=False, at_least=1, at_most=most) for name, meaning, most in (
        ("boards", "How many boards.", 26), ("swatches", "How many swatches on each.", 60))),
    columns.Field("proves_every_board", "yes or no", "Whether each board gets a proof swatch.", "Choose yes or no."))}


def plan_form(book: str | Path, fit: DepthFit | None, machine: Machine, plans: str | Path, module: tuple[float, float] | None = None,
              scratch: bool = False) -> SmallForm:
    """Return a form that plans a test burn: its sheet, drawing and file for entry go into a folder of their own.

    Parameters
    ----------
    book : path
        The lab book.
    fit : DepthFit or None
        What it knows so far.
    plans : path
        Where planned burns go.
    module : tuple of float, optional
        Watts and wavelength that stand there at first.
    scratch : bool
        The folder is a copy of the demo lab book: say so.
    """
    table, asked = woods.of(book), {}
    watts, wavelength_nm = (f"{one:g}" for one in module) if module else ("", "")

    def wood(text: str) -> str:
        meant = woods.called(text, table.index)
        if len(meant) != 1 or not woods.called(text, table.index, mistyped=False):
            raise ValueError(f"this could be {' or '.join(meant)}" if meant else "this wood is not in the list: add it on page 3")
        return meant[0]

    def make(form, said):
        if said["module_w"] > _MOST_W:
            raise ValueError(f"Watts on its label: {said['module_w']:g} W is no diode module. Milliwatts? That would be {said['module_w'] / 1000:g} W.")
        if said["at_least_mm"] >= said["at_most_mm"]:
            raise ValueError(f"At least {said['at_least_mm']:g} mm and at most {said['at_most_mm']:g} mm is no window: the first has to be less.")
        scrap = Scrap(said["width_mm"], said["height_mm"], said["thickness_mm"])
        given = {name: said[name] for name in ("species", "module_w", "wavelength_nm", "at_least_mm", "at_most_mm", "boards", "swatches",
                                               "gauge_tip_mm", "proves_every_board")}
        plan = burnplan.propose(fit, table, scrap=scrap, machine=machine, **given)
        folder = burnsheet.save(plans, plan)
        asked.update({name: form.text(name) for name in form.boxes})
        made = ", ".join(sorted(file.name for file in folder.iterdir()))
        return [Remark("saved", f"Made for {said['species']}: {made}, in {folder.resolve()}. Print the sheet; page 3 offers the plan under Open."),
                Remark("plain", burnsheet.worth(plan)), *(Remark("plain", note) for note in plan.notes)]

    def box(name, label, start="", **more):
        return Box(_PLANNED[name], label, start, **{"width": "150px"} | more)

    lines = {
        "Burn": (box("species", "Wood", offered=tuple(table.index), read=wood, width="190px"), box("module_w", "Watts on its label", watts),
                 box("wavelength_nm", "Wavelength, nm", wavelength_nm)),
        "Window": (box("at_least_mm", "At least, mm", "0.40", read=typed.length_mm), box("at_most_mm", "At most, mm", "0.60", read=typed.length_mm)),
        "Scrap": tuple(box(name, label, start, read=typed.length_mm) for name, label, start in (
            ("width_mm", "Along the lines, mm", "300"), ("height_mm", "Across them, mm", "200"), ("thickness_mm", "Thickness, mm", "19"),
            ("gauge_tip_mm", "Gauge's tip, mm", "4"))),
        "If need be": (box("boards", "Boards"), box("swatches", "Swatches on each"), box("proves_every_board", "You prove every board", "no", width="170px"))}
    return SmallForm(book, scratch, "plan", str(Path(plans).absolute()), lines, {"Make the plan": make}, starts=lambda: (dict(asked), ""))


def sheet_button(plans: str | Path, plan: BurnPlan | Drawn) -> widgets.VBox:
    """Return a button that makes what a plan is burned by: sheet, drawing, file for entry; of a ladder of focus its drawing alone, as its
    swatches are no burn of a curve.

    Parameters
    ----------
    plans : path
        Where planned burns go.
    """
    said = message()
    if isinstance(plan, Drawn) and not plan.svg:
        return said

    def make(_) -> None:
        try:
            if isinstance(plan, BurnPlan):
                made = sorted(burnsheet.save(plans, plan).iterdir())
            else:
                made = [pdf.put(Path(plans) / plan.name, plan.svg)]
            said.value = as_html([Remark("saved", f"Made: {', '.join(file.name for file in made)}, in {made[0].parent.resolve()}.")])
        except OSError as error:
            said.value = as_html([Remark("fault", f"Not made: {error}")])

    pressed = button("Make the sheet" if isinstance(plan, BurnPlan) else "Make the drawing", make)
    shown = widgets.VBox([widgets.HTML(STYLE), keys(), widgets.HBox([pressed]), said])
    shown.add_class("burn-entry")
    return shown


def _plan_name(file: Path) -> str:
    return f"{'Check' if file.parent.name.startswith('check-') else 'Planned'} burn: {file.parent.name}, {file.stem}"


def _burn_id(file: Path) -> str:
    """Return how the burn of a planned board is named: after the plan, and the board's letter on the sheet."""
    return f"{file.parent.name}-{file.stem.removeprefix('board-')}"


class Offers(widgets.VBox):
    """Offers on top, and under them the form that is open: `form`, or None while offers stand.

    Parameters
    ----------
    book : path
        The lab book.
    scratch : bool
        It is a scratch copy of the demo.
    plans : path, optional
        The folder that holds planned burns, each in its own; the lab book's folder plans by default.
    """

    def __init__(self, book: str | Path, scratch: bool = False, plans: str | Path | None = None):
        self.book, self.scratch = Path(book), scratch
        self.plans = Path(plans) if plans else self.book / "plans"
        self._asked: set[str] = set()
        self.form, self.said, self.offers = None, message(), widgets.VBox()
        self.choose = boxes.choice(self._choices(), _NEW, "Open", "420px")
        self.go = button("Open", lambda _: self._open(*self.choose.value))
        self._slot = widgets.VBox()
        super().__init__([widgets.HTML(STYLE), keys(), self.offers, widgets.HBox(
            [self.choose, self.go], layout=boxes.laid(align_items="flex-end")), self.said, self._slot])
        self.add_class("burn-entry")
        if not self._offer():
            self.choose.value = self._next_plan() or _NEW
            self._open(*self.choose.value, begin=False)
            if self.form is None:  # the plan cannot be read, and that is said
                said, self.choose.value = self.said.value, _NEW
                self._open(*_NEW, begin=False)
                self.said.value = said

    def _choices(self) -> list[tuple[str, tuple[str, str]]]:
        """Return what can be opened: plans by name, saved burns newest first."""
        found = [("New burn", _NEW)]
        # A plan stands in a folder of its own, a file for each board.
        found += [(_plan_name(file), ("plan", str(file)))
                  for file in sorted(self.plans.glob("*/*.csv"), reverse=True)]
        burns = sorted((self.book / "burns").glob("*.csv"), key=lambda file: file.stat().st_mtime_ns,
                       reverse=True)
        found.append(("Import a spreadsheet (.xlsx, .ods, CSV, TSV)", _IMPORT))
        return found + [(f"Correct saved burn: {file.stem}", ("correct", file.stem)) for file in burns]

    def _offer(self) -> bool:
        """Offer the drafts that were never saved; say whether there are any."""
        try:
            self._folder = draft.home(self.book, self.scratch)
            found = draft.unfinished(self._folder)
        except OSError as error:
            self._folder, found = None, ()
            self.said.value = as_html([Remark("doubt", f"Drafts cannot be looked for: {error}")])
        if not len(found):
            self.offers.children = []
            return False
        count = "1 burn was" if len(found) == 1 else f"{len(found)} burns were"
        lines = [message(Remark("doubt", f"{count} not finished. Everything you typed is kept."))]
        lines += [self._offered(row) for row in found.head(_MOST_OFFERED).itertuples()]
        lines.append(widgets.HBox([button("Start new", lambda _: self._open(*_NEW))]))
        self.offers.children = lines
        return True

    def _offered(self, row) -> widgets.HBox:
        try:
            typed, _ = draft.resumed(self._folder, row.draft)
            done = sum(len(one.readings(entry.with_face(typed))) for one in entry.swatches_of(typed))
            name = ", ".join(filter(None, (typed.get("burn") or "no burn id yet", typed.get("species"))))
            began = row.started.to_pydatetime().astimezone()
            said = f"{name}; begun {began:%Y-%m-%d %H:%M}; {done} reading{'s' * (done != 1)} typed"
        except (TypeError, ValueError) as fault:
            said = str(fault)
        return widgets.HBox([
            button("Resume", lambda _: self._resume(row.draft)),
            button("Put away", lambda _: self._put_away(row.draft)), message(Remark("plain", said))])

    def _resume(self, name: str) -> None:
        try:
            if journal.elsewhere(self._folder, name) and name not in self._asked:
                self._asked.add(name)
                self.said.value = as_html([Remark("doubt", _ELSEWHERE)])
                return
            typed, kept = draft.resumed(self._folder, name)
            kept.take()
            saved = None
            if kept.correcting:
                # The fingerprint is the draft's: what changed since then is refused when saving.
                saved = replace(draft.saved_burn(self.book, kept.correcting["burn"]),
                                seen=kept.correcting["seen"])
            self._put(burnform.entry(self.book, typed, self.scratch, kept, saved, begin=True))
        except (OSError, ValueError) as fault:
            self._refuse(fault)

    def _put_away(self, name: str) -> None:
        try:
            if journal.elsewhere(self._folder, name):
                raise ValueError("This burn is open in another window. Close it there first, or resume it here.")
            draft.Draft(self._folder, name).put_away()
        except (OSError, ValueError) as fault:
            self._refuse(fault)
            return
        if not self._offer() and self.form is None:
            self._open(*_NEW)

    def _open(self, kind: str, which: str, begin: bool = True) -> None:
        try:
            if kind == "import":
                self._put(ImportForm(self.book, self.scratch))
                return
            saved = draft.saved_burn(self.book, which) if kind == "correct" else None
            start = (draft.opened(saved, entry.units_of(self.book)) if saved else
                     self._named(Path(which)) if kind == "plan" else None)
            self._put(burnform.entry(self.book, start, self.scratch, saved=saved, begin=begin))
            if kind == "plan":
                self.said.value = as_html([Remark("plain", _PLANNED_BURN.format(_plan_name(Path(which))))])
        except (OSError, ValueError) as fault:
            # Depths typed now would go to the burn that stood here before; what was typed of it is kept and offered again.
            self.form, self._slot.children = None, []
            self._refuse(fault)

    def _named(self, file: Path) -> dict:
        """Return a planned burn as typed, named after its plan; a plan burned once more is another burn, on a board without a name yet."""
        start, burn = entry.from_plan(file, entry.units_of(self.book)), _burn_id(file)
        taken = self._burned()
        if burn.casefold() in taken:
            return start | {"burn": entry.next_id(burn, taken)}
        return {"board": f"{file.stem.removeprefix('board-')} {file.parent.name.rpartition('-')[2]}"} | start | {"burn": burn}

    def _burned(self) -> set[str]:
        return {file.stem.casefold() for file in (self.book / "burns").glob("*.csv")}

    def _next_plan(self) -> tuple[str, str] | None:
        """Return the first board of the newest plan that is not entered yet; none once another burn was saved after that plan was made."""
        boards = sorted(self.plans.glob("*/*.csv"), key=lambda file: (-file.parent.stat().st_mtime_ns, file.name))
        own = [file for file in boards if file.parent == boards[0].parent]
        named, burns = {_burn_id(file).casefold() for file in own}, (self.book / "burns").glob("*.csv")
        if own and any(file.stat().st_mtime_ns > own[0].stat().st_mtime_ns for file in burns if file.stem.casefold() not in named):
            return None
        return next((("plan", str(file)) for file in own if _burn_id(file).casefold() not in self._burned()), None)

    def _put(self, form) -> None:
        """Show a form in place of what is shown, and forget the offers: they come again later."""
        self.form, self.said.value = form, ""
        self.offers.children, self._slot.children = [], [form]
        form.when_saved = lambda: self._list_anew(saved=True)
        self._list_anew()

    def _list_anew(self, saved: bool = False) -> None:
        """List what can be opened, with what was saved a moment ago; a plan's next board is the choice after its last."""
        chosen = self.choose.value
        if saved and chosen[0] == "plan":
            chosen = self._next_plan() or _NEW
        self.choose.options = self._choices()
        if chosen in [value for _, value in self.choose.options]:
            self.choose.value = chosen

    def _refuse(self, fault: Exception) -> None:
        self.said.value = as_html([Remark("fault", line) for line in str(fault).splitlines()])
