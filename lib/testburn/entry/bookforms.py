"""Book forms: what of a lab book is put right or added to beside its burns and orders, each by a small form.

Decides which boxes set a reading aside and take it back, retire burns and take them back, add to the machine's log, add a wood, and
record a second pass; and what is said while they are filled in: which readings and burns are meant, as they stand in the book, what a
wood is called here, and with which second pass a piece is mended. All of it is written by `labbook`, which keeps what was there.
"""

import datetime
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from testburn import energy, labbook
from testburn.depthfit import suspects
from testburn.entry.remarks import Remark
from testburn.entry.smallform import Box, SmallForm, taking_back
from testburn.entry.typed import length_mm, lengths_mm, short, speed_mm_s
from testburn.job import Job, firstpiece, outcome
from testburn.labbook import columns, jobs, machinelog, woods

_AFTER = "Run the page again to see it."
_STRUCK, _RETIRED, _LOG, _WOOD, _SECOND = ({field.name: field for field in fields} for fields in (
    columns.STRUCK, columns.RETIRED, columns.LOG, woods.FIELDS, columns.SECOND_PASSES))
_MEASURED = replace(columns.BY_NAME["depth_mm"], required=False)
_DEPTHS_AFTER = replace(columns.BY_NAME["depth_mm"], name="depths_mm", many=True)
# A depth after a second pass so many sd off what was to be expected is asked about.
_UNLIKELY = 3.0


def set_aside_form(book: str | Path, scratch: bool = False) -> SmallForm:
    """Return a form that sets a reading aside, and takes it back, with a reason.

    Parameters
    ----------
    book : path
        The lab book.
    scratch : bool
        The folder is a copy of the demo lab book: say so.
    """
    def aside(form, said):
        if reason := _struck(form, said):
            raise ValueError(f"This reading is set aside already: {reason}.")
        labbook.strike(form.book, **said)
        return _done(f"Set aside: {_reading(said)}. It stays in its burn, and out of the fits.")

    def back(form, said):
        labbook.take_back(form.book, **said)
        return _done(f"Taken back: {_reading(said)} counts again.")

    line = (Box(_STRUCK["burn"], "Burn", offered=_burns(book)), Box(_STRUCK["swatch"], "Swatch", width="90px"),
            Box(_STRUCK["reading"], "Reading", width="90px"), Box(_STRUCK["reason"], "Why", width="260px"))
    return SmallForm(book, scratch, "set-aside", "strikes.csv", {"Reading": line}, {"Set aside": aside, "Take back": back},
                     _readings_meant)


def retire_form(book: str | Path, scratch: bool = False) -> SmallForm:
    """Return a form that retires the burns of a module before a day, and takes them back, with a reason; see `set_aside_form`."""
    def retire(form, said):
        count = len(_burns_meant(form)[0])
        machinelog.retire(form.book, said["before"], said["reason"], said["module"] or "")
        return _done(f"Retired: {count} burn{'s' * (count != 1)} of {said['module'] or 'every module'} before {said['before']}. "
                     "They stay where they are, and out of the fits.")

    def back(form, said):
        machinelog.take_back(form.book, said["before"], said["reason"], said["module"] or "")
        return _done(f"Taken back: the burns of {said['module'] or 'every module'} before {said['before']} count again.")

    line = (Box(_RETIRED["module"], "Module, empty: every one", offered=modules(book), read=module_named, width="190px"),
            Box(_RETIRED["before"], "Burned before"), Box(_RETIRED["reason"], "Why", width="260px"))
    return SmallForm(book, scratch, "retired", "retired.csv", {"Burns": line}, {"Retire": retire, "Take back": back},
                     lambda form: _burns_meant(form)[1])


