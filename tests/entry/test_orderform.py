"""Order form and proof form: kept as typed, faults in their own words, nothing written over that was not seen."""

import datetime
import shutil

import pandas as pd
import pytest

from testburn import depthfit, labbook
from testburn.entry import figures_form, order_form, proof_form
from testburn.entry.smallform import of_a_box
from testburn.job import Job, Order, orders, outcome
from testburn.labbook import Machine


@pytest.fixture(scope="module")
def fit(request):
    return depthfit.fit(labbook.read(request.path.parents[2] / "labdata"))


@pytest.fixture
def own(labdata, tmp_path):
    for name in ("burns", "artwork", "orders"):
        shutil.copytree(labdata / name, tmp_path / "book" / name)
    for name in ("woods.csv", "strikes.csv", "machine.toml", "open-order.toml"):
        shutil.copy(labdata / name, tmp_path / "book" / name)
    return tmp_path / "book"


def filled(form, **typed):
    for name, text in typed.items():
        form.boxes[name].value = text
    return form


def answered(form):
    """All that a form says: beside its boxes, about them, and below."""
    return "".join(words.value for words in (*form.beside.values(), form.about, form.said))


def text_of(book, name="trail-sign"):
    return (book / "orders" / f"{name}.toml").read_text(encoding="utf-8")


def test_the_open_order_stands_in_the_boxes_and_saving_it_unchanged_changes_nothing(own, fit):
    form, before = order_form(own, fit), text_of(own)
    assert {name: form.boxes[name].value for name in ("name", "species", "module", "pieces", "price_per_minute", "price_board", "board")} == {
        "name": "trail-sign", "species": "black cherry", "module": "15 W, 445 nm", "pieces": "6", "price_per_minute": "0.6", "price_board": "45",
        "board": "Plank-1"}
    form.save.click()
    assert "Saved: order trail-sign" in form.said.value and text_of(own) == before


def test_a_change_touches_its_own_lines_only(own, fit):
    before = text_of(own)
    filled(order_form(own, fit), pieces="4", price_per_minute="0,75").save.click()
    assert text_of(own) == before.replace("pieces = 6", "pieces = 4", 1).replace("per_minute = 0.6", "per_minute = 0.75")


def test_a_day_to_come_is_asked_about_in_an_order_and_a_proof(own, fit):
    before, job = text_of(own), Job.read(own, fit, Machine.of(own))
    form = filled(order_form(own, fit), ordered_on="2999-11-27")
    form.save.click()
    assert "Not saved yet: 2999-11-27 lies after today" in form.said.value and text_of(own) == before
    form.save.click()
    assert 'ordered_on = "2999-11-27"' in text_of(own) or "ordered_on = 2999-11-27" in text_of(own)
    proof = filled(proof_form(own, job), board="Plank-1", depths="0.52 0.53", proved_on="2999-01-05")
    proof.save.click()
    assert "2999-01-05 lies after today" in proof.said.value and "2999-01-05" not in text_of(own)


def test_what_sanding_takes_off_is_asked_for_and_written_beside_the_way_to_fill(own, fit):
    filled(order_form(own, fit), sanded_mm="0,08 to 0.14", variant="resin-filled").save.click()
    order = orders.read(own)
    assert order.infill == {"variant": "resin-filled", "grits": [150, 180], "sanded_mm": [0.08, 0.14]}
    form = order_form(own, fit)
    assert form.boxes["sanded_mm"].value == "0.08 to 0.14"
    filled(form, sanded_mm="a bit").save.click()
    assert "Sanding takes off, mm &#x27;a bit&#x27;: this is not a number" in form.beside["sanded_mm"].value and orders.read(own).infill == order.infill
    filled(form, sanded_mm="").save.click()
    assert "sanded_mm" not in orders.read(own).infill


def test_what_was_typed_and_not_saved_comes_back_and_no_longer_once_it_is_saved(own, fit):
    filled(order_form(own, fit), customer="a school", pieces="9")
    again = order_form(own, fit)
    assert "What you typed last time and did not save is filled in again." in again.said.value
    assert (again.boxes["customer"].value, again.boxes["pieces"].value) == ("a school", "9")
    again.save.click()
    assert orders.read(own).pieces == 9 and "filled in again" not in order_form(own, fit).said.value


