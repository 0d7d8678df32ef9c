"""Strikes: readings that the maker took out of the fits, and why.

Decides what stands in strikes.csv: a row for each struck reading, with a reason. The reading stays in
its burn file. A strike that names no reading is a fault: one digit off, and the reading would stay in
the fit unseen.
"""

from pathlib import Path

import pandas as pd

from testburn.labbook import csvfile
from testburn.labbook.columns import STRIKE_COLUMNS
from testburn.labbook.csvfile import Problem

COLUMNS = STRIKE_COLUMNS


def read(path: Path) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the strikes as text, and their faults; a lab book without the file has none."""
    if not path.exists():
        return pd.DataFrame(columns=list(COLUMNS), dtype=object), []
    frame, problems = csvfile.read_rows(path, COLUMNS)
    if problems or frame.empty:
        return pd.DataFrame(columns=list(COLUMNS), dtype=object), problems
    nameless = frame["reason"] == ""
    return frame, [
        Problem(path.name, row, "reason", "", "a strike needs a reason", "Say why it is struck.")
        for row in frame.index[nameless]]


def idle(readings, strikes) -> list[Problem]:
    """Find strikes that name no reading: one digit off, and the reading would stay in the fit."""
    if strikes.empty:
        return []
    there = set(zip(readings["burn"], readings["swatch"], readings["reading"].astype(str)))
    return [Problem("strikes.csv", row, "reading", strike.reading,
                    f"burn {strike.burn}, swatch {strike.swatch} has no such reading",
                    "Correct the row, or remove it.")
            for row, strike in zip(strikes.index, strikes.itertuples(index=False))
            if (strike.burn, strike.swatch, strike.reading) not in there]


def applied(readings, strikes) -> pd.DataFrame:
    """Return the readings with the reason of each strike in `struck_because`."""
    if strikes.empty:
        return readings.assign(struck_because=pd.Series("", index=readings.index, dtype=object))
    reasons = {tuple(row[:3]): row[3] for row in strikes[list(COLUMNS)].itertuples(index=False)}
    keys = zip(readings["burn"], readings["swatch"], readings["reading"].astype(str))
    return readings.assign(struck_because=pd.Series(
        [reasons.get(key, "") for key in keys], index=readings.index, dtype=object))
