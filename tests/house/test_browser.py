"""A real browser: JupyterLab in a headless Chromium, used as a maker uses it.

Each scenario begins with fresh copies of the notebooks and of the lab book, no kernel and a new window, on a
JupyterLab with the options of the front door, on this computer only. One JupyterLab serves the scenarios on the
notebooks, one those on one's own book: to start one and to load its programs costs more than most scenarios do.
Nothing is mocked: what is asserted is what a maker would see, and what is on the disk afterwards. The way out to
the network is shut, and every attempt to leave is noted.

Screenshots go to .ci/screenshots/, for people to look at.

Without Playwright or a Chromium these tests skip and say how to get them; with
TESTBURN_BROWSER=required, as on the build server, they fail instead.
"""

import contextlib
import csv
import base64
import importlib.util
import json
import os
import re
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import nbformat
import psutil
import pytest

from testburn import entry, labbook
from testburn.labbook import jobs
from testburn.paper import promises, record
from testburn.workshop import newbook, pages
from testburn.workshop.openbook import BOOK_FILES, DEMO, PROJECT, notebooks

try:
    from playwright import sync_api
except ImportError:
    sync_api = None

SCREENSHOTS = PROJECT / ".ci" / "screenshots"
PATIENCE_MS = 30_000
LOOK = (Path(__file__).parent / "browser_look.js").read_text(encoding="utf-8")
READABLE, DISCERNIBLE = 4.5, 3  # contrast of text and of a mark, WCAG 2.2 criteria 1.4.3 and 1.4.11
PROMPTS = "[...document.querySelectorAll('.jp-CodeCell .jp-InputArea-prompt')]"


# --- what is needed, and what happens where it is missing


def chromium():
    """The browser's program: CHROMIUM where that is set, else the first known name."""
    if named := os.environ.get("CHROMIUM"):
        return named if Path(named).is_file() else None
    names = ("/usr/bin/chromium", "chromium", "chromium-browser", "google-chrome")
    return next(filter(None, map(shutil.which, names)), None)


def lacking():
    """What is missing for these tests and how to get it; nothing where all is there."""
    if sync_api is None:
        return ("Playwright is not installed. TESTBURN_BROWSER=1 python3 lib/start.py test "
                "installs it and runs these tests.")
    if chromium() is None:
        return ("There is no Chromium. Install one (Debian, Ubuntu: sudo apt install chromium), "
                "or name its program in CHROMIUM.")
    return ""


def stop_here(because):
    """Skip, or fail where the browser is required."""
    if os.environ.get("TESTBURN_BROWSER") == "required":
        pytest.fail(f"TESTBURN_BROWSER=required, but: {because}", pytrace=False)
    pytest.skip(because)


# --- JupyterLab, and a page on it


def front_door():
    """lib/start.py, for the options it gives JupyterLab, and makevenv, for its settings."""
    modules = []
    for name in ("makevenv", "start"):
        spec = importlib.util.spec_from_file_location(name, PROJECT / "lib" / f"{name}.py")
        modules.append(importlib.util.module_from_spec(spec))
        with pytest.MonkeyPatch.context() as patch:
            for before in modules:
                patch.setitem(sys.modules, before.__name__, before)
            spec.loader.exec_module(modules[-1])
    return modules


@contextlib.contextmanager
def jupyterlab(home, log, book=None):
    """JupyterLab on what `home` holds, with folders of its own, or on a `book` as the front door opens it; process and address."""
    makevenv, _ = front_door()
    (home / "config" / "labconfig").mkdir(parents=True)
    (home / "config" / "labconfig" / "default_setting_overrides.json").write_text(
        makevenv.LAB_OFFLINE, encoding="utf-8")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port, token = free.getsockname()[1], secrets.token_hex(16)
    folders = {"JUPYTER_CONFIG_DIR": "config", "JUPYTER_DATA_DIR": "data", "IPYTHONDIR": "ipython",
               "JUPYTER_RUNTIME_DIR": "run", "JUPYTERLAB_SETTINGS_DIR": "settings", "HOME": "home",
               "JUPYTERLAB_WORKSPACES_DIR": "workspaces", "TESTBURN_LABDATA": "book",
               "TESTBURN_CARDS": "cards"}
    nowhere = dict.fromkeys(("HTTP_PROXY", "HTTPS_PROXY", "http_proxy", "https_proxy"),
                            "http://127.0.0.1:9")
    server = subprocess.Popen(
        [sys.executable, "-m", "testburn.workshop.lab", "--no-browser", "--labdata", str(book or home / "book"),
         f"--ServerApp.port={port}", "--ServerApp.port_retries=0", f"--LabApp.workspaces_dir={home / 'workspaces'}", *([] if book else [f"--ServerApp.root_dir={home}"]),
         f"--IdentityProvider.token={token}"], stdout=log, stderr=subprocess.STDOUT,
        env=os.environ | nowhere | {"NO_PROXY": "127.0.0.1", "no_proxy": "127.0.0.1"}
        | {name: str(home / folder) for name, folder in folders.items() if book is None or not name.startswith("TESTBURN")})
    try:
        wait_for(lambda: answers(f"http://127.0.0.1:{port}/api/status?token={token}"), 60)
        yield server, f"http://127.0.0.1:{port}", token
    finally:
        server.terminate()  # it ends its kernels
        server.wait(20)


def furnish(home):
    """Copy the notebooks and the demo's lab book into `home`, in place of what an earlier scenario left of them."""
    for name in ("notebooks", "book", "cards"):
        shutil.rmtree(home / name, ignore_errors=True)
    shutil.copytree(PROJECT / "notebooks", home / "notebooks")
    (home / "book").mkdir()
    for name in filter(lambda name: (DEMO / name).exists(), BOOK_FILES):
        copy = shutil.copytree if (DEMO / name).is_dir() else shutil.copyfile
        copy(DEMO / name, home / "book" / name)


