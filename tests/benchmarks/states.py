"""Do the settings land while a lens fades, after it was wiped, and under a new one? Prints a table, fails where not.

    .venv/bin/python tests/benchmarks/states.py [workshops]     (300)

Every workshop burns three boards of each of three woods, makes ten jobs from the fit's own promise in step, and then
what the case says. Its truth is not the model (`simulated_workshops`); a state of the machine multiplies the energy that
reaches the wood. `said 80 %` is the share of recesses inside their window among settings said to have 78 to 82 %, with
the machine as it then is; `plain` the same from a fit that knows of no state. `moved` is how far the depth at a given
setting moved by what the states say, on the mean over workshops of its size; `board %` what is said of the boards'
spread. A target counts as reached within two standard errors, taken between workshops.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")       # small matrices: threads only get in the way

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import scoring
from simulated_workshops import MODULE_W, SPECIES, USUAL_ROUTE, WAVELENGTH_NM, burned, draw_truth, rows_of

from testburn import depthfit, drift, energy
from testburn.job import promise

FIRST_SEED = 70_000
BURNED, FIRST_JOB, APART = pd.Timestamp(2025, 1, 10), pd.Timestamp(2025, 3, 1), pd.Timedelta(days=4)
WORK = pd.Timestamp(2025, 8, 1)
BEFORE, AFTER, FADED = 10, 8, 0.85
SPEEDS_MM_S = (90.0, 130.0, 190.0)


def in_state(truth, factor):
    """Return the truth where this share of the energy reaches the wood."""
    return replace(truth, threshold_j_mm2=truth.threshold_j_mm2 / factor,
                   volume_energy_j_mm3=truth.volume_energy_j_mm3 / factor)


def promised(fit):
    """Return what a fit promises of three speeds in each wood."""
    power, pitch, passes = USUAL_ROUTE
    rows = pd.DataFrame([{"species": wood, "module_w": MODULE_W, "wavelength_nm": WAVELENGTH_NM, "module": "",
                          "power_pct": power, "speed_mm_s": speed, "line_pitch_mm": pitch, "passes": passes,
                          "line_energy_j_mm": energy.line_energy(MODULE_W, power, speed, passes)}
                         for wood in SPECIES for speed in SPEEDS_MM_S])
    return promise.of(fit, rows)


def made(rng, truth, card, factors, start=FIRST_JOB, first=1):
    """Return finished jobs on a new board each, of three readings, made from a card's rows."""
    parts = []
    for place, factor in enumerate(factors):
        row, number = card.iloc[rng.integers(len(card))], first + place
        species, now = SPECIES.index(row["species"]), in_state(truth, factor)
        depth = now.recess_mm(rng, species, np.array([row["speed_mm_s"]]), now.boards(rng, species, 1))
        parts.append(pd.DataFrame({
            **row.drop(["board", "invented"]), "burn": f"job-{number:02d}", "board": f"J{number}", "swatch": "1", "reading": [1, 2, 3],
            "burned_on": start + place * APART, "depth_mm": truth.read(rng, np.repeat(depth, 3)),
            "gauge_step_mm": truth.gauge_step_mm, "invented": "yes"}))
    return pd.concat(parts, ignore_index=True)


def log_of(done, day=WORK):
    return pd.DataFrame([{"day": day, "module": "", "done": done, "new_state": "", "note": "", "invented": "yes"}])


@dataclass(frozen=True, eq=False)
class Workshop:
    """One workshop up to the jobs that were in step."""

    rng: np.random.Generator
    truth: object
    readings: pd.DataFrame
    factors: dict
    plain: depthfit.DepthFit
    jobs: pd.DataFrame

    @classmethod
    def of(cls, seed):
        rng = np.random.default_rng(seed)
        truth = draw_truth(rng)
        readings, factors = burned(rng, truth)
        readings = readings.assign(burned_on=BURNED)
        fit = depthfit.fit(readings)
        return cls(rng, truth, readings, factors, fit, made(rng, truth, promised(fit), np.ones(BEFORE)))

    def later(self, factors):
        """Return its jobs, and more after them from the same card."""
        more = made(self.rng, self.truth, promised(self.plain), factors, FIRST_JOB + BEFORE * APART, BEFORE + 1)
        return pd.concat([self.jobs, more], ignore_index=True)

    def said(self, fit, factor):
        """Return whether recesses land of settings that are said to have 80 %, each wood in turn."""
        return np.concatenate([scoring.unseen(self.rng, in_state(self.truth, factor), fit, species)["said 80 %"]
                               for species in range(len(SPECIES))])

    def checked(self, factor, board="0-0", day=WORK):
        """Return three swatches burned again on a board, a new one where it has no such name."""
        now, rng = in_state(self.truth, factor), self.rng
        boards = now.boards(rng, 0, 1)
        boards.factor[:] = self.factors.get(board, boards.factor[0])
        recess = np.concatenate([now.recess_mm(rng, 0, np.array([speed]), boards, place)
                                 for place, speed in enumerate(SPEEDS_MM_S)])
        number = np.repeat(np.arange(3), 3)
        rows = rows_of(self.truth, SPECIES[0], board, np.array(SPEEDS_MM_S)[number], number,
                       self.truth.read(rng, recess[number]))
        return rows.assign(burn="check", burned_on=day)


