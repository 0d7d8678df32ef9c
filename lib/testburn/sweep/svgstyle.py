"""SVG style: every declaration worked out as a browser does, and written on its shape as a plain attribute.

Decides which declaration a shape takes (by importance, selector and place) and what it comes to (case, variables,
"unset", values that are none); the renderer is left no style to work out. What is known to mean something that the
renderer does not know (a colour function, a unit, a kind of rule) is refused by name, never guessed.

Source: CSS Cascading and Inheritance Level 4, 6 and 7; Custom Properties Level 1; SVG 2, 6 (all W3C). What Chromium
shows decides: tests/sweep/test_artwork.py holds every case.
"""

import re
from functools import cache, lru_cache

import cssselect2
import tinycss2
from tinycss2.color4 import parse_color

_PLAIN = "Save it as plain SVG, with the style on each shape."
_COLOURS = {"fill", "stroke", "color", "stop-color", "flood-color", "lighting-color"}
GEOMETRY = {"x", "y", "width", "height", "r", "rx", "ry", "cx", "cy"}
# The shapes that a style gives a place and a size, beside the whole drawing.
_BOXED = dict.fromkeys(("rect", "circle", "ellipse"), GEOMETRY) | {"use": {"x", "y"}, "image": GEOMETRY}
MARKERS = ("marker-start", "marker-mid", "marker-end")
# The browser reads the first of these off a style only; the renderer does so of blending.
_BLENDING = {"mix-blend-mode", "isolation"}
_MOVED = {"rotate", "scale", "translate", "offset-path", "mask-image", "-webkit-mask", "-webkit-mask-image", "-webkit-clip-path",
          "background-image"}
_STYLE_ONLY = _BLENDING | _MOVED | {"transform-box", "background", "background-color", "marker"}
_PROPERTIES = _COLOURS | GEOMETRY | _STYLE_ONLY | set(
    "stroke-width stroke-opacity stroke-linecap stroke-linejoin stroke-miterlimit stroke-dasharray stroke-dashoffset "
    "fill-rule fill-opacity clip-rule clip-path paint-order opacity stop-opacity flood-opacity visibility display "
    "overflow mask mask-type filter marker-start marker-mid marker-end transform transform-origin vector-effect "
    "font-size d color-interpolation".split())
NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?"
_MOVE = (r"(?:(?:matrix{0}{1}(?:{2}{1}){{5}}|(?:translate{0}{3}(?:{2}{3})?|scale{0}{1}(?:{2}{1})?)|rotate{0}{4}{5}|skew[XYxy]{0}{4})"
         r"\s*\)[\s{6}]*)*")
# As an attribute and as a style a transform is written otherwise: (45 9 9) and (45deg).
_MOVED_BY = re.compile(r"[\s,]*" + _MOVE.format(r"\s*\(\s*", NUMBER, r"(?:\s*,\s*|\s+|(?=[+-]))", NUMBER, NUMBER,
                                             rf"(?:(?:(?:\s*,\s*|\s+|(?=[+-])){NUMBER}){{2}})?", ","))
_STYLED_BY = _MOVE.format(r"\(\s*", NUMBER, r"\s*,\s*", rf"(?:{NUMBER}px|[+-]?0)", rf"(?:{NUMBER}deg|[+-]?0)", "", "")
_LENGTH = re.compile(NUMBER + r"(?:px|mm|cm|in|pt|pc|em|ex|%)?")
# Known to a browser and not to the renderer, by property: it is refused.
_UNKNOWN = {
    **dict.fromkeys(_COLOURS, r"(ok)?l(ab|ch)\(|hwb|color|light-dark|attr|"
                              r"rgba?\(\s*from|"
                              r"(canvas|link|mark|field|button|accent|highlight|window|menu|info|threed|graytext)(\w*)$"),
    **dict.fromkeys(GEOMETRY | {"stroke-width", "stroke-dashoffset"}, rf"min\(|max\(|clamp|{NUMBER}(q|rem|ch|lh|v\w+)$"),
    "transform": rf"(?!inherit|{_STYLED_BY}$)", **dict.fromkeys(_MOVED, ""), "color-interpolation": "linear",
    "stroke-dasharray": rf"(?!inherit|initial|{_LENGTH.pattern}(?:(?:\s*,\s*|\s+){_LENGTH.pattern})*$)",
    "transform-origin": r".*[a-z%]", "clip-path": r"(?!none|url\([^)]*\)$)", "mask": r"(?!none|url\([^)]*\)$)",
    "vector-effect": "(?!none)", "transform-box": "(?!view-box)"}
