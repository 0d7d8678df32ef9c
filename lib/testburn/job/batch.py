"""Batch: an order's pieces, board by board.

Decides how many boards so many pieces take, how long they take with setting up, loading and a proof a board, and which
of them to measure: the first, the middle and the last of each board, so that a change while it is worked on shows.
Minutes by hand are the maker's own figures. That three pieces of a board are enough is our own judgement; with the
card's chance they tell a bad board, not a bad piece.
"""

from dataclasses import dataclass
from math import ceil

import pandas as pd

from testburn.labbook import shown


@dataclass(frozen=True, repr=False)
class Batch:
    """So many pieces alike; minutes are those of one piece, except for setting up (once) and a proof (a board)."""

    pieces: int
    pieces_a_board: int
    burn_minutes: float
    loading_minutes: float = 0.0
    setup_minutes: float = 0.0
    proof_minutes: float = 0.0

    @property
    def boards(self) -> int:
        """How many boards the pieces take."""
        return ceil(self.pieces / self.pieces_a_board)

    @property
    def machine_minutes(self) -> float:
        """While the machine burns pieces."""
        return self.pieces * self.burn_minutes

    @property
    def hand_minutes(self) -> float:
        """Setting up, and loading every piece."""
        return self.setup_minutes + self.pieces * self.loading_minutes

    @property
    def minutes(self) -> float:
        """All together, one proof a board included."""
        return self.machine_minutes + self.hand_minutes + self.boards * self.proof_minutes

    @property
    def table(self) -> pd.DataFrame:
        """A row per board: board (counted from 1), pieces, minutes (setting up in the first), measure (which pieces)."""
        rows = []
        for board in range(1, self.boards + 1):
            first = (board - 1) * self.pieces_a_board + 1
            last = min(board * self.pieces_a_board, self.pieces)
            count = last - first + 1
            rows.append({"board": board, "pieces": f"{first} to {last}" if count > 1 else f"{first}",
                         "minutes": self.proof_minutes + count * (self.burn_minutes + self.loading_minutes)
                         + self.setup_minutes * (board == 1),
                         "measure": ", ".join(map(str, measured(first, last)))})
        return pd.DataFrame(rows)

    @property
    def words(self) -> str:
        """The minutes in one sentence, and which pieces to measure."""
        boards = f" from {self.boards} board{'s' * (self.boards > 1)}"
        proof = f" and {self.boards} proof{'s' * (self.boards > 1)} of {self.proof_minutes:g} min" * (self.proof_minutes > 0)
        return (f"{self.pieces} piece{'s' * (self.pieces > 1)}{boards}: {self.minutes:.0f} min, of these {self.machine_minutes:.0f} "
                f"burning ({self.burn_minutes:.1f} a piece), {self.hand_minutes:.0f} by hand (setting up {self.setup_minutes:g}, "
                f"loading {self.loading_minutes:g} a piece){proof}. Measure on each board the first, the middle and the last "
                "piece before they are sealed.")

    def __repr__(self) -> str:
        return self.words

    def _repr_html_(self) -> str:
        return f"<p>{shown.as_html(self.words)}</p>" + shown.table_as_html(self.table.round(1))


def measured(first: int, last: int) -> tuple[int, ...]:
    """Return which of the pieces of a board to measure: the first, the middle and the last, each once."""
    return tuple(sorted({first, (first + last) // 2, last}))
