"""Boards: the next one, a burned one, a proved one; against the algebra done the long way."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import special

from testburn import depthfit
from testburn.depthfit import boards, curves, spreads, swatches
from testburn.depthfit.spreads import NODES, Spreads

sys.path.append(str(Path(__file__).parents[1] / "benchmarks"))
from simulated_workshops import POWER_W, USUAL_ROUTE, burned, draw_truth, line_energy_j_mm

ENERGY = np.array([0.15, 0.2, 0.3, 0.5])
LEVEL = 0.95
ROUTE = swatches.route(*USUAL_ROUTE)


def fitted(readings, **options):
    return Spreads(curves.fitted(swatches.reduced(readings, line_energy_j_mm(readings)), **options))


def workshop(seed=3, boards=3, **burns):
    rng = np.random.default_rng(seed)
    truth = draw_truth(rng)
    return truth, *burned(rng, truth, boards=boards, **burns)


@pytest.fixture(scope="module")
def fit():
    return fitted(workshop()[1])


@pytest.fixture(scope="module")
def next_board(fit):
    return boards.next_board(fit, 0)


def width(fit, state, of="reading", **options):
    expected = boards.predictive(fit, state, ENERGY, ROUTE, of, **options)
    lower, upper = expected.limits(LEVEL)
    return (upper - lower) / expected.depth_mm


def predictive(fit, state, x, of="reading", **options):
    return boards.predictive(fit, state, x, ROUTE, of, **options)


def proved(fit, state, x, mean_mm, count, *step):
    return boards.proved(fit, state, x, ROUTE, mean_mm, count, *step)


def proof_at(fit, state, x, times=1.0):
    """A proof swatch that reads so many times what is expected."""
    return proved(fit, state, x, times * predictive(fit, state, x).depth_mm, 3)


# ------------------------------------------------------------------------ the long way round
def mixed_model(fit, group, node):
    """Henderson's mixed model equations at one node: estimates and covariance of the curve's two errors, three
    route slopes, and each board's level and slope (Henderson 1975, Biometrics 31:423-447, from memory)."""
    rows, noise, response, starts = spreads.own_swatches(fit.curves, group)
    level, slope, own = NODES[node]
    board = np.repeat(np.arange(len(starts)), np.diff(np.r_[starts, len(noise)]))
    z = [column[:, None] * (board[:, None] == np.arange(len(starts))) for column in rows[:, 6:].T]
    both = np.hstack([rows[:, :2], rows[:, 3:6], *z])
    weighted = both / (noise + own**2)[:, None]
    equations = both.T @ weighted
    equations[2:5, 2:5] += curves.scatter.ROUTE_PRECISION
    equations[5:, 5:] += np.diag(np.repeat([level**-2, slope**-2], len(starts)))
    inverse = np.linalg.inv(equations)
    return inverse @ weighted.T @ response[:, 0], inverse, len(starts)


@pytest.mark.parametrize("group", [0, 1, 2])
@pytest.mark.parametrize("node", [40, 190, 300])
def test_a_burned_board_is_the_best_linear_prediction(group, node):
    fit = fitted(workshop(5, boards=(2, 4), readings=(1, 5), missing=0.3)[1], alpha=0.0)
    mean, inverse, count = mixed_model(fit, group, node)
    s = fit.curves.swatches
    for place, board in enumerate(s.boards[s.group_of_board == group]):
        state = boards.burned_board(fit, group, board)
        theirs, ours = [0, 1, 2, 3, 4, 5 + place, 5 + count + place], [0, 1, 3, 4, 5, 6, 7]
        assert state.mean[node][ours] == pytest.approx(mean[theirs], rel=1e-7, abs=1e-10)
        assert state.covariance[node][np.ix_(ours, ours)] == pytest.approx(
            inverse[np.ix_(theirs, theirs)], rel=1e-7, abs=1e-12)


