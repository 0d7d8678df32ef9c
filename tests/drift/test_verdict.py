"""Drift: a fade, an odd board, an odd wood and a curve that was off are told apart.

The full table of false alarms and power is `tests/benchmarks/drift.py`.
"""

import datetime
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from testburn import depthfit
from testburn.charts import drift as driftchart
from testburn.drift import verdict as drift
from testburn.job import promise
from testburn.labbook import jobs

sys.path.append(str(Path(__file__).parents[1] / "benchmarks"))
import drift as simulated  # noqa: E402

SDS = {"curve_sd": 0.04, "board_sd": 0.09, "swatch_sd": 0.04, "reading_sd": 0.03}


def finished(off, boards=None, woods=("white oak",), module_w=20.0, df=20.0):
    """Jobs that came out off their card by these shares; one reading each, gauge and day in order."""
    boards = list(range(len(off))) if boards is None else boards
    return pd.DataFrame([dict(
        burn=f"job-{place + 1:02d}", board=f"B{board}", species=woods[board % len(woods)],
        module_w=module_w, wavelength_nm=450.0, swatch="1", reading=1, depth_mm=0.6 * (1 + share),
        gauge_step_mm=0.01, expected_mm=0.6, gauge_sd_mm=0.01, df=df, invented="",
        burned_on=pd.Timestamp(2025, 3, 1) + pd.Timedelta(days=place), **SDS)
        for place, (share, board) in enumerate(zip(off, boards))])


WIGGLE = [0.02, -0.03, 0.04, 0.01, -0.02, 0.03, -0.04, 0.0, 0.03, -0.02]


def verdict(frame, **asked):
    return drift.check(frame, **asked).table.iloc[0]


def test_jobs_as_promised_are_in_step():
    said = verdict(finished(WIGGLE))
    assert (said["state"], said["reason"], said["since"], said["advice"]) == ("in step", "", "", "")
    assert said["words"] == ("As the cards said: 10 jobs on 10 boards came out +0 % in depth (-8 to +10 %) against "
                             "them, no more than boards do.")


FADE = [-0.2, -0.24, -0.22, -0.19, -0.21]


def log(day, done):
    return pd.DataFrame([{"day": pd.Timestamp(day), "module": "20 W", "done": done, "new_state": "", "note": "", "invented": ""}])


def test_a_logged_cure_closes_the_old_state_and_the_jobs_since_are_judged():
    jobs_of, wiped = finished(WIGGLE + FADE), log("2025-03-16", "lens wiped")
    assert verdict(jobs_of)["reason"] == "fade"
    assert verdict(jobs_of, log=wiped)[["state", "words"]].tolist() == [
        "too few jobs", "No job was finished since lens wiped (2025-03-16)."]
    good = verdict(finished(WIGGLE + FADE + WIGGLE), log=wiped)
    assert (good["state"], good["jobs"]) == ("in step", 10)
    assert good["words"].startswith("Since the machine's log says lens wiped (2025-03-16): As the cards said: 10 jobs on 10 boards")
    # In vain: the same fade goes on.
    assert verdict(finished(WIGGLE + FADE + FADE + FADE), log=wiped)["state"] == "shallower"


@pytest.mark.parametrize(("done", "state"), [("belt", "shallower"), ("other", "shallower"), ("lens changed", "too few jobs")])
def test_work_that_cures_nothing_closes_nothing(done, state):
    assert verdict(finished(WIGGLE + FADE), log=log("2025-03-16", done))["state"] == state


def test_a_new_lens_may_dig_otherwise_as_far_as_its_kind_of_work_says():
    jobs_of = finished([-0.12 + wiggle for wiggle in WIGGLE])
    assert verdict(jobs_of)["reason"] == "first"
    assert verdict(jobs_of, log=log("2025-02-01", "lens changed"))["state"] == "in step"


def test_the_past_holds_the_fades_of_states_that_are_over_too():
    told = verdict_past(finished(WIGGLE + FADE + WIGGLE), log("2025-03-16", "lens wiped"))
    assert told.called[["module_w", "since"]].to_numpy().tolist() == [[20.0, "job-11"]]


