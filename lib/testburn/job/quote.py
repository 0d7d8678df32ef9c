"""Quote: what an order comes to, line by line, at the maker's own prices.

Decides which line a cost stands in, and that it stands in no other: minutes while the machine burns; minutes by hand,
setting up and loading; wood; finishing; a proof a board; and what is expected on top for pieces that miss the window,
by the chances of the setting (`stakes.costs`: a lost piece's wood, finishing, burning and loading once more; a too
shallow one burned again; paint for a deep one). Before a proof these chances are an average over all that the proof may
show; after it those of the board that was proved, and further boards are taken to be like it. No profit is added.

A batch is the order's pieces board by board: how many boards they take, how long with setting up, loading and a proof a
board, and which of them to measure: the first, the middle and the last of each board, so that a change while it is worked
on shows. Minutes by hand are the maker's own figures. That three pieces of a board are enough is our own judgement; with
the card's chance they tell a bad board, not a bad piece.
"""

from dataclasses import dataclass
from math import ceil

import pandas as pd

from testburn.job.stakes import Prices, costs
from testburn.labbook import shown

LINES = ("machine minutes", "labour", "material", "finishing", "proof", "expected re-runs")


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
        for board, (first, last) in enumerate(on_boards(self.pieces, self.pieces_a_board), start=1):
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


def on_boards(pieces: int, pieces_a_board: int) -> list[tuple[int, int]]:
    """Return the first and the last piece of each board."""
    return [(first, min(first + pieces_a_board - 1, pieces)) for first in range(1, pieces + 1, pieces_a_board)]


def to_measure(pieces: int, pieces_a_board: int) -> list[int]:
    """Return which pieces of an order to measure, by their numbers."""
    return [one for first, last in on_boards(pieces, pieces_a_board) for one in measured(first, last)]


def measured(first: int, last: int) -> tuple[int, ...]:
    """Return which of the pieces of a board to measure: the first, the middle and the last, each once."""
    return tuple(sorted({first, (first + last) // 2, last}))


@dataclass(frozen=True, eq=False, repr=False)
class Quote:
    """What an order comes to, in the maker's money.

    Attributes
    ----------
    table : DataFrame
        A row per line of `LINES`: line, count, unit, each, amount, how.
    batch : Batch
    examples : tuple of str
        Prices that nobody typed: examples stand in for them.
    """

    table: pd.DataFrame
    batch: Batch
    examples: tuple[str, ...] = ()

    @property
    def total(self) -> float:
        """All lines together."""
        return float(self.table["amount"].sum())

    @property
    def a_piece(self) -> float:
        """The total, shared by the pieces."""
        return self.total / self.batch.pieces

    @property
    def words(self) -> str:
        """The total in one sentence, and what of it rests on examples."""
        pieces = self.batch.pieces
        said = f"{pieces} piece{'s' * (pieces > 1)}: {self.total:.2f} in your money" + f", {self.a_piece:.2f} a piece" * (pieces > 1)
        examples = ", ".join(name.replace("_", " ") for name in self.examples)
        return f"{said}. Nothing is added for profit." + f" Examples stand in for prices you have not typed: {examples}." * bool(examples)

    def __repr__(self) -> str:
        return self.words

    def _repr_html_(self) -> str:
        total = pd.DataFrame([{"line": "all together", "amount": self.total}])
        rows = pd.concat([self.table, total], ignore_index=True).round({"count": 2, "each": 2, "amount": 2})
        return f"<p>{shown.as_html(self.words)}</p>" + shown.table_as_html(rows.astype(object).where(rows.notna(), ""))


def of(pieces: int, pieces_a_board: int, outcomes: pd.DataFrame, prices: Prices, examples: tuple[str, ...] = ()) -> Quote:
    """Return the quote for so many pieces.

    Parameters
    ----------
    pieces, pieces_a_board : int
    outcomes : DataFrame
        minutes of a piece, chance_shallow and chance_deep, a row for each of several equally probable settings: what a
        proof may show; one row where the setting is known.
    prices : Prices
    examples : tuple of str
        Names of prices that nobody typed.
    """
    batch = Batch(pieces, pieces_a_board, float(outcomes["minutes"].mean()), prices.loading_minutes, prices.setup_minutes,
                  prices.proof_minutes)
    handling = prices.by_hand * prices.loading_minutes
    paid = pd.DataFrame([costs(row, prices, handling=handling) for _, row in outcomes.iterrows()]).mean()
    again = float(paid["cost_boards"] + paid["cost_reruns"] + paid["cost_paint"])
    shallow, deep = (100 * float(outcomes[name].mean()) for name in ("chance_shallow", "chance_deep"))
    rows = [
        (batch.machine_minutes, "min", prices.per_minute, f"{pieces} × {batch.burn_minutes:.2f} min burning"),
        (batch.hand_minutes, "min", prices.by_hand, f"setting up {prices.setup_minutes:g} min, loading {pieces} × {prices.loading_minutes:g} min"),
        (pieces, "piece", prices.board, "wood, ready to burn"),
        (pieces, "piece", prices.finishing, "sealer, paint and time"),
        (batch.boards, "board", prices.per_minute * prices.proof_minutes, f"one proof a board, {prices.proof_minutes:g} min each"),
        (pieces, "piece", again, f"{shallow:.1f} of 100 too shallow, {deep:.1f} too deep"),
    ]
    table = pd.DataFrame(rows, columns=["count", "unit", "each", "how"])
    table.insert(0, "line", LINES)
    table.insert(4, "amount", table["count"] * table["each"])
    return Quote(table, batch, examples)
