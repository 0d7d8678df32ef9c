"""Drawings: areas known in closed form, what a browser shows, units, what is refused and how, and what is said."""

import csv
import io
import math
import re
import time
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from testburn.sweep import ArtworkError, artwork, picture, svgfile

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
    def read(body, page=PAGE, **more):
        file = tmp_path / "sign.svg"
        file.write_text(body if body.startswith("<?xml") else
                        '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
                        f'{page}>{body}</svg>', encoding="utf-8")
        return artwork.read(file, **more)
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
    "hidden by a class": ('<style>.h{display:none}</style>' + TWO + '<g class="h"><rect x="20" width="10" height="10"/></g>', 100),
    "a rule of nothing here": ('<style>/* }{ */ .x{mask:url(#m)} .y{} /* open</style>' + TWO, 100),
    "a group of opacity 0, its child of 1": (TWO + '<g opacity="0"><rect opacity="1" x="20" width="10" height="10"/></g>', 100),
    "a group half clear": (TWO + '<g opacity=".5"><rect x="20" width="10" height="10"/></g>', 200),
    "a use of opacity 0": ('<rect id="r" opacity="1" width="10" height="10"/><use href="#r" x="20" opacity="0.0"/>', 100),
    "used out of a group of opacity 0": ('<g opacity="0"><rect id="r" width="10" height="10"/></g><use href="#r" x="20"/>', 100),
    "an id over a class, much smaller": ('<style>.k{fill:#000} #k{fill:none}</style><rect width="5" height="5"/><rect id="k" class="k" x="40" width="30" height="30"/>', 25),
}

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

@pytest.fixture
def coarsely(monkeypatch):
    """Look at small pages as coarsely as at those of 300 × 180 mm: quicker, and the tables are long."""
    monkeypatch.setattr(picture, "FEW_PX", 1)


def rim(art):
    """An area is right to a hundredth of a mm along the outline, and to a pixel at corners."""
    return 0.01 * art.perimeter_mm + 0.02


@pytest.mark.parametrize(("body", "area_mm2"), [*AREAS.values(), *STYLES.values()], ids=[*AREAS, *STYLES])
def test_area(drawn, coarsely, body, area_mm2):
    art = drawn(body)
    assert art.area_mm2 == pytest.approx(area_mm2, abs=rim(art))


