"""The front door: when .venv is trusted, what is refused, what is passed on, what is said.

Nothing is installed and the network is not touched: pip and the programs behind the door
are small scripts in a folder of the test's own.
"""
import ast
import importlib.util
import io
import os
import stat
import sys
import time
import tomllib
from pathlib import Path

import pytest

LIB = Path(__file__).resolve().parents[2] / "lib"
posix_only = pytest.mark.skipif(os.name == "nt", reason="the stand-in for Python is a shell script")


def load(name, monkeypatch):
    """A fresh copy of lib/<name>.py, so that a test may bend it."""
    spec = importlib.util.spec_from_file_location(name, LIB / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, name, module)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def door(tmp_path, monkeypatch):
    """makevenv, looking at an invented project in a folder with a space and an umlaut."""
    makevenv = load("makevenv", monkeypatch)
    root = tmp_path / "trail signs für dich"
    (root / "notebooks").mkdir(parents=True)
    (root / "requirements.txt").write_text("numpy==2.4.6\n", encoding="utf-8")
    (root / "pyproject.toml").write_text("[project]\n", encoding="utf-8")
    place(makevenv, root, monkeypatch)
    return makevenv


def place(makevenv, root, monkeypatch):
    """Let makevenv look at the project in `root`."""
    venv = root / ".venv"
    for name, path in (("ROOT", root), ("VENV", venv), ("MARK", venv / "made-by-start.txt"),
                       ("STAMP", venv / "ready.txt"), ("PYTHON", venv / "bin/python"),
                       ("PACKAGES", venv / "lib")):
        monkeypatch.setattr(makevenv, name, path)
    monkeypatch.setattr(makevenv, "ROOM_NEEDED_GB", 0.001)


def stand_in(makevenv, monkeypatch, pip="exit 0"):
    """Replace the making of the environment: its Python is a script that runs `pip`."""
    def make_venv(lock):
        makevenv.PYTHON.parent.mkdir(parents=True)
        script(makevenv.PYTHON, f'echo "$@" >> "{makevenv.ROOT}/asked.txt"\n{pip}')
    monkeypatch.setattr(makevenv, "make_venv", make_venv)


def script(path, body):
    """An executable shell script."""
    path.write_text(f"#!/bin/sh\n{body}\n", encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)


def asked(makevenv):
    """What the stand-in for Python was asked to run, one line a call."""
    return (makevenv.ROOT / "asked.txt").read_text(encoding="utf-8").splitlines()


# --- who installs


LOCK = "numpy==2.4.6 \\\n    --hash=sha256:aa\nuv==0.13.9 \\\n    --hash=sha256:bb \\\n    --hash=sha256:cc\nvine==1 \\\n    --hash=sha256:dd\n"


@posix_only
def test_the_fast_installer_is_held_to_its_hash_and_then_installs_the_lock(door, monkeypatch, capsys):
    (door.ROOT / "requirements.txt").write_text(LOCK, encoding="utf-8")
    stand_in(door, monkeypatch)
    door.set_up()
    first, second = asked(door)
    assert first.startswith("-m pip install ") and first.endswith("--require-hashes -r " + str(door.VENV / "installer.txt"))
    assert (door.VENV / "installer.txt").read_text(encoding="utf-8") == (
        "uv==0.13.9 \\\n    --hash=sha256:bb \\\n    --hash=sha256:cc\n")
    assert second.startswith("-m uv pip install --no-config ") and "--require-hashes" in second
    assert "Set up: the environment took " in capsys.readouterr().out


@posix_only
@pytest.mark.parametrize("cannot", ["*installer.txt*", "*uv*pip*"])
def test_where_the_fast_installer_cannot_pip_does_it(door, monkeypatch, cannot):
    """There is no build of it for this system, or it finds no way to the packages."""
    (door.ROOT / "requirements.txt").write_text(LOCK, encoding="utf-8")
    stand_in(door, monkeypatch, f'case "$*" in {cannot}) exit 1;; esac')
    door.set_up()
    assert door.is_ready() and asked(door)[-1].endswith("--only-binary :all: -r " + str(door.ROOT / "requirements.txt"))


