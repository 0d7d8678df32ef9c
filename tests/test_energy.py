"""Energy and units: definitions, and facts of the trade (common practice, no source)."""

import pytest

from testburn import energy
from testburn.labbook import woods

SOFTWOODS = {"eastern white pine", "sugar pine", "Sitka spruce", "loblolly pine", "longleaf pine",
             "western redcedar"}
HARDWOODS = sorted(set(woods.read().index) - SOFTWOODS)


def test_an_inch_is_25_4_mm():
    # International yard and pound agreement, 1959: exact.
    assert energy.mm_from_inches(1) == 25.4
    assert energy.inches_from_mm(25.4) == 1


def test_2_mm_is_deeper_than_a_sixteenth_of_an_inch():
    assert energy.mm_from_inches(1 / 16) == pytest.approx(1.5875, abs=1e-12)
    assert 2 > energy.mm_from_inches(1 / 16)


def test_200_lines_per_cm_are_a_pitch_of_0_05_mm():
    assert energy.pitch_from_lines_per_cm(200) == 0.05
    assert energy.lines_per_cm(0.05) == pytest.approx(200)


def test_254_lines_per_inch_are_a_pitch_of_0_1_mm():
    assert energy.pitch_from_lines_per_inch(254) == pytest.approx(0.1)


def test_doubling_the_speed_halves_the_line_energy():
    assert energy.line_energy(20, 90, 120) == energy.line_energy(20, 90, 60) / 2


def test_two_passes_lay_down_twice_the_line_energy():
    assert energy.line_energy(20, 90, 60, passes=2) == 2 * energy.line_energy(20, 90, 60)


def test_90_percent_of_40_w_at_120_mm_s_and_200_lines_per_cm_is_0_30_j_mm_and_6_0_j_mm2():
    line = energy.line_energy(40, 90, 120)
    assert line == pytest.approx(0.30, abs=1e-12)
    assert energy.areal_dose(line, energy.pitch_from_lines_per_cm(200)) == pytest.approx(6.0, abs=1e-12)


def test_the_lab_book_knows_19_hardwoods():
    assert len(HARDWOODS) == 19 and len(woods.read()) == 25


@pytest.mark.parametrize("species", HARDWOODS)
def test_6_0_j_mm2_may_dig_deeper_than_2_mm_in_any_hardwood(species):
    limits = woods.volume_energy_limits(woods.read().at[species, "specific_gravity_12pct"]).iloc[0]
    assert 6.0 / limits["usual_low"] >= 2
    asked = energy.volume_energy(6.0, 2.0)
    assert limits["warn_below"] < asked < limits["warn_above"]


def test_speed_for_undoes_line_energy():
    assert energy.speed_for(20, 90, energy.line_energy(20, 90, 73, 3), 3) == pytest.approx(73)


def test_with_energy_adds_both_columns_row_by_row(burns):
    rows = energy.with_energy(burns())
    first = rows.iloc[0]
    assert first["line_energy_j_mm"] == pytest.approx(20 * 0.9 / 60)
    assert (rows["areal_dose_j_mm2"] * rows["line_pitch_mm"]).tolist() == pytest.approx(
        rows["line_energy_j_mm"].tolist())


def test_the_limits_of_energy_per_volume_stand_in_order():
    limits = woods.volume_energy_limits(woods.read()["specific_gravity_12pct"])
    ordered = limits[["refuse_below", "warn_below", "usual_low", "usual_high", "warn_above"]]
    assert (ordered.diff(axis=1).iloc[:, 1:] > 0).all(axis=None)
    assert list(limits.index) == list(woods.read().index)
