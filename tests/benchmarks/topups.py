"""Are recesses that are topped up inside, and planned ones? Prints a table, fails where not.

    .venv/bin/python tests/benchmarks/topups.py [workshops] [words of a case]     (300)

Every workshop burns three boards of each of three woods; its truth is not the model (`simulated_workshops`). The window is
±15 % of a depth drawn from what was burned. A second pass is truly 5 to 20 % weaker than its energy says, drawn for each
recess, and its increment scatters as a swatch. `topped up`: pieces burned with the fastest good setting that measure too
shallow get their second pass; `planned`: the first pass aims as `firstpiece.planned` says. `outside` is the share of
recesses that end outside by their true depth; `said` and `landed` are of the second passes. A target counts as reached
within two standard errors, taken between workshops.

With `recorded`, so many second passes of each wood were recorded before, on other boards.

Measured, 300 workshops, boards differing by 9 %: of recesses topped up 0.2 in 100 end outside, of planned ones 3.4; second
passes said to land 97.9 do in 99.5. Boards differing by 18 %: 0.5 and 5.4, said 96.3, landed 99.0. With six second passes
recorded, 9 %: 0.0 and 1.0, said 99.4, landed 99.7. Of 15 workshops only, where the first mark is always paid again, 9 and
18 %: said 97.5 and 95.4, landed 85 and 81; of 100 with six second passes recorded, 9 %: 0.0 and 2.1, said 99.4, landed 99.4
(30 without records: 4.5 and 13.7, said 97.9, landed 86.2).
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")       # small matrices: threads only get in the way

import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd
from simulated_workshops import MODULE_W, POWER_W, SPECIES, USUAL_PITCH_MM, USUAL_ROUTE, burned, draw_truth, factors

from testburn import depthfit
from testburn.job import firstpiece, settings
from testburn.labbook import Machine, columns

FIRST_SEED, PIECES, HALF = 90_000, 12, 0.15


@dataclass(frozen=True)
class Case:
    """Workshops of one kind: how boards differ, how fast the head goes, whether a second pass pays the first mark again,
    and the most that may end outside, topped up and planned, and the most that said and landed may differ by.

    The bars of the first two are asked for. Those of the others are our own: of a second pass that pays the first mark
    again, which is counted with one chance in four, they say how far the promise gives before burns with two passes tell.
    """

    board_sd: float
    most: tuple[float, float]
    top_mm_s: float = 2000
    again: bool = False
    most_off: float = 0.06
    recorded: int = 0

    @property
    def name(self) -> str:
        usual = self.top_mm_s == 2000 and not self.again
        return (f"boards differ by {100 * self.board_sd:.0f} %" + ", as asked" * usual + f", head to {self.top_mm_s:g} mm/s" * (self.top_mm_s < 2000)
                + ", the first mark paid again" * self.again + f", {self.recorded} second passes recorded" * bool(self.recorded))

    @property
    def machine(self) -> Machine:
        return Machine(min_speed_mm_s=20, max_speed_mm_s=self.top_mm_s)


CASES = (Case(0.09, (1 / 30, 1 / 30)), Case(0.18, (1 / 30, 1 / 18)), Case(0.09, (1 / 30, 1 / 15), 600),
         Case(0.18, (1 / 30, 1 / 8), 600), Case(0.09, (1 / 10, 1 / 5), again=True, most_off=0.15),
         Case(0.18, (1 / 7, 1 / 4), again=True, most_off=0.15),
         Case(0.09, (1 / 30, 1 / 30), recorded=6), Case(0.09, (1 / 20, 1 / 15), again=True, recorded=6))


def recess(rng, truth, species, boards, speed):
    return float(truth.recess_mm(rng, species, np.array([float(speed)]), boards)[0])


def topped(rng, truth, species, boards, first_mm, first_speed, second_speed, again, lost=None):
    """Return the true depth after a second pass that loses 5 to 20 % of its energy, or `lost`, and may pay the first mark again."""
    more = (1 - (rng.uniform(0.05, 0.20) if lost is None else lost)) * POWER_W / second_speed
    paid = truth.threshold_j_mm2[species] * boards.threshold[0] * USUAL_PITCH_MM * again
    dose = POWER_W / first_speed + max(more - paid, 0.0)
    deeper, before = (float(truth.depth_mm(species, POWER_W / energy, slope=boards.slope[0], threshold=boards.threshold[0]))
                      for energy in (dose, POWER_W / first_speed))
    return first_mm + (first_mm * deeper / before - first_mm) * float(factors(rng, truth.swatch_sd, ()))


def measured(rng, truth, depth_mm):
    return float(np.mean(truth.read(rng, np.full(3, depth_mm))))


def recorded(rng, truth, fit, species, low, high, case, lost=None, count=None):
    """Return second passes of pieces that came out shallow, each on its board, as `jobs.second_passes` gives them."""
    group = fit.group(SPECIES[species], MODULE_W)
    setting = settings.for_group(fit, group, low, high, case.machine).iloc[0]
    rows = []
    while len(rows) < (case.recorded if count is None else count):
        boards = truth.boards(rng, species, 1)
        depth = recess(rng, truth, species, boards, setting["speed_mm_s"])
        if (seen := measured(rng, truth, depth)) < 0.97 * (low + high) / 2:
            second = firstpiece.top_up(fit, setting, max(seen, 0.01), low, high, case.machine)["speed_mm_s"]
            after = topped(rng, truth, species, boards, depth, setting["speed_mm_s"], second, case.again, lost)
            rows.append({name: getattr(group, name) for name in columns.GROUP_KEY} | {
                "board": f"R{len(rows)}", "passes": 1, "power_pct": setting["power_pct"], "line_pitch_mm": setting["line_pitch_mm"],
                "first_speed_mm_s": setting["speed_mm_s"], "speed_mm_s": second, "before_mm": seen, "before_readings": 3,
                "depth_mm": measured(rng, truth, after), "readings": 3})
    return pd.DataFrame(rows)


def one(seed, case):
    """Return for one workshop: of the topped up and of the planned, whether each ended outside; and said with landed."""
    rng = np.random.default_rng(seed)
    truth = draw_truth(rng, board_sd=case.board_sd)
    readings, _ = burned(rng, truth)
    fit = depthfit.fit(readings)
    found = {"topped up": [], "planned": [], "said": [], "landed": [], "planned said": []}
    for species, wood in enumerate(SPECIES):
        group = fit.group(wood, MODULE_W)
        middle = float(rng.uniform(*np.quantile(group.readings["depth_mm"], [0.3, 0.7])))
        low, high = middle * (1 - HALF), middle * (1 + HALF)
        choice = settings.for_group(fit, group, low, high, case.machine).iloc[0]
        # Drawn from a stream of its own, so that the pieces are the same with and without records.
        loses = firstpiece.second(fit, group, recorded(np.random.default_rng([seed, species]), truth, fit, species, low, high, case))
        plan = firstpiece.planned(fit, choice, low, high, case.machine, loses=loses)
        begun = choice.copy()
        begun["speed_mm_s"], begun["line_energy_j_mm"] = plan["speed_mm_s"], MODULE_W * USUAL_ROUTE[0] / 100 / plan["speed_mm_s"]
        found["planned said"].append(plan["chance_inside"])
        for _ in range(PIECES):
            for kind, setting in (("topped up", choice), ("planned", begun)):
                boards = truth.boards(rng, species, 1)
                depth = recess(rng, truth, species, boards, setting["speed_mm_s"])
                seen = measured(rng, truth, depth)
                if seen < low:
                    more = firstpiece.top_up(fit, setting, max(seen, 0.01), low, high, case.machine, loses=loses)
                    depth = topped(rng, truth, species, boards, depth, setting["speed_mm_s"], more["speed_mm_s"], case.again)
                    found["said"].append(more["chance_inside"])
                    found["landed"].append(low <= depth <= high)
                    if kind == "topped up":
                        found[kind].append(not low <= depth <= high)
                if kind == "planned":
                    found[kind].append(not low <= depth <= high)
    return {name: np.array(values, float) for name, values in found.items()}


def reached(workshops, case):
    """Return quantity → (mean, standard error between workshops)."""
    shops = [one(FIRST_SEED + seed, case) for seed in range(workshops)]
    found = {}
    for name in shops[0]:
        parts = [shop[name] for shop in shops if len(shop[name])]
        means, weights = np.array([part.mean() for part in parts]), np.array([len(part) for part in parts], float)
        middle = (means * weights).sum() / weights.sum()
        found[name] = middle, float(np.sqrt((weights**2 * (means - middle)**2).sum()) / weights.sum())
    return found


def main(workshops: int = 300, *words: str) -> int:
    missed = 0
    for case in (case for case in CASES if not words or any(word in case.name for word in words)):
        found = reached(workshops, case)
        print(f"{case.name}: " + ", ".join(
            f"{name} {value:.3f} ± {error:.3f}" for name, (value, error) in found.items()), flush=True)
        for name, bar in zip(("topped up", "planned"), case.most):
            value, error = found[name]
            if value > bar + 2 * error:
                missed += 1
                print(f"  MISSED: of {name} {value:.3f} end outside, at most {bar:.3f}")
        if abs(found["said"][0] - found["landed"][0]) > case.most_off + 2 * found["landed"][1]:
            missed += 1
            print(f"  MISSED: said and landed differ by more than {100 * case.most_off:.0f} points")
    print("every target is reached" if not missed else f"{missed} targets missed")
    return int(bool(missed))


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    sys.exit(main(*(numbers or [300]), *(word for word in sys.argv[1:] if not word.isdigit())))
