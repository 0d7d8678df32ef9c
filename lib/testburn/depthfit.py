"""Depth fit: depth against line energy, per species and module.

Decides how deep a setting goes and how far a reading may lie from that. Each species × module ×
wavelength has its own straight line with its own intercept, because low irradiance wastes energy
and the same joules from another module or wavelength do not dig as deep. The regressor is line
energy where all readings share one line pitch and areal dose where they do not (oak mass loss was
linear in one dose over all powers and raster densities: Kudela et al. 2022, Materials 15:8384).
"""

import hashlib
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats

from testburn import columns, curve, energy
from testburn.curve import Curve

GROUP = list(columns.GROUP_KEY)
ENERGY, DOSE = "line_energy_j_mm", "areal_dose_j_mm2"
# Below this depth a reading scatters by the floor's roughness rather than in proportion: unlasered
# beech has a peak-to-valley height of 0.05 to 0.08 mm (Acta Facultatis Xylologiae Zvolen 61(1), 2019).
FLOOR_MM = 0.1
FEWEST_SWATCHES = 3
LEVEL = 0.95


@dataclass(frozen=True, eq=False)
class GroupFit:
    """One species × module: its curve and what the curve rests on."""

    species: str
    module_w: float
    wavelength_nm: float
    regressor: str
    readings: pd.DataFrame
    curve: Curve

    @property
    def name(self) -> str:
        return f"{self.species}, {self.module_w:g} W at {self.wavelength_nm:g} nm"

    @property
    def line_pitches_mm(self) -> list[float]:
        return sorted(self.readings["line_pitch_mm"].unique())

    @property
    def range(self) -> tuple[float, float]:
        """Lowest and highest regressor value that was burned."""
        return self.readings[self.regressor].min(), self.readings[self.regressor].max()

    def regressor_values(self, line_energy_j_mm, line_pitch_mm=None) -> tuple[np.ndarray, bool]:
        """Return the regressor of these line energies, and whether the pitch was never burned.

        At a pitch that was not burned the same areal dose is taken to dig as deep.
        """
        burned = self.line_pitches_mm
        if line_pitch_mm is None and len(burned) > 1:
            raise ValueError(f"{self.name} was burned at several line pitches "
                             f"({', '.join(f'{p:g}' for p in burned)} mm). Say line_pitch_mm.")
        pitch = burned[0] if line_pitch_mm is None else line_pitch_mm
        x = np.atleast_1d(np.asarray(line_energy_j_mm, float))
        if self.regressor == DOSE:
            return x / pitch, not np.isclose(pitch, burned).any()
        return x / pitch * burned[0], not np.isclose(pitch, burned[0])

    def line_energy_of(self, regressor_value, line_pitch_mm=None):
        """Return the line energy in J/mm of a regressor value (the inverse of the above)."""
        burned = self.line_pitches_mm[0]
        pitch = burned if line_pitch_mm is None else line_pitch_mm
        return regressor_value * pitch / (1 if self.regressor == DOSE else burned)

    @property
    def formula(self) -> str:
        intercept, slope = self.curve.coefficients
        sign = "-" if slope < 0 else "+"
        return f"depth_mm = {intercept:.3g} {sign} {abs(slope):.4g} × {self.regressor}"

    @property
    def flags(self) -> list[str]:
        """What the maker should know before trusting this line."""
        (intercept, slope), (intercept_sd, slope_sd) = (
            self.curve.coefficients, np.sqrt(np.diag(self.curve.covariance)))
        wide = stats.t.ppf((1 + LEVEL) / 2, self.curve.df)
        boards = self.readings["board"].nunique()
        found = [f"only {boards} board" + "s" * (boards > 1)] if boards < 3 else []
        if slope < wide * slope_sd:
            found.append("more energy does not clearly dig deeper")
        if intercept > wide * intercept_sd:
            found.append("depth at no energy: check the gauge's zero")
        if self.readings["passes"].nunique() > 1:
            found.append("mixes numbers of passes")
        return found

    @property
    def row(self) -> dict:
        """This group's row of `DepthFit.table`."""
        used, errors = self.readings, np.sqrt(np.diag(self.curve.covariance))
        return {
            "species": self.species, "module_w": self.module_w,
            "wavelength_nm": self.wavelength_nm, "form": self.curve.form,
            "regressor": self.regressor,
            "intercept": self.curve.coefficients[0], "intercept_se": errors[0],
            "slope": self.curve.coefficients[1], "slope_se": errors[1],
            "r_squared": self.curve.r_squared, "scatter_pct": 100 * self.curve.residual_sd,
            "boards": used["board"].nunique(),
            "swatches": len(used[["burn", "swatch"]].drop_duplicates()), "readings": len(used),
            "lowest_energy_j_mm": used[ENERGY].min(), "highest_energy_j_mm": used[ENERGY].max(),
            "lowest_depth_mm": used["depth_mm"].min(), "highest_depth_mm": used["depth_mm"].max(),
            "line_pitch_mm": ", ".join(f"{pitch:g}" for pitch in self.line_pitches_mm),
            "formula": self.formula, "flags": "; ".join(self.flags),
        }


