"""Finishing: the steps from a board to a sealed, coloured, flush sign.

Decides the order of the work for each way to fill, how many coats, and which caution stands beside which step: a mask or
a coating comes before the burn, all else after it. A thick wet coat skins over and stays soft below, so it is said as
several thin fills, none wetter than the thickest usual coat (`facts.USUAL_MM`); resin that is about all solids is poured
at once. All else is common practice, no source. How long a coat dries is never said here: the label says
it, and the label, local rules and the makers' manuals come before this list.
"""

from dataclasses import replace
from math import ceil

import pandas as pd

from testburn.job import cautions
from testburn.job.facts import TYPED, USUAL_MM, Film, middle
from testburn.job.infill import Window

DRY = "dry as the label says; dry to the touch is not cured"
SOLVENT = ("Solvent vapour: open air or extraction, no flame, never near the machine. No burning on or near "
           "this piece until the vapour has gone.")
DUST = ("Dust: extract it and wear a respirator; some woods' dust causes cancer, and paint dust comes on "
        "top.")
SMOULDER = "Look again for smoulder, in the recess and in the waste. Wear a respirator: char is dust too."
# More fills than these are asked about: our own judgement.
_FEW = 4
DECIDES = "Labels, local rules and the makers' manuals decide, not this list."
_BEFORE = {
    "": [],
    "mask": [("mask", "before the burn: press a mask without chlorine (no PVC, no vinyl) onto the bare, clean face", None, "",
              cautions.MASK)],
    "coating": [("coat the face", "before the burn: a clear coat whose data sheet you have, cured right through", None, DRY,
                 cautions.COATING)],
}
_COLOUR = {
    "shallow": "colour the floor only, thin; wipe what is on the face",
    "brush-filled": "brush the colour in, thin fills, each dry before the next, until it stands proud of the face",
    "sprayed": "spray light coats through the recess, from several sides for the walls",
    "resin-filled": "mix by the label, board level; pour once, until it stands proud of the face; prick the bubbles",
    "mask-sprayed": "spray light coats through the mask, from several sides for the walls",
    "sealed-face": "brush the colour in thin, wipe it off the coated face while it is wet",
}
_SAND = {
    "shallow": "sand the face with a hard flat block; the colour lies below the paper's reach",
    "brush-filled": "sand colour and face flush with a hard flat block",
    "sprayed": "sand the spray off the face with a hard flat block; the colour stays on floor and walls",
    "resin-filled": "sand resin and face flush with a hard flat block, without heat; wood beside it wears faster",
    "mask-sprayed": "a few light strokes with a fine grit take the rims down; no more, the face is clean",
    "sealed-face": "a few light strokes with a fine grit key the coat; no more, it must not be sanded through",
}
_PEEL = ("peel", "take the mask off while the last coat is still a little soft, flat and slowly", None, "", "")
# What the curve does not know, and where the gauge is zeroed, where something lies on the face while it burns.
_THROUGH = ("The curve is of bare wood, and this burns through a {over}, which takes a part of the beam: said depth and chance hold "
            "only once a proof swatch was burned through the same {over}.")
_ZERO = {"": "Zero on the face beside it.", "mask": "Lift the mask beside it and zero on the bare face.",
         "coating": "Zero on the coated face beside it."}


def through(window: Window) -> str:
    """Say that something lies on the face, of which the curve knows nothing; nothing where it is bare."""
    over = window.recipe.over
    return _THROUGH.format(over=over) if over else ""


def zero(window: Window) -> str:
    """Say where the gauge is zeroed."""
    return _ZERO[window.recipe.over]


def fills(film: Film, poured: bool = False) -> Film:
    """Return a film as it is laid: a thick wet coat as several thin ones, of the same thickness together."""
    times = 1 if poured else max(ceil(middle(film.wet_mm) / USUAL_MM[1] - 1e-9), 1)
    return replace(film, coats=film.coats * times, wet_mm=tuple(wet / times for wet in film.wet_mm))


def schedule(window: Window) -> pd.DataFrame:
    """Return the steps of a window's way to fill, with its films and grits.

    Returns
    -------
    DataFrame
        step, what, coats, wet_film (in words), wait, caution.
    """
    sealer, colour = (window.facts[name].value for name in ("sealer", "colour"))
    recipe = window.recipe
    wet = cautions.RESIN if recipe.poured else f"{SOLVENT} {cautions.RAGS}"
    hard = "let the resin cure through as the label says" if recipe.poured else "first let the paint get hard: gummy paint pulls out"
    rows = [
        *_BEFORE[recipe.over],
        ("clean", "brush and vacuum the char out of the recess", None, "", SMOULDER),
        ("rest", "let the wood come back to the humidity of the room it was burned in", None,
         "a day or more", "A board that has cupped is sanded unevenly."),
        *[("seal", "seal the recess, so that colour does not bleed", sealer, DRY, f"{SOLVENT} {cautions.RAGS}")] * (sealer.coats > 0),
        ("colour", _COLOUR[window.variant] + _why_many(window), fills(colour, recipe.poured), DRY, wet),
        *[_PEEL] * (recipe.over == "mask"),
        ("sand back", _SAND[window.variant] + _grits(window), None, hard, DUST),
        ("clear coat", "seal face and colour together; try it on scrap over the colour first",
         Film(1, sealer.wet_mm, sealer.solids), DRY, f"{SOLVENT} {cautions.RAGS}"),
        ("in doubt", f"ask the label and the maker of the {'resin' if recipe.poured else 'paint'}", None, "", DECIDES)]
    return pd.DataFrame([{
        "step": step, "what": what, "coats": film.coats if film else None,
        "wet_film": f"{film.wet_mm[0]:.2f} to {film.wet_mm[1]:.2f} mm" if film else "",
        "wait": wait, "caution": caution} for step, what, film, wait, caution in rows]).astype({"coats": "Int64"})


def _why_many(window: Window) -> str:
    """Return why a recess takes many thin fills, and what takes fewer; nothing where it takes few."""
    if not window.recipe.fills or window.recipe.poured:
        return ""
    film = fills(window.facts["colour"].value)
    return (f"; each dries to {film.dry_mm / film.coats:.2f} mm, hence {film.coats}: a tinted filler, laid as its label says, takes "
            "fewer" if film.coats > _FEW else "")


def _grits(window: Window) -> str:
    """Return with what to sand: as measured, else the grits whose figures stand in for it."""
    sanded, grits = window.facts["sanded_mm"], window.facts["grits"].value
    if sanded.source == TYPED:
        return "; as you did when you measured it"
    return f"; grits {', '.join(map(str, grits))}" if sanded.value is None else ""
