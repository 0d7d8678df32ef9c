"""Minutes of a sweep: closed forms, the head integrated place by place, properties, timed runs."""

import csv
import dataclasses
import importlib.util
import math
import time
from pathlib import Path

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate

from testburn import sweep
from testburn.charts import sweep as sweepchart
from testburn.labbook import Machine, ReadingsError
from testburn.sweep import Artwork, artwork, head as kinematics, lines, sweeps, timedruns, ways

HEAD = Machine(acceleration_mm_s2=3000, turn_overhead_s=0.02, travel_speed_mm_s=700)
SKIPS = Machine(acceleration_mm_s2=3000, turn_overhead_s=0.02, travel_speed_mm_s=700, skips_blanks=True)
ON_THE_WOOD = Machine(acceleration_mm_s2=3000, turn_overhead_s=0.02, travel_speed_mm_s=700, runs_up_outside=False)
EXAMPLES = Path(__file__).parents[1] / "reference" / "raster_travel_examples.csv"
WAYS = ["each piece", "rows", "full width"]


def block(left, top, width, height):
    """A piece of one rectangle."""
    return [(left, top, left + width, top + height)]


def frame(left, top, right, bottom, wide):
    """A piece of four bars that touch, the upright ones between the others: it goes round what lies inside."""
    return [(left, top, right, top + wide), (left, top + wide, left + wide, bottom - wide),
            (right - wide, top + wide, right, bottom - wide), (left, bottom - wide, right, bottom)]


def drawing(*pieces, width=300.0, height=200.0, step=0.01):
    """Artwork of rectangles, without a file; ends along a line are exact, across it to half a step."""
    runs = []
    for number, bars in enumerate(pieces):
        for left, top, right, bottom in bars:
            rows = np.arange(round(top / step), max(round(bottom / step), round(top / step) + 1))
            runs.append(np.column_stack([rows, np.full(len(rows), left), np.full(len(rows), right), np.full(len(rows), number)]))
    runs = np.concatenate(runs)
    row, left, right, piece = runs[np.lexsort((runs[:, 1], runs[:, 0]))].T
    ends = [np.array(bars) for bars in pieces]
    table = pd.DataFrame([dict(
        left_mm=bars[:, 0].min(), top_mm=bars[:, 1].min(), right_mm=bars[:, 2].max(), bottom_mm=bars[:, 3].max(),
        area_mm2=((bars[:, 2] - bars[:, 0]) * (bars[:, 3] - bars[:, 1])).sum(), perimeter_mm=1.0, holes=0,
        goes_round=len(bars) > 1, narrowest_mm=min(width, height)) for bars in ends])
    return Artwork("blocks.svg", width, height, step, row.astype(int), left, right, piece.astype(int), table)


def drawn(folder, body):
    """Artwork of an SVG file of 100 × 100 mm."""
    file = folder / "drawn.svg"
    file.write_text('<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="100mm" viewBox="0 0 100 100">'
                    f"{body}</svg>", encoding="utf-8")
    return artwork.read(file)


# --- closed forms

def examples():
    with EXAMPLES.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", examples(), ids=lambda row: f"{row['what']} {row['distance_mm']} {row['speed_mm_s']}")
def test_worked_kinematics(row):
    head = Machine(acceleration_mm_s2=float(row["accel_mm_s2"]), turn_overhead_s=float(row["overhead_s"] or 0),
                   travel_speed_mm_s=float(row["travel_speed_mm_s"]))
    distance, speed = (float(row[name] or "nan") for name in ("distance_mm", "speed_mm_s"))
    seconds = {"rest to rest": lambda: kinematics.rest_to_rest_s(distance, head),
               "gap hurried over": lambda: kinematics.hurry_s(distance, speed, head),
               "turn": lambda: kinematics.turn_s(speed, head)}[row["what"]]()
    assert float(seconds) == pytest.approx(float(row["seconds"]), abs=0.5e-5 + 1e-12)


@pytest.mark.parametrize(("width", "height", "pitch", "speed"), [
    (100, 60, 0.08, 20), (20, 10, 0.05, 250), (5, 5, 0.05, 250), (7, 0.04, 0.1, 90), (3, 10.03, 0.07, 400)])
@pytest.mark.parametrize("outside", [True, False])
@pytest.mark.parametrize("skips", [False, True])
def test_a_filled_rectangle_takes_what_the_formula_says_in_every_way(width, height, pitch, speed, skips, outside):
    head = Machine(acceleration_mm_s2=3000, skips_blanks=skips, runs_up_outside=outside)
    plan = sweep.plan(drawing(block(3, 4, width, height)), pitch, head)
    expected = kinematics.minutes(width, height, speed, pitch, 3, head)
    assert plan.minutes(speed, 3).iloc[0].tolist() == pytest.approx([expected] * 3, rel=1e-6)


# --- the head, by its speed at every place

def integrated_s(distance, v, v_out, top, a):
    """Seconds over a distance from speed v to v_out: as fast at every place as both ends allow, ∫ dx / v(x)."""
    def pace(x):
        fastest = min(v * v + 2 * a * x, v_out * v_out + 2 * a * (distance - x), top * top)
        return 1 / np.sqrt(fastest)
    return integrate.quad(pace, 0, distance, limit=300, epsrel=1e-7)[0] if distance > 0 else 0.0


