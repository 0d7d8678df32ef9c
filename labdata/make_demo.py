"""Make the demo lab book: invented readings of a workshop that makes trail signs for an arboretum.

Run `python labdata/make_demo.py [FOLDER]`; the same bytes come out every time. Everything here is
invented: the wood, the machine, the mistakes. The depths follow a rule that is NOT the model the
suite fits (a threshold, a curve that flattens, more loss at low speed), with a board, a growth
ring, a reading and a gauge each adding scatter, so that the fit has honest work to do.

After the burns come finished jobs: trail signs made from the cards of the demo's own fit, on boards of
their own. Over the last jobs of the 15 W module the lens fogs. Then it is wiped, as the machine's log says, and
three swatches are burned again on a board from before: the check.
"""

import datetime
import hashlib
import json
import math
import random
import sys
from pathlib import Path

import pandas as pd

from testburn import depthfit, labbook
from testburn.job import promise, settings
from testburn.labbook import columns, jobs, machinelog

SEED = 20260214
BOARD_SD, RING_SD, READING_SD, GAUGE_SD_MM = 0.09, 0.04, 0.03, 0.015
ENERGY_PER_VOLUME = {"black cherry": 2.5, "black walnut": 2.8, "sugar maple": 3.3, "white oak": 3.7}
# Watts, nanometres, speeds in mm/s, and how much more energy the same depth takes.
MODULES = {
    "M6": (6, 445, (18, 23, 29, 36, 45, 57, 72, 90), 1.12),
    "M15": (15, 445, (45, 57, 72, 90, 112, 142, 180, 225), 1.05),
    "M30": (30, 445, (90, 114, 144, 180, 225, 285, 360, 450), 1.00),
}
# Species, module, boards: what the workshop got round to burning.
BURNED = [
    ("black cherry", "M15", 4), ("black cherry", "M30", 3), ("black cherry", "M6", 2),
    ("sugar maple", "M15", 3), ("sugar maple", "M30", 3), ("sugar maple", "M6", 2),
    ("white oak", "M15", 3), ("white oak", "M30", 2), ("white oak", "M6", 2),
    ("black walnut", "M15", 2), ("black walnut", "M30", 2), ("black walnut", "M6", 2),
]
POWER_PCT, GAUGE_STEP_MM = 90, 0.01
INCH_SLIP = ("trail-03", "4", 2)
DEEP_PORE = ("trail-22", "5", 3)
JOB_SEED, JOB_SPACING_DAYS = 20250836, 9
# Day, module, what was done, whether it can have changed the depth, note.
LOG = [
    (datetime.date(2025, 9, 3), "", "belt", "no", "tightened, runs true (invented)"),
    (datetime.date(2025, 12, 20), "15 W", "lens wiped", "", "brown film, off with one wipe (invented)"),
]
CHECK_BOARD, CHECK_SPEEDS_MM_S, CHECK_DAY, CHECK_SEED = "Cherry-1", (57, 90, 142), datetime.date(2025, 12, 21), 20251221
# Species, module, aims in mm (one recess each), board (a number new to that species, or the same
# again), what the fogged lens leaves of the depth, and the sign.
JOBS = [
    ("white oak", "M15", (0.6,), 1, 1.0, "Fern walk"),
    ("black cherry", "M15", (0.5, 0.8), 1, 1.0, "Pond loop"),
    ("sugar maple", "M30", (0.6,), 1, 1.0, "Main gate"),
    ("sugar maple", "M15", (0.6,), 2, 1.0, "Maple grove"),
    ("black walnut", "M15", (0.5,), 1, 1.0, "Nut orchard"),
    ("white oak", "M15", (0.6, 1.0), 2, 1.0, "Old oaks"),
    ("black cherry", "M30", (0.5,), 2, 1.0, "Bird hide"),
    ("black cherry", "M15", (0.6,), 3, 1.0, "Moss steps"),
    ("sugar maple", "M15", (0.5,), 3, 1.0, "Sugar house"),
    ("black cherry", "M15", (0.6,), 3, 1.0, "Moss steps, lower"),
    ("white oak", "M30", (0.8,), 3, 1.0, "North meadow"),
    ("black walnut", "M15", (0.6,), 2, 1.0, "Seed store"),
    ("white oak", "M15", (0.6,), 4, 0.86, "Beech avenue"),
    ("sugar maple", "M15", (0.6,), 4, 0.85, "Frog pond"),
    ("black cherry", "M15", (0.5, 0.8), 4, 0.83, "Heath path"),
    ("black walnut", "M30", (0.6,), 3, 1.0, "Tool shed"),
    ("white oak", "M15", (0.8,), 5, 0.82, "Rose arch"),
    ("black walnut", "M15", (0.5,), 4, 0.81, "Bee wall"),
    ("sugar maple", "M15", (0.6,), 5, 0.80, "Star lawn"),
]
# The order on the bench; its drawing is made by make_sign.py.
DRAWING = "trail-sign.svg"
ORDER = """\
# The open order: every notebook from "one order" to "finished jobs" works on it.
# INVENTED demo order of a workshop that makes trail signs for an arboretum.
name = "trail-sign"
customer = "the arboretum (invented)"
ordered_on = 2026-02-02
species = "black cherry"
module_w = 15
wavelength_nm = 445
# Six signs from one plank.
pieces = 6
pieces_a_board = 6
board = "Plank-1"
board_thickness_mm = 19
# A file in the folder artwork of this lab book, and which version of it.
artwork = "{drawing}"
artwork_sha256 = "{sha256}"

[infill]
variant = "brush-filled"
grits = [150, 180]

[prices]
# Invented, in whatever money you count in.
per_minute = 0.6
board = 45
finishing = 16
proof_minutes = 7
rerun_minutes = 50
deep_extra = 4
setup_minutes = 15
loading_minutes = 3

[[proof]]
# An invented proof swatch on Plank-1, a board that burns a little deeper than most.
board = "Plank-1"
depths_mm = [0.55, 0.57, 0.54]
gauge_step_mm = 0.01
power_pct = 90
speed_mm_s = 76
line_pitch_mm = 0.1
passes = 1
proved_on = 2026-02-04
invented = true
"""
_ABOVE_0 = {"required": True, "exclusiveMinimum": 0}
TIMED_RUN_FIELDS = [
    {"name": "run", "type": "string", "description": "The run's id.", "constraints": {"required": True}},
    {"name": "timed_on", "type": "date", "description": "The day of the run.",
     "constraints": {"required": True}},
    *({"name": name, "type": "number", "description": meaning, "unit": unit, "constraints": _ABOVE_0}
      for name, meaning, unit in (
          ("width_mm", "Length of a line.", "mm"), ("height_mm", "Height of the filled rectangle.", "mm"),
          ("speed_mm_s", "Speed of the head along a line.", "mm/s"),
          ("line_pitch_mm", "Distance between neighbouring lines.", "mm"))),
    {"name": "passes", "type": "integer", "description": "How often the head went over it.",
     "constraints": {"required": True, "minimum": 1}},
    {"name": "seconds", "type": "number", "description": "Time by the stopwatch.", "unit": "s",
     "constraints": _ABOVE_0},
    {"name": "invented", "type": "string",
     "description": "yes where the run is invented demo data, not timed.",
     "constraints": {"enum": ["yes"]}},
]
# Digits of a promise that a card shows; more could differ between machines.
PROMISED_DIGITS = {"expected_mm": 3, "curve_sd": 4, "board_sd": 4, "swatch_sd": 4, "reading_sd": 4,
                   "gauge_sd_mm": 4, "df": 1}


