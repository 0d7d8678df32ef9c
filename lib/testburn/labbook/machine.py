"""Machine: what can be set on it, how briskly its head moves, and which board goes under it.

Decides which powers, speeds, pitches and passes a setting may have, and in which units its control asks for them. The
figures are the maker's: typed into machine.toml of the lab book, from the machine's manual or from a stopwatch, in
mm/s, mm and percent whatever the control's units; only a step may carry its own. Whether a board fits is decided from
five heights. The board lies on its support; in focus the module's nose stands one focus gap above the face, so
thickness + gap is no more than the clearance between the support and the nose with the module at its top, and no
less than that clearance less the module's travel. Without the support there is the support's height more.
"""

import math
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from testburn.labbook import columns, files, makerfile, shown, tomlfile
from testburn.labbook.columns import Field
from testburn.labbook.makerfile import Problem, ReadingsError
from testburn.units import INCH_STEPS, SPACINGS, SPEEDS, Units, split

FILE, _EXAMPLE = "machine.toml", "Write one `name = number` a line."
# What lines of earlier versions are called now.
_FORMER = {"bed_clearance_mm": "clearance_mm", "grid_height_mm": "support_height_mm"}
# The finest step that a control takes is a hundredth of a mm/s: common practice, no source. More speeds are a slip.
_MOST_SPEEDS = 1_000_000
_SPEED, _LEAVE = columns.BY_NAME["speed_mm_s"], "or leave the line out"
_HEIGHT = {"unit": "mm", "required": False, "at_most": 10_000}
FIELDS = (
    Field("min_speed_mm_s", "number", "Lowest speed that can be set.", _SPEED.remedy, "mm/s", False, at_least=0.001,
          at_most=_SPEED.at_most),
    Field("max_speed_mm_s", "number", "Highest speed that can be set.", _SPEED.remedy, "mm/s", False, at_least=0.001,
          at_most=_SPEED.at_most),
    Field("speed_step_mm_s", "number", "Step from one speed to the next.", "No machine is set more finely, or needs more.",
          "mm/s", False, at_least=0.001, at_most=_SPEED.at_most),
    Field("speed_step", "text", "The same with its unit, speeds being its multiples.",
          'Write a number with its unit in quotes, e.g. "100 mm/min".', required=False),
    *(replace(columns.BY_NAME[column], name=name, required=False, many=True, remedy=f"{remedy}, {_LEAVE}.")
      for name, column, remedy in (("powers_pct", "power_pct", "Powers in percent, e.g. [50, 90]"),
                                   ("line_pitches_mm", "line_pitch_mm", "Pitches in mm, e.g. [0.1]"),
                                   ("passes", "passes", "Whole numbers of passes, e.g. [1, 2]"))),
    Field("acceleration_mm_s2", "number", "Of the head along a line.", f"Time two rectangles (notebook on time), {_LEAVE}.",
          "mm/s²", False, at_least=1, at_most=1_000_000),
    Field("turn_overhead_s", "number", "What every turn costs besides.", f"Time two rectangles, {_LEAVE}.", "s", False,
          at_least=0, at_most=60),
    Field("travel_speed_mm_s", "number", "Between pieces, with the beam off.", f"Use mm/s, {_LEAVE}.", "mm/s", False,
          at_least=0.001, at_most=_SPEED.at_most),
    Field("skips_blanks", "yes or no", "Whether the head hurries over gaps.", "", required=False),
    Field("runs_up_outside", "yes or no", "Whether the head has its speed before the drawing begins.", "", required=False),
    Field("clearance_mm", "number", "From the top of the support to the module's nose, module at its top.",
          f"Measure it in mm, {_LEAVE}.", at_least=0.1, **_HEIGHT),
    Field("support_height_mm", "number", "Height of what the board lies on; 0 without one.",
          f"Measure it in mm, {_LEAVE}.", at_least=0, **_HEIGHT),
    Field("focus_gap_mm", "number", "Nose to face, in focus.", f"Measure it in mm, {_LEAVE}.", at_least=0.1, **_HEIGHT),
    Field("state", "table", "How much work on the machine may change it.", "Write [state] on a line of its own, and its lines under it.",
          required=False, of=tuple(
              Field(f"{done.replace(' ', '_')}_pct", "number", f"How much less or more energy may reach the wood after: {done}.",
                    f"Use percent, e.g. {usual:g}, or leave the line out.", "%", False, at_least=0, at_most=100)
              for done, usual in columns.DONE.items())),
    Field("focus_travel_mm", "number", "How far the module moves up and down.", f"Measure it in mm, {_LEAVE}.", at_least=0,
          **_HEIGHT),
    Field("units", "table", "What the control asks for.", "Write [units] on a line of its own, below all others, and its "
          "lines under it.", required=False, of=(
              Field("speed", "text", "Unit of speed.", 'In quotes, e.g. "mm/min".', required=False, among=tuple(SPEEDS)),
              Field("spacing", "text", "Pitch in mm or in, or lines per length.", 'In quotes, e.g. "lines per inch".',
                    required=False, among=tuple(SPACINGS)),
              Field("power_out_of", "number", "The control's full scale.", "Leave it out if power is set in percent.",
                    required=False, above=0, at_most=1_000_000))),
)
# Heads of such machines are slower than this: our own judgement. A larger figure is one in mm/min.
_FASTEST_MM_S = 2000

