"""Window chart: what makes the depth window of an infill, drawn.

Decides that the parts of the least depth stand one after another, each where the one above ends, with
what its uncertainty adds hatched; below them the bounds, each with what its uncertainty takes away
hatched; and the window itself as a grey band. Numbers stand in words at the left. It computes nothing.
"""

import plotly.graph_objects as go

from testburn.charts import curves as charts
from testburn.charts.curves import _LOOKS
from testburn.job.infill import AT_LEAST, Window

_COLOURS = {True: _LOOKS[6][0], False: _LOOKS[1][0]}
_ROOM = 1.3


def window(of: Window) -> go.Figure:
    """Draw the terms, the bounds and the window between them."""
    rows = of.table
    figure = go.Figure()
    for least, named in ((True, "takes depth away"), (False, "bounds the depth")):
        part = rows[(rows["side"] == AT_LEAST) == least]
        labels = [charts._plain(f"{row.name_}, {row.counts_mm:.2f} mm")
                  for row in part.rename(columns={"name": "name_"}).itertuples()]
        common = dict(y=labels, orientation="h", legendgroup=named, hovertext=part["what"].map(charts._plain).tolist(),
                      hovertemplate="%{hovertext}<extra></extra>",
                      marker_line=dict(color="#222", width=1))
        figure.add_bar(**common, base=charts._rounded(part["starts_mm"]), name=named,
                       x=charts._rounded(part["mm"]), marker_color=_COLOURS[least])
        figure.add_bar(**common, base=charts._rounded(part["starts_mm"] + part["mm"]),
                       name="its uncertainty adds" if least else "its uncertainty takes off",
                       x=charts._rounded(part["margin_mm"]), marker_color="white",
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
    figure = charts._style(figure, title[:1].upper() + title[1:], 220 + 26 * len(rows))
    return figure.update_layout(margin=dict(t=75, b=110), legend=dict(
        orientation="h", yref="container", y=0.01, yanchor="bottom"))
