"""Remarks: what is said beside a row while it is typed.

Decides which typed cells cannot be, and which readings deserve a second look while the board still
lies under the gauge: depths that cost less energy than wood allows, or far more (a slip of unit or
decimal point), and readings of one swatch that lie too far apart. A remark never stops a save.

Limits: energy per volume from `woods`. Readings that differ by more than a quarter of their mean,
and by more than three gauge steps, are worth measuring again: our own judgement.
"""

from dataclasses import dataclass

import pandas as pd

from testburn import energy
from testburn.depthfit import GroupFit, suspects
from testburn.labbook import Machine, columns, days_ahead
from testburn.entry.grid import HEADER, LABELS, as_readings, header_numbers, set_units, swatches_of, with_face
from testburn.entry.typed import cell, depth_mm, length_mm, number, pitch_mm, power_pct, short, shown, speed_mm_s

_SPREAD_OF_MEAN, _SPREAD_IN_STEPS = 0.25, 3
NEAR_INFRARED_NM = (900.0, 2500.0)
NEAR_INFRARED = ("Near infrared: bare wood reflects most of it and hardly takes it up. Is the wavelength right? If it is, "
                 "expect shallow and uneven depths, and keep mirrors and eyes in mind: it cannot be seen.")


@dataclass(frozen=True)
class Remark:
    """What is said beside a row; `weight` is fault, doubt or plain."""

    weight: str
    text: str


def header_remark(typed: dict) -> Remark:
    """Say how the pitch was understood, or what in the header is no number."""
    faults = [_cell_fault(column, HEADER[name], *text_read_unit)
              for name, (column, *text_read_unit) in header_numbers(typed).items()]
    if any(faults):
        return Remark("fault", "; ".join(filter(None, faults)))
    day = pd.Series([typed.get("burned_on")], dtype=object)
    if ahead := days_ahead(pd.to_datetime(day, format="%Y-%m-%d", errors="coerce")):
        return Remark("doubt", f"{ahead[0].upper()}{ahead[1:]}")
    pitch = cell(*header_numbers(typed)["line_spacing"][1:])
    if not pitch:
        return Remark("plain", "")
    return Remark("plain", f"Pitch: {pitch:.4g} mm from line to line, "
                           f"{energy.lines_per_cm(pitch):.4g} lines per cm, "
                           f"{energy.MM_PER_INCH / pitch:.4g} lines per inch")


def wavelength_remark(typed: dict) -> Remark:
    """Say that bare wood hardly takes up near infrared, where such a wavelength is typed.

    Source: diffuse reflectance of clear wood, high from about 900 nm to 1300 nm (from memory).
    """
    try:
        near_infrared = NEAR_INFRARED_NM[0] < (number(typed.get("wavelength_nm", "")) or 0) < NEAR_INFRARED_NM[1]
    except ValueError:
        near_infrared = False
    return Remark("doubt", NEAR_INFRARED) if near_infrared else Remark("plain", "")


def check_remark(typed: dict, group: GroupFit | None) -> Remark:
    """Say that a board was burned with this module before, and how what is typed compares with that day.

    Its own way of burning drops out, so that such a burn checks the machine.
    """
    before = group.readings if group is not None else None
    before = before[before["board"] == (typed.get("board") or "").strip()] if group is not None else []
    if not len(before):
        return Remark("plain", "")
    said = (f"Board {before['board'].iloc[0]} was burned with this module before ({before['burned_on'].max():%Y-%m-%d}), so this is a "
            "check of the machine: what the board itself is drops out.")
    try:
        now = as_readings(typed)
        setting = list(columns.MACHINE_SETTING)
        now = now[now["depth_mm"].map(lambda depth: isinstance(depth, float))]
        now, then = (rows[[*setting, "depth_mm"]].astype(float).round(6).groupby(setting)["depth_mm"].mean()
                     for rows in (now, before))
        ratio = (now / then).dropna()
    except (KeyError, TypeError, ValueError):  # what is typed is no number yet: its own row says so
        ratio = pd.Series(dtype=float)
    if len(ratio):
        off = 100 * (ratio.mean() - 1)
        said += (f" At {len(ratio)} setting{'s' * (len(ratio) != 1)} burned on both days it is now "
                 f"{abs(off):.0f} % {'deeper' if off > 0 else 'shallower'}.")
    return Remark("plain", said)


