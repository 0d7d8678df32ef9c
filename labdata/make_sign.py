"""Make the demo drawing and the demo stopwatch runs: invented, and the same bytes every time.

Run `python labdata/make_sign.py [FOLDER]`. The drawing is a trail sign of an arboretum that does not
exist: a border and twelve words, as outlines, with sizes in mm. The letters are the outlines of
Source Sans 3 (SIL Open Font License), which comes with the suite. The runs are those of a head that
speeds up at 3000 mm/s² and loses 0.02 s more at every turn, read from a stopwatch to about a second.
"""

import random
import re
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pandas as pd
import typst

SVG, HREF = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"
MM_PER_PT = 25.4 / 72
FONTS = Path(__file__).parents[1] / "lib" / "testburn" / "paper" / "fonts"
SEED = 20260307
WIDTH_MM, HEIGHT_MM = 300, 180
SETTING = """
#set page(width: 300mm, height: 180mm, margin: 0mm)
#set text(font: "Source Sans 3", weight: "semibold", top-edge: "baseline")
#let line(down, size, words) = place(top + center, dy: down, text(size: size, words))
#line(48mm, 40mm)[ARBORETUM]
#line(88mm, 32mm)[Oak Trail Loop]
#line(125mm, 25mm)[Heron Pond 0.8 km]
#line(158mm, 25mm)[Fern Hollow 1.6 km]
"""
# Left, top, width, height in mm: a border of four bars, open at the corners.
BORDER = ((12, 4, 276, 2.5), (12, 173.5, 276, 2.5), (4, 12, 2.5, 156), (293.5, 12, 2.5, 156))
HEAD = f"""<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM}mm" height="{HEIGHT_MM}mm" \
viewBox="0 0 {WIDTH_MM} {HEIGHT_MM}">
<title>Invented demo drawing</title>
<desc>INVENTED: a trail sign of an arboretum that does not exist. Made by labdata/make_sign.py. \
Letters: outlines of Source Sans 3, SIL Open Font License.</desc>
"""
ACCELERATION_MM_S2, OVERHEAD_S, STOPWATCH_SD_S, LINE_PITCH_MM = 3000, 0.02, 0.7, 0.1
# Width, height in mm and speed in mm/s.
RUNS = ((20, 40, 100), (20, 40, 200), (20, 40, 400), (60, 30, 300), (10, 60, 500))


def number(value):
    """A coordinate in mm to a thousandth, as short as it goes."""
    return f"{round(value, 3) + 0.0:.3f}".rstrip("0").rstrip(".")


def outline(path, left, base):
    """A letter's path in mm: the typesetter's relative steps, y upwards, as moves, lines, curves and closings."""
    parts, at, start = [], (0.0, 0.0), (0.0, 0.0)
    for command, numbers in re.findall(r"([a-zA-Z])([^a-zA-Z]*)", path):
        steps = [float(one) for one in numbers.split()]
        if command in "Zz":
            parts.append("z")
            at = start
            continue
        pairs = [(steps[0], 0.0)] if command == "h" else [(0.0, steps[0])] if command == "v" else zip(steps[::2], steps[1::2])
        points = [(x + at[0], y + at[1]) for x, y in pairs]
        at = points[-1]
        start = at if command in "Mm" else start
        parts.append({"h": "L", "v": "L"}.get(command, command.upper()) + " ".join(
            f"{number((left + x) * MM_PER_PT)} {number((base - y) * MM_PER_PT)}" for x, y in points))
    return "".join(parts)


def sign():
    """The drawing: the border, then the outlines of one letter after another, a group a line of words."""
    set_in_type = typst.compile(SETTING.encode(), format="svg", font_paths=[FONTS], ignore_system_fonts=True)
    root = ElementTree.fromstring(set_in_type)
    letters = {symbol.get("id"): symbol[0].get("d") for symbol in root.iter(SVG + "symbol")}
    lines = {}
    for group in root.iter(SVG + "g"):
        if group.get("transform", "").startswith("matrix(1 0 0 -1 "):
            left, base = (float(one) for one in group.get("transform")[16:-1].split())
            lines.setdefault(base, []).extend(
                outline(letters[use.get(HREF)[1:]], left + float(use.get("x")), base) for use in group)
    groups = ['<g id="border">', *('<rect x="{}" y="{}" width="{}" height="{}"/>'.format(*bar) for bar in BORDER),
              "</g>"]
    for place, line in enumerate(lines.values(), start=1):
        groups += [f'<g id="line-{place}">', *(f'<path d="{letter}"/>' for letter in line), "</g>"]
    return HEAD + "\n".join(groups) + "\n</svg>\n"


def timed_runs():
    """The runs, a row each: what the invented head takes, and a hand on a stopwatch."""
    dice, rows = random.Random(SEED), []
    for place, (width, height, speed) in enumerate(RUNS, start=1):
        lines = round(height / LINE_PITCH_MM) + 1
        seconds = lines * width / speed + (lines - 1) * (2 * speed / ACCELERATION_MM_S2 + OVERHEAD_S)
        rows.append(dict(run=f"run-{place}", timed_on="2025-12-06", width_mm=width, height_mm=height, speed_mm_s=speed,
                         line_pitch_mm=LINE_PITCH_MM, passes=1,
                         seconds=round(seconds + dice.gauss(0, STOPWATCH_SD_S), 1), invented="yes"))
    return pd.DataFrame(rows)


def make(folder: Path) -> None:
    """Write artwork/trail-sign.svg and timed_runs.csv into `folder`."""
    (folder / "artwork").mkdir(parents=True, exist_ok=True)
    (folder / "artwork" / "trail-sign.svg").write_text(sign(), encoding="utf-8", newline="\n")
    timed_runs().to_csv(folder / "timed_runs.csv", index=False, lineterminator="\n", encoding="utf-8")


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
