"""Tables: a frame as a maker reads it.

Decides the heading and the digits of every column that a notebook shows. Digits follow what a gauge
and a machine can tell: depth to 0.01 mm, speed to 1 mm/s below which no dial goes, chance to 1 %.
"""

from dataclasses import dataclass

import pandas as pd

from testburn.labbook import shown
from testburn.units import COLUMNS, Units

HEADINGS = {
    "species": ("wood", None), "module_w": ("module, W", "{:g}"),
    "wavelength_nm": ("nm", "{:g}"), "burn": ("burn", None), "board": ("board", None),
    "swatch": ("swatch", None), "reading": ("reading", "{:g}"),
    "passes": ("passes", "{:g}"),
    "line_energy_j_mm": ("line energy, J/mm", "{:.3f}"),
    "areal_dose_j_mm2": ("energy per mm², J/mm²", "{:.2f}"),
    "aim_mm": ("wanted, mm", "{:g}"), "depth_mm": ("depth, mm", "{:.2f}"),
    "lower_mm": ("95 % from, mm", "{:.2f}"), "upper_mm": ("95 % to, mm", "{:.2f}"),
    "lowest_mm": ("expect from, mm", "{:.2f}"), "highest_mm": ("expect to, mm", "{:.2f}"),
    "fitted_mm": ("curve, mm", "{:.2f}"), "residual_pct": ("off the curve, %", "{:+.0f}"),
    "chance_inside": ("chance inside", "{:.0%}"),
    "chance_shallow": ("too shallow", "{:.0%}"), "good": ("good enough", None),
    "best_j_mm": ("line energy, J/mm", "{:.3f}"), "lower_j_mm": ("lower limit", "{:.3f}"),
    "upper_j_mm": ("upper limit", "{:.3f}"),
    "minutes": ("minutes", "{:.1f}"), "minutes_per_10cm2": ("min per 10 cm²", "{:.1f}"),
    "extrapolated": ("outside the burns", None), "known": ("from the lab book", None),
    "boards": ("boards", "{:g}"), "swatches": ("swatches", "{:g}"),
    "readings": ("readings", "{:g}"), "scatter_pct": ("scatter, %", "{:.0f}"),
    "r_squared": ("R²", "{:.3f}"), "rule": ("rule", None), "formula": ("formula", None), "flags": ("notes", None),
    "slope": ("slope", "{:.3g}"), "slope_se": ("its error", "{:.2g}"),
    "intercept": ("intercept, mm", "{:.3f}"), "intercept_se": ("error of it", "{:.2g}"),
    "struck_because": ("set aside because", None), "burned_on": ("burned on", "{:%Y-%m-%d}"),
    "botanical_name": ("botanical name", None),
    "specific_gravity_12pct": ("specific gravity, 12 %", "{:.2f}"),
    "dust_caution": ("dust", None), "why": ("why", None),
    "form": ("form", None), "threshold": ("no mark below", "{:.3g}"),
    "lack_of_fit_p": ("lack of fit, p", "{:.2g}"), "order": ("order", "{:g}"),
    "board_pct": ("this board, %", "{:+.0f}"), "lower_pct": ("from, %", "{:+.0f}"),
    "upper_pct": ("to, %", "{:+.0f}"), "surprise_p": ("odds of such a proof", "{:.2g}"),
    "warning": ("warning", None), "times_sd": ("times its scatter", "{:+.1f}"),
    "words": ("in words", None), "F": ("F", "{:.1f}"), "df": ("df", None), "p": ("p", "{:.2g}"),
    "guessed": ("a guess", None),
    "name": ("what", None), "label": ("what", None), "customer": ("customer", None), "ordered_on": ("ordered on", None), "on_boards": ("on boards", None), "side": ("side", None), "mm": ("mm", "{:.3f}"),
    "uncertainty_mm": ("±, mm (2 times in 3)", "{:.3f}"), "counts_mm": ("counts, mm", "{:.2f}"),
    "margin_mm": ("of it margin, mm", "{:+.2f}"), "source": ("source", None),
    "what": ("in words", None), "remedy": ("milder with", None), "value": ("value", None),
    "ml": ("ml", "{:.1f}"), "step": ("step", None), "coats": ("coats", "{:g}"),
    "wet_film": ("wet, each", None), "wait": ("then", None), "caution": ("caution", None),
    "way": ("way", None), "chance_deep": ("too deep", "{:.0%}"),
    "cost_minutes": ("minutes cost", "{:.2f}"), "cost_boards": ("lost boards", "{:.2f}"),
    "cost_reruns": ("burning again", "{:.2f}"), "cost_paint": ("more paint", "{:.2f}"),
    "expected_cost": ("expected cost", "{:.2f}"), "proof_mm": ("proof shows, mm", "{:.2f}"),
    "card": ("card", None), "promised_for": ("for board", None), "at_least_mm": ("at least, mm", "{:.2f}"),
    "at_most_mm": ("at most, mm", "{:.2f}"), "expected_mm": ("card said, mm", "{:.2f}"),
    "curve_sd": ("curve off by", "{:.0%}"), "board_sd": ("board off by", "{:.0%}"),
    "job": ("job", None), "jobs": ("jobs", "{:g}"), "finished_on": ("finished on", "{:%Y-%m-%d}"),
    "first_job": ("first job", None), "recesses": ("recesses", "{:g}"), "off_pct": ("off, %", "{:+.0f}"),
    "same_board_pct": ("on this board ±, %", "{:.0f}"), "new_board_pct": ("on a new one ±, %", "{:.0f}"),
    "day": ("day", "{:%Y-%m-%d}"), "note": ("note", None), "done": ("done", None), "new_state": ("a new state", None),
    "z": ("off, in its scatter", "{:+.1f}"), "fresh_z": ("new in it", "{:+.1f}"),
    "ewma": ("moving average", "{:+.2f}"), "state": ("state", None), "since": ("since job", None),
    "since_on": ("since", "{:%Y-%m-%d}"), "advice": ("what to do", None),
    "burn_minutes": ("burning, min", "{:.1f}"),
    "blank_minutes": ("blank wood, min", "{:.1f}"),
    "turn_minutes": ("turning round, min", "{:.1f}"),
    "travel_minutes": ("travel, min", "{:.1f}"),
    "sweeps": ("sweeps", "{:g}"),
    "lines": ("lines", "{:g}"),
    "fastest": ("fastest", None),
    "gap_mm": ("gap worth two sweeps, mm", "{:.1f}"), "least_gap_mm": ("with a brisk head, mm", "{:.1f}"),
    "piece": ("piece", "{:g}"), "x_mm": ("across, mm", "{:.1f}"), "y_mm": ("down, mm", "{:.1f}"),
    "width_mm": ("width, mm", "{:.1f}"),
    "height_mm": ("height, mm", "{:.1f}"),
    "area_mm2": ("area, mm²", "{:.1f}"),
    "run": ("run", None),
    "timed_on": ("timed on", None),
    "turns": ("turns", "{:g}"),
    "seconds": ("stopwatch, s", "{:.1f}"),
    "burn_seconds": ("burning, s", "{:.1f}"),
    "expected_seconds": ("expected, s", "{:.1f}"),
    "residual_seconds": ("off, s", "{:+.1f}"),
    "figure": ("figure", None),
    "estimate": ("estimate", "{:.4g}"),
    "lower": ("95 % from", "{:.4g}"),
    "upper": ("95 % to", "{:.4g}"),
    "unit": ("unit", None), "gauge": ("gauge", None), "module_name": ("module", None), "finest_pitch_mm": ("finest pitch, mm", "{:g}"), "least_stroke_mm": ("strokes from, mm", "{:g}"),
}

