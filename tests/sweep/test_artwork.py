"""Drawings: areas known in closed form, units, what is refused and how, and an independent renderer."""

import json
import math
import re
import struct
import time
import zlib

import numpy as np
import pytest
import shapely
import typst

from testburn.sweep import ArtworkError, artwork, svgshapes

PAGE = 'width="100mm" height="50mm" viewBox="0 0 100 50"'
STROKE = 'fill="none" stroke="black" stroke-width="2"'
# A pentagram drawn in one go, its points on a circle of radius 20 about (50, 25).
STAR = " L".join(f"{50 + 20 * math.sin(turn):.9f} {25 - 20 * math.cos(turn):.9f}"
                 for turn in (4 * math.pi * point / 5 for point in range(5)))
POINTS_MM2 = 10 * 20 ** 2 * math.sin(math.pi / 5) * math.sin(math.pi / 10) / (2 * math.sin(7 * math.pi / 10))
# The pentagon within has the radius 20 / φ².
WITHIN_MM2 = 2.5 * (20 / ((1 + math.sqrt(5)) / 2) ** 2) ** 2 * math.sin(2 * math.pi / 5)


@pytest.fixture
def drawn(tmp_path):
    """Read a drawing given what stands in it and its page."""
    def read(body, page=PAGE):
        file = tmp_path / "sign.svg"
        file.write_text('<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
                        f'{page}>{body}</svg>', encoding="utf-8")
        return artwork.read(file)
    return read


