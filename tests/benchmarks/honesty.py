"""Do the intervals hold on boards the fit has never seen? Prints a table, and fails where they do not.

    .venv/bin/python tests/benchmarks/honesty.py [workshops]        (150, about two minutes)

Every workshop burns three species with one module: 8 swatches a board at 60 to 280 mm/s, 3 readings
a swatch. It is scored on 20 new boards a species. `inside` is the share of readings of new boards, at
random speeds, inside their 95 % interval, `width` the mean width of that interval over the depth.
A try lands when the true recess on that board is within 15 % of a target that the average board reaches
at 80 to 240 mm/s; the setting is the one with the best `chance_inside`. `first try` is without,
`after a proof` with one proof swatch of three readings, burned at that first setting. `said 80 %` is the
share of recesses inside their window among settings and windows said to have 78 to 82 %; from one board
the chance leans to the safe side (about 0.88 land), because how boards differ is then all prior. The
plain column is ordinary least squares of one species: its interval, and its line solved for the target.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")       # small matrices: threads only get in the way

import sys
import time
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from simulated_workshops import POWER_W, SPECIES, SPEEDS_MM_S, burned, draw_truth, factors, line_energy_j_mm

from testburn.depthfit import boards, curves, leastsquares, swatches

FIRST_SEED, NEW_BOARDS, WINDOW = 10_000, 20, 0.15
GRID = POWER_W / np.arange(SPEEDS_MM_S[0], SPEEDS_MM_S[1] + 1)
SAID = (0.78, 0.82)


@dataclass(frozen=True)
class Case:
    """Workshops of one kind, and what they must reach: quantity → (least, most)."""

    name: str
    boards: int | tuple[int, int]
    targets: dict[str, tuple[float, float]]
    truth: dict = field(default_factory=dict)
    burn: dict = field(default_factory=dict)


CALIBRATED = {"said 80 %": (0.76, 0.88)}
CASES = (
    Case("1 board", 1, {"inside": (0.95, 0.99), "width": (0, 0.80)}),
    Case("2 boards", 2, {"inside": (0.945, 0.985), "width": (0, 0.60)} | CALIBRATED),
    Case("3 boards", 3, {"inside": (0.945, 0.98), "width": (0, 0.54), "first try": (0.79, 1),
                         "after a proof": (0.98, 1)} | CALIBRATED),
    Case("5 boards", 5, {"inside": (0.94, 0.975), "width": (0, 0.49)} | CALIBRATED),
    Case("3 boards, sd 4 %", 3, {"inside": (0.90, 1)}, {"board_sd": 0.04}),
    Case("3 boards, sd 18 %", 3, {"inside": (0.90, 1)}, {"board_sd": 0.18}),
    Case("unbalanced", (1, 4), {"inside": (0.93, 1)} | {
        f"inside, {count} board{'s' * (count > 1)}": (0.93, 1) for count in range(1, 5)},
        burn={"readings": (1, 5), "missing": 0.2}),
)
SHOWN = ("inside", "width", "first try", "after a proof", "said 80 %")


def aimed(fit, state, targets_mm):
    """Return the line energy with the best chance of each target's window."""
    expected = boards.predictive(fit, state, GRID, "swatch")
    chance = [expected.chance_inside(t * (1 - WINDOW), t * (1 + WINDOW)) for t in targets_mm]
    return GRID[np.argmax(chance, axis=1)]


def score(case: Case, seed: int) -> dict[str, np.ndarray]:
    """Score one workshop: quantity → hits or widths, one a try."""
    rng = np.random.default_rng(seed)
    truth = draw_truth(rng, **case.truth)
    readings, _ = burned(rng, truth, case.boards, **case.burn)
    fit = curves.fitted(swatches.reduced(readings, line_energy_j_mm(readings)))
    found = []
    for group, name in enumerate(fit.swatches.group_keys["species"]):
        species, mine = SPECIES.index(name), readings[readings["species"] == name]
        plain = leastsquares.fitted(line_energy_j_mm(mine), mine["depth_mm"], relative=False)
        factor = factors(rng, truth.board_sd, NEW_BOARDS)
        inside = score_readings(rng, truth, fit, group, species, factor, plain)
        count = mine["board"].nunique()
        inside[f"inside, {count} board{'s' * (count > 1)}"] = inside["inside"]
        found += [inside, score_tries(rng, truth, fit, group, species, factor, plain),
                  score_chances(rng, truth, fit, group, species)]
    keys = {key for part in found for key in part}
    return {key: np.concatenate([part[key] for part in found if key in part]) for key in keys}


