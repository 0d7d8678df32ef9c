"""Honesty: the benchmark's own scores on a few seeded workshops, with bounds that still can fail.

The full table is `tests/benchmarks/honesty.py`, with 200 workshops a case.
"""

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parents[1] / "benchmarks"))
import honesty

WORKSHOPS = 12
CASES = {case.name: case for case in honesty.CASES}
# quantity → bounds. Wider than the benchmark's because 12 workshops scatter by about 0.015 in coverage and 0.02 in
# width and landings. Ordinary least squares would miss every `holds`.
BOUNDS = {
    "home, 1 boards": {"holds": (0.955, 0.999), "width": (0.60, 0.85), "plain holds": (0.55, 0.82)},
    "home, 3 boards": {"holds": (0.935, 0.985), "width": (0.42, 0.58), "plain holds": (0.80, 0.92),
                       "first try": (0.74, 0.90), "after a proof": (0.96, 1), "said 80 %": (0.73, 0.88)},
    "pairs never burned": {"flagged": (1, 1), "first row burned": (1, 1), "holds": (0.90, 1)},
    "two pitches a board": {"holds": (0.93, 0.985), "width": (0.40, 0.55)},
    "proof at 60, job at 240, 3 boards": {"holds": (0.87, 0.98), "width": (0.40, 0.55)},
    "board half as deep, 3 proofs": {"holds": (0.90, 1), "warned after 1": (0.80, 1), "warned after 3": (0.80, 1)},
}


@pytest.fixture(scope="module")
def found():
    return {name: honesty.reached(CASES[name], WORKSHOPS) for name in BOUNDS}


@pytest.mark.parametrize(("name", "quantity"), [(name, quantity) for name, bounds in BOUNDS.items()
                                                for quantity in bounds])
def test_the_answers_hold_off_home_ground_too(found, name, quantity):
    low, high = BOUNDS[name][quantity]
    assert low <= found[name][quantity][0] <= high


def test_a_missed_target_is_said():
    case = CASES["home, 3 boards"]
    scores = dict.fromkeys((*honesty.SHOWN, *case.targets), (0.5, 0.01))
    (row, *_) = honesty.rows(case, scores)
    assert (row["target"], row["verdict"]) == ("at least 0.945", "MISSED")