def verdict_past(frame, entries=None):
    return drift.past(frame, entries)


def test_a_card_that_counts_the_fade_in_does_not_hide_that_it_lasts():
    frame = finished(WIGGLE + FADE + [0.0] * 6)
    late = frame["burn"] > "job-15"
    counted = frame.assign(state_factor=np.where(late, 0.8, np.nan))
    assert verdict(counted)["since"] == "job-11" and verdict(counted)["off_pct"] == pytest.approx(-20.5, abs=1.5)


def test_too_few_jobs_are_not_judged_in_step():
    said = verdict(finished(WIGGLE[:3]))
    assert said["state"] == "too few jobs"
    assert said["words"] == "Too few jobs to tell: 3 jobs on 3 boards. Four boards are needed."


def test_four_jobs_on_one_board_are_one_board():
    assert verdict(finished(WIGGLE[:4], boards=[0, 0, 0, 0]))["state"] == "too few jobs"


def test_a_fade_is_said_with_its_first_job_and_what_to_do():
    said = verdict(finished(WIGGLE + [-0.2, -0.24, -0.22, -0.19, -0.21]))
    assert (said["state"], said["reason"], said["since"]) == ("shallower", "fade", "job-11")
    assert said["words"] == (
        "Since job job-11 (2025-03-11) recesses come out 21 % (14 to 28 %) shallower, on 5 boards: more "
        "than boards differ. It is the machine, not a board.")
    assert said["advice"].startswith("1. Wipe the lens: machine off and unplugged, module cool, ")
    assert [said["advice"].index(word) for word in ("lens", "focus", "air", "three swatches", "accept")
            ] == sorted(said["advice"].index(word) for word in ("lens", "focus", "air", "three swatches",
                                                                "accept"))
    assert said["off_pct"] == pytest.approx(-21, abs=1) and said["p"] <= drift.LASTING_P


def test_a_lasting_shift_the_other_way_is_no_fogged_lens():
    said = verdict(finished(WIGGLE + [0.25, 0.24, 0.28, 0.26, 0.25]))
    assert (said["state"], said["reason"]) == ("deeper", "fade")
    assert "lens:" not in said["advice"] and said["advice"].startswith("1. Check the gauge's zero")


def test_one_odd_board_with_four_jobs_is_no_fade():
    odd = finished(WIGGLE + [-0.45, -0.44, -0.46, -0.45], boards=[*range(10), 10, 10, 10, 10])
    said = verdict(odd)
    assert (said["state"], said["board"], said["jobs"], said["boards"]) == ("odd board", "B10", 14, 11)
    assert said["words"] == ("Board B10 of white oak is 45 % (36 to 53 %) shallower. The others came out as the cards said: "
                             "it is that board, not the machine.")
    assert said["advice"].startswith("1. Burn a proof swatch on that board before its next recess.")


def test_one_odd_board_alone_is_compared_with_none():
    assert verdict(finished([-0.5]))["words"] == ("Board B0 of white oak is 50 % (37 to 60 %) shallower. There "
                                                  "is no other board to compare it with yet.")


def test_the_same_depths_on_four_boards_are_a_fade():
    assert verdict(finished(WIGGLE + [-0.45, -0.44, -0.46, -0.45]))["reason"] == "fade"


def test_an_odd_board_does_not_hide_a_fade():
    off = WIGGLE + [-0.25, -0.24, -0.26, -0.25, -0.23]
    off[3] = 0.8
    assert verdict(finished(off))["since"] == "job-11"


WIPE = ("Wipe the lens: machine off and unplugged, module cool, and only with what its manual allows. ")
REST = ("2. Check that power, speed, pitch and passes were those of the card. 3. Check the focus: lens "
        "distance, board flat and down on its bed. 4. Check the air at the nozzle: on, and as strong as when "
        "the card was burned. 5. Burn three swatches again, lowest, middle and highest setting, on a board that "
        "was burned while all was well (the check board). 6. If these come out as the jobs did, it is the curve: accept "
        "the jobs into the fit, or burn a board again. If they come out as the card says, leave the jobs out "
        "of the fit.")


