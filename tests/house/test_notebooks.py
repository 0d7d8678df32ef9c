"""The notebooks as committed: run, thin, and in order.

nbval compares outputs, but lets a notebook without any pass; this does not.
"""

import ast
import itertools

import nbformat
import pytest

from testburn.workshop.chain import KEPT_PICTURE
from testburn.workshop.openbook import NOTEBOOKS, notebooks

EVERY = [pytest.param(path, id=path.stem) for path in notebooks()]


def code_cells(path):
    return [cell for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]


def test_the_notebooks_are_numbered_without_a_gap():
    assert [int(path.stem.split("_")[0]) for path in notebooks()] == list(range(1, 13))


def test_nothing_else_is_a_notebook():
    assert sorted(NOTEBOOKS.glob("*.ipynb")) == notebooks()


@pytest.mark.parametrize("path", EVERY)
def test_committed_executed_top_to_bottom_without_a_fault(path):
    cells = code_cells(path)
    assert [cell.execution_count for cell in cells] == list(range(1, len(cells) + 1))
    kinds = {output.output_type for cell in cells for output in cell.outputs}
    assert "error" not in kinds
    assert not [output for cell in cells for output in cell.outputs
                if output.get("name") == "stderr"]


def test_they_can_be_reviewed():
    """Small together, few lines each: arrays are one line, and of the pictures of pages one is stored."""
    assert sum(path.stat().st_size for path in notebooks()) <= 1_100_000
    assert all(len(path.read_text(encoding="utf-8").splitlines()) <= 5_000 for path in notebooks())
    pictures = [cell for path in notebooks() for cell in code_cells(path)
                if any("image/png" in output.get("data", {}) for output in cell.outputs)]
    assert [KEPT_PICTURE in cell.metadata["tags"] for cell in pictures] == [True]


@pytest.mark.parametrize("path", EVERY)
def test_every_code_cell_shows_something(path):
    assert all(cell.outputs for cell in code_cells(path))


@pytest.mark.parametrize("path", EVERY)
def test_thin(path):
    """No function, class or loop; at most six lines a cell; imports in the first cell only."""
    for number, cell in enumerate(code_cells(path)):
        kinds = {type(node) for node in ast.walk(ast.parse(cell.source))}
        assert not kinds & {ast.FunctionDef, ast.ClassDef, ast.For, ast.While}
        assert number == 0 or not kinds & {ast.Import, ast.ImportFrom}
        assert number == 0 or len(cell.source.splitlines()) <= 6


@pytest.mark.parametrize("path", EVERY)
def test_says_that_its_readings_are_invented(path):
    """Wherever the demo is shown, it says that it is invented."""
    first = code_cells(path)[0]
    assert "invented" in str(first.outputs[0].data).lower()


@pytest.mark.parametrize("path", EVERY)
def test_outputs_hold_no_path_of_the_machine_they_ran_on(path):
    shown = [str(output) for cell in code_cells(path) for output in cell.outputs
             if "nbval-ignore-output" not in cell.metadata.get("tags", [])]
    assert not [text for text in shown if "/tmp/" in text or "/home/" in text or "\\Users" in text]


@pytest.mark.parametrize("before, after", list(itertools.pairwise(notebooks())),
                         ids=lambda path: path.stem)
def test_each_links_to_the_next(before, after):
    text = "".join(cell.source for cell in nbformat.read(before, as_version=4).cells)
    assert f"({after.name})" in text
