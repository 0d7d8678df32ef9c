"""How long the depth fit takes, beside a plain groupby over the same frame, and how much memory.

    .venv/bin/python tests/benchmarks/speed.py        (fails where a limit is passed)

A lab book of 5,040 readings (24 species × module groups) must be fitted in half a second. A million
readings in 1,000 groups must take at most 5 times as long as `groupby(keys)["depth_mm"].agg(["mean",
"var", "count"])` in the same process, and at most 3 times the frame's memory on top of it. Times are
the best of several, with reduction to swatches included. Readings are invented, text columns as text and
each swatch's rows together, as a lab book has them. The last two lines have no limit: categories make
the groupby faster than they make the fit, and rows in no order cost both.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
import time
import tracemalloc

import numpy as np
import pandas as pd

from testburn import depthfit

KEYS = ["species", "module_w", "wavelength_nm"]
MOST_SECONDS, MOST_TIMES_GROUPBY, MOST_TIMES_FRAME = 0.5, 5.0, 3.0
# groups, boards a group, swatches a board, readings a swatch
SHAPES = {"5 readings a swatch": (1000, 5, 40, 5), "3 readings a swatch": (1000, 5, 67, 3)}


def lab_book(groups, boards, swatch_count, readings, categories=False, seed=1) -> pd.DataFrame:
    """Invent readings about straight lines."""
    rng = np.random.default_rng(seed)
    group, board, swatch, reading = (axis.ravel() for axis in np.indices(
        (groups, boards, swatch_count, readings)))
    speed = np.linspace(60, 280, swatch_count)[swatch]
    module = np.array([10.0, 20.0, 40.0])[group % 3]
    depth = (rng.uniform(2, 4, groups)[group] * (36 / speed - 0.03)
             * rng.normal(1, 0.09, (groups, boards))[group, board]
             * rng.normal(1, 0.04, (groups, boards, swatch_count))[group, board, swatch]
             * rng.normal(1, 0.03, group.size) + rng.normal(0, 0.02, group.size))
    number = (group * boards + board).astype(str)
    frame = pd.DataFrame({
        "burn": np.char.add("burn-", number), "species": np.char.add("species ", (group // 3).astype(str)),
        "board": np.char.add("board-", number), "module_w": module, "wavelength_nm": 450.0,
        "power_pct": 100 * 36 / module, "speed_mm_s": speed, "line_pitch_mm": 0.05, "passes": 1,
        "swatch": np.char.add("s", swatch.astype(str)), "reading": reading + 1,
        "depth_mm": np.maximum(depth.round(2), 0), "gauge_step_mm": 0.01})
    kind = "category" if categories else "str"
    return frame.astype({"burn": kind, "species": kind, "board": kind, "swatch": kind})


def seconds(work, times) -> float:
    """Return the best time of several."""
    best = np.inf
    for _ in range(times):
        began = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - began)
    return best


def beside_groupby(label, readings, limited=True) -> bool:
    """Print times and memory of a large frame; return whether a limit was passed."""
    plain = seconds(lambda: readings.groupby(KEYS, observed=True)["depth_mm"].agg(["mean", "var", "count"]),
                    times=5)
    ours = seconds(lambda: depthfit.fit(readings), 3)
    tracemalloc.start()
    depthfit.fit(readings)
    peak = tracemalloc.get_traced_memory()[1] / readings.memory_usage(deep=True).sum()
    tracemalloc.stop()
    print(f"{len(readings):,} readings, {label}: groupby {1000 * plain:.0f} ms, fit {1000 * ours:.0f} ms, "
          f"{ours / plain:.1f} × groupby; memory {peak:.2f} × the frame")
    return bool(limited and (ours > MOST_TIMES_GROUPBY * plain or peak > MOST_TIMES_FRAME))


def main() -> int:
    """Print all figures; return how many limits were passed."""
    book = lab_book(24, 3, 14, 5)
    took = seconds(lambda: depthfit.fit(book), 3)
    print(f"{len(book):,} readings, 24 groups: {1000 * took:.0f} ms")
    passed = [took > MOST_SECONDS]
    passed += [beside_groupby(label, lab_book(*shape)) for label, shape in SHAPES.items()]
    beside_groupby("categories", lab_book(1000, 5, 40, 5, categories=True), limited=False)
    mixed = lab_book(1000, 5, 40, 5).sample(frac=1, random_state=1).reset_index(drop=True)
    beside_groupby("rows in no order", mixed, limited=False)
    print(f"{sum(passed) or 'no'} limit{'s' * (sum(passed) != 1)} passed")
    return sum(passed)


if __name__ == "__main__":
    sys.exit(1 if main() else 0)
