"""Stock: five heights decide whether a board goes under the module."""

import pytest

from testburn.labbook import Machine

MACHINE = Machine(clearance_mm=60, support_height_mm=22, focus_gap_mm=7, focus_travel_mm=40)


@pytest.mark.parametrize(("thickness_mm", "verdict", "more_mm", "raise_mm"), [
    (2, "too thin to reach focus", 0, 11),      # 60 - 40 - 7 = 13 mm is the thinnest
    (12.9, "too thin to reach focus", 0, 0.1),
    (13, "fits", 0, 0),
    (53, "fits", 0, 0),                         # 60 - 7
    (53.1, "fits without the support", 0, 0),
    (75, "fits without the support", 0, 0),    # 60 + 22 - 7
    (75.5, "needs more clearance", 0.5, 0),
    (90, "needs more clearance", 15, 0)])
def test_heights_decide(thickness_mm, verdict, more_mm, raise_mm):
    found = MACHINE.stock(thickness_mm)
    assert found.verdict == verdict and found.fits == (more_mm == 0)
    assert (found.more_clearance_mm, found.raise_board_mm) == pytest.approx((more_mm, raise_mm))


def test_a_module_that_hardly_moves_wants_the_board_raised():
    found = Machine(clearance_mm=60, support_height_mm=22, focus_gap_mm=7, focus_travel_mm=5).stock(54)
    assert (found.verdict, found.raise_board_mm) == ("fits without the support", 16)
    assert "Take the support (22 mm) out and raise the board by 16 mm or more; 21 mm to spare." in found.words


def test_a_machine_without_a_support_has_none_to_take_out():
    found = Machine(clearance_mm=60, support_height_mm=0, focus_gap_mm=7, focus_travel_mm=40).stock(60)
    assert (found.verdict, found.more_clearance_mm) == ("needs more clearance", 7)


def test_words():
    assert MACHINE.stock(19).words == (
        "The board (19 mm) and the focus gap (7 mm) take 26 mm; the clearance above the support is 60 mm: 34 mm to spare.")
    assert MACHINE.stock(2).words == (
        "The board (2 mm) and the focus gap (7 mm) take 9 mm; the clearance above the support is 60 mm, and the module comes "
        "down by 40 mm only. Raise the board by 11 mm or more, up to 51 mm, flat and so that it cannot move.")
    assert MACHINE.stock(60).words == (
        "The board (60 mm) and the focus gap (7 mm) take 67 mm; the clearance above the support is 60 mm. Take the "
        "support (22 mm) out; 15 mm to spare. With the support out the beam reaches what is below: lay a sheet under the board that "
        "neither burns nor mirrors, keep the air flowing under it, and stay beside it (common practice; the "
        "machine's manual decides).")
    assert MACHINE.stock(90).words == (
        "The board (90 mm) and the focus gap (7 mm) take 97 mm; the clearance above the support is 60 mm, 82 mm without it. "
        "It needs 15 mm more: use a board of at most 75 mm, or lift the module where it is mounted.")


def test_a_machine_that_says_nothing_is_told_which_lines_to_write():
    found = Machine(clearance_mm=60, focus_gap_mm=7).stock(19)
    assert (found.verdict, found.fits) == ("not known", False)
    assert found.words == (
        "machine.toml does not say enough. Measure, and fill in under Heights on page 1: height of what the board lies on; 0 "
        "without one (support_height_mm); how far the module moves up and down (focus_travel_mm).")


@pytest.mark.parametrize("thickness_mm", [0, -3, float("nan"), float("inf")])
def test_no_board_is_refused(thickness_mm):
    with pytest.raises(ValueError) as caught:
        MACHINE.stock(thickness_mm)
    assert str(caught.value) == f"A board {thickness_mm:g} mm thick is none. Give its thickness in mm."
