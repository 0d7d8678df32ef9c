"""Clock: on a computer whose clock was set back or ahead, the lab book is read, written and carded as on any day.

The clock is faked for a whole process, beneath Python, by Debian's faketime (an LD_PRELOAD library). Where there
is none the test is passed over; .ci/run installs it and asks for it with TESTBURN_CLOCK=required.
"""

import os
import shutil
import subprocess
import sys

import pytest

WORK = """
import datetime, sys
import pandas as pd
from pathlib import Path
from testburn import depthfit, labbook
from testburn.job import Job
from testburn.labbook import days_ahead, jobs, journal
book = Path(sys.argv[1])
readings = labbook.read(book)
one = readings[readings["burn"] == readings["burn"].iloc[0]].drop(columns="struck_because")
labbook.save(one.assign(burn="again", board="Again-1"), book)
labbook.strike(book / "burns", "again", one["swatch"].iloc[0], 1, "for the test")
journal.record(book, "draft", "cell", "0.55")
labbook.correct(one.assign(burn="again", board="Again-2"), book, labbook.version(book, "again"))
fit = depthfit.fit(labbook.read(book))
print(datetime.date.today(), len(labbook.read(book)) - len(readings) == len(one), len(jobs.read(book)) > 0,
      journal.replay(book, "draft"), Job.read(book, fit).order.name)
print(days_ahead(readings["burned_on"]))
"""
# A day, and what is said of the burns: all lie after it, or none does.
DAYS = [("1999-12-31", "lie after today, 1999-12-31: check the computer's clock"), ("2068-01-19", "")]


@pytest.mark.parametrize(("day", "said"), DAYS)
def test_a_clock_that_is_wrong_locks_nothing(day, said, labdata, tmp_path):
    if not shutil.which("faketime"):
        assert os.environ.get("TESTBURN_CLOCK") != "required", "faketime is not installed"
        pytest.skip("this computer has no faketime")
    book = tmp_path / "book"
    shutil.copytree(labdata, book, ignore=shutil.ignore_patterns(".*"))
    done = subprocess.run(["faketime", "-f", f"@{day} 12:00:00", sys.executable, "-c", WORK, book],
                          capture_output=True, text=True, encoding="utf-8")
    assert done.returncode == 0, done.stderr
    facts, words = done.stdout.splitlines()
    assert facts == f"{day} True True {{'cell': '0.55'}} trail-sign", facts
    assert words.endswith(said) and bool(words) == bool(said)
