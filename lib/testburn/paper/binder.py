"""Binder: every card that holds, in one PDF with an index, for the shelf beside the machine.

Decides what is bound and in which order: an index, the card of every species × module made afresh
from the lab book, then the live card of every order and every kept card for one board, and the cautions last. Such a
card is drawn again as it was printed; where the readings have changed since, it says so across the page. Of older
cards for the next board only the marks are named, of an order's replaced ones the numbers, so that the sheets can be
taken off the wall.
"""

from pathlib import Path

import pandas as pd

from testburn.depthfit import DepthFit, NEXT
from testburn.job import cautions, settings
from testburn.labbook import Machine
from testburn.paper import card
from testburn.paper.pdf import compiled, put
from testburn.paper.record import MARK_DIGITS, Record, keep, kept as kept_records, live, replaced_by
from testburn.paper.text import count, shortened

FILES = {"a5": "binder-a5.pdf", "us-half-letter": "binder-half-letter.pdf"}
OUT_OF_DATE, HOLDS = "Out of date", "Holds"
STALE = ("Out of date: printed from data {then}; the lab book is now data {now}. Do not burn by it: "
         "prove the board and print it again.")
REPLACED = "Of the order {name}, card {live} holds: take down card {old}."
OLD_ORDER = "The card of the order {name}, data {mark}, is out of date: make it again."
TAKE_DOWN = "Sheets marked data {marks} are out of date: take them down."
LEFT_OFF = "Without a card: {which}."
OF_ONE_BOARD = ("An order has one live card. Of several cards for one board, that with the most proof swatches knows it best. To "
                "leave a card out of the card folder, take its file out of {folder}.")


def write(path, fit: DepthFit, machine: Machine = Machine(), records_folder=None,
          paper: str = "a5", window=None, choices: pd.DataFrame | None = None,
          content: dict | None = None) -> Path:
    """Write the binder as a PDF, whole or not at all, and return its path.

    Its own cards for the next board leave their record in `records_folder`, as any printed card.

    Parameters
    ----------
    path : path of the PDF; its folder is made if need be.
    fit : DepthFit
    machine : Machine
    records_folder : path, optional
        Where printed cards left what they promised; see `record`.
    paper : "a5" or "us-half-letter"
    window : mapping or row with at_least_mm and at_most_mm, optional
        The depths that the colour infill allows, for the fresh cards.
    choices : DataFrame, optional
        `settings.for_card` of the fit and the machine, where it was asked already.
    content : dict, optional
        `card.document` of these choices, where it was asked already.

    Raises
    ------
    ValueError
        An unknown paper, or nothing that a card could be made of.
    PermissionError
        The file cannot be replaced, mostly because a viewer holds it open.
    """
    path, unread = Path(path), []
    choices = settings.for_card(fit, machine) if choices is None else choices
    fresh = card.document(fit, choices, window, paper, machine=machine) if content is None else card.on_paper(content, paper)
    kept = () if records_folder is None else kept_records(records_folder, unread.append)
    made = compiled(document(fit, fresh, kept, settings.left_off(fit, choices), unread),
                         "binder.typ")
    if records_folder is not None:
        keep(records_folder, fit, choices, fresh, path.name, NEXT, window, paper)
    return put(path, made)