AREAS = {
    "rectangle": ('<rect x="5" y="5" width="20" height="10"/>', 200),
    "circle": ('<circle cx="20" cy="20" r="10"/>', math.pi * 100),
    "ellipse, turned": ('<ellipse rx="10" ry="4" transform="translate(30 20) rotate(33)"/>', math.pi * 40),
    "arc": ('<path d="M10 20a10 10 0 0 1 20 0z"/>', math.pi * 50),
    "parabola, quadratic": ('<path d="M10 40Q20 0 30 40z"/>', 2 / 3 * 20 * 20),
    "parabola, cubic": ('<path d="M10 40C16.6666667 13.3333333 23.3333333 13.3333333 30 40z"/>', 2 / 3 * 20 * 20),
    "polygon": ('<polygon points="0,0 10,0 10,10"/>', 50),
    "open path is closed to fill": ('<path d="M0 0h10v10"/>', 50),
    "ring, same direction, nonzero": ('<path d="M0 0h20v20h-20zM5 5h10v10h-10z"/>', 400),
    "ring, other direction, nonzero": ('<path d="M0 0h20v20h-20zM5 5v10h10v-10z"/>', 300),
    "ring, even-odd by the group's style":
        ('<g style="fill-rule:evenodd"><path d="M0 0h20v20h-20zM5 5h10v10h-10z"/></g>', 300),
    "ring, even-odd over itself": ('<g fill-rule="nonzero"><path fill-rule="evenodd" d="M0 0h20v20h-20zM5 5h10v10h-10z"/></g>', 300),
    "star, nonzero": (f'<path d="M{STAR}z"/>', POINTS_MM2),
    "star, even-odd": (f'<path fill-rule="evenodd" d="M{STAR}z"/>', POINTS_MM2 - WITHIN_MM2),
    "stroke, butt": (f'<path {STROKE} d="M10 10h20"/>', 40),
    "stroke, square": (f'<path {STROKE} stroke-linecap="square" d="M10 10h20"/>', 44),
    "stroke, round": (f'<path {STROKE} stroke-linecap="round" d="M10 10h20"/>', 40 + math.pi),
    "dot of a round cap": (f'<path {STROKE} stroke-linecap="round" d="M10 10z"/>', math.pi),
    "no dot of a butt cap": (f'<path {STROKE} d="M10 10z"/><rect width="1" height="1"/>', 1),
    "corner, miter": (f'<path {STROKE} d="M10 10h20v20"/>', 80),
    "corner, bevel": (f'<path {STROKE} stroke-linejoin="bevel" d="M10 10h20v20"/>', 79.5),
    "corner, round": (f'<path {STROKE} stroke-linejoin="round" d="M10 10h20v20"/>', 79 + math.pi / 4),
    "corner past the miter limit": (f'<path {STROKE} stroke-miterlimit="1.4" d="M10 10h20v20"/>', 79.5),
    "corner at the miter limit": (f'<path {STROKE} stroke-miterlimit="1.42" d="M10 10h20v20"/>', 80),
    "closed stroke": (f'<rect {STROKE} x="10" y="10" width="20" height="10"/>', 22 * 12 - 18 * 8),
    "stroke stretched one way": (f'<g transform="scale(2,1)"><path {STROKE} d="M10 5v20"/></g>', 80),
    "stroke in mm": ('<path fill="none" stroke="black" stroke-width="2mm" d="M10 10h20"/>', 20 * 2 * 96 / 25.4),
    "fill and stroke": ('<rect x="10" y="10" width="10" height="10" stroke="black" stroke-width="2"/>', 144),
    "nested transforms": ('<g transform="translate(10 10)"><g transform="rotate(90) scale(2)"><rect y="-5" width="3" height="5"/></g></g>', 60),
    "use": ('<defs><rect id="r" width="3" height="3"/></defs><use href="#r" x="5"/><use xlink:href="#r" transform="translate(20 20) scale(2)"/>', 45),
    "symbol, only where used": ('<symbol id="s"><rect width="3" height="3"/></symbol><use href="#s" x="5" width="9"/>', 9),
    "white cuts out": ('<rect width="20" height="20"/><rect x="5" y="5" width="10" height="10" fill="#fff"/><rect x="8" y="8" width="2" height="2"/>', 304),
    "white beneath cuts nothing": ('<rect width="100" height="50" fill="white"/><rect width="4" height="4"/>', 16),
    "grey burns like black": ('<rect width="4" height="4" fill="#999"/>', 16),
    "overlaps count once": ('<rect width="4" height="4"/><rect x="2" width="4" height="4"/>', 24),
    "not there": ('<rect width="5" height="5" visibility="hidden"/><g display="none"><text>a</text><rect width="5" height="5"/></g>'
                  '<rect width="5" height="5" opacity="0"/><rect width="5" height="5" fill-opacity="0%"/>'
                  '<rect width="5" height="5" fill="none"/><rect width="5" height="5" fill="transparent"/>'
                  '<rect height="5"/><rect x="9" width="1" height="1"/>', 1),
    "shown again in a hidden group": ('<g visibility="hidden"><rect width="5" height="5"/><rect width="2" height="2" visibility="visible"/></g>', 4),
    "inherited by name": ('<g fill="none"><rect x="5" y="5" width="5" height="5" fill="inherit" stroke="black"/></g>', 36 - 16),
    "style in capitals": ('<rect style="FILL:none" width="9" height="9"/><rect width="1" height="1"/>', 1),
    "rectangle, its size by style": ('<rect style="width:20px;height:10px"/>', 200),
    "used from a hidden group": ('<g display="none"><rect id="r" width="3" height="3"/><text/></g><g display="none"><use href="#r"/></g><rect width="1" height="1"/>', 1),
    "style block": ('<style>/* a */ .n{fill:none} rect.s,#t{stroke:#000}</style><rect class="n s" x="3" y="3" width="5" height="5"/>', 20),
}


