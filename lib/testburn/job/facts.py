"""Infill facts: what an infill's window rests on, each with where it comes from.

Decides what stands in for anything the maker does not say: films, grits, flatness, movement, limits; and how
thick a wet coat dries: wet film × solids by volume × coats. A span (from, to) means that any value between is
as likely as another: its standard uncertainty is half its width over the root of 3 (JCGM 100:2008, 4.3.7).
A published value carries its source; a habit of the trade says "common practice, no source"; what
the maker typed says so. And what the recipes (ways to fill) have in common and apart: whether colour fills the recess to
the face, whether the face is sanded flat afterwards, and whether something lies on it while it burns.

Source: films, and dry = wet × solids by volume, from WOODWEB knowledge base, Wet mils, dry mils (2008); sanding from Woodworking
Network, 7 August 2014, stock removal of a wide-belt machine; shrinkage from the Wood Handbook
(FPL-GTR-190), table 4-3; least scatter of a floor after beech's roughness in Acta Facultatis Xylologiae
Zvolen 61(1), 2019.
"""

from dataclasses import dataclass
from functools import cache
from math import hypot, sqrt

import pandas as pd

from testburn.labbook import columns, tomlfile, woods


Field = columns.Field
FILM = (
    Field("coats", "integer", "How often it is laid.", "Use a whole number, 0 or more.", at_least=0, at_most=100),
    Field("wet_mm", "span", "Wet thickness of one coat.", "Use mm, [from, to].", "mm", at_least=0, at_most=5),
    Field("solids", "span", "Share of solids by volume.", "Use a share, 0.35 for 35 %: [from, to].", at_least=0, at_most=1),
    Field("soaks", "span", "Share that soaks into the wood.", "Use a share, 0.5 for half: [from, to].", required=False,
          at_least=0, at_most=1),
)


@dataclass(frozen=True)
class Film:
    """Coats of sealer or colour. Spans are (from, to); every coat is of the same can and hand.

    Attributes
    ----------
    coats : int
    wet_mm : (float, float)
        Wet thickness of one coat.
    solids : (float, float)
        Share of solids BY VOLUME, 0 to 1. By weight it is more and would overstate the film.
    soaks : (float, float)
        Share of the film that soaks into the wood and takes no depth.
    """

    coats: int
    wet_mm: tuple[float, float]
    solids: tuple[float, float]
    soaks: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self):
        for field in FILM:
            tomlfile.must_be(field, getattr(self, field.name))

    @property
    def dry_mm(self) -> float:
        """All coats together, dry: wet × solids by volume × coats × what does not soak in."""
        return self.coats * middle(self.wet_mm) * middle(self.solids) * (1 - middle(self.soaks))

    @property
    def uncertainty_mm(self) -> float:
        """Standard uncertainty of the dry film, to first order (JCGM 100:2008, 5.1.2)."""
        wet, solids, kept = middle(self.wet_mm), middle(self.solids), 1 - middle(self.soaks)
        return self.coats * hypot(spread(self.wet_mm) * solids * kept, wet * spread(self.solids) * kept,
                                  wet * solids * spread(self.soaks))

    @property
    def words(self) -> str:
        """The film as one would say it."""
        wet, solids = (f"{low:g} to {high:g}" for low, high in (
            self.wet_mm, [round(100 * share, 1) for share in self.solids]))
        soaks = f", {100 * middle(self.soaks):.0f} % of it soaks in" if self.soaks[1] else ""
        return (f"{self.coats} coat{'s' * (self.coats != 1)} of {wet} mm wet, {solids} % solids by "
                f"volume{soaks}")


def middle(span) -> float:
    """Return the middle of a span."""
    return (span[0] + span[1]) / 2


def spread(span) -> float:
    """Return the standard uncertainty of a value that may be anywhere in a span."""
    return (span[1] - span[0]) / 2 / sqrt(3)


