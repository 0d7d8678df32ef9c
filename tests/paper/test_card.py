"""The settings card: what stands on it, in which digits, on how many pages, in which bytes.

The fit is a stand-in with invented readings, so that the card is judged apart from the fit.
"""

import os
import re
import subprocess
import sys
import zlib
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import typst

from testburn import depthfit
from testburn.job import settings
from testburn.labbook import Machine
from testburn.paper import card, chart as cardchart, pdf, text as cardtext
from testburn.units import Units

NASTY = "#panic() *bold* _low_ $x$ <b> `raw` \\ \" 😀 木 " + "W" * 300
ONE = (("hard maple", 20.0, 450.0),)
SEVERAL = (("black walnut", 10.0, 450.0), ("hard maple", 40.0, 450.0), ("hard maple", 2.0, 1064.0))
EIGHT = (0.4, 0.6, 0.8, 1.0, 1.25, 1.5, 2.0, 2.4)
WINDOW = {"at_least_mm": 1.6, "at_most_mm": 2.0}


PROOF = [{"species": "hard maple", "module_w": 20.0, "wavelength_nm": 450.0, "board": "Plaque-1",
          "swatches": 1, "board_pct": -8.2, "surprise_p": 0.2, "warning": ""}]


@dataclass(frozen=True, eq=False)
class StandIn:
    """depth = 8.2 × line energy - 0.12, with an interval of 0.04 mm + 13 %."""

    readings: pd.DataFrame
    table: pd.DataFrame
    fingerprint: str = "3f9ac0de77b14a20" * 4
    invented: bool = True
    said: str = ""
    proofs: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(PROOF))
    components: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(
        {"component": ["board", "swatch", "reading", "gauge"], "sd": [0.09, 0.04, 0.03, 0.02],
         "prior_share": [0.2, 0.0, 0.0, 0.0]}))

    def proved_elsewhere(self, choice, board):
        return ""

    def group_of(self, row):
        return None

    def said_of(self, group):
        return self.said

    def band(self, group, line_energy_j_mm, **asked):
        return self.predict("", 0, line_energy_j_mm)

    def predict(self, species, module_w, line_energy_j_mm, line_pitch_mm=None, level=0.95,
                of="reading", board="next", wavelength_nm=None):
        energy = np.asarray(line_energy_j_mm, float)
        depth = 8.2 * energy - 0.12
        half = 0.04 + 0.13 * abs(depth)
        return pd.DataFrame({"line_energy_j_mm": energy, "depth_mm": depth,
                             "lower_mm": depth - half, "upper_mm": depth + half,
                             "extrapolated": (energy < 0.05) | (energy > 0.28)})


def stand_in(groups=ONE, boards=("B1", "B2", "B3"), regressor="line_energy_j_mm", flags="",
             invented=True) -> StandIn:
    """Three readings on each of five swatches of every board."""
    readings, table = [], []
    for species, module_w, wavelength_nm in groups:
        group = {"species": species, "module_w": module_w, "wavelength_nm": wavelength_nm, "module": ""}
        readings += [group | {"burn": f"burn-{number}", "board": board,
                              "burned_on": pd.Timestamp(2026, 3, number), "line_pitch_mm": 0.05,
                              "line_energy_j_mm": energy, "areal_dose_j_mm2": energy / 0.05,
                              "used": True, "depth_mm": (8.2 * energy - 0.12) * (0.96 + 0.02 * reading)}
                     for number, board in enumerate(boards, start=1)
                     for energy in (0.05, 0.08, 0.12, 0.2, 0.28) for reading in (1, 2, 3)]
        table.append(group | {"regressor": regressor, "r_squared": 0.963, "boards": len(boards),
                              "swatches": 5 * len(boards), "readings": 15 * len(boards),
                              "flags": flags,
                              "formula": f"depth_mm = -0.12 + 8.2 × {regressor}"})
    return StandIn(pd.DataFrame(readings), pd.DataFrame(table), invented=invented)


