"""Typed: what one typed cell means.

Decides which text is a number, with a point or a comma, when a comma could mean thousands and is refused,
which unit a length is in, and how a value is shown again as it would be typed. The units of speed, pitch and power,
and which of them stands behind a number, are `testburn.units`.
"""

import datetime
import re

from testburn import energy, units

# A half-typed burn of an earlier version says the first of these so.
_FORMER_UNIT = {"mm between lines": "mm"}
MM_OF = {"mm": float, "inch": energy.mm_from_inches}
_NUMBER = re.compile(r"[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)")
_THICK_MM = 1.0
_COULD_BE_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
_FRACTION = re.compile(r"(?:([0-9]{1,4})[\s-]+)?([0-9]{1,4})/([1-9][0-9]{0,3})")
_LENGTH = re.compile(r'(.*?)\s*(mm|inch|in|")?', re.DOTALL)



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


def length_mm(typed: str, unit: str = "mm") -> float | None:
    """Return a typed length in mm; a unit behind the number goes before `unit` (mm or inch), an inch may have a fraction: 1 1/2 in."""
    text, own_unit = _LENGTH.fullmatch(typed.strip()).groups()
    own_unit = {"in": "inch", '"': "inch", None: unit}.get(own_unit, own_unit)
    if parts := _FRACTION.fullmatch(text):
        if own_unit != "inch":
            raise ValueError(f"a fraction is one of an inch; write it like {text} in, or in mm like 0.45")
        whole, over, under = (int(part or 0) for part in parts.groups())
        return round(MM_OF[own_unit](whole + over / under), 9)
    value = number(text, comma_is_decimal=True)
    # A pitch or depth is never known to 1e-9 mm: rounding keeps 0.018 in from being 0.45719999….
    return None if value is None else round(MM_OF[own_unit](value), 9)


def lengths_mm(typed: str, unit: str = "mm") -> list[float]:
    """Return the lengths typed in one box, in mm; spaces or semicolons stand between them.

    Raises
    ------
    ValueError
        Naming the one that is no number.
    """
    found = []
    # "0.58 mm" is one length; "0.58, 0.61" are two.
    for text in re.split(r"[;\s]+", re.sub(r"\s+(?=(?:mm|inch|in)\b)", "", typed.strip())):
        try:
            length = length_mm(text.rstrip(","), unit)
        except ValueError as wrong:
            raise ValueError(f"'{short(text)}': {wrong}") from None
        found += [] if length is None else [length]
    return found


def day(typed: str) -> datetime.date:
    """Return a typed day.

    Raises
    ------
    ValueError
        If it is none.
    """
    try:
        return datetime.date.fromisoformat(typed.strip())
    except ValueError:
        raise ValueError("this is not a day. Write it as year-month-day, e.g. 2026-03-14") from None


def span_mm(typed: str, unit: str = "mm") -> list[float] | None:
    """Return a typed span as [from, to] in mm: 0.10 to 0.20, 0,10-0,20, [0.10, 0.20], or one number for both."""
    ends = [length_mm(text, unit) for text in re.split(r"\s+to\s+|\s*[;–]\s*|,\s+|(?<=\d)\s*-\s*(?=[\d.])|(?<=\d)\s+(?=[\d.])", typed.strip("[] "))]
    if ends == [None]:
        return None
    if len(ends) > 2 or None in ends:
        raise ValueError("this is no span; write it like 0.10 to 0.20")
    return sorted([ends[0], ends[-1]])


def wet_mm(typed: str) -> list[float] | None:
    """Return the span of a wet coat in mm; a thick one has its unit behind it, as 4 may be meant in mil."""
    ends = span_mm(typed)
    if ends and ends[1] > _THICK_MM and not re.search("mm|in|\"", typed):
        raise ValueError(f"{ends[1]:g} mm of wet coat? {ends[1]:g} thousandths of an inch would be {energy.mm_from_inches(ends[1] / 1000):.2f} mm; if it is "
                         "poured so thick, write mm behind it")
    return ends


def share_span(typed: str) -> list[float] | None:
    """Return a typed span of shares, 0.35 to 0.5, or of percents, 35 to 50 %."""
    ends = span_mm(typed.replace("%", " "))
    return [end / 100 for end in ends] if ends and "%" in typed else ends


def places_mm(typed: str) -> list[list[float]]:
    """Return typed places, across and down in mm: 12 34; 50 60."""
    pairs = [lengths_mm(re.sub(r",(?=\s)", " ", one.strip("[], "))) for one in re.split(r";|\]\s*,", typed.strip(" ;"))]
    if any(len(pair) != 2 for pair in pairs):
        raise ValueError("each place is two numbers, across and down; write it like 12 34; 50 60")
    return pairs


def depth_mm(typed: tuple[str, ...], unit: str) -> float | None:
    """Return the depth in mm that one reading means: one text, or the gauge on face and floor.

    Gauges count up or down as the needle sinks, so the depth is the difference without its sign.
    """
    shown = [length_mm(text, unit) for text in typed]
    if len(shown) == 1 or shown == [None, None]:
        return shown[0]
    if None in shown:
        raise ValueError(f"the {'face' if shown[0] is None else 'floor'} is missing")
    return round(abs(shown[1] - shown[0]), 9)


def pitch_mm(typed: str, unit: str) -> float | None:
    """Return the line pitch in mm; a unit behind the number goes before `unit`, one of `units.SPACINGS`."""
    return _measured("line_pitch_mm", typed, _FORMER_UNIT.get(unit, unit))


def speed_mm_s(typed: str, unit: str = "mm/s") -> float | None:
    """Return the speed in mm/s; a unit behind the number goes before `unit`, one of `units.SPEEDS`."""
    return _measured("speed_mm_s", typed, unit)


def power_pct(typed: str, unit: str = "%") -> float | None:
    """Return the power in percent; what it is out of, behind the number, goes before `unit` (see `units.power`)."""
    return _measured("power_pct", typed, unit)


def _measured(column: str, typed: str, unit: str) -> float | None:
    text, own = units.split(typed, column)
    value = number(text)
    return (own or units.named(column, unit)).back(value) if value else value


def cell(text: str | tuple[str, ...], read=number, *unit):
    """Return the number typed, or the text itself where it is none, for the check to name."""
    try:
        value = read(text, *unit)
    except ValueError:
        return shown(text)
    return "" if value is None else value


def shown(text: str | tuple[str, ...]) -> str:
    """Return what was typed as one text: face and floor with 'to' between them."""
    return text.strip() if isinstance(text, str) else " to ".join(text)


def short(text: str) -> str:
    """Return the text, cut where it would drown the message it is shown in."""
    return text if len(text) <= 40 else text[:39] + "…"
