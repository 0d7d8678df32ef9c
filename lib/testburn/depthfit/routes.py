"""Routes: the power, pitch and passes that lay a dose, and how far that matters beside the dose itself.

Decides how two routes to one dose are told apart: by log2 of power, pitch and passes. A group's slopes on them
are random with the covariance below, as a share of the depth a doubling. Its second part is the speed: at equal
dose, twice the power or passes go with twice the speed, twice the pitch with half. The sizes are judgement,
weighed on simulated workshops; that power and speed do not count as their product alone is common practice.
"""

import numpy as np
import pandas as pd

COLUMNS = ("power_pct", "line_pitch_mm", "passes")
SLOPE_SDS, SPEED_SD = np.array([0.08, 0.10, 0.07]), 0.08
_SPEED = np.array([1.0, -1.0, 1.0])
COVARIANCE = np.diag(SLOPE_SDS**2) + SPEED_SD**2 * np.outer(_SPEED, _SPEED)
PRECISION = np.linalg.inv(COVARIANCE)
NAMES = ("power", "pitch", "number of passes")


def logs(readings: pd.DataFrame, rows=slice(None)) -> np.ndarray:
    """Return log2 of power, pitch and passes of these rows (n × 3); zero where readings have none."""
    found = [np.log2(readings[name].to_numpy(float)[rows]) if name in readings else None for name in COLUMNS]
    size = len(np.empty(len(readings))[rows])
    return np.column_stack([np.zeros(size) if column is None else column for column in found])


def of(power_pct, line_pitch_mm, passes) -> np.ndarray:
    """Return log2 of one route."""
    return np.log2([float(power_pct), float(line_pitch_mm), float(passes)])
