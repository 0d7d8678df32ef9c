"""Architecture: one idea a module, imports one way, and nothing too long to read at once."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "lib" / "testburn"
MODULES = sorted(path for path in PACKAGE.glob("*.py") if path.stem != "__init__")
# A module may import what stands before it, or beside it as long as that makes no circle.
# What is not named stands in the last layer: it may use the rest, and the rest may not use it.
LAYERS = (
    ("energy",),
    ("columns", "csvtext", "woods"),
    ("readingcheck", "journal", "safekeeping", "strikes", "labbook"),
    ("leastsquares", "inverse", "swatches", "reml", "components", "curve", "curvefit", "boards"),
    ("depthgroup", "guess", "boardtable", "proofcheck", "depthfit"),
    ("artworkcheck", "artworkshapes", "artwork", "lines", "sweepways", "timedruns", "sweep", "linespicture", "machine", "energyfor", "infillfilm", "infillfacts", "infillterms", "infillbounds", "infill",
     "finishing", "stock", "stakes", "settings", "compare", "suspects", "optimaldesign", "planwidth", "planlevels",
     "swatchlayout", "burnplan", "promise", "jobs", "controlcharts", "driftwords", "drift"),
    ("charts", "forms", "card"),
)
LEVEL = {path.stem: len(LAYERS) - 1 for path in MODULES} | {
    name: level for level, names in enumerate(LAYERS) for name in names}
LONGEST_MODULE, LONGEST_FUNCTION = 320, 45


def tree(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def imported(path):
    """The modules of the package that a module imports, also inside a function."""
    found = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[1] for alias in node.names
                      if alias.name.startswith("testburn.")}
        elif isinstance(node, ast.ImportFrom):
            inside = (node.module or "").removeprefix("testburn").removeprefix(".")
            if node.level or (node.module or "").split(".")[0] == "testburn":
                found |= {inside.split(".")[0]} if inside else {alias.name for alias in node.names}
    return found & {module.stem for module in MODULES}


def functions(path):
    return [node for node in ast.walk(tree(path)) if isinstance(node, ast.FunctionDef)]


def lines_of_code(function):
    """Lines of a function without its docstring."""
    first = function.body[0]
    text = isinstance(first, ast.Expr) and isinstance(getattr(first.value, "value", None), str)
    return function.end_lineno - function.lineno + 1 - (first.end_lineno - first.lineno + 1) * text


by_module = pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)


@by_module
def test_imports_run_one_way(path):
    ahead = {name for name in imported(path) if LEVEL[name] > LEVEL[path.stem]}
    assert not ahead, f"{path.stem} imports {sorted(ahead)}, which stand after it"


def test_no_import_runs_in_a_circle():
    left = {path.stem: imported(path) for path in MODULES}
    while free := [name for name, needs in left.items() if not needs & left.keys()]:
        for name in free:
            del left[name]
    assert not left


def test_the_imports_are_seen_at_all():
    assert {"columns", "energy", "curvefit"} <= imported(PACKAGE / "depthfit.py")
    assert {"woods", "csvtext", "readingcheck"} <= imported(PACKAGE / "labbook.py")


@by_module
def test_a_module_says_what_it_decides(path):
    said = ast.get_docstring(tree(path)) or ""
    assert len(said.split()) >= 15


@by_module
def test_a_module_is_short_enough_to_read(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) < LONGEST_MODULE


@by_module
def test_a_function_is_short_enough_to_read(path):
    long = {f.name: lines_of_code(f) for f in functions(path) if lines_of_code(f) > LONGEST_FUNCTION}
    assert not long


@by_module
def test_a_public_function_says_what_it_does(path):
    silent = [f.name for f in tree(path).body if isinstance(f, ast.FunctionDef)
              and not f.name.startswith("_") and not ast.get_docstring(f)]
    assert not silent


@by_module
def test_a_module_is_named_after_its_idea(path):
    assert not {"utils", "util", "helpers", "helper", "misc", "common", "base"} & set(path.stem.split("_"))


@by_module
def test_no_function_swallows_every_fault(path):
    bare = [node.lineno for node in ast.walk(tree(path))
            if isinstance(node, ast.ExceptHandler) and node.type is None]
    assert not bare
