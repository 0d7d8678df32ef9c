"""A second pass: what it adds is the curve's own answer to the doses together, and its chance a normal one; simulated pieces end inside."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from testburn import depthfit, energy, labbook
from testburn.job import Job, firstpiece, settings
from testburn.labbook import Machine

sys.path.append(str(Path(__file__).parents[1] / "benchmarks"))
import topups as simulated  # noqa: E402

MACHINE, LOW, HIGH = Machine(min_speed_mm_s=20, max_speed_mm_s=2000), 0.45, 0.63


@pytest.fixture(scope="module")
def fit(burns):
    return depthfit.fit(burns(boards=4))


@pytest.fixture(scope="module")
def choice(fit):
    return settings.for_group(fit, fit.groups[0], LOW, HIGH, MACHINE).iloc[0]


@pytest.mark.parametrize("measured_mm", [0.30, 0.38, 0.43])
def test_the_depth_after_is_that_of_both_doses_less_what_is_lost(fit, choice, measured_mm):
    more, group = firstpiece.top_up(fit, choice, measured_mm, LOW, HIGH, MACHINE, readings=1000), fit.groups[0]
    first, second = (energy.areal_dose(energy.line_energy(20, choice["power_pct"], speed), choice["line_pitch_mm"])
                     for speed in (choice["speed_mm_s"], more["speed_mm_s"]))
    paid = group.threshold / choice["line_pitch_mm"]
    before, after, again = group.mean(np.array([first, *(first + (1 - firstpiece.LOST) * second - lost for lost in (0, paid))]))
    # A thousand readings: the recess is known, and only its own depth counts; one chance in four that the mark is paid again.
    assert more["depth_mm"] == pytest.approx(measured_mm * (0.75 * after + 0.25 * again) / before, rel=2e-3)
    assert more["share"] == pytest.approx(second / first)
    assert LOW < more["depth_mm"] < HIGH and more["speed_mm_s"] in MACHINE.speeds()


def test_the_chance_is_the_normal_one_and_the_speed_has_the_best(fit, choice):
    speeds = np.array([150.0, 300.0, 600.0])
    chances, mean, sd = firstpiece._after(fit, fit.groups[0], choice, np.array([0.4]), speeds, "next", 3, firstpiece.second(fit, fit.groups[0]))
    inside, deep = firstpiece._chances(chances, mean, sd, LOW, HIGH)
    each = [stats.norm.cdf(HIGH, mean, sd) - stats.norm.cdf(LOW, mean, sd), stats.norm.sf(HIGH, mean, sd)]
    assert chances.tolist() == [0.75, 0.25]
    assert inside == pytest.approx(0.75 * each[0][0] + 0.25 * each[0][1]) and deep == pytest.approx(0.75 * each[1][0] + 0.25 * each[1][1])
    assert (np.diff(mean) < 0).all() and (mean[0] > mean[1]).all()
    more = firstpiece.top_up(fit, choice, 0.4, LOW, HIGH, MACHINE)
    every = firstpiece._chances(*firstpiece._after(fit, fit.groups[0], choice, np.array([0.4]), MACHINE.speeds(), "next", 3, firstpiece.second(fit, fit.groups[0])), LOW, HIGH)[0]
    assert more["chance_inside"] == every.max()


def test_what_is_deep_enough_or_no_depth_is_refused_or_said(fit, choice, labdata):
    for measured_mm in (0.0, 0.63, 0.9):
        with pytest.raises(ValueError, match="needs no second pass"):
            firstpiece.top_up(fit, choice, measured_mm, LOW, HIGH, MACHINE)
    job = Job.read(labdata, depthfit.fit(labbook.read(labdata)), Machine.of(labdata))
    assert "no second pass is needed" in job.second_pass(0.5)
    said = job.second_pass(0.38)
    assert said.startswith("0.38 mm is too shallow. Burn the piece once more, where it lies, at ") and "minutes more" in said
    # On a proved board one pass alone at that speed is as good: nothing is planned.
    assert job.planned_second_pass == "" and "of 100 pieces then need a second one" in job.changed(proofs=(), board=None).planned_second_pass
    with pytest.raises(ValueError, match="write one number with a point"):
        job.second_pass((0, 36))


def test_a_planned_second_pass_aims_below_the_middle_and_ends_inside_more_often(fit, choice):
    plan = firstpiece.planned(fit, choice, LOW, HIGH, MACHINE)
    assert plan["aim_mm"] < (LOW + HIGH) / 2 and plan["chance_inside"] > choice["chance_inside"] + 0.05
    assert 0.05 < plan["topped_up"] <= 1


# A line without noise in the doses: depth = 0.3 mm per J/mm² beyond a first mark of 0.9 J/mm².
SLOPE_MM, FIRST_MARK = 0.3, 0.9


@pytest.mark.parametrize("lost, again, chance, loss", [
    (0.05, False, (0.00, 0.10), (0.04, 0.12)), (0.20, False, (0.00, 0.35), (0.13, 0.21)), (0.10, True, (0.90, 1.00), (0.06, 0.17))])
def test_burns_with_two_passes_tell_what_a_second_one_loses(burns, lost, again, chance, loss):
    """Every swatch once more with two passes of half the dose; the chance and the loss are ours, worked out from how they were made."""
    once = burns(boards=4, intercept_mm=-SLOPE_MM * FIRST_MARK, depth_per_dose=SLOPE_MM)
    dose = energy.with_energy(once)["areal_dose_j_mm2"]
    ratio = (dose * (1 - lost / 2) - FIRST_MARK * (1 + again)) / (dose - FIRST_MARK)
    twice = once.assign(passes=2, speed_mm_s=2 * once["speed_mm_s"], swatch="two " + once["swatch"].astype(str),
                        depth_mm=(once["depth_mm"] * ratio))
    fit = depthfit.fit(pd.concat([once, twice[ratio > 0.2]], ignore_index=True))
    found = firstpiece.second(fit, fit.groups[0])
    assert found.burned and "your burns" in found.said and chance[0] <= found.chances[1] <= chance[1]
    assert loss[0] <= found.lost[int(again)] <= loss[1] and (found.lost_sd < firstpiece.LOST_SD).all()


def test_without_such_burns_it_is_judgement_and_says_what_would_tell(fit):
    found = firstpiece.second(fit, fit.groups[0])
    assert not found.burned and found.lost.tolist() == [0.125, 0.125] and "our judgement" in found.ground
    assert found.said == f"{found.ground}. {firstpiece.TELLS}"


@pytest.mark.parametrize(("again", "lost", "moves"), [(False, 0.05, -1), (False, 0.20, 1), (True, 0.20, 1)])
def test_recorded_second_passes_move_loss_and_chances_to_the_truth(again, lost, moves):
    """Six in each wood of four simulated workshops, true loss and reading known: on average both move to them, and are surer."""
    found = []
    for seed in range(4):
        dice = np.random.default_rng(500 + seed)
        truth, case = simulated.draw_truth(dice, board_sd=0.09), simulated.Case(0.09, (1, 1), again=again)
        made = depthfit.fit(simulated.burned(dice, truth)[0])
        for species, wood in enumerate(simulated.SPECIES):
            group, middle = made.group(wood, simulated.MODULE_W), 0.5 * made.group(wood, simulated.MODULE_W).readings["depth_mm"].max()
            records = simulated.recorded(dice, truth, made, species, 0.85 * middle, 1.15 * middle, case, lost, count=6)
            told = firstpiece.second(made, group, records)
            assert told.recorded == 6 and told.chances.sum() == pytest.approx(1) and (told.lost_sd < firstpiece.LOST_SD).all()
            found.append((told.chances[int(again)], told.lost[int(again)]))
    chance, loss = np.mean(found, axis=0)
    assert chance > (0.80 if again else 0.90) and moves * (loss - firstpiece.LOST) > 0.003


def exact(fit, count=1, lost=0.125, again=False, board="K{}", **changed):
    """Second passes without any scatter, of this loss, on boards that burn as the curve."""
    group = fit.groups[0]
    first, second = (energy.areal_dose(energy.line_energy(20, 90, speed), 0.05) for speed in (160.0, 500.0))
    before, after = group.mean(np.array([first, first + (1 - lost) * second - again * group.threshold / 0.05]))
    return pd.DataFrame([{name: getattr(group, name) for name in ("species", "module_w", "wavelength_nm", "module")} | {
        "board": board.format(one), "passes": 1, "power_pct": 90.0, "line_pitch_mm": 0.05, "first_speed_mm_s": 160.0, "speed_mm_s": 500.0,
        "before_mm": before, "before_readings": 3, "depth_mm": after, "readings": 3} | changed for one in range(count)])


def test_records_add_up_and_only_those_of_this_wood_and_one_first_pass_count(fit):
    group, none = fit.groups[0], firstpiece.second(fit, fit.groups[0])
    for strange in (exact(fit).iloc[:0], exact(fit, species="black cherry"), exact(fit, passes=2), exact(fit, module="new lens")):
        same = firstpiece.second(fit, group, strange)
        assert same.recorded == 0 and same.said == none.said and all(
            np.array_equal(getattr(same, name), getattr(none, name)) for name in ("chances", "lost", "lost_sd", "paid_j_mm2"))
    one, four, apart = (firstpiece.second(fit, group, exact(fit, count, 0.20, board=board)) for count, board in ((1, "K"), (4, "K"), (4, "K{}")))
    assert one.ground == "what a second pass loses is taken from our judgement and 1 second pass you recorded" == one.said
    assert apart.said == "what a second pass loses is taken from our judgement and 4 second passes you recorded"
    assert 0.125 < one.lost[0] < apart.lost[0] < 0.20 and none.lost_sd[0] > one.lost_sd[0] > apart.lost_sd[0]
    # Four on one board share how steeply it rises, and tell less than on four.
    assert one.lost_sd[0] > four.lost_sd[0] > apart.lost_sd[0]


def test_one_exact_record_is_the_normal_step_worked_out_by_hand(fit):
    """Prior 12.5 % ± 4.5 %; the slope of the logarithm by a difference, the noise of both depths, of what was added, and of the board."""
    group, row = fit.groups[0], exact(fit, lost=0.20).iloc[0]
    _, swatch, reading, gauge = fit.curves.components.variances
    first, second = (energy.areal_dose(energy.line_energy(20, 90, row[name]), 0.05) for name in ("first_speed_mm_s", "speed_mm_s"))
    foretold, less = (np.log(group.mean(np.array([first + (1 - lost) * second]))[0] / row["before_mm"]) for lost in (0.125, 0.135))
    slope, added = (less - foretold) / 0.01, 1 - np.exp(-foretold)
    noise = sum((reading + gauge / depth**2) / 3 for depth in (row["before_mm"], row["depth_mm"])) + added**2 * (swatch + firstpiece.STEEP_SD**2)
    gain = firstpiece.LOST_SD**2 * slope / (noise + slope**2 * firstpiece.LOST_SD**2)
    told = firstpiece.second(fit, group, exact(fit, lost=0.20))
    assert told.lost[0] == pytest.approx(0.125 + gain * (np.log(row["depth_mm"] / row["before_mm"]) - foretold))
    assert told.lost_sd[0] == pytest.approx(firstpiece.LOST_SD * np.sqrt(1 - gain * slope))


@pytest.mark.parametrize("again", [False, True])
def test_exact_records_settle_whether_the_first_mark_is_paid_again(fit, again):
    told = firstpiece.second(fit, fit.groups[0], exact(fit, 12, again=again))
    assert told.chances[int(again)] > (0.25, 0.75)[not again] and told.chances.sum() == pytest.approx(1)


@pytest.mark.parametrize("case", simulated.CASES, ids=lambda case: case.name)
def test_simulated_pieces_end_inside_as_said(case):
    """A few workshops of the benchmark; its bars, two standard errors of so few allowed."""
    found = simulated.reached(6, case)
    for name, most in zip(("topped up", "planned"), case.most):
        value, error = found[name]
        assert value <= most + 2 * error
    assert found["landed"][0] == pytest.approx(found["said"][0], abs=case.most_off + 2 * found["landed"][1])