@pytest.mark.parametrize(("typed", "words"), [
    ({"pieces": "six"}, "Pieces &#x27;six&#x27;: this is not a whole number; write it like 6."),
    ({"pieces": "0"}, "Pieces &#x27;0&#x27;: allowed is at least 1 and at most 100000. Use a whole number, 1 or more."),
    ({"ordered_on": "2.3.2026"}, "Ordered on &#x27;2.3.2026&#x27;: this is not a day. Write it as year-month-day, e.g. 2026-03-14."),
    ({"board_thickness_mm": "0,2"}, "Board thickness &#x27;0,2&#x27;: allowed is at least 1 and at most 200 mm. Measure the board&#x27;s "
     "thickness in mm, or leave the box empty."),
    ({"name": ""}, "Name: nothing is typed here. Give the order a name; its file is called so."),
    ({"board": "next"}, "a board cannot be named &#x27;next&#x27;")])
def test_faults_are_said_in_the_forms_own_words_and_nothing_is_written(typed, words, own, fit):
    before, form = text_of(own), order_form(own, fit)
    filled(form, **typed).save.click()
    name, = typed
    assert words in form.beside[name].value and "everything you typed is still here" in form.said.value and text_of(own) == before
    assert f"See under {form.labels[name]}." in form.said.value and not [one for one in form.beside if one != name and form.beside[one].value]


def test_all_that_is_wrong_is_said_at_once_each_under_its_box_in_words_of_boxes(own, fit):
    before, form = text_of(own), order_form(own, fit)
    wrong = {"pieces": "six", "ordered_on": "May", "board": "a/b", "price_board": "-1", "sanded_mm": "a bit", "area_mm2": "0"}
    filled(form, **wrong).save.click()
    assert {name for name, words in form.beside.items() if words.value} == set(wrong) and text_of(own) == before
    assert "See under Ordered on, Area without one, mm², Sanding takes off, mm, Pieces, Board on the bench, Wood of a piece." in form.said.value
    for talk in ("the line", "the cell", "quotes", "brackets", ".toml"):
        assert talk not in "".join(words.value for words in form.beside.values())
    # Each is judged as its box is left, and what was put right is named no more.
    filled(form, pieces="6")
    assert not form.beside["pieces"].value and form.beside["board"].value


@pytest.mark.parametrize(("remedy", "said"), [
    ("Use mm, or leave the line out.", "Use mm, or leave the box empty."), ("Leave it out if power is set in percent.", "Leave the box empty if power "
     "is set in percent."), ("Use mm, or leave the cell empty.", "Use mm, or leave the box empty."),
    ("Write a whole number without quotes.", "Write a whole number.")])
def test_a_remedy_for_a_file_is_said_of_a_box(remedy, said):
    assert of_a_box(remedy) == said


def test_finishing_with_pieces_unmeasured_is_asked_about_and_a_second_press_is_the_answer(own, fit):
    orders.change(own, "trail-sign", pieces=7, pieces_a_board=4)
    form = order_form(own, fit)
    form.finish.click()
    assert ("Not measured yet: pieces 1, 2, 4, 5, 6, 7. How the order came out is known from what is measured. Press Finish order again to "
            "finish it so.") in form.said.value and not orders.read(own).finished
    filled(form, customer="another")
    form.finish.click()
    assert "What you changed above is not saved yet" in form.said.value and not orders.read(own).finished
    form.finish.click()
    assert "Finished: order trail-sign" in form.said.value and orders.read(own).finished


@pytest.mark.parametrize(("pieces", "a_board", "jobs", "said"), [
    (1, None, ["sign"], ""), (1, None, [], "piece 1."), (6, 6, ["sign 1", "sign-06"], "piece 3."), (6, 6, ["sign 13"], "pieces 1, 3, 6."),
    (6, 6, ["left", "middle", "right"], ""), (40, 1, [], "pieces 1, 2, 3, 4, 5, 6, 7, 8, 9 and 31 more.")])