def test_the_package_is_found_in_a_folder_of_any_name(door):
    """Whatever the system's encoding: nothing but ASCII stands in the file that Python reads."""
    door.show_the_package()
    line = (door.PACKAGES / "testburn.pth").read_bytes().decode("ascii")
    path = []
    exec(line.replace("sys.path", "path"), {"path": path})
    assert path == [str(door.ROOT / "lib")]


def test_the_ways_to_the_packages_reach_the_fast_installer(door, monkeypatch):
    monkeypatch.setenv("PIP_INDEX_URL", "https://index.example/simple")
    monkeypatch.setenv("PIP_CERT", "/etc/own.pem")
    env = door.environment()
    assert (env["UV_DEFAULT_INDEX"], env["SSL_CERT_FILE"]) == ("https://index.example/simple", "/etc/own.pem")


# --- when .venv is trusted


@posix_only
def test_a_second_run_installs_nothing(door, monkeypatch, capsys):
    stand_in(door, monkeypatch)
    door.set_up()
    assert door.is_ready()
    assert "From now on it starts at once." in capsys.readouterr().out
    door.set_up()
    assert len(asked(door)) == 1 and capsys.readouterr().out == ""


def requirements_changed(door, monkeypatch):
    (door.ROOT / "requirements.txt").write_text("numpy==2.4.7\n", encoding="utf-8")


def project_changed(door, monkeypatch):
    (door.ROOT / "pyproject.toml").write_text("[project]\nname='x'\n", encoding="utf-8")


def other_python(door, monkeypatch):
    monkeypatch.setattr(door.sys, "version_info", (3, 11 if sys.version_info[1] != 11 else 12, 1))


def folder_moved(door, monkeypatch):
    place(door, door.ROOT.rename(door.ROOT.with_name("elsewhere")), monkeypatch)


def base_python_gone(door, monkeypatch):
    stamp = door.STAMP.read_text(encoding="utf-8").splitlines()[0]
    door.STAMP.write_text(f"{stamp}\n{door.ROOT / 'gone'}\n", encoding="utf-8")


def its_python_gone(door, monkeypatch):
    door.PYTHON.unlink()


def stamp_cut_short(door, monkeypatch):
    door.STAMP.write_text(door.STAMP.read_text(encoding="utf-8")[:20], encoding="utf-8")


@posix_only
@pytest.mark.parametrize("happening", [
    requirements_changed, project_changed, other_python, folder_moved, base_python_gone,
    its_python_gone, stamp_cut_short])
def test_what_makes_the_environment_be_built_again(door, monkeypatch, happening):
    stand_in(door, monkeypatch)
    door.set_up()
    happening(door, monkeypatch)
    assert not door.is_ready()
    door.set_up()
    assert door.is_ready() and len(asked(door)) == 2


@posix_only
@pytest.mark.parametrize("pip", ["exit 1", "kill -9 $$", "touch .venv/half; exit 2"])
def test_a_failed_install_leaves_nothing_trusted(door, monkeypatch, pip):
    stand_in(door, monkeypatch, pip)
    with pytest.raises(door.SetupError, match="^The set-up failed"):
        door.set_up()
    assert not door.is_ready()
    assert os.listdir(door.VENV) == [door.MARK.name]
    stand_in(door, monkeypatch)
    door.set_up()
    assert door.is_ready()


@posix_only
def test_a_change_that_fails_to_install_does_not_leave_the_old_one_trusted(door, monkeypatch):
    stand_in(door, monkeypatch)
    door.set_up()
    before = (door.ROOT / "requirements.txt").read_bytes()
    requirements_changed(door, monkeypatch)
    stand_in(door, monkeypatch, "exit 1")
    with pytest.raises(door.SetupError):
        door.set_up()
    (door.ROOT / "requirements.txt").write_bytes(before)
    assert not door.is_ready()


