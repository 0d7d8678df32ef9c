"""Infill facts: what an infill's window rests on, each with where it comes from.

Decides what stands in for anything the maker does not say: films, grits, flatness, movement, limits; and how
thick a wet coat dries: wet film × solids by volume × coats. A span (from, to) means that any value between is
as likely as another: its standard uncertainty is half its width over the root of 3 (JCGM 100:2008, 4.3.7).
A published value carries its source; a habit of the trade says "common practice, no source"; what
the maker typed says so.

Source: films, and dry = wet × solids by volume, from WOODWEB knowledge base, Wet mils, dry mils (2008); sanding from Woodworking
Network, 7 August 2014, stock removal of a wide-belt machine; shrinkage from the Wood Handbook
(FPL-GTR-190), table 4-3; least scatter of a floor after beech's roughness in Acta Facultatis Xylologiae
Zvolen 61(1), 2019.
"""

from dataclasses import dataclass
from functools import cache
from math import hypot, sqrt
from numbers import Real

import pandas as pd

from testburn.labbook import woods


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
        if not (isinstance(self.coats, int) and self.coats >= 0):
            raise ValueError(f"{self.coats!r} coats cannot be laid. Give a whole number, 0 or more.")
        for name, most, unit in (("wet_mm", 5, "mm"), ("solids", 1, "as a share"), ("soaks", 1, "as a share")):
            checked_span(name, getattr(self, name), most, unit)

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


def checked_span(name: str, span, most: float, unit: str) -> None:
    """Refuse what is not a span (from, to) between 0 and a largest value."""
    fine = (isinstance(span, (tuple, list)) and len(span) == 2
            and all(isinstance(end, Real) and not isinstance(end, bool) for end in span)
            and 0 <= span[0] <= span[1] <= most)
    if not fine:
        raise ValueError(f"{name} is {span!r}. Give (from, to) {unit}, between 0 and {most:g}, the "
                         "smaller first.")


VARIANTS = ("shallow", "brush-filled", "sprayed")
PRACTICE = "common practice, no source"
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


_USUAL_MM = (0.076, 0.127)
_SOLIDS = (0.2, 0.4)
_FACTS = {
    "species": Fact(None, PRACTICE),
    "shrinkage_pct": Fact(None, HANDBOOK),
    "sealer": Fact(Film(1, _USUAL_MM, _SOLIDS, (0.0, 1.0)),
                   FILMS + "; that half of it soaks in, give or take all: " + PRACTICE),
    "hides_mm": Fact(0.05, PRACTICE), "least_step_mm": Fact(0.05, PRACTICE),
    "grits": Fact((150, 180), SANDING + "; sand by hand? type sanded_mm from a pencil-marked step"),
    "sanded_mm": Fact(None, ""), "flatness_mm": Fact(0.10, PRACTICE),
    "moisture_change_pct": Fact(1.0, PRACTICE), "board_width_mm": Fact(150.0, PRACTICE),
    "pith_mm": Fact(100.0, PRACTICE), "flat_sawn": Fact(True, PRACTICE),
    "floor_sd_mm": Fact(0.03, PRACTICE), "gauge_mm": Fact(0.02, PRACTICE),
    "least_floor_mm": Fact(None, PRACTICE), "depth_to_width": Fact(1.0, PRACTICE),
    "char_mm": Fact(1.0, PRACTICE),
}
_BY_VARIANT = {
    "shallow": {"colour": Fact(Film(2, _USUAL_MM, _SOLIDS), FILMS), "most_step_mm": Fact(0.5, PRACTICE)},
    "brush-filled": {"colour": Fact(Film(3, (0.4, 0.6), (0.35, 0.5)), PRACTICE)},
    "sprayed": {"colour": Fact(Film(4, (2.5 * _MIL_MM, 3.5 * _MIL_MM), _SOLIDS),
                               FILMS + "; a light spray coat about 3 mil"),
                "most_step_mm": Fact(0.8, PRACTICE)},
}
# Smallest and largest that make sense, so that a slip of the unit is caught.
_LIMITS = {"board_thickness_mm": (1, 200), "narrowest_stroke_mm": (0.05, 500), "hides_mm": (0, 1),
           "least_step_mm": (0, 2), "most_step_mm": (0.05, 20), "flatness_mm": (0, 3),
           "moisture_change_pct": (0, 15), "board_width_mm": (5, 1000), "pith_mm": (5, 2000),
           "floor_sd_mm": (0, 0.5), "gauge_mm": (0, 0.5), "least_floor_mm": (0, 200),
           "depth_to_width": (0.1, 20), "char_mm": (0.05, 50)}