def answers(address):
    try:
        with urllib.request.urlopen(address, timeout=2):
            return True
    except OSError:
        return False


def wait_for(happened, seconds=20.0):
    """Wait until `happened()` is true, and return what it returned."""
    end = time.monotonic() + seconds
    while not (found := happened()):
        assert time.monotonic() < end, f"waited {seconds:g} s in vain for {happened}"
        time.sleep(0.05)
    return found


class Bench:
    """One JupyterLab, one page on it, and all the page asked for and complained about."""

    def __init__(self, page, server, base, token, home):
        self.page, self.server, self.base, self.token, self.home = page, server, base, token, home
        self.book, self.outside, self.complaints, self.saving = home / "book", [], [], set()
        page.set_default_timeout(PATIENCE_MS)
        page.on("request", lambda request: self._note(request.url))
        page.on("websocket", lambda socket: self._note(socket.url))
        page.on("request", lambda request: "/api/contents/" in request.url and self.saving.add(request))
        for ended in ("requestfinished", "requestfailed"):
            page.on(ended, lambda request: self.saving.discard(request))
        page.on("console", lambda said: self.complaints.append(said.text)
                if said.type == "error" else None)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _note(self, address):
        if not address.startswith((self.base, self.base.replace("http", "ws", 1), "data:", "blob:")):
            self.outside.append(address)

    def open(self, notebook):
        """Open a notebook and wait for its kernel."""
        self.notebook = self.home / "notebooks" / notebook
        # Asked before the page saves: a file that is just being written has none.
        self.code_cells = sum(cell["cell_type"] == "code" for cell in json.loads(self.notebook.read_text(encoding="utf-8"))["cells"])
        self.page.goto(f"{self.base}/doc/tree/notebooks/{notebook}?token={self.token}&reset")
        self.page.locator(".jp-Notebook").wait_for()
        self.wait_for_kernel()

    def wait_for_kernel(self):
        """Wait until the page is connected to an idle kernel.

        The page says "Idle" before it is connected, and "Run All" is then lost without a word: the
        server is asked as well.
        """
        def connected():
            kernels = self.kernels()
            return kernels and kernels[0]["execution_state"] == "idle" and kernels[0]["connections"]
        wait_for(connected, 60)
        sync_api.expect(self.page.locator("#jp-main-statusbar")).to_contain_text("| Idle")

    def turn_to(self, page_name):
        """Go to a page of one's own book; the one before ends with its kernel."""
        self.end_kernels()
        self.page.goto(f"{self.base}/lab/tree/pages/{page_name}?token={self.token}&reset")
        self.page.locator(".jp-Notebook").wait_for()
        self.wait_for_kernel()

    def close(self):
        """Close the page by keyboard once it is saved, as who has looked at it for a moment does; whether that asked nothing.

        A save is three questions to the server, one after the other. A page closed between them says "File Save Error: Disposed",
        and one that the "Run this page" saves is clean all the while: so what is under way has to have ended, seen twice.
        """
        seen = []

        def saved():
            seen.append(self.page.locator(".jp-mod-dirty").count() == 0 and not self.saving)
            return seen[-2:] == [True, True]
        self.wait_for_kernel()
        wait_for(saved, PATIENCE_MS / 1000)
        self.page.keyboard.press("Alt+W")
        sync_api.expect(self.page.locator(".jp-Notebook")).to_have_count(0)
        return self.page.locator(".jp-Dialog").all_inner_texts() == []

    def end_kernels(self):
        """Leave the page, and end every kernel."""
        self.page.goto("about:blank")
        wait_for(lambda: [self.ask(f"kernels/{kernel['id']}", "DELETE") for kernel in self.kernels()] == [] == self.ask("kernels"))

    def kernels(self):
        """The kernels there are; none while one just begins or ends, as the server then says an error in their place."""
        kernels = self.ask("kernels")
        return kernels if isinstance(kernels, list) else []

    def ask(self, what, method="GET"):
        """Ask the server itself; what it says, its errors too, or nothing."""
        asked = urllib.request.Request(f"{self.base}/api/{what}", method=method, headers={"Authorization": f"token {self.token}"})
        try:
            with urllib.request.urlopen(asked, timeout=PATIENCE_MS / 1000) as said:
                return json.loads(said.read() or "null")
        except urllib.error.HTTPError as error:
            with error:
                return json.loads(error.read() or "null")

    def command(self, words, name):
        """Pick a command by keyboard from JupyterLab's list of them.

        A page that is still busy loses a key without a word, or hears it so late that a second press
        has come before it and shuts the list again: so it begins anew until the list was used.
        """
        box = self.page.locator(".lm-CommandPalette-input")
        item = self.page.locator(f'.lm-CommandPalette-item.lm-mod-active[data-command="{name}"]')
        end = time.monotonic() + 60
        while True:
            try:
                if not box.is_visible():
                    self.page.keyboard.press("Control+Shift+C")
                    box.wait_for(state="visible", timeout=5_000)
                box.fill(words, timeout=2_000)
                item.wait_for(timeout=5_000)
                break
            except sync_api.TimeoutError:
                assert time.monotonic() < end, f"60 s and the list of commands did not offer {words!r}"
        box.press("Enter")
        # The list must be gone before the next command looks for it: shut late, it would be written into.
        box.wait_for(state="hidden")

    def run_all(self):
        """Run every cell, by keyboard through the list of commands, and wait for the last."""
        leave_form(self.page)
        # The numbers of an earlier run would look like those of this one.
        self.page.evaluate(f"() => {PROMPTS}.forEach(one => {{ one.textContent = '' }})")
        self.command("Run All Cells", "notebook:run-all-cells")
        self.page.wait_for_function(
            f"() => {PROMPTS}.every(one => /^\\[\\d+\\]:$/.test(one.textContent.trim()))")
        assert self.page.locator('[data-mime-type="application/vnd.jupyter.stderr"], '
                                 '[data-mime-type="application/vnd.jupyter.error"]').count() == 0
        assert self.page.evaluate(f"() => {PROMPTS}.length") == self.code_cells

    def clear_outputs(self):
        """Take away what the notebook brought along, so that what is shown was made here."""
        self.command("Clear Outputs of All Cells", "notebook:clear-all-cell-outputs")

    def kill_kernel(self):
        """End the kernel as a crash does: at once, without a chance to clean up."""
        kernel, = [child for child in psutil.Process(self.server.pid).children(recursive=True)
                   if "ipykernel_launcher" in child.cmdline()]
        kernel.kill()
        kernel.wait(10)

    def shot(self, name, **more):
        SCREENSHOTS.mkdir(parents=True, exist_ok=True)
        self.page.screenshot(path=str(SCREENSHOTS / f"{name}.png"), **more)


