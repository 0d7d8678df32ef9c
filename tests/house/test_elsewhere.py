"""Elsewhere: what only works on the system it was written on, read off the tree and the code."""

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CODE = [path for folder in ("lib", "tests", "labdata") for path in sorted((ROOT / folder).rglob("*.py"))]
# Source: Naming Files, Paths, and Namespaces, Microsoft Learn (from memory).
DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


def committed():
    """Every path that git keeps; where there is no git, every file of the four folders."""
    done = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True)
    if done.returncode == 0:
        return [name for name in done.stdout.decode("utf-8").split("\0") if name]
    return [str(path.relative_to(ROOT)) for folder in ("lib", "tests", "labdata", "notebooks")
            for path in (ROOT / folder).rglob("*") if path.is_file() and "__pycache__" not in path.parts]


def test_no_two_names_differ_in_case_only():
    names = committed()
    assert len(names) > 200 and len({name.casefold() for name in names}) == len(names)


def test_every_name_can_stand_on_windows():
    for name in committed():
        for part in Path(name).parts:
            assert not re.search(r'[<>:"|?*\\]', part) and not part.endswith((" ", ".")), name
            assert not DEVICES.fullmatch(part), name
        assert len(name) < 120, name


def test_nothing_that_is_committed_is_a_link():
    assert [name for name in committed() if (ROOT / name).is_symlink()] == []


def calls(tree):
    """Every call in a file: the dotted name of what is called, and its line."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield ast.unparse(node.func), node


@pytest.mark.parametrize("path", [path for path in CODE if "lib" in path.relative_to(ROOT).parts[:1]],
                         ids=lambda path: path.stem)
def test_the_code_asks_for_nothing_that_one_system_lacks(path):
    """No fork, no link of the file system's that Windows keeps from a user, no shell."""
    for name, node in calls(ast.parse(path.read_text(encoding="utf-8"))):
        assert name not in ("os.fork", "os.symlink", "os.system", "os.popen"), f"{path.name}:{node.lineno}"
        assert not name.endswith(".symlink_to"), f"{path.name}:{node.lineno}"
        for keyword in node.keywords:
            assert (keyword.arg, getattr(keyword.value, "value", None)) != ("shell", True), f"{path.name}:{node.lineno}"


@pytest.mark.parametrize("path", CODE, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_text_is_read_and_written_in_an_encoding_that_is_named(path):
    for name, node in calls(ast.parse(path.read_text(encoding="utf-8"))):
        given = {keyword.arg for keyword in node.keywords}
        if name.rpartition(".")[2] == "read_text":
            assert "encoding" in given or node.args, f"{path.name}:{node.lineno}"
        if name.rpartition(".")[2] == "write_text":
            assert "encoding" in given or len(node.args) > 1, f"{path.name}:{node.lineno}"