def choices(fit: StandIn, aims=(0.5, 1.0, 2.0), chance=np.nan) -> pd.DataFrame:
    """Settings at 90 % and 200 lines per cm that reach the wanted depths."""
    rows = []
    for group in fit.table.to_dict("records"):
        for aim in aims:
            energy = (aim + 0.12) / 8.2
            speed = group["module_w"] * 0.9 / energy
            predicted = fit.predict("", 0, [energy]).iloc[0].to_dict()
            rows.append({**{name: group[name] for name in ("species", "module_w", "wavelength_nm")},
                         **predicted, "aim_mm": aim, "power_pct": 90.0,
                         "speed_mm_s": round(speed, 1), "line_pitch_mm": 0.05, "passes": 1,
                         "level": 0.95, "chance_inside": chance,
                         "minutes_per_10cm2": 1000 / 0.05 / speed / 60})
    return pd.DataFrame(rows)


def page_of(fit: StandIn, **how) -> dict:
    """The first page's data for three wanted depths."""
    return card.document(fit, choices(fit), **how)["pages"][0]


def inside(pdf: Path) -> bytes:
    """The PDF with every compressed stream unpacked."""
    made = pdf.read_bytes()
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", made, re.DOTALL)
    # A stream whose last sign is a line's end lost it to the pattern: all of its text is there before that.
    return made + b"".join(zlib.decompressobj().decompress(part) for part in streams if part[:1] == b"\x78")


def pages_in(pdf: Path) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", inside(pdf)))


# ── what stands on the card ──


@pytest.mark.parametrize(("column", "head", "unit", "big", "small"), [
    (0, "Speed", "mm/s", ["238.1", "131.8", "69.6"], ["9.37 in/s", "5.19 in/s", "2.74 in/s"]),
    (1, "Power", "%", ["90", "90", "90"], ["0.076 J/mm", "0.137 J/mm", "0.259 J/mm"]),
    (2, "Passes", "", ["1"] * 3, [""] * 3),
    (3, "Pitch", "mm", ["0.05"] * 3, ["200 lines/cm"] * 3),
    (4, "Depth wanted", "mm", ["0.50", "1.00", "2.00"], ["0.020 in", "0.039 in", "0.079 in"]),
    (5, "Depth expected", "mm", ["0.50", "1.00", "2.00"], ["0.020 in", "0.039 in", "0.079 in"]),
    (6, "95 % interval", "mm", ["0.40–0.60", "0.83–1.17", "1.70–2.30"],
     ["0.016–0.024 in", "0.033–0.046 in", "0.067–0.091 in"]),
    (7, "Minutes", "per 10 cm²", ["1.4", "2.5", "4.8"], [""] * 3),
])
def test_the_settings_table_in_mm_and_inches(column, head, unit, big, small):
    got = page_of(stand_in())["columns"][column]
    assert (" ".join(got["head"]), got["unit"], got["big"], got["small"]) == (head, unit, big, small)


def test_the_card_leads_with_the_machine_s_units_and_keeps_mm_beside_them():
    machine = Machine(units=Units("mm/min", "lines per inch", 255))
    columns = page_of(stand_in(), machine=machine)["columns"][:4]
    assert [(" ".join(column["head"]), column["unit"], column["big"], column["small"]) for column in columns] == [
        ("Speed", "mm/min", ["14286", "7908", "4176"], ["238.1 mm/s", "131.8 mm/s", "69.6 mm/s"]),
        ("Power", "of 255", ["230"] * 3, ["90 %"] * 3),
        ("Passes", "", ["1"] * 3, ["0.076 J/mm", "0.137 J/mm", "0.259 J/mm"]),
        ("Lines", "per inch", ["508"] * 3, ["0.05 mm"] * 3)]


