"""Kept: what every form does alike: what is typed is kept as its box is left, and a save is answered.

Decides that each box is in a journal on the disk before anything else is done with it; that a refusal names its faults
and keeps all that was typed; that a doubt is asked about once, a second press being the answer, and forgotten as soon as
a box changes; and that the system's own words, which name a temporary file, are said as the folder that cannot be
written to.
"""

import datetime
from collections.abc import Callable, Iterable
from pathlib import Path

import ipywidgets as widgets

from testburn.entry import boxes, typed
from testburn.entry.boxes import as_html
from testburn.entry.draft import BoxesDraft
from testburn.entry.remarks import Remark
from testburn.entry.typed import short
from testburn.labbook import ReadingsError

KEPT = "Not saved; everything you typed is still here."


class Asking:
    """What was asked about; the same press again is the answer."""

    def __init__(self):
        self._asked = set()

    def forget(self) -> None:
        """Ask again next time: something was changed."""
        self._asked.clear()

    def first(self, what: str = "save") -> bool:
        """Say whether `what` is asked about for the first time, and remember it."""
        new = what not in self._asked
        self._asked.add(what)
        return new


def attempt(save: Callable[[], list[Remark]], in_words: Callable[[ReadingsError], Iterable[str]],
            folder: Path, not_saved: str = KEPT) -> list[Remark]:
    """Return what `save` says, or why it was refused.

    Parameters
    ----------
    save : callable
        Saves, or asks, and returns what to say of it.
    in_words : callable
        Says the faults of a ReadingsError in the form's own words.
    folder : path
        Where it saves, named where the system refuses.
    not_saved : str
        What stands before the faults.
    """
    try:
        return save()
    except ReadingsError as error:
        faults = in_words(error)
    except (OSError, ValueError) as error:
        ours = getattr(error, "strerror", None) is None
        faults = [str(error) if ours else
                  f"{folder} cannot be written to: {error.strerror}. Check the folder, then save again."]
    return [Remark("fault", text) for text in (not_saved, *faults)]


def saved(count: int, *files: Path, more: str = "") -> Remark:
    """Say how many readings were saved, and where they are."""
    places = ", ".join(str(file.resolve()) for file in files)
    return Remark("saved", f"Saved {count} reading{'s' * (count != 1)} in {places}.{more}")


def in_words(error: ReadingsError, labels: dict[str, str]) -> list[str]:
    """Return the faults of a file or a table in a form's own words, each once."""
    said = {}
    for fault in error.problems.itertuples():
        value = f" '{short(fault.value)}'" if fault.value else ""
        # A line of a table stands as "prices, board".
        name = fault.column.rpartition(", ")[2]
        said[f"{labels.get(fault.column, labels.get(name, name))}{value}: {fault.problem}. {fault.remedy}"] = None
    return list(said)


class Kept(widgets.VBox):
    """A form whose boxes are kept in a draft as they are left; `said` answers.

    `labels` are the boxes' by name, `whole` those whose numbers are whole, `folder` is what in the lab book is saved to.
    """

    labels: dict[str, str] = {}
    whole: tuple[str, ...] = ()
    folder = ""

    def _keep(self, book: Path, scratch: bool, kind: str) -> None:
        self.book, self.scratch, self.said = book, scratch, boxes.message()
        self._draft, self._filling = BoxesDraft(book, scratch, kind), False
        for name, box in self.boxes.items():
            box.observe(lambda change, name=name: self._changed(name), "value")

    def _changed(self, name: str) -> None:
        if self._filling:
            return
        try:
            self._draft.keep(self._typed(), name)
        except OSError as error:
            self._tell("fault", f"Not kept for a crash: {error.strerror or error}. What you typed stands here; save soon.")

    def _typed(self) -> dict[str, str]:
        """Return what is in the boxes, as text."""
        return {name: str(box.value) for name, box in self.boxes.items()}

    def _fill(self, said: dict[str, str]) -> None:
        """Put texts into boxes; what a choice does not offer is offered then."""
        self._filling = True
        for name, text in said.items():
            if (box := self.boxes.get(name)) is not None:
                if isinstance(box, widgets.Dropdown) and text not in [value for _, value in box.options]:
                    box.options = [*box.options, (text, text)]
                box.value = text
        self._filling = False

    def _put_away(self) -> list[Remark]:
        return [Remark("doubt", said)] if (said := self._draft.put_away()) else []

    def _tell(self, weight: str, *texts: str) -> None:
        self.said.value = as_html([Remark(weight, text) for text in texts])

    def _try(self, act) -> None:
        self.said.value = as_html(attempt(act, lambda error: in_words(error, self.labels), self.book / self.folder))

    def _number(self, name: str, label: str):
        """Return the number in a box; None where it is empty."""
        value = self._read(name, (lambda text: typed.length_mm(text, "mm")) if name == "board_thickness_mm" else typed.number, label)
        return int(value) if name in self.whole and value is not None and value % 1 == 0 else value

    def _read(self, name: str, read, label: str = ""):
        """Return what a box means to a reader of typed text; its words name the box."""
        text = self.boxes[name].value
        try:
            return read(text)
        except ValueError as wrong:
            raise ValueError(f"{label or self.labels[name]} '{short(text)}': {wrong}.") from None

    def _day(self, name: str, label: str) -> datetime.date | None:
        return self._read(name, lambda text: typed.day(text) if text.strip() else None, label)