def mean_depth_mm(dose_j_mm2, energy_j_mm3, speed_mm_s):
    """The invented truth: nothing below a threshold, flattening when deep, loss at low speed."""
    threshold = 0.35 + 4 / speed_mm_s
    reach_mm = 7.0
    return reach_mm * -math.expm1(-max(dose_j_mm2 - threshold, 0) / (energy_j_mm3 * reach_mm))


def board_of(dice):
    """A board: its thickness, its moisture, and how much deeper than most it burns."""
    return dice.choice((12, 15, 19)), dice.choice((7, 7.5, 8, 8.5)), math.exp(dice.gauss(0, BOARD_SD))


def burn_rows(dice, number, species, module, board, pitch_mm):
    """One burn: a board of one species, every speed of the module once, in random order."""
    watts, wavelength, speeds, factor = MODULES[module]
    burn = f"trail-{number:02d}"
    day = datetime.date(2025, 2, 14) + datetime.timedelta(days=4 * number)
    thickness_mm, moisture_pct, board_effect = board_of(dice)
    head = dict(burn=burn, burned_on=day.isoformat(), species=species, board=board, module_w=watts,
                wavelength_nm=wavelength, power_pct=POWER_PCT, passes=1, line_pitch_mm=pitch_mm,
                gauge_step_mm=GAUGE_STEP_MM, board_thickness_mm=thickness_mm, moisture_pct=moisture_pct, air_assist="on",
                sweep_vs_grain="across", invented="yes")
    yield from swatch_rows(dice, head, factor, dice.sample(speeds, len(speeds)), board_effect)


