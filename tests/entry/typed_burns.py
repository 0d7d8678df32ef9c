"""Burns as a maker types them, and the form that holds one: what the tests of the forms share."""

import errno
import os

import ipywidgets as widgets

from testburn import labbook
from testburn.entry import burnform, draft

HEADER = {
    "burn": "oak-01", "burned_on": "2024-03-14", "species": "black cherry", "board": "C1",
    "module_w": "20", "wavelength_nm": "450", "power_pct": "90", "passes": "1",
    "line_spacing": "0.05", "line_spacing_unit": "mm", "depth_unit": "mm",
    "gauge_step": "0.01",
}
ROWS = [{"swatch": "1", "speed": "150", "depths": ["0.66", "0.67", "0.71"]},
        {"swatch": "2", "speed": "300", "depths": ["0.31", "0.30", ""]}]


def form_for(book, rows=ROWS, scratch=False, **header):
    return burnform.entry(book, {**HEADER, **header, "swatches": rows}, scratch)


def saved(book, burn="oak-01"):
    return labbook.read(book / "burns" / f"{burn}.csv")


def full_disk(monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device", ".x.part")
    monkeypatch.setattr(os, "fsync", full)


def all_boxes(widget):
    for child in getattr(widget, "children", ()):
        yield child
        yield from all_boxes(child)


def drafts(book):
    return draft.unfinished(book)["draft"].tolist()


def buttons(widget):
    return {box.description: box for box in all_boxes(widget) if isinstance(box, widgets.Button)}
