"""Machine: what can be set on it, and how briskly its head moves.

Decides which powers, speeds, pitches and passes a setting may have. The figures are the maker's:
typed into machine.toml of the lab book, from the machine's manual or from a stopwatch.
"""

import tomllib
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np

# What lines of earlier versions are called now.
_FORMER = {"bed_clearance_mm": "clearance_mm", "grid_height_mm": "support_height_mm"}
_WANTED = {"list": "a list of numbers, e.g. [90]", "number": "a number", "yes or no": "true or false"}


@dataclass(frozen=True)
class Machine:
    """What the machine can be set to. None means: what was burned in the group.

    The acceleration is that of the head along a line; without it minutes count the burning only.
    What every turn costs besides is `turn_overhead_s`. Between pieces the head goes at
    `travel_speed_mm_s` (None: the highest speed). A machine that `skips_blanks` leaves a line where
    nothing is left to burn and hurries over wide gaps. The last four are for the stock check
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
    clearance_mm: float | None = None
    support_height_mm: float | None = None
    focus_gap_mm: float | None = None
    focus_travel_mm: float | None = None

    def __post_init__(self):
        if not 0 < self.min_speed_mm_s <= self.max_speed_mm_s:
            raise ValueError(f"The machine's speeds run from {self.min_speed_mm_s:g} to "
                             f"{self.max_speed_mm_s:g} mm/s. Give a lowest above 0 and a highest "
                             "that is not below it.")
        if self.speed_step_mm_s <= 0:
            raise ValueError("The machine's speed step must be above 0 mm/s.")
        if wrong := [power for power in self.powers_pct or () if not 0 < power <= 100]:
            raise ValueError(f"The machine's power cannot be set to {wrong[0]:g} %. "
                             "Give powers above 0 and at most 100 %.")
        for name in ("acceleration_mm_s2", "travel_speed_mm_s", "clearance_mm", "focus_gap_mm"):
            if (value := getattr(self, name)) is not None and not value > 0:
                raise ValueError(f"The machine's {name} is {value:g}. Give a number above 0, or leave "
                                 "it out.")
        for name in ("turn_overhead_s", "support_height_mm", "focus_travel_mm"):
            if (value := getattr(self, name)) is not None and not value >= 0:
                raise ValueError(f"The machine's {name} is {value:g}. It cannot be below 0.")

    @classmethod
    def read(cls, path: str | Path) -> "Machine":
        """Return the machine of a machine.toml.

        Raises
        ------
        ValueError
            If the file is no TOML, or says something a machine does not have.
        """
        try:
            said = tomllib.loads(Path(path).read_text(encoding="utf-8-sig"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
            raise ValueError(f"{Path(path).name} cannot be read: {fault}. Write one "
                             "`name = number` a line.") from None
        said = {_FORMER.get(name, name): value for name, value in said.items()}
        known = [field.name for field in fields(cls)]
        if strange := sorted(set(said) - set(known)):
            raise ValueError(f"{Path(path).name} says {', '.join(strange)}, which no machine has. "
                             f"Known are: {', '.join(known)}.")
        for name, value in said.items():
            if not _fits(name, value):
                raise ValueError(f"{Path(path).name}: {name} is {value!r}. Write {_WANTED[_kind(name)]}.")
        return cls(**{name: tuple(value) if isinstance(value, list) else value
                      for name, value in said.items()})

    def speeds(self) -> np.ndarray:
        """Return every speed that can be set, in mm/s."""
        steps = int((self.max_speed_mm_s - self.min_speed_mm_s) / self.speed_step_mm_s + 1e-9)
        return self.min_speed_mm_s + self.speed_step_mm_s * np.arange(steps + 1)


def _kind(name: str) -> str:
    """Return what kind of value the machine's file holds under a name."""
    lists = ("powers_pct", "line_pitches_mm", "passes")
    return "list" if name in lists else "yes or no" if name == "skips_blanks" else "number"


def _fits(name: str, value) -> bool:
    """Return whether a value of the machine's file is of the kind its name asks for."""
    kind = _kind(name)
    if kind == "yes or no":
        return isinstance(value, bool)
    numbers = value if kind == "list" and isinstance(value, list) else [value]
    return (kind == "list") == isinstance(value, list) and all(
        isinstance(one, (int, float)) and not isinstance(one, bool) for one in numbers)