@pytest.fixture(scope="module")
def browser():
    if because := lacking():
        stop_here(because)
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=[
            "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
            "--disable-dev-shm-usage", "--force-prefers-reduced-motion"])
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def lab(browser, tmp_path_factory):
    """JupyterLab over copies of the notebooks and of the demo, and the browser's windows on it."""
    home = tmp_path_factory.mktemp("lab")
    with (open(home / "lab.log", "w", encoding="utf-8") as log, jupyterlab(home, log) as there):
        with shut_in(browser, there[1]) as context:
            yield *there, home, context


@pytest.fixture
def bench(lab, request):
    *there, home, context = lab
    furnish(home)
    with window(context, *there, home, request.node.name) as bench:
        yield bench


def shut_in(browser, base):
    """A browser's windows that reach `base` and nothing else.

    What is asked of anything else goes to a proxy that is not there. To stop it request by request would forbid the
    browser to keep anything, and JupyterLab's programs would be fetched and read anew with every page.
    """
    return browser.new_context(viewport={"width": 1280, "height": 800}, proxy={"server": "http://127.0.0.1:9", "bypass": base.removeprefix("http://")})


@contextlib.contextmanager
def window(context, server, base, token, home, name):
    """A new window on a JupyterLab; shut, its kernels have ended."""
    bench = Bench(context.new_page(), server, base, token, home)
    try:
        yield bench
    finally:
        bench.shot(f"end-of-{name}")
        bench.end_kernels()
        bench.page.close()


# --- the form by keyboard


HEADER = {"Burn id": "bench-01", "Wood": "white oak", "Board": "Lid-3", "Gauge step": "0.01 mm",
          "Module W": "20", "Wavelength nm": "450", "Power": "90", "Power in": "%", "Passes": "1",
          "Pitch": "0.05", "Pitch in": "mm"}
SPEEDS = {"1": "60", "2": "90", "3": "150", "4": "240"}
DEPTHS = {"1": ("1.23", "1.27", "1.25"), "2": ("0.81", "0.79", "0.80"),
          "3": ("0.47", "0.45", "0.46"), "4": ("0.28", "0.27", "0.29")}


def focused(page):
    """The label of what has the focus, or its words."""
    return page.evaluate("""() => { const at = document.activeElement
        return at.labels?.[0]?.textContent || at.getAttribute('aria-label') || at.innerText || '' }""")


def tab_to(page, label, key="Tab", at_most=80):
    """Press Tab until the box, choice or button `label` has the focus."""
    for _ in range(at_most):
        if focused(page) == label:
            return
        page.keyboard.press(key)
    pytest.fail(f"{at_most} times {key} did not reach {label!r}; the focus is on {focused(page)!r}")


def leave_form(page, at_most=80):
    """Press Tab until the focus is outside the form, whose keys are not the notebook's."""
    for _ in range(at_most):
        if not page.evaluate("() => document.activeElement.closest('.burn-entry')"):
            return
        page.keyboard.press("Tab")
    pytest.fail(f"{at_most} times Tab did not lead out of the form")


def type_header(page, header=HEADER):
    """Go to each box by Tab and type over what it holds; in a choice, typing picks."""
    for label, text in header.items():
        tab_to(page, label)
        page.keyboard.type(text)


def type_swatch(page, swatch):
    """Fill one row of the grid; Enter moves on, and nothing waits for the kernel."""
    tab_to(page, f"Swatch {swatch} speed")
    for text in (SPEEDS[swatch], *DEPTHS[swatch]):  # Enter passes over the row's own power, which may stay empty
        page.keyboard.type(text)
        page.keyboard.press("Enter")


def said(page, words):
    """The messages of the form that hold these words."""
    return page.locator(".burn-entry .burn-said p").filter(has_text=words)


def kept(page, count):
    """Wait until the form says that so many readings are typed, and kept."""
    page.locator(".burn-entry").get_by_text(f"{count} of 18 readings typed, each kept").wait_for()


