"""The job sheet: what job.toml may say, what stands in where it says nothing, and what is refused."""

import pandas as pd
import pytest

from testburn import depthfit, labbook, sweep
from testburn.job import Film, Job, promise, settings, sheet as jobsheet
from testburn.labbook import Machine


@pytest.fixture(scope="module")
def fit(request):
    return depthfit.fit(labbook.read(request.path.parents[2] / "labdata"))


def sheet(folder, text):
    (folder / "job.toml").write_text(text, encoding="utf-8")
    return jobsheet.read(folder)


def on_bench(folder, text, fit):
    """The job that a sheet of this text makes with the fit, its drawings beside the sheet."""
    return Job(sheet(folder, text), fit, Machine(), folder)


def test_without_a_file_the_best_known_wood_stands_in(fit, tmp_path):
    job = Job.read(tmp_path, fit)
    assert job.group is fit.best_known
    assert job.drawing.area_mm2 == 6000


def test_minutes_without_artwork_are_those_of_the_block(fit, tmp_path):
    head = Machine(acceleration_mm_s2=2000, turn_overhead_s=0.03)
    block = Job.read(tmp_path, fit).drawing
    asked = (fit, "black cherry", 15, 0.45, 0.65, head, 6000)
    with_block = settings.choose(*asked, artwork=block)["minutes"]
    # The last line of the block may miss its edge by rounding: one line in 600 or 1200.
    assert with_block.to_numpy() == pytest.approx(settings.choose(*asked)["minutes"].to_numpy(), rel=2e-3)


@pytest.mark.parametrize(("text", "species", "module_w"), [
    ('species = "white oak"', "white oak", 15),
    ("module_w = 30", "black cherry", 30),
    ('species = "sugar maple"\nwavelength_nm = 445', "sugar maple", 15),
    ('species = "white oak"\nmodule_w = 6', "white oak", 6)])
def test_what_the_sheet_says_is_kept_and_the_rest_is_the_best_known(text, species, module_w, fit, tmp_path):
    group = on_bench(tmp_path, text, fit).group
    assert (group.species, group.module_w) == (species, module_w)


def test_a_wood_never_burned_is_refused_with_those_that_were(fit, tmp_path):
    with pytest.raises(LookupError) as said:
        on_bench(tmp_path, 'species = "white oak"\nmodule_w = 2', fit).group
    assert str(said.value).startswith(
        "job.toml says species = white oak, module_w = 2, and there is no fit for that. Fitted are: "
        "black cherry, 6 W at 445 nm; ")


@pytest.mark.parametrize(("text", "said"), [
    ("speceis = 'oak'", "job.toml says speceis, which nothing asks for. Known are: name, species, module_w, "
     "wavelength_nm, board, board_thickness_mm, artwork, area_mm2, infill, prices, proof."),
    ("species = 5", "job.toml: species is 5. Write a text in quotes."),
    ("module_w = 'x'", "job.toml: module_w is 'x'. Write a number."),
    ("module_w = true", "job.toml: module_w is True. Write a number."),
    ("module_w = 0", "job.toml: module_w is 0. Give a number above 0."),
    ("infill = 'sprayed'", "job.toml: infill is 'sprayed'. Write [infill] on a line of its own, and its lines "
     "under it."),
    ("[prices]\nboards = 3", "job.toml says boards under [prices], which nothing asks for. Known are: per_minute, "
     "board, finishing, proof_minutes, rerun_minutes, deep_extra, shallow_rerun_share, deep_lost_share."),
    ('name = "gate 3/4"', "job.toml: name is 'gate 3/4': this cannot name a file. Use letters, digits, spaces, "
     "points, - and _, at most 80 of them."),
    ('board = ""', "job.toml: board is '': this cannot name a file. Use letters, digits, spaces, points, - and _, "
     "at most 80 of them."),
    ('board = "next"', "job.toml: a board cannot be named 'next': that means the one not yet seen.")])
