"""Guess: a depth for a wood or a module that was never burned.

Decides what can be said without a burn, and how little that is. With no burn at all the answer is the band of
energy per gram that the literature supports. Half of that band's variance is taken to be the shop (module, optics,
gauge), half the wood. The other groups of the same wavelength tell the shop's half, the more of them the better, and
how much woods differ here: so a burn of another wood never makes a guess wider than it was without, unless this
shop's woods differ more than the literature's. Density shifts the middle half as far as it would if every gram cost
the same (published evidence points both ways, so nothing between none and all of it is ruled out). A guess is marked
as one wherever it goes; it is for planning the first swatches, not for a sign.

Source: energy per gram of wood, see `testburn.labbook.woods`; a normal mean with a normal prior, e.g. Gelman et al.,
Bayesian Data Analysis, 3rd ed., 2.5 (from memory). The halves and the shift by density are our own judgement.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from testburn import energy
from testburn.depthfit.depths import DepthFit
from testburn.depthfit.group import GroupFit, LEVEL
from testburn.labbook import woods

# The literature's 2.0 to 9.4 kJ/g is taken as a middle ± 2 sd of the logarithm.
BAND_SD = np.log(woods.USUAL_KJ_G[1] / woods.USUAL_KJ_G[0]) / 4
BAND_WEIGHT = 4.0
# Of the band's variance, what is common to all woods of a shop.
SHOP_SHARE = 0.5
DENSITY_SHARE, DENSITY_DOUBT = 0.5, 0.5
THREE = (0.5, 1.0, 1.6)


@dataclass(frozen=True, eq=False)
class Guess:
    """A guessed depth over line energy: log-normal about a middle curve.

    `shop_share` is how much of what the groups' depths are off the literature's is taken for this shop's own.
    """

    species: str
    module_w: float
    wavelength_nm: float
    line_pitch_mm: float
    basis: str
    log_sd: float
    df: float
    shift: float
    volume_energy_j_mm3: tuple[float, ...]
    groups: tuple[GroupFit, ...] = ()
    shop_share: float = 0.0

    def middle_mm(self, line_energy_j_mm) -> np.ndarray:
        """Return the guessed depth in mm at line energies."""
        dose = energy.areal_dose(np.atleast_1d(np.asarray(line_energy_j_mm, float)),
                                 self.line_pitch_mm)
        published = np.mean([np.log(dose / volume) for volume in self.volume_energy_j_mm3], axis=0)
        if not self.groups:
            return np.exp(published)
        found = np.mean([np.log(np.maximum(_carried_on(group, dose), 1e-3)) for group in self.groups], axis=0)
        return np.exp(published + self.shop_share * (found - published) + self.shift)

    def predict(self, line_energy_j_mm, level: float = LEVEL) -> pd.DataFrame:
        """Return the columns of `DepthFit.predict`, with `guessed` and `basis` behind them."""
        middle = self.middle_mm(line_energy_j_mm)
        wide = np.exp(special.stdtrit(self.df, (1 + level) / 2) * self.log_sd)
        return pd.DataFrame({
            "line_energy_j_mm": np.atleast_1d(np.asarray(line_energy_j_mm, float)),
            "depth_mm": middle, "lower_mm": middle / wide, "upper_mm": middle * wide,
            "sd_mm": middle * self.log_sd, "df": self.df, "extrapolated": True, "why": "never burned",
            "guessed": True, "basis": self.basis})

    def three_swatches(self, depth_mm: float) -> pd.DataFrame:
        """Return the three line energies whose burn would teach most about a wanted depth.

        One well below, one at and one well above the guess for it: the ends and the target of a
        straight line, as far apart as the guess may be wrong.
        """
        one = self.middle_mm(np.array([1e-3, 100.0]))
        grid = np.geomspace(1e-3, 100.0, 4000)
        at = np.interp(depth_mm, self.middle_mm(grid), grid)
        if not one[0] < depth_mm < one[1]:
            raise ValueError(f"{depth_mm:g} mm cannot be guessed for {self.species}.")
        return self.predict(at * np.array(THREE)).assign(
            line_pitch_mm=self.line_pitch_mm)[
            ["line_energy_j_mm", "line_pitch_mm", "depth_mm", "lower_mm", "upper_mm", "guessed"]]


def guess(fit: DepthFit | None, wood_table: pd.DataFrame, species: str, module_w: float,
          line_pitch_mm: float = 0.05, wavelength_nm: float = 450.0) -> Guess:
    """Guess the depth curve of a species × module from a fit, or from the handbook; see `from_groups`."""
    how = (wood_table, species, module_w, line_pitch_mm, wavelength_nm)
    if fit is None:
        return from_groups((), *how)
    scatter = fit.components.set_index("component")["sd"]
    return from_groups(fit.groups, *how, float(np.hypot(scatter["board"], scatter["swatch"])))


def from_groups(groups: tuple[GroupFit, ...], wood_table: pd.DataFrame, species: str, module_w: float,
                line_pitch_mm: float = 0.05, wavelength_nm: float = 450.0, recess_sd: float = 0.11) -> Guess:
    """Guess the depth curve of a species × module that was never burned.

    Parameters
    ----------
    groups : tuple of GroupFit
        What was burned; empty where nothing ever was.
    wood_table : DataFrame
        From `woods.read`.
    recess_sd : float
        Relative scatter of a recess from board to board, the prior's where nothing was burned.

    Raises
    ------
    ValueError
        If the species is not in the table.
    """
    if species not in wood_table.index:
        raise ValueError(f"{species} is not in woods.csv. Add it there, with its specific gravity.")
    density = wood_table["specific_gravity_12pct"]
    same = [
        group for group in groups
        if np.isclose(group.wavelength_nm, wavelength_nm) and group.species in density.index
        and group.rises]
    # The same wood under another module, or the same module in another wood, is nearer kin.
    kin = [group for group in same if group.species == species] or [
        group for group in same if np.isclose(group.module_w, module_w)] or same
    head = (species, module_w, wavelength_nm, line_pitch_mm)
    if not kin:
        basis = "published energy per gram of wood, no burn at all"
        if wavelength_nm > 500:
            basis += "; measured at other wavelengths than this"
        return Guess(*head, basis, float(np.hypot(BAND_SD, recess_sd)), BAND_WEIGHT, 0.0, (_published(density[species]),))
    ratios = np.log([density[species] / density[group.species] for group in kin])
    wood, df = _between(kin)
    shop = 1 / (1 / (SHOP_SHARE * BAND_SD**2) + len(kin) / wood)
    # What is published of this very wood is no less sure because one of another density was burned.
    by_density = min((DENSITY_DOUBT * ratios.mean()) ** 2, max(BAND_SD**2 - wood - shop, 0))
    return Guess(*head, "other burns: " + "; ".join(group.name for group in kin),
                 float(np.sqrt(wood + shop + by_density + recess_sd**2)), df, float(-DENSITY_SHARE * ratios.mean()),
                 tuple(_published(density[group.species]) for group in kin), tuple(kin), float(shop * len(kin) / wood))


def _published(density: float) -> float:
    """Return the middle of the literature's band, J/mm³."""
    usual = woods.volume_energy_limits(density).iloc[0]
    return float(np.sqrt(usual["usual_low"] * usual["usual_high"]))


def _carried_on(group: GroupFit, dose: np.ndarray) -> np.ndarray:
    """Return a group's mean depth, beyond its burns along the slope it has at their ends."""
    low, high = group.doses
    inside = np.clip(dose, low, high)
    step = 1e-4 * (high - low)
    ends = {end: (group.mean(end + step / 2) - group.mean(end - step / 2)) / step
            for end in (low, high)}
    return (group.mean(inside) + np.minimum(dose - low, 0) * ends[low]
            + np.maximum(dose - high, 0) * ends[high])


def _between(kin: list[GroupFit]) -> tuple[float, float]:
    """Return how much groups differ (variance of log depth) and its df; the wood's half of the literature's band is prior."""
    low, high = max(group.doses[0] for group in kin), min(group.doses[1] for group in kin)
    dose = np.sqrt(low * high) if low < high else kin[0].doses[1]
    logs = np.log([max(float(_carried_on(group, dose)), 1e-3) for group in kin])
    own = len(kin) - 1
    squares = own * logs.var(ddof=1) if own else 0.0
    df = BAND_WEIGHT + own
    return float((BAND_WEIGHT * (1 - SHOP_SHARE) * BAND_SD**2 + squares) / df), df
