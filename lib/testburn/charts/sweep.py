"""Sweep charts: where the head goes, what its minutes are spent on, and which way is fastest when.

Decides how burning, blank wood, turns and travel are told apart (darkness, dash and pattern
together, so that a grey print still can). Charts compute nothing: every number comes from the plan of
the sweeps or from the timed runs.
"""

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from testburn.charts import linespicture
from testburn.charts.curves import _LOOKS, _plain, _rounded, _style
from testburn.charts.linespicture import BLANK, BURN, RUN_UP, TRAVEL
from testburn.sweep.sweeps import SweepPlan
from testburn.sweep.timedruns import Calibration

_STROKES = {
    BLANK: dict(color="#9AA5B1", width=1), RUN_UP: dict(color="#D98A4B", width=1, dash="dash"),
    BURN: dict(color="#111111", width=2.5), TRAVEL: dict(color="#0072B2", width=2, dash="dot"),
}
_SPENT = {
    "burn_minutes": ("burning", "#222222", ""), "blank_minutes": ("blank wood", "#C4CCD4", "/"),
    "turn_minutes": ("run-up and turns", "#E8B48A", "x"), "travel_minutes": ("travel", "#7FB8DC", "."),
}


def sweeps(plan: SweepPlan, speed_mm_s: float) -> go.Figure:
    """Draw the artwork to scale as it is swept in each way, a panel a way, lines thinned."""
    strokes, table = linespicture.strokes(plan, speed_mm_s), plan.table(speed_mm_s).set_index("way")
    figure = make_subplots(
        1, len(plan.ways), shared_yaxes=True, horizontal_spacing=0.03,
        subplot_titles=[f"{way}: {row.minutes:.1f} min" + ", fastest" * row.fastest
                        for way, row in table.iterrows()])
    for place, way in enumerate(table.index, start=1):
        for kind, look in _STROKES.items():
            part = strokes[(strokes["way"] == way) & (strokes["kind"] == kind)]
            x, y = (_broken(part[ends]) for ends in (["x0_mm", "x1_mm"], ["y0_mm", "y1_mm"]))
            row = table.loc[way]
            figure.add_scatter(
                x=x, y=y, mode="lines", line=look, name=kind, legendgroup=kind, showlegend=place == 1,
                connectgaps=False, row=1, col=place,
                hovertemplate=f"{kind}: {row[_MINUTES_OF[kind]]:.1f} min in all<br>%{{x:.1f}} mm across, "
                              "%{y:.1f} mm down<extra></extra>")
        figure.update_yaxes(scaleanchor=f"x{place if place > 1 else ''}", row=1, col=place)
    figure.update_xaxes(title="along the lines, mm")
    figure.update_yaxes(autorange="reversed")
    figure.update_yaxes(title="mm", col=1)
    _style(figure, f"Where the head goes at {speed_mm_s:g} mm/s", 400,
           under=f"{_plain(plan.artwork.name)}, lines {plan.line_pitch_mm:g} mm apart, a few of them drawn")
    return figure.update_layout(margin=dict(t=100, b=110), legend=dict(orientation="h", y=-0.3, yanchor="top"))


_MINUTES_OF = {BURN: "burn_minutes", BLANK: "blank_minutes", RUN_UP: "turn_minutes", TRAVEL: "travel_minutes"}


def _broken(ends: pd.DataFrame) -> list:
    """Return both ends of every stroke in one row, a gap after each."""
    return [number for start, end in zip(*(_rounded(ends[name]) for name in ends)) for number in (start, end, None)]


