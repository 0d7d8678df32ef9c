"""One live card an order: counted, replaced, the same again, in the card folder and among what finished jobs choose from."""

import pytest

from testburn import depthfit, labbook
from testburn.job import Job, orders, promise, settings
from testburn.labbook import Machine
from testburn.paper import binder, card, ordercard, pdf, record as cardrecord

PROOF = {"board": "Plank-1", "depths_mm": [0.55, 0.57, 0.54], "gauge_step_mm": 0.01, "power_pct": 90, "speed_mm_s": 76, "line_pitch_mm": 0.1,
         "passes": 1}


@pytest.fixture(scope="module")
def demo(request):
    """The demo's order before its proof, and after it."""
    labdata = request.path.parents[2] / "labdata"
    proved = Job.read(labdata, depthfit.fit(labbook.read(labdata)), Machine.of(labdata))
    return proved.changed(proofs=()), proved


def live(folder):
    found = cardrecord.live(cardrecord.kept(folder))
    return {name: record.order["number"] for name, record in found.items()}


def test_before_a_proof_the_card_says_so_and_is_for_the_next_board(demo, tmp_path):
    before, _ = demo
    made = ordercard.write(tmp_path, before, tmp_path / "records")
    record, = cardrecord.kept(tmp_path / "records")
    page, = record.document["pages"]
    assert made.name == "order-trail-sign.pdf" and record.board == "next"
    assert page["holds"] == "Order trail-sign, card 1: before proof, for the next board"
    front = page["front"]
    assert front["standing"] == "Before proof: for the next board · card 1" and front["mind"][0].startswith("Prove first: one swatch")
    assert "Measure pieces 1, 3, 6." in front["measure"]["where"] and front["measure"]["pieces"] == ["Piece 1", "Piece 3", "Piece 6"]
    assert record.order["replaces"] is None and set(record.promised["order"]) == {"trail-sign"}
    # The chance is that of the order's state: the next board.
    assert record.promised["speed_mm_s"].iloc[0] == before.fast_and_sure["speed_mm_s"].iloc[0]


def test_after_a_proof_the_card_is_made_again_and_names_the_one_it_replaces(demo, tmp_path):
    before, proved = demo
    for job in demo:
        ordercard.write(tmp_path, job, tmp_path / "records")
    first, second = sorted(cardrecord.kept(tmp_path / "records"), key=lambda one: one.order["number"])
    page, = second.document["pages"]
    assert page["holds"] == "Order trail-sign, card 2: for board Plank-1 only"
    assert page["front"]["standing"] == "Proved: for board Plank-1 only · card 2"
    assert page["front"]["foot"][1] == "Card 2 of this order. Replaces card 1 (before proof): take that one down."
    assert (second.order["standing"], second.board) == ("proved on board Plank-1", "Plank-1")
    assert [path.name for path in tmp_path.glob("*.pdf")] == ["order-trail-sign.pdf"]
    assert (tmp_path / "order-trail-sign.pdf").read_bytes() == pdf.compiled(second.document)
    assert live(tmp_path / "records") == {"trail-sign": 2}


def test_the_same_state_again_is_the_same_card_to_the_byte_on_either_paper(demo, tmp_path):
    for job in demo:
        made = ordercard.write(tmp_path, job, tmp_path / "records").read_bytes()
    assert ordercard.write(tmp_path, demo[1], tmp_path / "records").read_bytes() == made
    ordercard.write(tmp_path, demo[1], tmp_path / "records", "us-half-letter")
    assert live(tmp_path / "records") == {"trail-sign": 2} and len(cardrecord.kept(tmp_path / "records")) == 3
    # Back to a state it had before is another card, with a number of its own.
    ordercard.write(tmp_path, demo[0], tmp_path / "records")
    assert live(tmp_path / "records") == {"trail-sign": 3}


def test_another_thickness_is_another_card_with_the_same_data(demo, tmp_path):
    ordercard.write(tmp_path, demo[1], tmp_path / "records")
    ordercard.write(tmp_path, demo[1].changed(pieces=7), tmp_path / "records")
    two = cardrecord.live(cardrecord.kept(tmp_path / "records"))["trail-sign"]
    assert two.order["number"] == 2 and two.order["replaces"]["data"] == two.fingerprint[:12]


def test_two_orders_are_counted_apart(demo, tmp_path):
    ordercard.write(tmp_path, demo[0], tmp_path / "records")
    ordercard.write(tmp_path, demo[0].changed(name="gate"), tmp_path / "records")
    assert live(tmp_path / "records") == {"trail-sign": 1, "gate": 1}


