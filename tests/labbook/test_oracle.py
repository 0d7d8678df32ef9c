"""The reader against the one it took the place of: same frames, same faults, from any file.

The oracle (`oracle_reader`) goes cell by cell through Python's csv module, which follows RFC 4180. Files of every
size are read by columns here, so that pandas' tokenizer meets the same mutations as the small files' reader.
"""

import csv
import random
import shutil
import tempfile
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testburn.labbook import columns, csvfile, readings, woods

import oracle_reader
from mutations import folders, seeded

NOTES = ["", "a, b", 'say "so"', "two\nlines", "two\r\nlines", "=1+1", "'=1", " x ", "nan", "NA", "Faß", "1e5", "\u2028"]
KNOWN = woods.read().index


def now(files):
    """Return what today's reader makes of the files."""
    text, problems = csvfile.read_files(files, columns.REQUIRED, "burn")
    frame, faults = readings.checked(text, KNOWN)
    return frame, problems + faults + readings.foreign_burns(text)


def told(problems):
    """All that is said, but which heading a missing column was probably meant by: the oracle knows no such guess."""
    return sorted((p.file, -1 if p.row is None else int(p.row), p.column, p.value, p.problem,
                   p.remedy * (p.problem != "this column is missing")) for p in problems)


def assert_the_same(files):
    frame, faults = now(files)
    before, said = oracle_reader.read(files, KNOWN)
    assert told(faults) == told(said)
    if not faults:
        pd.testing.assert_frame_equal(frame, before)
    return len(frame) and not faults


@pytest.mark.parametrize("few_bytes", [50_000, 0], ids=["row by row where small", "by columns"])
def test_any_folder_of_files_is_read_as_before(few_bytes, monkeypatch):
    monkeypatch.setattr(csvfile, "_FEW_BYTES", few_bytes)
    sound = []

    @settings(seeded, max_examples=40)
    @given(folders)
    def as_before(made):
        book = Path(tempfile.mkdtemp())
        files = [book / f"b{number:02d}.csv" for number in range(len(made))]
        for file, content in zip(files, made):
            file.write_bytes(content)
        sound.append(assert_the_same(files))
        for file in files:
            sound.append(assert_the_same([file]))
        shutil.rmtree(book)

    as_before()
    assert any(sound)


@pytest.mark.parametrize("few_bytes", [50_000, 0], ids=["row by row where small", "by columns"])
def test_sound_burns_are_read_as_before(few_bytes, monkeypatch, labdata, tmp_path):
    """The demo's burns, all at once and each with seeded notes, blank rows, unknown columns and line ends."""
    monkeypatch.setattr(csvfile, "_FEW_BYTES", few_bytes)
    burns, dice = sorted((labdata / "burns").glob("*.csv")), random.Random(26)
    assert assert_the_same(burns)
    changed = [tmp_path / file.name for file in burns]
    for file, to in zip(burns, changed):
        with open(file, encoding="utf-8-sig", newline="") as content:
            header, *rows = csv.reader(content)
        more = dice.choice([["note 2"], ["_x", ""], []])
        rows = [row + [dice.choice(NOTES) for _ in more if _] for row in rows]
        for _ in range(dice.randint(0, 3)):
            rows.insert(dice.randrange(len(rows)), dice.choice([[], [""] * 3, [" "] * 30]))
        with open(to, "w", encoding=dice.choice(["utf-8", "utf-8-sig"]), newline="") as content:
            csv.writer(content, lineterminator=dice.choice(["\r\n", "\n"]),
                       quoting=dice.choice([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])).writerows([header + more, *rows])
        assert assert_the_same([to])
    assert assert_the_same(changed)


@settings(seeded, max_examples=100)
@given(st.lists(st.text(st.characters(codec="utf-8", exclude_characters="\0") | st.sampled_from('"",,\r\n= \''),
                        max_size=8), min_size=1, max_size=40), st.sampled_from(["\r\n", "\n"]))
def test_any_cells_are_cut_as_before(texts, end):
    """Quotes, line ends and delimiters anywhere: the same cells, row numbers and words."""
    book = Path(tempfile.mkdtemp())
    content = "a,b,c" + end + "".join(text + (",", end)[place % 3 == 2] for place, text in enumerate(texts))
    (book / "x.csv").write_bytes(content.encode())
    few, csvfile._FEW_BYTES = csvfile._FEW_BYTES, 0
    try:
        frame, faults = csvfile.read_rows(book / "x.csv", ("a", "b"))
    finally:
        csvfile._FEW_BYTES = few
    before, said = oracle_reader.read_rows(book / "x.csv", ("a", "b"))
    shutil.rmtree(book)
    assert told(faults) == told(said)
    pd.testing.assert_frame_equal(frame, before, check_index_type=len(before) > 0)