@dataclass(frozen=True)
class Recipe:
    """A way to fill a recess.

    Attributes
    ----------
    fills : bool
        Colour or resin fills the recess to the sanded face; else its film lies on the floor.
    flat : bool
        The face is sanded until it is flat and clean; else it gets a few light strokes.
    over : str
        What lies on the face while it burns; "" where it is bare.
    sprayed : bool
        The colour also goes over the face around the recess.
    poured : bool
        The recess is filled at once, by something that is about all solids.
    """

    fills: bool = False
    flat: bool = True
    over: str = ""
    sprayed: bool = False
    poured: bool = False


RECIPES = {"shallow": Recipe(), "brush-filled": Recipe(fills=True), "sprayed": Recipe(sprayed=True),
           "resin-filled": Recipe(fills=True, poured=True), "mask-sprayed": Recipe(flat=False, over="mask", sprayed=True),
           "sealed-face": Recipe(flat=False, over="coating")}
VARIANTS = tuple(RECIPES)
PRACTICE = "common practice, no source"
JUDGED = "our judgement, no source"
TYPED = "typed by the maker"
FILMS = "WOODWEB, Wet mils, dry mils (2008): 3 to 5 mil wet, 20 to 40 % solids by volume"
SANDING = "Woodworking Network, 7 August 2014, wide-belt machine"
HANDBOOK = "Wood Handbook (FPL-GTR-190), table 4-3"
_MIL_MM = 0.0254
# Wood taken off by one grit, in inch: least to clear the grit before it, and most.
_GRITS_IN = {60: (0.015, 0.035), 80: (0.008, 0.024), 100: (0.006, 0.017), 120: (0.004, 0.010),
             150: (0.002, 0.006), 180: (0.001, 0.004), 220: (0.0005, 0.002)}
GRITS_MM = {grit: (25.4 * least, 25.4 * most) for grit, (least, most) in _GRITS_IN.items()}


@dataclass(frozen=True)
class Fact:
    """A value and where it comes from."""

    value: object
    source: str


# One usual wet coat.
USUAL_MM = (0.076, 0.127)
_SOLIDS = (0.2, 0.4)
_FACTS = {
    "species": Fact(None, PRACTICE),
    "shrinkage_pct": Fact(None, HANDBOOK),
    "sealer": Fact(Film(1, USUAL_MM, _SOLIDS, (0.0, 1.0)),
                   FILMS + "; that half of it soaks in, give or take all: " + PRACTICE),
    "hides_mm": Fact(0.05, PRACTICE), "least_step_mm": Fact(0.05, PRACTICE),
    "grits": Fact((150, 180), SANDING),
    "sanded_mm": Fact(None, ""), "flatness_mm": Fact(0.10, PRACTICE),
    "moisture_change_pct": Fact(1.0, PRACTICE), "board_width_mm": Fact(150.0, PRACTICE),
    "pith_mm": Fact(100.0, PRACTICE), "flat_sawn": Fact(True, PRACTICE),
    "floor_sd_mm": Fact(0.03, PRACTICE), "gauge_mm": Fact(0.02, PRACTICE),
    "least_floor_mm": Fact(None, PRACTICE), "depth_to_width": Fact(1.0, PRACTICE),
    "char_mm": Fact(1.0, PRACTICE),
}
_BY_VARIANT = {
    "shallow": {"colour": Fact(Film(2, USUAL_MM, _SOLIDS), FILMS), "most_step_mm": Fact(0.5, PRACTICE)},
    "brush-filled": {"colour": Fact(Film(12, (0.1, 0.15), (0.35, 0.5)), PRACTICE)},
    "sprayed": {"colour": Fact(Film(4, (2.5 * _MIL_MM, 3.5 * _MIL_MM), _SOLIDS),
                               FILMS + "; a light spray coat about 3 mil"),
                "most_step_mm": Fact(0.8, PRACTICE)},
    # One pour; cured epoxies have shrunk by some 2 to 7 % by volume, from memory. Tinted resin hides less than paint.
    "resin-filled": {"colour": Fact(Film(1, (2.0, 3.0), (0.93, 1.0)), f"one pour, about all solids: {PRACTICE}; shrinkage from memory"),
                     "hides_mm": Fact(0.15, JUDGED),
                     "grits": Fact((120, 150, 180), SANDING)},
}
# A face that is not sanded flat: a few light strokes take what stands up at the rims, and low places stay as they are.
_FACE_STAYS = {"flatness_mm": Fact(0.0, "not sanded flat: low places stay as they are")}
_BY_VARIANT |= {
    "mask-sprayed": _BY_VARIANT["sprayed"] | _FACE_STAYS | {"sanded_mm": Fact((0.0, 0.05), JUDGED)},
    "sealed-face": _BY_VARIANT["shallow"] | _FACE_STAYS | {"sanded_mm": Fact((0.0, 0.03), JUDGED)},
}
_COLOURING, _SANDING = ("colour", "hides_mm", "least_step_mm", "most_step_mm"), ("sanded_mm", "grits", "flatness_mm")
_FILM = 'Write it e.g. {coats = 2, wet_mm = [0.08, 0.12], solids = [0.3, 0.4]}.'