def test_the_restricted_likelihood_is_that_of_the_whole_covariance_matrix():
    """Up to a constant: -½ (log|V| + log|X'V⁻¹X| + r'V⁻¹r), the route slopes in V (Searle, Casella & McCulloch,
    Variance Components, 1992, chapter 6, from memory)."""
    fit = fitted(workshop(5, boards=3)[1], alpha=0.0)
    rows, noise, response, starts = spreads.own_swatches(fit.curves, 0)
    board = np.repeat(np.arange(len(starts)), np.diff(np.r_[starts, len(noise)]))
    same, x, z = board[:, None] == board, rows[:, :2], response[:, 0]
    found = []
    for level, slope, own in NODES[[40, 190, 300]]:
        v = (same * (level**2 + slope**2 * np.outer(rows[:, 7], rows[:, 7])) + np.diag(noise + own**2)
             + rows[:, 3:6] @ np.linalg.inv(curves.scatter.ROUTE_PRECISION) @ rows[:, 3:6].T)
        normal = x.T @ np.linalg.solve(v, x)
        left = z - x @ np.linalg.solve(normal, x.T @ np.linalg.solve(v, z))
        found.append(-0.5 * (np.linalg.slogdet(v)[1] + np.linalg.slogdet(normal)[1] + left @ np.linalg.solve(v, left)))
    assert np.diff(fit.nodes(0).log_likelihood[[40, 190, 300]]) == pytest.approx(np.diff(found), rel=1e-8)


def test_one_proof_is_shrunk_by_the_variances_at_every_node(fit, next_board):
    """In the middle of the data: gap · known part / (known + swatch + place + readings)."""
    x = 0.25
    state = proof_at(fit, next_board, x, 1.2)
    depth, _, h = spreads.log_rows(fit.curves, 0, x, fit.curves.route_of(ROUTE, 0))
    known = np.einsum("ei,nij,ej->n", h, next_board.covariance, h)
    noise = NODES[:, 2] ** 2 + state.learned.noise
    gap = state.learned.gap - next_board.mean @ h[0]
    assert (state.mean - next_board.mean) @ h[0] == pytest.approx(gap * known / (known + noise), rel=1e-9)
    # and nodes that foretold it better weigh more: a normal density each
    density = np.exp(-0.5 * gap**2 / (known + noise)) / np.sqrt(known + noise)
    assert state.weights == pytest.approx(
        next_board.weights * density / (next_board.weights @ density), rel=1e-9, abs=1e-12)


def test_limits_and_chances_are_of_one_mixture(fit, next_board):
    expected = predictive(fit, next_board, ENERGY)
    lower, upper = expected.limits(LEVEL)
    assert expected.chance_inside(lower, upper) == pytest.approx(LEVEL, rel=1e-9)
    z = (0.8 - expected.centres_mm) / expected.sds_mm
    assert expected.chance_below(0.8) == pytest.approx(expected.weights @ special.ndtr(z), rel=1e-12)
    assert expected.chance_inside(-np.inf, np.inf) == pytest.approx(1, abs=1e-12)


# ------------------------------------------------------------------------ widths in their order
def test_the_next_board_is_less_sure_than_a_proved_one_and_a_burned_one_surest(fit, next_board):
    # A burned board has eight swatches, a proof is one, so the order is next, proved, burned.
    proved = proof_at(fit, next_board, 0.3)
    known = boards.burned_board(fit, 0, "0-1")
    assert (width(fit, next_board) > 1.3 * width(fit, proved)).all()
    assert (width(fit, proved) > width(fit, known)).all()


def test_a_reading_is_less_sure_than_a_swatch_and_that_than_the_mean(fit, next_board):
    for state in (next_board, boards.burned_board(fit, 0, "0-1")):
        assert (width(fit, state, "reading") > width(fit, state, "swatch")).all()
        assert (width(fit, state, "swatch") > width(fit, state, "mean")).all()