TWO = '<rect width="10" height="10"/>'
# Two squares of 100 mm²; the second is to be left out, or to be burned.
STYLES = {
    "a block after the shapes": (TWO + '<rect class="n" x="20" width="10" height="10"/><style>.n{fill:none}</style>', 100),
    "two blocks, the later wins": ('<style>rect{fill:none}</style><style>rect{fill:#000}</style>' + TWO, 100),
    "important, alone": (TWO + '<rect style="fill:none !important" x="20" width="10" height="10"/>', 100),
    "important, before": (TWO + '<rect style="fill:none ! IMPORTANT;fill:#000" x="20" width="10" height="10"/>', 100),
    "important in a block over the shape's own":
        ('<style>.n{fill:none!important}</style>' + TWO + '<rect class="n" style="fill:#000" x="20" width="10" height="10"/>', 100),
    "the later rule, not the later name": ('<style>.a{fill:#000} .b{fill:none}</style>' + TWO + '<rect class="b a" x="20" width="10" height="10"/>', 100),
    "names parted by a line end": ('<style>.b{fill:none}</style>' + TWO + '<rect class="a\n b" x="20" width="10" height="10"/>', 100),
    "an id over a later class": ('<style>#k{fill:none} .c{fill:#000}</style>' + TWO + '<rect id="k" class="c" x="20" width="10" height="10"/>', 100),
    "a class over a later name": ('<style>.c{fill:none} rect,*{fill:#000}</style>' + TWO + '<rect class="c" x="20" width="10" height="10"/>', 100),
    "a name and class over a later class": ('<style>rect.c{fill:none} .c{fill:#000}</style>' + TWO + '<rect class="c" x="20" width="10" height="10"/>', 100),
    "a rule over the shape's attribute": ('<style>*{fill:none}</style><rect fill="#000" style="fill:#000" width="10" height="10"/><rect fill="#000" x="20" width="10" height="10"/>', 100),
    "as my parent, over the shape's attribute": (TWO + '<g fill="none"><rect fill="#000" style="fill:inherit" x="20" width="10" height="10"/></g>', 100),
    "hidden by a class, text and all": ('<style>.h{display:none}</style>' + TWO + '<g class="h"><text>a</text><rect x="20" width="10" height="10"/></g>', 100),
    "a rule of nothing here": ('<style>/* }{ */ .x{mask:url(#m)} .y{} /* open</style>' + TWO, 100),
    "a group of opacity 0, its child of 1": (TWO + '<g opacity="0"><rect opacity="1" x="20" width="10" height="10"/></g>', 100),
    "a group half clear": (TWO + '<g opacity=".5"><rect x="20" width="10" height="10"/></g>', 200),
    "a use of opacity 0": ('<rect id="r" opacity="1" width="10" height="10"/><use href="#r" x="20" opacity="0.0"/>', 100),
    "used out of a group of opacity 0": ('<g opacity="0"><rect id="r" width="10" height="10"/></g><use href="#r" x="20"/>', 100),
    "an id over a class, much smaller": ('<style>.k{fill:#000} #k{fill:none}</style><rect width="5" height="5"/><rect id="k" class="k" x="40" width="30" height="30"/>', 25),
}


@pytest.mark.parametrize(("body", "area_mm2"), STYLES.values(), ids=STYLES.keys())
def test_styles_fall_as_the_cascade_has_it(drawn, body, area_mm2):
    assert drawn(body).area_mm2 == pytest.approx(area_mm2)


def test_groups_of_opacity_0_are_said(drawn):
    art = drawn(TWO + STYLES["a group of opacity 0, its child of 1"][0] + '<g style="opacity:0%"><rect width="9" height="9"/></g>')
    assert art.remarks == ("2 group(s) of opacity 0 are left out, with all they hold.",)


@pytest.mark.parametrize(("body", "area_mm2"), AREAS.values(), ids=AREAS.keys())
def test_area(drawn, body, area_mm2):
    # Chords lie within 0.005 mm of a curve, so an area is off by at most that times its outline.
    art, curved = drawn(body), re.search(r"<circle|<ellipse|=.round|[aAQC][\d.]+ ", body)
    assert art.area_mm2 == pytest.approx(area_mm2, abs=0.005 * art.perimeter_mm if curved else 1e-6 * area_mm2)


@pytest.mark.parametrize(("size", "mm"), [
    ("1in", 25.4), ("25.4mm", 25.4), ("2.54cm", 25.4), ("101.6Q", 25.4), ("72pt", 25.4), ("6pc", 25.4),
    ("96px", 25.4), (" 1.5e1mm ", 15)])
def test_units_of_the_page(drawn, size, mm):
    # Source: CSS Values and Units Level 4, 6.2: 1in = 2.54cm = 25.4mm = 101.6Q = 72pt = 6pc = 96px.
    art = drawn('<rect width="5" height="10"/>', f'width="{size}" height="{size}" viewBox="0 0 10 10"')
    assert (art.width_mm, art.height_mm) == pytest.approx((mm, mm))
    assert art.bounds_mm == pytest.approx((0, 0, mm / 2, mm))
    assert art.remarks == ()


