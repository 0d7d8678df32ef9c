"""Units: how speed, pitch and power are written for the machine, and read where a unit is typed behind them.

Decides the units that a control may ask for, the steps it takes, and the words for each. Files, tables and sums keep
mm/s, mm and percent always; what is shown to be typed into the machine, and what a maker types, passes through here.
A pitch or power that the control cannot take is written as the nearest it can, where that changes the energy by half
a percent or less, a tenth of what one setting differs by from swatch to swatch; where it would change more, the value
is not one for this machine, and `taken` gives the one that is.

Source: NIST Special Publication 811 (2008), appendix B: 1 in = 25.4 mm exactly, 1 min = 60 s. The steps that controls
take are our own judgement.
"""

import re
from dataclasses import dataclass

from testburn.energy import MM_PER_CM, MM_PER_INCH

_NEAR_ENOUGH = 0.005
_NUMBER_THEN_UNIT = re.compile(r"([+-]?[0-9.,]+)\s*([^0-9\s.,].*)", re.DOTALL)
_OUT_OF = re.compile(r"(?:(?:out\s+)?of|/)\s*([0-9]+(?:\.[0-9]+)?)")
_INCH, _PER = r'(?:in|inch|inches|")', r"\s*(?:/|per)\s*"
_S, _MIN = r"s(?:ec|econd)?", r"min(?:ute)?"


@dataclass(frozen=True)
class Unit:
    """One unit of speed, spacing or power.

    Attributes
    ----------
    name : str
        As it is said in machine.toml and on a form, and stands behind a number.
    per : float
        How many mm/s, mm or percent one of it is; of a unit that counts lines, in how many mm.
    counts : bool
        Whether it counts lines.
    step : float or None
        What a control takes; None: any number with so many `decimals`.
    typed : str
        The pattern of what may be typed for it.
    """

    name: str
    per: float = 1.0
    counts: bool = False
    step: float | None = None
    decimals: int = 3
    typed: str = ""

    def of(self, value):
        """Return a value in mm/s, mm or percent in this unit."""
        return self.per / value if self.counts else value / self.per

    def back(self, number):
        """Return a number in this unit in mm/s, mm or percent; none is ever known to 1e-9."""
        # Rounding keeps 0.018 in from being 0.45719999….
        return round(self.per / number if self.counts else number * self.per, 9)

    def taken(self, value: float) -> float:
        """Return the value itself where the control takes it, or as good as; else the nearest that it takes."""
        nearest = self.back(self._stepped(value))
        return value if abs(nearest / value - 1) <= _NEAR_ENOUGH else nearest

    def text(self, value: float) -> str:
        """Return a value in mm/s, mm or percent as the number to type."""
        stepped = self._stepped(value)
        near = stepped and abs(self.back(stepped) / value - 1) <= _NEAR_ENOUGH
        return f"{stepped if near else round(self.of(value), self.decimals + 2):.10g}"

    def words(self, value: float) -> str:
        """Return the number to type with the unit behind it."""
        return f"{self.text(value)} {self.name}"

    def _stepped(self, value):
        number = self.of(value)
        return round(number, self.decimals) if self.step is None else round(self.step * max(round(number / self.step), 1), 9)


_PLAIN = {"decimals": 9}
SPEEDS = {one.name: one for one in (
    Unit("mm/s", typed=f"mm{_PER}{_S}", **_PLAIN), Unit("mm/min", 1 / 60, decimals=1, typed=f"mm{_PER}{_MIN}"),
    Unit("in/s", MM_PER_INCH, typed=f"{_INCH}{_PER}{_S}"),
    Unit("in/min", MM_PER_INCH / 60, decimals=1, typed=f"{_INCH}{_PER}{_MIN}|ipm"))}
SPACINGS = {one.name: one for one in (
    Unit("mm", typed="mm", **_PLAIN), Unit("in", MM_PER_INCH, step=0.0001, typed=_INCH),
    Unit("lines per mm", 1.0, True, 0.1, typed=rf"(?:lines?)?{_PER}mm"),
    Unit("lines per cm", MM_PER_CM, True, 1, typed=rf"(?:lines?)?{_PER}cm|lpcm"),
    Unit("lines per inch", MM_PER_INCH, True, 1, typed=rf"(?:lines?)?{_PER}{_INCH}|lpi"))}
