"""Card: the printable settings card, one page per species and module.

Decides what stands on the card and in which digits. `document` turns a fit and the chosen settings
into plain data; the template beside this file (card.typ) only lays that data out, so nothing a
maker wrote is ever read as markup. The same inputs give the same bytes: no clock, no system font.

The cautions and the finishing steps are common practice, no source; they say themselves who
decides.
"""

import json
import math
import os
import unicodedata
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import typst

import testburn
from testburn import energy
from testburn.columns import GROUP_KEY

if TYPE_CHECKING:
    from testburn.depthfit import DepthFit

HERE = Path(__file__).parent
PAPERS = {"a5": (148.0, 210.0), "us-half-letter": (139.7, 215.9)}
MOST_DEPTHS = 8
MOST_SHAPES = 5
CHOICE_COLUMNS = (
    *GROUP_KEY, "aim_mm", "power_pct", "speed_mm_s", "line_pitch_mm", "passes", "line_energy_j_mm",
    "depth_mm", "lower_mm", "upper_mm", "level", "chance_inside", "minutes_per_10cm2",
    "extrapolated",
)
# The characters that the card's typeface holds in every face; any other is drawn as an open box.
DRAWABLE = ((0x20, 0x7E), (0xA0, 0xAC), (0xAE, 0x17F), (0x391, 0x3A1), (0x3A3, 0x3C9),
            (0x400, 0x45F), (0x1EA0, 0x1EF9), (0x2010, 0x201E), (0x2020, 0x2020),
            (0x2026, 0x2026), (0x2070, 0x2070), (0x2074, 0x2079), (0x2212, 0x2212))

INVENTED = "Invented demo data. Nothing here was measured: do not burn by it."
INTERVAL_MEANS = (
    "What the {level} interval means: a depth reading on {board} should fall inside it about "
    "{share} times in 100, if that board is like the boards burned. Before the job, burn one "
    "proof swatch on the waste side of the actual board."
)
BOARDS = {"next": "your next board"}
EXTRAPOLATED = (
    "† Outside what was burned ({burned}): the line is only carried on there. Burn swatches at "
    "that setting before you trust it."
)
FINISHING = (
    ("Clean", "Brush out the char and vacuum the dust."),
    ("Dry", "Let the wood come back to room humidity."),
    ("Seal", "One thin coat in the recess, so that colour does not bleed. Dry as the label says."),
    ("Colour", "Several light coats, each dried as the label says."),
    ("Sand back", "Flat block, fine grit, once the paint is hard, until the face is clean."),
    ("Seal", "Clear coat over all. Dry as the label says."),
)
CAUTIONS = (
    ("Beam", "Class 4: keep it in its enclosure. Choose eyewear by the optical density marked for "
             "{wavelength}, never by tint."),
    ("Fire", "Never leave a burn unattended. Extinguisher in reach. Look again for smoulder, in "
             "the wood and in the waste."),
    ("Fumes", "Extract outdoors or through a filter made for it. Never burn PVC, vinyl, treated "
              "stock or an unknown coating."),
    ("Dust, solvents", "Extract sanding dust and wear a mask. Air the room, no flame near solvent; "
                       "lay rags out flat to dry."),
    ("Who decides", "Local codes, the makers' manuals and a laser safety officer, not this card."),
)


def write(path, fit: "DepthFit", choices: pd.DataFrame, window=None, paper: str = "a5",
          board: str = "next") -> Path:
    """Write the settings card as a PDF, whole or not at all, and return its path.

    Parameters
    ----------
    path : path of the PDF; its folder is made if need be.
    fit, choices, window, paper, board : as in `document`.

    Raises
    ------
    ValueError
        As in `document`.
    PermissionError
        The file cannot be replaced, mostly because a viewer holds it open.
    """
    path = Path(path)
    made = _compiled(document(fit, choices, window, paper, board))
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.stem[:40]}-{os.getpid()}.part")
    try:
        unfinished.write_bytes(made)
        os.replace(unfinished, path)
    except PermissionError as error:
        raise PermissionError(
            f"{path} cannot be replaced. Close it in the program that shows it, then print again."
        ) from error
    finally:
        unfinished.unlink(missing_ok=True)
    return path


