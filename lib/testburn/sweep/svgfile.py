"""SVG file: what of a file is given to the renderer, how large its page is, and what is refused.

Decides whether a file is an SVG of bounded size, its page in mm, what in it a renderer would show otherwise than a
browser does (put right, or refused with the remedy) and what the maker is told. Nothing beside the file is read.

Source: SVG 2 (W3C), chapters 5, 7 and 8; CSS Values and Units Level 4, 6.2: 1 in = 25.4 mm = 72 pt = 96 px.
"""

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass
from pathlib import Path

from testburn.labbook import ReadingsError, makerfile
from testburn.sweep import svgstyle
from testburn.sweep.svgstyle import Unread, tag

SIZE_IN_PX = "The size of"
MM_PER = {"mm": 1.0, "cm": 10.0, "in": 25.4, "pt": 25.4 / 72, "pc": 25.4 / 6, "px": 25.4 / 96, "": 25.4 / 96}
_SAME = 0.001  # of a width, is the same width
MOST_MM, MOST_BYTES, MOST_SHAPES, DEEPEST = 2000.0, 20_000_000, 100_000, 100
_SVG, _HREF = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"
_PLAIN = "Turn it into plain filled shapes and save again."
_BLURRED = "Blurred shapes that are turned may end otherwise than in a browser: compare the two pictures."
# What is not read of a shape: its name, those of its attributes and what it links to; what is wrong, and the remedy.
_UNREAD = (
    ("text |flowRoot ", "is not read. Fonts differ from one computer to the next: convert the text to outlines (paths) "
                        "and save again."),
    ("image |feImage .*=(?!#)", "is not read. Trace the picture into filled shapes, or remove it."),
    # Some filters keep the renderer busy for seconds, break it off, or come out otherwise than in a browser.
    ("foreignObject |fe(SpecularLighting|DiffuseLighting|Morphology|DisplacementMap|Turbulence|ConvolveMatrix|Tile) "
     "|filter .*primitiveUnits |mask .*mask ", f"is not read. {_PLAIN}"),
    (r"svg .*\b(transform|clip-path|mask|filter) ", "is moved, cut, masked or filtered as a whole, which is not read. Do that to "
                                                   "a group within it, or to its shapes, and save again."),
    (".* pathLength ", f"has a pathLength, which is not read. {_PLAIN}"),
    ("symbol .*(?<= )([xy]|transform) ", "has a place of its own, which is not read. Unlink its copies and save again."),
    ("use .*=[^#]", "shows what lies in another file. Paste it into the drawing."))
# Drawn only where something shows them.
_BOXES = {"defs", "symbol", "clipPath", "mask", "marker", "pattern", "filter"}
_LINK = re.compile(r"url\(#([^)]+)\)")
_CLEAR = r"[+]?[0.]+(e\d*)?%?|-.*"
# What a board cannot show, and how the drawing is written without it: it lies where the two differ.
_UNSHOWN = (
    ("Gradients burn whole, as deep as any other.", r"(</?(?:\w+:)?)stop\b", r"\1none"),
    # The renderer draws a pattern's tiles to whole pixels.
    ("Patterns come out coarsely: fine ones may run together. Turn them into shapes.", r"(</?(?:\w+:)?)pattern\b", r"\1none"),
    ("See-through shapes burn whole, as deep as any other.", rf'(opacity=")(?!(?:{_CLEAR})")[^"]*', r"\g<1>1"))
_MOVES = re.compile(r"<(\w+:)?(animate|set\b)|@[\w-]*keyframes")


class ArtworkError(ValueError):
    """A drawing that cannot be read, said so that the maker can mend it."""


@dataclass(frozen=True)
class Drawing:
    """A drawing as it goes to the renderer: `inner` is an svg element that fills its page; `content` the file's bytes.

    `unshown` has a remark on each kind of paint that a board cannot show, and what is `inner` without it.
    """

    name: str
    width_mm: float
    height_mm: float
    inner: str
    remarks: tuple[str, ...]
    content: bytes
    unshown: tuple[tuple[str, str], ...] = ()


