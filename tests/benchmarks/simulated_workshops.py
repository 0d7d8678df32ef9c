"""Simulated workshops, whose truth is not the fitted model. All numbers are invented.

One workshop makes colour-filled trail signs for an arboretum with one module and burns three
species. The true depth of a swatch is

    core  = (areal dose - threshold) / energy per volume
    depth = saturation * (1 - exp(-core / saturation)) * (speed / 130)**dwell

times a factor of its board, of the swatch and of the reading, plus the gauge's noise, rounded to the
gauge's step. The dwell exponent makes speed matter at equal dose, which no curve in energy can follow.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

SPECIES = ("black cherry", "hard maple", "red oak")
MODULE_W, POWER_W, WAVELENGTH_NM = 40.0, 36.0, 450.0
SPEEDS_MM_S = (60.0, 280.0)


@dataclass(frozen=True, eq=False)
class Truth:
    """How one workshop's wood really answers; arrays run over species, sds are relative."""

    volume_energy_j_mm3: np.ndarray
    threshold_j_mm2: np.ndarray
    saturation_mm: np.ndarray
    dwell: float
    board_sd: float = 0.09
    swatch_sd: float = 0.04
    reading_sd: float = 0.03
    gauge_noise_mm: float = 0.02
    gauge_step_mm: float = 0.01
    line_pitch_mm: float = 0.05

    def depth_mm(self, species, speed_mm_s):
        """Depth on the average board."""
        speed = np.asarray(speed_mm_s, float)
        dose = POWER_W / speed / self.line_pitch_mm
        core = np.maximum(dose - self.threshold_j_mm2[species], 0) / self.volume_energy_j_mm3[species]
        top = self.saturation_mm[species]
        return top * -np.expm1(-core / top) * (speed / 130.0) ** self.dwell

    def recess_mm(self, rng, species, speed_mm_s, board_factor):
        """True depth of new swatches on boards with these factors."""
        return (self.depth_mm(species, speed_mm_s) * board_factor
                * factors(rng, self.swatch_sd, np.shape(speed_mm_s)))

    def read(self, rng, depth_mm):
        """One reading of each true depth."""
        depth = np.asarray(depth_mm)
        raw = (depth * factors(rng, self.reading_sd, depth.shape)
               + rng.normal(0, self.gauge_noise_mm, depth.shape))
        return np.maximum(np.round(raw / self.gauge_step_mm) * self.gauge_step_mm, 0)


def factors(rng, sd, size):
    """Factors about 1, never below 0.05."""
    return np.maximum(1 + rng.normal(0, sd, size), 0.05)


# (threshold J/mm², saturation mm, dwell exponent): low and high end of what a workshop may have.
KINDS = {
    "standard": ((0.3, 0.9), (5.0, 12.0), (-0.05, 0.05)),
    "nearly straight": ((0.0, 0.3), (40.0, 60.0), (0.0, 0.0)),
    "strong threshold": ((1.0, 1.5), (8.0, 12.0), (-0.05, 0.05)),
    "strong saturation": ((0.3, 0.9), (2.5, 3.5), (-0.05, 0.05)),
    "strong dwell": ((0.3, 0.9), (6.0, 10.0), (0.10, 0.15)),
    "dwell the other way": ((0.3, 0.9), (6.0, 10.0), (-0.15, -0.10)),
}


def draw_truth(rng, kind="standard", **other) -> Truth:
    """Draw a workshop's wood."""
    threshold, saturation, dwell = KINDS[kind]
    return Truth(rng.uniform(4.0, 7.0, len(SPECIES)), rng.uniform(*threshold, len(SPECIES)),
                 rng.uniform(*saturation, len(SPECIES)), float(rng.uniform(*dwell)), **other)


def burned(rng, truth, boards=3, swatches=8, readings=3, missing=0.0):
    """Burn boards of every species; return tidy readings and the true factor of each board.

    `boards` and `readings` may be (low, high), `missing` is the share of swatches not there: data as
    unbalanced as a workshop's. A board keeps at least three swatches.
    """
    ladder = np.round(np.linspace(*SPEEDS_MM_S, swatches))
    rows, board_factors = [], {}
    for species, name in enumerate(SPECIES):
        for number in range(_some(rng, boards)):
            board = f"{species}-{number}"
            board_factors[board] = float(factors(rng, truth.board_sd, ()))
            there = np.flatnonzero(rng.random(swatches) >= missing)
            there = np.arange(swatches) if len(there) < 3 else there
            depth = truth.recess_mm(rng, species, ladder[there], board_factors[board])
            count = np.array([_some(rng, readings) for _ in there])
            i = np.repeat(np.arange(len(there)), count)
            rows.append(_rows(truth, name, board, ladder[there][i], there[i],
                              truth.read(rng, depth[i])))
    return pd.concat(rows, ignore_index=True), board_factors


def line_energy_j_mm(readings) -> np.ndarray:
    """The regressor of these readings."""
    return (POWER_W / readings["speed_mm_s"]).to_numpy()


def _some(rng, number) -> int:
    return int(rng.integers(number[0], number[1] + 1)) if np.ndim(number) else number


def _rows(truth, species, board, speed_mm_s, swatch, depth_mm) -> pd.DataFrame:
    frame = pd.DataFrame({
        "burn": f"burn {board}", "species": species, "board": board, "module_w": MODULE_W,
        "wavelength_nm": WAVELENGTH_NM, "power_pct": 100 * POWER_W / MODULE_W,
        "speed_mm_s": speed_mm_s, "line_pitch_mm": truth.line_pitch_mm, "passes": 1,
        "swatch": [f"s{number}" for number in swatch], "depth_mm": depth_mm,
        "gauge_step_mm": truth.gauge_step_mm})
    return frame.assign(reading=frame.groupby("swatch").cumcount() + 1)
