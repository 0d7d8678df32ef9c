"""Components: how much boards, swatches and readings of one depth differ.

Decides four variances from all groups together: board, swatch and reading, each as a share of the
depth, and the gauge's own scatter in mm. Two boards of one species are not the same wood, and a
workshop that has burned one board each cannot see how much they differ; so each component starts
from a prior, stated in `PRIORS` and shown wherever a result is. A prior counts as evidence: so many
imagined degrees of freedom at such an sd (a scaled inverse chi-squared). In balanced data the
estimate is then the mean of prior and mean square, weighted by degrees of freedom. Once the
readings say a component is larger than its prior the prior gives way: its weight shrinks by
(prior sd / estimated sd)², so that unusual wood is not averaged back to usual wood. It does not
give way downwards: too wide is safe, too narrow is not.

The estimate is found by Fisher scoring: variances move by information⁻¹ · score (`reml.step`), both
with the prior's part added, until they stay. The inverse information is the covariance of the
estimates, and 2 · variance² / its variance is how many degrees of freedom a component is worth
(Satterthwaite 1946, Biometrics Bulletin 2:110-114, from memory).

Where a maker has read one recess again and again, the gauge's part is no assumption any more: the standard deviation of
these readings, with one degree of freedom less than there are readings, takes the prior's place (a type A evaluation, GUM,
JCGM 100:2008, 4.2.2 and annex G.3). It is evidence as the burns are: both count by their degrees of freedom. No less is
believed of a gauge than its step allows, the step over the root of 12 (JCGM 100:2008, F.2.2.1).
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
import pandas as pd

from testburn.depthfit import reml

NAMES = ("board", "swatch", "reading", "gauge")
# (sd, weight in degrees of freedom); sd is relative, the gauge's in mm. Board: specific gravity
# varies by about 10 % within a species (Wood Handbook, FPL-GTR-190, table 5-6, from memory) and
# depth follows it. The others: judgement, no source, and weak on purpose.
PRIORS = {"board": (0.10, 4.0), "swatch": (0.05, 2.0), "reading": (0.04, 2.0), "gauge": (0.02, 2.0)}
NO_PRIORS = {name: (1.0, 0.0) for name in NAMES}
# A group's slopes on log2 of power, pitch and passes, as a share of the depth a doubling. The second part is the
# speed: at equal dose, twice the power or passes go with twice the speed, twice the pitch with half. The sizes are
# judgement, weighed on simulated workshops; that power and speed count as more than their product is common practice.
_ROUTE_SDS, _SPEED_SD, _SPEED = np.array([0.08, 0.10, 0.07]), 0.08, np.array([1.0, -1.0, 1.0])
ROUTE_PRECISION = np.linalg.inv(np.diag(_ROUTE_SDS**2) + _SPEED_SD**2 * np.outer(_SPEED, _SPEED))
# One move may shrink a component to a quarter or raise it 16-fold: from far off scoring overshoots.
_LEAST_MOVE, _MOST_MOVE = 0.25, 16.0
_ROUNDS = 200


@dataclass(frozen=True)
class Repeatability:
    """How a gauge repeats: one recess, read so many times (JCGM 100:2008, 4.2).

    Attributes
    ----------
    readings : int
    mean_mm, sd_mm : float
        Mean (eq. 3) and experimental standard deviation (eq. 4) of the readings.
    gauge_step_mm : float
    gauge : str
    """

    readings: int
    mean_mm: float
    sd_mm: float
    gauge_step_mm: float
    gauge: str = ""

    @classmethod
    def of(cls, sheet: pd.DataFrame) -> "Repeatability | None":
        """Return what a sheet as `machinelog.repeats` gives it says; None where it is empty."""
        if sheet.empty:
            return None
        depths = sheet["depth_mm"].to_numpy(float)
        return cls(len(depths), float(depths.mean()), float(depths.std(ddof=1)), float(sheet["gauge_step_mm"].iloc[0]),
                   str(sheet["gauge"].iloc[0]))

    @property
    def sd_of_mean_mm(self) -> float:
        """Experimental standard deviation of the mean (eq. 5)."""
        return self.sd_mm / sqrt(self.readings)

    @property
    def counts_mm(self) -> float:
        """What counts as the gauge's own scatter: no less than its step allows."""
        return max(self.sd_mm, self.gauge_step_mm / sqrt(12))

    @property
    def prior(self) -> tuple[float, float]:
        """Sd and degrees of freedom that take the place of the assumed ones."""
        return self.counts_mm, self.readings - 1.0

    @property
    def words(self) -> str:
        """The sheet in a sentence."""
        less = (f" That is less than its step of {self.gauge_step_mm:g} mm allows: ±{self.counts_mm:.3g} mm counts."
                if self.counts_mm > self.sd_mm else "")
        return (f"{self.gauge or 'The gauge'} repeats to ±{self.sd_mm:.3g} mm (standard deviation of {self.readings} readings of one recess of "
                f"{self.mean_mm:.2f} mm, {self.readings - 1} degrees of freedom).{less} This takes the place of what was assumed of the gauge; "
                "readings of your burns count beside it.")


