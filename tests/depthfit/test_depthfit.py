"""Depth fit: what must hold whatever the statistics inside."""

import re

import numpy as np
import pandas as pd
import pytest

from testburn import depthfit

GROUP = ("white oak", 20)
NUMBERS = ["slope", "slope_se", "intercept", "intercept_se", "r_squared"]


def predicted(fit, energies=(0.08, 0.15, 0.25), **more):
    return fit.predict(*GROUP, np.array(energies), **more)


def test_a_line_without_scatter_is_found_exactly(burns):
    frame = burns(boards=2)
    frame["depth_mm"] = 5 * 18 / frame["speed_mm_s"] - 0.05
    assert predicted(depthfit.fit(frame))["depth_mm"].tolist() == pytest.approx([0.35, 0.7, 1.2])


def test_the_order_of_rows_does_not_matter(burns):
    frame = burns()
    shuffled = depthfit.fit(frame.sample(frac=1, random_state=3))
    plain = depthfit.fit(frame)
    pd.testing.assert_frame_equal(predicted(shuffled), predicted(plain), rtol=1e-7)
    pd.testing.assert_frame_equal(shuffled.table[NUMBERS], plain.table[NUMBERS], rtol=1e-6)


def test_another_group_does_not_move_the_mean_curve(burns):
    oak = burns()
    both = pd.concat([oak, burns(species="sugar maple", seed=8)], ignore_index=True)
    assert predicted(depthfit.fit(both))["depth_mm"].tolist() == pytest.approx(
        predicted(depthfit.fit(oak))["depth_mm"].tolist(), rel=0.02)
    assert depthfit.fit(both).table["species"].tolist() == ["sugar maple", "white oak"]


def test_modules_and_wavelengths_have_each_their_own_line(burns):
    frame = pd.concat([burns(), burns(module_w=40.0, depth_per_dose=0.2, seed=9),
                       burns(wavelength_nm=1064.0, depth_per_dose=0.1, seed=10)], ignore_index=True)
    slopes = depthfit.fit(frame).table.set_index(["module_w", "wavelength_nm"])["slope"]
    assert slopes[20, 450] == pytest.approx(6, rel=0.2)
    assert slopes[40, 450] == pytest.approx(4, rel=0.2)
    assert slopes[20, 1064] == pytest.approx(2, rel=0.2)


def test_a_second_module_of_the_same_watts_has_its_own_line_and_must_be_named(burns):
    frame = pd.concat([burns().assign(module=""), burns(depth_per_dose=0.2, seed=9).assign(module="lens B")],
                      ignore_index=True)
    fit = depthfit.fit(frame)
    assert fit.table["module"].tolist() == ["", "lens B"]
    with pytest.raises(LookupError) as refused:
        predicted(fit)
    assert str(refused.value) == ("white oak with the 20 W module was burned with several modules ('20 W', 'lens B'). "
                                  "Say which: module = one of these.")
    deep, shallow = (predicted(fit, module=name)["depth_mm"] for name in ("20 W", "lens B"))
    assert (shallow / deep).tolist() == pytest.approx([2 / 3] * 3, rel=0.15)
    assert predicted(fit, module="")["depth_mm"].tolist() == deep.tolist()
    alone = depthfit.fit(burns())
    assert fit.group(*GROUP, module="20 W").coefficients == pytest.approx(alone.group(*GROUP).coefficients, rel=0.05)


def test_a_modules_name_counts_in_the_mark_of_the_readings_and_none_leaves_it(burns):
    plain, named = (depthfit.fit(burns().assign(module=name)).readings_mark for name in ("", "lens B"))
    assert plain == depthfit.fit(burns()).readings_mark != named


@pytest.mark.parametrize("factor", [1 / 60, 10, 25.4])
def test_another_unit_of_speed_changes_only_the_unit_of_energy(factor, burns):
    frame = burns()
    plain = depthfit.fit(frame)
    other = depthfit.fit(frame.assign(speed_mm_s=frame["speed_mm_s"] * factor))
    assert other.table["slope"][0] == pytest.approx(plain.table["slope"][0] * factor, rel=1e-7)
    assert other.table["intercept"][0] == pytest.approx(plain.table["intercept"][0], rel=1e-6)
    here, there = predicted(plain), predicted(other, np.array([0.08, 0.15, 0.25]) / factor)
    for column in ("depth_mm", "lower_mm", "upper_mm", "sd_mm", "extrapolated"):
        assert there[column].tolist() == pytest.approx(here[column].tolist(), rel=1e-6)


