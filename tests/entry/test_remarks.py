"""Remarks: what is said beside a row and of the header."""

import sys
from pathlib import Path

import numpy as np
import pytest

from testburn import depthfit, labbook
from testburn.depthfit import suspects
from testburn.entry import grid, remarks
from testburn.labbook import woods

sys.path.append(str(Path(__file__).parent))
from typed_burns import HEADER


def remarks_on(speed="150", depths=(), power="", species="black cherry", faces=(), **header):
    typed = {**HEADER, **header, "swatches": [{
        "swatch": "1", "speed": speed, "power": power, "depths": list(depths), "faces": list(faces)}]}
    limits = woods.volume_energy_limits(woods.read()["specific_gravity_12pct"]).loc[species]
    return [(said.weight, said.text) for said in remarks.row_remarks(typed, 0, limits)]


@pytest.mark.parametrize(("row", "said"), [
    # 20 W · 90 % / 150 mm/s = 0.12 J/mm; over 0.05 mm 2.4 J/mm².
    ({"depths": ["0,66", "0.67", "0.71"]},
     [("plain", "0.12 J/mm, 2.4 J/mm²; mean 0.68 mm; spread 0.05 mm")]),
    ({"depths": ["0.33"], "power": "45"}, [("plain", "0.06 J/mm, 1.2 J/mm²; mean 0.33 mm")]),
    ({"depths": ["1.3"], "passes": "3"}, [("plain", "0.36 J/mm, 7.2 J/mm²; mean 1.3 mm")]),
    ({"speed": "", "depths": ["0.33", "0.34"]}, [("plain", "mean 0.335 mm; spread 0.01 mm")]),
    ({"speed": "", "depths": ["", ""]}, []),
    ({"speed": "abc", "depths": ["1/64"]},
     [("fault", "Speed 'abc': this is not a number; write it like 0.45 or 0,45"),
      ("fault", "Reading 1 '1/64': a fraction is one of an inch; write it like 1/64 in, or in mm like 0.45")]),
    ({"speed": "-5", "depths": ["-0.1"], "power": "120"},
     [("fault", "Speed '-5': allowed is at least 0.001 and at most 100000 mm/s"),
      ("fault", "Power '120': allowed is at least 0.01 and at most 100 %"),
      ("fault", "Reading 1 '-0.1': allowed is at least 0 and at most 1000 mm")]),
    # Black cherry, specific gravity 0.50: 0.25 J/mm³ is refused, below 0.75 and above 15 doubted.
    ({"depths": ["0.66", "0.67"], "depth_unit": "inch"},
     [("doubt", "Readings 1, 2: 17 mm at 0.14 J/mm³ is deeper than wood can give "
       "(from 0.25 J/mm³): did you mean mm?"),
      ("plain", "0.12 J/mm, 2.4 J/mm²; mean 16.9 mm; spread 0.25 mm")]),
    ({"depths": ["4"]},
     [("doubt", "Reading 1: 4 mm at 0.6 J/mm³ is deeper than wood usually gives "
       "(from 0.75 J/mm³): is the decimal point in its place?"),
      ("plain", "0.12 J/mm, 2.4 J/mm²; mean 4 mm")]),
    ({"depths": ["0.026"]},
     [("doubt", "Reading 1: 0.026 mm at 92 J/mm³ is shallower than wood usually gives "
       "(up to 17 J/mm³): did you mean inches?"),
      ("plain", "0.12 J/mm, 2.4 J/mm²; mean 0.026 mm")]),
    ({"depths": ["0.0026"], "depth_unit": "inch"},
     [("doubt", "Reading 1: 0.066 mm at 36 J/mm³ is shallower than wood usually gives "
       "(up to 17 J/mm³): did the gauge reach the floor?"),
      ("plain", "0.12 J/mm, 2.4 J/mm²; mean 0.066 mm")]),
    ({"depths": ["0.5", "0.8"]},
     [("doubt", "The readings differ by 0.3 mm, 46 % of their mean: measure again?"),
      ("plain", "0.12 J/mm, 2.4 J/mm²; mean 0.65 mm; spread 0.3 mm")]),
])
def test_what_is_said_beside_a_row(row, said):
    assert remarks_on(**row) == said


def test_a_coarse_gauge_makes_no_doubt_of_its_own_steps():
    assert remarks_on(depths=["0.2", "0.4"], gauge_step="0.1")[0][0] == "plain"
    assert remarks_on(depths=["0.2", "0.4"], gauge_step="0.01")[0][0] == "doubt"


