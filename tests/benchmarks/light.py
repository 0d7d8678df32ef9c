"""How long things take that a maker waits for, each beside what it cannot do without.

Run `.venv/bin/python tests/benchmarks/light.py [PAIRS]`. Pairs are taken one after the other and the middle of
their ratios is told: the imports for a card beside those of the libraries it needs; a second `start.py card`
beside the same; all notebooks beside the same kernels with nothing but their imports. The bounds are our own.
"""

import ast
import os
import statistics
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import nbformat

from testburn.workshop import chain

ROOT = Path(__file__).parents[2]
FLOOR = "import pandas, scipy.optimize, scipy.special, typst"
CARD = "from testburn import labbook, depthfit, job, sweep, paper"


def seconds(*arguments, **environment) -> float:
    """Return the wall time of a fresh interpreter."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *map(str, arguments)], check=True, stdout=subprocess.DEVNULL, cwd=ROOT,
                   env=os.environ | environment)
    return time.perf_counter() - start


def imports_only(folder: Path) -> list[Path]:
    """Write every notebook with nothing but its imports into a folder, and return them."""
    made = []
    for path in chain.notebooks():
        notebook = nbformat.read(path, as_version=4)
        first = next(cell for cell in notebook.cells if cell.cell_type == "code")
        first.source = "\n".join(ast.unparse(node) for node in ast.parse(first.source).body
                                 if isinstance(node, (ast.Import, ast.ImportFrom)))
        notebook.cells = [first]
        nbformat.write(notebook, folder / path.name)
        made.append(folder / path.name)
    return made


def kernels(paths: list[Path]) -> float:
    """Return the wall time of running notebooks as the command does."""
    start = time.perf_counter()
    with ThreadPoolExecutor(max_workers=chain.WORKERS) as pool:
        list(pool.map(chain.run, chain.longest_first(paths)))
    return time.perf_counter() - start


def told(what: str, pairs, bound: float) -> bool:
    """Print the middle of the pairs' ratios; return whether it keeps the bound."""
    ratio = statistics.median(of / beside for of, beside in pairs)
    of, beside = (statistics.median(times) for times in zip(*pairs))
    print(f"{what}: {of:.2f} s beside {beside:.2f} s, ratio {ratio:.2f} (at most {bound:g}), {len(pairs)} pairs",
          flush=True)
    return ratio <= bound


def main(pairs: int = 7) -> int:
    """Print the figures; return 1 where a bound is missed."""
    with tempfile.TemporaryDirectory() as scratch:
        cards = dict(TESTBURN_CARDS=str(Path(scratch) / "cards"))
        card = ("lib/start.py", "card")
        seconds(*card, **cards)  # the first run writes the compiled files and the cards' records
        kept = [told("imports for a card", [(seconds("-c", CARD), seconds("-c", FLOOR)) for _ in range(pairs)], 1.5),
                told("start.py card, again", [(seconds(*card, **cards), seconds("-c", FLOOR))
                                              for _ in range(pairs)], 6)]
        bare = imports_only(Path(scratch))
        os.environ["TESTBURN_CARDS"] = str(Path(scratch) / "notebooks' cards")
        kept.append(told("all notebooks", [(kernels(chain.notebooks()), kernels(bare)) for _ in range(2)], 1.5))
    return int(not all(kept))


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:2])))