_MANY_COLUMNS = 8


@dataclass(frozen=True, eq=False)
class Shown:
    """A table of text as a notebook shows it: whole, without row numbers, words to the left."""

    frame: pd.DataFrame

    def __repr__(self) -> str:
        return self.frame.to_string(index=False, max_colwidth=None) if len(self.frame) else "none"

    def _repr_html_(self) -> str:
        if self.frame.empty:
            return "<i>none</i>"
        with pd.option_context("display.max_colwidth", None):
            drawn = shown.table_as_html(self.frame)
        # A table of many columns would be scrolled sideways on a small screen.
        left = f' style="text-align: left{"; padding: 3px" * (self.frame.shape[1] >= _MANY_COLUMNS)}"'
        return drawn.replace("<td>", f"<td{left}>").replace("<th>", f"<th{left}>").replace(
            '<tr style="text-align: right;">', "<tr>")


@dataclass(frozen=True, eq=False)
class Behind:
    """A table that lies behind a fold, under a line that says what is there."""

    line: str
    table: Shown

    def __repr__(self) -> str:
        return f"{self.line}\n{self.table}"

    def _repr_html_(self) -> str:
        return f"<details><summary>{shown.as_html(self.line)}</summary>{self.table._repr_html_()}</details>"


@dataclass(frozen=True)
class Said:
    """Words as a notebook shows them: a paragraph each, broken between words and not within."""

    texts: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n\n".join(self.texts)

    def _repr_html_(self) -> str:
        return "".join(f'<p style="max-width: 80ch">{shown.as_html(text)}</p>' for text in self.texts)


