"""Pages: fresh copies of the notebooks in the lab book; what is shipped is never worked on, and nothing changed is lost."""

import nbformat
import pytest

from testburn.workshop import chain, pages


@pytest.fixture
def shipped(tmp_path):
    """Two small notebooks with results, one cell of the second tagged as the maker's."""
    made = []
    for name, tags in (("01_start_here.ipynb", []), ("02_plan.ipynb", ["yours"])):
        cell = nbformat.v4.new_code_cell("1 + 1", outputs=[nbformat.v4.new_output("stream", text="of the demo")], execution_count=3,
                                         metadata={"tags": tags})
        nbformat.write(nbformat.v4.new_notebook(cells=[nbformat.v4.new_markdown_cell("# One"), cell]), tmp_path / name)
        made.append(tmp_path / name)
    return made


def cell(book, name):
    return nbformat.read(book / "pages" / name, as_version=4).cells[1]


def test_a_page_has_no_results_and_its_code_is_folded_but_for_the_makers_lines(shipped, tmp_path):
    assert pages.lay_out(tmp_path / "book", shipped) == []
    first, second = cell(tmp_path / "book", "01_start_here.ipynb"), cell(tmp_path / "book", "02_plan.ipynb")
    assert (first.outputs, first.execution_count) == ([], None)
    assert first.metadata["jupyter"] == {"source_hidden": True} and "jupyter" not in second.metadata
    # The shipped one is as it was.
    assert nbformat.read(shipped[0], as_version=4).cells[1].outputs


def test_a_page_of_this_version_stays_as_the_maker_left_it(shipped, tmp_path):
    book = tmp_path / "book"
    pages.lay_out(book, shipped)
    (book / "pages" / "02_plan.ipynb").write_text(
        (book / "pages" / "02_plan.ipynb").read_text(encoding="utf-8").replace("1 + 1", "my = 2"), encoding="utf-8")
    assert pages.lay_out(book, shipped) == [] and cell(book, "02_plan.ipynb").source == "my = 2"


def test_a_new_version_replaces_the_page_and_keeps_a_changed_one(shipped, tmp_path):
    book = tmp_path / "book"
    pages.lay_out(book, shipped)
    mine = (book / "pages" / "02_plan.ipynb").read_text(encoding="utf-8").replace("1 + 1", "my = 2")
    (book / "pages" / "02_plan.ipynb").write_text(mine, encoding="utf-8")
    for path in shipped:
        path.write_text(path.read_text(encoding="utf-8").replace("# One", "# Newer"), encoding="utf-8")
    assert pages.lay_out(book, shipped) == ["02_plan.ipynb"]
    assert nbformat.read(book / "pages" / "02_plan.ipynb", as_version=4).cells[0].source == "# Newer"
    assert (book / "pages" / "earlier" / "02_plan.ipynb").read_text(encoding="utf-8") == mine
    assert not (book / "pages" / "earlier" / "01_start_here.ipynb").exists()


def test_a_page_kept_before_is_never_written_over(shipped, tmp_path):
    """Two versions, a change of the maker's before each: both are kept."""
    book = tmp_path / "book"
    pages.lay_out(book, shipped)
    for version, mine in enumerate(("my = 2", "my = 3")):
        page = book / "pages" / "02_plan.ipynb"
        page.write_text(page.read_text(encoding="utf-8").replace("1 + 1", mine), encoding="utf-8")
        shipped[1].write_text(shipped[1].read_text(encoding="utf-8").replace("# One", f"# One {version}"), encoding="utf-8")
        pages.lay_out(book, shipped)
    kept = [(path.name, nbformat.read(path, as_version=4).cells[1].source) for path in sorted((book / "pages" / "earlier").iterdir())]
    assert sorted(kept) == [("02_plan-2.ipynb", "my = 3"), ("02_plan.ipynb", "my = 2")]


def test_a_page_that_is_gone_from_the_version_goes_and_a_changed_one_is_kept(shipped, tmp_path):
    book = tmp_path / "book"
    pages.lay_out(book, shipped)
    (book / "pages" / "02_plan.ipynb").write_text("no notebook any more", encoding="utf-8")
    assert pages.lay_out(book, shipped[:1]) == ["02_plan.ipynb"]
    assert not (book / "pages" / "02_plan.ipynb").exists()
    assert (book / "pages" / "earlier" / "02_plan.ipynb").read_text(encoding="utf-8") == "no notebook any more"


@pytest.mark.parametrize("made", ["", "[]", "{"])
def test_a_list_of_what_was_made_that_cannot_be_read_loses_nothing(made, shipped, tmp_path):
    book = tmp_path / "book"
    pages.lay_out(book, shipped)
    (book / "pages" / "made-from.json").write_text(made, encoding="utf-8")
    assert pages.lay_out(book, shipped) == ["01_start_here.ipynb", "02_plan.ipynb"]
    assert (book / "pages" / "earlier" / "01_start_here.ipynb").is_file()


@pytest.mark.parametrize(("path", "outputs"), [("pages/x.ipynb", []), ("/pages/x.ipynb", []), ("other/x.ipynb", ["kept"])])
def test_results_are_taken_out_of_a_page_when_it_is_saved_and_of_nothing_else(path, outputs):
    model = {"type": "notebook", "content": {"metadata": {"language_info": {}}, "cells": [
        {"cell_type": "code", "outputs": ["kept"], "execution_count": 3}, {"cell_type": "markdown"}]}}
    pages.strip(model, path)
    assert model["content"]["cells"][0]["outputs"] == outputs
    assert ("language_info" in model["content"]["metadata"]) == bool(outputs)


def test_every_shipped_page_is_laid_out(tmp_path):
    pages.lay_out(tmp_path, chain.notebooks())
    assert [path.name for path in sorted((tmp_path / "pages").glob("*.ipynb"))] == [path.name for path in chain.notebooks()]
