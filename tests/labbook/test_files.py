"""Safe keeping: a disk that refuses, names and links that lead astray, files too large: words, no loss."""

import errno
import os
import subprocess
import sys
import unicodedata
from pathlib import Path

import pandas as pd
import pytest

from testburn import labbook
from testburn.labbook import files, makerfile


@pytest.fixture
def saved(book, sound):
    """A lab book that holds the sound burn."""
    labbook.save(pd.DataFrame(sound()), book)
    return book


def contents(folder):
    """Every file below a folder with its bytes, but the lock."""
    return {path.relative_to(folder).as_posix(): path.read_bytes()
            for path in folder.rglob("*") if path.is_file() and path.name != files.LOCK}


def corrected(sound, depth="1.33"):
    rows = sound()
    rows[0]["depth_mm"] = depth
    return pd.DataFrame(rows)


ACTS = {"save": lambda book, sound: labbook.save(pd.DataFrame(sound("b02")), book),
        "correct": lambda book, sound: labbook.correct(corrected(sound), book, labbook.version(book, "b01")),
        "strike": lambda book, sound: labbook.strike(book, "b01", "1", 1, "a pore")}
each_act = pytest.mark.parametrize("act", ACTS.values(), ids=ACTS)


def test_a_correction_replaces_the_burn_and_keeps_it_as_it_was(saved, sound):
    first = (saved / "burns" / "b01.csv").read_bytes()
    for number, depth in enumerate(("1.33", "1.44"), start=1):
        before = (saved / "burns" / "b01.csv").read_bytes()
        path = labbook.correct(corrected(sound, depth), saved / "burns", labbook.version(saved, "b01"))
        assert path == saved / "burns" / "b01.csv"
        assert (saved / "history" / "b01" / f"{number}.csv").read_bytes() == before
        assert labbook.read(saved)["depth_mm"].tolist() == [float(depth), 1.27, 0.81, 0.79]
    assert (saved / "history" / "b01" / "1.csv").read_bytes() == first


def test_a_correction_that_changes_nothing_leaves_no_history(saved, sound):
    labbook.correct(pd.DataFrame(sound()), saved, labbook.version(saved, "b01"))
    assert list(contents(saved)) == ["burns/b01.csv"]


def test_a_correction_may_not_lose_a_struck_reading(saved, sound):
    labbook.strike(saved, "b01", "1", 2, "a pore")
    before = contents(saved)
    with pytest.raises(labbook.ReadingsError) as caught:
        labbook.correct(pd.DataFrame(sound()).drop(1), saved, labbook.version(saved, "b01"))
    assert str(caught.value) == (
        "1 fault in the readings:\n  strikes.csv, row 2, column reading, value '2': burn b01, swatch 1 has "
        "no such reading. Keep the reading that is set aside in the burn, or take it back.")
    assert contents(saved) == before


@pytest.mark.parametrize("burn", ["b02", "B01", "../burns/b01", "x" * 300, "CON", ""])
def test_only_a_saved_burn_has_a_version(burn, saved):
    with pytest.raises(FileNotFoundError) as caught:
        labbook.version(saved, burn)
    assert str(caught.value) == f"There is no burn {burn[:80]} in {saved / 'burns'}. Check the burn's id."


def test_a_burn_whose_name_differs_in_capitals_only_is_already_there(saved, sound):
    with pytest.raises(FileExistsError, match="^b01.csv is already in the lab book"):
        labbook.save(pd.DataFrame(sound("B01")), saved)


@pytest.mark.parametrize("name", ["😀", "b\n", "b²", "x" * 300, "..", "b/../c", "C:", "b\u202e", "~b"])
def test_a_name_that_is_no_file_name_is_refused_and_nothing_is_written(name, book, sound):
    with pytest.raises(labbook.ReadingsError):
        labbook.save(pd.DataFrame(sound(name)).assign(burn=name if name.strip() == name else "b\nb"), book)
    assert [path.name for path in book.parent.rglob("*")] == ["book", "burns"]