def test_the_card_says_what_running_up_on_the_wood_does():
    head = Machine(acceleration_mm_s2=3000, runs_up_outside=False)
    (said,) = set(page_of(stand_in(), machine=head)["notes"]) - set(page_of(stand_in())["notes"])
    assert said == ("The head speeds up on the wood (runs_up_outside = false): at 238.1 mm/s the first and last 9.4 mm of every "
                    "line get twice the energy on average and burn deeper, unless your machine lowers its power with the speed.")


def test_the_card_leads_with_what_is_set_in_an_order_of_its_own():
    """Speed, power, passes, pitch, all of them bold; then what comes of it."""
    columns = page_of(stand_in())["columns"]
    assert [" ".join(column["head"]) for column in columns] == [
        "Speed", "Power", "Passes", "Pitch", "Depth wanted", "Depth expected", "95 % interval", "Minutes"]
    assert [column["set"] for column in columns] == [True] * 4 + [False] * 4


def test_settings_keep_the_decimals_they_need():
    fit = stand_in()
    odd = choices(fit).assign(power_pct=[87.25, 90, 90], passes=[1, 2, 3], line_pitch_mm=0.08)
    columns = card.document(fit, odd)["pages"][0]["columns"]
    assert [columns[number]["big"] for number in (1, 3, 2)] == [
        ["87.25", "90.00", "90.00"], ["0.08", "0.08", "0.08"], ["1", "2", "3"]]
    assert columns[3]["small"] == ["125 lines/cm"] * 3


def test_an_interval_never_reads_as_less_than_no_depth():
    fit = stand_in()
    page = card.document(fit, choices(fit).assign(lower_mm=-0.2))["pages"][0]
    assert page["columns"][6]["big"][0] == "0.00–0.60"


def test_chance_inside_stands_there_only_when_it_is_known():
    fit = stand_in()
    known = card.document(fit, choices(fit, chance=0.934))["pages"][0]["columns"]
    assert (len(known), known[8]["head"], known[8]["big"]) == (9, ["Chance", "inside"], ["93"] * 3)
    assert len(page_of(fit)["columns"]) == 8


def test_rows_are_ordered_by_wanted_depth():
    fit = stand_in()
    page = card.document(fit, choices(fit, aims=(2.0, 0.5, 1.0)))["pages"][0]
    assert page["columns"][4]["big"] == ["0.50", "1.00", "2.00"]


def test_a_carried_on_row_is_marked_and_explained():
    fit = stand_in()
    page = card.document(fit, choices(fit, aims=(1.0, 2.4)))["pages"][0]
    assert page["extrapolated"] == [False, True]
    assert page["notes"][1] == (
        "† Outside what was burned (0.05 to 0.28 J/mm, pitch 0.05 mm): the line is only carried on "
        "there. Burn swatches at that setting before you trust it.")
    assert page["chart"]["line"][0][2] is False and page["chart"]["line"][-1][2] is True


def test_notes_say_what_the_interval_means_the_window_and_the_flags():
    notes = page_of(stand_in(flags="one board only"), window=WINDOW)["notes"]
    assert notes[0].startswith("What the 95 % interval means: a depth reading on your next board ")
    assert notes[1:] == ["The infill needs 1.60–2.00 mm (0.063–0.079 in), hatched in the chart.",
                         "Scatter taken into account: boards ±9 % (20 % of that is assumed, not "
                         "measured), swatches ±4 %, readings ±3 % and 0.02 mm.",
                         "Note on the fit: one board only"]


@pytest.mark.parametrize(("board", "holds", "said"), [
    ("next", "For your next board, not yet seen", "a depth reading on your next board should"),
    ("Plaque-1", "For board Plaque-1 only",
     "It was proved with 1 swatch and burns 8 % shallower than most. Any other board needs"),
    ("B2", "For board B2 only", "It is one of the boards burned. Any other board needs"),
])
def test_the_page_says_for_which_board_it_holds(board, holds, said):
    page = page_of(stand_in(), board=board)
    assert page["holds"] == holds
    assert said in page["notes"][0]


