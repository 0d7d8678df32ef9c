"""Stakes chart: what being wrong costs, with and without a proof, drawn.

Decides that each way is one bar of its parts, each part with a colour and a pattern of its own, so that
a grey print tells them apart, and that the sum stands at its end. It computes nothing.
"""

import plotly.graph_objects as go

from testburn.charts import curves as charts
from testburn.charts.curves import _LOOKS
from testburn.job.stakes import COSTS, Stakes

_PARTS = dict(zip(COSTS, (("minutes", ""), ("lost boards", "x"), ("burning again", "/"), ("more paint", "."))))


def stakes(of: Stakes) -> go.Figure:
    """Draw the expected cost of each way as stacked parts."""
    rows, figure = of.table, go.Figure()
    for (column, (name, shape)), (colour, *_) in zip(_PARTS.items(), (_LOOKS[6], _LOOKS[1], _LOOKS[5], _LOOKS[4])):
        figure.add_bar(
            y=rows["way"], x=charts._rounded(rows[column]), name=name, orientation="h",
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
    figure = charts._style(figure, "The cost of being wrong", 340)
    return figure.update_layout(margin_b=100, legend=dict(
        orientation="h", traceorder="normal", yref="container", y=0.01, yanchor="bottom"))