def test_what_cannot_be_is_said(text, said, tmp_path):
    with pytest.raises(ValueError) as refused:
        sheet(tmp_path, text)
    assert str(refused.value) == said


@pytest.mark.parametrize("text", ["species = white oak", "name = 1 2"])
def test_a_file_that_is_no_toml_says_how_lines_look(text, tmp_path):
    with pytest.raises(ValueError, match="job.toml cannot be read: .* texts in quotes"):
        sheet(tmp_path, text)


def test_a_missing_drawing_is_said(tmp_path):
    with pytest.raises(ValueError) as said:
        Job(sheet(tmp_path, 'artwork = "gate.svg"'), None, Machine(), tmp_path / "artwork").drawing
    assert str(said.value) == ("job.toml names the artwork gate.svg, which is not in artwork/ of the lab book. "
                               "Put the SVG there, or correct its name.")


def test_the_infill_of_the_sheet_is_asked_for(fit, tmp_path):
    job = on_bench(tmp_path, "[infill]\nvariant = 'sprayed'\ngrits = [180]\nconfidence = 0.9\n"
                "colour = {coats = 2, wet_mm = [0.05, 0.09], solids = [0.2, 0.3]}", fit)
    window = job.window
    assert (window.variant, window.confidence) == ("sprayed", 0.9)
    assert window.facts["colour"].value == Film(2, (0.05, 0.09), (0.2, 0.3))
    assert window.facts["grits"].value == (180,)
    assert window.facts["species"].value == fit.best_known.species


def test_another_way_to_fill_has_its_own_usual_colour(fit, tmp_path):
    job = on_bench(tmp_path, "[infill]\nvariant = 'sprayed'\n"
                "colour = {coats = 2, wet_mm = [0.05, 0.09], solids = [0.2, 0.3]}", fit)
    ways = job.variants.set_index("variant")
    assert list(ways.index) == ["shallow", "brush-filled", "sprayed"]
    plain = on_bench(tmp_path, "", fit).window
    assert ways.loc["brush-filled", "at_least_mm"] == plain.at_least_mm


def test_a_film_without_its_solids_is_said(fit, tmp_path):
    job = on_bench(tmp_path, "[infill]\ncolour = {coats = 2, wet = 0.1}", fit)
    with pytest.raises(ValueError, match="is no film. Write coats, wet_mm and solids, e.g. "):
        job.window


def test_prices_not_said_are_examples_and_say_so(tmp_path):
    job = sheet(tmp_path, "[prices]\nboard = 31")
    assert job.prices_or_examples.board == 31 and job.prices_or_examples.per_minute == 0.5
    assert job.lines["price, board"] == "31"
    assert job.lines["price, per minute"] == "0.5 (an example; type your own)"


def test_text_of_the_sheet_reaches_the_page_escaped():
    assert "<b>" not in jobsheet.JobSheet(species="<b>oak</b>")._repr_html_()


def test_a_job_without_a_window_leaves_the_cards_promises(fit, tmp_path):
    cards = promise.of(fit, settings.for_card(fit))
    assert len(on_bench(tmp_path, "board_thickness_mm = 3", fit).promised) == len(cards)
    assert len(on_bench(tmp_path, "", fit).promised) > len(cards)


def test_the_demo_goes_from_drawing_to_minutes(fit, labdata):
    job = Job.read(labdata, fit, Machine.read(labdata / "machine.toml"))
    best = job.choose().iloc[0]
    pd.testing.assert_frame_equal(job.choose(), settings.choose(
        fit, job.group.species, job.group.module_w, *job.ends_mm, job.machine, artwork=job.drawing))
    plan = sweep.plan(job.drawing, best["line_pitch_mm"], job.machine)
    assert best["minutes"] == pytest.approx(plan.fastest(best["speed_mm_s"])["minutes"])
    assert best["way"] == plan.fastest(best["speed_mm_s"])["way"]
    twice = plan.fastest_minutes([best["speed_mm_s"], 2 * best["speed_mm_s"]])
    assert twice[1] > twice[0] / 2


