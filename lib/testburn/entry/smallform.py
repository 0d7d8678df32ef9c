"""Small form: a few boxes of declared fields, buttons that act, and what is said of it, beside the box it is about.

Decides, for all small forms of the lab book alike, how a typed text becomes the value that a field asks for: a number
with point or comma, a day, a choice, several numbers. A box is judged as it is left, by the field that judges the file
too; what is wrong stands under it. A press judges them all, then acts; refused, everything typed stays; done, it is said
in one line and the boxes are ready for the next.
"""

import datetime
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import ipywidgets as widgets
import numpy as np
import pandas as pd

from testburn.entry import boxes, typed
from testburn.entry.boxes import STYLE, as_html, button, keys, message, wrapped
from testburn.entry.kept import KEPT, Asking, Kept, attempt, in_words
from testburn.entry.remarks import Remark
from testburn.entry.typed import short
from testburn.labbook import ReadingsError, columns, days_ahead, files, shown, tomlfile

_TAKE_BACK = "Take back the last"
_AGAIN = "What you typed last time and did not save is filled in again."
_TRIAL = "For trying out only: this is a scratch copy of the invented demo lab book."


def whole(text: str) -> float:
    """Return a typed number, as an int where it is whole."""
    value = typed.number(text)
    return int(value) if value % 1 == 0 else value


def _counted(text: str) -> float:
    """Return what stands where things are counted; its field says whether it may be."""
    try:
        return whole(text)
    except ValueError:
        raise ValueError("this is not a whole number; write it like 6") from None


def several(text: str) -> list[float]:
    """Return the numbers typed in one box; spaces or semicolons stand between them."""
    return [whole(one.strip(",")) for one in text.replace(";", " ").strip("[] ").split()]


def of_a_box(remedy: str) -> str:
    """Return a remedy for a line of a file, or a cell of one, as it is said of a box."""
    said = re.sub(r"\b([Ll])eave (?:the line out|the cell empty|it out)\b", r"\1eave the box empty", remedy)
    return re.sub(r" (?:in|without) quotes\b", "", said)


def taking_back(file: str, fields: tuple[columns.Field, ...], alike: tuple[str, ...] = ()) -> dict[str, Callable]:
    """Return a button, and what it does: it takes the last row of a small file out, once that was shown.

    Parameters
    ----------
    file : str
        In the lab book.
    alike : tuple of str
        Rows before it that have the same in these columns go with it: a sheet of several.
    """
    def act(form) -> list[Remark]:
        path = form.book / file
        rows = files.text_of(path, fields)
        if rows.empty:
            raise ValueError(f"{file} has nothing to take back.")
        last = rows.iloc[-1].to_dict()
        other = (rows[list(alike)] != rows[list(alike)].iloc[-1]).any(axis=1).to_numpy()
        sheet = 1 + int(np.argmax([*other[-2::-1], True])) if alike else 1
        words = ", ".join(f"{value}" for name, value in last.items() if value and name not in ("invented", *("reading", "depth_mm") * bool(alike)))
        if form.asking.first(f"take back {words}"):
            raise ValueError(f"The last in {file}: {words}. Press {_TAKE_BACK} again, and it counts no more.")
        files.drop_last(path, fields, last, sheet)
        form.asking.forget()
        form.look_again()
        return [Remark("saved", f"Taken back: {words}. As it was, {file} stays in {(form.book / 'history' / path.stem).resolve()}. Run the page again.")]
    return {_TAKE_BACK: act}


_READ = {"text": str, "number": typed.number, "integer": _counted, "date": typed.day, "yes or no": lambda text: text == "yes"}


