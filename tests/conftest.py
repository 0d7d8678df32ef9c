"""Burns to test with: a small sound one as text, and a seeded synthetic lab book."""

import atexit
import csv
import io
import math
import os
import random
import shutil
import tempfile
from pathlib import Path

import pandas as pd
import pytest

from testburn import labbook

# Kernels are ended abruptly: what they leave in their temporary folder goes with this one.
_SCRATCH = tempfile.mkdtemp(prefix="testburn-tests-")
atexit.register(shutil.rmtree, _SCRATCH, ignore_errors=True)
# Asked of this process, not of kernels and commands: what other libraries print there is not ours to mend.
os.environ.pop("PYTHONWARNDEFAULTENCODING", None)
os.environ.update(dict.fromkeys(("TMPDIR", "TEMP", "TMP"), _SCRATCH))
tempfile.tempdir = None

LABDATA = Path(__file__).parents[1] / "labdata"
# Files that take minutes: begun last, one worker would end with them alone.
_LONG = ("house/test_browser.py", "labbook/test_hostile.py", "workshop/test_chain.py", "labbook/test_crash.py", "depthfit/test_honesty.py")

_SOUND_ROW = {
    "burn": "b01", "burned_on": "2026-03-14", "species": "white oak", "board": "O1", "module_w": "20",
    "wavelength_nm": "450", "power_pct": "90", "speed_mm_s": "60", "line_pitch_mm": "0.05",
    "passes": "1", "swatch": "1", "reading": "1", "depth_mm": "1.23", "gauge_step_mm": "0.01",
    "board_thickness_mm": "19", "note": "",
}


def pytest_collection_modifyitems(items):
    """Begin with the files that take longest; all else stays in its order."""
    places = {str(Path(__file__).parent / name): place for place, name in enumerate(_LONG)}
    items.sort(key=lambda item: places.get(str(item.path), len(_LONG)))


def sound_rows(burn="b01"):
    """Two swatches of two readings, as text; a spreadsheet shows them as rows 2 to 5."""
    return [_SOUND_ROW | {"burn": burn, "swatch": swatch, "speed_mm_s": speed, "reading": reading,
                          "depth_mm": depth}
            for swatch, speed, reading, depth in (("1", "60", "1", "1.23"), ("1", "60", "2", "1.27"),
                                                  ("2", "90", "1", "0.81"), ("2", "90", "2", "0.79"))]


def csv_text(rows):
    """The rows as CSV text, header first."""
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, rows[0], lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def synthetic_burns(species="white oak", module_w=20.0, wavelength_nm=450.0, boards=3,
                    pitches_mm=(0.05,), intercept_mm=-0.05, depth_per_dose=0.3, seed=7):
    """Readings about a straight line in areal dose, with board, swatch and reading scatter."""
    dice, rows = random.Random(seed), []
    for board in range(1, boards + 1):
        pitch = pitches_mm[board % len(pitches_mm)]
        board_factor = math.exp(dice.gauss(0, 0.06))
        for swatch, speed in enumerate((60, 75, 95, 120, 170, 240), start=1):
            dose = module_w * 0.9 / (speed * module_w / 20) / pitch
            floor = (intercept_mm + depth_per_dose * dose) * board_factor * math.exp(dice.gauss(0, 0.03))
            rows += [dict(
                burn=f"{species} {module_w:g} {wavelength_nm:g} {board}", burned_on="2026-03-14",
                species=species, board=f"B{board}", module_w=module_w, wavelength_nm=wavelength_nm,
                power_pct=90, speed_mm_s=speed * module_w / 20, line_pitch_mm=pitch, passes=1,
                swatch=str(swatch), reading=reading, gauge_step_mm=0.01,
                depth_mm=floor * (1 + dice.gauss(0, 0.03))) for reading in (1, 2, 3)]
    return labbook.check(pd.DataFrame(rows)).assign(struck_because="")


@pytest.fixture
def sound():
    return sound_rows


@pytest.fixture
def as_csv():
    return csv_text


@pytest.fixture(scope="session")
def burns():
    return synthetic_burns


@pytest.fixture
def labdata():
    return LABDATA


@pytest.fixture
def book(tmp_path):
    """An empty lab book: a folder with an empty burns folder."""
    (tmp_path / "book" / "burns").mkdir(parents=True)
    return tmp_path / "book"
