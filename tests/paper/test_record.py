"""Card records: what a printed card promised, read back as it was written, and nothing else."""

import json

import pandas as pd
import pytest

from testburn import depthfit
from testburn.job import promise, settings
from testburn.labbook import files
from testburn.paper import card, pdf, record as cardrecord

WINDOW = {"at_least_mm": 0.8, "at_most_mm": 1.2}


@pytest.fixture(scope="module")
def fit(burns):
    return depthfit.fit(burns())


@pytest.fixture
def choices(fit):
    return settings.steps(fit, "white oak", 20, [0.5, 1.0, 1.5])


@pytest.fixture
def printed(fit, choices, tmp_path):
    """A card for the next board, and the folder of its record."""
    card.write(tmp_path / "settings card.pdf", fit, choices, WINDOW, records=tmp_path / "records")
    return tmp_path / "records"


def names(folder):
    return sorted(path.name for path in folder.glob("*.json"))


def test_a_card_leaves_what_it_promised(printed, fit, choices):
    record, = cardrecord.kept(printed)
    assert (record.fingerprint, record.readings_mark, record.board, record.window, record.paper,
            record.pdf, record.invented, record.newest_reading) == (
        fit.fingerprint, fit.readings_mark, "next", WINDOW, "a5", "settings card.pdf", False, "2026-03-14")
    pd.testing.assert_frame_equal(record.promised, promise.of(fit, choices, "next", WINDOW))


@pytest.mark.parametrize("window", [None, pd.DataFrame([WINDOW])])
def test_missing_numbers_and_a_table_as_window_come_back_as_they_were(fit, choices, tmp_path, window):
    chosen = settings.choose(fit, "white oak", 20, 0.8, 1.2).assign(aim_mm=float("nan"))
    cardrecord.keep(tmp_path, fit, chosen, card.document(fit, choices), "choice.pdf", window=window)
    record, = cardrecord.kept(tmp_path)
    assert record.window == (None if window is None else WINDOW)
    pd.testing.assert_frame_equal(record.promised, promise.of(fit, chosen, "next", window))


def test_the_page_can_be_drawn_again(printed):
    record, = cardrecord.kept(printed)
    assert pdf.compiled(record.document) == (printed.parent / "settings card.pdf").read_bytes()


def test_a_card_without_a_folder_for_records_leaves_none(fit, choices, tmp_path):
    card.write(tmp_path / "card.pdf", fit, choices)
    assert [path.name for path in tmp_path.iterdir()] == ["card.pdf"]


def test_the_same_card_again_is_the_same_record_and_another_card_another(printed, fit, choices, tmp_path):
    first, = printed.glob("*.json")
    before = first.read_bytes()
    card.write(tmp_path / "settings card.pdf", fit, choices, WINDOW, records=printed)
    assert names(printed) == [first.name] and first.read_bytes() == before
    assert first.name.startswith(f"{fit.fingerprint}-settings-card-")
    card.write(tmp_path / "settings card.pdf", fit, choices.head(2), WINDOW, records=printed)
    assert len(names(printed)) == 2 and first.read_bytes() == before


def test_a_damaged_record_is_mended_by_printing_the_card_again(printed, fit, choices, tmp_path):
    first, = printed.glob("*.json")
    before = first.read_bytes()
    first.write_bytes(before[:100])
    card.write(tmp_path / "settings card.pdf", fit, choices, WINDOW, records=printed)
    assert first.read_bytes() == before


def test_a_card_is_current_as_long_as_the_readings_are_whatever_was_proved(printed, fit, burns, choices):
    record, = cardrecord.kept(printed)
    proved = fit.proved(depthfit.proof(choices.iloc[1], "K7", [1.1, 1.12, 1.08], 0.01))
    assert proved.fingerprint != fit.fingerprint
    assert (record.current(fit), record.current(proved)) == (True, True)
    assert not record.current(depthfit.fit(burns(boards=2)))


def test_the_newest_readings_come_first(fit, choices, burns, tmp_path):
    for day in ("2026-02-01", "2026-05-01", "2026-03-01"):
        readings = burns()
        readings["burned_on"] = pd.Timestamp(day)
        card.write(tmp_path / "card.pdf", depthfit.fit(readings), choices, records=tmp_path / "records")
    assert [record.newest_reading for record in cardrecord.kept(tmp_path / "records")] == [
        "2026-05-01", "2026-03-01", "2026-02-01"]


def test_promises_of_both_papers_are_counted_once(printed, fit, choices, tmp_path):
    card.write(tmp_path / "half-letter.pdf", fit, choices, WINDOW, "us-half-letter", records=printed)
    assert len(names(printed)) == 2
    pd.testing.assert_frame_equal(cardrecord.promises(printed).drop(columns="replaced_by"), promise.of(fit, choices, "next", WINDOW))


