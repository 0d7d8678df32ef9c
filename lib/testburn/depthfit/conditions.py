"""Conditions: may burns under another focus, air or direction to the grain share a wood's curve?

Decides whether what a group's burns note differently makes them another curve. Blank means "not noted" and tells nothing.
Burns under another condition share the curve only where the readings show that the energy differs in effect by little,
each board's own deviation allowed for (`states.boards_in`); where they do not show it, those burns stay out, and that is
said.
"""

import numpy as np
import pandas as pd

from testburn.depthfit.curves import CurveFit
from testburn.depthfit.states import FLAT, boards_in, of_boards, posterior
from testburn.labbook import columns

# Burns under other conditions share a curve where the readings show that it differs by less than this, at 5 % on either
# side (two one-sided tests: Schuirmann 1987, J. Pharmacokin. Biopharm. 15:657-680, from memory). The margin is judgement.
_ALIKE, _ONE_SIDED = np.log(1.2), 1.645
CONDITIONS = {"focus_offset_mm": "focus {:+g} mm", "air_assist": "air {}", "sweep_vs_grain": "swept {} the grain"}


def conditions(curves: CurveFit, readings: pd.DataFrame) -> pd.DataFrame:
    """Return a row for each focus, air or direction that some of a group's burns note otherwise than most do.

    Returns
    -------
    DataFrame
        The group's key, condition, value, usual, boards, off_pct, lower_pct, upper_pct (90 %), one_curve, words.
        Where `one_curve` is False, burns with that value do not belong to the group's curve.
    """
    s, found = curves.swatches, []
    for name in [name for name in CONDITIONS if name in readings]:
        noted = readings[name].where(readings[name] != "").to_numpy(object)[s.first_row]
        for group in range(len(s.group_keys)):
            own = np.flatnonzero(s.group_of == group)
            values = pd.Series(noted[own], index=own).dropna()
            if values.nunique() < 2:
                continue
            boards = pd.Series(s.board_of[values.index]).groupby(values.to_numpy()).nunique()
            usual = boards.sort_values(kind="stable").index[-1]
            for value in boards.index.drop(usual):
                found.append(dict(s.group_keys.iloc[group]) | _compared(
                    curves, group, values.index[values.isin([usual, value])], noted, name, usual, value))
    return pd.DataFrame(found, columns=[*columns.GROUP_KEY, "condition", "value", "usual", "boards", "off_pct", "lower_pct",
                                        "upper_pct", "one_curve", "words"])


def _compared(curves, group, at, noted, name, usual, value) -> dict:
    """Compare what was burned under a value with what was burned under the usual one, boards' own deviations allowed."""
    other = (noted == value).astype(int)
    cells = boards_in(curves, group, other, np.zeros(2), at)
    own, _ = of_boards(cells, 2)
    design = np.eye(2)[cells["state"].to_numpy(int)]
    mean, spread = posterior(np.diag([0.0, FLAT**2]), design, cells["y"].to_numpy(), own)
    half = _ONE_SIDED * np.sqrt(spread[1, 1])
    one = bool(abs(mean[1]) + half < _ALIKE)
    low, off, high = 100 * np.expm1(np.array([mean[1] - half, mean[1], mean[1] + half]))
    said, most = (CONDITIONS[name].format(one) for one in (value, usual))
    boards = int(cells.loc[cells["state"] == 1, "board"].nunique())
    words = (f"{curves.swatches.group_keys['species'].iloc[group]}: {boards} board{'s' * (boards != 1)} burned with {said}, most with "
             f"{most}. The energy differs in effect by {off:+.0f} % ({low:+.0f} to {high:+.0f} %): "
             + ("the readings show that one curve serves both." if one else
                "the readings do not show that one curve serves both, so they are not in it."))
    return {"condition": name, "value": value, "usual": usual, "boards": boards, "off_pct": off, "lower_pct": low, "upper_pct": high,
            "one_curve": one, "words": words}
