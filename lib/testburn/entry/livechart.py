"""Live chart: the points typed so far against what the lab book knows.

Decides what of a half-typed burn can be drawn already: every reading whose setting and depth are
numbers. Curve and band are the lab book's, without this burn, so a slip of the pen lies off the band
while the board is still under the gauge. Nothing is fitted here.
"""

import numpy as np
import pandas as pd
from plotly.graph_objects import Figure

from testburn import charts, energy
from testburn.charts import plain
from testburn.depthfit import DepthFit, DOSE
from testburn.entry.grid import as_readings
from testburn.labbook import columns

_NUMBERS = ["module_w", *columns.MACHINE_SETTING, "depth_mm"]
_HEIGHT = 270


class LiveChart:
    """Draws the typed points; curve and band of a group are computed once.

    Parameters
    ----------
    fit : DepthFit or None
        Of the lab book, where it has enough to fit.
    """

    def __init__(self, fit: DepthFit | None):
        self.fit, self._drawn = fit, {}

    def figure(self, typed: dict) -> Figure | None:
        """Return the chart, or None where nothing can be drawn yet."""
        points, group = drawable(typed), self.group(typed)
        if points.empty and group is None:
            return None
        figure = Figure(self._curve(group)) if group else _bare()
        across = DOSE if group is None else group.regressor
        at = points[DOSE] if across == DOSE else points[DOSE] * group.line_pitches_mm[0]
        figure.add_scatter(
            x=at.round(4).tolist(), y=points["depth_mm"].round(4).tolist(), mode="markers",
            name="this burn", hovertemplate="%{text}<extra>this burn</extra>",
            text=[f"swatch {plain(row.swatch)}, reading {row.reading}: {row.depth_mm:g} mm"
                  for row in points.itertuples()],
            marker=dict(symbol="diamond", size=11, color="#B3261E", line=dict(color="#222", width=1)))
        figure.update_layout(title_text="This burn against " + (
            f"the lab book: {group.name}" if group else "nothing: the lab book has no curve for it yet"))
        return figure.update_layout(
            height=_HEIGHT, title=dict(subtitle_text="", font_size=15, y=0.96),
            font_size=12, margin=dict(l=60, r=10, t=36, b=40))

    def group(self, typed):
        """Return the fitted group the header names, or None."""
        head = pd.to_numeric(as_readings({**typed, "swatches": [{"swatch": "1", "speed": "1"}]})[
            ["module_w", "wavelength_nm"]].iloc[0], errors="coerce")
        for group in self.fit.groups if self.fit else ():
            if (group.species, group.module) == (typed.get("species"), typed.get("module", "").strip()) and np.allclose(
                    [group.module_w, group.wavelength_nm], head.to_numpy(float)):
                return group
        return None

    def _curve(self, group) -> Figure:
        if group.name not in self._drawn:
            self._drawn[group.name] = charts.depth(self.fit, group.species, group.module_w,
                                                   group.wavelength_nm, module=group.module)
        return self._drawn[group.name]


def drawable(typed: dict) -> pd.DataFrame:
    """Return the typed readings that can be drawn, with their energies."""
    rows = as_readings(typed)
    numbers = rows[_NUMBERS].apply(pd.to_numeric, errors="coerce").astype(float)
    whole = numbers.notna().all(axis=1) & (numbers.drop(columns="depth_mm") > 0).all(axis=1)
    return energy.with_energy(rows.assign(**numbers)[whole & (numbers["depth_mm"] >= 0)])


def _bare() -> Figure:
    """Return axes without a curve, for a wood or module that the lab book does not know yet."""
    figure = Figure()
    figure.update_layout(template="none", font_color="#222",
                         title=dict(x=0.01, xanchor="left"))
    axis = dict(showline=True, linecolor="#444", gridcolor="#ddd", zeroline=False, ticks="outside",
                automargin=True, rangemode="tozero")
    figure.update_xaxes(title=charts.AXIS_WORDS[DOSE], **axis)
    return figure.update_yaxes(title="depth, mm", **axis)
