"""Job charts: what makes the depth window, and what being wrong costs, drawn.

Decides that the parts of the least depth stand one after another, each where the one above ends, with
what its uncertainty adds hatched; below them the bounds, each with what its uncertainty takes away
hatched; and the window itself as a grey band. Numbers stand in words at the left.
Of the costs, each way is one bar of its parts, each part with a colour and a pattern of its own, so that a
grey print tells them apart, and the sum stands at its end. Modules stand side by side by their minutes. They compute nothing.
"""

import pandas as pd
from plotly.graph_objects import Figure

from testburn.charts.style import LOOKS, plain, rounded, styled
from testburn.job import AT_LEAST, COSTS, Stakes, Window

_COLOURS = {True: LOOKS[6][0], False: LOOKS[1][0]}
_ROOM = 1.3
_PARTS = dict(zip(COSTS, (("minutes", ""), ("lost boards", "x"), ("burning again", "/"), ("more paint", "."))))


def window(of: Window) -> Figure:
    """Draw the terms, the bounds and the window between them."""
    rows = of.table
    figure = Figure()
    for least, named in ((True, "takes depth away"), (False, "bounds the depth")):
        part = rows[(rows["side"] == AT_LEAST) == least]
        labels = [plain(f"{row.name_}, {row.counts_mm:.2f} mm")
                  for row in part.rename(columns={"name": "name_"}).itertuples()]
        common = dict(y=labels, orientation="h", legendgroup=named, hovertext=part["what"].map(plain).tolist(),
                      hovertemplate="%{hovertext}<extra></extra>",
                      marker_line=dict(color="#222", width=1))
        figure.add_bar(**common, base=rounded(part["starts_mm"]), name=named,
                       x=rounded(part["mm"]), marker_color=_COLOURS[least])
        figure.add_bar(**common, base=rounded(part["starts_mm"] + part["mm"]),
                       name="its uncertainty adds" if least else "its uncertainty takes off",
                       x=rounded(part["margin_mm"]), marker_color="white",
                       marker_pattern=dict(shape="/" if least else "x", fgcolor="#222", bgcolor="white", size=6))
    low, high = of.at_least_mm, of.at_most_mm
    if of.feasible:
        figure.add_vrect(x0=round(low, 4), x1=round(high, 4), fillcolor="#888", opacity=0.3, line_width=0,
                         layer="below")
    for x, dash, place in ((low, "solid", "top left"), (high, "dash", "top right")):
        figure.add_vline(x=round(x, 4), line=dict(color="#222", dash=dash, width=1.5),
                         annotation=dict(text=f"{x:.2f}", yanchor="bottom"), annotation_position=place)
    figure.update_xaxes(title="depth, mm", range=[0, round(_ROOM * max(low, high), 2)])
    figure.update_yaxes(autorange="reversed", showgrid=False)
    figure.update_layout(barmode="overlay", bargap=0.25)
    title = (f"{of.variant}: {low:.2f} to {high:.2f} mm deep" if of.feasible else
             f"{of.variant}: no depth will do, {low:.2f} mm is needed and {high:.2f} mm allowed")
    figure = styled(figure, title[:1].upper() + title[1:], 220 + 26 * len(rows))
    return figure.update_layout(margin=dict(t=75, b=110), legend=dict(
        orientation="h", yref="container", y=0.01, yanchor="bottom"))


def modules(table: pd.DataFrame) -> Figure:
    """Draw the minutes of each module of `Job.modules`, with its chance and finest pitch; hatched where it is not good enough."""
    figure, rows = Figure(), table.dropna(subset=["minutes"])
    for good, name, shape in ((True, "good enough", ""), (False, "not good enough", "/")):
        part = rows[rows["good"].astype(bool) == good]
        figure.add_bar(y=part["module_name"].map(plain).tolist(), x=rounded(part["minutes"]), name=name, orientation="h",
                       marker=dict(color=LOOKS[6][0] if good else "white", line=dict(color="#222", width=1),
                                   pattern=dict(shape=shape, fgcolor="#222", size=6)),
                       hovertemplate="%{y}: %{x:.1f} minutes<extra></extra>")
    for row in rows.itertuples():
        figure.add_annotation(x=round(float(row.minutes), 4), y=plain(row.module_name), showarrow=False, xanchor="left",
                              text=f" {100 * row.chance_inside:.0f} of 100 inside, finest pitch {row.finest_pitch_mm:g} mm")
    figure.update_xaxes(title="minutes of the drawing", range=[0, round(1.7 * float(rows["minutes"].max()), 2)])
    figure.update_yaxes(autorange="reversed", showgrid=False, categoryorder="array", categoryarray=rows["module_name"].map(plain).tolist())
    figure.update_layout(barmode="overlay", bargap=0.35)
    figure = styled(figure, "Which module for this job", 190 + 50 * len(rows))
    return figure.update_layout(margin_b=100, legend=dict(orientation="h", yref="container", y=0.01, yanchor="bottom"))


def stakes(of: Stakes) -> Figure:
    """Draw the expected cost of each way as stacked parts."""
    rows, figure = of.table, Figure()
    for (column, (name, shape)), (colour, *_) in zip(_PARTS.items(), (LOOKS[6], LOOKS[1], LOOKS[5], LOOKS[4])):
        figure.add_bar(
            y=rows["way"], x=rounded(rows[column]), name=name, orientation="h",
            marker=dict(color=colour, line=dict(color="#222", width=1),
                        pattern=dict(shape=shape, fgcolor="#222", size=6, solidity=0.25)),
            hovertemplate="%{y}, " + name + ": %{x:.2f}<extra></extra>")
    for row in rows.itertuples():
        figure.add_annotation(x=round(float(row.expected_cost), 4), y=row.way, showarrow=False, xanchor="left",
                              text=f" <b>{row.expected_cost:.2f}</b>, {100 * row.chance_inside:.0f} % inside")
    figure.update_xaxes(title="expected cost of the job, in your money",
                        range=[0, round(1.35 * float(rows["expected_cost"].max()), 2)])
    figure.update_yaxes(autorange="reversed", showgrid=False)
    figure.update_layout(barmode="stack", bargap=0.35)
    figure = styled(figure, "The cost of being wrong", 340)
    return figure.update_layout(margin_b=100, legend=dict(
        orientation="h", traceorder="normal", yref="container", y=0.01, yanchor="bottom"))
