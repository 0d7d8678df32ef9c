"""SVG style: declarations that a renderer takes otherwise than a browser, put right one by one.

Decides nothing of the cascade, which the renderer does itself: case, invalid values, variables, "unset" and media
queries are written plainly, and what is known to mean something that the renderer does not know (a selector, a colour
function, a unit) is refused by name, never guessed.

Source: CSS Cascading and Inheritance Level 4, 6 and 7; Custom Properties Level 1; SVG 2, 6 (all W3C). What Chromium
shows decides: tests/sweep/test_artwork.py holds every case.
"""

import re

from PIL import ImageColor

_PLAIN = "Save it as plain SVG, with the style on each shape."
INHERITED = {"fill", "stroke", "color", "stroke-width", "fill-rule", "clip-rule", "fill-opacity", "stroke-opacity", "visibility",
             "stroke-linecap", "stroke-linejoin", "stroke-miterlimit", "stroke-dasharray", "stroke-dashoffset", "paint-order"}
_COLOURS = {"fill", "stroke", "color", "stop-color", "flood-color", "lighting-color"}
GEOMETRY = {"x", "y", "width", "height", "r", "rx", "ry", "cx", "cy"}
_OTHERS = {"opacity", "stop-opacity", "flood-opacity", "display", "overflow", "clip-path", "mask", "filter", "marker", "marker-start",
           "marker-mid", "marker-end", "mix-blend-mode", "isolation", "mask-type", "transform", "transform-origin",
           "transform-box", "vector-effect", "font-size", "background", "background-color", "d", "animation", "animation-name"}
PROPERTIES = INHERITED | _COLOURS | _OTHERS | GEOMETRY
NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?"
_LENGTH = re.compile(NUMBER + r"(?:px|mm|cm|in|pt|pc|em|ex|%)?")
_COLOUR = re.compile(r"#(?:[0-9a-f]{3,4}|[0-9a-f]{6}|[0-9a-f]{8})|(?:rgb|hsl)a?\([-+\d.e%,\s/a-z]*\)|transparent|none|context-\w+")
# Known to a browser and not to the renderer, by property: it is refused.
_UNKNOWN = {
    **dict.fromkeys(_COLOURS, r"(ok)?l(ab|ch)\(|hwb|color|light-dark|attr|(canvas|link|mark|field|button|accent|highlight)(\w*)$"),
    **dict.fromkeys(GEOMETRY | {"stroke-width"}, rf"calc|min\(|max\(|clamp|{NUMBER}(q|rem|ch|lh|v\w+)$"),
    "transform": r".*(3d|perspective|(translate|scale|rotate)[xyz]|calc|[\d.](%|rad|grad|turn))", "transform-origin": r".*[a-z%]",
    "clip-path": r"(?!none|url)", "mask": r"(?!none|url)", "vector-effect": "(?!none)", "transform-box": "(?!view-box)"}
_DECLARATION = re.compile(r"\s*([\w-]+)\s*:\s*(.*?)\s*(!\s*important)?\s*", re.DOTALL | re.IGNORECASE)
_PART = re.compile(r"""(?:[^;"'(]|"[^"]*"?|'[^']*'?|\([^()]*(?:\([^()]*\)[^()]*)*\)?)+""")
_VARIABLE = re.compile(r"var\(\s*(--[\w-]+)\s*(?:,([^()]*(?:\([^()]*\)[^()]*)*))?\)")
_NAME = r"(?:[\w\u00a0-\uffff-]+)"
_COMPOUND = rf"(?:\*|{_NAME}|[.#]{_NAME}|\[{_NAME}(?:~?=(?:\"[^\"]*\"|'[^']*'|{_NAME}))?\]|:first-child)+"
_SELECTOR = re.compile(rf"{_COMPOUND}(?:\s*[\s>+]\s*{_COMPOUND})*")
# Never so in a drawing that lies still.
_NEVER = re.compile(r":(hover|active|focus|visited|target|:)")
_NO_RULES = re.compile(r"@(font-face|[\w-]*keyframes|page|font-feature|property|counter|import|charset|namespace)")


class Unread(ValueError):
    """Something in a drawing that is not read, with the remedy."""


def tag(element) -> str:
    """Return an element's name; that of another vocabulary keeps a colon in front."""
    space, _, name = str(element.tag).rpartition("}")
    return name if space in ("", "{http://www.w3.org/2000/svg") else ":" + name


def put_right(root) -> None:
    """Write the style of a drawing so that a renderer takes it as a browser does.

    Raises
    ------
    Unread
        If a style is not read; with the remedy.
    """
    rules, variables = {}, {}
    for block in [one for one in root.iter() if tag(one) == "style"]:
        plain = block.get("type", "").strip().lower() in ("", "text/css") and _asked(block.attrib.pop("media", "all"))
        rules[block] = list(_rules(_uncommented("".join(block.itertext())))) if plain else []
    everywhere = [body for block in rules.values() for selectors, body in block if selectors in (":root", "svg", "*")]
    for body in (*everywhere, root.get("style", "")):
        variables |= {name: value for name, value, _ in _declarations(body) if name.startswith("--")}
    for block, found in rules.items():
        block[:] = []
        block.text = "\n".join(f"{selectors}{{{_written(body, variables)}}}" for selectors, body in found if _picked(selectors, body))
    for element in root.iter():
        for name in (PROPERTIES - {"d", "background"}) & element.attrib.keys():
            value = _meant(name, element.get(name).strip(), variables)
            if value is None and name not in GEOMETRY:
                del element.attrib[name]
            else:
                element.set(name, value or "0")
        if style := element.attrib.pop("style", ""):
            element.set("style", _written(style, variables, element))


