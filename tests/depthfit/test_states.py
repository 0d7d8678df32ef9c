"""States: one factor a module and period, from burns, checks and finished jobs alike, against closed forms.

The closed forms are those of a normal mean with a normal prior (Gelman et al., Bayesian Data Analysis, 3rd ed., 2.5, from
memory); whether settings land is judged by `tests/benchmarks/states.py`, of which a few workshops are run here.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from testburn import depthfit
from testburn.depthfit import states
from testburn.labbook import columns

sys.path.append(str(Path(__file__).parents[1] / "benchmarks"))
import states as simulated  # noqa: E402

KEY = (20.0, 450.0, "")
NO_JOBS = pd.DataFrame(columns=["job"])
NO_FADE = pd.DataFrame(columns=[*columns.MODULE_KEY, "species", "since", "since_on"])
OLD, NEW = pd.Timestamp(2025, 6, 1), pd.Timestamp(2025, 9, 1)


def log(*entries):
    """A log of these (month, what was done) of 2025."""
    return pd.DataFrame([{"day": pd.Timestamp(2025, month, 1), "module": "", "done": done, "new_state": "", "note": "",
                          "invented": "yes"} for month, done in entries],
                        columns=[field.name for field in columns.LOG])


def past(*entries, **more):
    return states.Past(log(*entries), NO_JOBS, NO_FADE, **more)


def begun(*entries, called=NO_FADE):
    return states._begun(states.Past(log(*entries), NO_JOBS, called), KEY)


@pytest.mark.parametrize(("prior_sd", "sd", "seen"), [(0.15, 0.08, [-0.2]), (0.05, 0.1, [0.1, -0.02, 0.04]), (0.15, 0.02, [0.3] * 9)])
def test_a_state_seen_by_jobs_alone_is_the_textbooks_normal_mean(prior_sd, sd, seen):
    mean, covariance = states.posterior(np.diag([0.0, prior_sd**2]), np.eye(2)[[1] * len(seen)], np.array(seen),
                                        sd**2 * np.eye(len(seen)))
    precision = 1 / prior_sd**2 + len(seen) / sd**2
    assert mean == pytest.approx([0.0, sum(seen) / sd**2 / precision], abs=1e-12)
    assert covariance[1, 1] == pytest.approx(1 / precision) and covariance[0].tolist() == [0.0, 0.0]


def test_evidence_one_by_one_is_evidence_at_once():
    before, noise = np.diag([0.0, 0.02]), 0.01
    mean, covariance = states.posterior(before, np.eye(2)[[1, 1]], np.array([0.1, -0.3]), noise * np.eye(2))
    first, left = states.posterior(before, np.eye(2)[[1]], np.array([0.1]), noise * np.eye(1))
    second, left = states.posterior(left, np.eye(2)[[1]], np.array([-0.3]) - first[1], noise * np.eye(1))
    assert first + second == pytest.approx(mean) and left == pytest.approx(covariance)


@pytest.mark.parametrize(("entries", "sds"), [
    # one sd of each state's logarithm before anything was seen in it: the declared spreads, in quadrature where they follow
    ([(2, "lens wiped")], [0, 0.05]), ([(2, "lens changed"), (3, "belt")], [0, 0.15, (0.15**2 + 0.02**2) ** 0.5]),
    ([(2, "lens wiped"), (2, "refocused")], [0, (0.05**2 + 0.10**2) ** 0.5])])
def test_a_state_is_near_the_one_before_as_far_as_the_kind_of_work_says(entries, sds):
    assert np.sqrt(np.diag(states.prior(begun(*entries)))) == pytest.approx(sds)


def test_work_after_a_fade_starts_from_before_it_and_is_less_sure_and_a_belt_cures_nothing():
    fade = pd.DataFrame([dict(zip(columns.MODULE_KEY, KEY)) | {"species": "", "since": "job-11", "since_on": pd.Timestamp(2025, 2, 1)}])
    wiped, belt = begun((3, "lens wiped"), called=fade), begun((3, "belt"), called=fade)
    assert wiped[["done", "parent"]].to_numpy().tolist() == [["", 0], ["fade", 0], ["lens wiped", 0]]
    assert belt["parent"].tolist() == [0, 0, 1]
    assert wiped["sd"].iloc[2] == pytest.approx((0.05**2 + states.CURE_SD**2) ** 0.5)


@pytest.mark.parametrize(("row", "count"), [({"new_state": "no"}, 0), ({"module": "lens B"}, 0), ({"module": "20 W"}, 1), ({}, 1)])
def test_an_entry_opens_a_state_of_the_modules_it_names(row, count):
    assert len(states.entries(log((2, "lens wiped")).assign(**row), KEY)) == count


def test_the_makers_own_spread_counts_and_none_opens_no_state():
    entries = log((2, "lens wiped"), (3, "refocused"))
    assert states.entries(entries, KEY, {"lens wiped": 0, "refocused": 3})[["done", "sd"]].to_numpy().tolist() == [["refocused", 0.03]]


@pytest.fixture(scope="module")
def before(burns):
    return burns(boards=4).assign(burned_on=OLD)


def faded(frame, factor, boards):
    """The same burns with this share of the energy, as other boards or as the same ones burned again."""
    return frame.assign(burned_on=NEW, burn="again " + frame["burn"], depth_mm=(frame["depth_mm"] * factor).round(3),
                        board=frame["board"] if boards == "same" else "new " + frame["board"])


@pytest.mark.parametrize("boards", ["same", "new"])
def test_a_lens_that_was_logged_is_learned_and_boards_are_as_before(before, boards):
    frame = pd.concat([before, faded(before, 0.7, boards)], ignore_index=True)
    fit, silent, alone = depthfit.fit(frame, past((8, "lens changed"))), depthfit.fit(frame), depthfit.fit(before)
    group = fit.groups[0]
    # Depth goes with the energy here but for a threshold.
    assert fit.machine_factor(group) == pytest.approx(0.72, abs=0.05)
    spread = [one.components.set_index("component")["sd"]["board"] for one in (alone, fit, silent)]
    assert spread[1] == pytest.approx(spread[0], abs=0.02) and (boards == "same" or spread[2] > spread[0] + 0.03)
    ratio = fit.predict("white oak", 20, 0.2)["depth_mm"][0] / alone.predict("white oak", 20, 0.2)["depth_mm"][0]
    assert ratio == pytest.approx(0.7, abs=0.05)


def test_a_check_on_its_own_board_tells_what_a_new_board_does_not(before):
    three = before[before["board"] == before["board"].iloc[0]].groupby("swatch").head(3)
    three = three[three["swatch"].isin(three["swatch"].unique()[[0, 3, -1]])]
    sds = [np.sqrt(depthfit.fit(pd.concat([before, faded(three, 1.0, boards)], ignore_index=True), past((8, "lens changed")))
                   .modules[KEY].covariance[-1, -1]) for boards in ("same", "new")]
    # Half of a 95 % interval: 6 and 21 percent as a rule of thumb, before what is thought of a new lens is counted in.
    assert 2 * sds[0] < 0.10 and 2 * sds[1] > 1.5 * 2 * sds[0]


def test_nothing_happened_and_nothing_moves(before):
    plain, told = depthfit.fit(before), depthfit.fit(before, past())
    assert told.modules == {} and told.states.empty
    pd.testing.assert_frame_equal(told.predict("white oak", 20, [0.1, 0.2]), plain.predict("white oak", 20, [0.1, 0.2]))
    assert told.fingerprint == plain.fingerprint


def test_an_entry_on_the_day_of_the_first_burns_has_nothing_to_compare_with(before):
    entry = pd.DataFrame([dict(day=pd.Timestamp(OLD), done="lens wiped", module="", new_state="", note="")])
    fit = depthfit.fit(before, states.Past(entry, past().jobs, past().called))
    assert "every burn here is from that day or later, so there is nothing to compare it with" in fit.said_of(fit.groups[0])
    assert "+0 %" not in fit.said_of(fit.groups[0]) and fit.machine_factor(fit.groups[0]) == 1


def test_an_entry_with_nothing_burned_since_widens_every_interval_and_says_so(before):
    plain, told = depthfit.fit(before), depthfit.fit(before, past((8, "lens changed")))
    group = told.groups[0]
    for board in ("next", before["board"].iloc[0]):
        was, now = (fit.predict("white oak", 20, 0.2, of="swatch", board=board).iloc[0] for fit in (plain, told))
        assert now["depth_mm"] == pytest.approx(was["depth_mm"], rel=0.01)
        assert now["sd_mm"] == pytest.approx(np.hypot(was["sd_mm"], told.machine_sd(group) * was["depth_mm"]), rel=0.03)
    assert told.said_of(group).startswith("20 W, lens changed on 2025-08-01: nothing was burned since, so these settings are less sure")
    assert told.readings_mark != plain.readings_mark


def test_burns_before_the_first_are_the_standard_whatever_was_done_before(before):
    fit = depthfit.fit(before, past((2, "lens changed")))
    assert fit.machine_factor(fit.groups[0]) == 1.0 and fit.machine_sd(fit.groups[0]) == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(("factor", "one_curve"), [(0.55, False), (1.0, True)])
def test_burns_under_other_conditions_share_a_curve_where_the_readings_show_that_they_may(before, factor, one_curve):
    other = faded(before, factor, "same").assign(air_assist="off")
    frame = pd.concat([before.assign(air_assist="on"), before.assign(air_assist="on", burn="more " + before["burn"], board="more " + before["board"]),
                       other], ignore_index=True)
    fit = depthfit.fit(frame)
    (row,) = fit.conditions.to_dict("records")
    assert (row["value"], row["usual"], row["one_curve"]) == ("off", "on", one_curve)
    assert set(fit.readings.loc[fit.readings["air_assist"] == "off", "used"]) == {one_curve}
    assert ("one curve serves both." in row["words"]) == one_curve and row["words"] in fit.said_of(fit.groups[0])


def test_what_is_not_noted_is_no_other_condition(before):
    half = before["board"] == before["board"].iloc[0]
    assert depthfit.fit(before.assign(focus_offset_mm=np.where(half, 3.0, np.nan))).conditions.empty


WORKSHOPS = 8
# quantity → bounds; wider than the benchmark's, because eight workshops scatter by about 0.04.
BOUNDS = {"wiped, checked on the check board": {"said 80 %": (0.68, 0.94), "sd": (1, 6)},
          "wiped in vain, checked on the check board": {"said 80 %": (0.66, 0.94)},
          "lens changed by the log, 2 boards": {"said 80 %": (0.66, 0.94)}}


@pytest.mark.parametrize("name", BOUNDS)
def test_settings_land_in_workshops_whose_machine_changes(name):
    (case,) = [case for case in simulated.CASES if case.name == name]
    found = simulated.reached(case, WORKSHOPS)
    assert all(low <= found[quantity][0] <= high for quantity, (low, high) in BOUNDS[name].items()), found