@pytest.mark.browser
def test_a_burn_by_keyboard_alone_an_inch_slip_a_crash_and_a_save(bench):
    page = bench.page
    bench.open("03_enter_readings.ipynb")
    bench.run_all()
    type_header(page)
    type_swatch(page, "1")
    kept(page, 3)

    # An inch slip is objected to beside its row, and no more once it is typed right.
    tab_to(page, "Swatch 2 reading 1")
    tab_to(page, "Swatch 2 speed", "Shift+Tab")
    for text in ("90", "0.032"):
        page.keyboard.type(text)
        page.keyboard.press("Enter")
    said(page, "Reading 1: 0.032 mm").filter(has_text="did you mean inches?").wait_for()
    bench.shot("1-an-inch-slip")
    page.keyboard.press("Shift+Enter")
    page.keyboard.type("0.81")
    page.keyboard.press("Enter")
    said(page, "did you mean inches?").wait_for(state="detached")
    for text in DEPTHS["2"][1:]:
        page.keyboard.type(text)
        page.keyboard.press("Enter")
    kept(page, 6)
    bench.shot("2-before-the-crash")

    bench.kill_kernel()
    page.get_by_text("appears to have died").wait_for()
    bench.shot("3-the-kernel-has-died")
    page.keyboard.press("Enter")
    bench.wait_for_kernel()
    bench.run_all()
    page.get_by_role("button", name="Resume").wait_for()
    assert not (bench.book / "burns" / "bench-01.csv").exists()

    tab_to(page, "Resume")
    bench.shot("4-offered-to-resume")
    page.keyboard.press("Enter")
    kept(page, 6)
    for swatch in ("3", "4"):
        type_swatch(page, swatch)
    kept(page, 12)
    wait_for(lambda: page.locator(".js-plotly-plot .point").count() >= 12)
    bench.shot("5-resumed", full_page=True)
    tab_to(page, "Save burn")
    page.keyboard.press("Enter")
    said(page, "Saved 12 readings").wait_for()
    bench.shot("6-saved")

    burn = labbook.read(bench.book).query("burn == 'bench-01'")
    typed = {(swatch, reading): (float(SPEEDS[swatch]), float(depth)) for swatch in SPEEDS
             for reading, depth in enumerate(DEPTHS[swatch], start=1)}
    assert typed == {(row.swatch, row.reading): (row.speed_mm_s, row.depth_mm)
                     for row in burn.itertuples()}
    head = {"species": "white oak", "board": "Lid-3", "module_w": 20, "wavelength_nm": 450,
            "power_pct": 90, "passes": 1, "line_pitch_mm": 0.05, "gauge_step_mm": 0.01}
    assert burn[list(head)].drop_duplicates().to_dict("records") == [head]
    assert not list((bench.book / "journal").glob("*.jsonl"))
    assert bench.outside == []


@pytest.mark.browser
def test_an_order_and_a_shallow_piece_with_its_second_pass_by_keyboard_alone_outlive_a_crash(bench):
    """The boxes of an order are kept as they are left, and saved too shallow, a piece stands in the next form with its second
    pass: a kernel that dies midway costs nothing of either."""
    page = bench.page
    bench.open("06_one_order.ipynb")
    bench.run_all()
    for label, typed in {"Name": "fern walk", "Customer": "the arboretum (invented)", "Pieces": "11"}.items():
        tab_to(page, label)
        page.keyboard.type(typed)
    tab_to(page, "Pieces a board")  # what is left is kept; no other box says 11
    wait_for(lambda: any("fern walk" in text and '"11"' in text for text in (
        file.read_text(encoding="utf-8") for file in bench.book.rglob("*.jsonl"))))
    tab_to(page, "Job id", at_most=200)  # the proof above it has a box Board too
    for label, typed in {"Board": "Plank-1", "Readings": "0.40 0.41 0.39"}.items():
        tab_to(page, label)
        page.keyboard.type(typed)
    tab_to(page, "Save job")
    page.keyboard.press("Enter")
    wait_for(lambda: (bench.book / "jobs" / "trail-sign 1.csv").exists())
    page.get_by_text("0.40 mm is too shallow. Burn the piece once more").wait_for()
    tab_to(page, "Readings after, mm")
    page.keyboard.type("0.57 0.58 0.57")
    tab_to(page, "Note")
    page.get_by_text("Mean of 3: 0.57 mm: inside the window").wait_for()
    bench.shot("second-pass")

    bench.kill_kernel()
    page.get_by_text("appears to have died").wait_for()
    page.keyboard.press("Enter")
    bench.wait_for_kernel()
    bench.run_all()
    for tab in ("open", "closed and opened again, its kernel alive"):
        if tab != "open":
            page.goto("about:blank")
            bench.open("06_one_order.ipynb")
            bench.run_all()
        page.get_by_text("What you typed last time and did not save is filled in again").first.wait_for()
        page.get_by_text("Mean of 3: 0.57 mm: inside the window").wait_for()
    tab_to(page, "Save second pass", at_most=200)
    page.keyboard.press("Enter")
    wait_for(lambda: (bench.book / "second_passes.csv").exists())
    row = (bench.book / "second_passes.csv").read_text(encoding="utf-8").splitlines()[1]
    assert "trail-sign 1,," in row and ",0.57 0.58 0.57,0.01," in row
    page.get_by_text("trail-sign 1: 0.40 mm, then 0.57 mm after a second pass: inside the window").wait_for()
    tab_to(page, "Save order", "Shift+Tab", at_most=200)
    page.keyboard.press("Enter")
    wait_for(lambda: (bench.book / "orders" / "fern walk.toml").exists())
    kept = (bench.book / "orders" / "fern walk.toml").read_text(encoding="utf-8")
    assert 'customer = "the arboretum (invented)"' in kept and "pieces = 11" in kept
    assert bench.outside == []


