"""Swatch layout: how large a swatch is, and where it lies on the scrap.

Decides the size from what must fit on it. Depth is read in the middle third, away from the walls, with
untouched face on both sides to zero the gauge on; a third next to every wall is left out. So a swatch is
three times as wide and as high as the gauge's tip, and the face left between two swatches and around
them is as wide again. Along the lines the middle third must also lie where the head has its full speed: where the
machine runs up on the wood (`runs_up_outside` is false), a swatch is at least three run-ups long
(`sweep.run_up_mm`), those of a slow head as long as its acceleration is not known.

Source: ISO 5436-1, type A grooves: depth from the middle third of the groove against the face on both
sides, thirds beside the walls left out (from memory). Three tip widths then follow.
"""

import math
from dataclasses import dataclass

from testburn import sweep
from testburn.labbook import Machine

THIRDS = 3
_LEAST_MM = 6.0                 # a smaller square burns together with its neighbour's scorched edge


@dataclass(frozen=True)
class Scrap:
    """The board to burn on, in mm: along the lines, across the lines, and its thickness."""

    width_mm: float
    height_mm: float
    thickness_mm: float

    def __post_init__(self):
        for name, size in vars(self).items():
            if not (size > 0 and math.isfinite(size)):
                raise ValueError(f"The scrap's {name.removesuffix('_mm')} is {size:g} mm. "
                                 "Measure it, in mm, above 0.")


@dataclass(frozen=True)
class Layout:
    """Equal swatches in rows on a scrap, all in mm; the corner of the first is `land_mm` from two edges."""

    scrap: Scrap
    swatch_width_mm: float
    swatch_height_mm: float
    land_mm: float
    columns: int
    rows: int

    def places(self, swatches: int) -> list[tuple[float, float]]:
        """Return the upper left corner of so many swatches, row by row, from the scrap's upper left."""
        return [(self.land_mm + place % self.columns * (self.swatch_width_mm + self.land_mm),
                 self.land_mm + place // self.columns * (self.swatch_height_mm + self.land_mm))
                for place in range(swatches)]

    def area_cm2(self, swatches: int) -> float:
        """Return the scrap that so many swatches use up, with the face around them."""
        columns = min(swatches, self.columns)
        rows = math.ceil(swatches / self.columns)
        return ((columns * (self.swatch_width_mm + self.land_mm) + self.land_mm)
                * (rows * (self.swatch_height_mm + self.land_mm) + self.land_mm)) / 100


def size_mm(fastest_mm_s: float, gauge_tip_mm: float, machine: Machine = Machine()) -> tuple[float, float]:
    """Return the least width (along the lines) and height of a swatch, in whole mm.

    Parameters
    ----------
    fastest_mm_s : float
        The fastest swatch of the plan.
    gauge_tip_mm : float
        What of the gauge goes into the recess: its tip, or a caliper's rod. Its base bridges the recess (see `measuring`).
    machine : Machine
        Where its head runs up.
    """
    if not 0 < gauge_tip_mm <= 50:
        raise ValueError(f"A gauge tip of {gauge_tip_mm:g} mm cannot be. Measure across the part "
                         "that goes into the recess, in mm.")
    height = max(THIRDS * gauge_tip_mm, _LEAST_MM)
    run_up = 0.0 if machine.runs_up_outside else float(
        sweep.run_up_mm(fastest_mm_s, sweep.heads(machine)[1].acceleration_mm_s2))
    return _whole(max(height, THIRDS * run_up)), _whole(height)


def fitted(scrap: Scrap, width_mm: float, height_mm: float) -> Layout:
    """Return as many swatches of that size as the scrap holds; `rows` is 0 where it holds none."""
    land = height_mm
    columns = int((scrap.width_mm - land + 1e-9) // (width_mm + land))
    rows = int((scrap.height_mm - land + 1e-9) // (height_mm + land))
    return Layout(scrap, width_mm, height_mm, land, max(columns, 0), max(rows, 0))


def _whole(mm: float) -> float:
    return float(math.ceil(mm - 1e-9))