@pytest.mark.parametrize("name", ["Haus Müller", "Żółw-3", "Дом", "看板 2", "हिन्दी", "لوحة", "ΑΒΓ_1"])
def test_letters_of_any_script_name_a_burn_and_a_name_with_its_accents_apart_is_the_same(name, book, sound):
    """Canonical composition as in Unicode Standard Annex #15: e + U+0301 is é. Listings of some file systems take it apart."""
    apart = unicodedata.normalize("NFD", name)
    file = labbook.save(pd.DataFrame(sound(apart)), book)
    assert file.name == f"{name}.csv" and labbook.read(book)["burn"].unique().tolist() == [name]
    assert labbook.version(book, apart) == labbook.version(book, name)
    with pytest.raises(FileExistsError):
        labbook.save(pd.DataFrame(sound(name)), book)
    file.rename(file.with_name(f"{apart}.csv"))
    assert labbook.read(book)["burn"].unique().tolist() == [name] and files.same_name(book / "burns", f"{name.upper()}.csv")


@pytest.mark.parametrize(("name", "problem"), [
    ("COM²", "this cannot name a file"), ("a\u200bb", "this cannot name a file"), ("a\u202eb", "this cannot name a file"),
    ("\u0301a", "this cannot name a file"), ("½", "this cannot name a file"), ("😀", "this cannot name a file"),
    ("看" * 80, "this is too long to name a file")])
def test_signs_that_are_no_letters_and_names_longer_than_a_disk_takes_are_refused(name, problem):
    """255 bytes is the longest name of a file on Linux (NAME_MAX, limits.h); COM², like COM2, is a device on Windows (from memory)."""
    assert files.burn_name_fault(name)[0] == problem


@pytest.mark.parametrize("name", ["CON", "nul", "Aux.1", "com1", "LPT9.old", "prn .x"])
def test_a_name_that_windows_keeps_is_refused_everywhere(name, book, sound):
    with pytest.raises(labbook.ReadingsError) as caught:
        labbook.save(pd.DataFrame(sound(name)[:1]), book)
    assert str(caught.value) == (
        f"1 fault in the readings:\n  table, row 0, column burn, value {name!r}: Windows keeps this name "
        "for a device. Use another one, e.g. burn-1.")


@each_act
@pytest.mark.parametrize(("number", "why"), [
    (errno.ENOSPC, "the disk is full. Make room on it"),
    (errno.EROFS, "the disk can only be read. Use a folder that you may write to"),
    (errno.EACCES, "you may not write there, or another program holds the file open. Close it there, or "
                   "use a folder that you may write to"),
    (errno.EIO, "Input/output error. Mend that")], ids=["full", "read-only", "not allowed", "broken"])
@pytest.mark.parametrize("step", ["fsync", "open"])
def test_a_disk_that_refuses_is_said_in_words_and_nothing_changes(step, number, why, act, saved, sound, monkeypatch):
    before = contents(saved)

    def refuse(*_):
        raise OSError(number, "Input/output error")
    if step == "fsync":
        monkeypatch.setattr(os, "fsync", refuse)
    else:
        # The file that is written beside its place.
        monkeypatch.setattr(files, "open", refuse, raising=False)
    with pytest.raises(labbook.NotWritten) as caught:
        act(saved, sound)
    name = "strikes.csv" if act is ACTS["strike"] else "b02.csv" if act is ACTS["save"] else "1.csv"
    assert str(caught.value) == f"{name} was not changed: {why}; then try again."
    assert caught.value.errno == number
    assert contents(saved) == before


LIMITED = """
import resource, signal, sys, pandas as pd
from testburn import labbook
frame = pd.read_csv(sys.argv[2], dtype=str)
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))
try:
    labbook.save(frame, sys.argv[1])
except labbook.NotWritten as refusal:
    print(refusal)
"""


@pytest.mark.skipif(os.name != "posix", reason="only POSIX lets a process limit what it may write")
def test_a_write_that_the_system_itself_cuts_off_leaves_nothing(saved, sound, as_csv, tmp_path):
    (tmp_path / "typed.csv").write_text(as_csv(sound("b02")), encoding="utf-8", newline="")
    before = contents(saved)
    done = subprocess.run([sys.executable, "-c", LIMITED, str(saved), str(tmp_path / "typed.csv")],
                          capture_output=True, text=True, encoding="utf-8")
    assert (done.stdout, done.returncode) == (
        "b02.csv was not changed: the file would be larger than is allowed here. Make room for it; then try "
        "again.\n", 0), done.stderr
    assert contents(saved) == before


TINY = """
mount -t tmpfs -o size=16k tiny "$1" && mkdir "$1/burns" && head -c 12000 /dev/zero > "$1/filling" && $4
"$2" -c 'import sys, pandas as pd
from testburn import labbook
try:
    labbook.save(pd.read_csv(sys.argv[2], dtype=str), sys.argv[1])
except labbook.NotWritten as refusal:
    print(refusal)' "$1" "$3" && find "$1/burns" -type f
"""


