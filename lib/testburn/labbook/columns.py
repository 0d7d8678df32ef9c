"""Columns: what a reading consists of, said once.

Decides name, type, unit, allowed range and remedy of every column of the lab book. The checks
(`labbook.check`), the data package (labdata/datapackage.json) and the entry form all read them
from here.

Source: field types and constraints follow the Frictionless Table Schema, version 2; the file
format is CSV as in RFC 4180, in UTF-8.
"""

from dataclasses import dataclass

import pandera.pandas as pa

# The board not yet seen: what a prediction for no board in particular is of. No board is named so.
NEXT = "next"
STRIKE_COLUMNS = ("burn", "swatch", "reading", "reason", "struck_on")


@dataclass(frozen=True)
class Column:
    """One column: `kind` is text, number, integer or date; limits are in `unit`."""

    name: str
    kind: str
    meaning: str
    remedy: str
    unit: str = ""
    required: bool = True
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    among: tuple[str, ...] = ()

    @property
    def allowed(self) -> str:
        """The allowed values in words, e.g. 'above 0 and at most 100 %'."""
        if self.among:
            return "one of " + ", ".join(self.among)
        ends = {"above": self.above, "at least": self.at_least, "at most": self.at_most}
        said = [f"{word} {end:g}" for word, end in ends.items() if end is not None]
        return " and ".join(said) + (f" {self.unit}" if said and self.unit else "")


COLUMNS = (
    Column("burn", "text", "The burn's id, the same as its file's name without .csv.",
           "Use the file's name without .csv."),
    Column("burned_on", "date", "The day of the burn, ISO 8601 (2026-03-14).",
           "Write the day as year-month-day, e.g. 2026-03-14."),
    Column("species", "text", "A species of woods.csv.",
           "Use a species of woods.csv, or add this one there."),
    Column("board", "text", "Which board. Two boards of one species are not the same wood.",
           "Give each board a name of its own, e.g. C1."),
    Column("module_w", "number", "Nominal optical output of the laser module.",
           "Use the optical watts of the module, not its electrical input.", "W", above=0),
    Column("wavelength_nm", "number", "Wavelength of the module.",
           "Use the nanometres on the module's label, e.g. 450 or 1064.", "nm",
           at_least=150, at_most=20000),
    Column("power_pct", "number", "Power set on the machine.",
           "Use the set power in percent.", "%", above=0, at_most=100),
    Column("speed_mm_s", "number", "Speed of the head along a line.",
           "Use the set speed in mm/s (mm/min divided by 60).", "mm/s", above=0),
    Column("line_pitch_mm", "number", "Distance between neighbouring lines.",
           "Use the distance between lines in mm: 10 divided by lines per cm.", "mm", above=0),
    Column("passes", "integer", "How often the head went over the swatch.",
           "Use a whole number, 1 or more.", at_least=1),
    Column("swatch", "text", "Which swatch of the burn.",
           "Use the swatch's number on the burn sheet."),
    Column("reading", "integer", "1, 2, 3 … within the swatch.",
           "Number the readings of a swatch 1, 2, 3 …", at_least=1),
    Column("depth_mm", "number", "Depth of the recess at this reading.",
           "Measure again from the face to the floor of the recess, in mm.", "mm", at_least=0),
    Column("gauge_step_mm", "number", "Resolution of the gauge: its last digit's step.",
           "Use the gauge's smallest step in mm, e.g. 0.01.", "mm", above=0, at_most=1),
    Column("board_thickness_mm", "number", "Thickness of the board.",
           "Measure the board's thickness in mm, or leave the cell empty.", "mm", False, above=0),
    Column("moisture_pct", "number", "Moisture content of the board, dry basis.",
           "Use the moisture meter's percent, or leave the cell empty.", "%", False,
           at_least=0, at_most=100),
    Column("focus_offset_mm", "number", "Focus below (+) or above (-) the face.",
           "Use mm, or leave the cell empty.", "mm", False, at_least=-50, at_most=50),
    Column("air_assist", "text", "Air at the nozzle.", "Write on, off, or leave the cell empty.",
           required=False, among=("on", "off")),
    Column("sweep_vs_grain", "text", "Direction of the lines against the grain.",
           "Write along, across, or leave the cell empty.", required=False,
           among=("along", "across")),
    Column("note", "text", "Anything worth keeping.", "", required=False),
    Column("invented", "text", "yes where the reading is invented demo data, not measured.",
           "Write yes, or leave the cell empty.", required=False, among=("yes",)),
)

BY_NAME = {column.name: column for column in COLUMNS}
REQUIRED = tuple(column.name for column in COLUMNS if column.required)
READING_KEY = ("burn", "swatch", "reading")
# What is set on the machine, and the wood it is set for, is one thing for a whole swatch.
SWATCH_SETTING = ("burned_on", "species", "board", "module_w", "wavelength_nm", "power_pct",
                  "speed_mm_s", "line_pitch_mm", "passes")
GROUP_KEY = ("species", "module_w", "wavelength_nm")


def table_schema() -> dict:
    """Return the Frictionless Table Schema of a burn file, with the unit beside each field."""
    types = {"text": "string", "number": "number", "integer": "integer", "date": "date"}
    fields = []
    for column in COLUMNS:
        limits = {"required": True} if column.required else {}
        ends = {"exclusiveMinimum": column.above, "minimum": column.at_least,
                "maximum": column.at_most}
        limits |= {name: end for name, end in ends.items() if end is not None}
        if column.among:
            limits["enum"] = list(column.among)
        field = {"name": column.name, "type": types[column.kind], "description": column.meaning}
        if column.unit:
            field["unit"] = column.unit
        if limits:
            field["constraints"] = limits
        fields.append(field)
    # superset: a file may leave optional columns out, and has none beyond these.
    return {"fields": fields, "fieldsMatch": "superset", "missingValues": [""],
            "primaryKey": list(READING_KEY)}


def range_checks() -> pa.DataFrameSchema:
    """Return the pandera schema of typed readings: ranges and members of each column."""
    columns = {}
    for column in COLUMNS:
        if column.kind in ("number", "integer"):
            checks = [pa.Check.gt(column.above)] if column.above is not None else []
            checks += [pa.Check.ge(column.at_least)] if column.at_least is not None else []
            checks += [pa.Check.le(column.at_most)] if column.at_most is not None else []
        else:
            checks = [pa.Check.isin(["", *column.among])] if column.among else []
        columns[column.name] = pa.Column(checks=checks, nullable=True)
    return pa.DataFrameSchema(columns)
