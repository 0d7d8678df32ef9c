"""Depth group: one species × module, its curve, and what the curve rests on.

Decides how a group of readings is said: its regressor, its range, its formula in shop units, and
what a maker should know before trusting it. The regressor is line energy where all readings share
one line pitch and areal dose where they do not (oak mass loss was linear in one dose over all
powers and raster densities: Kudela et al. 2022, Materials 15:8384). Lack of fit is an F test of the curve against
free means at each energy, where both sides may use the same blocks, such as each board's own deviation (from
replicates, NIST/SEMATECH e-Handbook 4.4.4.6).
"""

import difflib
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import special

from testburn.depthfit import curves
from testburn.depthfit.curves import BEND_RANGE, CurveFit
from testburn.depthfit.swatches import COUNTED, ROUTE, route as route_of
from testburn.labbook import columns

ENERGY, DOSE = "line_energy_j_mm", "areal_dose_j_mm2"
# The dose that would have dug as deep in the standard state of its module; see `states`.
REACHED = "reached_dose_j_mm2"
TERMS = {"straight": 2, "quadratic": 3}
LEVEL = 0.95
# Settings this near are one: 90 % of a control that counts to 255 is 90.2 %; 0.08 mm is written as 318 lines per inch.
_SAME_PITCH = 0.005
_HALF_STEP = {"power_pct": {"atol": 100 / 255 / 2}, "line_pitch_mm": {"rtol": _SAME_PITCH}, "passes": {}}
# Below this depth a reading scatters by the floor's roughness rather than in proportion: unlasered
# beech has a peak-to-valley height of 0.05 to 0.08 mm (Acta Facultatis Xylologiae Zvolen 61(1), 2019).
ROUGH_MM = 0.1
ENOUGH_BOARDS = 3


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


