"""Settings: solving undoes predicting, choices stay inside machine and window, refusals have words."""

import pandas as pd
import pytest

from testburn import depthfit, energy, labbook
from testburn.job import settings
from testburn.job.settings import Machine
from testburn.sweep import artwork

GROUP = ("white oak", 20)


@pytest.fixture(scope="module")
def fit(burns):
    return depthfit.fit(burns())


@pytest.mark.parametrize("pitches_mm", [(0.05,), (0.05, 0.1)])
@pytest.mark.parametrize("depth_mm", [0.5, 0.9, 1.4])
@pytest.mark.parametrize("of", ["reading", "mean"])
def test_line_energy_for_undoes_predict(depth_mm, pitches_mm, of, burns):
    fit = depthfit.fit(burns(pitches_mm=pitches_mm))
    found = settings.line_energy_for(fit, *GROUP, depth_mm, line_pitch_mm=0.05, of=of)
    best, lower, upper = (fit.predict(*GROUP, joules, line_pitch_mm=0.05, of=of).iloc[0]
                          for joules in (found.best, found.lower, found.upper))
    assert best["depth_mm"] == pytest.approx(depth_mm, abs=1e-7)
    assert lower["upper_mm"] == pytest.approx(depth_mm, abs=1e-7)
    assert upper["lower_mm"] == pytest.approx(depth_mm, abs=1e-7)
    assert found.lower < found.best < found.upper and not found.extrapolated


def test_a_higher_level_sets_wider_limits(fit):
    at = {level: settings.line_energy_for(fit, *GROUP, 1.0, level=level) for level in (0.5, 0.95)}
    assert at[0.95].lower < at[0.5].lower < at[0.5].best == pytest.approx(at[0.95].best)
    assert at[0.5].upper < at[0.95].upper


def test_the_answer_is_said_in_words(fit):
    found = settings.line_energy_for(fit, *GROUP, 1.0)
    assert found.words == (f"{found.best:.3f} J/mm, limits {found.lower:.3f} to {found.upper:.3f} "
                           "J/mm at 95 %")


@pytest.mark.parametrize("depth_mm", [0.05, 3.0])
def test_a_depth_outside_the_readings_is_flagged_and_said(depth_mm, fit):
    found = settings.line_energy_for(fit, *GROUP, depth_mm)
    span = fit.group(*GROUP).readings["depth_mm"]
    assert found.extrapolated
    assert found.words.endswith(f"; outside the readings ({span.min():g} to {span.max():g} mm), "
                                "burn there before you trust it")


@pytest.mark.parametrize("depth_mm", [0, -1, float("nan")])
def test_no_depth_is_no_recess(depth_mm, fit):
    with pytest.raises(ValueError) as caught:
        settings.line_energy_for(fit, *GROUP, depth_mm)
    assert str(caught.value) == (f"A wanted depth of {depth_mm:g} mm makes no recess. "
                                 "Ask for more than 0.")


def test_a_depth_out_of_reach_is_refused_with_the_span_of_the_readings(fit):
    span = fit.group(*GROUP).readings["depth_mm"]
    with pytest.raises(ValueError) as caught:
        settings.line_energy_for(fit, *GROUP, 80)
    assert str(caught.value) == (
        f"80 mm is out of reach for white oak, 20 W at 450 nm: the readings span {span.min():g} to "
        f"{span.max():g} mm. Burn deeper swatches, or ask for a depth in that range.")


def test_a_depth_that_the_line_has_at_no_energy_is_refused_in_the_makers_words(burns):
    fit = depthfit.fit(burns(intercept_mm=0.3))
    span = fit.group(*GROUP).readings["depth_mm"]
    with pytest.raises(ValueError) as caught:
        settings.line_energy_for(fit, *GROUP, 0.1)
    assert str(caught.value) == (
        f"0.1 mm is out of reach for white oak, 20 W at 450 nm: the readings span {span.min():g} to "
        f"{span.max():g} mm. Burn shallower swatches, or ask for a depth in that range.")


