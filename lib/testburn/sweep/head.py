"""Head: the kinematics of the head that sweeps.

Decides how far it needs to reach its speed, what a turn costs, how long it travels from rest to rest and
hurries over a gap, and so the minutes of a filled rectangle. It speeds up and slows down evenly, so each
turn costs 2·v/a however short the line, and whatever the machine adds to a turn. Without an acceleration
only the burning is counted.

Source: constant-acceleration kinematics (trapezoidal speed profile), closed forms; worked cases in
tests/reference/raster_time_examples.csv.
"""

import numpy as np

from testburn.labbook import Machine
from testburn.sweep.lines import line_count



def travel_speed_mm_s(machine: Machine) -> float:
    """Return the speed with the beam off: the machine's own, or the highest that can be set."""
    return machine.travel_speed_mm_s or machine.max_speed_mm_s


def turn_s(speed_mm_s, machine: Machine):
    """Return what a turn costs: slow down, speed up, and what the machine adds; 0 without acceleration."""
    if machine.acceleration_mm_s2 is None:
        return np.zeros_like(speed_mm_s, float)
    return 2 * np.asarray(speed_mm_s) / machine.acceleration_mm_s2 + machine.turn_overhead_s


def rest_to_rest_s(distance_mm, machine: Machine):
    """Return the seconds to travel from rest to rest: a trapezoid, or a triangle where it is short."""
    top, a = travel_speed_mm_s(machine), machine.acceleration_mm_s2
    distance = np.asarray(distance_mm, float)
    return np.where(distance >= top ** 2 / a, distance / top + top / a, 2 * np.sqrt(distance / a))


def hurry_s(gap_mm, speed_mm_s, machine: Machine):
    """Return the seconds over a gap entered and left at set speed, hurrying between.

    The head speeds up to u = √(v² + a·gap), at most the travel speed, and is back at v at the end:
    2·(u - v)/a, and at travel speed whatever is left. Never slower than the set speed.
    """
    gap, speed = np.broadcast_arrays(np.asarray(gap_mm, float), np.asarray(speed_mm_s, float))
    a, top = machine.acceleration_mm_s2, travel_speed_mm_s(machine)
    if a is None:
        return gap / speed
    peak = np.minimum(np.sqrt(speed ** 2 + a * gap), np.maximum(top, speed))
    level = gap - (peak ** 2 - speed ** 2) / a
    return 2 * (peak - speed) / a + np.maximum(level, 0) / peak


def run_up_mm(speed_mm_s, acceleration_mm_s2):
    """Return the distance the head needs to reach the speed, v²/(2a), in mm."""
    return np.asarray(speed_mm_s) ** 2 / (2 * acceleration_mm_s2)


def minutes(width_mm, height_mm, speed_mm_s, line_pitch_mm, passes=1, acceleration_mm_s2=None,
            turn_overhead_s=0.0):
    """Return the minutes for a filled rectangle, burning in both directions.

    Parameters
    ----------
    width_mm, height_mm : float
        Along and across the lines.
    speed_mm_s, line_pitch_mm, passes : float or array
    acceleration_mm_s2 : float, optional
        Of the head along a line. Without it only the burning itself is counted.
    turn_overhead_s : float
        What a turn costs besides.
    """
    count = line_count(height_mm, line_pitch_mm)
    turn = (0 if acceleration_mm_s2 is None
            else 2 * np.asarray(speed_mm_s) / acceleration_mm_s2 + turn_overhead_s)
    return passes * (count * width_mm / np.asarray(speed_mm_s) + (count - 1) * turn) / 60
