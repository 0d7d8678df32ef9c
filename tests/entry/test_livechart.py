"""Live chart: the points typed so far on the lab book's own axis."""

import sys
from pathlib import Path

import pytest

from testburn.entry import burnform

sys.path.append(str(Path(__file__).parent))
from typed_burns import HEADER, form_for


def chart(form):
    return form.plot.outputs[0]["data"]["application/vnd.plotly.v1+json"]


def test_points_are_drawn_as_they_are_typed(book):
    form = form_for(book, [{"swatch": "<b>", "speed": "150", "depths": ["0.66"]}])
    drawn = chart(form)["data"][-1]
    assert drawn["name"] == "this burn" and (drawn["x"], drawn["y"]) == ([2.4], [0.66])
    assert drawn["text"] == ["swatch &lt;b&gt;, reading 1: 0.66 mm"]
    assert "no curve for it yet" in chart(form)["layout"]["title"]["text"]
    form.rows[0].depths[1].value = "0,70"
    form.rows[0].depths[2].value = "no number"
    assert chart(form)["data"][-1]["y"] == [0.66, 0.7]


def test_the_points_lie_on_the_lab_books_own_axis(labdata):
    start = {"burn": "new", "species": "black cherry", "board": "C9", "module_w": "15", "wavelength_nm": "445",
             "swatches": [
        {"swatch": "1", "speed": "150", "depths": ["0.66"]}]}
    form = burnform.entry(labdata, HEADER | start)
    drawn = chart(form)
    names = [trace.get("name") for trace in drawn["data"]]
    assert "next board, 95 % band" in names and names[-1] == "this burn"
    per = 0.05 if "J/mm²" not in drawn["layout"]["xaxis"]["title"]["text"] else 1
    assert drawn["data"][-1]["x"] == [pytest.approx(1.8 * per)]
    assert "black cherry, 15 W" in drawn["layout"]["title"]["text"]


def test_nothing_is_drawn_before_there_is_a_point_or_a_curve(book):
    assert burnform.entry(book).plot.outputs == ()