def row_remarks(typed: dict, place: int, limits: pd.Series | None, group: GroupFit | None = None,
                machine: Machine | None = None) -> list[Remark]:
    """Say what the row `place` of the grid amounts to, and what about it looks wrong.

    Parameters
    ----------
    typed : dict
    place : int
        From 0.
    limits : Series, optional
        The species' row of `woods.volume_energy_limits`; without it energy is not judged.
    group : GroupFit, optional
        What the lab book knows of this wood and module; a slip of unit is told by its curve.
    machine : Machine, optional
        Settings beyond its limits are doubted.
    """
    swatch, both = swatches_of(typed)[place], with_face(typed)
    if swatch.blank(both):
        return []
    unit, read = typed.get("depth_unit") or "mm", swatch.readings(both)
    set_in = set_units(typed)
    faults = [_cell_fault("speed_mm_s", LABELS["speed_mm_s"], swatch.speed, speed_mm_s, set_in["speed_unit"]),
              _cell_fault("power_pct", LABELS["power_pct"], swatch.power, power_pct, set_in["power_unit"]),
              _cell_fault("line_pitch_mm", LABELS["line_pitch_mm"], swatch.pitch, pitch_mm, set_in["line_spacing_unit"])]
    faults += [_cell_fault("depth_mm", f"Reading {reading}", texts, depth_mm, unit)
               for reading, texts in read]
    if any(faults):
        return [Remark("fault", text) for text in faults if text]
    depths = {reading: depth_mm(texts, unit) for reading, texts in read}
    row = as_readings({**typed, "swatches": [typed["swatches"][place]]})
    setting = row.iloc[0][["module_w", *columns.MACHINE_SETTING]]
    known = all(isinstance(value, float) and value > 0 for value in setting)
    burned = energy.with_energy(setting.astype(float).to_frame().T).iloc[0] if known else None
    doubts = []
    if known and limits is not None:
        doubts = _energy_doubts(depths, unit, burned["areal_dose_j_mm2"], limits)
    if known and depths:
        doubts += _slip_doubts(setting.astype(float), depths, group, machine)
    doubts = doubts or _turned_doubt(read, unit) or _spread_doubt(depths, row["gauge_step_mm"][0])
    return [Remark("doubt", text) for text in doubts] + _summary(depths, burned, _understood(typed, setting))


def _cell_fault(column_name, label, text, read=number, *unit) -> str:
    """Say why one typed cell cannot be, in the words and limits of its column; mostly nothing."""
    column, said = columns.BY_NAME[column_name], f"{label} '{short(shown(text))}'"
    try:
        value = read(text, *unit)
    except ValueError as wrong:
        return f"{said}: {wrong}"
    outside = value is not None and (
        column.above is not None and value <= column.above
        or column.at_least is not None and value < column.at_least
        or column.at_most is not None and value > column.at_most)
    return f"{said}: allowed is {column.allowed}" if outside else ""


def _energy_doubts(depths, unit, dose_j_mm2, limits) -> list[str]:
    """Say which depths cost less energy than wood allows, or far more, and what may be wrong."""
    cost = {reading: energy.volume_energy(dose_j_mm2, depth_mm)
            for reading, depth_mm in depths.items() if depth_mm}
    deep = {reading: cost[reading] for reading in cost if cost[reading] < limits["warn_below"]}
    flat = {reading: cost[reading] for reading in cost if cost[reading] > limits["warn_above"]}
    found = []
    if deep:
        worst = min(deep, key=deep.get)
        gives, limit = (("can give", limits["refuse_below"])
                        if deep[worst] < limits["refuse_below"]
                        else ("usually gives", limits["warn_below"]))
        ask = "did you mean mm?" if unit == "inch" else "is the decimal point in its place?"
        found.append(f"{_named(deep)}: {depths[worst]:.3g} mm at {deep[worst]:.2g} J/mm³ is "
                     f"deeper than wood {gives} (from {limit:.2g} J/mm³): {ask}")
    if flat:
        worst = max(flat, key=flat.get)
        in_inches = unit == "mm" and flat[worst] / energy.MM_PER_INCH >= limits["warn_below"]
        ask = "did you mean inches?" if in_inches else "did the gauge reach the floor?"
        found.append(f"{_named(flat)}: {depths[worst]:.3g} mm at {_two_digits(flat[worst])} J/mm³ is "
                     "shallower than wood usually gives "
                     f"(up to {limits['warn_above']:.2g} J/mm³): {ask}")
    return found