def test_a_size_without_a_unit_is_px_and_said(drawn):
    art = drawn('<rect width="48" height="96"/>', 'width="96" height="96"')
    assert art.bounds_mm == pytest.approx((0, 0, 12.7, 25.4))
    assert art.remarks == ("The size of sign.svg has no unit. Taken as px, 96 an inch, it is 25.4 × 25.4 mm.",)


@pytest.mark.parametrize(("how", "bounds_mm"), [
    # Source: SVG 2, 8.6: the default is xMidYMid meet.
    ("", (0, 25, 100, 75)), ('preserveAspectRatio="xMidYMid meet"', (0, 25, 100, 75)),
    ('preserveAspectRatio="xMinYMax meet"', (0, 50, 100, 100)), ('preserveAspectRatio="none"', (0, 0, 100, 100)),
    ('preserveAspectRatio="xMinYMid slice"', (0, 0, 100, 100))])
def test_viewbox_of_another_shape_than_the_page(drawn, how, bounds_mm):
    art = drawn('<rect x="10" y="20" width="200" height="100"/>',
                f'width="100mm" height="100mm" viewBox="10 20 200 100" {how}')
    assert art.bounds_mm == pytest.approx(bounds_mm, abs=1e-9)


def test_what_lies_off_the_page_is_left_out_and_said(drawn):
    art = drawn('<rect x="90" width="20" height="10"/>')
    assert art.area_mm2 == pytest.approx(100)
    assert art.words == ("sign.svg: 1 piece(s) on a page of 100 × 50 mm, 1.0 cm² burned within 10.0 × 10.0 mm. "
                         "1.00 cm² lie off the page and are left out.")


def test_pieces_are_connected_regions_with_holes_in_reading_order(drawn):
    art = drawn('<path fill-rule="evenodd" d="M30 20h20v20h-20zM35 25h10v10h-10z"/><rect x="38" y="28" width="2" height="2"/>'
                '<rect x="5" y="2" width="4" height="4"/><rect x="9" y="2" width="4" height="4"/>')
    assert art.table.round(3).to_dict("list") == {
        "piece": [1, 2, 3], "left_mm": [5, 30, 38], "top_mm": [2, 20, 28], "width_mm": [8, 20, 2],
        "height_mm": [4, 20, 2], "area_mm2": [32, 300, 4], "perimeter_mm": [24, 120, 8], "holes": [0, 1, 0]}
    assert art.perimeter_mm == pytest.approx(152)


NARROWEST = {
    "bar": ('<rect x="5" y="5" width="40" height="3"/>', 3),
    "bar, turned": ('<rect width="40" height=".7" transform="translate(9 9) rotate(17)"/>', 0.7),
    "square": ('<rect x="5" y="5" width="4" height="4"/>', 4),
    "disc": ('<circle cx="20" cy="20" r="5"/>', 10),
    "ring": (f'<circle cx="20" cy="20" r="8" {STROKE}/>', 2),
    "plus": ('<path d="M10 4h4v6h6v4h-6v6h-4v-6h-6v-4h6z"/>', 4),
    "letter of a thin and a thick bar": ('<path d="M5 5h2v18h10v3h-12z"/>', 2),
    "triangle: its largest disc": ('<path d="M5 5h40l-20 34.641z"/>', 40 / math.sqrt(3)),
    "right-angled wedge: its largest disc": ('<path d="M5 5h20v20z"/>', 20 * (2 - math.sqrt(2))),
    "comb: its thinnest tooth": ('<path d="M0 0h30v5h-2v10h-3v-10h-4v10h-1.2v-10h-5v12h-2v-12h-12.8z"/>', 1.2),
    "needle: no width at all": ('<path d="M5 5h40l-40 5z"/>', 0.05),
    "thin piece beside a thick one": ('<rect width="20" height="20"/><rect x="30" width="10" height=".5"/>', 0.5),
}


@pytest.mark.parametrize(("body", "width_mm"), NARROWEST.values(), ids=NARROWEST.keys())
def test_narrowest_stroke(drawn, body, width_mm):
    assert drawn(body).narrowest_stroke_mm == pytest.approx(width_mm, rel=0.02)