def score_readings(rng, truth, fit, group, species, factor, plain):
    """Score single readings, four of each new board."""
    speed = rng.uniform(*SPEEDS_MM_S, (len(factor), 4))
    depth = truth.read(rng, truth.recess_mm(rng, species, speed, factor[:, None])).ravel()
    energy = POWER_W / speed.ravel()
    expected = boards.predictive(fit, boards.next_board(fit, group), energy)
    lower, upper = expected.limits(0.95)
    plain_lower, plain_upper = leastsquares.interval(plain, energy, 0.95)
    return {"inside": (depth >= lower) & (depth <= upper),
            "width": (upper - lower) / expected.depth_mm,
            "plain inside": (depth >= plain_lower) & (depth <= plain_upper),
            "plain width": (plain_upper - plain_lower) / np.maximum(plain.mean(energy), 0.02)}


def score_tries(rng, truth, fit, group, species, factor, plain):
    """Score one try for a target on each new board, and another after one proof swatch."""
    target = truth.depth_mm(species, rng.uniform(80, 240, len(factor)))
    state = boards.next_board(fit, group)

    def lands(energy):
        return np.abs(truth.recess_mm(rng, species, POWER_W / energy, factor) / target - 1) <= WINDOW

    first = aimed(fit, state, target)
    proof = truth.recess_mm(rng, species, POWER_W / first, factor)
    read = truth.read(rng, np.repeat(proof[:, None], 3, axis=1)).mean(axis=1)
    again = np.concatenate([aimed(fit, boards.proved(fit, state, x, mean, 3), [aim])
                            for x, mean, aim in zip(first, read, target)])
    intercept, slope = plain.coefficients
    solved = np.clip((target - intercept) / slope, GRID.min(), GRID.max())
    return {"first try": lands(first), "after a proof": lands(again), "plain first try": lands(solved)}


def score_chances(rng, truth, fit, group, species):
    """Score windows of many widths: eight recesses for each setting said to have about 80 %."""
    grid, hits = GRID[::4], []
    expected = boards.predictive(fit, boards.next_board(fit, group), grid, "swatch")
    for target in truth.depth_mm(species, rng.uniform(80, 240, 6)):
        share = rng.uniform(0.08, 0.35)
        chance = expected.chance_inside(target * (1 - share), target * (1 + share))
        energy = np.repeat(grid[(chance > SAID[0]) & (chance < SAID[1])], 8)
        recess = truth.recess_mm(rng, species, POWER_W / energy,
                                 factors(rng, truth.board_sd, energy.shape))
        hits.append(np.abs(recess / target - 1) <= share)
    return {"said 80 %": np.concatenate(hits)}


def reached(case: Case, workshops: int) -> dict[str, float]:
    """Return the mean of every quantity over the workshops."""
    scores = [score(case, FIRST_SEED + number) for number in range(workshops)]
    keys = {key for one in scores for key in one}
    return {key: float(np.mean(np.concatenate([one[key] for one in scores if key in one])))
            for key in sorted(keys)}


def rows(case: Case, found: dict[str, float]) -> list[dict]:
    """Return a row per quantity: what was reached, what must be, and what plain least squares gets."""
    out = []
    for quantity in dict.fromkeys([*SHOWN, *case.targets]):
        low, high = case.targets.get(quantity, (-np.inf, np.inf))
        wanted = (f"{low:g} to {high:g}" if low > 0 and high < 1 else f"at least {low:g}" if high == 1
                  else f"at most {high:g}") if quantity in case.targets else ""
        value = found[quantity]
        out.append({"workshops with": case.name, "quantity": quantity, "reached": f"{value:.3f}",
                    "target": wanted, "verdict": "" if not wanted else
                    "reached" if low <= value <= high else "MISSED",
                    "plain": f"{found['plain ' + quantity]:.3f}" if "plain " + quantity in found else ""})
    return out


def main(workshops: int = 150) -> int:
    """Print the table; return how many targets were missed."""
    began = time.perf_counter()
    table = pd.DataFrame([row for case in CASES for row in rows(case, reached(case, workshops))])
    table.loc[table["workshops with"].duplicated(), "workshops with"] = ""
    missed = int((table["verdict"] == "MISSED").sum())
    print(table.to_string(index=False))
    print(f"{workshops} workshops a case, {time.perf_counter() - began:.0f} s, "
          f"{missed or 'no'} target{'s' * (missed != 1)} missed")
    return missed


if __name__ == "__main__":
    sys.exit(1 if main(*map(int, sys.argv[1:2])) else 0)
