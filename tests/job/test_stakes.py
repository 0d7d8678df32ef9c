"""Stakes: costs by hand, and the worth of a proof against a workshop simulated board by board."""

import time

import numpy as np
import pandas as pd
import pytest

from testburn import depthfit, energy
from testburn.charts import job as jobcharts
from testburn.job import Prices, settings, stakes
from testburn.labbook import Machine

GROUP, WINDOW = ("white oak", 20), (1.0, 1.16)
MACHINE = Machine(min_speed_mm_s=50, max_speed_mm_s=240, powers_pct=(90,), line_pitches_mm=(0.05,), passes=(1,),
                  acceleration_mm_s2=3000)
PRICES = Prices(per_minute=0.5, board=40, finishing=25, proof_minutes=8, rerun_minutes=20, deep_extra=6)
ROUND = Prices(per_minute=1, board=30, finishing=10, proof_minutes=5, rerun_minutes=20, deep_extra=4,
               shallow_rerun_share=0.5, deep_lost_share=0.25)


_KEPT = {}


def once(name, made):
    """Keep what is slow to make: every test asks the same of it."""
    if name not in _KEPT:
        _KEPT[name] = made()
    return _KEPT[name]


@pytest.fixture
def many_boards(burns):
    return once("fit", lambda: depthfit.fit(burns(boards=300, seed=9)))


@pytest.fixture
def choice(many_boards):
    return once("choice", lambda: settings.choose(many_boards, *GROUP, *WINDOW, machine=MACHINE).iloc[0])


@pytest.fixture
def compared(many_boards, choice):
    return once("stakes", lambda: stakes.compare(many_boards, choice, *WINDOW, 20, PRICES, machine=MACHINE))


def test_costs_by_hand():
    # Of 100 jobs 20 are too shallow (10 burned again, 10 lost), 8 too deep (2 lost, 6 with more paint).
    # A lost board costs 30 + 10 + 20 minutes; burning again 20 minutes.
    row = {"minutes": 20, "chance_shallow": 0.2, "chance_deep": 0.08}
    assert stakes.costs(row, ROUND) == pytest.approx(
        {"cost_minutes": 20, "cost_boards": 0.12 * 60, "cost_reruns": 0.1 * 20, "cost_paint": 0.06 * 4})
    assert stakes.costs(row, ROUND, proof_minutes=5) == pytest.approx(
        {"cost_minutes": 25, "cost_boards": 0.12 * 65, "cost_reruns": 2, "cost_paint": 0.24})


def by_hand(shallow_after=0.0, board=30.0, surest=0.2):
    """As it is: 1 in 5 too shallow. After a proof: fewer. The surest speed may do no better than the card."""
    prices = Prices(**vars(ROUND) | {"board": board})
    ways = [(stakes.AS_IS, 0.2, 0), (stakes.SUREST, surest, 0), (stakes.PROOF_FIRST, shallow_after, 5)]
    rows = []
    for way, shallow, proof in ways:
        paid = stakes.costs({"minutes": 20, "chance_shallow": shallow, "chance_deep": 0}, prices, proof)
        rows.append({"way": way, "minutes": 20 + proof, "chance_inside": 1 - shallow, "chance_shallow": shallow,
                     "chance_deep": 0.0, **paid, "expected_cost": sum(paid.values())})
    return stakes.Stakes(pd.DataFrame(rows), pd.DataFrame(), prices)


def test_a_proof_that_pays_by_hand():
    # As it is 20 + 0.1 · 60 + 0.1 · 20 = 28, after a proof 25: it costs 5 and saves 8. At a board's price b
    # the first is 20 + 0.1 · (b + 30) + 2 = 25 + b/10: they meet at 0.
    found = by_hand()
    assert (found.proof_cost, found.saving, found.break_even_board_price) == pytest.approx((5, 8, 0))
    assert found.words == (
        "A proof swatch costs 5.00 and saves 8.00 on average, in your money: burn it. The chance to land inside: "
        "80 % with the card as it is, 80 % at the surest speed, 100 % after a proof, averaged over what it may "
        "show. It pays at any price of a board.")


