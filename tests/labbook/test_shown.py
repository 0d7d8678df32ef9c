"""Shown: what a maker typed steers no terminal, is no markup and no mathematics; and only two doors show anything."""

import ast
from pathlib import Path

import pandas as pd
import pytest

from testburn.labbook import shown

PACKAGE = Path(shown.__file__).parents[1]


# Control and format characters: general categories Cc and Cf (The Unicode Standard, chapter 4).
@pytest.mark.parametrize(("text", "printed"), [
    ("white oak, 15 W: 0.45 mm²", "white oak, 15 W: 0.45 mm²"), ("two\nlines", "two\nlines"),
    ("\x1b[2J", r"\x1b[2J"), ("a\rb", r"a\rb"), ("\x07\x00\x7f\x9b", r"\x07\x00\x7f\x9b"),
    ("\u202egnp.exe", r"\u202egnp.exe"), ("\u2066x\u2069", r"\u2066x\u2069"), ("\u200b", r"\u200b"),
    ("\ud800", r"\ud800"), ("a\u2028b", r"a\u2028b"), ("Straße 木", "Straße 木")])
def test_a_terminal_is_told_and_not_steered(text, printed, capsys):
    assert shown.harmless(text) == printed
    shown.say(text)
    assert capsys.readouterr().out == f"{printed}\n"


@pytest.mark.parametrize(("text", "markup"), [
    ("<b>&\"'", "&lt;b&gt;&amp;&quot;&#x27;"), ("cost $5, sold $7", "cost <span>$</span>5, sold <span>$</span>7"),
    (r"\(x\) \[y\]", r"<span>\</span>(x<span>\</span>) <span>\</span>[y<span>\</span>]"), ("\x1b", r"<span>\</span>x1b")])
def test_a_page_shows_text_and_nothing_else(text, markup):
    assert shown.as_html(text) == markup
    assert f"<td>{markup}</td>" in shown.table_as_html(pd.DataFrame({"a": [text]})).replace('"', "&quot;").replace(
        "'", "&#x27;") or "&quot;" in markup


def test_nothing_is_printed_or_put_on_a_page_past_the_two_doors():
    """No print, html.escape or DataFrame.to_html elsewhere in the package."""
    found = []
    for file in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            name = getattr(getattr(node, "func", None), "attr", getattr(getattr(node, "func", None), "id", ""))
            if isinstance(node, ast.Call) and name in ("print", "to_html"):
                found.append(file.name)
            if isinstance(node, ast.Import) and any(alias.name == "html" for alias in node.names):
                found.append(file.name)
    assert set(found) == {"shown.py"}