def test_ctrl_c_leaves_nothing_trusted(door, monkeypatch):
    def interrupted(lock):
        (door.VENV / "half").mkdir()
        raise KeyboardInterrupt
    monkeypatch.setattr(door, "make_venv", interrupted)
    with pytest.raises(KeyboardInterrupt):
        door.set_up()
    assert not door.is_ready() and os.listdir(door.VENV) == [door.MARK.name]


@posix_only
def test_a_second_start_waits_and_then_uses_what_the_first_made(door, monkeypatch, capsys):
    stand_in(door, monkeypatch)
    first = door.lock_set_up()

    def first_ends(seconds):
        door.empty_venv()
        door.build(first)
        first.close()
    monkeypatch.setattr(door.time, "sleep", first_ends)
    door.set_up()
    assert "Another start.py is setting up this folder; waiting for it." in capsys.readouterr().out
    assert len(asked(door)) == 1


# --- an extra: added once, to a .venv that stays trusted


@pytest.fixture
def extra(door, monkeypatch):
    """A whole .venv, and an extra that is not in it yet; a function that changes what pip does."""
    (door.ROOT / "pyproject.toml").write_text(
        "[project]\n[project.optional-dependencies]\nbrowser = ['playwright==1.65.2', 'greenlet==3.5.6']\n",
        encoding="utf-8")
    stand_in(door, monkeypatch)
    door.set_up()
    return lambda pip: script(door.PYTHON, f'echo "$@" >> "{door.ROOT}/asked.txt"\n{pip}')


@posix_only
def test_an_extra_is_installed_once(door, extra):
    for _ in range(2):
        door.add("browser")
    assert len(asked(door)) == 2  # the set-up, and the extra
    assert asked(door)[1].endswith("--only-binary :all: playwright==1.65.2 greenlet==3.5.6")
    assert door.is_ready()


@posix_only
def test_an_extra_is_installed_again_into_a_new_venv_and_when_its_pin_changed(door, monkeypatch, extra):
    door.add("browser")
    requirements_changed(door, monkeypatch)
    door.set_up()
    assert not (door.VENV / "ready-browser.txt").exists()
    door.add("browser")
    assert len(asked(door)) == 4
    pins = door.ROOT / "pyproject.toml"
    pins.write_text(pins.read_text(encoding="utf-8").replace("1.65.2", "1.65.3"), encoding="utf-8")
    door.set_up()
    door.add("browser")
    assert "playwright==1.65.3" in asked(door)[-1] and len(asked(door)) == 6


@posix_only
def test_an_extra_that_fails_is_not_taken_for_there_and_leaves_the_rest_trusted(door, extra):
    extra("echo 'ERROR: No matching distribution found for playwright==1.65.2'; exit 1")
    with pytest.raises(door.SetupError, match="^The set-up failed at the package playwright==1.65.2"):
        door.add("browser")
    assert door.is_ready() and not (door.VENV / "ready-browser.txt").exists()
    extra("exit 0")
    door.add("browser")
    assert (door.VENV / "ready-browser.txt").is_file()


@posix_only
def test_two_that_add_an_extra_at_once_install_it_once(door, monkeypatch, extra, capsys):
    first = door.lock_set_up()

    def first_ends(seconds):
        door.write_last(door.VENV / "ready-browser.txt", door.fingerprint())
        first.close()
    monkeypatch.setattr(door.time, "sleep", first_ends)
    door.add("browser")
    assert "Another start.py is setting up this folder; waiting for it." in capsys.readouterr().out
    assert len(asked(door)) == 1


# --- what is refused