def test_a_proof_that_does_not_pay_by_hand():
    # After the proof 1 in 10: 25 + 0.05 · (b + 35) + 1 = 27.75 + b/20 against 25 + b/10: they meet at 55.
    found = by_hand(0.1)
    assert (found.saving, found.break_even_board_price) == pytest.approx((28 - 29.25 + 5, 55))
    assert found.words.startswith("A proof swatch costs 5.00 and saves 3.75 on average, in your money: leave it.")
    assert found.words.endswith("It pays from a board price of 55.00 on.")
    assert by_hand(0.1, 54.9).saving < 5 < by_hand(0.1, 55.1).saving


def test_a_proof_must_beat_the_surest_speed_too():
    # Surest, 15 in 100: 20 + 0.075 · (b + 30) + 1.5 = 23.75 + 0.075 b; after a proof 27.75 + 0.05 b: 160.
    found = by_hand(0.1, surest=0.15)
    assert (found.without, found.break_even_board_price) == (stakes.SUREST, pytest.approx(160))
    assert found.saving == pytest.approx(26 - 29.25 + 5)


def test_a_proof_that_changes_nothing_never_pays():
    found = by_hand(0.2)
    assert found.break_even_board_price == np.inf
    assert found.words.endswith("It pays at no price of a board.")


def test_at_one_speed_a_proof_teaches_but_does_not_change_the_average(many_boards, choice, compared):
    # What is expected after the proof is, on average, what was expected before.
    only = Machine(choice["speed_mm_s"], choice["speed_mm_s"], 1, (90,), (0.05,), (1,))
    as_is, _, _, first = stakes.compare(many_boards, choice, *WINDOW, 20, PRICES, machine=only)\
        .table.to_dict("records")
    for chance in ("chance_inside", "chance_shallow", "chance_deep"):
        assert first[chance] == pytest.approx(as_is[chance], abs=0.02)
    assert compared.table["chance_inside"].iloc[-1] > first["chance_inside"] + 0.05


def answered(fit, choice, proofs_mm):
    """The speed with the best chance after each proof, three readings alike."""
    options, group = settings.by_speed(fit, choice, *WINDOW, MACHINE), fit.group(*GROUP)
    inside = [settings.chance_inside(fit.proved(depthfit.proof(choice, "J", [depth] * 3, 0.01)), group, options,
                                     *WINDOW, "J") for depth in proofs_mm]
    return options["speed_mm_s"].to_numpy()[np.argmax(inside, axis=1)]


def simulated(fit, choice, boards=20_000, seed=5):
    """Burn jobs on boards of the workshop the readings came from, at once and after a proof."""
    dice, grid = np.random.default_rng(seed), np.linspace(0.8, 1.3, 41)

    def burned(speed):
        dose = energy.line_energy(20, 90, speed) / 0.05
        return (-0.05 + 0.3 * dose) * board * np.exp(dice.normal(0, 0.03, boards))

    board = np.exp(dice.normal(0, 0.06, boards))
    proof = burned(choice["speed_mm_s"]) * (1 + dice.normal(0, 0.03 / np.sqrt(3), boards))
    return {stakes.AS_IS: burned(choice["speed_mm_s"]),
            stakes.PROOF_FIRST: burned(np.interp(proof, grid, answered(fit, choice, grid)))}


def test_the_chances_and_costs_are_those_of_boards_burned_one_by_one(many_boards, choice, compared):
    said = compared.table.set_index("way")
    for way, depths in simulated(many_boards, choice).items():
        shallow, deep = (depths < WINDOW[0]).mean(), (depths > WINDOW[1]).mean()
        chances = said.loc[way, ["chance_shallow", "chance_deep"]].tolist()
        assert (shallow, deep) == pytest.approx(chances, abs=0.025)
        happened = {"minutes": 20, "chance_shallow": shallow, "chance_deep": deep}
        proof_minutes = PRICES.proof_minutes * (way == stakes.PROOF_FIRST)
        paid = sum(stakes.costs(happened, PRICES, proof_minutes).values())
        assert paid == pytest.approx(said["expected_cost"][way], abs=0.5)


def test_what_a_proof_may_show_scatters_as_boards_swatches_and_its_readings_do(many_boards, choice, compared):
    # Board 0.06, swatch 0.03, reading 0.03 over the root of their number; the outermost of 9 normal points is
    # at 1.5932.
    one = stakes.compare(many_boards, choice, *WINDOW, 20, PRICES, MACHINE, readings=1)
    three, single = (found.outcomes["proof_mm"].iloc[-1] / found.outcomes["proof_mm"].iloc[4] - 1
                     for found in (compared, one))
    assert three == pytest.approx(1.5932 * np.sqrt(0.06**2 + 0.03**2 + 0.03**2 / 3), rel=0.05)
    assert single / three == pytest.approx(np.sqrt(0.0054 / 0.0048), abs=0.01)


