"""The front of an order's card: what stands on it, worked out for the order, in the order of the work."""

import io
import re
from dataclasses import replace

import pytest
from PIL import Image

from testburn import depthfit, labbook
from testburn.job import Job, finishing, firstpiece, settings
from testburn.labbook import Machine
from testburn.paper import card, jobpage, ordercard, pdf
from testburn.units import Units

PARTS = ["name", "customer", "standing", "proved", "made_of", "picture", "picture_alt", "setup", "blanks", "setting", "runs", "target", "measure",
         "off", "finish", "dangers", "mind", "invented", "foot"]


@pytest.fixture(scope="module")
def proved(request):
    labdata = request.path.parents[2] / "labdata"
    return Job.read(labdata, depthfit.fit(labbook.read(labdata)), Machine.of(labdata))


@pytest.fixture(scope="module")
def front(proved):
    return jobpage.front(proved, None)


def pages(made: bytes) -> int:
    return len(re.findall(rb"/Type\s?/Page[/\s\n]", made))


def test_the_front_has_these_parts_in_the_order_of_the_work(front):
    assert list(front) == PARTS
    assert [name for name, _ in front["setup"]] == ["Module", "Focus gap", "Air", "Lines to grain", "Support", "Mask", "Thickness"]
    assert [name for name, *_ in front["setting"]] == ["Speed", "Power", "Passes", "Pitch"]


def test_it_holds_one_setting_the_recommended_one_and_what_the_order_says(front, proved):
    choice = proved.recommended
    assert [number for _, _, number, _ in front["setting"]] == [f"{choice['speed_mm_s']:g}", f"{choice['power_pct']:g}", "1", "0.1"]
    assert front["made_of"] == ["6 pieces, 6 from a board", "Black cherry, board Plank-1", "trail-sign.svg, version 8be8306f, 300 × 180 mm"]
    window = proved.window
    assert front["target"]["ends"] == f"{window.at_least_mm:.2f}–{window.at_most_mm:.2f} mm"
    assert front["target"]["chance"].startswith(f"{100 * choice['chance_inside']:.0f} of 100 such recesses on this board land inside.")
    assert f"{choice['minutes']:.0f} minutes a piece; all 6 take {proved.batch.minutes:.0f}: " in front["runs"]


def test_the_setting_stands_in_the_units_of_the_machine(proved):
    machine = replace(proved.machine, units=Units(speed="mm/min", spacing="lines per inch", power_out_of=1000))
    there = jobpage.front(Job(proved.order, proved.fit, machine, proved.folder), None)["setting"]
    assert [unit for _, unit, *_ in there] == ["mm/min", "of 1000", "", "per inch"]
    assert float(there[0][2]) == pytest.approx(60 * float(there[0][3].split()[0]), rel=1e-3)


def test_what_every_burn_says_fills_the_boxes_and_what_none_says_is_blank(front, proved):
    boxes = dict(front["setup"])
    assert (boxes["Air"], boxes["Lines to grain"], boxes["Thickness"]) == ("on", "across", "19 mm")
    assert boxes["Support"] == boxes["Focus gap"] == ""
    noted = depthfit.fit(proved.fit.readings.drop(columns=["used"]).assign(focus_offset_mm=1.0, air_assist="off"))
    boxes = dict(jobpage.front(Job(proved.order.changed(proofs=()), noted, proved.machine, proved.folder), None)["setup"])
    assert (boxes["Focus gap"], boxes["Air"]) == ("+1 mm", "off")


@pytest.mark.parametrize("side", [0, 1])
def test_a_first_piece_that_is_off_moves_the_next_as_a_proof_of_that_depth_would(front, proved, side):
    choice, window = proved.recommended, proved.window
    for measured, _, speed in front["off"][side]["next"]:
        seen = depthfit.proof(choice, proved.board, [float(measured.split()[0])] * 3, 0.01, "first")
        options = settings.by_speed(proved.proved.proved(seen), choice, *proved.ends_mm, proved.machine, board=proved.board)
        assert speed == f"{options.loc[options['chance_inside'].idxmax(), 'speed_mm_s']:g}\u00a0mm/s"
    slower = float(front["off"][side]["next"][0][2].split("\u00a0")[0]) < choice["speed_mm_s"]
    assert slower == (side == 0) and window.at_least_mm > float(front["off"][0]["next"][1][0].split()[0])


@pytest.mark.parametrize(("variant", "infill", "deep", "shallow"), [
    ("brush-filled", {}, "it takes more colour", "sanding flush would take the colour with it."),
    ("sprayed", {}, "the colour lies far below the face", "sanding may reach the colour."),
    ("resin-filled", {"char_mm": 20, "narrowest_stroke_mm": 9}, "it takes more colour", "sanding flush would take the resin with it."),
    ("mask-sprayed", {}, "the colour lies far below the face", "sanding may reach the colour."),
    ("brush-filled", {"char_mm": 0.5}, "more char stands in the recess", "sanding flush")])
def test_what_becomes_of_the_piece_follows_from_what_bounds_the_window(proved, variant, infill, deep, shallow):
    window = proved.changed(infill={"variant": variant, **infill}).window
    said = firstpiece.this_piece(window)
    assert deep in said["too deep"] and shallow in said["too shallow"]