def test_a_proof_that_contradicts_the_lab_book_carries_its_warning_onto_the_card():
    odd = pd.DataFrame(PROOF).assign(warning="This proof is further off than boards are.")
    page = page_of(replace(stand_in(), proofs=odd), board="Plaque-1")
    assert "This proof is further off than boards are." in page["notes"][0]


def test_what_is_known_of_the_machine_as_it_is_now_comes_first():
    words = "20 W has come out 18 % shallower since sign-13: these settings count that in."
    assert page_of(replace(stand_in(), said=words))["notes"][0] == words


@pytest.mark.parametrize(("noted", "said"), [(["on", "on"], True), (["on", ""], False), (["on", "off"], False), (["", ""], False)])
def test_only_what_every_burn_says_is_printed(noted, said):
    fit = stand_in(boards=("B1", "B2"))
    burned = replace(fit, readings=fit.readings.assign(air_assist=np.where(fit.readings["board"] == "B1", *noted)))
    assert ("air on" in page_of(burned)["provenance"]) == said


def test_a_focus_that_one_burn_alone_notes_is_not_printed():
    fit = stand_in(boards=("B1", "B2"))
    burned = replace(fit, readings=fit.readings.assign(focus_offset_mm=np.where(fit.readings["board"] == "B1", 3.0, np.nan)))
    assert "focus" not in page_of(burned)["provenance"]


def test_a_group_is_found_on_its_page():
    fit = stand_in(SEVERAL)
    rows = choices(fit)
    for number, (species, module_w, wavelength_nm) in enumerate(SEVERAL, start=2):
        group = SimpleNamespace(species=species, module_w=module_w, wavelength_nm=wavelength_nm, module="")
        assert card.page_of(rows, group) == number
    assert card.page_of(rows[rows["species"] == "black walnut"],
                        SimpleNamespace(species="black walnut", module_w=10.0, wavelength_nm=450.0, module="")) == 1


def test_provenance_says_readings_boards_burns_days_data_and_version():
    fit = stand_in()
    made = card.document(fit, choices(fit))
    assert made["pages"][0]["provenance"] == (
        "45 readings, 15 swatches, 3 boards (B1, B2, B3), 3 burns, 2026-03-01 to 2026-03-03")
    assert re.fullmatch(r"data\s3f9ac0de77b1 · testburn\s\d+\.\d+\.\d+\S*", made["provenance"])
    one = page_of(stand_in(boards=("B1",)))
    assert one["provenance"] == "15 readings, 5 swatches, 1 board (B1), 1 burn, 2026-03-01"


@pytest.mark.parametrize(("invented", "said"), [(True, card.INVENTED), (False, None)])
def test_invented_data_is_said_to_be_invented(invented, said):
    fit = stand_in(invented=invented)
    assert card.document(fit, choices(fit))["invented"] == said


@pytest.mark.parametrize("word", [
    "Class 4", "enclosure", "eyewear", "marked for 450 nm, never by tint", "unattended",
    "Extinguisher", "smoulder", "outdoors", "filter", "PVC", "vinyl", "treated",
    "unknown coating", "dust", "solvent", "Local codes", "manuals", "laser safety officer"])
def test_the_cautions_are_complete(word):
    assert word in " ".join(" ".join(caution) for caution in page_of(stand_in())["cautions"])


def test_no_optical_density_number_is_printed():
    cautions = " ".join(" ".join(caution) for caution in page_of(stand_in())["cautions"])
    assert re.findall(r"\d+", cautions) == ["4", "450"]


# ── the chart ──