def document(fit: DepthFit, fresh: dict, kept: tuple[Record, ...] = (), left_off: str = "",
             unread=()) -> dict:
    """Return everything that stands in the binder.

    Parameters
    ----------
    fit : DepthFit
    fresh : dict
        The cards for the next board, from `card.document`.
    kept : tuple of Record
    left_off : str
        Which species × module have no card, and why.
    unread : list of str
        What is said of records that cannot be read.
    """
    own = sorted(_for_one_board(kept), key=lambda record: not record.current(fit))
    sheets = [_sheet(fit.fingerprint, fresh, page) for page in fresh["pages"]] + [
        _sheet(record.fingerprint, record.document, page,
               "" if record.current(fit) else _stale(fit, record), bool(fresh["invented"]))
        for record in own for page in record.document["pages"]]
    groups = len(fresh["pages"])
    counts = [f"{count(groups, 'card')} for the next board",
              f"{len(sheets) - groups} for one order or board each"]
    notes = [*([LEFT_OFF.format(which=left_off)] if left_off else []), *unread,
             *([OF_ONE_BOARD.format(folder=f"records/{own[0].path.parent.name}")] if own else [])]
    waves = sorted({sheet["page"]["wavelength"] for sheet in sheets}, key=lambda said: (len(said), said))
    return {
        "title": f"Card folder: {count(len(sheets), 'settings card')}",
        "holds": ", ".join(counts[:1 + bool(own)]),
        "width_mm": fresh["width_mm"], "height_mm": fresh["height_mm"],
        "invented": fresh["invented"], "provenance": fresh["provenance"],
        "heads": {"groups": ["Wood", "Module", "Depths", "Boards", "Data", "Page"],
                  "boards": ["Order or board", "Depths", "Data", "State", "Page"]},
        "sheets": sheets, "groups": groups, "out_of_date": OUT_OF_DATE,
        "alarms": [shortened(alarm, 2000) for alarm in told(fit, kept)],
        "notes": [shortened(note, 8000, 60) for note in notes],
        "cautions": [(head, [text.format(wavelength=" and ".join(waves)) for text in texts])
                     for head, texts in cautions.IN_THE_BINDER],
    }


def told(fit: DepthFit, kept: tuple[Record, ...]) -> list[str]:
    """Return what to do about the kept cards whose readings are not the lab book's any more."""
    old = [record for record in kept if not record.current(fit)]
    lives = live(kept)
    gone = {}
    for record in kept:
        if number := replaced_by(record, lives):
            gone.setdefault((record.order["name"], number), set()).add(record.order["number"])
    said = [REPLACED.format(name=shortened(name, 24), live=number, old=", ".join(map(str, sorted(numbers))))
            for (name, number), numbers in sorted(gone.items())]
    said += [OLD_ORDER.format(name=shortened(name, 24), mark=record.fingerprint[:MARK_DIGITS])
             for name, record in sorted(lives.items()) if not record.current(fit)]
    old = [record for record in old if not record.order]
    marks = dict.fromkeys(record.fingerprint[:MARK_DIGITS] for record in old if record.board == NEXT)
    boards = dict.fromkeys((record.board, record.fingerprint[:MARK_DIGITS]) for record in old
                           if record.board != NEXT)
    said += [f"The card for board {shortened(board, 24)}, data {mark}, is out of date: prove the "
            "board and print it again." for board, mark in boards]
    return said + ([TAKE_DOWN.format(marks=", ".join(marks))] if marks else [])


def _for_one_board(kept: tuple[Record, ...]) -> list[Record]:
    """Return the live cards of orders and the cards for one board, each once, whatever paper it was printed on."""
    found, lives = {}, live(kept)
    for record in kept:
        if (record.order or record.board != NEXT) and not replaced_by(record, lives):
            found.setdefault((record.board, record.fingerprint, str(record.document["pages"])), record)
    return list(found.values())


def _sheet(mark: str, content: dict, page: dict, stale: str = "", all_invented: bool = True) -> dict:
    """Return one card's page with what its own document says of all its pages.

    That a card is invented stands in the index only where not all of them are.
    """
    states = [OUT_OF_DATE if stale else HOLDS]
    if content["invented"] and not all_invented:
        states.append("invented")
    return {"page": page, "invented": content["invented"], "provenance": content["provenance"],
            "data": mark[:MARK_DIGITS], "stale": stale, "state": ", ".join(states),
            "holds": states == [HOLDS]}


def _stale(fit: DepthFit, record: Record) -> str:
    """Return what stands across a card that is out of date."""
    return STALE.format(then=record.fingerprint[:MARK_DIGITS], now=fit.fingerprint[:MARK_DIGITS])