@pytest.mark.browser
def test_the_form_is_readable_at_1280_by_800_and_works_with_keys_alone(bench):
    page = bench.page
    bench.open("03_enter_readings.ipynb")
    bench.run_all()
    type_header(page, {"Burn id": "bench-02", "Wood": "white oak", "Pitch": "0.05 wide"})
    tab_to(page, "Swatch 1 speed")
    for text in ("60", "0.018", "0.9"):  # doubts and faults have colours of their own
        page.keyboard.type(text)
        page.keyboard.press("Enter")
    said(page, "0.05 wide").wait_for()
    kept(page, 2)
    tab_to(page, "Save burn")
    page.keyboard.press("Enter")
    said(page, "Not saved").first.wait_for()
    bench.shot("7-faults")
    look = page.evaluate_handle(LOOK)

    texts = look.evaluate("look => look.texts()")
    assert {"Burn id", "white oak", "Save burn", "0.018"} <= {one["text"] for one in texts}
    assert [one for one in texts if one["ratio"] < READABLE or one["px"] < 12] == []
    assert look.evaluate("look => look.cut()") == []
    assert look.evaluate("look => look.unlabelled()") == []
    assert look.evaluate("look => look.wide()") == []
    boxes = look.evaluate("look => look.reachable()")
    assert len({tuple(box) for box in boxes}) == len(boxes) > 40

    # Every box and button is reached by Tab, in the order of the page, and shows that it is.
    tab_to(page, boxes[0][1])
    rings = []
    for box in boxes:
        rings.append(look.evaluate("look => look.ring()"))
        assert rings[-1]["box"] == box
        page.keyboard.press("Tab")
    assert [one for one in rings if one["px"] < 2 or one["ratio"] < DISCERNIBLE] == []
    assert bench.complaints == [] and bench.outside == []

    # The measures see what is bad.
    page.add_style_tag(content=""".burn-entry * { color: #888 !important }
        .burn-entry button.burn-save:focus { outline: none !important }
        .burn-entry .burn-field > label { width: 20px !important; overflow: hidden }
        .burn-entry .burn-row { width: 2000px; flex-shrink: 0; position: relative; left: 1000px }""")
    assert [one for one in look.evaluate("look => look.texts()") if one["ratio"] < READABLE]
    assert look.evaluate("look => look.cut()") and look.evaluate("look => look.wide()")
    page.get_by_role("button", name="Save burn").focus()
    assert look.evaluate("look => look.ring()")["px"] == 0


# --- charts and cards


def plotly_charts(notebook):
    """The charts in a notebook as committed: of each, how many points it marks."""
    outputs = [output["data"]["application/vnd.plotly.v1+json"]
               for cell in json.loads(notebook.read_text(encoding="utf-8"))["cells"]
               for output in cell.get("outputs", ())
               if "application/vnd.plotly.v1+json" in output.get("data", ())]
    return [sum(length(trace["x"]) for trace in figure["data"] if "markers" in trace.get("mode", ""))
            for figure in outputs]


def length(values):
    """How many numbers a list holds, or an array as its bytes in base64."""
    if isinstance(values, list):
        return len(values)
    return len(base64.b64decode(values["bdata"])) // int(values["dtype"][1:])


@pytest.mark.browser
def test_charts_are_drawn_without_a_network(bench):
    bench.open("05_compare_species.ipynb")
    wanted = plotly_charts(bench.notebook)
    assert len(wanted) == 3 and sum(wanted) > 300
    # What is on the page so far comes from the file: away with it.
    bench.clear_outputs()
    assert bench.page.locator(".js-plotly-plot").count() == 0
    bench.run_all()
    charts = bench.page.locator(".js-plotly-plot:has(.main-svg)")
    sync_api.expect(charts).to_have_count(len(wanted))
    wait_for(lambda: charts.evaluate_all(
        "all => all.map(one => one.querySelectorAll('.point').length)") == wanted)
    for number in range(len(wanted)):
        charts.nth(number).scroll_into_view_if_needed()
        sync_api.expect(charts.nth(number)).to_be_in_viewport(ratio=0.9)
        bench.shot(f"8-chart-{number + 1}")
    assert bench.outside == [] and bench.complaints == []


@pytest.mark.browser
def test_the_card_is_made_and_the_browser_opens_it(bench):
    bench.open("10_print_the_cards.ipynb")
    bench.clear_outputs()
    bench.run_all()
    assert {path.name for path in (bench.home / "cards").iterdir()} == {
        "binder-a5.pdf", "order-trail-sign.pdf", "settings-cards-a5.pdf", "settings-cards-half-letter.pdf", "card-to-fill-in.pdf"}
    assert any((bench.book / "records").glob("*.json"))
    previews = bench.page.locator(".jp-RenderedImage img")
    sync_api.expect(previews).to_have_count(3)
    wait_for(lambda: previews.evaluate_all("all => all.every(one => one.naturalWidth > 500)"))
    assert bench.outside == [] and bench.complaints == []
    for path in (bench.home / "cards").glob("*.pdf"):
        made = path.read_bytes()
        assert made.startswith(b"%PDF-1.") and made.rstrip().endswith(b"%%EOF")
    shown = bench.page.context.browser.new_page(viewport={"width": 1280, "height": 800})
    shown.goto((bench.home / "cards" / "settings-cards-a5.pdf").as_uri())
    # The page has to be asked something, else no news of its frames comes in.
    viewer, = wait_for(lambda: shown.evaluate("true") and [
        frame for frame in shown.frames if frame.url.startswith("chrome-extension:")])
    sync_api.expect(viewer.locator("#pagelength")).to_have_text("13")
    shown.screenshot(path=str(SCREENSHOTS / "9-card.png"))
    shown.close()


# --- what happens without a browser


@pytest.mark.parametrize("required, outcome", [("", pytest.skip.Exception),
                                               ("required", pytest.fail.Exception)])
@pytest.mark.parametrize("gone, remedy", [("sync_api", "TESTBURN_BROWSER=1 python3 lib/start.py"),
                                          ("chromium", "sudo apt install chromium")])
