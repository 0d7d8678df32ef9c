"""Entry: what a maker types at the bench, as readings.

Decides how typed text becomes a number (decimal point or comma, inch or mm, lines per cm or pitch),
how a burn's header and its grid of swatches become tidy rows, and how the faults the lab book finds
are said in the form's own words. Nothing is refused here: a cell that is no number goes on as it
was typed, and `labbook.check` names it. What was typed is a dict of texts (`HEADER` and
"swatches"), so it can be kept as JSON and given back.
"""

import re
from dataclasses import dataclass

import pandas as pd

from testburn import columns, energy
from testburn.readingcheck import ReadingsError

# What the header holds, as typed: a column's name where the text is that column's,
# its name without the unit where the unit is typed too.
HEADER = {
    "burn": "Burn id", "burned_on": "Day, year-month-day", "species": "Species", "board": "Board",
    "module_w": "Module W", "wavelength_nm": "Wavelength nm", "power_pct": "Power %",
    "passes": "Passes", "line_spacing": "Line spacing", "line_spacing_unit": "Spacing in",
    "depth_unit": "Depths in", "gauge_step": "Gauge step", "board_thickness": "Board thickness",
    "moisture_pct": "Moisture %", "focus_offset_mm": "Focus offset mm",
    "air_assist": "Air assist", "sweep_vs_grain": "Sweep against grain", "note": "Note",
}
LABELS = HEADER | {
    "speed_mm_s": "Speed mm/s", "line_pitch_mm": "Line spacing", "gauge_step_mm": "Gauge step",
    "board_thickness_mm": "Board thickness", "depth_mm": "Depth", "swatch": "Swatch",
    "reading": "Reading",
}
PITCH_OF = {
    "mm between lines": float,
    "lines per cm": energy.pitch_from_lines_per_cm,
    "lines per inch": energy.pitch_from_lines_per_inch,
}
MM_OF = {"mm": float, "inch": energy.mm_from_inches}
# These belong to one board or one burn, so the next burn starts without them.
_NOT_REMEMBERED = ("burn", "burned_on", "board", "board_thickness", "moisture_pct", "note")

_NUMBER = re.compile(r"[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)")
_COULD_BE_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
_LENGTH = re.compile(r'(.*?)\s*(mm|inch|in|")?', re.DOTALL)


@dataclass(frozen=True)
class Swatch:
    """One row of the grid as typed; an empty `power` means the header's."""

    swatch: str
    speed: str = ""
    power: str = ""
    depths: tuple[str, ...] = ()

    @property
    def blank(self) -> bool:
        """True where nothing but the swatch's id is there."""
        return not any(text.strip() for text in (self.speed, self.power, *self.depths))


def number(typed: str, comma_is_decimal: bool = False) -> float | None:
    """Return typed text as a number, with a decimal point or comma; nothing typed is None.

    Parameters
    ----------
    typed : str
    comma_is_decimal : bool
        Take 1,200 for 1.2; otherwise it is refused, since it may mean 1200.

    Raises
    ------
    ValueError
        Saying what is wrong with the text.
    """
    text = typed.strip()
    if not text:
        return None
    if not _NUMBER.fullmatch(text):
        raise ValueError("this is not a number; write it like 0.45 or 0,45")
    if not comma_is_decimal and _COULD_BE_THOUSANDS.fullmatch(text):
        raise ValueError(f"this may mean {text.replace(',', '')} or {text.replace(',', '.')}; "
                         "write the one you mean without the comma")
    return float(text.replace(",", "."))


def length_mm(typed: str, unit: str) -> float | None:
    """Return a typed length in mm; a unit behind the number goes before `unit` (mm or inch)."""
    text, own_unit = _LENGTH.fullmatch(typed.strip()).groups()
    value = number(text, comma_is_decimal=True)
    own_unit = {"in": "inch", '"': "inch", None: unit}.get(own_unit, own_unit)
    # A pitch or depth is never known to 1e-9 mm: rounding keeps 0.018 in from being 0.45719999….
    return None if value is None else round(MM_OF[own_unit](value), 9)


def pitch_mm(typed: str, unit: str) -> float | None:
    """Return the line pitch in mm from a pitch, lines per cm or lines per inch (see `PITCH_OF`)."""
    value = number(typed)
    return value if not value else round(PITCH_OF[unit](value), 9)


def header_numbers(typed: dict) -> dict:
    """Return each number of the header: typed name → column, text, how it is read, its unit."""
    unit = typed.get("depth_unit") or "mm"
    spacing = typed.get("line_spacing_unit") or "mm between lines"
    plain = [name for name in HEADER
             if name in columns.BY_NAME and columns.BY_NAME[name].kind in ("number", "integer")]
    found = {name: (name, typed.get(name, ""), number) for name in plain}
    return found | {
        "line_spacing": ("line_pitch_mm", typed.get("line_spacing", ""), pitch_mm, spacing),
        "gauge_step": ("gauge_step_mm", typed.get("gauge_step", ""), length_mm, unit),
        "board_thickness": (
            "board_thickness_mm", typed.get("board_thickness", ""), length_mm, unit),
    }


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
    for swatch in swatches_of(typed):
        depths = [(place, text) for place, text in enumerate(swatch.depths, 1) if text.strip()]
        for reading, text in [] if swatch.blank else depths or [(1, "")]:
            own_power = {"power_pct": cell(swatch.power)} if swatch.power.strip() else {}
            rows.append(shared | own_power | {
                "swatch": swatch.swatch, "reading": reading, "speed_mm_s": cell(swatch.speed),
                "depth_mm": cell(text, length_mm, typed.get("depth_unit") or "mm")})
    return pd.DataFrame(rows, columns=[column.name for column in columns.COLUMNS])


def swatches_of(typed: dict) -> list[Swatch]:
    """Return the rows of the grid; what a row leaves out is empty."""
    return [Swatch(**{**row, "depths": tuple(row.get("depths", ()))})
            for row in typed.get("swatches", ())]


def cell(text: str, read=number, *unit):
    """Return the number typed, or the text itself where it is none, for the check to name."""
    try:
        value = read(text, *unit)
    except ValueError:
        return text.strip()
    return "" if value is None else value


def remembered(readings: pd.DataFrame) -> dict:
    """Return the header of the newest burn as it would be typed, without what was that board's."""
    if readings.empty:
        return {}
    newest = readings.sort_values(["burned_on", "burn"]).iloc[-1]
    said = {name: _said(newest[name]) for name in HEADER
            if name in newest.index and name not in _NOT_REMEMBERED}
    return said | {"line_spacing": _said(newest["line_pitch_mm"]),
                   "line_spacing_unit": "mm between lines",
                   "gauge_step": f"{_said(newest['gauge_step_mm'])} mm"}


def _said(value) -> str:
    if isinstance(value, str):
        return value
    return "" if pd.isna(value) else repr(float(value)).removesuffix(".0")


def faults_in_words(error: ReadingsError, readings: pd.DataFrame) -> list[str]:
    """Return the check's faults in the form's own words; a fault all rows share is said once."""
    lines = {}
    kinds = error.problems.groupby(["column", "value", "problem", "remedy"], sort=False)
    for (column, value, problem, remedy), same in kinds:
        try:
            if columns.BY_NAME[column].kind in ("number", "integer"):
                number(value)
        except ValueError as wrong:
            problem, remedy = str(wrong), ""
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


def short(text: str) -> str:
    """Return the text, cut where it would drown the message it is shown in."""
    return text if len(text) <= 40 else text[:39] + "…"