def test_which_pieces_are_not_measured(pieces, a_board, jobs, said):
    """First, middle and last of each board, as the card asks; a piece is told by the number at the end of its name."""
    words = outcome.Outcome(Order(pieces=pieces, pieces_a_board=a_board), pd.DataFrame({"job": jobs})).unmeasured
    assert words.partition("Not measured yet: ")[2].partition(" How")[0] == said


def test_another_name_is_another_order_and_one_that_is_there_is_not_written_over(own, fit):
    filled(order_form(own, fit), name="gate").save.click()
    assert orders.read(own).name == "gate" and orders.read(own, "trail-sign").pieces == 6
    before, form = text_of(own), order_form(own, fit)
    filled(form, name="Trail-Sign").save.click()
    assert "The order trail-sign is already in the lab book" in form.said.value and text_of(own) == before


def test_what_somebody_else_changed_meanwhile_is_not_written_over(own, fit):
    form = order_form(own, fit)
    orders.change(own, "trail-sign", customer="another window")
    filled(form, pieces="3").save.click()
    assert "somebody else changed it since you opened it" in form.said.value and orders.read(own).customer == "another window"


def test_a_job_toml_is_shown_and_taken_over_when_it_is_saved(own, fit):
    shutil.rmtree(own / "orders")
    (own / "open-order.toml").unlink()
    (own / "job.toml").write_text('name = "gate"\nspecies = "white oak"  # north\n', encoding="utf-8")
    form = order_form(own, fit)
    assert form.boxes["name"].value == "gate" and "job.toml is the open order, as before." in form.about.value
    filled(form, pieces="2").save.click()
    assert "taken over into orders/gate.toml" in form.said.value
    assert orders.read(own).pieces == 2 and 'species = "white oak"  # north' in text_of(own, "gate")


def test_a_proof_typed_in_inches_is_refused_with_what_it_was_meant_to_be(own, fit):
    job = Job.read(own, fit, Machine.of(own)).changed(proofs=())
    form = filled(proof_form(own, job), board="Plank-2", depths="0.021 0.022")
    form.save.click()
    assert "inches would be" in form.said.value and len(orders.read(own).proofs) == 1
    filled(form, unit="inch").save.click()
    assert orders.read(own).proofs[1]["depths_mm"] == [0.5334, 0.5588] and orders.read(own).on_bench == "Plank-2"


@pytest.mark.parametrize(("typed", "words"), [
    ({"board": "", "depths": ""}, "Board: nothing is typed here. Name the board."), ({"board": "next"}, "a board cannot be named"),
    ({"depths": ""}, "Depths: nothing is typed here. Type what the gauge says, e.g. 0.56 0.55 0.58."),
    ({"depths": "deep"}, "Readings &#x27;deep&#x27;: this is not a number"),
    ({"speed_mm_s": "fast"}, "Speed &#x27;fast&#x27;: this is not a number"),
    ({"passes": "1.5"}, "this is not a whole number")])
def test_a_proof_that_cannot_be_is_said(typed, words, own, fit):
    job = Job.read(own, fit, Machine.of(own))
    form = filled(proof_form(own, job), **{"board": "Plank-1", "depths": "0.55"} | typed)
    form.save.click()
    assert words in answered(form) and len(orders.read(own).proofs) == 1


