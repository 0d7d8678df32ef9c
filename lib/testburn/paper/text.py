"""Card text: numbers and a maker's words as the card can print them.

Decides digits, units and how long a text may be. A character that the typeface does not hold is
drawn as an open box: PDF/UA forbids a glyph that is missing.
"""

import math
import unicodedata

import numpy as np
import pandas as pd

from testburn import energy
from testburn.units import Units

# The characters that the card's typeface holds in every face; any other is drawn as an open box.
DRAWABLE = ((0x20, 0x7E), (0xA0, 0xAC), (0xAE, 0x17F), (0x391, 0x3A1), (0x3A3, 0x3C9),
            (0x400, 0x45F), (0x1EA0, 0x1EF9), (0x2010, 0x201E), (0x2020, 0x2020),
            (0x2026, 0x2026), (0x2070, 0x2070), (0x2074, 0x2079), (0x2212, 0x2212))


SETTING = ("speed_mm_s", "power_pct", "line_pitch_mm")


def beside(column: str, value: float, units: Units) -> str:
    """Return what stands smaller beside a number of the machine's unit: the file's unit, or where that is it another."""
    if column == "speed_mm_s":
        return f"{value:.4g} mm/s" if units.speed != "mm/s" else f"{energy.inches_from_mm(value):.2f} in/s"
    if column == "power_pct":
        return "" if units.power == "%" else f"{value:.3g} %"
    return f"{value:.4g} mm" if units.spacing != "mm" else f"{energy.lines_per_cm(value):.4g} lines/cm"


def figures(values: pd.Series, decimals: int | None = None, unit: str = "") -> list[str]:
    """Return numbers in equal decimals (as many as the settings need, up to 2), missing ones as –."""
    if decimals is None:
        decimals = next((n for n in (0, 1) if np.allclose(values, np.round(values, n), atol=5e-3)), 2)
    return [f"{value:.{decimals}f}{unit}" if math.isfinite(value) else "–"
            for value in values.astype(float)]


def count(number: int, one: str, several: str = "") -> str:
    """Return a number with its noun."""
    return f"{number} {one if number == 1 else several or one + 's'}"


def inches(values_mm: pd.Series) -> list[str]:
    """Return millimetres as inches to a thousandth."""
    return figures(energy.inches_from_mm(values_mm), 3, " in")


def span(low: float, high: float, decimals: int, unit: str = "") -> str:
    """Return 'low to high unit', or one number where both read the same."""
    ends = [f"{value:.{decimals}f}" for value in (low, high)]
    return ("–".join(ends) if ends[0] != ends[1] else ends[0]) + (f" {unit}" if unit else "")


def shortened(text: object, longest: int, longest_word: int = 24) -> str:
    """Return a maker's text on one line, cut to length, in characters that the typeface holds."""
    words = unicodedata.normalize("NFC", str(text)).split()
    line = " ".join(cut(word, longest_word) for word in words)
    drawn = "".join(sign if any(low <= ord(sign) <= high for low, high in DRAWABLE) else "□"
                    for sign in line)
    return cut(drawn, longest)


def cut(text: str, longest: int) -> str:
    """Return the text, its end replaced by … where it is longer than allowed."""
    return text if len(text) <= longest else text[:longest - 1] + "…"


def kept_alike(readings: pd.DataFrame) -> list[str]:
    """Return what every burn says alike and has to stay so: air, direction, focus."""
    words = []
    for name, form in (("air_assist", "air {}"), ("sweep_vs_grain", "swept {} the grain"),
                       ("focus_offset_mm", "focus {:+g} mm")):
        values = {"" if pd.isna(value) else value for value in readings[name].unique()} if name in readings else {""}
        if len(values) == 1 and values != {""}:
            words.append(form.format(values.pop()))
    return words


# How a way to sweep is said.
WAYS = {"each piece": "shape by shape", "rows": "in rows", "full width": "in one full-width sweep"}


def swept(rows: pd.DataFrame) -> str:
    """Return what a job's minutes are of and how it is swept; which way is best is not said of a head not known."""
    said = f"Minutes are of {shortened(rows['artwork'].iloc[0], 60, 60)}"
    if (rows["way"] == "").any():
        return f"{said}, from a brisk head to a slow one: machine.toml has no acceleration."
    return f"{said}, swept {' or '.join(WAYS.get(way, way) for way in rows['way'].unique())}."


def minutes(rows: pd.DataFrame, name: str = "minutes", decimals: int = 0) -> list[str]:
    """Return minutes as text: a range where the machine does not say how briskly its head speeds up."""
    least = rows.get(f"least_{name}", rows[name])
    return [span(low, high, decimals) for low, high in zip(least, rows[name])]