def test_half_the_speed_in_two_passes_less_is_the_same_energy(burns):
    frame = burns()
    twice = frame.assign(passes=2, speed_mm_s=frame["speed_mm_s"] * 2)
    assert predicted(depthfit.fit(twice))["depth_mm"].tolist() == pytest.approx(
        predicted(depthfit.fit(frame))["depth_mm"].tolist())


def test_one_pitch_is_fitted_on_line_energy(burns):
    assert depthfit.fit(burns()).table["regressor"].tolist() == ["line_energy_j_mm"]


def test_several_pitches_are_fitted_on_areal_dose(burns):
    fit = depthfit.fit(burns(pitches_mm=(0.05, 0.1)))
    row = fit.table.iloc[0]
    assert row["regressor"] == "areal_dose_j_mm2"
    assert row["line_pitch_mm"] == "0.05, 0.1"
    assert row["slope"] == pytest.approx(0.3, rel=0.15)
    fine = predicted(fit, (0.1,), line_pitch_mm=0.05)["depth_mm"].iloc[0]
    coarse = predicted(fit, (0.2,), line_pitch_mm=0.1)["depth_mm"].iloc[0]
    # The same dose digs alike there but for noise; each pitch has its own factor now, shrunk to 1.
    assert fine == pytest.approx(coarse, rel=0.02)


def test_several_pitches_ask_for_the_one_that_is_meant(burns):
    fit = depthfit.fit(burns(pitches_mm=(0.05, 0.1)))
    with pytest.raises(ValueError) as caught:
        predicted(fit)
    assert str(caught.value) == ("white oak, 20 W at 450 nm was burned at several pitches "
                                 "(0.05, 0.1 mm). Say line_pitch_mm.")


def test_the_burned_range_is_not_extrapolated_and_all_beyond_it_is(burns):
    lowest, highest = 18 / 240, 18 / 60
    asked = (lowest * 0.99, lowest, 0.2, highest, highest * 1.01)
    assert predicted(depthfit.fit(burns()), asked)["extrapolated"].tolist() == [
        True, False, False, False, True]


def test_a_pitch_that_was_never_burned_is_extrapolated(burns):
    fit = depthfit.fit(burns())
    assert predicted(fit, line_pitch_mm=0.05)["extrapolated"].tolist() == [False] * 3
    assert predicted(fit, (0.2,), line_pitch_mm=0.08)["extrapolated"].tolist() == [True]


def test_intervals_hold_the_prediction_and_widen_with_the_level(burns):
    fit = depthfit.fit(burns())
    narrow, wide = predicted(fit, level=0.5), predicted(fit, level=0.95)
    assert (wide["lower_mm"] < narrow["lower_mm"]).all()
    assert (narrow["lower_mm"] < narrow["depth_mm"]).all()
    assert (narrow["depth_mm"] < narrow["upper_mm"]).all()
    assert (narrow["upper_mm"] < wide["upper_mm"]).all()


def test_a_single_reading_is_less_sure_than_the_mean_curve(burns):
    fit = depthfit.fit(burns())
    assert (predicted(fit, of="reading")["sd_mm"] > predicted(fit, of="mean")["sd_mm"]).all()


def test_no_depth_is_predicted_below_zero(burns):
    fit = depthfit.fit(burns(intercept_mm=-0.3))
    below = predicted(fit, (0.001, 0.01))
    assert (below[["depth_mm", "lower_mm", "upper_mm"]] >= 0).all(axis=None)


def test_a_line_whose_slope_is_drowned_in_scatter_is_flagged(burns):
    frame = burns()
    frame["depth_mm"] = np.random.default_rng(5).uniform(0.2, 1.5, len(frame))
    assert "more energy does not clearly dig deeper" in depthfit.fit(frame).table["flags"][0]


def test_depth_at_no_energy_is_flagged(burns):
    flags = depthfit.fit(burns(intercept_mm=0.8)).table["flags"][0]
    assert "depth at no energy: check the gauge's zero" in flags
    assert "depth at no energy" not in depthfit.fit(burns()).table["flags"][0]


def test_residuals_are_of_the_reading_against_its_own_curve(burns):
    rows = depthfit.fit(burns()).fitted
    assert (rows["depth_mm"] / rows["fitted_mm"] - 1).tolist() == pytest.approx(
        (rows["residual_pct"] / 100).tolist())