def called(shop):
    """A 15 % fade: whether it is called, and what the settings are worth then."""
    jobs = shop.later(np.full(AFTER, FADED))
    past = drift.past(jobs)
    if not len(past.called):
        return {"called": [0.0]}
    fit = depthfit.fit(shop.readings, past)
    return {"called": [1.0], "said 80 %": shop.said(fit, FADED), "plain": shop.said(shop.plain, FADED),
            "sd": [100 * np.sqrt(fit.modules[fit.groups[0].module_key].covariance[-1, -1])]}


def checked(shop, cured=1.0, board="0-0"):
    """The same fade, the lens wiped, and a check: whether settings land again."""
    jobs = shop.later(np.full(AFTER, FADED))
    readings = pd.concat([shop.readings, shop.checked(cured, board)], ignore_index=True)
    past = drift.past(jobs, log_of("lens wiped"))
    fit = depthfit.fit(readings, past)
    known = fit.modules[fit.groups[0].module_key]
    return {"called": [float(len(past.called))], "said 80 %": shop.said(fit, cured),
            "sd": [100 * np.sqrt(known.covariance[-1, -1])], "moved": [100 * abs(np.exp(known.mean[-1]) / cured - 1)]}


def in_step(shop):
    """Twenty jobs in step: how far settings move for nothing."""
    past = drift.past(shop.later(np.ones(AFTER)))
    fit = depthfit.fit(shop.readings, past)
    move = max(abs(fit.machine_factor(group) - 1) for group in fit.groups)
    return {"called": [float(len(past.called))], "moved": [100 * move], "moved over 5 %": [float(move > 0.05)],
            "said 80 %": shop.said(fit, 1.0)}


def changed(shop):
    """A new lens by the log, two boards of each wood under it: what is said of the boards, and of the lens."""
    factor = float(np.exp(shop.rng.normal(0, 0.15)))
    more, _ = burned(shop.rng, in_state(shop.truth, factor), boards=2)
    more = more.assign(burned_on=WORK, board="new " + more["board"], burn="new " + more["burn"])
    readings = pd.concat([shop.readings, more], ignore_index=True)
    logged, silent = depthfit.fit(readings, drift.past(shop.jobs, log_of("lens changed"))), depthfit.fit(readings)
    spread = {name: fit.woods["board_pct"].mean() for name, fit in (("before", shop.plain), ("logged", logged), ("silent", silent))}
    return {"board % before": [spread["before"]], "board %": [spread["logged"]], "board % unlogged": [spread["silent"]],
            "said 80 %": shop.said(logged, factor), "plain": shop.said(silent, factor),
            "moved": [100 * abs(logged.machine_factor(logged.groups[0]) / factor - 1)]}


def unchecked(shop):
    """A new lens by the log and nothing burned under it: every interval is wider by what is not known."""
    factor = float(np.exp(shop.rng.normal(0, 0.15)))
    fit = depthfit.fit(shop.readings, drift.past(shop.jobs, log_of("lens changed")))
    held = [scoring.unseen(shop.rng, in_state(shop.truth, factor), fit, species)["holds"] for species in range(len(SPECIES))]
    return {"holds": np.concatenate(held)}


@dataclass(frozen=True)
class Case:
    """Workshops of one kind, and what they must reach: quantity → (least, most)."""

    name: str
    score: Callable
    targets: dict[str, tuple[float, float]]


CASES = (
    Case("15 % fade, 8 jobs on", called, {"said 80 %": (0.74, 0.88)}),
    Case("wiped, checked on the check board", checked, {"said 80 %": (0.74, 0.88), "sd": (0, 6)}),
    Case("wiped, checked on a new board", lambda shop: checked(shop, board="new"), {"said 80 %": (0.74, 0.88)}),
    Case("wiped in vain, checked on the check board", lambda shop: checked(shop, FADED), {"said 80 %": (0.74, 0.88)}),
    Case("no fade, 18 jobs", in_step, {"moved": (0, 1), "moved over 5 %": (0, 0.1), "called": (0, 0.05), "said 80 %": (0.74, 0.88)}),
    Case("lens changed by the log, 2 boards", changed, {"said 80 %": (0.74, 0.88)}),
    Case("lens changed by the log, nothing burned", unchecked, {"holds": (0.93, 1)}),
)


def reached(case, workshops):
    """Return quantity → (mean, standard error between workshops)."""
    found = [case.score(Workshop.of(FIRST_SEED + seed)) for seed in range(workshops)]
    names = dict.fromkeys(name for one in found for name in one)
    table = {}
    for name in names:
        means = np.array([np.mean(one[name]) for one in found if len(one.get(name, ()))])
        table[name] = (float(means.mean()), float(means.std(ddof=1) / np.sqrt(len(means))) if len(means) > 1 else np.nan)
    return table


def missed(case, found):
    """Return what of a case's targets is missed by more than two standard errors."""
    out = [f"{name} {found[name][0]:.3f}, not {low:g} to {high:g}" for name, (low, high) in case.targets.items()
           if not low - 2 * found[name][1] <= found[name][0] <= high + 2 * found[name][1]]
    if "board % before" in found and found["board %"][0] > found["board % before"][0] + 1:
        out.append("the boards' spread grew by a lens that was logged")
    return out


if __name__ == "__main__":
    workshops, faults = int(sys.argv[1]) if len(sys.argv) > 1 else 300, []
    for case in CASES:
        found = reached(case, workshops)
        print(case.name + ": " + ", ".join(f"{name} {mean:.3f} ± {error:.3f}" for name, (mean, error) in found.items()), flush=True)
        faults += [f"{case.name}: {words}" for words in missed(case, found)]
    print("\n".join(faults) or "every target is reached")
    sys.exit(bool(faults))