@pytest.mark.parametrize(("end", "most", "ticks"), [
    (2.6, 6, ["0.0", "0.5", "1.0", "1.5", "2.0", "2.5"]),
    (0.29, 7, ["0.00", "0.05", "0.10", "0.15", "0.20", "0.25"]),
    (5.9, 7, ["0", "1", "2", "3", "4", "5"]),
    (1.0, 6, ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]),
    (0.005, 7, ["0.000", "0.001", "0.002", "0.003", "0.004", "0.005"]),
])
def test_ticks_are_round_numbers(end, most, ticks):
    got = cardchart._ticks(end, most)
    assert [text for _, text in got] == ticks
    assert [at * end for at, _ in got] == pytest.approx([float(text) for text in ticks], abs=1e-3 * end)


def test_the_chart_shows_every_reading_at_its_place():
    fit = stand_in()
    chart = page_of(fit, window=WINDOW)["chart"]
    right, top = 1.04 * 0.28, 1.05 * (0.04 + 1.13 * (8.2 * 0.28 - 0.12))
    assert [(board["name"], len(board["points"])) for board in chart["boards"]] == [
        ("B1", 15), ("B2", 15), ("B3", 15)]
    assert chart["boards"][0]["points"][0] == pytest.approx((0.05 / right, 0.29 * 0.98 / top), abs=1e-4)
    assert chart["chosen"][1] == pytest.approx((1.12 / 8.2 / right, 1.0 / top), abs=1e-4)
    assert chart["window"] == pytest.approx([1.6 / top, 2.0 / top], abs=1e-4)
    assert chart["x"]["label"] == "line energy, J/mm at 0.05 mm pitch"


def test_every_part_of_the_chart_lies_inside_it():
    fit = stand_in()
    chart = card.document(fit, choices(fit, aims=EIGHT), {"at_least_mm": 1, "at_most_mm": 99})["pages"][0]["chart"]
    places = [value for x, y, *_ in chart["band"] + chart["line"] + chart["chosen"] for value in (x, y)]
    assert 0 <= min(places + chart["window"]) and max(places + chart["window"]) <= 1


def test_an_areal_dose_fit_is_drawn_against_areal_dose():
    chart = page_of(stand_in(regressor="areal_dose_j_mm2"))["chart"]
    assert chart["x"]["label"] == "energy per mm², J/mm²"
    assert chart["chosen"][1][0] == pytest.approx(1.12 / 8.2 / 0.05 / (1.04 * 0.28 / 0.05), abs=1e-4)


def test_a_setting_at_another_pitch_stands_where_its_dose_does():
    fit = stand_in()
    chosen = choices(fit).assign(line_pitch_mm=0.1)
    chart = card.document(fit, chosen)["pages"][0]["chart"]
    assert chart["chosen"][2][0] == pytest.approx(2.12 / 8.2 / 2 / (1.04 * 0.28), abs=1e-4)


def test_struck_out_readings_are_neither_drawn_nor_counted():
    fit = stand_in()
    fit.readings.loc[0, ["used", "depth_mm"]] = False, 25.4
    assert len(page_of(fit)["chart"]["boards"][0]["points"]) == 14


def test_more_boards_than_shapes_share_the_last_shape():
    boards = page_of(stand_in(boards=tuple("ABCDEFG")))["chart"]["boards"]
    assert [board["name"] for board in boards] == ["A", "B", "C", "D", "3 more"]
    assert len(boards[-1]["points"]) == 45


# ── refusals ──