def test_without_a_browser_it_is_said_how_to_get_one(monkeypatch, required, outcome, gone, remedy):
    monkeypatch.setenv("TESTBURN_BROWSER", required)
    monkeypatch.setattr(sys.modules[__name__], "sync_api", None if gone == "sync_api" else "there")
    monkeypatch.setenv("CHROMIUM", "/nowhere/chromium")
    with pytest.raises(outcome) as stop:
        stop_here(lacking())
    assert remedy in str(stop.value)
    assert str(stop.value).startswith("TESTBURN_BROWSER=required") == bool(required)


# --- a lab book whose names mean harm, through every page

# Markup, mathematics three ways, a formula of a spreadsheet, and words that a page may not obey.
HARM = '$5 oak$ <img src=x onerror="window.harm=1"><script>window.harm=1</script> \\(x\\) \\[y\\] $$z$$ =1+1'


def harmful(book):
    """Rename the demo's best known wood, and the job's texts, to something that means harm."""
    for file in [*book.glob("burns/*.csv"), *book.glob("jobs/*.csv"), book / "woods.csv"]:
        with open(file, encoding="utf-8", newline="") as read:
            rows = [[HARM if cell == "black cherry" else cell for cell in row] for row in csv.reader(read)]
        with open(file, "w", encoding="utf-8", newline="") as written:
            csv.writer(written).writerows(rows)
    sheet = book / "orders" / "trail-sign.toml"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace('"black cherry"', f"'''{HARM}'''"), encoding="utf-8")


@pytest.mark.browser
def test_no_page_obeys_a_harmful_lab_book(bench):
    harmful(bench.book)
    page, shown = bench.page, 0
    # The pages on which a name stands most often; the rest of them show the same things.
    for notebook in sorted((bench.home / "notebooks").glob("0[48]*.ipynb")):
        bench.open(notebook.name)
        bench.clear_outputs()
        bench.run_all()
        assert page.evaluate("() => window.harm") is None
        assert page.locator(".jp-OutputArea img[src=x], .jp-OutputArea script:has-text('harm')").count() == 0
        # What is no output is our own prose, which may hold a formula.
        assert page.locator(".jp-OutputArea mjx-container, .jp-OutputArea .MathJax").count() == 0, notebook.name
        shown += page.locator(".jp-OutputArea", has_text="$5 oak$").count()
        bench.shot("a-harmful-lab-book")
        bench.end_kernels()
    assert shown >= 2 and bench.outside == [] and bench.complaints == []


@contextlib.contextmanager
def own_book(browser, home, book, page_name):
    """One's own lab book as the front door opens it, on one of its pages, the kernel ready."""
    home.mkdir(exist_ok=True)
    with (open(home / "lab.log", "w", encoding="utf-8") as log, jupyterlab(home, log, book=book) as there):
        with shut_in(browser, there[1]) as context, window(context, *there, home, home.name) as bench:
            bench.turn_to(page_name)
            yield bench


@pytest.fixture(scope="module")
def own_lab(browser, tmp_path_factory):
    """JupyterLab on one's own lab book, as `start.py lab` starts it, and the browser's windows on it."""
    home = tmp_path_factory.mktemp("own")
    book = home / "meine Bücher" / "book"
    book.mkdir(parents=True)
    with (open(home / "lab.log", "w", encoding="utf-8") as log, jupyterlab(home, log, book=book) as there,
          shut_in(browser, there[1]) as context):
        yield *there, home, context, book


@pytest.fixture
def own(own_lab, request):
    """A window on one's own lab book, which holds what the demo holds and fresh pages; nothing is open yet."""
    *there, home, context, book = own_lab
    for old in book.iterdir():
        shutil.rmtree(old) if old.is_dir() else old.unlink()
    shutil.rmtree(home / "workspaces", ignore_errors=True)
    shutil.copytree(DEMO, book, ignore=shutil.ignore_patterns("*.py", "__pycache__", ".testburn.lock"), dirs_exist_ok=True)
    pages.lay_out(book, notebooks())  # as each start of the front door does
    with window(context, *there, home, request.node.name) as bench:
        bench.book = book
        yield bench


def run_page(page, last):
    """Press the button over the page, and wait for the words of its last result."""
    page.locator(".jp-ToolbarButtonComponent-label", has_text="Run this page").click()
    page.locator(".jp-OutputArea-output", has_text=last).last.wait_for(state="attached")


def scrolled(page):
    return page.locator(".jp-WindowedPanel-outer").evaluate("one => one.scrollTop")


@pytest.mark.browser
def test_a_page_that_is_run_stays_at_its_top_and_closing_it_asks_nothing(own):
    page = own.page
    own.turn_to("07_how_deep.ipynb")
    run_page(page, "Labels, local rules and the makers' manuals decide")
    assert scrolled(page) == 0
    sync_api.expect(page.locator(".jp-OutputArea-output", has_text="Lab book: your own").first).to_be_in_viewport()
    assert own.close()
    # What stops a page is shown where it stopped.
    (own.book / "orders" / "trail-sign.toml").write_text("pieces = 0\n", encoding="utf-8")
    own.turn_to("07_how_deep.ipynb")
    run_page(page, "This page stopped here.")
    sync_api.expect(page.get_by_text("This page stopped here.").first).to_be_in_viewport()


def press(page, words, answer, **typed):
    """Type into the boxes of the form that has this button, press it, and wait for what is answered."""
    form = page.locator(".burn-entry").filter(has=page.get_by_role("button", name=words, exact=True))
    for label, text in typed.items():
        box = form.get_by_label(label.replace("_", " "), exact=True)
        box.fill(text)
        box.press("Tab")
    form.get_by_role("button", name=words, exact=True).click()
    form.get_by_text(answer).first.wait_for()