def browser_cases():
    with (Path(__file__).parents[1] / "reference" / "svg_areas.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


DTD = """<?xml version="1.0"?><!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://www.w3.org/Graphics/SVG/1.1/DTD/svg11.dtd" [
<!ENTITY ns_svg "http://www.w3.org/2000/svg"><!ENTITY st0 "fill:none">]><svg xmlns="&ns_svg;" """


@pytest.mark.parametrize("case", browser_cases(), ids=lambda case: case["what"])
def test_what_burns_is_what_a_browser_shows(drawn, coarsely, case):
    # Source: Chromium 150, measured once (tests/reference/README.md). What is not read is refused, never guessed.
    page = case["page"] or PAGE
    body = case["body"] if page != "DTD" else f"{DTD}{PAGE}>{case['body']}</svg>"
    if case["said"] == "burns":
        art = drawn(body, page)
        assert art.area_mm2 == pytest.approx(float(case["area_mm2"]), rel=0.03, abs=1.5)
    else:
        with pytest.raises(ArtworkError, match=re.escape(case["said"])):
            drawn(body, page)


@pytest.mark.parametrize(("size", "mm"), [
    ("1in", 25.4), ("25.4mm", 25.4), ("2.54cm", 25.4), ("72pt", 25.4), ("6pc", 25.4), (" 1.5e1mm ", 15), ("2MM", 2)])
def test_units_of_the_page(drawn, size, mm):
    # Source: CSS Values and Units Level 4, 6.2: 1in = 2.54cm = 25.4mm = 72pt = 6pc = 96px.
    art = drawn('<rect width="5" height="10"/>', f'width="{size}" height="{size}" viewBox="0 0 10 10"')
    assert (art.width_mm, art.height_mm) == pytest.approx((mm, mm))
    assert art.bounds_mm == pytest.approx((0, 0, mm / 2, mm), abs=0.02)
    assert art.remarks == ()


PX = ("The size of sign.svg is in px. At 96 to the inch it is 25.4 × 12.7 mm; at 72 to the inch 33.87 × 16.93 mm. Which? The "
      "first is taken; to be sure, say how wide it is on the sign.")


@pytest.mark.parametrize("page", [
    'width="96" height="48"', 'width="96px" height="48"', 'style="width:96px;height:48px"', 'viewBox="0 0 96 48"',
    'width="100%" height="100%" viewBox="0 0 96 48"', 'width="96" viewBox="0 0 192 96"', 'height="48px" viewBox="0,0,192,96"'])
def test_a_size_in_px_is_said(drawn, page):
    art = drawn('<rect width="50%" height="100%"/>', page)
    assert art.bounds_mm == pytest.approx((0, 0, 12.7, 12.7), abs=0.02)
    assert art.remarks == (PX,)


@pytest.mark.parametrize(("page", "own"), [
    ('width="96" height="48"', "25.4 × 12.7"), ('width="3000mm" height="1500mm"', "3000 × 1500"), ('viewBox="0 0 10 5"', "2.646 × 1.323"),
    ('width="100mm" height="50mm" viewBox="5 5 10 5"', "100 × 50"), ('width="1e3" viewBox="0 0 300 150"', "264.6 × 132.3"),
    ('style="width:2in;height:1in"', "50.8 × 25.4")])
def test_what_is_drawn_grows_with_the_width_that_is_said(drawn, tmp_path, page, own):
    """By hand: the left half of the page's upper half. What is kept of the file is as large, for whoever reads it again."""
    art = drawn('<rect width="50%" height="50%"/>' if "5 5" not in page else '<rect x="5" y="5" width="5" height="2.5"/>', page, width_mm=60)
    assert (art.width_mm, art.height_mm) == (60, 30) and art.remarks == (
        f"sign.svg counts as 60 × 30 mm, as the order says; by its file it is {own} mm. Burn it at the size it counts as.",)
    (tmp_path / "again.svg").write_bytes(art.content)
    again = artwork.read(tmp_path / "again.svg")
    assert (again.width_mm, again.height_mm, again.remarks) == (60, 30, ()) and again.area_mm2 == pytest.approx(art.area_mm2, rel=1e-6)
    assert art.bounds_mm == pytest.approx((0, 0, 30, 15), abs=0.05) and art.area_mm2 == pytest.approx(450, rel=0.003)


def test_strokes_and_letters_of_no_unit_grow_with_the_width(drawn):
    """A frame of 1 px on a page of 96 × 96 px, 192 mm wide then: 2 mm; an em is 16 px."""
    art = drawn('<rect x="10" y="10" width="2em" height="32" fill="none" stroke="#000" stroke-width="1"/>', 'width="96" height="96"', width_mm=192)
    assert art.bounds_mm == pytest.approx((19, 19, 85, 85), abs=0.05) and art.narrowest_stroke_mm == pytest.approx(2, abs=0.06)


def test_a_drawing_without_any_size_stays_refused_and_one_of_another_width_is_not_recalled(drawn):
    with pytest.raises(ArtworkError, match="does not say how large it is"):
        drawn('<rect width="5" height="5"/>', "", width_mm=60)
    assert [drawn('<rect width="5mm" height="5mm"/>', 'width="10mm" height="10mm"', width_mm=wide).area_mm2 for wide in (None, 20, 40)] == pytest.approx(
        [25, 100, 400], rel=0.01)


@pytest.mark.parametrize(("how", "bounds_mm"), [
    # Source: SVG 2, 8.6: the default is xMidYMid meet.
    ("", (0, 25, 100, 75)), ('preserveAspectRatio="xMidYMid meet"', (0, 25, 100, 75)),
    ('preserveAspectRatio="xMinYMax meet"', (0, 50, 100, 100)), ('preserveAspectRatio="none"', (0, 0, 100, 100)),
    ('preserveAspectRatio="xMinYMid slice"', (0, 0, 100, 100))])
def test_viewbox_of_another_shape_than_the_page(drawn, how, bounds_mm):
    art = drawn('<rect x="10" y="20" width="200" height="100"/>',
                f'width="100mm" height="100mm" viewBox="10 20 200 100" {how}')
    assert art.bounds_mm == pytest.approx(bounds_mm, abs=0.02)


SAID = {
    "off the page": ('<rect x="90" width="20" height="10"/>', ("About 0.8 cm² lie off the page and are left out.",)),
    "nearly white": ('<rect width="10" height="10"/><rect x="20" y="5" width="20" height="20" fill="#fafafa"/>',
                     ("About 4 cm² of nearly white paint, from 20 to 40 mm across and 5 to 25 mm down, burn as deep as black. Make "
                      "white what is not to burn.",)),
    "too pale": ('<rect width="10" height="10"/><rect x="20" y="5" width="20" height="20" fill="#fdfdfd"/>',
                 ("About 4 cm² of paint so pale that it counts as white, from 20 to 40 mm across and 5 to 25 mm down, do not burn.",)),
    "shade": ('<rect width="10" height="10" fill="#ccc"/>',
              ("About 1 cm² of paint paler than half black, from 0 to 10 mm across and 0 to 10 mm down, burn as deep as black. Make "
               "white what is not to burn.",)),
    "see-through": ('<rect width="10" height="10" opacity=".8"/>', ("See-through shapes burn whole, as deep as any other.",)),
    "gradient": ('<linearGradient id="g"><stop stop-color="#000"/></linearGradient><rect width="10" height="10" fill="url(#g)"/>',
                 ("Gradients burn whole, as deep as any other.",)),
    "colours side by side": ('<rect width="60" height="40" fill="#fc0"/><path d="M10 20h20v-10l20 15-20 15v-10h-20z"/>',
                             ("Colours and shades that lie side by side burn as one: what is drawn within a burned shape does not show.",)),
    "pattern": ('<pattern id="p" width="6" height="6" patternUnits="userSpaceOnUse"><rect width="3" height="6"/></pattern>'
                '<rect width="60" height="40" fill="url(#p)"/>',
                ("Patterns come out coarsely: fine ones may run together. Turn them into shapes.",)),
    "moving": ('<rect width="10" height="10"><set attributeName="fill" to="#fff"/></rect>',
               ("The drawing moves: it burns as it is drawn, before it moves.",)),
    "whole page": ('<rect width="100" height="50" fill="#060"/>',
                   ("The whole page burns. If that is a ground behind the drawing, make it white or take it away.",)),
    "cut line": ('<rect x="1" y="1" width="98" height="48" fill="none" stroke="red" stroke-width=".05"/><rect x="9" y="9" width="10" height="10"/>',
                 ("1 outline 0.05 mm wide is taken for a cut line and not engraved.",)),
}


@pytest.mark.parametrize(("body", "remarks"), SAID.values(), ids=SAID.keys())
def test_what_a_board_cannot_show_is_said(drawn, body, remarks):
    art = drawn(body)
    assert art.remarks == remarks
    assert all(remark in art.words for remark in remarks)


@pytest.mark.parametrize(("turn", "said"), [("rotate(45)", True), ("scale(-1 1)", True), ("matrix(1 0 0 1 9 9)", False), ("scale(.5)", False)])
def test_a_blurred_shape_that_is_turned_is_said(drawn, turn, said):
    art = drawn('<filter id="f"><feGaussianBlur stdDeviation="1"/></filter><g transform="translate(50 10)">'
                f'<rect width="20" height="20" filter="url(#f)" transform="{turn}"/></g>')
    assert ("Blurred shapes that are turned may end otherwise than in a browser: compare the two pictures." in art.remarks) == said


def test_what_is_paler_than_asked_is_left_out(drawn):
    two = '<rect width="10" height="10"/><rect x="20" width="10" height="10" fill="#ccc"/>'
    assert (drawn(two).area_mm2, drawn(two, paler_than=60).area_mm2) == pytest.approx((200, 100), abs=0.5)


def test_a_cut_line_is_left_out_of_everything(drawn):
    art = drawn(SAID["cut line"][0])
    assert (len(art.pieces), art.area_mm2, art.narrowest_stroke_mm) == pytest.approx((1, 100, 10), rel=0.01)
    three = drawn("".join(f'<rect x="{x}" y="5" width="{wide}" height="9"/>' for x, wide in ((5, 9), (20, 0.05), (30, 9))))
    assert three.without(2).area_mm2 == pytest.approx(162, abs=0.5)
    assert three.without(2).remarks == ("1 outline 0.05 mm wide is taken for a cut line and not engraved.",)
    with pytest.raises(ArtworkError, match=r"^sign\.svg has no shape 4\. Its shapes are 1 to 3\.$"):
        three.without(4)
    with pytest.raises(ArtworkError, match=r"^sign\.svg burns nothing but cut lines\. Leave a piece to be engraved\.$"):
        three.without(1, 2, 3)


THREE = "".join(f'<rect x="{x}" y="5" width="{wide}" height="9"/>' for x, wide in ((5, 9), (20, 0.05), (30, 9)))


@pytest.mark.parametrize("hair_mm", [0.01, 0.02, 0.05])
def test_a_hairline_around_everything_leaves_no_speck_behind(drawn, hair_mm):
    """At its corners a line far thinner than a pixel can leave a dot of its own, which no beam could burn."""
    art = drawn(f'<rect x="20" y="15" width="30" height="9"/><rect x="2.94" y="1.06" width="90.01" height="40.02" fill="none" stroke="#000" '
                f'stroke-width="{hair_mm}"/>')
    assert len(art.pieces) == 1 and art.area_mm2 == pytest.approx(270, rel=0.01) and art.narrowest_stroke_mm > 8
    assert "taken for" in art.remarks[-1] and "not engraved." in art.remarks[-1]


def test_hairlines_that_are_the_drawing_are_no_cut_line(drawn):
    """A frame in parts is one where no other hairline is drawn: rays that reach all ends are what is to be seen."""
    rays = "".join(f'<path d="M{x} {y}L{80 - x} {46 - y}" stroke="#000" stroke-width=".05"/>' for x, y in ((2, 2), (2, 44), (2, 23), (40, 2), (20, 5)))
    assert drawn('<rect x="36" y="20" width="9" height="9"/>' + rays).left_out == 0


def test_a_speck_alone_burns_and_beside_more_is_left_out_and_said(drawn):
    speck = '<rect x="60" y="30" width=".06" height=".06"/>'
    assert len(drawn(speck).pieces) == 1
    art = drawn(f'<rect x="20" y="15" width="30" height="9"/>{speck}')
    assert len(art.pieces) == 1 and art.remarks == ("1 speck smaller than 0.1 mm left out.",)


def test_a_piece_is_left_out_by_a_place_in_it(drawn):
    art = drawn(THREE)
    assert art.hair_words == ("1 outline thinner than 0.1 mm burns like all else. To cut along it, not to engrave, type 20.02 13.98 "
                              "into the order's box Left out at.") and art.hair_words in art.words
    for place in [(20.02, 13.98), (19.9, 7), (20, 4.9)]:  # any place in it will do, or a little beside it
        kept = art.without_places(place)
        assert (kept.area_mm2, kept.left_out, kept.hair_words) == (pytest.approx(162, abs=0.5), 1, "")
        assert kept.remarks == ("1 outline 0.05 mm wide is taken for a cut line and not engraved.",)
        assert kept.marks_mm[-1] == pytest.approx((20, 5, 20.05, 14), abs=0.03)
    assert art.without_places((20, 9), (33, 9)).table["left_mm"].tolist() == pytest.approx([5], abs=0.02)
    with pytest.raises(ArtworkError) as refused:
        art.without_places((20, 9), (26, 9))
    assert str(refused.value) == (
        "sign.svg burns nothing at 26 9, so no piece can be left out there. The nearest piece lies at 34.5 13.98. "
        "Correct the order's box Left out at (left_out_mm), or take the place out of it.")


@pytest.mark.parametrize("body", [
    '<rect x="20" y="10" width="30" height="20" opacity=".8"/>',
    '<g style="fill-opacity:.5"><rect x="20" y="10" width="30" height="20"/></g>',
    '<linearGradient id="g"><stop stop-color="#000"/><stop offset="1" stop-color="#222"/></linearGradient>'
    '<rect x="20" y="10" width="30" height="20" fill="url(#g)"/>',
    '<rect x="20" y="10" width="30" height="20" fill="#fafafa"/>'], ids=["opacity", "of the fill", "gradient", "nearly white"])
def test_the_place_of_a_remark_is_marked(drawn, body):
    art = drawn(body + '<rect x="2" y="2" width="5" height="5"/>')
    assert art.remarks and art.marks_mm[0] == pytest.approx((20, 10, 50, 30), abs=0.3)
    assert '<rect x="20.00" y="10.00" width="30.00" height="20.00"' in art._repr_html_()


def test_a_gradient_or_opacity_that_shows_nowhere_is_not_remarked(drawn):
    art = drawn('<linearGradient id="g"><stop stop-color="#000"/></linearGradient><rect width="5" height="5" opacity="0"/>'
                '<rect x="9" width="5" height="5" opacity="1"/>')
    assert (art.remarks, art.marks_mm) == ((), ())


def test_pieces_are_connected_regions_with_holes_in_reading_order(drawn):
    art = drawn('<path fill-rule="evenodd" d="M30 20h20v20h-20zM35 25h10v10h-10z"/><rect x="38" y="28" width="2" height="2"/>'
                '<rect x="5" y="2" width="4" height="4"/><rect x="9" y="2" width="4" height="4"/>')
    assert art.table.round(3).drop(columns="perimeter_mm").to_dict("list") == {
        "piece": [1, 2, 3], "x_mm": [9, 40, 39], "y_mm": [5.98, 39.98, 29.98], "left_mm": [5, 30, 38], "top_mm": [2, 20, 28], "width_mm": [8, 20, 2],
        "height_mm": [4, 20, 2], "area_mm2": [32, 300, 4], "holes": [0, 1, 0]}
    assert art.table["perimeter_mm"].to_numpy() == pytest.approx([24, 120, 8], rel=0.02)
    assert art.pieces["goes_round"].tolist() == [False, True, False]


@pytest.mark.parametrize(("body", "pieces", "round"), [
    ('<path d="M0 0h30v30h-3v-27h-24v27h-3z"/><rect x="10" y="10" width="5" height="5"/>', 2, 0),
    ('<path fill-rule="evenodd" d="M0 0h40v40h-40zM2 2h36v36h-36z"/><path fill-rule="evenodd" d="M5 5h20v20h-20zM7 7h16v16h-16z"/>'
     '<circle cx="15" cy="15" r="2"/>', 3, 2),
    ('<rect width="5" height="5"/><rect x="5" y="5" width="5" height="5"/>', 2, 0)],
    ids=["a piece open below goes round nothing", "rings in rings", "corners that touch"])
def test_what_hangs_together_and_what_goes_round(drawn, body, pieces, round):
    art = drawn(body)
    assert (len(art.pieces), art.pieces["goes_round"].sum()) == (pieces, round)


@pytest.mark.parametrize("degrees", range(0, 50, 7))
def test_outlines_are_as_long_as_they_are(drawn, degrees):
    art = drawn(f'<rect x="-10" y="-10" width="20" height="20" transform="translate(30 25) rotate({degrees})"/>')
    assert art.perimeter_mm == pytest.approx(80, rel=0.02)
    assert drawn(f'<circle cx="{20 + degrees / 99}" cy="25" r="10"/>').perimeter_mm == pytest.approx(20 * math.pi, rel=0.02)


@pytest.mark.parametrize(("body", "width_mm"), NARROWEST.values(), ids=NARROWEST.keys())
def test_narrowest_stroke(drawn, body, width_mm):
    assert drawn(body).narrowest_stroke_mm == pytest.approx(width_mm, rel=0.03, abs=0.02)


def test_where_the_narrowest_stroke_is(drawn):
    art = drawn('<rect x="10" y="5" width="30" height="8"/><rect x="60" y="30" width="20" height="1.5"/>')
    x, y = art.narrow_place_mm
    assert 60 < x < 80 and y == pytest.approx(30.75, abs=0.1)
    assert art.stroke_words.startswith(f"Its narrowest stroke is 1.5 mm wide, at {x:.0f} 31.")
    assert drawn('<rect width="30" height="20"/>').stroke_words.startswith("It has no long stroke narrower than 10 mm.")


@pytest.mark.parametrize("degrees", [0, 20, 33, 45, 60])
def test_a_thin_line_that_leans_hangs_together(drawn, coarsely, degrees):
    # As thin as a pixel of a page of 300 mm: its pixels meet at corners only.
    art = drawn(f'<path stroke="black" stroke-width=".1" transform="rotate({degrees} 50 25)" d="M30 25h40"/>'
                '<ellipse cx="50" cy="25" rx="40" ry="20" fill="none" stroke="black" stroke-width=".12"/>')
    assert len(art.pieces) == 2 and art.pieces["holes"].sum() == 1


@pytest.mark.parametrize(("page_mm", "px_mm"), [((20, 20), 20), ((300, 180), 10), ((600, 400), 10), ((2000, 2000), 2.449)])
def test_how_finely_a_page_is_looked_at(page_mm, px_mm):
    assert picture.px_per_mm(*page_mm) == pytest.approx(px_mm, abs=1e-3)

NOTHING = ("sign.svg burns nothing: no shape on its page has any paint but white. Fill the shapes that are to be burned.")
FONTS = "Fonts differ from one computer to the next: convert the text to outlines (paths) and save again."
UNFOLDS = "sign.svg unfolds into more than 100000 shapes or 20 MB. Unlink its copies, join its shapes and save again."
TRACE, PLAIN = "Trace the picture into filled shapes, or remove it.", "Turn it into plain filled shapes and save again."
ODD = "sign.svg cannot be read as it is:\n- "
REFUSED = {
    "text": ('<text id="t1">Oak</text>', f'{ODD}<text id="t1"> is not read. {FONTS}'),
    "several": ('<image id="i"/><foreignObject/><rect vector-effect="non-scaling-stroke"/>',
                f"{ODD}a vector-effect of 'non-scaling-stroke' is not read. Write it plainly: #000 or #fff, mm or px, and transforms "
                f'applied to the shapes.\n- <image id="i"> is not read. {TRACE}\n- <foreignObject> is not read. {PLAIN}'),
    "more than eight": ("".join(f'<text id="{n}">a</text>' for n in range(11)), ODD + "\n- ".join(
        f'<text id="{n}"> is not read. {FONTS}' for n in range(8)) + "\n… and 3 more."),
    "text used from a hidden group": ('<g display="none"><text id="t">Oak</text></g><use href="#t"/>',
                                      f'{ODD}<text id="t"> is not read. {FONTS}'),
    "text in a pattern": ('<style>rect{fill:url(#p)}</style><pattern id="p"><text>a</text></pattern><rect width="9" height="9"/>',
                          f"{ODD}<text> is not read. {FONTS}"),
    "picture in a filter": ('<filter id="f"><feImage href="a.png"/></filter><rect filter="url(#f)" width="9" height="9"/>',
                            f"{ODD}<feImage> is not read. {TRACE}"),
    "light on a surface": ('<filter id="f"><feDiffuseLighting><feDistantLight/></feDiffuseLighting></filter>'
                           '<rect filter="url(#f)" width="9" height="9"/>', f"{ODD}<feDiffuseLighting> is not read. {PLAIN}"),
    "what lies in another file": ('<use href="other.svg#a"/>',
                                  f"{ODD}<use> shows what lies in another file. Paste it into the drawing."),
    "the drawing itself of opacity 0": ('<style>svg{opacity:0}</style><rect width="5" height="5"/>', NOTHING),
    "not a number": ('<path id="p" d="M0 0 L nan 5 z"/>', NOTHING),
    "empty": ("", NOTHING),
    "white": ('<rect width="5" height="5" fill="#fff"/>', NOTHING),
    "uses that double 30 times": (
        '<g id="g0"><rect width="1" height="1"/></g>' + "".join(
            f'<g id="g{n}"><use href="#g{n - 1}"/><use href="#g{n - 1}"/></g>' for n in range(1, 30)), UNFOLDS),
    "patterns that double 30 times": (
        '<pattern id="g0"><rect width="1" height="1"/></pattern>' + "".join(
            f'<pattern id="g{n}">' + f'<rect width="9" height="9" fill="url(#g{n - 1})"/>' * 2 + "</pattern>" for n in range(1, 30))
        + '<rect width="9" height="9" fill="url(#g29)"/>', UNFOLDS),
    "markers of markers": ('<marker id="m0"><path/></marker>' + "".join(
        f'<marker id="m{n}"><path d="{"M0 0L1 1" * 50}" marker-mid="url(#m{n - 1})"/></marker>' for n in range(1, 5))
        + '<path d="M0 0h9h9" marker-mid="url(#m4)"/>', UNFOLDS),
    "a use of itself": ('<g id="a"><use href="#a"/></g>',
                        "sign.svg: a shape shows itself, or shapes lie more than 100 deep. Unlink the copies, ungroup and save again."),
    "deep": ("<g>" * 150 + "</g>" * 150,
             "sign.svg: a shape shows itself, or shapes lie more than 100 deep. Unlink the copies, ungroup and save again."),
    "broken": ("<rect", "sign.svg is no sound SVG file: not well-formed (invalid token): line 1, column 137. Save it "
               "again as plain SVG."),
    "siblings of thousands": ("<style>.a ~ rect{fill:none}</style>" + '<rect width="1" height="1"/>' * 9000,
                              f"{ODD}style blocks pick shapes in too many ways. Save it as plain SVG, with the style on each shape."),
    "selectors of thousands": ("<style>" + ".a *{fill:none}" * 3000 + "</style>" + '<rect width="1" height="1"/>' * 3000,
                               f"{ODD}style blocks pick shapes in too many ways. Save it as plain SVG, with the style on each shape."),
    "variables that double": ('<style>:root{' + "".join(f"--a{n}:var(--a{n - 1})var(--a{n - 1});" for n in range(1, 40))
                              + '}</style><rect style="fill:var(--a39)"/>',
                              f"{ODD}a --a9 of '" + "unset" * 8 + "' is not read. Write it plainly: #000 or #fff, mm or px, and "
                              "transforms applied to the shapes."),
}


@pytest.mark.parametrize(("body", "message"), REFUSED.values(), ids=REFUSED.keys())
def test_what_cannot_be_honoured_is_refused(drawn, body, message):
    started = time.perf_counter()
    with pytest.raises(ArtworkError) as refused:
        drawn(body)
    assert str(refused.value) == message
    assert time.perf_counter() - started < 20


HARD = {
    "a scribble": '<path d="M' + " ".join(f"{n * 37 % 100} {n * n * 11 % 50}" for n in range(1500)) + '"/>',
    "many points, many times": ('<defs><path id="p" d="M' + " ".join(f"{n % 1000 / 100:g} {n // 1000 + n % 2 / 9:g}" for n in range(900))
                                + '"/></defs>' + '<use href="#p"/>' * 1000),
    "astronomical": '<circle r="1e6"/>',
}


@pytest.mark.parametrize("body", HARD.values(), ids=HARD.keys())
def test_what_no_outline_reader_could_join_burns(drawn, body):
    assert drawn(body).area_mm2 > 0.5


def test_too_fine_a_pattern_and_too_many_pieces_are_refused(drawn, monkeypatch):
    dots = ('<pattern id="p" width="1" height="1" patternUnits="userSpaceOnUse"><rect width=".5" height=".5"/></pattern>'
            '<rect width="100" height="50" fill="url(#p)"/>')
    monkeypatch.setattr(artwork, "MOST_PIECES", 2000)
    with pytest.raises(ArtworkError, match="^sign.svg has 5000 separate shapes; 2000 are read at most. Take away specks, or split"):
        drawn(dots)
    monkeypatch.setattr(picture, "MOST_RUNS", 2000)
    with pytest.raises(ArtworkError, match="^sign.svg is too fine a pattern: more than 2000 strokes of the head, or as much outline, at 20 "):
        drawn(dots)
    with pytest.raises(ArtworkError, match="too fine a pattern"):  # few strokes, long outlines across them
        drawn('<pattern id="p" width="100" height=".4" patternUnits="userSpaceOnUse"><rect width="100" height=".2"/></pattern>'
              '<rect width="100" height="50" fill="url(#p)"/>')


@pytest.mark.parametrize(("page", "message"), [
    ("", "sign.svg does not say how large it is (width × height: none × none). Save it with a width and height in mm."),
    ('width="100%" height="5mm"', "sign.svg does not say how large it is (width × height: 100% × 5mm). Save it with a "
     "width and height in mm."),
    ('width="3000mm" height="20mm"', "sign.svg is 3000 × 20 mm. A page above 0 and up to 2000 mm each way can be read; "
     "save it at the size of the sign, or say how wide it is there."),
    ('width="0mm" height="20mm"', "sign.svg is 0 × 20 mm. A page above 0 and up to 2000 mm each way can be read; save it "
     "at the size of the sign.")])
def test_a_page_without_a_usable_size_is_refused(drawn, page, message):
    with pytest.raises(ArtworkError) as refused:
        drawn('<rect width="5" height="5"/>', page)
    assert str(refused.value) == message


@pytest.mark.parametrize(("content", "message"), [
    ("", "sign.svg is no sound SVG file: no element found: line 1, column 0. Save it again as plain SVG."),
    ("<html/>", "sign.svg is no SVG drawing: it begins with <html>. Save it as plain SVG."),
    ('<!DOCTYPE svg [<!ENTITY a SYSTEM "beside.txt">]><svg>&a;</svg>',
     "sign.svg is no sound SVG file: undefined entity &a;: line 1, column 53. Save it again as plain SVG.")])
def test_a_file_that_is_no_drawing_is_refused(tmp_path, content, message):
    (tmp_path / "beside.txt").write_text("<rect/>", encoding="utf-8")
    (tmp_path / "sign.svg").write_text(content, encoding="utf-8")
    with pytest.raises(ArtworkError) as refused:
        artwork.read(tmp_path / "sign.svg")
    assert str(refused.value) == message


def test_entities_unfold_no_further_than_their_bounds(tmp_path):
    # Ten of ten of ten …: a billion letters of a file of a kilobyte.
    bomb = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10))
    (tmp_path / "sign.svg").write_text(f'<!DOCTYPE svg [<!ENTITY a0 "aaaaaaaaaa">{bomb}]><svg>&a9;</svg>', encoding="utf-8")
    with pytest.raises(ArtworkError, match="^sign.svg is no sound SVG file: limit on input amplification factor"):
        artwork.read(tmp_path / "sign.svg")


