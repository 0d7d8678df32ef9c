"""Optimal design: at which depths swatches of a straight line teach most.

Decides how many swatches go to the shallow end, to the target and to the deep end. Depths scatter by
a share of themselves, so the line depth = a + b·x is fitted divided by its depth d:

    1 = a·(1/d) + b·(x/d),    and since x = (d - a)/b, it is a straight line in u = 1/d

with equal scatter everywhere. What is known of straight lines therefore holds in u:

- D-optimal (the coefficients as sure as they can be): half of the swatches at each end.
- c-optimal for the depth at a target inside the ends: any swatches whose mean u is the target's;
  they know the line there as well as if all stood at the target. For a target outside, all swatches at
  the ends, each end weighted by the distance of the target from the other one (Elfving's theorem).

- D-optimal for a line that may bend (three coefficients, three depths): a third at each.

None of them alone will do: all swatches at the target show no slope, none there shows no bend. The plan
takes the counts with the largest product of the three efficiencies, and at least one swatch at each
depth; swatches that share a setting show the scatter.

Sources: Elfving 1952, Annals of Mathematical Statistics 23:255-262; Hoel & Levine 1964, the same
35:1553-1560; Atkinson & Donev, Optimum Experimental Designs (1992), chapters 9 to 11; products of
efficiencies as in Atkinson 2008, DT-optimum designs. All from memory.
"""

import numpy as np


def d_efficiency(depths_mm, counts) -> float:
    """Return how sure the line's coefficients are, against the best design between the same ends.

    Parameters
    ----------
    depths_mm, counts : (n,) arrays
        The depth of each level, and how many swatches stand there.

    Returns
    -------
    float
        Root of the ratio of determinants: with 0.8, 100 swatches teach as much as 80 of the best design.
    """
    u, weight = _scale(depths_mm, counts)
    return float(2 * np.sqrt(_variance(u, weight)) / np.ptp(u))


def c_efficiency(depths_mm, counts, target_mm: float) -> float:
    """Return how sure the line's depth at a target is, against the best design between the same ends.

    Parameters
    ----------
    depths_mm, counts : (n,) arrays
    target_mm : float
        The depth wanted; it may lie outside the levels.
    """
    u, weight = _scale(depths_mm, counts)
    return float(best_variance(depths_mm, target_mm)
                 / (1 + (1 / target_mm - weight @ u) ** 2 / _variance(u, weight)))


def bend_efficiency(counts) -> float:
    """Return how sure a bend's coefficients are from three depths, against a third at each.

    The determinant of as many levels as coefficients is the product of the levels' shares, times
    what does not depend on them.
    """
    share = np.asarray(counts, float) / np.sum(counts)
    return float(3 * np.prod(share) ** (1 / 3))


def best_variance(depths_mm, target_mm: float) -> float:
    """Return the least variance of the line at a target, times swatches and per swatch variance.

    It is 1 inside the ends; outside, the square of the distances from both ends over their span.
    """
    u = 1 / np.asarray(depths_mm, float)
    return float(((abs(1 / target_mm - u.max()) + abs(1 / target_mm - u.min())) / np.ptp(u)) ** 2)


def counts(shallow_mm: float, target_mm: float, deep_mm: float, swatches: int) -> tuple[int, int, int]:
    """Return how many swatches to burn at the shallow end, at the target and at the deep end.

    Raises
    ------
    ValueError
        If there are fewer than 3 swatches, or the three depths do not rise.
    """
    if swatches < 3:
        raise ValueError(f"{swatches} swatches cannot show a line and its scatter. Plan 3 or more.")
    if not 0 < shallow_mm < target_mm < deep_mm:
        raise ValueError(f"{shallow_mm:.3g}, {target_mm:.3g} and {deep_mm:.3g} mm do not rise: there "
                         "is no line to burn. Widen the range of speeds or of power.")
    depths = (shallow_mm, target_mm, deep_mm)
    every = [(first, swatches - first - last, last) for first in range(1, swatches - 1)
             for last in range(1, swatches - first)]
    return max(every, key=lambda some: d_efficiency(depths, some)
               * c_efficiency(depths, some, target_mm) * bend_efficiency(some))


def _scale(depths_mm, counts):
    counts = np.asarray(counts, float)
    return 1 / np.asarray(depths_mm, float), counts / counts.sum()


def _variance(u, weight) -> float:
    return float(weight @ (u - weight @ u) ** 2)
