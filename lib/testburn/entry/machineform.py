"""Machine form: what the machine can be set to, and what is measured on it and on its gauge, as boxes.

Decides which lines of machine.toml stand in boxes, in which unit each is typed, and what is said of them; that only
those lines are written whose box was changed, and everything else of the file stays; and that a timed run is judged,
together with those there are, by what reads it before it is written. Beside it stand the sheet of
a gauge's readings, the burns that are ladders of powers to choose from, and the ladder of focus, whose answer goes into the log.
"""

import datetime
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import ipywidgets as widgets
import numpy as np
import pandas as pd

from testburn import drift, energy
from testburn.depthfit import DepthFit, Repeatability, fit as fitted, states, suspects
from testburn.entry import boxes, typed
from testburn.entry.bookforms import log_doubts, module_named, modules
from testburn.entry.boxes import STYLE, as_html, keys, message
from testburn.entry.grid import units_of
from testburn.entry.remarks import Remark
from testburn.entry.smallform import Box, SmallForm, several, taking_back
from testburn.entry.typed import short
from testburn.labbook import Machine, ReadingsError, columns, machine, machinelog, tomlfile
from testburn.sweep import timedruns
from testburn.units import SPEEDS, split

_FIELD = {field.name: field for field in machine.FIELDS} | {field.name: field for one in machine.FIELDS if one.name == "units" for field in one.of}
_WIDEST_MM = 10
# Larger ones are asked about where they may be of another unit.
_LARGE_MM_S = {"min_speed_mm_s": 20, "max_speed_mm_s": 1000, "speed_step": 5, "travel_speed_mm_s": 1000}
_DEEP_MM, _COARSE_MM = 5.0, 0.1
_UNITS = ("speed", "spacing", "power_out_of")
_SHEET, _LOG = ({field.name: field for field in fields} for fields in (columns.REPEATS, columns.LOG))
_DEPTHS = replace(columns.BY_NAME["depth_mm"], name="depths_mm", many=True)


def _mm_s(text: str) -> float:
    return typed.speed_mm_s(text, "mm/s")


def _mm(text: str) -> float:
    return typed.length_mm(text, "mm")


def _pitches_mm(text: str) -> list[float]:
    """Return typed pitches in mm; a unit behind the last, lines per inch, is that of all."""
    others, last = re.fullmatch(r"(.*[;\s](?=[\d.,]))?(.*)", text.strip("[] "), re.DOTALL).groups()
    number, unit = split(last, "line_pitch_mm")
    values = several(f"{others or ''} {number}")
    if unit is None and max(values, default=0) > _WIDEST_MM:
        raise ValueError(f"a pitch of {max(values):g} mm is none. For lines per inch write {short(text)} lines per inch")
    return [round(unit.back(value), 9) for value in values] if unit else values


def _step(text: str) -> str:
    """Return a typed step with its unit, as machine.toml has it; in mm/s without one."""
    number, unit = split(text, "speed_mm_s")
    return f"{typed.number(number):g} {unit.name if unit else 'mm/s'}"


# How much work on the machine may change it: a table of the file, a line of boxes.
_STATE = {field.name: field for one in machine.FIELDS if one.name == "state" for field in one.of}
_LINES = {
    "Control": {"speed": ("Speeds are set in", None), "spacing": ("Pitch is set in", None), "power_out_of": ("Full power is", None)},
    "Speeds": {"min_speed_mm_s": ("Lowest, mm/s", _mm_s), "max_speed_mm_s": ("Highest, mm/s", _mm_s), "speed_step": ("Step, with its unit", _step),
               "travel_speed_mm_s": ("Beam off, mm/s", _mm_s)},
    "Settings": {"powers_pct": ("Powers, %", None), "line_pitches_mm": ("Pitches, mm", _pitches_mm), "passes": ("Passes", None)},
    "Head": {"acceleration_mm_s2": ("Acceleration, mm/s²", None), "turn_overhead_s": ("A turn besides, s", None),
             "skips_blanks": ("Hurries over gaps", None), "runs_up_outside": ("Runs up off the wood", None)},
    "Heights": {"clearance_mm": ("Support to nose, mm", _mm), "support_height_mm": ("Support, mm", _mm), "focus_gap_mm": ("Nose to face, mm", _mm),
                "focus_travel_mm": ("Module moves, mm", _mm)},
    "After work": {f"{done.replace(' ', '_')}_pct": (f"{done.capitalize()}, %", None) for done in columns.DONE},
}


