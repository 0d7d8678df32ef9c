"""Openbook: an open lab book shows its charts by their numbers alone."""

import hashlib
import json
import subprocess
import sys

import pytest

from testburn.workshop import openbook as workshop

SHOWN = """
import json, sys
from IPython.core.interactiveshell import InteractiveShell
shell, published = InteractiveShell.instance(), []
shell.display_pub.publish = lambda data, **more: published.append(data)
from testburn import workshop
workshop.open_workshop()
import plotly.graph_objects as go
shell.display_formatter.format(go.Figure(go.Scatter(x=[1, 2], y=[3.5, 4])))
print(json.dumps({"kinds": [list(data) for data in published], "y": published[0][list(published[0])[0]]["data"][0]["y"],
                  "loaded": [name for name in ("plotly.io._renderers", "jsonschema") if name in sys.modules]}))
"""


def test_a_chart_is_shown_and_nothing_is_loaded_that_could_show_it_elsewhere():
    told = json.loads(subprocess.run([sys.executable, "-c", SHOWN], capture_output=True, text=True, encoding="utf-8",
                                     check=True).stdout)
    assert told == {"kinds": [["application/vnd.plotly.v1+json"]], "y": [3.5, 4], "loaded": []}


def test_the_records_of_ones_own_book_lie_in_it_and_outlive_a_new_name(tmp_path, monkeypatch):
    book = workshop.copied_demo(tmp_path / "book")
    monkeypatch.setenv("TESTBURN_LABDATA", str(book))
    assert workshop.open_workshop().records == book / "records" and workshop.open_workshop().cards == book / "cards"
    assert workshop.cards_folder() == book / "cards"
    (book / "records").mkdir()
    (book / "records" / "one.json").write_text("{}", encoding="utf-8")
    book.rename(tmp_path / "renamed")
    monkeypatch.setenv("TESTBURN_LABDATA", str(tmp_path / "renamed"))
    assert [path.name for path in workshop.open_workshop().records.iterdir()] == ["one.json"]


def test_records_that_an_earlier_version_kept_elsewhere_are_taken_over_once(tmp_path, monkeypatch, capsys):
    book = workshop.copied_demo(tmp_path / "book")
    mark = hashlib.sha256(str(book.resolve()).encode("utf-8")).hexdigest()[:6]
    former = tmp_path / "project" / "cards" / "records" / f"book-{mark}"
    former.mkdir(parents=True)
    (former / "one.json").write_text("{}", encoding="utf-8")
    monkeypatch.setattr(workshop, "PROJECT", tmp_path / "project")
    monkeypatch.setenv("TESTBURN_LABDATA", str(book))
    for said in ("The records of your cards now stand in", ""):
        opened = workshop.open_workshop()
        assert capsys.readouterr().out.startswith(said) and (opened.records / "one.json").is_file()
    assert (former / "one.json").is_file()


def test_a_copy_of_the_demo_that_pages_share_is_still_said_to_be_one(tmp_path, monkeypatch):
    monkeypatch.setenv("TESTBURN_LABDATA", str(workshop.copied_demo(tmp_path / "demo")))
    monkeypatch.setenv("TESTBURN_SCRATCH", "1")
    opened = workshop.open_workshop()
    assert opened.scratch and "the demo" in opened._repr_html_() and opened.records == opened.cards / "records" / "demo"
    assert workshop.cards_folder() == workshop.PROJECT / "cards"


STOPPED = """
import json
from IPython.core.interactiveshell import InteractiveShell
shell, published = InteractiveShell.instance(), []
shell.display_pub.publish = lambda data, **more: published.append(data)
from testburn import workshop
workshop.open_workshop()
found = shell.run_cell("raise ValueError('The gauge is in the other room.')")
print("\\n" + json.dumps([type(found.error_in_exec).__name__, [data["text/plain"] for data in published]]))
"""


def test_where_a_page_stops_is_said_and_shown_and_it_still_stops():
    told = subprocess.run([sys.executable, "-c", STOPPED], capture_output=True, text=True, encoding="utf-8", check=True).stdout
    assert json.loads(told.splitlines()[-1]) == ["ValueError", ["This page stopped here."]]
    assert "The gauge is in the other room." in told


@pytest.mark.parametrize(("place", "html"), [
    ("cards/order-a b.pdf", '<a href="../cards/order-a%20b.pdf" target="_blank">order-a b.pdf</a>: click to open, then print.'),
    ("../elsewhere/x.pdf", "x.pdf")])
def test_a_card_opens_with_a_click_from_a_page_of_the_book(tmp_path, place, html):
    opened = workshop.Workshop(tmp_path / "book", tmp_path / "book" / "cards", False)
    link = opened.link((tmp_path / "book" / place).resolve())
    assert link._repr_html_() == html and repr(link) == place.rpartition("/")[2]