def _uncommented(text: str) -> str:
    return re.sub(r"/\*.*?(\*/|\Z)", "", text, flags=re.DOTALL)


def _declarations(text: str) -> list[tuple[str, str, bool]]:
    """Return name, value and whether it is important of every declaration that is read here."""
    found = [_DECLARATION.fullmatch(part) for part in _PART.findall(_uncommented(text))]
    return [(name if name.startswith("--") else name.lower(), value, bool(important))
            for name, value, important in (one.groups() for one in found if one)
            if name.lower() in PROPERTIES or name.startswith("--")]


def _written(text: str, variables: dict, element=None) -> str:
    """Return declarations as the renderer takes them; an element's own sizes become its attributes."""
    said = []
    for name, value, important in _declarations(text):
        if name.startswith("--"):
            if variables.get(name) != value:
                raise Unread(f"- the variable {name[:40]} has more than one value. {_PLAIN}")
        elif (value := _meant(name, value, variables)) is not None:
            if name in GEOMETRY | {"d"}:
                if element is None:
                    raise Unread(f"- a style block gives shapes their {name}, which is not read. {_PLAIN}")
                element.set(name, value)
            else:
                said.append(f"{name}:{value}" + " !important" * important)
    return ";".join(said)


def _meant(name: str, value: str, variables: dict) -> str | None:
    """Return a value as the renderer takes it, or None where a browser passes it over."""
    for _ in range(9):
        value = _VARIABLE.sub(lambda one: variables.get(one[1], one[2] or "unset").strip(), value)[:1000]
    low = value.lower()
    if "var(" in low or low != "none" and name in _UNKNOWN and re.match(_UNKNOWN[name], low):
        raise Unread(f"- a {name} of {value[:40]!r} is not read. Write it plainly: #000 or #fff, mm or px, and transforms applied "
                     "to the shapes.")
    if low in ("unset", "revert", "revert-layer", "inherit"):
        return "inherit" if name in INHERITED or low == "inherit" else None
    if name in _COLOURS and not low.startswith("url("):
        known = low in ImageColor.colormap or low in ("inherit", "initial") or _COLOUR.fullmatch(low)
        return "currentColor" if low == "currentcolor" else ("#000" if low == "initial" and name != "stroke" else
                                                             low.replace("initial", "none")) if known else None
    if name in GEOMETRY | {"stroke-width"}:
        good = _LENGTH.fullmatch(low) and not (low.startswith("-") and name in ("stroke-width", "r", "rx", "ry"))
        return low if good else None
    if name == "stroke-linejoin" and low not in ("miter", "round", "bevel"):
        return None
    if name == "d":
        return value.partition("(")[2].rstrip(") ").strip("\"'")
    if name == "transform":
        return re.sub("skew([xy])", lambda one: "skew" + one[1].upper(), re.sub(r"(?<=[\d.])(px|deg)\b", "", low))
    return value if "url(" in low else low


def _rules(text: str):
    """Yield each rule's selectors and body; refuse a kind of rule that is not read."""
    at = 0
    while found := re.compile(r"\s*([^{};]*)([{;}]|\Z)").match(text, at):
        says, at = found[1].strip(), found.end()
        if found[2] == "{":
            depth, end = 1, at
            while depth and (brace := re.compile("[{}]").search(text, end)):
                depth, end = depth + (1 if brace[0] == "{" else -1), brace.end()
            body, at = (text[at:], len(text)) if depth else (text[at:end - 1], end)
            kind = says.lower()
            if kind.startswith("@media"):
                yield from _rules(body) if _asked(says[6:]) else ()
            elif not _NO_RULES.match(kind):
                if kind.startswith("@") or "{" in body:
                    raise Unread(f"- a style block holds {says[:60]!r}, which is not read. {_PLAIN}")
                yield says, body
        elif not found[2]:
            return


def _asked(query: str) -> bool:
    """Return whether a media query is met by a browser's window on a light background."""
    words = [re.sub(r"^only\s+|\s", "", word.strip()) for one in query.lower().split(",") for word in re.split(r"\band\b", one)]
    no, yes = {"print", "speech", "(prefers-color-scheme:dark)"}, {"screen", "all", "", "(prefers-color-scheme:light)"}
    if set(words) - no - yes or ("," in query and set(words) & no and set(words) & yes):
        raise Unread(f"- a style block is for {query.strip()[:60]!r}, which is not read. {_PLAIN}")
    return not set(words) & no


def _picked(selectors: str, body: str) -> bool:
    """Return whether a rule can hold of a shape; refuse a selector that is not read."""
    if not any(name in PROPERTIES for name, *_ in _declarations(body)) or _NEVER.search(selectors) and "," not in selectors:
        return False
    for one in selectors.split(","):
        if not _SELECTOR.fullmatch(one.strip()):
            raise Unread(f"- a style block picks shapes by {one.strip()[:60]!r}, which is not read. {_PLAIN}")
    return True
