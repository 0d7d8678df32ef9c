"""Artwork check: what a drawing may hold before its outlines are read.

Decides, without drawing anything, whether a file is an SVG of bounded size, how large its page is in
mm, and whether it asks for something that would change what is burned and that is not honoured here
(clips, masks, text, pictures, dashes …). Such a drawing is refused by name: a shape left out in
silence would be missing from the minutes and from the sign. Styles are written out on each element,
as the reader of outlines takes style blocks in the order of the file and of the class attribute.

Source: SVG 2 (W3C), chapters 3, 5, 6, 8 and 13; CSS Cascading and Inheritance Level 4 (W3C), 6; CSS
Values and Units Level 4, 6.2: 1 in = 25.4 mm = 72 pt = 96 px.
"""

import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from xml.parsers import expat

import numpy as np

from testburn.labbook import ReadingsError, makerfile

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
_HOLDERS = {"svg", "g", "a", "use", "symbol"}
_SELECTOR = re.compile(r"\*|[\w-]+|[\w-]*\.[\w-]+|#[\w-]+")
_IMPORTANT = re.compile(r"!\s*important$", re.IGNORECASE)
# Written without overlapping repeats, so that no value takes long to look at.
_CLEAR = re.compile(r"[+]?[0.]+(e.*)?%?|-.*")
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
    faults = _styled(root, path.name)
    _count_uses(root, path.name)
    if clear := _hide_clear(root):
        remarks += (f"{clear} group(s) of opacity 0 are left out, with all they hold.",)
    _tidy(root, faults, _used(root))
    if faults:
        more = [f"… and {len(faults) - 8} more."] if len(faults) > 8 else []
        raise ArtworkError("\n".join([f"{path.name} cannot be read as it is:", *faults[:8], *more]))
    return ElementTree.tostring(root), width, height, remarks


def _tree(path: Path) -> ElementTree.Element:
    """Return the parsed XML, after its size and depth were counted."""
    try:
        content = makerfile.content(path, MOST_BYTES)
    except ReadingsError as refusal:
        raise ArtworkError(f"{path.name}: {refusal.faults[0].problem}. {refusal.faults[0].remedy}") from None
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
            shown = by_id.get(_shown(element))
            total = total if shown is None else total + unfolded(shown, depth + 1)
        open_now.discard(element)
        counted[element] = total
        return total
    elements, letters = unfolded(root)
    if elements > MOST_ELEMENTS or letters > MOST_BYTES:
        raise ArtworkError(f"{name} unfolds into more than {MOST_ELEMENTS} shapes or {MOST_BYTES / 1e6:.0f} MB. Unlink "
                           "its copies, join its shapes and save again.")


def _shown(element) -> str:
    """Return the id that a use shows."""
    return element.get("href", element.get(_HREF, "")).lstrip("#") if _tag(element) == "use" else ""


def _used(root) -> set[str]:
    """Return the ids that uses show, themselves not hidden; what they show may stand in what is."""
    by_id, used, open_now = {element.get("id"): element for element in root.iter()}, set(), [root]
    while open_now:
        element = open_now.pop()
        if _tag(element) not in _UNDRAWN and _said(element).get("display") != "none":
            shown = _shown(element)
            if shown in by_id and shown not in used:
                used.add(shown)
                open_now.append(by_id[shown])
            open_now.extend(element)
    return used


def _hide_clear(root) -> int:
    """Take away groups of opacity 0, which no child undoes, and return how many."""
    clear = [element for element in root.iter() if _tag(element) in _HOLDERS
             and _CLEAR.fullmatch(_said(element).get("opacity", "1"))]
    for element in clear:
        if element is root:
            root[:] = []
        else:
            element.set("style", f"{element.get('style', '')};display:none")
    return len(clear)


