"""Style: how every chart looks, and how text and numbers reach it.

Decides colours with dash and marker, so that a grey print or a colour-blind eye still tells things apart;
the words on an axis; the digits, few enough that the same lab book draws the same chart on any machine;
and that a maker's text is shown and never run.

Source: colours after Okabe & Ito 2008, 'Color Universal Design' (from memory), ordered so that
their greys differ too.
"""

import numpy as np
from plotly.graph_objects import Figure

from testburn.depthfit import DOSE, ENERGY

LOOKS = (
    ("#0072B2", "solid", "circle"), ("#D55E00", "dash", "square"), ("#009E73", "dot", "diamond"),
    ("#000000", "dashdot", "cross"), ("#CC79A7", "longdash", "triangle-up"),
    ("#E69F00", "longdashdot", "x"), ("#56B4E9", "solid", "star"),
)
BOARD_MARKS = ("circle", "square", "diamond", "triangle-up", "cross", "x", "star", "hexagon")
AXIS_WORDS = {ENERGY: "line energy, J/mm", DOSE: "energy per mm², J/mm²"}
_DIGITS = 4


def styled(figure: Figure, title: str, height: int = 460, under: str = "") -> Figure:
    """Give the figure its title, size, type and axes."""
    axis = dict(showline=True, linecolor="#444", gridcolor="#ddd", zeroline=False, ticks="outside",
                automargin=True)
    figure.update_layout(
        template="none", height=height, font=dict(size=14, color="#222"),
        title=dict(text=title, x=0.01, xanchor="left", subtitle=dict(text=under, font_size=12)),
        margin=dict(l=70, r=20, t=80 if under else 60, b=60),
        legend=dict(bgcolor="rgba(255,255,255,0.8)"), hoverlabel=dict(font_size=13))
    figure.update_xaxes(**axis)
    figure.update_yaxes(**axis)
    return figure


def rounded(values) -> np.ndarray:
    """Return numbers of four decimals, the same on every machine; an array is one line of a notebook's file."""
    return np.array([round(float(value), _DIGITS) for value in values])


def plain(text) -> str:
    """Return text from the lab book so that a chart shows it and never runs it."""
    return str(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
