"""Race: two kernels and a spreadsheet at the same lab book. Nothing is lost, no file is torn."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from testburn import labbook
from testburn.labbook import files

SAVES = 500
SHARED = 20


def burn_of(name, depths):
    return pd.DataFrame([
        {"burn": name, "burned_on": "2026-03-14", "species": "white oak", "board": "O1", "module_w": 20,
         "wavelength_nm": 450, "power_pct": 90, "speed_mm_s": 60 + place, "line_pitch_mm": 0.05, "passes": 1,
         "swatch": str(place), "reading": 1, "depth_mm": depth, "gauge_step_mm": 0.01}
        for place, depth in enumerate(depths, start=1)])


def write(book, writer):
    """One writer: saves its own burns and tries for shared ones, strikes, and corrects a shared burn."""
    print("ready", flush=True)
    sys.stdin.readline()
    done = {"saved": [], "struck": [], "corrected": []}
    for count in range(SAVES // 2):
        name = f"both-{count}" if count < SHARED else f"{writer}-{count}"
        try:
            labbook.save(burn_of(name, [writer + count / 1000, 1.5]), book)
            done["saved"].append(name)
        except FileExistsError:
            pass
        if count % 25 == 24:
            labbook.strike(book / "burns", name, "1", 1, f"by {writer}")
            done["struck"].append(name)
            while True:
                seen, depth = labbook.version(book, "ours"), 3 + writer / 10 + count / 10_000
                try:
                    labbook.correct(burn_of("ours", [depth, 1.5]), book, seen)
                    done["corrected"].append(depth)
                    break
                except labbook.NotWritten:
                    continue  # The other one was quicker: look again.
    print(json.dumps(done))


def test_two_writers_lose_nothing(book):
    labbook.save(burn_of("ours", [3.0, 1.5]), book)
    writers = [subprocess.Popen([sys.executable, __file__, str(book), str(number)], text=True,
                                encoding="utf-8", stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                env=os.environ | {"OMP_NUM_THREADS": "1"}) for number in (1, 2)]
    for writer in writers:
        assert writer.stdout.readline() == "ready\n"
    for writer in writers:
        writer.stdin.write("go\n")
        writer.stdin.flush()
    told = [json.loads(writer.communicate()[0]) for writer in writers]
    assert [writer.returncode for writer in writers] == [0, 0]

    readings = labbook.read(book)
    saved = [name for each in told for name in each["saved"]]
    shared = sorted(f"both-{count}" for count in range(SHARED))
    assert sorted(name for name in saved if name.startswith("both")) == shared
    assert len(saved) == SAVES - SHARED
    assert sorted(readings["burn"].unique()) == sorted([*saved, "ours"])
    for number, each in zip((1, 2), told):
        mine = readings[readings["burn"].isin(each["saved"]) & (readings["swatch"] == "1")]
        assert mine["depth_mm"].astype(int).eq(number).all() and len(mine) == len(each["saved"])
    struck = readings[readings["struck_because"] != ""]
    assert sorted(struck["burn"]) == sorted(name for each in told for name in each["struck"])
    versions = [labbook.check(pd.read_csv(file))["depth_mm"][0]
                for file in (book / "history" / "ours").glob("*.csv")]
    now = readings.loc[(readings["burn"] == "ours") & (readings["swatch"] == "1"), "depth_mm"].tolist()
    assert sorted(versions + now) == sorted([3.0, *told[0]["corrected"], *told[1]["corrected"]])
    assert not list(book.rglob("*.part"))


@pytest.mark.parametrize("mark", [".~lock.b01.csv#", "~$b01.csv"])
def test_a_burn_that_is_open_in_a_spreadsheet_is_left_alone(mark, book):
    file = labbook.save(burn_of("b01", [1.0, 2.0]), book)
    before, seen = file.read_bytes(), labbook.version(book, "b01")
    (file.parent / mark).write_bytes(b"x")
    with pytest.raises(labbook.NotWritten) as caught:
        labbook.correct(burn_of("b01", [1.1, 2.0]), book, seen)
    assert str(caught.value) == (
        "b01.csv was not changed: it is open in a spreadsheet program. Close it there; then try again. "
        f"If it is not open, remove the file {file.parent / mark}.")
    assert file.read_bytes() == before and len(labbook.read(book)) == 2


@pytest.mark.parametrize("late", [False, True])
def test_what_a_spreadsheet_wrote_unseen_is_not_overwritten(late, book, monkeypatch):
    file = labbook.save(burn_of("b01", [1.0, 2.0]), book)
    seen = labbook.version(book, "b01")
    theirs = file.read_bytes().replace(b"white oak", b"red oak")
    if late:
        keep = files.add_whole

        def meanwhile(*words):
            keep(*words)
            file.write_bytes(theirs)
        monkeypatch.setattr(files, "add_whole", meanwhile)
    else:
        file.write_bytes(theirs)
    with pytest.raises(labbook.NotWritten) as caught:
        labbook.correct(burn_of("b01", [1.1, 2.0]), book, seen)
    assert str(caught.value) == ("b01.csv was not changed: somebody else changed it since you opened it. "
                                 "Open it again and make your change once more.")
    assert file.read_bytes() == theirs


def test_a_writer_that_waits_too_long_is_told_so(book, monkeypatch):
    monkeypatch.setattr(files, "WAIT_S", 0)
    with files.locked(book), pytest.raises(labbook.NotWritten) as caught:
        labbook.save(burn_of("b01", [1.0]), book)
    assert str(caught.value) == (
        f"The lab book {book} was not changed: another notebook has been writing to it for 0 s. "
        "Wait for it, or restart its kernel; then try again.")
    assert list((book / "burns").iterdir()) == []


if __name__ == "__main__":
    write(Path(sys.argv[1]), int(sys.argv[2]))
