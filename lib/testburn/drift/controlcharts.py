"""Control charts: does a series of values still scatter about what it should be?

Decides by the textbook's rules where a value is out: individuals within three sds, as their moving
range tells it; the exponentially weighted mean, which sees a small lasting shift sooner; eight in a
row on one side. And by least squares, for values that are not independent, how far a pattern (all
values since one of them, all values of one board) is shifted, and how often the largest of several
such shifts comes by chance alone.

Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals), 6.3.2.4 (EWMA) and
6.3.2 (Western Electric rules).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

RUN = 8
# The expected range of two normal values is 1.128 sds (e-Handbook, 6.3.2.2).
_RANGE_OF_TWO = 1.128
_DRAWS, _SEED = 4000, 20250214


def ewma(values, target: float, sd: float, weight: float = 0.3, width: float = 3.0) -> pd.DataFrame:
    """Return the exponentially weighted moving average of independent values, with its limits.

    Parameters
    ----------
    values : (n,) array
        In the order they came.
    target, sd : float
        What they should scatter about, and by how much; both known beforehand.
    weight : float
        Of the newest value, above 0 and at most 1.
    width : float
        Of the limits, in sds of the average once it has run a while.

    Returns
    -------
    DataFrame
        value, ewma, lower, upper, outside.
    """
    values = np.asarray(values, float)
    means, now = np.empty(len(values)), target
    for place, value in enumerate(values):
        means[place] = now = weight * value + (1 - weight) * now
    half = width * sd * np.sqrt(weight / (2 - weight))
    return pd.DataFrame({"value": values, "ewma": means, "lower": target - half,
                         "upper": target + half, "outside": np.abs(means - target) > half})


def individuals(values) -> pd.DataFrame:
    """Return single values with limits three sds from their mean, the sd from the moving range.

    Returns
    -------
    DataFrame
        value, moving_range (NaN for the first), centre, lower, upper, outside. Of one value nothing
        is known: its limits are NaN and it is not outside.
    """
    values = np.asarray(values, float)
    ranges = np.abs(np.diff(values, prepend=np.nan)) if len(values) else values
    centre = values.mean() if len(values) else np.nan
    half = 3 * ranges[1:].mean() / _RANGE_OF_TWO if len(values) > 1 else np.nan
    return pd.DataFrame({"value": values, "moving_range": ranges, "centre": centre,
                         "lower": centre - half, "upper": centre + half,
                         "outside": np.abs(values - centre) > half})


def runs(values, target: float = 0.0, length: int = RUN) -> np.ndarray:
    """Return True where a value ends a run of at least `length` on one side of the target."""
    found, count, side = [], 0, 0.0
    for sign in np.sign(np.asarray(values, float) - target):
        count = count + 1 if sign == side and sign else abs(int(sign))
        side = sign
        found.append(count >= length)
    return np.array(found, bool)


@dataclass(frozen=True, eq=False)
class Shift:
    """The pattern that the values are shifted by most, of several that were tried.

    `size` and `sd` are in the values' unit, `z` is size / sd, `zs` holds the z of every pattern, and
    `p` is how often the largest |z| of all patterns is at least so large by chance.
    """

    place: int
    size: float
    sd: float
    z: float
    zs: np.ndarray
    p: float
    df: float

    def limits(self, level: float = 0.95) -> tuple[float, float]:
        """Return the limits of the size, as if no other pattern had been tried."""
        half = special.stdtrit(self.df, (1 + level) / 2) * self.sd
        return self.size - half, self.size + half


def largest_shift(values, covariance, patterns, df: float = 1e9) -> Shift:
    """Find the pattern of values that is shifted most, by generalised least squares.

    Parameters
    ----------
    values : (n,) array
        Expected to be 0.
    covariance : (n, n) array
        Of the values where nothing is shifted.
    patterns : (m, n) array
        One row a pattern, 1 where it shifts a value, else 0.
    df : float
        Degrees of freedom of the covariance's scale: how well it is known beforehand. The values tell it too, by what a
        pattern leaves of them: the scale is (df + squares left) / (df + n - 1), the posterior of a normal variance under
        its conjugate prior (Gelman et al., Bayesian Data Analysis, 3rd ed., 2.6, from memory).

    Returns
    -------
    Shift
        Its p comes from seeded draws of unshifted values through all patterns at once, so that
        having tried many is paid for, and having tried nearly the same twice is not.
    """
    root = np.linalg.cholesky(np.asarray(covariance, float))
    white = np.linalg.solve(root, np.asarray(patterns, float).T)
    length = np.sqrt((white**2).sum(0))
    direction = white / length
    fresh = np.linalg.solve(root, np.asarray(values, float))
    zs = direction.T @ fresh
    place = int(np.argmax(np.abs(zs)))
    dice = np.random.default_rng(_SEED)
    drawn = dice.standard_normal((_DRAWS, len(root))) * np.sqrt(df / dice.chisquare(df, (_DRAWS, 1)))
    # The share of all squares that a pattern takes grows with its z over the scale that it leaves.
    shares = np.max((drawn @ direction)**2, axis=1) / (df + (drawn**2).sum(axis=1))
    p = (1 + np.count_nonzero(shares >= zs[place]**2 / (df + fresh @ fresh))) / (_DRAWS + 1)
    free = df + len(root) - 1
    scale = np.sqrt((df + fresh @ fresh - zs[place]**2) / free)
    return Shift(place, zs[place] / length[place], scale / length[place], zs[place] / scale, zs / scale, p, free)
