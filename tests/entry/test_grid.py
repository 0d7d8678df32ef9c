"""Grid: typed swatches become readings."""

import sys
from pathlib import Path

import pandas as pd
import pytest

from testburn.entry import grid
from testburn.units import Units

sys.path.append(str(Path(__file__).parent))
from typed_burns import HEADER, ROWS


def test_blank_swatches_and_empty_depths_are_passed_over():
    rows = [*ROWS, {"swatch": "3"}, {"swatch": "4", "depths": ["", " "]}]
    readings = grid.as_readings({**HEADER, "swatches": rows})
    assert readings[["swatch", "reading", "speed_mm_s", "depth_mm"]].values.tolist() == [
        ["1", 1, 150.0, 0.66], ["1", 2, 150.0, 0.67], ["1", 3, 150.0, 0.71],
        ["2", 1, 300.0, 0.31], ["2", 2, 300.0, 0.30]]


def test_a_reading_keeps_the_place_of_its_box():
    rows = [{"swatch": "1", "speed": "150", "depths": ["0.66", "", "0.71"]}]
    assert grid.as_readings({**HEADER, "swatches": rows})["reading"].tolist() == [1, 3]


SHOP = Units("mm/min", "lines per inch", 255)
BURN = pd.DataFrame({"burn": "a", "swatch": ["1", "2"], "reading": 1, "speed_mm_s": [77.0, 100 / 60], "power_pct": 230 / 2.55,
                     "line_pitch_mm": 0.1, "passes": 1, "depth_mm": [0.5, 1.2]}).round(9)


def test_a_saved_burn_or_a_plan_fills_the_form_in_the_machine_s_units():
    typed = grid.filled(BURN, SHOP)
    assert [row["speed"] for row in typed["swatches"]] == ["4620", "100"]
    assert (typed["speed_unit"], typed["power_pct"], typed["power_unit"]) == ("mm/min", "230", "of 255")
    assert (typed["line_spacing"], typed["line_spacing_unit"]) == ("254", "lines per inch")
    back = grid.as_readings(typed)
    for name in ("speed_mm_s", "power_pct", "line_pitch_mm"):
        assert back[name].tolist() == pytest.approx(BURN[name].tolist(), rel=1e-8)
    assert grid.remembered(BURN.assign(burned_on="2026-03-14", gauge_step_mm=0.01), SHOP)["power_pct"] == "230"


def test_what_would_come_back_as_another_number_stands_in_the_file_s_unit():
    typed = grid.filled(BURN.assign(line_pitch_mm=0.08, power_pct=90.0), SHOP)      # 317.5 lines per inch, 229.5 of 255
    assert (typed["line_spacing"], typed["line_spacing_unit"], typed["power_pct"], typed["power_unit"]) == ("0.08", "mm", "90", "%")
    assert typed["speed_unit"] == "mm/min"
