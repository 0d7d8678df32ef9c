"""Infill: how deep a recess must be, and how deep it may be, to be sealed, coloured and sanded flush.

Decides the depth window. At least: the sum of what takes depth away (`terms`), plus k times the
root of the sum of their squared standard uncertainties, where k is the one-sided normal quantile at the
wanted confidence (JCGM 100:2008, 5.1.2 and annex G). At most: the smallest of the bounds (`terms`),
each less k times its own uncertainty.

Not in here: how deep the next board will come out. That scatter, of boards and of recesses, is counted by
`settings.choose` in the chance to land inside. Its recess is a mean depth, so that the floor's high spots
and the gauge, which are counted here, are not in the chance: nothing is counted twice.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import pandas as pd
from scipy import special

from testburn import energy
from testburn.job.facts import Fact, Film, INFILL, RECIPES, Recipe, TYPED, VARIANTS, assumed, carried, defaults, gathered, label, middle
from testburn.job.terms import combined, enough, what_bounds_depth, what_takes_depth
from testburn.labbook import shown, tomlfile

__all__ = ["Film", "VARIANTS", "Window", "defaults", "label", "paint", "window"]

CONFIDENCE = 0.95
MARGIN = 0.30
AT_LEAST, AT_MOST = "at least", "at most"
NOT_HERE = ("How deep the next board comes out is not in this window: it is counted in the chance "
            "to land inside.")
MEASURE_SANDING = ("Measure yours first: a shallow recess on scrap, its depth before and after sanding as you sand a sign; the "
                   "difference, from the least to the most of three, goes into the order's box Sanding takes off.")
_COLUMNS = ("name", "side", "mm", "uncertainty_mm", "margin_mm", "counts_mm", "starts_mm", "source", "what",
            "remedy")
_NAMED = {"board": "the board", "narrowest stroke": "the narrowest stroke", "char": "char", "paint": "the paint"}


@dataclass(frozen=True, eq=False)
class Window:
    """The depths that an infill allows.

    Attributes
    ----------
    variant : one of `VARIANTS`
    at_least_mm, at_most_mm : float
    table : DataFrame
        A row per term: name, side ("at least" or "at most"), mm, uncertainty_mm (standard), margin_mm
        (what that adds, or takes off a bound), counts_mm (both: those of "at least" add up to
        at_least_mm, the smallest of "at most" is at_most_mm), starts_mm (where its bar starts),
        source, what, remedy.
    confidence : float
    facts : dict of Fact
    """

    variant: str
    at_least_mm: float
    at_most_mm: float
    table: pd.DataFrame
    confidence: float
    facts: dict[str, Fact]

    def __getitem__(self, name: str) -> float:
        """Return an end by its name, as a card asks for it."""
        if name not in ("at_least_mm", "at_most_mm"):
            raise KeyError(name)
        return getattr(self, name)

    @property
    def recipe(self) -> Recipe:
        """What its way to fill does."""
        return RECIPES[self.variant]

    @property
    def feasible(self) -> bool:
        """Whether any depth will do."""
        return self.at_least_mm < self.at_most_mm

    @cached_property
    def dominating(self) -> dict[str, str]:
        """What makes most of the least depth (all grits are one), and what bounds the largest."""
        return {AT_LEAST: self._sums(AT_LEAST).idxmax(), AT_MOST: self._sums(AT_MOST).idxmin()}

    @cached_property
    def words(self) -> str:
        """The window, what makes it, and what to change, in plain sentences."""
        if not self.feasible:
            return " ".join(_clash(self))
        least, most = self.dominating.values()
        ends = self.at_least_mm, self.at_most_mm
        return (f"{_begun(self.variant)}: burn between {ends[0]:.2f} and {ends[1]:.2f} mm deep "
                f"({energy.inches_from_mm(ends[0]):.3f} to {energy.inches_from_mm(ends[1]):.3f} in). "
                f"Most of the least depth is {least} ({self._sums(AT_LEAST)[least]:.2f} mm); it gets "
                f"less with {self._remedy(least)}. The largest depth is set by {_NAMED[most]}; it gets "
                f"more with {self._remedy(most)}. {NOT_HERE}" + _hiding(self) + (f" {self.unmeasured}" if self.unmeasured else ""))

    @property
    def unmeasured(self) -> str:
        """Ask for what sanding takes off, where the maker has not measured it; nothing where it is typed."""
        if self.facts["sanded_mm"].source == TYPED:
            return ""
        stands_in = ("A wide-belt machine's figures stand in for what sanding takes off: by hand it differs. "
                     if self.facts["sanded_mm"].value is None else "What light sanding takes off is our judgement. ")
        return stands_in + MEASURE_SANDING

    @property
    def assumed(self) -> pd.DataFrame:
        """What stands in for what was not typed: name, label, value, source."""
        return assumed(self.facts)

    def must_be_one(self) -> "Window":
        """Return the window itself, or refuse where no depth will do.

        Raises
        ------
        ValueError
            With what clashes and what to change.
        """
        if not self.feasible:
            raise ValueError(self.words)
        return self

    def _sums(self, side: str) -> pd.Series:
        """Return what counts on a side, by name; the grits of one sanding are one."""
        rows = self.table[self.table["side"] == side]
        return rows.groupby(_kind(rows["name"]), sort=False)["counts_mm"].sum()

    def _remedy(self, name: str) -> str:
        return self.table["remedy"][_kind(self.table["name"]) == name].iloc[0]

    def _repr_html_(self) -> str:
        table = self.table[["name", "side", "mm", "uncertainty_mm", "counts_mm", "what", "source"]]
        return f"<p>{shown.as_html(self.words)}</p>" + shown.table_as_html(table.round(3))


def window(variant: str, board_thickness_mm: float, narrowest_stroke_mm: float,
           confidence: float = CONFIDENCE, **given) -> Window:
    """Return the depths that an infill allows.

    Parameters
    ----------
    variant : str
        "shallow": one or two thin coats on the floor, below the sanded face. "brush-filled": thick
        colour until it stands proud, sanded flush. "sprayed": several light coats, sanded off the face,
        colour on the floor. "resin-filled": tinted resin or epoxy, poured once, sanded flush. "mask-sprayed":
        burned and sprayed through a mask that takes the overspray. "sealed-face": burned through a known clear
        coating, the colour brushed in thin and wiped off the face.
    board_thickness_mm, narrowest_stroke_mm : float
        Of this job.
    confidence : float
        That a recess just as deep as each end still does, between 0.5 and 1.
    **given
        What else is known: a value that the maker typed, or a `Fact` with a source of its own. `defaults(variant)` lists what stands in, and why. Board: species,
        shrinkage_pct (radial, tangential), board_width_mm, pith_mm (face to pith), flat_sawn,
        flatness_mm, moisture_change_pct (most, burn to sanding), least_floor_mm. Films: sealer and
        colour as `Film`, hides_mm (filled), least_step_mm and most_step_mm (on the floor).
        Sanding: grits, or sanded_mm (from, to) as measured. Depth: depth_to_width, char_mm,
        floor_sd_mm, gauge_mm.

    Raises
    ------
    ValueError
        A name or value that cannot be.
    """
    tomlfile.must_be(next(field for field in INFILL if field.name == "confidence"), confidence)
    facts = gathered(variant, given | {"board_thickness_mm": board_thickness_mm,
                                                "narrowest_stroke_mm": narrowest_stroke_mm})
    k = _k(confidence)
    terms, bounds = what_takes_depth(variant, facts), what_bounds_depth(variant, facts)
    least, most = (pd.DataFrame([vars(term) for term in part]) for part in (terms, bounds))
    doubt = combined(terms)
    # A term's part of the margin is its share of the variance: the parts add up to the whole.
    least = least.assign(side=AT_LEAST,
                         margin_mm=k * least["uncertainty_mm"]**2 / doubt if doubt else 0.0)
    most = most.assign(side=AT_MOST, margin_mm=-k * most["uncertainty_mm"])
    table = pd.concat([least, most], ignore_index=True)
    table["counts_mm"] = table["mm"] + table["margin_mm"]
    is_least, counts = table["side"] == AT_LEAST, table["counts_mm"]
    table["starts_mm"] = (counts.cumsum() - counts).where(is_least, 0.0)
    return Window(variant, float(least["mm"].sum() + k * doubt), float(counts[~is_least].min()),
                  table[list(_COLUMNS)], confidence, facts)


def paint(window: Window, area_mm2: float, depth_mm: float | None = None, perimeter_mm: float = 0.0,
          sprayed_over_mm2: float | None = None, margin: float = MARGIN) -> pd.DataFrame:
    """Return how much wet sealer and colour a job takes.

    Parameters
    ----------
    window : Window
    area_mm2 : float
        Of all recesses together.
    depth_mm : float, optional
        Without it the largest of the window, so that there is enough.
    perimeter_mm : float
        Length of all walls: sealer and films cover them too.
    sprayed_over_mm2 : float, optional
        Sprayed, with or without a mask: the area that the spray passes over, with the face around the recesses.
    margin : float
        Share added for what stays in brush, can and air (common practice, no source).

    Returns
    -------
    DataFrame
        name (recess, sealer, colour), ml, what.

    Raises
    ------
    ValueError
        An area, depth or margin that cannot be.
    """
    depth = window.at_most_mm if depth_mm is None else depth_mm
    over = area_mm2 if sprayed_over_mm2 is None else sprayed_over_mm2
    for name, value, least in (("area_mm2", area_mm2, 1e-9), ("depth_mm", depth, 1e-9), ("margin", margin, 0),
                               ("perimeter_mm", perimeter_mm, 0), ("sprayed_over_mm2", over, area_mm2)):
        if not value >= least:
            raise ValueError(f"{name} is {value:g}. Give {'more than 0' if least == 1e-9 else f'{least:g} or more'}.")
    sealer, colour = (window.facts[name].value for name in ("sealer", "colour"))
    walls, more = perimeter_mm * depth, f"{100 * margin:g} % more than needed"
    if window.recipe.fills:
        wet = max(depth - sealer.dry_mm, 0) * area_mm2 / middle(colour.solids)
        said = f"fills {depth:.2f} mm flush when dry: recess less sealer, over solids by volume"
    else:
        covers = (over if window.recipe.sprayed else area_mm2) + walls
        wet, said = _wet_mm3(colour, covers), f"{colour.words}, over {covers:g} mm²"
    rows = [("recess", depth * area_mm2, "its volume"),
            ("sealer", (1 + margin) * _wet_mm3(sealer, area_mm2 + walls), f"{sealer.words}; {more}"),
            ("colour", (1 + margin) * wet, f"{said}; {more}")]
    return pd.DataFrame([{"name": name, "ml": volume / 1000, "what": what} for name, volume, what in rows])


def _wet_mm3(film: Film, area_mm2: float) -> float:
    return film.coats * middle(film.wet_mm) * area_mm2


def _k(confidence: float) -> float:
    return float(special.ndtri(confidence))


def _kind(names: pd.Series) -> pd.Series:
    """Return the names without what follows a comma: which grit."""
    return names.str.partition(",")[0]


def _clash(window: Window) -> Iterator[str]:
    """Say what clashes in an empty window, and what would help."""
    needs, allowed = window.at_least_mm, window._sums(AT_MOST).sort_values()
    tight = allowed[allowed <= needs]
    least = window.dominating[AT_LEAST]
    bounds = " and ".join(f"{_NAMED[name]} allows {max(mm, 0):.2f} mm" for name, mm in tight.items())
    fixes = "; ".join(enough(name, window.variant, window.facts, needs, _k(window.confidence))
                      for name in tight.index)
    yield f"{_begun(window.variant)}: no depth will do. The infill needs {needs:.2f} mm, but {bounds}."
    yield (f"Most of what it needs is {least} ({window._sums(AT_LEAST)[least]:.2f} mm): "
           f"{window._remedy(least)}.")
    yield f"What would do{', all of it' * (len(tight) > 1)}: {fixes}."
    if other := _others(window):
        yield f"Or another way: {', '.join(other)}."


def another_way(of: Window, variant: str) -> Window:
    """Return the window of another way to fill the same recess, with that way's own usual colour."""
    return window(variant, confidence=of.confidence, **carried(of.facts, of.variant, variant))


def _others(empty: Window) -> list[str]:
    """Return which other variants would have a window on the same board, and which."""
    tried = [another_way(empty, variant) for variant in VARIANTS if variant != empty.variant]
    return [f"{one.variant}, {one.at_least_mm:.2f} to {one.at_most_mm:.2f} mm" for one in tried if one.feasible]


def _hiding(window: Window) -> str:
    """Say where the colour's film is too thin to hide the floor; nothing where it is not."""
    colour, hides = window.facts["colour"].value, window.facts["hides_mm"].value
    if window.recipe.fills or colour.dry_mm >= hides:
        return ""
    return (f" The colour dries to about {colour.dry_mm:.2f} mm and {hides:g} mm is needed to hide the floor: "
            "lay more coats, or try it on scrap.")


def _begun(words: str) -> str:
    return words[:1].upper() + words[1:]
