"""Crash: a process that starts a book, saves, corrects, strikes, journals, takes orders, finishes jobs and mends them, makes cards is
killed, again and again.

What it had acknowledged before it was killed is there afterwards, each file parses, and what was left
half done is not read as data. TESTBURN_KILLS=2000 kills more often. Killing a process does not try
what the disk itself forgets when the power fails: that rests on fsync, see `labbook.files`.
"""

import builtins
import datetime
import importlib
import io
import json
import os
import random
import select
import signal
import subprocess
import sys
import time
import traceback
from pathlib import Path

import pandas as pd
import pytest

KILLS = int(os.environ.get("TESTBURN_KILLS", "300"))
KILLS_A_BOOK = 50
HEADER = {"burned_on": "2026-03-14", "species": "white oak", "board": "O1", "module_w": 20,
          "wavelength_nm": 450, "power_pct": 90, "line_pitch_mm": 0.05, "passes": 1, "reading": 1,
          "gauge_step_mm": 0.01}
# A card's row that a finished job was made from: round numbers, nothing of them is judged here.
PROMISE = pd.Series({name: HEADER[name] for name in ("species", "module_w", "wavelength_nm", "power_pct", "line_pitch_mm",
                                                     "passes")}
                    | {"speed_mm_s": 60, "board": "next", "card": "0123456789ab", "readings_mark": "0123456789ab",
                       "aim_mm": 0.5, "at_least_mm": 0.4, "at_most_mm": 0.6, "expected_mm": 0.5, "curve_sd": 0.05,
                       "board_sd": 0.1, "swatch_sd": 0.05, "reading_sd": 0.03, "gauge_sd_mm": 0.01, "df": 10.0,
                       "invented": "yes"})
PROOF = {"board": "O1", "depths_mm": [0.5, 0.51], "gauge_step_mm": 0.01, "power_pct": 90, "speed_mm_s": 60, "line_pitch_mm": 0.05,
         "passes": 1}
STEPS = {"open", "os.link", "os.rename", "os.remove", "os.mkdir"}


def burn_of(name, depths):
    return pd.DataFrame([HEADER | {"burn": name, "swatch": str(place), "speed_mm_s": 60 + place, "depth_mm": depth}
                         for place, depth in enumerate(depths, start=1)])


def page_of(kind, count):
    """A page of some thousand bytes that says what it is."""
    return f"{kind} {count} ".encode() * 2000


def proofs(book, name):
    """How many proofs an order has; None where there is no such order. The open one is one of those there are."""
    from testburn.job import orders
    names = list(orders.listed(book)["name"])
    assert not names or orders.read(book).name in names
    return len(orders.read(book, name).proofs) if name in names else None


def counted(page):
    """Which page a file holds; None where there is none, a fault where it is half of one."""
    if not page.exists():
        return None
    kind, count, *_ = page.read_bytes().split(b" ")
    assert page.read_bytes() == page_of(kind.decode(), int(count)), f"{page.name} is half a page"
    return int(count)


def whole(book):
    """Whether a new book is whole; one cut off half made is made whole by the next try, and then reads."""
    from testburn import labbook
    from testburn.workshop import newbook
    found = "whole" if (book / "datapackage.json").exists() else None
    if not found:
        newbook.make(book)
    assert {name for name in os.listdir(book) if not name.startswith(".")} == {*newbook.FILES, *newbook.FOLDERS}
    assert labbook.Machine.read(book / "machine.toml").max_speed_mm_s == 600
    return found


def work(book, number, say, dice):
    """The child: writes until it is killed, and says before and after each write what it writes."""
    from testburn import labbook
    from testburn.job import orders
    from testburn.labbook import files, jobs, journal
    from testburn.workshop import newbook
    for count in range(10 ** 6):
        name, draft = f"b{number}-{count}", f"draft {number}"
        for cell in range(dice.randint(1, 6)):
            value = f"{dice.random():.4f}"
            say("try", "cell", draft, f"{count}/{cell}", value)
            journal.record(book, draft, f"{count}/{cell}", value)
            say("done", "cell", draft, f"{count}/{cell}", value)
        depths = [round(0.99 * dice.random() + 0.1, 4) for _ in range(3)]  # below 1.1: a corrected one is not
        say("try", "burn", name, depths)
        labbook.save(burn_of(name, depths), book)
        say("done", "burn", name, depths)
        say("try", "strike", name, str(count % 3 + 1))
        labbook.strike(book / "burns", name, str(count % 3 + 1), 1, "typed in inches")
        say("done", "strike", name, str(count % 3 + 1))
        say("try", "job", name, depths)
        jobs.save(jobs.readings_of(PROMISE, name, "O1", depths, 0.01, datetime.date(2026, 3, 14)), book)
        say("done", "job", name, depths)
        say("try", "second", name, max(depths))
        jobs.add_second_pass(book, datetime.date(2026, 3, 14), name, 400.0, [max(depths)], 0.01)
        say("done", "second", name, max(depths))
        say("try", "order", name, 0)
        orders.new(book, name, species="white oak", pieces=6)
        say("done", "order", name, 0)
        say("try", "order", name, 1)
        orders.add_proof(book, name, PROOF)
        say("done", "order", name, 1)
        say("try", "book", name, "whole")
        newbook.make(book / "new" / name)
        say("done", "book", name, "whole")
        for kind in ("card", "plan"):
            say("try", kind, f"{number % 3}", count)
            files.put(book / "cards" / f"{kind}-{number % 3}.pdf", page_of(kind, count))
            say("done", kind, f"{number % 3}", count)
        better = [round(depth + 1, 4) for depth in depths]
        say("try", "burn", name, better)
        labbook.correct(burn_of(name, better), book, labbook.version(book, name))
        say("done", "burn", name, better)


