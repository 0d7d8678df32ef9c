"""Card record: what a printed card promised, kept beside the cards.

Decides that a promise outlives the fit it came from: a card that is printed leaves one file with
the rows it promised, the marks of the data behind them, and the page itself, so that a finished job
can be held to it and the page drawn again. The day that stands in it is that of the newest reading
and not the clock's: the same inputs give the same bytes, under the same name. The name carries a
mark of the contents, so that no later card takes an earlier one's place. What is read back is data
only, bounded in size; a file that is damaged, foreign or of a newer format is told and left out.
Of an order's cards the one with the highest number is live; the others are replaced, and stay, so that a piece made
by one of them can still be held to it.
"""

import hashlib
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from testburn.job import promise
from testburn.labbook import columns, files
from testburn.paper.text import count

if TYPE_CHECKING:
    from testburn.depthfit import DepthFit

# 2: cards of orders; those of woods are written as before.
WHAT, FORMAT = "testburn card record", 2
MOST_BYTES = 16_000_000
MARK_DIGITS = 12
_TEXTS = ("card", "readings_mark", "board", "order", "species", "module", "invented")


@dataclass(frozen=True, eq=False)
class Record:
    """What one printed card promised.

    Attributes
    ----------
    path : Path
        The record's own file.
    fingerprint : str
        The mark printed on the card: of the readings and the proofs.
    readings_mark : str
        The mark of the readings alone.
    board : "next" or a board's id
    window : dict with at_least_mm and at_most_mm, or None
    paper, pdf : str
        The paper, and the name of the PDF.
    invented : bool
    newest_reading : str
        The ISO day of the newest reading behind the card.
    promised : DataFrame
        The rows promised; columns as in `promise.COLUMNS`.
    document : dict
        What stood on the card, as `card.document` returned it.
    order : dict, optional
        Of an order's card: name, number, standing, core (a mark of what else stands on it), and of the card it replaces
        number, standing and data.
    """

    path: Path
    fingerprint: str
    readings_mark: str
    board: str
    window: dict | None
    paper: str
    pdf: str
    invented: bool
    newest_reading: str
    promised: pd.DataFrame
    document: dict
    order: dict | None = None

    def current(self, fit: "DepthFit") -> bool:
        """Return whether the fit rests on the same readings as the card; proofs do not count."""
        return self.readings_mark == fit.readings_mark


def keep(folder, fit: "DepthFit", choices: pd.DataFrame, document: dict, pdf: str,
         board: str = "next", window=None, paper: str = "a5", order: dict | None = None) -> Path:
    """Write the record of a card, whole or not at all, and return its path.

    Parameters
    ----------
    folder : path, made if need be
    fit, choices, board, window, paper : as in `card.write`
    document : dict
        What `card.document` returned for them.
    pdf : str
        The name of the card's file.
    order : dict, optional
        Of an order's card; see `Record`.

    Raises
    ------
    OSError
        If it cannot be written; the message says why, and what to do.
    """
    folder = Path(folder)
    if isinstance(window, pd.DataFrame):
        window = window.iloc[0]
    days = pd.to_datetime(fit.readings.loc[fit.readings["used"], "burned_on"])
    promised = promise.of(fit, choices, board, window, order["name"] if order else "")
    record = {
        "fingerprint": fit.fingerprint, "readings_mark": fit.readings_mark, "board": str(board),
        "window": window if window is None else {
            name: float(window[name]) for name in ("at_least_mm", "at_most_mm")},
        "paper": paper, "pdf": pdf, "invented": bool(fit.invented),
        "newest_reading": days.max().strftime("%Y-%m-%d"),
        "promised": promised.astype(object).where(promised.notna(), None).to_dict("records"),
        "document": document,
    } | ({"order": order} if order else {})
    mark = _mark(record)
    content = json.dumps({"what": WHAT, "format": FORMAT, "mark": mark, "record": record},
                         allow_nan=False).encode("ascii") + b"\n"
    slug = re.sub(r"[^a-z0-9]+", "-", Path(pdf).stem.lower()).strip("-")[:40]
    path = folder / f"{fit.fingerprint[:MARK_DIGITS]}-{slug or 'card'}-{mark[:6]}.json"
    if not (path.is_file() and path.read_bytes() == content):
        with files.locked(folder):
            files.replace_whole(folder, path, content)
    return path


def kept(folder, tell=print) -> tuple[Record, ...]:
    """Return the records of a folder, those with the newest readings first.

    Parameters
    ----------
    folder : path; it need not be there.
    tell : callable
        Called with a sentence for each file that is left out.
    """
    records = []
    for path in sorted(path for path in Path(folder).glob("*.json") if path.is_file()):
        try:
            records.append(_read(path))
        except ValueError as fault:
            tell(f"Card record {path.name} is left out: {fault}")
        except OSError:
            tell(f"Card record {path.name} is left out: it cannot be read. Allow reading it, or take it "
                 "out of the folder.")
    return tuple(sorted(records, key=lambda record: record.newest_reading, reverse=True))


def core(document: dict) -> str:
    """Return a mark of what stands on a card, whatever paper it is on."""
    return _mark({name: value for name, value in document.items() if name not in ("width_mm", "height_mm")})


def live(records: tuple[Record, ...]) -> dict[str, Record]:
    """Return the live card of each order, by the order's name: the one with the highest number."""
    found = {}
    for record in records:
        if record.order and (record.order["name"] not in found
                             or record.order["number"] > found[record.order["name"]].order["number"]):
            found[record.order["name"]] = record
    return found


def replaced_by(record: Record, lives: dict[str, Record]) -> int | None:
    """Return the number of the live card that replaces an order's card; None for one that is live, or of no order."""
    if not record.order:
        return None
    number = lives[record.order["name"]].order["number"]
    return number if number != record.order["number"] else None


