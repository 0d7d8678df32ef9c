"""Artwork check: what a drawing may hold before its outlines are read.

Decides, without drawing anything, whether a file is an SVG of bounded size, how large its page is in
mm, and whether it asks for something that would change what is burned and that is not honoured here
(clips, masks, text, pictures, dashes …). Such a drawing is refused by name: a shape left out in
silence would be missing from the minutes and from the sign.

Source: SVG 2 (W3C), chapters 5, 8 and 13; CSS Values and Units Level 4, 6.2: 1 in = 25.4 mm =
72 pt = 96 px.
"""

import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from xml.parsers import expat

import numpy as np

MM_PER = {"mm": 1.0, "cm": 10.0, "q": 0.25, "in": 25.4, "pt": 25.4 / 72, "pc": 25.4 / 6, "px": 25.4 / 96,
          "": 25.4 / 96}
MOST_MM, MOST_BYTES, MOST_ELEMENTS, DEEPEST = 2000.0, 20_000_000, 20_000, 100
_OUTLINES = "Convert the text to outlines (paths) and save again."
_PLAIN = "Turn it into plain filled shapes and save again."
_REFUSED = {
    "text": _OUTLINES, "flowRoot": _OUTLINES,
    "image": "Trace the picture into filled shapes, or remove it.",
    "foreignObject": _PLAIN, "switch": _PLAIN, "animate": _PLAIN, "animateTransform": _PLAIN,
    "animateMotion": _PLAIN, "set": _PLAIN,
}
_ASKS = ("clip-path", "mask", "filter", "marker", "marker-start", "marker-mid", "marker-end",
         "stroke-dasharray", "transform-origin", "transform-box", "vector-effect", "clip", "d")
# What only serves others, and is never drawn by itself.
_UNDRAWN = {"metadata", "title", "desc", "style", "clipPath", "mask", "marker", "pattern", "filter",
            "linearGradient", "radialGradient", "script", "namedview"}
_SELECTOR = re.compile(r"\s*(\*|[\w-]+|[\w-]*\.[\w-]+|#[\w-]+)\s*")
_HREF = "{http://www.w3.org/1999/xlink}href"


class ArtworkError(ValueError):
    """A drawing that cannot be read, said so that the maker can mend it."""


def checked(path: str | Path) -> tuple[bytes, float, float, tuple[str, ...]]:
    """Return the drawing's XML, its page's width and height in mm, and remarks.

    Raises
    ------
    ArtworkError
        If it is no SVG, too large, has no size, or asks for what is not honoured; every such thing is
        named at once.
    """
    path = Path(path)
    root = _tree(path)
    width, height, remarks = _page(root, path.name)
    faults = []
    _count_uses(root, path.name)
    _tidy(root, faults)
    if faults:
        more = [f"… and {len(faults) - 8} more."] if len(faults) > 8 else []
        raise ArtworkError("\n".join([f"{path.name} cannot be read as it is:", *faults[:8], *more]))
    return ElementTree.tostring(root), width, height, remarks


def _tree(path: Path) -> ElementTree.Element:
    """Return the parsed XML, after its size and depth were counted."""
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise ArtworkError(f"{path.name} has {size / 1e6:.0f} MB; {MOST_BYTES / 1e6:.0f} MB are read at "
                               "most. Simplify its paths, or save it without pictures.")
        content = path.read_bytes()
    except OSError as fault:
        raise ArtworkError(f"{path.name} cannot be opened: {fault.strerror}.") from None
    try:
        _count_elements(content, path.name)
        root = ElementTree.fromstring(content)
    except (expat.ExpatError, ElementTree.ParseError, ValueError, LookupError) as fault:
        if isinstance(fault, ArtworkError):
            raise
        raise ArtworkError(f"{path.name} is no sound SVG file: {fault}. Save it again as plain SVG.") from None
    if _tag(root) != "svg":
        raise ArtworkError(f"{path.name} is no SVG drawing: it begins with <{_tag(root)}>. Save it as plain SVG.")
    return root


def _count_elements(content: bytes, name: str) -> None:
    """Refuse entities, and more elements or a deeper nest than a drawing has."""
    seen = {"all": 0, "depth": 0}

    def start(tag, attributes):
        seen["all"] += 1
        seen["depth"] += 1
        if seen["all"] > MOST_ELEMENTS or seen["depth"] > DEEPEST:
            raise ArtworkError(f"{name} holds more than {MOST_ELEMENTS} elements, or groups more than {DEEPEST} "
                               "deep. Join its shapes and save again.")

    def end(tag):
        seen["depth"] -= 1

    def entity(*about):
        raise ArtworkError(f"{name} defines XML entities, which are not read. Save it as plain SVG.")
    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler, parser.EntityDeclHandler = start, end, entity
    parser.Parse(content, True)


def _tag(element) -> str:
    """Return an element's name; that of another vocabulary keeps a colon in front."""
    space, _, name = str(element.tag).rpartition("}")
    return name if space in ("", "{http://www.w3.org/2000/svg") or name in _UNDRAWN else ":" + name


