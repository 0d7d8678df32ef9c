"""What a maker's file may be: pipes, devices, folders, deep and endless files are refused in words, at once."""

import datetime
import os
import random

import pandas as pd
import pytest

from testburn import job, labbook
from testburn.labbook import Machine, columns, days_ahead, jobs, machinelog, makerfile, woods
from testburn.sweep import artwork, timedruns

# Files of each kind, mutated: 2,000 in all here, more by e.g. TESTBURN_MUTATIONS=10000.
MUTATIONS = int(os.environ.get("TESTBURN_MUTATIONS", 2000))
READERS = {
    "machine.toml": lambda book: Machine.read(book / "machine.toml"),
    "job.toml": lambda book: job.Job.read(book, None),
    "orders/gate.toml": lambda book: job.orders.read(book, "gate"),
    "woods.csv": lambda book: woods.of(book),
    "burns/b01.csv": labbook.read,
    "sign.svg": lambda book: artwork.read(book / "sign.svg"),
}
SIGN = """<svg xmlns="http://www.w3.org/2000/svg" width="30mm" height="20mm" viewBox="0 0 30 20">
<g id="arrow" transform="translate(2 3) scale(1.5)" style="fill:#000"><path d="M0 3 h6 v-2 l4 3 -4 3 v-2 h-6 z"/></g>
<circle cx="24" cy="12" r="3" fill="black" stroke="none"/><rect x="22" y="2" width="5" height="2" rx="1"/>
</svg>
"""


@pytest.fixture
def full(book, sound, as_csv, labdata):
    """A lab book with one small file of every kind."""
    (book / "burns" / "b01.csv").write_text(as_csv(sound()), encoding="utf-8", newline="")
    (book / "jobs").mkdir()
    (book / "orders").mkdir()
    order = (labdata / "orders" / "trail-sign.toml").read_text(encoding="utf-8").replace('name = "trail-sign"', "")
    (book / "orders" / "gate.toml").write_text(order, encoding="utf-8")
    (book / "job.toml").write_text(order, encoding="utf-8")
    for name in ("machine.toml", "woods.csv", "jobs/sign-01.csv", "datapackage.json", "timed_runs.csv",
                 "machine_log.csv"):
        (book / name).write_bytes((labdata / name).read_bytes())
    (book / "strikes.csv").write_text("burn,swatch,reading,reason,struck_on\nb01,1,2,typed in inches,2026-03-15\n",
                                      encoding="utf-8")
    machinelog.add_repeats(book, datetime.date(2026, 3, 15), [0.5, 0.51, 0.5, 0.49, 0.5], 0.01, "dial")
    (book / "retired.csv").write_text("retired_on,module,before,reason\n2026-03-16,20 W,2026-03-01,old lens\n",
                                      encoding="utf-8")
    jobs.add_second_pass(book, datetime.date(2026, 3, 16), "sign-01", 400.0, [0.7, 0.71], 0.01)
    (book / "sign.svg").write_text(SIGN, encoding="utf-8")
    return book


def pipe(file):
    os.mkfifo(file)


def device(file):
    file.symlink_to("/dev/zero")


def large(file):
    with open(file, "wb") as made:
        made.truncate(500_000_000)


ODD = {
    "pipe": (pipe, "this is not a file"),
    "device": (device, "this is not a file"),
    "folder": (os.mkdir, "this is not a file"),
    "too large": (large, "this is too large"),
    "20 MB in one line": (lambda file: file.write_bytes(b"a" * 20_000_000), "too l"),
    "20 MB of commas": (lambda file: file.write_bytes(b"," * 20_000_000), "too l"),
    "UTF-16": (lambda file: file.write_bytes("a = 1".encode("utf-16")), "UTF-16"),
}
if os.name != "posix":
    del ODD["pipe"], ODD["device"]


# An XML file names its own encoding, and may be one line.
@pytest.mark.parametrize(("odd", "name"), [(odd, name) for odd in ODD for name in READERS
                                           if name != "sign.svg" or not odd.startswith(("20", "UTF"))])
def test_what_is_no_file_of_a_maker_is_refused_in_words(odd, name, full):
    make, said = ODD[odd]
    (full / name).unlink()
    make(full / name)
    with pytest.raises(ValueError) as refused:
        READERS[name](full)
    words = str(refused.value)
    assert name.split("/")[-1] in words and words.replace("\n", "").isprintable() and len(words) < 1000
    assert said in words or said == "too l" and ("longer than" in words or "too large" in words)


@pytest.mark.parametrize("text", ["a = " + "[" * 9000, "a = " + "{a=" * 3000, ".".join("a" * 4000) + " = 1",
                                  "a = " + "9" * 9000, "a = '\x1b[2J'", "[" * 5000])
