"""Architecture: ten rooms over `energy` and `units`, imports down the picture only, nothing too long to read at once."""

import ast
import importlib
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "lib" / "testburn"
TESTS, NOTEBOOKS = PACKAGE.parents[1] / "tests", PACKAGE.parents[1] / "notebooks"
MODULES = sorted(path for path in PACKAGE.rglob("*.py") if path.parent != PACKAGE or path.stem != "__init__")
# Room, the rooms it may import (every room may import `energy` and `units`), and why where that is not plain.
ROOMS = {
    "labbook": "",
    "depthfit": "labbook",
    "sweep": "labbook",
    "drift": "labbook depthfit",   # what the model knows of a module's state lives there; drift judges and words it
    "job": "labbook depthfit sweep",
    "burnplan": "labbook depthfit sweep",
    "charts": "depthfit sweep job drift",
    "paper": "labbook depthfit sweep job burnplan",
    "entry": "labbook depthfit sweep job drift burnplan charts paper",   # a plan is asked for in boxes
    "workshop": "labbook depthfit job drift paper",
}
# Modules that other rooms import by name, as each is wanted in one place only.
BY_NAME = {"depthfit": "compare suspects width", "labbook": "cells machine machinelog makerfile", "sweep": "timedruns",
           "workshop": "cards chain lab newbook"}
# A heavy library lives in these rooms, and nowhere else.
LIBRARIES = {
    "statsmodels": "depthfit sweep", "PIL": "sweep", "cssselect2": "sweep", "tinycss2": "sweep", "plotly": "charts entry", "python_calamine": "entry",
    "typst": "paper sweep", "ipywidgets": "entry", "anywidget": "entry", "nbclient": "workshop",
    "filelock": "labbook", "tomlkit": "labbook",
}
# What of the entry knows of cells, rows and words, and of no box.
WITHOUT_A_WIDGET = ("typed", "grid", "remarks", "draft", "importing")
MOST_MODULES, MOST_NAMES = 15, 22
LONGEST_MODULE, LONGEST_FUNCTION = 400, 45


def name_of(path):
    """A module as Python names it, without the package: depthfit.boards, depthfit for a face."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(part for part in parts if part != "__init__")


def tree(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def imports(nodes):
    """Every (module, name) that is imported; name is None for `import x`."""
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from ((alias.name, None) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from (("." * node.level + (node.module or ""), alias.name) for alias in node.names)


def inside(found):
    """Of the imports, those of the package: (room, module or None, name) of each."""
    for module, name in found:
        assert not module.startswith("."), f"{module}: write the whole name"
        first, *rest = module.split(".")
        if first != "testburn":
            continue
        room, *deeper = rest or [name]
        if room not in (None, "__version__"):
            yield room, ".".join(deeper) or None, name if rest else None


def faces():
    return {room: importlib.import_module(f"testburn.{room}") for room in ROOMS}


def room_of(path):
    return name_of(path).split(".")[0]


def needs(path):
    """The modules of the package that a module needs, a face counting for itself."""
    found = set()
    for room, module, name in inside(imports(ast.walk(tree(path)))):
        one = ".".join(filter(None, (room, module)))
        deeper = f"{one}.{name}" if name else one
        found.add(deeper if deeper in NAMES else one)
    return found


NAMES = {name_of(path): path for path in MODULES}
by_module = pytest.mark.parametrize("path", MODULES, ids=name_of)


def test_the_rooms_are_these():
    there = {path.name for path in PACKAGE.iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert there == set(ROOMS)
    assert {path.stem for path in PACKAGE.glob("*.py")} == {"__init__", "energy", "units"}


@by_module
def test_imports_go_down_the_picture(path):
    room = room_of(path)
    allowed = {room, "energy", "units", *ROOMS.get(room, "").split()}
    wrong = {one for one, *_ in inside(imports(ast.walk(tree(path))))} - allowed
    assert not wrong, f"{name_of(path)} imports {sorted(wrong)}"


@by_module
def test_another_room_is_entered_by_its_face(path):
    """Or by a module that the table says is imported by name."""
    own, open_to_all = room_of(path), faces()
    for room, module, name in inside(imports(ast.walk(tree(path)))):
        if room in (own, "energy", "units"):
            continue
        by_name = BY_NAME.get(room, "").split()
        assert module is None or module in by_name, f"{name_of(path)} reaches into {room}.{module}"
        if module is None and name:
            assert name in open_to_all[room].__all__ or name in by_name, f"{room} does not show {name}"


@pytest.mark.parametrize("path", sorted(TESTS.rglob("*.py")), ids=lambda path: path.stem)
def test_a_test_knows_the_inside_of_its_own_room_only(path):
    """The house's own tests and the benchmarks, which judge the inside, may look into any room."""
    own, open_to_all = path.parent.name, faces()
    if own in ("house", "benchmarks", "tests"):
        return
    for room, module, name in inside(imports(ast.walk(tree(path)))):
        if room in (own, "energy", "units", "workshop"):
            continue
        by_name = BY_NAME.get(room, "").split()
        assert module is None or module in by_name, f"{path.name} reaches into {room}.{module}"
        if module is None and name:
            assert name in open_to_all[room].__all__ or name in by_name, f"{room} does not show {name}"