def machine_form(book: str | Path, scratch: bool = False) -> SmallForm:
    """Return a form that changes machine.toml: units, limits, head, heights, and what work on it may change.

    Parameters
    ----------
    book : path
        The lab book.
    scratch : bool
        The folder is a copy of the demo lab book: say so.
    """
    lines = {title: tuple(Box((_FIELD | _STATE)[name], label, read=read, width="190px" if name in ("speed_step", "spacing") else "150px")
                          for name, (label, read) in line.items()) for title, line in _LINES.items()}
    return SmallForm(book, scratch, "machine", machine.FILE, lines, {"Save machine": _save}, _heights_and_speeds, starts=lambda: _as_typed(book))


def _as_typed(book) -> tuple[dict, str]:
    """Return what machine.toml says as it stands in the boxes, and the file's mark."""
    said, mark = Machine.said(book)
    flat = {name: value for name, value in said.items() if not isinstance(value, dict)} | said.get("units", {}) | said.get("state", {})
    if "speed_step_mm_s" in flat and "speed_step" not in flat:
        flat["speed_step"] = f"{flat['speed_step_mm_s']:g} mm/s"
    return {name: tomlfile.written(flat[name]) for line in _LINES.values() for name in line if name in flat}, mark


def _save(form, said: dict) -> list[Remark]:
    """Write the lines whose boxes were changed."""
    changed = {name: value for name, value in said.items() if form.text(name) != form.start[name]}
    if not changed:
        return [Remark("plain", "Nothing has changed since it was saved.")]
    if (bare := _bare_speeds(form, changed)) and form.asking.first("unit"):
        raise ValueError(f"{bare} Press Save machine again to write it so.")
    if "speed_step" in changed:
        number, _, unit = (changed["speed_step"] or "").partition(" ")
        changed |= {"speed_step_mm_s": float(number), "speed_step": None} if unit == "mm/s" else {"speed_step_mm_s": None}
    tables = {table: {name: changed.pop(name) for name in names if name in changed} for table, names in (("units", _UNITS), ("state", _STATE))}
    file = Machine.change(form.book, changed | {table: lines for table, lines in tables.items() if lines}, form.seen)
    doubts = Machine.read(file).doubts()
    return [Remark("saved", f"Saved: {file.resolve()}. Run the pages again: they count with it."), *(Remark("doubt", words) for words in doubts)]


def _bare_speeds(form, changed: dict) -> str:
    """Say which speeds are typed without a unit, and large for mm/s, where the control is set in another; mostly nothing."""
    control = form.text("speed") or "mm/s"
    found = [f"{form.labels[name]} '{form.text(name)}'" for name, most in _LARGE_MM_S.items() if name in changed and changed[name]
             and split(form.text(name), "speed_mm_s")[1] is None and typed.number(form.text(name)) > most]
    return f"{', '.join(found)}: without a unit it is mm/s, and your control is set in {control}. Write the unit behind it." * bool(found and control != "mm/s")


def _heights_and_speeds(form) -> list[Remark]:
    """Say what stands in for what is not said, and what the speeds are in the control's unit."""
    speeds = {name: form.known(name) for name in ("min_speed_mm_s", "max_speed_mm_s")}
    usual = {"min_speed_mm_s": Machine.min_speed_mm_s, "max_speed_mm_s": Machine.max_speed_mm_s}
    low, high = (value or usual[name] for name, value in speeds.items())
    unit = SPEEDS.get(form.text("speed"), SPEEDS["mm/s"])
    said = [Remark("plain", f"Speeds run from {unit.words(low)} to {unit.words(high)}"
                   + (", where nothing is said." if None in speeds.values() else "."))]
    if high < low:
        said.append(Remark("fault", "The lowest speed is above the highest."))
    if not form.text("acceleration_mm_s2"):
        said.append(Remark("doubt", "Without the acceleration minutes are a range: time two rectangles, and page 8 works it out."))
    usual = ", ".join(f"{pct:g} after {done}" for done, pct in columns.DONE.items() if not form.text(f"{done.replace(' ', '_')}_pct"))
    said.append(Remark("plain", "After work: by how many percent less or more energy may reach the wood then."
                       + f" Where nothing is said it is {usual} (our own judgement)." * bool(usual)))
    return said