def promises(folder, tell=print, first: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return what all kept cards promised, without repeats; columns as in `promise.COLUMNS`, and `replaced_by`.

    What is promised today, `first` (from `promise.of`), comes before them; of an order whose card was printed, what that card said
    stands in its place, as a piece is held to what was printed. Last come cards of orders that were replaced, with the number of
    the card that replaces them.
    """
    records = kept(folder, tell)
    lives = live(records)
    frames = []
    if first is not None:
        named = [name for name in first["order"].dropna().unique() if name in lives]
        frames = [lives[name].promised.assign(replaced_by=np.nan) for name in named]
        frames.append(first[~first["order"].isin(named)].assign(replaced_by=np.nan))
    frames += [record.promised.assign(replaced_by=float(replaced_by(record, lives) or np.nan)) for record in records]
    if not frames:
        return _frame([]).assign(replaced_by=np.nan)
    every = pd.concat(frames, ignore_index=True)
    in_order = pd.concat([every[every["replaced_by"].isna()], every[every["replaced_by"].notna()]])
    return in_order.drop_duplicates(list(promise.COLUMNS), ignore_index=True)


def moved(kept_records: tuple[Record, ...], fit: "DepthFit", choices: pd.DataFrame, pdf: str) -> list[str]:
    """Say, a line a wood and module, which speed is another than on the card printed last, and why; mostly nothing.

    Parameters
    ----------
    kept_records : tuple of Record
    choices : DataFrame
        The rows that the card of that name has today.
    pdf : str
        The card's name.
    """
    earlier = [one for one in kept_records if one.pdf == pdf and one.fingerprint != fit.fingerprint]
    if not earlier:
        return []
    last = max(earlier, key=lambda one: (one.newest_reading, one.path.stat().st_mtime))
    now = promise.of(fit, choices, last.board)
    same = [*columns.GROUP_KEY, "power_pct", "line_pitch_mm", "passes", "aim_mm"]
    both = now.merge(last.promised, on=same, suffixes=("", "_then"))
    both = both[both["speed_mm_s"] != both["speed_mm_s_then"]]
    said = []
    for _, rows in both.groupby(list(columns.GROUP_KEY), sort=False):
        row = rows.iloc[len(rows) // 2]
        group = fit.group_of(row)
        said.append(f"{group.name}, {row['aim_mm']:g} mm: {row['speed_mm_s_then']:g} → {row['speed_mm_s']:g} mm/s since your last "
                    f"card: {_why_moved(last, group, row)}.")
    return said


def _why_moved(last: Record, group, row) -> str:
    """Return what is different since the last card: boards, the machine's state, else the readings or the model."""
    reasons, (species, module) = [], (group.species.casefold(), f"{group.module_w:g} W")
    pages = [page for page in last.document["pages"] if page["species"].casefold() == species
             and page["module"].split(",")[0] == module and (not group.module or page["module"].endswith(group.module))]
    more = group.boards - int(pages[0]["boards"]) if pages else 0
    if more:
        reasons.append(f"{count(abs(more), 'board')} {'more' if more > 0 else 'fewer'}")
    then, today = (1.0 if pd.isna(factor) else factor for factor in (row["state_factor_then"], row["state_factor"]))
    change = 100 * (today / then - 1)
    if abs(change) >= 1:
        reasons.append(f"{abs(change):.0f} % " + ("fade" if change < 0 else "deeper by the machine's state"))
    return ", ".join(reasons) or "other readings, or another version"


def _mark(record: dict) -> str:
    """Return the mark of a record's contents, by which a file that was changed is found out."""
    said = json.dumps(record, allow_nan=False, sort_keys=True)
    return hashlib.sha256(said.encode("ascii")).hexdigest()[:MARK_DIGITS]


def _read(path: Path) -> Record:
    """Return one record.

    Raises
    ------
    ValueError
        If it is none that can be used; the message says why, and what to do.
    """
    with path.open("rb") as file:
        content = file.read(MOST_BYTES + 1)
    if len(content) > MOST_BYTES:
        raise ValueError(f"it holds more than {MOST_BYTES / 1e6:g} MB, and no card's record does. "
                         "Take it out of the folder.")
    try:
        whole = json.loads(content.decode("utf-8"))
    except (ValueError, RecursionError):
        raise ValueError("it is damaged. Print the card again, or take the file out.") from None
    if not isinstance(whole, dict) or whole.get("what") != WHAT:
        raise ValueError("it is no record of a card. Take it out of the folder.")
    if whole.get("format") not in range(1, FORMAT + 1):
        raise ValueError(f"it has format {whole.get('format')!r}, and this testburn reads formats 1 to "
                         f"{FORMAT}. Read it with the testburn that wrote it.")
    try:
        record = whole["record"]
        if whole["mark"] != _mark(record):
            raise ValueError
        if "order" in record:
            record["order"]["name"], record["order"]["number"] + 1, record["order"]["core"], record["order"]["replaces"]
        return Record(path=path, **record | {"promised": _frame(record["promised"])})
    except (KeyError, TypeError, ValueError, RecursionError):
        raise ValueError("it was changed after it was written. Print the card again, or take the "
                         "file out.") from None


def _frame(rows: list[dict]) -> pd.DataFrame:
    """Return promised rows as a frame with the types that `promise.of` gives."""
    frame = pd.DataFrame(rows, columns=list(promise.COLUMNS)).fillna({"module": "", "order": ""})
    kinds = {name: "str" if name in _TEXTS else "int64" if name == "passes" else float
             for name in promise.COLUMNS}
    return frame.astype(kinds)
