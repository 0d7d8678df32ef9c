"""Harm: a lab book whose folder and names would steer a terminal, or act in a PDF, does neither."""

import shutil
import zlib
import re

import pytest

from testburn.workshop import cards
from testburn.workshop.openbook import BOOK_FILES, DEMO

HARM = "$5 (oak) <img src=x> \\(x\\) =1+1"
# What a PDF viewer acts on: ISO 32000-1, 12.6 (actions) and 12.5.6.5 (link annotations).
ACTS = (b"/URI", b"/JavaScript", b"/JS", b"/Launch", b"/OpenAction", b"/AA", b"/SubmitForm", b"/GoToR", b"/EmbeddedFile")


@pytest.fixture
def book(tmp_path, monkeypatch):
    folder = tmp_path / "book \x1b[31m\u202ered"
    folder.mkdir()
    for name in filter(lambda name: (DEMO / name).exists(), BOOK_FILES):
        copy = shutil.copytree if (DEMO / name).is_dir() else shutil.copyfile
        copy(DEMO / name, folder / name)
    for file in [*folder.glob("burns/*.csv"), *folder.glob("jobs/*.csv"), folder / "woods.csv"]:
        file.write_text(file.read_text(encoding="utf-8").replace("black cherry", HARM), encoding="utf-8")
    sheet = folder / "orders" / "trail-sign.toml"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace('"black cherry"', f"'{HARM}'"), encoding="utf-8")
    monkeypatch.setenv("TESTBURN_LABDATA", str(folder))
    monkeypatch.setenv("TESTBURN_CARDS", str(tmp_path / "cards"))
    return folder


def objects(pdf):
    """The file and everything that is packed in it."""
    found = [pdf]
    for packed in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.DOTALL):
        try:
            found.append(zlib.decompress(packed))
        except zlib.error:
            pass
    return found


@pytest.mark.parametrize("what", ["card", "binder"])
def test_the_commands_print_words_and_make_pages_that_do_nothing(what, book, capsys, tmp_path):
    assert cards.main([what]) == 0
    printed = capsys.readouterr().out
    assert printed.replace("\n", "").isprintable() and "Card: " in printed + "Card: " * (what == "binder")
    made = sorted((tmp_path / "cards").glob("*.pdf"))
    assert len(made) >= 2
    for pdf in made:
        for part in objects(pdf.read_bytes()):
            assert not [act for act in ACTS if re.search(re.escape(act) + rb"[\s/(<\[]", part)], pdf.name


def test_a_fault_in_such_a_folder_is_said_in_plain_signs(book, capsys):
    (book / "machine.toml").write_text("max_speed_mm_s = '\\u001b[2J\\u202e'", encoding="utf-8")
    assert cards.main(["card"]) == 1
    assert capsys.readouterr().out.replace("\n", "").isprintable()
    (book / "machine.toml").unlink()
    (book / "orders" / "trail-sign.toml").write_text("artwork = 'gone.svg'", encoding="utf-8")
    assert cards.main(["card"]) == 1
    assert capsys.readouterr().out.replace("\n", "").isprintable()