def test_a_venv_of_someone_else_is_left_alone(door):
    door.VENV.mkdir()
    (door.VENV / "pyvenv.cfg").write_text("home = /usr/bin\n", encoding="utf-8")
    with pytest.raises(door.SetupError) as refusal:
        door.set_up()
    assert str(refusal.value) == (f"{door.VENV} was not made by start.py and is left alone. Rename "
                                  "or remove it, then run the same command again.")
    assert os.listdir(door.VENV) == ["pyvenv.cfg"]


@posix_only
@pytest.mark.parametrize("kind", ["file", "link", "dangling link"])
def test_a_venv_that_is_no_folder_is_left_alone(door, tmp_path, kind):
    target = tmp_path / "kept"
    if kind == "file":
        door.VENV.write_text("kept", encoding="utf-8")
    else:
        door.VENV.symlink_to(target)
    if kind == "link":
        target.mkdir()
        (target / "kept.txt").touch()
    with pytest.raises(door.SetupError, match="is a link or a file, not a folder"):
        door.set_up()
    assert door.VENV.is_file() or door.VENV.is_symlink()
    assert kind != "link" or (target / "kept.txt").exists()


@posix_only
def test_links_inside_our_venv_are_removed_but_not_followed(door, tmp_path):
    door.empty_venv()
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "kept.txt").touch()
    (door.VENV / "lib64").symlink_to(tmp_path / "outside")
    door.empty_venv()
    assert os.listdir(door.VENV) == [door.MARK.name]
    assert (tmp_path / "outside" / "kept.txt").exists()


def test_a_python_too_new_for_the_pins(door, monkeypatch):
    monkeypatch.setattr(door.sys, "version_info", (3, 15, 0))
    monkeypatch.setattr(door.sys, "version", "3.15.0 (main)")
    with pytest.raises(door.SetupError, match=r"for 64-bit Python 3.11 to 3.14; this is Python 3.15.0"):
        door.set_up()


def test_too_little_room(door, monkeypatch):
    monkeypatch.setattr(door, "ROOM_NEEDED_GB", 1e9)
    with pytest.raises(door.SetupError, match=r"^Only \d+\.\d GB are free on this disk; the set-up needs"):
        door.set_up()


def test_a_folder_one_may_not_write_to(door, monkeypatch):
    def refused(*arguments):
        raise PermissionError(13, "Permission denied", str(door.ROOT / ".venv.lock"))
    monkeypatch.setattr(door, "lock_set_up", refused)
    with pytest.raises(door.SetupError, match="Is this a folder you may write to"):
        door.set_up()


@posix_only
def test_no_pip_anywhere_names_the_package_to_install(door, monkeypatch):
    script(door.ROOT / "python", 'echo "/usr/bin/python3: No module named pip"; exit 1')
    monkeypatch.setattr("venv.EnvBuilder.create", lambda builder, folder: None)
    monkeypatch.setattr(door, "PYTHON", door.ROOT / "python")
    monkeypatch.setattr(door.sys, "executable", str(door.ROOT / "python"))
    with pytest.raises(door.SetupError, match="sudo apt install python3-venv"):
        door.set_up()


# --- what is said when pip fails


PIP_SAYS = [
    ("ERROR: Could not install packages due to an OSError: [Errno 28] No space left on device",
     "The disk is full."),
    ("WARNING: Retrying (Retry(total=0)) after connection broken by 'NewConnectionError('<x at 0x7f>: "
     "Failed to establish a new connection: [Errno -3] Temporary failure in name resolution'\n"
     "ERROR: No matching distribution found for numpy==2.4.6", "No connection to the package index."),
    ("ERROR: ProxyError('Cannot connect to proxy.', OSError('407 Proxy Authentication Required'))",
     "The proxy refused."),
    ("ERROR: SSLError(SSLCertVerificationError(1, 'CERTIFICATE_VERIFY_FAILED'))",
     "The certificate was not accepted."),
    ("ERROR: Could not install packages due to an OSError: [WinError 5] Access is denied: 'x.pyd'",
     "A file could not be written."),
    ("ERROR: No matching distribution found for scipy==1.17.1", "The package index has no build of it"),
    ("Segmentation fault", "Run the same command again."),
]


