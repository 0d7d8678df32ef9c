"""Machine log and retired burns: kept row by row, typed by their fields, nothing lost, nothing deleted."""

import datetime
import json

import pandas as pd
import pytest

from testburn import depthfit, labbook
from testburn.labbook import columns, machinelog

DAY = datetime.date(2025, 8, 1)


def test_entries_are_kept_in_order_and_come_back_typed(book):
    machinelog.add(book, datetime.date(2025, 9, 1), "lens wiped", "20 W", "fogged, = rings", invented=True)
    machinelog.add(book, DAY, "belt", new_state="no")
    log = machinelog.read(book)
    assert log["day"].dt.strftime("%m-%d").tolist() == ["08-01", "09-01"]
    assert log[["module", "done", "new_state", "note", "invented"]].to_numpy().tolist() == [
        ["", "belt", "no", "", ""], ["20 W", "lens wiped", "", "fogged, = rings", "yes"]]


def test_a_book_without_a_log_has_no_entry(book):
    assert machinelog.read(book).empty and list(machinelog.read(book)) == [field.name for field in columns.LOG]


@pytest.mark.parametrize(("row", "words"), [
    ("2025-08-01,,lens polished,,,", "column done, value 'lens polished': allowed is one of lens wiped, lens changed"),
    ("1.8.2025,,belt,,,", "column day, value '1.8.2025'"), (",,belt,,,", "column day: this cell is empty"),
    ("2025-08-01,,belt,perhaps,,", "column new_state, value 'perhaps': allowed is one of yes, no")])
def test_a_row_that_is_none_is_named_and_nothing_is_added_to_it(row, words, book):
    file = book / "machine_log.csv"
    file.write_text("day,module,done,new_state,note,invented\n" + row + "\n", encoding="utf-8")
    before = file.read_bytes()
    for act in (lambda: machinelog.read(book), lambda: machinelog.add(book, DAY, "belt")):
        with pytest.raises(labbook.ReadingsError) as refused:
            act()
        assert "machine_log.csv" in str(refused.value) and words in str(refused.value).replace("line 2, ", "")
    assert file.read_bytes() == before


def test_an_unknown_kind_is_refused_before_anything_is_written(book):
    with pytest.raises(labbook.ReadingsError, match="lens licked"):
        machinelog.add(book, DAY, "lens licked")
    assert not (book / "machine_log.csv").exists()


def test_a_log_open_in_a_spreadsheet_is_left_alone(book):
    (book / ".~lock.machine_log.csv#").touch()
    with pytest.raises(labbook.NotWritten, match="open in a spreadsheet"):
        machinelog.add(book, DAY, "belt")


def test_what_an_earlier_version_would_misread_raises_the_books_format(book, sound):
    description = book / "datapackage.json"
    for act in (lambda: machinelog.add(book, DAY, "belt"),
                lambda: labbook.save(pd.DataFrame(sound()).assign(module="lens B"), book)):
        description.write_text(json.dumps({"format": 2, "title": "mine"}), encoding="utf-8")
        act()
        assert json.loads(description.read_text(encoding="utf-8")) == {"format": columns.FORMAT, "title": "mine"}


@pytest.fixture
def two_lenses(book, burns):
    """Four boards before, four after; the later ones under a lens with a name."""
    for number, (_, burn) in enumerate(burns(boards=8).groupby("burn")):
        late = number >= 4
        labbook.save(burn.assign(burned_on=pd.Timestamp(2025, 9 if late else 6, 1), module="lens B" if late else ""), book)
    return book


def test_retired_burns_stay_where_they_are_and_out_of_the_fit_until_they_are_taken_back(two_lenses):
    machinelog.retire(two_lenses, datetime.date(2025, 9, 1), "burned with the old lens", "20 W", DAY)
    read = labbook.read(two_lenses)
    assert set(read.loc[read["burned_on"] < "2025-09-01", "struck_because"]) == {"retired: burned with the old lens"}
    assert set(read.loc[read["module"] == "lens B", "struck_because"]) == {""}
    assert [group.module for group in depthfit.fit(read).groups] == ["lens B"]
    machinelog.take_back(two_lenses, datetime.date(2025, 9, 1), "it was the same lens after all", "20 W", DAY)
    assert set(labbook.read(two_lenses)["struck_because"]) == {""}
    # What was done stays to be read.
    assert (two_lenses / "retired.csv").read_text(encoding="utf-8").splitlines()[1] == (
        "2025-08-01,20 W,2025-09-01,burned with the old lens,2025-08-01,it was the same lens after all")


@pytest.mark.parametrize(("act", "words"), [
    (lambda book: machinelog.retire(book, datetime.date(2025, 1, 1), "old"), "There is no burn of any module before 2025-01-01"),
    (lambda book: machinelog.retire(book, datetime.date(2026, 1, 1), "old", "20W"),
     "There is no burn of 20W before 2026-01-01. Modules are: 20 W, lens B."),
    (lambda book: machinelog.take_back(book, datetime.date(2026, 1, 1), "no"), "No burns of every module before 2026-01-01 are")])
def test_nothing_to_retire_is_said(act, words, two_lenses):
    with pytest.raises(ValueError) as refused:
        act(two_lenses)
    assert words in str(refused.value)


def test_burns_are_not_retired_without_a_reason(two_lenses):
    with pytest.raises(labbook.ReadingsError, match="reason"):
        machinelog.retire(two_lenses, datetime.date(2026, 1, 1), " ")


