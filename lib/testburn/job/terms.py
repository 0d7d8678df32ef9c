"""Infill terms: what takes depth away between the burn and the finished face, and what bounds it.

Decides each part of the least depth of a recess, with a standard uncertainty beside it. Depth is
counted from the burned face to the recess floor. Sealer lies on the floor; sanding lowers the face,
more so where the board is not flat or has cupped since the burn; what must be left then is a least
thickness of colour (where it fills the recess), or the colour's film and a least step above it (where it lies on the floor).

A face that is not sanded flat (a mask has kept it clean, or a coating) gets a few light strokes only: neither its low
places nor a cup cost depth then.

The largest depth is the smallest of four bounds, each less its own uncertainty, because that works
against the maker: what must be left of the board, how deep a narrow stroke can be, how much char
a maker puts up with, and what the paint can do. Paint bounds by its own geometry. Filled: the coats
must reach the sanded face, so depth ≤ sealer + coats + sanding. On the floor: the colour must
not lie too far down, so depth ≤ sealer + colour + sanding + the largest step.

Cup: wood that shrinks by R along the radius and by T along the rings closes or opens the angle that
rings make about the pith by T - R. A flat-sawn face at distance p from the pith, w wide, rises or falls
at its edges by (w/2) · atan((w/2)/p) · (T - R), to first order. An estimate: real boards are uneven and
partly held flat.

Movement per 1 % of moisture is total shrinkage over 30: wood moves in proportion below fibre saturation,
at about 30 % (Wood Handbook, FPL-GTR-190, chapter 4: S = S0 · (30 - M) / 30).
"""

from dataclasses import dataclass, replace
from math import atan, ceil, sqrt

from testburn.job.facts import Fact, GRITS_MM, RECIPES, SANDING, TYPED, label, middle, shrinkage, spread

# Boards and strokes are what they are said to be within these limits, either way.
_THICKNESS_MM, _STROKE_MM = 0.1, 0.05
_LEAST_FLOOR_MM = 3.0
_MOST_COATS = 30
FIBRE_SATURATION_PCT = 30.0
# A straightedge with feeler gauges tells steps of 0.05 mm.
_FEELER_STEP_MM = 0.05


@dataclass(frozen=True)
class Term:
    """One part of the least depth, or one bound of the largest. `remedy` makes it milder."""

    name: str
    mm: float
    uncertainty_mm: float
    source: str
    what: str
    remedy: str


def movement_share(shrinkage_pct: float, moisture_change_pct: float) -> float:
    """Return by what share wood moves when its moisture changes by so many percent."""
    return shrinkage_pct / 100 * moisture_change_pct / FIBRE_SATURATION_PCT


def cup_mm(board_width_mm: float, pith_mm: float, radial_pct: float, tangential_pct: float,
           moisture_change_pct: float) -> float:
    """Return how far the edges of a flat-sawn face rise or fall, in mm; see the module's words.

    Parameters
    ----------
    board_width_mm : float
    pith_mm : float
        From the face to the pith (the middle of the rings on the end grain), along their axis.
    radial_pct, tangential_pct : float
        Total shrinkage, green to oven-dry.
    moisture_change_pct : float
    """
    half = board_width_mm / 2
    return half * atan(half / pith_mm) * abs(movement_share(tangential_pct - radial_pct, moisture_change_pct))


def sanded(facts: dict[str, Fact]) -> list[Term]:
    """Return what sanding takes off the wood: as the maker measured it, or one term a grit."""
    typed, fewer = facts["sanded_mm"].value, "fewer or finer grits"
    if typed is not None:
        return [Term("sanding", middle(typed), spread(typed), facts["sanded_mm"].source,
                     f"{typed[0]:g} to {typed[1]:g} mm of wood off the face", "less sanding")]
    spans = [(grit, GRITS_MM[grit]) for grit in facts["grits"].value]
    # Which grits is the maker's word; what they take off stays the chart's.
    grits = facts["grits"].source
    source = f"{SANDING}; grits {grits}" if grits == TYPED else grits
    return [Term(f"sanding, {grit} grit", middle(span), spread(span),
                 source,
                 f"{span[0]:.3f} to {span[1]:.3f} mm: least to clear the scratches before it, and most", fewer)
            for grit, span in spans]


