"""Workshop: which lab book is open, and where cards go.

Decides what a notebook works on. With TESTBURN_LABDATA set (lib/start.py sets it from --labdata)
that is the maker's own folder. Without it, it is a scratch copy of the invented demo lab book, so
that trying things out never touches labdata/; TESTBURN_SCRATCH says that the folder named is such a copy.
Cards go to TESTBURN_CARDS, or else into the lab book itself, so that the one folder a maker backs up holds all,
and renaming it loses nothing; those of a scratch copy beside it. Records of cards stand in the book.
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
from urllib.parse import quote

import pandas as pd

from testburn import depthfit, drift, labbook
from testburn.labbook import Machine, files, shown, woods
from testburn.units import Units

PROJECT = Path(__file__).resolve().parents[3]
DEMO, NOTEBOOKS = PROJECT / "labdata", PROJECT / "notebooks"
BOOK_FILES = ("burns", "jobs", "orders", "artwork", "woods.csv", "strikes.csv", "retired.csv", "machine_log.csv",
              "gauge.csv", "second_passes.csv", "timed_runs.csv", "machine.toml", "open-order.toml", "datapackage.json")

# The kind of output that JupyterLab's extension for charts draws.
_CHART = "application/vnd.plotly.v1+json"
# A page that is run whole is taken to its last cell at once; its first output brings it back to where one reads on.
_TO_THE_TOP = ("<script>{ const one = document.currentScript.closest('.jp-OutputArea-child'), page = one.closest('.jp-WindowedPanel-outer');"
               " one.style.display = 'none'; page.scrollTop = 0; }</script>")
_STOPPED = ('<b>This page stopped here.</b> What follows was not run.<script>document.currentScript.parentElement'
            '.scrollIntoView({block: "center"})</script>')


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
        return self.cards / "records" / "demo" if self.scratch else self.book / "records"

    @property
    def woods(self) -> pd.DataFrame:
        """The lab book's own woods, or the project's where it has none."""
        return woods.of(self.book)

    def link(self, file: Path) -> "Link":
        """Return a made file to click on; beside a page of the lab book it opens, elsewhere it is a name."""
        beside = self.book in Path(file).parents
        return Link(Path(file).name, os.path.relpath(file, self.book / "pages").replace(os.sep, "/") if beside else "")

    def __repr__(self) -> str:
        """Say which kind of book is open; a scratch copy's folder has another name every time."""
        return "the invented demo, in a scratch copy" if self.scratch else f"lab book {self.book}"

    def _repr_html_(self) -> str:
        if self.scratch:
            return ("<b>Lab book: the demo, in a scratch copy. All its readings are invented.</b> "
                    "What is saved here goes with this copy. For your own: "
                    "<code>python3 lib/start.py lab --labdata FOLDER</code>")
        return f"<b>Lab book: your own</b>, {shown.as_html(str(self.book))}."


@dataclass(frozen=True, repr=False)
class Link:
    """A file to open with a click: its name, and where it lies seen from a page; "" where no page sees it."""

    name: str
    place: str

    def __repr__(self) -> str:
        return self.name

    def _repr_html_(self) -> str:
        name = shown.as_html(self.name)
        return f'<a href="{quote(self.place)}" target="_blank">{name}</a>: click to open, then print.' if self.place else name


def notebooks() -> list[Path]:
    """Return the notebooks in the order a maker works."""
    return sorted(NOTEBOOKS.glob("[0-9]*.ipynb"))


def cards_folder() -> Path:
    """Return where a command leaves its cards: TESTBURN_CARDS, or cards/ of one's own lab book, for the demo of the project."""
    own = None if os.environ.get("TESTBURN_SCRATCH") else os.environ.get("TESTBURN_LABDATA")
    return Path(os.environ.get("TESTBURN_CARDS") or Path(own or PROJECT).resolve() / "cards")


def _shows_charts_plainly(shell) -> None:
    """Let a notebook show a chart by its numbers alone.

    plotly's own way looks for every program that could show one, and loads a grammar of web addresses to do it: a
    second in each kernel.
    """
    shell.display_formatter.ipython_display_formatter.for_type_by_name(
        "plotly.graph_objs._figure", "Figure",
        lambda chart: shell.display_pub.publish({_CHART: json.loads(chart.to_json())}))


def _stopped_here(shell, kind, fault, trace, tb_offset=None) -> None:
    """Say a fault, and bring it to where the eye is: a page that is run whole stops far below."""
    shell.showtraceback((kind, fault, trace), tb_offset=tb_offset)
    shell.display_pub.publish({"text/html": _STOPPED, "text/plain": "This page stopped here."})


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
        shell.set_custom_exc((Exception,), _stopped_here)
        _shows_charts_plainly(shell)
        if os.environ.get("TESTBURN_IN_LAB"):
            shell.display_pub.publish({"text/html": _TO_THE_TOP})
    named, cards, scratch = (os.environ.get(f"TESTBURN_{name}") for name in ("LABDATA", "CARDS", "SCRATCH"))
    if named and not Path(named).is_dir():
        raise FileNotFoundError(f"There is no lab book folder at {named}. Check --labdata.")
    book = Path(named).resolve() if named else _scratch_copy()
    found = Workshop(book, Path(cards) if cards else (book.parent if not named else book) / "cards", bool(scratch or not named))
    if not found.scratch:
        _take_over_records(found)
    return found


def _take_over_records(workshop: Workshop) -> None:
    """Copy the records of cards that an earlier version kept in the project's folder, once; nothing is deleted."""
    mark = hashlib.sha256(str(workshop.book).encode("utf-8")).hexdigest()[:6]
    former = PROJECT / "cards" / "records" / f"{workshop.book.name}-{mark}"
    if workshop.records.exists() or not former.is_dir():
        return
    with files.locked(workshop.records):
        for record in sorted(former.glob("*.json")):
            files.add_whole(workshop.records, workshop.records / record.name, record.read_bytes())
    shown.say(f"The records of your cards now stand in {workshop.records}, copied from {former}.")


def _scratch_copy() -> Path:
    """Copy the demo lab book to a folder that goes when the process ends."""
    scratch = Path(tempfile.mkdtemp(prefix="testburn-"))
    atexit.register(shutil.rmtree, scratch, ignore_errors=True)
    return copied_demo(scratch / "labdata")


def copied_demo(folder: Path) -> Path:
    """Copy the demo lab book into a folder that is not there yet, and return it."""
    folder.mkdir(parents=True)
    for name in BOOK_FILES:
        source = DEMO / name
        if not source.exists():
            continue
        if source.is_dir():
            shutil.copytree(source, folder / name)
        else:
            # With its time, as `copytree` does: what has lain still is not read twice.
            shutil.copy2(source, folder / name)
    return folder
