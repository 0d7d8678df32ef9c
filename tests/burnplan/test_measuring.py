"""Measuring: which gauge goes into a stroke, and a patch beside a drawing that leaves the drawing as it was."""

import pandas as pd
import pytest

from testburn import burnplan, depthfit, labbook, sweep
from testburn.labbook import Machine

CHOICE = pd.Series({"speed_mm_s": 80.0, "power_pct": 90.0, "line_pitch_mm": 0.1, "passes": 1})
MACHINE = Machine(acceleration_mm_s2=3000, runs_up_outside=True)
PAGE = '<svg xmlns="http://www.w3.org/2000/svg" width="{}" height="{}" {}>{}</svg>'
# Name, the drawing, what of it burns in mm².
DRAWINGS = [
    ("in mm with a view of its own", PAGE.format("60mm", "30mm", 'viewBox="0 0 600 300"', '<rect x="50" y="50" width="100" height="100"/>'), 100),
    ("in mm without a view", PAGE.format("60mm", "30mm", "", '<rect x="10mm" y="5mm" width="10mm" height="10mm"/>'), 100),
    ("off its page", PAGE.format("60mm", "30mm", 'viewBox="0 0 60 30"', '<rect x="55" y="5" width="40" height="10"/>'), 50),
    ("a view that begins elsewhere", PAGE.format("60mm", "30mm", 'viewBox="-30 -15 60 30"', '<rect x="-5" y="-5" width="10" height="10"/>'), 100),
    ("its size in its style", PAGE.format("1", "1", 'viewBox="0 0 600 300" style="width:60mm; height:30mm"', '<rect x="50" y="50" width="100" height="100"/>'), 100),
    ("styled by rules", PAGE.format("60mm", "30mm", 'viewBox="0 0 60 30"', "<style>rect{fill:none;stroke:#000;stroke-width:1}</style>"
                                    '<rect x="5.5" y="5.5" width="9" height="9"/>'), 36),
]


def drawn(folder, svg, name="gate.svg"):
    (folder / name).write_bytes(svg if isinstance(svg, bytes) else svg.encode())
    return sweep.artwork.read(folder / name)


# Common practice, no source: a needle from 1 mm, a ball from three times its own 1 mm, a caliper's rod from about 4 mm.
@pytest.mark.parametrize(("stroke_mm", "fitting", "words"), [
    (0.9, 0, "No gauge goes into strokes of 0.9 mm: read a patch burned beside the drawing with this setting."),
    (1.0, 1, "Depth gauge, needle tip: its base bridges the recess, only the tip goes in."),
    (3.0, 2, "Depth gauge, ball tip of 1 mm: its base bridges the recess, only the tip goes in."),
    (4.0, 3, "Depth gauge, ball tip of 1 mm (or a caliper's depth rod): its base bridges the recess, only the tip goes in.")])
def test_which_gauge_goes_into_a_stroke(stroke_mm, fitting, words):
    assert len(burnplan.gauges(stroke_mm)) == fitting and burnplan.gauge_words(stroke_mm) == words
    assert set(burnplan.gauges()["source"]) == {"common practice, no source"}


@pytest.mark.parametrize(("svg", "area_mm2"), [row[1:] for row in DRAWINGS], ids=[row[0] for row in DRAWINGS])
def test_a_patch_lies_beside_the_drawing_and_leaves_it_as_it_was(tmp_path, svg, area_mm2):
    before = drawn(tmp_path, svg)
    assert before.area_mm2 == pytest.approx(area_mm2, rel=0.02)
    patched = burnplan.with_patch(before, CHOICE, MACHINE)
    after = drawn(tmp_path, patched.svg, patched.name)
    patch = after.pieces.loc[after.pieces["left_mm"].idxmax()]
    assert (patched.name, after.width_mm, after.height_mm) == ("gate-with-patch.svg", 84, 30)
    assert patch[["left_mm", "top_mm", "right_mm", "bottom_mm"]].tolist() == pytest.approx([72, 0, 84, 12], abs=0.11)
    assert after.area_mm2 - before.area_mm2 == pytest.approx(144, abs=2)
    assert after.bounds_mm[:2] == pytest.approx((before.bounds_mm[0], 0), abs=0.11)
    assert "12 × 12 mm, 12 mm to the right of the drawing, on the board's waste side" in patched.words
    assert "Of narrower strokes it tells less. Its narrowest stroke is" in patched.words