def turned_s(leaves, enters, to_the_right, v, head):
    """Seconds from the end of one line at speed v to the beginning of the next, the other way, at v."""
    a, top = head.acceleration_mm_s2, max(kinematics.travel_speed_mm_s(head), v)
    run_up, further = v * v / (2 * a), (enters - leaves) * (1 if to_the_right else -1)
    if further > 0:  # on to beyond the next line's beginning, then back
        return integrated_s(further + run_up, v, 0, top, a) + integrated_s(run_up, 0, v, v, a)
    return integrated_s(run_up, v, 0, v, a) + integrated_s(run_up - further, 0, v, top, a)


def swept_s(blocks, at, v, head):
    """Seconds for one sweep over blocks (left, top, right, bottom), and where it begins and ends."""
    a, top = head.acceleration_mm_s2, kinematics.travel_speed_mm_s(head)
    edges = [min(b[0] for b in blocks), max(b[2] for b in blocks)]
    rows = []
    for y in at:
        spans = sorted((b[0], b[2]) for b in blocks if b[1] <= y < b[3])
        inside = min(b[1] for b in blocks) <= y < max(b[3] for b in blocks)
        if spans and head.skips_blanks:
            rows.append((y, spans))
        elif inside and not head.skips_blanks:
            rows.append((y, [tuple(edges)]))
    seconds, right, came = 0.0, True, None
    for y, spans in rows:
        begin, end = (spans[0][0], spans[-1][1])[::1 if right else -1]
        if came is not None:
            seconds += turned_s(came[0], begin, not right, v, head) + head.turn_overhead_s
            if y - came[1] > 1.5 * (at[1] - at[0]):
                seconds += integrated_s(y - came[1], 0, 0, top, a)
        seconds += sum(x1 - x0 for x0, x1 in spans) / v
        seconds += sum(integrated_s(after[0] - before[1], v, v, max(top, v), a)
                       for before, after in zip(spans, spans[1:]))
        came, right = (end, y), not right
    first = (rows[0][1][0][0], rows[0][0])
    return seconds, first, came, not right


def job_s(sweeps, at, v, head):
    """Seconds for sweeps one after another, with a stop, a travel and a run-up between them."""
    a, top = head.acceleration_mm_s2, kinematics.travel_speed_mm_s(head)
    run_up, seconds, stood = v * v / (2 * a), 0.0, None
    for blocks in sweeps:
        took, first, last, to_the_right = swept_s(blocks, at, v, head)
        if stood is not None:
            seconds += integrated_s(run_up, v, 0, v, a) + head.turn_overhead_s + integrated_s(run_up, 0, v, v, a)
            seconds += integrated_s(np.hypot(first[0] - run_up - stood[0], first[1] - stood[1]), 0, 0, top, a)
        seconds, stood = seconds + took, (last[0] + run_up * (1 if to_the_right else -1), last[1])
    return seconds


# Left, top, right, bottom: two words on a line, the second lower and longer; a third line below.
BLOCKS = ((10, 10, 22, 14), (30, 11, 60, 15), (61, 11.5, 63, 13), (15, 30, 40, 33))
SWEEPS = {"each piece": [[b] for b in BLOCKS], "rows": [BLOCKS[:3], BLOCKS[3:]], "full width": [BLOCKS]}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("head", [HEAD, SKIPS], ids=["sweeps whole lines", "skips blanks"])
@pytest.mark.parametrize("speed", [60.0, 240.0])
def test_a_job_integrated_place_by_place_takes_as_long(way, head, speed):
    plan = sweep.plan(drawing(*([b] for b in BLOCKS)), 0.97, head)
    at = lines.positions_mm(10, 33, 0.97)
    assert plan.minutes(speed)[way].iloc[0] * 60 == pytest.approx(job_s(SWEEPS[way], at, speed, head), rel=1e-5)


# --- the cut

RING = '<path fill-rule="evenodd" d="M20 50a30 30 0 1 0 60 0a30 30 0 1 0 -60 0zM35 50a20 20 0 1 0 40 0a20 20 0 1 0 -40 0z"/>'


def test_burned_length_times_pitch_is_the_area(tmp_path):
    plan = sweep.plan(drawn(tmp_path, RING), 0.02, HEAD)
    assert plan.ways[0].burn_mm * 0.02 == pytest.approx(math.pi * (30 ** 2 - 20 ** 2), rel=1e-3)


def test_spans_agree_with_an_outline_s_own_crossings(tmp_path):
    # Each edge crosses a line where the straight line through its ends does; in pairs from the left they are spans.
    corners = np.array([(0, 0), (50, 15), (100, 0), (75, 45), (100, 100), (50, 70), (0, 100), (30, 50)], float)
    hole = np.array([(40, 40), (60, 40), (50, 60)], float)
    path = "".join("M" + "L".join(f"{x} {y}" for x, y in ring) + "z" for ring in (corners, hole))
    art, at = drawn(tmp_path, f'<path fill-rule="evenodd" d="{path}"/>'), np.arange(0.25, 100, 1)
    line, _, left, right = lines.cut(art, at)
    edges = np.concatenate([np.stack([ring, np.roll(ring, -1, axis=0)], axis=1) for ring in (corners, hole)])
    for number, y in enumerate(at):
        (x0, y0), (x1, y1) = edges[:, 0].T, edges[:, 1].T
        meets = (y0 <= y) != (y1 <= y)
        ends = np.sort(x0[meets] + (y - y0[meets]) * (x1 - x0)[meets] / (y1 - y0)[meets])
        # The outline's slope turns half a pixel across into up to 2.5 times as much along; short tips may be missed.
        found = np.sort(np.concatenate([left[line == number], right[line == number]]))
        assert len(found) == len(ends) and found == pytest.approx(ends, abs=0.13)