def log_form(book: str | Path, scratch: bool = False) -> SmallForm:
    """Return a form that adds to the machine's log; see `set_aside_form`."""
    def add(form, said):
        if (doubts := log_doubts(form)) and form.asking.first():
            raise ValueError(" ".join([*(doubt.text for doubt in doubts), "Press Add to the log again to write it so."]))
        machinelog.add(form.book, said["day"], said["done"], said["module"] or "", said["note"] or "", said["new_state"] or "",
                       invented=form.scratch)
        return _done(f"In the log: {said['day']}, {said['done']}, {said['module'] or 'every module'}.")

    states = (("yes, it may burn otherwise now", ""), ("no, nothing can have changed", "no"))
    line = (Box(_LOG["day"], "Day", datetime.date.today().isoformat()), Box(_LOG["done"], "What was done"),
            Box(_LOG["module"], "Module, empty: every one", offered=modules(book), read=module_named, width="190px"),
            Box(_LOG["new_state"], "A new state", choices=states, width="270px"), Box(_LOG["note"], "Note", width="240px"))
    return SmallForm(book, scratch, "log", machinelog.FILE, {"Work": line}, {"Add to the log": add}, log_doubts,
                     taking_back(machinelog.FILE, columns.LOG))


def wood_form(book: str | Path, scratch: bool = False) -> SmallForm:
    """Return a form that adds a wood, or says what it is called already; see `set_aside_form`."""
    def add(form, said):
        known = [name for name in woods.called(said["species"], woods.of(form.book).index) if name.casefold() != said["species"].casefold()]
        if known and form.asking.first():
            raise ValueError(f"Perhaps it is in the list already, as {' or '.join(known)}: choose that where a wood is chosen. One wood under two "
                             "names has two curves, each from half its burns. Press Add wood again to add it all the same.")
        woods.add(form.book, {name: form.text(name) if value is None or isinstance(value, str) else f"{value:g}" for name, value in said.items()})
        return [Remark("saved", f"Added: {said['species']}. Run the page again: its boxes offer it.")]

    wide = "240px"
    lines = {"Wood": (Box(_WOOD["species"], "Wood", width=wide), Box(_WOOD["specific_gravity_12pct"], "Specific gravity at 12 %", width="170px"),
                      Box(_WOOD["source"], "Where that stands", must=True, width="300px")),
             "Optional": (Box(_WOOD["botanical_name"], "Botanical name", width=wide), Box(_WOOD["dust_caution"], "What its dust asks for", width="300px"),
                          Box(_WOOD["shrinkage_radial_pct"], "Shrinks radially, %"),
                          Box(_WOOD["shrinkage_tangential_pct"], "Shrinks tangentially, %", width="170px"),
                          Box(_WOOD["shrinkage_obtained"], "Where these stand", width="170px"))}
    return SmallForm(book, scratch, "wood", "woods.csv", lines, {"Add wood": add}, _wood_meant)


def _wood_meant(form) -> list[Remark]:
    """Say what a wood is called here; where the handbook has it and the book has not, its row is filled in."""
    name = form.text("species")
    if not name:
        return []
    own, handbook = woods.of(form.book), woods.read()
    if name.casefold() in map(str.casefold, own.index):
        return [Remark("doubt", f"{name} is in the list already: choose it where a wood is chosen.")]
    if known := woods.called(name, own.index):
        said = " or ".join(f"{one} ({own.at[one, 'botanical_name']}, {own.at[one, 'specific_gravity_12pct']:.2f})" for one in known)
        return [Remark("doubt", f"Perhaps this is {said}, which is in the list already: choose that name where a wood is chosen.")]
    if not (known := woods.called(name, handbook.index)):
        return [Remark("plain", "Not in the handbook's list here: look its specific gravity at 12 % moisture up, and say where it stands.")]
    row = handbook.loc[known[0]]
    filled = form.offer({column: f"{row[column]:g}" if isinstance(row[column], float) else row[column] for column in _WOOD if column in row})
    return [Remark("plain", f"The handbook has {known[0]} ({row['botanical_name']})" + ": what stands there is filled in where nothing stood." * filled)]


