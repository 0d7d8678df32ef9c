"""Charts: what the traces hold. Nothing is computed in a chart, so nothing is looked at as pixels."""

import base64
import json
from pathlib import Path

import numpy as np
import pytest

from testburn import charts, depthfit, energy, labbook
from testburn.depthfit import compare
from testburn.job import settings
from testburn.units import Units

LABDATA = Path(__file__).parents[2] / "labdata"
CHERRY = ("black cherry", 15.0)
WINDOW = (0.4, 0.6)


@pytest.fixture(scope="module")
def demo():
    """The fit of the invented demo lab book."""
    return depthfit.fit(labbook.read(LABDATA))


@pytest.fixture(scope="module")
def chosen(demo):
    return settings.choose(demo, *CHERRY, *WINDOW)


def drawn(fit, chosen):
    """Every chart once, by name."""
    species, module_w = chosen[["species", "module_w"]].iloc[0]
    choice = chosen.iloc[0]
    return {
        "depth": charts.depth(fit, species, module_w, settings=chosen, ordinary=True),
        "residuals": charts.residuals(fit, species, module_w),
        "boards": charts.board_deviations(fit),
        "chance": charts.chance(settings.by_speed(fit, choice, *WINDOW), choice, 0.8),
        "modules": charts.by_module(fit, 0.05),
        "species": charts.by_species(fit, module_w, 0.05),
        "needs": charts.energy_needed(fit, settings.energy_needs(fit, 0.6, 0.05)),
        "which module": charts.job.modules(settings.by_module(fit, species, *WINDOW)),
    }


@pytest.fixture(scope="module")
def figures(demo, chosen):
    return drawn(demo, chosen)


NAMES = ["depth", "residuals", "boards", "chance", "modules", "species", "needs", "which module"]
AXES = {
    "depth": ("energy per mm², J/mm²", "depth, mm"),
    "residuals": ("line energy, J/mm", "deeper than the curve, %"),
    "boards": ("deeper than the curve of its wood and module, %", None),
    "chance": ("speed, mm/s", "chance to land inside, %"),
    "modules": ("J/mm", "depth, mm"),
    "species": ("line energy, J/mm (pitch 0.05 mm)", "depth, mm"),
    "needs": ("line energy, J/mm, with its limits", None),
    "which module": ("minutes of the drawing", None),
}


