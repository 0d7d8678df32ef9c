"""What was read of a lab book is not read again, and never stands for a file that was touched since."""

import os
import shutil
import time
from pathlib import Path

import pandas as pd
import pytest

from testburn import labbook
from testburn.labbook import burns, csvfile, jobs, woods

DEMO = Path(__file__).parents[2] / "labdata"
LONG_AGO = time.time() - 1000


@pytest.fixture
def book(tmp_path, monkeypatch):
    """A copy of the demo whose files have lain still; `parsed` of it counts how often files were parsed."""
    monkeypatch.setattr(csvfile, "_remembered", {})
    copy = shutil.copytree(DEMO, tmp_path / "book")
    for file in copy.rglob("*"):
        os.utime(file, (LONG_AGO, LONG_AGO))
    return copy


@pytest.fixture
def parsed(monkeypatch):
    seen, real = [], csvfile.read_files
    monkeypatch.setattr(csvfile, "read_files", lambda *given: seen.append(given) or real(*given))
    return seen


@pytest.mark.parametrize("read", [labbook.read, jobs.read])
def test_the_same_table_once(book, parsed, read):
    first = read(book)
    first.loc[0, "depth_mm"] = 99.0  # what a caller does to its table is its own
    again = read(book)
    assert len(parsed) == 1 and (again["depth_mm"] < 99).all()
    pd.testing.assert_frame_equal(read(book), again)


def same_size(file):
    text = file.read_text(encoding="utf-8")
    at = text.rindex("0.")
    file.write_text(text[:at] + "1." + text[at + 2:], encoding="utf-8")


@pytest.mark.parametrize("folder, read", [("burns", labbook.read), ("jobs", jobs.read)])
@pytest.mark.parametrize("touch", [
    same_size, lambda file: file.unlink(), lambda file: shutil.copy2(file, file.with_name("another.csv")),
    lambda file: os.replace(shutil.copy2(file, file.with_suffix(".part")), file)],
    ids=["a digit", "gone", "one more", "put in its place with its time"])
def test_a_touched_file_is_read_again(book, parsed, folder, read, touch):
    read(book)
    touch(sorted((book / folder).glob("*.csv"))[-1])
    try:
        read(book)
    except labbook.ReadingsError:  # another.csv bears another burn's name
        pass
    assert len(parsed) == 2


@pytest.mark.parametrize("name", ["strikes.csv", "woods.csv", "retired.csv", "datapackage.json"])
def test_what_stands_beside_the_burns_counts_too(book, parsed, name):
    labbook.read(book)
    file = book / name
    file.write_bytes(file.read_bytes() + b"\n" if file.exists() else b"before,module,reason,retired_on,taken_back_because,taken_back_on\n")
    try:
        labbook.read(book)
    except labbook.ReadingsError:
        pass
    assert len(parsed) == 2


def test_a_file_touched_just_now_is_not_relied_on(book, parsed):
    """Disks that count whole seconds give two changes of one second the same time."""
    file = sorted((book / "burns").glob("*.csv"))[0]
    os.utime(file)
    labbook.read(book)
    labbook.read(book)
    assert len(parsed) == 2


def test_a_large_book_is_not_kept_in_memory(book, parsed, monkeypatch):
    monkeypatch.setattr(csvfile, "_REMEMBERED_BYTES", 1000)
    labbook.read(book)
    labbook.read(book)
    assert len(parsed) == 2


def test_a_fault_is_said_each_time(book):
    same_size(book / "burns" / "trail-01.csv")
    file = book / "burns" / "trail-01.csv"
    file.write_text(file.read_text(encoding="utf-8").replace("trail-01", "trail-0l"), encoding="utf-8")
    os.utime(file, (LONG_AGO, LONG_AGO))
    for _ in range(2):
        with pytest.raises(labbook.ReadingsError):
            burns.read(book)


def test_as_typed_is_another_table(book, parsed):
    labbook.read(book)
    labbook.read(book, as_typed=True)
    assert len(parsed) == 2


def test_the_woods_of_a_book(book):
    before = woods.of(book)
    file = book / "woods.csv"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("American basswood,Tilia americana,0.37", "American basswood,Tilia americana,0.38"), encoding="utf-8")
    assert before.loc["American basswood", "specific_gravity_12pct"] == 0.37
    assert woods.of(book).loc["American basswood", "specific_gravity_12pct"] == 0.38