_DECLARATION = re.compile(r"\s*([\w-]+)\s*:\s*(.*?)\s*(!\s*important)?\s*", re.DOTALL | re.IGNORECASE)
_PART = re.compile(r"""(?:[^;"'(]|"[^"]*"?|'[^']*'?|\([^()]*(?:\([^()]*\)[^()]*)*\)?)+""")
_VARIABLE = re.compile(r"var\(\s*(--[\w-]+)\s*(?:,([^()]*(?:\([^()]*\)[^()]*)*))?\)", re.IGNORECASE)
_QUOTED = re.compile(r"url\(\s*[\"']?\s*([^)\"']*?)\s*[\"']?\s*\)", re.IGNORECASE)
_NO_RULES = re.compile("font-face|.*keyframes|page|font-feature|counter|import|charset|namespace")
# Selectors times shapes, and signs of a value: more would keep a maker waiting.
_MOST_TRIALS, _LONGEST = 5_000_000, 100_000


class Unread(ValueError):
    """Something in a drawing that is not read, with the remedy."""


def tag(element) -> str:
    """Return an element's name; that of another vocabulary keeps a colon in front."""
    space, _, name = str(element.tag).rpartition("}")
    return name if space in ("", "{http://www.w3.org/2000/svg") else ":" + name


def put_right(root) -> None:
    """Write what style a drawing's shapes have on each of them; style blocks are emptied.

    Raises
    ------
    Unread
        If a style is not read; with the remedy.
    """
    matcher = cssselect2.Matcher()
    for block in [one for one in root.iter() if tag(one) == "style"]:
        if block.get("type", "").strip().lower() in ("", "text/css") and _asked(block.get("media", "all")):
            for rule in _rules(tinycss2.parse_stylesheet("".join(block.itertext()), True, True)):
                _add(matcher, rule)
        block.clear()
    waiting, dressed = [(cssselect2.ElementWrapper.from_xml_root(root), {})], {}
    try:
        if matcher.order * sum(1 for _ in root.iter()) > _MOST_TRIALS:
            raise RecursionError
        while waiting:
            shape, variables = waiting.pop()
            found = matcher.match(shape)
            boxed = GEOMETRY if shape.parent is None else _BOXED.get(tag(shape.etree_element), set())
            of_rules = [one for *_, pseudo, said in found if not pseudo for one in said]
            variables = _dress(shape.etree_element, of_rules, variables, GEOMETRY - boxed)
            dressed[shape.etree_element] = found, variables
            waiting += [(child, variables) for child in shape.iter_children()]
        if matcher.order or any(variables for _, variables in dressed.values()):
            _same_where_shown_again(root, matcher, dressed)
    except RecursionError:  # of shapes that lie too deep, or too many beside one another
        raise Unread(f"- style blocks pick shapes in too many ways. {_PLAIN}") from None


def _same_where_shown_again(root, matcher, dressed: dict) -> None:
    """Refuse a shape whose copies a browser would dress otherwise: by rules or variables from around them."""
    by_id = {one.get("id"): one for one in reversed([*root.iter()])}

    @cache
    def stands_alone(shape) -> bool:
        parts = cssselect2.ElementWrapper.from_xml_root(shape).iter_subtree()
        return all(matcher.match(one) == dressed[one.etree_element][0] for one in parts)

    for use in (one for one in dressed if tag(one) == "use"):
        link = next((said for name, said in use.attrib.items() if name.endswith("href")), "").strip()[1:]
        shape = by_id.get(link)
        if shape is not None and (dressed[use][1] != dressed[shape][1] or not stands_alone(shape)):
            raise Unread(f"- <use> shows #{link[:60]} again, and a style depends on what is around it. Unlink the copies and save again.")


def _rules(nodes):
    """Yield every rule that a browser heeds on a light screen; refuse a kind that is not read."""
    for rule in (node for node in nodes if node.type != "error"):
        says, kind = tinycss2.serialize(rule.prelude).strip(), getattr(rule, "lower_at_keyword", "")
        if kind == "media":
            yield from _rules(tinycss2.parse_rule_list(rule.content, True, True)) if _asked(says) else ()
        elif not kind and all(node.type != "{} block" for node in rule.content):
            yield rule
        elif not _NO_RULES.match(kind):
            says = f"@{kind} {says}" if kind else says
            raise Unread(f"- a style block holds {says[:60]!r}, which is not read. {_PLAIN}")


def _asked(query: str) -> bool:
    """Return whether a media query is met by a browser's window on a light background."""
    no, yes = {"print", "speech", "(prefers-color-scheme:dark)"}, {"screen", "all", "", "(prefers-color-scheme:light)"}
    ways = [{re.sub(r"^only\s+|\s", "", word.strip()) for word in re.split(r"\band\b", one)}
            for one in query.lower().split(",")]
    if set().union(*ways) - no - yes:
        raise Unread(f"- a style block is for {query.strip()[:60]!r}, which is not read. {_PLAIN}")
    return any(way <= yes for way in ways)


