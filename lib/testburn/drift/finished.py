"""Finished: finished jobs as rows that can be judged, each against what its card would say of the standard state.

Decides how the readings of a job become one row a board: recesses weighed by what their promise says of them, on the
logarithm of observed over expected. A card that counted a state of the machine in said by which factor; taken out again,
jobs of before and after stand on one scale. The readings of one recess are held to what its card said of that recess alone.
"""

import numpy as np
import pandas as pd
from scipy import optimize, special

from testburn import energy
from testburn.labbook import columns

MODULE = list(columns.MODULE_KEY)
_MIXED = (np.arange(100) + 0.5) / 100


def finished(jobs: pd.DataFrame) -> pd.DataFrame:
    """Return a row per job, board and module: how far off what its card would say of the standard state, and why.

    Parameters
    ----------
    jobs : DataFrame
        From `jobs.read`.

    Returns
    -------
    DataFrame
        job, the group's key, board, finished_on, recesses, expected_mm, depth_mm, log_ratio, own_variance, curve_sd,
        board_sd, log_sd, z, off_pct, df, dose_j_mm2, invented; in order of module and day.
    """
    key = ["burn", "species", "board", *MODULE]
    readings = columns.with_module(jobs).assign(made_up=jobs["invented"] == "yes", day=pd.to_datetime(jobs["burned_on"]))
    setting = [name for name in columns.MACHINE_SETTING if name in readings]
    counted = ["state_factor"] if "state_factor" in readings else []
    one = readings.groupby([*key, "swatch"], sort=False)
    recess = one[["expected_mm", "curve_sd", "board_sd", "swatch_sd", "reading_sd", "gauge_sd_mm", "df", "gauge_step_mm",
                  *setting, *counted]].first().rename(columns={"gauge_step_mm": "step"})
    recess = recess.assign(mean_mm=one["depth_mm"].mean(), count=one.size(), finished_on=one["day"].max(),
                           made_up=one["made_up"].any()).reset_index()
    gauge = (recess["gauge_sd_mm"]**2 + recess["step"]**2 / 12) / recess["expected_mm"]**2
    # Never quite 0, so that promises without any scatter do not divide by it.
    recess["weight"] = 1 / (recess["swatch_sd"]**2 + (recess["reading_sd"]**2 + gauge) / recess["count"] + 1e-8)
    standard_mm = recess["expected_mm"] / (recess["state_factor"].fillna(1.0) if counted else 1.0)
    recess["log_ratio"] = np.log(np.maximum(recess["mean_mm"], recess["step"]) / standard_mm)
    recess["dose_j_mm2"] = energy.with_energy(recess)["areal_dose_j_mm2"] if len(setting) == len(columns.MACHINE_SETTING) else np.nan
    averaged = ["expected_mm", "mean_mm", "log_ratio", "curve_sd", "board_sd", "df", "dose_j_mm2"]
    recess[averaged] = recess[averaged].mul(recess["weight"], axis=0)
    one = recess.groupby(key, sort=False)
    rows = one[[*averaged, "weight"]].sum().assign(recesses=one.size(), finished_on=one["finished_on"].max(),
                                                   invented=one["made_up"].any()).reset_index()
    rows[averaged] = rows[averaged].div(rows["weight"], axis=0)
    rows["own_variance"] = 1 / rows["weight"]
    rows["log_sd"] = np.sqrt(rows["own_variance"] + rows["curve_sd"]**2 + rows["board_sd"]**2)
    rows["z"] = rows["log_ratio"] / rows["log_sd"]
    rows["off_pct"] = 100 * np.expm1(rows["log_ratio"])
    rows = rows.rename(columns={"burn": "job", "mean_mm": "depth_mm"}).drop(columns="weight")
    return rows.sort_values([*MODULE, "finished_on", "job", "species", "board"], ignore_index=True)


def expected_limits(promise_row: pd.Series, readings: int = 3, gauge_step_mm: float = 0.01,
                    level: float = 0.95) -> tuple[float, float]:
    """Return the limits in mm that the mean of so many readings in one recess was promised."""
    depth, row = promise_row["expected_mm"], promise_row
    gauge = (row["gauge_sd_mm"] ** 2 + gauge_step_mm**2 / 12) / depth**2
    state = row.get("state_sd", np.nan)
    variance = (row["curve_sd"] ** 2 + row["board_sd"] ** 2 + row["swatch_sd"] ** 2 + (0 if pd.isna(state) else state ** 2)
                + (row["reading_sd"] ** 2 + gauge) / readings)
    # How sure the variance is goes as chi-square over its degrees of freedom (Satterthwaite): normals of such variances, mixed.
    likely = special.gammaincinv(row["df"] / 2, _MIXED) * 2 / row["df"]
    half = optimize.brentq(lambda z: special.ndtr(z / np.sqrt(likely)).mean() - (1 + level) / 2, 0, 40) * np.sqrt(variance) * depth
    return max(depth - half, 0.0), depth + half