def swatch_rows(dice, head, factor, speeds, board_effect):
    """The swatches of one burn at these speeds, in their order, on a board this much deeper than most."""
    for swatch, speed in enumerate(speeds, start=1):
        dose = head["module_w"] * POWER_PCT / 100 / speed / head["line_pitch_mm"]
        floor_mm = (mean_depth_mm(dose, ENERGY_PER_VOLUME[head["species"]] * factor, speed)
                    * board_effect * math.exp(dice.gauss(0, RING_SD)))
        for reading in range(1, dice.choice((3, 3, 3, 4)) + 1):
            depth = floor_mm * (1 + dice.gauss(0, READING_SD)) + dice.gauss(0, GAUGE_SD_MM)
            yield head | dict(swatch=str(swatch), speed_mm_s=speed, reading=reading, note="",
                              depth_mm=round(max(depth, 0) / GAUGE_STEP_MM) * GAUGE_STEP_MM)


def with_mistakes(row):
    """The workshop's honest mistakes: a depth typed in inches, and a needle in a pore."""
    key = row["burn"], row["swatch"], row["reading"]
    if key == INCH_SLIP:
        return row | {"depth_mm": round(row["depth_mm"] / 25.4, 3)}
    if key == DEEP_PORE:
        row["depth_mm"] = row["depth_mm"] * 1.45
    return row | {"depth_mm": round(row["depth_mm"], 2)}


def demo_burns():
    """Yield each burn of the demo lab book as a table of readings."""
    dice, number, boards = random.Random(SEED), 0, {}
    for species, module, count in BURNED:
        for copy in range(count):
            number += 1
            boards[species] = boards.get(species, 0) + 1
            board = f"{species.split()[-1].capitalize()}-{boards[species]}"
            # One cherry board was burned at half as many lines, to see whether pitch matters.
            pitch = 0.1 if (species, module, copy) == ("black cherry", "M15", 3) else 0.05
            rows = burn_rows(dice, number, species, module, board, pitch)
            yield pd.DataFrame([with_mistakes(row) for row in rows])


def check_burn():
    """The check after the lens was wiped: three swatches again on the first board, which is as deep as it was."""
    first = random.Random(SEED)
    thickness_mm, moisture_pct, board_effect = board_of(first)
    watts, wavelength, _, factor = MODULES["M15"]
    head = dict(burn=f"trail-{sum(count for *_, count in BURNED) + 1:02d}", burned_on=CHECK_DAY.isoformat(),
                species="black cherry", board=CHECK_BOARD, module_w=watts, wavelength_nm=wavelength, power_pct=POWER_PCT, passes=1,
                line_pitch_mm=0.05, gauge_step_mm=GAUGE_STEP_MM, board_thickness_mm=thickness_mm, moisture_pct=moisture_pct, air_assist="on",
                sweep_vs_grain="across", invented="yes")
    return pd.DataFrame(with_mistakes(row) for row in swatch_rows(
        random.Random(CHECK_SEED), head, factor, CHECK_SPEEDS_MM_S, board_effect))


def demo_jobs(fit):
    """Yield each finished job of the demo lab book, made from cards of the demo's fit."""
    dice, boards = random.Random(JOB_SEED), {}
    machine = settings.Machine(line_pitches_mm=(0.05,))
    for number, (species, module, aims, copy, left, sign) in enumerate(JOBS, start=1):
        board = f"{species.split()[-1].capitalize()}-S{copy}"
        watts, wavelength, _, factor = MODULES[module]
        if board not in boards:
            boards[board] = math.exp(dice.gauss(0, BOARD_SD))
        card = promise.of(fit, settings.steps(fit, species, watts, aims, machine, wavelength))
        recesses = []
        for swatch, (_, row) in enumerate(card.round(PROMISED_DIGITS).iterrows(), start=1):
            dose = row["line_energy_j_mm"] / row["line_pitch_mm"]
            floor_mm = (mean_depth_mm(dose, ENERGY_PER_VOLUME[species] * factor, row["speed_mm_s"])
                        * boards[board] * left * math.exp(dice.gauss(0, RING_SD)))
            depths = [round(floor_mm * (1 + dice.gauss(0, READING_SD)) + dice.gauss(0, GAUGE_SD_MM), 2)
                      for _ in range(dice.choice((3, 3, 4)))]
            day = datetime.date(2025, 6, 26) + datetime.timedelta(days=JOB_SPACING_DAYS * number)
            recesses.append(jobs.readings_of(row, f"sign-{number:02d}", board, depths, GAUGE_STEP_MM,
                                             day, f"{sign} (invented)", True, str(swatch)))
        yield pd.concat(recesses, ignore_index=True)