def test_what_is_said_of_the_header():
    spacing = {"line_spacing": "200", "line_spacing_unit": "lines per cm"}
    said = remarks.header_remark(HEADER | spacing)
    assert said == remarks.Remark(
        "plain", "Pitch: 0.05 mm from line to line, 200 lines per cm, 508 lines per inch")
    said = remarks.header_remark({**HEADER, "module_w": "20 W", "moisture_pct": "-1"})
    assert said == remarks.Remark(
        "fault", "Module W '20 W': this is not a number; write it like 0.45 or 0,45; "
                 "Moisture % '-1': allowed is at least 0 and at most 100 %")


@pytest.mark.parametrize(("typed", "doubted"), [
    ("445", False), ("900", False), ("1064", True), ("940", True), ("10600", False), ("", False), ("x", False)])
def test_near_infrared_is_doubted_for_wood(typed, doubted):
    said = remarks.wavelength_remark(HEADER | {"wavelength_nm": typed})
    assert said == (remarks.Remark("doubt", remarks.NEAR_INFRARED) if doubted else remarks.Remark("plain", ""))


def test_a_face_without_its_floor_and_an_exchange_are_said():
    both = {"depth_as": grid.FACE_AND_FLOOR, "faces": ["0.10", "0.1"]}
    assert remarks_on(**both, depths=["0.76"])[0] == (
        "fault", "Reading 2 '0.1 to ': the floor is missing")
    both["faces"] = ["0.10", "0.1", "0.75"]
    assert remarks_on(**both, depths=["0.76", "0.77", "0.1"])[0] == (
        "doubt", "Reading 3: face and floor are the other way round than in the rest: "
                 "were they exchanged?")


# --- slips that the machine or the curve gives away

@pytest.fixture(scope="module")
def group():
    return depthfit.fit(labbook.read(Path(__file__).parents[2] / "labdata")).group("black cherry", 15)


@pytest.mark.parametrize(("slip", "words"), [
    ({}, ""), ({"speed_mm_s": 60}, "4500 mm/min would be 75 mm/s"),
    ({"line_pitch_mm": 10 / 25.4}, "254 lines per inch would fit"), ({"depth_mm": 1 / 25.4}, "inches would be"),
    ({"depth_mm": 1.3}, "")])
def test_a_slip_is_told_by_the_curve(slip, words, group):
    typed = {"power_pct": 90.0, "speed_mm_s": 75.0, "line_pitch_mm": 0.1, "passes": 1, "module_w": 15.0}
    typed["depth_mm"] = float(group.mean(np.array([15 * 0.9 / 75 / 0.1]))[0])
    said = suspects.slip(group, {name: value * slip.get(name, 1) for name, value in typed.items()})
    assert words in said and bool(said) == bool(words)


def test_a_speed_that_the_machine_does_not_have_is_doubted():
    typed = {**HEADER, "swatches": [{"swatch": "1", "speed": "9000", "power": "90", "depths": ["0.5"], "faces": []}]}
    said = remarks.row_remarks(typed, 0, None, machine=labbook.Machine(max_speed_mm_s=450))
    assert [one.text for one in said if one.weight == "doubt"] == ["Speed 9000 mm/s: the machine goes from 1 to 450 mm/s (machine.toml): 9000 mm/min would be 150 mm/s?"]


@pytest.mark.parametrize(("board", "rows", "said"), [
    ("B1", [], "Board B1 was burned with this module before (2026-03-14), so this is a check of the machine: what the board itself is drops out."),
    # Depths typed are 0.8 of what the board gave at 60 mm/s.
    ("B1", [("60", 0.8)], " At 1 setting burned on both days it is now 20 % shallower."),
    ("B1", [("60", 0.8), ("240", 1.0)], " At 2 settings burned on both days it is now 10 % shallower."),
    ("B1", [("60", None)], "what the board itself is drops out."), ("B9", [("60", 0.8)], "")])
def test_a_board_that_was_burned_before_is_a_check(burns, board, rows, said):
    group = depthfit.fit(burns()).groups[0]
    own = group.readings[group.readings["board"] == "B1"].groupby("speed_mm_s")["depth_mm"].mean()
    swatches = [{"swatch": str(place), "speed": speed, "power": "", "faces": [],
                 "depths": [f"{own[float(speed)] * share:.4f}" if share else "deep"]} for place, (speed, share) in enumerate(rows, 1)]
    typed = HEADER | {"species": "white oak", "board": board, "module_w": "20", "wavelength_nm": "450", "swatches": swatches}
    assert remarks.check_remark(typed, group).text.endswith(said) and bool(said) == bool(remarks.check_remark(typed, group).text)
    assert remarks.check_remark(typed, None).text == ""