def spent(plan: SweepPlan, speed_mm_s: float, passes: int = 1) -> go.Figure:
    """Draw what each way's minutes are spent on, as stacked bars."""
    table = plan.table(speed_mm_s, passes)
    figure = go.Figure([go.Bar(
        x=_rounded(table[column]), y=table["way"], orientation="h", name=name,
        marker=dict(color=colour, line=dict(color="#222", width=1),
                    pattern=dict(shape=shape, fgcolor="#333", size=7, solidity=0.25)),
        hovertemplate="%{y}, " + name + ": %{x:.1f} min<extra></extra>")
        for column, (name, colour, shape) in _SPENT.items()])
    for row in table.itertuples():
        figure.add_annotation(x=round(row.minutes, 4), y=row.way, text=f"{row.minutes:.1f} min", showarrow=False,
                              xanchor="left", xshift=6)
    figure.update_xaxes(title="minutes", range=[0, round(1.12 * table["minutes"].max(), 4)])
    figure.update_yaxes(autorange="reversed")
    _style(figure, f"What the minutes are spent on at {speed_mm_s:g} mm/s", 340)
    return figure.update_layout(barmode="stack", margin_b=110,
                                legend=dict(orientation="h", y=-0.32, yanchor="top", traceorder="normal"))


def by_speed(plan: SweepPlan, speeds_mm_s=None, passes: int = 1) -> go.Figure:
    """Draw minutes over speed for each way, and where another way becomes the fastest."""
    speeds = plan.machine.speeds() if speeds_mm_s is None else np.asarray(speeds_mm_s, float)
    minutes, figure = plan.minutes(speeds, passes), go.Figure()
    for way, (colour, dash, _) in zip(minutes, _LOOKS):
        figure.add_scatter(
            x=_rounded(speeds), y=_rounded(minutes[way]), mode="lines", name=way,
            line=dict(color=colour, dash=dash, width=2.5),
            hovertemplate=f"{way}, %{{x:g}} mm/s: %{{y:.1f}} min<extra></extra>")
    for row in plan.changes(speeds).iloc[1:].itertuples():
        figure.add_vline(x=row.from_mm_s, line=dict(color="#444", dash="dot", width=1.5),
                         annotation=dict(text=f"from {row.from_mm_s:g} mm/s:<br>{row.way}", textangle=0,
                                         font_size=12, align="left", xanchor="left"))
    figure.update_xaxes(title="speed, mm/s")
    # Minutes at the lowest speeds would squeeze the rest of a plain scale.
    figure.update_yaxes(title="minutes", type="log", tickvals=[n * 10 ** k for k in range(-1, 6) for n in (1, 2, 5)])
    return _style(figure, "Minutes over speed, by way", 420,
                  under=f"{_plain(plan.artwork.name)}, lines {plan.line_pitch_mm:g} mm apart")


def timed(calibration: Calibration) -> go.Figure:
    """Draw what each run should have taken by the fit against the stopwatch."""
    runs = calibration.runs
    ends = _rounded([0, 1.1 * runs[["expected_seconds", "seconds"]].to_numpy().max()])
    figure = go.Figure(go.Scatter(x=ends, y=ends, mode="lines", name="as expected", hoverinfo="skip",
                                  line=dict(color="#444", dash="dash", width=1.5)))
    figure.add_scatter(
        x=_rounded(runs["expected_seconds"]), y=_rounded(runs["seconds"]), mode="markers", name="timed runs",
        marker=dict(symbol="circle", size=11, color="white", line=dict(color="#0072B2", width=2.5)),
        text=[f"run {_plain(row.run)}: {row.width_mm:g} × {row.height_mm:g} mm at {row.speed_mm_s:g} mm/s<br>"
              f"{row.residual_seconds:+.1f} s off" for row in runs.itertuples()],
        hovertemplate="%{text}<extra></extra>")
    figure.update_xaxes(title="expected from acceleration and turns, s", rangemode="tozero")
    figure.update_yaxes(title="by the stopwatch, s", rangemode="tozero")
    return _style(figure, "Timed runs against the fit", 400,
                  under=f"{calibration.acceleration_mm_s2:.0f} mm/s², {calibration.turn_overhead_s:.3f} s a turn")