def test_no_import_runs_in_a_circle():
    left = {name: needs(path) & set(NAMES) - {name, name.split(".")[0]} for name, path in NAMES.items()
            if not path.stem == "__init__"}
    # A face is all that it imports.
    for name, path in NAMES.items():
        if path.stem == "__init__":
            left[name] = needs(path) & set(NAMES) - {name}
    while free := [name for name, wants in left.items() if not wants & left.keys()]:
        for name in free:
            del left[name]
    assert not left


def test_the_imports_are_seen_at_all():
    assert {"energy", "depthfit.curves", "labbook"} <= {*needs(NAMES["depthfit.depths"])}
    assert ("depthfit", None, "NEXT") in set(inside(imports(ast.walk(tree(NAMES["job.settings"])))))


@by_module
def test_no_import_comes_late(path):
    late = [node.lineno for outer in ast.walk(tree(path)) if isinstance(outer, (ast.FunctionDef, ast.ClassDef))
            for node in ast.walk(outer) if isinstance(node, (ast.Import, ast.ImportFrom))]
    assert not late


@pytest.mark.parametrize("name", WITHOUT_A_WIDGET)
def test_half_of_the_entry_knows_no_widget(name):
    half = {f"entry.{one}" for one in WITHOUT_A_WIDGET}
    used = {module.split(".")[0] for module, _ in imports(ast.walk(tree(NAMES[f"entry.{name}"])))}
    assert not used & {"ipywidgets", "anywidget", "plotly"}
    assert {one for one in needs(NAMES[f"entry.{name}"]) if one.startswith("entry.")} <= half


@by_module
def test_a_heavy_library_lives_in_its_room(path):
    used = {module.split(".")[0] for module, _ in imports(ast.walk(tree(path)))}
    wrong = {name for name in used & LIBRARIES.keys() if room_of(path) not in LIBRARIES[name].split()}
    assert not wrong


def test_a_card_loads_no_library_that_it_does_not_use():
    """What a card needs is imported in another interpreter; its time is measured by benchmarks/light.py."""
    code = ("import sys; from testburn import labbook, depthfit, job, sweep, paper; "
            "print(sorted({'statsmodels', 'scipy.stats', 'plotly', 'ipywidgets', 'nbclient', 'IPython'} & set(sys.modules)))")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=True)
    assert done.stdout == "[]\n"


@pytest.mark.parametrize("room", ROOMS)
def test_a_face_says_what_the_room_decides_and_shows_little(room):
    face, said = faces()[room], tree(PACKAGE / room / "__init__.py")
    words = " ".join(ast.get_docstring(said).split())
    assert len(words.split()) >= 30 and "Decides" in words and "The ground" in words
    assert len(face.__all__) <= MOST_NAMES and len(set(face.__all__)) == len(face.__all__)
    assert all(hasattr(face, name) for name in face.__all__)
    # What a face brings in, it shows; nothing else stands in it.
    shown = {name for _, name in imports(ast.walk(said))}
    assert shown == set(face.__all__)


@pytest.mark.parametrize("room", ROOMS)
def test_no_module_bears_the_name_of_a_function_in_its_face(room):
    face = faces()[room]
    modules = {path.stem for path in (PACKAGE / room).glob("*.py")} - {"__init__"}
    assert len(modules) <= MOST_MODULES
    taken = [name for name in modules & set(face.__all__) if not hasattr(getattr(face, name), "__file__")]
    assert not taken


def test_the_public_names_are_where_a_notebook_looks():
    from testburn import burnplan, charts, depthfit, drift, labbook, sweep
    from testburn.job import infill, settings
    from testburn.paper import card
    from testburn.sweep import artwork
    assert all((burnplan.propose, charts.depth, depthfit.fit, drift.check, labbook.read, sweep.plan,
                infill.window, settings.choose, settings.Machine, card.write, artwork.read))


@by_module
def test_a_module_says_what_it_decides(path):
    said = ast.get_docstring(tree(path)) or ""
    assert len(said.split()) >= 15


def functions(path):
    return [node for node in ast.walk(tree(path)) if isinstance(node, ast.FunctionDef)]


def lines_of_code(function):
    """Lines of a function without its docstring."""
    first = function.body[0]
    text = isinstance(first, ast.Expr) and isinstance(getattr(first.value, "value", None), str)
    return function.end_lineno - function.lineno + 1 - (first.end_lineno - first.lineno + 1) * text


@by_module
def test_a_module_is_short_enough_to_read(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST_MODULE


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
