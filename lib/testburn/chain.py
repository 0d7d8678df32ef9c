"""Chain: run the notebooks headless, first to last, on one lab book.

Decides what is run (every numbered notebook, each from a fresh kernel) and what a maker sees meanwhile: a progress bar,
then the cards. A fault is said in the words of the notebook that met it, without a traceback.
`python -m testburn.chain` runs it; `--refresh` also writes the outputs back into the notebooks,
which is for those who change them.
"""

import argparse
import os
import sys
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError

from testburn import depthfit, labbook
from testburn.workshop import PROJECT, open_workshop

NOTEBOOKS = PROJECT / "notebooks"
CELL_SECONDS = 300


def notebooks() -> list[Path]:
    """Return the notebooks in the order a maker works."""
    return sorted(NOTEBOOKS.glob("[0-9]*.ipynb"))


def run(path: Path, refresh: bool = False) -> None:
    """Run one notebook from a fresh kernel.

    Raises
    ------
    CellExecutionError
        If a cell fails.
    """
    notebook = nbformat.read(path, as_version=4)
    NotebookClient(notebook, timeout=CELL_SECONDS, kernel_name="python3", record_timing=False,
                   extra_arguments=["--log-level=ERROR"],
                   resources={"metadata": {"path": str(path.parent)}}).execute()
    if refresh:
        # The interpreter's version would change with every machine; widget state is drawn anew.
        notebook.metadata = {"kernelspec": {"name": "python3", "display_name": "Python 3",
                                            "language": "python"},
                             "language_info": {"name": "python"}}
        nbformat.write(notebook, path)


def _bar(done: int, total: int, words: str) -> None:
    """Draw the bar: in place on a terminal, a line a notebook elsewhere."""
    filled = 24 * done // total
    line = f"[{'#' * filled}{'.' * (24 - filled)}] {done}/{total} {words}"
    if sys.stdout.isatty():
        print(f"\r{line:<78}", end="" if done < total else "\n", flush=True)
    else:
        print(line, flush=True)


def main(arguments: list[str] | None = None) -> int:
    """Check the lab book, run the chain, name the cards; return the exit code."""
    parser = argparse.ArgumentParser(prog="testburn.chain", description=__doc__.splitlines()[0])
    parser.add_argument("--refresh", action="store_true",
                        help="write the outputs back into the notebooks")
    refresh = parser.parse_args(arguments).refresh
    if not refresh:
        os.environ.setdefault("TESTBURN_CARDS", str(PROJECT / "cards"))
    try:
        workshop = open_workshop()
        readings = labbook.read(workshop.book)
        if readings.empty:
            print("The lab book holds no readings yet. Enter a burn first: "
                  "python3 lib/start.py lab --labdata FOLDER, then notebook 2.")
            return 1
        # What no notebook could do without is tried here, where it is said in one line.
        depthfit.fit(readings)
        workshop.machine
    except (labbook.ReadingsError, OSError, ValueError) as fault:
        print(fault)
        return 1
    if not _run_all(refresh):
        return 1
    if not refresh:
        _name_the_cards(Path(os.environ["TESTBURN_CARDS"]))
    return 0


def _run_all(refresh: bool) -> bool:
    """Run every notebook, two at a time as none needs another; False once one has stopped."""
    sequence = notebooks()
    with ThreadPoolExecutor(max_workers=2) as pool:
        jobs = {pool.submit(run, path, refresh): path for path in sequence}
        _bar(0, len(sequence), "notebooks")
        for done, job in enumerate(as_completed(jobs), start=1):
            if isinstance(fault := job.exception(), CellExecutionError):
                pool.shutdown(cancel_futures=True)
                print(f"\nNotebook {jobs[job].name} stopped: {fault.evalue}")
                return False
            job.result()
            _bar(done, len(sequence), jobs[job].stem)
    return True


def _name_the_cards(folder: Path) -> None:
    for card in sorted(folder.glob("*.pdf")):
        print(f"Card: {card}")
    print("Open the notebooks in JupyterLab: python3 lib/start.py lab")


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(130)