def test_a_group_with_two_energies_is_left_out_and_says_why(burns):
    thin = burns(species="sugar maple")
    thin = thin[thin["swatch"].isin(["1", "2"])]
    fit = depthfit.fit(pd.concat([burns(), thin], ignore_index=True))
    assert fit.left_out.values.tolist() == [
        ["sugar maple", 20.0, 450.0, "", "left a mark at 2 different energies, 3 are needed"]]
    assert not fit.readings.loc[fit.readings["species"] == "sugar maple", "used"].any()


@pytest.mark.parametrize(("kept", "said"), [
    (["1", "2"], "There is nothing to fit yet: white oak with 20 W left a mark at 2 different energies, "
                 "3 are needed. Burn more swatches and enter their depths."),
    ([], "There is nothing to fit yet: the lab book has no readings. "
         "Burn more swatches and enter their depths.")])
def test_nothing_to_fit_is_said(kept, said, burns):
    frame = burns()
    with pytest.raises(ValueError) as caught:
        depthfit.fit(frame[frame["swatch"].isin(kept)])
    assert str(caught.value) == said


@pytest.mark.parametrize(("asked", "said"), [
    (("red alder", 20), "There is no fit for red alder with the 20 W module. Fitted are: white oak, "
                        "20 W at 450 nm. Burn a board of it, or choose one of these."),
    (("white oak", 10), "There is no fit for white oak with the 10 W module. Fitted are: white oak, "
                        "20 W at 450 nm. Burn a board of it, or choose one of these.")])
def test_what_was_never_burned_is_not_predicted(asked, said, burns):
    with pytest.raises(LookupError) as caught:
        depthfit.fit(burns()).predict(*asked, 0.1)
    assert str(caught.value) == said


def test_two_wavelengths_ask_for_the_one_that_is_meant(burns):
    fit = depthfit.fit(pd.concat([burns(), burns(wavelength_nm=1064.0)], ignore_index=True))
    with pytest.raises(LookupError) as caught:
        fit.predict(*GROUP, 0.1)
    assert str(caught.value) == (
        "white oak with the 20 W module was burned at several wavelengths (white oak, 20 W at "
        "450 nm; white oak, 20 W at 1064 nm). Say wavelength_nm.")
    assert len(fit.predict(*GROUP, 0.1, wavelength_nm=1064)) == 1


def test_the_fingerprint_does_not_change_with_the_order_of_rows_or_with_notes(burns):
    frame = burns()
    mark = depthfit.fit(frame).fingerprint
    assert len(mark) == 12 and int(mark, 16) >= 0
    assert depthfit.fit(frame.sample(frac=1, random_state=1)).fingerprint == mark
    assert depthfit.fit(frame.assign(note="a word")).fingerprint == mark


@pytest.mark.parametrize(("column", "value"), [
    ("depth_mm", 0.5), ("board", "other"), ("gauge_step_mm", 0.02), ("burned_on", "2026-03-15"),
    ("reading", 9), ("swatch", "99")])
def test_the_fingerprint_changes_with_any_used_reading(column, value, burns):
    frame = burns()
    mark = depthfit.fit(frame).fingerprint
    changed = frame.copy()
    changed.loc[11, column] = pd.Timestamp(value) if column == "burned_on" else value
    assert depthfit.fit(changed).fingerprint != mark
    assert depthfit.fit(frame.drop(index=11)).fingerprint != mark


def test_the_fingerprint_changes_with_a_strike_and_not_with_what_was_struck(burns):
    frame = burns()
    struck = frame.assign(struck_because=["a pore"] + [""] * (len(frame) - 1))
    mark = depthfit.fit(struck).fingerprint
    assert mark != depthfit.fit(frame).fingerprint
    struck.loc[0, "depth_mm"] = 9.0
    assert depthfit.fit(struck).fingerprint == mark


def test_a_fit_says_whether_it_rests_on_invented_readings(burns):
    assert not depthfit.fit(burns()).invented
    assert depthfit.fit(burns().assign(invented="yes")).invented


def test_a_fit_leaves_the_readings_it_was_given_as_they_were(burns):
    frame = burns()
    before = frame.copy()
    depthfit.fit(frame)
    pd.testing.assert_frame_equal(frame, before)


# ---------------------------------------------------------------------------- what a proof must be
def proof(**how):
    row = {"burn": "p", "board": "New", "swatch": "1", "species": "white oak", "module_w": 20.0,
           "wavelength_nm": 450.0, "power_pct": 90.0, "speed_mm_s": 90.0, "line_pitch_mm": 0.05,
           "passes": 1, "depth_mm": 1.1, "gauge_step_mm": 0.01}
    return pd.DataFrame([row | how | {"reading": number} for number in (1, 2, 3)])