def strings(value):
    """Every text anywhere in a figure."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        yield from (text for part in value.values() for text in strings(part))
    elif isinstance(value, (list, tuple)):
        yield from (text for part in value for text in strings(part))


def traces(figure, **wanted):
    return [trace for trace in figure.data
            if all(getattr(trace, name) == value for name, value in wanted.items())]


@pytest.mark.parametrize("name", NAMES)
def test_axes_are_titled_with_their_units(name, figures):
    layout = figures[name].layout
    assert (layout.xaxis.title.text, layout.yaxis.title.text) == AXES[name]
    assert layout.title.text


@pytest.mark.parametrize("name", NAMES)
def test_numbers_are_rounded_so_that_every_machine_draws_the_same(name, figures):
    data = json.loads(figures[name].to_json())["data"]

    def numbers(value):
        if isinstance(value, float):
            yield value
        elif isinstance(value, dict) and "bdata" in value:
            yield from np.frombuffer(base64.b64decode(value["bdata"]), value["dtype"]).tolist()
        elif isinstance(value, (dict, list)):
            for part in value.values() if isinstance(value, dict) else value:
                yield from numbers(part)
    found = list(numbers(data))
    assert found and all(number == round(number, 4) for number in found)


@pytest.mark.parametrize("name", NAMES)
def test_drawn_twice_it_is_the_same_and_asks_nothing_of_the_network(name, figures, demo, chosen):
    text = figures[name].to_json()
    assert drawn(demo, chosen)[name].to_json() == text
    assert "http" not in text and "//" not in text


def test_a_depth_chart_names_the_band_the_boards_and_the_settings(figures):
    shown = [trace.name for trace in figures["depth"].data if trace.showlegend is not False]
    assert shown == ["next board, 95 % band", "what the ordinary interval<br>would have told you",
                     "Cherry-1", "Cherry-2", "Cherry-3", "Cherry-4", "settings"]


def test_every_reading_is_drawn_once(figures, demo):
    rows = demo.group(*CHERRY).readings
    for name in ("depth", "residuals"):
        points = [trace for trace in figures[name].data if str(trace.name).startswith("Cherry-")]
        assert sum(len(trace.x) for trace in points) == len(rows)
        assert all(len(trace.text) == len(trace.x) for trace in points)
    depths = [y for trace in figures["depth"].data if str(trace.name).startswith("Cherry-") for y in trace.y]
    assert sorted(depths) == pytest.approx(sorted(rows["depth_mm"]), abs=1e-4)


def bands(figure):
    """The upper, lower and middle lines of each band, in the order they are drawn."""
    filled = [place for place, trace in enumerate(figure.data) if trace.fill == "tonexty"]
    return [figure.data[place - 1:place + 2] for place in filled]


@pytest.mark.parametrize(("name", "count"), [("depth", 1), ("modules", 12), ("species", 4)])
def test_bands_are_ordered_and_of_one_colour(name, count, figures):
    found = bands(figures[name])
    assert len(found) == count
    for upper, lower, middle in found:
        assert np.array_equal(upper.x, lower.x) and np.array_equal(lower.x, middle.x)
        assert (np.array(lower.y) <= middle.y).all() and (np.array(middle.y) <= upper.y).all()
        assert (np.array(upper.y) > lower.y).all()
        red, green, blue = (int(middle.line.color[at:at + 2], 16) for at in (1, 3, 5))
        assert lower.fillcolor.startswith(f"rgba({red},{green},{blue},")
        assert upper.legendgroup == lower.legendgroup == middle.legendgroup == middle.name


def test_a_band_is_what_predict_says(figures, demo):
    (upper, lower, middle), = bands(figures["depth"])
    said = demo.predict(*CHERRY, 0.05 * np.array(middle.x), 0.05)
    for trace, column in ((upper, "upper_mm"), (lower, "lower_mm"), (middle, "depth_mm")):
        assert list(trace.y) == pytest.approx(said[column].tolist(), abs=2e-4)


def test_the_ordinary_interval_is_drawn_beside_and_is_the_narrower(figures, demo):
    (upper, lower, middle), = bands(figures["depth"])
    low, high = traces(figures["depth"], legendgroup="ordinary")
    expected = compare.interval(compare.of_group(demo.group(*CHERRY)), np.array(low.x), 0.95)
    assert list(low.y) == pytest.approx(expected[0].tolist(), abs=2e-4)
    assert list(high.y) == pytest.approx(expected[1].tolist(), abs=2e-4)
    inner = slice(10, None)
    assert (np.subtract(high.y, low.y) < np.subtract(upper.y, lower.y))[inner].all()
    assert not traces(charts.depth(demo, *CHERRY), legendgroup="ordinary")


def test_a_board_is_named_and_its_band_is_narrower(figures, demo):
    figure = charts.depth(demo, *CHERRY, board="Cherry-1")
    (upper, lower, middle), = bands(figure)
    assert middle.name == "board Cherry-1, 95 % band"
    (next_upper, next_lower, _), = bands(figures["depth"])
    assert np.mean(np.subtract(upper.y, lower.y)) < np.mean(np.subtract(next_upper.y, next_lower.y))


def test_the_chance_chart_marks_the_choice_and_the_wanted_chance(figures, demo, chosen):
    line, mark = figures["chance"].data
    choice = chosen.iloc[0]
    assert list(mark.x) == [choice["speed_mm_s"]]
    assert list(mark.y) == pytest.approx([100 * choice["chance_inside"]], abs=1e-4)
    assert mark.y[0] == line.y[list(line.x).index(mark.x[0])]
    assert list(mark.text) == [f"{choice['speed_mm_s']:g} mm/s"] and mark.marker.symbol == "star"
    assert [shape.y0 for shape in figures["chance"].layout.shapes] == [80]
    assert figures["chance"].layout.annotations[0].text == "wanted: 80 %"


def test_chosen_settings_stand_at_the_dose_and_depth_they_say(figures, chosen):
    (stars,) = traces(figures["depth"], name="settings")
    assert list(stars.x) == pytest.approx(
        energy.areal_dose(chosen["line_energy_j_mm"], chosen["line_pitch_mm"]).tolist(), abs=1e-4)
    assert list(stars.y) == pytest.approx(chosen["depth_mm"].tolist(), abs=1e-4)


def test_modules_stand_side_by_side_with_chance_and_finest_pitch(figures, demo):
    table, figure = settings.by_module(demo, CHERRY[0], *WINDOW), figures["which module"]
    bars = {name: minutes for trace in figure.data for name, minutes in zip(trace.y, trace.x)}
    assert bars == pytest.approx(dict(zip(table["module_name"], table["minutes"])), abs=5e-5)
    assert [note.text for note in figure.layout.annotations] == [
        f" {100 * row.chance_inside:.0f} of 100 inside, finest pitch {row.finest_pitch_mm:g} mm" for row in table.itertuples()]
    assert figure.data[0].marker.pattern.shape != figure.data[1].marker.pattern.shape


def test_needs_are_drawn_with_their_limits(figures, demo):
    needs = settings.energy_needs(demo, 0.6, 0.05).set_index(["species", "module_w"])
    for trace in figures["needs"].data:
        rows = needs.loc[trace.name]
        assert list(trace.x) == pytest.approx(rows["best_j_mm"].tolist(), abs=1e-4)
        assert list(np.add(trace.x, trace.error_x.array)) == pytest.approx(
            rows["upper_j_mm"].tolist(), abs=2e-4)
        assert list(np.subtract(trace.x, trace.error_x.arrayminus)) == pytest.approx(
            rows["lower_j_mm"].tolist(), abs=2e-4)
        assert list(trace.text) == rows["words"].tolist()


def test_no_wood_that_gets_there_is_said_not_drawn(demo):
    empty = charts.energy_needed(demo, settings.energy_needs(demo, 50, 0.05))
    assert not empty.data and empty.layout.title.text == "No wood was burned to this depth"


def test_a_missing_upper_limit_is_drawn_as_none(demo):
    needs = settings.energy_needs(demo, 0.6, 0.05).head(1).assign(upper_j_mm=np.nan)
    (trace,) = charts.energy_needed(demo, needs).data
    assert list(trace.error_x.array) == [0] and trace.error_x.arrayminus[0] > 0


# ------------------------------------------------------------------------- told apart, also in grey
def looks(figure):
    """(colour, dash, marker) of each species in the side-by-side chart."""
    lines = {trace.name: (trace.line.color, trace.line.dash) for trace in figure.data if trace.name}
    marks = {trace.legendgroup: trace.marker.symbol for trace in figure.data if trace.mode == "markers"}
    return {name: (*line, marks[name]) for name, line in lines.items()}


def test_species_differ_in_colour_dash_and_marker(figures):
    found = looks(figures["species"])
    assert sorted(found) == ["black cherry", "black walnut", "sugar maple", "white oak"]
    for part in zip(*found.values()):
        assert len(set(part)) == 4


def test_a_species_looks_the_same_in_every_chart(figures):
    """The demo's woods all reach the depth asked for; colours are those of one list."""
    found = looks(figures["species"])
    for name in ("boards", "needs"):
        for trace in figures[name].data:
            colour, _, mark = found[trace.name]
            assert (trace.marker.color, trace.marker.symbol) == (colour, mark)
    for _, _, middle in bands(figures["modules"]):
        assert (middle.line.color, middle.line.dash) == found[middle.name][:2]


