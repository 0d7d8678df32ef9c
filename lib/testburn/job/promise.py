"""Promise: what a card says of a recess before it is burned, kept so that it can be held to it later.

Decides what has to be written down, so that a finished job can be judged when the fit it came from
is long gone: the depth expected, and each part of what the recess may be off by. The parts are kept
apart because they are shared by different things: the error of the curve by every job of its card,
the board's deviation by every recess on that board, the rest by nobody. On a named board the first
two are one number, `board_sd`, so that nothing counts twice. What the machine's present state was counted as stands
beside them, so that a job can be held to the standard state as well. Numbers keep six significant digits:
more differ between machines, and no gauge tells them.
"""

import numpy as np
import pandas as pd

from testburn.depthfit import DepthFit, NEXT
from testburn.labbook import columns

_SETTING = (*columns.GROUP_KEY, *columns.MACHINE_SETTING, "line_energy_j_mm")
# What a job's file keeps of a promise; there its board stands as `promised_for`.
_KEPT = tuple(column.name for column in columns.PROMISED)
COLUMNS = (*_KEPT[:2], "board", *_SETTING, *_KEPT[3:], "invented")
_DIGITS = 6


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
