"""Typed: what one typed cell means: numbers, lengths, spacings, and what is refused."""

import pytest

from testburn.entry.typed import day, depth_mm, length_mm, number, pitch_mm, span_mm


@pytest.mark.parametrize(("typed", "value"), [
    ("0.45", 0.45), ("0,45", 0.45), (".5", 0.5), (",5", 0.5), ("12.", 12.0), (" 7 ", 7.0),
    ("-3", -3.0), ("0,450", 0.45), ("1200", 1200.0), ("", None), ("  ", None),
])
def test_a_typed_number(typed, value):
    assert number(typed) == value


@pytest.mark.parametrize("typed", [
    "1/64", "abc", "1.2.3", "1,2,3", "1_000", "nan", "inf", "1e3", ".", "-", "0.4 mm", "٣", "0x1"])
def test_text_that_is_no_number(typed):
    with pytest.raises(ValueError) as refused:
        number(typed)
    assert str(refused.value) == "this is not a number; write it like 0.45 or 0,45"


def test_a_comma_that_may_stand_for_thousands_is_asked_about():
    with pytest.raises(ValueError) as refused:
        number("1,200")
    assert str(refused.value) == (
        "this may mean 1200 or 1.200; write the one you mean without the comma")
    assert length_mm("1,250", "mm") == 1.25


@pytest.mark.parametrize(("typed", "unit", "mm"), [
    ("0.45", "mm", 0.45), ("0,018", "inch", 0.4572), ("1", "inch", 25.4),
    ("0.0005 in", "mm", 0.0127),
    ('0.75"', "mm", 19.05), ("19 mm", "inch", 19.0), ("0.5inch", "mm", 12.7), ("", "inch", None),
    ("3/4 in", "mm", 19.05), ('3/4"', "mm", 19.05), ("1 1/2 in", "mm", 38.1), ("1-1/2 inch", "mm", 38.1), ("1/64", "inch", 0.396875), ("12 in", "mm", 304.8),
])
def test_a_typed_length(typed, unit, mm):
    assert length_mm(typed, unit) == mm


@pytest.mark.parametrize("typed", ["3/4", "3/4 mm", "3/0 in", "1/2/3 in"])
def test_a_fraction_of_nothing_is_refused(typed):
    with pytest.raises(ValueError, match="a fraction is one of an inch; write it like 3/4 in" if typed.startswith("3/4") else "this is not a number"):
        length_mm(typed)


@pytest.mark.parametrize(("typed", "unit", "mm"), [
    ("0,05", "mm", 0.05), ("0.05", "mm between lines", 0.05), ("200", "lines per cm", 0.05),
    ("254", "lines per inch", 0.1),
    ("508", "lines per inch", 0.05), ("0", "lines per cm", 0.0), ("", "lines per inch", None),
])
def test_a_typed_line_spacing(typed, unit, mm):
    assert pitch_mm(typed, unit) == mm


@pytest.mark.parametrize(("face", "floor", "unit", "mm"), [
    ("0.10", "1.36", "mm", 1.26), ("12,5", "11.24", "mm", 1.26), ("0", "0.05", "inch", 1.27),
    ("-0.01", "-1.27", "mm", 1.26), ("", "", "mm", None)])
def test_a_depth_from_face_and_floor(face, floor, unit, mm):
    assert depth_mm((face, floor), unit) == mm


@pytest.mark.parametrize(("typed", "mm"), [
    ("0.10 to 0.20", [0.1, 0.2]), ("0,2 to 0,1", [0.1, 0.2]), ("0.15", [0.15, 0.15]), ("0.1;0.2", [0.1, 0.2]), (" ", None),
    ("0.004 in to 0.2 mm", [0.1016, 0.2]), ("0,10 0,20", [0.1, 0.2]), ("0,10-0,20", [0.1, 0.2]), ("[0.10, 0.20]", [0.1, 0.2]),
    ("0.1 – 0.2", [0.1, 0.2])])
def test_a_typed_span(typed, mm):
    assert span_mm(typed) == mm


@pytest.mark.parametrize("typed", ["0.1 to", "0.1 to 0.2 to 0.3"])
def test_text_that_is_no_span(typed):
    with pytest.raises(ValueError, match="no span; write it like 0.10 to 0.20|not a number"):
        span_mm(typed)


@pytest.mark.parametrize("typed", ["3/14/2026", "tomorrow", "2026-02-30", ""])
def test_text_that_is_no_day(typed):
    with pytest.raises(ValueError, match="this is not a day. Write it as year-month-day, e.g. 2026-03-14"):
        day(typed)