def _mm(name: str, meaning: str, at_least: float, at_most: float, unit: str = "mm") -> Field:
    return Field(name, "number", meaning, f"Check its unit: {unit} is asked for.", unit, False, at_least=at_least, at_most=at_most)


# What a maker may say of an infill; the limits are the smallest and largest that make sense, against a slip of the unit.
INFILL = (
    Field("variant", "text", "How it is filled.", "Use one of these.", required=False, among=VARIANTS),
    Field("confidence", "number", "That a recess as deep as each end still does.", "Use e.g. 0.95.", required=False,
          at_least=0.5, at_most=0.9999),
    Field("species", "text", "The wood.", "", required=False),
    _mm("board_thickness_mm", "Board thickness", 1, 200), _mm("narrowest_stroke_mm", "Narrowest stroke", 0.05, 500),
    _mm("hides_mm", "Colour hides from", 0, 1), _mm("least_step_mm", "Step to the face, least", 0, 2),
    _mm("most_step_mm", "Step to the face, most", 0.05, 20), _mm("flatness_mm", "Face flat within", 0, 3),
    _mm("moisture_change_pct", "Moisture may change by", 0, 15, "%"), _mm("board_width_mm", "Board's width", 5, 1000),
    _mm("pith_mm", "From the pith", 5, 2000), _mm("floor_sd_mm", "Floor scatters by", 0, 0.5),
    _mm("gauge_mm", "Gauge scatters by", 0, 0.5), _mm("least_floor_mm", "Wood left under it", 0, 200),
    _mm("depth_to_width", "Depth over width, most", 0.1, 20, "depth over width"), _mm("char_mm", "Char from a depth of", 0.05, 50),
    Field("flat_sawn", "yes or no", "Flat-sawn", "", required=False),
    Field("grits", "integer", "Grits", "From coarse to fine; or type what sanding takes off.",
          required=False, many=True, among=tuple(GRITS_MM)),
    Field("sanded_mm", "span", "Sanding takes off", "Use mm, [from, to].", "mm", False, at_least=0, at_most=3),
    Field("shrinkage_pct", "span", "Shrinkage, radial and tangential", "Use [radial, tangential] in %.", "%", False, at_least=0,
          at_most=30),
    Field("sealer", "table", "Films of sealer.", _FILM, required=False, of=FILM),
    Field("colour", "table", "Films of colour.", _FILM, required=False, of=FILM),
)
_BY_NAME = {field.name: field for field in INFILL}


