"""An invented order of six plaques from one plank: from its boxes to quote, card, proof, result and repeat, by the page's forms.

No line of code or of a file is edited: what is asserted stands in the lab book and on the card because a box was filled and
a button pressed. The plaques, the arboretum and the prices are invented.
"""

import shutil
import tomllib

import pytest

from testburn import depthfit, drift, labbook
from testburn.entry import job_form, order_form, proof_form, second_pass_form
from testburn.job import Job, orders
from testburn.labbook import Machine, jobs
from testburn.paper import ordercard, promises, record as cardrecord

TYPED = {"name": "fern plaques", "customer": "the arboretum (invented)", "ordered_on": "2026-03-02", "artwork": "trail-sign.svg",
         "species": "black cherry", "module": "15 W, 445 nm", "board_thickness_mm": "15", "variant": "brush-filled", "pieces": "6",
         "pieces_a_board": "6", "price_per_minute": "0,6", "price_board": "", "price_finishing": "4", "price_proof_minutes": "7",
         "price_setup_minutes": "15",
         "price_loading_minutes": "3", "price_rerun_minutes": "20", "price_deep_extra": "1.5"}


@pytest.fixture(scope="module")
def fit(request):
    return depthfit.fit(labbook.read(request.path.parents[2] / "labdata"))


@pytest.fixture
def own(labdata, tmp_path):
    """A maker's own lab book: the demo's burns and drawing, and no order yet."""
    for name in ("burns", "artwork"):
        shutil.copytree(labdata / name, tmp_path / "book" / name)
    for name in ("woods.csv", "strikes.csv", "machine.toml"):
        shutil.copy(labdata / name, tmp_path / "book" / name)
    return tmp_path / "book"


def opened(book, fit):
    return Job.read(book, fit, Machine.of(book))


def filled(form, **typed):
    for name, text in typed.items():
        form.boxes[name].value = text
    return form


def numbers(folder):
    return {one.order["name"]: (one.order["number"], one.order["standing"]) for one in cardrecord.live(cardrecord.kept(folder)).values()}


def test_six_plaques_go_from_their_boxes_to_the_repeat_order(own, fit, tmp_path):
    cards, records = tmp_path / "cards", tmp_path / "cards" / "records"
    # The boxes.
    form = filled(order_form(own, fit), **TYPED)
    form.save.click()
    assert "Saved: order fern plaques" in form.said.value, form.said.value
    job = opened(own, fit)
    assert (job.order.pieces, job.order.board_thickness_mm, job.order.prices["per_minute"], job.board) == (6, 15.0, 0.6, "next")
    assert job.trouble == "" and job.notes == []

    # The quote: six pieces, one plank, one proof; each line at the prices typed.
    lines = job.quote.table.set_index("line")
    burn = job.batch.burn_minutes
    assert lines["amount"].drop(["machine minutes", "expected re-runs"]).to_dict() == pytest.approx(
        {"labour": (15 + 6 * 3) * 0.6, "material": 6 * 18.0, "finishing": 6 * 4.0, "proof": 1 * 7 * 0.6})
    assert lines.loc["machine minutes", "amount"] == pytest.approx(6 * burn * 0.6)
    assert "Examples stand in for prices you have not typed: board, shallow rerun share, deep lost share." in job.quote.words
    assert job.batch.table["measure"].tolist() == ["1, 3, 6"]

    # The card before the proof.
    ordercard.write(cards, job, records)
    assert numbers(records) == {"fern plaques": (1, "before proof")}
    before = job.recommended

    # The proof, with the setting that the card gave first.
    proof = filled(proof_form(own, job), board="Plank-9", depths="0.53 0.55 0.54")
    proof.save.click()
    assert "Saved: proof 1 of the order fern plaques" in proof.said.value, proof.said.value
    job = opened(own, fit)
    kept, = job.order.proofs
    assert (kept["board"], kept["depths_mm"], kept["speed_mm_s"]) == ("Plank-9", [0.53, 0.55, 0.54], before["speed_mm_s"])
    assert job.board == "Plank-9" and job.recommended["chance_inside"] > before["chance_inside"]

    # The card after it: one live card, which names the one it replaces.
    ordercard.write(cards, job, records)
    assert numbers(records) == {"fern plaques": (2, "proved on board Plank-9")}
    assert [file.name for file in cards.glob("*.pdf")] == ["order-fern plaques.pdf"]

    # The result: the first, the middle and the last piece.
    promised = promises(records, first=job.promised)
    assert promised.loc[0, ["board", "order"]].tolist() == ["Plank-9", "fern plaques"]
    for piece, depths in (("1", "0.50 0.52 0.51"), ("3", "0.53 0.52 0.54"), ("6", "0.49 0.50 0.51")):
        result = filled(job_form(own, promised, piece=f"fern plaques {piece}"), board="Plank-9", readings=depths)
        result.save.click()
        assert "Saved 3 readings" in result.said.value, result.said.value
    assert set(jobs.read(own)["order"]) == {"fern plaques"} and drift.check(jobs.read(own)).jobs["board"].unique().tolist() == ["Plank-9"]
    form = order_form(own, fit)
    form.finish.click()
    assert "Finished: order fern plaques" in form.said.value, form.said.value

    # The repeat: the old order with how it came out, a new file, another board, no proof.
    form.which.value = "fern plaques"
    form.repeat_it.click()
    out = orders.came_out(own, "fern plaques")
    assert len(out.table) == 3 and out.table["inside"].all() and "3 of 3 lay in the window. Finished 20" in form.said.value
    filled(form, name="fern plaques 2", pieces="12").save.click()
    again = opened(own, fit).order
    assert (again.name, again.repeats, again.pieces, again.board, again.proofs, again.prices) == (
        "fern plaques 2", "fern plaques", 12, None, (), job.order.prices)
    ordercard.write(cards, opened(own, fit), records)
    assert numbers(records) == {"fern plaques": (2, "proved on board Plank-9"), "fern plaques 2": (1, "before proof")}
    assert orders.listed(own)["name"].tolist() == ["fern plaques 2", "fern plaques"]
    # Nothing of the first was written over.
    first = tomllib.loads((own / "orders" / "fern plaques.toml").read_text(encoding="utf-8"))
    assert first["pieces"] == 6 and len(first["proof"]) == 1 and "finished" in first


