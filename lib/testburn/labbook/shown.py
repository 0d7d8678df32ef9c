"""Shown: how a maker's text is printed and put on a page, so that it can do nothing there.

Decides the two doors through which all text goes that somebody typed or drew. In a terminal a control character
could move the cursor, and a direction mark could turn a line round: both are written out. On a page a text is no
markup, and a dollar sign or backslash begins no formula.

Source: control and format characters, general categories Cc and Cf (The Unicode Standard, chapter 4, from memory);
delimiters of mathematics on a page, $ … $, \\( … \\) and \\[ … \\] (from memory).
"""

import html
import re

import pandas as pd

_FORMULA_SIGNS = re.compile(r"[$\\]")


def harmless(text: str) -> str:
    """Return a text with every character written out that a terminal would obey; line ends stay."""
    return "".join(sign if sign.isprintable() or sign == "\n" else ascii(sign)[1:-1] for sign in text)


def say(text: str, end: str = "\n") -> None:
    """Print a text in the terminal, at once."""
    print(harmless(text), end=end, flush=True)


def as_html(text: str) -> str:
    """Return a text for a page: no markup, and no mathematics."""
    return _no_mathematics(html.escape(harmless(text)))


def table_as_html(frame: pd.DataFrame, **options) -> str:
    """Return a table for a page, its texts as by `as_html`; `options` are those of `DataFrame.to_html`."""
    # What pandas writes around the cells holds neither sign.
    return _no_mathematics(harmless(frame.to_html(**{"index": False, "border": 0} | options)))


def _no_mathematics(markup: str) -> str:
    # In an element of its own a sign finds no partner.
    return _FORMULA_SIGNS.sub(r"<span>\g<0></span>", markup)
