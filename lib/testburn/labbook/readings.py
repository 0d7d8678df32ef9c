"""Reading check: what a reading is, and every way a row can fail to be one.

Decides which rows may enter a fit. One door: text or typed frame, everything passes `check`, which
reports every fault at once (file, row, column, value, remedy) and returns either all rows or none.
Nothing is dropped, corrected or guessed in silence. Names, ranges and members stand in `columns`; how a
cell becomes a value, in `cells`.
"""

import datetime
import hashlib
from pathlib import Path

import numpy as np
import pandas as pd

from testburn.labbook import columns, woods
from testburn.labbook.cells import fault, plain, typed_table
from testburn.labbook.columns import BOARD_NAMED_NEXT, NEXT
from testburn.labbook.files import burn_name_fault, name_of
from testburn.labbook.makerfile import MOST_PROBLEMS, Problem, ReadingsError, told
from testburn.labbook.slips import beyond_wood


def check(frame: pd.DataFrame, species=None, as_typed: bool = False) -> pd.DataFrame:
    """Return the readings, typed; the same door that every file passes.

    Parameters
    ----------
    frame : DataFrame
        Columns of `columns.COLUMNS`, as text or typed; optional ones may be missing.
    species : iterable of str, optional
        Allowed species; those of the project's labdata/woods.csv by default. Where it is a table of `woods.read`,
        its specific gravity bounds the depths.
    as_typed : bool
        Let a depth pass that no wood gives, so that it can be put right or set aside.

    Returns
    -------
    DataFrame
        All columns of `columns.COLUMNS` in their order; missing optional numbers are NaN,
        missing optional texts empty. Further columns are kept behind them.

    Raises
    ------
    ReadingsError
        With every fault; `row` is the frame's index label.
    """
    missing = [name for name in columns.REQUIRED if name not in frame.columns]
    if missing:
        raise ReadingsError([Problem("", None, name, "", "this column is missing",
                                     columns.BY_NAME[name].remedy) for name in missing])
    placed = frame.assign(_file="", _row=frame.index).reset_index(drop=True)
    wood = woods.read() if species is None else species
    readings, problems = checked(placed, set(wood.index if isinstance(wood, pd.DataFrame) else wood))
    if not as_typed and not problems:
        problems += beyond_wood(readings, placed, woods.gravity(wood))
    if problems:
        raise ReadingsError(problems)
    return readings


def checked(placed, known) -> tuple[pd.DataFrame, list[Problem]]:
    """Type every column, then check ranges, rows and repeats; gather a fault for each bad cell."""
    where = placed[["_file", "_row"]]
    typed, problems = typed_table(columns.COLUMNS, placed)
    extra = placed.columns.difference([*typed, "_file", "_row", "struck_because"], sort=False)
    further = {name: placed[name].astype("str") for name in extra if isinstance(placed[name].dtype, pd.CategoricalDtype)}
    readings = pd.concat([typed, placed[extra].assign(**further)], axis=1)
    problems += _row_faults(readings, where, known)
    problems += _repeats(readings, where)
    problems = list({(p.file, p.row, p.column): p for p in reversed(problems)}.values())
    if not problems:
        whole = [column.name for column in columns.COLUMNS if column.kind == "integer"]
        readings = readings.astype(dict.fromkeys(whole, "int64"))
    return readings, problems


def _row_faults(readings, where, known) -> list[Problem]:
    """Check what one cell alone cannot tell: species, a reserved name, depth against thickness."""
    by = columns.BY_NAME
    strange = readings["species"].isin(set(readings["species"].unique()) - {"", *known})
    meanings = {name: woods.called(name, sorted(known)) for name in readings.loc[strange, "species"].unique()[:MOST_PROBLEMS]}
    through = readings["depth_mm"] >= readings["board_thickness_mm"]
    found = [fault(by["species"], where, i, readings["species"][i], "this wood is not in woods.csv",
                   f"Perhaps {' or '.join(meant)}? {by['species'].remedy}" if (meant := meanings[readings["species"][i]])
                   else by["species"].remedy) for i in told(strange)]
    # Asked for by this name, a prediction would answer for the board that nobody has seen.
    found += [fault(by["board"], where, i, NEXT, BOARD_NAMED_NEXT, by["board"].remedy)
              for i in told(readings["board"] == NEXT)]
    return found + [
        fault(by["depth_mm"], where, i, plain(readings["depth_mm"][i]),
               f"the depth is not less than the board's {readings['board_thickness_mm'][i]:g} mm",
               "Check both; a burn right through the board has no depth.")
        for i in told(through)]


