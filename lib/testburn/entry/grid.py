"""Grid: what a maker types at the machine, as readings.

Decides how a depth is read, at once or as face and floor, how a burn's header and its grid of swatches become tidy
rows and rows become a filled form again, and how the faults the lab book finds are said in the
form's own words. Nothing is refused here: a cell that is no number goes on as it was typed, and
`labbook.check` names it. What was typed is a dict of texts (`HEADER` and "swatches"), so it can be
kept as JSON and given back.
"""

import itertools
import re
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from testburn.entry.typed import cell, depth_mm, length_mm, number, pitch_mm, power_pct, short, speed_mm_s
from testburn.labbook import Machine, ReadingsError, columns, csvfile
from testburn.units import Units

# What the header holds, as typed: a column's name where the text is that column's,
# its name without the unit where the unit is typed too.
HEADER = {
    "burn": "Burn id", "burned_on": "Day, year-month-day", "species": "Wood", "board": "Board",
    "module_w": "Module W", "wavelength_nm": "Wavelength nm", "module": "Module and lens", "speed_unit": "Speeds in",
    "power_pct": "Power", "power_unit": "Power in",
    "passes": "Passes", "line_spacing": "Pitch", "line_spacing_unit": "Pitch in",
    "depth_unit": "Depths in", "depth_as": "Gauge shows", "gauge_step": "Gauge step",
    "board_thickness": "Board thickness",
    "moisture_pct": "Moisture %", "focus_offset_mm": "Focus offset mm",
    "air_assist": "Air assist", "sweep_vs_grain": "Sweep to the grain", "note": "Note",
}
LABELS = HEADER | {
    "speed_mm_s": "Speed", "line_pitch_mm": "Pitch", "gauge_step_mm": "Gauge step",
    "board_thickness_mm": "Board thickness", "depth_mm": "Depth", "swatch": "Swatch",
    "reading": "Reading",
}
# Of what may be typed in another unit than a file's.
_REMEDY = {name: f"Type the {word} that was set, in the unit said above or with its own behind it."
           for name, word in (("speed_mm_s", "speed"), ("power_pct", "power"), ("line_pitch_mm", "pitch"))}
MOST_SWATCHES, MOST_READINGS, USUAL_SWATCHES = 200, 30, 6
DEPTH, FACE_AND_FLOOR = "the depth", "face, then floor"
# These belong to one board or one burn, so the next burn starts without them.
_NUMBERED = re.compile(r"(.*?)([0-9]{0,9})", re.DOTALL)
_NOT_REMEMBERED = ("burn", "burned_on", "board", "board_thickness", "moisture_pct", "note")



@dataclass(frozen=True)
class Swatch:
    """One row of the grid as typed; an empty `power` or `pitch` means the header's.

    `faces` are what the gauge showed on the face, where it shows face and floor; `depths` then are
    what it showed on the floor.
    """

    swatch: str
    speed: str = ""
    power: str = ""
    pitch: str = ""
    depths: tuple[str, ...] = ()
    faces: tuple[str, ...] = ()

    def readings(self, with_face: bool) -> list[tuple[int, tuple[str, ...]]]:
        """Return the number of each reading with the text, or two texts, that were typed for it."""
        count = max(len(self.depths), len(self.faces) if with_face else 0)
        pairs = [(place + 1, tuple(texts[place].strip() if place < len(texts) else ""
                                   for texts in (self.faces, self.depths)[not with_face:]))
                 for place in range(count)]
        return [pair for pair in pairs if any(pair[1])]

    def blank(self, with_face: bool = False) -> bool:
        """True where nothing but the swatch's id is there."""
        return not (self.speed.strip() or self.power.strip() or self.pitch.strip() or self.readings(with_face))


def with_face(typed: dict) -> bool:
    """True where each reading is typed as face and floor."""
    return typed.get("depth_as") == FACE_AND_FLOOR


def header_numbers(typed: dict) -> dict:
    """Return each number of the header: typed name → column, text, how it is read, its unit."""
    unit = typed.get("depth_unit") or "mm"
    set_in = set_units(typed)
    plain = [name for name in HEADER
             if name in columns.BY_NAME and columns.BY_NAME[name].kind in ("number", "integer")]
    found = {name: (name, typed.get(name, ""), number) for name in plain}
    return found | {
        "power_pct": ("power_pct", typed.get("power_pct", ""), power_pct, set_in["power_unit"]),
        "line_spacing": ("line_pitch_mm", typed.get("line_spacing", ""), pitch_mm, set_in["line_spacing_unit"]),
        "gauge_step": ("gauge_step_mm", typed.get("gauge_step", ""), length_mm, unit),
        "board_thickness": (
            "board_thickness_mm", typed.get("board_thickness", ""), length_mm, unit),
    }


def units_of(book: str | Path) -> Units:
    """Return the units of a lab book's machine; those of the files where machine.toml cannot be read."""
    try:
        return Machine.of(book).units
    except ValueError:
        return Units()


