"""Hostile input: what passes the check survives saving; what cannot be read is said in words.

Files are made from a sound burn by seeded mutations: bytes, encodings, delimiters, quotes, NULs, huge
cells. Each gives readings or ReadingsError, never another exception.
"""

import contextlib
import csv
import datetime
import io
import shutil
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from hypothesis.configuration import set_hypothesis_home_dir

from testburn import labbook
from testburn.labbook import columns

TODAY = datetime.date(2026, 6, 30)
BAD_FILES = 5000
# The same cases every time, no clock, and no folder left in the project.
set_hypothesis_home_dir(tempfile.mkdtemp())
seeded = settings(derandomize=True, deadline=None, database=None, print_blob=False,
                  suppress_health_check=list(HealthCheck))


@contextlib.contextmanager
def new_book():
    folder = Path(tempfile.mkdtemp())
    (folder / "burns").mkdir()
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


# ---------------------------------------------------------------- what passes is kept

ANY_TEXT = st.text(st.characters(exclude_categories=("Cc", "Cs")) | st.sampled_from("\n\r\t\"',;=-"),
                   max_size=12) | st.sampled_from(
    ["=1+1", "'=1+1", "''@x", "-", "'", "\t=x", "a\r\nb", "a\rb", "a\n\nb", 'q"q', '"', '""', "a,b;c\td",
     "NaN", "nan", "NA", "None", "\ufeff", "\u2028", "<b>", "#x", "1,5", " ", "' =x", "=\n", "'\n-"])


def number(column):
    """Any number that the column allows, to the last bit."""
    low = column.above if column.above is not None else column.at_least
    return st.floats(-50 if low is None else low, column.at_most, exclude_min=column.above is not None,
                     allow_nan=False, allow_infinity=False)


def cells(column):
    """Cells of a column that may pass, as numbers or as text."""
    if column.among:
        return st.sampled_from(["", *column.among])
    if column.kind == "number":
        some = number(column) if column.required else number(column) | st.just(np.nan)
        return some | some.map(lambda value: "" if np.isnan(value) else repr(value))
    if column.kind == "integer":
        return st.integers(1, 9) | st.integers(1, 2 ** 53 - 1) | st.integers(1, 99).map(str)
    return ANY_TEXT.filter(str.strip) if column.required else ANY_TEXT


@st.composite
def frames(draw):
    """A burn of a few readings: one setting, any texts, any numbers."""
    count = draw(st.integers(1, 4))
    burn = draw(st.text("abcXYZ019 ._-", max_size=40).map("b{}1".format) | st.sampled_from(["0", "Con1"]))
    day = draw(st.dates(datetime.date(1, 1, 1), TODAY).map(str)
               | st.datetimes(datetime.datetime(1990, 1, 1), datetime.datetime(2026, 6, 29)))
    fixed = {"burn": burn, "burned_on": day, "species": "white oak",
             "swatch": draw(ANY_TEXT.filter(str.strip))}
    chosen = [column for column in columns.COLUMNS
              if column.required or column.name != "board_thickness_mm" and draw(st.booleans())]
    data = {}
    for column in chosen:
        if column.name == "reading":
            data[column.name] = draw(st.permutations(range(1, count + 1)))
        elif column.name in fixed or column.name in columns.SWATCH_SETTING:
            data[column.name] = [fixed.get(column.name) or draw(cells(column))] * count
        else:
            data[column.name] = draw(st.lists(cells(column), min_size=count, max_size=count))
    index = draw(st.permutations(range(count)))
    return pd.DataFrame(data, index=index, columns=draw(st.permutations(list(data))))


def test_any_burn_that_passes_the_check_is_read_back_as_it_was_saved():
    passed = []

    @settings(seeded, max_examples=200)
    @given(frames())
    def survives(frame):
        try:
            checked = labbook.check(frame, today=TODAY)
        except labbook.ReadingsError:
            assume(False)
        with new_book() as book:
            path = labbook.save(frame, book)
            again = labbook.read(book, today=TODAY).drop(columns="struck_because")
            pd.testing.assert_frame_equal(again, checked)
            path.unlink()
            assert labbook.save(again, book) == path
        passed.append(len(frame))

    survives()
    assert len(passed) >= 150


# ---------------------------------------------------------------- bad files

SOUND = ["burn,burned_on,species,board,module_w,wavelength_nm,power_pct,speed_mm_s,line_pitch_mm,passes,"
         "swatch,reading,depth_mm,gauge_step_mm,board_thickness_mm,note",
         "{burn},2026-03-14,white oak,O1,20,450,90,60,0.05,1,1,1,1.23,0.01,19,",
         '{burn},2026-03-14,white oak,O1,20,450,90,60,0.05,1,1,2,1.27,0.01,19,"two, of them"',
         "{burn},2026-03-14,white oak,O1,20,450,90,90,0.05,1,2,1,0.81,0.01,19,Faß"]
ODD_CELLS = ["", " ", "nan", "inf", "-1", "1e999", "1e-999", "1,5", "0x10", "١", "9" * 400, "=1+1", "'=1",
             '"', '""', '"a', "a\nb", "\r", "\x00", "\x1b[2J", "\ud7ff", "2026-13-01", "0000-00-00",
             "9999-12-31", "CON", "../x", "a/b", "True", "[]", "{}", "<script>", "x" * 200_000, "\ufeff", "\u202e",
             "1.5", "1e18", "9007199254740993", "0", "-0", "+5", "ironwood", "_file", "struck_because"]