def preview(path, page: int = 1, ppi: float = 110) -> bytes:
    """Return one page of a written card as PNG bytes, to be shown in a notebook.

    Parameters
    ----------
    path : path of the PDF.
    page : int, from 1
    ppi : float, pixels per inch
    """
    path = Path(path).resolve()
    source = ('#set page(width: auto, height: auto, margin: 0pt, fill: white)\n'
              '#image("/" + sys.inputs.name, page: int(sys.inputs.page), alt: "a settings card")')
    return typst.compile(source.encode(), root=path.parent, format="png", ppi=ppi,
                         ignore_system_fonts=True, sys_inputs={"name": path.name, "page": str(page)})


def document(fit: "DepthFit", choices: pd.DataFrame, window=None, paper: str = "a5",
             board: str = "next") -> dict:
    """Return everything that stands on the card, as text and as fractions of the chart's sides.

    Parameters
    ----------
    fit : DepthFit
    choices : DataFrame
        One row per wanted depth and species × module; columns `CHOICE_COLUMNS`. Each
        species × module × wavelength gets a page, in order of first appearance.
    window : mapping or row with at_least_mm and at_most_mm, optional
        The depths that the colour infill allows.
    paper : "a5" or "us-half-letter"
    board : "next", or the id of a board that the fit knows.

    Raises
    ------
    ValueError
        An unknown paper, columns missing, no rows, or more depths than a page holds.
    """
    if paper not in PAPERS:
        raise ValueError(f"Paper {paper!r} is unknown. Use one of: {', '.join(PAPERS)}.")
    missing = [column for column in CHOICE_COLUMNS if column not in choices]
    if missing:
        raise ValueError(f"The chosen settings lack: {', '.join(missing)}. Pass what "
                         "settings.choose returned, with aim_mm added.")
    if choices.empty:
        raise ValueError("There are no chosen settings to print. Choose at least one depth first.")
    if isinstance(window, pd.DataFrame):
        window = window.iloc[0]
    pages = [_page(fit, rows.sort_values("aim_mm", kind="stable"), window, board)
             for _, rows in choices.groupby(list(GROUP_KEY), sort=False)]
    only = ", ".join(pages[0][name] for name in ("species", "module", "wavelength"))
    width, height = PAPERS[paper]
    return {
        "title": f"Settings card: {only}" if len(pages) == 1 else f"{len(pages)} settings cards",
        "width_mm": width, "height_mm": height,
        "invented": INVENTED if fit.invented else None, "pages": pages,
        "columns": {"index": ["Species", "Module", "Depths", "Boards", "Page"]},
        "provenance": f"data\u00a0{fit.fingerprint[:12]} · testburn\u00a0{testburn.__version__}",
    }


def _compiled(content: dict) -> bytes:
    """Return the PDF bytes of a document, tagged for PDF/UA-1."""
    return typst.compile(
        HERE / "card.typ", root=HERE, font_paths=[HERE / "fonts"], ignore_system_fonts=True,
        pdf_standards=["1.7", "ua-1"],
        sys_inputs={"card": json.dumps(content, ensure_ascii=True, allow_nan=False)},
    )


def _page(fit: "DepthFit", rows: pd.DataFrame, window, board: str) -> dict:
    """Return one species × module's page."""
    first = rows.iloc[0]
    species, module_w, wavelength_nm = (first[name] for name in GROUP_KEY)
    module, wavelength = f"{module_w:g} W", f"{wavelength_nm:g} nm"
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
    group, species = table.iloc[0], _said(species, 300, 300)
    return {
        "species": species[:1].upper() + species[1:], "module": module, "wavelength": wavelength,
        "boards": str(group["boards"]),
        "depths": _span(rows["aim_mm"].min(), rows["aim_mm"].max(), 2, "mm"),
        "columns": _columns(rows), "notes": _notes(rows, readings, group, window, board),
        "extrapolated": [bool(flag) for flag in rows["extrapolated"]],
        "chart": _chart(fit, rows, readings, group, window, board),
        "finishing": FINISHING,
        "cautions": [(head, text.format(wavelength=wavelength)) for head, text in CAUTIONS],
        "provenance": _provenance(readings, group),
    }