@dataclass(frozen=True, eq=False)
class Components:
    """The four variances in the order of `NAMES`, and what they rest on.

    Attributes
    ----------
    variances : (4,) array
        Relative; the gauge's in mm².
    covariance : (4, 4) array
        Of these estimates, priors counted as evidence.
    information : (4, 4) array
        Expected information of the data alone.
    priors : mapping of name to (sd, weight)
    """

    variances: np.ndarray
    covariance: np.ndarray
    information: np.ndarray
    priors: Mapping[str, tuple[float, float]]

    @property
    def measured(self) -> bool:
        """Whether the gauge's prior is a repeatability sheet and no assumption."""
        return self.priors["gauge"] not in (PRIORS["gauge"], NO_PRIORS["gauge"])

    @property
    def marks(self) -> tuple[str, ...]:
        """A mark of the repeatability sheet; none where there is none."""
        return (hashlib.sha256(repr(tuple(map(float, self.priors["gauge"]))).encode("ascii")).hexdigest()[:12],) * self.measured

    @property
    def table(self) -> pd.DataFrame:
        """A row per component: component, sd, df, data_df, prior_sd, prior_weight, prior_share, prior_measured, data_sd.

        `prior_measured` is true where the prior is a repeatability sheet and no assumption. `sd` is relative, the gauge's in mm. `prior_share` is the part of `df` that the prior lends,
        `data_sd` what the readings alone would say (NaN where they say nothing).
        """
        return pd.DataFrame([self._row(place) for place in range(len(NAMES))])

    def _row(self, place) -> dict:
        value, spread = self.variances[place], self.covariance[place, place]
        prior_sd, _ = self.priors[NAMES[place]]
        weight = prior_weights(self.variances, self.priors)[1][place]
        df = 2 * value**2 / spread if spread > 0 else np.nan
        data_df = max(df - weight, 0.0)
        alone = (value * df - weight * prior_sd**2) / data_df if data_df > 0.05 else np.nan
        return {"component": NAMES[place], "sd": np.sqrt(value), "df": df, "data_df": data_df,
                "prior_sd": prior_sd if weight else np.nan, "prior_weight": weight,
                "prior_share": min(weight / df, 1.0) if df else np.nan,
                "prior_measured": NAMES[place] == "gauge" and self.measured,
                "data_sd": np.sqrt(max(alone, 0.0)) if np.isfinite(alone) else np.nan}


def prior_variances(priors: Mapping[str, tuple[float, float]]) -> np.ndarray:
    """Return the variances that the priors expect."""
    return np.array([priors[name][0] ** 2 for name in NAMES])


def prior_weights(variances: np.ndarray, priors) -> tuple[np.ndarray, np.ndarray]:
    """Return the priors' variances and their weights now, after giving way."""
    expected = prior_variances(priors)
    weight = np.array([priors[name][1] for name in NAMES])
    return expected, weight * np.minimum(expected / np.maximum(variances, 1e-300), 1.0)


def prior_terms(variances: np.ndarray, priors) -> tuple[np.ndarray, np.ndarray]:
    """Return what the priors add to the score and to the information's diagonal.

    Evidence of w degrees of freedom at variance v adds -½w (1/θ - v/θ²) and ½w/θ².
    """
    expected, weight = prior_weights(variances, priors)
    safe = np.where(variances > 0, variances, 1.0)
    return (-0.5 * weight * (1 / safe - expected / safe**2), 0.5 * weight / safe**2)


def scored(variances: np.ndarray, step: reml.Step, priors,
           free: Sequence[bool] = (True,) * 4) -> np.ndarray:
    """Move the variances once by Fisher scoring.

    Components without a prior may reach zero, and stay there while the score pushes them below.
    `free` is False for components that are not estimated.
    """
    free = np.asarray(free)
    extra, extra_information = prior_terms(variances, priors)
    # From below, a prior pulls harder than its expected curvature says: longer moves would swing.
    swing = 2 * prior_variances(priors) / np.maximum(variances, 1e-300) - 1
    information = step.information + np.diag(extra_information * np.maximum(swing, 1.0))
    moved = _bounded_move(variances, step.score + extra, information, free)
    held = np.array([priors[name][1] > 0 for name in NAMES])
    moved = np.maximum(moved, np.where(held, variances * _LEAST_MOVE, 0.0))
    moved = np.where(held & (variances > 0), np.minimum(moved, variances * _MOST_MOVE), moved)
    return np.where(free, moved, variances)


def _bounded_move(variances, score, information, free) -> np.ndarray:
    """Solve for the move with components at zero held there where they would go below."""
    live = free & ~((variances <= 0) & (score < 0))
    moved = variances.copy()
    while live.any():
        places = np.flatnonzero(live)
        moved = variances.copy()
        moved[places] += np.linalg.solve(information[np.ix_(places, places)], score[places])
        stuck = live & (moved < 0) & (variances <= 1e-14)
        if not stuck.any():
            break
        live &= ~stuck
    return moved


def finished(variances: np.ndarray, step: reml.Step, priors,
             free: Sequence[bool] = (True,) * 4) -> Components:
    """Return the components with the covariance of their estimates."""
    _, extra = prior_terms(variances, priors)
    live = np.flatnonzero(np.asarray(free) & (variances > 0))
    covariance = np.zeros((4, 4))
    total = step.information + np.diag(extra)
    covariance[np.ix_(live, live)] = np.linalg.inv(total[np.ix_(live, live)])
    return Components(variances, covariance, step.information, priors)