def _repeats(readings, where) -> list[Problem]:
    """Find readings entered twice, and swatches whose rows disagree on their setting."""
    by, (swatch, first) = columns.BY_NAME, swatches_of(readings)
    twice = pd.DataFrame({"swatch": swatch, "reading": readings["reading"]}).duplicated() & readings["reading"].notna()
    found = [fault(by["reading"], where, i, plain(readings["reading"][i]),
                    f"burn {readings['burn'][i]}, swatch {readings['swatch'][i]} already has it",
                    "Give it the next number, or remove the row that is a copy.")
             for i in told(twice)]
    for name in columns.SWATCH_SETTING:
        found += [fault(by[name], where, i, plain(readings[name][i]),
                         f"swatch {readings['swatch'][i]} began with {plain(began)}",
                         "One swatch has one setting: correct the row, or use a new swatch id.")
                  for i, began in unlike_the_first(readings[name], swatch, first)]
    names = {burn: burn_name_fault(burn) for burn in readings["burn"].unique() if burn}
    wrong = readings["burn"].isin([burn for burn, said in names.items() if said])
    return found + [fault(by["burn"], where, i, readings["burn"][i], *names[readings["burn"][i]])
                    for i in told(wrong)]


def foreign_burns(text) -> list[Problem]:
    """Find rows whose burn is not the name of the file they stand in."""
    if "burn" not in text:
        return []
    # One copied file is one fault, however many rows it has.
    pairs = text[["_file", "burn"]].drop_duplicates().astype(object)
    stems = pairs["_file"].map(lambda name: name_of(Path(name)))
    other = (pairs["burn"] != stems) & (pairs["burn"] != "") & pairs["burn"].notna()
    return [fault(columns.BY_NAME["burn"], text, i, text["burn"][i],
                  f"the file's name says {stems[i]}", columns.BY_NAME["burn"].remedy)
            for i in pairs.index[other][:MOST_PROBLEMS]]


def swatches_of(readings) -> tuple[np.ndarray, np.ndarray]:
    """Return the number of each reading's swatch, and the row in which each swatch begins."""
    burn, swatch = (pd.factorize(readings[name].to_numpy(object))[0] for name in ("burn", "swatch"))
    numbers, _ = pd.factorize(burn * (swatch.max(initial=0) + 1) + swatch)
    return numbers, np.flatnonzero(~pd.Series(numbers).duplicated())


def unlike_the_first(cells, swatch, first) -> list[tuple]:
    """Return the rows, and what their swatch began with, that say something else than it did."""
    text = cells.dtype == "str"
    if text or not cells.isna().any():
        values = cells.to_numpy(object if text else None)
        began = values[first][swatch]
        return [(cells.index[place], cells.iloc[first[swatch[place]]]) for place in told(values != began)]
    # Of a column with gaps, what the swatch's first filled cell says.
    values, rows = cells.to_numpy(), np.flatnonzero(cells.notna())
    _, place, again = np.unique(swatch[rows], return_index=True, return_inverse=True)
    began, other = rows[place][again], np.zeros(len(cells), bool)
    other[rows] = values[rows] != values[began]
    firsts = dict(zip(rows.tolist(), began.tolist()))
    return [(cells.index[one], cells.iloc[firsts[one]]) for one in told(other)]


def days_ahead(days: pd.Series, today: datetime.date | None = None) -> str:
    """Say which days lie after today, and that the clock may be the one that is wrong; mostly nothing.

    Never a fault: a computer whose clock was set back would lock its maker out of the whole book.
    """
    today = pd.Timestamp(today or datetime.date.today())
    ahead = sorted(day for day in pd.to_datetime(days).dropna().unique() if day > today)
    if not ahead:
        return ""
    if len(ahead) == 1:
        return f"{ahead[0]:%Y-%m-%d} lies after today, {today:%Y-%m-%d}: is that the day?"
    return (f"{len(ahead)} days, {ahead[0]:%Y-%m-%d} to {ahead[-1]:%Y-%m-%d}, lie after today, {today:%Y-%m-%d}: "
            "check the computer's clock")


def fingerprint(readings: pd.DataFrame) -> str:
    """Return twelve hex digits that another reading, or another value, would change.

    The order of the rows and the optional columns do not count, but for a module that has a name; of a proof's
    readings, those required columns count that it has.
    """
    named = ["module"] if "module" in readings and (readings["module"] != "").any() else []
    kept = readings[[*(name for name in columns.REQUIRED if name in readings), *named]]
    kept = kept.sort_values(list(columns.READING_KEY))
    text = kept.to_csv(index=False, lineterminator="\n", date_format="%Y-%m-%d")
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:12]