def film(name: str, fact: Fact, remedy: str) -> Term:
    """Return a dry film as a term."""
    return Term(name, fact.value.dry_mm, fact.value.uncertainty_mm, fact.source, fact.value.words, remedy)


def errors(facts: dict[str, Fact]) -> list[Term]:
    """Return what floor and gauge may be off; neither has a direction."""
    return [
        Term("floor", 0.0, facts["floor_sd_mm"].value, facts["floor_sd_mm"].source,
             "high and low spots of one recess's floor about its mean depth (sd of the readings in it)",
             "a flatter floor: finer pitch, char brushed out"),
        Term("gauge", 0.0, facts["gauge_mm"].value, facts["gauge_mm"].source,
             "what the gauge may be off in all readings alike: zero, base, tip",
             "a gauge checked against a step you know")]


def _cup(variant, facts) -> list[Term]:
    """Return what cupping adds to the sanding, and how much the recess's own depth moves."""
    typed, named = facts["shrinkage_pct"], shrinkage(facts["species"].value)
    shrinks = typed if typed.value is not None else named
    (radial, tangential), change = shrinks.value, facts["moisture_change_pct"]
    flat, width, pith = (facts[name].value for name in ("flat_sawn", "board_width_mm", "pith_mm"))
    sanded_flat = RECIPES[variant].flat
    high = cup_mm(width, pith, radial, tangential, change.value) if flat and sanded_flat else 0.0
    cut = ("not sanded flat: a cup stays" if not sanded_flat else
           f"flat-sawn, {width:g} mm wide, {pith:g} mm from the pith" if flat else "quarter-sawn: hardly cups")
    what = (f"0 to {high:.3f} mm off the high places: {cut}, moisture up to {change.value:g} % other than "
            f"at the burn, shrinkage {radial:g} % radial, {tangential:g} % tangential. An estimate")
    through = movement_share(radial if flat else tangential, change.value) * facts["char_mm"].value
    source = f"{shrinks.source}; board and moisture: {_where(facts)}"
    steady = "keep the board at one humidity from burning to sanding"
    return [
        Term("cup", high / 2, spread((0, high)), source, what,
             f"{steady}; a narrower or quarter-sawn board"),
        Term("own movement", 0.0, spread((-through, through)), source,
             f"a recess {facts['char_mm'].value:g} mm deep swells or shrinks by up to {through:.4f} mm", steady)]


def _where(facts) -> str:
    """Return where the board's figures come from: typed, all of them, or which are not."""
    names = ("board_width_mm", "pith_mm", "flat_sawn", "moisture_change_pct")
    others = {}
    for name in names:
        others.setdefault(facts[name].source, []).append(name)
    return TYPED if set(others) == {TYPED} else "; ".join(f"{'; '.join(map(label, those))}: {source}" for source, those in others.items()
                                                          if source != TYPED)


def what_takes_depth(variant: str, facts: dict[str, Fact]) -> list[Term]:
    """Return every part of the least depth of a recess."""
    flatness = facts["flatness_mm"]
    parts = [film("sealer", facts["sealer"], "fewer or thinner coats of sealer")]
    if RECIPES[variant].fills:
        hides = facts["hides_mm"]
        parts.append(Term("colour left", hides.value, 0.0, hides.source,
                          "least thickness of dry colour that hides the floor", "a colour that hides better"))
    else:
        step = facts["least_step_mm"]
        parts += [film("colour", facts["colour"], "fewer or thinner coats of colour"),
                  Term("step", step.value, 0.0, step.source,
                       "the colour stays this far below the sanded face, out of the paper's reach",
                       "a harder sanding block, so that a smaller step will do")]
    return [*parts, *sanded(facts),
            Term("flatness", flatness.value, spread((0, _FEELER_STEP_MM)), flatness.source,
                 "gap under a straightedge: high places are sanded this much deeper until low ones are clean",
                 "a flatter board: plane it before burning"),
            *_cup(variant, facts), *errors(facts)]


