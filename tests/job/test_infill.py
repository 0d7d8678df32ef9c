"""Infill: published films, sanding and shrinkage; uncertainties added as the GUM does; a window that says why."""

import csv
from math import atan2, cos, hypot, sqrt
from pathlib import Path

import pytest

from testburn.charts import job
from testburn.job import facts, finishing, infill, terms as infillterms
from testburn.job.terms import Term

REFERENCE = Path(__file__).parents[1] / "reference"
K95 = 1.6448536
BOARD = dict(board_thickness_mm=19, narrowest_stroke_mm=2)
NOTHING = infill.Film(0, (0, 0), (0, 0))
variants = pytest.mark.parametrize("variant", infill.VARIANTS)
# Ways to fill whose face is sanded flat, by common practice.
FLAT = ("shallow", "brush-filled", "sprayed", "resin-filled")


def table(name):
    with open(REFERENCE / name, encoding="utf-8", newline="") as file:
        return [dict(zip(row, map(_number, row.values()))) for row in csv.DictReader(file)]


def _number(text):
    try:
        return float(text)
    except ValueError:
        return text


def at_least(window, name):
    rows = window.table[(window.table["side"] == "at least") & (window.table["name"] == name)]
    return rows.iloc[0]


def bound(window, name):
    return window.table[(window.table["side"] == "at most") & (window.table["name"] == name)].iloc[0]


@pytest.mark.parametrize("row", table("film_wet_to_dry.csv"),
                         ids=lambda row: f"{row['wet_mil']:g} at {row['solids_by_volume']:g}")
def test_dry_film_is_wet_film_times_solids_by_volume(row):
    film = infill.Film(1, (row["wet_um"] / 1000,) * 2, (row["solids_by_volume"],) * 2)
    assert 1000 * film.dry_mm == pytest.approx(row["dry_um"], abs=0.0501)
    assert film.dry_mm / 0.0254 == pytest.approx(row["dry_mil"], abs=0.005)
    assert film.uncertainty_mm == 0


@pytest.mark.parametrize("row", table("sanding_wide_belt.csv"), ids=lambda row: f"{row['grit']:g}")
def test_sanding_is_that_of_the_published_chart(row):
    least, most = facts.GRITS_MM[row["grit"]]
    assert (least, most) == pytest.approx((row["min_mm"], row["max_mm"]), abs=5.1e-4)
    assert (least, most) == pytest.approx((25.4 * row["min_to_clear_previous_in"], 25.4 * row["max_in"]))


@pytest.mark.parametrize("row", table("shrinkage_coefficients.csv"), ids=lambda row: row["species"])
def test_movement_is_the_handbooks_to_a_twelfth(row):
    shrinks = facts.shrinkage(row["species"]).value
    moves = [infillterms.movement_share(percent, 1.0) for percent in shrinks]
    assert moves == pytest.approx([row["radial_per_pct_mc"], row["tangential_per_pct_mc"]], rel=0.085)


def test_shrinkage_from_green_to_12_percent():
    # Wood Handbook, chapter 4, S = S0 (30 - M) / 30, worked here for white oak's 10.5 % tangential.
    assert infillterms.movement_share(10.5, 30 - 12) == pytest.approx(0.063)