def grey(colour):
    """Relative luminance, 0 to 1. Source: WCAG 2.1, definition of relative luminance."""
    parts = np.array([int(colour[at:at + 2], 16) for at in (1, 3, 5)]) / 255
    linear = np.where(parts <= 0.03928, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return linear @ [0.2126, 0.7152, 0.0722]


def test_the_first_four_species_have_greys_of_their_own(figures):
    greys = sorted(grey(look[0]) for look in looks(figures["species"]).values())
    assert np.diff(greys).min() >= 0.03
    assert grey("#000000") == 0 and grey("#ffffff") == pytest.approx(1)


def test_boards_of_a_group_have_markers_of_their_own(figures):
    marks = [trace.marker.symbol for trace in figures["depth"].data if str(trace.name).startswith("Cherry")]
    assert len(set(marks)) == len(marks) == 4


def test_each_species_is_named_once_in_the_legend_of_the_modules(figures):
    shown = [trace.name for trace in figures["modules"].data if trace.name and trace.showlegend]
    assert sorted(shown) == ["black cherry", "black walnut", "sugar maple", "white oak"]
    assert [note.text for note in figures["modules"].layout.annotations] == [
        "6 W, 445 nm", "15 W, 445 nm", "30 W, 445 nm"]


# --------------------------------------------------------------------------- text of the lab book
@pytest.fixture(scope="module")
def tagged():
    """A lab book whose board and burn are named like tags."""
    rows = labbook.read(LABDATA).query("species == 'black cherry'")
    return rows.assign(board=rows["board"].replace("Cherry-1", "<b>x</b> & y"),
                       burn=rows["burn"].replace("trail-01", "<i>burn</i>"))


@pytest.mark.parametrize("name", NAMES)
def test_text_of_the_lab_book_is_shown_and_never_run(name, tagged):
    fit = depthfit.fit(tagged)
    shown = "".join(strings(drawn(fit, settings.choose(fit, *CHERRY, *WINDOW))[name].to_plotly_json()))
    assert "<b>" not in shown and "<i>" not in shown
    if name in ("depth", "residuals", "boards"):
        assert "&lt;b&gt;x&lt;/b&gt; &amp; y" in shown


def test_a_board_named_like_a_tag_is_escaped_where_it_is_asked_for(tagged):
    figure = charts.depth(depthfit.fit(tagged), *CHERRY, board="<b>x</b> & y")
    (_, _, middle), = bands(figure)
    assert middle.name == "board &lt;b&gt;x&lt;/b&gt; &amp; y, 95 % band"


def test_residuals_against_speed_are_in_the_machines_unit(demo):
    (own,), (shown,) = (traces(charts.residuals(demo, *CHERRY, "speed_mm_s", units=units), name="Cherry-1") for units in (Units(), Units("mm/min")))
    assert list(shown.x) == pytest.approx([60 * speed for speed in own.x])
    assert charts.residuals(demo, *CHERRY, "speed_mm_s", units=Units("mm/min")).layout.xaxis.title.text == "speed, mm/min"


@pytest.mark.parametrize(("against", "title"), [
    ("speed_mm_s", "speed, mm/s"), ("fitted_mm", "fitted depth, mm"), ("burned_on", "day of the burn"),
    ("order", "place of the swatch in its burn"), ("areal_dose_j_mm2", "energy per mm², J/mm²")])
def test_residuals_are_drawn_against_any_of_these(against, title, demo):
    figure = charts.residuals(demo, *CHERRY, against)
    assert figure.layout.xaxis.title.text == title
    rows = demo.fitted.loc[demo.group(*CHERRY).readings.index]
    (first,) = traces(figure, name="Cherry-1")
    expected = rows.loc[rows["board"] == "Cherry-1", against]
    if against == "burned_on":
        assert list(first.x) == expected.astype(str).tolist()
    else:
        assert list(first.x) == pytest.approx(expected.tolist(), abs=1e-4)
    assert [shape.y0 for shape in figure.layout.shapes] == [0]
