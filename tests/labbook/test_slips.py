"""Slips: a depth that no wood gives is refused, and what was probably meant is named.

Sources: 25.4 mm in an inch and 60 s in a minute; heating dry wood to 300 °C takes 0.50 kJ/g (Wood Handbook,
FPL-GTR-190, chapter 4, specific heat), so that white oak of specific gravity 0.68 gives no mm³ for less than 0.34 J.
"""

from math import log

import pandas as pd
import pytest

from testburn import energy, labbook
from testburn.labbook import slips

# 18 W optical at 60 mm/s, lines 0.05 mm apart: 6 J/mm², so 1.2 mm at 5 J/mm³.
ROW = {"module_w": 20, "power_pct": 90, "speed_mm_s": 60, "line_pitch_mm": 0.05, "passes": 1, "depth_mm": 1.2}


@pytest.mark.parametrize(("typed", "words"), [
    ({"depth_mm": 1.2 * 25.4}, "inches turned into mm twice: 1.2 mm would fit"),
    ({"depth_mm": 47.2}, "47.2 thousandths of an inch would be 1.2 mm"),
    ({"speed_mm_s": 3600}, "3600 mm/min would be 60 mm/s"),
    ({"depth_mm": 120}, "a decimal point two places off: 1.2 mm would fit")])
def test_a_depth_that_no_wood_gives_is_refused_with_what_was_meant(typed, words, sound):
    frame = pd.DataFrame(sound()).drop(columns="board_thickness_mm").assign(**ROW | typed)
    with pytest.raises(labbook.ReadingsError) as refused:
        labbook.check(frame)
    problem = refused.value.problems.iloc[0]
    assert "J/mm³ are less than heating white oak takes (0.34)" in problem["problem"]
    assert problem["column"] == "depth_mm" and words in problem["remedy"]
    assert len(labbook.check(frame, as_typed=True)) == len(frame)


@pytest.mark.parametrize(("share", "refused"), [(1.01, False), (0.99, True)])
def test_the_bound_is_half_a_kilojoule_a_gram(share, refused, sound):
    depth = 6 / (0.5 * 0.68) / share
    frame = pd.DataFrame(sound()).drop(columns="board_thickness_mm").assign(**ROW | {"depth_mm": depth})
    try:
        labbook.check(frame)
    except labbook.ReadingsError:
        assert refused
    else:
        assert not refused


@pytest.mark.parametrize(("slip", "words"), [
    ({"depth_mm": 1 / 25.4}, "inches would be 1.2 mm"), ({"speed_mm_s": 60}, "3600 mm/min would be 60 mm/s"),
    ({"line_pitch_mm": 10 / 25.4}, "508 lines per inch would fit"), ({"power_pct": 0.01}, "a share of 0.9 would be 90 %"),
    ({"depth_mm": 10}, "a decimal point one place off: 1.2 mm would fit"),
    ({"speed_mm_s": 1.3}, "")])
def test_the_slip_that_would_explain_is_named_first(slip, words):
    def off(meant):
        dose = energy.line_energy(*(meant[name] for name in ("module_w", "power_pct", "speed_mm_s", "passes")))
        # The truth that was put in: depth is 0.2 mm a J/mm², less where it gets deeper.
        return log(meant["depth_mm"] / (1.2 * (dose / meant["line_pitch_mm"] / 6) ** 0.9)) / log(1.5)

    typed = ROW | {name: ROW[name] * factor for name, factor in slip.items()}
    assert slips.explaining(typed, off if words else lambda meant: 2.0).partition(", or ")[0].endswith(words)


def test_a_slip_in_the_book_is_refused_corrected_or_set_aside(book, sound, as_csv):
    frame = pd.DataFrame(sound()).drop(columns="board_thickness_mm")
    wrong = frame.assign(depth_mm=frame["depth_mm"].where(frame.index != 1, 30.0))
    (book / "burns" / "b01.csv").write_text(wrong.to_csv(index=False), encoding="utf-8")
    with pytest.raises(labbook.ReadingsError, match="b01.csv, row 3, column depth_mm, value '30'"):
        labbook.read(book)
    assert labbook.read(book, as_typed=True)["depth_mm"].max() == 30
    first = wrong.iloc[1]
    labbook.strike(book, "b01", str(first["swatch"]), int(first["reading"]), "a slip")
    assert (labbook.read(book)["struck_because"] != "").sum() == 1
    with pytest.raises(labbook.ReadingsError, match="less than heating"):
        labbook.save(wrong.assign(burn="b02"), book)
