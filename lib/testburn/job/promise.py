"""Promise: what a card says of a recess before it is burned, kept so that it can be held to it later.

Decides what has to be written down, so that a finished job can be judged when the fit it came from
is long gone: the depth expected, and each part of what the recess may be off by. The parts are kept
apart because they are shared by different things: the error of the curve by every job of its card,
the board's deviation by every recess on that board, the rest by nobody. On a named board the first
two are one number, `board_sd`, so that nothing counts twice. What the machine's present state was counted as stands
beside them, so that a job can be held to the standard state as well. Numbers keep six significant digits:
more differ between machines, and no gauge tells them. Decides too how a maker is told one promise from another: by a line.
"""

import hashlib

import numpy as np
import pandas as pd

from testburn.depthfit import DepthFit, NEXT
from testburn.labbook import columns
from testburn.units import Units

_SETTING = (*columns.GROUP_KEY, *columns.MACHINE_SETTING, "line_energy_j_mm")
# What a job's file keeps of a promise; there its board stands as `promised_for`.
_KEPT = tuple(column.name for column in columns.PROMISED)
COLUMNS = (*_KEPT[:2], "board", *_SETTING, *_KEPT[3:], "invented")
_DIGITS = 6
_APART = {"wavelength_nm": "{:g} nm", "module": "{}", "line_pitch_mm": "pitch {:g} mm", "passes": "passes {:g}",
          "at_least_mm": "at least {:.3g} mm", "at_most_mm": "at most {:.3g} mm", "expected_mm": "said {:.3g} mm"}


def of(fit: DepthFit, choices: pd.DataFrame, board: str = NEXT,
       window=None, order: str = "") -> pd.DataFrame:
    """Return what a fit promises of each setting, one row a row of `choices`.

    Parameters
    ----------
    fit : DepthFit
    choices : DataFrame
        From `settings.choose`, `settings.steps` or `settings.for_card`; `aim_mm` is taken over
        where it is there.
    board : "next" or a board's id
        The board that is promised for; one that was burned or proved is promised more closely.
    window : mapping or row with at_least_mm and at_most_mm, optional
        The depth window that the settings were chosen for; of a table its first row.
    order : str
        The order that the settings are for; none on the cards of all woods.

    Returns
    -------
    DataFrame
        `COLUMNS`. expected_mm is the depth of the recess; curve_sd, board_sd, swatch_sd and
        reading_sd are shares of it, gauge_sd_mm is in mm; df belongs to the depth of the recess.
        aim_mm, at_least_mm and at_most_mm are NaN where there is none.

    Raises
    ------
    LookupError
        If a setting's species × module, or the board, is not in the fit.
    """
    rows = choices.reset_index(drop=True)
    scatter = fit.components.set_index("component")["sd"]
    if isinstance(window, pd.DataFrame):
        window = window.iloc[0]
    ends = {name: np.nan if window is None else float(window[name])
            for name in ("at_least_mm", "at_most_mm")}
    promised = columns.with_module(rows).loc[:, list(_SETTING)].assign(
        card=fit.fingerprint, readings_mark=fit.readings_mark, board=board, order=order,
        aim_mm=rows.get("aim_mm", np.nan), **ends,
        reading_sd=scatter["reading"],
        gauge_sd_mm=scatter["gauge"], invented="yes" if fit.invented else "")
    # Settings of one group and route are predicted at once.
    parts = [_expected(fit, part, board, *key)
             for key, part in columns.with_module(rows).groupby([*columns.GROUP_KEY, "power_pct", "line_pitch_mm", "passes"], sort=False)]
    expected = pd.concat(parts) if parts else pd.DataFrame(
        columns=["expected_mm", "curve_sd", "board_sd", "swatch_sd", "df", "state_factor", "state_sd"], dtype=float)
    return promised.join(expected)[list(COLUMNS)].transform(_shortened)


def label(row: pd.Series, units: Units = Units()) -> str:
    """Return a promise as one line, e.g. 'white oak, 15 W, 0.60 mm: 90 %, 107 mm/s · card 1a2b…'."""
    depth = row["expected_mm"] if pd.isna(row["aim_mm"]) else row["aim_mm"]
    board = "" if row["board"] == NEXT else f" · board {row['board']}"
    if _of_order(row):
        board += f" · order {row['order']}"
        gone = row.get("replaced_by", np.nan)
        board += "" if pd.isna(gone) else f", replaced by its card {gone:.0f}"
    return (f"{row['species']}, {row['module_w']:g} W, {depth:.2f} mm: "
            f"{units.said('power_pct', row['power_pct'])}, {units.said('speed_mm_s', row['speed_mm_s'])} · card {row['card']}{board}{' · invented' * (row['invented'] == 'yes')}")


