"""The burn sheet, the drawing and the file for entry: the same ids, true millimetres, nothing read as markup."""

import csv
import io
import os
import re
import struct
import subprocess
import sys
import zlib
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
import typst

from testburn import burnplan, depthfit, labbook
from testburn.burnplan import Scrap
from testburn.labbook import Machine, columns, woods
from testburn.paper import burnsheet, pdf
from testburn.units import Units

LABDATA = Path(__file__).parents[2] / "labdata"
MACHINE = Machine(acceleration_mm_s2=3000)
NASTY = 'cmd|"<script>alert(1)</script> #panic() *b* & \x1b[31m'
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def demo():
    return depthfit.fit(labbook.read(LABDATA))


@pytest.fixture(scope="module")
def plan(demo):
    return burnplan.propose(demo, woods.read(), "sugar maple", 15, 0.4, 0.6, Scrap(300, 120, 19), MACHINE,
                            boards=2, swatches=5)


@pytest.fixture(scope="module")
def nasty():
    """A plan for a wood that somebody named to do harm."""
    table = woods.read()
    table.loc[NASTY] = table.loc["white oak"]
    return burnplan.propose(None, table, NASTY, 20, 0.4, 0.6, Scrap(300, 200, 19), MACHINE, 450,
                            power_pct=50, boards=1)


def pages(pdf: bytes) -> int:
    """Pages of a PDF, its compressed streams unpacked."""
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.DOTALL)
    text = pdf + b"".join(zlib.decompressobj().decompress(part) for part in streams if part[:1] == b"\x78")
    return len(re.findall(rb"/Type\s*/Page\b", text))


def ids_in_csv(plan, board):
    return [row["swatch"] for row in
            csv.DictReader(io.StringIO(burnsheet.entry_csv(plan, board).decode("utf-8"), newline=""))]


def groups_in_svg(plan, board, **how):
    root = ElementTree.fromstring(burnsheet.drawing(plan, board, **how))
    return root, {group.get("id"): group for group in root.iter(f"{SVG}g")}


# ── one set of ids ──


@pytest.mark.parametrize("board", ["A", "B"])
def test_sheet_drawing_and_entry_share_their_swatch_ids(plan, board):
    planned = plan.board(board)["swatch"].tolist()
    page = burnsheet.document(plan)["boards"]["AB".index(board)]
    _, groups = groups_in_svg(plan, board, labels=False)
    assert planned == [f"{board}{number}" for number in range(1, 6)]
    assert [swatch["id"] for swatch in page["swatches"]] == planned
    assert list(groups) == planned and ids_in_csv(plan, board) == planned


# ── the drawing ──


def test_the_drawing_is_in_millimetres(plan):
    root, groups = groups_in_svg(plan, "A")
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("300mm", "120mm", "0 0 300 120")
    for row in plan.board("A").itertuples():
        rectangle = groups[row.swatch].find(f"{SVG}rect")
        got = [float(rectangle.get(name)) for name in ("x", "y", "width", "height")]
        assert got == [row.x_mm, row.y_mm, row.width_mm, row.height_mm]


def test_what_is_not_to_be_burned_is_drawn_on_request_and_says_so(plan):
    _, groups = groups_in_svg(plan, "A")
    assert list(groups) == plan.board("A")["swatch"].tolist()
    _, groups = groups_in_svg(plan, "A", labels=True, outline=True)
    assert set(groups) - set(plan.board("A")["swatch"]) == {"do-not-burn-scrap", "labels"}


def test_a_drawing_for_each_swatch_keeps_its_place_on_the_scrap(plan, tmp_path):
    folder = burnsheet.save(tmp_path, plan, apart=True)
    assert not (folder / "board-A.svg").exists()
    for row in plan.swatches.itertuples():
        root = ElementTree.fromstring((folder / f"board-{row.board}-{row.swatch}.svg").read_bytes())
        (rectangle,) = root.iter(f"{SVG}rect")
        assert (root.get("width"), float(rectangle.get("x")), float(rectangle.get("y"))) == ("300mm", row.x_mm, row.y_mm)


def test_the_drawing_says_the_settings_of_each_swatch(plan):
    row = plan.board("A").iloc[0]
    _, groups = groups_in_svg(plan, "A")
    assert groups["A1"].find(f"{SVG}title").text == (
        f"A1: {row['speed_mm_s']:g} mm/s, 90 %, 1 pass, pitch 0.05 mm")


