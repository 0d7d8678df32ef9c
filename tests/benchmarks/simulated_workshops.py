"""Simulated workshops, whose truth is not the fitted model. All numbers are invented.

One workshop makes colour-filled trail signs for an arboretum with one module and burns three
species. The true depth of a swatch is

    core  = (areal dose - threshold) / energy per volume
    depth = saturation * (1 - exp(-core / saturation)) * (speed / 130)**dwell

times a factor of its board, of the swatch and of the reading, plus the gauge's noise, rounded to the
gauge's step. The dwell exponent makes speed matter at equal dose, which no curve in energy can follow.
So do a power that is not its percent, a loss for lines farther apart, and one for each further pass.
Boards may differ in slope and threshold as well, and in rings: a wave along the places of a board.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

SPECIES = ("black cherry", "northern red oak", "sugar maple")
MODULE_W, POWER_W, WAVELENGTH_NM = 40.0, 36.0, 450.0
SPEEDS_MM_S = (60.0, 280.0)
USUAL_PITCH_MM = 0.05
# power %, pitch in mm, passes
USUAL_ROUTE = (100 * POWER_W / MODULE_W, USUAL_PITCH_MM, 1)


@dataclass(frozen=True, eq=False)
class Boards:
    """How boards of one wood differ, an entry a board: depth × factor × dose**slope."""

    factor: np.ndarray
    slope: np.ndarray
    threshold: np.ndarray
    phase: np.ndarray
    period: np.ndarray

    def __getitem__(self, places) -> "Boards":
        return Boards(*(getattr(self, name)[places] for name in self.__dataclass_fields__))


@dataclass(frozen=True, eq=False)
class Truth:
    """How one workshop's wood really answers; arrays run over species, sds are relative."""

    volume_energy_j_mm3: np.ndarray
    threshold_j_mm2: np.ndarray
    saturation_mm: np.ndarray
    dwell: float
    board_sd: float | tuple[float, ...] = 0.09
    swatch_sd: float = 0.04
    reading_sd: float = 0.03
    gauge_noise_mm: float = 0.02
    gauge_step_mm: float = 0.01
    power_exponent: float = 1.0
    power_offset_pct: float = 0.0
    pitch_loss: float = 0.0
    pass_loss: float = 0.0
    slope_sd: float = 0.0
    threshold_sd: float = 0.0
    ring_sd: float = 0.0

    def depth_mm(self, species, speed_mm_s, route=USUAL_ROUTE, slope=0.0, threshold=1.0):
        """Depth on the average board, or on boards of these slopes and times this threshold."""
        speed = np.asarray(speed_mm_s, float)
        power_pct, pitch, passes = route
        share = (power_pct - self.power_offset_pct) / (100.0 - self.power_offset_pct)
        dose = MODULE_W * share**self.power_exponent * passes / speed / pitch
        core = (np.maximum(dose - self.threshold_j_mm2[species] * threshold, 0)
                / self.volume_energy_j_mm3[species])
        top = self.saturation_mm[species]
        lost = (1 - self.pitch_loss) ** np.log2(pitch / USUAL_PITCH_MM)
        lost *= np.mean((1 - self.pass_loss) ** np.arange(passes))
        return (top * -np.expm1(-core / top) * (speed / 130.0) ** self.dwell * lost
                * (dose / 5.5) ** slope)

    def boards(self, rng, species, count) -> Boards:
        """Draw boards of one species."""
        sd = self.board_sd[species] if np.ndim(self.board_sd) else self.board_sd
        return Boards(factors(rng, sd, count), rng.normal(0, self.slope_sd, count),
                      factors(rng, self.threshold_sd, count), rng.uniform(0, 2 * np.pi, count),
                      rng.uniform(6, 14, count))

    def recess_mm(self, rng, species, speed_mm_s, boards: Boards, place=0, route=USUAL_ROUTE):
        """True depth of new swatches, one on each board, at a place of it."""
        mean = self.depth_mm(species, speed_mm_s, route, boards.slope, boards.threshold)
        ring = 1 + self.ring_sd * 2**0.5 * np.sin(2 * np.pi * place / boards.period + boards.phase)
        return mean * boards.factor * ring * factors(rng, self.swatch_sd, np.shape(mean))

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
    usual = {"volume_energy_j_mm3": rng.uniform(4.0, 7.0, len(SPECIES)),
             "threshold_j_mm2": rng.uniform(*threshold, len(SPECIES)),
             "saturation_mm": rng.uniform(*saturation, len(SPECIES)), "dwell": float(rng.uniform(*dwell))}
    return Truth(**usual | other)


