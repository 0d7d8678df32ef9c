"""Drift words: a verdict on finished jobs in plain words, and what to do about it.

Decides what the maker is told, and in which order to look for a cause: the likeliest and cheapest
first (common practice, no source).
"""

_WIPE = ("Wipe the lens: machine off and unplugged, module cool, and only with what its manual "
         "allows.")
_LOOK = "Check the focus: lens distance, board flat and down on its bed."
_AIR = "Check the air at the nozzle: on, and as strong as when the card was burned."
_BURN = ("Burn three swatches again, lowest, middle and highest setting of a wood you know, and "
         "compare them with the card.")
_SET = "Check that power, speed, pitch and passes were those of the card."
_SAME = ("If these come out as the jobs did, it is the curve: accept the jobs into the fit, or burn a "
         "board again. If they come out as the card says, leave the jobs out of the fit.")
_KEEP = ("Do not accept the jobs since then into the fit before the cause is known: a fit to a fogged "
         "lens is wrong once it is wiped.")


def verdict(said: dict) -> str:
    """Say a verdict in one or two sentences; `said` is its row, see `drift.Drift`."""
    sure = _between(said["off_pct"], said["lower_pct"], said["upper_pct"])
    count = f"{_many(said['jobs'], 'job')} on {_many(said['boards'], 'board')}"
    since = f"{said['since']} ({said['since_on']:%Y-%m-%d})" if said["reason"] else ""
    return {
        "": (f"In step: {count} came out {sure} against their cards, no more than boards "
             "do."
             if said["state"] == "in step" else f"Too few jobs to tell: {count}. Four boards are needed."),
        "fade": (f"Since job {since} recesses come out {sure}, on {_many(said['boards_off'], 'board')}: "
                 "more than boards differ. It is the machine, not a board."),
        # What happened before the first job looked at cannot be known: its lens may be fogged too.
        "first": (f"Recesses since job {since} come out {sure}, on "
                  f"{_many(said['boards_off'], 'board')}. It was so from the first job on: lens, "
                  "setting or curve."),
        "board": (f"Board {said['board']} of {said['species']} is {sure}. "
                  + ("The others are in step: it is that board, not the machine." if said["boards"] > 1
                     else "There is no other board to compare it with yet.")),
        "wood": (f"{said['species'].capitalize()} comes out {sure} on all its "
                 f"{_many(said['boards_off'], 'board')}, the other woods do not: it is its curve, not "
                 "the machine."),
    }[said["reason"]]


def advice(said: dict) -> str:
    """Say what to do, the likeliest cause first."""
    steps = {
        "": [],
        "fade": [_WIPE, _LOOK, _AIR, _BURN, _KEEP],
        "first": [_WIPE, _SET, _LOOK, _AIR, _BURN, _SAME],
        "board": ["Burn a proof swatch on that board before its next recess.",
                  "Check its species, its moisture and that it lay flat."],
        "wood": ["Check that these boards are of that wood.",
                 "If they are, accept its jobs into the fit, or burn a board of it again."],
    }[said["reason"]]
    if said["reason"] in ("fade", "first") and said["state"] == "deeper":
        # A lens does not fade upwards.
        steps = ["Check the gauge's zero and the power set.", *steps[1:-1],
                 _SAME if said["reason"] == "first" else
                 "Do not accept the jobs since then into the fit before the cause is known."]
    return " ".join(f"{number}. {step}" for number, step in enumerate(steps, 1))


def _between(off: float, lower: float, upper: float) -> str:
    """Say a deviation with its limits: '14 % (8 to 20 %) shallower'."""
    if lower * upper > 0:
        near, far = sorted(abs(round(end)) for end in (lower, upper))
        return f"{abs(round(off))} % ({near} to {far} %) {'deeper' if off > 0 else 'shallower'}"
    return f"{round(off):+d} % in depth ({round(lower):+d} to {round(upper):+d} %)"


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"
