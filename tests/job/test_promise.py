"""Promise: the parts written down add up to the prediction they were taken from."""

import numpy as np
import pytest

from testburn import depthfit
from testburn.job import promise, settings
from testburn.labbook import check


@pytest.fixture(scope="module")
def readings(burns):
    return burns()


@pytest.fixture(scope="module")
def fit(readings):
    return depthfit.fit(readings)


@pytest.fixture(scope="module")
def choices(fit):
    return settings.steps(fit, "white oak", 20, [0.5, 1.0, 1.5])


def recess(fit, choices, board):
    return fit.predictive(fit.group("white oak", 20), choices["line_energy_j_mm"].to_numpy(), 0.05,
                          "swatch", board)[0]


@pytest.mark.parametrize("board", ["next", "B1"])
def test_the_parts_add_up_to_the_prediction_of_the_recess(fit, choices, board):
    rows, whole = promise.of(fit, choices, board), recess(fit, choices, board)
    parts = rows[["curve_sd", "board_sd", "swatch_sd"]].to_numpy()
    assert np.sqrt((parts**2).sum(1)) == pytest.approx(whole.relative_sd, rel=2e-6)
    assert rows["expected_mm"].to_numpy() == pytest.approx(whole.depth_mm, rel=1e-5)
    assert rows["df"].to_numpy() == pytest.approx(whole.df, rel=1e-5)


def test_the_expected_depth_is_the_one_on_the_card(fit, choices):
    rows = promise.of(fit, choices)
    assert rows["expected_mm"].to_numpy() == pytest.approx(choices["depth_mm"].to_numpy(), rel=1e-5)


def test_the_next_board_may_differ_by_the_spread_of_its_wood_and_a_known_one_by_less(fit, choices):
    _, low, high = fit.spreads.board_sd(fit.group("white oak", 20).index)
    free, known = promise.of(fit, choices), promise.of(fit, choices, "B1")
    assert free["board_sd"].between(low, high).all()
    assert (known["board_sd"] < free["board_sd"]).all()
    assert (known["curve_sd"] == 0).all() and (free["curve_sd"] > 0).all()


def test_a_proved_board_is_promised_by_its_own_card(fit, choices):
    proof = depthfit.proof(choices.iloc[1], "K7", [1.1, 1.12, 1.08], 0.01)
    rows = promise.of(fit.proved(proof), choices, "K7")
    assert (rows["card"] != fit.fingerprint).all() and (rows["readings_mark"] == fit.readings_mark).all()
    assert (rows["expected_mm"] > promise.of(fit, choices)["expected_mm"]).all()


def test_aim_and_window_are_kept_and_missing_ones_are_empty(fit, choices):
    assert promise.of(fit, choices)["aim_mm"].tolist() == [0.5, 1.0, 1.5]
    chosen = settings.choose(fit, "white oak", 20, 0.9, 1.1)
    row = promise.of(fit, chosen, window={"at_least_mm": 0.9, "at_most_mm": 1.1}).iloc[0]
    assert (row["at_least_mm"], row["at_most_mm"]) == (0.9, 1.1) and np.isnan(row["aim_mm"])
    assert promise.of(fit, chosen)[["at_least_mm", "at_most_mm"]].isna().all(axis=None)


def test_one_row_a_choice_in_their_order_with_these_columns(fit, choices):
    shuffled = choices.iloc[[2, 0, 1]]
    rows = promise.of(fit, shuffled)
    assert tuple(rows.columns) == promise.COLUMNS
    assert rows["speed_mm_s"].tolist() == shuffled["speed_mm_s"].tolist()
    assert promise.of(fit, choices.iloc[:0]).shape == (0, len(promise.COLUMNS))


def test_several_pitches_are_each_predicted_at_their_own(burns):
    fit = depthfit.fit(burns(boards=4, pitches_mm=(0.05, 0.08)))
    both = settings.choose(fit, "white oak", 20, 0.4, 0.8)
    assert both["line_pitch_mm"].nunique() == 2
    assert promise.of(fit, both)["expected_mm"].to_numpy() == pytest.approx(
        both["depth_mm"].to_numpy(), rel=1e-5)


def test_six_significant_digits_and_no_more(fit, choices):
    numbers = promise.of(fit, choices).select_dtypes("float").stack().dropna()
    assert all(float(f"{value:.6g}") == value for value in numbers)


def test_invented_readings_make_an_invented_promise(fit, readings, choices):
    made_up = depthfit.fit(check(readings.drop(columns="struck_because").assign(invented="yes")))
    assert set(promise.of(made_up, choices)["invented"]) == {"yes"}
    assert set(promise.of(fit, choices)["invented"]) == {""}


def test_a_board_that_nobody_knows_is_refused(fit, choices):
    with pytest.raises(LookupError, match="^Board Z9 is not known for white oak, 20 W at 450 nm"):
        promise.of(fit, choices, "Z9")
