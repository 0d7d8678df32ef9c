"""Cards: every card of the open lab book, made by calling what the notebooks call.

Decides what the commands `card` and `binder` make: the one live card of the open order (for the next board, until one
is proved), the cards of all woods on both papers, and the card folder; and what they say: where the cards are, what is doubtful, and which sheets on the wall are out of date. No kernel is started. A fault is said in
words, without a traceback, and leaves the cards that were there. `python -m testburn.workshop.cards` makes them; with `binder`, the card folder alone,
which needs no job.
"""

import argparse
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd

from testburn import depthfit, labbook
from testburn.depthfit import suspects
from testburn.job import Job, orders, settings
from testburn.labbook import shown
from testburn.paper import binder, card, ordercard, record
from testburn.workshop.openbook import Workshop, cards_folder, open_workshop

WOODS = {"a5": "settings-cards-a5.pdf", "us-half-letter": "settings-cards-half-letter.pdf"}


def bar(done: int, total: int, words: str) -> None:
    """Draw the bar: in place on a terminal, a line a step elsewhere."""
    filled = 24 * done // total
    line = f"[{'#' * filled}{'.' * (24 - filled)}] {done}/{total} {words}"
    if sys.stdout.isatty():
        sys.stdout.write("\r")
        shown.say(f"{line:<78}", end="" if done < total else "\n")
    else:
        shown.say(line)


def ready(workshop: Workshop) -> tuple[Job, pd.DataFrame] | None:
    """Return the job on the bench, with its fit, and the rows of the woods' cards; None where there can be none.

    Why there can be none is said in one line. What is left off the cards, and which readings look doubtful, is
    said too.
    """
    try:
        readings = labbook.read(workshop.book)
        if readings.empty:
            shown.say("The lab book holds no readings yet. Enter a burn first: "
                  "python3 lib/start.py lab --labdata FOLDER, then notebook 3.")
            return None
        past = workshop.past
        fit = depthfit.fit(readings, past)
        doubtful = suspects.suspects(fit, workshop.woods)
        if wrong := _mostly_doubtful(fit, doubtful):
            shown.say(wrong)
            return None
        machine = workshop.machine
        rows = settings.for_card(fit, machine)
        left_off = settings.left_off(fit, rows)
    except (labbook.ReadingsError, OSError, ValueError) as fault:
        shown.say(str(fault))
        return None
    try:
        job = Job.read(workshop.book, fit, machine)
        trouble = job.trouble
    except (OSError, ValueError) as fault:
        trouble = str(fault)
    if trouble:
        shown.say(f"The open order: {trouble}\nNo card was made; those in {workshop.cards} are from "
                  f"before. The cards of all woods need no job: python3 lib/start.py binder{own_option()}")
        return None
    for words in [*orders.said(workshop.book), *job.notes]:
        shown.say(words)
    for words in dict.fromkeys(filter(None, [past.strangers(readings), *map(fit.said_of, fit.groups)])):
        shown.say(words)
    if left_off:
        shown.say(f"Not on the card: {left_off}.")
    for doubt in machine.doubts(readings):
        shown.say(doubt)
    for doubt in doubtful.itertuples():
        shown.say(f"Doubtful: burn {doubt.burn}, swatch {doubt.swatch}, reading {doubt.reading}, "
              f"{doubt.depth_mm:g} mm: {doubt.why}. Look again; if it is a slip, correct it or set it aside.")
    return job, rows


def own_option() -> str:
    """Return what a command needs to work on the maker's own lab book."""
    own = os.environ.get("TESTBURN_LABDATA")
    return f' --labdata "{own}"' if own else ""


def _mostly_doubtful(fit: depthfit.DepthFit, doubtful: pd.DataFrame) -> str:
    """Say which burns hold more doubtful readings than others: no card is made of them; mostly nothing."""
    counts = pd.DataFrame({"doubtful": doubtful.groupby("burn").size(), "all": fit.fitted.groupby("burn").size()}).fillna(0)
    wrong = counts[counts["doubtful"] > counts["all"] / 2]
    if wrong.empty:
        return ""
    said = "; ".join(f"{burn} ({int(row['doubtful'])} of {int(row['all'])}: {doubtful.loc[doubtful['burn'] == burn, 'why'].iloc[0]})"
                     for burn, row in wrong.iterrows())
    return (f"No card is made: most readings of these burns cannot be right: {said}. Correct the burn, or set its readings "
            "aside.")


def steps(workshop: Workshop, job: Job, rows: pd.DataFrame) -> dict[str, Callable[[], Path]]:
    """Return what makes each card, by the card's name, in the order they are made; none of an order where none is open.

    The card folder comes last: it binds the card of the order.
    """
    fit, folder, kept, machine = job.fit, workshop.cards, workshop.records, job.machine
    # Pages are the same on every paper; they are worked out once.
    woods = card.document(fit, rows, machine=machine)
    made = {ordercard.file_name(job.order.name): lambda path: ordercard.of_open(path.parent, job, kept)} if job.order.file else {}
    made |= {name: lambda path, paper=paper: card.write(path, fit, rows, paper=paper, records=kept, content=woods)
             for paper, name in WOODS.items()}
    made[ordercard.BLANK] = lambda path: ordercard.write_blank(path.parent, machine)
    made["binder-a5.pdf"] = lambda path: binder.write(path, fit, workshop.machine, kept, choices=rows,
                                                         content=woods)
    return {name: lambda make=make, name=name: make(folder / name) for name, make in made.items()}


def make(workshop: Workshop) -> int:
    """Make every card of the lab book, and say where they are; return the exit code."""
    if (found := ready(workshop)) is None:
        return 1
    before = record.kept(workshop.records, tell=lambda _: None)
    made, making = [], steps(workshop, *found)
    bar(0, len(making), "cards")
    for done, (name, write) in enumerate(making.items(), start=1):
        made.append(write())
        bar(done, len(making), name)
    for words in record.moved(before, found[0].fit, found[1], WOODS["a5"]):
        shown.say(words)
    shown.say("\n".join(f"Card: {path}" for path in sorted(made)))
    shown.say("Open the notebooks in JupyterLab: python3 lib/start.py lab" + own_option())
    return 0


def bind(workshop: Workshop) -> int:
    """Bind the lab book's cards on both papers, and say which sheets are out of date; return the exit code."""
    fit = workshop.fit()
    kept = record.kept(workshop.records)
    made = [binder.write(workshop.cards / name, fit, workshop.machine, workshop.records, paper)
            for paper, name in binder.FILES.items()]
    shown.say("\n".join([*binder.told(fit, kept), *(f"Card folder: {path}" for path in made)]))
    return 0


def main(arguments: list[str] | None = None) -> int:
    """Make the cards, or bind them, for the open lab book; return the exit code."""
    parser = argparse.ArgumentParser(prog="testburn.workshop.cards", description=__doc__.splitlines()[0])
    parser.add_argument("what", nargs="?", choices=("card", "binder"), default="card")
    asked = parser.parse_args(arguments)
    try:
        workshop = replace(open_workshop(), cards=cards_folder())
        return bind(workshop) if asked.what == "binder" else make(workshop)
    except (labbook.ReadingsError, OSError, ValueError) as fault:
        shown.say(str(fault))
        return 1


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(130)
