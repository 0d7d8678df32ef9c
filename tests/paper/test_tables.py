"""Tables: headings in words, digits a gauge can tell, and nothing of the lab book run or cut."""

import html
import re

import numpy as np
import pandas as pd
import pytest

from testburn import depthfit
from testburn.job import settings
from testburn.labbook import columns
from testburn.paper import tables
from testburn.units import Units


@pytest.mark.parametrize(("column", "value", "heading", "text"), [
    ("depth_mm", 0.6749, "depth, mm", "0.67"), ("speed_mm_s", 150.0, "speed, mm/s", "150"),
    ("speed_mm_s", 12.5, "speed, mm/s", "12.5"), ("line_pitch_mm", 0.05, "pitch, mm", "0.05"),
    ("line_energy_j_mm", 0.12, "line energy, J/mm", "0.120"), ("chance_inside", 0.8349, "chance inside", "83%"),
    ("residual_pct", -3.4, "off the curve, %", "-3"), ("residual_pct", 3.4, "off the curve, %", "+3"),
    ("minutes", 12.345, "minutes", "12.3"), ("module_w", 20.0, "module, W", "20"),
    ("good", True, "good enough", "yes"), ("good", False, "good enough", ""),
    ("good", np.bool_(True), "good enough", "yes"), ("extrapolated", np.bool_(False), "outside the burns", ""),
    ("upper_j_mm", np.nan, "upper limit", ""), ("flags", "only 2 boards", "notes", "only 2 boards"),
    ("burned_on", pd.Timestamp("2026-03-14"), "burned on", "2026-03-14"),
    ("burned_on", pd.NaT, "burned on", ""), ("of my own", 1.25, "of my own", "1.25"),
])
def test_a_value_is_shown_as_a_maker_reads_it(column, value, heading, text):
    shown = tables.shop(pd.DataFrame({column: pd.Series([value])})).frame
    assert shown.to_dict("list") == {heading: [text]}


def test_the_named_columns_are_shown_in_the_order_named():
    frame = pd.DataFrame({"depth_mm": [0.5], "board": ["O1"], "species": ["white oak"]})
    assert tables.shop(frame, "species", "depth_mm").frame.columns.tolist() == ["wood", "depth, mm"]
    assert tables.shop(frame).frame.columns.tolist() == ["depth, mm", "board", "wood"]


def test_no_two_columns_of_one_table_share_a_heading(burns):
    fit = depthfit.fit(burns())
    for frame in (fit.table, fit.predict("white oak", 20, [0.1]), fit.board_deviations,
                  settings.choose(fit, "white oak", 20, 0.7, 1.1), fit.fitted):
        names = [tables.HEADINGS.get(name, (name, None))[0] for name in frame.columns]
        twice = {name for name in names if names.count(name) > 1}
        assert not twice


def test_text_of_the_lab_book_is_escaped():
    bad = "<img src=x onerror=alert(1)>"
    shown = tables.shop(pd.DataFrame({"board": [bad], bad: ["x"]}))._repr_html_()
    assert "<img" not in shown and shown.count(html.escape(bad)) == 2


@pytest.mark.parametrize("text", ["word " * 60, "x" * 500])
def test_long_text_is_not_cut(text):
    shown = tables.shop(pd.DataFrame({"why": [text.strip()]}))
    assert text.strip() in shown._repr_html_() and text.strip() in repr(shown)
    assert "..." not in repr(shown)


def test_many_rows_and_columns_are_not_cut():
    wide = pd.DataFrame({f"column {place}": range(200) for place in range(40)})
    shown = tables.shop(wide)
    assert shown._repr_html_().count("<tr>") == 201
    assert "column 39" in repr(shown).splitlines()[0] and len(repr(shown).splitlines()) == 201


def test_words_stand_left_and_rows_have_no_numbers():
    shown = tables.shop(pd.DataFrame({"board": ["O1"]}, index=[77]))
    assert "77" not in shown._repr_html_() + repr(shown)
    cells = re.findall(r"<t[hd]\b[^>]*>", shown._repr_html_())
    assert cells and all('style="text-align: left"' in cell for cell in cells)
    assert "text-align: right" not in shown._repr_html_()