def run_until(bench, words):
    """Press the button over the page, and wait for a form's button near its end."""
    bench.page.locator(".jp-ToolbarButtonComponent-label", has_text="Run this page").click()
    bench.page.get_by_role("button", name=words, exact=True).wait_for()
    bench.wait_for_kernel()


# Seconds of a person's hand and head by the keystroke-level model (Card, Moran and Newell, Communications of the ACM 23 (1980) 396;
# from memory): a key of an average typist who is no secretary, a pointing and press of the mouse with the way of the hand to it
# and back, and a moment to think before each box or button.
KEY_S, CLICK_S, THINK_S = 0.28, 1.1 + 0.2 + 2 * 0.4, 1.35


class Hand:
    """A person at the bench: keys and clicks counted, those of the readings apart."""

    def __init__(self, bench):
        self.bench, self.page, self.turned = bench, bench.page, 1
        self.keys, self.clicks, self.reading_keys, self.began = 0, 0, 0, time.monotonic()

    def click(self, place):
        place.click()
        self.clicks += 1

    def press(self, button, answer):
        """Press a button of the page and wait for what it says."""
        self.click(self.page.get_by_role("button", name=button, exact=True))
        self.page.locator(".burn-said:visible", has_text=answer).first.wait_for()

    def fill(self, label, text):
        """Click into a box and type over what it holds."""
        self.click(self.page.locator(".burn-entry:visible").get_by_label(label, exact=True))
        self.type("Control+A")
        self.type(*text)

    def type(self, *keys):
        for key in keys:
            self.page.keyboard.press(key)
        self.keys += len(keys)

    def read(self, *depths):
        """Type depths off the gauge, each with Enter to go on to the next box."""
        for depth in depths:
            self.page.keyboard.type(depth)
            self.page.keyboard.press("Enter")
            self.reading_keys += len(depth) + 1

    def run(self, button):
        """Run the page, and wait for a button of it; without one wait for nothing."""
        # A page that was left keeps its own button, unseen.
        self.click(self.page.locator(".jp-ToolbarButtonComponent-label:visible", has_text="Run this page"))
        if button:
            self.page.get_by_role("button", name=button, exact=True).first.wait_for(state="attached")

    def turn(self, page_name):
        """Follow a link to another page, and wait for its kernel."""
        self.click(self.page.locator(f'.jp-RenderedMarkdown:visible a[href*="{page_name}"]').first)
        self.turned += 1
        self.page.locator(".jp-Notebook:visible", has=self.page.locator("h1", has_text=f"{int(page_name[:2])} · ")).wait_for()
        wait_for(lambda: len(kernels := self.bench.kernels()) == self.turned and all(
            one["execution_state"] == "idle" and one["connections"] for one in kernels), 60)

    def person_s(self):
        """Seconds a person would take: those of the machine so far, and their own for every key and click."""
        return KEY_S * (self.keys + self.reading_keys) + (CLICK_S + THINK_S) * self.clicks + time.monotonic() - self.began


def to_the_first_card(bench, book):
    """Machine, plan, readings, card: no more than 40 keys and clicks beyond the readings, and under five minutes of a person."""
    hand = Hand(bench)
    hand.run("Save machine")
    hand.fill("Highest, mm/s", "500")
    hand.fill("Acceleration, mm/s²", "2500")
    hand.press("Save machine", "Saved: ")
    hand.turn("02_")
    hand.run("Make the plan")
    hand.click(bench.page.locator(".burn-entry:visible").get_by_label("Wood", exact=True))
    hand.type(*"white oak", "Tab", *"20", "Tab", *"450")
    hand.press("Make the plan", "Made for white oak: ")
    hand.turn("03_")
    hand.run("Save burn")
    with open(next(book.glob("cards/plans/*/board-A.csv")), encoding="utf-8", newline="") as file:
        doses = {row["swatch"]: 20 * 0.9 / (float(row["speed_mm_s"]) * float(row["line_pitch_mm"])) for row in csv.DictReader(file)}
    depths = {swatch: [f"{share * 0.15 * dose:.2f}" for share in (0.97, 1.0, 1.03)] for swatch, dose in doses.items()}
    hand.click(bench.page.get_by_label(f"Swatch {next(iter(depths))} reading 1", exact=True))
    for three in depths.values():
        hand.read(*three)
    hand.press("Save burn", "Saved ")
    hand.turn("10_")
    hand.run("")
    wait_for((book / "cards" / "settings-cards-a5.pdf").exists, 60)
    bench.shot("b-first-card")
    print(f"{hand.keys} keys and {hand.clicks} clicks beside {hand.reading_keys} keys of the readings; {hand.person_s():.0f} s of a person")
    assert hand.keys + hand.clicks <= 40 and hand.person_s() < 300
    read, machine = labbook.read(book), labbook.Machine.read(book / "machine.toml")
    assert {swatch: [f"{depth:.2f}" for depth in own["depth_mm"]] for swatch, own in read.groupby("swatch", sort=False)} == depths
    assert (machine.max_speed_mm_s, machine.acceleration_mm_s2, set(read["module_w"]), set(read["species"])) == (500, 2500, {20}, {"white oak"})


def order_cards(records):
    """Number and record of each order's card."""
    return sorted((one.order["number"], one.path.name) for one in record.kept(records) if one.order)