def timed_form(book: str | Path, scratch: bool = False) -> SmallForm:
    """Return a form that adds a timed rectangle, and puts what all of them say into machine.toml; see `machine_form`."""
    units, field = units_of(book), {one.name: one for one in timedruns.FIELDS}
    speed, pitch = units.of("speed_mm_s"), units.of("line_pitch_mm")
    lines = {"Run": (Box(field["run"], "Run"), Box(replace(field["timed_on"], kind="date"), "Timed on", datetime.date.today().isoformat()),
                     Box(field["width_mm"], "Line length, mm", read=_mm), Box(field["height_mm"], "Across the lines, mm", read=_mm, width="160px")),
             "Setting": (Box(field["speed_mm_s"], f"Speed, {speed.name}", read=lambda text: typed.speed_mm_s(text, speed.name)),
                         Box(field["line_pitch_mm"], f"Pitch, {pitch.name}", read=lambda text: typed.pitch_mm(text, pitch.name), width="190px"),
                         Box(field["passes"], "Passes", "1", width="90px"), Box(field["seconds"], "Stopwatch, s or min:s", read=_seconds, width="170px"))}
    return SmallForm(book, scratch, "timed", timedruns.FILE, lines, {"Add run": _add_run}, further={"Put into machine.toml": _put} | taking_back(timedruns.FILE, timedruns.FIELDS),
                     starts=lambda: (_next_run(book, pitch), ""))


def _seconds(text: str) -> float:
    """Return the seconds of a stopwatch: 115, or 1:55."""
    minutes, colon, seconds = text.rpartition(":")
    return 60 * (typed.number(minutes) if colon else 0) + typed.number(seconds)


def _next_run(book, pitch) -> dict[str, str]:
    """Return a name for the next run, and what of the last one stays as it is."""
    runs = timedruns.read(book)
    start = {"run": next(name for number in range(len(runs) + 1, 2 * len(runs) + 3) if (name := f"run-{number}") not in set(runs["run"]))}
    if runs.empty:
        return start
    last = runs.iloc[-1]
    return start | {name: tomlfile.written(last[name]) for name in ("width_mm", "height_mm", "passes")} | {"line_pitch_mm": pitch.text(last["line_pitch_mm"])}


def _add_run(form, said: dict) -> list[Remark]:
    run = said | {"timed_on": str(said["timed_on"] or ""), "invented": "yes" if form.scratch else ""}
    runs = pd.concat([timedruns.read(form.book).astype(object), timedruns.one(run).astype(object)], ignore_index=True)
    try:
        found = timedruns.of(runs, Machine.of(form.book))
    except ReadingsError:
        raise
    except ValueError as contradiction:
        if form.asking.first():
            raise ValueError(f"{contradiction} Press Add run again to write it all the same.") from None
        found = str(contradiction)
    timedruns.add(form.book, run)
    words = found if isinstance(found, str) else found.words
    return [Remark("saved", f"Added: {said['run']}, {said['seconds']:g} s."), Remark("plain", words)]


def _put(form) -> list[Remark]:
    """Put what the runs say into machine.toml."""
    found = timedruns.from_book(form.book, Machine.of(form.book))
    if isinstance(found, str):
        raise ValueError(found)
    lines = {"acceleration_mm_s2": round(found.acceleration_mm_s2), "turn_overhead_s": round(found.turn_overhead_s, 3)}
    file = Machine.change(form.book, lines)
    return [Remark("saved", f"In {file.resolve()}: " + ", ".join(f"{name} = {value:g}" for name, value in lines.items())
                   + ". Run the page again: its minutes count with them.")]


