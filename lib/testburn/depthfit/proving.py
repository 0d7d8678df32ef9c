"""Proving: a proof swatch, from its readings to what the fit learns of the board.

Decides what is refused: a reading without a depth or no deeper than the gauge's step, one name for
two settings (their mean would prove neither), and readings the fit has already used (they would
count twice). Struck readings prove nothing and are left out. What is learned starts from what its own burn
says of the board, or from what is known of any board, and several swatches add up (`boards.proved`).
"""

import pandas as pd

from testburn import energy
from testburn.depthfit import boards, swatches
from testburn.depthfit.boards import BoardState
from testburn.depthfit.group import DOSE
from testburn.labbook import NEXT, columns

_SWATCH = ["board", "burn", "swatch"]


def checked(proof_readings: pd.DataFrame, used: pd.DataFrame) -> pd.DataFrame:
    """Return the proof's readings with line energy and areal dose.

    Parameters
    ----------
    proof_readings : DataFrame
        Tidy readings; board, burn, swatch, depth_mm, gauge_step_mm and the setting.
    used : DataFrame
        The readings the fit rests on.

    Raises
    ------
    ValueError
        In the cases the module names.
    """
    rows = energy.with_energy(columns.with_module(proof_readings))
    if "struck_because" in rows:
        rows = rows[rows["struck_because"] == ""]
    if rows.empty or rows["depth_mm"].isna().any():
        raise ValueError("A proof needs a depth in mm for each of its readings. Type them all, or "
                         "leave the reading out.")
    if (shallow := rows[rows["depth_mm"] <= rows["gauge_step_mm"]]).size:
        raise ValueError(f"A proof reading of {shallow['depth_mm'].iloc[0]:g} mm is no deeper than "
                         "the gauge's step and proves nothing. Prove with a deeper swatch.")
    if (rows["board"] == NEXT).any():
        raise ValueError(f"{columns.BOARD_NAMED_NEXT.capitalize()}.")
    dose = rows.groupby(_SWATCH)[DOSE]
    if (dose.max() > dose.min() * (1 + 1e-9)).any():
        raise ValueError("Proof readings of one swatch have different settings. Give each proof "
                         'swatch a name of its own, e.g. proof(..., swatch="2").')
    again = pd.MultiIndex.from_frame(rows[_SWATCH]).isin(pd.MultiIndex.from_frame(used[_SWATCH]))
    if again.any():
        row = rows[again].iloc[0]
        raise ValueError(f"Swatch {row['swatch']} of burn {row['burn']} is already in the fit and "
                         "cannot prove it as well. Burn a new swatch.")
    return rows


def learned(fit, rows: pd.DataFrame) -> dict[tuple[int, str], BoardState]:
    """Return the state of each board that the checked readings prove: (group index, board) → BoardState.

    Parameters
    ----------
    fit : DepthFit
        Its `spreads`, `proved_boards`, `unproved` and `group` are asked.
    rows : DataFrame
        From `checked`.
    """
    found = {}
    for (*key, board), member in rows.groupby([*columns.GROUP_KEY, "board"], sort=True):
        group = fit.group(*key)
        state = fit.proved_boards.get((group.index, board)) or fit.unproved(group, board)
        tidy = swatches.reduced(member, member[DOSE].to_numpy())
        reached = tidy.regressor * fit.machine_factor(group)
        found[group.index, board] = boards.proved(fit.spreads, state, reached, tidy.route, tidy.mean_mm, tidy.count,
                                                  float(member["gauge_step_mm"].median()))
    return found


def proof(choice: pd.Series, board: str, depths_mm, gauge_step_mm: float,
          swatch: str = "1", invented: bool = False) -> pd.DataFrame:
    """Return the readings of a proof swatch burned with a choice on a board, for `fit.proved`.

    Where they are invented, everything made from them says so.
    """
    head = {name: choice.get(name, "") for name in (*columns.GROUP_KEY, *columns.MACHINE_SETTING)}
    return pd.DataFrame([head | {"burn": f"proof {board}", "board": board, "swatch": swatch,
                                 "reading": number, "depth_mm": float(depth),
                                 "gauge_step_mm": gauge_step_mm,
                                 "invented": "yes" if invented else ""}
                         for number, depth in enumerate(depths_mm, start=1)])