def package(burns: list[str], finished: list[str]) -> dict:
    """The Frictionless data package that describes the lab book, units included."""
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "format": columns.FORMAT,
        "name": "trail-sign-demo-lab-book",
        "title": "Demo lab book: trail signs for an arboretum (invented data)",
        "description": "INVENTED demo data. No wood was burned for it; do not use it for settings. "
                       "Made by labdata/make_demo.py.",
        "resources": [
            {"name": "burns", "type": "table", "path": burns, "format": "csv",
             "mediatype": "text/csv", "encoding": "utf-8",
             "description": "Depth readings of test burns, one burn a file. INVENTED.",
             "schema": columns.table_schema()},
            {"name": "woods", "type": "table", "path": "woods.csv", "format": "csv",
             "mediatype": "text/csv", "encoding": "utf-8",
             "description": "Species with handbook specific gravity; not invented, see `source`.",
             "schema": {"primaryKey": ["species"], "fields": [
                 {"name": "species", "type": "string"},
                 {"name": "botanical_name", "type": "string"},
                 {"name": "specific_gravity_12pct", "type": "number",
                  "description": "Oven-dry mass over volume at 12 % moisture, against water."},
                 {"name": "source", "type": "string"},
                 {"name": "dust_caution", "type": "string"},
                 {"name": "shrinkage_radial_pct", "type": "number",
                  "description": "Green to oven-dry (Wood Handbook, FPL-GTR-190, table 4-3)."},
                 {"name": "shrinkage_tangential_pct", "type": "number"},
                 {"name": "shrinkage_obtained", "type": "string",
                  "description": "Whether the two were read or come from memory."}]}},
            {"name": "strikes", "type": "table", "path": "strikes.csv", "format": "csv",
             "mediatype": "text/csv", "encoding": "utf-8",
             "description": "Readings taken out of the fits, with the reason. INVENTED.",
             "schema": {"fields": [columns.field(one) for one in columns.STRUCK]}},
            {"name": "jobs", "type": "table", "path": finished, "format": "csv",
             "mediatype": "text/csv", "encoding": "utf-8",
             "title": "Finished jobs (invented data)",
             "description": "Depth readings of finished jobs beside what their card promised, one job "
                            "a file. INVENTED.",
             "schema": jobs.table_schema()},
            {"name": "machine-log", "type": "table", "path": "machine_log.csv", "format": "csv",
             "mediatype": "text/csv", "encoding": "utf-8",
             "title": "What was done to the machine (invented data)",
             "description": "Work on the machine, day by day. INVENTED.",
             "schema": {"fields": [columns.field(one) for one in columns.LOG]}},
            {"name": "timed-runs", "type": "table", "path": "timed_runs.csv", "format": "csv",
             "mediatype": "text/csv", "encoding": "utf-8",
             "title": "Timed runs (invented data)",
             "description": "Filled rectangles timed with a stopwatch. INVENTED.",
             "schema": {"primaryKey": ["run"], "fields": TIMED_RUN_FIELDS}},
        ],
    }


def make(folder: Path) -> None:
    """Write burns, strikes, jobs, order and data package into `folder`; woods.csv is already there."""
    burns = folder / "burns"
    burns.mkdir(parents=True, exist_ok=True)
    for old in [*burns.glob("trail-*.csv"), *folder.glob("jobs/sign-*.csv"),
                *folder.glob("strikes.csv"), *folder.glob("machine_log.csv")]:
        old.unlink()
    for burn in demo_burns():
        labbook.save(burn, burns)
    labbook.strike(folder, *INCH_SLIP, "typed in inches", datetime.date(2025, 3, 2))
    for job in demo_jobs(depthfit.fit(labbook.read(folder))):
        jobs.save(job, folder)
    for day, module, done, new_state, note in LOG:
        machinelog.add(folder, day, done, module, note, new_state, invented=True)
    labbook.save(check_burn(), burns)
    sha256 = hashlib.sha256((Path(__file__).parent / "artwork" / DRAWING).read_bytes()).hexdigest()
    for name, text in (("orders/trail-sign.toml", ORDER.format(drawing=DRAWING, sha256=sha256)),
                       ("open-order.toml", 'order = "trail-sign"\n')):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    paths = [sorted(f"{kind}/{file.name}" for file in folder.glob(f"{kind}/{name}-*.csv"))
             for kind, name in (("burns", "trail"), ("jobs", "sign"))]
    text = json.dumps(package(*paths), indent=1, ensure_ascii=False) + "\n"
    (folder / "datapackage.json").write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
