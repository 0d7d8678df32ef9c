"""Speeds: a machine with a step of 0.001 mm/s gives the setting that trying every speed gives, at once."""

import time

import pytest

from testburn import depthfit
from testburn.job import settings
from testburn.labbook import Machine

COARSE, FINE = Machine(speed_step_mm_s=0.5), Machine(speed_step_mm_s=0.001)


@pytest.fixture(scope="module")
def fit(burns):
    return depthfit.fit(burns(boards=3))


@pytest.mark.parametrize("window", [(0.45, 0.65), (0.8, 1.1), (0.3, 0.31)])
def test_a_fine_step_finds_what_trying_every_speed_finds(window, fit):
    tried = settings.choose(fit, "white oak", 20, *window, Machine(speed_step_mm_s=0.35)).iloc[0]
    found = settings.choose(fit, "white oak", 20, *window, FINE).iloc[0]
    # Never worse than the best of 1,712 speeds, and within two of their steps of it.
    assert found["speed_mm_s"] == pytest.approx(tried["speed_mm_s"], abs=0.7)
    assert found["chance_inside"] >= tried["chance_inside"] - 0.01 and found["good"] == tried["good"]


def test_a_card_of_a_fine_step_has_the_depths_it_aims_at(fit):
    rows = settings.for_card(fit, FINE)
    assert ((rows["depth_mm"] - rows["aim_mm"]).abs() / rows["aim_mm"]).max() < 1e-4
    assert (settings.for_card(fit, COARSE)["aim_mm"] == rows["aim_mm"]).all()


def test_six_hundred_thousand_speeds_take_no_longer(fit):
    started = time.perf_counter()
    settings.choose(fit, "white oak", 20, 0.45, 0.65, FINE)
    settings.for_card(fit, FINE)
    assert time.perf_counter() - started < 1.5