def test_a_coarse_gauge_widens_a_reading_and_nothing_else(fit, next_board):
    fine, coarse = ({of: width(fit, next_board, of, gauge_step_mm=step)
                     for of in ("reading", "swatch", "mean")} for step in (0.01, 0.2))
    assert (coarse["reading"] > fine["reading"]).all()
    # GUM 4.3.7: the half-width over the root of 3, added in squares
    sd = [predictive(fit, next_board, 0.3, gauge_step_mm=step) for step in (0.0, 0.2)]
    added = (sd[1].relative_sd**2 - sd[0].relative_sd**2)[0] ** 0.5 * sd[0].depth_mm[0]
    assert added == pytest.approx(0.1 / 3**0.5, rel=1e-9)
    assert coarse["swatch"] == pytest.approx(fine["swatch"]) and coarse["mean"] == pytest.approx(fine["mean"])


def test_a_coarse_gauge_makes_a_proof_count_less(fit, next_board):
    fine, coarse = (proved(fit, next_board, 0.2, 0.7, 3, step) for step in (0.01, 0.3))
    before = predictive(fit, next_board, 0.2).depth_mm
    moved = [abs(np.log(predictive(fit, s, 0.2).depth_mm / before))[0] for s in (fine, coarse)]
    assert moved[0] > moved[1] > 0


def test_each_board_burned_narrows_the_interval():
    fits = [[fitted(workshop(seed, boards=number)[1]) for seed in range(6)] for number in (1, 2, 3, 6)]
    widths = [np.mean([width(fit, boards.next_board(fit, 0)) for fit in row]) for row in fits]
    assert (np.diff(widths) < 0).all()


def test_the_same_readings_twice_narrow_only_as_far_as_the_board_allows():
    readings = workshop()[1]
    twice = pd.concat([readings, readings.assign(reading=readings["reading"] + 3)])
    once, again = fitted(readings), fitted(twice)
    ratio = (width(again, boards.next_board(again, 0)) / width(once, boards.next_board(once, 0)))
    assert (ratio > 0.9).all()      # as independent readings they would narrow the curve to 0.71
    table = again.curves.components.table.set_index("component")
    assert table.loc["board", "df"] == pytest.approx(once.curves.components.table["df"][0], rel=0.1)


def test_a_lower_limit_is_never_negative():
    for seed in range(5):
        fit = fitted(workshop(seed, boards=1)[1])
        expected = predictive(fit, boards.next_board(fit, 0), np.linspace(0.001, 2, 200))
        lower, upper = expected.limits(0.999)
        assert (lower >= 0).all() and (upper >= lower).all()


def test_no_energy_predicts_no_depth_below_zero(fit, next_board):
    assert (predictive(fit, next_board, [0.0, 0.001]).depth_mm >= 0).all()


# ---------------------------------------------------------------------------- boards that are known
def test_a_known_board_uses_its_own_factor():
    found, true = [], []
    for seed in range(8):
        truth, readings, factor = workshop(seed)
        fit = fitted(readings)
        for group, name in enumerate(fit.curves.swatches.group_keys["species"]):
            for board in fit.curves.swatches.boards[fit.curves.swatches.group_of_board == group]:
                depth = [predictive(fit, state, 0.3).depth_mm[0] for state in (
                    boards.burned_board(fit, group, board), boards.next_board(fit, group))]
                average = truth.depth_mm(int(board[0]), POWER_W / 0.3)
                found.append(np.log(depth[0] / average))
                true.append(np.log(factor[board]))
    assert np.corrcoef(found, true)[0, 1] > 0.95
    assert np.polyfit(true, found, 1)[0] == pytest.approx(1, abs=0.1)


def test_faint_swatches_do_not_lean_on_the_factor_of_their_board():
    """Below a tenth of the deepest swatch the weight stops at that depth, the residual does not."""
    readings = workshop(1, swatches=6)[1]
    faint = readings["swatch"] == "s5"
    deepest = readings.groupby("species")["depth_mm"].transform("max")
    curved = readings.assign(depth_mm=readings["depth_mm"].where(~faint, 0.04 * deepest.round(1)))
    fit = fitted(curved)
    factors = [boards.burned_board(fit, group, board).error(6)[0] for group in range(3)
               for board in fit.curves.swatches.boards[fit.curves.swatches.group_of_board == group]]
    assert abs(np.mean(factors)) < 0.03


