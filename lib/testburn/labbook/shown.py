"""Shown: how a maker's text is printed and put on a page, so that it can do nothing there.

Decides the two doors through which all text goes that somebody typed or drew. In a terminal a control character
could move the cursor, and a direction mark could turn a line round: both are written out. On a page a text is no
markup, and a dollar sign or backslash begins no formula.

Source: control and format characters, general categories Cc and Cf (The Unicode Standard, chapter 4, from memory);
delimiters of mathematics on a page, $ … $, \\( … \\) and \\[ … \\] (from memory).
"""

import html
import re

_FORMULA_SIGNS = re.compile(r"[$\\]")


def harmless(text: str) -> str:
    """Return a text with every character written out that a terminal would obey; line ends stay."""
    return "".join(sign if sign.isprintable() or sign == "\n" else ascii(sign)[1:-1] for sign in text)


def as_html(text: str) -> str:
    """Return a text for a page: no markup, and no mathematics."""
    # In an element of its own a sign finds no partner.
    return _FORMULA_SIGNS.sub(r"<span>\g<0></span>", html.escape(harmless(text)))
