"""Draft: a half-entered burn is on the disk and comes back as it was."""

import sys
from pathlib import Path

from testburn.entry import Offers, burnform, draft, grid

sys.path.append(str(Path(__file__).parent))
from typed_burns import buttons, drafts, form_for, full_disk


def test_nothing_is_written_before_something_is_typed(book):
    burnform.entry(book)
    Offers(book)
    assert not (book / "journal").exists()


def test_every_accepted_cell_is_on_the_disk_before_the_box_is_answered(book):
    form = form_for(book)
    kept = []
    form.rows[0].said.observe(lambda _: kept.append(draft.resumed(book, *drafts(book))[0]), "value")
    form.rows[0].depths[2].value = "0.75"
    assert kept[0]["swatches"][0]["depths"] == ["0.66", "0.67", "0.75"]
    assert kept[0]["burn"] == "oak-01"


def test_a_half_entered_burn_comes_back_as_it_was(book):
    form = burnform.entry(book)
    form.header["burn"].value = "oak-02"
    form.header["depth_as"].value = grid.FACE_AND_FLOOR
    form.add_reading.click()
    form.rows[1].speed.value = "15"
    form.rows[1].speed.value = "150"
    form.rows[1].faces[3].value = "0,1"
    form.rows[1].depths[3].value = "<b>"
    form.add_swatch.click()
    form.rows[6].power.value = "45"
    typed, kept = draft.resumed(book, *drafts(book))
    again = burnform.entry(book, typed, draft=kept)
    assert again.typed() == form.typed()
    assert again.typed()["swatches"][6] == {"swatch": "7", "speed": "", "power": "45",
                                            "depths": ["", "", "", ""]}
    again.rows[0].speed.value = "99"
    assert len(drafts(book)) == 1
    assert draft.resumed(book, *drafts(book))[0]["swatches"][0]["speed"] == "99"


def test_a_saved_burn_is_no_draft_any_more_but_its_journal_is_kept(book):
    form = form_for(book)
    form.rows[0].depths[2].value = "0.70"
    form.save.click()
    assert drafts(book) == [] and len(list((book / "journal" / "saved").iterdir())) == 1
    form.rows[0].depths[2].value = "0.71"
    assert len(drafts(book)) == 1


def test_a_journal_that_cannot_be_written_is_said_and_the_text_stays(book, monkeypatch):
    form = form_for(book)
    full_disk(monkeypatch)
    form.rows[0].depths[2].value = "0.70"
    assert "Not kept for a crash: " in form.kept.value and "the disk is full" in form.kept.value
    assert form.rows[0].depths[2].value == "0.70"


def test_drafts_of_the_scratch_demo_outlive_its_copy(tmp_path, monkeypatch):
    monkeypatch.setattr(draft.tempfile, "gettempdir", lambda: str(tmp_path))
    first = form_for(tmp_path / "scratch-1", scratch=True)
    first.rows[0].depths[2].value = "0.70"
    opened = Offers(tmp_path / "scratch-2", scratch=True)
    buttons(opened)["Resume"].click()
    assert opened.form.rows[0].depths[2].value == "0.70"
    assert not (tmp_path / "scratch-1" / "journal").exists()