NO_ACCELERATION = ("machine.toml does not say how briskly the head speeds up: minutes are a range, and no way to sweep is "
                   "called the fastest. Time two filled rectangles, one at twice the other's speed; notebook 8 works the "
                   "acceleration out.")
FITS, WITHOUT_SUPPORT, TOO_THICK = "fits", "fits without the support", "needs more clearance"
TOO_THIN, NOT_KNOWN = "too thin to reach focus", "not known"
_ASKED = {"clearance_mm": "from the top of the support to the module's nose, module at its top",
          "support_height_mm": "height of what the board lies on; 0 without one",
          "focus_gap_mm": "nose to face, in focus",
          "focus_travel_mm": "how far the module moves up and down"}
SUPPORT_OUT = ("With the support out the beam reaches what is below: lay a sheet under the board that neither burns nor "
               "mirrors, keep the air flowing under it, and stay beside it (common practice; the machine's "
               "manual decides).")


@dataclass(frozen=True)
class Stock:
    """Whether a board fits.

    Attributes
    ----------
    verdict : str
        "fits", "fits without the support", "needs more clearance", "too thin to reach focus", or
        "not known".
    words : str
        The verdict with its numbers, and what to do.
    more_clearance_mm : float
        Missing even without the support; 0 where it fits.
    raise_board_mm : float
        To be laid under the board so that the module comes down to focus; 0 where it does.
    """

    verdict: str
    words: str
    more_clearance_mm: float = 0.0
    raise_board_mm: float = 0.0

    @property
    def fits(self) -> bool:
        """Whether the board can be burned as the words say, without another machine or board."""
        return self.verdict in (FITS, WITHOUT_SUPPORT, TOO_THIN)

    def _repr_html_(self) -> str:
        return f"<p><b>{shown.as_html(self.verdict)}</b>: {shown.as_html(self.words)}</p>"