def test_the_finish_is_that_of_the_order_with_its_coats_and_grits(front, proved):
    steps = finishing.schedule(proved.window)
    assert [head for head, _ in front["finish"]] == [step.capitalize() for step in steps["step"] if step != "in doubt"]
    said = dict(front["finish"])
    assert said["Colour"].startswith("12 coats, 0.10 to 0.15 mm wet: brush the colour in") and "grits 150, 180" in said["Sand back"]
    thin = dict(jobpage.front(proved.changed(infill={"variant": "sprayed"}), None)["finish"])
    assert "spray light coats" in thin["Colour"] and "light coats" not in said["Colour"]


# Mask and coating: what lies on the face takes a part of the beam, and the gauge needs the face that is sanded. Common practice, no source.
@pytest.mark.parametrize(("variant", "box", "zeroed", "warned"), [
    ("resin-filled", "", "Zero on the face beside it.", False),
    ("mask-sprayed", "on, no PVC", "Lift the mask beside it and zero on the bare face.", True),
    ("sealed-face", "none: coated", "Zero on the coated face beside it.", True)])
def test_a_recipe_goes_from_the_window_to_a_card_of_two_pages(proved, tmp_path, variant, box, zeroed, warned):
    job = proved.changed(infill={"variant": variant, "sanded_mm": [0.02, 0.05] if warned else [0.15, 0.25]})
    made = jobpage.front(job, None)
    assert dict(made["setup"])["Mask"] == box and zeroed in made["measure"]["where"]
    assert any("takes a part of the beam" in words for words in made["mind"]) == warned
    assert ("Resin" in dict(made["dangers"])) == (variant == "resin-filled") and made["dangers"][-1][0] == "Who decides"
    assert [head for head, _ in made["finish"]] == [step.capitalize() for step in finishing.schedule(job.window)["step"][:-1]]
    for paper in card.PAPERS:
        assert pages(ordercard.write(tmp_path, job, paper=paper).read_bytes()) == 2


@pytest.mark.parametrize(("thickness", "warned"), [(19.0, False), (4.0, True), (3.7, True)])
def test_a_recess_near_the_floor_says_so(proved, thickness, warned):
    mind = jobpage.front(proved.changed(board_thickness_mm=thickness), None)["mind"]
    assert any(words.startswith("This recess takes up to") for words in mind) == warned


@pytest.mark.parametrize(("clearance_mm", "said"), [(60, False), (20, True), (None, False)])
def test_a_board_that_does_not_go_under_the_module_says_so(proved, clearance_mm, said):
    """19 mm of board and 7 mm of gap take 26 mm."""
    machine = replace(proved.machine, clearance_mm=clearance_mm, support_height_mm=0.0, focus_gap_mm=7.0, focus_travel_mm=60.0)
    mind = jobpage.front(Job(proved.order, proved.fit, machine, proved.folder), None)["mind"]
    assert any("take 26 mm" in words for words in mind) == said


def test_before_a_proof_the_first_thing_to_mind_is_the_proof(proved):
    made = jobpage.front(proved.changed(proofs=()), None)
    assert made["mind"][0].startswith("Prove first") and made["standing"] == "Before proof: for the next board"


def test_the_day_of_print_is_an_argument_and_no_part_of_which_card_it_is(proved, tmp_path):
    records = tmp_path / "records"
    plain = ordercard.write(tmp_path, proved, records).read_bytes()
    dated = ordercard.write(tmp_path, proved, records, printed_on="26 November 2026").read_bytes()
    assert plain != dated and ordercard.write(tmp_path, proved, records).read_bytes() == plain
    of = {"number": 1, "replaces": None}
    assert jobpage.foot(proved, of, "26 November 2026")[1] == "Card 1 of this order. Replaces none. Printed 26 November 2026."


@pytest.mark.parametrize("paper", card.PAPERS)
def test_front_and_back_are_two_pages_of_tagged_pdf_for_any_text(proved, tmp_path, paper):
    nasty = "#panic() *bold* $x$ `raw` \\ \" 木 " + "W" * 60
    job = proved.changed(name="N" * 80, customer=nasty, board="B" * 40, proofs=({**proved.order.proofs[0], "board": "B" * 40},),
                         board_thickness_mm=4.0, pieces=40, pieces_a_board=3, artwork_sha256="0" * 64)
    made = ordercard.write(tmp_path, job, paper=paper).read_bytes()
    assert pages(made) == 2 and b"<pdfuaid:part>1</pdfuaid:part>" in made
    assert ordercard.write(tmp_path, job, paper=paper).read_bytes() == made
    front = jobpage.front(job, None)
    assert "B" * 40 in front["standing"] and front["name"] == "N" * 80


def test_the_blank_card_holds_boxes_and_nothing_of_a_job(proved, front, tmp_path):
    empty = jobpage.blank(proved.machine)
    assert sorted(empty) == sorted(front) and [name for name, _ in empty["setup"]] == [name for name, _ in front["setup"]]
    assert [head[:2] for head in empty["setting"]] == [head[:2] for head in front["setting"]]
    assert {value for _, value in empty["setup"]} == {""} and {number for _, _, number, _ in empty["setting"]} == {""}
    assert not any(str(value) in str(empty) for value in ("trail", "Plank", "cherry", "82", "0.45"))
    assert pages(ordercard.write_blank(tmp_path, proved.machine).read_bytes()) == 1


def test_the_card_is_made_in_greys_only(proved, tmp_path):
    path = ordercard.write(tmp_path, proved)
    for page in (1, 2):
        saturation = Image.open(io.BytesIO(pdf.preview(path, page, 60))).convert("HSV").getchannel("S")
        assert saturation.getextrema() == (0, 0)