@pytest.mark.parametrize("name", ["machine.toml", "job.toml", "orders/gate.toml"])
def test_toml_that_nobody_types_is_refused_in_words(name, text, full):
    (full / name).write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=name.split("/")[-1]) as refused:
        READERS[name](full)
    assert str(refused.value).replace("\n", "").isprintable()


@pytest.mark.parametrize(("line", "said"), [
    ("speed_step_mm_s = 1e-9", "speed_step_mm_s, value '1e-09': allowed is at least 0.001 and at most 100000 mm/s."),
    ("speed_step_mm_s = nan", "speed_step_mm_s, value 'nan': allowed is at least 0.001"),
    ("speed_step_mm_s = inf", "speed_step_mm_s, value 'inf': allowed is at least 0.001"),
    ("speed_step_mm_s = -1", "speed_step_mm_s, value '-1': allowed is at least 0.001"),
    ("max_speed_mm_s = inf", "max_speed_mm_s, value 'inf': allowed is at least 0.001"),
    ("max_speed_mm_s = 1e308", r"max_speed_mm_s, value '1e\+308': allowed is at least 0.001"),
    ("max_speed_mm_s = 1" + "0" * 400, "max_speed_mm_s, value '10{56}…': allowed is at least 0.001"),
    ("speed_step_mm_s = 0.01\nmax_speed_mm_s = 1e5", r"The machine's speeds would be 1e\+07 steps of 0.01 mm/s."),
    ("min_speed_mm_s = nan", "min_speed_mm_s, value 'nan': allowed is at least 0.001"),
    ("powers_pct = [nan]", r"powers_pct, value '\[nan\]': allowed is at least 0.01"),
    ("line_pitches_mm = [0.1, -0.1]", r"line_pitches_mm, value '\[0.1, -0.1\]': allowed is at least 0.0001"),
    ("passes = [1, 1.5]", r"passes, value '\[1, 1.5\]': this is not a whole number."),
    ("acceleration_mm_s2 = nan", "acceleration_mm_s2, value 'nan': allowed is at least 1"),
])
def test_a_figure_that_no_machine_has_is_refused(line, said, tmp_path):
    (tmp_path / "machine.toml").write_text(line, encoding="utf-8")
    with pytest.raises(ValueError, match=said):
        Machine.read(tmp_path / "machine.toml")


def test_the_finest_step_that_is_taken_gives_every_speed():
    assert Machine(speed_step_mm_s=0.001).speeds().size == 599_001


@pytest.mark.parametrize(("line", "said"), [
    ("max_speed_mm_s = 600 mm/s", "line 2, value 'max_speed_mm_s = 600 mm/s': something stands after the number. Write the "
                                  "number alone, in the unit that the name says: max_speed_mm_s = 600"),
    ("focus_gap_mm = 1,5", "this number has a decimal comma. Write it with a point: focus_gap_mm = 1.5"),
    ("focus_gap_mm = .5", "a digit is missing before the point. Write focus_gap_mm = 0.5"),
    ("max_speed_mm_s = 0600", "a number begins with 0. Write max_speed_mm_s = 600"),
    ("skips_blanks = Yes", "this is not true or false. Write true or false, in small letters."),
    ("name = gate", 'a text needs quotes. Write name = "gate"'),
    ("day = 2026-3-4", "this is not a day. Write the day as year-month-day with two digits each"),
    ("line_pitches_mm = [0,05, 0,1]", "a number begins with 0. Write decimals with a point"),
    ("line_pitches_mm = [0,5, 0,1]", r"Perhaps \[0.5, 0.1\]\? A comma begins the next number; decimals have a point."),
])
def test_a_line_gone_wrong_under_the_hand_is_told_what_it_was_meant_to_be(line, said, tmp_path):
    (tmp_path / "machine.toml").write_text("min_speed_mm_s = 1\n" + line, encoding="utf-8")
    with pytest.raises(ValueError, match=said):
        Machine.read(tmp_path / "machine.toml")


def test_a_line_under_the_wrong_heading_is_told_where_it_belongs(tmp_path):
    (tmp_path / "job.toml").write_text('[prices]\nboard = 18\nspecies = "white oak"', encoding="utf-8")
    with pytest.raises(ValueError, match=r"line 3, column prices, species|line 3, prices, species") as refused:
        job.Job.read(tmp_path, None)
    assert "It belongs above [prices]: move it to the file's first lines." in str(refused.value)


