"""Compare: what ordinary regression says beside our fit, and whether woods, or modules, really need different energy.

The ordinary fit takes every reading for independent; it is shown beside the honest one, as what the ordinary
interval would have told the maker, and its parts are what the certified datasets are run through. Depth scatters in
proportion to depth, so weights come from the fitted depth and are iterated; unit weights give ordinary least squares.
Source: NIST/SEMATECH e-Handbook 4.4.5.2; the fits themselves are statsmodels' WLS.

Whether woods differ is decided by an F test of the fitted curves against one another (analysis of covariance), with the
boards' differences in the error: woods that differ by less than the boards of one wood do
have not been shown to differ. Two questions are asked: do the curves rise at the same rate (a
common slope), and does the same energy, in the middle of what all were burned at, dig as deep?

Source: Wald F over generalised least squares estimates with degrees of freedom by Satterthwaite's
approximation (Satterthwaite 1946, Biometrics Bulletin 2:110-114); with independent readings and
straight lines it is the textbook analysis of covariance, which a test checks against statsmodels.
"""

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special, stats
from statsmodels.regression.linear_model import WLS

from testburn.depthfit import curves
from testburn.depthfit.depths import DepthFit
from testburn.depthfit.group import DOSE, GroupFit, ROUGH_MM, TERMS, powers

CLEAR, HINT = 0.05, 0.20
_ITERATIONS = 50


@dataclass(frozen=True)
class Comparison:
    """One F test: what was compared, and what it says."""

    question: str
    names: str
    f: float
    df_between: int
    df_within: float
    p: float

    @property
    def words(self) -> str:
        """The answer as one would say it."""
        if self.p < CLEAR:
            answer = "yes"
        elif self.p < HINT:
            answer = "perhaps"
        else:
            answer = "not shown"
        shown = "p < 0.001" if self.p < 0.001 else f"p = {self.p:.2g}"
        return f"{self.names} {self.question}: {answer}, {shown}"


def contrast_f(estimates: np.ndarray, parts: np.ndarray, variances: np.ndarray,
               covariance: np.ndarray) -> tuple[float, int, float, float]:
    """Test whether k vectors of estimates are one and the same.

    Parameters
    ----------
    estimates : (k, m) array
    parts : (k, 5, m, m) array
        What each variance component adds to each covariance, per unit; the last is known.
    variances : (4,) array
        The components.
    covariance : (4, 4) array
        How well the components themselves are known.

    Returns
    -------
    F, numerator df, denominator df, p
    """
    count, size = estimates.shape
    # Differences to the first: rows of the contrast matrix.
    apart = np.kron(np.hstack([-np.ones((count - 1, 1)), np.eye(count - 1)]), np.eye(size))
    gap = apart @ estimates.ravel()
    blocks = np.zeros((5, count * size, count * size))
    for place in range(count):
        at = slice(place * size, (place + 1) * size)
        blocks[:, at, at] = parts[place]
    spread = apart @ blocks @ apart.T
    inverse = np.linalg.inv(np.einsum("k,kij->ij", np.append(variances, 1.0), spread))
    f = gap @ inverse @ gap / len(gap)
    # tr(S^-1 S_k) is how much of the whole each component makes; its variance gives the df.
    pull = np.einsum("ij,kji->k", inverse, spread[:4])
    doubt = pull @ covariance @ pull
    df = 2 * len(gap) ** 2 / doubt if doubt > 0 else 1e6
    return float(f), len(gap), float(df), float(stats.f.sf(f, len(gap), df))


def same_slope(fit: DepthFit, groups: list[GroupFit]) -> Comparison:
    """Ask whether the groups' depths rise at the same rate over the doses all were burned at."""
    return _asked(fit, groups, "rise at different rates", slope_only=True)


def same_depth(fit: DepthFit, groups: list[GroupFit]) -> Comparison:
    """Ask whether the same dose, in the middle of what all were burned at, digs equally deep."""
    return _asked(fit, groups, "need different energy", slope_only=False)


def _asked(fit, groups, question, slope_only) -> Comparison:
    low = max(group.doses[0] for group in groups)
    high = min(group.doses[1] for group in groups)
    if len(groups) < 2 or low >= high:
        raise ValueError("To be compared, two or more groups must have been burned at energies "
                         "that overlap. " + "; ".join(group.name for group in groups))
    rows = [_rate_and_middle(group, low, high)[[0] if slope_only else [1]] for group in groups]
    estimates = np.array([row @ _tangent(group) for row, group in zip(rows, groups)])
    parts = np.array([row @ fit.curves.shares[group.index] @ row.T
                      for row, group in zip(rows, groups)])
    components = fit.curves.components
    f, between, within, p = contrast_f(estimates, parts, components.variances,
                                       components.covariance)
    return Comparison(question, _named(groups), f, between, within, p)


def _named(groups: list[GroupFit]) -> str:
    """Name the groups by what differs between them."""
    modules = {(group.module_w, group.wavelength_nm, group.module) for group in groups}
    woods = {group.species for group in groups}
    if len(modules) == 1:
        return " and ".join(group.species for group in groups) + f" under {groups[0].module_name}"
    if len(woods) == 1:
        return " and ".join(group.module_name for group in groups) + f" in {groups[0].species}"
    return " and ".join(group.name for group in groups)


def _rate_and_middle(group: GroupFit, low: float, high: float) -> np.ndarray:
    """Return the rows that turn the curve's coefficients into its rate and its middle depth."""
    x = np.array([low, high, np.sqrt(low * high)]) / group.curves.unit[group.index]
    _, slopes = curves.depth_and_slopes(x, group.curves.coefficients[group.index])
    if not group.curves.curvature["bent"].iloc[group.index]:
        slopes[:, 2] = 0
    return np.array([(slopes[1] - slopes[0]) / (high - low), slopes[2]])


def _tangent(group: GroupFit) -> np.ndarray:
    """Return the coefficients such that the rows above times them are the rate and the depth.

    The curve is linear in intercept and slope; the bend's column is a derivative and adds nothing.
    """
    coefficients = group.curves.coefficients[group.index].copy()
    coefficients[2] = 0
    return coefficients


def pairs(fit: DepthFit, groups: list[GroupFit]) -> pd.DataFrame:
    """Ask both questions of all the groups at once, then the second of each pair.

    Returns
    -------
    DataFrame
        compared, question, F, df, p, words; empty where there is nothing to compare, and without
        the groups whose energies do not overlap the others'.
    """
    together = list(groups)
    while len(together) > 1 and not all(_overlaps(group, together) for group in together):
        together.remove(min(together, key=lambda group: _shared(group, together)))
    tests = []
    if len(together) > 1:
        tests = [same_slope(fit, together), same_depth(fit, together)]
    if len(together) > 2:
        tests += [same_depth(fit, list(pair)) for pair in itertools.combinations(together, 2)]
    return table(tests)


def _overlaps(group: GroupFit, groups: list[GroupFit]) -> bool:
    """Say whether a group shares doses with every other one."""
    return _shared(group, groups) == len(groups)


def _shared(group: GroupFit, groups: list[GroupFit]) -> int:
    return sum(group.doses[0] < other.doses[1] and other.doses[0] < group.doses[1]
               for other in groups)


def table(comparisons: list[Comparison]) -> pd.DataFrame:
    """Return the tests as a frame: compared, question, F, df, p, words."""
    return pd.DataFrame([{
        "compared": one.names, "question": one.question, "F": one.f,
        "df": f"{one.df_between}, {one.df_within:.0f}", "p": one.p, "words": one.words,
    } for one in comparisons], columns=["compared", "question", "F", "df", "p", "words"])


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