def _add(matcher, rule) -> None:
    """Let a rule pick shapes; refuse a selector that is not read, where what it says matters here."""
    if found := _declarations(tinycss2.serialize(rule.content)):
        try:
            for selector in cssselect2.compile_selector_list(rule.prelude):
                matcher.add_selector(selector, found)
        except cssselect2.SelectorError:
            says = tinycss2.serialize(rule.prelude).strip()[:60]
            raise Unread(f"- a style block picks shapes by {says!r}, which is not read. {_PLAIN}") from None


@lru_cache(4096)
def _declarations(text: str) -> list[tuple[str, str, bool]]:
    """Return name, value and whether it is important of every declaration that is read here."""
    plain = re.sub(r"/\*.*?(\*/|\Z)", "", text, flags=re.DOTALL)
    found = [one.groups() for one in map(_DECLARATION.fullmatch, _PART.findall(plain)) if one]
    return [(name if name.startswith("--") else name.lower(), value, bool(important))
            for name, value, important in found if name.lower() in _PROPERTIES or name.startswith("--")]


def _dress(element, of_rules: list, variables: dict, unread: set) -> dict:
    """Write an element's style as its attributes, but what it has no use for; return the variables that hold within it."""
    written = [(name, element.attrib.pop(name).strip(), False)
               for name in (_PROPERTIES - {"d", "transform"}) & element.attrib.keys()]
    # A browser shows nothing of a size that is none; of a style it takes the one before.
    kept = {name: "0" for name, value, _ in written if name in GEOMETRY and not value.startswith("-")}
    if _MOVED_BY.fullmatch(move := element.attrib.pop("transform", "")):
        kept["transform"] = move
    said = sorted([*(one for one in written if one[0] not in _STYLE_ONLY), *(one for one in (
        *of_rules, *_declarations(element.attrib.pop("style", ""))) if one[0] not in unread)], key=lambda one: one[2])
    if own := {name: value for name, value, _ in said if name.startswith("--")}:
        variables = variables | {name: _filled(name, value, variables | own) for name, value in own.items()}
    for name, value, _ in said:
        if not name.startswith("--") and (meant := _meant(name, _filled(name, value, variables))) is not None:
            kept |= dict.fromkeys(MARKERS if name == "marker" else [name], meant)
        elif "var(" in value.lower():
            kept.pop(name, None)
    element.attrib |= {name: value for name, value in kept.items() if value and name not in _BLENDING}
    if style := ";".join(f"{name}:{kept[name]}" for name in _BLENDING & kept.keys()):
        element.set("style", style)
    return variables


def _filled(name: str, value: str, variables: dict) -> str:
    """Return a value, its variables filled in; more than nine rounds of them are nobody's drawing."""
    for _ in range(9):
        if "var(" not in value.lower():
            return value
        value = _VARIABLE.sub(lambda one: variables.get(one[1], one[2] or "unset").strip(), value)
        if len(value) > _LONGEST:
            break
    raise _odd(name, value)


def _odd(name: str, value: str) -> Unread:
    return Unread(f"- a {name} of {value[:40]!r} is not read. Write it plainly: #000 or #fff, mm or px, and transforms "
                  "applied to the shapes.")


@lru_cache(4096)
def _meant(name: str, value: str) -> str | None:
    """Return a value as the renderer takes it, "" for none of its own, or None where a browser passes it over."""
    value = _QUOTED.sub(r"url(\1)", value)
    low = value.lower()
    if low != "none" and name in _UNKNOWN and re.match(_UNKNOWN[name], low) or re.search(r"calc\(|url\((?!#[^)\s]+\))", low):
        raise _odd(name, value)
    if low in ("unset", "revert", "revert-layer"):
        return ""
    if name in _COLOURS and low not in ("none", "inherit") and not low.startswith(("url(", "context-")):
        if low == "initial":
            return "none" if name == "stroke" else "#000"
        if low == "currentcolor":
            return "currentColor"
        if (colour := parse_color(low)) is None or "(" not in low:
            return colour and low
        return "rgba({:.0f},{:.0f},{:.0f},{:g})".format(*(255 * min(max(one, 0), 1) for one in colour.to("srgb").coordinates),
                                                        colour.alpha)
    if name in GEOMETRY | {"stroke-width"}:
        below = low.startswith("-") and name in ("stroke-width", "r", "rx", "ry")
        return low if _LENGTH.fullmatch(low) and not below else None
    if name == "stroke-linejoin" and low not in ("miter", "round", "bevel"):
        return None
    if name == "d":
        return value.partition("(")[2].rstrip(") ").strip("\"'")
    if name == "transform":
        return re.sub("skew([xy])", lambda one: "skew" + one[1].upper(), re.sub(r"(?<=[\d.])(px|deg)\b", "", low))
    return value if "url(" in low else low