REFUSED = {
    "text": ('<text id="t1">Oak</text>',
             "sign.svg cannot be read as it is:\n- <text id=\"t1\"> is not read. Convert the text to outlines (paths) "
             "and save again."),
    "several": ('<image id="i"/><rect clip-path="url(#a)" id="r" width="3" height="4"/>'
                '<g style="filter : url(#d)"><rect width="1" height="2" style="mask:url(#m)"/></g>',
                'sign.svg cannot be read as it is:\n'
                '- <image id="i"> is not read. Trace the picture into filled shapes, or remove it.\n'
                '- <rect id="r"> has a clip-path, which is not read. Turn it into plain filled shapes and save again.\n'
                '- <g> has a filter, which is not read. Turn it into plain filled shapes and save again.\n'
                '- <rect> has a mask, which is not read. Turn it into plain filled shapes and save again.'),
    "more than eight": ("<text/>" * 11, "sign.svg cannot be read as it is:\n" + "- <text> is not read. Convert the text "
                        "to outlines (paths) and save again.\n" * 8 + "… and 3 more."),
    "dashes": ('<path id="p" stroke-dasharray="2 1" stroke="black" d="M0 0h9"/>',
               'sign.svg cannot be read as it is:\n- <path id="p"> has a stroke-dasharray, which is not read. Turn it '
               "into plain filled shapes and save again."),
    "drawing inside": ('<svg id="in"><rect width="5" height="5"/></svg>',
                       'sign.svg cannot be read as it is:\n- <svg id="in"> is a drawing inside the drawing, which is '
                       "not read. Ungroup it and save again."),
    "style of a place": ("<style>g > rect{fill:none}</style>",
                         "sign.svg cannot be read as it is:\n- a style block picks shapes by 'g > rect', which is not "
                         "read. Save as plain SVG, with the style on each shape."),
    "style of a screen": ("<style>@media print{rect{fill:none}}</style>",
                          "sign.svg cannot be read as it is:\n- a style block picks shapes by '@media print', which is "
                          "not read. Save as plain SVG, with the style on each shape."),
    "style left open": ("<style>rect{fill:none</style>",
                        "sign.svg cannot be read as it is:\n- a style block picks shapes by 'rect{fill:none', which is "
                        "not read. Save as plain SVG, with the style on each shape."),
    "mask by a style block": ('<rect class="m" width="5" height="5"/><style>.m{mask:url(#m)}</style>',
                              "sign.svg cannot be read as it is:\n- <rect> has a mask, which is not read. Turn it into "
                              "plain filled shapes and save again."),
    "text used from a hidden group": ('<g display="none"><text id="t">Oak</text></g><use href="#t"/>',
                                      'sign.svg cannot be read as it is:\n- <text id="t"> is not read. Convert the text to '
                                      "outlines (paths) and save again."),
    "the drawing itself of opacity 0": ('<style>svg{opacity:0}</style><rect width="5" height="5"/>',
                                        "sign.svg burns nothing: no shape on its page has any paint but white. Fill the "
                                        "shapes that are to be burned."),
    "style for very many shapes": (
        "<style>*{fill:#000;" + "font:x;" * 1000 + "}</style>" + '<rect width="1" height="1"/>' * 4000,
        "sign.svg has style blocks that unfold into more than 20 MB. Save it as plain SVG, with the style on each shape."),
    "gradient": ('<rect id="q" width="5" height="5" fill="url(#g)"/>',
                 'sign.svg: The rect "q" has a fill of url(#g): a gradient or pattern. Give it a plain colour; one '
                 "board gets one depth."),
    "endless": ('<path id="p" d="M0 0L1e999 5 0 9z"/>',
                'sign.svg: The path "p" has a coordinate that is no number, or too large for one. Draw it again.'),
    "not a number": ('<path id="p" d="M0 0 L nan 5 z"/>',
                     "sign.svg holds a shape that cannot be read. Save it again as plain SVG."),
    "astronomical": ('<circle r="1e12"/>',
                     "sign.svg: The circle has a coordinate that is no number, or too large for one. Draw it again."),
    "empty": ("", "sign.svg burns nothing: no shape on its page has any paint but white. Fill the shapes that are to "
              "be burned."),
    "white": ('<rect width="5" height="5" fill="#fff"/>',
              "sign.svg burns nothing: no shape on its page has any paint but white. Fill the shapes that are to be "
              "burned."),
    "uses that double 30 times": (
        '<g id="g0"><rect width="1" height="1"/></g>' + "".join(
            f'<g id="g{n}"><use href="#g{n - 1}"/><use href="#g{n - 1}"/></g>' for n in range(1, 30)),
        "sign.svg unfolds into more than 20000 shapes or 20 MB. Unlink its copies, join its shapes and save again."),
    "a use of itself": ('<g id="a"><use href="#a"/></g>',
                        "sign.svg: a <use> shows itself, or uses lie more than 100 deep. Unlink the copies and save again."),
    "a scribble": ('<path id="p" d="M' + " ".join(f"{n * 37 % 100} {n * n * 11 % 50}" for n in range(1500)) + '"/>',
                   'sign.svg: The path "p" crosses itself more than 50000 times. Join its shapes or simplify it, and '
                   "save again."),
    "many points, many times": (
        '<defs><path id="p" d="M' + " ".join(f"{n % 1000 / 100:g} {n // 1000 + n % 2 / 9:g}" for n in range(20000))
        + '"/></defs>' + '<use href="#p"/>' * 2000,
        "sign.svg unfolds into more than 20000 shapes or 20 MB. Unlink its copies, join its shapes and save again."),
    "deep": ("<g>" * 150 + "</g>" * 150, "sign.svg holds more than 20000 elements, or groups more than 100 deep. Join its "
             "shapes and save again."),
    "broken": ("<rect", "sign.svg is no sound SVG file: not well-formed (invalid token): line 1, column 137. Save it "
               "again as plain SVG."),
}