def test_a_board_not_in_the_fit_is_not_found(fit):
    with pytest.raises(LookupError) as refused:
        boards.burned_board(fit, 0, "0-9")
    assert str(refused.value) == ("Board 0-9 has no swatch with a mark in this fit. Fitted are: 0-0, 0-1, "
                                  "0-2. Ask for one of these, or for the next board.")


def test_an_unknown_kind_of_prediction_is_refused(fit, next_board):
    with pytest.raises(ValueError) as refused:
        predictive(fit, next_board, 0.3, of="board")
    assert str(refused.value) == "of='board' is unknown. Ask for a 'reading', a 'swatch' or the 'mean'."


# ------------------------------------------------------------------------------------- proofs
def test_a_proof_moves_the_prediction_its_way_but_not_all_the_way(fit, next_board):
    for times in (0.85, 1.15):
        before, after = (predictive(fit, state, 0.3).depth_mm[0]
                         for state in (next_board, proof_at(fit, next_board, 0.2, times)))
        moved = np.log(after / before) / np.log(times)
        assert 0.5 < moved < 1


def test_several_proofs_add_up(fit, next_board):
    x, mean_mm = [0.2, 0.3, 0.45], [0.55, 0.95, 1.5]
    batch, single = proved(fit, next_board, x, mean_mm, 3), next_board
    widths = [width(fit, single)]
    for one, depth in zip(x, mean_mm):
        single = proved(fit, single, one, depth, 3)
        widths.append(width(fit, single))
    a, b = predictive(fit, batch, ENERGY), predictive(fit, single, ENERGY)
    assert single.proofs == batch.proofs == 3
    assert a.depth_mm == pytest.approx(b.depth_mm, rel=2e-3)
    assert a.relative_sd == pytest.approx(b.relative_sd, rel=2e-3)
    assert (np.diff(widths, axis=0) < 0).all()


def test_more_readings_of_a_proof_help_a_little_another_swatch_more(fit, next_board):
    many = proved(fit, next_board, 0.3, 0.95, 30)
    few, two = (proved(fit, next_board, [0.3] * n, [0.95] * n, 3) for n in (1, 2))
    assert (width(fit, few, "mean") > width(fit, many, "mean")).all()
    assert (width(fit, many, "mean") > width(fit, two, "mean")).all()


@pytest.mark.parametrize(("times", "flagged"), [(1.0, False), (1.12, False), (0.88, False),
                                                (2.0, True), (0.45, True), (25.4, True)])
def test_a_wild_proof_is_flagged(fit, next_board, times, flagged):
    assert np.isnan(next_board.surprise_p)
    assert (proof_at(fit, next_board, 0.3, times).surprise_p < 0.01) == flagged


def test_proofs_that_disagree_with_each_other_are_flagged(fit, next_board):
    depth = predictive(fit, next_board, 0.3).depth_mm[0]
    state = proved(fit, next_board, [0.3, 0.3], [0.75 * depth, 1.3 * depth], 3)
    assert state.surprise_p < 0.01


def test_the_flags_p_is_a_p():
    """Of honest proofs on new boards about as many fall below p as p says."""
    p = []
    for seed in range(40):
        truth, readings, _ = workshop(seed, boards=5)
        fit, rng = fitted(readings), np.random.default_rng(1000 + seed)
        for factor in np.maximum(1 + rng.normal(0, truth.board_sd, 10), 0.05):
            recess = factor * truth.depth_mm(0, 130.0) * (1 + rng.normal(0, truth.swatch_sd))
            read = truth.read(rng, np.full(3, recess)).mean()
            group = fit.curves.group_index("black cherry")
            p.append(proved(fit, boards.next_board(fit, group), POWER_W / 130.0, read, 3).surprise_p)
    assert np.mean(np.array(p) < 0.5) == pytest.approx(0.5, abs=0.12)
    assert np.mean(np.array(p) < 0.1) == pytest.approx(0.1, abs=0.06)


