"""Card chart: the depth chart of a settings card, as fractions of its width and height.

Decides the axes, their ticks and where each point falls, so that the template only draws.
"""

import math
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from testburn import energy
from testburn.paper import text

if TYPE_CHECKING:
    from testburn.depthfit import DepthFit

MOST_SHAPES = 5


def drawn(fit: "DepthFit", rows: pd.DataFrame, readings: pd.DataFrame, group: pd.Series, window,
           board: str) -> dict:
    """Return the depth chart: points, line, band, chosen settings and axes."""
    regressor = group["regressor"]
    pitch = float(readings["line_pitch_mm"].min())
    chosen, burned = _along(rows, regressor, pitch), readings[regressor]
    curve = _curve(fit, rows, burned, chosen, pitch, board)
    right = 1.04 * max(burned.max(), chosen.max())
    deepest = max(readings["depth_mm"].max(), rows["depth_mm"].max(), rows["aim_mm"].max())
    # A wide interval is shown whole as far as that does not squeeze the readings.
    top = 1.05 * max(deepest, min(curve["upper_mm"].max(), 1.5 * deepest))
    across, up = partial(_fractions, whole=right), partial(_fractions, whole=top)
    name, unit = axis(regressor)
    carried_on = ~curve["at"].between(burned.min(), burned.max())
    return {
        "x": {"label": f"{name}, {unit}" + f" at {pitch:g} mm pitch" * (name == "line energy"), "ticks": _ticks(right, 7)},
        "y": {"label": "depth, mm", "ticks": _ticks(top, 6)},
        "inches": {"label": "in", "ticks": _ticks(energy.inches_from_mm(top), 6)},
        "band": [*zip(across(curve["at"]), up(curve["upper_mm"]))]
                + [*zip(across(curve["at"]), up(curve["lower_mm"]))][::-1],
        "line": [*zip(across(curve["at"]), up(curve["depth_mm"]), carried_on.tolist())],
        "boards": [{"name": text.shortened(name, 12),
                    "points": [*zip(across(of[regressor]), up(of["depth_mm"]))]}
                   for name, of in _by_board(readings)],
        "chosen": [*zip(across(chosen), up(rows["depth_mm"]))],
        "window": None if window is None else up([window["at_least_mm"], window["at_most_mm"]]),
        "interval": f"{100 * rows['level'].iloc[0]:g} % interval",
        "formula": text.shortened(f"{group['formula']} · R² {group['r_squared']:.3f}", 110, 60),
        "alt": _alt(rows, readings, name, unit, chosen),
    }


def _along(rows: pd.DataFrame, regressor: str, pitch: float) -> pd.Series:
    """Return where on the chart's energy axis the chosen settings lie.

    Against line energy, a setting at another pitch than was burned stands where its dose does.
    """
    dose = energy.areal_dose(rows["line_energy_j_mm"], rows["line_pitch_mm"])
    return dose if regressor == "areal_dose_j_mm2" else dose * pitch


def _curve(fit: "DepthFit", rows, burned, chosen, pitch: float, board: str) -> pd.DataFrame:
    """Return the fitted line and its interval, over what was burned and out to the settings."""
    ends = burned.min(), burned.max()
    low, high = min(ends[0], chosen.min()), max(ends[1], chosen.max())
    at = np.unique([*np.linspace(low, high, 60), *ends])
    predicted = fit.band(
        fit.group_of(rows.iloc[0]), at * pitch if burned.name == "areal_dose_j_mm2" else at,
        line_pitch_mm=pitch, level=float(rows["level"].iloc[0]), of="reading", board=board)
    return predicted.assign(at=at)


def _by_board(readings: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Return the readings board by board; boards beyond the shapes at hand share the last one."""
    names = list(readings["board"].unique())
    shown = names if len(names) <= MOST_SHAPES else names[:MOST_SHAPES - 1]
    groups = [(name, readings[readings["board"] == name]) for name in shown]
    rest = readings[~readings["board"].isin(shown)]
    return groups + ([(f"{len(names) - len(shown)} more", rest)] if len(rest) else [])


def _alt(rows, readings, name: str, unit: str, chosen) -> str:
    """Return the chart in words, for who hears the card instead of seeing it."""
    settings = "; ".join(f"{number}: {depth:.2f} mm at {at:.3g} {unit}" for number, (at, depth)
                         in enumerate(zip(chosen, rows["depth_mm"]), start=1))
    return (f"Chart of depth in mm against {name} in {unit}: {len(readings)} readings from "
            f"{readings['depth_mm'].min():.2f} to {readings['depth_mm'].max():.2f} mm, the fitted "
            f"line with its interval, and the chosen settings. {settings}.")


def axis(regressor: str) -> tuple[str, str]:
    """Return the name and unit of the energy axis."""
    return ("energy per mm²", "J/mm²") if regressor == "areal_dose_j_mm2" else ("line energy", "J/mm")


def _fractions(values, whole: float) -> list[float]:
    """Return values as fractions of the axis, kept inside it, in digits that any machine repeats."""
    return [round(float(part), 4) for part in np.clip(np.asarray(values, float) / whole, 0, 1)]


def _ticks(end: float, most: int) -> list[tuple[float, str]]:
    """Return ticks from 0 in steps of 1, 2 or 5 times a power of ten, at most `most` of them."""
    decade = 10.0 ** math.floor(math.log10(end))
    step = next(decade * part for part in (0.1, 0.2, 0.5, 1, 2, 5) if end / (decade * part) < most)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))  # 0.001 has a log just below -3
    return [(round(step * count / end, 4), f"{step * count:.{decimals}f}")
            for count in range(int(end / step) + 1)]
