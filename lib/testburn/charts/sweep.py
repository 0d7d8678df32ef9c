"""Sweep charts: where the head goes, what its minutes are spent on, and which way is fastest when.

Decides how burning, blank wood, turns and travel are told apart (darkness, dash and pattern
together, so that a grey print still can), and which strokes stand for a sweep: a few of its lines, evenly
thinned, each with what burns, what is swept blank, and the run-up and run-out at its ends; and the travel
from sweep to sweep. Charts compute nothing: every number comes from the plan of the sweeps or from the
timed runs.
"""

import numpy as np
import pandas as pd
from plotly.graph_objects import Bar, Figure, Scatter
from plotly.subplots import make_subplots

from testburn.charts.style import LOOKS, plain, rounded, styled
from testburn.sweep import SweepPlan, heads, lines, run_up_mm, timedruns

BURN, BLANK, RUN_UP, TRAVEL = "burning", "blank wood", "run-up and turn", "travel"
_MOST_SPEEDS = 2000
_STROKES = {
    BLANK: dict(color="#9AA5B1", width=1), RUN_UP: dict(color="#D98A4B", width=1, dash="dash"),
    BURN: dict(color="#111111", width=2.5), TRAVEL: dict(color="#0072B2", width=2, dash="dot"),
}
_SPENT = {
    "burn_minutes": ("burning", "#222222", ""), "blank_minutes": ("blank wood", "#C4CCD4", "/"),
    "turn_minutes": ("run-up and turns", "#E8B48A", "x"), "travel_minutes": ("travel", "#7FB8DC", "."),
}


def sweeps(plan: SweepPlan, speed_mm_s: float) -> Figure:
    """Draw the artwork to scale as it is swept in each way, a panel a way, lines thinned."""
    drawn, table = strokes(plan, speed_mm_s), plan.table(speed_mm_s).set_index("way")
    figure = make_subplots(
        1, len(plan.ways), shared_yaxes=True, horizontal_spacing=0.03,
        subplot_titles=[f"{way}: {_span(row)}" + ", fastest" * row.fastest
                        for way, row in table.iterrows()])
    for place, way in enumerate(table.index, start=1):
        for kind, look in _STROKES.items():
            part = drawn[(drawn["way"] == way) & (drawn["kind"] == kind)]
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
    styled(figure, f"Where the head goes at {_said(plan, speed_mm_s)}", 400,
           under=f"{plain(plan.artwork.name)}, pitch {plan.line_pitch_mm:g} mm, a few lines drawn")
    return figure.update_layout(margin=dict(t=100, b=110), legend=dict(orientation="h", y=-0.3, yanchor="top"))


_MINUTES_OF = {BURN: "burn_minutes", BLANK: "blank_minutes", RUN_UP: "turn_minutes", TRAVEL: "travel_minutes"}


def _span(row) -> str:
    """Return a way's minutes, a range where the machine does not say how briskly its head speeds up."""
    ends = list(dict.fromkeys(f"{end:.1f}" for end in (row.least_minutes, row.minutes)))
    return f"{' to '.join(ends)} min"


def _said(plan: SweepPlan, speed_mm_s: float) -> str:
    return plan.machine.units.said("speed_mm_s", speed_mm_s)


def _head(plan: SweepPlan) -> str:
    """Return whose minutes are drawn where the machine does not say."""
    return "" if plan.known else f" by a slow head ({heads(plan.machine)[1].acceleration_mm_s2:g} mm/s²)"


def _broken(ends: pd.DataFrame) -> np.ndarray:
    """Return both ends of every stroke in one row, a gap after each; single precision draws a micrometre, in half the bytes."""
    return np.column_stack([*(rounded(ends[name]) for name in ends), np.full(len(ends), np.nan)]).ravel().astype(np.float32)


def spent(plan: SweepPlan, speed_mm_s: float, passes: int = 1) -> Figure:
    """Draw what each way's minutes are spent on, as stacked bars."""
    table = plan.table(speed_mm_s, passes)
    figure = Figure([Bar(
        x=rounded(table[column]), y=table["way"], orientation="h", name=name,
        marker=dict(color=colour, line=dict(color="#222", width=1),
                    pattern=dict(shape=shape, fgcolor="#333", size=7, solidity=0.25)),
        hovertemplate="%{y}, " + name + ": %{x:.1f} min<extra></extra>")
        for column, (name, colour, shape) in _SPENT.items()])
    for row in table.itertuples():
        figure.add_annotation(x=round(row.minutes, 4), y=row.way, text=_span(row), showarrow=False,
                              xanchor="left", xshift=6)
    figure.update_xaxes(title="minutes", range=[0, round(1.12 * table["minutes"].max(), 4)])
    figure.update_yaxes(autorange="reversed")
    styled(figure, f"What the minutes are spent on at {_said(plan, speed_mm_s)}{_head(plan)}", 340)
    return figure.update_layout(barmode="stack", margin_b=110,
                                legend=dict(orientation="h", y=-0.32, yanchor="top", traceorder="normal"))