def test_the_same_proof_again_is_asked_about_and_the_last_one_is_taken_back_with_a_reason(own, fit):
    orders.change(own, "trail-sign", proof=None)
    typed = {"board": "Plank-9", "depths": "0.56 0.55 0.57"}
    form = filled(proof_form(own, Job.read(own, fit, Machine.of(own))), **typed)
    form.save.click()
    assert "Saved: proof 1" in form.said.value and form.boxes["depths"].value == "" and form.boxes["board"].value == "Plank-9"
    filled(form, **typed).save.click()
    assert "This very proof is in the order already: the same board, setting, depths and day." in form.said.value
    assert len(orders.read(own).proofs) == 1
    form.save.click()
    assert "Saved: proof 2" in form.said.value
    # Another depth is another swatch: nothing is asked.
    filled(form, depths="0.56 0.55 0.58").save.click()
    assert "Saved: proof 3" in form.said.value
    form.take_back.click()
    assert "The last proof, number 3: board Plank-9, 0.56 0.55 0.58 mm, read on " in form.said.value and "Say beside Taken back because" in form.said.value
    filled(form, taken_back_because="another board")
    form.take_back.click()
    assert "Press Take back the last proof again" in form.said.value and len(orders.read(own).proofs) == 3
    form.take_back.click()
    assert "Taken back: proof 3 of the order trail-sign" in form.said.value and len(orders.read(own).proofs) == 2
    assert 'taken_back_because = "another board"' in text_of(own) and "0.58" in text_of(own)
    filled(form, taken_back_because="typed twice")
    for _ in range(2):
        form.take_back.click()
    assert Job.read(own, fit, Machine.of(own)).order.proofs[0]["depths_mm"] == [0.56, 0.55, 0.57] and len(orders.read(own).proofs) == 1
    # The next proof counts: it is the second again.
    filled(form, **typed | {"depths": "0.54 0.55"}).save.click()
    assert [one["depths_mm"] for one in orders.read(own).proofs] == [[0.56, 0.55, 0.57], [0.54, 0.55]]


def test_text_of_an_order_reaches_the_page_escaped(own, fit):
    orders.change(own, "trail-sign", customer="<b>x</b>", note="<img src=x>")
    form = order_form(own, fit)
    form.repeat_it.click()
    assert "<b>x" not in form.said.value and "<img" not in form.said.value


def test_what_was_taken_back_is_typed_anew_with_the_setting_it_was_burned_with(own, fit):
    orders.change(own, "trail-sign", proof=None)
    machine = Machine.of(own)
    form = filled(proof_form(own, Job.read(own, fit, machine)), board="Plank-9", depths="0.42 0.41 0.43", speed_mm_s="100 mm/s", passes="1")
    form.save.click()
    # The page is run again: its card has another speed now.
    form = filled(proof_form(own, Job.read(own, fit, machine)), taken_back_because="typed twice")
    assert form.boxes["speed_mm_s"].value != machine.units.of("speed_mm_s").words(100)
    for _ in range(2):
        form.take_back.click()
    filled(form, depths="0.40 0.41").save.click()
    last = orders.read(own).proofs[-1]
    assert (last["speed_mm_s"], last["board"], last["depths_mm"]) == (100, "Plank-9", [0.40, 0.41])


def test_a_proof_with_one_reading_that_strays_makes_no_setting(own, fit):
    orders.change(own, "trail-sign", proof=None)
    form = filled(proof_form(own, Job.read(own, fit, Machine.of(own))), board="Plank-9", depths="0.55 0.055 0.54")
    form.save.click()
    assert "0.055 mm lies far from the others of its recess (0.55, 0.54): 0.55 would fit" in answered(form) and not orders.read(own).proofs
    assert "say why beside Odd, but so because." in answered(form) and "[proof]" not in answered(form)
    filled(form, confirmed="a void under the recess").save.click()
    assert len(orders.read(own).proofs) == 1


def test_figures_that_stand_in_are_typed_in_boxes_and_change_the_window(own, fit):
    """Every line of the infill, the drawing and the risks that the order's boxes do not show; emptied, it stands in again."""
    before = text_of(own)
    form = figures_form(own)
    assert form.boxes["grits"].value == "150 180" and form.boxes["flat_sawn"].value == ""
    typed = {"grits": "180 150 120", "flatness_mm": "0,2", "flat_sawn": "no", "colour_coats": "6", "colour_wet_mm": "0.1 to 0.14", "colour_solids": "0.4 0.5",
             "white_pct": "10", "left_out_mm": "12 34; 50 60", "shallow_rerun_share": "0.5"}
    filled(form, **typed).buttons["Save figures"].click()
    assert "Saved: order trail-sign" in form.said.value, answered(form)
    order = orders.read(own)
    assert order.infill == {"variant": "brush-filled", "grits": [120, 150, 180], "flatness_mm": 0.2, "flat_sawn": False,
                            "colour": {"coats": 6, "wet_mm": [0.1, 0.14], "solids": [0.4, 0.5]}}
    assert (order.white_pct, order.left_out_mm, order.prices["shallow_rerun_share"]) == (10, [[12, 34], [50, 60]], 0.5)
    again = figures_form(own)
    assert {name: again.boxes[name].value for name in typed} == typed | {"grits": "120 150 180", "flatness_mm": "0.2", "colour_wet_mm": "0.1 0.14"}
    # A film is whole or not at all; said by its boxes.
    filled(again, colour_solids="").buttons["Save figures"].click()
    assert "Colour, solids, share: nothing is typed here. A film needs its coats" in again.said.value and orders.read(own).infill == order.infill
    filled(again, **dict.fromkeys(typed, "") | {"grits": "150 180"}).buttons["Save figures"].click()
    assert "Saved" in again.said.value and text_of(own).split() == before.split()


