"""Units: conversions against NIST, what a control is told, and what may be typed."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testburn import units
from testburn.units import PERCENT, SPACINGS, SPEEDS, Units, power, split

# NIST Special Publication 811 (2008), appendix B.8, factors for units: 1 inch = 25.4 mm exactly, 1 in/s = 0.0254 m/s
# exactly, 1 minute = 60 s. From memory.
NIST = [
    (SPEEDS["in/s"], 1, 25.4), (SPEEDS["in/min"], 60, 25.4), (SPEEDS["mm/min"], 60, 1), (SPEEDS["mm/s"], 1, 1),
    (SPACINGS["in"], 0.01, 0.254), (SPACINGS["lines per inch"], 254, 0.1), (SPACINGS["lines per cm"], 100, 0.1),
    (SPACINGS["lines per mm"], 10, 0.1), (SPACINGS["mm"], 0.1, 0.1), (power("of 255"), 255, 100), (power("of 1000"), 255, 25.5),
    (PERCENT, 80, 80)]


@pytest.mark.parametrize(("unit", "number", "value"), NIST, ids=lambda one: getattr(one, "name", str(one)))
def test_factors(unit, number, value):
    assert unit.back(number) == value
    assert unit.of(value) == pytest.approx(number, rel=1e-14)


@given(st.sampled_from([*SPEEDS.values(), *SPACINGS.values(), power("of 255"), PERCENT]), st.floats(0.01, 500))
def test_what_is_written_is_read_back(unit, value):
    """To half a percent where the control has steps, else to the last digit written."""
    column = next(column for column in ("speed_mm_s", "line_pitch_mm", "power_pct") if unit in (
        *SPEEDS.values(),) and column == "speed_mm_s" or unit in (*SPACINGS.values(),) and column == "line_pitch_mm"
        or column == "power_pct")
    number, behind = split(unit.words(value), column)
    assert behind == unit
    assert unit.back(float(number)) == pytest.approx(value, rel=0.0051, abs=10.0 ** -unit.decimals * unit.per * (not unit.counts))


@pytest.mark.parametrize(("column", "typed", "number", "name"), [
    ("speed_mm_s", "2400 mm/min", "2400", "mm/min"), ("speed_mm_s", "2400mm per minute", "2400", "mm/min"),
    ("speed_mm_s", "1,6 in/s", "1,6", "in/s"), ("speed_mm_s", '90 inches per min', "90", "in/min"), ("speed_mm_s", "40", "40", None),
    ("line_pitch_mm", "254 lpi", "254", "lines per inch"), ("line_pitch_mm", "254 lines per inch", "254", "lines per inch"),
    ("line_pitch_mm", "12 lines/mm", "12", "lines per mm"), ("line_pitch_mm", "125 per cm", "125", "lines per cm"),
    ("line_pitch_mm", '0.004"', "0.004", "in"), ("line_pitch_mm", "0.1 mm", "0.1", "mm"),
    ("power_pct", "80 %", "80", "%"), ("power_pct", "128 of 255", "128", "of 255"), ("power_pct", "500/1000", "500", "of 1000"),
    ("power_pct", "128 out of 255", "128", "of 255"), ("speed_mm_s", "fast", "fast", None)])
def test_a_unit_may_stand_behind_a_number(column, typed, number, name):
    text, unit = split(typed, column)
    assert (text, unit and unit.name) == (number, name)


@pytest.mark.parametrize(("column", "typed", "words"), [
    ("speed_mm_s", "40 km/h", "'km/h' is no unit of speed known here; write a number alone, or behind it one of mm/s, mm/min, "
     "in/s, in/min"),
    ("line_pitch_mm", "40 mm/s", "'mm/s' is no unit of spacing known here; write a number alone, or behind it one of mm, in, "
     "lines per mm, lines per cm, lines per inch"),
    ("power_pct", "15 W", "'w' is no unit of power known here; write a number alone, or behind it one of %, of 255 (out of a "
     "full scale)")])
def test_what_is_no_unit_is_said(column, typed, words):
    with pytest.raises(ValueError) as said:
        split(typed, column)
    assert str(said.value) == words


SHOP = {"speed_mm_s": 77.0, "power_pct": 90.0, "line_pitch_mm": 0.1, "passes": 1}


@pytest.mark.parametrize(("said", "words"), [
    (Units(), "77 mm/s, 90 %, 1 pass, pitch 0.1 mm"),
    (Units("mm/min", "lines per inch", 255), "4620 mm/min, 230 of 255, 1 pass, 254 lines per inch"),
    (Units("in/s", "in", 1000), "3.031 in/s, 900 of 1000, 1 pass, pitch 0.00394 in"),
    (Units("in/min", "lines per cm", 1), "181.9 in/min, 0.9 of 1, 1 pass, 100 lines per cm"),
    (Units("mm/s", "lines per mm"), "77 mm/s, 90 %, 1 pass, 10 lines per mm")])
def test_a_setting_in_the_words_of_a_control(said, words):
    assert said.setting(SHOP) == words


@pytest.mark.parametrize(("name", "value", "taken", "text"), [
    ("of 255", 90.0, 90.0, "230"),                                    # 229.5: 0.2 % off, beside a swatch's 4 %
    ("of 255", 10.0, 26 * 100 / 255, "25.5"),                         # 25.5 or 26 is 2 %: another power
    ("of 10", 90.0, 90.0, "9"), ("%", 33.3, 33.3, "33.3")])
def test_what_a_control_cannot_take_is_the_nearest_it_can_where_that_is_the_same_energy(name, value, taken, text):
    assert power(name).taken(value) == pytest.approx(taken, abs=1e-9)
    assert power(name).text(value) == text


def test_pitches_go_to_whole_lines():
    unit = SPACINGS["lines per inch"]
    assert (unit.text(0.08), unit.taken(0.08)) == ("318", 0.08)       # 317.5 lines per inch
    assert (unit.text(0.5), unit.taken(0.5)) == ("51", 0.5)           # 50.8 lines per inch: 0.4 %
    assert math.isclose(unit.taken(3.0), 25.4 / 8, abs_tol=1e-9)      # 8.47: 8 it is


@pytest.mark.parametrize(("made", "words"), [
    (lambda: Units(speed="km/h"), "The speed is said in 'km/h'. Use one of: mm/s, mm/min, in/s, in/min."),
    (lambda: Units(spacing="furlong"), "The spacing is said in 'furlong'. Use one of: mm, in, lines per mm, lines per cm, lines "
     "per inch."),
    (lambda: Units(power_out_of=0), "A power out of 0 is none. Write the control's full scale, e.g. 255."),
    (lambda: units.power("watts"), "'watts' is no unit of power: write % or, say, of 255")])
def test_units_that_are_none(made, words):
    with pytest.raises(ValueError) as said:
        made()
    assert str(said.value) == words