def test_off_from_the_first_job_may_be_lens_setting_or_curve():
    said = verdict(finished([-0.25 + wiggle for wiggle in WIGGLE]))
    assert (said["state"], said["reason"], said["since"]) == ("shallower", "first", "job-01")
    assert said["words"] == (
        "Recesses since job job-01 (2025-03-01) come out 25 % (18 to 31 %) shallower, on 10 boards. It was so "
        "from the first job on: lens, setting or curve.")
    assert said["advice"] == "1. " + WIPE + REST


def test_deeper_from_the_first_job_on_is_no_fogged_lens():
    said = verdict(finished([0.3 + wiggle for wiggle in WIGGLE]))
    assert (said["state"], said["reason"]) == ("deeper", "first")
    assert said["advice"] == "1. Check the gauge's zero and the power set. " + REST


def test_of_a_fade_that_was_there_before_the_first_job_looked_at_the_lens_is_not_ruled_out():
    said = verdict(finished(WIGGLE + [-0.25] * 5), since=datetime.date(2025, 3, 11))
    assert (said["reason"], said["since"], said["jobs"]) == ("first", "job-11", 5)
    assert said["words"] == (
        "Recesses since job job-11 (2025-03-11) come out 25 % (16 to 33 %) shallower, on 5 boards. It was so "
        "from the first job on: lens, setting or curve.")
    assert said["advice"].startswith("1. " + WIPE)


def test_one_wood_off_is_its_curve():
    woods, off = ("white oak", "sugar maple", "black cherry"), np.array(WIGGLE + WIGGLE[:5])
    off[1::3] -= 0.35
    said = verdict(finished(off, woods=woods))
    assert (said["reason"], said["species"]) == ("wood", "sugar maple")
    assert said["words"].startswith("Sugar maple comes out 35 % (29 to 41 %) shallower on all its 5 boards")


def test_each_module_is_judged_by_itself():
    both = pd.concat([finished(WIGGLE + [-0.25] * 5), finished(WIGGLE, module_w=40.0)])
    assert drift.check(both).table["state"].tolist() == ["shallower", "in step"]
    assert drift.check(both, module_w=40).table["module_w"].tolist() == [40.0]


def test_jobs_since_the_lens_was_wiped_are_judged_alone():
    frame = finished(WIGGLE + [-0.25] * 5 + WIGGLE[:5])
    said = verdict(frame, since=datetime.date(2025, 3, 16))
    assert (said["state"], said["jobs"]) == ("in step", 5)


def test_the_words_of_the_map():
    woods = ("white oak", "sugar maple")
    frame = pd.concat([finished(WIGGLE + [-0.25] * 5, woods=woods), finished(WIGGLE[:2], module_w=40.0)])
    found = drift.check(frame)
    assert [drift.state(found, wood, watts) for wood, watts in (
        ("white oak", 20), ("sugar maple", 20), ("white oak", 40), ("sugar maple", 40), ("white oak", 10))
            ] == ["shallower", "shallower", "too few jobs", "no jobs", "no jobs"]
    assert drift.state(frame, "white oak", 20, 450) == "shallower"
    assert drift.state(frame, "white oak", 20, 1064) == "no jobs"


def test_an_odd_board_is_its_woods_only():
    odd = finished(WIGGLE + [-0.6], woods=("white oak", "sugar maple"))
    assert [drift.state(odd, wood, 20) for wood in ("white oak", "sugar maple")] == ["odd board", "in step"]


def test_recesses_of_a_job_are_averaged_and_the_board_counts_once():
    one = finished([-0.1])
    four = pd.concat([one.assign(swatch=str(n)) for n in range(4)])
    single, several = drift.check(one).jobs.iloc[0], drift.check(four).jobs.iloc[0]
    assert several["recesses"] == 4 and several["log_ratio"] == pytest.approx(single["log_ratio"])
    own = SDS["swatch_sd"]**2 + SDS["reading_sd"]**2 + (0.01**2 + 0.01**2 / 12) / 0.6**2
    for row, count in ((single, 1), (several, 4)):
        assert row["log_sd"] == pytest.approx((0.04**2 + 0.09**2 + own / count)**0.5, rel=1e-5)