def test_every_wood_of_the_project_has_its_shrinkage(labdata):
    with open(labdata / "woods.csv", encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            assert facts.shrinkage(row["species"]).source.startswith(
                f"Wood Handbook (FPL-GTR-190), table 4-3, {row['species']}, ")


def test_an_unknown_wood_is_counted_as_the_one_that_cups_most_and_said():
    assert facts.shrinkage("medlar") == facts.Fact((5.5, 11.9), (
        "Wood Handbook (FPL-GTR-190), table 4-3, American beech, read; medlar is not in our table: "
        "counted as the wood that cups most in it"))


@pytest.mark.parametrize(("width", "pith"), [(150, 100), (90, 60), (300, 200)])
def test_cup_is_that_of_rings_whose_angle_closes(width, pith):
    # Each point of the face moves along its radius by R and about the pith by the angle's T - R.
    radial, tangential, change = 4.0, 10.0, -3.0
    r, t = (infillterms.movement_share(percent, change) for percent in (radial, tangential))

    def height(x):
        radius, angle = hypot(x, pith), atan2(x, pith)
        return radius * (1 + r) * cos(angle * (1 + t - r)) - pith * (1 + r)

    assert abs(height(width / 2)) == pytest.approx(
        infillterms.cup_mm(width, pith, radial, tangential, change), rel=0.02)
    assert height(0) == 0


def test_far_from_the_pith_cup_is_the_sagitta_of_an_arc():
    # h = w² · (T - R) / (4 p): 100 mm wide, 1 m from the pith, 6 % over 30 for 5 % of moisture.
    assert infillterms.cup_mm(100, 1000, 4, 10, 5) == pytest.approx(100**2 * 0.01 / 4000, rel=1e-3)


def terms(*uncertainties):
    return [Term("", 0.0, one, "", "", "") for one in uncertainties]


def test_uncertainties_add_as_in_the_gum():
    # JCGM 100:2008, annex H.1 (end gauge), in nm: u(d) is printed 9.7, u(l) 32.
    of_d = infillterms.combined(terms(5.8, 3.9, 6.7))
    assert of_d == pytest.approx(9.7, abs=0.05)
    length = 50_000_623
    expansion = length * 0.1 * facts.spread((-1e-6, 1e-6))
    temperature = length * 11.5e-6 * facts.spread((-0.05, 0.05))
    assert infillterms.combined(terms(25, of_d, expansion, temperature)) == pytest.approx(32, abs=0.5)
    assert facts.spread((-0.05, 0.05)) == pytest.approx(0.0289, abs=5e-5)


def test_a_film_doubts_wet_film_solids_and_soaking_together():
    film = infill.Film(2, (0.08, 0.12), (0.3, 0.5), (0.4, 0.6))
    assert film.dry_mm == pytest.approx(2 * 0.1 * 0.4 * 0.5)
    relative = sqrt((0.02 / 0.1)**2 + (0.1 / 0.4)**2 + (0.1 / 0.5)**2) / sqrt(3)
    assert film.uncertainty_mm == pytest.approx(film.dry_mm * relative)


def test_a_window_by_hand():
    window = infill.window("brush-filled", 10, 2, sealer=NOTHING, hides_mm=0.1, sanded_mm=(0.2, 0.2),
                           flatness_mm=0.2, moisture_change_pct=0, floor_sd_mm=0.03, gauge_mm=0.04,
                           colour=infill.Film(2, (0.5, 0.5), (0.4, 0.4)), char_mm=5, least_floor_mm=4,
                           depth_to_width=1.5)
    feeler = 0.05 / sqrt(12)
    assert window.at_least_mm == pytest.approx(0.5 + K95 * sqrt(0.03**2 + 0.04**2 + feeler**2))
    bounds = [6 - K95 * 0.1 / sqrt(3), 1.5 * (2 - K95 * 0.05 / sqrt(3)), 5, 0.4 + 0.2 - K95 * 0.05]
    rows = window.table[window.table["side"] == "at most"]
    assert rows["counts_mm"].tolist() == pytest.approx(bounds)
    assert window.at_most_mm == pytest.approx(min(bounds))
    assert not window.feasible


def test_a_shallow_window_by_hand():
    window = infill.window("shallow", 10, 2, sealer=NOTHING, colour=infill.Film(2, (0.1, 0.1), (0.5, 0.5)),
                           least_step_mm=0.1, most_step_mm=0.6, sanded_mm=(0.2, 0.2), flatness_mm=0.0,
                           moisture_change_pct=0, floor_sd_mm=0.0, gauge_mm=0.0)
    assert window.at_least_mm == pytest.approx(0.1 + 0.1 + 0.2 + K95 * 0.05 / sqrt(12))
    assert window.at_most_mm == pytest.approx(0.1 + 0.2 + 0.6)


@variants
def test_the_terms_add_up_to_the_ends(variant):
    window = infill.window(variant, **BOARD)
    least = window.table[window.table["side"] == "at least"]
    assert least["counts_mm"].sum() == pytest.approx(window.at_least_mm) == pytest.approx(window["at_least_mm"])
    assert (least["starts_mm"] + least["counts_mm"]).iloc[-1] == pytest.approx(window.at_least_mm)
    assert bound(window, window.dominating["at most"])["counts_mm"] == window.at_most_mm == window["at_most_mm"]
    assert window.feasible and window.must_be_one() is window
    with pytest.raises(KeyError):
        window["depth"]


@variants
def test_every_row_says_where_it_comes_from(variant):
    for source in infill.window(variant, **BOARD).table["source"]:
        assert any(known in source for known in ("no source", "not sanded flat", "WOODWEB", "Woodworking Network", "Wood Handbook"))
    assert (infill.defaults(variant)["source"] != "").all()
    typed = infill.window(variant, **BOARD, flatness_mm=0.2, sanded_mm=(0.1, 0.2))
    assert at_least(typed, "flatness")["source"] == at_least(typed, "sanding")["source"] == "typed by the maker"


@variants
@pytest.mark.parametrize("deeper", [
    dict(flatness_mm=0.3), dict(grits=(100, 120, 150, 180)), dict(moisture_change_pct=4), dict(floor_sd_mm=0.1), dict(gauge_mm=0.1), dict(confidence=0.99),
    dict(sealer=infill.Film(3, (0.1, 0.1), (0.4, 0.4)))])
def test_what_takes_depth_away_asks_for_more(variant, deeper):
    assert infill.window(variant, **BOARD, **deeper).at_least_mm > infill.window(variant, **BOARD).at_least_mm


@pytest.mark.parametrize("variant", infill.VARIANTS)
@pytest.mark.parametrize("cups_more", [dict(board_width_mm=300), dict(pith_mm=40)])
def test_a_cup_costs_depth_where_the_face_is_sanded_flat(variant, cups_more):
    plain, more = (infill.window(variant, **BOARD, **typed).at_least_mm for typed in ({}, cups_more))
    assert more > plain if variant in FLAT else more == plain


@pytest.mark.parametrize("variant", ["shallow", "sprayed", "mask-sprayed", "sealed-face"])
def test_more_coats_on_the_floor_ask_for_more_depth(variant):
    films = [infill.Film(coats, (0.08, 0.12), (0.3, 0.4)) for coats in (1, 2, 5)]
    depths = [infill.window(variant, **BOARD, colour=film).at_least_mm for film in films]
    assert depths == sorted(depths) and depths[0] < depths[1]


def test_more_filling_coats_allow_more_depth_and_ask_for_none():
    few, many = (infill.window("brush-filled", **BOARD, colour=infill.Film(coats, (0.4, 0.6), (0.35, 0.5)))
                 for coats in (3, 5))
    assert many.at_most_mm > few.at_most_mm and many.at_least_mm == few.at_least_mm


@variants
@pytest.mark.parametrize("typed", [{}, dict(least_floor_mm=2)])
def test_a_thicker_board_or_a_wider_stroke_never_allows_less(variant, typed):
    by_board = [infill.window(variant, mm, 5, char_mm=20, **typed).at_most_mm for mm in (3, 3.5, 5, 6, 7, 12, 40)]
    by_stroke = [infill.window(variant, 19, mm, **typed).at_most_mm for mm in (0.2, 0.4, 0.8, 2, 9)]
    assert by_board == sorted(by_board) and by_stroke == sorted(by_stroke)


@variants
def test_more_confidence_never_widens_the_window(variant):
    sure, even = (infill.window(variant, **BOARD, char_mm=20, confidence=level) for level in (0.99, 0.5))
    assert sure.at_least_mm > even.at_least_mm and sure.at_most_mm < even.at_most_mm
    assert even.at_least_mm == pytest.approx(even.table.query("side == 'at least'")["mm"].sum())


def test_a_quarter_sawn_board_does_not_cup():
    flat, quarter = (infill.window("sprayed", **BOARD, species="white oak", flat_sawn=cut) for cut in (True, False))
    assert at_least(quarter, "cup")["counts_mm"] == 0 < at_least(flat, "cup")["counts_mm"]
    # Its thickness is tangential: the recess itself moves by 10.5 % / 30 of 1 mm, and hardly matters.
    assert at_least(quarter, "own movement")["uncertainty_mm"] == pytest.approx(0.0035 / sqrt(3))


def test_a_window_says_what_makes_it():
    window = infill.window("brush-filled", **BOARD, species="white oak")
    assert window.dominating == {"at least": "sanding", "at most": "paint"}
    assert window.words == (
        "Brush-filled: burn between 0.47 and 0.63 mm deep (0.018 to 0.025 in). Most of the least depth is "
        "sanding (0.20 mm); it gets less with fewer or finer grits. The largest depth is set by the paint; "
        "it gets more with more coats. How deep the next board comes out is not in this window: "
        "it is counted in the chance to land inside. A wide-belt machine's figures stand in for what sanding "
        "takes off: by hand it differs. " + ASKED)
    measured = infill.window("brush-filled", **BOARD, species="white oak", sanded_mm=(0.1, 0.2))
    assert measured.unmeasured == "" and measured.words.endswith(NOT_HERE)
    masked = infill.window("mask-sprayed", **BOARD)
    assert masked.words.endswith(f"What light sanding takes off is our judgement. {ASKED}")


NOT_HERE = "How deep the next board comes out is not in this window: it is counted in the chance to land inside."
ASKED = ("Measure yours first: a shallow recess on scrap, its depth before and after sanding as you sand a sign; the "
         "difference, from the least to the most of three, goes into the order's box Sanding takes off.")


def test_a_film_too_thin_to_hide_is_said():
    thin = infill.window("shallow", **BOARD, colour=infill.Film(1, (0.1, 0.1), (0.3, 0.3)))
    assert thin.words.partition(" A wide-belt")[0].endswith(" The colour dries to about 0.03 mm and 0.05 mm is needed to hide the floor: lay "
                               "more coats, or try it on scrap.")


def test_an_empty_window_says_what_clashes_and_what_would_do():
    window = infill.window("sprayed", 3.2, 0.4, sanded_mm=(0.3, 0.3), species="black cherry")
    words = (
        "Sprayed: no depth will do. The infill needs 0.66 mm, but the board allows 0.11 mm and the narrowest "
        "stroke allows 0.35 mm. Most of what it needs is sanding (0.30 mm): less sanding. What would "
        "do, all of it: a board of at least 3.8 mm, or a thinner floor under the recess; strokes of at least "
        "0.8 mm.")
    assert not window.feasible and window.words == words
    with pytest.raises(ValueError) as caught:
        window.must_be_one()
    assert str(caught.value) == words


def test_an_empty_window_names_another_way_that_has_one():
    words = infill.window("brush-filled", **BOARD, flatness_mm=0.3).words
    sprayed, shallow = (infill.window(variant, **BOARD, flatness_mm=0.3) for variant in ("sprayed", "shallow"))
    assert sprayed.feasible and not shallow.feasible
    other = words.partition("Or another way: ")[2]
    assert other.startswith(f"sprayed, {sprayed.at_least_mm:.2f} to {sprayed.at_most_mm:.2f} mm, ") and "shallow" not in other
    # A gap of the typed flatness is nothing to a face that is not sanded flat.
    masked = infill.window("mask-sprayed", **BOARD)
    assert f"mask-sprayed, {masked.at_least_mm:.2f} to {masked.at_most_mm:.2f} mm" in other


@pytest.mark.parametrize(("name", "typed", "cured", "said"), [
    ("board", dict(board_thickness_mm=3.2), dict(board_thickness_mm=3.6), "a board of at least 3.6 mm, "
     "or a thinner floor under the recess"),
    ("board", dict(board_thickness_mm=10, least_floor_mm=9.8), dict(board_thickness_mm=10.4),
     "a board of at least 10.4 mm, or a thinner floor under the recess"),
    ("narrowest stroke", dict(narrowest_stroke_mm=0.4), dict(narrowest_stroke_mm=0.6), "strokes of at least 0.6 mm"),
    ("char", dict(char_mm=0.3), dict(char_mm=0.5), "Char from a depth of: 0.5 mm or more, if you brush the char out"),
    ("paint", dict(colour=infill.Film(1, (0.4, 0.6), (0.35, 0.5))),
     dict(colour=infill.Film(2, (0.4, 0.6), (0.35, 0.5))), "2 coats of colour instead of 1")])
def test_what_would_do_does(name, typed, cured, said):
    start = BOARD | dict(species="white oak")
    sick, well = (infill.window("brush-filled", **start | typed | more) for more in ({}, cured))
    assert infillterms.enough(name, "brush-filled", sick.facts, sick.at_least_mm, K95) == said
    assert bound(sick, name)["counts_mm"] <= sick.at_least_mm
    assert bound(well, name)["counts_mm"] > well.at_least_mm


def test_the_largest_step_that_would_do_does():
    sick, well = (infill.window("sprayed", **BOARD, most_step_mm=step) for step in (0.1, 0.5))
    assert infillterms.enough("paint", "sprayed", sick.facts, sick.at_least_mm, K95) == (
        "Step to the face, most: 0.5 mm or more, if the walls get their colour")
    assert not sick.feasible and well.feasible


@pytest.mark.parametrize(("given", "said"), [
    (dict(variant="poured"), "variant is 'poured': allowed is one of shallow, brush-filled, sprayed, resin-filled, mask-sprayed, "
     "sealed-face. Use one of these."),
    (dict(flatness_mm=-0.1), "flatness_mm is -0.1: allowed is at least 0 and at most 3 mm. Check its unit: mm is asked for."),
    (dict(narrowest_stroke_mm=float("nan")), "narrowest_stroke_mm is nan: allowed is at least 0.05 and at most 500 mm. Check "
     "its unit: mm is asked for."),
    (dict(board_thickness_mm="19"), "board_thickness_mm is '19': this is not a number. Write a number without quotes, with a "
     "point, e.g. 0.5."),
    (dict(grits=(180, 120)), "grits is [180, 120]: they are not in order. Write each once, from coarse to fine."),
    (dict(grits=(150, 110)), "grits is [150, 110]: allowed is one of 60, 80, 100, 120, 150, 180, 220. From coarse to fine; or "
     "type what sanding takes off."),
    (dict(sanded_mm=0.15), "sanded_mm is 0.15: this is no span. Write [from, to], the smaller first."),
    (dict(colour=2), "colour is 2: this is no film. Write it e.g. {coats = 2, wet_mm = [0.08, 0.12], solids = [0.3, 0.4]}."),
    (dict(confidence=1), "confidence is 1: allowed is at least 0.5 and at most 0.9999. Use e.g. 0.95."),
    (dict(grid=3), "A shallow window has no grid. Known are: board_thickness_mm, board_width_mm, char_mm, colour, "
     "depth_to_width, flat_sawn, flatness_mm, floor_sd_mm, gauge_mm, grits, hides_mm, least_floor_mm, "
     "least_step_mm, moisture_change_pct, most_step_mm, narrowest_stroke_mm, pith_mm, sanded_mm, sealer, "
     "shrinkage_pct, species.")])
def test_what_cannot_be_is_refused_in_words(given, said):
    with pytest.raises(ValueError) as caught:
        infill.window(**dict(variant="shallow") | BOARD | given)
    assert str(caught.value) == said


@pytest.mark.parametrize(("given", "said"), [
    (dict(solids=(0.2, 30)), "solids is [0.2, 30]: allowed is at least 0 and at most 1. Use a share, 0.35 for 35 %: [from, to]."),
    (dict(coats=-1), "coats is -1: allowed is at least 0 and at most 100. Use a whole number, 0 or more.")])
def test_a_film_that_cannot_be_is_refused(given, said):
    with pytest.raises(ValueError) as caught:
        infill.Film(**dict(coats=1, wet_mm=(0.1, 0.1), solids=(0.3, 0.3)) | given)
    assert str(caught.value) == said


def test_paint_that_fills_by_hand():
    # 1000 mm² and 0.5 mm deep are 0.5 ml. Sealer: 0.1 ml wet, 0.05 mm dry. The other 0.45 ml of dry colour is
    # 0.9 ml wet at 50 % solids. With the margin of 30 %: 0.13 and 1.17 ml.
    sealer = infill.Film(1, (0.1, 0.1), (0.5, 0.5))
    window = infill.window("brush-filled", **BOARD, sealer=sealer, colour=infill.Film(3, (0.5, 0.5), (0.5, 0.5)))
    ml = infill.paint(window, 1000, depth_mm=0.5).set_index("name")["ml"]
    assert ml.tolist() == pytest.approx([0.5, 0.13, 1.17])
    assert infill.paint(window, 1000).set_index("name")["ml"]["recess"] == pytest.approx(window.at_most_mm)


def test_paint_that_covers_by_hand():
    # 4 coats of 0.1 mm wet on 1000 mm² of floor and 200 mm × 0.5 mm of wall: 0.44 ml.
    colour = infill.Film(4, (0.1, 0.1), (0.3, 0.3))
    for variant, over, wet in (("shallow", None, 0.44), ("sprayed", None, 0.44), ("sprayed", 5000, 2.04),
                               ("mask-sprayed", 5000, 2.04), ("sealed-face", None, 0.44)):
        window = infill.window(variant, **BOARD, colour=colour)
        ml = infill.paint(window, 1000, 0.5, perimeter_mm=200, sprayed_over_mm2=over, margin=0).set_index("name")["ml"]
        assert ml["colour"] == pytest.approx(wet)


def test_paint_for_no_area_is_refused():
    with pytest.raises(ValueError) as caught:
        infill.paint(infill.window("shallow", **BOARD), 0)
    assert str(caught.value) == "area_mm2 is 0. Give more than 0."


@variants
def test_the_schedule_has_the_windows_coats_and_every_caution(variant):
    window = infill.window(variant, **BOARD, grits=(120, 180))
    steps = finishing.schedule(window).set_index("step")
    assert list(steps.index) == {"mask-sprayed": ["mask"], "sealed-face": ["coat the face"]}.get(variant, []) + [
        "clean", "rest", "seal", "colour", *["peel"] * (variant == "mask-sprayed"), "sand back", "clear coat", "in doubt"]
    assert steps["coats"]["colour"] == {"shallow": 2, "brush-filled": 12, "sprayed": 4, "resin-filled": 1, "mask-sprayed": 4,
                                        "sealed-face": 2}[variant]
    assert steps["what"]["sand back"].endswith("; grits 120, 180")
    # 0.1 to 0.15 mm wet at 35 to 50 % solids: 0.125 × 0.425 = 0.053 mm dry.
    many = "; each dries to 0.05 mm, hence 12: a tinted filler, laid as its label says, takes fewer"
    assert (many in steps["what"]["colour"]) == (variant == "brush-filled") and ("hence" in steps["what"]["colour"]) == (variant == "brush-filled")
    said = " ".join(steps["caution"])
    for caution in ("No burning on or near", "lid", "respirator", "cancer", "Labels, local rules"):
        assert caution in said
    assert "label" in steps["wait"]["colour"]


# Thicker than 5 mil wet (WOODWEB, Wet mils, dry mils, 2008: 3 to 5 mil) is several coats; the dry film stays the same.
@pytest.mark.parametrize(("coats", "wet_mm", "laid", "each_mm"), [
    (3, (0.4, 0.6), 12, (0.1, 0.15)), (1, (0.127, 0.127), 1, (0.127, 0.127)), (2, (0.2, 0.2), 4, (0.1, 0.1)), (0, (0.4, 0.6), 0, (0.1, 0.15))])
def test_a_thick_wet_coat_is_said_as_several_thin_fills(coats, wet_mm, laid, each_mm):
    film = infill.Film(coats, wet_mm, (0.4, 0.5))
    thin = finishing.fills(film)
    assert thin.coats == laid and thin.wet_mm == pytest.approx(each_mm) and thin.dry_mm == pytest.approx(film.dry_mm)
    assert finishing.fills(film, poured=True) == film


@pytest.mark.parametrize(("variant", "cautions"), [
    ("resin-filled", ["gloves", "allergy", "gets hot", "cure through"]),
    ("mask-sprayed", ["chlorine (PVC, vinyl)", "hydrogen chloride", "smoulder"]),
    ("sealed-face", ["Never burn through a coating you do not know", "isocyanates", "not cured catches fire"])])
def test_each_recipe_has_its_own_cautions(variant, cautions):
    window = infill.window(variant, **BOARD)
    steps = finishing.schedule(window)
    said = " ".join(steps["caution"] + steps["wait"])
    assert not [words for words in cautions if words not in said]
    assert bool(finishing.through(window)) == (variant != "resin-filled")
    # A few light strokes name no grits of the wide-belt chart, whose figures are not counted.
    assert ("grits" in steps.set_index("step")["what"]["sand back"]) == (variant == "resin-filled")


def test_a_resin_window_by_hand():
    # No sealer; 0.15 mm left; sanding 0.2 mm as typed; a step of the feeler of 0.05 mm. One pour of 2 to 3 mm, 93 to 100 % solids.
    window = infill.window("resin-filled", 19, 9, sealer=NOTHING, sanded_mm=(0.2, 0.2), flatness_mm=0, moisture_change_pct=0,
                           floor_sd_mm=0, gauge_mm=0, char_mm=20)
    assert window.at_least_mm == pytest.approx(0.15 + 0.2 + K95 * 0.05 / sqrt(12))
    doubt = hypot(0.5 / sqrt(3) * 0.965, 2.5 * 0.035 / sqrt(3))
    assert window.at_most_mm == pytest.approx(2.5 * 0.965 + 0.2 - K95 * doubt)
    ml = infill.paint(window, 1000, 0.5, margin=0).set_index("name")["ml"]
    assert ml["colour"] == pytest.approx(0.5 / 0.965)


def test_a_masked_window_by_hand():
    # Four coats of 0.1 mm wet at 30 %: 0.12 mm; a step of 0.05 to 0.8 mm; light strokes 0 to 0.05 mm; nothing for flatness or cup.
    window = infill.window("mask-sprayed", 19, 9, sealer=NOTHING, colour=infill.Film(4, (0.1, 0.1), (0.3, 0.3)), moisture_change_pct=0,
                           floor_sd_mm=0, gauge_mm=0, char_mm=20)
    doubt = hypot(0.05 / sqrt(12), 0.05 / sqrt(12))
    assert window.at_least_mm == pytest.approx(0.12 + 0.05 + 0.025 + K95 * doubt)
    assert window.at_most_mm == pytest.approx(0.12 + 0.025 + 0.8 - K95 * 0.05 / sqrt(12))


def test_the_chart_shows_what_the_table_says():
    window = infill.window("brush-filled", **BOARD)
    figure = job.window(window)
    least = window.table[window.table["side"] == "at least"]
    assert list(figure.data[0].x) == pytest.approx(least["mm"].tolist(), abs=5e-5)
    assert list(figure.data[1].x) == pytest.approx(least["margin_mm"].tolist(), abs=5e-5)
    assert figure.data[1].marker.pattern.shape != figure.data[3].marker.pattern.shape
    assert figure.layout.title.text == "Brush-filled: 0.48 to 0.63 mm deep"
    empty = job.window(infill.window("brush-filled", **BOARD, flatness_mm=0.5))
    assert empty.layout.title.text == "Brush-filled: no depth will do, 0.88 mm is needed and 0.63 mm allowed"


def test_a_species_name_is_text_and_never_markup():
    window = infill.window("shallow", **BOARD, species="<b>oak</b>")
    assert "<b>oak" not in window._repr_html_()
    assert "<b>oak" not in job.window(window).to_json()


@pytest.mark.parametrize(("given", "said"), [
    (dict(grits=(150, "180")), "grits is [150, '180']: this is not a whole number."),
    (dict(sanded_mm=("0.1", "0.2")), "sanded_mm is ['0.1', '0.2']: this is no span."),
    (dict(flat_sawn="no"), "flat_sawn is 'no': this is not true or false. Write true or false."),
    (dict(species=5), "species is 5: this is not a text. Write a text in quotes."),
    (dict(confidence="95"), "confidence is '95': this is not a number."),
    (dict(confidence=True), "confidence is true: this is not a number.")])
def test_a_value_of_another_kind_is_said_by_name(given, said):
    with pytest.raises(ValueError) as refused:
        infill.window("shallow", **BOARD, **given)
    assert str(refused.value).startswith(said)


def test_grits_typed_keep_the_charts_source():
    row = at_least(infill.window("shallow", **BOARD, grits=(180,)), "sanding, 180 grit")
    assert row["source"] == "Woodworking Network, 7 August 2014, wide-belt machine; grits typed by the maker"


def test_without_a_coat_of_sealer_there_is_no_sealing():
    bare = finishing.schedule(infill.window("shallow", **BOARD, sealer=infill.Film(0, (0.1, 0.1), (0.3, 0.3))))
    assert "seal" not in set(bare["step"])
    sealed = finishing.schedule(infill.window("shallow", **BOARD)).set_index("step")
    assert "Rags" in sealed.loc["seal", "caution"]