@pytest.mark.parametrize(("times", "power", "said"), [
    (1.0, 0, ""), (1.15, 0, ""), (1 / 1.15, 0, ""),
    (2.0, 0, "Proved at 0.2 J/mm²; this setting lays 0.4 J/mm², 100 % more: the proof says less of it"),
    (0.5, 0, "this setting lays 0.1 J/mm², 50 % less: the proof"),
    (1.0, 1, "this setting lays 0.2 J/mm², 0 % less, by another power: the proof says less of it, and the interval "
             "counts that in. A proof with this setting tells most.")])
def test_a_setting_away_from_the_proof_is_said(times, power, said, fit, next_board):
    learned = proof_at(fit, next_board, [0.2])
    words = boards.elsewhere(learned, 0.2 * times, ROUTE + [power, 0, 0])
    assert words.startswith("Proved at") == bool(said) and said in words
    assert boards.elsewhere(next_board, 0.2 * times, ROUTE) == ""


def test_what_is_said_of_a_proof_is_what_was_set_and_not_what_a_fading_module_let_through(fit, next_board):
    """Proved with 0.25 J/mm² set, of which four fifths reached the wood."""
    learned = proof_at(fit, next_board, [0.2])
    assert boards.elsewhere(learned, 0.25, ROUTE, 0.8) == ""
    assert boards.elsewhere(learned, 0.5, ROUTE, 0.8).startswith(
        "Proved at 0.25 J/mm²; this setting lays 0.5 J/mm², 100 % more")


def test_the_nearest_of_several_proofs_counts(fit, next_board):
    learned = proof_at(fit, proof_at(fit, next_board, [0.2]), [0.45])
    assert boards.elsewhere(learned, 0.45, ROUTE) == "" and "Proved at 0.45" in boards.elsewhere(learned, 0.9, ROUTE)


# Coefficient of variation of density within a species, %: Global Wood Density Database, version 2 (Fischer et al. 2026).
@pytest.mark.parametrize("wood, published_pct", [
    ("white oak", 5.8), ("sugar maple", 8.6), ("black cherry", 10.2), ("red alder", 12.6), ("butternut", 15.4),
    ("western redcedar", 24.4)])
def test_a_wood_of_varied_density_begins_wider_and_none_narrower(wood, published_pct):
    widths, spread = {}, {}
    for name in ("northern red oak", wood):
        rng = np.random.default_rng(5)
        truth = draw_truth(rng)
        for count in (1, 8):
            readings = burned(np.random.default_rng(count), truth, count)[0]
            readings = readings[readings["species"] == "northern red oak"].assign(species=name)
            fit = depthfit.fit(readings)
            expected = fit.predictive(fit.groups[0], [0.3], USUAL_ROUTE[1], "reading")[0]
            widths[name, count] = (np.subtract(*expected.limits(0.95)) / expected.depth_mm)[0]
            spread[name, count] = fit.spreads.board_sd(0)[0]
    wider = {count: widths[wood, count] / widths["northern red oak", count] for count in (1, 8)}
    counted = max(published_pct / 10, 1)
    if counted < 1.11:
        assert wider == {1: 1, 8: 1} and not fit.said_of(fit.groups[0])
    else:
        # On a board alone the prior speaks: by half of what is published, on the scale of logarithms.
        assert spread[wood, 1] / spread["northern red oak", 1] == pytest.approx(counted**0.5, rel=0.08)
        assert 1 < wider[8] < 1 + 0.5 * (wider[1] - 1)
        assert f"{published_pct:.0f} % within the wood" in fit.said_of(fit.groups[0])