@pytest.mark.parametrize(("body", "message"), REFUSED.values(), ids=REFUSED.keys())
def test_what_cannot_be_honoured_is_refused(drawn, body, message):
    started = time.perf_counter()
    with pytest.raises(ArtworkError) as refused:
        drawn(body)
    assert str(refused.value) == message
    assert time.perf_counter() - started < 20


def test_more_points_than_can_be_joined_are_refused(drawn, monkeypatch):
    monkeypatch.setattr(svgshapes, "_MOST_POINTS", 200)
    with pytest.raises(ArtworkError, match=r"^sign\.svg: The drawing has more than 200 points\. Simplify it and save again\.$"):
        drawn('<rect width="1" height="1"/>' * 60)


@pytest.mark.parametrize(("page", "message"), [
    ('viewBox="0 0 10 10"', "sign.svg does not say how large it is (width × height: none × none). Save it with a width "
     "and height in mm."),
    ('width="100%" height="5mm"', "sign.svg does not say how large it is (width × height: 100% × 5mm). Save it with a "
     "width and height in mm."),
    ('width="3000mm" height="20mm"', "sign.svg is 3000 × 20 mm. A page above 0 and up to 2000 mm each way can be read; "
     "save it at the size of the sign."),
    ('width="0mm" height="20mm"', "sign.svg is 0 × 20 mm. A page above 0 and up to 2000 mm each way can be read; save it "
     "at the size of the sign.")])
def test_a_page_without_a_usable_size_is_refused(drawn, page, message):
    with pytest.raises(ArtworkError) as refused:
        drawn('<rect width="5" height="5"/>', page)
    assert str(refused.value) == message


@pytest.mark.parametrize(("content", "message"), [
    ("", "sign.svg is no sound SVG file: no element found: line 1, column 0. Save it again as plain SVG."),
    ("<html/>", "sign.svg is no SVG drawing: it begins with <html>. Save it as plain SVG."),
    ('<!DOCTYPE svg [<!ENTITY a "b">]><svg>&a;</svg>', "sign.svg defines XML entities, which are not read. Save it as "
     "plain SVG.")])
def test_a_file_that_is_no_drawing_is_refused(tmp_path, content, message):
    (tmp_path / "sign.svg").write_text(content, encoding="utf-8")
    with pytest.raises(ArtworkError) as refused:
        artwork.read(tmp_path / "sign.svg")
    assert str(refused.value) == message


def test_a_missing_file_is_said(tmp_path):
    with pytest.raises(ArtworkError, match=r"^sign\.svg: the file cannot be read: No such file or directory\. Close it"):
        artwork.read(tmp_path / "sign.svg")


