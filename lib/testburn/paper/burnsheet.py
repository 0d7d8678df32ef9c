"""Burn sheet: the plan on paper, as a drawing and as a file to fill in.

Decides what stands on the sheet that lies beside the machine, one page for each board, and in which
digits. `document` turns a plan into plain data and the template beside this file (burnsheet.typ) only
lays it out, so nothing a maker wrote is ever read as markup; the same plan gives the same bytes. The
swatches have the same ids on the sheet, in the drawing (SVG) and in the file for entry (CSV).

How to measure, and the cautions, are common practice, no source; see `testburn.burnplan.layout` for the
middle third.
"""

import csv
import io
from pathlib import Path

import pandas as pd

import testburn
from testburn import energy
from testburn.burnplan import BurnPlan, svg
from testburn.labbook import columns
from testburn.paper import card
from testburn.paper.pdf import compiled, put
from testburn.paper.tables import Shown
from testburn.paper.text import SETTING, beside, count, minutes, shortened, span

PAPERS = {"a4": (210.0, 297.0), "us-letter": (215.9, 279.4)}
MOST_READINGS = 5
BLANKS = ("Burn id", "Board", "Day", "Moisture, %", "Thickness, mm", "Focus offset, mm", "Air on / off",
          "Swept along / across grain", "Gauge step", "Depths in mm / inch", "Gauge zero before", "Gauge zero after")
INVENTED = ("The lab book behind this plan is invented demo data. Nothing in it was measured: do not "
            "burn by it.")
STEPS = (
    ("Burn", "In the order of the numbers, without a break, focus and air the same throughout."),
    ("Clean", "Let the board cool. Brush out the loose char with a stiff nylon brush, always alike."),
    ("Zero", "Zero the gauge on the untouched face beside the swatch; look at the zero again at the end."),
    ("Read", "{readings} readings in the middle third (dashed), spread across the growth rings."),
)
# What the page holds besides drawing and table, and the height of one row: leaves the drawing's room.
# Where that is too little to see anything, the table goes on overleaf.
_REST_MM, _ROW_MM, _LEAST_DRAWING_MM, _OVERLEAF_DRAWING_MM = 165.0, 9.6, 50.0, 85.0


def save(folder, plan: BurnPlan, labels: bool = False, outline: bool = False, apart: bool = False) -> Path:
    """Write sheet (A4 and US letter), drawings and files for entry into a folder named after the plan.

    Parameters
    ----------
    folder : path
    plan : BurnPlan
    labels, outline : bool
        As in `burnplan.svg`.
    apart : bool
        A drawing for each swatch, at its place on the scrap, instead of one for each board.

    Returns
    -------
    Path
        The folder: burn-sheet-a4.pdf, burn-sheet-us-letter.pdf, and for each board board-A.svg and
        board-A.csv.

    Raises
    ------
    PermissionError
        If a file cannot be written, mostly because a viewer holds it open.
    """
    place = Path(folder) / plan.id
    made = {f"burn-sheet-{paper}.pdf": pdf(plan, paper) for paper in PAPERS}
    for board in plan.swatches["board"].unique():
        made |= {f"board-{board}-{swatch}.svg": drawing(plan, board, labels, outline, swatch)
                 for swatch in plan.board(board)["swatch"]} if apart else {
                     f"board-{board}.svg": drawing(plan, board, labels, outline)}
        made[f"board-{board}.csv"] = entry_csv(plan, board)
    for name, content in made.items():
        put(place / name, content)
    return place


def pdf(plan: BurnPlan, paper: str = "a4") -> bytes:
    """Return the sheet as PDF, tagged for PDF/UA-1, a page or more for each board."""
    return compiled(document(plan, paper), "burnsheet.typ")


def drawing(plan: BurnPlan, board: str, labels: bool = False, outline: bool = False, swatch: str | None = None) -> bytes:
    """Return one board's swatches, or one of them, as SVG in millimetres; see `burnplan.svg`."""
    rows = plan.board(board)
    rows = rows if swatch is None else rows[rows["swatch"] == swatch]
    words = [plan.machine.units.setting(row) for _, row in rows.iterrows()]
    return svg(plan.layout, rows.assign(words=words), f"{_name(plan)}, board {board}", labels, outline)