def test_nothing_beside_the_file_is_read(drawn, tmp_path):
    Image.new("RGB", (9, 9)).save(tmp_path / "beside.png")
    (tmp_path / "beside.css").write_text("rect{fill:none}", encoding="utf-8")
    body = '<style>@import url(beside.css);</style><rect width="5" height="5"/>'
    assert drawn(body).area_mm2 == pytest.approx(25, abs=0.1)
    for picture_beside in ('<image href="beside.png" width="50" height="50"/>',
                           '<pattern id="p" width="1" height="1"><image href="beside.png" width="50" height="50"/></pattern>'
                           '<rect width="50" height="50" fill="url(#p)"/>'):
        with pytest.raises(ArtworkError, match="Trace the picture"):
            drawn(body + picture_beside)


def test_a_missing_file_is_said(tmp_path):
    with pytest.raises(ArtworkError, match=r"^sign\.svg: the file cannot be read: No such file or directory\. Close it"):
        artwork.read(tmp_path / "sign.svg")


def test_the_page_shows_the_drawing_and_what_burns_and_runs_nothing(drawn):
    art = drawn('<title>&lt;script&gt;alert(1)&lt;/script&gt;</title><script>alert(1)</script><rect id="&lt;b&gt;" x="20" y="10" width="50" '
                'height="25" fill="#ccc"/>')
    shown = re.sub(r"data:image/svg\+xml;base64,[A-Za-z0-9+/=]+", "data", art._repr_html_())
    assert re.fullmatch(r'<img alt="the drawing" [^<>]* src="data"> <svg [^<>]*><image [^<>]* href="data"/>'
                        r'<image [^<>]* href="data:image/png;base64,[A-Za-z0-9+/=]+"/><rect [^<>]*/></svg><p>[^<>]*</p>', shown)
    assert '<rect x="20.00" y="10.00" width="50.00" height="25.00"' in shown
    small = np.asarray(Image.open(io.BytesIO(art.picture_png)))[:, :, 3]
    assert small.shape == (300, 600)
    assert (small > 127).mean() == pytest.approx(0.25, abs=0.005)
    np.testing.assert_array_equal(np.argwhere(small > 127)[[0, -1]], [[60, 120], [209, 419]])