@dataclass(frozen=True, eq=False)
class GroupFit:
    """One species × module of a fit; `index` is its place in `curves`."""

    species: str
    module_w: float
    wavelength_nm: float
    module: str
    readings: pd.DataFrame
    curves: CurveFit
    index: int

    @property
    def name(self) -> str:
        return f"{self.species}, {self.module_w:g} W at {self.wavelength_nm:g} nm" + f", {self.module}" * bool(self.module)

    @property
    def module_name(self) -> str:
        """What its module is called."""
        return columns.module_name(self.module, self.module_w)

    @cached_property
    def line_pitches_mm(self) -> list[float]:
        """The line pitches that were burned, each once; of pitches that are one, the rounder number."""
        found = []
        for pitch in sorted(self.readings["line_pitch_mm"].round(9).unique().tolist()):
            same = [found.pop()] if found and np.isclose(found[-1], pitch, **_HALF_STEP["line_pitch_mm"]) else []
            found.append(min([*same, pitch], key=lambda one: len(f"{one:g}")))
        return found

    @property
    def regressor(self) -> str:
        """The column that the curve is said in; one pitch makes them the same but for a factor."""
        return ENERGY if len(self.line_pitches_mm) == 1 else DOSE

    @cached_property
    def doses(self) -> tuple[float, float]:
        """Lowest and highest areal dose that was burned, J/mm²."""
        return self.readings[DOSE].min(), self.readings[DOSE].max()

    @property
    def module_key(self) -> tuple:
        """What tells its module from others; see `columns.MODULE_KEY`."""
        return tuple(getattr(self, name) for name in columns.MODULE_KEY)

    @cached_property
    def routes(self) -> pd.DataFrame:
        """A row per route burned: power_pct, line_pitch_mm, passes, and the doses it was burned at, lowest and highest."""
        names = list(ROUTE)
        return self.readings.groupby(names, sort=True)[DOSE].agg(["min", "max"]).reset_index()

    @cached_property
    def _burned(self) -> np.ndarray:
        """The columns of `routes` as rows of numbers: asked for with every prediction."""
        return self.routes[[*ROUTE, "min", "max"]].to_numpy(float).T

    @cached_property
    def gauge_step_mm(self) -> float:
        """The step of the gauge that its burns were read with; the middle one of several."""
        return float(self.readings["gauge_step_mm"].median())

    def route(self, power_pct=None, line_pitch_mm=None, passes=None) -> tuple[np.ndarray, float]:
        """Return log2 of a route and its pitch; what is None is as burned: on the whole, where that was several.

        Raises
        ------
        ValueError
            If several pitches were burned and none is said.
        """
        burned = self.line_pitches_mm
        if line_pitch_mm is None and len(burned) > 1:
            raise ValueError(f"{self.name} was burned at several pitches "
                             f"({', '.join(f'{p:g}' for p in burned)} mm). Say line_pitch_mm.")
        pitch = burned[0] if line_pitch_mm is None else line_pitch_mm
        usual = 2.0 ** self.curves.route_middle[self.index]
        power, times = (usual[place] if said is None else said for place, said in ((0, power_pct), (2, passes)))
        return route_of(power, pitch, times), pitch

    def outside(self, dose_j_mm2: np.ndarray, power_pct=None, line_pitch_mm=None, passes=None) -> np.ndarray:
        """Return for each dose of a route why it lies outside the burns, in words; empty where it does not."""
        said = dict(zip(ROUTE, (power_pct, line_pitch_mm, passes)))
        burned = self._burned
        same = np.ones(burned.shape[1], bool)
        for place, (name, value) in enumerate(said.items()):
            same &= True if value is None else np.isclose(burned[place], value, **_HALF_STEP[name])
        if not same.any():
            return np.full(len(dose_j_mm2), self._never_burned(said), dtype=object)
        low, high = burned[3, same].min(), burned[4, same].max()
        inside = (dose_j_mm2 >= low * (1 - 1e-9)) & (dose_j_mm2 <= high * (1 + 1e-9))
        words = f"this route was burned from {low:.3g} to {high:.3g} J/mm² only"
        return np.where(inside, "", words).astype(object)

    def _never_burned(self, said: dict) -> str:
        """Say which part of a route was never burned, or that its parts were, but not together."""
        units = {"power_pct": "{:g} % power", "line_pitch_mm": "a pitch of {:g} mm", "passes": "{:g} passes"}
        told = {name: units[name].format(value).replace("1 passes", "1 pass") for name, value in said.items()
                if value is not None}
        new = [words for name, words in told.items() if not np.isclose(self.routes[name], said[name], **_HALF_STEP[name]).any()]
        return f"{' and '.join(new)} never burned" if new else f"{' with '.join(told.values())} never burned together"

    def line_energy_of(self, dose_j_mm2, line_pitch_mm=None):
        """Return the line energy in J/mm that lays a dose (the inverse of the above)."""
        return dose_j_mm2 * (line_pitch_mm or self.line_pitches_mm[0])

    def mean(self, dose_j_mm2) -> np.ndarray:
        """Return the mean depth in mm at areal doses."""
        x = np.asarray(dose_j_mm2, float) / self.curves.unit[self.index]
        return curves.depth_and_slopes(x, self.curves.coefficients[self.index])[0]

    @cached_property
    def coefficients(self) -> np.ndarray:
        """Intercept (mm), slope at no energy and bend, per unit of the regressor."""
        return self.curves.coefficients[self.index] / self._units

    @cached_property
    def covariance(self) -> np.ndarray:
        """Covariance of `coefficients`; a bend that was not fitted has none."""
        weights = np.append(self.curves.components.variances, 1.0)
        own = np.einsum("k,kij->ij", weights, self.curves.shares[self.index])
        return own / np.outer(self._units, self._units)

    @property
    def _units(self) -> np.ndarray:
        """What the curve's own coefficients are divided by to be per unit of the regressor."""
        pitch = self.line_pitches_mm[0] if self.regressor == ENERGY else 1.0
        unit = self.curves.unit[self.index] * pitch
        return np.array([1.0, unit, unit])

    @property
    def form(self) -> str:
        """straight, flattening or steepening."""
        bend = self.coefficients[2]
        return "straight" if bend == 0 else "flattening" if bend > 0 else "steepening"

    @property
    def formula(self) -> str:
        """The mean curve in words of the table: depth from the regressor."""
        intercept, slope, bend = self.coefficients
        run = self.regressor if bend == 0 else (
            f"(1 - exp({-bend:.3g} × {self.regressor})) / {bend:.3g}")
        return f"depth_mm = {intercept:.3g} {'-' if slope < 0 else '+'} {abs(slope):.4g} × {run}"

    @property
    def rule(self) -> str:
        """The mean curve in a maker's words: where it begins to mark, and how fast it deepens from there."""
        unit = "J/mm" if self.regressor == ENERGY else "J/mm²"
        rate = self.coefficients[1] * np.exp(-self.coefficients[2] * self.threshold)
        begins = f"no mark below {self.threshold:.2g} {unit}, then " if self.threshold > 0 else ""
        then = {"straight": "", "flattening": ", less as it gets deeper", "steepening": ", more as it gets deeper"}[self.form]
        return f"{begins}{rate:.2g} mm per {unit}{then}"

    @property
    def threshold(self) -> float:
        """The regressor value below which the curve predicts no mark; 0 where it always does."""
        intercept, slope, bend = self.coefficients
        if intercept >= 0 or slope <= 0:
            return 0.0
        reach = -intercept / slope
        return reach if bend == 0 else -np.log1p(-bend * reach) / bend

    @cached_property
    def boards(self) -> int:
        return self.readings["board"].nunique()

    @cached_property
    def lack_of_fit(self) -> LackOfFit:
        """Whether the means at each energy lie off the curve, boards' own deviations allowed."""
        swatches = self.readings.groupby(["board", "burn", "swatch"], sort=True)[
            [REACHED, "depth_mm"]].mean().reset_index()
        depth = np.maximum(self.mean(swatches[REACHED]), ROUGH_MM)
        boards = pd.get_dummies(swatches["board"], drop_first=True, dtype=float).to_numpy()
        form = "straight" if self.form == "straight" else "quadratic"
        return lack_of_fit(swatches[REACHED], swatches["depth_mm"], form,
                                        depth**-2.0, boards * depth[:, None])

    @property
    def rises(self) -> bool:
        """Whether more energy clearly digs deeper."""
        x = np.array(self.doses) / self.curves.unit[self.index]
        _, slopes = curves.depth_and_slopes(x, self.curves.coefficients[self.index])
        rise = slopes[1] - slopes[0]
        weights = np.append(self.curves.components.variances, 1.0)
        variance = rise @ np.einsum("k,kij->ij", weights, self.curves.shares[self.index]) @ rise
        low, high = self.mean(self.doses)
        return bool(high - low > special.ndtri((1 + LEVEL) / 2) * np.sqrt(variance))

    def must_rise(self) -> None:
        """Refuse to be inverted where more energy does not clearly dig deeper.

        Raises
        ------
        ValueError
        """
        if not self.rises:
            raise ValueError(f"{self.name}: more energy does not clearly dig deeper in these "
                             "readings, so no setting can be told from them. Look for a reading in "
                             "the wrong unit, or burn more swatches further apart.")

    @property
    def flags(self) -> list[str]:
        """What the maker should know before trusting this curve."""
        intercept, errors = self.coefficients[0], np.sqrt(np.diag(self.covariance))
        wide = special.ndtri((1 + LEVEL) / 2)
        unit = "J/mm" if self.regressor == ENERGY else "J/mm²"
        found = []
        if self.boards < ENOUGH_BOARDS:
            found.append(f"only {self.boards} board{'s' * (self.boards > 1)}")
        if not self.rises:
            found.append("more energy does not clearly dig deeper")
        if intercept > wide * errors[0]:
            found.append("depth at no energy: check the gauge's zero")
        if self.threshold > 0 and intercept < -wide * errors[0]:
            found.append(f"no mark below {self.threshold:.2g} {unit}")
        if self.lack_of_fit.p < 0.01:
            found.append("the curve misses some energies")
        if self.curves.coefficients[self.index, 2] in BEND_RANGE:
            found.append("bends as far as the form allows")
        if self.readings["passes"].nunique() > 1:
            found.append("mixes numbers of passes")
        gross = self.readings[self.readings[COUNTED] != self.readings["depth_mm"]]
        if len(gross):
            worst = gross.loc[(gross[COUNTED] / gross["depth_mm"]).map(np.log).abs().idxmax()]
            found.append(f"{len(gross)} reading{'s' * (len(gross) > 1)} far from the swatch's other readings weigh{'s' * (len(gross) == 1)} "
                         f"less: burn {worst['burn']}, swatch {worst['swatch']}, {worst['depth_mm']:g} mm counts as {worst[COUNTED]:.3g} mm")
        return found

    @property
    def r_squared(self) -> float:
        """Share of the squared deviations, each relative to its depth, that the curve explains."""
        depth, fitted = self.readings["depth_mm"], self.mean(self.readings[REACHED])
        weights = np.maximum(fitted, ROUGH_MM) ** -2.0
        middle = np.average(depth, weights=weights)
        return 1 - (weights * (depth - fitted) ** 2).sum() / (weights * (depth - middle) ** 2).sum()

    @cached_property
    def row(self) -> dict:
        """This group's row of `DepthFit.table`."""
        used, errors = self.readings, np.sqrt(np.diag(self.covariance))
        intercept, slope, bend = self.coefficients
        return {
            "species": self.species, "module_w": self.module_w,
            "wavelength_nm": self.wavelength_nm, "module": self.module, "form": self.form, "regressor": self.regressor,
            "intercept": intercept, "intercept_se": errors[0], "slope": slope,
            "slope_se": errors[1], "bend": bend, "bend_se": errors[2],
            "r_squared": self.r_squared, "boards": self.boards,
            "swatches": len(used[["burn", "swatch"]].drop_duplicates()), "readings": len(used),
            "lowest_energy_j_mm": used[ENERGY].min(), "highest_energy_j_mm": used[ENERGY].max(),
            "lowest_depth_mm": used["depth_mm"].min(), "highest_depth_mm": used["depth_mm"].max(),
            "threshold": self.threshold, "lack_of_fit_p": self.lack_of_fit.p,
            "line_pitch_mm": ", ".join(f"{pitch:g}" for pitch in self.line_pitches_mm),
            "rule": self.rule, "formula": self.formula, "flags": "; ".join(self.flags),
        }


def meant(groups, species: str, module_w: float, wavelength_nm: float | None, module: str | None) -> GroupFit:
    """Return the one of these groups that is meant; see `DepthFit.group`."""
    found = [group for group in groups if group.species == species and np.isclose(group.module_w, module_w)
             and (wavelength_nm is None or np.isclose(group.wavelength_nm, wavelength_nm))
             and (module is None or module in (group.module, group.module_name))]
    if len(found) == 1:
        return found[0]
    known = "; ".join(group.name for group in found or groups) or "none"
    asked = f"{species} with the {module_w:g} W module"
    if len({group.wavelength_nm for group in found}) > 1:
        raise LookupError(f"{asked} was burned at several wavelengths ({known}). "
                          "Say wavelength_nm.")
    if found:
        names = ", ".join(repr(group.module_name) for group in found)
        raise LookupError(f"{asked} was burned with several modules ({names}). Say which: module = one of these.")
    near = difflib.get_close_matches(species, {group.species for group in groups} - {species}, 1)
    raise LookupError(f"There is no fit for {asked}. " + "".join(f"Perhaps {one}? " for one in near)
                      + f"Fitted are: {known}. Burn a board of it, or choose one of these.")
