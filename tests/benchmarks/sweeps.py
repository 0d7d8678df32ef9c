"""How long a drawing takes from file to the three ways' minutes, and how much memory.

    .venv/bin/python tests/benchmarks/sweeps.py       (fails where a limit is passed)

200 shapes at 20 lines/mm on 300 × 200 mm must go from file to minutes at 600 speeds in 2 s. A drawing of
5000 shapes on 2000 × 2000 mm, 40,000 lines, must stay below 500 MB on top of what the drawing itself
takes. Times are the best of three; memory is traced (numpy's included). Drawings are invented.
"""

import sys
import tempfile
import time
import tracemalloc
from pathlib import Path

import numpy as np

from testburn import sweep
from testburn.labbook import Machine
from testburn.sweep import artwork

MOST_SECONDS, MOST_MB = 2.0, 500.0
HEAD = Machine(acceleration_mm_s2=3000, turn_overhead_s=0.02, travel_speed_mm_s=300, skips_blanks=True)
SHAPE = '<path transform="translate({x} {y}) scale({scale})" fill-rule="evenodd" d="{d}"/>'
RING = "M0 10C0 0 20 0 20 10S0 20 0 10zM5 10c0-4 10-4 10 0s-10 4-10 0z"


def drawing(folder: Path, columns: int, rows: int, width: int, height: int) -> Path:
    """Write rings in rows and columns, a curve each inside and outside."""
    across, down = width / columns, height / rows
    shapes = [SHAPE.format(x=across * (n % columns), y=down * (n // columns), scale=min(across, down) / 26, d=RING)
              for n in range(columns * rows)]
    file = folder / f"{columns * rows}.svg"
    file.write_text(f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
                    f'viewBox="0 0 {width} {height}">{"".join(shapes)}</svg>', encoding="utf-8")
    return file


def best_seconds(task, rounds=3) -> float:
    """Return the least seconds of several rounds."""
    taken = []
    for _ in range(rounds):
        started = time.perf_counter()
        task()
        taken.append(time.perf_counter() - started)
    return min(taken)


def peak_mb(task) -> float:
    """Return the highest memory a task needs on top of what is there, in MB."""
    tracemalloc.start()
    task()
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return peak


def main() -> int:
    """Print the measurements; return 1 where a limit is passed."""
    speeds = HEAD.speeds()
    with tempfile.TemporaryDirectory() as place:
        file = drawing(Path(place), 20, 10, 300, 200)
        large = artwork.read(drawing(Path(place), 100, 50, 2000, 2000))
        art = artwork.read(file)
        plan = sweep.plan(art, 0.05, HEAD)
        seconds = {
            "read 200 shapes": best_seconds(lambda: artwork.read(file)),
            "cut at 20 lines/mm": best_seconds(lambda: sweep.plan(art, 0.05, HEAD)),
            "three ways at 600 speeds": best_seconds(lambda: plan.minutes(speeds))}
        narrowest = best_seconds(lambda: artwork.read(file).narrowest_stroke_mm, 1)
        cut = best_seconds(lambda: sweep.plan(large, 0.05, HEAD), 1)
        memory = peak_mb(lambda: sweep.plan(large, 0.05, HEAD).fastest_minutes(speeds))
    total = sum(seconds.values())
    for what, took in seconds.items():
        print(f"{what:48s} {took:8.3f} s")
    print(f"{'from file to minutes':48s} {total:8.3f} s   at most {MOST_SECONDS:g} s")
    print(f"{'narrowest stroke of 200 shapes, with reading':48s} {narrowest:8.3f} s")
    print(f"{'cut 5000 shapes on 2000 × 2000 mm, 40,000 lines':48s} {cut:8.3f} s")
    print(f"{'memory for it and its minutes':48s} {memory:8.0f} MB  at most {MOST_MB:g} MB")
    assert np.isfinite(plan.fastest_minutes(speeds)).all()
    return int(total > MOST_SECONDS or memory > MOST_MB)


if __name__ == "__main__":
    sys.exit(main())
