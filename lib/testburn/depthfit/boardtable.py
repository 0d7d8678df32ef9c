"""Board table: what the fit says of each board, burned or proved, in percent and in words.

Decides when a proof is too odd to be believed: one as far off as happens once in a hundred boards,
if the components are right, is flagged and never corrected away.
"""

import numpy as np
import pandas as pd

from testburn.depthfit import boards
from testburn.depthfit.boards import BoardState
from testburn.depthfit.group import GroupFit

SURPRISE = 0.01


def deviations(groups: tuple[GroupFit, ...]) -> pd.DataFrame:
    """Return how far each burned board lies off its curve, in percent, with about 95 % limits.

    Returns
    -------
    DataFrame
        species, module_w, wavelength_nm, board, board_pct, lower_pct, upper_pct.
    """
    rows = []
    for group in groups:
        weights = np.append(group.curves.components.variances, 1.0)
        for board in sorted(set(group.readings["board"])):
            try:
                state = boards.burned_board(group.curves, group.index, board)
            except LookupError:  # none of its swatches left a mark: nothing is known of it
                continue
            sd = np.sqrt(weights @ state.parts[:, -1, -1])
            off, low, high = 100 * np.expm1(state.mean[-1] + np.array([0, -2, 2]) * sd)
            rows.append({"species": group.species, "module_w": group.module_w,
                         "wavelength_nm": group.wavelength_nm, "board": board, "board_pct": off,
                         "lower_pct": low, "upper_pct": high})
    return pd.DataFrame(rows)


def proofs(groups: tuple[GroupFit, ...],
           proved: dict[tuple[int, str], BoardState]) -> pd.DataFrame:
    """Return a row per proved board: how it differs, and a warning where it differs too much.

    Returns
    -------
    DataFrame
        species, module_w, wavelength_nm, board, swatches, board_pct, surprise_p (how often a
        board as odd as this turns up), warning.
    """
    rows = []
    for (index, board), state in proved.items():
        group = next(group for group in groups if group.index == index)
        rows.append({
            "species": group.species, "module_w": group.module_w,
            "wavelength_nm": group.wavelength_nm, "board": board, "swatches": state.proofs,
            "board_pct": 100 * np.expm1(state.mean[-1]), "surprise_p": state.surprise_p,
            "warning": _surprise_words(state) if state.surprise_p < SURPRISE else ""})
    return pd.DataFrame(rows, columns=["species", "module_w", "wavelength_nm", "board", "swatches",
                                       "board_pct", "surprise_p", "warning"])


def _surprise_words(state: BoardState) -> str:
    odds = f"{1 / max(state.surprise_p, 1e-6):,.0f}"
    return (f"This proof is further off than the boards of this lab book are: one in {odds} would "
            "be. Check species, module, focus, lens and gauge before you believe either; burn a "
            "second proof swatch.")