def set_units(typed: dict) -> dict[str, str]:
    """Return the units of speed, power and pitch that were typed; those of the files where none were."""
    files = units_typed(Units())
    return {name: typed.get(name) or files[name] for name in files}


def units_typed(units: Units) -> dict[str, str]:
    """Return units as they stand in the form's boxes."""
    return {"speed_unit": units.speed, "power_unit": units.power, "line_spacing_unit": units.spacing}


def as_readings(typed: dict, invented: bool = False) -> pd.DataFrame:
    """Return what was typed as tidy rows, one a depth; their columns are those of the lab book.

    Empty depths and blank swatches are passed over; a swatch with a setting but no depth gives one
    row without depth, so that the check speaks of it.
    """
    shared = {name: typed.get(name, "").strip() for name in HEADER if name in columns.BY_NAME}
    shared |= {column: cell(*text_read_unit)
               for column, *text_read_unit in header_numbers(typed).values()}
    shared["invented"] = "yes" if invented else ""
    rows = []
    both, unit, set_in = with_face(typed), typed.get("depth_unit") or "mm", set_units(typed)
    for swatch in swatches_of(typed):
        for reading, texts in [] if swatch.blank(both) else swatch.readings(both) or [(1, ("",))]:
            own = {"power_pct": (swatch.power, power_pct, set_in["power_unit"]),
                   "line_pitch_mm": (swatch.pitch, pitch_mm, set_in["line_spacing_unit"])}
            rows.append(shared | {name: cell(*said) for name, said in own.items() if said[0].strip()} | {
                "swatch": swatch.swatch, "reading": reading, "speed_mm_s": cell(swatch.speed, speed_mm_s, set_in["speed_unit"]),
                "depth_mm": cell(texts, depth_mm, unit)})
    return pd.DataFrame(rows, columns=[column.name for column in columns.COLUMNS])


def swatches_of(typed: dict) -> list[Swatch]:
    """Return the rows of the grid; what a row leaves out is empty."""
    return [Swatch(**{**row, "depths": tuple(row.get("depths", ())),
                      "faces": tuple(row.get("faces", ()))}) for row in typed.get("swatches", ())]


def remembered(readings: pd.DataFrame, units: Units = Units()) -> dict:
    """Return the header of the newest burn as it would be typed in the machine's units, without what was that board's."""
    if readings.empty:
        return {}
    newest = readings.sort_values(["burned_on", "burn"]).iloc[-1]
    said = {name: _said(newest[name]) for name in HEADER
            if name in newest.index and name not in _NOT_REMEMBERED}
    spoken = _spoken(newest.to_frame().T, units)
    boxes = {"power_pct": "power_pct", "line_pitch_mm": "line_spacing"}
    return said | units_typed(spoken) | {box: spoken.of(name).text(newest[name]) for name, box in boxes.items()} | {
                   "gauge_step": f"{_said(newest['gauge_step_mm'])} mm"}


def next_burn(readings: pd.DataFrame, units: Units = Units()) -> dict:
    """Return what the burn after the newest is offered: the header, the next id that is free, the same swatches at the same speeds.

    The swatches are those of the newest burn as `filled` has them, without depths, and empty ones up to the usual number; where it
    cannot hold them, none are offered.
    """
    if readings.empty:
        return {}
    newest = readings.sort_values(["burned_on", "burn"])["burn"].iloc[-1]
    offered = remembered(readings, units) | {"burn": next_id(newest, {name.casefold() for name in readings["burn"].unique()})}
    try:
        held = filled(readings[readings["burn"] == newest], units)
    except ValueError:
        return offered
    rows = [{name: row[name] for name in ("swatch", "speed", "power", "pitch") if name in row} for row in held["swatches"]]
    free = (str(number) for number in itertools.count(1) if str(number) not in {row["swatch"] for row in rows})
    rows += [{"swatch": next(free)} for _ in range(len(rows), USUAL_SWATCHES)]
    return offered | {name: held[name] for name in ("speed_unit", "power_unit", "power_pct")} | {"swatches": rows}


def next_id(burn: str, taken: set[str]) -> str:
    """Return the next id that is free: oak-10 after oak-09, oak-2 after oak."""
    stem, number = _NUMBERED.fullmatch(burn).groups()
    stem, width = (stem, len(number)) if number else (f"{stem}-", 1)
    following = (f"{stem}{count:0{width}d}" for count in itertools.count(int(number or 1) + 1))
    return next(name for name in following if name.casefold() not in taken)


