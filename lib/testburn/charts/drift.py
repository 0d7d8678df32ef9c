"""Drift charts: finished jobs against their cards, drawn.

Decides how a fade and an odd board look: single jobs with the limits their own scatter sets, the
moving average that a lasting shift bends, and each board beside the others. Every number comes from
`drift`. Woods differ in mark as well as colour; limits are dashed.
"""

import pandas as pd
from plotly.graph_objects import Figure

from testburn.charts.style import LOOKS, plain, rounded, styled
from testburn.drift import Drift, MODULE

_DASHED = dict(color="#222", dash="dash", width=1.5)


def individuals(found: Drift, module_w: float, wavelength_nm: float | None = None,
                module: str | None = None) -> Figure:
    """Draw each job's deviation from its card in percent, with the individuals chart's limits."""
    rows, title = _of(found.jobs, found, module_w, wavelength_nm, module)
    figure = _jobs(rows, "off_pct")
    for column, words in (("upper_pct", "limits"), ("lower_pct", "")):
        _level(figure, rows, column, _DASHED, words)
    _level(figure, rows, "centre_pct", dict(color="#222", dash="dot", width=1.5), "mean")
    _since(figure, found, rows)
    figure.update_yaxes(title="deeper than the card said, %")
    return _numbered(figure, rows, title, "single jobs")


def ewma(found: Drift, module_w: float, wavelength_nm: float | None = None,
         module: str | None = None) -> Figure:
    """Draw the moving average of what each job adds to the jobs before it on its board."""
    rows, title = _of(found.jobs, found, module_w, wavelength_nm, module)
    figure = _jobs(rows, "fresh_z")
    figure.add_scatter(x=rows["number"].tolist(), y=rounded(rows["ewma"]), mode="lines",
                       name="moving average", line=dict(color="#000", width=2.5),
                       hovertemplate="%{y:+.2f}<extra>moving average</extra>")
    for column, words in (("ewma_upper", "its limits"), ("ewma_lower", "")):
        _level(figure, rows, column, _DASHED, words)
    _since(figure, found, rows)
    figure.update_yaxes(title="off its card, in standard deviations")
    return _numbered(figure, rows, title, "moving average")


def boards(found: Drift, module_w: float, wavelength_nm: float | None = None,
           module: str | None = None) -> Figure:
    """Draw how far each board is off its cards, in the order they were used, newest lowest."""
    rows, title = _of(found.boards, found, module_w, wavelength_nm, module)
    figure, names = Figure(), _board_names(rows)
    for name, rows_of, look in _by_wood(rows):
        figure.add_scatter(
            x=rounded(rows_of["off_pct"]), y=[names[place] for place in rows_of.index],
            mode="markers", name=name, marker=look,
            error_x=dict(type="data", symmetric=False, thickness=1.5, color=look["color"],
                         array=rounded(rows_of["upper_pct"] - rows_of["off_pct"]),
                         arrayminus=rounded(rows_of["off_pct"] - rows_of["lower_pct"])),
            hovertemplate="%{y}: %{x:+.0f} %<extra></extra>")
    figure.add_vline(x=0, line_color="#444")
    figure.update_xaxes(title="deeper than the card said, %, with 95 % limits of the board")
    figure.update_yaxes(autorange="reversed", categoryorder="array",
                        categoryarray=names.tolist())
    return styled(figure, f"{title}: boards", 180 + 22 * len(rows))


def _of(rows, found, module_w, wavelength_nm, module) -> tuple[pd.DataFrame, str]:
    """Return a module's rows and its name; where its watts could mean several, the first."""
    own = rows[(rows["module_w"] - module_w).abs() < 1e-9]
    nm = own["wavelength_nm"].min() if wavelength_nm is None else wavelength_nm
    own = own[own["wavelength_nm"] == nm]
    own = own[own["module"] == (own["module"].min() if module is None else module)].reset_index(drop=True)
    if own.empty:
        return own, f"{module_w:g} W: no finished jobs"
    invented, named = found.jobs["invented"].any(), own["module"].iloc[0]
    return own, f"{module_w:g} W at {nm:g} nm" + f", {plain(named)}" * bool(named) + ", finished jobs" + " (invented data)" * bool(invented)


def _jobs(rows, column) -> Figure:
    """Return a figure with a mark a job, told apart by wood."""
    figure = Figure()
    for name, rows_of, look in _by_wood(rows):
        figure.add_scatter(x=rows_of["number"].tolist(), y=rounded(rows_of[column]),
                           mode="markers", name=name, marker=look, text=_job_words(rows_of),
                           hovertemplate="%{text}<extra></extra>")
    return figure


def _by_wood(rows):
    """Return each wood's name, rows and mark."""
    for place, (species, own) in enumerate(rows.groupby("species", sort=True)):
        colour, _, mark = LOOKS[place % len(LOOKS)]
        yield plain(species), own, dict(symbol=mark, size=10, color=colour,
                                                line=dict(color="#222", width=1))


def _board_names(rows) -> pd.Series:
    return rows["board"].map(plain) + ", " + rows["species"].map(plain)


def _job_words(rows) -> list[str]:
    """Return each job in words, for hovering."""
    return [f"job {plain(row.job)}, {row.finished_on:%Y-%m-%d}<br>"
            f"{plain(row.species)}, board {plain(row.board)}<br>"
            f"{row.depth_mm:.2f} mm, the card said {row.expected_mm:.2f} mm ({row.off_pct:+.0f} %)"
            for row in rows.itertuples()]


def _level(figure, rows, column, line, words) -> None:
    if len(rows) and rows[column].notna().all():
        figure.add_scatter(x=[0.5, len(rows) + 0.5], y=rounded([rows[column].iloc[0]] * 2),
                           mode="lines", line=line, name=words, hoverinfo="skip",
                           showlegend=bool(words))


def _since(figure, found, rows) -> None:
    """Draw where the verdict sees a lasting shift begin."""
    if rows.empty:
        return
    said = found.table[(found.table[MODULE] == rows[MODULE].iloc[0]).all(axis=1)].iloc[0]
    if said["reason"] == "fade":
        number = int(rows.loc[rows["job"] == said["since"], "number"].iloc[0])
        figure.add_vline(x=number - 0.5, line=dict(color="#222", width=2),
                         annotation_text=f"{said['state']} since {plain(said['since'])}",
                         annotation_position="top")


def _numbered(figure, rows, title, what) -> Figure:
    figure.add_hline(y=0, line=dict(color="#888", width=1))
    figure.update_xaxes(title="job, in the order they were finished", tickvals=rows["number"].tolist(),
                        ticktext=rows["job"].map(plain).tolist(),
                        range=[0.5, max(len(rows), 1) + 0.5])
    return styled(figure, f"{title}: {what}", 440)