@pytest.mark.parametrize(("output", "remedy"), PIP_SAYS)
def test_a_failure_says_what_to_do(door, output, remedy):
    said = door.failure(output.splitlines()).splitlines()
    assert said[0].startswith("The set-up failed") and said[1] == "pip said:"
    assert said[-1].startswith(remedy)


def test_a_failure_names_the_package_and_quotes_pip_without_noise(door):
    output = ["Collecting numpy==2.4.6", "  Downloading numpy-2.4.6-cp311.whl (16 MB)",
              "WARNING: Retrying (Retry(total=1)) after connection broken by 'NewConnectionError('<x at 0x1>: "
              "Network is unreachable')': /simple/",
              "WARNING: Retrying (Retry(total=0)) after connection broken by 'NewConnectionError('<x at 0x2>: "
              "Network is unreachable')': /simple/",
              "ERROR: No matching distribution found for scipy==1.17.1"]
    assert door.failure(output).splitlines()[:-1] == [
        "The set-up failed at the package scipy==1.17.1.", "pip said:",
        "  | WARNING: Network is unreachable')': /simple/",
        "  | ERROR: No matching distribution found for scipy==1.17.1"]


# --- progress


@pytest.mark.parametrize(("line", "stage"), [
    ("Collecting numpy==2.4.6 (from -r requirements.txt (line 7))", ("fetching", "numpy")),
    ("  Downloading numpy-2.4.6-cp311-cp311-manylinux_2_27_x86_64.whl (16.6 MB)", ("fetching", "numpy-2.4.6")),
    ("  Using cached six-1.17.0-py2.py3-none-any.whl (11 kB)", ("fetching", "six-1.17.0")),
    ("Processing /opt/my wheels/nbformat-5.11.1-py3-none-any.whl (from -r /a/requirements.txt (line 6))",
     ("fetching", "nbformat")),
    ("Installing collected packages: six, numpy", ("installing", "six, numpy")),
    ("      WARNING: Retrying (Retry(total=4))", ("retrying", "Retrying")),
    ("Requirement already satisfied: six", None),
])
def test_stage_of_a_line_of_pip(door, line, stage):
    assert door.stage_of(line) == stage


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_on_a_terminal_progress_is_one_line_rewritten_in_place(door, monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")
    terminal = Terminal()
    line = door.ProgressLine(terminal)
    tell = door.progress_teller(line)
    for text in ("Collecting numpy==2.4.6", None, "Installing collected packages: six, numpy"):
        tell(text)
    line.end()
    assert "\n" not in terminal.getvalue()
    shown = terminal.getvalue().split("\r")[1:-1]
    assert {len(text) for text in shown} == {39}
    assert shown[0].strip() == "Setting up: fetching package 1, numpy ("[:39].strip()
    assert shown[2].startswith("Setting up: installing package 0 of 2")


def test_in_a_log_progress_is_a_line_a_stage(door):
    log = io.StringIO()
    tell = door.progress_teller(door.ProgressLine(log))
    for text in (*(f"Collecting package{i}" for i in range(50)), "Installing collected packages: six"):
        tell(text)
    assert log.getvalue() == ("Setting up: fetching package 1, package0 (0 s)\n"
                              "Setting up: installing package 0 of 1 (0 s)\n")


# --- what is passed on


def test_foreign_settings_stay_outside_and_the_way_to_the_index_is_kept(door, monkeypatch):
    outside = {"PIP_USER": "1", "PIP_TARGET": "/x", "PIP_REQUIRE_VIRTUALENV": "1", "PYTHONPATH": "/x",
               "PYTHONHOME": "/x", "JUPYTER_CONFIG_DIR": "/x"}
    kept = {"PIP_INDEX_URL": "https://index.example/simple", "HTTPS_PROXY": "http://proxy.example:8080",
            "PIP_CERT": "/etc/cert.pem"}
    for name, value in (outside | kept).items():
        monkeypatch.setenv(name, value)
    env = door.environment()
    assert {name: env[name] for name in kept} == kept
    assert not {"PIP_TARGET", "PYTHONPATH", "PYTHONHOME"} & set(env)
    assert (env["PIP_USER"], env["PIP_REQUIRE_VIRTUALENV"]) == ("0", "0")
    assert Path(env["JUPYTER_CONFIG_DIR"]).parent == door.VENV


@pytest.fixture
def start(door, monkeypatch):
    """start.py before a .venv that is whole; its calls are noted in `start.calls`."""
    start = load("start", monkeypatch)
    monkeypatch.setattr(start, "ROOT", door.ROOT)
    monkeypatch.setattr(door, "set_up", lambda: None)
    monkeypatch.delenv("TESTBURN_BROWSER", raising=False)
    monkeypatch.setattr(start.signal, "signal", lambda *arguments: None)
    for name in ("stdout", "stderr"):
        monkeypatch.setattr(getattr(sys, name), "reconfigure", lambda **settings: None, raising=False)
    start.calls = []

    def run(arguments, **environment):
        start.calls.append((arguments, environment))
        return start.exit_code
    start.exit_code = 0
    monkeypatch.setattr(start, "run", run)
    return start


@pytest.mark.parametrize(("command", "module"), [
    ("card", ["testburn.workshop.cards"]), ("binder", ["testburn.workshop.cards", "binder"]),
    ("notebooks", ["testburn.workshop.chain"])])
def test_a_command_passes_the_lab_book_and_the_exit_code_on(start, tmp_path, monkeypatch, command, module):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "my book").mkdir()
    start.exit_code = 3
    assert start.main([command, "--labdata", "my book"]) == 3
    assert start.main([command]) == 3
    assert start.calls == [(["-m", *module], {"TESTBURN_LABDATA": str(tmp_path / "my book")}),
                           (["-m", *module], {})]