def second_pass_form(book: str | Path, job: Job, scratch: bool = False) -> SmallForm:
    """Return a form that says with which second pass a piece is mended, and records what it gave; its `look_again` reads the book anew.

    Parameters
    ----------
    book : path
        The lab book.
    job : Job
        The open order's, whose window and board count.
    scratch : bool
        The folder is a copy of the demo lab book: say so.
    """
    speed, offered = job.machine.units.of("speed_mm_s"), {"speed_mm_s": ""}

    def starts():
        piece = _shallow_piece(book, job)
        offered["speed_mm_s"] = speed.text(job.top_up(*_first_pass(book, piece))["speed_mm_s"]) if piece else ""
        return {"job": piece, **offered}, ""

    def look(form):
        try:
            said, suggested = _second_pass_said(form, job)
        except (LookupError, OSError, ValueError) as wrong:
            return [Remark("fault", line) for line in str(wrong).splitlines()]
        text = speed.text(suggested) if suggested else ""
        if text != offered["speed_mm_s"] and form.text("speed_mm_s") in ("", offered["speed_mm_s"]):
            form.boxes["speed_mm_s"].value = text
        offered["speed_mm_s"] = text
        return said

    def save(form, said):
        if (doubt := _second_pass_doubt(form, job, said)) and form.asking.first():
            raise ValueError(f"{doubt} Press Save second pass again to write it so.")
        del said["depth_mm"]
        file = jobs.add_second_pass(form.book, **said | {"recess": said["recess"] or "", "note": said["note"] or ""}, invented=form.scratch)
        finished = jobs.second_passes(form.book)
        row = finished[finished["job"] == said["job"]].iloc[-1]
        return [Remark("saved", f"Saved: {said['job']}: {row['before_mm']:.2f} mm, then {row['depth_mm']:.2f} mm after a second pass"
                       f"{_in_window(job, row['depth_mm'])}. It stands in {file.resolve()}. Run the page again: the next second pass counts with it.")]

    lines = {"Before": (Box(_SECOND["job"], "Piece (its job id)", offered=_pieces(book, job), width="230px"),
                        Box(_SECOND["recess"], "Recess, if several", width="130px"), Box(_MEASURED, "Or measured, mm", read=length_mm)),
             "After": (Box(_SECOND["speed_mm_s"], f"Second pass, {speed.name}", read=lambda text: speed_mm_s(text, speed.name)),
                       Box(_DEPTHS_AFTER, "Readings after, mm", read=lengths_mm, width="220px"),
                       Box(_SECOND["gauge_step_mm"], "Gauge step, mm", "0.01", read=length_mm),
                       Box(_SECOND["day"], "Day", datetime.date.today().isoformat()), Box(_SECOND["note"], "Note", width="220px"))}
    return SmallForm(book, scratch, "second-pass", jobs.SECOND_FILE, lines, {"Save second pass": save}, look,
                     taking_back(jobs.SECOND_FILE, columns.SECOND_PASSES), starts)


def _first_pass(book, piece: str, recess: str = "") -> tuple[float, pd.Series]:
    """Return the depth of a finished job's recess before a second pass, and its setting, board and order."""
    own = jobs.read(book)
    own = own[own["burn"] == piece]
    if own.empty:
        raise ValueError(f"There is no finished job {short(piece)} yet: save the piece in the form above first; its readings are the depth before.")
    if len(several := own["swatch"].unique()) > 1 and recess not in several:
        raise ValueError(f"Job {piece} has the recesses {', '.join(several)}: name one of these.")
    own = energy.with_energy(own[own["swatch"] == recess] if recess else own)
    if own.empty:
        raise ValueError(f"Job {piece} has the recess {', '.join(several)}: name that, or none.")
    return float(own["depth_mm"].mean()), own.iloc[0]


def _pieces(book, job: Job) -> tuple[str, ...]:
    """Return the open order's finished pieces, the newest first; none where they cannot be read."""
    try:
        return tuple(dict.fromkeys(outcome.of(book, job.order).table["job"].iloc[::-1])) if job.order.file else ()
    except (OSError, ValueError):
        return ()


