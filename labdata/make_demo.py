"""Make the demo lab book: invented readings of a workshop that makes trail signs for an arboretum.

Run `python labdata/make_demo.py [FOLDER]`; the same bytes come out every time. Everything here is
invented: the wood, the machine, the mistakes. The depths follow a rule that is NOT the model the
suite fits (a threshold, a curve that flattens, more loss at low speed), with a board, a growth
ring, a reading and a gauge each adding scatter, so that the fit has honest work to do.
"""

import datetime
import json
import math
import random
import sys
from pathlib import Path

import pandas as pd

from testburn import columns, labbook

SEED = 20260214
BOARD_SD, RING_SD, READING_SD, GAUGE_SD_MM = 0.09, 0.04, 0.03, 0.015
ENERGY_PER_VOLUME = {"black cherry": 2.5, "black walnut": 2.8, "sugar maple": 3.3, "white oak": 3.7}
# Watts, nanometres, speeds in mm/s, and how much more energy the same depth takes.
MODULES = {
    "M10": (10, 450, (30, 38, 48, 60, 75, 95, 120, 150), 1.12),
    "M20": (20, 450, (60, 76, 96, 120, 150, 190, 240, 300), 1.05),
    "M40": (40, 450, (120, 152, 192, 240, 300, 380, 480, 600), 1.00),
    "M2": (2, 1064, (6, 9, 13, 19, 28), 2.60),
}
# Species, module, boards: what the workshop got round to burning.
BURNED = [
    ("black cherry", "M20", 4), ("black cherry", "M40", 3), ("black cherry", "M10", 2),
    ("sugar maple", "M20", 3), ("sugar maple", "M40", 3), ("sugar maple", "M10", 2),
    ("sugar maple", "M2", 2),
    ("white oak", "M20", 3), ("white oak", "M40", 2), ("white oak", "M10", 2),
    ("black walnut", "M20", 2), ("black walnut", "M40", 2), ("black walnut", "M10", 2),
]
POWER_PCT, GAUGE_STEP_MM = 90, 0.01
INCH_SLIP = ("trail-03", "4", 2)
DEEP_PORE = ("trail-24", "5", 3)


def mean_depth_mm(dose_j_mm2, energy_j_mm3, speed_mm_s):
    """The invented truth: nothing below a threshold, flattening when deep, loss at low speed."""
    threshold = 0.35 + 4 / speed_mm_s
    reach_mm = 7.0
    return reach_mm * -math.expm1(-max(dose_j_mm2 - threshold, 0) / (energy_j_mm3 * reach_mm))


def burn_rows(dice, number, species, module, board, pitch_mm):
    """One burn: a board of one species, every speed of the module once, in random order."""
    watts, wavelength, speeds, factor = MODULES[module]
    burn = f"trail-{number:02d}"
    day = datetime.date(2025, 2, 14) + datetime.timedelta(days=4 * number)
    head = dict(burn=burn, burned_on=day.isoformat(), species=species, board=board, module_w=watts,
                wavelength_nm=wavelength, power_pct=POWER_PCT, passes=1, line_pitch_mm=pitch_mm,
                gauge_step_mm=GAUGE_STEP_MM, board_thickness_mm=dice.choice((12, 15, 19)),
                moisture_pct=dice.choice((7, 7.5, 8, 8.5)), air_assist="on",
                sweep_vs_grain="across", invented="yes")
    board_effect = math.exp(dice.gauss(0, BOARD_SD))
    order = dice.sample(speeds, len(speeds))
    for swatch, speed in enumerate(order, start=1):
        dose = watts * POWER_PCT / 100 / speed / pitch_mm
        floor_mm = (mean_depth_mm(dose, ENERGY_PER_VOLUME[species] * factor, speed)
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
            pitch = 0.1 if (species, module, copy) == ("black cherry", "M20", 3) else 0.05
            rows = burn_rows(dice, number, species, module, board, pitch)
            yield pd.DataFrame([with_mistakes(row) for row in rows])


def package(burns: list[str]) -> dict:
    """The Frictionless data package that describes the lab book, units included."""
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
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
                 {"name": "dust_caution", "type": "string"}]}},
            {"name": "strikes", "type": "table", "path": "strikes.csv", "format": "csv",
             "mediatype": "text/csv", "encoding": "utf-8",
             "description": "Readings taken out of the fits, with the reason. INVENTED.",
             "schema": {"fields": [{"name": name, "type": "string"}
                                   for name in labbook.STRIKE_COLUMNS]}},
        ],
    }


def make(folder: Path) -> None:
    """Write burns, strikes and data package into `folder`; woods.csv is already there."""
    burns = folder / "burns"
    burns.mkdir(parents=True, exist_ok=True)
    for old in [*burns.glob("trail-*.csv"), *folder.glob("strikes.csv")]:
        old.unlink()
    for burn in demo_burns():
        labbook.save(burn, burns)
    labbook.strike(folder, *INCH_SLIP, "typed in inches", datetime.date(2025, 3, 2))
    paths = sorted(f"burns/{file.name}" for file in burns.glob("trail-*.csv"))
    text = json.dumps(package(paths), indent=1, ensure_ascii=False) + "\n"
    (folder / "datapackage.json").write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
