"""Batch and quote: every line in closed form, computed by hand in the test from prices and chances."""

import pandas as pd
import pytest

from testburn import depthfit, labbook
from testburn.job import Job, Prices, quote, stakes
from testburn.job.quote import Batch
from testburn.labbook import Machine

# Invented prices: no figure here is anybody's.
PRICES = Prices(per_minute=0.6, board=7.5, finishing=4.0, proof_minutes=7.0, rerun_minutes=20.0, deep_extra=1.5,
                shallow_rerun_share=0.8, deep_lost_share=0.2, setup_minutes=15.0, loading_minutes=3.0, labour_per_minute=0.9)
CERTAIN = pd.DataFrame([{"minutes": 12.5, "chance_shallow": 0.10, "chance_deep": 0.05}])
# Line, count, each: six pieces from one plank of six. Of 100, 10 are too shallow: 2 are lost, 8 burned again; of the 5 too
# deep 1 is lost and 4 take more paint.
LOST = 0.10 * 0.2 + 0.05 * 0.2
SIX = [
    ("machine minutes", 6 * 12.5, 0.6), ("labour", 15 + 6 * 3, 0.9), ("material", 6, 7.5), ("finishing", 6, 4.0), ("proof", 1, 7 * 0.6),
    ("expected re-runs", 6, LOST * (7.5 + 4.0 + 12.5 * 0.6 + 3 * 0.9) + 0.08 * 20 * 0.6 + 0.04 * 1.5)]


@pytest.mark.parametrize(("line", "count", "each"), SIX)
def test_each_line_is_as_by_hand(line, count, each):
    row = quote.of(6, 6, CERTAIN, PRICES).table.set_index("line").loc[line]
    assert (row["count"], row["each"], row["amount"]) == pytest.approx((count, each, count * each), rel=1e-12)


def test_the_total_is_the_sum_of_the_lines_and_no_line_is_in_another():
    six = quote.of(6, 6, CERTAIN, PRICES)
    assert six.total == pytest.approx(sum(count * each for _, count, each in SIX), rel=1e-12)
    assert six.a_piece == pytest.approx(six.total / 6)
    assert list(six.table["line"]) == list(quote.LINES)


@pytest.mark.parametrize(("price", "lines"), [
    ("setup_minutes", {"labour"}), ("proof_minutes", {"proof"}), ("finishing", {"finishing", "expected re-runs"}),
    ("board", {"material", "expected re-runs"}), ("rerun_minutes", {"expected re-runs"}), ("deep_extra", {"expected re-runs"}),
    ("loading_minutes", {"labour", "expected re-runs"}), ("labour_per_minute", {"labour", "expected re-runs"})])
def test_a_dearer_price_moves_its_own_lines_and_no_others(price, lines):
    """What a lost piece costs again is the only second place of a price."""
    dearer = Prices(**{**PRICES.__dict__, price: getattr(PRICES, price) + 1})
    before, after = (quote.of(6, 6, CERTAIN, prices).table.set_index("line")["amount"] for prices in (PRICES, dearer))
    assert set(after.index[(after - before).abs() > 1e-12]) == lines


def test_a_setting_that_cannot_miss_expects_no_re_run():
    sure = quote.of(6, 6, CERTAIN.assign(chance_shallow=0.0, chance_deep=0.0), PRICES)
    assert sure.table["amount"].iloc[-1] == 0


def test_without_a_rate_of_its_own_work_by_hand_costs_a_minute_at_the_machine():
    plain = Prices(**{**PRICES.__dict__, "labour_per_minute": None})
    assert quote.of(6, 6, CERTAIN, plain).table["each"].iloc[1] == 0.6


def test_before_a_proof_the_lines_are_averages_over_what_it_may_show():
    two = pd.DataFrame([{"minutes": 10.0, "chance_shallow": 0.2, "chance_deep": 0.0}, {"minutes": 14.0, "chance_shallow": 0.0, "chance_deep": 0.1}])
    table = quote.of(1, 1, two, PRICES).table.set_index("line")
    assert table.loc["machine minutes", "count"] == 12.0
    first = 0.2 * 0.2 * (7.5 + 4 + 6 + 2.7) + 0.2 * 0.8 * 20 * 0.6
    second = 0.1 * 0.2 * (7.5 + 4 + 8.4 + 2.7) + 0.1 * 0.8 * 1.5
    assert table.loc["expected re-runs", "each"] == pytest.approx((first + second) / 2, rel=1e-12)


@pytest.mark.parametrize(("first", "last", "which"), [(1, 1, (1,)), (1, 2, (1, 2)), (1, 3, (1, 2, 3)), (1, 6, (1, 3, 6)),
                                                      (7, 12, (7, 9, 12)), (7, 7, (7,))])
def test_the_first_the_middle_and_the_last_piece_are_measured(first, last, which):
    assert quote.measured(first, last) == which


@pytest.mark.parametrize(("pieces", "a_board", "boards", "table"), [
    (6, 6, 1, [("1 to 6", 15 + 7 + 6 * 15.5, "1, 3, 6")]),
    (7, 6, 2, [("1 to 6", 15 + 7 + 6 * 15.5, "1, 3, 6"), ("7", 7 + 15.5, "7")]),
    (1, 1, 1, [("1", 15 + 7 + 15.5, "1")])])
def test_minutes_with_loading_and_one_proof_a_board(pieces, a_board, boards, table):
    found = Batch(pieces, a_board, 12.5, 3.0, 15.0, 7.0)
    assert found.boards == boards
    assert [tuple(row) for row in found.table[["pieces", "minutes", "measure"]].itertuples(index=False)] == table
    assert found.minutes == pytest.approx(found.table["minutes"].sum())
    assert found.minutes == pytest.approx(15 + boards * 7 + pieces * (12.5 + 3))


def test_the_demos_quote_is_of_the_state_its_order_is_in(labdata):
    """Proved: the chances of that board. Unproved: what `stakes` averages over a proof, the proof once a board."""
    job = Job.read(labdata, depthfit.fit(labbook.read(labdata)), Machine.of(labdata))
    prices, one = job.order.prices_or_examples, job.recommended
    lost = stakes.costs(one[["minutes", "chance_shallow"]].astype(float).to_dict() | {
        "chance_deep": 1 - one["chance_inside"] - one["chance_shallow"]}, prices, handling=prices.by_hand * prices.loading_minutes)
    again = job.quote.table.set_index("line").loc["expected re-runs", "each"]
    assert again == pytest.approx(lost["cost_boards"] + lost["cost_reruns"] + lost["cost_paint"], rel=1e-12)
    assert job.batch.burn_minutes == one["minutes"] and job.batch.boards == 1
    assert set(job.quote.examples) == {"shallow_rerun_share", "deep_lost_share"} and "shallow rerun share" in job.quote.words
    unproved = job.changed(proofs=())
    outcomes = unproved.stakes.outcomes
    assert unproved.batch.burn_minutes == pytest.approx(outcomes["minutes"].mean())
    assert unproved.quote.table.set_index("line").loc["proof", "amount"] == pytest.approx(0.6 * 7)
    # A proof of six pieces' board costs each of them a sixth.
    assert unproved.stakes.proof_cost == pytest.approx(0.6 * 7 / 6)
    assert "<script" not in job.quote._repr_html_() and "all together" in job.quote._repr_html_()