def test_where_the_upper_bound_has_the_depth_at_no_energy_the_lower_limit_is_0(burns):
    fit = depthfit.fit(burns(intercept_mm=0.3))
    nothing = fit.predict(*GROUP, 1e-9).iloc[0]
    found = settings.line_energy_for(fit, *GROUP, (nothing["depth_mm"] + nothing["upper_mm"]) / 2)
    assert found.kind == "no lower limit"
    assert found.lower == 0 < found.best < found.upper


@pytest.mark.parametrize(("window", "said"), [
    ((1.2, 0.8), "The window 1.2 to 0.8 mm is not one."),
    ((0.8, 0.8), "The window 0.8 to 0.8 mm is not one."),
    ((0, 0.8), "The window 0 to 0.8 mm is not one.")])
def test_a_window_upside_down_is_refused(window, said, fit):
    with pytest.raises(ValueError) as caught:
        settings.choose(fit, *GROUP, *window)
    assert str(caught.value) == f"{said} Give a least depth above 0 and a greater largest depth."


@pytest.mark.parametrize(("given", "said"), [
    (dict(min_speed_mm_s=100, max_speed_mm_s=50),
     "The machine's speeds run from 100 to 50 mm/s. Give a lowest that is not above the highest."),
    (dict(min_speed_mm_s=0),
     "min_speed_mm_s is 0: allowed is at least 0.001 and at most 100000 mm/s. Use the set speed in mm/s (mm/min divided by "
     "60)."),
    (dict(speed_step_mm_s=0), "speed_step_mm_s is 0: allowed is at least 0.001 and at most 100000 mm/s. No machine is set "
     "more finely, or needs more."),
    (dict(powers_pct=(90, 150)),
     "powers_pct is [90, 150]: allowed is at least 0.01 and at most 100 %. Powers in percent, e.g. [50, 90], or leave the line "
     "out.")])
def test_a_machine_that_cannot_be_is_refused(given, said):
    with pytest.raises(ValueError) as caught:
        Machine(**given)
    assert str(caught.value) == said


MACHINE = Machine(min_speed_mm_s=65, max_speed_mm_s=200, speed_step_mm_s=5,
                  powers_pct=(60, 75, 90), line_pitches_mm=(0.05, 0.06), passes=(1, 2))


@pytest.fixture
def choices(fit):
    return settings.choose(fit, *GROUP, 1.0, 1.7, machine=MACHINE, chance=0.5)


def test_choices_stay_inside_the_machine(choices):
    assert choices["speed_mm_s"].between(65, 200).all()
    assert ((choices["speed_mm_s"] - 65) % 5 == 0).all()
    assert set(choices["power_pct"]) == {60, 75, 90}
    assert set(choices["line_pitch_mm"]) == {0.05, 0.06} and set(choices["passes"]) == {1, 2}


def test_burned_routes_come_first_then_those_that_reach_the_chance_and_the_fastest_before_the_slower(choices):
    good = choices["good"]
    assert good.any() and not good.all()
    for _, rows in choices.groupby("extrapolated"):
        assert rows["good"].tolist() == sorted(rows["good"], reverse=True)
    assert (choices["chance_inside"].round(2) >= 0.5).tolist() == good.tolist()
    assert ((choices["why"] != "") == choices["extrapolated"]).all()
    burned, strange = (choices[good & (choices["extrapolated"] == flag)] for flag in (False, True))
    assert burned["minutes"].is_monotonic_increasing and strange["minutes"].is_monotonic_increasing
    assert choices["extrapolated"].is_monotonic_increasing


def test_the_first_choice_is_the_fastest_of_every_setting_that_reaches_the_chance(fit, choices):
    first = choices.iloc[0]
    faster = MACHINE.speeds()[MACHINE.speeds() > first["speed_mm_s"]]
    machines = [Machine(speed, speed, 5, (first["power_pct"],), (first["line_pitch_mm"],),
                        (first["passes"],)) for speed in faster]
    assert len(faster) > 0
    assert not any(settings.choose(fit, *GROUP, 1.0, 1.7, machine=one, chance=0.5)["good"].any()
                   for one in machines)