def _same_group(frame: pd.DataFrame, row: pd.Series) -> pd.Series:
    """Return which rows of the frame are of the row's species, module and wavelength."""
    return (frame[list(GROUP_KEY)] == row[list(GROUP_KEY)]).all(axis="columns")


def _columns(rows: pd.DataFrame) -> list[dict]:
    """Return the settings table by columns: head, unit, a big and a small line for each row.

    `set` marks what the maker sets on the machine; it is printed bold.
    """
    ends = rows["lower_mm"].clip(lower=0), rows["upper_mm"]
    columns = [
        (["Depth", "wanted"], "mm", _figures(rows["aim_mm"], 2), _inches(rows["aim_mm"])),
        (["Power"], "%", _figures(rows["power_pct"]), _figures(rows["line_energy_j_mm"], 3, " J/mm")),
        (["Speed"], "mm/s", _figures(rows["speed_mm_s"]),
         _figures(energy.inches_from_mm(rows["speed_mm_s"]), 2, " in/s")),
        (["Lines"], "per cm", _figures(energy.lines_per_cm(rows["line_pitch_mm"])),
         _figures(rows["line_pitch_mm"], 3, " mm")),
        (["Passes"], "", _figures(rows["passes"]), [""] * len(rows)),
        (["Depth", "expected"], "mm", _figures(rows["depth_mm"], 2), _inches(rows["depth_mm"])),
        ([f"{100 * rows['level'].iloc[0]:g} %", "interval"], "mm",
         [_span(*pair, 2) for pair in zip(*ends)],
         [_span(*pair, 3, "in") for pair in zip(*map(energy.inches_from_mm, ends))]),
        (["Minutes"], "per 10 cm²", _figures(rows["minutes_per_10cm2"], 1), [""] * len(rows)),
    ]
    if np.isfinite(rows["chance_inside"].astype(float)).any():
        columns.append((["Chance", "inside"], "%", _figures(100 * rows["chance_inside"], 0),
                        [""] * len(rows)))
    return [dict(zip(("head", "unit", "big", "small"), column)) | {"set": number < 5}
            for number, column in enumerate(columns)]


def _notes(rows: pd.DataFrame, readings: pd.DataFrame, group: pd.Series, window,
           board: str) -> list[str]:
    """Return the sentences under the table: interval, window, carried-on rows, flags of the fit."""
    level = float(rows["level"].iloc[0])
    notes = [INTERVAL_MEANS.format(level=f"{100 * level:g} %", share=f"{100 * level:g}",
                                   board=BOARDS.get(board) or f"board {_said(board, 24)}")]
    if window is not None:
        ends = float(window["at_least_mm"]), float(window["at_most_mm"])
        notes.append(f"The infill needs {_span(*ends, 2, 'mm')} "
                     f"({_span(*map(energy.inches_from_mm, ends), 3, 'in')}), hatched in the chart.")
    if rows["extrapolated"].any():
        notes.append(EXTRAPOLATED.format(burned=_burned(readings, group["regressor"])))
    if isinstance(group["flags"], str) and group["flags"].strip():
        notes.append("Note on the fit: " + _said(group["flags"], 180))
    return notes


def _burned(readings: pd.DataFrame, regressor: str) -> str:
    """Return the energies and line pitches that were burned."""
    energies, pitches = readings[regressor], readings["line_pitch_mm"]
    ends = " to ".join(f"{end:g}" for end in sorted({pitches.min(), pitches.max()}))
    return f"{energies.min():.3g} to {energies.max():.3g} {_axis(regressor)[1]}, pitch {ends} mm"