def test_pieces_between_the_lines_are_said():
    plan = sweep.plan(drawing(block(0, 0, 10, 10), block(20, 1.2, 10, 0.3)), 1, HEAD)
    assert plan.missed == 1
    assert "Lower than a pitch, fallen between the lines and not burned: 1 shape." in plan.words(100)


@pytest.mark.parametrize(("pieces", "rows"), [
    ([block(0, 0, 5, 10), block(9, 2, 5, 6), block(0, 12, 5, 5)], [0, 0, 1]),
    # An i among low letters: its dot lies above them, its stem joins both.
    ([block(0, 0, 1, 1.5), block(3, 3, 4, 6), block(8, 0, 1, 9)], [0, 0, 0]),
    # A border goes round the rest; bars stand beside several rows.
    ([frame(0, 0, 100, 40, 2), block(9, 9, 9, 9), block(9, 25, 9, 9)], [0, 1, 2]),
    ([block(0, 0, 2, 50), block(9, 5, 9, 9), block(9, 25, 9, 9), block(40, 0, 2, 50)], [0, 2, 3, 1])])
def test_rows_are_what_overlaps_from_top_to_bottom(pieces, rows):
    assert ways.rows(drawing(*pieces).pieces).tolist() == rows


# --- properties

hundredths = st.integers(50, 1900).map(lambda number: number / 100)
cells = st.lists(st.tuples(st.integers(0, 5), st.integers(0, 3), hundredths, hundredths),
                 min_size=1, max_size=8, unique_by=lambda cell: cell[:2])
heads = st.builds(Machine, acceleration_mm_s2=st.floats(300, 20000), turn_overhead_s=st.floats(0, 0.2),
                  travel_speed_mm_s=st.floats(600, 2000), skips_blanks=st.booleans())


def of_cells(found, across=0.0, down=0.0):
    return drawing(*(block(20 * column + across, 20 * row + down, width, height) for column, row, width, height in found))


@settings(max_examples=60, deadline=None)
@given(cells, heads, st.floats(1, 300))
def test_doubling_the_speed_never_halves_the_minutes(found, head, speed):
    once, twice = sweep.plan(of_cells(found), 0.5, head).minutes([speed, 2 * speed]).to_numpy()
    assert (twice >= once / 2 * (1 - 1e-9)).all()


@settings(max_examples=60, deadline=None)
@given(cells, heads, st.floats(1, 600), st.integers(1, 5))
def test_every_way_burns_the_same_and_the_fastest_is_the_least(found, head, speed, passes):
    plan = sweep.plan(of_cells(found), 0.5, head)
    table = plan.table(speed, passes)
    assert table["burn_minutes"].to_numpy() == pytest.approx(table["burn_minutes"].iloc[0])
    parts = table[list(ways.PARTS)]
    assert parts.sum(axis=1).to_numpy() == pytest.approx(table["minutes"].to_numpy())
    assert (parts.to_numpy() >= -1e-9).all()
    assert plan.fastest_minutes([speed], passes)[0] == pytest.approx(table["minutes"].min())
    assert plan.fastest(speed, passes)["minutes"] == pytest.approx(table["minutes"].min())
    assert plan.minutes(speed, passes).iloc[0].tolist() == pytest.approx(table["minutes"].tolist())


@settings(max_examples=30, deadline=None)
@given(cells, st.floats(5, 500), st.integers(1500, 10_000).map(lambda number: number / 50))
def test_where_the_drawing_lies_is_of_no_weight(found, speed, shift):
    here = of_cells(found)
    there = of_cells(found, shift, shift / 2)
    minutes = [sweep.plan(art, 0.5, HEAD).minutes(speed).to_numpy() for art in (here, there)]
    np.testing.assert_allclose(*minutes, rtol=0.02)


# --- break-even and words

@pytest.mark.parametrize("head", [HEAD, SKIPS], ids=["sweeps whole lines", "skips blanks"])
@pytest.mark.parametrize("speed", [50.0, 200.0, 500.0])
def test_at_the_break_even_gap_both_ways_take_as_long(head, speed):
    gap = sweeps.break_even_gap_mm(speed, head, 101, 0.1)
    plan = sweep.plan(drawing(block(0, 0, 20, 10), block(20 + gap, 0, 20, 10)), 0.1, head)
    apart, _, together = plan.minutes(speed).iloc[0]
    assert apart == pytest.approx(together, rel=1e-6)


def test_break_even_without_the_travel_is_the_closed_form():
    assert sweeps.break_even_gap_mm(200, HEAD) == pytest.approx(200 * (2 * 200 / 3000 + 0.02))
    # Hurrying for the 0.1533 s of a turn: up from 200 to 430 mm/s and down again.
    assert sweeps.break_even_gap_mm(200, SKIPS) == pytest.approx((430 ** 2 - 200 ** 2) / 3000)
    assert np.isnan(sweeps.break_even_gap_mm(200, Machine()))
    # On the wood the head stops once more: v/a, and the turn's overhead.
    assert sweeps.break_even_gap_mm(200, ON_THE_WOOD) == pytest.approx(200 * (200 / 3000 + 0.02))


