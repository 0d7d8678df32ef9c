"""Finishing: the steps from a burned recess to a sealed, coloured, flush sign.

Decides the order of the work for each variant, how many coats, and which caution stands beside which
step. All of it is common practice, no source. How long a coat dries is never said here: the label says
it, and the label, local rules and the makers' manuals come before this list.
"""

import pandas as pd

from testburn.job import cautions
from testburn.job.infill import Window
from testburn.job.facts import Film

DRY = "dry as the label says; dry to the touch is not cured"
SOLVENT = ("Solvent vapour: open air or extraction, no flame, never near the machine. No burning on or near "
           "this piece until the vapour has gone.")
DUST = ("Dust: extract it and wear a respirator; some woods' dust causes cancer, and paint dust comes on "
        "top.")
SMOULDER = "Look again for smoulder, in the recess and in the waste. Wear a respirator: char is dust too."
DECIDES = "Labels, local rules and the makers' manuals decide, not this list."
_COLOUR = {
    "shallow": "colour the floor only, thin; wipe what is on the face",
    "brush-filled": "brush the colour in until it stands proud of the face",
    "sprayed": "spray light coats through the recess, from several sides for the walls",
}
_SAND = {
    "shallow": "sand the face with a hard flat block; the colour lies below the paper's reach",
    "brush-filled": "sand colour and face flush with a hard flat block",
    "sprayed": "sand the spray off the face with a hard flat block; the colour stays on floor and walls",
}


def schedule(window: Window) -> pd.DataFrame:
    """Return the finishing steps of a window's variant, with its films and grits.

    Returns
    -------
    DataFrame
        step, what, coats, wet_film (in words), wait, caution.
    """
    sealer, colour = (window.facts[name].value for name in ("sealer", "colour"))
    grits = window.facts["grits"].value if window.facts["sanded_mm"].value is None else ()
    with_grits = f"; grits {', '.join(map(str, grits))}" if grits else "; as you did when you measured it"
    sealing = [("seal", "seal the recess, so that colour does not bleed", sealer, DRY, f"{SOLVENT} {cautions.RAGS}")]
    rows = [
        ("clean", "brush and vacuum the char out of the recess", None, "", SMOULDER),
        ("rest", "let the wood come back to the humidity of the room it was burned in", None,
         "a day or more", "A board that has cupped is sanded unevenly."),
        *sealing * (sealer.coats > 0),
        ("colour", _COLOUR[window.variant], colour, DRY, f"{SOLVENT} {cautions.RAGS}"),
        ("sand back", _SAND[window.variant] + with_grits, None,
         "first let the paint get hard: gummy paint pulls out", DUST),
        ("clear coat", "seal face and colour together; try it on scrap over the colour first",
         Film(1, sealer.wet_mm, sealer.solids), DRY, f"{SOLVENT} {cautions.RAGS}"),
        ("in doubt", "ask the label and the maker of the paint", None, "", DECIDES)]
    return pd.DataFrame([{
        "step": step, "what": what, "coats": film.coats if film else None,
        "wet_film": f"{film.wet_mm[0]:.2f} to {film.wet_mm[1]:.2f} mm" if film else "",
        "wait": wait, "caution": caution} for step, what, film, wait, caution in rows]).astype({"coats": "Int64"})
