"""Drift: do finished jobs still come out as their cards promised, or is it time to burn again?

Decides between four reasons for a job that is off: that board, that wood's curve, a lens, setting or
curve off from the first job on, and a module that fades. Each is a pattern of jobs shifted together: one
board's, one wood's, all of them, all since some job. Generalised least squares says how far each
pattern is shifted, with everything in the jobs' covariance that their promise knew of: the curve's
error, common to a wood (between two cards of growing lab books the smaller of both variances: what an
efficient estimate shares with a later one, Hausman 1978, Econometrica 46:1251, from memory), the
board's deviation, common to every job on it (between a card made before its proof and one after, by
the same rule, what the proof left unknown), and what each job has of its own. So four jobs on one
odd board are one odd board. The pattern shifted most is the reason, if chance alone makes its kind
so large seldom enough: a lasting shift once in 20 workshops in step, an odd board or wood once in
100. A lasting shift must show on two boards at least.

Judged is the present state of the module only: the jobs since the last work on it, by the machine's log, that may have
cured a fade, with what that work may have changed in their covariance. A job is held to what its card would say of the
standard state (`finished`), so that cards which count a fade in do not hide that it lasts.

What the maker is told to look at comes in order: the likeliest and cheapest cause first (common practice,
no source).

Each module and wavelength is judged by itself: each has its own lens. The charts (`ewma`,
`individuals`, runs) are for the eye; the verdict does not rest on them.

Measured (tests/benchmarks/drift.py, boards scattering by 9 %, curves off by 4 %; 600 workshops a case, so within some 4 of
100): 20 jobs in step are told otherwise in 6 of 100 workshops, on five boards in 7. A fade of 15 % after 10 boards is called
one with 3, 4, 6 and 8 faded boards in 49, 61, 75 and 85 of 100, a fade of 25 % with 4 boards in 98, and one creeping by 2 % a
job over 8 boards in 53. A board 35 % shallower with four jobs on it is named in 69. A curve 15 % off from the first job on is
told from a fade in 75. So "in step" is no proof that nothing fades.
"""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from testburn.depthfit import Repeatability, states
from testburn.drift import controlcharts
from testburn.drift.finished import MODULE, finished
from testburn.labbook import columns, jobs, machinelog, shown

_BOARD = ["species", "board"]
_NO_LOG = pd.DataFrame(columns=[field.name for field in columns.LOG])
LASTING_P, SINGLE_P = 0.05, 0.01
FEWEST_BOARDS = 4
# A shift since the first job is believed rather than one since a later job, unless the later one
# is this much likelier (twice the difference of the log likelihoods).
_FIRST_MARGIN = 4.0
_WIPE = ("Wipe the lens: machine off and unplugged, module cool, and only with what its manual "
         "allows.")
_LOOK = "Check the focus: lens distance, board flat and down on its bed."
_AIR = "Check the air at the nozzle: on, and as strong as when the card was burned."
_BURN = ("Burn three swatches again, lowest, middle and highest setting, on a board that was burned while all was "
         "well (the check board).")
_SET = "Check that power, speed, pitch and passes were those of the card."
_SAME = ("If these come out as the jobs did, it is the curve: accept the jobs into the fit, or burn a "
         "board again. If they come out as the card says, leave the jobs out of the fit.")
_KEEP = ("Do not accept the jobs since then into the fit before the cause is known: a fit to a fogged "
         "lens is wrong once it is wiped.")


@dataclass(frozen=True, eq=False)
class Drift:
    """What finished jobs say of each module.

    Attributes
    ----------
    jobs : DataFrame
        A row per job and board, in order for each module: its key, number, job,
        finished_on, species, board, recesses, expected_mm, depth_mm, log_ratio, log_sd (board and
        curve included), off_pct, z, fresh_z (beyond what its board's earlier jobs said), ewma,
        ewma_lower, ewma_upper (of fresh_z), centre_pct, lower_pct, upper_pct (individuals chart of
        log_ratio), run (it ends eight fresh_z on one side).
    boards : DataFrame
        A row per board of a module: species, board, first_job, jobs, off_pct, lower_pct, upper_pct
        (95 % limits for what the board itself is off, curve aside).
    table : DataFrame
        The verdict, a row a module: jobs, boards, state, reason, species (empty: all), board, since,
        since_on, off_pct, lower_pct, upper_pct, p, words, advice, invented.
    """

    jobs: pd.DataFrame
    boards: pd.DataFrame
    table: pd.DataFrame

    def _repr_html_(self) -> str:
        return shown.table_as_html(self.table[["module_w", "wavelength_nm", "state", "words"]])