def _provenance(readings: pd.DataFrame, group: pd.Series) -> str:
    """Return where the numbers come from: readings, boards, burns, days."""
    days = sorted(pd.to_datetime(readings["burned_on"]).dt.strftime("%Y-%m-%d").unique())
    named = ", ".join(_said(name, 16) for name in readings["board"].unique()[:MOST_SHAPES])
    more = ", …" if readings["board"].nunique() > MOST_SHAPES else ""
    counts = ", ".join([
        _count(group["readings"], "reading"), _count(group["swatches"], "swatch", "swatches"),
        f"{_count(group['boards'], 'board')} ({named}{more})",
        _count(readings["burn"].nunique(), "burn"),
    ])
    return f"{counts}, " + (days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}")


# ── the chart: fractions of its width and height, so that the template only draws ──


def _chart(fit: "DepthFit", rows: pd.DataFrame, readings: pd.DataFrame, group: pd.Series, window,
           board: str) -> dict:
    """Return the depth chart: points, line, band, chosen settings and axes."""
    regressor = group["regressor"]
    pitch = float(readings["line_pitch_mm"].min())
    chosen, burned = _along(rows, regressor, pitch), readings[regressor]
    curve = _curve(fit, rows, burned, chosen, pitch, board)
    right = 1.04 * max(burned.max(), chosen.max())
    deepest = max(readings["depth_mm"].max(), rows["depth_mm"].max(), rows["aim_mm"].max())
    # A wide interval is shown whole as far as that does not squeeze the readings.
    top = 1.05 * max(deepest, min(curve["upper_mm"].max(), 1.5 * deepest))
    across, up = partial(_fractions, whole=right), partial(_fractions, whole=top)
    name, unit = _axis(regressor)
    carried_on = ~curve["at"].between(burned.min(), burned.max())
    return {
        "x": {"label": f"{name}, {unit}" + f" at {pitch:g} mm pitch" * (name == "line energy"), "ticks": _ticks(right, 7)},
        "y": {"label": "depth, mm", "ticks": _ticks(top, 6)},
        "inches": {"label": "in", "ticks": _ticks(energy.inches_from_mm(top), 6)},
        "band": [*zip(across(curve["at"]), up(curve["upper_mm"]))]
                + [*zip(across(curve["at"]), up(curve["lower_mm"]))][::-1],
        "line": [*zip(across(curve["at"]), up(curve["depth_mm"]), carried_on.tolist())],
        "boards": [{"name": _said(name, 12),
                    "points": [*zip(across(of[regressor]), up(of["depth_mm"]))]}
                   for name, of in _by_board(readings)],
        "chosen": [*zip(across(chosen), up(rows["depth_mm"]))],
        "window": None if window is None else up([window["at_least_mm"], window["at_most_mm"]]),
        "interval": f"{100 * rows['level'].iloc[0]:g} % interval",
        "formula": _said(f"{group['formula']} · R² {group['r_squared']:.3f}", 110, 60),
        "alt": _alt(rows, readings, name, unit, chosen),
    }


def _along(rows: pd.DataFrame, regressor: str, pitch: float) -> pd.Series:
    """Return where on the chart's energy axis the chosen settings lie.

    Against line energy, a setting at another pitch than was burned stands where its dose does.
    """
    dose = energy.areal_dose(rows["line_energy_j_mm"], rows["line_pitch_mm"])
    return dose if regressor == "areal_dose_j_mm2" else dose * pitch


def _curve(fit: "DepthFit", rows, burned, chosen, pitch: float, board: str) -> pd.DataFrame:
    """Return the fitted line and its interval, over what was burned and out to the settings."""
    ends = burned.min(), burned.max()
    low, high = min(ends[0], chosen.min()), max(ends[1], chosen.max())
    at = np.unique([*np.linspace(low, high, 60), *ends])
    species, module_w, wavelength_nm = (rows.iloc[0][name] for name in GROUP_KEY)
    predicted = fit.predict(
        species, module_w, at * pitch if burned.name == "areal_dose_j_mm2" else at,
        line_pitch_mm=pitch, level=float(rows["level"].iloc[0]), of="reading", board=board,
        wavelength_nm=wavelength_nm)
    return predicted.assign(at=at)


