"""Format: a lab book of every earlier version reads to the same numbers, one of a newer version is refused in words.

books/ keeps the invented demo of each earlier version as it was; the numbers beside it were read by that version.
"""

import json
import zipfile
from pathlib import Path

import pytest

from testburn import depthfit, labbook
from testburn.job import Job
from testburn.labbook import Machine, columns, jobs
from testburn.workshop import newbook

BOOKS = Path(__file__).parent / "books"
# Book, readings, set aside, finished readings, sum of depths in mm, wood and module, expected mm at 2 J/mm².
EARLIER = [
    ("2026-11-25-first", 810, 1, 0, 609.948, ("black cherry", 20), 0.5821426599653043),
    ("2026-11-25-jobs", 810, 1, 71, 609.948, ("black cherry", 10), 0.5591066421972781),
    ("2026-11-26-model", 778, 1, 72, 578.948, ("black cherry", 15), 0.5791571347267175),
    ("2026-11-26-states", 788, 1, 72, 588.598, ("black cherry", 15), 0.5811961279403648),
    ("2026-11-26-orders", 788, 1, 72, 588.598, ("black cherry", 15), 0.5811961279403656)]


@pytest.mark.parametrize(("name", "readings", "struck", "finished", "sum_mm", "asked", "expected_mm"), EARLIER)
def test_a_book_of_an_earlier_version_reads_to_the_same_numbers(name, readings, struck, finished, sum_mm, asked,
                                                                expected_mm, tmp_path):
    with zipfile.ZipFile(BOOKS / f"{name}.zip") as kept:
        kept.extractall(tmp_path)
    read = labbook.read(tmp_path)
    assert (len(read), (read["struck_because"] != "").sum(), len(jobs.read(tmp_path))) == (readings, struck, finished)
    assert read["depth_mm"].sum() == pytest.approx(sum_mm, abs=1e-9)
    # The model may learn; the mean curve of the same readings stays where it was.
    group = depthfit.fit(read).group(*asked)
    assert float(group.mean([2.0])[0]) == pytest.approx(expected_mm, rel=0.03)
    if (tmp_path / "machine.toml").exists():
        assert Machine.read(tmp_path / "machine.toml").max_speed_mm_s > 0
    assert Job.read(tmp_path, None).order.name


@pytest.mark.parametrize(("said", "words"), [
    ({"format": columns.FORMAT + 1}, f"value '{columns.FORMAT + 1}': this lab book was written by a newer version. This one "
     f"reads formats 1 to {columns.FORMAT}."),
    ({"format": "2"}, "written by a newer version"), ({"format": 0}, "written by a newer version"),
    ({"format": True}, "written by a newer version")])
def test_a_book_of_a_newer_version_is_refused(said, words, book, sound, as_csv):
    (book / "burns" / "b01.csv").write_text(as_csv(sound()), encoding="utf-8", newline="")
    (book / "datapackage.json").write_text(json.dumps(said), encoding="utf-8")
    for read in (labbook.read, jobs.read):
        with pytest.raises(labbook.ReadingsError) as refused:
            read(book)
        assert "datapackage.json" in str(refused.value) and words in str(refused.value)


@pytest.mark.parametrize("text", ["", "{", "[" * 100_000, '{"format": 1e999}', "[]", "\x00"])
def test_a_description_that_is_none_is_read_or_refused_in_words(text, book, sound, as_csv):
    (book / "burns" / "b01.csv").write_text(as_csv(sound()), encoding="utf-8", newline="")
    (book / "datapackage.json").write_text(text, encoding="utf-8")
    try:
        assert len(labbook.read(book)) == 4 and text == "[]"
    except labbook.ReadingsError as refused:
        assert "datapackage.json" in str(refused) and str(refused).replace("\n", "").isprintable()


def test_the_demo_and_a_new_book_say_their_format(labdata, tmp_path):
    newbook.make(tmp_path / "new")
    for folder in (labdata, tmp_path / "new"):
        assert json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))["format"] == columns.FORMAT