def _shallow_piece(book, job: Job) -> str:
    """Return the newest of the open order's pieces that is too shallow and had no second pass; mostly none."""
    if not job.order.file or job.trouble or job.recommended["passes"] != 1:
        return ""
    rows = outcome.of(book, job.order).table
    rows = rows[rows["first_mm"].isna() & (rows["depth_mm"] < job.window.at_least_mm) & ~rows.duplicated("job", keep=False)]
    return rows.sort_values("finished_on", kind="stable")["job"].iloc[-1] if len(rows) else ""


def _before(form, job: Job) -> tuple[float | None, pd.Series | None]:
    """Return what a piece measured before a second pass, and its first pass; of a measured depth that is no job the recommended one."""
    if piece := form.text("job"):
        measured, burned = _first_pass(form.book, piece, form.text("recess"))
        if burned["order"].casefold() != job.order.name.casefold():
            raise ValueError(f"Job {piece} is of the order {burned['order'] or '(none)'}: open that one to see its second pass. What it gave can be "
                             "saved here all the same.")
        return measured, burned
    return form.known("depth_mm"), None


def _second_pass_said(form, job: Job) -> tuple[list[Remark], float | None]:
    """Return what to say of what the boxes hold, and the speed to suggest."""
    measured, burned = _before(form, job)
    if measured is None:
        return [Remark("plain", "Choose the piece that is too shallow, or type its depth: its second pass is said here.")], None
    said = [Remark("saved", job.second_pass(measured, burned))]
    passes = (job.recommended if burned is None else burned)["passes"]
    if passes != 1 or measured >= job.window.at_least_mm:
        return said, None
    best, typed = job.top_up(measured, burned), form.known("speed_mm_s")
    if typed and abs(typed / best["speed_mm_s"] - 1) > 0.005 and form.text("speed_mm_s"):
        own = job.top_up(measured, burned, [typed])
        said.append(Remark("plain", f"At the speed typed, about {own['depth_mm']:.2f} mm; {firstpiece.of_100(own['chance_inside'])} land inside."))
    if depths := form.known("depths_mm"):
        mean = float(np.mean(depths))
        said.append(Remark("plain", f"Mean of {len(depths)}: {mean:.2f} mm{_in_window(job, mean)}."))
    return said, best["speed_mm_s"]


def _in_window(job: Job, depth_mm: float) -> str:
    low, high = job.ends_mm
    return f": {'inside' if low <= depth_mm <= high else 'outside'} the window {low:.2f} to {high:.2f} mm"


def _second_pass_doubt(form, job: Job, said: dict) -> str:
    """Say what of a second pass looks like a slip; mostly nothing."""
    mean = float(np.mean(said["depths_mm"]))
    if stray := suspects.stray(said["depths_mm"]):
        return f"{stray[0].upper()}{stray[1:]}."
    try:
        measured, burned = _before(form, job)
        after = job.top_up(measured, burned, [said["speed_mm_s"]])
    except (LookupError, ValueError):
        return ""
    if mean <= measured:
        return f"{mean:.2f} mm after the second pass is no deeper than the {measured:.2f} mm before it: is it that piece?"
    if abs(mean - after["depth_mm"]) > _UNLIKELY * after["sd_mm"]:
        return (f"{mean:.2f} mm is far from the {after['depth_mm']:.2f} mm to be expected at that speed: are unit and speed right, and was the piece "
                "not moved?")
    return ""


def _done(words: str) -> list[Remark]:
    return [Remark("saved", f"{words} {_AFTER}")]


def _reading(said) -> str:
    return f"burn {said['burn']}, swatch {said['swatch']}, reading {said['reading']}"


def _burns(book) -> tuple[str, ...]:
    """Return the burns of a lab book, the newest first."""
    return tuple(file.stem for file in sorted(Path(book).glob("burns/*.csv"), key=lambda file: -file.stat().st_mtime_ns))


