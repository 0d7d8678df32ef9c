"""Honesty: the benchmark's own scores on a few seeded workshops, with bounds that still can fail.

The full table is `tests/benchmarks/honesty.py`; it reaches its targets with 150 workshops a case.
"""

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parents[1] / "benchmarks"))
import honesty

WORKSHOPS = 25
CASES = {case.name: case for case in honesty.CASES}
# quantity → bounds. Wider than the benchmark's because 25 workshops of 60 new boards scatter by about
# 0.01 in coverage and 0.02 in width and landings. Ordinary least squares would miss every `inside`.
BOUNDS = {
    "1 board": {"inside": (0.955, 0.998), "width": (0.60, 0.85), "plain inside": (0.55, 0.80)},
    "3 boards": {"inside": (0.935, 0.985), "width": (0.42, 0.56), "plain inside": (0.80, 0.92),
                 "first try": (0.76, 0.88), "after a proof": (0.97, 1), "said 80 %": (0.73, 0.88)},
    "unbalanced": {"inside": (0.935, 0.99), "plain inside": (0.70, 0.88)},
}


@pytest.fixture(scope="module")
def found():
    return {name: honesty.reached(CASES[name], WORKSHOPS) for name in BOUNDS}


@pytest.mark.parametrize(("name", "quantity"), [(name, quantity) for name, bounds in BOUNDS.items()
                                                for quantity in bounds])
def test_the_answers_hold_on_boards_never_seen(found, name, quantity):
    low, high = BOUNDS[name][quantity]
    assert low <= found[name][quantity] <= high


def test_a_missed_target_is_said():
    case = honesty.Case("3 boards", 3, {"inside": (0.945, 0.98)})
    scores = dict.fromkeys(honesty.SHOWN, 0.5)
    (row, *_) = honesty.rows(case, scores)
    assert (row["target"], row["verdict"]) == ("0.945 to 0.98", "MISSED")