def entry_csv(plan: BurnPlan, board: str) -> bytes:
    """Return one board's swatches as a CSV to fill in: a row each, without depths.

    Columns are those of the lab book. Burn, day, board and reading are left empty: they are the maker's.
    """
    levels = plan.levels
    shared = {"species": levels.species, "module_w": levels.module_w,
              "wavelength_nm": levels.wavelength_nm, "module": levels.module,
              "gauge_step_mm": levels.gauge_step_mm,
              "board_thickness_mm": plan.layout.scrap.thickness_mm,
              "board": plan.check_board, "note": f"plan {plan.id}" + f", board {board}" * (not plan.check_board)}
    names = [column.name for column in columns.COLUMNS if column.name != "depth_mm"]
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, names, restval="", lineterminator="\r\n")
    writer.writeheader()
    for row in plan.board(board).to_dict("records"):
        own = {name: row[name] for name in ("swatch", *columns.MACHINE_SETTING)}
        writer.writerow({name: f"{value:.9g}" if isinstance(value, float) else value
                         for name, value in (shared | own).items()})
    return text.getvalue().encode("utf-8")


def document(plan: BurnPlan, paper: str = "a4") -> dict:
    """Return everything that stands on the sheet, as text and millimetres.

    Raises
    ------
    ValueError
        If the paper is unknown.
    """
    if paper not in PAPERS:
        raise ValueError(f"Paper {paper!r} is unknown. Use one of: {', '.join(PAPERS)}.")
    levels, (width, height) = plan.levels, PAPERS[paper]
    names = list(plan.swatches["board"].unique())
    room = height - _REST_MM - _ROW_MM * len(plan.board(names[0]))
    return {
        "title": f"{_kind(plan)}: {_name(plan)}", "kind": _kind(plan), "width_mm": width, "height_mm": height,
        "drawing_mm": room if room >= _LEAST_DRAWING_MM else _OVERLEAF_DRAWING_MM,
        "invented": INVENTED if plan.invented else None,
        "species": shortened(levels.species, 60)[:1].upper() + shortened(levels.species, 60)[1:],
        "module": f"{levels.module_w:g} W" + f", {shortened(levels.module, 40)}" * bool(levels.module), "wavelength": f"{levels.wavelength_nm:g} nm",
        "window": f"{'Expected' if plan.check_board else 'Wanted'}: {span(levels.at_least_mm, levels.at_most_mm, 2, 'mm')} deep "
                  f"({span(*map(energy.inches_from_mm, (levels.at_least_mm, levels.at_most_mm)), 3, 'in')})",
        "heads": [[word.capitalize(), unit] for word, unit in map(plan.machine.units.heading, SETTING)],
        "blanks": list(BLANKS), "readings": plan.readings, "boxes": MOST_READINGS,
        "layout": _layout(plan), "worth": worth(plan),
        "notes": [shortened(note, 400, 40) for note in plan.notes[bool(plan.check_board):]],
        "steps": [(head, text.format(readings=plan.readings)) for head, text in STEPS],
        "cautions": [(head, text.format(wavelength=f"{levels.wavelength_nm:g} nm").replace(
            "this card", "this sheet")) for head, text in card.CAUTIONS],
        "boards": [_board(plan, name, place, len(names)) for place, name in enumerate(names, 1)],
        "provenance": f"plan\u00a0{plan.id} · order\u00a0{plan.seed} · "
                      + (f"data\u00a0{plan.data[:12]} · " if plan.data else "no data yet · ")
                      + f"testburn\u00a0{testburn.__version__}",
    }


def worth(plan: BurnPlan) -> str:
    """Say in one sentence what the plan will leave open, beside a smaller and a larger one; of a check, what it tells."""
    if plan.check_board:
        return plan.notes[0]
    table = plan.alternatives
    chosen = table[table["chosen"]].iloc[0]
    others = table[(table["swatches"] == chosen["swatches"]) & ~table["chosen"]]
    near = pd.concat([others[others["boards"] < chosen["boards"]].head(1),
                      others[others["boards"] > chosen["boards"]].tail(1)])
    beside = "; ".join(f"{row.boards} × {row.swatches}: ±{row.recess_pct:.0f} %"
                       for row in near.itertuples())
    return (f"This plan, {count(plan.boards, 'board')} × {chosen['swatches']} swatches: 95 of 100 "
            f"recesses on your next board will then lie within ±{chosen['recess_pct']:.0f} % of the "
            f"depth expected ({beside}); on a board that you prove with one swatch, within ±{chosen['proved_pct']:.0f} %.")