@pytest.mark.parametrize(("svg", "area_mm2"), [row[1:] for row in DRAWINGS], ids=[row[0] for row in DRAWINGS])
def test_beside_a_drawing_of_another_width_the_patch_keeps_its_size(tmp_path, svg, area_mm2):
    drawn(tmp_path, svg)
    twice = sweep.artwork.read(tmp_path / "gate.svg", width_mm=120)
    assert (twice.width_mm, twice.height_mm, twice.area_mm2) == (120, 60, pytest.approx(4 * area_mm2, rel=0.02))
    after = drawn(tmp_path, burnplan.with_patch(twice, CHOICE, MACHINE).svg, "patched.svg")
    assert (after.width_mm, after.height_mm) == (144, 60) and after.area_mm2 - twice.area_mm2 == pytest.approx(144, abs=2)
    assert after.bounds_mm[:2] == pytest.approx((twice.bounds_mm[0], 0), abs=0.11)


@pytest.mark.parametrize("hair_mm", [0.02, 0.05, 0.08])
def test_a_cut_line_around_everything_stays_one_beside_the_patch(tmp_path, hair_mm):
    """It goes round the drawing, not round the patch; burned it would be by no drawing of either."""
    svg = PAGE.format("60mm", "30mm", 'viewBox="0 0 60 30"', '<rect x="8" y="8" width="30" height="10"/><rect x="2" y="2" width="56" height="26" '
                      f'fill="none" stroke="#000" stroke-width="{hair_mm}"/>')
    before = drawn(tmp_path, svg)
    assert before.left_out == 1 and len(before.pieces) == 1
    patched = burnplan.with_patch(before, CHOICE, MACHINE)
    assert b"patch" in patched.svg and patched.words.startswith("Patch: 12 × 12 mm")


def test_of_a_drawing_whose_styles_reach_the_patch_none_is_made(tmp_path):
    svg = PAGE.format("60mm", "30mm", 'viewBox="0 0 60 30"', "<style>rect{fill:none !important;stroke:#000;stroke-width:1}</style>"
                      '<rect x="5.5" y="5.5" width="9" height="9"/>')
    made = burnplan.with_patch(drawn(tmp_path, svg), CHOICE, MACHINE)
    assert made.svg == b"" and made.words.startswith("No drawing with a patch is made: gate.svg would not burn as before with one beside it.")


def test_an_order_without_a_drawing_has_its_block_beside_the_patch(tmp_path):
    patched = burnplan.with_patch(sweep.artwork.block("a block", 100, 60), CHOICE, MACHINE)
    again = drawn(tmp_path, patched.svg, patched.name)
    assert patched.name == "block-with-patch.svg" and again.area_mm2 == pytest.approx(6144, rel=0.001)


def test_the_patch_is_as_large_as_the_tip_asks_for():
    block = sweep.artwork.block("a block", 100, 60)
    assert burnplan.with_patch(block, CHOICE, MACHINE, gauge_tip_mm=1.0).words.startswith("Patch: 6 × 6 mm, 6 mm to the right")
    with pytest.raises(ValueError, match="A gauge tip of 0 mm cannot be"):
        burnplan.with_patch(block, CHOICE, MACHINE, gauge_tip_mm=0)


def test_a_focus_ladder_is_one_group_an_offset_at_one_setting(tmp_path):
    ladder = burnplan.focus_ladder(CHOICE, MACHINE)
    drawn_ladder = drawn(tmp_path, ladder.svg, ladder.name)
    assert len(drawn_ladder.pieces) == 5 and drawn_ladder.area_mm2 == pytest.approx(5 * 144, rel=0.01)
    assert [f'id="focus{offset:+g}"' in ladder.svg.decode() for offset in (-2, -1, 0, 1, 2)] == [True] * 5
    assert "-2, -1, +0, +1, +2 mm" in ladder.words and "must not touch the board" in ladder.words
    with pytest.raises(ValueError, match="one comes twice"):
        burnplan.focus_ladder(CHOICE, MACHINE, (0, 1, 0))


def test_a_ladder_of_powers_has_one_speed_and_a_mark_at_every_step(request):
    fit = depthfit.fit(labbook.read(request.path.parents[2] / "labdata"))
    plan = burnplan.power_ladder(fit, burnplan.Scrap(160, 60, 19), MACHINE, module_w=15, species="black cherry")
    rows, group = plan.swatches, fit.group("black cherry", 15)
    assert rows["power_pct"].nunique() == len(rows) == 5 and rows[["speed_mm_s", "line_pitch_mm", "passes"]].drop_duplicates().shape[0] == 1
    dose = rows["line_energy_j_mm"] / rows["line_pitch_mm"]
    assert dose.min() >= group.doses[0] * 0.99 and dose.max() <= group.doses[1] * 1.01
    assert (rows["lowest_mm"] > 0.05).all() and plan.check_board in set(group.readings["board"])
    assert sorted(rows["power_pct"])[-1] in set(group.readings["power_pct"])
    with pytest.raises(ValueError, match="and a check has 5. "
                                         "Free a larger part"):
        burnplan.power_ladder(fit, burnplan.Scrap(60, 40, 19), MACHINE, module_w=15, species="black cherry")
