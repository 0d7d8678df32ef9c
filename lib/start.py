"""The front door: sets .venv up where needed, then runs the chain, JupyterLab or the tests.

Standard library only, and readable by Python 2.7 and 3.6, so that an old Python meets a
sentence and not a syntax error. How .venv is made and when it is trusted: makevenv.py beside it.
"""
import sys

if sys.version_info < (3, 11):
    sys.exit("testburn needs Python 3.11 or newer, 64 bit; this is Python %s (%s).\n"
             "Install a newer one from python.org or from your system's packages, then for "
             "example:\n  python3.11 lib/start.py card" % (sys.version.split()[0], sys.executable))

import argparse
import os
import signal
import subprocess
from pathlib import Path

import makevenv
from makevenv import PYTHON, ROOT

CTRL_C = 130  # the usual exit code of a program ended with Ctrl-C


def run(arguments, **more_environment):
    """Run .venv's Python with `arguments` in the project folder; return its exit code."""
    child = subprocess.Popen([str(PYTHON)] + [str(part) for part in arguments], cwd=str(ROOT),
                             env=dict(makevenv.environment(), **more_environment))
    try:
        code = child.wait()
    except KeyboardInterrupt:  # the terminal has told the child as well: let it finish
        try:
            child.wait(15)
        except (subprocess.TimeoutExpired, KeyboardInterrupt):
            pass
        code = CTRL_C
    finally:
        makevenv.stop(child)
    return 128 - code if code < 0 else code


def lab(folder, browser):
    """JupyterLab on the lab book in `folder`, or on a copy of the demo."""
    # One that was cut off half made has no datapackage.json yet, which is written last.
    if folder and not (folder / "datapackage.json").exists() and not any(folder.glob("*/*.*")):
        code = run(["-m", "testburn.workshop.newbook", folder])
        if code:
            return code
    sys.stdout.write("JupyterLab starts. If no browser opens, copy the line with http://127.0.0.1 "
                     "and its\ntoken into one. To end it, press Ctrl-C here.\n")
    sys.stdout.flush()
    # For this computer only, its token on, asking the net nothing: testburn/workshop/lab.py.
    options = (["--labdata", folder] if folder else []) + ([] if browser else ["--no-browser"])
    code = run(["-m", "testburn.workshop.lab"] + options)
    return 0 if code == CTRL_C else code  # Ctrl-C is how one ends it


def folder_named(text):
    """The folder meant by `text`, absolute."""
    if not text.strip():
        raise argparse.ArgumentTypeError("name a folder")
    return Path(os.path.abspath(os.path.expanduser(text)))


def parse(arguments):
    """The command line, with a short help; what follows `test` goes to pytest untouched."""
    parser = argparse.ArgumentParser(
        prog="start.py", description="testburn: burn readings in, settings card out. The first "
        "command of all also sets up .venv in this folder, which needs the network once.")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for name, words in (("card", "make every settings card of the lab book, in cards/"),
                        ("binder", "bind every card into one PDF, with those out of date marked"),
                        ("notebooks", "run all notebooks, first to last; make the cards on the way"),
                        ("lab", "open the notebooks in JupyterLab")):
        command = commands.add_parser(name, help=words, description=words)
        command.add_argument("--labdata", metavar="FOLDER", type=folder_named,
                             help="your lab book; without it, the invented demo in labdata/")
    command.add_argument("--no-browser", action="store_true", help="only print the address")
    commands.add_parser("test", help="run every test; what follows goes to pytest")
    if arguments[:1] == ["test"]:
        return argparse.Namespace(command="test", pytest=arguments[1:])
    asked = parser.parse_args(arguments)
    if asked.command is None:
        parser.print_help()
    elif asked.labdata and not asked.labdata.is_dir():
        if asked.command != "lab" or asked.labdata.exists():
            parser.error("%s is not a folder. Give the one that holds burns/ and woods.csv; "
                         "'lab --labdata FOLDER' starts a new one." % asked.labdata)
    return asked


def main(arguments):
    """Set up where needed, run what was asked, return the exit code."""
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(errors="replace")  # a console without a sign prints "?" for it
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    asked = parse(arguments)
    if asked.command is None:
        return 0
    try:
        makevenv.set_up()
        if asked.command == "lab":
            return lab(asked.labdata, browser=not asked.no_browser)
        if asked.command == "test":
            os.environ.pop("TESTBURN_LABDATA", None)  # the tests are about the demo lab book
            if os.environ.get("TESTBURN_BROWSER"):
                makevenv.add("browser")
            # An encoding that is left to the system is a fault of ours: a warning, and so an error.
            # One thread of linear algebra each: our matrices are small, and threads that wait for each other keep the cores busy.
            # A worker for each core, a file to each: the cells of a notebook belong together. -n 0 goes without.
            # The order is the tests' own: those that take longest come first (tests/conftest.py).
            return run(["-m", "pytest", "-n", "auto", "--dist", "loadfile", "--no-loadscope-reorder"] + asked.pytest,
                       PYTHONWARNDEFAULTENCODING="1", OMP_NUM_THREADS="1")
        book = {"TESTBURN_LABDATA": str(asked.labdata)} if asked.labdata else {}
        module = "testburn.workshop." + ("chain" if asked.command == "notebooks" else "cards")
        return run(["-m", module] + ["binder"] * (asked.command == "binder"), **book)
    except makevenv.SetupError as error:
        sys.stderr.write("%s\n" % error)
        return 1
    except KeyboardInterrupt:
        sys.stderr.write("\nStopped. Run the same command again when you like.\n")
        return CTRL_C


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
