"""Recalled: what is kept of a drawing is what reading it says, and nothing else is ever taken for it."""

import dataclasses
import os
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from testburn import sweep
from testburn.sweep import artwork, picture, recalled

SIGN = Path(__file__).parents[2] / "labdata" / "artwork" / "trail-sign.svg"
SQUARE = '<svg xmlns="http://www.w3.org/2000/svg" width="{0}mm" height="{0}mm" viewBox="0 0 10 10">{1}<path fill="{2}" d="M2 2h4v4h-4z"/></svg>'


@pytest.fixture
def own(tmp_path, monkeypatch):
    """A temporary folder of one's own; returns how often a drawing was rendered."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    seen, real = [], picture.taken_apart
    monkeypatch.setattr(picture, "taken_apart", lambda *given: seen.append(given) or real(*given))
    return seen


def same(one, other):
    for field in dataclasses.fields(artwork.Artwork):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if isinstance(a, pd.DataFrame):
            pd.testing.assert_frame_equal(a, b)
        elif isinstance(a, np.ndarray):
            assert a.dtype == b.dtype and (a == b).all()
        else:
            assert a == b and type(a) is type(b), field.name


@pytest.mark.parametrize("drawn", [
    SIGN.read_text(encoding="utf-8"), SQUARE.format(50, "", "black"), SQUARE.format(50, "", "#fefefe"), SQUARE.format(50, "", "#ddd"),
    SQUARE.format(50, '<rect x="-3" y="4" width="2" height="2"/>', "black"),
    SQUARE.format(50, '<rect x=".2" y=".2" width="9.6" height="9.6" fill="none" stroke="red" stroke-width=".01"/>', "black"),
], ids=["sign", "square", "nearly white", "pale", "off the page", "cut line"])
def test_it_says_what_reading_says(own, tmp_path, drawn):
    file = tmp_path / "one.svg"
    file.write_text(drawn, encoding="utf-8")
    try:
        read = artwork.read(file)
    except artwork.ArtworkError as refusal:
        for _ in range(2):
            with pytest.raises(artwork.ArtworkError, match=str(refusal)[:40]):
                sweep.read(file)
        return
    own.clear()
    same(sweep.read(file), read)
    same(sweep.read(file), read)
    assert len(own) == 1


def test_another_name_drawing_or_threshold(own, tmp_path):
    (tmp_path / "one.svg").write_text(SQUARE.format(50, "", "#f0f0f0"), encoding="utf-8")
    first = sweep.read(tmp_path / "one.svg")
    (tmp_path / "one.svg").rename(tmp_path / "two.svg")
    assert sweep.read(tmp_path / "two.svg").name == "two.svg" and len(own) == 1
    with pytest.raises(artwork.ArtworkError, match="burns nothing"):
        sweep.read(tmp_path / "two.svg", 20)
    (tmp_path / "two.svg").write_text(SQUARE.format(60, "", "#f0f0f0"), encoding="utf-8")
    assert sweep.read(tmp_path / "two.svg").area_mm2 == pytest.approx(1.44 * first.area_mm2, rel=0.01)


@pytest.mark.parametrize("code", [b"other version", b""])
def test_another_version_renders_anew(own, code, monkeypatch):
    sweep.read(SIGN)
    monkeypatch.setattr(recalled, "_ground", lambda: code)
    sweep.read(SIGN)
    assert len(own) == 2


def cut(file):
    file.write_bytes(file.read_bytes()[:900])


@pytest.mark.parametrize("spoil", [cut, lambda file: file.write_bytes(b""), lambda file: file.write_bytes(b"\x80\x04K\x01."),
                                   lambda file: (file.unlink(), file.mkdir())], ids=["cut off", "empty", "a pickle", "a folder"])
def test_what_was_spoiled_is_rendered(own, tmp_path, spoil):
    read = sweep.read(SIGN)
    [kept] = tmp_path.glob("testburn-drawings-*/*.npz")
    spoil(kept)
    same(sweep.read(SIGN), read)
    assert len(own) == 2


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="folders here have no owner's bits")
def test_a_folder_that_others_may_write_to_is_not_used(own, tmp_path):
    (tmp_path / f"testburn-drawings-{os.getuid()}").mkdir()
    (tmp_path / f"testburn-drawings-{os.getuid()}").chmod(0o777)
    sweep.read(SIGN)
    sweep.read(SIGN)
    assert len(own) == 2


def test_no_more_than_some_are_kept(own, tmp_path, monkeypatch):
    monkeypatch.setattr(recalled, "_MOST_KEPT", 2)
    for size in (40, 50, 60):
        (tmp_path / "one.svg").write_text(SQUARE.format(size, "", "black"), encoding="utf-8")
        sweep.read(tmp_path / "one.svg")
    assert len(list(tmp_path.glob("testburn-drawings-*/*.npz"))) == 2