def test_a_choice_is_what_predict_says_of_it(fit, choices):
    for _, row in choices.iterrows():
        joules = energy.line_energy(20, row["power_pct"], row["speed_mm_s"], row["passes"])
        said = fit.predict(*GROUP, joules, line_pitch_mm=row["line_pitch_mm"], power_pct=row["power_pct"],
                           passes=row["passes"]).iloc[0]
        assert row["line_energy_j_mm"] == pytest.approx(joules)
        assert [row[c] for c in ("depth_mm", "lower_mm", "upper_mm")] == pytest.approx(
            [said[c] for c in ("depth_mm", "lower_mm", "upper_mm")])


def test_what_was_not_burned_is_flagged_in_a_choice(choices):
    strange = ((choices["line_pitch_mm"] != 0.05) | (choices["passes"] != 1)
               | (choices["power_pct"] != 90))
    assert choices.loc[strange, "extrapolated"].all()
    assert not choices.loc[~strange, "extrapolated"].any()


def test_a_wider_window_is_hit_more_surely(fit):
    machine = Machine(100, 100)
    narrow, wide = (settings.choose(fit, *GROUP, *window, machine=machine)["chance_inside"].iloc[0]
                    for window in ((0.9, 1.1), (0.7, 1.3)))
    assert 0 <= narrow < wide <= 1


def test_twice_the_area_takes_about_twice_the_minutes(fit):
    small, large = (settings.choose(fit, *GROUP, 0.7, 1.1, area_mm2=area)["minutes"].iloc[0]
                    for area in (20_000, 40_000))
    assert large / small == pytest.approx(2, rel=1e-3)


def test_acceleration_costs_minutes(fit):
    slow = settings.choose(fit, *GROUP, 0.7, 1.1, machine=Machine(acceleration_mm_s2=1000))
    fast = settings.choose(fit, *GROUP, 0.7, 1.1, machine=Machine(acceleration_mm_s2=4000))
    assert slow["minutes"].iloc[0] > fast["minutes"].iloc[0]


def test_steps_undo_predict(fit):
    machine = Machine(speed_step_mm_s=0.1)
    table = settings.steps(fit, *GROUP, [0.5, 0.8, 1.2], machine=machine)
    assert table["aim_mm"].tolist() == [0.5, 0.8, 1.2]
    said = fit.predict(*GROUP, energy.line_energy(20, table["power_pct"], table["speed_mm_s"],
                                                  table["passes"]).to_numpy())
    assert table["depth_mm"].tolist() == pytest.approx(said["depth_mm"].tolist())
    assert said["depth_mm"].tolist() == pytest.approx([0.5, 0.8, 1.2], rel=0.01)


def test_a_step_that_no_speed_comes_near_has_no_row(fit):
    machine = Machine(min_speed_mm_s=100, max_speed_mm_s=120, speed_step_mm_s=20)
    at_100 = fit.predict(*GROUP, 18 / 100)["depth_mm"].iloc[0]
    found = settings.steps(fit, *GROUP, [at_100 * 1.04, 5.0], machine=machine)
    assert found["speed_mm_s"].tolist() == [100]


def test_a_card_without_a_reachable_depth_is_refused_in_words(fit):
    with pytest.raises(ValueError, match="nothing to put on a card: white oak, 20 W at 450 nm "
                                         r"\(none of its depths is within this machine's speeds\)"):
        settings.for_card(fit, Machine(min_speed_mm_s=4000, max_speed_mm_s=5000))


def test_the_speeds_of_a_machine_start_at_its_lowest_and_stay_below_its_highest():
    assert Machine(1, 2, 0.25).speeds().tolist() == [1, 1.25, 1.5, 1.75, 2]
    assert Machine(0.3, 0.9, 0.1).speeds().tolist() == pytest.approx([.3, .4, .5, .6, .7, .8, .9])
    assert Machine(10, 29, 10).speeds().tolist() == [10, 20]


def test_one_rule_says_what_comes_first(burns):
    """Burned routes first; of those that reach the chance the fastest, of those that do not the surest."""
    fit = depthfit.fit(burns(pitches_mm=(0.05, 0.1)))
    machine = Machine(powers_pct=(40, 90), line_pitches_mm=(0.05, 0.1))
    for chance in (0.5, 0.99):
        rows = settings.choose(fit, *GROUP, 0.9, 1.1, machine, chance=chance)
        shown = list(zip(rows["extrapolated"], ~rows["good"], (100 * rows["chance_inside"]).round(), rows["minutes"]))
        order = [(out, short, -sure if short else 0, time) for out, short, sure, time in shown]
        assert order == sorted(order) and rows["extrapolated"].any()