@pytest.mark.browser
def test_the_whole_way_from_an_empty_book_to_a_finished_order_in_a_folder_that_was_renamed(browser, tmp_path):
    """All by boxes and keys; the folder of the book gets another name before the proof, and nothing of it is lost."""
    book, later = newbook.make(tmp_path / "Werkstatt"), tmp_path / "Werkstatt Müller 2"
    order, folder = "Haus Müller", "orders/Haus Müller.toml"
    with own_book(browser, tmp_path / "first", book, "01_start_here.ipynb") as bench:
        page = bench.page
        to_the_first_card(bench, book)
        # No order is open: no card is made as if one were.
        bench.turn_to("06_one_order.ipynb")
        run_until(bench, "Save job")
        page.get_by_text("No order is open, so no order's card is made.").first.wait_for(state="attached")
        assert not list(book.rglob("order-*.pdf")) and order_cards(book / "records") == []
        press(page, "Save order", "Saved: order Haus Müller", Name=order, Customer="a school (invented)", Pieces="3", Pieces_a_board="3")
        run_until(bench, "Save job")
        wait_for((book / "cards" / f"order-{order}.pdf").exists)
        bench.shot("b-an-order-saved")
        assert bench.outside == []
    card, = order_cards(book / "records")
    book.rename(later)
    with own_book(browser, tmp_path / "second", later, "06_one_order.ipynb") as bench:
        page, records = bench.page, later / "records"
        run_until(bench, "Save job")
        assert order_cards(records) == [card]  # the same card again
        press(page, "Add proof", "Saved: proof 1", Board="Lid-9", Depths="0.52 0.53 0.54")
        run_until(bench, "Save job")
        wait_for(lambda: len(order_cards(records)) == 2)
        press(page, "Save job", "Saved 3 readings", Board="Lid-9", Readings="0.53 0.54 0.52")
        press(page, "Finish order", "Not measured yet: pieces 2, 3.")
        press(page, "Finish order", "Finished: order Haus Müller")
        bench.shot("c-an-order-finished")
        assert bench.outside == []
    lives = record.live(record.kept(records))
    assert (lives[order].order["number"], lives[order].board, lives[order].order["replaces"]["number"]) == (2, "Lid-9", 1)
    promised = promises(records)
    assert set(promised.loc[promised["order"] == order, "board"]) == {"next", "Lid-9"}
    done = jobs.read(later)
    assert set(done["order"]) == {order} and set(done["board"]) == {"Lid-9"} and set(done["card"]) <= set(promised["card"])
    assert "[finished]" in (later / folder).read_text(encoding="utf-8")


# Every form of the pages, as they make it.
FORMS = """
from testburn import entry
from testburn.job import Job
from testburn.paper import promises
from testburn.workshop import open_workshop
workshop = open_workshop(); book, fit = workshop.book, workshop.fit(); job = Job.read(book, fit, workshop.machine)
promised = promises(workshop.records, first=job.promised)
entry.machine_form(book)
entry.plan_form(book, fit, workshop.machine, workshop.plans)
entry.set_aside_form(book)
entry.retire_form(book)
entry.wood_form(book)
entry.repeats_form(book)
entry.order_form(book, fit)
entry.figures_form(book)
entry.proof_form(book, job)
entry.second_pass_form(book, job)
entry.job_form(book, promised)
entry.timed_form(book)
entry.log_form(book)
entry.focus_form(book, fit, promised.iloc[0])
""".strip().partition("entry.machine_form")
FORMS = [FORMS[0], *(FORMS[1] + FORMS[2]).splitlines()]


def test_the_forms_looked_at_are_all_there_are():
    """Offers and the choice of a ladder are lists, and looked at on their pages."""
    assert {line.partition("(")[0].partition(".")[2] for line in FORMS[1:]} == {name for name in entry.__all__ if name.endswith("_form")}


@pytest.mark.browser
def test_the_small_forms_fit_a_page_of_1024_by_768(own):
    """No label is cut and nothing is scrolled sideways, with faults under their boxes too."""
    page = own.page
    page.set_viewport_size({"width": 1024, "height": 768})
    forms = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(cell) for cell in FORMS],
                                     metadata={"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}})
    nbformat.write(forms, own.book / "pages" / "forms.ipynb")
    own.turn_to("forms.ipynb")
    run_until(own, "Write as refocused")
    forms = page.locator(".burn-entry")
    assert forms.count() == len(FORMS) - 1
    press(page, "Save order", "Not saved", Name="a/b", Pieces="six", Ordered_on="May")
    for number in range(forms.count()):
        forms.nth(number).scroll_into_view_if_needed()
        forms.nth(number).screenshot(path=str(SCREENSHOTS / f"form-{number}.png"))
        look = page.evaluate_handle(LOOK.replace("document.querySelector('.burn-entry')", f"document.querySelectorAll('.burn-entry')[{number}]"))
        for what in ("cut", "wide", "unlabelled"):
            assert look.evaluate(f"look => look.{what}()") == [], (FORMS[number + 1], what)


@pytest.mark.browser
def test_the_front_door_opens_ones_own_book_on_page_1_with_nothing_of_another(own):
    """As `start.py lab` starts it: the book is the root, its pages are fresh, closing asks nothing."""
    page = own.page
    page.goto(f"{own.base}/?token={own.token}")
    page.locator(".jp-Notebook").wait_for()
    own.wait_for_kernel()
    assert page.locator(".jp-OutputArea-output").count() == 0  # no result of any book is stored
    page.locator(".jp-ToolbarButtonComponent-label", has_text="Run this page").click()
    page.locator(".jp-OutputArea-output", has_text="Lab book: your own").wait_for()
    assert page.locator(".jp-OutputArea-output", has_text="the demo, in a scratch copy").count() == 0
    folders = page.locator(".jp-DirListing-itemText").all_inner_texts()
    own.shot("front-door")
    assert own.close()
    assert not own.outside
    assert {path.name for path in (own.book / "pages").iterdir()} >= {"01_start_here.ipynb", "made-from.json"}, folders
    saved = json.loads((own.book / "pages" / "01_start_here.ipynb").read_text(encoding="utf-8"))
    assert all(cell["outputs"] == [] for cell in saved["cells"] if cell["cell_type"] == "code")