def test_an_empty_table_says_none():
    empty = tables.shop(pd.DataFrame({"board": pd.Series([], dtype=str)}))
    assert (repr(empty), empty._repr_html_()) == ("none", "<i>none</i>")
    assert repr(tables.shop(pd.DataFrame())) == "none"


def test_scatter_says_how_large_what_it_means_and_how_much_is_assumed():
    components = pd.DataFrame({
        "component": ["board", "swatch", "reading", "gauge"], "sd": [0.092, 0.041, 0.03, 0.0149],
        "df": [7.2, 31.0, 60.4, 12.0], "prior_share": [0.25, 0.054, 0.01, 0.5],
        "prior_sd": [0.10, 0.05, 0.04, 0.01], "prior_measured": False})
    shown = tables.scatter(components).frame
    assert shown.drop(columns="what it means").values.tolist() == [
        ["board", "±9 %", "7 repeats", "25%", "±10 %"], ["swatch", "±4 %", "31 repeats", "5%", "±5 %"],
        ["reading", "±3 %", "60 repeats", "1%", "±4 %"],
        ["gauge", "±0.01 mm", "12 repeats", "50%", "±0.01 mm"]]
    measured = tables.scatter(components.assign(prior_measured=components["component"] == "gauge")).frame
    assert measured.drop(columns="what it means").values.tolist()[3] == ["gauge", "±0.01 mm", "12 repeats", "0%", "measured: ±0.01 mm"]
    assert all(len(meaning.split()) > 8 for meaning in shown["what it means"])


def test_the_components_of_a_fit_have_each_a_meaning(burns):
    shown = tables.scatter(depthfit.fit(burns()).components).frame
    assert shown["from"].tolist() == ["board", "swatch", "reading", "gauge"]


def test_every_column_of_the_lab_book_with_a_unit_has_a_heading_in_words():
    for name in ("module_w", "depth_mm"):
        assert name in columns.BY_NAME and tables.HEADINGS[name][0] != name


SETTINGS = pd.DataFrame({"power_pct": [90.0, 60.0], "speed_mm_s": [77.0, np.nan], "line_pitch_mm": [0.1, 0.08], "from_mm_s": [1.0, 2.0]})


@pytest.mark.parametrize(("units", "heads", "first", "last"), [
    (Units(), ["power, %", "speed, mm/s", "pitch, mm", "from, mm/s"], ["90", "77", "0.1", "1"], ["60", "", "0.08", "2"]),
    (Units("mm/min", "lines per inch", 255), ["power, of 255", "speed, mm/min", "lines, per inch", "from, mm/min"],
     ["230", "4620", "254", "60"], ["153", "", "318", "120"])])
def test_what_is_typed_into_the_machine_stands_in_its_units(units, heads, first, last):
    frame = tables.shop(SETTINGS, units=units).frame
    assert list(frame) == heads and frame.to_numpy().tolist() == [first, last]


def test_minutes_of_a_head_not_known_are_one_cell_from_brisk_to_slow():
    table = pd.DataFrame({"minutes": [84.8, 20.0], "least_minutes": [23.7, 20.0]})
    assert tables.shop(table, "minutes").frame["minutes"].tolist() == ["23.7–84.8", "20.0"]


def test_words_are_shown_as_paragraphs_and_escaped():
    shown = tables.said("one <b>board</b>", "", "two")
    assert repr(shown) == "one <b>board</b>\n\ntwo"
    assert "&lt;b&gt;" in shown._repr_html_() and shown._repr_html_().count("<p ") == 2
    assert repr(tables.said("")) == "nothing"


def test_figures_that_need_not_be_read_lie_behind_a_fold():
    folded = tables.behind("The figures <behind>", pd.DataFrame({"words": ["they differ"], "F": [3.21]}), "words", "F")
    assert folded._repr_html_().startswith("<details><summary>The figures &lt;behind&gt;</summary><table") and "3.2" in folded._repr_html_()
    assert repr(folded).startswith("The figures <behind>\n")