def test_the_picture_carries_no_text_of_the_file(drawn):
    art = drawn('<title>&lt;script&gt;alert(1)&lt;/script&gt;</title><rect id="&lt;b&gt;" width="5" height="5"/>')
    assert re.fullmatch(r"<svg [^<>]*>(<path d=\"[MLz0-9. ]+\"/>)+</svg>", art._repr_html_())


ODD = """
<style>.w{fill:#fff} circle.k{fill:none;stroke:#333;stroke-width:3}</style>
<defs><g id="leaf"><path d="M0 0C5-10 20-10 25 0S5 10 0 0z"/><path class="w" d="M5 0q8 -4 15 0t-15 0"/></g></defs>
<g transform="translate(5 12) rotate(15) skewX(10)"><use xlink:href="#leaf"/><use href="#leaf" x="28" y="2" transform="scale(1 1.5)"/></g>
<circle class="k" cx="75" cy="14" r="9"/>
<path d="M5 28l12 17h-12l12-17" fill="none" stroke="black" stroke-width="4" stroke-linejoin="bevel"/>
<path d="M25 28l12 17h-12l12-17z" fill="none" stroke="black" stroke-width="3" stroke-linecap="square"/>
<path d="M45 28l15 4l-15 4M45 42l15 1.6l-15 1.6" fill="none" stroke="black" stroke-width="2"/>
<g transform="translate(78 30) scale(1.5 .6) rotate(30)" stroke="#000" stroke-width="2" fill="none" stroke-linejoin="round" stroke-linecap="round"><path d="M0 0h10v10c-4 4 -10 4 -10 -4"/></g>
<path fill-rule="evenodd" d="M92 4l4 14l-11 -9h14l-11 9z"/>
<rect x="86" y="38" width="12" height="9" rx="3" ry="4" fill="none" stroke="#00f" stroke-width="1.5"/>
"""


def grey(png: bytes) -> np.ndarray:
    """Return a PNG of 8-bit colour as brightness from 0 to 1 (W3C PNG, 9: the five filters)."""
    width, height, _, kind = struct.unpack(">IIBB", png[16:26])
    step, at, packed = {2: 3, 6: 4, 0: 1}[kind], 8, b""
    while at < len(png):
        length = struct.unpack(">I", png[at:at + 4])[0]
        packed += png[at + 8:at + 8 + length] * (png[at + 4:at + 8] == b"IDAT")
        at += 12 + length
    raw, rows = zlib.decompress(packed), [bytearray(width * step + step)]
    for y in range(height):
        filt, line = raw[y * (width * step + 1)], bytearray(step) + raw[y * (width * step + 1) + 1:(y + 1) * (width * step + 1)]
        above = rows[-1]
        for x in range(step, len(line)):
            left, up, corner = line[x - step], above[x], above[x - step]
            guess = left + up - corner
            near = min((abs(guess - left), 0, left), (abs(guess - up), 1, up), (abs(guess - corner), 2, corner))[2]
            line[x] = (line[x] + (0, left, up, (left + up) // 2, near)[filt]) & 255
        rows.append(line)
    return np.array([row[step:] for row in rows[1:]]).reshape(height, width, step)[:, :, :3].mean(axis=2) / 255


@pytest.mark.parametrize("body", [ODD, *(body for body, _ in STYLES.values())], ids=["odd", *STYLES])
def test_another_renderer_paints_the_same(drawn, tmp_path, body):
    # typst draws an SVG with its own reader; half a pixel beside an outline it must paint what burns.
    art, per_mm = drawn(body), 4
    page = f"#set page(width: 100mm, height: 50mm, margin: 0mm)\n#image({json.dumps('sign.svg')}, width: 100mm)"
    png = typst.compile(page.encode(), root=tmp_path, format="png", ppi=25.4 * per_mm)
    bright = grey(png[0] if isinstance(png, list) else png)
    y, x = (np.indices(bright.shape) + 0.5) / per_mm
    region = shapely.union_all(art.pieces)
    points = shapely.points(x, y)
    inside, away = shapely.contains(region, points), shapely.distance(region.boundary, points) > 0.75 / per_mm
    assert away.mean() > 0.5 and inside[away].sum() > 300
    np.testing.assert_array_equal(bright[away] < 0.7, inside[away])