def gathered(variant: str, given: dict) -> dict[str, Fact]:
    """Return every fact of a window: what the maker typed (or a `Fact` with a source of its own), or what stands in for it.

    Raises
    ------
    ValueError
        An unknown variant or name, a value out of its limits, grits that no chart knows.
    """
    tomlfile.must_be(_BY_NAME["variant"], variant)
    known = _FACTS | _BY_VARIANT[variant] | {"board_thickness_mm": None, "narrowest_stroke_mm": None}
    if strange := sorted(set(given) - set(known)):
        raise ValueError(f"A {variant} window has no {', '.join(strange)}. Known are: "
                         f"{', '.join(sorted(known))}.")
    facts = {name: value if isinstance(value, Fact) else Fact(value, TYPED) for name, value in given.items() if value is not None}
    if "grits" in facts:
        # Grits that were named count by the chart, and no stand-in for light sanding does.
        known["sanded_mm"] = _FACTS["sanded_mm"]
    for name, fact in facts.items():
        _check(name, fact.value)
    return known | facts


def carried(facts: dict[str, Fact], variant: str, to: str) -> dict[str, Fact]:
    """Return what was said of one way to fill that holds for another one too.

    Its colour and steps are its own, and so is its sanding where only one of the two sands the face flat.
    """
    stand_ins, sanding = _FACTS | _BY_VARIANT[variant], () if RECIPES[variant].flat == RECIPES[to].flat else _SANDING
    return {name: fact for name, fact in facts.items() if name not in (*_COLOURING, *sanding) and fact != stand_ins.get(name)}


def defaults(variant: str) -> pd.DataFrame:
    """Return what stands in for anything not typed: name, label, value, source."""
    return assumed(gathered(variant, {"board_thickness_mm": 20, "narrowest_stroke_mm": 2}))


def assumed(known: dict[str, Fact]) -> pd.DataFrame:
    """Return which of a window's facts nobody typed: name, label, value, source."""
    return pd.DataFrame([{"name": name, "label": label(name), "value": _said(name, fact.value), "source": fact.source}
                         for name, fact in known.items() if fact.source not in (TYPED, "")],
                        columns=["name", "label", "value", "source"])


def label(name: str, value: str = "") -> str:
    """Return what a fact is called where a maker types it, with its unit; with a value, the value behind it."""
    field = _BY_NAME[name]
    unit = field.unit if field.unit in ("mm", "%") else ""
    return f"{field.meaning.rstrip('.')}: {value} {unit}".rstrip() if value else field.meaning.rstrip(".") + f", {unit}" * bool(unit)


def _said(name: str, value) -> str:
    """Return a stand-in as one would say it."""
    if isinstance(value, (bool, tuple)):
        return tomlfile.written(value)
    return value.words if isinstance(value, Film) else str(value) if value is not None else {
        "species": "not said: the wood that cups most in the table",
        "shrinkage_pct": "of the wood: woods.csv",
        "least_floor_mm": "half the board, and no less than 3 mm"}[name]


@cache
def _shrinkages() -> pd.DataFrame:
    return woods.read()


def shrinkage(species: str | None) -> Fact:
    """Return shrinkage from green to oven-dry, (radial, tangential) in percent, by species.

    Where the table lacks the species, that of the wood in it that cups most, and the source says so.
    """
    table = _shrinkages()
    known = species in table.index
    named = species if known else (table["shrinkage_tangential_pct"] - table["shrinkage_radial_pct"]).idxmax()
    row = table.loc[named]
    source = f"{HANDBOOK}, {named}, {row['shrinkage_obtained']}"
    if not known:
        source += (f"; {species or 'no wood'} is not in our table: counted as the wood that cups "
                   "most in it")
    return Fact((float(row["shrinkage_radial_pct"]), float(row["shrinkage_tangential_pct"])), source)


def _check(name: str, value) -> None:
    """Refuse a value that cannot be."""
    field = _BY_NAME[name]
    if field.kind != "table":
        tomlfile.must_be(field, value)
        if name == "grits" and list(value) != sorted(set(value)):
            raise ValueError(f"grits is {list(value)}: they are not in order. Write each once, from coarse to fine.")
    elif not isinstance(value, Film):
        raise ValueError(f"{name} is {value!r}: this is no film. {field.remedy}")