@dataclass(frozen=True)
class Box:
    """One box: the field it asks for, and how it looks.

    Attributes
    ----------
    must : bool
        Whether it may not be empty; what its field says by default.
    choices : tuple
        Words and text of each choice there is; without them the field's own values, if they can be named.
    offered : tuple of str
        Texts that are offered while another may be typed.
    read : callable
        Turns the text into a value, or raises ValueError in words; by the kind of the field by default.
    """

    field: columns.Field
    label: str
    start: str = ""
    must: bool | None = None
    choices: tuple[tuple[str, str], ...] = ()
    offered: tuple[str, ...] = ()
    read: Callable[[str], object] | None = None
    width: str = boxes.FIELD

    def widget(self) -> widgets.Widget:
        """Return the box on the page."""
        choices = self.choices or tuple((str(one), str(one)) for one in self.field.among if not self.field.many)
        if self.field.kind == "yes or no":
            choices = (("yes", "yes"), ("no", "no"))
        if choices:
            nothing = () if any(value == self.start for _, value in choices) else (("choose…" if self.needed else "not said", ""),)
            return boxes.choice([*nothing, *choices], self.start, self.label, self.width)
        return boxes.text(self.start, self.label, self.width, offered=self.offered)

    @property
    def needed(self) -> bool:
        """Whether it may not be empty."""
        return self.field.required if self.must is None else self.must

    def value(self, text: str):
        """Return what a text says; None where nothing is typed.

        Raises
        ------
        ValueError
            With what is wrong and what to do.
        """
        text = text.strip()
        if not text:
            if self.needed:
                raise ValueError(f"{self.label}: nothing is typed here. {of_a_box(self.field.remedy)}".strip())
            return None
        said = f"{self.label} '{short(text)}'"
        try:
            value = (self.read or (several if self.field.many else _READ[self.field.kind]))(text)
        except ValueError as wrong:
            raise ValueError(f"{said}: {wrong}.") from None
        if fault := tomlfile.fault_of(self.field, value):
            raise ValueError(f"{said}: {fault[0]}. {of_a_box(fault[1])}".strip())
        return value


