"""Job form: boxes for the readings of a finished job, a Save button, and one to accept it into the fit.

Decides what the maker types after a job and what is answered at once: what the card promised, and
where the readings fall. Readings go through `jobs`, which checks everything and never overwrites.
Every box that is left is in a journal on the disk before anything else; what was not saved stands in
the boxes again when the form is opened next, against the same promise, or none where that is gone.
Accepting jobs that the drift check finds off since some job takes a second press. A saved job is put into the boxes again to be
corrected, against the promise it was saved with, and written once its changes were shown; or it is taken back.
"""

import datetime
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import ipywidgets as widgets
import numpy as np
import pandas as pd

from testburn import drift
from testburn.depthfit import NEXT, suspects
from testburn.entry import boxes, draft
from testburn.entry.boxes import as_html, button, keys
from testburn.entry.grid import next_id, units_of
from testburn.entry.typed import MM_OF, length_mm, lengths_mm, short
from testburn.entry.remarks import Remark
from testburn.entry.kept import Asking, attempt, in_words, saved
from testburn.job import promise
from testburn.labbook import columns, days_ahead, jobs, machinelog, shown

LABELS = {"card": "Made from", "burn": "Job id", "burned_on": "Finished on", "board": "Board",
          "readings": "Readings", "unit": "In", "gauge_step": "Gauge step", "note": "Note"}
_WIDTHS = {"card": "520px", "readings": "220px", "unit": "80px", "note": "260px"}
_FAULT_LABELS = LABELS | {"depth_mm": "Readings", "gauge_step_mm": "Gauge step"}
_FAR_OFF = 2.0
_PROMISED = [column.name for column in columns.PROMISED]
_UNASKED = [column.name for column in columns.COLUMNS if not column.required]
_CORRECTING = "(correcting)"
_LOST = "The card of this draft is not in the list: choose it again."


def job_form(book: str | Path, promises: pd.DataFrame, scratch: bool = False, piece: str = "",
             then: Callable[[], None] = lambda: None) -> "JobForm":
    """Return a form that records finished jobs in a lab book.

    Parameters
    ----------
    book : path
        The lab book's folder; its folder jobs/ is made when the first job is saved.
    promises : DataFrame
        Rows of `promise.of` to choose from, in this order.
    scratch : bool
        The folder is a copy of the demo lab book: say so, and mark what is saved as invented.
    piece : str
        What the piece at hand is called: its job id, as long as nothing else is typed.
    then : callable, optional
        Called once a job is saved.

    Raises
    ------
    ValueError
        If there is no promise to choose from.
    """
    if promises.empty:
        raise ValueError("There is no card to choose from. Print a card first, or make promises with "
                         "promise.of.")
    return JobForm(Path(book), promises.drop_duplicates(ignore_index=True), scratch, piece, then)


def depths_mm(typed: str, unit: str) -> list[float]:
    """Return the readings typed in one box, in mm; spaces or semicolons stand between them.

    Raises
    ------
    ValueError
        Naming the one that is no number.
    """
    try:
        return lengths_mm(typed, unit)
    except ValueError as wrong:
        raise ValueError(f"Readings {wrong}.") from None