@pytest.mark.parametrize("typed, said", [({"flat_sawn": "", "char_mm": "3 inch"}, "allowed is"), ({"left_out_mm": "12"}, "each place is two numbers, across and down"),
                                         ({"colour_solids": "35 50"}, "allowed is at least 0 and at most 1"), ({"grits": "151"}, "allowed is one of 60, 80, 100")])
def test_figures_that_cannot_be_are_said_and_change_nothing(typed, said, own):
    before = text_of(own)
    form = filled(figures_form(own), **typed)
    form.buttons["Save figures"].click()
    assert said in answered(form) and text_of(own) == before


FERN = b'<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="40mm" viewBox="0 0 60 40"><rect x="10" y="10" width="30" height="20"/></svg>'


def add_drawing(form, name, content):
    form.upload.value = ({"name": name, "type": "image/svg+xml", "size": len(content), "content": memoryview(content),
                          "last_modified": datetime.datetime(2026, 3, 14, tzinfo=datetime.UTC)},)
    return form.said.value


def test_a_wet_coat_in_mils_is_named(own):
    form = filled(figures_form(own), colour_coats="3", colour_wet_mm="4 to 5", colour_solids="0.3 to 0.4")
    assert "5 thousandths of an inch would be 0.13 mm" in form.beside["colour_wet_mm"].value
    filled(form, colour_wet_mm="4 to 5 mm")
    assert form.beside["colour_wet_mm"].value == ""


def test_the_first_proof_writes_down_the_wood_and_module_that_the_order_left_open(own, fit):
    filled(order_form(own, fit), species="", module="").save.click()
    job = Job.read(own, fit, Machine.of(own))
    assert orders.read(own).species is None
    form = filled(proof_form(own, job), board="Z9", depths="0.5 0.51 0.5")
    form.save.click()
    now = orders.read(own)
    assert "Saved: proof" in form.said.value and (now.species, now.module_w, now.wavelength_nm) == (job.group.species, job.group.module_w, job.group.wavelength_nm)


def test_a_drawing_is_added_from_the_page_and_chosen(own, fit):
    form = order_form(own, fit)
    said = add_drawing(form, "fern.svg", FERN)
    assert "1 separate shape on a page of 60 × 40 mm" in said and "6.0 cm² burned" in said and form.boxes["artwork"].value == "fern.svg"
    assert (own / "artwork" / "fern.svg").read_bytes() == FERN
    form.save.click()
    assert orders.read(own).artwork == "fern.svg"


@pytest.mark.parametrize("name, content, said", [
    ("trail-sign.svg", FERN, "another drawing called trail-sign.svg, which earlier orders may have been burned by"),
    ("fern.png", b"\x89PNG", "this is no SVG file. Save the drawing as SVG, its text as outlines."),
    ("a:b.svg", FERN, "this cannot name a file"), ("../fern.svg", FERN, "this is no SVG file"),
    ("words.svg", FERN.replace(b"</svg>", b"<text x='10' y='10'>Fern</text></svg>"), "text")])