def opened(path: str | Path, width_mm: float | None = None) -> Drawing:
    """Return the drawing of a file; as wide as `width_mm`, if that is said, and as high as goes with it.

    Raises
    ------
    ArtworkError
        If it is no SVG, too large, has no size, or holds what is not read; every such thing is named at once.
    """
    path = Path(path)
    root, content = _tree(path)
    faults = []
    try:
        svgstyle.put_right(root)
    except Unread as fault:
        faults.append(str(fault))
    width, height, remarks = _page(root, path.name, width_mm)
    if width_mm is not None:
        content = _at_size(content, root.get("viewBox"), width, height)
    by_id = _put_right(root)
    remarks += _look(root, by_id, faults, path.name)
    if faults := list(dict.fromkeys(faults)):
        more = [f"… and {len(faults) - 8} more."] if len(faults) > 8 else []
        raise ArtworkError("\n".join([f"{path.name} cannot be read as it is:", *faults[:8], *more]))
    if _MOVES.search(content.decode("utf-8", "replace")):
        remarks += ("The drawing moves: it burns as it is drawn, before it moves.",)
    page = {"x": "0", "y": "0", "overflow": "visible",
            "width": f"{width / MM_PER['px']:.9g}", "height": f"{height / MM_PER['px']:.9g}"}
    ground = root.attrib.pop("background-color", root.attrib.pop("background", "none"))
    root.attrib |= page
    whole = ElementTree.Element(f"{_SVG}svg", page)
    whole.extend([ElementTree.Element(f"{_SVG}rect", page | {"fill": ground}), root])
    inner = ElementTree.tostring(whole, encoding="unicode")
    unshown = tuple((said, one) for said, look, instead in _UNSHOWN if (one := re.sub(look, instead, inner)) != inner)
    if "{" not in root.tag:  # a browser shows no svg that does not say it is one
        remarks += (f"{path.name} does not say that it is SVG; it is read as if it did.",)
        content = '<svg xmlns="{}" width="{width}" height="{height}">{}</svg>'.format(_SVG[1:-1], inner, **page).encode()
    return Drawing(path.name, width, height, inner, remarks, content, unshown)


def _tree(path: Path) -> tuple[ElementTree.Element, bytes]:
    """Return the parsed XML and the file's bytes."""
    try:
        content = makerfile.content(path, MOST_BYTES)
    except ReadingsError as refusal:
        raise ArtworkError(f"{path.name}: {refusal.faults[0].problem}. {refusal.faults[0].remedy}") from None
    # The parser itself bounds what entities unfold to: 8 MB, then a hundred times the file.
    if b"<!ENTITY" in content and len(content) > MOST_BYTES / 100:
        raise ArtworkError(f"{path.name} is large and defines XML entities, which are not read. Save it as plain SVG.")
    try:
        root = ElementTree.fromstring(content)
    except (ElementTree.ParseError, ValueError, LookupError) as fault:
        raise ArtworkError(f"{path.name} is no sound SVG file: {fault}. Save it again as plain SVG.") from None
    if tag(root) != "svg":
        raise ArtworkError(f"{path.name} is no SVG drawing: it begins with <{tag(root)}>. Save it as plain SVG.")
    return root, content


