"""Track record: said and landed, against chances worked out by another library and counts by hand."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from testburn import drift
from testburn.labbook import jobs


def finished(depths_mm, board=lambda place: f"B{place}", at_least_mm=0.45, at_most_mm=0.55, board_sd=0.08, state_sd=np.nan):
    """Finished recesses that cards expected 0.5 mm deep, one reading each."""
    return pd.DataFrame([{
        "burn": f"sign-{place}", "species": "white oak", "board": board(place), "swatch": "1", "depth_mm": depth,
        "expected_mm": 0.5, "at_least_mm": at_least_mm, "at_most_mm": at_most_mm, "curve_sd": 0.03,
        "state_sd": state_sd, "board_sd": board_sd,
        "swatch_sd": 0.04, "reading_sd": 0.03, "gauge_sd_mm": 0.01, "df": 12.0} for place, depth in enumerate(depths_mm)])


@pytest.mark.parametrize("state_sd", [np.nan, 0.1])
def test_what_was_said_is_the_cards_own_chance(state_sd):
    """Against scipy.stats, which the suite does not use here (Student 1908)."""
    found = drift.track_record(finished([0.5] * 12, state_sd=state_sd))
    sd = 0.5 * np.sqrt(0.03**2 + np.nan_to_num(state_sd)**2 + 0.08**2 + 0.04**2)
    want = stats.t(12, 0.5, sd).cdf(0.55) - stats.t(12, 0.5, sd).cdf(0.45)
    assert found.recesses["said"].to_numpy() == pytest.approx(want, abs=1e-12) and found.recesses["landed"].all()
    assert found.table[["from_pct", "to_pct", "recesses", "landed_pct"]].iloc[0].tolist() == [0, 70, 12, 100]


def test_without_a_window_it_is_the_range_that_holds_80_of_100():
    found = drift.track_record(finished([0.5] * 12, at_least_mm=np.nan, at_most_mm=np.nan)).recesses
    sd = np.sqrt(0.5**2 * (0.03**2 + 0.08**2 + 0.04**2 + 0.03**2) + 0.01**2)
    low, high = stats.t(12, 0.5, sd).interval(0.8)
    assert (found["said"] == 0.8).all()
    assert found[["at_least_mm", "at_most_mm"]].iloc[0].tolist() == pytest.approx([low, high], abs=1e-12)


@pytest.mark.parametrize(("depths_mm", "words"), [
    ([0.5] * 9, "9 finished recesses so far. From 10 on this page tells"),
    ([0.5], "1 finished recess so far."),
    ([0.5] * 8 + [0.3] * 4, "would land where they said, and 8 (67 %) did. Between 6 and 11 would be usual; that is what "
                            "chance does."),
    ([0.5] * 2 + [0.3] * 10, "and 2 (17 %) did. Between 6 and 11 would be usual; that is fewer than chance explains"),
    ([0.5] * 40, "that is more than chance explains: the cards are too careful")])
def test_the_words(depths_mm, words):
    assert words in drift.track_record(finished(depths_mm)).words


def test_boards_that_fall_together_are_no_proof():
    """Two boards, six recesses each: what would be far too few of twelve is nothing of two."""
    few = [0.5] * 2 + [0.3] * 10
    apart, together = (drift.track_record(finished(few, board)).words
                       for board in (lambda place: f"B{place}", lambda place: f"B{place % 2}"))
    assert "fewer than chance" in apart and "what chance does" in together


def test_of_workshops_that_are_as_their_cards_say_few_are_told_otherwise():
    """400 workshops of 20 boards whose depths come from the very distribution: at most 5 in 100 are told it is not so."""
    rng, told = np.random.default_rng(13), 0
    sd = 0.5 * np.sqrt(0.03**2 + 0.08**2 + 0.04**2)
    for _ in range(400):
        told += "what chance does" not in drift.track_record(finished(stats.t(12, 0.5, sd).rvs(20, random_state=rng))).words
    assert told <= 0.05 * 400 + 2 * np.sqrt(400 * 0.05 * 0.95)


def test_the_demo_and_an_empty_book(labdata):
    assert drift.track_record(jobs.read(labdata)).words.startswith("Of ")
    empty = drift.track_record(jobs.read(labdata).iloc[:0])
    assert empty.words.startswith("0 finished recesses so far.") and empty.table.empty and "<p>" in empty._repr_html_()
