"""A maker's own export: guesses that are said, units turned, nothing guessed in silence.

Files are invented. Expected numbers follow from definitions: 25.4 mm per inch, 60 s per minute,
10 mm per cm.
"""

import json
import random
import time

import pandas as pd
import pytest

from testburn import labbook
from testburn.entry import importing, remarks
from testburn.entry.importing import ImportRefused, Layout, Mapping
from testburn.labbook import woods


FIXED = {"burn": "scrap", "burned_on": "2024-03-14", "species": "black cherry", "board": "C1",
         "module_w": "20", "wavelength_nm": "450", "power_pct": "90", "line_pitch_mm": "0.05",
         "passes": "1", "gauge_step_mm": "0.01"}


@pytest.mark.parametrize(("content", "layout"), [
    ("a,b\n1,0.5\n2,0.6\n".encode(), ("utf-8-sig", ",", ".")),
    ("\ufeffa;b\r\n1;0,5\r\n".encode(), ("utf-8-sig", ";", ",")),
    ("a\tb\n1\t0,5\n".encode("utf-16"), ("utf-16", "\t", ",")),
    ("größe;b\n1;0,5\n".encode("cp1252"), ("cp1252", ";", ",")),
    ('a,b\n1,"0,5"\n2,"0,6"\n'.encode(), ("utf-8-sig", ",", ",")),
    ("a|b\n1|2\n".encode(), ("utf-8-sig", "|", ".")),
    ("Scrap, cherry\n\na;b;c\n1;2;0,5\n2;2;0,5\n".encode(), ("utf-8-sig", ";", ",")),
    (b"a;b\n1;0.5\n2;0.6\n", ("utf-8-sig", ";", ".")),
])
def test_how_a_file_is_written_is_guessed(content, layout):
    assert importing.guess_layout(content) == Layout(*layout)


def test_the_guess_is_said_in_words():
    assert Layout("cp1252", ";", ",").words == (
        "Windows-1252, semicolons between the columns, a comma in the numbers")


@pytest.mark.parametrize(("content", "said"), [
    (b"", "The file is empty."), (b" \r\n ", "The file is empty."),
    (b"PK\x03\x04\0\0", "The workbook cannot be read"), (b"\0\1", "The file holds bytes that are not text"),
    (b"\xff\xfe\x00", "The file is not UTF-16"),
    (b"x" * (importing.LARGEST_BYTES + 1), "more than the 20 MB"),
])
def test_what_is_no_table_is_refused(content, said):
    with pytest.raises(ImportRefused) as refused:
        importing.guess_layout(content)
    assert said in str(refused.value)


def table(text, delimiter=";", decimal=","):
    return importing.table(text.encode(), Layout("utf-8-sig", delimiter, decimal))


def test_rows_keep_the_number_a_spreadsheet_shows():
    rows = table("My scrap;;\n\nSquare;Depth;Depth\n1;0,5;0,6\n;;\n2;0,4;\n")
    assert rows.index.tolist() == [4, 6]
    assert rows.columns.tolist() == ["Square", "Depth", "Depth (2)"]
    assert rows.loc[6].tolist() == ["2", "0,4", ""]


def test_a_row_longer_than_its_header_is_refused():
    with pytest.raises(ImportRefused, match="^Row 2 has 3 cells, the header 2. Is commas really"):
        table("a,b\n1,0,5\n1,2\n3,4\n", ",")


def test_a_damaged_file_is_refused_or_read_and_never_anything_else():
    dice = random.Random(4)
    sound = "Square;Speed mm/s;Depth mm;Date\n1;150;0,66;14.3.2026\n2;300;0,31;14.3.2026\n".encode()
    outcomes = set()
    for _ in range(400):
        content = bytearray(sound)
        for _ in range(dice.randint(1, 8)):
            at = dice.randrange(len(content))
            content[at:at + dice.randint(0, 6)] = dice.choice(
                [b"", b";", b'"', b"\n", b"\xff", b",", b"\t\t", b"9" * 400, b"\r", b"-", b"=1+1", b"\x81"])
        try:
            layout = importing.guess_layout(bytes(content))
            rows = importing.table(bytes(content), layout)
            guess = importing.guessed(rows.columns)
            mapping = Mapping(guess.sources, {name: text for name, text in FIXED.items()
                                              if name not in guess.sources},
                              guess.units | {"burned_on": "day.month.year"})
            labbook.check(importing.readings(rows, mapping, layout.decimal))
            outcomes.add("read")
        except (ImportRefused, labbook.ReadingsError) as refused:
            outcomes.add(type(refused))
    assert outcomes == {"read", ImportRefused, labbook.ReadingsError}


def test_too_many_rows_are_refused(monkeypatch):
    monkeypatch.setattr(importing, "MOST_ROWS", 3)
    with pytest.raises(ImportRefused, match="more than 3 rows"):
        table("a;b\n" + "1;2\n" * 5)