def _readings(book, burn: str = "") -> pd.DataFrame:
    """Return the readings of a lab book, or of a burn; none where there are none, or they cannot be read."""
    file = Path(book) / "burns" / (f"{burn}.csv" if burn else "")
    try:
        return labbook.read(file if burn else book, as_typed=True)
    except (OSError, ValueError):
        return pd.DataFrame(columns=[*columns.BY_NAME, "struck_because"])


def _finished(book) -> pd.DataFrame:
    """Return a lab book's finished jobs; none where they cannot be read, as the page says elsewhere."""
    try:
        return jobs.read(book)
    except (OSError, ValueError):
        return pd.DataFrame(columns=["burned_on"])


def module_named(text: str) -> str:
    """Return what a module is called: a number alone is its watts."""
    watts = re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*[Ww]?", text.strip())
    return columns.module_name("", float(watts[1].replace(",", "."))) if watts else text.strip()


def modules(book) -> tuple[str, ...]:
    """Return what the modules of a lab book are called."""
    readings = _readings(book)
    return tuple(sorted({columns.module_name(*one) for one in zip(readings["module"], readings["module_w"])}))


def _struck(form, said) -> str:
    own = _readings(form.book, said["burn"])
    own = own[(own["swatch"] == said["swatch"]) & (own["reading"] == said["reading"])]
    return own["struck_because"].iloc[0] if len(own) else ""


def _readings_meant(form) -> list[Remark]:
    """Say which readings the boxes name, as they stand in the lab book."""
    burn, swatch = form.text("burn"), form.text("swatch")
    if burn not in _burns(form.book):
        return [Remark("doubt", f"There is no burn {burn}.")] if burn else []
    readings = _readings(form.book, burn)
    if readings.empty:
        return [Remark("fault", f"Burn {burn} cannot be read; the cells below say why.")]
    own = readings[readings["swatch"] == swatch]
    if own.empty:
        names = ", ".join(readings["swatch"].unique())
        return [Remark("doubt" if swatch else "plain", f"Burn {burn}, {readings['species'].iloc[0]}: its swatches are {names}.")]
    said = "; ".join(f"reading {row.reading}: {row.depth_mm:g} mm" + f" (set aside: {row.struck_because})" * bool(row.struck_because)
                     for row in own.itertuples())
    return [Remark("plain", f"Swatch {swatch}, burned at {own['speed_mm_s'].iloc[0]:.4g} mm/s. {said}.")]


def _burns_meant(form) -> tuple[list[str], list[Remark]]:
    """Return the burns that the boxes name, and what to say of them."""
    before, module, readings = form.known("before"), module_named(form.text("module")), _readings(form.book)
    if before is None or readings.empty:
        return [], []
    own = readings[columns.of_module(readings, module) & (readings["burned_on"] < pd.Timestamp(before)).to_numpy()]
    burns = list(own["burn"].unique())
    if not burns:
        names = ", ".join(modules(form.book))
        return [], [Remark("doubt", f"No burn of {module or 'any module'} is from before {before}. Modules are: {names}.")]
    out = own[own["struck_because"].str.startswith("retired: ")]["burn"].nunique()
    named = ", ".join(burns[:6]) + " …" * (len(burns) > 6)
    return burns, [Remark("plain", f"{len(burns)} burn{'s' * (len(burns) != 1)}, {len(own)} readings: {named}."
                          + (f" Retired now: {out} of them." if out else ""))]


def log_doubts(form) -> list[Remark]:
    """Say what of an entry would do nothing, or looks like a slip."""
    day, module, names = form.known("day"), module_named(form.text("module")), modules(form.book)
    said = []
    if module and module not in names:
        said.append(f"No burn is of the module {module}: the entry would be about none of them. Modules are: {', '.join(names) or 'none yet'}.")
    if day and any((pd.to_datetime(made["burned_on"]) == pd.Timestamp(day)).any() for made in (_readings(form.book), _finished(form.book))):
        said.append("Burns or finished jobs are of that very day: they are taken to be made after this work. If they were made before it, date the "
                    "work a day later.")
    return [Remark("doubt", words) for words in said if words]