class SmallForm(Kept):
    """The form; `boxes` holds its boxes by name, `beside` what is said under each, `buttons` its buttons by their words.

    Parameters
    ----------
    book : path
    scratch : bool
        The folder is a copy of the demo lab book: say so.
    kind : str
        What is typed: its drafts are kept under this name.
    file : str
        What in the lab book is written to.
    lines : dict
        The boxes of each line, by the line's name.
    acts : dict
        What each button does, by its words: takes the form and its values by name, saves, and returns what to say. It
        raises ValueError where it refuses or asks; then what is typed stays.
    look : callable, optional
        Takes the form after each change, and returns what to say of what is typed.
    further : dict, optional
        Buttons that need no box, like `acts`.
    starts : callable, optional
        What stands in the boxes at first and after a save, by name, beside what each box says; and the mark of the file
        that it is from. The mark is kept with what is typed, as `seen`.
    above : sequence of Widget, optional
        What stands over the boxes.
    """

    anew = "Start anew"

    def __init__(self, book: str | Path, scratch: bool, kind: str, file: str, lines: dict[str, tuple[Box, ...]],
                 acts: dict[str, Callable], look: Callable = lambda form: (), further: dict[str, Callable] | None = None,
                 starts: Callable[[], tuple[dict, str]] = lambda: ({}, ""), above: tuple[widgets.Widget, ...] = ()):
        self.asked, self.folder, self._look, self.asking = [box for line in lines.values() for box in line], file, look, Asking()
        self._starts = starts
        self.labels = {box.field.name: box.label for box in self.asked}
        self.boxes = {box.field.name: box.widget() for box in self.asked}
        self.beside = {name: message() for name in self.boxes}
        self._keep(Path(book), scratch, f"journal/{kind}")
        self.about = message()
        self.buttons = {words: button(words, lambda _, act=act: self._press(act), "primary" if not place else "",
                                      "burn-save" if not place else "") for place, (words, act) in enumerate(acts.items())}
        self.buttons |= {words: button(words, lambda _, act=act: self._try(lambda: act(self))) for words, act in (further or {}).items()}
        self.buttons[self.anew] = button(self.anew, lambda _: self._start_anew())
        place = message(Remark("doubt", _TRIAL)) if scratch else message()
        place.value = f"<p>Saves into <b>{shown.as_html(str((self.book / file).resolve()))}</b></p>" + place.value
        super().__init__([widgets.HTML(STYLE), keys(), place, *above,
                          *(wrapped(title, [self._with_words(box) for box in line]) for title, line in lines.items()),
                          self.about, widgets.HBox(list(self.buttons.values())), self.said])
        self.add_class("burn-entry")
        self.said.value = as_html(self._begin())
        if left := self._draft.left():
            self._go_on(left)
            self._tell("doubt", _AGAIN)
        self._say()

    def _go_on(self, left: dict[str, str]) -> None:
        """Fill in what was typed and not saved."""
        self.seen = left.pop("(seen)", "")
        self._fill(left)

    def _begin(self) -> list[Remark]:
        """Put into the boxes what stands there at first, and return what hinders it."""
        said = []
        self.start, self.seen = {box.field.name: box.start for box in self.asked}, ""
        try:
            texts, self.seen = self._starts()
            self.start |= texts
        except (OSError, ValueError) as error:
            said = [Remark("fault", line) for line in str(error).splitlines()]
        self._fill(self.start)
        return said

    def _typed(self) -> dict[str, str]:
        return super()._typed() | {"(seen)": self.seen}

    def _start_anew(self) -> None:
        """Put what is typed away, unsaved; it stays in the journal."""
        self.said.value = as_html(self._ready())

    def _with_words(self, box: Box) -> widgets.VBox:
        words = self.beside[box.field.name]
        words.layout = boxes.laid(width=box.width)
        return widgets.VBox([self.boxes[box.field.name], words], layout=boxes.laid(align_self="flex-start"))

    def look_again(self) -> None:
        """Begin from what the lab book says now; what is typed and not saved stays."""
        if all(self.text(name) == text for name, text in self.start.items()):
            self._begin()
        self._say()

    def text(self, name: str) -> str:
        """Return what is typed in a box."""
        return str(self.boxes[name].value).strip()

    def known(self, name: str):
        """Return what a box says; None where it is empty or at fault."""
        try:
            return next(box for box in self.asked if box.field.name == name).value(self.text(name))
        except ValueError:
            return None

    def offer(self, said: dict[str, str]) -> bool:
        """Fill texts into boxes that are empty, and keep them; return whether there was one."""
        empty = [name for name, text in said.items() if text and not self.text(name)]
        for name in empty:
            self.boxes[name].value = said[name]
        return bool(empty)

    def _changed(self, name: str) -> None:
        super()._changed(name)
        if self._filling:
            return
        self.asking.forget()
        self.said.value = self.said.value if "Not kept" in self.said.value else ""
        box = next(box for box in self.asked if box.field.name == name)
        # An empty box is only named when a button is pressed.
        self._judge(box, quiet=not self.text(name))
        self._say()

    def _say(self) -> None:
        self.about.value = as_html(self._look(self))

    def _judge(self, box: Box, quiet: bool = False):
        """Return what a box says, and say beside it what is wrong."""
        self.beside[box.field.name].value = ""
        try:
            return box.value(self.text(box.field.name))
        except ValueError as wrong:
            if not quiet:
                self.beside[box.field.name].value = as_html([Remark("fault", str(wrong))])
        return None

    def _press(self, act: Callable) -> None:
        said = {box.field.name: self._judge(box) for box in self.asked}
        if wrong := self._wrong():
            self._tell("fault", KEPT, f"See under {', '.join(wrong)}.")
            return
        days = pd.Series([one for one in said.values() if isinstance(one, datetime.date)], dtype="datetime64[us]")
        if (ahead := days_ahead(days)) and self.asking.first("day"):
            self._tell("fault", f"Not saved yet: {ahead} Press again to save it so.")
            return
        done = []
        self.said.value = as_html(attempt(lambda: done.append(act(self, said)) or done[0], self._refused, self.book / self.folder))
        if done:
            self.said.value += as_html(self._ready())

    def _wrong(self) -> list[str]:
        return [self.labels[name] for name, words in self.beside.items() if words.value]

    def _refused(self, error: ReadingsError) -> list[str]:
        """Say what is wrong with a box beside it, and return all that is wrong; what stands in a file is said with its row."""
        for fault in (own := [one for one in error.faults if one.row is None]):
            if fault.column in self.beside:
                self.beside[fault.column].value = as_html([Remark("fault", of_a_box(words)) for words in in_words(ReadingsError([fault]), self.labels)])
        files = [one for one in error.faults if one.row is not None]
        return [*map(of_a_box, in_words(ReadingsError(own), self.labels)), *(str(ReadingsError(files)).splitlines() if files else ())]

    def _ready(self) -> list[Remark]:
        """Put the draft away, make the boxes ready for the next, and return what hindered it."""
        hindered = self._put_away()
        for words in self.beside.values():
            words.value = ""
        hindered += self._begin()
        self._say()
        return hindered
