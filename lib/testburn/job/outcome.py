"""Outcome: how an order came out.

Decides what of an order's pieces in jobs/, which name it, is its result: each measured recess against the window of its
card, at the depth it has in the end, after a second pass where there was one. Only the first pass was promised, so it alone
is held against what the card said. Which pieces should have been measured is the batch's (`quote.to_measure`).
"""

import re
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from testburn.job import quote
from testburn.job.order import Order
from testburn.labbook import jobs, shown

_FEW = 9


@dataclass(frozen=True, eq=False, repr=False)
class Outcome:
    """How an order came out; `table` has a row per measured recess: job, recess, board, finished_on, expected_mm, first_mm (before a
    second pass, where there was one), off_pct (of the first pass, as only that was promised), depth_mm (in the end), at_least_mm,
    at_most_mm, inside."""

    order: Order
    table: pd.DataFrame

    @property
    def words(self) -> str:
        """How many recesses were measured, and how many lay in the window."""
        order, rows = self.order, self.table
        note = f" ({order.finished['note']})" if order.finished.get("note") else ""
        finished = f" Finished {order.finished['on']}{note}." if order.finished else ""
        if rows.empty:
            return f"Order {order.name}: no piece was measured, so how it came out is not known.{finished}"
        inside = rows["inside"].dropna()
        window = f" {int(inside.sum())} of {len(inside)} lay in the window." if len(inside) else " No window was said."
        again = "".join(f" {row.job}: {twice(row)}." for row in rows.itertuples() if row.first_mm == row.first_mm)
        return (f"Order {order.name}: {len(rows)} recess{'es' * (len(rows) > 1)} measured, {rows['depth_mm'].min():.2f} to "
                f"{rows['depth_mm'].max():.2f} mm, {rows['off_pct'].mean():+.0f} % of what the card said on average"
                f"{' with the first pass' * bool(again)}.{window}{again}{finished}")

    @property
    def unmeasured(self) -> str:
        """Say which of the pieces to measure have no reading, by the number that their names end on; mostly nothing."""
        named, order = [str(one) for one in self.table["job"].unique()], self.order
        wanted = quote.to_measure(order.pieces, order.pieces_a_board or 1)
        missing = [str(one) for one in wanted if not any(re.search(rf"(?<!\d)0*{one}$", name) for name in named)]
        if not missing or len(named) >= len(wanted):
            return ""
        few = ", ".join(missing[:_FEW]) + f" and {len(missing) - _FEW} more" * (len(missing) > _FEW)
        return f"Not measured yet: piece{'s' * (len(missing) > 1)} {few}. How the order came out is known from what is measured."

    def __repr__(self) -> str:
        return self.words

    def _repr_html_(self) -> str:
        return f"<p>{shown.as_html(self.words)}</p>" + (shown.table_as_html(self.table.round(2)) if len(self.table) else "")


def twice(piece) -> str:
    """Return in words what a piece with a second pass, a row of `Outcome.table`, came to."""
    inside = "" if piece.inside is None else ": inside" if piece.inside else ": outside"
    return f"{piece.first_mm:.2f} mm, then {piece.depth_mm:.2f} mm after a second pass{inside}"


def missed(piece) -> str:
    """Say where a piece lies that missed; one that a second pass mended missed with its first, as the next piece of its board would."""
    again = "prove that board again before its next piece{}. If you have, on the same day, go by that proof."
    if pd.isna(piece.first_mm):
        return (f"Piece {piece.job} came out {piece.depth_mm:.2f} mm on board {piece.board}, where {piece.at_least_mm:.2f} to "
                f"{piece.at_most_mm:.2f} mm was wanted: {again.format('')}")
    said = f"Piece {piece.job} came out {twice(piece)}."
    shallow = f" Its first pass on board {piece.board} was too shallow: {again.format(', or count on a second pass there too')}"
    return said + shallow * bool(piece.first_mm < piece.at_least_mm)


def of(book: str | Path, order: Order) -> Outcome:
    """Return how this order came out; by its finished pieces.

    Raises
    ------
    ReadingsError
        If a file cannot be used.
    """
    finished = jobs.read(book)
    own = finished[finished["order"].str.casefold() == order.name.casefold()]
    rows = own.groupby(["burn", "swatch"], sort=False).agg(
        board=("board", "first"), finished_on=("burned_on", "max"), expected_mm=("expected_mm", "first"), depth_mm=("depth_mm", "mean"),
        at_least_mm=("at_least_mm", "first"), at_most_mm=("at_most_mm", "first")).reset_index()
    rows = rows.rename(columns={"burn": "job", "swatch": "recess"})
    rows.insert(5, "off_pct", 100 * (rows["depth_mm"] / rows["expected_mm"] - 1))
    again = jobs.second_passes(book, finished)[["job", "recess", "depth_mm"]].rename(columns={"depth_mm": "again_mm"})
    rows = rows.merge(again, how="left", on=["job", "recess"])
    mended = rows["again_mm"].notna()
    rows.insert(5, "first_mm", rows["depth_mm"].where(mended))
    rows["depth_mm"] = rows.pop("again_mm").where(mended, rows["depth_mm"])
    window = rows["at_least_mm"].notna() & rows["at_most_mm"].notna()
    inside = rows["depth_mm"].between(rows["at_least_mm"], rows["at_most_mm"])
    return Outcome(order, rows.assign(inside=inside.astype(object).where(window, None)))