def check(jobs_frame: pd.DataFrame, module_w: float | None = None,
          wavelength_nm: float | None = None, species: str | None = None,
          since: datetime.date | None = None, module: str | None = None, log: pd.DataFrame | None = None,
          spreads_pct: Mapping[str, float] | None = None) -> Drift:
    """Compare finished jobs with what their cards promised, and judge each module.

    Parameters
    ----------
    jobs_frame : DataFrame
        From `jobs.read`.
    module_w, wavelength_nm, species, module : optional
        Only those jobs.
    since : date, optional
        Only jobs finished on that day or later.
    log : DataFrame, optional
        Of the machine, from `machinelog.read`: the verdict is on the jobs since the last work that may have cured a fade.
    spreads_pct : mapping, optional
        `Machine.spreads_pct`.
    """
    jobs_frame = columns.with_module(jobs_frame)
    kept = np.ones(len(jobs_frame), bool)
    for name, value in (("module_w", module_w), ("wavelength_nm", wavelength_nm)):
        if value is not None:
            kept &= np.isclose(jobs_frame[name], value)
    for name, value in (("species", species), ("module", module)):
        if value is not None:
            kept &= (jobs_frame[name] == value).to_numpy()
    if since is not None:
        kept &= (jobs_frame["burned_on"] >= pd.Timestamp(since)).to_numpy()
    rows = finished(jobs_frame[kept])
    modules = [_charted(part) for _, part in rows.groupby(MODULE, sort=True)]
    charted = pd.concat(modules, ignore_index=True) if modules else _charted(rows)
    table = pd.DataFrame([_periods(part, _NO_LOG if log is None else log, spreads_pct)[-1] for part in modules],
                         columns=[*MODULE, "jobs", "boards", "state", "reason", "species", "board",
                                  "since", "since_on", "off_pct", "lower_pct", "upper_pct", "p",
                                  "words", "advice", "invented"])
    return Drift(charted, _boards(charted), table)


def past(jobs_frame: pd.DataFrame, log: pd.DataFrame | None = None,
         spreads_pct: Mapping[str, float] | None = None) -> states.Past:
    """Return what `depthfit.fit` needs to know of the machine's past: its log, the finished jobs, and what they were called for.

    A fade is called for the jobs of each state, also of one that is over: its burns were made through it. A wood's curve
    is called for the jobs of the present state only.
    """
    rows = finished(jobs_frame)
    log = _NO_LOG if log is None else log
    said = [_periods(part, log, spreads_pct) for _, part in rows.groupby(MODULE, sort=True)]
    called = [one for periods in said for one in periods
              if one["reason"] in ("fade", "first") or one["reason"] == "wood" and one is periods[-1]]
    called = pd.DataFrame(called, columns=[*MODULE, "species", "since", "since_on"])
    return states.Past(log, rows, called, dict(spreads_pct or {}))


def past_of(book, spreads_pct: Mapping[str, float] | None = None) -> states.Past:
    """Return the machine's past as a lab book holds it; see `past`."""
    return replace(past(jobs.read(book), machinelog.read(book), spreads_pct), gauge=Repeatability.of(machinelog.repeats(book)))


def _periods(rows, log, spreads_pct) -> list[dict]:
    """Return the verdict on the jobs of each state of one module, the present one last."""
    key = tuple(rows[MODULE].iloc[0])
    opened = states.entries(log, key, spreads_pct)
    opened = opened[opened["done"].map(states.cures).astype(bool)]
    days = [pd.Timestamp.min, *opened["since"], pd.Timestamp.max]
    found = []
    for place, (begun, end) in enumerate(zip(days, days[1:])):
        part = rows[(rows["finished_on"] >= begun) & (rows["finished_on"] < end)].reset_index(drop=True)
        work = opened.iloc[place - 1] if place else None
        unsure = 0.0 if work is None else float(work["sd"])
        part = part.assign(number=np.arange(1, len(part) + 1))
        said = _verdict(part, unsure) if len(part) else _nothing_yet(rows, work)
        if work is not None and len(part):
            said["words"] = f"Since the machine's log says {work['done']} ({work['since']:%Y-%m-%d}): {said['words']}"
        found.append(said)
    return found


def _nothing_yet(rows, work) -> dict:
    """Return the verdict of a state that no job was finished in."""
    since = "" if work is None else f" since {work['done']} ({work['since']:%Y-%m-%d})"
    return {**rows[MODULE].iloc[0], "jobs": 0, "boards": 0, "state": "too few jobs", "reason": "", "species": "", "board": "",
            "since": "", "since_on": pd.NaT, "off_pct": np.nan, "lower_pct": np.nan, "upper_pct": np.nan, "p": np.nan,
            "words": f"No job was finished{since}.", "advice": "", "invented": bool(rows["invented"].any())}