# A sign filled with resin; a batch sprayed through a mask. What sanding takes off is measured (invented), as the form asks.
@pytest.mark.parametrize(("variant", "sanded", "pieces", "noted"), [
    ("resin-filled", "0.10 to 0.16", "1", False), ("mask-sprayed", "0.01 to 0.03", "6", True)])
def test_another_way_to_fill_goes_from_the_window_to_the_finished_record(own, fit, tmp_path, variant, sanded, pieces, noted):
    cards, records = tmp_path / "cards", tmp_path / "cards" / "records"
    filled(order_form(own, fit), **TYPED | {"variant": variant, "sanded_mm": sanded, "pieces": pieces, "pieces_a_board": pieces}).save.click()
    job = opened(own, fit)
    window = job.window
    assert job.trouble == "" and window.variant == variant and window.unmeasured == ""
    assert [("takes a part of the beam" in words) for words in job.notes] == [True] * noted

    # The card before and after the proof, whose swatch comes out in the middle of the window.
    ordercard.write(cards, job, records)
    depth = job.recommended["depth_mm"]
    filled(proof_form(own, job), board="Plank-9", depths=" ".join(f"{depth + off:.2f}" for off in (0, 0.01, -0.01))).save.click()
    job = opened(own, fit)
    ordercard.write(cards, job, records)
    assert numbers(records) == {"fern plaques": (2, "proved on board Plank-9")} and job.recommended["chance_inside"] > 0.9

    # A piece comes out too shallow, and is saved as it is; the form beside it says its second pass at once.
    shallow, middle = round(0.9 * window.at_least_mm, 2), round((window.at_least_mm + window.at_most_mm) / 2, 2)
    second = second_pass_form(own, job)
    assert second.boxes["job"].value == "" and "Choose the piece that is too shallow" in second.about.value
    result = filled(job_form(own, promises(records, first=job.promised), piece="fern plaques 1", then=second.look_again), board="Plank-9",
                    readings=" ".join(f"{shallow + off:.2f}" for off in (0, 0.01, -0.01)))
    result.save.click()
    assert "Saved 3 readings" in result.said.value, result.said.value
    assert orders.came_out(own, "fern plaques").table["inside"].tolist() == [False]
    note, = opened(own, fit).missed
    assert note.startswith(f"Piece fern plaques 1 came out {shallow:.2f} mm on board Plank-9, where ")

    # The second pass: chosen, said, burned, measured, recorded. The first file stays.
    first = (own / "jobs" / "fern plaques 1.csv").read_bytes()
    assert second.boxes["job"].value == "fern plaques 1" and f"{shallow:.2f} mm is too shallow. Burn the piece once more, where it lies" in second.about.value
    assert "of 100 land inside the window" in second.about.value and float(second.boxes["speed_mm_s"].value) == pytest.approx(
        job.top_up(shallow)["speed_mm_s"], abs=1)
    filled(second, depths_mm=" ".join(f"{middle + off:.2f}" for off in (0, 0.01, -0.01)))
    assert f"Mean of 3: {middle:.2f} mm: inside the window" in second.about.value
    second.buttons["Save second pass"].click()
    assert f"Saved: fern plaques 1: {shallow:.2f} mm, then {middle:.2f} mm after a second pass: inside" in second.said.value, second.said.value
    assert (own / "jobs" / "fern plaques 1.csv").read_bytes() == first and second.boxes["job"].value == ""

    # The record: the order ends with the piece as it is now, the card is held to its first pass, the next second pass counts with it.
    finishing = order_form(own, fit)
    finishing.finish.click()
    assert ("Not measured yet: pieces 3, 6." in finishing.said.value) == (pieces == "6")
    if pieces == "6":  # asked about once; the second press is the answer
        finishing.finish.click()
    out = orders.came_out(own, "fern plaques")
    said = f"fern plaques 1: {shallow:.2f} mm, then {middle:.2f} mm after a second pass: inside."
    assert out.table["inside"].all() and f"1 of 1 lay in the window. {said} Finished 20" in out.words
    assert drift.check(jobs.read(own)).jobs["depth_mm"].round(2).tolist() == [shallow]
    job = opened(own, fit)
    assert job.loses.recorded == 1 and "1 second pass you recorded" in job.second_pass(shallow)
    note, = job.missed
    assert said.partition(": ")[2] in note and "or count on a second pass there too" in note
    ordercard.write(cards, job, records)
    assert numbers(records) == {"fern plaques": (3, "proved on board Plank-9")}
