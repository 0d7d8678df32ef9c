"""The lock: every package and its hashes, for three systems, made from pyproject.toml by the command at its head.

What the index held when the lock was made is kept beside this test (wheels.csv, a row a wheel): no network is
asked. `python tests/house/test_lock.py` asks the index again and writes that file; run it after the lock.
"""

import csv
import os
import re
import tomllib
import urllib.request
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LOCK = (ROOT / "requirements.txt").read_text(encoding="utf-8")
WHEELS = Path(__file__).with_name("wheels.csv")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PINS = re.findall(r"^([A-Za-z0-9._-]+)==([^ ;]+)(?: ; (.*?))?((?: \\\n    --hash=sha256:[0-9a-f]{64})+)$", LOCK, re.MULTILINE)
# How a wheel's tag names a system; "any" is every one. Source: PEP 425, 513, 600, 656; macOS on both chips.
SYSTEMS = {"linux": r"manylinux\w*x86_64|linux_x86_64|any", "darwin": r"macosx_\w*(arm64|universal2)|any",
           "win32": r"win_amd64|any"}
PYTHONS = range(11, 15)
# Wheels for processors and Pythons that testburn is not for are not kept.
OTHERS = re.compile(r"i686|win32|aarch64|armv|ppc64|s390x|riscv|loongarch|musllinux|win_arm64|pp3\d|-cp3\d-cp3\d|-cp310-cp310"
                    r"|graalpy|-cp3\d+t?-cp3\d+t-|android|ios_|wasm")


def same(name):
    """A package's name as the index writes it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def direct():
    """What pyproject.toml asks for, as pinned there."""
    asked = [*PROJECT["project"]["dependencies"], *PROJECT["dependency-groups"]["setup"]]
    return dict(pin.split("==") for pin in asked)


def fits(wheel, python):
    """Whether a wheel is for CPython 3.`python`, by its tags."""
    tags, abi = wheel[:-len(".whl")].split("-")[-3:-1]
    return any(tag in ("py3", f"py3{python}", f"cp3{python}") or abi.startswith(("abi3", "none")) and (
        found := re.fullmatch(r"(?:cp|py)3(\d+)", tag)) and int(found[1]) <= python for tag in tags.split("."))


def test_the_lock_is_that_of_pyproject():
    locked = {same(name): version for name, version, *_ in PINS}
    assert {name: locked.get(same(name)) for name in direct()} == direct()
    assert len(PINS) > 100 and LOCK.splitlines()[1].startswith("#    uv pip compile --universal --generate-hashes")


def test_nothing_in_it_is_without_a_version_and_a_hash():
    assert len(re.findall(r"^[A-Za-z0-9]", LOCK, re.MULTILINE)) == len(PINS)


def test_pip_and_the_installer_are_locked_too():
    assert {"pip", "uv"} <= {name for name, *_ in PINS}


def test_the_wheels_are_those_of_the_lock():
    with open(WHEELS, encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    hashes = {(same(name), version): set(re.findall("[0-9a-f]{64}", held)) for name, version, _, held in PINS}
    seen = {}
    for row in rows:
        seen.setdefault((row["package"], row["version"]), set()).add(row["sha256"])
    assert set(seen) == set(hashes)
    assert all(known <= hashes[one] for one, known in seen.items())


@pytest.mark.parametrize("system", SYSTEMS)
def test_every_package_has_a_wheel_for_each_system_and_python(system):
    with open(WHEELS, encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for name, version, where, _ in PINS:
        if not concerns(where or "", system):
            continue
        wheels = [row["wheel"] for row in rows if (row["package"], row["version"]) == (same(name), version)
                  and re.search(rf"-(?:[\w.]*\.)?(?:{SYSTEMS[system]})(?:\.[\w.]*)?\.whl$", row["wheel"])]
        lacks = [python for python in PYTHONS if needed(where or "", python)
                 and not any(fits(wheel, python) for wheel in wheels)]
        assert not lacks, f"{name} {version} has no wheel for {system} and Python 3.{lacks}"


def concerns(where, system):
    """Whether a marker lets a package in on a system; only what the lock uses is understood."""
    negative = {f"sys_platform != '{system}'", *(["os_name != 'nt'"] if system == "win32" else [])}
    positive = re.findall(r"sys_platform == '(\w+)'|os_name == '(nt)'", where)
    if positive:
        return system in [one or {"nt": "win32"}[other] for one, other in positive]
    return not any(marker in where for marker in negative)


def needed(where, python):
    """Whether a marker lets a package in for Python 3.`python`, its newest patch."""
    below = re.search(r"python_full_version < '3\.(\d+)(?:\.\d+)?'", where)
    return not below or python < int(below[1])


def ask_the_index():
    """Write the wheels of every locked version, with their hashes, as the index's simple pages name them (PEP 503)."""
    index, rows = os.environ.get("PIP_INDEX_URL", "https://pypi.org/simple").rstrip("/"), []
    for name, version, *_ in PINS:
        with urllib.request.urlopen(f"{index}/{same(name)}/", timeout=60) as answer:
            page = answer.read().decode("utf-8")
        found = set(re.findall(r'/([^/"#]+\.whl)#sha256=([0-9a-f]{64})', page))
        rows += [(same(name), version, wheel, digest) for wheel, digest in found
                 if wheel.split("-")[1] == version and not OTHERS.search(wheel)]
    with open(WHEELS, "w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([("package", "version", "wheel", "sha256"), *sorted(rows)])


if __name__ == "__main__":
    ask_the_index()