def test_the_table_adds_up_and_a_proof_is_surer(compared):
    table = compared.table.set_index("way")
    assert table[stakes.COSTS].sum(axis=1).tolist() == pytest.approx(table["expected_cost"].tolist())
    assert table.filter(["chance_inside", "chance_shallow", "chance_deep"]).sum(axis=1).tolist() == pytest.approx([1] * 4)
    chances = table["chance_inside"]
    assert chances[stakes.AS_IS] <= chances[stakes.SUREST] + 0.005 < chances[stakes.PROOF_FIRST]
    assert compared.outcomes["speed_mm_s"].is_monotonic_increasing   # a deeper proof is answered by more speed
    assert table["cost_minutes"].iloc[-1] == pytest.approx(0.5 * table["minutes"].iloc[-1])
    # Planned: the pieces that get a second pass pay a rerun each, and more end inside than with one pass.
    assert chances[stakes.PLANNED] > chances[stakes.SUREST] and "measured and finished" in compared.words
    assert table.loc[stakes.PLANNED, "cost_reruns"] > table.loc[stakes.AS_IS, "cost_reruns"]


def test_the_break_even_price_is_where_the_two_cost_the_same(many_boards, choice, compared):
    price = compared.break_even_board_price
    assert 0 < price < np.inf
    again = stakes.compare(many_boards, choice, *WINDOW, 20, Prices(**vars(PRICES) | {"board": price}), machine=MACHINE)
    assert again.saving == pytest.approx(again.proof_cost)


def test_a_board_already_proved_gains_less(many_boards, choice, compared):
    seen = depthfit.proof(choice, "J", [1.05, 1.06, 1.04], 0.01)
    again = stakes.compare(many_boards.proved(seen), choice, *WINDOW, 20, PRICES, machine=MACHINE, board="J")
    assert again.saving < compared.saving


def test_it_is_quick(many_boards, choice):
    start = time.perf_counter()
    stakes.compare(many_boards, choice, *WINDOW, 20, PRICES, machine=MACHINE)
    assert time.perf_counter() - start < 1.5


@pytest.mark.parametrize(("given", "said"), [
    (dict(board=-1), "board is -1: allowed is at least 0. Use your own money, 0 or more."),
    (dict(per_minute=float("nan")), "per_minute is nan: allowed is at least 0. Use your own money, 0 or more."),
    (dict(deep_lost_share=20), "deep_lost_share is 20: allowed is at least 0 and at most 1. Use a share of all, from 0 to 1.")])
def test_prices_that_cannot_be_are_refused(given, said):
    with pytest.raises(ValueError) as caught:
        Prices(**vars(PRICES) | given)
    assert str(caught.value) == said


def test_no_minutes_are_refused(many_boards, choice):
    with pytest.raises(ValueError) as caught:
        stakes.compare(many_boards, choice, *WINDOW, 0, PRICES)
    assert str(caught.value) == "A job of 0 minutes is none. Give its minutes at the machine."


def test_the_chart_stacks_the_tables_parts_in_patterns(compared):
    figure = jobcharts.stakes(compared)
    for trace, column in zip(figure.data, stakes.COSTS, strict=True):
        assert list(trace.x) == pytest.approx(compared.table[column].tolist(), abs=5e-5)
    assert len({trace.marker.pattern.shape for trace in figure.data}) == len(stakes.COSTS)
    assert figure.layout.barmode == "stack"


def test_where_nothing_costs_anything_a_proof_makes_no_difference(many_boards, choice):
    free = stakes.Prices(0, 0, 0, 0, 0, 0)
    said = stakes.compare(many_boards, choice, 0.45, 0.65, 20, free).words
    assert "it makes no difference" in said and "It pays" not in said


@pytest.mark.parametrize("price", ["0.6", True, [1]])
def test_a_price_of_another_kind_is_said_by_name(price):
    with pytest.raises(ValueError, match="per_minute is .*: this is not a number."):
        stakes.Prices(price, 1, 1, 1, 1, 1)