PERCENT = Unit("%", typed="%|percent|pct", **_PLAIN)
# The finest step of a control in inches; one in mm is stepped as machine.toml says.
INCH_STEPS = {"in/s": 0.01, "in/min": 0.5}
_KINDS = {"speed_mm_s": "speed", "from_mm_s": "speed", "line_pitch_mm": "spacing", "power_pct": "power"}
COLUMNS = tuple(_KINDS)


def power(name: str) -> Unit:
    """Return the unit of power named "%", or "of 255" where power is set out of a full scale.

    Raises
    ------
    ValueError
        If it is neither.
    """
    if name == PERCENT.name:
        return PERCENT
    if not (full := _OUT_OF.fullmatch(name)) or not float(full[1]):
        raise ValueError(f"'{name}' is no unit of power: write % or, say, of 255")
    scale = float(full[1])
    return Unit(f"of {scale:g}", 100 / scale, step=1.0 if scale >= 100 else scale / 100, typed=f"(?:out )?of {scale:g}")


def named(column: str, name: str) -> Unit:
    """Return the unit of a column by its name."""
    kind = _KINDS[column]
    return power(name) if kind == "power" else (SPEEDS if kind == "speed" else SPACINGS)[name]


def split(typed: str, column: str) -> tuple[str, Unit | None]:
    """Return the number typed for a column as text, and the unit behind it; None where there is none.

    Raises
    ------
    ValueError
        If what stands behind the number is no unit of such a quantity.
    """
    if not (parts := _NUMBER_THEN_UNIT.fullmatch(typed.strip())):
        return typed, None
    number, said = parts[1], " ".join(parts[2].lower().split())
    if _KINDS[column] == "power" and _OUT_OF.fullmatch(said):
        return number, power(said)
    known = {"speed": SPEEDS, "spacing": SPACINGS, "power": {PERCENT.name: PERCENT}}[_KINDS[column]]
    for unit in known.values():
        if re.fullmatch(unit.typed, said):
            return number, unit
    others = ", of 255 (out of a full scale)" * (_KINDS[column] == "power")
    raise ValueError(f"'{said[:20]}' is no unit of {_KINDS[column]} known here; write a number alone, or behind it one of "
                     f"{', '.join(known)}{others}")


@dataclass(frozen=True)
class Units:
    """The units of one machine: what its control asks for.

    Raises
    ------
    ValueError
        If one is not known.
    """

    speed: str = "mm/s"
    spacing: str = "mm"
    power_out_of: float | None = None

    def __post_init__(self):
        for kind, name, known in (("speed", self.speed, SPEEDS), ("spacing", self.spacing, SPACINGS)):
            if name not in known:
                raise ValueError(f"The {kind} is said in {name!r}. Use one of: {', '.join(known)}.")
        if self.power_out_of is not None and not 0 < self.power_out_of <= 1e6:
            raise ValueError(f"A power out of {self.power_out_of!r} is none. Write the control's full scale, e.g. 255.")

    @property
    def power(self) -> str:
        """The name of the unit of power."""
        return PERCENT.name if self.power_out_of is None else f"of {self.power_out_of:g}"

    def of(self, column: str) -> Unit:
        """Return the unit of speed_mm_s, line_pitch_mm or power_pct."""
        return named(column, getattr(self, _KINDS[column]))

    def said(self, column: str, value: float) -> str:
        """Return a value as it is typed into the machine, with its unit."""
        words = self.of(column).words(value)
        return words if _KINDS[column] != "spacing" or self.of(column).counts else f"pitch {words}"

    def between(self, column: str, low: float, high: float, join: str = "to") -> str:
        """Return two values with their unit once: "1 to 100 mm/s"."""
        unit = self.of(column)
        return f"{unit.text(low)} {join} {unit.words(high)}"

    def heading(self, column: str) -> tuple[str, str]:
        """Return a column's word and its unit: ("speed", "mm/min"), ("lines", "per inch")."""
        unit = self.of(column)
        if unit.counts:
            return "lines", unit.name.removeprefix("lines ")
        return {"from_mm_s": "from", "line_pitch_mm": "pitch"}.get(column, _KINDS[column]), unit.name

    def setting(self, row) -> str:
        """Return a whole setting in words; `row` has speed_mm_s, power_pct, line_pitch_mm and passes."""
        passes = int(row["passes"])
        return ", ".join([self.said("speed_mm_s", row["speed_mm_s"]), self.said("power_pct", row["power_pct"]),
                          f"{passes} pass{'es' * (passes != 1)}", self.said("line_pitch_mm", row["line_pitch_mm"])])
