"""Infill bounds: how deep a recess may be, and what would allow more.

Decides the largest depth as the smallest of four bounds, each less its own uncertainty, because that
works against the maker: what must be left of the board, how deep a narrow stroke can be, how much char
a maker puts up with, and what the paint can do. Paint bounds by its own geometry. Brush-filled: the coats
must reach the sanded face, so depth ≤ sealer + coats + sanding. Shallow and sprayed: the colour must
not lie too far down, so depth ≤ sealer + colour + sanding + the largest step.
"""

from dataclasses import replace
from math import ceil

from testburn.job import infillfilm, terms
from testburn.job.facts import Fact, TYPED
from testburn.job.terms import Term

# Boards and strokes are what they are said to be within these limits, either way.
_THICKNESS_MM, _STROKE_MM = 0.1, 0.05
_LEAST_FLOOR_MM = 3.0
_MOST_COATS = 30


def most(variant: str, facts: dict[str, Fact]) -> list[Term]:
    """Return every bound of the largest depth."""
    thickness, stroke = facts["board_thickness_mm"].value, facts["narrowest_stroke_mm"].value
    floor, ratio, char = facts["least_floor_mm"], facts["depth_to_width"], facts["char_mm"]
    kept = _floor(floor, thickness)
    rule = "" if floor.value is not None else f" (half the board, and no less than {_LEAST_FLOOR_MM:g} mm)"
    return [
        Term("board", thickness - kept, infillfilm.spread((-_THICKNESS_MM, _THICKNESS_MM)), floor.source,
             f"board {thickness:g} mm less a floor of {kept:g} mm{rule}; the board may be "
             f"{_THICKNESS_MM:g} mm off", "a thicker board"),
        Term("narrowest stroke", stroke * ratio.value,
             ratio.value * infillfilm.spread((-_STROKE_MM, _STROKE_MM)), ratio.source,
             f"stroke {stroke:.3g} mm wide, at most {ratio.value:g} times as deep as wide; the stroke may be "
             f"{_STROKE_MM:g} mm off", "wider strokes"),
        Term("char", char.value, 0.0, char.source,
             "deeper is mostly time, char and paint", "a larger char_mm, if you brush the char out"),
        _paint(variant, facts)]


def _floor(least_floor: Fact, thickness_mm: float) -> float:
    """Return what must be left under a recess: as typed, or by the board's thickness."""
    typed = least_floor.value
    return typed if typed is not None else max(_LEAST_FLOOR_MM, thickness_mm / 2)


def _paint(variant, facts) -> Term:
    """Return the bound that the colour sets."""
    parts = [terms.film(name, facts[name], "") for name in ("sealer", "colour")]
    parts += [*terms.sanded(facts), *terms.errors(facts)]
    reach = sum(part.mm for part in parts)
    doubt, colour = terms.combined(parts), facts["colour"]
    if variant == "brush-filled":
        return Term("paint", reach, doubt, colour.source,
                    f"filled flush by {colour.value.words}, over the sealer, with the face sanded down",
                    "more or thicker coats")
    step = facts["most_step_mm"]
    source = step.source if step.source == colour.source else f"step: {step.source}; film: {colour.source}"
    return Term("paint", reach + step.value, doubt, source,
                f"the colour lies no more than {step.value:g} mm below the sanded face: a deeper one looks "
                "dark and its walls stay bare", "a larger most_step_mm, if the walls get their colour")


def enough(name: str, variant: str, facts: dict[str, Fact], at_least_mm: float, k: float) -> str:
    """Return what would lift a bound to the least depth, as a number of the maker's.

    Parameters
    ----------
    name : str
        Of the bound.
    at_least_mm : float
    k : float
        How many standard uncertainties count.
    """
    if name == "board":
        wanted = at_least_mm + k * infillfilm.spread((-_THICKNESS_MM, _THICKNESS_MM))
        typed = facts["least_floor_mm"].value
        thick = wanted + typed if typed is not None else max(wanted + _LEAST_FLOOR_MM, 2 * wanted)
        return f"a board of at least {_up(thick)} mm, or a thinner floor under the recess"
    if name == "narrowest stroke":
        ratio = facts["depth_to_width"].value
        wide = at_least_mm / ratio + k * infillfilm.spread((-_STROKE_MM, _STROKE_MM))
        return f"strokes of at least {_up(wide)} mm"
    if name == "char":
        return f"char_mm={_up(at_least_mm)} or more, if you brush the char out"
    if variant != "brush-filled":
        short = at_least_mm - _reach(variant, facts, k)
        return f"most_step_mm={_up(facts['most_step_mm'].value + short)} or more, if the walls get their colour"
    return _coats(variant, facts, at_least_mm, k)


def _coats(variant, facts, at_least_mm, k) -> str:
    """Return how many coats would fill the recess flush."""
    colour = facts["colour"].value
    for coats in range(colour.coats + 1, _MOST_COATS + 1):
        more = facts | {"colour": Fact(replace(colour, coats=coats), TYPED)}
        if _reach(variant, more, k) > at_least_mm:
            return f"{coats} coats of colour instead of {colour.coats}"
    return "a thicker colour: measure its wet film and solids, so that their spans are narrow"


def _reach(variant, facts, k) -> float:
    bound = _paint(variant, facts)
    return bound.mm - k * bound.uncertainty_mm


def _up(mm: float) -> str:
    """Return the next tenth of a millimetre above."""
    return f"{(ceil(round(10 * mm, 6)) + (round(10 * mm, 6) % 1 == 0)) / 10:g}"