def pixels(png: bytes) -> np.ndarray:
    """A PNG without interlacing as rows × columns × channels (PNG specification, W3C, filters 0 to 4)."""
    width, height, _, colour = struct.unpack(">IIBB", png[16:26])
    channels, at, data = {0: 1, 2: 3, 4: 2, 6: 4}[colour], 8, b""
    while at < len(png):
        size, kind = struct.unpack(">I4s", png[at:at + 8])
        data += png[at + 8:at + 8 + size] if kind == b"IDAT" else b""
        at += 12 + size
    raw = np.frombuffer(zlib.decompress(data), np.uint8).reshape(height, 1 + width * channels)
    out = np.zeros((height, width * channels), np.uint8)
    for y, (kind, line) in enumerate(zip(raw[:, 0], raw[:, 1:])):
        up = out[y - 1] if y else np.zeros_like(line)
        for x in range(len(line)) if kind in (1, 3, 4) else ():
            left = int(out[y, x - channels]) if x >= channels else 0
            corner = int(up[x - channels]) if x >= channels else 0
            above = int(up[x])
            guess = left + above - corner
            paeth = min((left, above, corner), key=lambda value: abs(guess - value))
            out[y, x] = (int(line[x]) + (left, 0, (left + above) // 2, paeth)[kind - 1]) % 256
        if kind in (0, 2):
            out[y] = line + up * (kind == 2)
    return out.reshape(height, width, channels)


def test_the_drawing_rendered_measures_what_it_says(plan, tmp_path):
    """Rendered at 2 dots a millimetre by a renderer that knows nothing of this project."""
    (tmp_path / "board.svg").write_bytes(burnsheet.drawing(plan, "A", labels=False))
    source = '#set page(width: auto, height: auto, margin: 0pt, fill: white)\n#image("/board.svg", alt: "x")'
    dots = pixels(typst.compile(source.encode(), root=tmp_path, format="png", ppi=2 * 25.4))[..., 0]
    assert dots.shape == (240, 600)
    dark = dots < 128
    expected = np.zeros_like(dark)
    for row in plan.board("A").itertuples():
        x, y, w, h = (round(2 * size) for size in (row.x_mm, row.y_mm, row.width_mm, row.height_mm))
        expected[y:y + h, x:x + w] = True
    assert (dark != expected).sum() == 0


def test_the_drawing_holds_no_script_and_nothing_from_outside(nasty):
    drawn = burnsheet.drawing(nasty, "A", labels=True, outline=True)
    root = ElementTree.fromstring(drawn)
    assert {element.tag.removeprefix(SVG) for element in root.iter()} == {"svg", "title", "g", "rect", "path"}
    assert b"<script" not in drawn and b"href" not in drawn and b"\x1b" not in drawn
    assert root.find(f"{SVG}title").text == (NASTY.replace("\x1b", "\ufffd") + ", 20 W, 450 nm, board A")


@pytest.mark.parametrize("text", ["]]>", "<!--", "&amp;", "\x00\x07", "\ud800", "木😀", "\ufffe", "'\""])
def test_any_text_makes_a_drawing_that_can_be_read(plan, text):
    rows = plan.board("A").assign(words=text)
    assert ElementTree.fromstring(burnplan.svg(plan.layout, rows, text)).tag == f"{SVG}svg"


# ── the file for entry ──


def test_the_entry_file_has_the_lab_books_columns_but_the_depth(plan):
    rows = list(csv.DictReader(io.StringIO(burnsheet.entry_csv(plan, "A").decode("utf-8"), newline="")))
    assert list(rows[0]) == [column.name for column in columns.COLUMNS if column.name != "depth_mm"]
    assert {rows[0][name] for name in ("burn", "burned_on", "board", "reading")} == {""}
    assert rows[0]["note"] == f"plan {plan.id}, board A"


def test_the_entry_file_filled_in_is_a_sound_burn(plan):
    rows = pd.read_csv(io.BytesIO(burnsheet.entry_csv(plan, "B")), dtype=str, keep_default_na=False)
    filled = rows.assign(burn="ash-1", burned_on="2026-03-14", board="Plank-1", reading="1",
                         depth_mm=plan.board("B")["depth_mm"].round(2).astype(str))
    checked = labbook.check(filled)
    for name in ("swatch", "speed_mm_s", "power_pct", "line_pitch_mm", "passes"):
        assert checked[name].tolist() == plan.board("B")[name].tolist()


# ── the sheet ──


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_a_page_for_each_board(plan, paper):
    assert pages(burnsheet.pdf(plan, paper)) == 2


def test_many_swatches_go_on_overleaf(demo):
    long = burnplan.propose(demo, woods.read(), "sugar maple", 15, 0.4, 0.6, Scrap(400, 400, 19), MACHINE,
                            boards=1, swatches=24)
    assert pages(burnsheet.pdf(long)) == 2


def test_the_sheet_leads_with_what_is_set_in_an_order_of_its_own(plan):
    """Speed, power, passes, pitch: on the page, and in the notebook's table of the same swatches."""
    page = (pdf.HERE / "burnsheet.typ").read_text(encoding="utf-8")
    heads = re.findall(r'head\((?:"|\.\.sheet\.)(\w+(?:\.at\(\d\))?)', page[page.index("table.header("):])
    assert heads[:6] == ["Swatch", "heads.at(0)", "heads.at(1)", "Passes", "heads.at(2)", "Expect"]
    assert burnsheet.document(plan)["heads"] == [["Speed", "mm/s"], ["Power", "%"], ["Pitch", "mm"]]
    assert list(burnsheet.settings(plan).frame)[:6] == [
        "swatch", "it is", "speed, mm/s", "power, %", "passes", "pitch, mm"]


def test_sheet_drawing_and_table_lead_with_the_machine_s_units(demo):
    head = Machine(acceleration_mm_s2=3000, speed_step="60 mm/min", units=Units("mm/min", "lines per inch", 255))
    plan = burnplan.propose(demo, woods.read(), "sugar maple", 15, 0.4, 0.6, Scrap(300, 200, 19), head, boards=1, swatches=5)
    sheet, row = burnsheet.document(plan), plan.board("A").iloc[0]
    assert sheet["heads"] == [["Speed", "mm/min"], ["Power", "of 255"], ["Lines", "per inch"]]
    first = sheet["boards"][0]["swatches"][0]
    assert (first["speed"], first["speed_beside"]) == (f"{60 * row['speed_mm_s']:g}", f"{row['speed_mm_s']:g} mm/s")
    assert (first["power"], first["power_beside"], first["pitch"], first["pitch_beside"]) == ("230", "90 %", "508", "0.05 mm")
    _, groups = groups_in_svg(plan, "A")
    assert groups["A1"].find(f"{SVG}title").text == f"A1: {60 * row['speed_mm_s']:g} mm/min, 230 of 255, 1 pass, 508 lines per inch"
    assert list(burnsheet.settings(plan).frame)[2:6] == ["speed, mm/min", "power, of 255", "passes", "lines, per inch"]
    assert pages(burnsheet.pdf(plan)) == 1
    kept = pd.read_csv(io.BytesIO(burnsheet.entry_csv(plan, "A")))
    assert kept["speed_mm_s"].tolist() == plan.board("A")["speed_mm_s"].tolist() and set(kept["power_pct"]) == {90}


def test_what_the_sheet_says(plan):
    sheet = burnsheet.document(plan)
    row, first = plan.board("A").iloc[0], sheet["boards"][0]["swatches"][0]
    assert (sheet["species"], sheet["module"], sheet["wavelength"]) == ("Sugar maple", "15 W", "445 nm")
    assert sheet["window"] == "Wanted: 0.40–0.60 mm deep (0.016–0.024 in)"
    assert (first["speed"], first["power"], first["passes"], first["pitch"], first["pitch_beside"]) == (
        f"{row['speed_mm_s']:g}", "90", "1", "0.05", "200 lines/cm")
    assert sheet["boards"][1]["of"] == "2 of 2"
    assert sheet["boards"][0]["cost"] == "About 4 minutes of burning, 48 cm² of scrap."
    assert {"Board", "Moisture, %", "Day", "Focus offset, mm"} <= set(sheet["blanks"])
    assert sheet["readings"] == 3 and sheet["boxes"] == 5
    assert sheet["steps"][3][1] == ("3 readings in the middle third (dashed), spread across the growth rings.")


def test_what_the_plan_is_worth_in_words(plan):
    half, proved = (plan.alternatives.set_index(["boards", "swatches"])[name] for name in ("recess_pct", "proved_pct"))
    assert burnsheet.worth(plan) == (
        "This plan, 2 boards × 5 swatches: 95 of 100 recesses on your next board will then lie within "
        f"±{half[2, 5]:.0f} % of the depth expected (1 × 5: ±{half[1, 5]:.0f} %; 5 × 5: ±{half[5, 5]:.0f} %); on a board that you prove "
        f"with one swatch, within ±{proved[2, 5]:.0f} %.")


def test_invented_data_says_so_and_measured_data_does_not(plan, nasty):
    assert burnsheet.document(plan)["invented"].startswith("The lab book behind this plan is invented")
    assert burnsheet.document(nasty)["invented"] is None


def test_cautions_stand_on_the_sheet_and_no_optical_density_does(plan):
    heads = [head for head, _ in burnsheet.document(plan)["cautions"]]
    said = " ".join(text for _, text in burnsheet.document(plan)["cautions"])
    assert heads == ["Beam", "Fire", "Fumes", "Dust, solvents", "Who decides"]
    assert "445 nm" in said and "this sheet" in said and not re.search(r"OD\s*\d|density of \d", said)


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_text_of_the_lab_book_is_never_markup(nasty, paper):
    assert pages(burnsheet.pdf(nasty, paper)) == 1
    said = burnsheet.document(nasty)["species"]
    assert "\x1b" not in said and said.startswith("Cmd")
    assert re.fullmatch(r"[a-z0-9-]+-20W-[0-9a-f]{6}", nasty.id)


@pytest.mark.parametrize("scrap", [Scrap(2000, 60, 19), Scrap(150, 1500, 19), Scrap(5000, 5000, 19)])
def test_any_scrap_is_drawn_to_a_scale_that_fits(demo, scrap):
    plan = burnplan.propose(demo, woods.read(), "sugar maple", 15, 0.4, 0.6, scrap, MACHINE, boards=1)
    assert pages(burnsheet.pdf(plan)) == 1


def test_paper_is_one_of_two(plan):
    with pytest.raises(ValueError) as refused:
        burnsheet.pdf(plan, "a5")
    assert str(refused.value) == "Paper 'a5' is unknown. Use one of: a4, us-letter."


def test_the_same_plan_gives_the_same_bytes_in_another_process(plan, tmp_path):
    """Another time zone, hash seed and locale."""
    folder = burnsheet.save(tmp_path / "here", plan)
    code = ("from testburn.burnplan import plan as burnplan\n"
            "from testburn.paper import burnsheet\n"
            "from testburn.depthfit import depths as depthfit\n"
            "from testburn.labbook import burns as labbook, woods\n"
            "from testburn.labbook.machine import Machine\n"
            f"fit = depthfit.fit(labbook.read({str(LABDATA)!r}))\n"
            "plan = burnplan.propose(fit, woods.read(), 'sugar maple', 15, 0.4, 0.6, burnplan.Scrap(300, 120, 19),"
            " Machine(acceleration_mm_s2=3000), boards=2, swatches=5)\n"
            f"burnsheet.save({str(tmp_path / 'there')!r}, plan)\n")
    subprocess.run([sys.executable, "-c", code], check=True, timeout=120, env=os.environ | {
        "PYTHONHASHSEED": "7", "TZ": "Pacific/Auckland", "LC_ALL": "C"})
    made = sorted(path.name for path in folder.iterdir())
    assert made == ["board-A.csv", "board-A.svg", "board-B.csv", "board-B.svg", "burn-sheet-a4.pdf",
                    "burn-sheet-us-letter.pdf"]
    for name in made:
        assert (folder / name).read_bytes() == (tmp_path / "there" / plan.id / name).read_bytes()


def test_saving_again_replaces_and_leaves_nothing_half_made(plan, tmp_path):
    first, again = burnsheet.save(tmp_path, plan), burnsheet.save(tmp_path, plan)
    assert first == again and not list(first.glob(".*"))


def test_a_plan_with_other_settings_is_saved_beside_the_first(demo, plan, tmp_path):
    other = burnplan.propose(demo, woods.read(), "sugar maple", 15, 0.4, 0.7, Scrap(300, 120, 19), MACHINE,
                             boards=2, swatches=5)
    assert burnsheet.save(tmp_path, plan) != burnsheet.save(tmp_path, other)


# ── what the notebook shows ──


def test_the_table_of_alternatives(plan):
    shown = burnsheet.alternatives(plan).frame
    assert list(shown.columns) == ["boards to burn", "3 swatches on each", "5 swatches on each",
                                   "8 swatches on each"]
    assert shown["boards to burn"].tolist() == ["none", "1", "2", "3", "4", "5"]
    assert shown.iloc[2, 2].endswith("min, 95 cm², chosen") and shown.iloc[0, 1] == f"±{100 * plan.now['recess']:.0f} %"


def test_the_preview_is_a_picture(plan):
    assert burnsheet.preview(plan, 2)[:8] == b"\x89PNG\r\n\x1a\n"


def test_the_preview_of_a_long_sheet_is_its_first_page(monkeypatch, plan):
    monkeypatch.setattr(burnsheet, "compiled", lambda *more: [b"first", b"second"])
    assert burnsheet.preview(plan) == b"first"