def _page(root, name, width_mm) -> tuple[float, float, tuple[str, ...]]:
    """Return the page's size in mm, and a remark where px had to be taken for mm; what is drawn grows with a width that is said."""
    box = [float(one) for one in root.get("viewBox", "").replace(",", " ").split()
           if re.fullmatch(svgstyle.NUMBER, one.lower())]
    box = box[2:] if len(box) == 4 else [None, None]
    said = [root.get(side, "none") for side in ("width", "height")]
    sides = [re.fullmatch(rf"({svgstyle.NUMBER})({'|'.join(MM_PER)})", side) for side in said]
    sizes = [one and float(one[1]) * MM_PER[one[2]] for one in sides]
    in_px = any(one and one[2] in ("", "px") for one in sides) or sizes == [None, None]
    if all(box):
        scale = next((size / side for size, side in zip(sizes, box) if size is not None), MM_PER["px"])
        sizes = [side * scale if size is None else size for size, side in zip(sizes, box)]
    if None in sizes:
        raise ArtworkError(f"{name} does not say how large it is (width × height: {' × '.join(said)}). Save it with a "
                           "width and height in mm.")
    wide, high = sizes
    if width_mm is not None and wide > 0:
        root.attrib |= {} if all(box) else {"viewBox": f"0 0 {wide / MM_PER['px']:.9g} {high / MM_PER['px']:.9g}"}
        (own_wide, own_high), wide, high = (wide, high), width_mm, width_mm * high / wide
    if not all(0 < size <= MOST_MM for size in (wide, high)) or any(side is not None and not side > 0 for side in box):
        raise ArtworkError(f"{name} is {wide:g} × {high:g} mm. A page above 0 and up to {MOST_MM:g} mm each way can be read; save it "
                           f"at the size of the sign{', or say how wide it is there' * (max(wide, high) > MOST_MM)}.")
    if width_mm is not None:
        return wide, high, () if abs(own_wide / wide - 1) < _SAME else (
            f"{name} counts as {wide:.4g} × {high:.4g} mm, as the order says; by its file it is {own_wide:.4g} × {own_high:.4g} mm. Burn it at "
            "the size it counts as.",)
    return wide, high, (
        f"{SIZE_IN_PX} {name} is in px. At 96 to the inch it is {wide:.4g} × {high:.4g} mm; at 72 to the inch "
        f"{wide * 4 / 3:.4g} × {high * 4 / 3:.4g} mm. Which? The first is taken; to be sure, say how wide it is on the sign.",
        ) * in_px


def _at_size(content: bytes, box: str, width_mm: float, height_mm: float) -> bytes:
    """Return a file as it would be, had it been saved at a size."""
    root, size = ElementTree.fromstring(content), {"width": f"{width_mm:.9g}mm", "height": f"{height_mm:.9g}mm"}
    root.attrib |= size | {"viewBox": box, "style": ";".join([root.get("style", ""), *map(":".join, size.items())])}
    return ElementTree.tostring(root)


def _put_right(root) -> dict:
    """Make plain what a renderer would show otherwise than a browser; return the elements by id."""
    by_id = {}
    for one in root.iter():
        # A browser knows no shape outside the vocabulary.
        one[:] = [child for child in one if "{" in child.tag or "{" not in root.tag]
        if tag(one) == "switch":
            one[:] = [child for child in one if not child.get("requiredExtensions") and tag(child)[0] != ":"
                      and re.search(r"(?i)(^|,)\s*en", child.get("systemLanguage", "en"))][:1]
        if "id" in one.attrib and by_id.setdefault(one.get("id"), one) is not one:
            del one.attrib["id"]  # the first of a name is meant
        for name in ("shape-rendering", "requiredFeatures"):  # edges without grey; what a browser knows no more
            one.attrib.pop(name, None)
        if tag(one) in ("rect", "circle", "ellipse"):
            one.attrib |= dict.fromkeys(svgstyle.MARKERS, "none")
        if link := one.attrib.pop(_HREF, one.get("href", "")).strip():
            one.set("href", link if "href" not in one.attrib else one.get("href").strip())
        if tag(one) == "filter":
            one.attrib.pop("href", None)
            if one.get("primitiveUnits") == "userSpaceOnUse":
                del one.attrib["primitiveUnits"]
        if tag(one) == "svg":
            sides = [re.match(svgstyle.NUMBER, one.get(side, "1").lower()) for side in ("width", "height")]
            if one is not root and any(side and float(side[0]) <= 0 for side in sides):
                one[:] = []
            for name in {"transform", "clip-path", "mask", "filter"} & one.attrib.keys():
                if one.get(name) == "none":
                    del one.attrib[name]
        if not re.fullmatch(rf"\s*({svgstyle.NUMBER}(\s*,\s*|\s+|(?=[+-.])|$))*", one.get("points", "").lower()):
            del one.attrib["points"]
    for one in root.iter():
        symbol = by_id.get(one.get("href", "").strip()[1:], one)
        if tag(one) == "use" and tag(symbol) == "symbol":
            for side in {"width", "height"} & symbol.attrib.keys():
                one.attrib.setdefault(side, symbol.get(side))
        if not by_id.keys() >= set(_LINK.findall(one.get("filter", ""))):
            del one.attrib["filter"]
        # Of one stop alone the renderer makes plain paint, also on a box without a height, where a gradient paints nothing.
        if tag(one) in ("linearGradient", "radialGradient") and len(stops := [part for part in one if tag(part) == "stop"]) == 1:
            one.extend(stops)
    root.attrib.pop("display", None)
    root.attrib.setdefault("font-size", "16")
    return by_id


