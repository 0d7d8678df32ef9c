"""Order card: the one live card of an order, made again whenever the order comes to something else.

Decides for which state of the order its card is (before proof, for the next board; proved, for that board and no
other), that an order's cards are counted, and that each names the one it replaces, so that the sheet on the wall can be
told from the sheet in the bin. The same state printed again is the same card, on every paper; the count stands in the
records beside the cards (`record`), as nothing on the page may depend on a clock.
"""

from pathlib import Path

import testburn
from testburn.job import Job, settings
from testburn.labbook import Machine, NEXT
from testburn.paper import card, jobpage, record
from testburn.paper.pdf import compiled, put
from testburn.paper.text import shortened

_SIGNS, BLANK = 24, "card-to-fill-in.pdf"
BEFORE_PROOF = "Order {name}, card {number}: before proof, for the next board"
PROVED = "Order {name}, card {number}: for board {board} only"


def file_name(name: str) -> str:
    """Return what the file of an order's card is called; there is one an order."""
    return f"order-{name}.pdf"


def of_open(folder, job: Job, records) -> Path | None:
    """Write the card of the open order, as `write` does; None where no order is open: nothing is made as if there were one."""
    return write(folder, job, records) if job.order.file else None


def write(folder, job: Job, records=None, paper: str = "a5", printed_on: str = "") -> Path:
    """Write the card of an order for the state it is in, whole or not at all, and return its path.

    Parameters
    ----------
    folder : path of the folder for cards.
    job : Job
    records : path of a folder, optional
        Where cards leave what they promised; without one the card is the order's first.
    paper : "a5" or "us-half-letter"
    printed_on : str
        The day of print, for the foot; no part of which card it is.

    Raises
    ------
    LookupError, ValueError
        If the order has no wood, window or drawing; see `Job`.
    PermissionError
        The file cannot be replaced, mostly because a viewer holds it open.
    """
    rows = settings.for_job(job.choices, job.drawing)
    content = card.document(job.proved, rows, job.window, paper, job.board, job.machine)
    content = content | {"pages": [page | {"front": jobpage.front(job, content["invented"]), "cautions": []} for page in content["pages"]]}
    of = counted(job, content, () if records is None else record.kept(records, lambda _: None))
    content = content | {"title": f"Order {shortened(job.order.name, 60)}: {content['title']}",
                         "pages": [_counted(page, job, of, printed_on) for page in content["pages"]]}
    path, made = Path(folder) / file_name(job.order.name), compiled(content)
    if records is not None:
        # Before the card itself, as in `card.write`.
        record.keep(records, job.proved, rows, content, path.name, job.board, job.window, paper, of)
    return put(path, made)


def write_blank(folder, machine: Machine = Machine(), paper: str = "a5") -> Path:
    """Write the front with empty boxes, to be filled in by hand on a day when the computer is down; return its path."""
    content = {"title": "A card to fill in by hand", "invented": None, "provenance": f"testburn\u00a0{testburn.__version__}",
               "front": jobpage.blank(machine), "pages": []}
    return put(Path(folder) / BLANK, compiled(card.on_paper(content, paper)))


def counted(job: Job, content: dict, kept: tuple[record.Record, ...]) -> dict:
    """Return what a record says of the order's card: name, number, standing, core, and what it replaces.

    Parameters
    ----------
    content : dict
        What stands on the card beside its number: the same content is the same card.
    kept : tuple of Record
    """
    core = record.core(content)
    live = record.live(kept).get(job.order.name)
    if live is None:
        return {"name": job.order.name, "number": 1, "standing": job.standing, "core": core, "replaces": None}
    if live.order["core"] == core:
        return live.order
    return {"name": job.order.name, "number": live.order["number"] + 1, "standing": job.standing, "core": core,
            "replaces": {"number": live.order["number"], "standing": live.order["standing"],
                         "data": live.fingerprint[:record.MARK_DIGITS]}}


def _counted(page: dict, job: Job, of: dict, printed_on: str) -> dict:
    """Return a page with the words which card of the order it is, and what it replaces."""
    head = BEFORE_PROOF if job.board == NEXT else PROVED
    holds = head.format(name=shortened(of["name"], _SIGNS), number=of["number"], board=shortened(job.board, _SIGNS))
    return page | {"holds": holds, "front": page["front"] | {
        "standing": f"{page['front']['standing']} · card {of['number']}", "foot": jobpage.foot(job, of, printed_on)}}
