"""Workshop: which lab book is open, and where cards go.

Decides what a notebook works on. With TESTBURN_LABDATA set (lib/start.py sets it from --labdata)
that is the maker's own folder. Without it, it is a scratch copy of the invented demo lab book, so
that trying things out never touches labdata/. Cards go to TESTBURN_CARDS, or beside the scratch
copy where that is not set.
"""

import atexit
import hashlib
import json
import os
import shutil
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from testburn import depthfit, drift, labbook
from testburn.labbook import Machine, woods
from testburn.units import Units

PROJECT = Path(__file__).resolve().parents[3]
DEMO = PROJECT / "labdata"
BOOK_FILES = ("burns", "jobs", "orders", "artwork", "woods.csv", "strikes.csv", "retired.csv", "machine_log.csv",
              "timed_runs.csv", "machine.toml", "open-order.toml", "datapackage.json")

# The kind of output that JupyterLab's extension for charts draws.
_CHART = "application/vnd.plotly.v1+json"


@dataclass(frozen=True, repr=False)
class Workshop:
    """An open lab book: its folder, the folder for cards, and whether it is a scratch copy."""

    book: Path
    cards: Path
    scratch: bool

    @property
    def machine(self) -> Machine:
        """The machine's limits from machine.toml; the defaults where the file is missing."""
        return Machine.of(self.book)

    @property
    def units(self) -> Units:
        """What the machine's control asks for."""
        return self.machine.units

    @property
    def past(self) -> depthfit.states.Past:
        """What happened to the machine: its log, and what finished jobs say of it."""
        return drift.past_of(self.book, self.machine.spreads_pct)

    def fit(self) -> depthfit.DepthFit:
        """Return the fit of the lab book's readings, each module as it is now.

        Raises
        ------
        ValueError
            If there is nothing to fit; see `depthfit.fit`.
        """
        readings = labbook.read(self.book)
        return depthfit.fit(readings, self.past if len(readings) else None)

    @property
    def plans(self) -> Path:
        """Where burn plans go: beside the cards, as only a pressed button writes to a lab book."""
        return self.cards / "plans"

    @property
    def jobs(self) -> Path:
        """The folder of finished jobs; it need not be there yet."""
        return self.book / "jobs"

    @property
    def artwork(self) -> Path:
        """The folder of the drawings to engrave; it need not be there yet."""
        return self.book / "artwork"

    @property
    def records(self) -> Path:
        """Where printed cards leave what they promised; every lab book has its own."""
        mark = "" if self.scratch else hashlib.sha256(str(self.book).encode("utf-8")).hexdigest()[:6]
        return self.cards / "records" / ("demo" if self.scratch else f"{self.book.name}-{mark}")

    @property
    def woods(self) -> pd.DataFrame:
        """The lab book's own woods, or the project's where it has none."""
        return woods.of(self.book)

    def __repr__(self) -> str:
        """Say which kind of book is open; a scratch copy's folder has another name every time."""
        return "the invented demo, in a scratch copy" if self.scratch else f"lab book {self.book}"

    def _repr_html_(self) -> str:
        if self.scratch:
            return ("<b>Lab book: the demo, in a scratch copy. All its readings are invented.</b> "
                    "What is saved here is gone when the notebook's kernel stops. For your own: "
                    "<code>python3 lib/start.py lab --labdata FOLDER</code>")
        return "<b>Lab book: your own.</b>"


def cards_folder() -> Path:
    """Return where a command leaves its cards: TESTBURN_CARDS, or cards/ of the project."""
    return Path(os.environ.get("TESTBURN_CARDS") or PROJECT / "cards")


def _shows_charts_plainly(shell) -> None:
    """Let a notebook show a chart by its numbers alone.

    plotly's own way looks for every program that could show one, and loads a grammar of web addresses to do it: a
    second in each kernel.
    """
    shell.display_formatter.ipython_display_formatter.for_type_by_name(
        "plotly.graph_objs._figure", "Figure",
        lambda chart: shell.display_pub.publish({_CHART: json.loads(chart.to_json())}))


def open_workshop() -> Workshop:
    """Open the maker's lab book, or a scratch copy of the demo.

    Raises
    ------
    FileNotFoundError
        If TESTBURN_LABDATA names a folder that is not there.
    """
    if "IPython" in sys.modules and (shell := sys.modules["IPython"].get_ipython()):
        # A fault is said in words, without the pages of program lines that lead to it.
        shell.InteractiveTB.set_mode("Minimal")
        _shows_charts_plainly(shell)
    named, cards = os.environ.get("TESTBURN_LABDATA"), os.environ.get("TESTBURN_CARDS")
    if named and not Path(named).is_dir():
        raise FileNotFoundError(f"There is no lab book folder at {named}. Check --labdata.")
    book = Path(named).resolve() if named else _scratch_copy()
    return Workshop(book, Path(cards) if cards else book.parent / "cards", not named)


def _scratch_copy() -> Path:
    """Copy the demo lab book to a folder that goes when the process ends."""
    scratch = Path(tempfile.mkdtemp(prefix="testburn-"))
    atexit.register(shutil.rmtree, scratch, ignore_errors=True)
    for name in BOOK_FILES:
        source = DEMO / name
        if not source.exists():
            continue
        if source.is_dir():
            shutil.copytree(source, scratch / "labdata" / name)
        else:
            (scratch / "labdata").mkdir(exist_ok=True)
            shutil.copyfile(source, scratch / "labdata" / name)
    return scratch / "labdata"
