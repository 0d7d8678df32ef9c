"""Sweep: how long the head takes to engrave a rectangle line by line.

Decides the minutes from pitch, speed and acceleration. A line burns at set speed; outside the
artwork the head slows down and speeds up again, so each turn costs 2·v/a however short the line.

Source: constant-acceleration kinematics (trapezoidal speed profile); worked cases in
tests/reference/raster_time_examples.csv.
"""

import numpy as np


def line_count(height_mm, line_pitch_mm):
    """Return how many lines cover the height: floor(height / pitch) + 1."""
    # 60 / 0.08 is 749.9999…: a whisker keeps a whole number of pitches whole.
    return np.floor(height_mm / np.asarray(line_pitch_mm) + 1e-9) + 1


def run_up_mm(speed_mm_s, acceleration_mm_s2):
    """Return the distance the head needs to reach the speed, v²/(2a), in mm."""
    return np.asarray(speed_mm_s) ** 2 / (2 * acceleration_mm_s2)


def minutes(width_mm, height_mm, speed_mm_s, line_pitch_mm, passes=1, acceleration_mm_s2=None):
    """Return the minutes for a filled rectangle, burning in both directions.

    Parameters
    ----------
    width_mm, height_mm : float
        Along and across the lines.
    speed_mm_s, line_pitch_mm, passes : float or array
    acceleration_mm_s2 : float, optional
        Of the head along a line. Without it only the burning itself is counted.
    """
    lines = line_count(height_mm, line_pitch_mm)
    turn_s = 0 if acceleration_mm_s2 is None else 2 * np.asarray(speed_mm_s) / acceleration_mm_s2
    return passes * (lines * width_mm / np.asarray(speed_mm_s) + (lines - 1) * turn_s) / 60