PROOF = ("[proof]\nboard = 'Gate-1'\ndepths_mm = [0.66, 0.68]\ngauge_step_mm = 0.01\npower_pct = 90\nspeed_mm_s = 150\n"
         "line_pitch_mm = 0.05\npasses = 1\n")


def test_without_a_proof_the_bench_is_the_next_board(fit, tmp_path):
    job = on_bench(tmp_path, "", fit)
    assert job.proved is fit and job.board == "next"


def test_a_proof_of_the_sheet_is_the_makers_own_and_not_invented(labdata, tmp_path, fit):
    measured = depthfit.fit(labbook.read(labdata).assign(invented=""))
    job = on_bench(tmp_path, f'species = "black cherry"\nmodule_w = 15\nboard = "Gate-1"\n{PROOF}', measured)
    proved = job.proved
    assert job.board == "Gate-1" and not proved.invented
    assert list(proved.proofs["board"]) == ["Gate-1"]
    invented = job.changed(proof=job.sheet.proof | {"invented": True})
    assert invented.proved.invented
    first = job.promised.iloc[0]
    assert (first["board"], first["card"]) == ("Gate-1", proved.fingerprint)


def test_a_proof_of_another_board_proves_nothing(fit, tmp_path):
    job = on_bench(tmp_path, f'board = "Gate-2"\n{PROOF}', fit)
    assert job.board == "next" and job.proved is fit


@pytest.mark.parametrize(("text", "said"), [
    (PROOF.replace("passes = 1\n", ""), "job.toml: [proof] lacks passes. Say the board, the depths you read, the "
     "gauge's step, and the setting the swatch was burned with."),
    (PROOF.replace("[0.66, 0.68]", "0.66"), "job.toml: depths_mm under [proof] is 0.66. Write a list of depths in "
     "mm, e.g. [0.56, 0.55, 0.58]."),
    (PROOF.replace("150", "[150]"), "job.toml: speed_mm_s under [proof] is [150]. Write a number above 0."),
    (PROOF.replace("[0.66, 0.68]", "[0.66, -1]"), "job.toml: depths_mm under [proof] is [0.66, -1]. Write a list of "
     "depths in mm, e.g. [0.56, 0.55, 0.58]."),
    (PROOF + "invented = 1", "job.toml: invented under [proof] is 1. Write true or false.")])
def test_a_proof_that_cannot_be_is_said(text, said, tmp_path):
    with pytest.raises(ValueError) as refused:
        sheet(tmp_path, text)
    assert str(refused.value) == said


def test_a_card_of_a_job_goes_from_fast_to_sure(fit):
    group = fit.group("black cherry", 15)
    rows = settings.fast_and_sure(fit, group, 0.45, 0.65)
    fast, sure = rows.iloc[0], rows["chance_inside"].max()
    assert fast["chance_inside"] >= 0.8 and sure > fast["chance_inside"]
    block = Job(jobsheet.JobSheet(area_mm2=5000.0), fit, Machine(), None).drawing
    rows = settings.fast_and_sure(fit, group, 0.45, 0.65, artwork=block)
    job_rows = settings.for_job(rows, block)
    assert (job_rows["aim_mm"] == rows["depth_mm"].round(2)).all()
    assert job_rows["minutes_per_10cm2"].iloc[0] == pytest.approx(rows["minutes"].iloc[0] / 5)


def test_what_is_the_matter_with_a_job_is_said_and_nothing_where_all_is_well(fit, tmp_path):
    assert on_bench(tmp_path, "", fit).trouble == ""
    assert "which is not in" in on_bench(tmp_path, 'artwork = "gate.svg"', fit).trouble
    assert "there is no fit for that" in on_bench(tmp_path, 'species = "white ash"', fit).trouble
    assert "no depth will do" in on_bench(tmp_path, "board_thickness_mm = 3", fit).trouble