@pytest.mark.parametrize("command", ["card", "binder", "notebooks"])
def test_a_lab_book_that_is_not_there_is_refused(start, tmp_path, capsys, command):
    with pytest.raises(SystemExit) as end:
        start.main([command, "--labdata", str(tmp_path / "nowhere")])
    assert end.value.code == 2 and start.calls == []
    assert f"{tmp_path / 'nowhere'} is not a folder. Give the one that holds burns/" in capsys.readouterr().err


def test_test_passes_everything_on_to_pytest(start, monkeypatch):
    monkeypatch.setenv("TESTBURN_LABDATA", "/my/book")
    start.exit_code = 5
    assert start.main(["test", "-k", "norris", "-x", "--labdata"]) == 5
    assert start.calls == [(["-m", "pytest", "-n", "auto", "--dist", "loadfile", "--no-loadscope-reorder", "-k", "norris", "-x", "--labdata"],
                            {"PYTHONWARNDEFAULTENCODING": "1", "OMP_NUM_THREADS": "1"})]
    assert "TESTBURN_LABDATA" not in os.environ


@pytest.mark.parametrize("asked_for, extras", [(None, []), ("", []), ("1", ["browser"]),
                                               ("required", ["browser"])])
def test_test_adds_the_browser_where_it_is_asked_for(start, door, monkeypatch, asked_for, extras):
    if asked_for is not None:
        monkeypatch.setenv("TESTBURN_BROWSER", asked_for)
    added = []
    monkeypatch.setattr(door, "add", added.append)
    assert start.main(["test"]) == 0 and start.main(["card"]) == 0
    assert added == extras


