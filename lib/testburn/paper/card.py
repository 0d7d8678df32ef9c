"""Card: the printable settings card, one page per species and module.

Decides what stands on the card and in which digits. `document` turns a fit and the chosen settings
into plain data; the template (card.typ) only lays that data out (`pdf`).
"""

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

import testburn
from testburn import energy, sweep
from testburn.job import cautions
from testburn.labbook import Machine, columns
from testburn.paper import chart, record, text
from testburn.paper.chart import MOST_SHAPES
from testburn.paper.pdf import compiled, put
from testburn.paper.text import SETTING, beside, count, figures, inches, kept_alike, shortened, span, swept
from testburn.units import Unit, Units

if TYPE_CHECKING:
    from testburn.depthfit import DepthFit

PAPERS = {"a5": (148.0, 210.0), "us-half-letter": (139.7, 215.9)}
MOST_DEPTHS = 8
CHOICE_COLUMNS = (
    *columns.GROUP_KEY, "aim_mm", *columns.MACHINE_SETTING, "line_energy_j_mm",
    "depth_mm", "lower_mm", "upper_mm", "level", "chance_inside", "minutes_per_10cm2",
    "extrapolated",
)

INVENTED = "Invented demo data. Nothing here was measured: do not burn by it."
INVENTED_PROOF = "The proof on this card is invented: do not burn by it."
INTERVAL_MEANS = (
    "What the {level} interval means: a depth reading on your next board should fall inside it "
    "about {share} times in 100, if that board is like the boards burned. Before the job, burn one "
    "proof swatch on the waste side of the actual board: it narrows the interval."
)
THIS_BOARD_MEANS = (
    "What the {level} interval means: a depth reading on board {board} should fall inside it about "
    "{share} times in 100. {known} Any other board needs a card or a proof of its own."
)
NEXT_BOARD = "For your next board, not yet seen"
SCATTER = ("Scatter taken into account: boards ±{board:.0f} % ({prior:.0f} % of that is assumed, not "
           "measured), swatches ±{swatch:.0f} %, readings ±{reading:.0f} % and {gauge:.2f} mm.")
EXTRAPOLATED = (
    "† Outside what was burned ({burned}{why}): the line is only carried on there. Burn swatches at "
    "that setting before you trust it."
)
CAUTIONS = cautions.ON_A_CARD


def write(path, fit: "DepthFit", choices: pd.DataFrame, window=None, paper: str = "a5",
          board: str = "next", records=None, content: dict | None = None, machine: Machine = Machine()) -> Path:
    """Write the settings card as a PDF, whole or not at all, and return its path.

    Parameters
    ----------
    path : path of the PDF; its folder is made if need be.
    fit, choices, window, paper, board, machine : as in `document`.
    records : path of a folder, optional
        Where the card leaves what it promised; see `record`.
    content : dict, optional
        What `document` returned for the same inputs on any paper, where it was asked already.

    Raises
    ------
    ValueError
        As in `document`.
    PermissionError
        The file cannot be replaced, mostly because a viewer holds it open.
    """
    content = document(fit, choices, window, paper, board, machine) if content is None else on_paper(content, paper)
    made = compiled(content)
    if records is not None:
        # Before the card itself: a record without its card does no harm, a card without one does.
        record.keep(records, fit, choices, content, Path(path).name, board, window, paper)
    return put(path, made)


def on_paper(content: dict, paper: str) -> dict:
    """Return a document as it stands on another paper: only the size of the page differs."""
    width, height = PAPERS[paper]
    return content | {"width_mm": width, "height_mm": height}


def page_of(choices: pd.DataFrame, group) -> int:
    """Return the page on which a group (anything with the names of `columns.GROUP_KEY`) stands."""
    keys = columns.with_module(choices)[list(columns.GROUP_KEY)].drop_duplicates()
    at = [tuple(key) for key in keys.itertuples(index=False)].index(
        tuple(getattr(group, name) for name in columns.GROUP_KEY))
    return at + 1 + (len(keys) > 1)


