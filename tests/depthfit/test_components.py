"""Components: published variance components, certified fits, and the algebra done the long way."""

import csv
import itertools
import warnings
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from testburn.depthfit import components, reml, swatches

REFERENCE = Path(__file__).parents[1] / "reference"


def of_values(values, board, swatch, design, parts=("board", "swatch", "reading"),
              group=None) -> tuple[components.Components, reml.Step]:
    """Estimate components of plain values: nothing divided by a depth, no priors.

    This is REML as in the textbooks, so that published variance components can be checked.

    Parameters
    ----------
    values : (n,) array
    board, swatch : (n,) arrays
        Outer and inner label of each value.
    design : (n, p) array
        Fixed effects, equal within a swatch.
    parts : names of the components to estimate; the others are zero
    group : (n,) array, optional
        Groups with coefficients of their own.

    Returns
    -------
    components.Components
    Step
        With the fixed effects in `coefficients` and `covariance`.
    """
    values, free = np.asarray(values, float), np.array([name in parts for name in components.NAMES])
    frame = pd.DataFrame({"group": 0 if group is None else group, "board": board, "swatch": swatch,
                          "depth_mm": values, "gauge_step_mm": 0.0})
    s = swatches.reduced(frame, np.zeros(len(frame)), ("group",), ("swatch",))
    rows = np.ascontiguousarray(np.asarray(design, float)[s.first_row].T)
    data = reml.Divided(s, np.ones_like(s.count), s.mean_mm, rows)
    third = np.var(values) / 3
    variances = np.where(free, third, 0.0)
    for _ in range(components._ROUNDS):
        before, variances = variances, components.scored(variances, reml.step(variances, data), components.NO_PRIORS, free)
        if np.allclose(variances, before, rtol=1e-12, atol=1e-14 * third):
            break
    step = reml.step(variances, data)
    return components.finished(variances, step, components.NO_PRIORS, free), step
ROUNDING_TO_VARIANCE = np.sqrt(12.0)    # a gauge step of u·√12 is a known variance of u²


