"""Compare: the F test is the textbook's where the textbook applies, and says what it found."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from statsmodels.stats.anova import anova_lm

from testburn import depthfit
from testburn.depthfit import compare

READING = 2     # the place of the reading component


def textbook_groups(count, seed):
    """Readings of straight lines whose scatter is the same everywhere."""
    dice = np.random.default_rng(seed)
    x = [np.sort(dice.uniform(0, 5, 6 + 2 * place)) for place in range(count)]
    return pd.DataFrame({
        "group": np.repeat(list("abc")[:count], [len(one) for one in x]), "x": np.concatenate(x),
        "y": np.concatenate([1 + (1 + 0.1 * place) * one + dice.normal(0, 0.3, len(one))
                             for place, one in enumerate(x)])})


def textbook_f(frame, terms):
    """Put each group's own line, with one pooled variance, through `contrast_f`."""
    lines, shares, squares = [], [], 0.0
    for _, rows in frame.groupby("group"):
        design = np.vander(rows["x"], 2, increasing=True)
        share = np.linalg.inv(design.T @ design)
        line = share @ design.T @ rows["y"].to_numpy()
        squares += ((rows["y"] - design @ line) ** 2).sum()
        lines.append(line[terms])
        shares.append(share[np.ix_(terms, terms)])
    df = len(frame) - 2 * len(lines)
    pooled = squares / df
    parts = np.zeros((len(lines), 5, len(terms), len(terms)))
    parts[:, READING] = shares
    variances, covariance = np.zeros(4), np.zeros((4, 4))
    variances[READING], covariance[READING, READING] = pooled, 2 * pooled**2 / df
    return compare.contrast_f(np.array(lines), parts, variances, covariance)


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(("terms", "without"), [([1], "y ~ x + group"), ([0, 1], "y ~ x")],
                         ids=["same slope", "same line"])
def test_with_independent_readings_it_is_the_analysis_of_covariance(count, seed, terms, without):
    frame = textbook_groups(count, seed)
    theirs = anova_lm(smf.ols(without, frame).fit(), smf.ols("y ~ x * group", frame).fit()).iloc[1]
    f, between, within, p = textbook_f(frame, terms)
    assert f == pytest.approx(theirs["F"], rel=1e-9)
    assert (between, within) == (theirs["df_diff"], pytest.approx(len(frame) - 2 * count))
    assert p == pytest.approx(theirs["Pr(>F)"], rel=1e-7)


def test_where_nothing_differs_one_in_twenty_is_said_to():
    dice = np.random.default_rng(11)
    x = np.tile(np.linspace(0, 5, 6), 2)
    group = np.repeat(["a", "b"], 6)
    p = [textbook_f(pd.DataFrame({"group": group, "x": x, "y": x + dice.normal(0, 1, 12)}), [1])[3]
         for _ in range(400)]
    assert 0.03 <= np.mean(np.array(p) < 0.05) <= 0.08


@pytest.fixture
def readings(burns):
    """Readings of two woods, their depths still to be filled in."""
    return pd.concat([burns(species="black cherry"), burns(species="white oak")], ignore_index=True)


def burned(readings, dice, factors, board_sd=0.09):
    """Fill in depths of straight lines: a factor a group, a factor a board, swatch and reading."""
    def drawn(keys, sd):
        place = readings.groupby(keys).ngroup().to_numpy()
        return np.exp(dice.normal(0, sd, place.max() + 1))[place]
    dose = 18 / readings["speed_mm_s"] / 0.05
    factor = readings["species"].map(factors)
    return readings.assign(depth_mm=(0.3 * factor * dose - 0.05) * drawn(["burn"], board_sd)
                           * drawn(["burn", "swatch"], 0.04)
                           * np.exp(dice.normal(0, 0.03, len(readings))))


def test_woods_that_only_their_boards_set_apart_are_seldom_said_to_differ(readings):
    """Workshops of two like woods: boards differ by 9 %, and that is not taken for the wood's."""
    dice, p = np.random.default_rng(20), []
    for _ in range(120):
        fit = depthfit.fit(burned(readings, dice, {"black cherry": 1, "white oak": 1}))
        p.append([compare.same_slope(fit, fit.groups).p, compare.same_depth(fit, fit.groups).p])
    slope, depth = (np.array(p) < compare.CLEAR).mean(axis=0)
    assert slope <= 0.10 and depth <= 0.10
    assert np.array(p).min(axis=0).max() < 0.2       # a test that never came near would be none


def test_woods_that_differ_by_half_are_said_to(readings):
    fit = depthfit.fit(burned(readings, np.random.default_rng(3), {"black cherry": 1.5, "white oak": 1}))
    for asked in (compare.same_slope, compare.same_depth):
        assert asked(fit, fit.groups).p < 0.01
    assert compare.same_depth(fit, fit.groups).words.startswith(
        "black cherry and white oak under 20 W need different energy: yes, p ")


@pytest.mark.parametrize(("p", "said"), [
    (0.0004, "yes, p < 0.001"), (0.012, "yes, p = 0.012"), (0.05, "perhaps, p = 0.05"),
    (0.19, "perhaps, p = 0.19"), (0.2, "not shown, p = 0.2"), (0.8, "not shown, p = 0.8")])
def test_what_a_p_is_called(p, said):
    assert compare.Comparison("rise at different rates", "oak and ash", 1.0, 1, 9.0, p).words == (
        f"oak and ash rise at different rates: {said}")


@pytest.fixture(scope="module")
def three(burns):
    """Two woods under one module, and one of them under another."""
    return depthfit.fit(pd.concat([
        burns(), burns(species="black cherry", depth_per_dose=0.36, seed=8),
        burns(module_w=40.0, seed=9)], ignore_index=True))


def test_the_order_of_groups_is_irrelevant(three):
    for asked in (compare.same_slope, compare.same_depth):
        there, back = asked(three, three.groups), asked(three, three.groups[::-1])
        assert (there.f, there.df_within, there.p) == pytest.approx((back.f, back.df_within, back.p))


def test_a_comparison_is_named_by_what_differs(three):
    cherry, oak, oak_40 = three.groups
    named = [compare.same_slope(three, list(pair)).names
             for pair in ((cherry, oak), (oak, oak_40), (cherry, oak_40))]
    assert named == ["black cherry and white oak under 20 W", "20 W and 40 W in white oak",
                     "black cherry, 20 W at 450 nm and white oak, 40 W at 450 nm"]


def test_all_are_asked_at_once_and_then_in_pairs(three):
    table = compare.pairs(three, three.groups)
    assert table.columns.tolist() == ["compared", "question", "F", "df", "p", "words"]
    assert table["question"].tolist() == ["rise at different rates"] + ["need different energy"] * 4
    assert table["p"].between(0, 1).all() and (table["F"] >= 0).all()
    assert compare.pairs(three, three.groups[:1]).empty


def apart(burns):
    other = burns(species="black cherry")
    return depthfit.fit(pd.concat([burns(), other.assign(speed_mm_s=other["speed_mm_s"] / 20)],
                                  ignore_index=True))


def test_groups_whose_energies_do_not_meet_are_not_compared(burns):
    fit = apart(burns)
    for asked in (compare.same_slope, compare.same_depth):
        with pytest.raises(ValueError) as caught:
            asked(fit, fit.groups)
        assert str(caught.value) == (
            "To be compared, two or more groups must have been burned at energies that overlap. "
            "black cherry, 20 W at 450 nm; white oak, 20 W at 450 nm")
    assert compare.pairs(fit, fit.groups).empty
