"""Machine: its steps and units, and what of machine.toml looks like a slip."""

import numpy as np
import pandas as pd
import pytest

from testburn.labbook import Machine, ReadingsError
from testburn.units import Units

TOML = """\
max_speed_mm_s = 450
speed_step = "100 mm/min"
runs_up_outside = false
[units]
speed = "mm/min"
spacing = "lines per inch"
power_out_of = 255
"""


def read(tmp_path, text):
    (tmp_path / "machine.toml").write_text(text, encoding="utf-8")
    return Machine.of(tmp_path)


def test_units_are_said_once_by_name(tmp_path):
    machine = read(tmp_path, TOML)
    assert machine.units == Units("mm/min", "lines per inch", 255) and not machine.runs_up_outside
    assert Machine.of(tmp_path / "none") == Machine() and Machine().units == Units("mm/s", "mm", None)
    assert Machine().runs_up_outside


@pytest.mark.parametrize(("machine", "unit", "first", "second", "last"), [
    (Machine(1, 450, speed_step="100 mm/min", units=Units("mm/min")), "mm/min", 100, 200, 27000),
    (Machine(1, 450, speed_step="0.5 in/s", units=Units("in/s")), "in/s", 0.5, 1.0, 17.5),
    (Machine(1, 450, units=Units("in/s")), "in/s", 0.04, 0.05, 17.71),
    (Machine(1, 450, units=Units("mm/min")), "mm/min", 60, 120, 27000),          # 1 mm/s a step, as nothing is said
    (Machine(1, 450), "mm/s", 1, 2, 450),
    (Machine(5, 20, speed_step="2 mm/s"), "mm/s", 6, 8, 20)])
def test_speeds_are_those_that_can_be_typed(machine, unit, first, second, last):
    of = machine.units.of("speed_mm_s")
    speeds = machine.speeds()
    assert of.name == unit and [of.text(speed) for speed in speeds[[0, 1, -1]]] == [f"{one:g}" for one in (first, second, last)]
    assert machine.min_speed_mm_s - 1e-9 <= speeds[0] and speeds[-1] <= machine.max_speed_mm_s + 1e-9
    np.testing.assert_allclose(machine.nearest_speeds(speeds[:50] + 0.2 * machine.step_mm_s), speeds[:50])
    assert machine.nearest_speeds([0.001, 1e6]).tolist() == pytest.approx([speeds[0], speeds[-1]])


@pytest.mark.parametrize(("text", "words"), [
    ('speed_step = "quick"', 'speed_step is "quick", which is no step of speed. Write a number with its unit, e.g. "100 mm/min"'),
    ('speed_step = "1 km/h"', "'km/h' is no unit of speed known here"),
    ("speed_step = 100", 'speed_step, value \'100\': this is not a text. Write a text in quotes.'),
    ('[units]\nspeed = "km/h"', "units, speed, value 'km/h': allowed is one of mm/s, mm/min, in/s, in/min. In quotes, e.g. "
     '"mm/min".'),
    ("[units]\npower_out_of = 0", "units, power_out_of, value '0': allowed is above 0 and at most 1000000. Leave it out if power "
     "is set in percent."),
    ("[units]\nclearance_mm = 60", "line 2, units, clearance_mm: nothing asks for this line."),
    ('min_speed_mm_s = 1\nmax_speed_mm_s = 3\nspeed_step = "5 mm/s"', "No multiple of 5 mm/s lies between")])
def test_what_is_no_unit_or_step_is_named(tmp_path, text, words):
    with pytest.raises(ReadingsError) as said:
        read(tmp_path, text)
    assert words in str(said.value)


def test_powers_and_pitches_as_the_control_takes_them():
    machine = Machine(units=Units(spacing="lines per inch", power_out_of=255))
    assert machine.taken("power_pct", [90, 10, 10.1]) == pytest.approx([90, 26 / 2.55], abs=1e-9)
    assert machine.taken("line_pitch_mm", [0.1, 0.08]) == [0.1, 0.08]
    assert Machine().taken("power_pct", [33.3]) == [33.3]


def test_a_limit_typed_in_mm_per_minute_and_one_below_what_was_burned_are_named():
    assert Machine(max_speed_mm_s=30000).doubts() == [
        "machine.toml: max_speed_mm_s = 30000 is faster than the heads of such machines. It is in mm/s: 30000 mm/min would be 500."]
    burned = pd.DataFrame({"species": "white oak", "module_w": 20.0, "burn": ["a", "b"], "speed_mm_s": [80.0, 245.0]})
    assert Machine(max_speed_mm_s=200).doubts(burned) == [
        "machine.toml: max_speed_mm_s = 200, but white oak under 20 W was burned at 245 mm/s (burn b). No setting goes beyond "
        "the line: is it right?"]
    assert Machine(min_speed_mm_s=100).doubts(burned)[0].startswith("machine.toml: min_speed_mm_s = 100, but white oak")
    assert Machine().doubts(burned) == [] and Machine().doubts(burned[:0]) == []