def combined(terms: list[Term]) -> float:
    """Return the standard uncertainty of the terms' sum (JCGM 100:2008, 5.1.2, eq. 10)."""
    return sqrt(sum(term.uncertainty_mm**2 for term in terms))


def what_bounds_depth(variant: str, facts: dict[str, Fact]) -> list[Term]:
    """Return every bound of the largest depth."""
    thickness, stroke = facts["board_thickness_mm"].value, facts["narrowest_stroke_mm"].value
    floor, ratio, char = facts["least_floor_mm"], facts["depth_to_width"], facts["char_mm"]
    kept = _floor(floor, thickness)
    rule = "" if floor.value is not None else f" (half the board, and no less than {_LEAST_FLOOR_MM:g} mm)"
    return [
        Term("board", thickness - kept, spread((-_THICKNESS_MM, _THICKNESS_MM)), floor.source,
             f"board {thickness:g} mm less a floor of {kept:g} mm{rule}; the board may be "
             f"{_THICKNESS_MM:g} mm off", "a thicker board"),
        Term("narrowest stroke", stroke * ratio.value,
             ratio.value * spread((-_STROKE_MM, _STROKE_MM)), ratio.source,
             f"stroke {stroke:.3g} mm wide, at most {ratio.value:g} times as deep as wide; the stroke may be "
             f"{_STROKE_MM:g} mm off", "wider strokes"),
        Term("char", char.value, 0.0, char.source,
             "deeper is mostly time, char and paint", f"{label('char_mm', 'more')}, if you brush the char out"),
        _paint(variant, facts)]


def _floor(least_floor: Fact, thickness_mm: float) -> float:
    """Return what must be left under a recess: as typed, or by the board's thickness."""
    typed = least_floor.value
    return typed if typed is not None else max(_LEAST_FLOOR_MM, thickness_mm / 2)


def _paint(variant, facts) -> Term:
    """Return the bound that the colour sets."""
    parts = [film(name, facts[name], "") for name in ("sealer", "colour")]
    parts += [*sanded(facts), *errors(facts)]
    reach = sum(part.mm for part in parts)
    doubt, colour = combined(parts), facts["colour"]
    if RECIPES[variant].fills:
        return Term("paint", reach, doubt, colour.source,
                    f"filled flush by {colour.value.words}, over the sealer, with the face sanded down",
                    "more coats")
    step = facts["most_step_mm"]
    source = step.source if step.source == colour.source else f"step: {step.source}; film: {colour.source}"
    return Term("paint", reach + step.value, doubt, source,
                f"the colour lies no more than {step.value:g} mm below the sanded face: a deeper one looks "
                "dark and its walls stay bare", f"{label('most_step_mm', 'more')}, if the walls get their colour")


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
        wanted = at_least_mm + k * spread((-_THICKNESS_MM, _THICKNESS_MM))
        typed = facts["least_floor_mm"].value
        thick = wanted + typed if typed is not None else max(wanted + _LEAST_FLOOR_MM, 2 * wanted)
        return f"a board of at least {_up(thick)} mm, or a thinner floor under the recess"
    if name == "narrowest stroke":
        ratio = facts["depth_to_width"].value
        wide = at_least_mm / ratio + k * spread((-_STROKE_MM, _STROKE_MM))
        return f"strokes of at least {_up(wide)} mm"
    if name == "char":
        return f"{label('char_mm', _up(at_least_mm))} or more, if you brush the char out"
    if not RECIPES[variant].fills:
        short = at_least_mm - _reach(variant, facts, k)
        return f"{label('most_step_mm', _up(facts['most_step_mm'].value + short))} or more, if the walls get their colour"
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