def _page(root, name) -> tuple[float, float, tuple[str, ...]]:
    """Return the page's size in mm, and a remark where its unit had to be taken as px."""
    found = [re.fullmatch(r"\s*([+]?[\d.]+(?:[eE][+-]?\d+)?)\s*([a-zA-Z%]*)\s*", root.get(side, ""))
             for side in ("width", "height")]
    try:
        sizes = [float(one[1]) * MM_PER[one[2].lower()] for one in found]
    except (KeyError, TypeError, ValueError):
        said = " × ".join(root.get(side, "none") for side in ("width", "height"))
        raise ArtworkError(f"{name} does not say how large it is (width × height: {said}). Save it with a width "
                           "and height in mm.") from None
    if not all(0 < size <= MOST_MM for size in sizes):
        raise ArtworkError(f"{name} is {sizes[0]:g} × {sizes[1]:g} mm. A page above 0 and up to {MOST_MM:g} mm "
                           "each way can be read; save it at the size of the sign.")
    remarks = () if all(one[2] for one in found) else (
        f"The size of {name} has no unit. Taken as px, 96 an inch, it is {sizes[0]:.4g} × {sizes[1]:.4g} mm.",)
    return *sizes, remarks


def _count_uses(root, name) -> None:
    """Refuse uses that go round in a circle or unfold into more than a drawing has."""
    by_id = {element.get("id"): element for element in root.iter() if element.get("id")}
    counted, open_now = {}, set()

    def unfolded(element, depth=0) -> np.ndarray:
        if element in counted:
            return counted[element]
        if element in open_now or depth > DEEPEST:
            raise ArtworkError(f"{name}: a <use> shows itself, or uses lie more than {DEEPEST} deep. "
                               "Unlink the copies and save again.")
        open_now.add(element)
        total = np.array([1.0, sum(map(len, element.attrib.values()))])
        total += sum(unfolded(child, depth + 1) for child in element)
        if _tag(element) == "use":
            shown = by_id.get(element.get("href", element.get(_HREF, "")).lstrip("#"))
            total = total if shown is None else total + unfolded(shown, depth + 1)
        open_now.discard(element)
        counted[element] = total
        return total
    elements, letters = unfolded(root)
    if elements > MOST_ELEMENTS or letters > MOST_BYTES:
        raise ArtworkError(f"{name} unfolds into more than {MOST_ELEMENTS} shapes or {MOST_BYTES / 1e6:.0f} MB. Unlink "
                           "its copies, join its shapes and save again.")


def _tidy(element, faults: list[str], inside=None, place=0) -> None:
    """Name what is not honoured, and make plain what the reader of outlines would take amiss.

    A symbol is drawn only where it is used; "inherit" is what happens anyway; a place or size said by
    a group is not its shapes'.
    """
    if (tag := _tag(element)) == "style":
        faults.extend(_style_faults(element.text or ""))
    if tag in _UNDRAWN:
        return
    said = _said(element)
    if said.get("display") == "none":
        return
    faults.extend(_faults(element, tag, said, inside))
    _without_inherit(element)
    if tag in ("g", "a", "defs"):
        for name in {"x", "y", "width", "height", "rx", "ry", "d", "points", "r"} & set(element.attrib):
            del element.attrib[name]
    for number, child in enumerate(list(element)):
        child_tag = _tag(child)
        if child_tag == "rect" and not {"width", "height"} <= set(child.attrib):
            element.remove(child)  # a rectangle without a size is not drawn
            continue
        _tidy(child, faults, inside=element)
        if child_tag == "symbol":
            holder = ElementTree.Element(child.tag.replace("symbol", "defs"))
            child.tag = child.tag.replace("symbol", "g")
            element.remove(child)
            holder.append(child)
            element.insert(min(number, len(element)), holder)


def _faults(element, tag, said, inside) -> list[str]:
    """Return what one element asks for that is not honoured."""
    who = f"<{tag}" + (f' id="{element.get("id")}">' if element.get("id") else ">")
    if tag in _REFUSED:
        return [f"- {who} is not read. {_REFUSED[tag]}"]
    if tag == "svg" and inside is not None:
        return [f"- {who} is a drawing inside the drawing, which is not read. Ungroup it and save again."]
    if tag == "symbol" and element.get("viewBox"):
        return [f"- {who} has a viewBox, which is not read. Unlink the copies of it and save again."]
    asked = [name for name in _ASKS if said.get(name, "none") not in ("none", "auto", "")
             and not (name == "d" and tag == "path" and "d" in element.attrib)]
    return [f"- {who} has a {name}, which is not read. {_PLAIN}" for name in asked]


def _said(element) -> dict[str, str]:
    """Return an element's properties: its attributes, and its style over them."""
    pairs = (part.partition(":") for part in element.get("style", "").split(";"))
    return {**{name: value.strip() for name, value in element.attrib.items()},
            **{name.strip(): value.replace("!important", "").strip() for name, _, value in pairs if name.strip()}}


def _without_inherit(element) -> None:
    """Drop values that say only "as my parent"."""
    for name in [name for name, value in element.attrib.items() if value.strip() == "inherit"]:
        del element.attrib[name]
    if style := element.get("style"):
        kept = [part for part in style.split(";") if part.partition(":")[2].strip() != "inherit"]
        element.set("style", ";".join(kept))


def _style_faults(text: str) -> list[str]:
    """Return what a block of styles asks for that is not honoured."""
    text = re.sub(r"/\*.*?\*/", "", text, flags=re.S)
    faults = [f"- a style block says {name}, which is not read. {_PLAIN}" for name in _ASKS
              if re.search(rf"[{{;\s]{name}\s*:\s*(?!none)", text)]
    selectors = [one for block in re.findall(r"([^{}]*)\{[^{}]*\}", text) for one in block.split(",")]
    odd = [one.strip() for one in selectors if not _SELECTOR.fullmatch(one)]
    if odd or "@" in text or "!important" in text:
        faults.append(f"- a style block picks shapes by {(odd or ['a rule'])[0]!r}, which is not read. "
                      "Save as plain SVG, with the style on each shape.")
    return faults