def alternatives(plan: BurnPlan) -> Shown:
    """Return the plans weighed: boards down, swatches across.

    Each cell is half the interval of a recess on the next board in percent, with minutes of burning and
    scrap used up, all boards together.
    """
    table = plan.alternatives
    said = [f"±{row.recess_pct:.0f} %, {taken} min"
            + (f", {row.area_cm2:.0f} cm²" if row.area_cm2 > 0 else "")
            + (", chosen" if row.chosen else "" if row.fits else ", scrap too small")
            for row, taken in zip(table.itertuples(), minutes(table))]
    wide = table.assign(said=said).pivot(index="boards", columns="swatches", values="said")
    wide.columns = [f"{count} swatches on each" for count in wide.columns]
    shown = wide.reset_index().astype({"boards": str}).rename(columns={"boards": "boards to burn"})
    if plan.now is not None:
        none = {name: "" for name in shown} | {"boards to burn": "none",
                                               shown.columns[1]: f"±{100 * plan.now['recess']:.0f} %"}
        shown = pd.concat([pd.DataFrame([none]), shown], ignore_index=True)
    return Shown(shown)


def settings(plan: BurnPlan, board: str = "A") -> Shown:
    """Return one board's swatches as the sheet has them."""
    rows, units = plan.board(board), plan.machine.units
    speed, power, pitch = ({", ".join(units.heading(name)): rows[name].map(units.of(name).text)}
                           for name in ("speed_mm_s", "power_pct", "line_pitch_mm"))
    return Shown(pd.DataFrame({
        "swatch": rows["swatch"], "it is": rows["level"], **speed, **power, "passes": rows["passes"].astype(str), **pitch,
        "expect, mm": [span(low, high, 2) for low, high in
                       zip(rows["lowest_mm"], rows["highest_mm"])],
        "minutes": minutes(rows, decimals=1)}))


def preview(plan: BurnPlan, page: int = 1, paper: str = "a4", ppi: float = 110) -> bytes:
    """Return a board's sheet as PNG bytes, to be shown in a notebook; of a long one its first page."""
    pages = compiled(_one_board(document(plan, paper), page), "burnsheet.typ", ppi)
    return pages[0] if isinstance(pages, list) else pages


def _one_board(content: dict, page: int) -> dict:
    return content | {"boards": content["boards"][page - 1:page]}


def _kind(plan: BurnPlan) -> str:
    return "Check sheet" if plan.check_board else "Burn sheet"


def _name(plan: BurnPlan) -> str:
    levels = plan.levels
    return f"{levels.species}, {levels.module_w:g} W, {levels.wavelength_nm:g} nm" + (
        f", on board {shortened(plan.check_board, 30)}" if plan.check_board else "")


def _layout(plan: BurnPlan) -> dict:
    one = plan.layout
    return {"width": one.scrap.width_mm, "height": one.scrap.height_mm, "swatch_width": one.swatch_width_mm,
            "swatch_height": one.swatch_height_mm,
            "said": f"Scrap {one.scrap.width_mm:g} × {one.scrap.height_mm:g} × {one.scrap.thickness_mm:g} mm. "
                    f"Swatches {one.swatch_width_mm:g} × {one.swatch_height_mm:g} mm, lines run from side to "
                    f"side; {one.land_mm:g} mm of untouched face around each."}


def _board(plan: BurnPlan, name: str, place: int, boards: int) -> dict:
    """Return one board's page: its rows as text, the places of its swatches."""
    rows = plan.board(name)
    units = plan.machine.units
    taken = minutes(rows[["least_minutes", "minutes"]].sum().to_frame().T)[0]
    area = plan.layout.area_cm2(len(rows))
    return {
        "name": shortened(plan.check_board, 30) or name, "of": f"{place} of {boards}",
        "cost": f"About {taken} minutes of burning, {area:.0f} cm² of scrap.",
        "alt": f"{len(rows)} swatches on the scrap of board {name}, to scale.",
        "swatches": [{
            "id": row.swatch, "x": row.x_mm, "y": row.y_mm, "level": row.level,
            "speed": units.of("speed_mm_s").text(row.speed_mm_s), "speed_beside": beside("speed_mm_s", row.speed_mm_s, units),
            "power": units.of("power_pct").text(row.power_pct), "power_beside": beside("power_pct", row.power_pct, units),
            "passes": str(row.passes), "pitch": units.of("line_pitch_mm").text(row.line_pitch_mm),
            "pitch_beside": beside("line_pitch_mm", row.line_pitch_mm, units), "expect": span(row.lowest_mm, row.highest_mm, 2),
        } for row in rows.itertuples()]}