class JobForm(widgets.VBox):
    """The form; `boxes` holds its boxes by name."""

    def __init__(self, book, promises, scratch, piece="", then=lambda: None):
        self._piece, self._then, self._saved, self._filling = piece, then, "", False
        self.book, self.promises, self.scratch, self._units = book, promises, scratch, units_of(book)
        self._draft, self._asking, self._lost = draft.BoxesDraft(book, scratch, "jobs"), Asking(), ""
        self._cards, self._correcting = promises, None
        self.save = button("Save job", self._save, "primary", "burn-save")
        self.boxes = {name: self._box(name) for name in LABELS}
        self.promised, self.said = boxes.message(), boxes.message()
        resumed = self._resumed()
        for name, box in self.boxes.items():
            box.observe(lambda change, name=name: self._changed(name), "value")
        self.accept = button("Accept into the fit", self._accept)
        self.clear = button("Start empty", self._clear)
        self.saved_job = boxes.choice([("choose…", "")], "", "Saved job", "260px")
        self.saved_job.observe(lambda _: self._asking.forget(), "value")
        self.correct, self.back = button("Correct it", self._correct), button("Take it back", self._take_back)
        super().__init__([
            widgets.HTML(boxes.STYLE), keys(), self._place_line(resumed),
            boxes.row([self.boxes["card"]]), boxes.row(self.boxes[name] for name in list(LABELS)[1:]), self.promised,
            widgets.HBox([self.save, self.accept, self.clear]), self.said, boxes.row([self.saved_job, self.correct, self.back])])
        self.add_class("burn-entry")
        self._list_saved()
        self._say()

    def _box(self, name) -> widgets.Widget:
        width = _WIDTHS.get(name, boxes.FIELD)
        if name == "card":
            return boxes.choice(self._offered(), 0, LABELS[name], width)
        if name == "unit":
            return boxes.choice(list(MM_OF), "mm", LABELS[name], width)
        return boxes.text(self._start(name), LABELS[name], width)

    def _offered(self) -> list[tuple[str, int]]:
        """Return the promises to choose from; that of a job which is corrected stands last."""
        lines = promise.labels(self.promises, self._units)
        if self._correcting:
            lines[-1] = f"As saved: {lines[-1]}"
        return list(zip(lines, self.promises.index))

    def _start(self, name) -> str:
        return {"burned_on": datetime.date.today().isoformat(), "gauge_step": "0.01 mm", "burn": self._next_piece()}.get(name, "")

    def _next_piece(self) -> str:
        """Return what the piece at hand is called; where it ends in a number and is saved already, the next one."""
        name, number = re.fullmatch(r"(.*?)(\d*)", self._piece).groups()
        while number and (self.book / "jobs" / f"{name}{number}.csv").exists():
            number = str(int(number) + 1)
        return name + number

    def _resumed(self) -> bool:
        """Fill in what was typed and not saved; return whether there was anything."""
        if not (typed := self._draft.left()):
            return False
        job, _, seen = typed.pop(_CORRECTING, "").rpartition(" ")
        if job:
            try:
                # The mark is the draft's: what changed since then is refused when saving.
                self._hold(replace(draft.saved_job(self.book, job), seen=seen))
            except (OSError, ValueError):
                self._correcting = None  # gone, or no longer to be read: what was typed stands here as a job of its own
        self._lost = typed.pop("card", "not kept")
        places = {promise.mark(row): place for place, row in self.promises.iterrows()}
        self.boxes["card"].value = places.get(self._lost.rpartition(" ")[2])
        for cell, text in typed.items():
            if cell in self.boxes and (cell != "unit" or text in MM_OF):
                self.boxes[cell].value = text
        return True

    def _place_line(self, resumed) -> widgets.HTML:
        box = boxes.message()
        box.value = f"<p>Saves into <b>{shown.as_html(str((self.book / 'jobs').resolve()))}</b></p>"
        if self.scratch:
            box.value += as_html([Remark("doubt", "For trying out only: this is a scratch copy of the "
                                         "invented demo lab book. What you save here is marked "
                                         "invented.")])
        if resumed:
            box.value += as_html([Remark("doubt", "What you typed last time and did not save is filled in again.")])
        return box

    @property
    def row(self) -> pd.Series | None:
        """The promise that is chosen; None where a draft's is not in the list."""
        place = self.boxes["card"].value
        return None if place is None else self.promises.loc[place]

    def _changed(self, name) -> None:
        """Keep a change, then answer it."""
        if self._filling:
            return
        self._asking.forget()
        self.said.value = ""
        typed = {cell: f"{box.label} · promise {promise.mark(self.row)}" if cell == "card" else box.value
                 for cell, box in self.boxes.items() if cell != "card" or self.row is not None}
        typed |= {_CORRECTING: f"{self._correcting.burn} {self._correcting.seen}"} if self._correcting else {}
        try:
            self._draft.keep(typed, name)
        except OSError as error:
            self._tell(("fault", f"Not kept for a crash: {error.strerror or error}. What you typed stands here; save soon."))
        self._say()

    def _say(self) -> None:
        """Say what the card promised, and where the readings fall."""
        if (row := self.row) is None:
            self.promised.value = as_html([Remark("fault", _LOST), Remark("doubt", f"It was: {self._lost}")])
            return
        low, high = drift.expected_limits(row)
        said = [Remark("saved", f"The card said {row['expected_mm']:.2f} mm; 95 recesses in 100 lie "
                       f"between {low:.2f} and {high:.2f} mm.")]
        try:
            depths = depths_mm(self.boxes["readings"].value, self.boxes["unit"].value)
        except ValueError as wrong:
            said, depths = [*said, Remark("fault", str(wrong))], []
        if depths:
            low, high = drift.expected_limits(row, len(depths))
            mean = np.mean(depths)
            inside = low <= mean <= high
            off = 100 * (mean / row["expected_mm"] - 1)
            said.append(Remark("saved" if inside else "doubt", f"Mean of {len(depths)}: {mean:.2f} mm, {off:+.0f} %: "
                               + ("as boards differ" if inside else "further off than 95 boards in 100")
                               + f".{self._in_window(row, mean)}"))
        self.promised.value = as_html(said)

    def _in_window(self, row, mean) -> str:
        if pd.isna(row["at_least_mm"]):
            return ""
        inside = row["at_least_mm"] <= mean <= row["at_most_mm"]
        return f" {'Inside' if inside else 'Outside'} the window {row['at_least_mm']:.3g} to {row['at_most_mm']:.3g} mm."

    def _readings(self) -> pd.DataFrame:
        """Return the readings that the boxes hold."""
        if self.row is None:
            raise ValueError(_LOST)
        typed = {name: str(box.value).strip() for name, box in self.boxes.items()}
        if not typed["burn"]:
            raise ValueError("Job id: give the job one; its file is named after it.")
        try:
            step = length_mm(typed["gauge_step"], typed["unit"])
        except ValueError as wrong:
            raise ValueError(f"Gauge step '{short(typed['gauge_step'])}': {wrong}.") from None
        try:
            day = datetime.date.fromisoformat(typed["burned_on"])
        except ValueError:
            raise ValueError(f"Finished on '{short(typed['burned_on'])}': this is not a day. Write it as "
                             "year-month-day, e.g. 2026-03-14.") from None
        depths = depths_mm(typed["readings"], typed["unit"])
        # Its emptiness is named by `jobs`, before any word on which board the card is for.
        board = typed["board"] or self.row["board"].replace(NEXT, "")
        before = self._correcting.readings.iloc[0] if self._correcting else {"swatch": "1"}
        said = jobs.readings_of(self.row, typed["burn"], board, depths, np.nan if step is None else step, day, typed["note"], self.scratch,
                                before["swatch"])
        # What the form has no box for stays as it was saved: moisture, thickness.
        return said.assign(**{name: before[name] for name in _UNASKED if name in before and name not in said})

    def _save(self, _) -> None:
        self.said.value = as_html(attempt(self._asked_or_saved, lambda error: in_words(error, _FAULT_LABELS), self.book / "jobs"))

    def _asked_or_saved(self) -> list[Remark]:
        """Ask about readings far off the card once, else save; return what to say of it."""
        readings = self._readings()
        ratio = readings["depth_mm"].mean() / self.row["expected_mm"]
        if not 1 / _FAR_OFF < ratio < _FAR_OFF:
            jobs.check(readings, [self.row["species"]])
            if self._asking.first("save"):
                return [Remark("fault", f"Not saved yet; press {self.save.description} again to save it so. The readings are "
                               f"{ratio:.2g} times what the card said: is the unit right, and the card?")]
        stray = suspects.stray(readings["depth_mm"])
        for what, doubt in {"stray": stray and f"{stray}.", "day": days_ahead(readings["burned_on"]), "twin": self._twin(readings)}.items():
            if doubt and self._asking.first(what):
                return [Remark("fault", f"Not saved yet: {doubt} Press {self.save.description} again to save it so.")]
        if self._correcting:
            return self._corrected(readings)
        file = jobs.save(readings, self.book)
        said = [saved(len(readings), file), *self._put_away()]
        self._next()
        self._list_saved()
        self._then()
        return said

    def _corrected(self, readings: pd.DataFrame) -> list[Remark]:
        """Show what changes in a saved job once, else write it; return what to say of it."""
        job, before, after = self._correcting.burn, self._correcting.readings, jobs.check(readings, [self.row["species"]])
        changes = [words.replace("Swatch", "Recess", 1) for words in draft.changes(before, after)]
        if any(draft.word(before[name].iloc[0]) != draft.word(after[name].iloc[0]) for name in _PROMISED):
            changes.append("Made from: another row of a card")
        if not changes:
            return [Remark("plain", f"Nothing of job {job} has changed since it was saved.")]
        if self._asking.first("changes"):
            return [Remark("fault", "Not saved yet; press Save correction again to save these changes."), *(Remark("plain", words) for words in changes)]
        file = jobs.correct(readings, self.book, self._correcting.seen)
        said = [saved(len(readings), file, more=f" As it was, job {job} stays in history/jobs. If it is in the fit, its burn was corrected with it: "
                      "run the pages again."), *self._started_empty()]
        self._then()
        return said

    def _correct(self, _) -> None:
        self.said.value = as_html(attempt(self._asked_or_opened, lambda error: in_words(error, _FAULT_LABELS), self.book / "jobs", "Not opened."))

    def _asked_or_opened(self) -> list[Remark]:
        """Put a saved job into the boxes; ask first where something is typed that is not saved."""
        job = self._chosen()
        if self.boxes["readings"].value.strip() and self._asking.first("open"):
            return [Remark("fault", "What is typed here is not saved. Press Correct it again to put it away; its draft stays in the journal.")]
        found = draft.saved_job(self.book, job)
        hindered = self._started_empty()
        self._hold(found)
        row = found.readings.iloc[0]
        self._fill({"card": self.promises.index[-1], "burn": job, "burned_on": f"{row['burned_on']:%Y-%m-%d}", "board": row["board"],
                    "readings": " ".join(f"{depth:.9g}" for depth in found.readings["depth_mm"]), "unit": "mm",
                    "gauge_step": f"{row['gauge_step_mm']:g} mm", "note": row["note"]})
        return [*hindered, Remark("plain", f"Job {job} as it was saved: correct it, and press Save correction. Start empty leaves it as it is.")]

    def _chosen(self) -> str:
        if not self.saved_job.value:
            raise ValueError("Choose a saved job first.")
        return self.saved_job.value

    def _hold(self, found: draft.Saved) -> None:
        """Make a saved job the one that is corrected: its promise can be chosen, its id cannot be changed."""
        self._correcting, row = found, found.readings.iloc[0]
        own = {name: row.get("promised_for" if name == "board" else name, np.nan) for name in self._cards}
        self._offer(pd.concat([self._cards, pd.DataFrame([own])], ignore_index=True))

    def _offer(self, promises: pd.DataFrame) -> None:
        """Let these promises be chosen, and name the button after what it does now."""
        self._filling, self.promises = True, promises
        self.boxes["card"].options, self.boxes["card"].value = self._offered(), None
        self.boxes["burn"].disabled, self.save.description = self._correcting is not None, "Save correction" if self._correcting else "Save job"
        self._filling = False

    def _fill(self, texts: dict) -> None:
        self._filling = True
        for name, text in texts.items():
            self.boxes[name].value = text
        self._filling = False
        self._say()

    def _take_back(self, _) -> None:
        self.said.value = as_html(attempt(self._asked_or_taken_back, lambda error: in_words(error, _FAULT_LABELS), self.book / "jobs", "Not taken back."))

    def _asked_or_taken_back(self) -> list[Remark]:
        job = self._chosen()
        if self._asking.first("back"):
            return [Remark("fault", f"Press Take it back again, and job {job} counts no more: its file goes into history/jobs, and stays there.")]
        folder = jobs.take_back(self.book, job, jobs.version(self.book, job))
        if self._correcting and self._correcting.burn == job:
            self._started_empty()
        self._list_saved()
        self._then()
        return [Remark("saved", f"Taken back: job {job}. Its file stays in {folder.resolve()}. Run the page again: it counts without it.")]

    def _list_saved(self) -> None:
        """List the saved jobs, the last one first."""
        files = sorted((self.book / "jobs").glob("*.csv"), key=lambda file: file.stat().st_mtime_ns, reverse=True)
        self.saved_job.options = [("choose…", ""), *((file.stem, file.stem) for file in files)]

    def _twin(self, readings: pd.DataFrame) -> str:
        """Say which saved job has these readings to the last digit on that board; mostly nothing."""
        depths = sorted(readings["depth_mm"].round(4))
        for job, rows in jobs.read(self.book).groupby("burn", sort=False):
            other = self._correcting is None or job != self._correcting.burn
            if other and sorted(rows["depth_mm"].round(4)) == depths and (rows["board"] == readings["board"].iloc[0]).all():
                return (f"these are the readings of job {job} to the last digit, on the same board: the same piece? Two jobs of one piece count twice. "
                        f"To correct {job}, choose it under Saved job.")
        return ""

    def _next(self) -> None:
        """Make the boxes ready for the next piece of the same board; the piece that was saved may still be accepted."""
        self._saved = self.boxes["burn"].value.strip()
        taken = {file.stem.casefold() for file in (self.book / "jobs").glob("*.csv")}
        self._fill({"burn": next_id(self._saved, taken), "readings": "", "note": ""})

    def _accept(self, _) -> None:
        # With no readings typed, the piece at hand is the one saved last.
        job = self.boxes["burn"].value.strip() if self.boxes["readings"].value.strip() or not self._saved else self._saved
        try:
            if (fade := self._faded(job)) and self._asking.first("accept"):
                self._tell(("fault", "Not accepted yet; press Accept into the fit again if you know the cause and it stays."), ("doubt", fade))
                return
            file = jobs.accept(self.book, job)
        except (OSError, ValueError) as error:
            self._tell(("fault", str(error)))
        else:
            self._tell(("saved", f"Job {job} is in the fit now, as {file.resolve()}. Fit again to see it."))

    def _faded(self, job) -> str:
        """Return the drift check's words where this job is off with all since some job."""
        found = drift.check(jobs.read(self.book), log=machinelog.read(self.book))
        # As objects, since without any job the two tables' empty columns differ in kind.
        both = found.jobs.astype(object).merge(found.table.astype(object), on=drift.MODULE)
        # Off from the first job on may be a lens fogged before it: no more for the fit than a fade.
        off = both["reason"].isin(["fade", "first"]) & (both["finished_on"] >= both["since_on"])
        words = both.loc[off & (both["job"] == job), "words"]
        return words.iloc[0] if len(words) else ""

    def _clear(self, _) -> None:
        self.said.value = as_html(self._started_empty())

    def _started_empty(self) -> list[Remark]:
        """Put what is typed away, and begin anew; return what hinders it."""
        card = self.boxes["card"].value
        if self._correcting:
            self._correcting, card = None, 0
            self._offer(self._cards)
        hindered = self._put_away()
        self._fill({"card": card or 0} | {name: self._start(name) for name in set(LABELS) - {"card", "unit"}})
        return hindered

    def _put_away(self) -> list[Remark]:
        """Close the draft; return what hinders it."""
        return [Remark("doubt", said)] if (said := self._draft.put_away()) else []

    def _tell(self, *said) -> None:
        self.said.value = as_html([Remark(*one) for one in said])