def repeats_form(book: str | Path, scratch: bool = False) -> SmallForm:
    """Return a form for a sheet of how a gauge repeats: one place, read ten times; see `machine_form`."""
    def save(form, said):
        if (stray := suspects.stray(said["depths_mm"])) and form.asking.first():
            raise ValueError(f"{stray[0].upper()}{stray[1:]}. A place read again and again scatters far less: correct it, or press Save sheet again.")
        mean, sd = np.mean(said["depths_mm"]), np.std(said["depths_mm"], ddof=1)
        if not stray and (mean > _DEEP_MM or sd > _COARSE_MM) and form.asking.first("unit"):
            raise ValueError(f"The mean is {mean:.3g} mm and the standard deviation {sd:.2g} mm: is that so? {mean:.3g} thousandths of an inch would be "
                             f"{energy.mm_from_inches(mean / 1000):.2f} mm. Correct it, or press Save sheet again.")
        file = machinelog.add_repeats(form.book, said["day"], said["depths_mm"], said["gauge_step_mm"], said["gauge"] or "", said["note"] or "",
                                      invented=form.scratch)
        words = Repeatability.of(machinelog.repeats(form.book)).words
        return [Remark("saved", f"In {file.resolve()}: {words} Run the pages again: they count with it.")]

    line = (Box(_DEPTHS, "Ten depths of one place, mm", read=typed.lengths_mm, width="360px"), Box(_SHEET["gauge_step_mm"], "Gauge step, mm", "0.01",
            read=_mm), Box(_SHEET["gauge"], "Gauge, with its tip", width="170px"), Box(_SHEET["day"], "Day", datetime.date.today().isoformat()),
            Box(_SHEET["note"], "Note"))
    return SmallForm(book, scratch, "repeats", machinelog.GAUGE_FILE, {"Sheet": line}, {"Save sheet": save}, _sheet_so_far,
                     taking_back(machinelog.GAUGE_FILE, columns.REPEATS, ("day", "gauge")))


def _sheet_so_far(form) -> list[Remark]:
    """Say what the readings typed so far come to."""
    depths = form.known("depths_mm") or []
    if len(depths) < machinelog.FEWEST_REPEATS:
        return [Remark("plain", f"{len(depths)} readings: ten are asked for, {machinelog.FEWEST_REPEATS} at the least.")] if depths else []
    said = [Remark("plain", f"{len(depths)} readings: mean {np.mean(depths):.3f} mm, standard deviation {np.std(depths, ddof=1):.4f} mm.")]
    if stray := suspects.stray(depths):
        said.append(Remark("doubt", f"{stray[0].upper()}{stray[1:]}."))
    return said


def ladder_choice(fit: DepthFit, past: states.Past | None = None) -> widgets.VBox:
    """Return a list of the burns that are ladders of powers to choose from, and what the chosen one says.

    Parameters
    ----------
    fit : DepthFit
    past : Past, optional
        As the fit was made with.
    """
    ladders, said = drift.power_ladders(fit.readings), message()
    if not ladders:
        return message(Remark("plain", "No burn of the lab book is a ladder of powers: four or more at one speed on one board. Burn the sheet above, "
                              "enter it on page 3, and run this page again."))

    def said_of(name: str) -> str:
        own = fit.readings["burn"] == name
        try:
            found = drift.power_check(fitted(fit.readings[~own], past), fit.readings[own])
            return as_html([Remark("doubt" if found.verdict == "not proportional" else "saved", found.words)])
        except (LookupError, ValueError) as wrong:
            return as_html([Remark("fault", str(wrong))])

    def show(name: str) -> None:
        said.value = said_of(name) if name else ""

    return boxes.chooser("Ladder of powers (a burn)", {name: name for name in ladders}, show, said)


