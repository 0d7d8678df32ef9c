"""Chain: run the notebooks headless, first to last, on one lab book.

Decides what is run (every numbered notebook, each from a fresh kernel) and what a maker sees meanwhile: a progress bar,
then the cards. A fault is said in the words of the notebook that met it, without a traceback.
It makes the same cards as `cards`, to the byte. `python -m testburn.workshop.chain` runs it; `--refresh` also writes the outputs back into the notebooks,
which is for those who change them.
"""

import argparse
import os
import re
import shutil
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError
from traitlets.config import Config

from testburn.labbook import files, shown
from testburn.workshop.cards import bar, own_option, ready
from testburn.workshop.lab import encryption
from testburn.workshop.openbook import cards_folder, notebooks, open_workshop

CELL_SECONDS, WORKERS = 300, 2
# The tag of the one cell whose picture of a page is stored with the notebook.
KEPT_PICTURE = "kept-picture"


def run(path: Path, refresh: bool = False) -> None:
    """Run one notebook from a fresh kernel.

    Raises
    ------
    CellExecutionError
        If a cell fails.
    """
    notebook = nbformat.read(path, as_version=4)
    NotebookClient(notebook, timeout=CELL_SECONDS, kernel_name="python3", record_timing=False,
                   extra_arguments=["--log-level=ERROR"], config=Config({"KernelManager": encryption()}),
                   resources={"metadata": {"path": str(path.parent)}}).execute()
    if refresh:
        for cell in notebook.cells:
            _without_pictures(cell)
        # The interpreter's version would change with every machine; widget state is drawn anew.
        notebook.metadata = {"kernelspec": {"name": "python3", "display_name": "Python 3",
                                            "language": "python"},
                             "language_info": {"name": "python"}}
        nbformat.write(notebook, path)


def longest_first(paths: list[Path]) -> list[Path]:
    """Return notebooks with those that take longest at the front, so that no worker waits for the other's last one.

    How long one takes is judged by how many cells run, and whether they typeset: a page of cards costs as much as ten.
    """
    def length(path: Path) -> int:
        code = [cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]
        return len(code) + 10 * sum(".write(" in source for source in code)

    return sorted(paths, key=length, reverse=True)


def _without_pictures(cell) -> None:
    """Put words in the place of a page's picture, unless the cell is the one whose picture is kept.

    What stands on a page is checked by tests of the page itself; half of all bytes would be pictures.
    """
    if KEPT_PICTURE in cell.metadata.get("tags", []):
        return
    for output in cell.get("outputs", []):
        if output.get("data", {}).pop("image/png", None):
            output["metadata"] = {}
            output["data"]["text/plain"] = "A page as a picture: run this cell to see it."


def main(arguments: list[str] | None = None) -> int:
    """Check the lab book, run the chain, name the cards; return the exit code."""
    parser = argparse.ArgumentParser(prog="testburn.workshop.chain", description=__doc__.splitlines()[0])
    parser.add_argument("--refresh", action="store_true",
                        help="write the outputs back into the notebooks")
    refresh = parser.parse_args(arguments).refresh
    before = dict(os.environ)
    cards = cards_folder()
    try:
        with tempfile.TemporaryDirectory(prefix="testburn-", ignore_cleanup_errors=True) as scratch:
            # Kernels are ended abruptly: what they leave in their temporary folder goes with ours.
            os.environ.update(dict.fromkeys(("TMPDIR", "TEMP", "TMP"), scratch))
            os.environ["TESTBURN_CARDS"] = str(Path(scratch) / "cards")
            # What notebooks show in the project must not depend on the cards of this computer.
            code = _checked_run(None if refresh else cards, refresh)
            if code == 0 and not refresh:
                _keep_cards(Path(scratch) / "cards", cards)
        return code
    except OSError as fault:
        shown.say(f"The cards could not be kept: {fault}. Close them in the program that shows them, then "
              "run this again.")
        return 1
    finally:
        os.environ.clear()
        os.environ.update(before)


def _checked_run(cards: Path | None, refresh: bool) -> int:
    """Check the lab book, then run the chain beside its earlier records; return the exit code."""
    try:
        workshop = open_workshop()
        if cards is not None and workshop.scratch:
            _keep_records(cards, workshop.cards, workshop.records.relative_to(workshop.cards))
    except (OSError, ValueError) as fault:
        shown.say(str(fault))
        return 1
    # What no notebook could do without is tried here, where it is said in one line.
    if ready(workshop) is None:
        return 1
    return 0 if _run_all(refresh) else 1


def _run_all(refresh: bool) -> bool:
    """Run every notebook, two at a time as none needs another; False once one has stopped."""
    sequence = longest_first(notebooks())
    with ThreadPoolExecutor(max_workers=WORKERS) as pool:
        jobs = {pool.submit(run, path, refresh): path for path in sequence}
        bar(0, len(sequence), "notebooks")
        for done, job in enumerate(as_completed(jobs), start=1):
            if isinstance(fault := job.exception(), CellExecutionError):
                pool.shutdown(cancel_futures=True)
                shown.say(f"\nNotebook {jobs[job].name} stopped: {_in_words(fault)}")
                return False
            job.result()
            bar(done, len(sequence), jobs[job].stem)
    return True


def _in_words(fault: CellExecutionError) -> str:
    """Return what a fault says; of one raised without words, the last line of what was run and its kind."""
    if fault.evalue and fault.evalue != "None":
        return fault.evalue
    plain = re.sub(r"\x1b\[[0-9;]*m", "", fault.traceback)
    lines = [line.strip() for line in plain.splitlines() if line.strip(" -")]
    return lines[-1] if lines else fault.ename


def _keep_cards(made: Path, folder: Path) -> None:
    """Move the cards where they belong, now that every notebook has run, and name them."""
    folder.mkdir(parents=True, exist_ok=True)
    # A record without its card does no harm, a card without its record does.
    for records in made.glob("records/*/"):
        _keep_records(made, folder, records.relative_to(made))
    for card in sorted(made.glob("*.pdf")):
        shown.say(f"Card: {shutil.move(card, folder / card.name)}")
    shown.say("Open the notebooks in JupyterLab: python3 lib/start.py lab" + own_option())


def _keep_records(source: Path, target: Path, records: Path) -> None:
    """Copy the card records that the target does not have: none is ever written over."""
    for record in sorted((source / records).glob("*.json")):
        if not (target / records / record.name).exists():
            with files.locked(target / records):
                files.add_whole(target / records, target / records / record.name,
                                      record.read_bytes())


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(130)
