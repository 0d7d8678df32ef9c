"""Hostile input: what passes the check survives saving; what cannot be read is said in words.

Files are made from a sound burn by seeded mutations: bytes, encodings, delimiters, quotes, NULs, huge
cells. Each gives readings or ReadingsError, never another exception.
"""

import contextlib
import datetime
import math
import os
import shutil
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from testburn import labbook
from testburn.labbook import columns

from mutations import ENCODINGS, SOUND, contents, folders, seeded

TODAY = datetime.date(2026, 6, 30)
LEAST_J_MM3 = 0.35  # of white oak, by `labbook.woods`
# More by e.g. TESTBURN_MUTATIONS=10000.
BAD_FILES = int(os.environ.get("TESTBURN_MUTATIONS", 2000))


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
        most = int(column.at_most or 2 ** 53 - 1)
        return st.integers(1, 9) | st.integers(1, most) | st.integers(1, min(99, most)).map(str)
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
    # No more depth than wood gives for the energy: most tries would be spent on what the check refuses.
    watts, speed, pitch, passes = (float(data[name][0]) for name in ("module_w", "speed_mm_s", "line_pitch_mm", "passes"))
    most = watts * float(data["power_pct"][0]) / 100 * passes / speed / pitch / LEAST_J_MM3
    data["depth_mm"] = [cell if float(cell) <= most else type(cell)(math.fmod(float(cell), most)) for cell in data["depth_mm"]]
    index = draw(st.permutations(range(count)))
    return pd.DataFrame(data, index=index, columns=draw(st.permutations(list(data))))


def test_any_burn_that_passes_the_check_is_read_back_as_it_was_saved():
    passed = []

    @settings(seeded, max_examples=200)
    @given(frames())
    def survives(frame):
        try:
            checked = labbook.check(frame)
        except labbook.ReadingsError:
            assume(False)
        with new_book() as book:
            path = labbook.save(frame, book)
            again = labbook.read(book).drop(columns="struck_because")
            pd.testing.assert_frame_equal(again, checked)
            path.unlink()
            assert labbook.save(again, book) == path
        passed.append(len(frame))

    survives()
    assert len(passed) >= 150


# ---------------------------------------------------------------- bad files

def test_a_bad_file_gives_words_or_readings_and_never_another_exception():
    files, sound = [], []

    # A folder has seven files or eight.
    @settings(seeded, max_examples=BAD_FILES // 6)
    @given(folders)
    def is_readings_or_words(made):
        if sum(files) >= BAD_FILES:
            return
        files.append(len(made))
        with new_book() as book:
            for number, content in enumerate(made):
                (book / "burns" / f"b{number:02d}.csv").write_bytes(content)
            try:
                readings = labbook.read(book)
            except labbook.ReadingsError as error:
                assert len(error.problems)
                said = str(error).replace("\n", "")
                assert said.isprintable()
                return
            sound.append(len(readings))
            checked = labbook.check(readings).drop(columns="struck_because", errors="ignore")
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
            labbook.read(book)


@settings(seeded, max_examples=150)
@given(st.binary(max_size=200) | st.sampled_from(["utf-8", *ENCODINGS]).map(
    lambda name: "species,botanical_name,specific_gravity_12pct,source,dust_caution\n"
                 "white oak,Quercus,0.68,a,b\n".encode(name)))
def test_a_bad_file_of_woods_is_said_in_words(content):
    with new_book() as book:
        (book / "burns" / "b01.csv").write_text("\n".join(SOUND).format(burn="b01"), encoding="utf-8")
        (book / "woods.csv").write_bytes(content)
        try:
            labbook.read(book)
        except ValueError as error:
            assert "woods.csv" in str(error) and type(error) in (ValueError, labbook.ReadingsError)


