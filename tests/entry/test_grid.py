"""Grid: typed swatches become readings."""

import sys
from pathlib import Path

from testburn.entry import grid

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