def test_a_drawing_that_cannot_be_is_said_and_changes_nothing(name, content, said, own, fit):
    form, before = order_form(own, fit), {file: file.read_bytes() for file in own.rglob("*.svg")}
    assert said in add_drawing(form, name, content) and form.boxes["artwork"].value == "trail-sign.svg"
    assert {file: file.read_bytes() for file in own.rglob("*.svg")} == before


def test_lumbers_names_lead_to_their_wood(own, fit):
    form = order_form(own, fit)
    labels = [label for label, _ in form.boxes["species"].options]
    assert "hard maple" in labels and dict(form.boxes["species"].options)["hard maple"] == "sugar maple"
    form.boxes["species"].index = labels.index("hard maple")
    form.save.click()
    assert orders.read(own).species == "sugar maple"


def test_another_drawing_has_nothing_left_out_of_it(own, fit):
    filled(figures_form(own), left_out_mm="[[150, 90]]").buttons["Save figures"].click()
    assert orders.read(own).left_out_mm == [[150, 90]]
    form = order_form(own, fit)
    add_drawing(form, "fern.svg", FERN)
    form.save.click()
    assert "What was left out of the drawing before is not left out of this one." in form.said.value
    assert (orders.read(own).artwork, orders.read(own).left_out_mm) == ("fern.svg", None)


def test_a_drawings_width_is_typed_and_asked_about_once_the_drawing_is_another(own, fit):
    form = order_form(own, fit)
    filled(form, drawing_width_mm="15 cm").save.click()
    assert "drawing_width_mm" in form._wrong() or "Its width" in form.said.value
    filled(form, drawing_width_mm="6 in").save.click()
    assert orders.read(own).drawing_width_mm == pytest.approx(152.4)
    filled(figures_form(own), left_out_mm="12 34").buttons["Save figures"].click()
    form = order_form(own, fit)
    assert form.boxes["drawing_width_mm"].value == "152.4"
    add_drawing(form, "fern.svg", FERN)
    form.save.click()
    assert "152.4 mm was the width of trail-sign.svg: is fern.svg as wide?" in form.said.value and orders.read(own).artwork == "trail-sign.svg"
    form.save.click()
    assert (orders.read(own).artwork, orders.read(own).drawing_width_mm, orders.read(own).left_out_mm) == ("fern.svg", pytest.approx(152.4), None)
    filled(figures_form(own), left_out_mm="12 34").buttons["Save figures"].click()
    filled(order_form(own, fit), drawing_width_mm="").save.click()
    assert (orders.read(own).drawing_width_mm, orders.read(own).left_out_mm) == (None, None)


def test_a_drawing_larger_than_a_machine_is_added_at_the_width_it_has_on_the_sign(own, fit):
    large = FERN.replace(b'width="60mm" height="40mm"', b'width="6000mm" height="4000mm"')
    assert large != FERN
    form = order_form(own, fit)
    assert "save it at the size of the sign, or say how wide it is there" in add_drawing(form, "fern.svg", large)
    form.boxes["drawing_width_mm"].value = "90"
    assert "on a page of 90 × 60 mm" in add_drawing(form, "fern.svg", large)
    form.save.click()
    assert (orders.read(own).artwork, orders.read(own).drawing_width_mm) == ("fern.svg", 90)


def test_an_order_filled_in_again_stands_there_when_the_page_is_run_before_a_box_is_typed(own, fit):
    form = order_form(own, fit)
    form.which.value = "trail-sign"
    form.repeat_it.click()
    again = order_form(own, fit)
    assert (again.boxes["name"].value, again.boxes["customer"].value) == ("", "the arboretum (invented)")
    assert "filled in again" in again.said.value


@pytest.mark.parametrize("sanded, said", [("0.1 to 0.2", True), ("", False)])
def test_grits_beside_a_measured_sanding_are_said_not_to_count(own, fit, sanded, said):
    filled(order_form(own, fit), sanded_mm=sanded).save.click()
    form = filled(figures_form(own), grits="120 180", colour_coats="6", colour_wet_mm="0.1", colour_solids="40 to 50 %")
    form.buttons["Save figures"].click()
    assert ("Grits do not count while" in form.said.value) == said and orders.read(own).infill["colour"]["solids"] == [0.4, 0.5]