def test_a_second_job_on_an_odd_board_adds_nothing_new():
    rows = drift.check(finished([0.0, 0.0, -0.3, -0.3], boards=[0, 1, 2, 2])).jobs
    assert rows["z"].iloc[2] == pytest.approx(rows["z"].iloc[3])
    assert rows["fresh_z"].iloc[2] == pytest.approx(rows["z"].iloc[2])
    assert abs(rows["fresh_z"].iloc[3]) < abs(rows["fresh_z"].iloc[2]) / 2


def test_jobs_before_and_after_a_proof_of_their_board_share_what_the_proof_left_unknown():
    # Closed form: of curve + board, variance v, a proof with variance s leaves v s / (v + s). The first
    # job is off by curve + board, the second by these less what the proof told; each has its own besides.
    free, proof = 0.04**2 + 0.09**2, 0.04**2 + 0.03**2 / 3
    left = free * proof / (free + proof)
    told = np.array([[1.0, 0.0], [1 - free / (free + proof), -free / (free + proof)]])
    expected = told @ np.diag([free, proof]) @ told.T
    assert expected[0, 1] == pytest.approx(left) and expected[1, 1] == pytest.approx(left)
    pair = finished([0.0, 0.0], boards=[0, 0]).assign(curve_sd=[0.04, 0.0], board_sd=[0.09, left**0.5])
    rows = drift.check(pair).jobs
    found = depthfit.states.covariance(rows) - np.diag(rows["own_variance"])
    assert found == pytest.approx(expected, rel=1e-9)


def test_order_is_by_day_and_not_by_row():
    frame = finished(WIGGLE + [-0.25] * 5)
    assert verdict(frame.sample(frac=1, random_state=3)).equals(verdict(frame))


def test_no_jobs_give_no_verdict():
    found = drift.check(jobs.read("/nowhere at all"))
    assert found.table.empty and found.jobs.empty and found.boards.empty


def test_a_job_without_any_mark_is_still_a_number():
    assert np.isfinite(verdict(finished([*WIGGLE, -1.0]))["off_pct"])


def test_the_workshop_of_the_demo_sees_its_lens_fog(labdata):
    found = drift.check(jobs.read(labdata))
    said = found.table.set_index("module_w")
    assert said["state"].to_dict() == {15.0: "shallower", 30.0: "in step"}
    assert (said.loc[15, "reason"], said.loc[15, "since"]) == ("fade", "sign-13")
    assert said["invented"].all()


@pytest.mark.parametrize("scenario, reasons, at_least, at_most", [
    ("in step, 20 jobs on 20 boards", ("fade", "first"), 0.0, 0.10),
    ("one board -35 %, four of 20 jobs on it", ("fade", "first"), 0.0, 0.10),
    ("15 % fade, 10 boards, then 6", ("fade", "first"), 0.55, 0.85),
])
def test_false_alarms_and_power_are_what_was_measured(scenario, reasons, at_least, at_most):
    shares = simulated.shares(simulated.SCENARIOS[scenario], 80)
    assert at_least <= sum(shares.get(reason, 0) for reason in reasons) <= at_most


def test_charts_show_every_job_and_board_with_its_limits(labdata):
    found = drift.check(jobs.read(labdata))
    own = found.jobs[found.jobs["module_w"] == 15]
    for figure, shown in ((driftchart.individuals(found, 15), own["off_pct"]),
                          (driftchart.ewma(found, 15), own["fresh_z"])):
        drawn = sorted(y for trace in figure.data if trace.mode == "markers" for y in trace.y)
        assert drawn == sorted(shown.round(4)) and "invented" in figure.layout.title.text
        assert figure.layout.xaxis.ticktext == tuple(own["job"])
        assert "shallower since sign-13" in [note.text for note in figure.layout.annotations]
    assert sum(len(trace.y) for trace in driftchart.boards(found, 15).data) == own["board"].nunique()