CARDS = """
mount -t tmpfs -o size=40k tiny "$1" && head -c 8000 /dev/zero > "$1/card.pdf" && head -c 20000 /dev/zero > "$1/filling" && $4
"$2" -c 'import sys, pathlib
from testburn.labbook import files
try:
    files.put(pathlib.Path(sys.argv[1], "card.pdf"), b"new" * 8000)
except OSError as refusal:
    print(refusal)' "$1"
cmp -n 8000 "$1/card.pdf" /dev/zero && ls -A "$1"
"""
FULL, ONLY_READ = "the disk is full. Make room on it", "the disk can only be read. Use a folder that you may write to"


def on_a_small_disk(shell, then, tmp_path, typed):
    """Run a shell's lines in a world of their own, where a small disk may be mounted; return what they print."""
    if sys.platform != "linux":
        pytest.skip("a small disk is made with Linux's own means")
    can = ["unshare", "--user", "--map-root-user", "--mount"]
    try:
        refused = subprocess.run([*can, "mount", "-t", "tmpfs", "tiny", str(tmp_path)], capture_output=True).returncode
    except FileNotFoundError:
        refused = 1
    if refused:
        pytest.skip("this system lets nobody make a small disk of his own")
    disk = tmp_path / "disk"
    disk.mkdir()
    done = subprocess.run([*can, "sh", "-c", shell.replace("$4", then), "sh", str(disk), sys.executable, str(typed)],
                          capture_output=True, text=True, encoding="utf-8")
    return disk, done


@pytest.mark.parametrize(("then", "said"), [
    ("true &&", f"b02.csv was not changed: {FULL}; then try again."),
    ("mount -o remount,ro $1 &&", f"The lab book {{disk}} was not changed: {ONLY_READ}; then try again.")],
    ids=["full", "read-only"])
def test_a_disk_that_is_really_full_or_read_only_is_said_in_words(then, said, tmp_path, sound, as_csv):
    rows = [row | {"burn": "b02", "reading": str(number), "note": "long " * 9} for number, row in
            enumerate(sound()[:1] * 200, start=1)]
    (tmp_path / "typed.csv").write_text(as_csv(rows), encoding="utf-8", newline="")
    disk, done = on_a_small_disk(TINY, then, tmp_path, tmp_path / "typed.csv")
    # Nothing stands after the sentence: no file was left among the burns.
    assert done.stdout.splitlines() == [said.format(disk=disk)], done.stderr


@pytest.mark.parametrize(("then", "said"), [("true &&", FULL), ("mount -o remount,ro $1 &&", ONLY_READ)],
                         ids=["full", "read-only"])
def test_a_card_on_another_disk_that_refuses_stays_the_old_one(then, said, tmp_path):
    """The cards' disk is not the one that temporary files go to: half a new page never takes the old one's place."""
    disk, done = on_a_small_disk(CARDS, then, tmp_path, "")
    assert done.stdout.splitlines() == [f"{disk / 'card.pdf'} was not changed: {said}; then try again.", "card.pdf",
                                        "filling"], done.stderr


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the system's own user may write anywhere")
def test_a_folder_that_can_only_be_read_is_said_in_words(saved, sound):
    before = contents(saved)
    (saved / "burns").chmod(0o555)
    try:
        with pytest.raises(labbook.NotWritten, match="you may not write there"):
            labbook.save(pd.DataFrame(sound("b02")), saved)
    finally:
        (saved / "burns").chmod(0o755)
    assert contents(saved) == before


def link(place, target):
    try:
        place.symlink_to(target, target_is_directory=target.is_dir())
    except OSError:
        pytest.skip("this system lets nobody make a link")


@each_act
def test_nothing_is_written_through_a_folder_that_links_outside(act, saved, sound, tmp_path):
    outside = tmp_path / "outside"
    (saved / "burns").rename(outside)
    link(saved / "burns", outside)
    link(saved / "history", tmp_path / "elsewhere")
    link(saved / "strikes.csv", tmp_path / "strikes.csv")
    before = contents(outside)
    with pytest.raises(labbook.NotWritten, match="link"):
        act(saved, sound)
    assert contents(outside) == before
    assert not (tmp_path / "elsewhere").exists() and not (tmp_path / "strikes.csv").exists()