def state(found: Drift | pd.DataFrame, species: str, module_w: float,
          wavelength_nm: float | None = None, module: str | None = None) -> str:
    """Return one short word for a species × module: the cell of a map.

    Returns
    -------
    str
        no jobs, too few jobs, in step, shallower, deeper or odd board. A module that fades does so
        for every wood that has jobs on it.
    """
    found = found if isinstance(found, Drift) else check(found, module_w, wavelength_nm, module=module)
    own = found.jobs[(found.jobs["species"] == species) & np.isclose(found.jobs["module_w"], module_w)]
    if wavelength_nm is not None:
        own = own[np.isclose(own["wavelength_nm"], wavelength_nm)]
    if module is not None:
        own = own[own["module"] == module]
    if own.empty:
        return "no jobs"
    said = found.table[(found.table[MODULE] == own[MODULE].iloc[0]).all(axis=1)].iloc[0]
    return said["state"] if said["species"] in ("", species) else "in step"


def _charted(rows) -> pd.DataFrame:
    """Add the columns that are drawn: fresh z, its EWMA and runs, the individuals chart."""
    rows = rows.reset_index(drop=True)
    # Cholesky's rows in order of time: each value less what the earlier ones on its board foretell.
    root = np.linalg.cholesky(states.covariance(rows, common_curve=False)) if len(rows) else np.zeros((0, 0))
    fresh = np.linalg.solve(root, rows["log_ratio"].to_numpy(float))
    mean = controlcharts.ewma(fresh, 0.0, 1.0)
    single = 100 * np.expm1(controlcharts.individuals(rows["log_ratio"])[["centre", "lower", "upper"]])
    return rows.assign(number=np.arange(1, len(rows) + 1), fresh_z=fresh, ewma=mean["ewma"],
                       ewma_lower=mean["lower"], ewma_upper=mean["upper"],
                       centre_pct=single["centre"], lower_pct=single["lower"],
                       upper_pct=single["upper"], run=controlcharts.runs(fresh))


def _boards(rows) -> pd.DataFrame:
    """Return how far each board is off, with limits from what its own jobs scatter."""
    found = []
    for key, own in rows.groupby([*MODULE, *_BOARD], sort=False):
        weight = 1 / own["own_variance"]
        middle, sd = np.average(own["log_ratio"], weights=weight), weight.sum() ** -0.5
        off, lower, upper = 100 * np.expm1(middle + 2 * sd * np.array([0, -1, 1]))
        found.append(dict(zip([*MODULE, *_BOARD], key)) | {
                      "first_job": own["job"].iloc[0], "jobs": len(own), "off_pct": off,
                      "lower_pct": lower, "upper_pct": upper})
    return pd.DataFrame(found, columns=[*MODULE, *_BOARD, "first_job", "jobs", "off_pct",
                                        "lower_pct", "upper_pct"])


def _lasting(rows) -> np.ndarray:
    """Return the patterns "all jobs since this one" that still hold two boards or more."""
    board = _board_numbers(rows)
    since = np.tri(len(rows)).T
    return since[(since * (board != board[-1])).any(axis=1)]


def _single(rows) -> tuple[np.ndarray, list[tuple[str, str]]]:
    """Return the patterns "this board" and, where woods differ, "this wood", with their names."""
    names = list(dict.fromkeys(zip(rows["species"], rows["board"])))
    patterns = np.arange(len(names))[:, None] == _board_numbers(rows)
    woods = [species for species, _ in names]
    if len(set(woods)) > 1:
        several = sorted({wood for wood in woods if woods.count(wood) > 1})
        names += [(wood, "") for wood in several]
        patterns = np.vstack([patterns, *([rows["species"].to_numpy() == wood] for wood in several)])
    return patterns.astype(float), names


def _board_numbers(rows) -> np.ndarray:
    """Return each job's board as a number, counted in the order they were used."""
    return pd.factorize(pd.Series(list(zip(rows["species"], rows["board"]))))[0]


def _largest(rows, patterns, unsure) -> controlcharts.Shift:
    return controlcharts.largest_shift(rows["log_ratio"], states.covariance(rows) + unsure**2, patterns,
                                       float(rows["df"].median()))


