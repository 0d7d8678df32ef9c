"""Head: the kinematics of the head that sweeps.

Decides how far it needs to reach its speed, what a line and a turn cost, how long it travels from rest to rest and
hurries over a gap, and so the minutes of a filled rectangle. It speeds up and slows down evenly. A machine that
`runs_up_outside` does so beyond the drawing: each turn costs 2·v/a however short the line. Another does so on the
wood: a line costs v/a more than at an even speed, never reaches it where it is shorter than v²/a, and wherever the
head is slower than set it lays down more energy, unless the machine lowers its power with the speed.

Where the acceleration is not known, minutes are a range: those of a brisk head and of a slow one.

Source: constant-acceleration kinematics (trapezoidal speed profile), closed forms; worked cases in
tests/reference/raster_time_examples.csv. How brisk heads are: our own judgement.
"""

from dataclasses import replace

import numpy as np

from testburn.labbook import Machine
from testburn.sweep.lines import line_count

BRISK_MM_S2, SLOW_MM_S2 = 3000.0, 500.0


def heads(machine: Machine) -> tuple[Machine, Machine]:
    """Return the machine with a brisk head and with a slow one; itself twice where its acceleration is known."""
    if machine.acceleration_mm_s2 is not None:
        return machine, machine
    return replace(machine, acceleration_mm_s2=BRISK_MM_S2), replace(machine, acceleration_mm_s2=SLOW_MM_S2)


def travel_speed_mm_s(machine: Machine) -> float:
    """Return the speed with the beam off: the machine's own, or the highest that can be set."""
    return machine.travel_speed_mm_s or machine.max_speed_mm_s


def turn_s(speed_mm_s, machine: Machine):
    """Return what a turn costs beyond the drawing: slow down, speed up, and what the machine adds."""
    speed = np.asarray(speed_mm_s, float)
    return machine.turn_overhead_s + (2 * speed / machine.acceleration_mm_s2 if machine.runs_up_outside else 0 * speed)


def slowing_s(length_mm, speed_mm_s, machine: Machine):
    """Return what a line takes beyond length/speed, as the head starts and stops on it; 0 where it does so outside.

    A trapezoid v/a, or a triangle 2·√(length/a) - length/v where the line is shorter than v²/a.
    """
    length, speed = np.broadcast_arrays(np.asarray(length_mm, float), np.asarray(speed_mm_s, float))
    a = machine.acceleration_mm_s2
    if machine.runs_up_outside:
        return np.zeros(length.shape)
    return np.where(length >= speed ** 2 / a, speed / a, 2 * np.sqrt(length / a) - length / speed)


def energy_share(length_mm, speed_mm_s, machine: Machine):
    """Return the mean line energy of a line over what is set: the time it takes over length/speed."""
    return 1 + slowing_s(length_mm, speed_mm_s, machine) * speed_mm_s / length_mm


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
    peak = np.minimum(np.sqrt(speed ** 2 + a * gap), np.maximum(top, speed))
    level = gap - (peak ** 2 - speed ** 2) / a
    return 2 * (peak - speed) / a + np.maximum(level, 0) / peak


def run_up_mm(speed_mm_s, acceleration_mm_s2):
    """Return the distance the head needs to reach the speed, v²/(2a), in mm."""
    return np.asarray(speed_mm_s) ** 2 / (2 * acceleration_mm_s2)


def minutes(width_mm, height_mm, speed_mm_s, line_pitch_mm, passes, head: Machine):
    """Return the minutes for a filled rectangle, burning in both directions.

    Parameters
    ----------
    width_mm, height_mm : float
        Along and across the lines.
    speed_mm_s, line_pitch_mm, passes : float or array
    head : Machine
        With an acceleration; see `heads`.
    """
    count, speed = line_count(height_mm, line_pitch_mm), np.asarray(speed_mm_s, float)
    line = width_mm / speed + slowing_s(width_mm, speed, head)
    return passes * (count * line + (count - 1) * turn_s(speed, head)) / 60
