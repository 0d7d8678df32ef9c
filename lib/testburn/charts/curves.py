"""Curve charts: what the fit says, drawn.

Decides which curves, bands and readings stand in a chart, one wood or several, one module or all. A
wood keeps its look wherever it is drawn. Charts compute nothing: every number comes from the fit.
"""

import numpy as np
import pandas as pd
from plotly.graph_objects import Figure, Scatter
from plotly.subplots import make_subplots

from testburn import energy
from testburn.charts.style import AXIS_WORDS, BOARD_MARKS, LOOKS, plain, rounded, styled
from testburn.depthfit import DepthFit, ENERGY, GroupFit, LEVEL, NEXT, compare
from testburn.units import Units

_POINTS = 60


def _look(fit: DepthFit, species: str) -> tuple[str, str, str]:
    place = sorted({group.species for group in fit.groups}).index(species)
    colour = LOOKS[place % len(LOOKS)][0]
    # Beyond the last colour the dashes and marks move on by one, so that no two woods look alike.
    return colour, *LOOKS[(place + place // len(LOOKS)) % len(LOOKS)][1:]


def _band(fit: DepthFit, group: GroupFit, line_pitch_mm: float, of: str, board: str = NEXT):
    """Return the predicted band on a grid of line energies from the lowest burned to the highest."""
    low, high = group.line_energy_of(np.array(group.doses), line_pitch_mm)
    return fit.band(group, np.linspace(low, high, _POINTS), line_pitch_mm, of=of, board=board)


def _setting_words(rows: pd.DataFrame) -> list[str]:
    """Return each reading's setting in shop units, for hovering."""
    lines = energy.lines_per_cm(rows["line_pitch_mm"])
    return [f"board {board}, burn {burn}, swatch {swatch}<br>{power:g} %, {speed:g} mm/s, "
            f"{per_cm:g} lines/cm, {passes} pass(es)<br>{depth:g} mm ({energy.inches_from_mm(depth):.3f} in)"
            for board, burn, swatch, power, speed, per_cm, passes, depth in zip(
                rows["board"].map(plain), rows["burn"].map(plain), rows["swatch"].map(plain),
                rows["power_pct"], rows["speed_mm_s"], lines, rows["passes"], rows["depth_mm"])]


def _band_traces(x, band, name, colour, dash, legend=True) -> list[Scatter]:
    """Return a filled interval and its middle line, tied together in the legend."""
    name = plain(name)
    red, green, blue = (int(colour[i:i + 2], 16) for i in (1, 3, 5))
    common = dict(x=rounded(x), mode="lines", legendgroup=name)
    return [
        Scatter(**common, y=rounded(band["upper_mm"]), line_width=0, hoverinfo="skip",
                   showlegend=False),
        Scatter(**common, y=rounded(band["lower_mm"]), line_width=0, hoverinfo="skip",
                   fill="tonexty", fillcolor=f"rgba({red},{green},{blue},0.12)", showlegend=False),
        Scatter(**common, y=rounded(band["depth_mm"]), name=name, showlegend=legend,
                   line=dict(color=colour, dash=dash, width=2.5),
                   hovertemplate="%{y:.2f} mm at %{x:.3f}<extra>" + name + "</extra>"),
    ]


def depth(fit: DepthFit, species: str, module_w: float, wavelength_nm: float | None = None,
          settings: pd.DataFrame | None = None, board: str = NEXT,
          ordinary: bool = False, module: str | None = None) -> Figure:
    """Draw one species × module: readings by board, the curve, its band, and chosen settings.

    With `ordinary`, also what the ordinary interval would have told you: the textbook's, which
    takes every reading for a board of its own.
    """
    group = fit.group(species, module_w, wavelength_nm, module)
    pitch = group.line_pitches_mm[0]
    colour, dash, _ = _look(fit, group.species)
    band = _band(fit, group, pitch, "reading", board)
    name = f"{'next board' if board == NEXT else 'board ' + board}, 95 % band"
    # At one pitch a line energy is a dose; at several only the dose compares.
    scale = 1.0 if group.regressor == ENERGY else 1 / pitch
    at = band[ENERGY] * scale
    figure = Figure(_band_traces(at, band, name, colour, dash))
    if ordinary:
        ends = compare.interval(compare.of_group(group), band[ENERGY] / pitch, LEVEL)
        for end, shown in zip(ends, (True, False)):
            figure.add_scatter(x=rounded(at), y=rounded(end), mode="lines",
                               name="what the ordinary interval<br>would have told you",
                               legendgroup="ordinary", showlegend=shown, hoverinfo="skip",
                               line=dict(color="#222", dash="dot", width=1.5))
    for place, (named, rows) in enumerate(group.readings.groupby("board")):
        figure.add_scatter(
            x=rounded(_energy_at(rows, pitch * scale)), y=rounded(rows["depth_mm"]),
            mode="markers", name=plain(named), text=_setting_words(rows), hovertemplate="%{text}<extra></extra>",
            marker=dict(symbol=BOARD_MARKS[place % len(BOARD_MARKS)], size=8, color="white",
                        line=dict(color="#222", width=1.4)))
    if settings is not None:
        figure.add_scatter(
            x=rounded(_energy_at(settings, pitch * scale)), y=rounded(settings["depth_mm"]),
            mode="markers", name="settings", text=_chosen_words(settings),
            hovertemplate="%{text}<extra></extra>",
            marker=dict(symbol="star", size=15, color=colour, line=dict(color="black", width=1)))
    figure.update_xaxes(title=AXIS_WORDS[group.regressor], rangemode="tozero")
    figure.update_yaxes(title="depth, mm", rangemode="tozero")
    return styled(figure, plain(group.name), under=group.rule)


def _energy_at(rows: pd.DataFrame, pitch: float) -> pd.Series:
    """Return the line energy that would lay the rows' areal dose at that pitch."""
    return rows[ENERGY] / rows["line_pitch_mm"] * pitch


def _energy_title(pitch: float) -> str:
    return f"line energy, J/mm (pitch {pitch:g} mm)"


def _chosen_words(rows: pd.DataFrame) -> list[str]:
    return [f"{row.power_pct:g} %, {row.speed_mm_s:g} mm/s, "
            f"{energy.lines_per_cm(row.line_pitch_mm):g} lines/cm<br>"
            f"{row.depth_mm:.2f} mm ({row.lower_mm:.2f} to {row.upper_mm:.2f} mm)"
            for row in rows.itertuples()]


def residuals(fit: DepthFit, species: str, module_w: float, against: str = ENERGY,
              wavelength_nm: float | None = None, module: str | None = None, units: Units = Units()) -> Figure:
    """Draw how far each reading lies from the curve, in percent, against one column, a speed in the machine's unit."""
    group, speed = fit.group(species, module_w, wavelength_nm, module), units.of("speed_mm_s")
    words = {**AXIS_WORDS, "speed_mm_s": f"speed, {speed.name}", "fitted_mm": "fitted depth, mm",
             "burned_on": "day of the burn", "order": "place of the swatch in its burn"}
    rows = fit.fitted.loc[group.readings.index]
    figure = Figure()
    for place, (board, part) in enumerate(rows.groupby("board")):
        x = part[against].astype(str) if against == "burned_on" else rounded(speed.of(part[against]) if against == "speed_mm_s" else part[against])
        figure.add_scatter(
            x=x, y=rounded(part["residual_pct"]), mode="markers", name=plain(board),
            text=_setting_words(part), hovertemplate="%{y:+.0f} %<br>%{text}<extra></extra>",
            marker=dict(symbol=BOARD_MARKS[place % len(BOARD_MARKS)], size=8, color="white",
                        line=dict(color="#222", width=1.4)))
    figure.add_hline(y=0, line_color="#444")
    figure.update_xaxes(title=words[against])
    figure.update_yaxes(title="deeper than the curve, %")
    return styled(figure, f"{plain(group.name)}: what the curve leaves over", 380)


def board_deviations(fit: DepthFit) -> Figure:
    """Draw how much deeper or shallower than its curve each burned board is, with its limits."""
    rows = fit.board_deviations
    names = [f"{plain(row.board)}, {row.module_w:g} W" for row in rows.itertuples()]
    figure = Figure()
    for species, part in rows.groupby("species", sort=True):
        colour, _, mark = _look(fit, species)
        figure.add_scatter(
            x=rounded(part["board_pct"]), y=[names[place] for place in part.index], name=plain(species),
            mode="markers", marker=dict(symbol=mark, size=10, color=colour),
            error_x=dict(type="data", symmetric=False, thickness=1.5, color=colour,
                         array=rounded(part["upper_pct"] - part["board_pct"]),
                         arrayminus=rounded(part["board_pct"] - part["lower_pct"])),
            hovertemplate="%{y}: %{x:+.0f} %<extra></extra>")
    figure.add_vline(x=0, line_color="#444")
    figure.update_xaxes(title="deeper than the curve of its wood and module, %")
    figure.update_yaxes(autorange="reversed")
    return styled(figure, "Each board's own deviation", 160 + 20 * len(rows))


def chance(options: pd.DataFrame, choice: pd.Series, wanted: float, units: Units = Units()) -> Figure:
    """Draw the chance to land inside the window over speed, the fastest good setting marked.

    Parameters
    ----------
    options : DataFrame
        From `settings.by_speed`: speed_mm_s, chance_inside, depth_mm, minutes.
    choice : Series
        The chosen row of `settings.choose`.
    wanted : float
        The chance asked for.
    units : Units
        Those of the machine.
    """
    speed = units.of("speed_mm_s")
    figure = Figure(Scatter(
        x=rounded(speed.of(options["speed_mm_s"])), y=rounded(100 * options["chance_inside"]), mode="lines",
        line=dict(color="#0072B2", width=2.5), name="chance", showlegend=False,
        text=[f"{depth:.2f} mm, {minutes:.1f} min" for depth, minutes
              in zip(options["depth_mm"], options["minutes"])],
        hovertemplate="%{x:g} " + speed.name + ": %{y:.0f} %<br>%{text}<extra></extra>"))
    figure.add_hline(y=100 * wanted, line=dict(color="#444", dash="dash"),
                     annotation_text=f"wanted: {100 * wanted:g} %", annotation_position="top left")
    figure.add_scatter(
        x=rounded([speed.of(choice["speed_mm_s"])]), mode="markers+text",
        y=rounded([100 * choice["chance_inside"]]), showlegend=False,
        text=[speed.words(choice["speed_mm_s"])], textposition="top right",
        marker=dict(symbol="star", size=16, color="#D55E00", line=dict(color="black", width=1)))
    figure.update_xaxes(title=f"speed, {speed.name}")
    figure.update_yaxes(title="chance to land inside, %", range=[0, 105])
    return styled(figure, f"Chance over speed at {units.said('power_pct', choice['power_pct'])}, "
                          f"{units.said('line_pitch_mm', choice['line_pitch_mm'])}", 380)


def by_module(fit: DepthFit, line_pitch_mm: float) -> Figure:
    """Draw small multiples: one panel a module, every species in it, same axes throughout."""
    modules = list(dict.fromkeys(_module(group) for group in fit.groups))
    modules.sort(key=lambda module: (module[1], module[0], module[2]))
    figure = make_subplots(
        1, len(modules), shared_yaxes=True, horizontal_spacing=0.03,
        subplot_titles=[f"{watts:g} W, {nm:g} nm" + f", {plain(named)}" * bool(named) for watts, nm, named in modules])
    shown = set()
    for group in fit.groups:
        place = modules.index(_module(group)) + 1
        colour, dash, _ = _look(fit, group.species)
        band = _band(fit, group, line_pitch_mm, "mean")
        for trace in _band_traces(band[ENERGY], band, group.species, colour, dash,
                                  group.species not in shown):
            figure.add_trace(trace, 1, place)
        shown.add(group.species)
    figure.update_xaxes(title="J/mm", matches="x", rangemode="tozero")
    figure.update_yaxes(rangemode="tozero")
    figure.update_yaxes(title="depth, mm", col=1)
    return styled(figure, f"Mean depth against line energy (pitch {line_pitch_mm:g} mm)")


def by_species(fit: DepthFit, module_w: float, line_pitch_mm: float,
               wavelength_nm: float | None = None, module: str | None = None) -> Figure:
    """Draw one module's species in one chart: readings, lines and the bands of single readings."""
    figure = Figure()
    groups = [group for group in fit.groups if np.isclose(group.module_w, module_w)
              and (wavelength_nm is None or np.isclose(group.wavelength_nm, wavelength_nm))
              and (module is None or module in (group.module, group.module_name))]
    for group in groups:
        colour, dash, mark = _look(fit, group.species)
        band = _band(fit, group, line_pitch_mm, "reading")
        figure.add_traces(_band_traces(band[ENERGY], band, group.species, colour, dash))
        rows = group.readings
        figure.add_scatter(
            x=rounded(_energy_at(rows, line_pitch_mm)), y=rounded(rows["depth_mm"]),
            mode="markers", legendgroup=plain(group.species), showlegend=False,
            text=_setting_words(rows),
            hovertemplate="%{text}<extra>" + plain(group.species) + "</extra>",
            marker=dict(symbol=mark, size=6, color=colour, opacity=0.7))
    figure.update_xaxes(title=_energy_title(line_pitch_mm), rangemode="tozero")
    figure.update_yaxes(title="depth, mm", rangemode="tozero")
    return styled(figure, f"{module_w:g} W module: woods side by side, "
                          f"{100 * LEVEL:g} % bands of single readings")


def _module(group) -> tuple[float, float, str]:
    return group.module_w, group.wavelength_nm, group.module


def energy_needed(fit: DepthFit, needs: pd.DataFrame) -> Figure:
    """Draw the line energy a depth needs, with its limits: one row a species × module.

    Parameters
    ----------
    needs : DataFrame
        From `settings.energy_needs`. A missing upper limit is drawn as none.
    """
    figure = Figure()
    modules = (needs["module_w"].map("{:g} W, ".format)
               + needs["wavelength_nm"].map("{:g} nm".format)
               + needs["module"].map(lambda named: f", {plain(named)}" * bool(named)))
    for species, rows in needs.groupby("species"):
        colour, _, mark = _look(fit, species)
        figure.add_scatter(
            x=rounded(rows["best_j_mm"]), y=[plain(species) + ", " + m for m in modules[rows.index]],
            name=plain(species), mode="markers", marker=dict(symbol=mark, size=11, color=colour),
            error_x=dict(type="data", symmetric=False, thickness=1.8, color=colour,
                         array=rounded((rows["upper_j_mm"] - rows["best_j_mm"]).fillna(0)),
                         arrayminus=rounded((rows["best_j_mm"] - rows["lower_j_mm"]).fillna(0))),
            text=rows["words"].tolist(), hovertemplate="%{text}<extra></extra>", showlegend=False)
    order = needs.sort_values(["wavelength_nm", "module_w", "species"], ascending=False).index
    if needs.empty:
        return styled(figure, "No wood was burned to this depth", 160)
    wanted = needs["depth_mm"].iloc[0]
    figure.update_xaxes(title="line energy, J/mm, with its limits", rangemode="tozero")
    figure.update_yaxes(categoryorder="array", categoryarray=[
        plain(needs["species"][i]) + ", " + modules[i] for i in order])
    return styled(figure, f"Line energy for {wanted:g} mm "
                          f"({energy.inches_from_mm(wanted):.3f} in)", 160 + 34 * len(needs))