def filled(rows: pd.DataFrame, units: Units = Units()) -> dict:
    """Return rows of the lab book, or of a plan, as what would have been typed for them.

    Parameters
    ----------
    rows : DataFrame
        One burn, columns of `columns.COLUMNS`; a column that is missing is an empty box.
    units : Units
        The machine's; a quantity that does not come back from them to the last digit stands in the file's unit.

    Raises
    ------
    ValueError
        If a setting that stands once in the header is not the same on all rows.
    """
    rows = rows.reindex(columns=[column.name for column in columns.COLUMNS])
    spoken, texts = _spoken(rows, units), rows.map(_said)
    for name in _SET:
        if (unit := spoken.of(name)) != Units().of(name):
            texts[name] = [unit.text(float(value)) if text else "" for value, text in zip(rows[name], texts[name])]
    for name in texts.columns.difference(["swatch", "speed_mm_s", "power_pct", "line_pitch_mm", "reading",
                                          "depth_mm", "invented"], sort=False):
        if (other := texts[name].unique()).size > 1:
            raise ValueError(f"{LABELS[name]} is not one for the whole burn ({other[0] or 'empty'}, "
                             f"{other[1] or 'empty'}), and the form has one box for it.")
    first, swatches = texts.iloc[0], []
    for swatch, own in texts.groupby("swatch", sort=False):
        numbers = [int(text) if text.isdecimal() else 0 for text in own["reading"].str[:9]]
        if max(numbers) > MOST_READINGS or len(swatches) >= MOST_SWATCHES:
            raise ValueError(f"The form has room for {MOST_SWATCHES} swatches of {MOST_READINGS} "
                             f"readings; swatch {short(swatch)} is beyond that.")
        depths = [""] * max(numbers)
        for place, depth in zip(numbers, own["depth_mm"]):
            if place:
                depths[place - 1] = depth
        other = {box: own[name].iloc[0] for box, name in (("power", "power_pct"), ("pitch", "line_pitch_mm"))
                 if own[name].iloc[0] != first[name]}
        swatches.append({"swatch": swatch, "speed": own["speed_mm_s"].iloc[0], "depths": depths, "power": ""} | other)
    lengths = {"gauge_step": "gauge_step_mm", "board_thickness": "board_thickness_mm"}
    return ({name: first[name] for name in HEADER if name in first.index}
            | {name: f"{first[column]} mm" for name, column in lengths.items() if first[column]}
            | units_typed(spoken) | {"line_spacing": first["line_pitch_mm"], "depth_unit": "mm", "depth_as": DEPTH, "swatches": swatches})


_SET = {"speed_mm_s": "speed", "line_pitch_mm": "spacing", "power_pct": "power_out_of"}


def _spoken(rows: pd.DataFrame, units: Units) -> Units:
    """Return the units in which rows can be typed: the file's for a quantity that would come back as another number."""
    own = {}
    for name, kind in _SET.items():
        unit, values = units.of(name), pd.to_numeric(rows[name], errors="coerce").dropna()
        # A file keeps nine digits.
        back = [unit.back(float(unit.text(value))) for value in values if value > 0]
        if pd.to_numeric(values[values > 0]).sub(back).abs().le(1e-8 * values[values > 0]).all():
            own[kind] = getattr(units, kind)
    return Units(**own)


def from_plan(path: str | Path, units: Units = Units()) -> dict:
    """Return what a planned burn (CSV from the burn plan) fills in; the rest is left out.

    Raises
    ------
    ReadingsError
        If the file is no CSV with a column swatch and a row for each.
    ValueError
        If the form has no way to hold the plan (see `filled`).
    """
    rows, problems = csvfile.read_rows(Path(path), ("swatch", "speed_mm_s"))
    if not problems and rows.empty:
        problems = [csvfile.Problem(Path(path).name, None, "", "", "the plan holds no swatch",
                                    "Plan the burn again.")]
    if problems:
        raise ReadingsError(problems)
    return {name: held for name, held in filled(rows, units).items() if held}


def _said(value) -> str:
    if isinstance(value, str):
        return value
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    return "" if pd.isna(value) else repr(float(value)).removesuffix(".0")


def faults_in_words(error: ReadingsError, readings: pd.DataFrame) -> list[str]:
    """Return the check's faults in the form's own words; a fault all rows share is said once."""
    lines = {}
    kinds = error.problems.groupby(["column", "value", "problem", "remedy"], sort=False)
    for (column, value, problem, remedy), same in kinds:
        try:
            if columns.BY_NAME[column].kind in ("number", "integer"):
                {"speed_mm_s": speed_mm_s, "power_pct": power_pct}.get(column, number)(value)
        except ValueError as wrong:
            problem, remedy = str(wrong), ""
        remedy = remedy and _REMEDY.get(column, remedy)
        shown = f" '{short(value)}'" if value else ""
        said = f"{LABELS.get(column, column)}{shown}: {problem}. {remedy}".strip()
        shared = len(same) == len(readings) and column not in ("depth_mm", "reading", "swatch")
        for row in same["row"]:
            lines[("" if shared else _place(readings.loc[row], column)) + said] = None
    return list(lines)


def _place(reading, column) -> str:
    if column in ("depth_mm", "reading"):
        return f"Swatch {reading['swatch']}, reading {reading['reading']}: "
    return f"Swatch {reading['swatch']}: "