@pytest.mark.parametrize(("name", "rows"), [("20 W", [0]), ("lens B", [1]), ("", [0, 1, 2]), ("40 W", [2]), ("B", [])])
def test_a_module_is_called_by_its_name_or_its_watts(name, rows):
    frame = pd.DataFrame({"module": ["", "lens B", ""], "module_w": [20.0, 20.0, 40.0]})
    assert columns.of_module(frame, name).nonzero()[0].tolist() == rows


def test_a_column_of_the_makers_own_is_written_back(tmp_path, burns):
    """Whatever writes a row of a small file: the log, readings set aside, retired burns, and their way back."""
    log = tmp_path / machinelog.FILE
    log.write_text("who,day,module,done,new_state,note\nAnn,2026-01-02,,lens wiped,,brown\n", encoding="utf-8")
    machinelog.add(tmp_path, datetime.date(2026, 3, 14), "lens wiped", note="again")
    rows = pd.read_csv(log, dtype=str, keep_default_na=False)
    assert rows["who"].tolist() == ["Ann", ""] and rows["note"].tolist() == ["brown", "again"]
    labbook.save(burns(boards=1).drop(columns="struck_because"), tmp_path / "burns")
    (tmp_path / "strikes.csv").write_text("burn,swatch,reading,reason,struck_on,who\nwhite oak 20 450 1,1,1,slip,2026-05-01,Ann\n",
                                          encoding="utf-8")
    labbook.strike(tmp_path, "white oak 20 450 1", "2", 3, "another slip")
    rows = pd.read_csv(tmp_path / "strikes.csv", dtype=str, keep_default_na=False)
    assert rows[["swatch", "reason", "who"]].to_numpy().tolist() == [["1", "slip", "Ann"], ["2", "another slip", ""]]
    machinelog.retire(tmp_path, datetime.date(2027, 1, 1), "other lens")
    retired = tmp_path / "retired.csv"
    rows = pd.read_csv(retired, dtype=str, keep_default_na=False).assign(who="Ann")
    rows.to_csv(retired, index=False)
    machinelog.take_back(tmp_path, datetime.date(2027, 1, 1), "the same lens after all")
    rows = pd.read_csv(retired, dtype=str, keep_default_na=False)
    assert rows[["who", "taken_back_because"]].to_numpy().tolist() == [["Ann", "the same lens after all"]]


TEN = [0.51, 0.50, 0.52, 0.51, 0.51, 0.50, 0.52, 0.51, 0.50, 0.51]


def test_a_repeatability_sheet_comes_back_typed_and_the_newest_counts(book):
    assert machinelog.repeats(book).empty
    machinelog.add_repeats(book, DAY, TEN, 0.01, "dial, ball tip", invented=True)
    machinelog.add_repeats(book, datetime.date(2025, 7, 1), TEN[:5], 0.1, "caliper")
    newest = machinelog.repeats(book)
    assert newest["depth_mm"].tolist() == TEN and set(newest["gauge"]) == {"dial, ball tip"} and newest["reading"].tolist() == list(range(1, 11))
    machinelog.add_repeats(book, DAY, TEN[:6], 0.01, "dial, needle tip")
    assert len(machinelog.repeats(book)) == 6 and len((book / "gauge.csv").read_text(encoding="utf-8").splitlines()) == 22


def test_a_sheet_that_tells_nothing_is_refused_and_nothing_is_written(book):
    with pytest.raises(ValueError, match="4 readings tell next to nothing of how a gauge repeats"):
        machinelog.add_repeats(book, DAY, TEN[:4], 0.01)
    with pytest.raises(labbook.ReadingsError, match="column depth_mm, value '-0.5'"):
        machinelog.add_repeats(book, DAY, [*TEN, -0.5], 0.01)
    assert not (book / "gauge.csv").exists()
    machinelog.add_repeats(book, DAY, TEN, 0.01, "dial")
    with pytest.raises(ValueError, match="gauge.csv has a sheet of dial of 2025-08-01 already"):
        machinelog.add_repeats(book, DAY, TEN[:8], 0.01, " dial ")


def test_a_cell_that_is_run_again_adds_nothing(book):
    """The page that holds the ten depths is run whole, on any day."""
    for day in (DAY, DAY, datetime.date(2025, 9, 1)):
        file = machinelog.add_repeats(book, day, TEN, 0.01, "dial")
    assert len(file.read_text(encoding="utf-8").splitlines()) == 11 and set(machinelog.repeats(book)["day"]) == {pd.Timestamp(DAY)}


@pytest.mark.parametrize(("rows", "words"), [
    (["2025-08-01,dial,0.01,1,0.5,,"] * 3, "the newest sheet has 3 readings with 1 gauge steps"),
    (["2025-08-01,dial,0.01,1,0.5,,"] * 5 + ["2025-08-01,dial,0.1,1,0.5,,"], "the newest sheet has 6 readings with 2 gauge steps"),
    (["2025-08-01,dial,0.01,1,deep,,"], "column depth_mm, value 'deep'")])
def test_a_sheet_in_the_file_that_is_none_is_named(rows, words, book):
    (book / "gauge.csv").write_text("\n".join(["day,gauge,gauge_step_mm,reading,depth_mm,note,invented", *rows]) + "\n", encoding="utf-8")
    with pytest.raises(labbook.ReadingsError) as refused:
        machinelog.repeats(book)
    assert words in str(refused.value) and "gauge.csv" in str(refused.value)
