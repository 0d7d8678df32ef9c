"""New book: an empty lab book, ready for the first burn.

Decides what a lab book starts with: the handbook woods, machine to fill in, the description
of the columns, and no readings. `python -m testburn.workshop.newbook FOLDER` makes one.
"""

import contextlib
import json
import sys
from pathlib import Path

from testburn.labbook import columns, files, shown
from testburn.workshop.openbook import DEMO

MACHINE = """\
# What your machine can be set to. Take the figures from its maker's manual.
# Leave a line out and the suite uses what was burned (powers, pitches, passes) or its default.
min_speed_mm_s = 1
max_speed_mm_s = 600
speed_step_mm_s = 1
# How briskly the head speeds up and slows down along a line. Without it, minutes are a range.
# Time two or more filled rectangles with a stopwatch, type them into the boxes of notebook 8, and it
# works out the next two lines and puts them here.
# acceleration_mm_s2 = 1000
# turn_overhead_s = 0.0
# Between pieces, with the beam off. Without it, the highest speed.
# travel_speed_mm_s = 300
# true if the head leaves a line where nothing is left to burn and hurries over gaps.
# skips_blanks = false
# true if the head has its speed before the drawing begins; false if it speeds up on the wood, so that the ends of
# lines and narrow strokes burn deeper.
# runs_up_outside = true
# For the stock check: clearance above the support with the module at its top, height of the support, distance
# from the module's nose to the face in focus, and how far the module can be moved up and down.
# clearance_mm = 60
# support_height_mm = 22
# focus_gap_mm = 7
# focus_travel_mm = 40
# What your control asks for; cards, sheets and forms then lead with it. Every figure above and every file stays in
# mm/s, mm and percent; only a step may carry its unit, e.g. above this line: speed_step = "100 mm/min".
# [units]
# speed = "mm/min"            # or mm/s, in/s, in/min
# spacing = "lines per inch"  # or mm, in, lines per mm, lines per cm
# power_out_of = 255          # leave it out where power is set in percent
"""


# What a new book consists of, and in which order it is made: the last one there says that it is whole.
FILES = ("woods.csv", "machine.toml", "datapackage.json")
FOLDERS = ("burns", "artwork", "orders")


def make(folder: str | Path) -> Path:
    """Make an empty lab book and return its folder; one that was cut off half made is made whole.

    Raises
    ------
    FileExistsError
        If the folder already holds something else.
    NotWritten
        If the disk refuses it.
    """
    folder = Path(folder)
    there = {file.name for file in folder.iterdir()} if folder.is_dir() else set()
    ours = {name for name in there if name in (*FILES[:-1], *FOLDERS) or name.startswith(".testburn")}
    if folder.exists() and not folder.is_dir() or there - ours or any(any(folder.glob(f"{name}/*.*")) for name in FOLDERS):
        raise FileExistsError(f"{folder} is not empty. Name a new folder for the new lab book.")
    with files.locked(folder):
        for name in FOLDERS:
            files.make_folder(folder, folder / name)
        for name, content in zip(FILES, ((DEMO / "woods.csv").read_bytes(), MACHINE.encode(), _description())):
            with contextlib.suppress(FileExistsError):
                files.add_whole(folder, folder / name, content)
    return folder


def _description() -> bytes:
    """Return the data package: what a burn's file holds, and the format's number."""
    package = {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "format": columns.FORMAT,
        "name": "lab-book", "title": "Lab book of test burns",
        # The standard has no word for "every file of a folder", so the schema stands by its header.
        "resources": [{"name": "burns", "type": "table", "data": [list(columns.BY_NAME)],
                       "description": "What each CSV file in the folder burns holds: one burn, "
                                      "one file, UTF-8, commas between columns.",
                       "schema": columns.table_schema()}],
    }
    return (json.dumps(package, indent=1, ensure_ascii=False) + "\n").encode()


if __name__ == "__main__":
    try:
        shown.say(f"A new, empty lab book is in {make(sys.argv[1])}")
    except OSError as fault:
        sys.exit(str(fault))