def test_words_say_which_way_is_fastest_and_why():
    art = drawing(block(0, 0, 20, 10), block(60, 0, 20, 10), block(0, 40, 20, 10))
    plan = sweep.plan(art, 0.1, HEAD)
    assert plan.words(100) == (
        "Each piece, 1.4 min at 100 mm/s. Sweeping in rows: 2.0 min, 0.7 min more over blank wood. One full-width "
        "sweep: 7.4 min, 5.7 min more over blank wood.")
    assert plan.changes().round(2).to_dict("list") == {
        "from_mm_s": [1.0, 228.0], "way": ["each piece", "rows"], "minutes": [100.11, 1.3]}
    assert plan.break_even([100, 200]).round(2).to_dict("list") == {
        "speed_mm_s": [100.0, 200.0], "gap_mm": [8.79, 31.0], "least_gap_mm": [8.79, 31.0], "way": ["each piece", "each piece"]}


def test_words_tell_of_a_border_that_is_swept_whole():
    border = frame(0, 0, 200, 100, 2)
    words = sweep.plan(drawing(border, block(50, 40, 20, 9)), 0.1, HEAD).words(100)
    assert words.endswith("One piece alone, 200 × 100 mm, has the head sweep blank wood for 31.4 min. A border drawn as "
                          "four bars that do not touch is swept bar by bar.")


def test_without_acceleration_no_way_is_called_fastest_and_minutes_are_those_of_two_heads():
    art = drawing(block(0, 0, 20, 10), block(60, 0, 20, 10), block(0, 40, 20, 10))
    plan, slow, brisk = (sweep.plan(art, 0.1, Machine(acceleration_mm_s2=a)) for a in (None, 500, 3000))
    table = plan.table(100)
    assert table["minutes"].tolist() == pytest.approx(slow.minutes(100).iloc[0].tolist())
    assert table["least_minutes"].tolist() == pytest.approx(brisk.minutes(100).iloc[0].tolist())
    # These two heads disagree on the fastest way: whoever named one without asking would be wrong for one of them.
    assert (slow.ways_at([100])[0], brisk.ways_at([100])[0]) == ("rows", "each piece")
    assert not table["fastest"].any() and plan.ways_at([100, 200]).tolist() == ["", ""] and plan.changes().empty
    assert plan.at_speeds([100])["way"].tolist() == WAYS
    assert plan.words(100) == (
        "At 100 mm/s sweeping each shape by itself 1.3 to 3.0 min, sweeping in rows 1.9 to 3.0 min, one full-width sweep "
        "7.2 to 10.0 min, by a brisk head (3000 mm/s²) and a slow one (500). machine.toml does not say how briskly the head "
        "speeds up: minutes are a range, and no way to sweep is called the fastest. Time two filled rectangles, one at twice "
        "the other's speed; notebook 8 works the acceleration out.")
    with pytest.raises(ValueError, match="Time two filled rectangles"):
        plan.fastest(100)
    assert sweepchart.by_speed(plan).layout.title.text.startswith("Minutes over speed, by way by a slow head (500 mm/s²)")
    assert [note.text for note in sweepchart.sweeps(plan, 100).layout.annotations[:1]] == ["each piece: 1.3 to 3.0 min"]


# --- a head that speeds up on the wood

def line_s(length, v, a=3000):
    """Seconds over a line from rest to rest, at most at v: both run-ups and the middle, each integrated by itself."""
    run_up = v * v / (2 * a)
    return (integrated_s(length, 0, 0, v, a) if length < 2 * run_up else
            2 * integrated_s(run_up, 0, v, v, a) + integrated_s(length - 2 * run_up, v, v, v, a))


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("speed", [20.0, 60.0, 240.0])
def test_a_head_that_stops_on_the_wood_integrated_place_by_place_takes_as_long(way, speed):
    """Every line from rest to rest over the sweep's width, at most at set speed; between sweeps a travel."""
    plan, a, at = sweep.plan(drawing(*([b] for b in BLOCKS)), 0.97, ON_THE_WOOD), 3000, lines.positions_mm(10, 33, 0.97)
    seconds, stood = -ON_THE_WOOD.turn_overhead_s, None
    for blocks in SWEEPS[way]:
        left, top, right, bottom = (f(b[n] for b in blocks) for n, f in enumerate((min, min, max, max)))
        rows = at[(at >= top) & (at < bottom)]
        seconds += len(rows) * (line_s(right - left, speed) + ON_THE_WOOD.turn_overhead_s)
        if stood is not None:
            seconds += integrated_s(np.hypot(left - stood[0], rows[0] - stood[1]), 0, 0, 700, a)
        stood = (right if len(rows) % 2 else left, rows[-1])
    assert plan.minutes(speed)[way].iloc[0] * 60 == pytest.approx(seconds, rel=1e-5)