def document(fit: "DepthFit", choices: pd.DataFrame, window=None, paper: str = "a5",
             board: str = "next", machine: Machine = Machine()) -> dict:
    """Return everything that stands on the card, as text and as fractions of the chart's sides.

    Parameters
    ----------
    fit : DepthFit
    choices : DataFrame
        One row per wanted depth and species × module; columns `CHOICE_COLUMNS`. Each
        species × module × wavelength gets a page, in order of first appearance. With a column
        `minutes` (see `settings.for_job`) the minutes of the job are printed.
    window : mapping or row with at_least_mm and at_most_mm, optional
        The depths that the colour infill allows.
    paper : "a5" or "us-half-letter"
    board : "next", or the id of a board that the fit knows.
    machine : Machine
        Settings stand in the units of its control.

    Raises
    ------
    ValueError
        An unknown paper, columns missing, no rows, or more depths than a page holds.
    """
    if paper not in PAPERS:
        raise ValueError(f"Paper {paper!r} is unknown. Use one of: {', '.join(PAPERS)}.")
    choices = columns.with_module(choices)
    missing = [column for column in CHOICE_COLUMNS if column not in choices]
    if missing:
        raise ValueError(f"The chosen settings lack: {', '.join(missing)}. Pass what "
                         "settings.choose returned, with aim_mm added.")
    if choices.empty:
        raise ValueError("There are no chosen settings to print. Choose at least one depth first.")
    if isinstance(window, pd.DataFrame):
        window = window.iloc[0]
    # A job's own rows stand as they were chosen: fast ones first.
    order = [] if "minutes" in choices else ["aim_mm"]
    pages = [_page(fit, rows.sort_values(order, kind="stable") if order else rows, window, board, machine)
             for _, rows in choices.groupby(list(columns.GROUP_KEY), sort=False)]
    only = ", ".join(pages[0][name] for name in ("species", "module", "wavelength"))
    width, height = PAPERS[paper]
    return {
        "title": f"Settings card: {only}" if len(pages) == 1 else f"{len(pages)} settings cards",
        "width_mm": width, "height_mm": height,
        "invented": _invented(fit), "pages": pages,
        "columns": {"index": ["Wood", "Module", "Depths", "Boards", "Page"]},
        "provenance": f"data\u00a0{fit.fingerprint[:12]} · testburn\u00a0{testburn.__version__}",
    }


def _invented(fit: "DepthFit") -> str | None:
    """Return what has to stand on every page about invented data, or nothing."""
    if not fit.invented:
        return None
    measured = "invented" in fit.readings and not (fit.readings["invented"] == "yes").any()
    return INVENTED_PROOF if measured else INVENTED


def _page(fit: "DepthFit", rows: pd.DataFrame, window, board: str, machine: Machine) -> dict:
    """Return one species × module's page."""
    first = rows.iloc[0]
    species, module_w, wavelength_nm, named = (first[name] for name in columns.GROUP_KEY)
    module, wavelength = f"{module_w:g} W" + f", {shortened(named, 40)}" * bool(named), f"{wavelength_nm:g} nm"
    if len(rows) > MOST_DEPTHS:
        raise ValueError(f"{species} at {module}, {wavelength} has {len(rows)} depths; a page holds "
                         f"up to {MOST_DEPTHS}. Choose fewer, or print two cards.")
    if rows["level"].nunique() > 1:
        raise ValueError(f"{species} at {module}, {wavelength} mixes interval levels. Choose all "
                         "its depths at one level.")
    used = fit.readings[fit.readings["used"]]
    readings, table = (frame[_same_group(frame, first)] for frame in (used, fit.table))
    if table.empty:
        raise ValueError(f"The fit has no readings of {species} at {module}, {wavelength}. Burn "
                         "test swatches with it, or leave it off the card.")
    group, species = table.iloc[0], shortened(species, 300, 300)
    return {
        "species": species[:1].upper() + species[1:], "module": module, "wavelength": wavelength,
        "boards": str(group["boards"]), "holds": _holds(board),
        "depths": span(rows["aim_mm"].min(), rows["aim_mm"].max(), 2, "mm"),
        "columns": _columns(rows, machine.units), "notes": _notes(fit, rows, readings, group, window, board, machine),
        "extrapolated": [bool(flag) for flag in rows["extrapolated"]],
        "chart": chart.drawn(fit, rows, readings, group, window, board),
        "cautions": [(head, text.format(wavelength=wavelength)) for head, text in CAUTIONS],
        "provenance": _provenance(readings, group),
    }


def _same_group(frame: pd.DataFrame, row: pd.Series) -> pd.Series:
    """Return which rows of the frame are of the row's species, module and wavelength."""
    return (columns.with_module(frame)[list(columns.GROUP_KEY)] == row[list(columns.GROUP_KEY)]).all(axis="columns")


def _columns(rows: pd.DataFrame, units: Units) -> list[dict]:
    """Return the settings table by columns: head, unit, a big and a small line for each row.

    `set` marks what the maker sets on the machine; it is printed bold.
    """
    ends = rows["lower_mm"].clip(lower=0), rows["upper_mm"]
    columns = [
        *_set(rows, units),
        (["Depth", "wanted"], "mm", figures(rows["aim_mm"], 2), inches(rows["aim_mm"])),
        (["Depth", "expected"], "mm", figures(rows["depth_mm"], 2), inches(rows["depth_mm"])),
        ([f"{100 * rows['level'].iloc[0]:g} %", "interval"], "mm",
         [span(*pair, 2) for pair in zip(*ends)],
         [span(*pair, 3, "in") for pair in zip(*map(energy.inches_from_mm, ends))]),
        (["Minutes"], *_minutes(rows), [""] * len(rows)),
    ]
    if np.isfinite(rows["chance_inside"].astype(float)).any():
        columns.append((["Chance", "inside"], "%", figures(100 * rows["chance_inside"], 0),
                        [""] * len(rows)))
    return [dict(zip(("head", "unit", "big", "small"), column)) | {"set": number < 4}
            for number, column in enumerate(columns)]