def test_no_folder_and_an_empty_one_hold_no_promise(tmp_path):
    assert cardrecord.kept(tmp_path / "nowhere") == ()
    for folder in (tmp_path, tmp_path / "nowhere"):
        assert cardrecord.promises(folder).empty
        assert tuple(cardrecord.promises(folder)) == (*promise.COLUMNS, "replaced_by")


DAMAGED = "it is damaged. Print the card again, or take the file out."
FOREIGN = "it is no record of a card. Take it out of the folder."
CHANGED = "it was changed after it was written. Print the card again, or take the file out."


def newer(whole):
    return json.dumps(whole | {"format": 3})


def another_depth(whole):
    whole["record"]["promised"][0]["expected_mm"] = 0.1
    return json.dumps(whole)


def signed_but_empty(whole):
    return json.dumps(whole | {"record": {}, "mark": cardrecord._mark({})})


@pytest.mark.parametrize(("made", "said"), [
    (lambda whole: json.dumps(whole)[:-20], DAMAGED),
    (lambda whole: "", DAMAGED),
    (lambda whole: "\x00" * 50, DAMAGED),
    (lambda whole: "[" * 200_000, DAMAGED),
    (lambda whole: "9" * 10_000, DAMAGED),
    (lambda whole: "[]", FOREIGN),
    (lambda whole: '{"what": "a drawing"}', FOREIGN),
    (newer, "it has format 3, and this testburn reads formats 1 to 2. Read it with the testburn that "
            "wrote it."),
    (another_depth, CHANGED),
    (signed_but_empty, CHANGED),
    (lambda whole: json.dumps({"what": cardrecord.WHAT, "format": 1, "mark": 3, "record": [float("nan")]}),
     CHANGED),
])
def test_a_file_that_is_no_sound_record_is_told_and_left_out(printed, made, said):
    sound, = printed.glob("*.json")
    (printed / "a.json").write_text(made(json.loads(sound.read_text("utf-8"))), encoding="utf-8")
    told = []
    assert [record.path for record in cardrecord.kept(printed, told.append)] == [sound]
    assert told == [f"Card record a.json is left out: {said}"]


def test_a_file_in_another_encoding_is_damaged(printed):
    (printed / "a.json").write_bytes("{\"what\": \"é\"}".encode("latin-1"))
    told = []
    assert len(cardrecord.kept(printed, told.append)) == 1
    assert told == [f"Card record a.json is left out: {DAMAGED}"]


def test_a_file_that_may_not_be_read_is_told_and_a_folder_is_none(printed, monkeypatch):
    record, = names(printed)
    (printed / "a.json").mkdir()

    def refused(path, mode):
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(type(printed), "open", refused)
    told = []
    assert cardrecord.kept(printed, told.append) == ()
    assert told == [f"Card record {record} is left out: it cannot be read. Allow reading it, or take it "
                    "out of the folder."]


def test_no_more_is_read_than_a_record_may_hold(printed, monkeypatch):
    monkeypatch.setattr(cardrecord, "MOST_BYTES", 1000)
    told = []
    assert cardrecord.kept(printed, told.append) == ()
    assert told == [f"Card record {names(printed)[0]} is left out: it holds more than 0.001 MB, and no "
                    "card's record does. Take it out of the folder."]


def test_faults_are_printed_where_nobody_listens(printed, capsys):
    (printed / "a.json").write_text("{", encoding="utf-8")
    cardrecord.promises(printed)
    assert capsys.readouterr().out == f"Card record a.json is left out: {DAMAGED}\n"


def test_a_record_that_cannot_be_written_leaves_no_card_and_no_litter(fit, choices, tmp_path, monkeypatch):
    def full(source, target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "replace", full)
    with pytest.raises(OSError, match="the disk is full. Make room on it; then try again."):
        card.write(tmp_path / "card.pdf", fit, choices, records=tmp_path / "records")
    left = [path.name for path in tmp_path.rglob("*") if path.is_file()]
    assert set(left) <= {files.LOCK}


def test_a_page_of_format_2_has_these_parts(fit, choices):
    """What a kept page holds is read by later templates: another set of parts needs another FORMAT."""
    page, = card.document(fit, choices)["pages"]
    assert cardrecord.FORMAT == 2
    assert set(page) == {"species", "module", "wavelength", "boards", "holds", "depths", "columns", "notes",
                         "extrapolated", "chart", "cautions", "provenance"}
    assert set(page["chart"]) == {"x", "y", "inches", "band", "line", "boards", "chosen", "window",
                                  "interval", "formula", "alt"}