def test_the_card_folder_binds_the_live_card_only_and_says_which_to_take_down(demo, tmp_path):
    for job in demo:
        ordercard.write(tmp_path, job, tmp_path / "records")
    fit = demo[1].fit
    kept = cardrecord.kept(tmp_path / "records")
    made = binder.document(fit, card.document(fit, settings.for_card(fit)), kept)
    bound = [sheet["page"]["holds"] for sheet in made["sheets"][made["groups"]:]]
    assert bound == ["Order trail-sign, card 2: for board Plank-1 only"]
    assert made["alarms"] == ["Of the order trail-sign, card 2 holds: take down card 1."]


def test_a_live_card_of_older_readings_is_said_to_be_out_of_date(demo, tmp_path):
    ordercard.write(tmp_path, demo[0], tmp_path / "records")
    fit = depthfit.fit(demo[0].fit.readings[demo[0].fit.readings["burn"] != "trail-01"])
    mark = demo[0].fit.fingerprint[:12]
    assert binder.told(fit, cardrecord.kept(tmp_path / "records")) == [
        f"The card of the order trail-sign, data {mark}, is out of date: make it again."]


def test_among_what_finished_jobs_choose_from_the_live_card_comes_first_and_the_replaced_last(demo, tmp_path):
    for job in demo:
        ordercard.write(tmp_path, job, tmp_path / "records")
    promised = cardrecord.promises(tmp_path / "records", first=demo[1].promised)
    own = promised[promised["order"] == "trail-sign"]
    assert list(own[own["replaced_by"].isna()]["board"].unique()) == ["Plank-1"]
    assert own["replaced_by"].iloc[-1] == 2 and list(own["board"])[-1] == "next"
    # Today's rows of the order are those of its live card: none stands twice.
    assert not promised.duplicated(list(promise.COLUMNS)).any() and promised["order"].iloc[0] == "trail-sign"


def test_a_piece_is_held_to_the_card_that_was_printed_not_to_one_that_would_be(demo, tmp_path):
    ordercard.write(tmp_path, demo[1], tmp_path / "records")
    today = demo[1].changed(infill=demo[1].order.infill | {"sanded_mm": [0.4, 0.5]}).promised
    promised = cardrecord.promises(tmp_path / "records", first=today)
    own = promised[promised["order"] == "trail-sign"]
    assert today["aim_mm"].iloc[0] != own["aim_mm"].iloc[0] and promised["order"].iloc[0] == "trail-sign"
    assert own["at_least_mm"].tolist() == [demo[1].promised["at_least_mm"].iloc[0]] * len(own)


def test_long_names_stay_on_front_and_back(demo, tmp_path):
    long = "N" * 80
    proof = PROOF | {"board": "B" * 80}
    job = demo[1].changed(name=long, board="B" * 80, proofs=(proof,), artwork_sha256="0" * 64, pieces=40, pieces_a_board=3)
    ordercard.write(tmp_path, job.changed(proofs=()), tmp_path / "records")
    made = ordercard.write(tmp_path, job, tmp_path / "records").read_bytes()
    assert made.count(b"/Type /Page\n") + made.count(b"/Type/Page/") + made.count(b"/Type /Page/") == 2


@pytest.mark.parametrize("name", ["Haus Müller", "Дом 3", "看板"])
def test_an_order_named_in_any_script_has_its_card_and_its_record(name, demo, tmp_path):
    made = ordercard.write(tmp_path, demo[0].changed(name=name), tmp_path / "records")
    assert made.name == f"order-{name}.pdf" and live(tmp_path / "records") == {name: 1}
    record, = cardrecord.kept(tmp_path / "records")
    assert record.path.name.isascii() and set(record.promised["order"]) == {name}


def test_an_order_taken_from_its_file_gives_the_same_card_as_the_one_in_hand(demo, labdata, tmp_path):
    (tmp_path / "artwork").mkdir()
    (tmp_path / "artwork" / "trail-sign.svg").write_bytes((labdata / "artwork" / "trail-sign.svg").read_bytes())
    (tmp_path / "orders").mkdir()
    (tmp_path / "orders" / "trail-sign.toml").write_bytes((labdata / "orders" / "trail-sign.toml").read_bytes())
    orders.open_order(tmp_path, "trail-sign")
    again = Job.read(tmp_path, demo[1].fit, demo[1].machine)
    assert ordercard.write(tmp_path, again).read_bytes() == ordercard.write(tmp_path / "other", demo[1]).read_bytes()
