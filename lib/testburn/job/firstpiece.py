"""First piece: what to do when it did not come out as deep as wanted.

Decides, for the setting on an order's card, at which speed to burn the next piece of the same board after the first one
measured so much, and what becomes of the piece itself. A first piece is a proof of its board, read as such: the depth is
shrunk toward what boards do, and the speed is the one whose chance to land inside the window is best. Power, pitch and
passes stay, since a depth at another route would tell less.
What to do with a piece that is off follows from what bounds its window (`terms`); common practice, no source.
"""

import pandas as pd

from testburn.depthfit import DepthFit, NEXT, proof
from testburn.job import settings
from testburn.job.infill import AT_MOST, Window
from testburn.labbook import Machine

# Shares of the window's ends that the first piece may measure: enough to read a depth between them by eye. Judgement.
SHALLOW, DEEP = (0.75, 0.9), (1.1, 1.25)
_READINGS = 3
_SHALLOW_NOW = {
    "shallow": "Sanding may reach the colour.", "brush-filled": "Sanding flush would take the colour with it.",
    "sprayed": "Sanding may reach the colour."}
_DEEP_NOW = {
    "board": "too little wood is left under the floor: put this piece aside, it may crack or show through.",
    "narrowest stroke": "the walls of narrow strokes may break out: seal them before the colour, and sand with care.",
    "char": "more char stands in the recess: brush it out again and seal twice before the colour.",
    "paint": "it takes more colour: fill in more coats, each dry before the next, until it stands as the steps say."}


def next_speeds(fit: DepthFit, choice: pd.Series, window: Window, machine: Machine = Machine(),
                board: str = NEXT) -> pd.DataFrame:
    """Return at which speed to go on after the first piece.

    Parameters
    ----------
    fit : DepthFit
        With the board's proofs, where there are any.
    choice : Series
        The setting the first piece was burned with, a row of `settings.choose`.
    window : Window
    machine : Machine
    board : str

    Returns
    -------
    DataFrame
        side ("too shallow", "too deep"), measured_mm, speed_mm_s, chance_inside: of the next piece, on the same board.
    """
    group = fit.group_of(choice)
    step, own = float(group.readings["gauge_step_mm"].median()), "first piece" if board == NEXT else board
    rows = []
    for side, end, shares in (("too shallow", window.at_least_mm, SHALLOW), ("too deep", window.at_most_mm, DEEP)):
        for share in shares:
            measured = round(end * share, 2)
            seen = proof(choice, own, [measured] * _READINGS, step, "first piece")
            options = settings.by_speed(fit.proved(seen), choice, window.at_least_mm, window.at_most_mm, machine, board=own)
            best = options.loc[options["chance_inside"].idxmax()]
            rows.append({"side": side, "measured_mm": measured, "speed_mm_s": best["speed_mm_s"],
                         "chance_inside": best["chance_inside"]})
    return pd.DataFrame(rows)


def this_piece(window: Window) -> dict[str, str]:
    """Return what becomes of a piece that is too shallow or too deep, by what bounds its window."""
    most = window.dominating[AT_MOST]
    return {"too shallow": f"This piece: do not move it. {_SHALLOW_NOW[window.variant]}", "too deep": f"This piece: {_DEEP_NOW[most]}"}