@pytest.mark.parametrize(("length", "speed"), [(2.2, 77), (1.0, 77), (40, 77), (5, 300)])
def test_what_a_stroke_gets_more_is_the_integral_of_one_over_speed(length, speed):
    """Line energy is power over speed, ∫ P/v(x) dx against P/v · length; over its run-up a head takes twice the time."""
    slow = line_s(length, speed)
    assert kinematics.energy_share(length, speed, ON_THE_WOOD) == pytest.approx(slow * speed / length, rel=1e-5)
    run_up = float(kinematics.run_up_mm(speed, 3000))
    assert integrated_s(run_up, 0, speed, speed, 3000) == pytest.approx(2 * run_up / speed, rel=1e-5)
    assert kinematics.energy_share(length, speed, HEAD) == 1


def test_words_say_what_speeding_up_on_the_wood_does_to_narrow_strokes(tmp_path):
    (tmp_path / "sign.svg").write_text('<svg xmlns="http://www.w3.org/2000/svg" width="300mm" height="200mm" viewBox="0 0 300 200">'
                                       '<rect width="2.2" height="10"/><rect x="60" width="20" height="10"/></svg>', encoding="utf-8")
    art = sweep.artwork.read(tmp_path / "sign.svg")
    words = sweep.plan(art, 0.1, ON_THE_WOOD).words(77)
    assert words.endswith(
        "The head speeds up on the wood (runs_up_outside = false): at 77 mm/s the first and last 1.0 mm of every line get "
        "twice the energy on average and burn deeper, unless your machine lowers its power with the speed. A stroke 2.2 mm "
        "wide that is swept by itself gets 1.9 times the energy set.")
    assert "speeds up on the wood" not in sweep.plan(art, 0.1, HEAD).words(77)
    drawn = sweepchart.strokes(sweep.plan(art, 0.1, ON_THE_WOOD), 77)
    assert drawn["x0_mm"].min() == 0 and sweepchart.RUN_UP not in set(drawn["kind"])


def test_lines_of_a_machine_that_skips_blanks_and_stops_on_the_wood_are_each_from_rest_to_rest():
    """Two blocks, the lower one shifted: 10 lines of 20 mm, then 11 of 30 mm, a shift of 5 mm between."""
    art = drawing(block(0, 0, 20, 10), block(5, 10, 30, 10))
    head = Machine(acceleration_mm_s2=3000, turn_overhead_s=0.02, travel_speed_mm_s=700, skips_blanks=True, runs_up_outside=False)
    seconds = 10 * line_s(20, 90) + 11 * line_s(30, 90) + 20 * 0.02
    seconds += integrated_s(5, 0, 0, 700, 3000)  # after ten lines the head stands at the left, 5 mm before the eleventh
    assert sweep.plan(art, 1, head).minutes(90)["full width"].iloc[0] * 60 == pytest.approx(seconds, rel=1e-4)


@pytest.mark.parametrize(("ask", "message"), [
    (lambda art: sweep.plan(art, 0, HEAD), "The pitch is 0 mm. Give the distance between neighbouring lines, 0.005 "
     "to 10 mm."),
    (lambda art: sweep.plan(art, 0.1, HEAD).minutes([10, 0]), "The minutes were asked for a speed of 0 mm/s. Give speeds "
     "above 0."),
    (lambda art: sweep.plan(art, 0.1, HEAD).minutes(float("nan")), "The minutes were asked for a speed of nan mm/s. Give "
     "speeds above 0.")])
def test_what_cannot_be_planned_is_said(ask, message):
    with pytest.raises(ValueError) as said:
        ask(drawing(block(0, 0, 20, 10)))
    assert str(said.value) == message


# --- timed runs

def runs(*rows, acceleration=3000.0, overhead=0.02, off=(0,)):
    frame = pd.DataFrame([dict(run=f"r{n}", timed_on="2025-12-06", width_mm=w, height_mm=h, speed_mm_s=v,
                               line_pitch_mm=0.1, passes=p) for n, (w, h, v, p) in enumerate(rows, 1)])
    count = np.floor(frame["height_mm"] / 0.1 + 1e-9) + 1
    seconds = frame["passes"] * (count * frame["width_mm"] / frame["speed_mm_s"]
                                 + (count - 1) * (2 * frame["speed_mm_s"] / acceleration + overhead))
    return frame.assign(seconds=seconds + np.resize(off, len(frame)))


def test_runs_of_a_head_that_stops_on_the_wood_are_read_so():
    """Each line v/a beyond even speed: the rectangle's own closed form, to and fro."""
    head = Machine(acceleration_mm_s2=2000, turn_overhead_s=0.03, runs_up_outside=False)
    timed = runs(*((200, 40, v, 1) for v in (100, 200, 400)))
    timed["seconds"] = [60 * kinematics.minutes(200, 40, v, 0.1, 1, head) for v in timed["speed_mm_s"]]
    found = timedruns.calibrate(timed, runs_up_outside=False)
    assert (found.acceleration_mm_s2, found.turn_overhead_s) == pytest.approx((2000, 0.03))
    assert timedruns.calibrate(timed).acceleration_mm_s2 > 3900  # read as run-up outside it would be twice that
    assert "many long lines (say 200 mm wide" in timedruns.from_book("/nowhere", head)
    with pytest.raises(ValueError, match="the 20 mm lines of run r2 are too short to reach 200 mm/s"):
        timedruns.calibrate(runs(*FOUR), runs_up_outside=False)