def test_a_burn_that_is_a_link_is_neither_followed_nor_replaced(saved, sound, tmp_path):
    file = saved / "burns" / "b01.csv"
    (tmp_path / "b01.csv").write_bytes(file.read_bytes())
    file.unlink()
    link(file, tmp_path / "b01.csv")
    before = (tmp_path / "b01.csv").read_bytes()
    with pytest.raises(labbook.NotWritten) as caught:
        labbook.correct(corrected(sound), saved, labbook.version(saved, "b01"))
    assert str(caught.value) == (f"{file} is a link to another file, so it was not changed. "
                                 "Put the file itself in its place.")
    assert (tmp_path / "b01.csv").read_bytes() == before and file.is_symlink()


def test_a_lock_that_links_outside_is_not_written(book, sound, tmp_path):
    link(book / files.LOCK, tmp_path / "lock")
    with pytest.raises(labbook.NotWritten, match="link"):
        labbook.save(pd.DataFrame(sound()), book)
    assert not (tmp_path / "lock").exists()


@pytest.mark.parametrize("name", [".testburn-0.part", ".b01.csv.part", "~$b01.csv", "._b01.csv", ".~lock.b01.csv#",
                                  "b01.csv.bak", "b01.csv~"])
def test_what_is_left_beside_the_burns_is_not_read_as_data(name, saved, sound, as_csv):
    (saved / "burns" / name).write_text(as_csv(sound())[:-9], encoding="utf-8")
    assert len(labbook.read(saved)) == 4


def test_what_a_killed_writer_left_is_cleared_by_the_next(saved, sound):
    (saved / "burns" / ".testburn-0123.part").write_bytes(b"half")
    labbook.save(pd.DataFrame(sound("b02")), saved)
    assert sorted(contents(saved)) == ["burns/b01.csv", "burns/b02.csv"]


def test_a_folder_in_a_burns_place_is_said_in_words(saved):
    (saved / "burns" / "b02.csv").mkdir()
    with pytest.raises(labbook.ReadingsError) as caught:
        labbook.read(saved)
    assert str(caught.value) == "1 fault in the readings:\n  b02.csv: this is not a file. Move it elsewhere."


TOO_LARGE = ("this is too large: a lab book can hold 400 MB and 2 million rows in all. Move files that hold no "
             "burns elsewhere; give each burn a file of its own.")


def unread(monkeypatch, name):
    """Fail where the file's bytes are asked for."""
    content = makerfile.content

    def guarded(path, *most_bytes):
        assert Path(path).name != name
        return content(path, *most_bytes)
    monkeypatch.setattr(makerfile, "content", guarded)


def test_a_file_of_two_gigabytes_is_refused_before_it_is_read(saved, monkeypatch):
    with open(saved / "burns" / "b02.csv", "wb") as file:
        file.truncate(2_000_000_000)
    unread(monkeypatch, "b02.csv")
    with pytest.raises(labbook.ReadingsError) as caught:
        labbook.read(saved)
    assert str(caught.value) == f"1 fault in the readings:\n  b02.csv, value '2000 MB': {TOO_LARGE}"


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n"])
def test_ten_million_rows_are_counted_and_refused_before_they_are_read(end, saved, monkeypatch):
    with open(saved / "burns" / "b02.csv", "wb") as file:
        for _ in range(100):
            file.write((b"b02,1" + end) * 100_000)
    unread(monkeypatch, "b02.csv")
    with pytest.raises(labbook.ReadingsError, match="400 MB and 2 million rows"):
        labbook.read(saved)


def test_a_header_of_many_columns_is_refused(book, sound, as_csv):
    header, rest = as_csv(sound()).split("\r\n", 1)
    (book / "burns" / "b01.csv").write_text(
        f"{header},{','.join(f'x{number}' for number in range(300))}\r\n{rest}", encoding="utf-8", newline="")
    with pytest.raises(labbook.ReadingsError) as caught:
        labbook.read(book)
    assert str(caught.value) == ("1 fault in the readings:\n  b01.csv, row 1: the header names 316 columns; at most "
                                 "200 can be read. Remove what is no column of readings.")


def test_a_file_in_which_everything_is_wrong_is_told_in_short_time(book, sound, as_csv):
    row = as_csv([sound()[0] | {"depth_mm": "x", "species": "", "passes": "1.5"}]).splitlines(True)
    (book / "burns" / "b01.csv").write_text(row[0] + row[1] * 20_000, encoding="utf-8", newline="")
    with pytest.raises(labbook.ReadingsError, match="^at least 4000 faults in the readings:") as caught:
        labbook.read(book)
    assert len(caught.value.problems) == 4000