def by_speed(plan: SweepPlan, speeds_mm_s=None, passes: int = 1) -> Figure:
    """Draw minutes over speed for each way, and where another way becomes the fastest."""
    speeds = plan.machine.speeds(_MOST_SPEEDS) if speeds_mm_s is None else np.asarray(speeds_mm_s, float)
    minutes, figure, unit = plan.minutes(speeds, passes), Figure(), plan.machine.units.of("speed_mm_s")
    across = unit.of(speeds)
    # The machine's own speeds stand at even distances: a start and a step say them all.
    x = ({"x": rounded(across)} if speeds_mm_s is not None or len(across) < 2 else
         {"x0": round(float(across[0]), 9), "dx": round(float(across[-1] - across[0]) / (len(across) - 1), 9)})
    for way, (colour, dash, _) in zip(minutes, LOOKS):
        figure.add_scatter(
            **x, y=rounded(minutes[way]), mode="lines", name=way,
            line=dict(color=colour, dash=dash, width=2.5),
            hovertemplate=f"{way}, %{{x:g}} {unit.name}: %{{y:.1f}} min<extra></extra>")
    for row in plan.changes(speeds).iloc[1:].itertuples():
        figure.add_vline(x=unit.of(row.from_mm_s), line=dict(color="#444", dash="dot", width=1.5),
                         annotation=dict(text=f"from {unit.words(row.from_mm_s)}:<br>{row.way}", textangle=0,
                                         font_size=12, align="left", xanchor="left"))
    figure.update_xaxes(title=f"speed, {unit.name}")
    # Minutes at the lowest speeds would squeeze the rest of a plain scale.
    figure.update_yaxes(title="minutes", type="log", tickvals=[n * 10 ** k for k in range(-1, 6) for n in (1, 2, 5)])
    return styled(figure, f"Minutes over speed, by way{_head(plan)}", 420,
                  under=f"{plain(plan.artwork.name)}, pitch {plan.line_pitch_mm:g} mm")


def timed(calibration: timedruns.Calibration) -> Figure:
    """Draw what each run should have taken by the fit against the stopwatch."""
    runs = calibration.runs
    ends = rounded([0, 1.1 * runs[["expected_seconds", "seconds"]].to_numpy().max()])
    figure = Figure(Scatter(x=ends, y=ends, mode="lines", name="as expected", hoverinfo="skip",
                                  line=dict(color="#444", dash="dash", width=1.5)))
    figure.add_scatter(
        x=rounded(runs["expected_seconds"]), y=rounded(runs["seconds"]), mode="markers", name="timed runs",
        marker=dict(symbol="circle", size=11, color="white", line=dict(color="#0072B2", width=2.5)),
        text=[f"run {plain(row.run)}: {row.width_mm:g} × {row.height_mm:g} mm at {row.speed_mm_s:g} mm/s<br>"
              f"{row.residual_seconds:+.1f} s off" for row in runs.itertuples()],
        hovertemplate="%{text}<extra></extra>")
    figure.update_xaxes(title="expected from acceleration and turns, s", rangemode="tozero")
    figure.update_yaxes(title="by the stopwatch, s", rangemode="tozero")
    return styled(figure, "Timed runs against the fit", 400,
                  under=f"{calibration.acceleration_mm_s2:.0f} mm/s², {calibration.turn_overhead_s:.3f} s a turn")


def strokes(plan: SweepPlan, speed_mm_s: float, most_lines: int = 60) -> pd.DataFrame:
    """Return the strokes of every way: way, kind, x0_mm, y0_mm, x1_mm, y1_mm.

    Parameters
    ----------
    plan : SweepPlan
    speed_mm_s : float
        The run-up grows with it.
    most_lines : int
        How many of the artwork's lines are drawn at most.
    """
    _, top, _, bottom = plan.artwork.bounds_mm
    at = lines.positions_mm(top, bottom, plan.line_pitch_mm)
    at = at[(len(at) - 1) % max(1, len(at) // most_lines) // 2::max(1, len(at) // most_lines)]
    head = heads(plan.machine)[1]
    # A head that runs up on the wood does so inside what is swept.
    run_up = float(run_up_mm(speed_mm_s, head.acceleration_mm_s2)) if head.runs_up_outside else 0.0
    line, piece, left, right = lines.cut(plan.artwork, at)
    spans = pd.DataFrame({"line": line, "piece": piece, "x0_mm": left, "x1_mm": right, "y0_mm": at[line]})
    return pd.concat([_of(way, spans, at, run_up, plan.machine.skips_blanks) for way in plan.ways],
                     ignore_index=True)


def _of(way, spans, at_mm, beyond_mm, skips_blanks) -> pd.DataFrame:
    """Return the strokes of one way."""
    if skips_blanks:
        swept = spans.assign(sweep=way.sweep_of_piece[spans["piece"]]).groupby(["sweep", "line"]).agg(
            x0_mm=("x0_mm", "min"), x1_mm=("x1_mm", "max"), y0_mm=("y0_mm", "first"))
    else:
        swept = pd.DataFrame([(box.left_mm, box.right_mm, y) for box in way.boxes.itertuples()
                              for y in at_mm[(at_mm >= box.top_mm) & (at_mm <= box.bottom_mm)]],
                             columns=["x0_mm", "x1_mm", "y0_mm"])
    before = swept.assign(x1_mm=swept["x0_mm"], x0_mm=swept["x0_mm"] - beyond_mm)
    after = swept.assign(x0_mm=swept["x1_mm"], x1_mm=swept["x1_mm"] + beyond_mm)
    level = pd.concat([spans.assign(kind=BURN), swept.assign(kind=BLANK),
                       *([before.assign(kind=RUN_UP), after.assign(kind=RUN_UP)] if beyond_mm else [])])
    boxes = way.boxes
    travel = pd.DataFrame({
        "kind": TRAVEL, "x0_mm": boxes["end_mm"][:-1].to_numpy(), "y0_mm": boxes["bottom_mm"][:-1].to_numpy(),
        "x1_mm": boxes["begin_mm"][1:].to_numpy(), "y1_mm": boxes["top_mm"][1:].to_numpy()})
    drawn = pd.concat([level.assign(y1_mm=level["y0_mm"]), travel])
    return drawn.assign(way=way.name)[["way", "kind", "x0_mm", "y0_mm", "x1_mm", "y1_mm"]]
