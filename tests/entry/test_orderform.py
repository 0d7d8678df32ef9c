"""Order form and proof form: kept as typed, faults in their own words, nothing written over that was not seen."""

import shutil

import pytest

from testburn import depthfit, labbook
from testburn.entry import order_form, proof_form
from testburn.job import Job, orders
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


def test_what_sanding_takes_off_is_asked_for_and_written_beside_the_way_to_fill(own, fit):
    filled(order_form(own, fit), sanded_mm="0,08 to 0.14", variant="resin-filled").save.click()
    order = orders.read(own)
    assert order.infill == {"variant": "resin-filled", "grits": [150, 180], "sanded_mm": [0.08, 0.14]}
    form = order_form(own, fit)
    assert form.boxes["sanded_mm"].value == "0.08 to 0.14"
    filled(form, sanded_mm="a bit").save.click()
    assert "Sanding takes off, mm &#x27;a bit&#x27;: this is not a number" in form.said.value and orders.read(own).infill == order.infill
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
    ({"pieces": "six"}, "Pieces &#x27;six&#x27;: this is not a number; write it like 0.45 or 0,45."),
    ({"pieces": "0"}, "Pieces &#x27;0&#x27;: allowed is at least 1 and at most 100000. Use a whole number, 1 or more."),
    ({"ordered_on": "2.3.2026"}, "Ordered on &#x27;2.3.2026&#x27;: this is not a day."),
    ({"name": ""}, "Name: give the order one; its file is named after it."),
    ({"board": "next"}, "a board cannot be named &#x27;next&#x27;")])
def test_faults_are_said_in_the_forms_own_words_and_nothing_is_written(typed, words, own, fit):
    before, form = text_of(own), order_form(own, fit)
    filled(form, **typed).save.click()
    assert words in form.said.value and "everything you typed is still here" in form.said.value and text_of(own) == before


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
    assert form.boxes["name"].value == "gate" and "job.toml is the open order, as before." in form.said.value
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
    ({"board": ""}, "Board, Depths: give the board and at least one depth."),
    ({"depths": "deep"}, "Readings &#x27;deep&#x27;: this is not a number"),
    ({"speed_mm_s": "fast"}, "Speed &#x27;fast&#x27;: this is not a number"),
    ({"passes": "1.5"}, "this is not a whole number")])
def test_a_proof_that_cannot_be_is_said(typed, words, own, fit):
    job = Job.read(own, fit, Machine.of(own))
    form = filled(proof_form(own, job), **{"board": "Plank-1", "depths": "0.55"} | typed)
    form.save.click()
    assert words in form.said.value and len(orders.read(own).proofs) == 1


def test_text_of_an_order_reaches_the_page_escaped(own, fit):
    orders.change(own, "trail-sign", customer="<b>x</b>", note="<img src=x>")
    form = order_form(own, fit)
    form.repeat_it.click()
    assert "<b>x" not in form.said.value and "<img" not in form.said.value
