"""Scores of one simulated workshop: what was promised of boards, routes and proofs, and what came.

Each function takes a random generator, the truth and the fit, and returns quantity → one entry a try:
hits (holds, lands, warned, …) or widths over the depth. Means over workshops are the benchmark's table.
"""

import numpy as np
import pandas as pd
from scipy import special
from simulated_workshops import MODULE_W, SPECIES, SPEEDS_MM_S, USUAL_ROUTE, rows_of

from testburn import energy
from testburn.depthfit import NEXT, compare
from testburn.job import settings
from testburn.labbook import Machine

NEW_BOARDS, WINDOW = 20, 0.15
SAID = (0.78, 0.82)
SURE = special.ndtri(0.975)


def joules(speed_mm_s, route=USUAL_ROUTE):
    """Return the line energy of speeds on a route."""
    return energy.line_energy(MODULE_W, route[0], np.asarray(speed_mm_s, float), route[2])


def asked(fit, species, speed_mm_s, route=USUAL_ROUTE, of="reading", board=NEXT):
    """Return the predictive distribution at speeds on a route, and where it says it is outside."""
    group = fit.group(SPECIES[species], MODULE_W)
    return fit.predictive(group, joules(speed_mm_s, route), route[1], of, board,
                          power_pct=route[0], passes=route[2])[:2]


def speeds_for(fit, species, route) -> tuple[float, float]:
    """Return the slowest and fastest speed on a route whose dose lies inside the burns."""
    low, high = fit.group(SPECIES[species], MODULE_W).doses
    at = MODULE_W * route[0] / 100 * route[2] / route[1]
    return at / high, at / low


def unseen(rng, truth, fit, species, route=USUAL_ROUTE) -> dict[str, np.ndarray]:
    """Score four readings each of new boards, at random speeds inside the burns, and windows said 80 %."""
    slow, fast = speeds_for(fit, species, route)
    speed = np.sort(rng.uniform(slow, fast, 4 * NEW_BOARDS))
    boards = truth.boards(rng, species, NEW_BOARDS)[np.tile(np.arange(NEW_BOARDS), 4)]
    depth = truth.read(rng, truth.recess_mm(rng, species, speed, boards, rng.uniform(0, 20, len(speed)), route))
    expected, outside = asked(fit, species, speed, route)
    lower, upper = expected.limits(0.95)
    true = truth.depth_mm(species, speed, route)
    board_sd = truth.board_sd[species] if np.ndim(truth.board_sd) else truth.board_sd
    best = board_sd**2 + truth.swatch_sd**2 + truth.reading_sd**2 + (truth.gauge_noise_mm / true) ** 2
    return {"holds": (depth >= lower) & (depth <= upper), "width": (upper - lower) / expected.depth_mm,
            "oracle width": 2 * SURE * np.sqrt(best), "flagged": outside,
            "said 80 %": _said(rng, truth, fit, species, route, slow, fast)}


def _said(rng, truth, fit, species, route, slow, fast):
    """Score windows of many widths: eight recesses for each setting said to have about 80 %."""
    speed, hits = np.linspace(slow, fast, 40), []
    expected, _ = asked(fit, species, speed, route, "swatch")
    for target in truth.depth_mm(species, rng.uniform(slow + 0.1 * (fast - slow), 0.85 * fast, 6), route):
        share = rng.uniform(0.08, 0.35)
        chance = expected.chance_inside(target * (1 - share), target * (1 + share))
        at = np.repeat(speed[(chance > SAID[0]) & (chance < SAID[1])], 8)
        recess = truth.recess_mm(rng, species, at, truth.boards(rng, species, len(at)),
                                 rng.uniform(0, 20, len(at)), route)
        hits.append(np.abs(recess / target - 1) <= share)
    return np.concatenate(hits)


def plain(rng, truth, readings, species) -> dict[str, np.ndarray]:
    """Score ordinary least squares of one wood on its own line energies."""
    mine = readings[readings["species"] == SPECIES[species]]
    line = compare.fitted(joules(mine["speed_mm_s"]), mine["depth_mm"], relative=False)
    speed = rng.uniform(*SPEEDS_MM_S, 4 * NEW_BOARDS)
    depth = truth.read(rng, truth.recess_mm(rng, species, speed, truth.boards(rng, species, len(speed))))
    lower, upper = compare.interval(line, joules(speed), 0.95)
    return {"plain holds": (depth >= lower) & (depth <= upper),
            "plain width": (upper - lower) / np.maximum(line.mean(joules(speed)), 0.02)}


def first_choice(rng, truth, fit, species, burned, powers, pitches) -> dict[str, np.ndarray]:
    """Score whether the first row of a choice is a route that was burned."""
    slow, fast = speeds_for(fit, species, burned[0])
    target = truth.depth_mm(species, rng.uniform(1.3 * slow, 0.85 * fast), burned[0])
    found = settings.choose(fit, SPECIES[species], MODULE_W, target * (1 - WINDOW), target * (1 + WINDOW),
                            Machine(powers_pct=powers, line_pitches_mm=pitches))
    first = (found["power_pct"][0], found["line_pitch_mm"][0], found["passes"][0])
    return {"first row burned": np.array([any(np.allclose(first, route) for route in burned)])}


