"""Infill film: what coats of sealer or colour leave when dry, and how sure that is.

Decides by wet film × solids by volume × coats. A span (from, to) means that any value between is as
likely as another: its standard uncertainty is half its width over the root of 3 (JCGM 100:2008, 4.3.7).

Source: dry = wet × solids by volume, WOODWEB knowledge base, Wet mils, dry mils (2008).
"""

from dataclasses import dataclass
from math import hypot, sqrt
from numbers import Real


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