ODD_BYTES = [b"\0", b"\xff", b"\xfe\xff", b"\xff\xfe", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\xf4\x90\x80\x80",
             b'"', b'""', b"'", b",", b";", b"\t", b"\r", b"\n", b"\r\n\r\n", b"\x85", b"\x1a", b"\\", b"\x0c",
             b"\xc0\xaf", b"\xe2\x80\xa8", b",,,,,,", b"\n,,,\n", b"-", b"."]
ENCODINGS = ["utf-8-sig", "utf-16", "utf-16-le", "utf-32", "cp1252", "utf-7", "cp037", "latin-1"]


@st.composite
def tables(draw, burn):
    """The rows of a burn as lists of cells, with cells, rows or columns changed."""
    rows = [row for row in csv.reader(line.format(burn=burn) for line in SOUND)]
    for _ in range(draw(st.integers(0, 3))):
        row, place = draw(st.integers(0, len(rows) - 1)), draw(st.integers(0, 15))
        kind = draw(st.sampled_from(["cell", "cell", "cell", "drop", "twice", "cut", "long", "swap"]))
        if kind == "cell" and place < len(rows[row]):
            rows[row][place] = draw(st.sampled_from(ODD_CELLS) | st.text(st.characters(
                codec="utf-8"), max_size=20))
        elif kind == "drop":
            rows = [cells[:place] + cells[place + 1:] for cells in rows]
        elif kind == "twice":
            rows.insert(row, list(rows[row]))
        elif kind == "cut":
            rows[row] = rows[row][:place]
        elif kind == "long":
            rows[row] = rows[row] + [""] * place + ["x"]
        else:
            rows.reverse()
    return rows


@st.composite
def contents(draw, burn):
    """The bytes of a burn file, sound or not."""
    if draw(st.integers(0, 9)) == 0:
        return draw(st.binary(max_size=300))
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=draw(st.sampled_from([",", ",", ",", ",", ";", "\t", "|"])),
                        lineterminator=draw(st.sampled_from(["\r\n", "\n", "\r"])),
                        quoting=draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])))
    writer.writerows(draw(tables(burn)))
    encoding = draw(st.sampled_from(["utf-8"] * 8 + ENCODINGS))
    content = bytearray(out.getvalue().encode(encoding, "replace"))
    for _ in range(draw(st.sampled_from([0, 0, 1, 1, 2, 5]))):
        place = draw(st.integers(0, len(content)))
        kind = draw(st.sampled_from(["insert", "insert", "flip", "cut", "repeat", "end"]))
        if kind == "insert":
            content[place:place] = draw(st.sampled_from(ODD_BYTES))
        elif kind == "flip" and place < len(content):
            content[place] = draw(st.integers(0, 255))
        elif kind == "cut":
            del content[place:place + draw(st.integers(1, 40))]
        elif kind == "repeat":
            content[place:place] = content[max(0, place - 60):place]
        else:
            del content[place:]
    return bytes(content)


folders = st.integers(1, 25).flatmap(
    lambda count: st.tuples(*(contents(f"b{number:02d}") for number in range(count))))


def test_a_bad_file_gives_words_or_readings_and_never_another_exception():
    files, sound = [], []

    @settings(seeded, max_examples=2000)
    @given(folders)
    def is_readings_or_words(made):
        if sum(files) >= BAD_FILES:
            return
        files.append(len(made))
        with new_book() as book:
            for number, content in enumerate(made):
                (book / "burns" / f"b{number:02d}.csv").write_bytes(content)
            try:
                readings = labbook.read(book, today=TODAY)
            except labbook.ReadingsError as error:
                assert len(error.problems)
                said = str(error).replace("\n", "")
                assert said.isprintable()
                return
            sound.append(len(readings))
            checked = labbook.check(readings, today=TODAY).drop(columns="struck_because", errors="ignore")
            pd.testing.assert_frame_equal(readings.drop(columns="struck_because"), checked)

    is_readings_or_words()
    assert sum(files) >= BAD_FILES
    assert sound, "not one of the files was sound: the mutations are too wild to reach the checks"


@settings(seeded, max_examples=150)
@given(contents("strikes"))
def test_a_bad_file_of_strikes_gives_words_or_readings(content):
    with new_book() as book:
        (book / "burns" / "b01.csv").write_text("\n".join(SOUND).format(burn="b01"), encoding="utf-8")
        (book / "strikes.csv").write_bytes(content.replace(b"board", b"reason").replace(b"note", b"struck_on"))
        with contextlib.suppress(labbook.ReadingsError):
            labbook.read(book, today=TODAY)


@settings(seeded, max_examples=150)
@given(st.binary(max_size=200) | st.sampled_from(["utf-8", *ENCODINGS]).map(
    lambda name: "species,botanical_name,specific_gravity_12pct,source,dust_caution\n"
                 "white oak,Quercus,0.68,a,b\n".encode(name)))
def test_a_bad_file_of_woods_is_said_in_words(content):
    with new_book() as book:
        (book / "burns" / "b01.csv").write_text("\n".join(SOUND).format(burn="b01"), encoding="utf-8")
        (book / "woods.csv").write_bytes(content)
        try:
            labbook.read(book, today=TODAY)
        except ValueError as error:
            assert "woods.csv" in str(error) and type(error) in (ValueError, labbook.ReadingsError)