@pytest.mark.parametrize(("name", "text", "unit", "decimal", "value"), [
    ("speed_mm_s", "3600", "mm/min", ".", 60.0), ("speed_mm_s", "60", "inch/min", ".", 25.4),
    ("speed_mm_s", "2", "inch/s", ".", 50.8),
    ("line_pitch_mm", "254", "lines per inch", ".", 0.1),
    ("line_pitch_mm", "200", "lines per cm", ".", 0.05), ("line_pitch_mm", "0", "lines per cm", ".", "0"),
    ("depth_mm", "0,026", "inch", ",", 0.6604), ("depth_mm", "0.05", "cm", ".", 0.5),
    ("depth_mm", "1,200", "mm", ",", 1.2), ("depth_mm", "1,200", "mm", ".", "1,200"),
    ("depth_mm", "1.200,5", "mm", ",", "1.200,5"), ("depth_mm", "deep", "mm", ".", "deep"),
    ("depth_mm", "nan", "mm", ".", "nan"), ("depth_mm", "", "mm", ".", ""),
    ("burned_on", "14.03.2026", "day.month.year", ".", "2026-03-14"),
    ("burned_on", "03/04/2026", "month/day/year", ".", "2026-03-04"),
    ("burned_on", "03/04/2026", "day/month/year", ".", "2026-04-03"),
    ("burned_on", "14/03/2026", "month/day/year", ".", "14/03/2026"),
])
def test_a_cell_is_turned_into_our_unit_or_left_as_it_is(name, text, unit, decimal, value):
    assert importing.converted(name, text, unit, decimal) == value


def test_several_depth_columns_are_several_readings():
    rows = table("Square;Speed;D1;D2\n1;150;0,66;0,67\n2;300;;0,31\n")
    mapping = Mapping({"swatch": ("Square",), "speed_mm_s": ("Speed",), "depth_mm": ("D1", "D2")},
                      FIXED, {})
    found = labbook.check(importing.readings(rows, mapping, ","))
    assert found[["swatch", "reading", "depth_mm"]].values.tolist() == [
        ["1", 1, 0.66], ["1", 2, 0.67], ["2", 1, 0.31]]
    assert found["line_pitch_mm"].tolist() == [0.05] * 3


def test_rows_of_one_swatch_are_numbered_and_faults_name_the_files_row():
    rows = table("Square;Speed;D\n1;150;0,66\n1;150;0,67\n1;150;deep\n")
    mapping = Mapping({"swatch": ("Square",), "speed_mm_s": ("Speed",), "depth_mm": ("D",)}, FIXED, {})
    with pytest.raises(labbook.ReadingsError) as refused:
        labbook.check(importing.readings(rows, mapping, ","))
    assert refused.value.problems[["row", "column", "value"]].values.tolist() == [
        [4, "depth_mm", "deep"]]
    assert importing.readings(rows, mapping, ",")["reading"].tolist() == [1, 2, 3]


def test_depths_that_no_wood_gives_are_counted():
    limits = woods.volume_energy_limits(woods.read()["specific_gravity_12pct"])
    rows = table("Square;Speed;D\n1;150;0,66\n2;150;0,026\n3;150;5\n")
    mapping = Mapping({"swatch": ("Square",), "speed_mm_s": ("Speed",), "depth_mm": ("D",)}, FIXED, {})
    found = labbook.check(importing.readings(rows, mapping, ","))
    assert remarks.import_doubt(found, limits) == (
        "1 of 3 readings is deeper than wood usually gives and 1 of 3 readings is shallower than "
        "wood usually gives for its energy. Are the units right?")
    assert remarks.import_doubt(found.iloc[:1], limits) == ""


def test_headings_are_guessed():
    guess = importing.guessed(["Square #", "Wood", "Feed (mm/min)", "LPI", "Depth 1 [in]", "Depth 2 [in]",
                               "Power %", "Gauge step mm", "Anything"])
    assert guess.sources == {
        "swatch": ("Square #",), "species": ("Wood",), "speed_mm_s": ("Feed (mm/min)",),
        "line_pitch_mm": ("LPI",), "depth_mm": ("Depth 1 [in]", "Depth 2 [in]"),
        "power_pct": ("Power %",), "gauge_step_mm": ("Gauge step mm",)}
    assert guess.units == {"speed_mm_s": "mm/min", "line_pitch_mm": "lines per inch",
                           "depth_mm": "inch", "gauge_step_mm": "mm", "power_pct": "%"}


def test_our_own_columns_are_known_by_name():
    names = list(pd.Index(["burn", "depth_mm", "speed_mm_s", "line_pitch_mm", "reading"]))
    assert importing.guessed(names).sources == {name: (name,) for name in names}


def test_a_mapping_is_remembered_for_files_of_its_shape(book):
    one = Mapping({"swatch": ("Square",), "depth_mm": ("D1", "D2")}, {"board": "C1"}, {"depth_mm": "inch"})
    other = Mapping({"swatch": ("Id",)}, {}, {})
    assert importing.remembered(book, ["Square", "D1", "D2"]) is None
    for mapping in (one, other):
        importing.remember(book, mapping)
    assert importing.remembered(book, ["Square", "D1", "D2", "more"]) == one
    assert importing.remembered(book, ["Id"]) == other
    assert importing.remembered(book, ["Square", "D1"]) is None


@pytest.mark.parametrize("text", ["", "{", "[1]", "null", '[{"sources": 3}]', "[" * 100000])
def test_a_damaged_memory_is_as_good_as_none(book, text):
    (book / importing.FILE).write_text(text, encoding="utf-8")
    assert importing.remembered(book, ["a"]) is None
    importing.remember(book, Mapping({"swatch": ("a",)}, {}, {}))
    assert importing.remembered(book, ["a"]).sources == {"swatch": ("a",)}
    assert json.loads((book / importing.FILE).read_text(encoding="utf-8"))


@pytest.mark.parametrize("sign", [b"a", b",", b'"', b";", b"1", b"\t"])
def test_twenty_megabytes_in_one_line_are_refused_at_once(sign):
    started = time.perf_counter()
    with pytest.raises(importing.ImportRefused, match="which is no row of readings"):
        importing.guess_layout(b"speed;depth\n" + sign * 19_000_000)
    assert time.perf_counter() - started < 1