def _slip_doubts(setting, depths, group, machine) -> list[str]:
    """Say what the machine cannot be set to, and which slip would explain depths that the curve does not expect."""
    found, speed = [], setting["speed_mm_s"]
    # A control keeps to its unit, a file to nine digits: an end may be off by that.
    if machine and not 1 - 1e-6 <= speed / machine.min_speed_mm_s or machine and speed / machine.max_speed_mm_s > 1 + 1e-6:
        slow, units = speed / 60, machine.units
        meant = f": {speed:g} mm/min would be {slow:.4g} mm/s" if (
            machine.min_speed_mm_s <= slow <= machine.max_speed_mm_s) else ""
        found.append(f"Speed {units.said('speed_mm_s', speed)}: the machine goes from "
                     f"{units.between('speed_mm_s', machine.min_speed_mm_s, machine.max_speed_mm_s)} (machine.toml){meant}?")
    mean = sum(depths.values()) / len(depths)
    if group and group.rises and (words := suspects.slip(group, setting.to_dict() | {"depth_mm": mean})):
        found.append(f"Mean {mean:.3g} mm is not what the lab book's curve expects here. Perhaps {words}?")
    return found


def _named(readings) -> str:
    word = "Reading" if len(readings) == 1 else "Readings"
    return f"{word} {', '.join(map(str, readings))}"


def _turned_doubt(read, unit) -> list[str]:
    """Say when the floor lies below the face in some readings and above it in others."""
    signs = {reading: length_mm(texts[1], unit) > length_mm(texts[0], unit)
             for reading, texts in read if len(texts) == 2}
    fewer = min((True, False), key=list(signs.values()).count)
    odd = [reading for reading, sign in signs.items() if sign is fewer]
    return [f"{_named(odd)}: face and floor are the other way round than in the rest: "
            "were they exchanged?"] if odd else []


def _spread_doubt(depths, gauge_step) -> list[str]:
    """Say when the readings of a swatch lie too far apart to be one floor."""
    low, high = min(depths.values(), default=0), max(depths.values(), default=0)
    mean = sum(depths.values()) / max(len(depths), 1)
    step = gauge_step if isinstance(gauge_step, float) else 0
    if high - low <= max(_SPREAD_OF_MEAN * mean, _SPREAD_IN_STEPS * step):
        return []
    return [f"The readings differ by {high - low:.3g} mm, {100 * (high - low) / mean:.0f} % of "
            "their mean: measure again?"]


def _understood(typed, setting) -> list[str]:
    """Say the setting in mm/s and percent where it was typed in another unit."""
    files = {"speed_mm_s": ("speed_unit", "mm/s"), "power_pct": ("power_unit", "%")}
    set_in = set_units(typed)
    return [f"{setting[name]:.4g} {unit}" for name, (box, unit) in files.items()
            if set_in[box] != unit and isinstance(setting[name], float)]


def _summary(depths, burned, parts) -> list[Remark]:
    """Sum the row up: what was understood, energy, mean depth in mm, spread."""
    if burned is not None:
        parts = [*parts, f"{burned['line_energy_j_mm']:.3g} J/mm, {burned['areal_dose_j_mm2']:.3g} J/mm²"]
    if depths:
        parts.append(f"mean {sum(depths.values()) / len(depths):.3g} mm")
    if len(depths) > 1:
        parts.append(f"spread {max(depths.values()) - min(depths.values()):.2g} mm")
    return [Remark("plain", "; ".join(parts))] if parts else []


def twin_of(readings: pd.DataFrame, book: pd.DataFrame) -> str:
    """Return the saved burn that holds exactly these depths, or nothing.

    One board counted as two makes the lab book surer than it is.
    """
    def depths(rows: pd.DataFrame) -> list[float]:
        return rows.sort_values(["speed_mm_s", "reading"])["depth_mm"].round(4).tolist()

    kin = book[(book["species"] == readings["species"].iloc[0])
               & (book["module_w"] == readings["module_w"].iloc[0])]
    new = depths(readings)
    return next((burn for burn, rows in kin.groupby("burn") if len(new) > 3 and depths(rows) == new), "")


def _two_digits(number: float) -> str:
    """Return two significant digits without a power of ten: 120, not 1.2e+02."""
    return f"{float(f'{number:.2g}'):g}"


def import_doubt(checked: pd.DataFrame, limits: pd.DataFrame) -> str:
    """Say how many readings cost less energy than wood usually allows, or far more; or nothing.

    Parameters
    ----------
    checked : DataFrame
        From `labbook.check`.
    limits : DataFrame
        From `woods.volume_energy_limits`, by species.
    """
    marked = energy.with_energy(checked[checked["depth_mm"] > 0])
    cost = energy.volume_energy(marked["areal_dose_j_mm2"], marked["depth_mm"])
    own = limits.loc[marked["species"]].set_index(marked.index)
    deep, flat = int((cost < own["warn_below"]).sum()), int((cost > own["warn_above"]).sum())
    said = [f"{count} of {len(checked)} readings {'are' if count > 1 else 'is'} {how}"
            for count, how in ((deep, "deeper than wood usually gives"),
                               (flat, "shallower than wood usually gives")) if count]
    return f"{' and '.join(said)} for its energy. Are the units right?" if said else ""