@dataclass(frozen=True)
class Machine:
    """What the machine can be set to. None means: what was burned in the group.

    The acceleration is that of the head along a line; without it minutes are a range, for a brisk head and a slow one.
    What every turn costs besides is `turn_overhead_s`. Between pieces the head goes at
    `travel_speed_mm_s` (None: the highest speed). A machine that `skips_blanks` leaves a line where
    nothing is left to burn and hurries over wide gaps. One that `runs_up_outside` has its speed before the drawing
    begins and keeps it to the end; another speeds up and slows down on the wood. The last four are for the stock check
    (`stock`): clearance above the support with the module at the top, the support's height, how far the
    module's nose stands off the face in focus, and how far the module travels up and down.
    """

    min_speed_mm_s: float = 1.0
    max_speed_mm_s: float = 600.0
    speed_step_mm_s: float = 1.0
    powers_pct: tuple[float, ...] | None = None
    line_pitches_mm: tuple[float, ...] | None = None
    passes: tuple[int, ...] | None = None
    acceleration_mm_s2: float | None = None
    turn_overhead_s: float = 0.0
    travel_speed_mm_s: float | None = None
    skips_blanks: bool = False
    runs_up_outside: bool = True
    clearance_mm: float | None = None
    support_height_mm: float | None = None
    focus_gap_mm: float | None = None
    focus_travel_mm: float | None = None
    speed_step: str | None = None
    units: Units = Units()
    state: dict = field(default_factory=dict, hash=False)

    def __post_init__(self):
        for line in FIELDS:
            if line.kind != "table" and (value := getattr(self, line.name)) is not None:
                tomlfile.must_be(line, value)
        if self.min_speed_mm_s > self.max_speed_mm_s:
            raise ValueError(f"The machine's speeds run from {self.min_speed_mm_s:g} to "
                             f"{self.max_speed_mm_s:g} mm/s. Give a lowest that is not above the highest.")
        if (steps := (self.max_speed_mm_s - self.min_speed_mm_s) / self.step_mm_s) > _MOST_SPEEDS:
            raise ValueError(f"The machine's speeds would be {steps:.3g} steps of {self.step_mm_s:g} mm/s. Give a "
                             f"larger step or a lower highest speed, {_MOST_SPEEDS:,} steps at most.")
        if self._first_mm_s > self.max_speed_mm_s:
            raise ValueError(f"No multiple of {self.step_mm_s:g} mm/s lies between the machine's lowest and highest speed. Give "
                             "a smaller step.")

    @classmethod
    def read(cls, path: str | Path) -> "Machine":
        """Return the machine of a machine.toml.

        Raises
        ------
        ReadingsError
            If the file is no TOML, or with every line that says something a machine does not have.
        """
        path = Path(path)
        return cls._of(path.name, makerfile.text(path, makerfile.MOST_TOML_BYTES))

    @classmethod
    def _of(cls, file: str, text: str) -> "Machine":
        said = lines_of(file, text)
        try:
            if "units" in said:
                said["units"] = Units(**said["units"])
            return cls(**{name: tuple(value) if isinstance(value, list) else value for name, value in said.items()})
        except ValueError as fault:
            raise ReadingsError([Problem(file, None, "", "", str(fault).rstrip("."), "")], file) from None

    @classmethod
    def said(cls, book: str | Path) -> tuple[dict, str]:
        """Return the lines that a lab book's machine.toml says, by the names of `FIELDS`, and its mark for `change`; see `read`."""
        file = Path(book) / FILE
        content = makerfile.content(file, makerfile.MOST_TOML_BYTES) if file.exists() else b""
        return lines_of(FILE, makerfile.text(file, makerfile.MOST_TOML_BYTES)) if content else {}, files.mark(content)

    @classmethod
    def change(cls, book: str | Path, lines: dict, seen: str | None = None) -> Path:
        """Change lines of a lab book's machine.toml, or make it, and return the file; comments stay.

        The file as it was is kept in history/machine/, and what is written is read back before it takes its place.

        Parameters
        ----------
        lines : dict
            By the names of `FIELDS`; None takes a line out.
        seen : str, optional
            The mark of the file that the change was made for; one changed since is not written over.

        Raises
        ------
        ReadingsError
            If a line cannot be.
        NotWritten
            If somebody else changed the file, or the disk refuses it.
        """
        book, file = Path(book), Path(book) / FILE
        with files.locked(book):
            files.left_alone_by_spreadsheets(file)
            there = file.exists()
            before, now = (makerfile.text(file, makerfile.MOST_TOML_BYTES), files.mark(file.read_bytes())) if there else ("", "")
            makerfile.toml(FILE, before, _EXAMPLE)
            if there and seen is not None:
                files.unchanged(file, seen)
            document = tomlfile.document(before)
            for former, name in _FORMER.items():
                if name in lines:
                    document.pop(former, None)
            tomlfile.put(document, lines)
            made = tomlfile.as_text(document)
            cls._of(FILE, made)
            if not there:
                files.add_whole(book, file, made.encode("utf-8"))
            elif made != before:
                files.keep_version(book, book / "history" / "machine", ".toml", before.encode("utf-8"))
                files.replace_whole(book, file, made.encode("utf-8"), still=lambda: files.unchanged(file, now))
        return file

    @property
    def spreads_pct(self) -> dict[str, float]:
        """What machine.toml says under [state], by the kinds of `columns.DONE`."""
        return {name.removesuffix("_pct").replace("_", " "): value for name, value in self.state.items()}

    @classmethod
    def of(cls, book: str | Path) -> "Machine":
        """Return the machine of a lab book's folder, the defaults where machine.toml is missing; see `read`."""
        file = Path(book) / FILE
        return cls.read(file) if file.exists() else cls()

    @property
    def to_measure(self) -> str:
        """What of the machine is still to be measured before its minutes are certain; mostly nothing."""
        return "" if self.acceleration_mm_s2 else NO_ACCELERATION

    @property
    def step_mm_s(self) -> float:
        """The step from one speed to the next: with its unit where it carries one, or what a control in inches takes."""
        if self.speed_step is not None:
            number, unit = split(self.speed_step, "speed_mm_s")
            try:
                step = (unit or SPEEDS["mm/s"]).per * float(number)
            except ValueError:
                step = math.nan
            if not 0.001 <= step <= 1000:
                raise ValueError(f'speed_step is "{self.speed_step}", which is no step of speed. Write a number with its '
                                 'unit, e.g. "100 mm/min"')
            return step
        if self.speed_step_mm_s == 1.0 and self.units.speed in INCH_STEPS:
            return INCH_STEPS[self.units.speed] * SPEEDS[self.units.speed].per
        return self.speed_step_mm_s

    @property
    def _first_mm_s(self) -> float:
        """The lowest speed that can be set: a multiple of the step, unless that is said in mm/s and counts from the lowest."""
        counted = self.speed_step is None and self.step_mm_s == self.speed_step_mm_s
        return self.min_speed_mm_s if counted else self.step_mm_s * math.ceil(self.min_speed_mm_s / self.step_mm_s - 1e-9)

    def speeds(self, most: int | None = None) -> np.ndarray:
        """Return every speed that can be set, in mm/s; of more than `most`, so many at even distances."""
        steps = int((self.max_speed_mm_s - self._first_mm_s) / self.step_mm_s + 1e-9)
        apart = 1 if most is None else -(-(steps + 1) // most)
        return self._first_mm_s + self.step_mm_s * np.arange(0, steps + 1, apart)

    def nearest_speeds(self, speeds_mm_s) -> np.ndarray:
        """Return of each speed the nearest that can be set."""
        first, step = self._first_mm_s, self.step_mm_s
        most = int((self.max_speed_mm_s - first) / step + 1e-9)
        return first + step * np.clip(np.round((np.asarray(speeds_mm_s) - first) / step), 0, most)

    def taken(self, column: str, values) -> list[float]:
        """Return powers or pitches as the control takes them, each once; see `units.Unit.taken`."""
        return list(dict.fromkeys(self.units.of(column).taken(float(value)) for value in values))

    def doubts(self, readings: pd.DataFrame | None = None) -> list[str]:
        """Say which speeds of machine.toml look like slips, or contradict what was burned.

        Parameters
        ----------
        readings : DataFrame, optional
            From `labbook.read`.
        """
        said = [f"machine.toml: {name} = {speed:g} is faster than the heads of such machines. It is in mm/s: {speed:g} mm/min "
                f"would be {speed / 60:.4g}." for name in ("min_speed_mm_s", "max_speed_mm_s", "travel_speed_mm_s")
                if (speed := getattr(self, name)) and speed > _FASTEST_MM_S]
        if readings is None or readings.empty:
            return said
        for name, end, beyond in (("max_speed_mm_s", "max", readings["speed_mm_s"] > self.max_speed_mm_s),
                                  ("min_speed_mm_s", "min", readings["speed_mm_s"] < self.min_speed_mm_s)):
            if beyond.any():
                row = readings.loc[getattr(readings["speed_mm_s"], f"idx{end}")()]
                said.append(f"machine.toml: {name} = {getattr(self, name):g}, but {row['species']} under {row['module_w']:g} W was "
                            f"burned at {row['speed_mm_s']:g} mm/s (burn {row['burn']}). No setting goes beyond the line: is "
                            "it right?")
        return said

    def stock(self, board_thickness_mm: float) -> Stock:
        """Say whether a board goes under the module in focus.

        Parameters
        ----------
        board_thickness_mm : float

        Raises
        ------
        ValueError
            If the thickness is not above 0.
        """
        if not 0 < board_thickness_mm < float("inf"):
            raise ValueError(f"A board {board_thickness_mm:g} mm thick is none. Give its thickness in mm.")
        if missing := [name for name in _ASKED if getattr(self, name) is None]:
            lines = "; ".join(f"{_ASKED[name]} ({name})" for name in missing)
            return Stock(NOT_KNOWN, f"machine.toml does not say enough. Measure, and fill in under Heights on page 1: {lines}.")
        clear, support, travel = self.clearance_mm, self.support_height_mm, self.focus_travel_mm
        needed = board_thickness_mm + self.focus_gap_mm
        said = (f"The board ({board_thickness_mm:g} mm) and the focus gap ({self.focus_gap_mm:g} mm) take "
                f"{needed:g} mm; the clearance above the support is {clear:g} mm")
        if needed <= clear:
            lift = clear - travel - needed
            if lift > 0:
                return Stock(TOO_THIN, f"{said}, and the module comes down by {travel:g} mm only. Raise the board by "
                                       f"{lift:g} mm or more, up to {clear - needed:g} mm, flat and so that it "
                                       "cannot move.", raise_board_mm=lift)
            return Stock(FITS, f"{said}: {clear - needed:g} mm to spare.")
        if needed <= clear + support:
            lift = max(clear + support - travel - needed, 0.0)
            under = f" and raise the board by {lift:g} mm or more" if lift else ""
            return Stock(WITHOUT_SUPPORT, f"{said}. Take the support ({support:g} mm) out{under}; "
                                            f"{clear + support - needed:g} mm to spare. {SUPPORT_OUT}",
                         raise_board_mm=lift)
        short = needed - clear - support
        return Stock(TOO_THICK, f"{said}, {clear + support:g} mm without it. It needs {short:g} mm more: use a "
                                f"board of at most {board_thickness_mm - short:g} mm, or lift the module where it is mounted.",
                     more_clearance_mm=short)


def lines_of(file: str, text: str) -> dict:
    """Return the lines that the text of a machine.toml says, by the names of `FIELDS`.

    Raises
    ------
    ReadingsError
        If it is no TOML, or with every line that says something a machine does not have.
    """
    return tomlfile.said(file, text, FIELDS, _EXAMPLE, _FORMER)