def _reason(rows, unsure) -> tuple[str, tuple[str, str], int, controlcharts.Shift | None]:
    """Return why the jobs are off: reason, wood and board, first job of it, and by how much."""
    patterns, names = _single(rows)
    single = _largest(rows, patterns, unsure)
    one, left = names[single.place], rows
    lasting = _largest(rows, _lasting(rows), unsure) if len(names) > 1 else None
    if lasting and abs(single.z) >= abs(lasting.z):
        # One board or wood explains more than any lasting shift: is there one without it?
        left = rows[patterns[single.place] == 0].reset_index(drop=True)
        several = _lasting(left) if len(left) else left
        lasting = _largest(left, several, unsure) if len(several) else None
        if lasting and abs(lasting.z) <= np.abs(_largest(left, _single(left)[0], unsure).z):
            lasting = None
    if lasting and lasting.p <= LASTING_P:
        first = lasting.zs[0]**2 >= lasting.z**2 - _FIRST_MARGIN
        if first and lasting.place:
            lasting = _largest(left, _lasting(left)[:1], unsure)
        start = 0 if first else lasting.place
        return ("first" if first else "fade"), ("", ""), int(left["number"].iloc[start]), lasting
    if single.p <= SINGLE_P:
        at = int(rows["number"][patterns[single.place] == 1].iloc[0])
        return ("board" if one[1] else "wood"), one, at, single
    return "", ("", ""), 0, None


def _verdict(rows, unsure: float = 0.0) -> dict:
    """Return the verdict's row of one module's jobs; `unsure` is what work on it may have changed for all of them."""
    boards = int(_board_numbers(rows).max()) + 1
    reason, (species, board), number, shift = _reason(rows, unsure)
    said = {**rows[MODULE].iloc[0], "jobs": rows["job"].nunique(), "boards": boards, "reason": reason, "species": species,
            "board": board, "since": "", "since_on": pd.NaT, "p": np.nan,
            "invented": bool(rows["invented"].any())}
    said["state"] = "in step" if boards >= FEWEST_BOARDS else "too few jobs"
    if shift is None:
        shift = _largest(rows, np.ones((1, len(rows))), 0.0)
    else:
        first = rows[rows["number"] == number].iloc[0]
        said |= {"since": first["job"], "since_on": first["finished_on"], "p": shift.p,
                 "state": "odd board" if board else "shallower" if shift.size < 0 else "deeper"}
    off = 100 * np.expm1([shift.size, *shift.limits()])
    said |= dict(zip(("off_pct", "lower_pct", "upper_pct"), off))
    shifted = rows[rows["number"] >= max(number, 1)]
    if species:
        shifted = shifted[shifted["species"] == species]
    said["boards_off"] = int(_board_numbers(shifted).max()) + 1
    return said | {"words": verdict(said), "advice": advice(said)}


def verdict(said: dict) -> str:
    """Say a verdict in one or two sentences; `said` is its row, see `drift.Drift`."""
    sure = states.between(said["lower_pct"], said["off_pct"], said["upper_pct"])
    count = f"{_many(said['jobs'], 'job')} on {_many(said['boards'], 'board')}"
    since = f"{said['since']} ({said['since_on']:%Y-%m-%d})" if said["reason"] else ""
    return {
        "": (f"As the cards said: {count} came out {sure} against them, no more than boards do."
             if said["state"] == "in step" else f"Too few jobs to tell: {count}. Four boards are needed."),
        "fade": (f"Since job {since} recesses come out {sure}, on {_many(said['boards_off'], 'board')}: "
                 "more than boards differ. It is the machine, not a board."),
        # What happened before the first job looked at cannot be known: its lens may be fogged too.
        "first": (f"Recesses since job {since} come out {sure}, on "
                  f"{_many(said['boards_off'], 'board')}. It was so from the first job on: lens, "
                  "setting or curve."),
        "board": (f"Board {said['board']} of {said['species']} is {sure}. "
                  + ("The others came out as the cards said: it is that board, not the machine." if said["boards"] > 1
                     else "There is no other board to compare it with yet.")),
        "wood": (f"{said['species'].capitalize()} comes out {sure} on all its "
                 f"{_many(said['boards_off'], 'board')}, the other woods do not: it is its curve, not "
                 "the machine."),
    }[said["reason"]]


def advice(said: dict) -> str:
    """Say what to do, the likeliest cause first."""
    steps = {
        "": [],
        "fade": [_WIPE, _LOOK, _AIR, _BURN, _KEEP],
        "first": [_WIPE, _SET, _LOOK, _AIR, _BURN, _SAME],
        "board": ["Burn a proof swatch on that board before its next recess.",
                  "Check which wood it is, its moisture and that it lay flat."],
        "wood": ["Check that these boards are of that wood.",
                 "If they are, accept its jobs into the fit, or burn a board of it again."],
    }[said["reason"]]
    if said["reason"] in ("fade", "first") and said["state"] == "deeper":
        # A lens does not fade upwards.
        steps = ["Check the gauge's zero and the power set.", *steps[1:-1],
                 _SAME if said["reason"] == "first" else
                 "Do not accept the jobs since then into the fit before the cause is known."]
    return " ".join(f"{number}. {step}" for number, step in enumerate(steps, 1))


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"