def burned(rng, truth, boards=3, swatches=8, readings=3, missing=0.0, speeds=SPEEDS_MM_S, routes=(USUAL_ROUTE,), gross=0.0):
    """Burn boards of every species; return tidy readings and the true factor of each board.

    `boards` and `readings` may be (low, high), `missing` is the share of swatches not there: data as
    unbalanced as a workshop's. A board keeps at least three swatches. Swatches take the routes in turn,
    at the speeds that lay the same doses as the usual route does. A share `gross` of the readings is three times or a
    third of what the gauge said: a needle in a pore, a foot on char.
    """
    ladder = np.linspace(*speeds, swatches)
    ladder = np.round([speed * _times_usual(routes[i % len(routes)]) for i, speed in enumerate(ladder)])
    rows, board_factors = [], {}
    for species, name in enumerate(SPECIES):
        for number in range(_some(rng, boards)):
            board, wood = f"{species}-{number}", truth.boards(rng, species, 1)
            board_factors[board] = float(wood.factor[0])
            there = np.flatnonzero(rng.random(swatches) >= missing)
            there = np.arange(swatches) if len(there) < 3 else there
            depth = np.concatenate([truth.recess_mm(rng, species, ladder[i], wood, i, routes[i % len(routes)])
                                    for i in there])
            count = np.array([_some(rng, readings) for _ in there])
            i = np.repeat(np.arange(len(there)), count)
            read = truth.read(rng, depth[i])
            if gross:
                read = np.where(rng.random(len(i)) < gross, np.round(read * rng.choice([1 / 3, 3.0], len(i)), 2), read)
            rows.append(rows_of(truth, name, board, ladder[there][i], there[i], read, routes))
    return pd.concat(rows, ignore_index=True), board_factors


def line_energy_j_mm(readings) -> np.ndarray:
    """The regressor of these readings."""
    return (POWER_W / readings["speed_mm_s"]).to_numpy()


def _times_usual(route) -> float:
    """Return how much faster a route goes at the dose of the usual one."""
    power_pct, pitch, passes = route
    return power_pct / USUAL_ROUTE[0] * USUAL_PITCH_MM / pitch * passes


def _some(rng, number) -> int:
    return int(rng.integers(number[0], number[1] + 1)) if np.ndim(number) else number


def rows_of(truth, species, board, speed_mm_s, swatch, depth_mm, routes=(USUAL_ROUTE,)) -> pd.DataFrame:
    """Return tidy readings of the swatches of a board, which take the routes in turn."""
    route = np.array(routes)[np.asarray(swatch) % len(routes)]
    frame = pd.DataFrame({
        "burn": f"burn {board}", "species": species, "board": board, "module_w": MODULE_W,
        "wavelength_nm": WAVELENGTH_NM, "power_pct": route[:, 0], "speed_mm_s": speed_mm_s,
        "line_pitch_mm": route[:, 1], "passes": route[:, 2].astype(int),
        "swatch": [f"s{number}" for number in swatch], "depth_mm": depth_mm,
        "gauge_step_mm": truth.gauge_step_mm, "invented": "yes"})
    return frame.assign(reading=frame.groupby("swatch").cumcount() + 1)