@pytest.mark.parametrize(("readings", "said"), [
    (proof(depth_mm=np.nan), "A proof needs a depth in mm for each of its readings."),
    (proof(depth_mm=0.01), "A proof reading of 0.01 mm is no deeper than the gauge's step"),
    (proof(board="next"), "A board cannot be named 'next'"),
    (pd.concat([proof(), proof(speed_mm_s=120.0)]),
     "Proof readings of one swatch have different settings."),
])
def test_a_proof_that_proves_nothing_is_refused(readings, said, burns):
    with pytest.raises(ValueError, match=said):
        depthfit.fit(burns()).proved(readings)


def test_readings_already_in_the_fit_cannot_prove_it(burns):
    frame = burns()
    with pytest.raises(ValueError, match="is already in the fit and cannot prove it as well"):
        depthfit.fit(frame).proved(frame.head(3))


def test_a_struck_proof_reading_proves_nothing(burns):
    fit = depthfit.fit(burns())
    struck = pd.concat([proof().assign(struck_because=""),
                        proof(depth_mm=5.0).assign(struck_because="slipped").head(1)])
    assert fit.proved(struck).proofs["board_pct"][0] == pytest.approx(
        fit.proved(proof()).proofs["board_pct"][0])


def test_a_second_proof_does_not_take_the_warning_away(burns):
    fit = depthfit.fit(burns())
    twice = 2 * fit.predict("white oak", 20, 18 / 90, of="mean")["depth_mm"][0]
    first = fit.proved(proof(depth_mm=twice))
    second = first.proved(proof(depth_mm=twice, swatch="2"))
    assert first.proofs["warning"][0] and second.proofs["warning"][0]


def test_an_invented_proof_makes_the_fit_say_so(burns):
    fit = depthfit.fit(burns())
    assert not fit.invented
    assert fit.proved(proof(invented="yes")).invented and not fit.proved(proof()).invented


def test_a_curve_that_bends_as_far_as_it_may_still_rises(burns):
    """Wood that deepens like an exponential, and one reading ten times too deep: the bend is held
    back, and the slope that goes with it must not turn round."""
    steep = burns()
    energy = steep["module_w"] * steep["power_pct"] / 100 / steep["speed_mm_s"]
    noise = steep["depth_mm"] / steep.groupby("swatch")["depth_mm"].transform("mean")
    slipped = burns()
    top = slipped["depth_mm"].idxmax()
    slipped.loc[top, "depth_mm"] *= 10
    for frame in (steep.assign(depth_mm=0.03 * np.exp(12 * energy) * noise), slipped):
        fit = depthfit.fit(frame)
        group, = fit.groups
        depths = group.mean(np.linspace(*group.doses, 50))
        assert (np.diff(depths) > 0).all() and (depths[-1] > 0)
        assert fit.curves.coefficients[0, 1] > 0


def test_a_wood_of_one_board_says_that_its_spread_is_what_boards_usually_do(burns):
    one = burns()
    woods = depthfit.fit(one[one["board"] == one["board"].iloc[0]]).woods
    assert woods["boards"].tolist() == [1]
    assert woods["words"][0].endswith("from 1 board; one board tells nothing of it, so this is what boards usually do.")
    # about 10 % from the prior: specific gravity within a species, Wood Handbook, from memory
    assert woods["lower_pct"][0] < 10 < woods["upper_pct"][0]


@pytest.mark.parametrize("intercept_mm, said", [(-0.05, r"no mark below 0\.\d+ J/mm, then \d+(\.\d+)? mm per J/mm"), (0.1, r"\d+(\.\d+)? mm per J/mm")])
def test_the_curve_is_said_as_a_rule(burns, intercept_mm, said):
    """The rate is the curve's own slope where it begins to mark, by differences."""
    group = depthfit.fit(burns(boards=4, intercept_mm=intercept_mm)).groups[0]
    assert re.fullmatch(said + "(, (less|more) as it gets deeper)?", group.rule)
    start = group.threshold / group.line_pitches_mm[0]
    low, high = group.mean([start + 1e-6, start + 1e-3])
    rate = (high - low) / (1e-3 - 1e-6) / group.line_pitches_mm[0]
    assert float(re.search(r"([\d.]+) mm per", group.rule)[1]) == pytest.approx(rate, rel=0.06)