def _tidy(element, faults: list[str], used: set[str], inside=None) -> None:
    """Name what is not honoured, and make plain what the reader of outlines would take amiss.

    A symbol is drawn only where it is used; "inherit" is what happens anyway; a place or size said by
    a group is not its shapes'. What is hidden may be used elsewhere.
    """
    if (tag := _tag(element)) in _UNDRAWN:
        return
    said = _said(element)
    if said.get("display") == "none" and not any(inner.get("id") in used for inner in element.iter()):
        return
    faults.extend(_faults(element, tag, said, inside))
    _without_inherit(element)
    if tag in ("g", "a", "defs"):
        for name in {"x", "y", "width", "height", "rx", "ry", "d", "points", "r"} & set(element.attrib):
            del element.attrib[name]
    for number, child in enumerate(list(element)):
        child_tag = _tag(child)
        if child_tag == "rect" and not {"width", "height"} <= set(_said(child)):
            element.remove(child)  # a rectangle without a size is not drawn
            continue
        _tidy(child, faults, used, inside=element)
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
            **{name.strip(): value.strip() for name, _, value in pairs if name.strip()}}


def _without_inherit(element) -> None:
    """Drop values that say only "as my parent", and what they override."""
    parts = [part.partition(":") for part in element.get("style", "").split(";")]
    dropped = {name for name, _, value in parts if value == "inherit"}
    for name in [name for name, value in element.attrib.items() if value.strip() == "inherit" or name in dropped]:
        del element.attrib[name]
    if "style" in element.attrib:
        element.set("style", ";".join("".join(part) for part in parts if part[0] not in dropped))


def _styled(root, name) -> list[str]:
    """Write out on each element what the style blocks say of it, and empty them; return what is not read.

    The selector that says more wins (an id over a class over a name), then the later rule; the
    element's own style wins over all of them, "!important" over that.
    """
    rules, odd, letters = [], [], 0
    for block in root.iter():
        if _tag(block) == "style":
            _read_rules(block.text or "", rules, odd)
            block.text = None
    by_selector = {}
    for order, (one, body) in enumerate(rules):
        says = ("#" in one, "." in one, one[0] not in "#.*", order, body)
        by_selector.setdefault(one, []).append(says)
    for element in root.iter():
        tag, classes = _tag(element), set(element.get("class", "").split())
        picked = ["*", tag, f"#{element.get('id', '')}", *(start + "." + one for one in classes for start in ("", tag))]
        bodies = [body for *_, body in sorted(rule for one in picked for rule in by_selector.get(one, ()))]
        bodies.append(element.get("style", ""))
        letters += sum(map(len, bodies))
        if letters > MOST_BYTES:
            raise ArtworkError(f"{name} has style blocks that unfold into more than {MOST_BYTES / 1e6:.0f} MB. Save it as "
                               "plain SVG, with the style on each shape.")
        if any(bodies):
            element.set("style", _cascaded(bodies))
    return [f"- a style block picks shapes by {one[:60]!r}, which is not read. Save as plain SVG, with the style "
            "on each shape." for one in odd[:1]]


def _read_rules(text: str, rules: list, odd: list[str]) -> None:
    """Add a block's selectors with what each says, and what is no plain selector."""
    *blocks, rest = re.sub(r"/\*.*?(\*/|\Z)", "", text, flags=re.DOTALL).split("}")
    for block in blocks:
        picked, _, body = block.partition("{")
        for one in dict.fromkeys(map(str.strip, picked.split(","))):
            (rules.append((one, body)) if _SELECTOR.fullmatch(one) and "{" not in body else odd.append(one))
    if rest.strip():
        odd.append(rest.strip())


def _cascaded(bodies: list[str]) -> str:
    """Return one style of several, each going over those before it."""
    plain, important = {}, {}
    for part in ";".join(bodies).split(";"):
        name, colon, value = part.partition(":")
        kept = _IMPORTANT.sub("", value.strip()).rstrip()
        if colon:
            (plain if kept == value.strip() else important)[name.strip().lower()] = kept
    return ";".join(f"{name}:{value}" for name, value in {**plain, **important}.items())