def test_the_maker_says_which_settings_come_first(burns):
    fit = depthfit.fit(burns(pitches_mm=(0.05, 0.1), boards=5))
    fast, sure = (settings.fast_and_sure(fit, fit.group(*GROUP), 0.8, 1.3, first=first) for first in ("fastest", "surest"))
    names = ["speed_mm_s", "line_pitch_mm", "power_pct"]
    assert fast.iloc[0]["minutes"] < sure.iloc[0]["minutes"] and sure.iloc[0]["chance_inside"] > fast.iloc[0]["chance_inside"]
    assert sorted(map(tuple, fast[names].to_numpy())) == sorted(map(tuple, sure[names].to_numpy()))


def test_a_route_never_burned_is_named_where_it_is_asked_for(fit):
    assert "never burned" in settings.line_energy_for(fit, *GROUP, 1.0, power_pct=45).words
    assert "outside" not in settings.line_energy_for(fit, *GROUP, 1.0, power_pct=90, passes=1).words


@pytest.mark.parametrize(("asked_mm", "burned"), [(0.05, True), (25.4 / 508, True), (0.0502, True), (0.051, False)])
def test_a_pitch_typed_in_whole_lines_per_inch_is_the_pitch_it_was_written_for(fit, asked_mm, burned):
    # Lines per inch and mm: 1 in = 25.4 mm; a control takes whole lines.
    said = settings.line_energy_for(fit, *GROUP, 1.0, line_pitch_mm=asked_mm).words
    assert ("outside" in said) is not burned, said


def test_pitches_half_a_line_apart_are_one(burns):
    rows = burns(boards=3)
    other = rows["board"] == rows["board"].iloc[0]
    mixed = rows.assign(line_pitch_mm=rows["line_pitch_mm"].where(~other, rows["line_pitch_mm"] * 1.002))
    group = depthfit.fit(mixed).group(*GROUP)
    assert group.line_pitches_mm == [rows["line_pitch_mm"].iloc[0]] and group.regressor == "line_energy_j_mm"


@pytest.fixture(scope="module")
def demo(request):
    return depthfit.fit(labbook.read(request.path.parents[2] / "labdata"))


def test_each_module_with_a_curve_stands_once_with_the_setting_that_comes_first_for_it(demo):
    drawing = artwork.block("a block", 100, 30)
    table = settings.by_module(demo, "black cherry", 0.45, 0.65, artwork=drawing)
    groups = {group.module_w: group for group in demo.groups if group.species == "black cherry"}
    assert sorted(table["module_w"]) == sorted(groups) == [6, 15, 30]
    for row in table.itertuples():
        group = groups[row.module_w]
        first = settings.for_group(demo, group, 0.45, 0.65, artwork=drawing).iloc[0]
        assert (row.minutes, row.chance_inside, row.speed_mm_s) == (first["minutes"], first["chance_inside"], first["speed_mm_s"])
        assert row.finest_pitch_mm == group.readings["line_pitch_mm"].min() and row.boards == group.readings["board"].nunique()
    good = table[table["good"]]
    assert good["minutes"].is_monotonic_increasing and table["good"].is_monotonic_decreasing


def test_a_module_whose_curve_does_not_rise_stands_last_and_says_so(burns):
    flat = pd.concat([burns(seed=1).assign(module_w=40.0, depth_mm=lambda rows: 0.5 + 0.2 * (rows["reading"] % 2)), burns()], ignore_index=True)
    table = settings.by_module(depthfit.fit(flat), "white oak", 0.8, 1.2)
    assert table["module_w"].iloc[0] == 20 and table["why"].iloc[-1].startswith("its depths do not clearly rise")
    assert table["minutes"].isna().tolist() == [False, True]


def test_a_wood_without_a_curve_has_no_module(fit):
    assert settings.by_module(fit, "medlar", 0.8, 1.2).empty