def gathered(variant: str, given: dict) -> dict[str, Fact]:
    """Return every fact of a window: what the maker typed, or what stands in for it.

    Raises
    ------
    ValueError
        An unknown variant or name, a value out of its limits, grits that no chart knows.
    """
    if variant not in VARIANTS:
        raise ValueError(f"An infill {variant!r} is unknown. Use one of: {', '.join(VARIANTS)}.")
    known = _FACTS | _BY_VARIANT[variant] | {"board_thickness_mm": None, "narrowest_stroke_mm": None}
    if strange := sorted(set(given) - set(known)):
        raise ValueError(f"A {variant} window has no {', '.join(strange)}. Known are: "
                         f"{', '.join(sorted(known))}.")
    for name, value in given.items():
        if value is not None:
            _check(name, value)
    return {name: Fact(given[name], TYPED) if given.get(name) is not None else default
            for name, default in known.items()}


def defaults(variant: str) -> pd.DataFrame:
    """Return what stands in for anything not typed: name, value, source."""
    return assumed(gathered(variant, {"board_thickness_mm": 20, "narrowest_stroke_mm": 2}))


def assumed(known: dict[str, Fact]) -> pd.DataFrame:
    """Return which of a window's facts nobody typed: name, value, source."""
    return pd.DataFrame([{"name": name, "value": _said(name, fact.value), "source": fact.source}
                         for name, fact in known.items() if fact.source not in (TYPED, "")],
                        columns=["name", "value", "source"])


def _said(name: str, value) -> str:
    """Return a stand-in as one would say it."""
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
        source += (f"; {species or 'no species'} is not in our table: counted as the wood that cups "
                   "most in it")
    return Fact((float(row["shrinkage_radial_pct"]), float(row["shrinkage_tangential_pct"])), source)


def _check(name: str, value) -> None:
    """Refuse a value that cannot be."""
    if name in _LIMITS:
        low, high = _LIMITS[name]
        if isinstance(value, bool) or not isinstance(value, Real) or not low <= value <= high:
            raise ValueError(f"{name} is {value!r}. Give a number from {low:g} to {high:g}"
                             f"{' mm' * name.endswith('_mm')}.")
    elif name in ("sealer", "colour") and not isinstance(value, Film):
        raise ValueError(f"{name} is {value!r}. Give e.g. infill.Film(coats=2, wet_mm=(0.08, 0.12), "
                         "solids=(0.3, 0.4)).")
    elif name == "sanded_mm":
        checked_span(name, value, 3, "mm")
    elif name == "shrinkage_pct":
        checked_span(name, value, 30, "% (radial, tangential)")
    elif name == "flat_sawn" and not isinstance(value, bool):
        raise ValueError(f"flat_sawn is {value!r}. Give true or false.")
    elif name == "species" and not isinstance(value, str):
        raise ValueError(f"species is {value!r}. Give its name, e.g. white oak.")
    elif name == "grits":
        listed = isinstance(value, (tuple, list)) and all(isinstance(grit, int) for grit in value)
        if not listed or not value or list(value) != sorted(set(value)) or not set(value) <= set(GRITS_MM):
            raise ValueError(f"The grits {value} are not in the chart. Give, from coarse to fine, "
                             f"some of {', '.join(map(str, GRITS_MM))}; or type sanded_mm=(from, to).")