@pytest.mark.parametrize(("heading", "near"), [("Depth (mm)", "depth_mm"), ("Speed mm/s", "speed_mm_s"), ("boards", "board")])
def test_a_heading_nearly_right_is_told(heading, near, full):
    burn = full / "burns" / "b01.csv"
    burn.write_text(burn.read_text(encoding="utf-8").replace(near, heading, 1), encoding="utf-8")
    with pytest.raises(ValueError) as refused:
        labbook.read(full)
    assert f"Perhaps the heading {heading!r} is meant? Write it {near}." in str(refused.value)


def mutated(content, dice):
    """Return the bytes with one to three seeded things done to them."""
    found = bytearray(content)
    for _ in range(dice.randint(1, 3)):
        place = dice.randrange(len(found) + 1)
        kind = dice.choice(["insert", "flip", "cut", "repeat", "end", "digits"])
        if kind == "insert":
            found[place:place] = dice.choice([b"\0", b"\xff", b'"', b"'", b",", b"=", b"[", b"]", b"{", b".", b"\r",
                                              b"\n", b"-", b"nan", b"inf", b"1e308", b"\x1b[2J", b"\xe2\x80\xae", b"#"])
        elif kind == "flip" and place < len(found):
            found[place] = dice.randrange(256)
        elif kind == "cut":
            del found[place:place + dice.randint(1, 40)]
        elif kind == "repeat":
            found[place:place] = found[max(0, place - 60):place]
        elif kind == "digits":
            found[place:place] = str(dice.choice([0, 9, 10**9, 10**400])).encode()
        else:
            del found[place:]
        found = found or bytearray(b" ")
    return bytes(found)


KINDS = {**READERS, "strikes.csv": labbook.read, "jobs/sign-01.csv": jobs.read, "datapackage.json": labbook.read,
         "timed_runs.csv": timedruns.read, "machine_log.csv": machinelog.read, "retired.csv": labbook.read,
         "gauge.csv": machinelog.repeats, jobs.SECOND_FILE: jobs.second_passes}


@pytest.mark.parametrize("name", KINDS)
def test_a_mutated_file_of_any_kind_is_read_or_refused_in_words(name, full):
    dice, sound, outcomes = random.Random(name), (full / name).read_bytes(), []
    for _ in range(MUTATIONS // len(KINDS) + 1):
        (full / name).write_bytes(mutated(sound, dice))
        try:
            KINDS[name](full)
            outcomes.append("read")
        except ValueError as refused:
            words = str(refused)
            # A strike that lost its reading, or a burn its wood, is said of the file that names it.
            assert any(part in words for part in (name.split("/")[-1], "strikes.csv", "b01.csv", "the drawing")), words
            assert words.replace("\n", "").isprintable(), words
            outcomes.append("refused")
    assert {"read", "refused"} == set(outcomes)


@pytest.mark.parametrize(("days", "said"), [
    ([], ""), (["2026-06-30", "2020-01-01"], ""), ([None, "2026-06-30"], ""),
    (["2026-07-01"] * 3, "2026-07-01 lies after today, 2026-06-30: is that the day?"),
    (["2026-07-01", "2026-01-01", "2026-07-09"],
     "2 days, 2026-07-01 to 2026-07-09, lie after today, 2026-06-30: check the computer's clock")])
def test_days_after_today_are_a_remark(days, said):
    assert days_ahead(pd.Series(days, dtype=object), datetime.date(2026, 6, 30)) == said


def test_a_clock_set_back_locks_nothing(full, monkeypatch):
    """Burns of 2026, read, checked, struck and saved on a computer that believes it is 1999."""
    class Long(datetime.date):
        @classmethod
        def today(cls):
            return cls(1999, 12, 31)
    monkeypatch.setattr(datetime, "date", Long)
    readings = labbook.read(full)
    assert len(readings) == 4 and len(jobs.read(full))
    labbook.strike(full, "b01", "1", 1, "for the test")
    labbook.save(readings.drop(columns="struck_because").assign(burn="b02"), full)
    assert set(labbook.read(full)["burn"]) == {"b01", "b02"}
    assert days_ahead(readings["burned_on"]) == "2026-03-14 lies after today, 1999-12-31: is that the day?"


def test_the_rows_of_a_fault_are_said_as_spans():
    rows = [makerfile.Problem("b.csv", row, "x", "v", "wrong", "Mend it.") for row in (3, 5, 12, 13, 14, 20, 21)]
    assert str(makerfile.ReadingsError(rows)) == ("7 faults in the readings:\n  b.csv, rows 3, 5, 12 to 14, 20, 21, "
                                                  "column x, value 'v': wrong. Mend it.")


def test_every_column_says_what_to_do():
    assert all(column.remedy or not column.required for column in columns.COLUMNS)