FOUR = ((20, 40, 100, 1), (20, 40, 200, 2), (20, 40, 400, 1), (10, 60, 500, 1))


def test_exact_runs_give_back_the_head():
    found = timedruns.calibrate(runs(*FOUR))
    assert found.acceleration_mm_s2 == pytest.approx(3000)
    assert found.turn_overhead_s == pytest.approx(0.02)
    assert found.toml == "acceleration_mm_s2 = 3000\nturn_overhead_s = 0.020\n"


def test_the_fit_is_the_textbook_s_normal_equations():
    timed = runs(*FOUR, off=(0.8, -0.6, 0.3, -0.5))
    found = timedruns.calibrate(timed)
    turns = np.array([400, 800, 400, 600.0])
    design = np.column_stack([2 * timed["speed_mm_s"] * turns, turns])
    over = timed["seconds"] - (turns + timed["passes"]) * timed["width_mm"] / timed["speed_mm_s"]
    best, squares = np.linalg.lstsq(design, over)[:2]
    # t of 2 degrees of freedom at 95 %: 4.302653 (tables)
    half = 4.302653 * np.sqrt(squares[0] / 2 * np.diag(np.linalg.inv(design.T @ design)))
    assert found.acceleration_mm_s2 == pytest.approx(1 / best[0])
    assert found.acceleration_limits_mm_s2 == pytest.approx((1 / (best[0] + half[0]), 1 / (best[0] - half[0])), rel=1e-5)
    assert found.overhead_limits_s == pytest.approx((best[1] - half[1], best[1] + half[1]), rel=1e-5)


def test_two_runs_give_an_estimate_and_no_limits():
    found = timedruns.calibrate(runs(*FOUR[:2]))
    assert (found.acceleration_limits_mm_s2, found.overhead_limits_s) == (None, None)
    assert found.words == ("The head speeds up at 3000 mm/s²; a turn costs 0.020 s besides. The 2 runs are met to 0.0 s. "
                           "Two runs leave nothing to judge them by: no limits. Time a third, at another speed.")


def test_an_overhead_below_nothing_is_left_out_and_said():
    found = timedruns.calibrate(runs(*FOUR, overhead=0, off=(-1, 0.5, 0.6, -0.4)))
    assert found.turn_overhead_s == 0 and found.overhead_limits_s is None
    assert found.remarks == ("By these runs a turn costs less than nothing besides, which is taken as 0. Time a filled "
                             "rectangle of many short lines (say 20 mm wide, 40 mm high) at a low speed.",)


def test_an_overhead_not_told_from_nothing_is_kept_with_its_limits():
    found = timedruns.calibrate(runs(*FOUR, off=(4, -4, 3, -3)))
    # Of the normal equations, with t = 4.302653 as above; below 0 the limits are cut.
    assert found.turn_overhead_s == pytest.approx(0.020923, abs=1e-6)
    assert found.overhead_limits_s == (0, pytest.approx(0.060115, abs=1e-6))
    assert found.remarks == ("What a turn costs besides is not yet told from nothing. Time a filled rectangle of many short "
                             "lines (say 20 mm wide, 40 mm high) at a low speed.",)


@pytest.mark.parametrize(("count", "acceleration_mm_s2", "overhead_s"), [
    (2, 2941, 0.018), (3, 3031, 0.021), (4, 3023, 0.021), (5, 2997, 0.020)])
def test_each_further_demo_run_brings_the_head_nearer(labdata, count, acceleration_mm_s2, overhead_s):
    # The invented head has 3000 mm/s² and 0.020 s.
    found = timedruns.calibrate(pd.read_csv(labdata / "timed_runs.csv")[:count])
    assert found.acceleration_mm_s2 == pytest.approx(acceleration_mm_s2, abs=0.5)
    assert found.turn_overhead_s == pytest.approx(overhead_s, abs=0.0005)


@pytest.fixture
def timed_book(tmp_path):
    """Write runs as a lab book's timed_runs.csv and return the book."""
    def book(timed):
        timed.to_csv(tmp_path / "timed_runs.csv", index=False, encoding="utf-8")
        return tmp_path
    return book


NO_RUNS = ("No timed runs yet. Add two or more, or write them into timed_runs.csv, under the columns run, timed_on, width_mm, height_mm, "
           "speed_mm_s, line_pitch_mm, passes, seconds. Time a filled rectangle of many short lines (say 20 mm wide, 40 mm "
           "high) at one, and another at twice that speed.")
ANOTHER = ("cannot tell acceleration from what a turn costs besides. Time a filled rectangle of many short lines (say 20 mm "
           "wide, 40 mm high) at another speed.")


@pytest.mark.parametrize(("timed", "words"), [
    (runs(*FOUR)[:0], NO_RUNS),
    (runs(FOUR[0]), f"1 timed run(s), all at 100 mm/s, {ANOTHER}"),
    (runs(FOUR[0], (30, 50, 100, 1)), f"2 timed run(s), all at 100 mm/s, {ANOTHER}")])
def test_a_book_of_too_few_runs_says_so(timed_book, timed, words):
    assert timedruns.from_book(timed_book(timed)) == words


def test_a_book_without_timed_runs_says_so(tmp_path):
    assert timedruns.read(tmp_path).empty
    assert timedruns.from_book(tmp_path) == NO_RUNS