@dataclass(frozen=True, eq=False)
class DepthFit:
    """Depth against line energy for every species × module of a lab book.

    Attributes
    ----------
    readings : DataFrame
        Every reading given, with line energy, areal dose, `fitted_mm`, `residual_pct` and `used`
        (False where struck out or where its group has too little data).
    groups : tuple of GroupFit
    left_out : DataFrame
        species, module_w, wavelength_nm and `why` of the groups that could not be fitted.
    """

    readings: pd.DataFrame
    groups: tuple[GroupFit, ...]
    left_out: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        """A row per species × module_w × wavelength_nm."""
        return pd.DataFrame([group.row for group in self.groups])

    @property
    def best_known(self) -> GroupFit:
        """The group with the most boards, and among these the most readings."""
        return max(self.groups, key=lambda group: (group.row["boards"], group.row["readings"]))

    @property
    def invented(self) -> bool:
        """True where any reading used is invented demo data."""
        return bool((self.readings["invented"] == "yes")[self.readings["used"]].any())

    @property
    def fingerprint(self) -> str:
        """Twelve hex digits of the readings used; another reading gives another fingerprint."""
        keys = [column.name for column in columns.COLUMNS if column.required]
        used = self.readings.loc[self.readings["used"], keys].sort_values(list(columns.READING_KEY))
        text = used.to_csv(index=False, lineterminator="\n", date_format="%Y-%m-%d")
        return hashlib.sha256(text.encode("utf-8")).hexdigest()[:12]

    def group(self, species: str, module_w: float, wavelength_nm: float | None = None) -> GroupFit:
        """Return the fit of one species × module.

        Raises
        ------
        LookupError
            If it was never burned, or at several wavelengths and none is said.
        """
        found = [group for group in self.groups
                 if group.species == species and np.isclose(group.module_w, module_w)
                 and (wavelength_nm is None or np.isclose(group.wavelength_nm, wavelength_nm))]
        if len(found) == 1:
            return found[0]
        known = "; ".join(group.name for group in found or self.groups) or "none"
        asked = f"{species} with the {module_w:g} W module"
        if found:
            raise LookupError(f"{asked} was burned at several wavelengths ({known}). "
                              "Say wavelength_nm.")
        raise LookupError(f"There is no fit for {asked}. Fitted are: {known}. "
                          "Burn a board of it, or choose one of these.")

    def predict(self, species: str, module_w: float, line_energy_j_mm, line_pitch_mm=None,
                level: float = LEVEL, of: str = "reading", board: str = "next",
                wavelength_nm: float | None = None) -> pd.DataFrame:
        """Predict depth at line energies.

        Parameters
        ----------
        species, module_w, wavelength_nm
            The group; the wavelength only where a module's watts come at several.
        line_energy_j_mm : float or (n,) array
        line_pitch_mm : float, optional
            Needed where the group was burned at several.
        level : float
            Share of cases the interval is meant to hold, between 0 and 1.
        of : "reading" or "mean"
            A single reading, or the mean curve.
        board : "next"

        Returns
        -------
        DataFrame
            line_energy_j_mm, depth_mm, lower_mm, upper_mm, sd_mm, df, extrapolated.
        """
        group = self.group(species, module_w, wavelength_nm)
        x, strange_pitch = group.regressor_values(line_energy_j_mm, line_pitch_mm)
        depth, sd = group.curve.mean(x), group.curve.mean_sd(x)
        if of == "reading":
            sd = np.hypot(sd, group.curve.reading_sd(x))
        half = stats.t.ppf((1 + level) / 2, group.curve.df) * sd
        low, high = group.range
        outside = (x < low * (1 - 1e-9)) | (x > high * (1 + 1e-9)) | strange_pitch
        return pd.DataFrame({
            "line_energy_j_mm": np.atleast_1d(line_energy_j_mm), "depth_mm": depth.clip(min=0),
            "lower_mm": (depth - half).clip(min=0), "upper_mm": (depth + half).clip(min=0),
            "sd_mm": sd, "df": float(group.curve.df), "extrapolated": outside})

    def _repr_html_(self) -> str:
        return self.table.round(3).to_html(index=False)


def fit(readings: pd.DataFrame) -> DepthFit:
    """Fit every species × module of the readings.

    Parameters
    ----------
    readings : DataFrame
        From `labbook.read` or `labbook.check`; rows with a reason in `struck_because` stay out.

    Raises
    ------
    ValueError
        If no group at all has enough readings to fit.
    """
    rows = energy.with_energy(readings)
    struck = rows["struck_because"] != "" if "struck_because" in rows else False
    rows = rows.assign(used=~pd.Series(struck, index=rows.index))
    groups, left_out = [], []
    for key, member in rows[rows["used"]].groupby(GROUP, sort=True):
        why = _too_thin(member)
        if why:
            left_out.append(dict(zip(GROUP, key), why=why))
            rows.loc[member.index, "used"] = False
        else:
            groups.append(_group_fit(key, member))
    if not groups:
        raise ValueError("There is nothing to fit yet: " + ("; ".join(
            f"{one['species']} with {one['module_w']:g} W {one['why']}" for one in left_out)
            or "the lab book has no readings") + ". Burn more swatches and enter their depths.")
    fitted = pd.concat([pd.Series(group.curve.mean(group.readings[group.regressor]),
                                  index=group.readings.index) for group in groups])
    rows = rows.assign(fitted_mm=fitted)
    rows["residual_pct"] = 100 * (rows["depth_mm"] / rows["fitted_mm"] - 1)
    return DepthFit(rows, tuple(groups),
                    pd.DataFrame(left_out, columns=[*GROUP, "why"]))


def _too_thin(member) -> str:
    """Say why a group cannot be fitted, or nothing."""
    swatches = len(member[["burn", "swatch"]].drop_duplicates())
    energies = member[ENERGY].round(9).nunique()
    if swatches < FEWEST_SWATCHES or energies < FEWEST_SWATCHES:
        return f"has {energies} different energies, {FEWEST_SWATCHES} are needed"
    return ""


def _group_fit(key, member) -> GroupFit:
    regressor = ENERGY if member["line_pitch_mm"].round(9).nunique() == 1 else DOSE
    line = curve.fitted(member[regressor], member["depth_mm"], floor=FLOOR_MM)
    return GroupFit(*key, regressor, member, line)