@pytest.mark.parametrize(("change", "how", "message"), [
    ({}, {"paper": "a9"}, "Paper 'a9' is unknown. Use one of: a5, us-half-letter."),
    ({"drop": "passes"}, {}, "The chosen settings lack: passes. Pass what settings.choose returned, "
                             "with aim_mm added."),
    ({"rows": 0}, {}, "There are no chosen settings to print. Choose at least one depth first."),
    ({"aims": np.linspace(0.4, 2, 9)}, {}, "hard maple at 20 W, 450 nm has 9 depths; a page holds up "
                                           "to 8. Choose fewer, or print two cards."),
    ({"species": "sapele"}, {}, "The fit has no readings of sapele at 20 W, 450 nm. Burn test "
                                "swatches with it, or leave it off the card."),
    ({"level": [0.9, 0.95, 0.95]}, {}, "hard maple at 20 W, 450 nm mixes interval levels. Choose "
                                       "all its depths at one level."),
])
def test_refusals_say_what_to_do(change, how, message):
    fit = stand_in()
    chosen = choices(fit, aims=change.get("aims", (0.5, 1.0, 2.0)))
    chosen = chosen.assign(**{name: change[name] for name in ("species", "level") if name in change})
    chosen = chosen.drop(columns=change.get("drop", [])).head(change.get("rows", 99))
    with pytest.raises(ValueError) as refused:
        card.document(fit, chosen, **how)
    assert str(refused.value) == message


# ── the file ──


@pytest.mark.parametrize("paper", card.PAPERS)
@pytest.mark.parametrize(("groups", "aims", "pages"), [(ONE, (1.0,), 1), (ONE, EIGHT, 1), (SEVERAL, EIGHT, 4)])
def test_one_page_a_group_and_an_index_before_several(tmp_path, paper, groups, aims, pages):
    fit = stand_in(groups)
    made = card.write(tmp_path / "cards" / "card.pdf", fit, choices(fit, aims, 0.9), WINDOW, paper)
    assert pages_in(made) == pages
    assert [left.name for left in made.parent.iterdir()] == ["card.pdf"]


@pytest.mark.parametrize("paper", card.PAPERS)
def test_the_fullest_page_with_the_worst_text_stays_one_page_and_is_never_markup(tmp_path, paper):
    fit = stand_in(((NASTY, 20.0, 450.0),), tuple(f"{number}{NASTY}" for number in range(7)),
                   "areal_dose_j_mm2", NASTY)
    chosen = choices(fit, EIGHT, 0.9).assign(power_pct=87.25, passes=12, line_pitch_mm=0.03,
                                             minutes_per_10cm2=123.4, speed_mm_s=4541.63)
    made = card.write(tmp_path / "card.pdf", fit, chosen, WINDOW, paper, board=NASTY)
    assert pages_in(made) == 1
    assert card.document(fit, chosen)["pages"][0]["species"].startswith(
        '#panic() *bold* _low_ $x$ <b> `raw` \\ " □ □ WWW')


def test_the_pdf_is_tagged_titled_and_in_a_language(tmp_path):
    fit = stand_in()
    made = inside(card.write(tmp_path / "card.pdf", fit, choices(fit)))
    for mark in (b"<pdfuaid:part>1</pdfuaid:part>", b"/Lang", b"/StructTreeRoot", b"/Alt",
                 b"/Title (Settings card: Hard maple, 20 W, 450 nm)", b"/ToUnicode", b"/MarkInfo"):
        assert re.sub(rb"\s", b"", mark) in re.sub(rb"\s", b"", made), mark
    assert b"CreationDate" not in made and b"ModifyDate" not in made


def test_the_bytes_depend_on_nothing_but_the_inputs(tmp_path):
    """Another process, clock epoch, time zone, locale and hash seed: the same bytes."""
    fit = stand_in()
    here = card.write(tmp_path / "here.pdf", fit, choices(fit), WINDOW).read_bytes()
    script = ("import sys; sys.path.insert(0, sys.argv[1]); import test_card as t; "
              "fit = t.stand_in(); t.card.write(sys.argv[2], fit, t.choices(fit), t.WINDOW)")
    there = tmp_path / "there.pdf"
    other = os.environ | {"TZ": "Pacific/Auckland", "LC_ALL": "de_DE.UTF-8", "PYTHONHASHSEED": "7",
                          "SOURCE_DATE_EPOCH": "981173106"}
    subprocess.run([sys.executable, "-c", script, str(Path(__file__).parent), str(there)],
                   env=other, cwd=tmp_path, check=True)
    assert there.read_bytes() == here