def test_the_browser_is_an_extra_with_pins_and_no_burden_for_a_maker():
    project = tomllib.loads((LIB.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]["browser"]
    assert extras and all("==" in pin for pin in extras)
    assert "playwright" not in (LIB.parent / "requirements.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("there", ["nothing", "an empty folder", "a book cut off half made"])
def test_lab_starts_a_new_book_where_there_is_none(start, tmp_path, there):
    book = tmp_path / "book"
    if there != "nothing":
        (book / "burns").mkdir(parents=True) if "half" in there else book.mkdir()
    assert start.main(["lab", "--no-browser", "--labdata", str(book)]) == 0
    new_book, lab = start.calls
    assert new_book[0] == ["-m", "testburn.workshop.newbook", book]
    assert lab[0][:2] == ["-m", "testburn.workshop.lab"] and "--no-browser" in lab[0]


def test_lab_leaves_a_book_with_something_in_it_alone(start, tmp_path):
    (tmp_path / "burns").mkdir()
    (tmp_path / "burns" / "b01.csv").touch()
    assert start.main(["lab", "--labdata", str(tmp_path)]) == 0
    (arguments, environment), = start.calls
    assert arguments == ["-m", "testburn.workshop.lab", "--labdata", tmp_path] and environment == {}


def test_lab_does_not_open_when_the_new_book_could_not_be_made(start, tmp_path):
    start.exit_code = 1
    assert start.main(["lab", "--labdata", str(tmp_path / "book")]) == 1
    assert len(start.calls) == 1


def test_lab_leaves_address_and_token_to_its_own_options(start):
    assert start.main(["lab"]) == 0
    options = start.calls[0][0]
    assert "--no-browser" not in options
    assert not [option for option in options if "token" in option or "password" in option or ".ip" in option]


def test_ctrl_c_is_a_good_end_of_lab_and_not_of_card(start):
    start.exit_code = start.CTRL_C
    assert start.main(["lab"]) == 0
    assert start.main(["card"]) == 130


def test_a_failed_set_up_is_told_without_a_traceback(start, door, monkeypatch, capsys):
    def fails():
        raise door.SetupError("The set-up failed at the package numpy.")
    monkeypatch.setattr(door, "set_up", fails)
    assert start.main(["card"]) == 1
    assert capsys.readouterr().err == "The set-up failed at the package numpy.\n" and start.calls == []


def test_no_command_shows_the_help(start, capsys):
    assert start.main([]) == 0
    assert "run every test" in capsys.readouterr().out and start.calls == []


@posix_only
@pytest.mark.parametrize(("ending", "code"), [("exit 0", 0), ("exit 7", 7), ("kill -9 $$", 137)])
def test_exit_code_of_what_was_run(door, monkeypatch, ending, code):
    start = load("start", monkeypatch)
    door.PYTHON.parent.mkdir(parents=True)
    script(door.PYTHON, ending)
    assert start.run(["-m", "anything"]) == code


# --- old Pythons, and the cost of the door


def test_an_old_python_meets_a_sentence(monkeypatch):
    monkeypatch.setattr(sys, "version_info", (3, 10, 4))
    monkeypatch.setattr(sys, "version", "3.10.4 (main)")
    with pytest.raises(SystemExit, match="^testburn needs Python 3.11 or newer, 64 bit; this is Python 3.10.4"):
        load("start", monkeypatch)


def test_start_can_be_read_by_an_old_python():
    ast.parse((LIB / "start.py").read_text(encoding="ascii"), feature_version=(3, 6))


def test_only_the_standard_library_is_imported():
    for name in ("start", "makevenv"):
        tree = ast.parse((LIB / f"{name}.py").read_text(encoding="ascii"))
        imported = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
        imported |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        assert imported - {"makevenv"} <= sys.stdlib_module_names


@posix_only
def test_asking_whether_the_environment_is_ready_costs_next_to_nothing(door, monkeypatch):
    stand_in(door, monkeypatch)
    door.set_up()
    began = time.perf_counter()
    for _ in range(10):
        assert door.is_ready()
    assert (time.perf_counter() - began) / 10 < 0.05
