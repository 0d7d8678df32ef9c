"""Hold: one draft has one owner; the other window is told, and whatever was acknowledged can be resumed."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from testburn.entry import Offers, draft
from testburn.labbook import journal

sys.path.append(str(Path(__file__).parent))
from typed_burns import buttons, drafts, form_for

# Another kernel: it goes on with the newest draft, types what it is told a line, and says what it was answered.
OTHER = """
import sys
from testburn.entry import burnform, draft
book = sys.argv[1]
typed, kept = draft.resumed(book, draft.unfinished(book)["draft"][0])
form = burnform.entry(book, typed, draft=kept.take())
print("ready", flush=True)
for line in sys.stdin:
    form.rows[0].depths[2].value = line.strip()
    print("another window" in form.kept.value, flush=True)
"""


@pytest.fixture
def other(book):
    """A kernel in which the draft of `form_for` is gone on with."""
    running = []

    def start():
        running.append(subprocess.Popen([sys.executable, "-c", OTHER, str(book)], stdin=subprocess.PIPE,
                                        stdout=subprocess.PIPE, encoding="utf-8"))
        assert running[0].stdout.readline() == "ready\n"
        return running[0]
    yield start
    for process in running:
        process.kill()
        process.communicate()


def typed_there(process, text):
    process.stdin.write(f"{text}\n")
    process.stdin.flush()
    return process.stdout.readline() == "True\n"


def test_a_draft_open_in_another_window_is_not_resumed_without_a_word(book, other):
    form_for(book).rows[0].depths[2].value = "0.70"
    process = other()
    opened = Offers(book)
    buttons(opened)["Put away"].click()
    assert "open in another window" in opened.said.value and len(drafts(book)) == 1
    buttons(opened)["Resume"].click()
    assert opened.form is None and "open in another window" in opened.said.value
    buttons(opened)["Resume"].click()
    assert opened.form.typed()["swatches"][0]["depths"][2] == "0.70"
    assert typed_there(process, "0.81") and not typed_there(process, "0.82")


@pytest.mark.parametrize("saved_first", [False, True])
def test_what_either_window_typed_can_be_resumed(saved_first, book, other):
    form_for(book).rows[0].depths[2].value = "0.70"
    process = other()
    opened = Offers(book)
    for _ in range(2):
        buttons(opened)["Resume"].click()
    opened.form.rows[0].depths[2].value = "0.71"
    if saved_first:
        opened.form.save.click()
    assert typed_there(process, "0.83")
    third = {draft.resumed(book, name)[0]["swatches"][0]["depths"][2] for name in drafts(book)}
    assert third == ({"0.83"} if saved_first else {"0.71", "0.83"})


def test_a_window_that_died_holds_nothing(book, other):
    form_for(book).rows[0].depths[2].value = "0.70"
    process = other()
    assert journal.elsewhere(book, drafts(book)[0])
    process.kill()
    process.wait()
    assert not journal.elsewhere(book, drafts(book)[0])
    opened = Offers(book)
    buttons(opened)["Resume"].click()
    assert opened.form is not None


@pytest.mark.parametrize("torn", ["", "{", json.dumps({"mark": 3}), "[]", json.dumps({"mark": "x", "process": "y"})])
def test_a_torn_mark_is_no_owner(torn, book):
    form_for(book).rows[0].depths[2].value = "0.70"
    (book / "journal" / f"{drafts(book)[0]}.owner").write_text(torn, encoding="utf-8")
    assert not journal.elsewhere(book, drafts(book)[0])
    assert draft.resumed(book, drafts(book)[0])[0]["burn"] == "oak-01"