def _by_board(readings: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Return the readings board by board; boards beyond the shapes at hand share the last one."""
    names = list(readings["board"].unique())
    shown = names if len(names) <= MOST_SHAPES else names[:MOST_SHAPES - 1]
    groups = [(name, readings[readings["board"] == name]) for name in shown]
    rest = readings[~readings["board"].isin(shown)]
    return groups + ([(f"{len(names) - len(shown)} more", rest)] if len(rest) else [])


def _alt(rows, readings, name: str, unit: str, chosen) -> str:
    """Return the chart in words, for who hears the card instead of seeing it."""
    settings = "; ".join(f"{number}: {depth:.2f} mm at {at:.3g} {unit}" for number, (at, depth)
                         in enumerate(zip(chosen, rows["depth_mm"]), start=1))
    return (f"Chart of depth in mm against {name} in {unit}: {len(readings)} readings from "
            f"{readings['depth_mm'].min():.2f} to {readings['depth_mm'].max():.2f} mm, the fitted "
            f"line with its interval, and the chosen settings. {settings}.")


def _axis(regressor: str) -> tuple[str, str]:
    """Return the name and unit of the energy axis."""
    return ("areal dose", "J/mm²") if regressor == "areal_dose_j_mm2" else ("line energy", "J/mm")


def _fractions(values, whole: float) -> list[float]:
    """Return values as fractions of the axis, kept inside it, in digits that any machine repeats."""
    return [round(float(part), 4) for part in np.clip(np.asarray(values, float) / whole, 0, 1)]


def _ticks(end: float, most: int) -> list[tuple[float, str]]:
    """Return ticks from 0 in steps of 1, 2 or 5 times a power of ten, at most `most` of them."""
    decade = 10.0 ** math.floor(math.log10(end))
    step = next(decade * part for part in (0.1, 0.2, 0.5, 1, 2, 5) if end / (decade * part) < most)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))  # 0.001 has a log just below -3
    return [(round(step * count / end, 4), f"{step * count:.{decimals}f}")
            for count in range(int(end / step) + 1)]


# ── text ──


def _figures(values: pd.Series, decimals: int | None = None, unit: str = "") -> list[str]:
    """Return numbers in equal decimals (as many as the settings need, up to 2), missing ones as –."""
    if decimals is None:
        decimals = next((n for n in (0, 1) if np.allclose(values, np.round(values, n), atol=5e-3)), 2)
    return [f"{value:.{decimals}f}{unit}" if math.isfinite(value) else "–"
            for value in values.astype(float)]


def _count(number: int, one: str, several: str = "") -> str:
    """Return a number with its noun."""
    return f"{number} {one if number == 1 else several or one + 's'}"


def _inches(values_mm: pd.Series) -> list[str]:
    """Return millimetres as inches to a thousandth."""
    return _figures(energy.inches_from_mm(values_mm), 3, " in")


def _span(low: float, high: float, decimals: int, unit: str = "") -> str:
    """Return 'low to high unit', or one number where both read the same."""
    ends = [f"{value:.{decimals}f}" for value in (low, high)]
    return ("–".join(ends) if ends[0] != ends[1] else ends[0]) + (f" {unit}" if unit else "")


def _said(text: object, longest: int, longest_word: int = 24) -> str:
    """Return a maker's text on one line, cut to length, in characters that the typeface holds."""
    words = unicodedata.normalize("NFC", str(text)).split()
    line = " ".join(_cut(word, longest_word) for word in words)
    drawn = "".join(sign if any(low <= ord(sign) <= high for low, high in DRAWABLE) else "□"
                    for sign in line)
    return _cut(drawn, longest)


def _cut(text: str, longest: int) -> str:
    """Return the text, its end replaced by … where it is longer than allowed."""
    return text if len(text) <= longest else text[:longest - 1] + "…"
