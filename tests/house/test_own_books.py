"""Every page on a maker's own small books: it runs to its end, and nothing of the demo stands on it.

The books: an empty one; one wood on two boards; three boards, each of another wood. Their readings are made here.
"""

import json
import os
import re
import subprocess
import sys

import pandas as pd
import pytest

from testburn import labbook
from testburn.workshop.openbook import DEMO, notebooks

# Runs the pages named in one process, each in a namespace of its own, and prints what each shows.
RUN = """
import json, sys
from pathlib import Path
from IPython.core.interactiveshell import InteractiveShell
from IPython.utils.capture import capture_output
shell, told = InteractiveShell.instance(), {}
for page in map(Path, sys.argv[1:]):
    shell.reset(new_session=False)
    cells = json.loads(page.read_text(encoding="utf-8"))["cells"]
    told[page.name] = shows = []
    for cell in cells:
        source = "".join(cell["source"])
        if cell["cell_type"] == "markdown":
            shows.append(source)
            continue
        with capture_output() as seen:
            result = shell.run_cell(source)
        if result.error_before_exec or result.error_in_exec:
            shows.append(f"STOPPED at {source[:80]!r}: {result.error_before_exec or result.error_in_exec}")
            break
        shows += [seen.stdout, seen.stderr]
        shows += [json.dumps({kind: text for kind, text in one.data.items() if "image" not in kind}, ensure_ascii=False) for one in seen.outputs]
print("\\n" + json.dumps(told))
"""
DEMO_BURNS = pd.concat([pd.read_csv(file, dtype=str) for file in sorted((DEMO / "burns").glob("*.csv"))])
# What only the demo says; its woods are those that the book itself does not have.
NAMES = sorted({*DEMO_BURNS["board"], *DEMO_BURNS["burn"], *(file.stem for file in (DEMO / "orders").glob("*.toml")), "arboretum"})
SENTENCES = ("flattens", "much narrower", "never halves")


def burned(book, boards):
    """Save a burn of four swatches for each (wood, board)."""
    for number, (wood, board) in enumerate(boards, start=1):
        rows = [dict(burn=f"own-{number}", burned_on="2026-03-14", species=wood, board=board, module_w=12, wavelength_nm=455, power_pct=85,
                     speed_mm_s=speed, line_pitch_mm=0.08, passes=1, swatch=str(swatch), reading=reading, gauge_step_mm=0.01,
                     depth_mm=round((0.93 + 0.05 * number) * 38 / speed - 0.04 + 0.01 * (reading - 2), 2))
                for swatch, speed in enumerate((40, 60, 90, 130), start=1) for reading in (1, 2, 3)]
        labbook.save(labbook.check(pd.DataFrame(rows)), book)
    return book


def shown(book, tmp_path):
    """Return what each page shows on a book, by its name."""
    done = subprocess.run([sys.executable, "-c", RUN, *map(str, notebooks())], capture_output=True, text=True, encoding="utf-8", timeout=300,
                          env=os.environ | {"TESTBURN_LABDATA": str(book), "TESTBURN_CARDS": str(tmp_path / "cards"), "PYTHONUTF8": "1"})
    assert done.returncode == 0, done.stderr
    return {page: "\n".join(texts) for page, texts in json.loads(done.stdout.splitlines()[-1]).items()}


@pytest.mark.parametrize("boards", [(), (("red alder", "Plank-1"), ("red alder", "Plank-2")),
                                    (("red alder", "Plank-1"), ("American basswood", "Plank-2"), ("yellow birch", "Plank-3"))],
                         ids=["empty", "one wood", "three boards"])
def test_every_page_runs_and_shows_nothing_of_the_demo(boards, tmp_path):
    book = tmp_path / "mein Buch"
    (book / "burns").mkdir(parents=True)
    pages = shown(burned(book, boards), tmp_path)
    assert len(pages) == len(notebooks())
    stopped = {page: said[said.index("STOPPED at"):][:300] for page, said in pages.items() if "STOPPED at" in said}
    # Of a book without a burn the pages from the fit on say, in one line, what they wait for.
    early = {page for page, said in stopped.items() if not boards and page[:2] > "03" and "There is nothing to fit yet: the lab book has no readings" in said}
    assert not {page: said for page, said in stopped.items() if page not in early}
    # A wood may stand in a list to choose from; a row, a title or a sentence of it is the demo's.
    found = {page: [name for name in NAMES if re.search(rf"(?<![\w-]){re.escape(name)}(?![\w-])", said)] for page, said in pages.items()}
    assert not {page: names for page, names in found.items() if names}
    assert not {page: words for page, said in pages.items() if (words := [one for one in SENTENCES if one in said])}
    assert not [page for page, said in pages.items() if "the demo" in re.sub(r"`[^`]*`", "", said).lower() and page[:2] != "01"]