def test_a_failed_write_leaves_the_old_card_and_no_litter(tmp_path, monkeypatch):
    fit, path = stand_in(), tmp_path / "card.pdf"
    path.write_bytes(b"the old card")

    def held_open(source, target):
        raise PermissionError("in use")

    monkeypatch.setattr(os, "replace", held_open)
    with pytest.raises(PermissionError) as refused:
        card.write(path, fit, choices(fit))
    assert str(refused.value) == (f"{path} cannot be replaced. Close it in the program that shows it, or see whether you may "
                                  "write to its folder; then try again.")
    assert path.read_bytes() == b"the old card"
    assert list(tmp_path.iterdir()) == [path]


def test_the_typeface_holds_every_character_called_drawable():
    """An accessible PDF refuses a character without a glyph, so this fails on a gap."""
    signs = "".join(chr(sign) for low, high in cardtext.DRAWABLE for sign in range(low, high + 1)) + "□†≥"
    source = ('#set document(title: "all")\n#set text(font: "Source Sans 3", fallback: false)\n'
              '#text(weight: 400, sys.inputs.signs) #text(weight: 600, sys.inputs.signs)')

    def drawn(text):
        return typst.compile(source.encode(), font_paths=[pdf.HERE / "fonts"], pdf_standards="ua-1",
                             ignore_system_fonts=True, sys_inputs={"signs": text})

    assert drawn(signs).startswith(b"%PDF")
    with pytest.raises(typst.TypstError):
        drawn("木")


def test_a_preview_is_a_picture_of_the_page(tmp_path):
    fit = stand_in()
    made = pdf.preview(card.write(tmp_path / "card.pdf", fit, choices(fit)), ppi=72)
    assert made.startswith(b"\x89PNG")
    width, height = (int.from_bytes(made[at:at + 4]) for at in (16, 20))
    assert (width, height) == (pytest.approx(148 / 25.4 * 72, abs=1), pytest.approx(210 / 25.4 * 72, abs=1))


def test_measured_readings_with_an_invented_proof_are_not_called_invented():
    fit = stand_in(invented=True)
    measured = replace(fit, readings=fit.readings.assign(invented=""))
    assert card.document(measured, choices(fit))["invented"] == card.INVENTED_PROOF


def test_a_card_is_drawn_by_the_template_it_shares_with_the_binder():
    """What both draw is in cardpage.typ once; neither holds a page's layout of its own."""
    for name in ("card.typ", "binder.typ"):
        text = (pdf.HERE / name).read_text(encoding="utf-8")
        assert '#import "cardpage.typ"' in text and "chart" not in text


def test_a_jobs_own_rows_stand_fast_ones_first_with_the_jobs_minutes(burns):
    fit = depthfit.fit(burns())
    chosen = settings.choose(fit, "white oak", 20, 0.8, 1.2).assign(way="rows")
    rows = settings.for_job(chosen, SimpleNamespace(left_out=0, name="gate.svg", area_mm2=5000))
    rows = pd.concat([rows.assign(aim_mm=1.1, minutes=20.0, least_minutes=20.0),
                      rows.assign(aim_mm=0.9, minutes=84.8, least_minutes=31.4)])
    page = card.document(fit, rows)["pages"][0]
    columns = {" ".join(column["head"]): column for column in page["columns"]}
    assert columns["Depth wanted"]["big"] == ["1.10", "0.90"]
    assert (columns["Minutes"]["unit"], columns["Minutes"]["big"]) == ("this job", ["20", "31–85"])
    assert "Minutes are of gate.svg, swept in rows." in page["notes"]
    assert ("Minutes are of gate.svg, from a brisk head to a slow one: machine.toml has no acceleration."
            in card.document(fit, rows.assign(way=""))["pages"][0]["notes"])
