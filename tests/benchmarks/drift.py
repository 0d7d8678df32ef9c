"""How often do the drift checks cry wolf, and how often do they see a fade? Prints the table.

Run `python tests/benchmarks/drift.py [WORKSHOPS]`. A simulated workshop makes jobs from one card of two
woods. Boards scatter by 9 %, the curves are off by 4 %, recesses by 4 %, readings by 3 % (three of them);
what the promise thinks these are is itself off, as an estimate of 12 degrees of freedom is.
"""

import sys

import numpy as np
import pandas as pd

from testburn import drift

TRUTH = {"curve_sd": 0.04, "board_sd": 0.09, "swatch_sd": 0.04, "reading_sd": 0.03}
DF = 12.0
READINGS, EXPECTED_MM, GAUGE_MM = 3, 0.6, 0.015
WOODS = ("white oak", "sugar maple")


def jobs_of(dice, boards, factors, woods=WOODS):
    """Return finished jobs: `boards` names the board of each job, `factors` what else moves it."""
    board_of = {board: dice.normal(0, TRUTH["board_sd"]) for board in dict.fromkeys(boards)}
    curve_of = {wood: dice.normal(0, TRUTH["curve_sd"]) for wood in woods}
    # The lab book's components have one common error of scale.
    told = {name: sd * np.sqrt(dice.chisquare(DF) / DF) for name, sd in TRUTH.items()}
    rows = []
    for place, (board, factor) in enumerate(zip(boards, factors)):
        wood = woods[board % len(woods)]
        floor = EXPECTED_MM * factor * np.exp(
            board_of[board] - curve_of[wood] + dice.normal(0, TRUTH["swatch_sd"]))
        depths = (floor * (1 + dice.normal(0, TRUTH["reading_sd"], READINGS))
                  + dice.normal(0, GAUGE_MM, READINGS))
        rows += [dict(burn=f"job-{place + 1:02d}", board=f"B{board}", species=wood, module_w=20.0,
                      wavelength_nm=450.0, swatch="1", reading=number, depth_mm=depth,
                      gauge_step_mm=0.01, expected_mm=EXPECTED_MM, gauge_sd_mm=GAUGE_MM, df=DF,
                      burned_on=pd.Timestamp(2025, 3, 1) + pd.Timedelta(days=4 * place),
                      invented="yes", **told) for number, depth in enumerate(depths, 1)]
    return pd.DataFrame(rows)


def shares(scenario, workshops, seed=1):
    """Return how often each reason is given, and how often each chart gives an alarm."""
    dice = np.random.default_rng(seed)
    found = []
    for _ in range(workshops):
        told = drift.check(jobs_of(dice, *scenario))
        said, rows = told.table.iloc[0], told.jobs
        found.append({"reason": said["reason"] or said["state"],
                      "ewma": (rows["ewma"].abs() > rows["ewma_upper"]).any(),
                      "single": (~rows["off_pct"].between(rows["lower_pct"], rows["upper_pct"])).any(),
                      "run": rows["run"].any(),
                      "shallower": said["state"] == "shallower"})
    frame = pd.DataFrame(found)
    counted = frame["reason"].value_counts(normalize=True).to_dict()
    return counted | frame[["ewma", "single", "run", "shallower"]].mean().to_dict()


def looks(workshops, jobs=20, seed=2):
    """Return how often a workshop in step is alarmed at least once if it looks after every job."""
    dice, alarms = np.random.default_rng(seed), 0
    for _ in range(workshops):
        frame = jobs_of(dice, range(jobs), np.ones(jobs))
        days = frame["burned_on"].drop_duplicates()
        alarms += any(drift.check(frame[frame["burned_on"] <= day]).table["reason"].iloc[0]
                      in ("fade", "first") for day in days[1:])
    return alarms / workshops


def faded(before, after, by=0.85):
    return list(range(before + after)), np.r_[np.ones(before), np.full(after, by)]


SCENARIOS = {
    "in step, 20 jobs on 20 boards": (range(20), np.ones(20)),
    "in step, 20 jobs on 5 boards": ([n // 4 for n in range(20)], np.ones(20)),
    "one board -35 %, four of 20 jobs on it": (
        [*range(12), 12, 12, 12, 12, *range(13, 17)], np.r_[np.ones(12), np.full(4, .65), np.ones(4)]),
    "15 % fade, 10 boards, then 3": faded(10, 3), "15 % fade, 10 boards, then 4": faded(10, 4),
    "15 % fade, 10 boards, then 6": faded(10, 6), "15 % fade, 10 boards, then 8": faded(10, 8),
    "25 % fade, 10 boards, then 4": faded(10, 4, .75),
    "creeping fade 2 % a job, 10 boards, then 8": (
        range(18), np.r_[np.ones(10), .98 ** np.arange(1, 9)]),
    "15 % shallower from the first, 10 boards": faded(0, 10),
}


if __name__ == "__main__":
    workshops = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    table = pd.DataFrame({name: shares(one, workshops) for name, one in SCENARIOS.items()}).T.fillna(0)
    print((100 * table).round(1).to_string())
    print(f"in step, looked at after each of 20 jobs: {100 * looks(workshops // 5):.1f} % alarmed")