def table(name):
    with open(REFERENCE / name, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def published(*items):
    rows = [row for row in table("published_gls.csv") if row["item"] in items]
    assert rows
    return [pytest.param(row["item"], row["quantity"], row["published"],
                         id=f"{row['item']}: {row['quantity']}") for row in rows]


def half_a_last_digit(printed):
    return 0.5 * 10.0 ** Decimal(printed).as_tuple().exponent


# ------------------------------------------------------------- published variance components
def machines(frame=None):
    frame = pd.read_csv(REFERENCE / "nlme_machines.csv") if frame is None else frame
    design = np.column_stack([np.ones(len(frame)), frame["Machine"] == "B", frame["Machine"] == "C"])
    return of_values(frame["score"], frame["Worker"],
                                frame["Worker"].astype(str) + frame["Machine"], design.astype(float))


def one_way(frame, value, label, design=None):
    """Labels as boards, every value a swatch of one reading."""
    design = np.ones((len(frame), 1)) if design is None else design
    return of_values(frame[value], frame[label], np.arange(len(frame)), design,
                                parts=("board", "swatch"))


def random_intercept():
    # Our model has boards that shift or scale a curve, not boards with a slope of their own: the
    # random-slope fit of these data, better known, is not one of ours.
    frame = pd.read_csv(REFERENCE / "lme4_sleepstudy.csv")
    days = np.column_stack([np.ones(len(frame)), frame["Days"]]).astype(float)
    return one_way(frame, "Reaction", "Subject", days)


FITS = {
    "dyestuff": lambda: one_way(pd.read_csv(REFERENCE / "lme4_dyestuff.csv"), "Yield", "Batch"),
    "rail": lambda: one_way(pd.read_csv(REFERENCE / "nlme_rail.csv"), "travel", "Rail"),
    "sleepstudy": random_intercept,
    "machines": machines,
}
PLACES = {"machines": {"outer": 0, "middle": 1, "inner": 2}}


@pytest.mark.parametrize(("item", "quantity", "printed"),
                         published("dyestuff", "rail", "sleepstudy", "machines"))
def test_published_variance_components(item, quantity, printed):
    found, step = FITS[item]()
    part, _, of = quantity.rpartition(" ")
    if of in ("variance", "sd"):
        place = PLACES.get(item, {"outer": 0, "inner": 1})[part]
        value = found.variances[place] ** (0.5 if of == "sd" else 1)
    elif part == "standard error of":
        value = np.sqrt(step.covariance[0, int(of[1:]), int(of[1:])])
    else:
        value = step.coefficients[0, int(of[1:])]
    assert value == pytest.approx(float(printed), rel=0, abs=half_a_last_digit(printed))


def test_labels_as_swatches_give_the_same_components_as_labels_as_boards():
    frame = pd.read_csv(REFERENCE / "lme4_dyestuff.csv")
    found, _ = of_values(frame["Yield"], frame["Batch"], frame["Batch"],
                                    np.ones((len(frame), 1)), parts=("swatch", "reading"))
    assert found.variances[1:3] == pytest.approx([1764.05, 2451.25], rel=1e-9)


def test_statsmodels_agrees_on_unbalanced_data():
    frame = pd.read_csv(REFERENCE / "nlme_machines.csv")
    dropped = np.random.default_rng(4).choice(len(frame), 12, replace=False)
    frame = frame.drop(index=dropped).reset_index(drop=True)
    assert frame.groupby(["Worker", "Machine"]).size().nunique() > 1
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")         # its optimiser warns on the way
        other = smf.mixedlm("score ~ Machine", frame, groups="Worker", re_formula="1",
                            vc_formula={"inner": "0 + C(Machine)"}).fit(
                                reml=True, method=["bfgs", "powell", "lbfgs"], gtol=1e-9)
    found, step = machines(frame)
    assert found.variances[:3] == pytest.approx(
        [other.cov_re.iloc[0, 0], other.vcomp[0], other.scale], rel=1e-4)
    assert step.coefficients[0] == pytest.approx(other.fe_params.to_numpy(), rel=1e-5)
    assert np.sqrt(np.diag(step.covariance[0])) == pytest.approx(other.bse_fe.to_numpy(), rel=1e-4)


def test_a_component_the_data_deny_is_zero():
    # Group means closer together than chance: the analysis of variance would say below zero.
    values = [1.0, 3.0, 1.0, 3.0, 1.1, 2.9]
    found, _ = of_values(values, [1, 1, 2, 2, 3, 3], range(6), np.ones((6, 1)),
                                    parts=("board", "swatch"))
    assert found.variances[0] == 0
    assert found.variances[1] == pytest.approx(np.var(values, ddof=1), rel=1e-9)


def test_degrees_of_freedom_equal_satterthwaites_closed_form():
    """One-way, balanced: a new value's variance is MSB/n + (1 - 1/n) MSW (Satterthwaite 1946)."""
    frame = pd.read_csv(REFERENCE / "lme4_dyestuff.csv")
    labels, n = frame["Batch"].nunique(), 5
    between = n * frame.groupby("Batch")["Yield"].mean().var()
    within = frame.groupby("Batch")["Yield"].var().mean()
    variance = between / n + (1 - 1 / n) * within
    closed = variance**2 / ((between / n) ** 2 / (labels - 1)
                            + ((1 - 1 / n) * within) ** 2 / (labels * (n - 1)))
    found, step = one_way(frame, "Yield", "Batch")

    def df(shares):
        return 2 * (shares @ found.variances) ** 2 / (shares @ found.covariance @ shares)
    assert df(np.array([1.0, 1.0, 0, 0])) == pytest.approx(closed, rel=1e-9)
    assert df(step.shares[0, :4, 0, 0]) == pytest.approx(labels - 1, rel=1e-9)      # of the mean


# ----------------------------------------------------------------------- least squares, certified
def straight_or_quadratic(x, y, variances, degree, u=1.0):
    """Least squares through the estimator's own step: coefficients of x and their covariance."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    frame = pd.DataFrame({"group": 0, "board": 0, "swatch": np.arange(len(y)), "depth_mm": y,
                          "gauge_step_mm": np.asarray(u) * ROUNDING_TO_VARIANCE})
    s = swatches.reduced(frame, x, ("group",), ("swatch",))
    middle, half = (x.max() + x.min()) / 2, (x.max() - x.min()) / 2
    scaled = (s.regressor - middle) / half
    rows = [scaled**power for power in range(degree + 1)]
    step = reml.step(np.asarray(variances, float), reml.Divided(s, np.ones_like(s.count), s.mean_mm, rows))
    m, h = middle, half
    back = np.array([[1, -m / h, m**2 / h**2], [0, 1 / h, -2 * m / h**2], [0, 0, 1 / h**2]])
    back = back[:degree + 1, :degree + 1]
    residual = s.mean_mm - np.array(rows).T @ step.coefficients[0]
    return back @ step.coefficients[0], back @ step.covariance[0] @ back.T, residual


@pytest.mark.parametrize(("file", "item", "x", "y", "degree"), [
    ("nist_strd_norris.csv", "norris", "x", "y", 1),
    ("nist_strd_pontius.csv", "pontius", "x_load", "y_deflection", 2)])
def test_certified_least_squares_to_nine_digits(file, item, x, y, degree):
    data = pd.read_csv(REFERENCE / file)
    certified = {row["quantity"]: float(row["published"]) for row in table("published.csv")
                 if row["item"] == item}
    coefficients, covariance, residual = straight_or_quadratic(data[x], data[y], np.zeros(4), degree)
    sd = np.sqrt(residual @ residual / (len(data) - degree - 1))
    assert sd == pytest.approx(certified["residual sd"], rel=1e-9)
    for place, value in enumerate(coefficients):
        assert value == pytest.approx(certified[f"c{place}"], rel=1e-9)
        assert sd * np.sqrt(covariance[place, place]) == pytest.approx(
            certified[f"standard error of c{place}"], rel=1e-9)


def iso(item):
    """Examples with known weights as they are; annex E with the variance estimated by REML."""
    file = {"iso28037 ex1": "iso28037_ex1.csv", "iso28037 ex2": "iso28037_ex2.csv",
            "iso28037 annex E": "iso28037_annexE.csv"}[item]
    data = pd.read_csv(REFERENCE / file)
    if "u_y" in data:
        known = straight_or_quadratic(data["x"], data["y"], np.zeros(4), 1, data["u_y"])
        return *known[:2], {"chi squared": ((known[2] / data["u_y"]) ** 2).sum()}
    design = np.column_stack([np.ones(len(data)), data["x"]])
    found, _ = of_values(data["y"], np.zeros(len(data)), np.arange(len(data)), design,
                                    parts=("swatch",))
    fit = straight_or_quadratic(data["x"], data["y"], found.variances, 1, 0.0)
    return *fit[:2], {"inner sd": np.sqrt(found.variances[1])}


@pytest.mark.parametrize(("item", "quantity", "printed"),
                         published("iso28037 ex1", "iso28037 ex2", "iso28037 annex E"))
def test_weighted_straight_lines_of_iso_28037(item, quantity, printed):
    coefficients, covariance, named = iso(item)
    named |= {f"c{i}": value for i, value in enumerate(coefficients)}
    named |= {f"standard error of c{i}": np.sqrt(covariance[i, i]) for i in (0, 1)}
    named["covariance of c0 and c1"] = covariance[0, 1]
    assert named[quantity] == pytest.approx(float(printed), rel=0, abs=half_a_last_digit(printed))


# ------------------------------------------------------------------------ the long way round
@pytest.fixture(scope="module")
def uneven():
    """Two groups, five boards, uneven swatches and readings, on the divided scale."""
    rng = np.random.default_rng(11)
    rows = [(group, f"{group}-{board}", swatch, reading)
            for group, boards in enumerate((3, 2)) for board in range(boards)
            for swatch in range(rng.integers(2, 6)) for reading in range(rng.integers(1, 5))]
    frame = pd.DataFrame(rows, columns=["group", "board", "swatch", "reading"])
    x = 0.5 + 0.3 * frame["swatch"].to_numpy()
    frame["depth_mm"] = x * rng.normal(1, 0.1, len(frame))
    frame["gauge_step_mm"] = 0.02
    return frame, x


def blocks(frame, x, variances):
    """Dense: y, design and covariance of all single readings divided by depth 2x, and its parts."""
    depth = 2 * x
    def same(*keys):
        label = frame.groupby(list(keys)).ngroup().to_numpy()
        return (label[:, None] == label).astype(float)
    parts = [same("group", "board"), same("group", "board", "swatch"), np.eye(len(x)),
             np.diag(1 / depth**2)]
    rounding = np.diag(frame["gauge_step_mm"] ** 2 / 12 / depth**2)
    design = np.zeros((len(x), 4))
    for group in (0, 1):
        mine = (frame["group"] == group).to_numpy()
        design[mine, 2 * group:2 * group + 2] = np.column_stack([np.ones(len(x)), x])[mine]
    covariance = rounding + sum(v * part for v, part in zip(variances, parts))
    return frame["depth_mm"].to_numpy() / depth, design / depth[:, None], covariance, parts


def criterion(frame, x, variances):
    """REML log-likelihood without its constant."""
    y, design, covariance, _ = blocks(frame, x, variances)
    inverse = np.linalg.inv(covariance)
    normal = design.T @ inverse @ design
    beta = np.linalg.solve(normal, design.T @ inverse @ y)
    residual = y - design @ beta
    return -0.5 * (np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(normal)[1]
                   + residual @ inverse @ residual)


def our_step(frame, x, variances):
    s = swatches.reduced(frame, x, ("group",), ("swatch",))
    depth = 2 * s.regressor
    rows = [1 / depth, s.regressor / depth]
    return reml.step(variances, reml.Divided(s, depth, s.mean_mm / depth, rows))


VARIANCES = np.array([0.008, 0.002, 0.004, 0.0005])


def test_the_step_is_the_dense_algebra(uneven):
    y, design, covariance, parts = blocks(*uneven, VARIANCES)
    inverse = np.linalg.inv(covariance)
    c = np.linalg.inv(design.T @ inverse @ design)
    p = inverse - inverse @ design @ c @ design.T @ inverse
    step = our_step(*uneven, VARIANCES)
    assert step.coefficients.ravel() == pytest.approx(c @ design.T @ inverse @ y, rel=1e-9)
    assert step.covariance[1] == pytest.approx(c[2:, 2:], rel=1e-9)
    assert step.score == pytest.approx(
        [0.5 * (y @ p @ k @ p @ y - np.trace(p @ k)) for k in parts], rel=1e-8)
    assert step.information == pytest.approx(
        np.array([[0.5 * np.trace(p @ k @ p @ m) for m in parts] for k in parts]), rel=1e-8)


def test_the_score_is_the_slope_of_the_likelihood(uneven):
    step = our_step(*uneven, VARIANCES)
    for place, variance in enumerate(VARIANCES):
        move = np.zeros(4)
        move[place] = 1e-4 * variance
        slope = (criterion(*uneven, VARIANCES + move) - criterion(*uneven, VARIANCES - move)) / move.sum() / 2
        assert step.score[place] == pytest.approx(slope, rel=1e-5)


def test_shares_add_up_to_the_covariance_and_are_its_slopes(uneven):
    step = our_step(*uneven, VARIANCES)
    total = np.einsum("k,gkij->gij", np.r_[VARIANCES, 1], step.shares)
    assert total == pytest.approx(step.covariance, rel=1e-9)
    for place, variance in enumerate(VARIANCES):
        move = np.zeros(4)
        move[place] = 1e-4 * variance
        slope = (our_step(*uneven, VARIANCES + move).covariance
                 - our_step(*uneven, VARIANCES - move).covariance) / move.sum() / 2
        assert step.shares[:, place] == pytest.approx(slope, rel=1e-5)


# ------------------------------------------------------------------------------------ priors
def balanced(boards, n, seed, sd=0.3):
    rng = np.random.default_rng(seed)
    board = np.repeat(np.arange(boards), n)
    return board, 1 + rng.normal(0, sd, boards)[board] + rng.normal(0, 0.05, boards * n)


def with_priors(values, board, priors):
    """One mean, each value a swatch of one reading; reading and gauge are left out."""
    frame = pd.DataFrame({"group": 0, "board": board, "swatch": np.arange(len(values)),
                          "depth_mm": values, "gauge_step_mm": 0.0})
    s = swatches.reduced(frame, np.zeros(len(frame)), ("group",), ("swatch",))
    data = reml.Divided(s, np.ones_like(s.count), s.mean_mm, [np.ones_like(s.count)])
    free, variances = (False, True, False, False), np.array([0.0, 0.01, 0.0, 0.0])
    for _ in range(100):
        variances = components.scored(variances, reml.step(variances, data), priors, free)
    return components.finished(variances, reml.step(variances, data), priors, free)


@pytest.mark.parametrize("weight", [0.0, 2.0, 50.0])
def test_a_prior_weighs_as_much_as_its_degrees_of_freedom(weight):
    values = np.random.default_rng(3).normal(1, 0.05, 9)
    prior_sd = 0.08                     # larger than the data say: it does not give way
    priors = components.NO_PRIORS | {"swatch": (prior_sd, weight)}
    found = with_priors(values, np.zeros(9), priors)
    assert found.variances[1] == pytest.approx(
        (8 * np.var(values, ddof=1) + weight * prior_sd**2) / (8 + weight), rel=1e-6)
    row = found.table.set_index("component").loc["swatch"]
    assert (row["df"], row["data_df"]) == pytest.approx((8 + weight, 8), rel=1e-6)
    assert row["prior_share"] == pytest.approx(weight / (8 + weight), rel=1e-6)
    assert row["data_sd"] == pytest.approx(np.std(values, ddof=1), rel=1e-6)


def test_a_prior_gives_way_upwards_only():
    expected, weight = components.prior_weights(np.array([0.04, 0.0025, 0.0001, 0.0004]), components.PRIORS)
    assert weight[0] == pytest.approx(4 * 0.01 / 0.04)      # twice the sd: a quarter of the weight
    assert weight[1:] == pytest.approx([2, 2, 2])
    assert expected[0] == pytest.approx(0.01)


def test_the_table_names_every_component_and_says_where_readings_say_nothing():
    board, values = balanced(1, 6, 1)
    found = with_priors(values, board, components.PRIORS)
    assert list(found.table["component"]) == ["board", "swatch", "reading", "gauge"]
    assert list(found.table.columns) == ["component", "sd", "df", "data_df", "prior_sd", "prior_weight",
                                         "prior_share", "prior_measured", "data_sd"]
    assert np.isnan(found.table["data_sd"][0])


# --------------------------------------------------------------------------------- reduction
@pytest.mark.parametrize("kind", ["str", "object", "category"])
@pytest.mark.parametrize("seed", [None, 1])
def test_readings_reduce_to_count_mean_and_squares(kind, seed):
    rows = list(itertools.product(["oak", "ash"], ["b1", "b2"], ["s1", "s2", "s3"], range(4)))
    frame = pd.DataFrame(rows, columns=["species", "board", "swatch", "reading"])
    frame = frame.drop(index=[0, 5, 6]).reset_index(drop=True)
    frame = frame.assign(depth_mm=np.random.default_rng(2).normal(1, 0.1, len(frame)).round(2),
                         gauge_step_mm=0.01, burn="one")
    frame = frame.astype({"species": kind, "board": kind, "swatch": kind, "burn": kind})
    if seed is not None:
        frame = frame.sample(frac=1, random_state=seed).reset_index(drop=True)
    s = swatches.reduced(frame, np.arange(len(frame)), ("species",))
    keys = ["species", "board", "swatch"]
    plain = frame.groupby(keys, observed=True)["depth_mm"].agg(["count", "mean", "var"])
    assert len(s.count) == 12 and len(s.boards) == 4 and len(s.group_keys) == 2
    for i, row in enumerate(s.first_row):
        want = plain.loc[tuple(frame.loc[row, keys])]
        assert (s.count[i], s.mean_mm[i]) == pytest.approx((want["count"], want["mean"]), rel=1e-12)
        assert s.squares_mm2[i] == pytest.approx(want["var"] * (want["count"] - 1), abs=1e-12)
        assert s.boards[s.board_of[i]] == frame["board"][row]
        assert s.group_keys["species"][s.group_of[i]] == frame["species"][row]


def test_some_groups_keeps_whole_groups():
    frame = pd.DataFrame({"species": np.repeat([f"s{i}" for i in range(9)], 6), "depth_mm": 1.0,
                          "board": np.tile([0, 0, 0, 1, 1, 1], 9), "gauge_step_mm": 0.01,
                          "burn": "x", "swatch": np.tile(np.arange(6), 9)})
    s = swatches.reduced(frame, np.arange(54), ("species",))
    part = swatches.some_groups(s, 18)
    assert list(part.group_keys["species"]) == ["s0", "s3", "s6"]
    assert len(part.count) == 18 and len(part.boards) == 6
    assert list(part.group_of) == [0] * 6 + [1] * 6 + [2] * 6