def die_at(step):
    """Kill this process at that step on a file: before one is opened, named or removed, or just opened."""
    left, real = [step], io.open

    def count_down(event, *_):
        if event in STEPS:
            left[0] -= 1
            if left[0] <= 0:
                os.kill(os.getpid(), signal.SIGKILL)

    def opened(*words, **more):
        file = real(*words, **more)
        count_down("open")
        return file

    sys.addaudithook(count_down)
    builtins.open = io.open = opened


def killed_once(book, number, dice):
    """Fork a child, kill it somewhere, and return what it said: at a moment, or at a step on a file."""
    heard, said = os.pipe()
    step = dice.randint(1, 150) if number % 2 else 0
    child = os.fork()
    if child == 0:
        try:
            os.close(heard)
            if step:
                die_at(step)
            work(book, number, lambda *words: os.write(said, json.dumps(words).encode() + b"\n"), dice)
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(1)
    os.close(said)
    end, words = time.monotonic() + (20 if step else dice.uniform(0, 0.15)), b""
    while (left := end - time.monotonic()) > 0 and select.select([heard], [], [], left)[0]:
        if not (piece := os.read(heard, 65536)):
            break
        words += piece
    os.kill(child, signal.SIGKILL)
    assert os.waitpid(child, 0)[1] == signal.SIGKILL, f"the child of round {number} ended by itself"
    while piece := os.read(heard, 65536):
        words += piece
    os.close(heard)
    return [json.loads(line) for line in words.splitlines(keepends=True) if line.endswith(b"\n")]


def expected(heard):
    """The last value acknowledged for each thing, and the values that stand if one was under way."""
    done, allowed = {}, {}
    for said, kind, name, *rest in heard:
        key, value = ((kind, name, rest[0]), rest[-1]) if kind in ("cell", "strike") else ((kind, name), rest[0])
        if said == "try":
            allowed[key] = [done.get(key), value]
        else:
            done[key], allowed[key] = value, [value]
    return done, allowed


def compare(book, heard):
    """Compare a lab book to what was said by those who wrote it; return how much was acknowledged."""
    from testburn import labbook
    from testburn.labbook import jobs, journal
    done, allowed = expected(heard)
    finished = jobs.read(book).groupby("burn")["depth_mm"].agg(list).to_dict()
    mended = jobs.second_passes(book).set_index("job")["depth_mm"].to_dict()
    readings = labbook.read(book)
    depths = readings.groupby("burn")["depth_mm"].agg(list).to_dict()
    struck = set(readings.loc[readings["struck_because"] != "", ["burn", "swatch"]].itertuples(index=False, name=None))
    drafts = set(journal.drafts(book)["draft"])
    cells = {(draft, cell): value for draft in drafts for cell, value in journal.replay(book, draft).items()}
    for (kind, name, *rest), values in allowed.items():
        there = {"burn": lambda: depths.get(name), "cell": lambda: cells.get((name, *rest)),
                 "job": lambda: finished.get(name), "second": lambda: mended.get(name), "order": lambda: proofs(book, name),
                 "book": lambda: whole(book / "new" / name), "card": lambda: counted(book / "cards" / f"card-{name}.pdf"),
                 "plan": lambda: counted(book / "cards" / f"plan-{name}.pdf"),
                 "strike": lambda: rest[0] if (name, *rest) in struck else None}[kind]()
        assert there in values, f"{kind} {name} {rest}: {there} is there, allowed is {values}"
    assert set(depths) <= {key[1] for key in allowed if key[0] == "burn"}
    assert len(readings) == 3 * len(depths)
    for name, now in depths.items():
        kept = [labbook.check(pd.read_csv(file))["depth_mm"].tolist()
                for file in (book / "history" / name).glob("*.csv")]
        before = [round(depth - 1, 4) for depth in now]
        assert kept in ([], [now], [before]) and (now[0] < 1.1 or kept == [before]), (name, now, kept)
    return len(done)


def main(folder, kills):
    """Kill children in one lab book after another; each takes up what the one before left."""
    # What a child needs is loaded before it is forked: it would be killed while it loads.
    importlib.import_module("testburn.job")
    dice, acknowledged, debris = random.Random(20260314), 0, 0
    books = [folder / f"book {first}" for first in range(0, kills, KILLS_A_BOOK)]
    for first, book in zip(range(0, kills, KILLS_A_BOOK), books):
        (book / "burns").mkdir(parents=True)
        heard = []
        for number in range(first, min(first + KILLS_A_BOOK, kills)):
            heard += killed_once(book, number, random.Random(dice.random()))
            debris += len(list(book.rglob(".testburn-*.part")))
            if number % 10 == 9:
                compare(book, heard)
        acknowledged += compare(book, heard)
    print(json.dumps({"kills": kills, "acknowledged": acknowledged, "debris": debris}))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork and kill a process")
def test_what_was_acknowledged_is_there_after_each_kill(tmp_path):
    done = subprocess.run([sys.executable, __file__, str(tmp_path), str(KILLS)], capture_output=True,
                          text=True, encoding="utf-8", env=os.environ | {"OMP_NUM_THREADS": "1"})
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["kills"] == KILLS >= 300
    # Kills that never hit a write, or children that never wrote, would prove nothing.
    assert told["acknowledged"] > 3 * KILLS and told["debris"] > KILLS / 50


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