def _set(rows: pd.DataFrame, units: Units) -> list[tuple]:
    """Return the columns of what is set on the machine, in its units, mm and mm/s smaller below."""
    speed, power, pitch = ([[word.capitalize()] for word in units.heading(name)[:1]]
                           + [units.heading(name)[1], _numbers(rows[name], units.of(name)),
                              [beside(name, value, units) for value in rows[name]]] for name in SETTING)
    joules = figures(rows["line_energy_j_mm"], 3, " J/mm")
    plain = units.power == "%"
    return [tuple(speed), (*power[:3], joules if plain else power[3]),
            (["Passes"], "", figures(rows["passes"]), [""] * len(rows) if plain else joules), tuple(pitch)]


def _numbers(values: pd.Series, unit: Unit) -> list[str]:
    """Return the numbers to type, in equal decimals."""
    said = [unit.text(value) for value in values]
    decimals = max(len(text.partition(".")[2]) for text in said)
    return [f"{float(text):.{decimals}f}" for text in said]


def _minutes(rows: pd.DataFrame) -> tuple[str, list[str]]:
    if "minutes" in rows:
        return "this job", text.minutes(rows)
    return "per 10 cm²", text.minutes(rows, "minutes_per_10cm2", 1)


def _notes(fit: "DepthFit", rows: pd.DataFrame, readings: pd.DataFrame, group: pd.Series, window,
           board: str, machine: Machine) -> list[str]:
    """Return the sentences under the table: interval, window, carried-on rows, flags of the fit."""
    level = float(rows["level"].iloc[0])
    means = INTERVAL_MEANS if board == "next" else THIS_BOARD_MEANS
    notes = [means.format(level=f"{100 * level:g} %", share=f"{100 * level:g}",
                          board=shortened(board, 24), known=_known_as(fit, group, board, rows.iloc[0]))]
    if window is not None:
        ends = float(window["at_least_mm"]), float(window["at_most_mm"])
        notes.append(f"The infill needs {span(*ends, 2, 'mm')} "
                     f"({span(*map(energy.inches_from_mm, ends), 3, 'in')}), hatched in the chart.")
    if "way" in rows:
        notes.append(swept(rows))
    if words := fit.said_of(fit.group_of(rows.iloc[0])):
        notes.insert(0, shortened(words, 700))
    if ends := sweep.slow_ends(machine, float(rows["speed_mm_s"].max())):
        notes.append(ends)
    if rows["extrapolated"].any():
        whys = rows.get("why", pd.Series(dtype=object))
        notes.append(EXTRAPOLATED.format(burned=_burned(readings, group["regressor"]),
                                         why="".join(f"; {why}" for why in whys[whys != ""].unique())))
    sds = fit.components.set_index("component")
    notes.append(SCATTER.format(
        prior=100 * sds["prior_share"]["board"], gauge=sds["sd"]["gauge"],
        **{name: 100 * sds["sd"][name] for name in ("board", "swatch", "reading")}))
    if isinstance(group["flags"], str) and group["flags"].strip():
        notes.append("Note on the fit: " + shortened(group["flags"], 180))
    return notes


def _holds(board: str) -> str:
    """Return for which board the page holds: the next one, or one by name."""
    return NEXT_BOARD if board == "next" else f"For board {shortened(board, 24)} only"


def _known_as(fit: "DepthFit", group: pd.Series, board: str, choice: pd.Series) -> str:
    """Return how a named board is known: by proof swatches (with their warning, and how far off) or by its burn."""
    proofs = fit.proofs[_same_group(fit.proofs, group) & (fit.proofs["board"] == board)]
    if proofs.empty:
        return "It is one of the boards burned."
    proof = proofs.iloc[0]
    said = (f"It was proved with {count(proof['swatches'], 'swatch', 'swatches')} and burns "
            f"{abs(proof['board_pct']):.0f} % {'deeper' if proof['board_pct'] >= 0 else 'shallower'} "
            "than most.")
    return " ".join(filter(None, (said, proof["warning"], fit.proved_elsewhere(choice, board))))


def _burned(readings: pd.DataFrame, regressor: str) -> str:
    """Return the energies and line pitches that were burned."""
    energies, pitches = readings[regressor], readings["line_pitch_mm"]
    ends = " to ".join(f"{end:g}" for end in sorted({pitches.min(), pitches.max()}))
    return f"{energies.min():.3g} to {energies.max():.3g} {chart.axis(regressor)[1]}, pitch {ends} mm"


def _provenance(readings: pd.DataFrame, group: pd.Series) -> str:
    """Return where the numbers come from: readings, boards, burns, days."""
    days = sorted(pd.to_datetime(readings["burned_on"]).dt.strftime("%Y-%m-%d").unique())
    named = ", ".join(shortened(name, 16) for name in readings["board"].unique()[:MOST_SHAPES])
    more = ", …" if readings["board"].nunique() > MOST_SHAPES else ""
    counts = ", ".join([
        count(group["readings"], "reading"), count(group["swatches"], "swatch", "swatches"),
        f"{count(group['boards'], 'board')} ({named}{more})",
        count(readings["burn"].nunique(), "burn"),
    ])
    said = f"{counts}, " + (days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}")
    return said + "".join(f", {word}" for word in kept_alike(readings))