def test_a_book_s_two_runs_give_the_head(timed_book):
    book = timed_book(runs(*FOUR[:2]))
    assert timedruns.read(book)["speed_mm_s"].tolist() == [100, 200]
    assert str(timedruns.from_book(book)) == (
        "The head speeds up at 3000 mm/s²; a turn costs 0.020 s besides. The 2 runs are met to 0.0 s. Two runs leave nothing "
        "to judge them by: no limits. Time a third, at another speed.\n\nFor machine.toml:\nacceleration_mm_s2 = 3000\n"
        "turn_overhead_s = 0.020")


def test_a_book_s_file_with_a_wrong_column_is_refused(timed_book):
    book = timed_book(runs(*FOUR).rename(columns={"seconds": "minutes"}))
    for ask in (timedruns.read, timedruns.from_book):
        with pytest.raises(ReadingsError) as said:
            ask(book)
        assert str(said.value) == (
            "1 fault in timed_runs.csv:\n  timed_runs.csv, row 1, column seconds: this column is missing. Add the column; the "
            "lab book's datapackage.json says what goes in it.")


def test_a_book_s_faulty_run_is_refused_even_alone(timed_book):
    with pytest.raises(ValueError) as said:
        timedruns.from_book(timed_book(runs(FOUR[0]).assign(seconds="1:55")))
    assert str(said.value) == ("1 fault in timed_runs.csv:\n  timed_runs.csv, row 2, column seconds, value '1:55': this is not a "
                               "number. Use seconds: 1:55 is 115.")


@pytest.mark.parametrize(("timed", "message"), [
    (runs(FOUR[0], FOUR[0]), "2 timed run(s), all at 100 mm/s, cannot tell acceleration from what a turn costs besides. "
     "Time a filled rectangle of many short lines (say 20 mm wide, 40 mm high) at another speed."),
    (runs(*FOUR)[:0], "0 timed run(s), cannot tell acceleration from what a turn costs besides. Time a filled rectangle of "
     "many short lines (say 20 mm wide, 40 mm high) at one, and another at twice that speed."),
    (runs(*FOUR).drop(columns="passes"), "The timed runs have no column passes. A run needs run, timed_on, width_mm, "
     "height_mm, speed_mm_s, line_pitch_mm, passes, seconds."),
    (runs(*FOUR).assign(passes=1.5, seconds=["1:55", 100, -1, 200]),
     "6 faults in timed_runs.csv:\n  table, rows 0 to 3, column passes, value '1.5': this is not a whole number. Use a whole "
     "number, 1 or more.\n  table, row 0, column seconds, value '1:55': this is not a number. Use seconds: 1:55 is 115.\n"
     "  table, row 2, column seconds, value '-1': allowed is at least 0.1 and at most 1000000 s. Use seconds: 1:55 is 115."),
    (runs(*FOUR).assign(seconds=[60, 70, 80, 90]),
     "2 faults in timed_runs.csv:\n  table, row 0, column seconds, value '60': burning run r1 alone takes 80.2 s. Check its "
     "sides, speed, pitch and seconds.\n  table, row 1, column seconds, value '70': burning run r2 alone takes 80.2 s. Check "
     "its sides, speed, pitch and seconds."),
    (runs(*FOUR).assign(seconds=[150, 240, 45, 40]), "By these runs turning at a higher speed takes no more time, so no "
     "acceleration can be worked out. Check speed, pitch and seconds of each. Time a filled rectangle of many short "
     "lines (say 20 mm wide, 40 mm high) at a high speed.")])
def test_runs_that_say_nothing_are_refused(timed, message):
    with pytest.raises(ValueError) as said:
        timedruns.calibrate(timed)
    assert str(said.value) == message


# --- the demo, and its charts

@pytest.fixture(scope="module")
def demo(request):
    folder = request.path.parents[2] / "labdata"
    head = Machine(acceleration_mm_s2=3000, turn_overhead_s=0.02, travel_speed_mm_s=300)
    return sweep.plan(artwork.read(folder / "artwork" / "trail-sign.svg"), 0.08, head)


def test_making_the_sign_again_gives_the_committed_bytes(labdata, tmp_path):
    spec = importlib.util.spec_from_file_location("make_sign", labdata / "make_sign.py")
    make_sign = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(make_sign)
    make_sign.make(tmp_path)
    for name in ("artwork/trail-sign.svg", "timed_runs.csv"):
        assert (tmp_path / name).read_bytes() == (labdata / name).read_bytes()


def test_the_demo_says_that_it_is_invented(labdata):
    text = (labdata / "artwork" / "trail-sign.svg").read_text(encoding="utf-8")
    assert "<title>Invented demo drawing</title>" in text and len(text) < 80_000 and "<text" not in text
    assert set(pd.read_csv(labdata / "timed_runs.csv")["invented"]) == {"yes"}


def test_the_demo_runs_find_the_invented_head(labdata):
    found = timedruns.calibrate(pd.read_csv(labdata / "timed_runs.csv"))
    low, high = found.acceleration_limits_mm_s2
    assert low < 3000 < high
    assert found.overhead_limits_s[0] < 0.02 < found.overhead_limits_s[1]
    assert found.runs["residual_seconds"].abs().max() < 1.5


