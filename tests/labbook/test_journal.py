"""Journal: what was typed is there again, whatever happened in between."""

import errno
import os

import pytest

from testburn.labbook import journal


def file_of(book, draft="d1"):
    return book / "journal" / f"{draft}.jsonl"


def test_the_last_value_of_each_cell_is_there_again(book):
    for cell, value in (("1/1", "1.2"), ("1/2", "0,9"), ("1/1", "1.3"), ("note", "=x\n\"q\" ß 木 \ud800")):
        journal.record(book, "d1", cell, value)
    assert journal.replay(book, "d1") == {"1/1": "1.3", "1/2": "0,9", "note": "=x\n\"q\" ß 木 \ud800"}
    assert len(file_of(book).read_bytes().splitlines()) == 4


def test_each_cell_is_forced_to_the_disk_before_record_returns(book, monkeypatch):
    forced, fsync = [], os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (forced.append(os.fstat(handle).st_size), fsync(handle)))
    journal.record(book, "d1", "1/1", "1.2")
    assert file_of(book).stat().st_size in forced


@pytest.mark.parametrize("torn", [b'{"at": "2026-03-14T', b'{"at"', b"\xff\xfe\x00", b"[1]", b'{"at": 1}', b"[" * 99999,
                                  b'{"at": "2026-03-14T10:00:00", "cell": "a", "value": "b"}', b"null", b"\n\n"])
def test_a_torn_line_is_no_cell_and_spoils_no_other(torn, book):
    journal.record(book, "d1", "1/1", "1.2")
    with open(file_of(book), "ab") as file:
        file.write(torn)
    assert journal.replay(book, "d1") == {"1/1": "1.2"}
    journal.record(book, "d1", "1/2", "1.4")
    assert journal.replay(book, "d1") == {"1/1": "1.2", "1/2": "1.4"}


def test_drafts_are_listed_newest_first(book):
    assert list(journal.drafts(book)) == ["draft", "started", "cells"] and journal.drafts(book).empty
    book.joinpath("journal").mkdir()
    for draft, hour in (("old", 9), ("new", 11), ("mid", 10)):
        file_of(book, draft).write_text(
            f'{{"at": "2026-03-14T{hour:02d}:00:00+01:00", "cell": "a", "value": "1"}}\n', encoding="utf-8")
    journal.record(book, "mid", "b", "2")
    file_of(book, "empty").write_bytes(b"")
    table = journal.drafts(book)
    assert table[["draft", "cells"]].values.tolist() == [["new", 1], ["mid", 2], ["old", 1]]


def test_a_saved_draft_is_moved_and_never_deleted(book):
    for value in ("1.2", "1.3"):
        journal.record(book, "d1", "a", value)
        journal.close(book, "d1")
    journal.close(book, "d1")
    assert journal.drafts(book).empty and journal.replay(book, "d1") == {}
    saved = sorted((book / "journal" / "saved").iterdir())
    assert [path.name for path in saved] == ["d1 (2).jsonl", "d1.jsonl"]
    assert b'"1.3"' in saved[0].read_bytes() and b'"1.2"' in saved[1].read_bytes()


@pytest.mark.parametrize("name", ["../d1", "a/b", "a\\b", ".d", "d.", "", "😀", "x" * 300, "CON", "nul.a"])
def test_a_draft_whose_name_cannot_name_a_file_is_refused(name, book):
    for act in (lambda: journal.record(book, name, "a", "1"), lambda: journal.replay(book, name),
                lambda: journal.close(book, name)):
        with pytest.raises(ValueError, match="Draft "):
            act()
    assert [path.name for path in book.parent.rglob("*")] == ["book", "burns"]


def test_a_full_disk_is_said_in_words_and_keeps_what_was_there(book, monkeypatch):
    journal.record(book, "d1", "a", "1")

    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(journal.NotWritten) as caught:
            journal.record(book, "d1", "b", "2")
    assert str(caught.value) == ("The journal d1.jsonl was not changed: the disk is full. "
                                 "Make room on it; then try again.")
    assert journal.replay(book, "d1")["a"] == "1"


@pytest.mark.parametrize("linked", ["journal", "journal/d1.jsonl"])
def test_nothing_is_written_through_a_link_to_outside(linked, book, tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "d1.jsonl").write_bytes(b"")
    (book / linked).parent.mkdir(exist_ok=True)
    try:
        (book / linked).symlink_to(outside if linked == "journal" else outside / "d1.jsonl")
    except OSError:
        pytest.skip("this system lets nobody make a link")
    with pytest.raises(journal.NotWritten, match="link"):
        journal.record(book, "d1", "a", "1")
    assert (outside / "d1.jsonl").read_bytes() == b"" and len(list(outside.iterdir())) == 1