def labels(promises: pd.DataFrame, units: Units = Units()) -> list[str]:
    """Return each promise as one line; those that read the same are told apart by what differs."""
    lines = pd.Series([label(row, units) for _, row in promises.iterrows()], dtype=object)
    promises = promises.assign(module=promises["module"].astype(object).where(promises["module"].notna() & (promises["module"] != ""), "a module without a name"))
    for name, words in _APART.items():
        words = words.format if name != "line_pitch_mm" else lambda value, name=name: units.said(name, value)
        more = promises[name].map(words).where(promises[name].notna(), "no window")
        # Where a list has several pitches each line says its own: the same speed is another depth then.
        lines += (" · " + more).where((more.groupby(lines).transform("nunique") > 1) | (name == "line_pitch_mm" and more.nunique() > 1), "")
    number = lines.groupby(lines).cumcount() + 1
    return (lines + (" · no. " + number.astype(str)).where(number > 1, "")).tolist()


def mark(row) -> str:
    """Return twelve digits of everything a card promised, the same for the same promise only."""
    # A promise of no order has the mark that it had before there were orders: drafts of then find it again.
    named = [name for name in COLUMNS if name != "order" or _of_order(row)]
    cells = ("" if pd.isna(cell) else cell if isinstance(cell, str) else f"{cell:.6g}" for cell in row[named])
    return hashlib.sha256("|".join(cells).encode()).hexdigest()[:12]


def _expected(fit, part, board, species, module_w, wavelength_nm, module, power_pct, line_pitch_mm,
              passes) -> pd.DataFrame:
    """Return the expected depth, and how far curve and board may be off, of settings of one route."""
    group = fit.group(species, module_w, wavelength_nm, module)
    mean, recess = (fit.predictive(group, part["line_energy_j_mm"].to_numpy(float), line_pitch_mm, kind, board,
                                   power_pct, passes)[0] for kind in ("mean", "swatch"))
    whole, curve = recess.relative_sd**2, mean.relative_sd**2
    state = _of_state(fit, group, part, board)
    if board != NEXT:
        return pd.DataFrame({"expected_mm": recess.depth_mm, "curve_sd": 0.0, "board_sd": mean.relative_sd,
                             "swatch_sd": np.sqrt(np.maximum(whole - curve, 0)), "df": recess.df, **state}, index=part.index)
    # What the recess may be off by, less curve and swatch, is the board's.
    swatch = min(fit.components.set_index("component").loc["swatch", "sd"] ** 2, 0.5 * (whole - curve).min())
    curve_sd = np.sqrt(np.maximum(curve - state["state_sd"]**2, 0)) if fit.machine_sd(group) else mean.relative_sd
    return pd.DataFrame({"expected_mm": recess.depth_mm, "curve_sd": curve_sd,
                         "board_sd": np.sqrt(whole - curve - swatch), "swatch_sd": np.sqrt(swatch), "df": recess.df,
                         **state}, index=part.index)


def _of_state(fit, group, part, board) -> dict:
    """Return what the machine's present state does to the depth, and what is not known of it; NaN where nothing happened.

    On a named board what is not known of the state is in `board_sd`: its proof knows both as one.
    """
    if group.module_key not in fit.modules:
        return {"state_factor": np.nan, "state_sd": np.nan}
    dose = part["line_energy_j_mm"].to_numpy(float) / part["line_pitch_mm"].to_numpy(float)
    factor = group.mean(dose * fit.machine_factor(group)) / group.mean(dose)
    return {"state_factor": factor, "state_sd": fit.machine_sd(group) if board == NEXT else 0.0}


def _shortened(cells: pd.Series) -> pd.Series:
    """Return numbers to six significant digits; other cells as they are."""
    if not pd.api.types.is_float_dtype(cells):
        return cells
    return cells.map(lambda value: float(f"{value:.{_DIGITS}g}"))


def _of_order(row) -> bool:
    """Return whether a promise is of an order's card; a table of an earlier version has no such column, or an empty one."""
    return isinstance(row.get("order"), str) and row["order"] != ""
