"""How long the imports for a card take, beside those of the libraries it cannot do without.

Run `.venv/bin/python tests/benchmarks/light.py [PAIRS]`; each pair is two fresh interpreters, one after the
other, and the middle of the ratios is told. The bound is our own: 1.5.
"""

import statistics
import subprocess
import sys
import time

FLOOR = "import pandas, scipy.optimize, scipy.special, typst"
CARD = "from testburn import labbook, depthfit, job, sweep, paper"
BOUND = 1.5


def seconds(code: str) -> float:
    """Return the wall time of a fresh interpreter that runs the code."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], check=True)
    return time.perf_counter() - start


def main(pairs: int = 7) -> int:
    """Print the figures; return 1 where the bound is missed."""
    seconds(CARD)  # the first run writes the compiled files
    floors, cards = zip(*((seconds(FLOOR), seconds(CARD)) for _ in range(pairs)))
    ratio = statistics.median(card / floor for floor, card in zip(floors, cards))
    print(f"floor {statistics.median(floors):.2f} s, imports for a card {statistics.median(cards):.2f} s, "
          f"ratio {ratio:.2f} (at most {BOUND:g}), {pairs} pairs")
    return int(ratio > BOUND)


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:2])))
