"""Lack of fit: does a curve miss the means at each energy by more than repeated swatches scatter?

Decides by an F test of the curve against free means at each energy, where both sides may use the same
blocks, such as each board's own deviation. It uses nothing but linear algebra, so that a fit needs no more.

Source: lack of fit from replicates, NIST/SEMATECH e-Handbook 4.4.4.6.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

TERMS = {"straight": 2, "quadratic": 3}


@dataclass(frozen=True)
class LackOfFit:
    """F test of the curve against free means at each energy; NaN where nothing was repeated."""

    f: float
    df_lack: int
    df_pure: int
    p: float


def lack_of_fit(x, y, form: str = "straight", weights=None, blocks=None) -> LackOfFit:
    """Test whether the curve misses the means at each x by more than repeats scatter.

    Parameters
    ----------
    x, y : (n,) arrays
    weights : (n,) array, optional
    blocks : (n, k) array, optional
        Columns that both sides may use, such as each board's own deviation.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    weights = np.ones_like(y) if weights is None else np.asarray(weights, float)
    blocks = np.empty((len(x), 0)) if blocks is None else np.asarray(blocks, float)
    levels, place = np.unique(x.round(12), return_inverse=True)
    middle, half = (x.max() + x.min()) / 2, (x.max() - x.min()) / 2 or 1.0
    left, df = _left_over(np.hstack([powers((x - middle) / half, form), blocks]), y, weights)
    pure_left, pure = _left_over(np.hstack([np.eye(len(levels))[place], blocks]), y, weights)
    lack = df - pure
    if lack < 1 or pure < 1 or pure_left <= 0:
        return LackOfFit(np.nan, max(lack, 0), max(pure, 0), np.nan)
    f = (left - pure_left) / lack / (pure_left / pure)
    return LackOfFit(float(f), lack, pure, float(special.fdtrc(lack, pure, f)))


def _left_over(design, y, weights) -> tuple[float, int]:
    """Return the weighted sum of squares a linear fit leaves, and its degrees of freedom.

    Columns may repeat one another: a board with one swatch alone at its energy has both to itself.
    """
    root = np.sqrt(weights)
    coefficients, _, rank, _ = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)
    return float(((y - design @ coefficients) ** 2 * weights).sum()), len(y) - int(rank)


def powers(x, form: str) -> np.ndarray:
    """Return the design of a straight or quadratic curve: 1, x and, where it bends, x²."""
    return np.vander(np.atleast_1d(np.asarray(x, float)), TERMS[form], increasing=True)