def said(*texts: str) -> Said:
    """Return texts to be shown as paragraphs; empty ones are left out."""
    return Said(tuple(text for text in texts if text) or ("nothing",))


def behind(line: str, table: pd.DataFrame, *names: str) -> Behind:
    """Return columns as `shop` does, behind a fold: figures that a maker may want to check and need not read."""
    return Behind(line, shop(table, *names))


def shop(table: pd.DataFrame, *names: str, units: Units = Units()) -> Shown:
    """Return the named columns (all by default) as text, under headings in words.

    Parameters
    ----------
    units : Units
        Those of the machine: speed, power and pitch stand as they are typed into it.
    """
    written = {}
    for name in names or table.columns:
        if name in COLUMNS:
            written[", ".join(units.heading(name))] = table[name].map(units.of(name).text, na_action="ignore").fillna("")
            continue
        heading, form = HEADINGS.get(name, (name, None))
        written[heading] = table[name].map(lambda value, form=form: _cell(value, form))
        # What a brisk head takes at least and a slow one at most is one cell.
        if (least := f"least_{name}") in table:
            low = table[least].map(lambda value, form=form: _cell(value, form))
            written[heading] = (low + "–" + written[heading]).where(low != written[heading], low)
    return Shown(pd.DataFrame(written))


_MEANINGS = {
    "board": ("board", "Another board of the same wood is this much deeper or shallower, "
                       "every swatch of it alike. The largest part; only more boards teach it."),
    "swatch": ("swatch", "The same setting burned twice on one board comes out this much different: "
                         "growth rings, focus, warm-up."),
    "reading": ("reading", "Two readings in one swatch differ this much: the floor is not flat."),
    "gauge": ("gauge", "What needle and gauge add, the same at any depth. The gauge's own step "
                       "comes on top."),
}


def scatter(components: pd.DataFrame) -> Shown:
    """Return the variance components with what each means, and how much of it is prior.

    Parameters
    ----------
    components : DataFrame
        From `DepthFit.components`.
    """
    rows = []
    for row in components.itertuples():
        name, meaning = _MEANINGS[row.component]
        rows.append({"from": name, "about": scatter_size(row.component, row.sd),
                     "as sure as after": f"{row.df:.0f} repeats",
                     "share assumed": "0%" if row.prior_measured else f"{row.prior_share:.0%}",
                     "assumed": ("measured: " if row.prior_measured else "") + scatter_size(row.component, row.prior_sd),
                     "what it means": meaning})
    return Shown(pd.DataFrame(rows))


def scatter_size(component: str, sd: float) -> str:
    """Say a component's size: percent of the depth, or mm for the gauge."""
    return f"±{sd:.2f} mm" if component == "gauge" else f"±{100 * sd:.0f} %"


def _cell(value, form: str | None) -> str:
    if isinstance(value, bool) or type(value).__name__ == "bool_":
        return "yes" if value else ""
    if not isinstance(value, str) and pd.isna(value):
        return ""
    return form.format(value) if form else str(value)
