"""How long the lab book takes to read its files, beside pandas alone, and how much memory.

    .venv/bin/python tests/benchmarks/reading.py        (fails where a limit is passed)

Every cell passes the check, so this is more work than `pandas.read_csv` does; it may take ten times as long, and six
times the memory of the frame that comes out. Readings are invented. Times are the best of three, memory is the peak
of a process that reads once.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from testburn import labbook

MOST_TIMES, MOST_TIMES_FRAME = 10.0, 6.0
# Rows, files.
SHAPES = ((50_000, 1), (1_000_000, 1), (1_990_000, 1), (1_900_000, 2000))
# Of Linux: what another process had before it became this one does not count in VmHWM.
ONE = """
import re, sys
from testburn import labbook
peak = lambda: 1024 * int(re.search(r"VmHWM:\\s*([0-9]+)", open("/proc/self/status", encoding="ascii").read())[1])
before = peak()
readings = labbook.read(sys.argv[1])
print((peak() - before) / readings.memory_usage().sum())
"""


def written(book: Path, rows: int, files: int) -> list[Path]:
    """Write invented burns, three readings a swatch, and return their files."""
    rng, made = np.random.default_rng(1), []
    (book / "burns").mkdir(parents=True)
    for number, part in enumerate(np.array_split(np.arange(rows), files)):
        swatch = part // 3
        frame = pd.DataFrame({
            "burn": f"b{number}", "burned_on": "2026-03-14", "species": "white oak", "board": [f"O{one % 40}" for one in swatch],
            "module_w": 20, "wavelength_nm": 445, "power_pct": 90, "speed_mm_s": 60 + swatch % 200, "line_pitch_mm": 0.05,
            "passes": 1, "swatch": swatch, "reading": part % 3 + 1,
            "depth_mm": rng.uniform(0.3, 0.9, len(part)).round(2), "gauge_step_mm": 0.01, "note": ""})
        made.append(book / "burns" / f"b{number}.csv")
        frame.to_csv(made[-1], index=False)
    return made


def best(work, times=3) -> float:
    """Return the least wall time of several."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return min(found)


def main() -> int:
    """Print a line a shape; return 1 where a limit is passed."""
    missed = 0
    for rows, files in SHAPES:
        with tempfile.TemporaryDirectory() as folder:
            made = written(Path(folder) / "book", rows, files)
            plain, ours = (best(work, 3 if rows < 10**6 else 2) for work in (
                lambda: [pd.read_csv(file) for file in made], lambda: labbook.read(Path(folder) / "book")))
            memory = float(subprocess.run([sys.executable, "-c", ONE, Path(folder) / "book"], check=True, capture_output=True,
                                          text=True, encoding="utf-8").stdout)
        kept = ours <= MOST_TIMES * plain and memory <= MOST_TIMES_FRAME
        missed += not kept
        print(f"{rows:>9,} rows in {files:>5,} files: {ours:6.2f} s beside {plain:5.2f} s, ratio {ours / plain:5.1f} (at most "
              f"{MOST_TIMES:g}); memory {memory:4.1f} times the frame (at most {MOST_TIMES_FRAME:g})"
              + ("" if kept else "  MISSED"), flush=True)
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main())