def test_a_drawing_that_does_not_say_it_is_svg_is_shown_as_one(tmp_path):
    (tmp_path / "sign.svg").write_text('<svg width="9mm" height="9mm"><g><rect width="9" height="9"/></g></svg>', encoding="utf-8")
    art = artwork.read(tmp_path / "sign.svg")
    assert "sign.svg does not say that it is SVG; it is read as if it did." in art.remarks
    shown = ElementTree.fromstring(art.content)
    assert {one.tag.partition("}")[0] for one in shown.iter()} == {"{http://www.w3.org/2000/svg"}


def test_a_block_is_a_rectangle_as_large_as_its_page():
    art = artwork.block("a block", 100, 60)
    assert (art.area_mm2, art.perimeter_mm, art.narrowest_stroke_mm, art.bounds_mm) == (6000, 320, 60, (0, 0, 100, 60))
    assert (np.asarray(Image.open(io.BytesIO(art.picture_png)))[:, :, 3] == 255).all() and "<img" not in art._repr_html_()


def test_a_drawing_that_the_renderer_does_not_take_is_said(drawn):
    with pytest.raises(ArtworkError, match="^sign.svg is not taken by the renderer .*Save it again as plain SVG.$"):
        drawn('<circle r="1e12"/><path d="M0 0L1e99 5 0 9z"/>')
    with pytest.raises(ArtworkError, match="^sign.svg is not taken by the renderer .*Save it again as plain SVG.$"):
        picture.rendered(svgfile.Drawing("sign.svg", 9, 9, "<g>", (), b""), 0, 0, 9, 9, 9, 9)
