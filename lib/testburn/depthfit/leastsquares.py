"""Least squares: the ordinary fit and the ordinary interval, as a textbook has them.

Decides what a fit says that takes every reading for independent. It is shown beside the honest
one, as what the ordinary interval would have told the maker, and its parts are what the certified
datasets are run through. Depth scatters in proportion to depth, so weights come from the fitted
depth and are iterated; unit weights give ordinary least squares.

Source: weighted least squares with iterated weights, NIST/SEMATECH e-Handbook 4.4.5.2; the fits
themselves are statsmodels' WLS.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special
from statsmodels.regression.linear_model import WLS

from testburn.depthfit.group import DOSE, GroupFit, ROUGH_MM, TERMS, powers

_ITERATIONS = 50


@dataclass(frozen=True, eq=False)
class OrdinaryFit:
    """An ordinary fit: y = c0 + c1·x (+ c2·x²), with the covariance of its coefficients.

    `relative` says whether the residual sd is a share of the fitted value or in units of y.
    """

    form: str
    coefficients: np.ndarray
    covariance: np.ndarray
    residual_sd: float
    df: int
    r_squared: float
    relative: bool
    floor: float

    def mean(self, x) -> np.ndarray:
        """Return the curve at x."""
        return powers(x, self.form) @ self.coefficients

    def mean_sd(self, x) -> np.ndarray:
        """Return the standard error of the curve at x."""
        design = powers(x, self.form)
        return np.sqrt(np.einsum("ij,jk,ik->i", design, self.covariance, design).clip(min=0))

    def reading_sd(self, x) -> np.ndarray:
        """Return the scatter of single readings about the curve at x, in units of y."""
        if not self.relative:
            return np.full(np.shape(x), self.residual_sd)
        return self.residual_sd * np.maximum(self.mean(x), self.floor)


def fitted(x, y, form: str = "straight", relative: bool = True, floor: float = 0.0) -> OrdinaryFit:
    """Fit a curve by least squares.

    Parameters
    ----------
    x, y : (n,) arrays
    form : "straight" or "quadratic"
    relative : bool
        True: the sd is a share of the fitted value (weights 1/fitted², iterated).
        False: unit weights.
    floor : float
        Fitted values below it are weighted as if they stood there, in units of y.

    Raises
    ------
    ValueError
        If there are fewer distinct x than coefficients, or no point is left to judge scatter by.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    terms = TERMS[form]
    if len(np.unique(x)) < terms or len(x) <= terms:
        raise ValueError(f"a {form} curve needs {terms} different energies and {terms + 1} readings")
    middle, half = (x.max() + x.min()) / 2, (x.max() - x.min()) / 2
    design = powers((x - middle) / half, form)
    weights = np.ones_like(y)
    result = WLS(y, design, weights).fit(method="qr")
    for _ in range(_ITERATIONS if relative else 0):
        before, weights = weights, 1 / np.maximum(result.fittedvalues, floor) ** 2
        result = WLS(y, design, weights).fit(method="qr")
        if np.allclose(weights, before, rtol=1e-12, atol=0):
            break
    back = _unscaled(middle, half)[:terms, :terms]
    return OrdinaryFit(form, back @ result.params, back @ result.cov_params() @ back.T,
                 float(np.sqrt(result.scale)), int(result.df_resid), float(result.rsquared),
                 relative, floor)


def of_group(group: GroupFit) -> OrdinaryFit:
    """Return the fit that takes every reading of a group for independent, for comparison only."""
    return fitted(group.readings[DOSE], group.readings["depth_mm"], floor=ROUGH_MM)


def interval(fit: OrdinaryFit, x, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the ordinary prediction interval of one new reading at x, lower and upper."""
    half = special.stdtrit(fit.df, (1 + level) / 2) * np.hypot(fit.mean_sd(x), fit.reading_sd(x))
    return fit.mean(x) - half, fit.mean(x) + half


def _unscaled(middle, half) -> np.ndarray:
    """Return the matrix that turns coefficients of (x - middle)/half into those of x."""
    m, h = middle, half
    return np.array([[1, -m / h, m**2 / h**2], [0, 1 / h, -2 * m / h**2], [0, 0, 1 / h**2]])