def aimed(fit, species, targets_mm, board=NEXT) -> np.ndarray:
    """Return the speed with the best chance of each target's window."""
    speed = np.arange(SPEEDS_MM_S[0], SPEEDS_MM_S[1] + 1)
    expected, _ = asked(fit, species, speed, USUAL_ROUTE, "swatch", board)
    chance = [expected.chance_inside(t * (1 - WINDOW), t * (1 + WINDOW)) for t in targets_mm]
    return speed[np.argmax(chance, axis=1)]


def tries(rng, truth, fit, species) -> dict[str, np.ndarray]:
    """Score one try for a target on each new board, and another after one proof swatch at that setting."""
    boards = truth.boards(rng, species, NEW_BOARDS)
    target = truth.depth_mm(species, rng.uniform(80, 240, NEW_BOARDS))
    first = aimed(fit, species, target)
    recess = truth.recess_mm(rng, species, first, boards)
    known = fit.proved(proof_rows(rng, truth, species, recess, first, USUAL_ROUTE))
    again = np.concatenate([aimed(known, species, [one], _name(n)) for n, one in enumerate(target)])
    return {"first try": np.abs(truth.recess_mm(rng, species, first, boards) / target - 1) <= WINDOW,
            "after a proof": np.abs(truth.recess_mm(rng, species, again, boards) / target - 1) <= WINDOW}


def _name(number) -> str:
    return f"new {number}"


def proof_rows(rng, truth, species, recess_mm, speed_mm_s, route, number=1) -> pd.DataFrame:
    """Return three readings of a proof swatch on each board."""
    each, count = range(len(recess_mm)), 3 * len(recess_mm)
    depth = np.concatenate([truth.read(rng, np.full(3, depth)) for depth in recess_mm])
    speed = np.repeat(np.broadcast_to(speed_mm_s, np.shape(recess_mm)), 3)
    return rows_of(truth, SPECIES[species], np.repeat([_name(n) for n in each], 3), speed, np.zeros(count, int), depth, (route,)).assign(
        burn=np.repeat([f"proof {n}" for n in each], 3), swatch=f"p{number}", reading=np.tile([1, 2, 3], len(each)))


def proved(rng, truth, fit, species, proof=(130.0, USUAL_ROUTE), job=(130.0, USUAL_ROUTE), proofs=1,
           factor=1.0, boards=5) -> dict[str, np.ndarray]:
    """Score one job on each of several boards after so many proofs there, each at its own place."""
    own = truth.boards(rng, species, boards)
    own.factor[:] = own.factor if factor == 1.0 else factor
    found = {}
    for number in range(1, proofs + 1):
        recess = truth.recess_mm(rng, species, np.full(boards, proof[0]), own, rng.uniform(0, 20, boards), proof[1])
        rows = proof_rows(rng, truth, species, np.maximum(recess, 0.04), proof[0], proof[1], number)
        fit = fit.proved(rows.assign(depth_mm=rows["depth_mm"].clip(lower=0.02)))
        told = fit.proofs.set_index("board")["warning"] != ""
        found[f"warned after {number}"] = told[[_name(n) for n in range(boards)]].to_numpy()
    recess = truth.recess_mm(rng, species, np.full(boards, job[0]), own, rng.uniform(0, 20, boards), job[1])
    depth = truth.read(rng, recess)
    held = [asked(fit, species, [job[0]], job[1], "reading", _name(n))[0] for n in range(boards)]
    lower, upper = (np.concatenate([one.limits(0.95)[side] for one in held]) for side in (0, 1))
    warned = np.array([found[f"warned after {number}"] for number in range(1, proofs + 1)], int)
    middle = np.concatenate([one.depth_mm for one in held])
    return found | {"holds": (depth >= lower) & (depth <= upper), "width": (upper - lower) / middle,
                    "oracle width": _oracle_after(truth, species, job, proofs, boards),
                    "warning faded": (np.diff(warned, axis=0) < 0).any(axis=0) if proofs > 1 else np.zeros(boards)}


def _oracle_after(truth, species, job, proofs, boards):
    """Return the width of one who knows all but the board's factor, after proofs at one setting."""
    gauge = (truth.gauge_noise_mm / truth.depth_mm(species, job[0], job[1])) ** 2
    board_sd = truth.board_sd[species] if np.ndim(truth.board_sd) else truth.board_sd
    one = (truth.swatch_sd**2 + (truth.reading_sd**2 + gauge) / 3) / proofs
    left = board_sd**2 * one / (board_sd**2 + one)
    return np.full(boards, 2 * SURE * np.sqrt(left + truth.swatch_sd**2 + truth.reading_sd**2 + gauge))


def faint(rng, truth, fit, species, depths_mm=(0.04, 0.08)) -> dict[str, np.ndarray]:
    """Score readings where the average board gets a faint mark; an entry for each of the depths."""
    grid = np.linspace(200, 560, 2000)
    curve, found = truth.depth_mm(species, grid), {}
    for depth_mm in depths_mm:
        speed = np.interp(-depth_mm, -curve, grid)
        recess = truth.recess_mm(rng, species, np.full(NEW_BOARDS, speed), truth.boards(rng, species, NEW_BOARDS))
        read = truth.read(rng, recess)
        expected, _ = asked(fit, species, [speed])
        lower, upper = expected.limits(0.95)
        found |= {f"holds at {depth_mm:g} mm": (read >= lower) & (read <= upper),
                  f"bias at {depth_mm:g} mm": expected.depth_mm - depth_mm}
    return found
