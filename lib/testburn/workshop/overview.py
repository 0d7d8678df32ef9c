"""Overview: the state of a lab book at a glance, and what to do next.

Decides what the map shows of each species × module: how many boards, when it was last burned and
how long ago that is, and whether finished jobs still come out as promised. What is asked for next
comes in order of weight: a machine that drifts, then curves resting on one board, then old burns.
A year as the age at which burns are called old is common practice, no source.
"""

import datetime
from dataclasses import dataclass

import pandas as pd

from testburn import drift
from testburn.depthfit import DepthFit
from testburn.labbook import Machine, columns, shown

OLD_DAYS = 365
_MOST_STEPS = 6
_BOX = ' style="text-align: left; vertical-align: top; border: 1px solid #999; padding: 4px 10px"'
_CALM = ("in step", "no jobs", "too few jobs")


def state(readings: pd.DataFrame, fit: DepthFit | None, jobs: pd.DataFrame,
          today: datetime.date | None = None, log: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return a row for each species × module × wavelength that was ever burned.

    Parameters
    ----------
    readings : DataFrame
        From `labbook.read`.
    fit : DepthFit, optional
        None where nothing could be fitted yet.
    jobs : DataFrame
        From `jobs.read`.
    today : date, optional
    log : DataFrame, optional
        Of the machine, from `machinelog.read`.

    Returns
    -------
    DataFrame
        species, module_w, wavelength_nm, module, boards, last_burn, age_days, jobs, drift, fitted.
    """
    today = pd.Timestamp(today or datetime.date.today())
    kept = readings[readings["struck_because"] == ""] if "struck_because" in readings else readings
    fitted = {tuple(getattr(group, name) for name in columns.GROUP_KEY) for group in fit.groups} if fit else set()
    rows, judged = [], drift.check(jobs, log=log)
    jobs = columns.with_module(jobs)
    for key, member in columns.with_module(kept).groupby(list(columns.GROUP_KEY), sort=True):
        own = jobs[(jobs[list(columns.GROUP_KEY)] == list(key)).all(axis=1)]
        last = pd.to_datetime(member["burned_on"]).max()
        rows.append(dict(zip(columns.GROUP_KEY, key)) | {
            "boards": member["board"].nunique(), "last_burn": last, "age_days": (today - last).days,
            "jobs": own["burn"].nunique(), "drift": drift.state(judged, *key), "fitted": key in fitted})
    return pd.DataFrame(rows, columns=[*columns.GROUP_KEY, "boards", "last_burn", "age_days", "jobs", "drift",
                                       "fitted"])


@dataclass(frozen=True, eq=False)
class Grid:
    """Species down, modules across; in each field what the lab book has there."""

    table: pd.DataFrame

    @property
    def fields(self) -> pd.DataFrame:
        """The grid as text; an empty field was never burned."""
        known = columns.with_module(self.table)
        said = known.assign(
            module=[f"{watts:g} W, {nm:g} nm" + f", {named}" * bool(named) for watts, nm, named in
                    zip(*(known[name] for name in columns.MODULE_KEY))],
            field=[_field(row) for row in self.table.itertuples()])
        order = said.drop_duplicates("module").sort_values(["wavelength_nm", "module_w"])["module"]
        return said.pivot(index="species", columns="module", values="field")[order].fillna("")

    def __repr__(self) -> str:
        return self.fields.to_string() if len(self.table) else "no burn yet"

    def _repr_html_(self) -> str:
        if self.table.empty:
            return "<i>no burn yet</i>"
        fields = self.fields
        head = "".join(f"<th{_BOX}>{shown.as_html(name)}</th>" for name in ("wood", *fields.columns))
        body = "".join(
            f"<tr><th{_BOX}>{shown.as_html(str(species))}</th>" + "".join(
                f"<td{_BOX}>{shown.as_html(text).replace('; ', '<br>')}</td>" for text in row) + "</tr>"
            for species, row in zip(fields.index, fields.to_numpy()))
        return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _field(row) -> str:
    boards = f"{row.boards} board{'s' * (row.boards != 1)}" + ("" if row.fitted else ", no curve yet")
    jobs = row.drift if row.drift == "no jobs" else f"{row.jobs} job{'s' * (row.jobs != 1)}: {'as the card said' if row.drift == 'in step' else row.drift}"
    when = "ago" if row.age_days >= 0 else "ahead"
    return f"{boards}; burned {row.last_burn:%Y-%m-%d}; {abs(row.age_days)} days {when}; {jobs}"


def next_steps(table: pd.DataFrame, machine: Machine | None = None, readings: pd.DataFrame | None = None) -> list[str]:
    """Return what to do next, in order of weight, in words.

    Parameters
    ----------
    table : DataFrame
        From `state`.
    machine : Machine, optional
        What looks wrong in machine.toml comes last, then what is still to be measured.
    readings : DataFrame, optional
        What was burned, for machine.toml to be held against.
    """
    asked = [*machine.doubts(readings), *filter(None, [machine.to_measure])] if machine else []
    if table.empty:
        return ["The lab book is empty. Plan a test burn, burn it, enter its depths.", *asked]
    said = []
    for words, rows in (
            ("finished jobs no longer come out as promised. See the notebook on finished jobs",
             table[~table["drift"].isin(_CALM)]),
            ("no curve yet. Burn more swatches, at three speeds or more", table[~table["fitted"]]),
            ("one board only. Burn another: one board cannot show how boards differ",
             table[table["fitted"] & (table["boards"] == 1)]),
            ("last burned over a year ago. Burn three swatches, or enter finished jobs",
             table[(table["age_days"] > OLD_DAYS) & (table["drift"] != "in step")]),
            ("last burned after today, by this computer. Check its clock, else the day in the burn's file",
             table[table["age_days"] < 0])):
        names = [f"{row.species} {columns.module_name(row.module, row.module_w)}" for row in columns.with_module(rows).itertuples()]
        if names:
            burned = ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")
            said.append(f"{burned}: {words}.")
    return [*said[:_MOST_STEPS], *asked] or ["Nothing is due. Print the cards, prove each board, enter finished jobs."]
