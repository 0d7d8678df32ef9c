"""Columns: the one type of all that a maker types, and what a reading consists of, said once.

Decides how name, kind, unit, limits and remedy of a thing that is typed are declared, be it a column of a
table or a line of a TOML file, and declares every column of a burn and a finished job. The checks
(`labbook.check`), the data package (labdata/datapackage.json) and the entry form all read them from here.
Limits that no law gives lie far off what anybody burns: they catch a slip, and nothing else.

Source: field types and constraints follow the Frictionless Table Schema, version 2; the file
format is CSV as in RFC 4180, in UTF-8.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

# Of a lab book. 1: burns, strikes, woods. 2: finished jobs, job.toml, timed runs. 3: modules by name, the log of the
# machine, burns that are retired; an earlier version would pool what these tell apart. 4: orders, and which order a
# finished job is of; an earlier version would go on with job.toml. 5: readings set aside and taken back; an earlier
# version would leave them out. Books of all read alike.
FORMAT = 5
# The board not yet seen: what a prediction for no board in particular is of. No board is named so.
NEXT = "next"
BOARD_NAMED_NEXT = f"a board cannot be named {NEXT!r}: that means the one not yet seen"
_EVERY = "Use the name its burns have, or its watts (20 W); leave it empty for every module of the machine."


@dataclass(frozen=True)
class Field:
    """One thing that is typed: a column, or a line of a TOML file; limits are in `unit`.

    Attributes
    ----------
    kind : str
        text, number, integer or date; in a TOML file also "yes or no", span (from, to), place (x, y) or table.
    many : bool
        A list of such values.
    among : tuple
        The values there are, if they can be named.
    names_file : bool
        The text becomes a file's name.
    of : tuple of Field
        The lines of a table.
    """

    name: str
    kind: str
    meaning: str
    remedy: str
    unit: str = ""
    required: bool = True
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    among: tuple = ()
    many: bool = False
    names_file: bool = False
    of: tuple["Field", ...] = ()

    @property
    def allowed(self) -> str:
        """The allowed values in words, e.g. 'above 0 and at most 100 %'."""
        if self.among:
            return "one of " + ", ".join(map(str, self.among))
        ends = {"above": self.above, "at least": self.at_least, "at most": self.at_most}
        said = [f"{word} {end:.10g}" for word, end in ends.items() if end is not None]
        return " and ".join(said) + (f" {self.unit}" if said and self.unit else "")


COLUMNS = (
    Field("burn", "text", "The burn's id, the same as its file's name without .csv.",
           "Use the file's name without .csv."),
    Field("burned_on", "date", "The day of the burn, ISO 8601 (2026-03-14).",
           "Write the day as year-month-day, e.g. 2026-03-14."),
    Field("species", "text", "A wood of woods.csv.",
           "Use a wood of woods.csv, or add this one there."),
    Field("board", "text", "Which board. Two boards of one wood are not the same wood.",
           "Give each board a name of its own, e.g. C1."),
    Field("module_w", "number", "Nominal optical output of the laser module.",
           "Use the optical watts of the module, not its electrical input.", "W", at_least=0.001,
          at_most=10000),
    Field("wavelength_nm", "number", "Wavelength of the module.",
           "Use the nanometres on the module's label, e.g. 445.", "nm",
           at_least=150, at_most=20000),
    Field("power_pct", "number", "Power set on the machine.",
           "Use the set power in percent.", "%", at_least=0.01, at_most=100),
    Field("speed_mm_s", "number", "Speed of the head along a line.",
           "Use the set speed in mm/s (mm/min divided by 60).", "mm/s", at_least=0.001, at_most=100000),
    Field("line_pitch_mm", "number", "Distance between neighbouring lines.",
           "Use the distance between lines in mm: 10 divided by lines per cm.", "mm", at_least=0.0001,
          at_most=100),
    Field("passes", "integer", "How often the head went over the swatch.",
           "Use a whole number, 1 or more.", at_least=1, at_most=1000),
    Field("swatch", "text", "Which swatch of the burn.",
           "Use the swatch's number on the burn sheet."),
    Field("reading", "integer", "1, 2, 3 … within the swatch.",
           "Number the readings of a swatch 1, 2, 3 …", at_least=1),
    Field("depth_mm", "number", "Depth of the recess at this reading.",
           "Measure again from the face to the floor of the recess, in mm.", "mm", at_least=0,
          at_most=1000),
    Field("gauge_step_mm", "number", "Resolution of the gauge: its last digit's step.",
           "Use the gauge's smallest step in mm, e.g. 0.01.", "mm", at_least=0.0001, at_most=1),
    Field("module", "text", "The maker's word for module and lens; empty: the module's watts.",
           "Use the same word for the same module and lens, or leave the cell empty.", required=False),
    Field("board_thickness_mm", "number", "Thickness of the board.",
           "Measure the board's thickness in mm, or leave the cell empty.", "mm", False, at_least=0.1, at_most=1000),
    Field("moisture_pct", "number", "Moisture content of the board, dry basis.",
           "Use the moisture meter's percent, or leave the cell empty.", "%", False,
           at_least=0, at_most=100),
    Field("focus_offset_mm", "number", "Focus below (+) or above (-) the face.",
           "Use mm, or leave the cell empty.", "mm", False, at_least=-50, at_most=50),
    Field("air_assist", "text", "Air at the nozzle.", "Write on, off, or leave the cell empty.",
           required=False, among=("on", "off")),
    Field("sweep_vs_grain", "text", "Direction of the sweep against the grain.",
           "Write along, across, or leave the cell empty.", required=False,
           among=("along", "across")),
    Field("note", "text", "Anything worth keeping.", "", required=False),
    Field("invented", "text", "yes where the reading is invented demo data, not measured.",
           "Write yes, or leave the cell empty.", required=False, among=("yes",)),
)

# What was done to a machine, and by how many percent the energy that reaches the wood may be another after it (one
# sd, on the scale of logarithms). Our own judgement, no source; machine.toml may say otherwise under [state].
DONE = {"lens wiped": 5.0, "lens changed": 15.0, "refocused": 10.0, "nozzle": 8.0, "belt": 2.0, "module serviced": 15.0,
        "other": 10.0}
LOG = (
    Field("day", "date", "The day it was done: what is burned from that day on counts as after it.",
          "Write the day as year-month-day, e.g. 2026-03-14."),
    Field("module", "text", "The module it was done to.", _EVERY, required=False),
    Field("done", "text", "What was done.", "Use one of these, and say the rest in the note.", among=tuple(DONE)),
    Field("new_state", "text", "no where nothing can have changed by it; empty: yes.", "Write yes, no, or leave the cell empty.",
          required=False, among=("yes", "no")),
    Field("note", "text", "Anything worth keeping.", "", required=False),
    Field("invented", "text", "yes where the entry is invented demo data.", "Write yes, or leave the cell empty.",
          required=False, among=("yes",)),
)
_TAKEN_BACK = (
    Field("taken_back_on", "date", "The day they were taken back into the fits.", "Write the day, or leave the cell empty.",
          required=False),
    Field("taken_back_because", "text", "Why.", "", required=False),
)
# Burns that are taken out of the fits together, and perhaps back.
RETIRED = (
    Field("retired_on", "date", "The day they were retired.", "Write the day as year-month-day, e.g. 2026-03-14."),
    Field("module", "text", "The module whose burns they are.", _EVERY, required=False),
    Field("before", "date", "Burns before this day are retired.", "Write the day as year-month-day, e.g. 2026-03-14."),
    Field("reason", "text", "Why.", "Say why they are retired, e.g. 'burned with the old lens'."),
    *_TAKEN_BACK,
)

BY_NAME = {column.name: column for column in COLUMNS}
# Repeated readings of one recess: what they differ is the gauge's own scatter.
REPEATS = (
    Field("day", "date", "The day it was read.", "Write the day as year-month-day, e.g. 2026-03-14."),
    Field("gauge", "text", "Which gauge, with its tip.", "", required=False),
    BY_NAME["gauge_step_mm"],
    Field("reading", "integer", "Number of the reading.", "Use whole numbers, 1 and up.", at_least=1, at_most=1000),
    BY_NAME["depth_mm"],
    Field("note", "text", "Anything worth keeping.", "", required=False),
    Field("invented", "text", "yes where it is invented demo data.", "Write yes, or leave the cell empty.", required=False,
          among=("yes",)),
)
# What a second pass over a finished job's recess gave. Power, pitch and module are the job's.
SECOND_PASSES = (
    Field("day", "date", "The day of the second pass.", "Write the day as year-month-day, e.g. 2026-03-14."),
    Field("job", "text", "The finished job whose recess it is: its readings are the depth before.", "Use the id of a finished job of jobs/."),
    Field("recess", "text", "Which recess of the job; empty: its only one.", "Use the recess as the job's file names it.", required=False),
    replace(BY_NAME["speed_mm_s"], meaning="Speed of the second pass."),
    Field("depths_mm", "text", "The readings after it, in mm, a space between them.", "Write the readings in mm with a space between them: 0.57 0.58 0.56."),
    BY_NAME["gauge_step_mm"],
    Field("note", "text", "Anything worth keeping.", "", required=False),
    Field("invented", "text", "yes where it is invented demo data.", "Write yes, or leave the cell empty.", required=False,
          among=("yes",)),
)
READING_KEY = ("burn", "swatch", "reading")
# Single readings that are taken out of the fits, and perhaps back. Their day was any text in earlier versions.
STRUCK = (
    *(BY_NAME[name] for name in READING_KEY),
    Field("reason", "text", "Why.", "Say why it is set aside, e.g. 'typed in inches'."),
    Field("struck_on", "text", "The day it was set aside.", "", required=False),
    *_TAKEN_BACK,
)
REQUIRED = tuple(column.name for column in COLUMNS if column.required)
# What tells one module and lens from another, and what one curve is of.
MODULE_KEY = ("module_w", "wavelength_nm", "module")
GROUP_KEY = ("species", *MODULE_KEY)
MACHINE_SETTING = ("power_pct", "speed_mm_s", "line_pitch_mm", "passes")
# What is set on the machine, and the wood it is set for, is one thing for a whole swatch.
SWATCH_SETTING = ("burned_on", "board", *GROUP_KEY, *MACHINE_SETTING)
_CARD = "Copy it from the card that the job was made from."
_SD = dict(unit="", at_least=0, at_most=3)
# What a job's file holds beside a burn's columns.
PROMISED = (
    Field("card", "text", "The card the job was made from: the fit's twelve digits.", _CARD),
    Field("readings_mark", "text", "The readings that card was fitted to, twelve digits.", _CARD),
    Field("promised_for", "text", "next, or the board that the card was made for.",
           "Write next, or the board's id."),
    Field("order", "text", "The order that the card was made for.", "Use the name of its file in orders/, or leave the cell empty.",
          required=False),
    Field("aim_mm", "number", "Depth that was wanted.",
           "Use mm, or leave the cell empty.", "mm", False, above=0),
    Field("at_least_mm", "number", "Floor of the depth window.",
           "Use mm, or leave the cell empty.", "mm", False, at_least=0),
    Field("at_most_mm", "number", "Ceiling of the depth window.",
           "Use mm, or leave the cell empty.", "mm", False, above=0),
    Field("expected_mm", "number", "Depth of the recess that the card promised.", _CARD, "mm",
           above=0),
    Field("curve_sd", "number", "What the curve may be off, as a share of the depth.", _CARD, **_SD),
    Field("board_sd", "number", "What the board may be off, as a share of the depth.", _CARD, **_SD),
    Field("swatch_sd", "number", "What one recess may be off, as a share of the depth.", _CARD, **_SD),
    Field("reading_sd", "number", "What one reading may be off, as a share of the depth.", _CARD,
           **_SD),
    Field("gauge_sd_mm", "number", "What needle and gauge add.", _CARD, "mm", at_least=0, at_most=1),
    Field("df", "number", "Degrees of freedom of the promise.", _CARD, at_least=1),
    Field("state_factor", "number", "Depth that the card expected of the machine's state, as a share of that in its standard state.",
           "Copy it from the card, or leave the cell empty.", "", False, at_least=0.05, at_most=20),
    Field("state_sd", "number", "What the machine's state may be off, as a share of the depth.",
           "Copy it from the card, or leave the cell empty.", required=False, **_SD),
)


def with_module(frame):
    """Return a table that has the column `module`; one from before modules had names gets it, empty."""
    return frame if "module" in frame else frame.assign(module="")


def module_name(module: str, module_w: float) -> str:
    """Return what a module is called: the maker's word, or its watts."""
    return module or f"{module_w:g} W"


def of_module(frame, name: str):
    """Return which rows are of the module of that name; without a name, all."""
    if not name:
        return np.ones(len(frame), bool)
    key = pd.MultiIndex.from_frame(frame[["module", "module_w"]])
    same = [one for one in key.unique() if module_name(*one) == name]
    return key.isin(same)


def table_schema() -> dict:
    """Return the Frictionless Table Schema of a burn file, with the unit beside each field."""
    # superset: a file may leave optional columns out, and has none beyond these.
    return {"fields": [field(column) for column in COLUMNS], "fieldsMatch": "superset",
            "missingValues": [""], "primaryKey": list(READING_KEY)}


def field(column: Field) -> dict:
    """Return a column's field of a Frictionless Table Schema, its unit beside it."""
    types = {"text": "string", "number": "number", "integer": "integer", "date": "date"}
    ends = {"required": column.required or None, "exclusiveMinimum": column.above,
            "minimum": column.at_least, "maximum": column.at_most, "enum": list(column.among) or None}
    limits = {name: end for name, end in ends.items() if end is not None}
    return ({"name": column.name, "type": types[column.kind], "description": column.meaning}
            | ({"unit": column.unit} if column.unit else {}) | ({"constraints": limits} if limits else {}))