def _turned(move: str) -> bool:
    """Return whether a transform does more than move and stretch."""
    matrix = [float(one) for one in re.findall(svgstyle.NUMBER, move)] if "matrix" in move else [1, 0, 0, 1]
    return bool(re.search(r"rotate|skew|scale\([^)]*-", move)) or bool(matrix[1] or matrix[2]) or min(matrix[0], matrix[3]) < 0


def _who(one) -> str:
    return f"<{tag(one)}" + (f' id="{one.get("id")[:60]}"' if one.get("id") else "") + ">"


def _look(root, by_id: dict, faults: list[str], name: str) -> tuple[str, ...]:
    """Walk all that is shown, links unfolded; name what is not read, refuse what unfolds too far or into itself; return remarks."""
    shapes, letters, remarks = 0, 0, {}

    def walk(one, times, seen, above, turned=False):
        nonlocal shapes, letters
        kind, said, link = tag(one), " ".join(one.attrib.values()), one.get("href", "").strip()
        shapes, letters = shapes + times, letters + times * len(said)
        if shapes > MOST_SHAPES or letters > MOST_BYTES:
            raise ArtworkError(f"{name} unfolds into more than {MOST_SHAPES} shapes or {MOST_BYTES / 1e6:.0f} MB. "
                               "Unlink its copies, join its shapes and save again.")
        if one in above or len(above) > DEEPEST:
            raise ArtworkError(f"{name}: a shape shows itself, or shapes lie more than {DEEPEST} deep. Unlink the "
                               "copies, ungroup and save again.")
        if one.get("display") == "none" or re.fullmatch(_CLEAR, one.get("opacity", "1")):
            return
        seen = one.get("visibility", "visible" if seen else "") == "visible"
        # What lies within these two may be seen though they are not.
        if (seen or kind in ("use", "symbol")) and (kind != "text" or "".join(one.itertext()).strip()):
            names = " ".join([kind, *one.attrib, f"={link}"])
            faults.extend(f"- {_who(one)} {wrong}" for look, wrong in _UNREAD if re.match(look, names))
        # The renderer cuts a filter's place upright, and sizes in per cent by the page.
        if (turned := turned or _turned(one.get("transform", ""))) and (linked := _LINK.match(one.get("filter", ""))):
            if all(tag(part) == "feGaussianBlur" for part in by_id[linked[1]]):
                remarks[_BLURRED] = None
            else:
                faults.append(f"- {_who(one)} is filtered and turned or mirrored, which is not read. {_PLAIN}")
        if any(tag(box) == "symbol" for box in above) and any("%" in one.get(side, "") for side in svgstyle.GEOMETRY):
            faults.append(f"- {_who(one)} has a size in %, shown by a copy, which is not read. Unlink the copies and save again.")
        vertices = 1 + len(one.get("d", "") + one.get("points", "")) / 4 if any(
            one.get(name, "none") != "none" for name in svgstyle.MARKERS) else 1
        for child in [*(part for part in one if tag(part) not in _BOXES), *(
                by_id[found] for found in {link[1:], *_LINK.findall(said)} if found in by_id)]:
            walk(child, times * vertices, seen, {**above, one: None}, turned)
    walk(root, 1, True, {})
    return tuple(remarks)