def test_woods_differ_by_mark_as_well_as_colour(labdata):
    traces = [trace for trace in driftchart.boards(drift.check(jobs.read(labdata)), 15).data]
    assert len({trace.marker.symbol for trace in traces}) == len(traces) == 4


def test_names_from_the_lab_book_are_escaped_in_charts():
    frame = finished(WIGGLE).assign(board=[f"<b>{n}" for n in range(10)], species="<script>")
    found = drift.check(frame.assign(burn=frame["burn"] + "<i>"))
    for draw in (driftchart.individuals, driftchart.ewma, driftchart.boards):
        text = draw(found, 20).to_json().replace("\\u003c", "<").replace("\\u003e", ">")
        assert not any(f"<{mark}" in text for mark in ("b>", "script", "i>"))


def test_a_module_without_jobs_has_charts_that_say_so(labdata):
    found = drift.check(jobs.read(labdata))
    for draw in (driftchart.individuals, driftchart.ewma, driftchart.boards):
        assert draw(found, 10).layout.title.text.startswith("10 W: no finished jobs")


@pytest.fixture(scope="module")
def two_woods(burns):
    """Four boards each of two woods, burned in January; every finished job is later."""
    return pd.concat([burns(species=wood, boards=4) for wood in ("white oak", "black cherry")], ignore_index=True).assign(
        burned_on=pd.Timestamp(2025, 1, 5))


def contradicted():
    """Ten boards of each wood: black cherry comes out 30 % shallower than its cards said, white oak in step."""
    off = [wiggle - 0.3 * (place % 2) for place, wiggle in enumerate(WIGGLE * 2)]
    return finished(off, woods=("white oak", "black cherry")).assign(dose_j_mm2=2.0)


def test_a_wood_whose_finished_jobs_contradict_its_curve_moves_its_cards_and_no_others(two_woods):
    jobs_of = contradicted()
    assert (verdict(jobs_of)["reason"], verdict(jobs_of)["species"]) == ("wood", "black cherry")
    plain, told = depthfit.fit(two_woods), depthfit.fit(two_woods, drift.past(jobs_of))
    ratio = {wood: told.predict(wood, 20, 0.2)["depth_mm"][0] / plain.predict(wood, 20, 0.2)["depth_mm"][0]
             for wood in ("white oak", "black cherry")}
    # Shrunk a little toward the curve, by what a fade may be: 0.15² against what ten boards of 9 % leave open.
    assert ratio["black cherry"] == pytest.approx(0.72, abs=0.04) and ratio["white oak"] == pytest.approx(1, abs=1e-9)
    assert told.said_of(told.group("black cherry", 20)).startswith("Finished jobs of this wood came out 2")
    assert told.said_of(told.group("white oak", 20)) == "" and told.states.empty
    assert told.readings_mark != plain.readings_mark
    # The setting for a depth goes after it.
    sure = [fit.predict("black cherry", 20, 0.2, of="swatch") for fit in (plain, told)]
    assert told.machine_sd(told.group("black cherry", 20)) > 0.02 and sure[1]["lower_mm"][0] < sure[0]["lower_mm"][0]


@pytest.mark.parametrize("answer", ["its jobs accepted", "another board burned"])
def test_a_wood_stands_by_its_curve_again_once_its_curve_was_learned_anew(two_woods, burns, answer):
    jobs_of = contradicted()
    more = burns(species="black cherry", boards=1).assign(burned_on=jobs_of["burned_on"].max(), board="new")
    if answer == "its jobs accepted":
        more = jobs_of[jobs_of["species"] == "black cherry"].assign(
            power_pct=90.0, speed_mm_s=100.0, line_pitch_mm=0.1, passes=1, struck_because="", module="", air_assist="",
            sweep_vs_grain="").reindex(columns=two_woods.columns)
    fit = depthfit.fit(pd.concat([two_woods, more], ignore_index=True), drift.past(jobs_of))
    assert fit.machine_factor(fit.group("black cherry", 20)) == 1.0 and fit.said_of(fit.group("black cherry", 20)) == ""