def focus_form(book: str | Path, fit: DepthFit, choice: pd.Series, scratch: bool = False, offsets_mm: Sequence[float] = (-2, -1, 0, 1, 2)) -> SmallForm:
    """Return a form for the depths of a focus ladder, which says where the recess is deepest and writes it into the log; see `machine_form`.

    Parameters
    ----------
    fit : DepthFit
        Its scatter is taken.
    choice : Series
        The setting that was burned, with its module.
    offsets_mm : sequence of float
        Below the face positive; others may be typed.
    """
    offset = replace(columns.BY_NAME["focus_offset_mm"], remedy="Use mm, + below the face and - above it.")
    lines = {f"Swatch {one}": (Box(replace(offset, name=f"offset_{one}"), f"Focus {one}, mm", f"{start:+g}" if start else "0", read=_mm, width="110px"),
                               Box(replace(_DEPTHS, name=f"depths_{one}", required=False), f"Depths {one}, mm", read=typed.lengths_mm, width="260px"))
             for one, start in enumerate(offsets_mm, start=1)}
    lines["Log"] = (Box(_SHEET["gauge_step_mm"], "Gauge step, mm", "0.01", read=_mm),
                    Box(_LOG["day"], "Module moved on", datetime.date.today().isoformat()),
                    Box(_LOG["module"], "Module, empty: every one", columns.module_name(choice["module"], choice["module_w"]), offered=modules(book), read=module_named, width="190px"))

    def refocused(form, said):
        found = _focus(form, fit, len(offsets_mm))
        if found is None or not found.note:
            raise ValueError(" ".join(["This ladder shows no deepest focus yet: there is nothing to write into the log.",
                                       *_focus_doubts(form, len(offsets_mm))]))
        doubts = [*_focus_doubts(form, len(offsets_mm)), *(doubt.text for doubt in log_doubts(form)), "That may be where the module stood already: write it only if it was moved." * found.at_home]
        if any(doubts) and form.asking.first():
            raise ValueError(" ".join([*filter(None, doubts), "Press Write as refocused again to write it so."]))
        machinelog.add(form.book, said["day"], "refocused", said["module"] or "", found.note, invented=form.scratch)
        return [Remark("saved", f"In the log: {said['day']}, refocused, {said['module'] or 'every module'}: {found.note}. That opens a new state: run "
                       "the page again, and burn the check board.")]

    return SmallForm(book, scratch, "focus", machinelog.FILE, lines, {"Write as refocused": refocused},
                     lambda form: _focus_said(form, fit, len(offsets_mm)))


def _focus(form, fit: DepthFit, swatches: int) -> drift.FocusCheck | None:
    """Return what the depths typed so far say; None where they are too few."""
    said = [(form.known(f"offset_{one}"), form.known(f"depths_{one}")) for one in range(1, swatches + 1)]
    rows = [(offset, depths) for offset, depths in said if offset is not None and depths]
    if len({offset for offset, _ in rows}) < drift.FEWEST_STEPS:
        return None
    return drift.focus_check(fit, *zip(*rows), form.known("gauge_step_mm") or 0.01)


def _focus_said(form, fit: DepthFit, swatches: int) -> list[Remark]:
    try:
        found = _focus(form, fit, swatches)
    except ValueError as wrong:
        return [Remark("fault", str(wrong))]
    if found is None:
        return [Remark("plain", f"Type the depths of {drift.FEWEST_STEPS} swatches or more: where the recess is deepest is said here.")]
    return [Remark("saved" if found.note else "doubt", found.words), *(Remark("doubt", words) for words in _focus_doubts(form, swatches)), *log_doubts(form)]


def _focus_doubts(form, swatches: int) -> list[str]:
    """Say which swatch of a ladder has no depths, and which depth strays from the others of its swatch."""
    depths = {f"Focus {form.text(f'offset_{one}')} mm": form.known(f"depths_{one}") for one in range(1, swatches + 1) if form.text(f"offset_{one}")}
    doubts = [f"{name}: no depths yet, so it does not count." for name, typed_mm in depths.items() if not typed_mm]
    return doubts + [f"{name}: {stray}." for name, typed_mm in depths.items() if typed_mm and (stray := suspects.stray(typed_mm))]