def test_on_the_demo_sign_every_way_has_its_speeds(demo):
    assert demo.changes()["way"].tolist() == WAYS
    assert demo.words(100) == (
        "Rows, 50.9 min at 100 mm/s. Sweeping each shape by itself: 51.4 min, 14.1 min more turning round. One "
        "full-width sweep: 107.8 min, 61.2 min more over blank wood.")


@pytest.mark.parametrize(("pitch", "lines_swept", "burn_mm", "speed", "minutes"), [
    (0.05, (23846, 8180, 3441), 170417.71, 158, (79.9617, 61.1458, 113.1744)),
    (0.08, (14910, 5115, 2151), 106910.62, 77, (56.4325, 62.6802, 138.5068)),
    (0.1, (11920, 4092, 1721), 85179.66, 300, (51.8068, 26.6603, 34.2251))])
def test_lines_and_minutes_of_the_demo_sign_are_those_of_its_outlines(demo, pitch, lines_swept, burn_mm, speed, minutes):
    # Source: worked out once from the exact outlines (curves as chords within 0.005 mm, cut at every line); the sign's
    # narrowest stroke by these is 2.158 mm, its area 8518.94 mm² and its outline 5786.81 mm long.
    plan = sweep.plan(demo.artwork, pitch, Machine(acceleration_mm_s2=3000, turn_overhead_s=0.02, travel_speed_mm_s=700))
    assert [way.lines for way in plan.ways] == pytest.approx(lines_swept, rel=0.003)
    assert plan.ways[0].burn_mm == pytest.approx(burn_mm, rel=0.003)
    assert plan.minutes(speed).iloc[0].tolist() == pytest.approx(minutes, rel=0.003)
    assert demo.artwork.area_mm2 == pytest.approx(8518.94, rel=0.003)
    assert demo.artwork.perimeter_mm == pytest.approx(5786.81, rel=0.003)
    # The two ways differ in how long a stroke must be: the waist of a figure 8 counts here.
    assert demo.artwork.narrowest_stroke_mm == pytest.approx(2.158, rel=0.06)


def test_charts_show_the_plan_s_numbers(demo):
    bars = sweepchart.spent(demo, 100)
    assert isinstance(bars, go.Figure)
    assert [bar.name for bar in bars.data] == ["burning", "blank wood", "run-up and turns", "travel"]
    np.testing.assert_allclose(np.sum([bar.x for bar in bars.data], axis=0), demo.table(100)["minutes"], atol=1e-3)
    over = sweepchart.by_speed(demo, [50, 100, 200])
    assert [trace.name for trace in over.data] == WAYS
    np.testing.assert_allclose([trace.y for trace in over.data], demo.minutes([50, 100, 200]).T, atol=1e-4)
    where = sweepchart.sweeps(demo, 100)
    assert len(where.data) == 12 and where.layout.yaxis.scaleanchor == "x"


def test_a_name_in_a_chart_is_escaped():
    art = dataclasses.replace(drawing(block(0, 0, 20, 10)), name="<b>x</b>.svg")
    chart = sweepchart.by_speed(sweep.plan(art, 0.5, HEAD), [10, 20])
    assert chart.layout.title.subtitle.text.startswith("&lt;b&gt;x&lt;/b&gt;.svg")
    timed = timedruns.calibrate(runs(*FOUR).assign(run=["<i>"] * 4))
    assert sweepchart.timed(timed).data[1].text[0].startswith("run &lt;i&gt;:")


def test_drawn_strokes_lie_where_the_head_goes():
    plan = sweep.plan(drawing(block(10, 0, 20, 10), block(50, 0, 20, 10)), 0.1, HEAD)
    strokes = sweepchart.strokes(plan, 150, most_lines=10)
    full = strokes[strokes["way"] == "full width"].groupby("kind")[["x0_mm", "x1_mm"]].agg(["min", "max"])
    assert full.loc["burning"].tolist() == [10, 50, 30, 70]
    assert full.loc["blank wood"].tolist() == [10, 10, 70, 70]
    # The run-up is 150² / (2 · 3000) = 3.75 mm.
    assert full.loc["run-up and turn"].tolist() == [6.25, 70, 10, 73.75]
    travel = strokes[(strokes["way"] == "each piece") & (strokes["kind"] == "travel")]
    assert travel[["x0_mm", "x1_mm"]].to_numpy().tolist() == [[30, 50]]


def test_planning_the_demo_is_quick(demo, quick_seconds=2.0):
    # Generous: it takes about 0.05 s; tests/benchmarks/sweeps.py measures.
    started = time.perf_counter()
    sweep.plan(demo.artwork, 0.05, SKIPS).fastest_minutes(np.arange(1, 601))
    assert time.perf_counter() - started < quick_seconds


def test_a_run_far_off_the_others_is_named():
    runs = pd.DataFrame([
        dict(run=f"run-{n}", timed_on="2025-12-06", width_mm=20, height_mm=40, speed_mm_s=speed, line_pitch_mm=0.1,
             passes=1, seconds=seconds)
        for n, (speed, seconds) in enumerate([(100, 114.7), (200, 101.8), (400, 133.9), (200, 50.0)], start=1)])
    said = timedruns.calibrate(runs).words
    assert "Run run-4 is -" in said and "time it again before you believe this." in said
    assert "time it again" not in timedruns.calibrate(runs.head(3)).words
