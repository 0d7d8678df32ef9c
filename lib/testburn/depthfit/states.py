"""States: what is known of a module as it is now, in one factor on the energy that reaches the wood.

Decides how a lab book's past falls into states of each module and what each state's factor is, so that the fit, the
cards and the verdict on finished jobs count one and the same thing. A state begins with an entry of the machine's log
or with a fade that finished jobs were called for (`drift`), and lasts until the next. On the logarithm of the dose,
what a board was burned to differs from its wood's curve by

    y = curve + state + board + own noise

The state of a module is common to all its woods; the first state that boards of the fit were burned in is the standard,
0 by definition. A state after a logged work is near the one before it, as far as `columns.DONE` says; a called fade
within 15 %; work that may be its cure starts from the state before that fade, 10 % less sure, since nobody knows yet
that it was (both our own judgement). Evidence is each board of the
fit (the curve's level free; swatches repeated on a board that was burned in another state share that board's own
deviation, which is why a kept check board tells so much), and each finished job on the terms of its promise; a job that
was accepted into the fit is a burn and counts as one. Depth answers the dose with the curve's elasticity.

All of it is normal, so that what is known of the states is one mean and covariance: the precision is that of the prior
plus X'V⁻¹X (Gelman et al., Bayesian Data Analysis, 3rd ed., 2.5 and 14.8, from memory).
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from testburn.depthfit.boards import PLACE_SD
from testburn.depthfit.curves import CurveFit, depth_and_slopes
from testburn.depthfit.spreads import within
from testburn.labbook import columns

FADE, FADE_SD, CURE_SD = "fade", 0.15, 0.10
# Work that no fade is cured by.
NO_CURE = ("belt", "other")
MODULE = list(columns.MODULE_KEY)
_FLAT = 10.0                    # sd of a wood's level before anything was burned: no limit at all
_ELASTICITY = (0.3, 3.0)        # near "no mark" a curve answers without bound; no evidence rests on that
_SHOWN = 0.005                  # a factor nearer to 1 is not told


@dataclass(frozen=True, eq=False)
class Past:
    """What happened to the machine and its jobs, for `depthfit.fit`; `drift.past` gathers it.

    Attributes
    ----------
    log : DataFrame
        As in `labbook.machinelog`.
    jobs : DataFrame
        A row per job and board, from `finished`.
    called : DataFrame
        The fades that finished jobs were called for: module_w, wavelength_nm, module, since (job), since_on.
    spreads_pct : mapping
        What machine.toml says under [state] instead of `columns.DONE`.
    """

    log: pd.DataFrame
    jobs: pd.DataFrame
    called: pd.DataFrame
    spreads_pct: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class States:
    """The states of one module: `since` (NaT: from the first on), `done` and `words` say when and why each began.

    `mean` and `covariance` are of the logarithms of their factors; `weights` holds for each group of the fit how much of
    its curve rests on each state. `told` counts for each state the boards, check boards and jobs that tell of it.
    """

    key: tuple
    since: pd.Series
    done: list[str]
    words: list[str]
    mean: np.ndarray
    covariance: np.ndarray
    weights: dict[int, np.ndarray]
    told: pd.DataFrame

    @property
    def factor(self) -> float:
        """What of the energy reaches the wood now, against the standard."""
        return float(np.exp(self.mean[-1]))

    def sd(self, group: int) -> float:
        """Return what the present state may be off, against the curve of a group, on the logarithm of the dose."""
        lean = -self.weights.get(group, np.eye(len(self.mean))[0])
        lean = lean + np.eye(len(self.mean))[-1]
        return float(np.sqrt(max(lean @ self.covariance @ lean, 0.0)))

    @property
    def mark(self) -> str:
        """Twelve digits of what is known now."""
        known = f"{self.key} {[str(day) for day in self.since]} {self.done} {self.mean[-1]:.3f} {self.covariance[-1, -1]:.5f}"
        return hashlib.sha256(known.encode("utf-8")).hexdigest()[:12]

    @cached_property
    def row(self) -> dict:
        """This module's row of `DepthFit.states`."""
        low, off, high = 100 * np.expm1(self.mean[-1] + np.array([-2, 0, 2]) * np.sqrt(self.covariance[-1, -1]))
        return dict(zip(MODULE, self.key)) | {
            "since": self.since.iloc[-1], "done": self.done[-1], "off_pct": off, "lower_pct": low, "upper_pct": high,
            **self.told.iloc[-1], "words": self.said}

    @property
    def said(self) -> str:
        """What a maker should know of it, in one or two sentences; nothing where there is nothing to say."""
        return said(self)


def finished(jobs: pd.DataFrame) -> pd.DataFrame:
    """Return a row per job, board and module: how far off what its card would say of the standard state, and why.

    Parameters
    ----------
    jobs : DataFrame
        From `jobs.read`.

    Returns
    -------
    DataFrame
        job, the group's key, board, finished_on, recesses, expected_mm, depth_mm, log_ratio, own_variance, curve_sd,
        board_sd, log_sd, z, off_pct, df, dose_j_mm2, invented; in order of module and day.
    """
    key = ["burn", "species", "board", *MODULE]
    readings = columns.with_module(jobs).assign(made_up=jobs["invented"] == "yes", day=pd.to_datetime(jobs["burned_on"]))
    told = {name: (name, "first") for name in ("expected_mm", "curve_sd", "board_sd", "swatch_sd", "reading_sd",
                                               "gauge_sd_mm", "df")}
    setting = [name for name in columns.MACHINE_SETTING if name in readings]
    counted = "state_factor" in readings
    recess = readings.groupby([*key, "swatch"], sort=False).agg(
        finished_on=("day", "max"), mean_mm=("depth_mm", "mean"), count=("depth_mm", "size"), step=("gauge_step_mm", "first"),
        made_up=("made_up", "any"), **told, **{name: (name, "first") for name in setting},
        **({"state_factor": ("state_factor", "first")} if counted else {})).reset_index()
    gauge = (recess["gauge_sd_mm"]**2 + recess["step"]**2 / 12) / recess["expected_mm"]**2
    # Never quite 0, so that promises without any scatter do not divide by it.
    recess["weight"] = 1 / (recess["swatch_sd"]**2 + (recess["reading_sd"]**2 + gauge) / recess["count"] + 1e-8)
    standard_mm = recess["expected_mm"] / (recess["state_factor"].fillna(1.0) if counted else 1.0)
    recess["log_ratio"] = np.log(np.maximum(recess["mean_mm"], recess["step"]) / standard_mm)
    recess["dose_j_mm2"] = _dose(recess) if len(setting) == len(columns.MACHINE_SETTING) else np.nan
    averaged = ["expected_mm", "mean_mm", "log_ratio", "curve_sd", "board_sd", "df", "dose_j_mm2"]
    recess[averaged] = recess[averaged].mul(recess["weight"], axis=0)
    rows = recess.groupby(key, sort=False).agg(
        **{name: (name, "sum") for name in (*averaged, "weight")}, recesses=("swatch", "size"),
        finished_on=("finished_on", "max"), invented=("made_up", "any")).reset_index()
    rows[averaged] = rows[averaged].div(rows["weight"], axis=0)
    rows["own_variance"] = 1 / rows["weight"]
    rows["log_sd"] = np.sqrt(rows["own_variance"] + rows["curve_sd"]**2 + rows["board_sd"]**2)
    rows["z"] = rows["log_ratio"] / rows["log_sd"]
    rows["off_pct"] = 100 * np.expm1(rows["log_ratio"])
    rows = rows.rename(columns={"burn": "job", "mean_mm": "depth_mm"}).drop(columns="weight")
    return rows.sort_values([*MODULE, "finished_on", "job", "species", "board"], ignore_index=True)


def covariance(rows: pd.DataFrame, common_curve: bool = True) -> np.ndarray:
    """Return the covariance of the log ratios of `finished` jobs where nothing but chance shifts them."""
    species, board = rows["species"].to_numpy(), rows["board"].to_numpy()
    wood = species[:, None] == species
    same = wood & (board[:, None] == board)
    curve = np.minimum.outer(*[rows["curve_sd"].to_numpy()**2] * 2)
    shared = same * np.minimum.outer(*[rows["board_sd"].to_numpy()**2] * 2)
    total = shared + (wood * curve if common_curve else 0) + np.diag(rows["own_variance"])
    return total + np.diag(rows["curve_sd"]**2 * (not common_curve))


def entries(log: pd.DataFrame, key: tuple, spreads_pct: Mapping[str, float] | None = None) -> pd.DataFrame:
    """Return the entries of a log that open a state of one module: since, done, sd, words; of one day together."""
    one = pd.DataFrame([dict(zip(MODULE, key))])
    own = [row for row in log.itertuples() if row.new_state != "no" and columns.of_module(one, row.module)[0]]
    spread = columns.DONE | dict(spreads_pct or {})
    opened = [(row.day, row.done, spread[row.done] / 100) for row in own if spread[row.done] > 0]
    found = pd.DataFrame(opened, columns=["since", "done", "sd"])
    found = found.groupby("since", as_index=False, sort=True).agg({"done": lambda kinds: " and ".join(dict.fromkeys(kinds)),
                                                                   "sd": lambda sds: float(np.hypot.reduce(list(sds)))})
    return found.assign(words=[f"the {row.done} entry of {row.since:%Y-%m-%d}" for row in found.itertuples()])


def known(curves: CurveFit, readings: pd.DataFrame, past: Past, shift: Mapping[tuple, np.ndarray]) -> dict[tuple, States]:
    """Return the states of every module that had more than one.

    Parameters
    ----------
    curves : CurveFit
        Fitted to doses times the factors of `shift`.
    readings : DataFrame
        Those it was fitted to.
    past : Past
    shift : mapping of module key to (states,) array
        Logarithms of the factors that the doses were taken with; a module that is not there has none.
    """
    found = {}
    swatches = curves.swatches
    burned_on = pd.to_datetime(readings["burned_on"]).to_numpy()[swatches.first_row]
    groups = pd.MultiIndex.from_frame(swatches.group_keys[MODULE])
    jobs = past.jobs[~past.jobs["job"].isin(set(readings["burn"]))] if len(past.jobs) else past.jobs
    for key in groups.unique():
        begun = _begun(past, key)
        if len(begun) > 1:
            mine = [group for group, own in enumerate(groups) if own == key]
            state = numbered(begun["since"], burned_on)
            used = shift.get(key, np.zeros(len(begun)))
            own = jobs[(jobs[MODULE] == list(key)).all(axis=1)] if len(jobs) else jobs
            found[key] = _solved(key, begun, pd.concat([_boards(curves, group, state, used) for group in mine]),
                                 _works(curves, mine, own, begun))
    return found


def factors(readings: pd.DataFrame, known: Mapping[tuple, States]) -> np.ndarray:
    """Return for each reading what of its energy reached the wood in the state it was burned in; 1 where nothing is known."""
    found = np.ones(len(readings))
    groups = pd.MultiIndex.from_frame(readings[MODULE])
    days = pd.to_datetime(readings["burned_on"]).to_numpy() if known else None
    for key, states in known.items():
        own = groups == key
        found[own] = np.exp(states.mean[numbered(states.since, days[own])])
    return found


def numbered(since: pd.Series, days) -> np.ndarray:
    """Return the number of the state that each day lies in; a state holds from its first day on."""
    return np.searchsorted(since.to_numpy()[1:].astype("datetime64[ns]"), np.asarray(days, "datetime64[ns]"), side="right")


def _begun(past: Past, key: tuple) -> pd.DataFrame:
    """Return the states of a module in order: since, done, sd, words, and the place of the state it starts from."""
    logged = entries(past.log, key, past.spreads_pct)
    called = past.called[(past.called[MODULE] == list(key)).all(axis=1)] if len(past.called) else past.called
    fades = pd.DataFrame([{"since": row.since_on, "done": FADE, "sd": FADE_SD, "words": row.since}
                          for row in called.itertuples()], columns=list(logged))
    first = pd.DataFrame([{"since": pd.NaT, "done": "", "sd": 0.0, "words": ""}])
    later = [part for part in (logged, fades) if len(part)]
    begun = pd.concat([first, *[part.sort_values("since", kind="stable") for part in
                                ([pd.concat(later)] if later else [])]], ignore_index=True)
    begun["since"] = pd.to_datetime(begun["since"])
    parents, sound, faded, sds = [], 0, False, begun["sd"].tolist()
    for place, done in enumerate(begun["done"]):
        cured = faded and cures(done)
        parents.append(sound if cured or not faded and done != FADE else max(place - 1, 0))
        sds[place] = float(np.hypot(sds[place], CURE_SD * cured))
        faded = done == FADE or faded and not cured
        sound = sound if faded else place
    return begun.assign(parent=parents, sd=sds)


def cures(done: str) -> bool:
    """Return whether what was done may have cured a fade."""
    return done != FADE and any(kind not in NO_CURE for kind in done.split(" and "))


def _boards(curves: CurveFit, group: int, state, shift) -> pd.DataFrame:
    """Return each board of a group in each state: y, own variance, and the board's and curve's variance."""
    s = curves.swatches
    own = np.flatnonzero(s.group_of == group)
    at = state[own]
    steep = elasticity(curves, group, s.regressor[own])
    board_sd2, swatch, _, _ = curves.components.variances
    noise = swatch + PLACE_SD**2 + within(curves, curves.weight_depth_mm[own], s.count[own], s.gauge_step_mm[own])
    y = np.log1p(np.clip(curves.residual[own], -0.95, 20.0)) / steep + shift[at]
    weight = steep**2 / noise
    rows = pd.DataFrame({"board": s.board_of[own], "state": at, "weight": weight, "y": weight * y,
                         "board_variance": weight * board_sd2 / steep**2})
    cells = rows.groupby(["board", "state"], as_index=False).sum()
    return cells.assign(y=cells["y"] / cells["weight"], board_variance=cells["board_variance"] / cells["weight"],
                        variance=1 / cells["weight"], group=group).drop(columns="weight")


def _works(curves: CurveFit, mine: list[int], jobs: pd.DataFrame, begun: pd.DataFrame):
    """Return the state of each finished job, its y, and their covariance, on the logarithm of the dose."""
    woods = {curves.swatches.group_keys["species"].iloc[group]: group for group in mine}
    steep = np.array([float(elasticity(curves, woods[wood], dose)[0]) if wood in woods and dose > 0 else 1.0
                      for wood, dose in zip(jobs["species"], jobs["dose_j_mm2"])]) if len(jobs) else np.zeros(0)
    total = covariance(jobs) / np.outer(steep, steep) if len(jobs) else np.zeros((0, 0))
    state = numbered(begun["since"], jobs["finished_on"]) if len(jobs) else np.zeros(0, int)
    return state, (jobs["log_ratio"].to_numpy() / steep if len(jobs) else steep), total, jobs


def _solved(key, begun, cells: pd.DataFrame, works) -> States:
    """Return what boards and jobs say of the states, over what is thought of them before."""
    count, (job_state, job_y, job_v, jobs) = len(begun), works
    boards_v, weights = _of_boards(cells, count)
    design = np.eye(count)[np.r_[cells["state"].to_numpy(int), job_state]]
    y = np.r_[cells["y"], job_y]
    total = np.zeros((len(y), len(y)))
    total[:len(cells), :len(cells)], total[len(cells):, len(cells):] = boards_v, job_v
    standard = int(cells["state"].min())
    mean, spread = posterior(prior(begun, standard), design, y, total)
    per_board = cells.groupby(["group", "board"])["state"].transform("nunique")
    told = pd.DataFrame([{
        "boards": int((cells["state"] == place).sum()),
        "check_boards": int(((cells["state"] == place) & (per_board > 1)).sum()),
        "jobs": int(jobs.loc[job_state == place, "job"].nunique()) if len(jobs) else 0} for place in range(count)])
    return States(key, begun["since"], begun["done"].tolist(), begun["words"].tolist(), mean, spread, weights, told)


def prior(begun: pd.DataFrame, standard: int = 0) -> np.ndarray:
    """Return the covariance of the states before any evidence: each its parent and a step, the standard held at 0."""
    count = len(begun)
    total = np.zeros((count, count))
    for place, (parent, sd) in enumerate(zip(begun["parent"], begun["sd"])):
        if place:
            total[place, :place] = total[:place, place] = total[parent, :place]
        total[place, place] = (total[parent, parent] if place else 0.0) + sd**2
    if total[standard, standard] > 0:
        total = total - np.outer(total[standard], total[standard]) / total[standard, standard]
    return total


def posterior(before: np.ndarray, design: np.ndarray, y: np.ndarray, noise: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and covariance of the states after evidence y = design · states + noise; before, they have mean 0.

    Parameters
    ----------
    before : (k, k) array
        May be singular: a state held at 0 stays there.
    design : (n, k) array
    y : (n,) array
    noise : (n, n) array
    """
    if not len(y):
        return np.zeros(len(before)), before
    foretold = design @ before @ design.T + noise
    gain = np.linalg.solve(foretold, design @ before).T
    return gain @ y, before - gain @ design @ before


def _of_boards(cells: pd.DataFrame, count: int) -> tuple[np.ndarray, dict[int, np.ndarray]]:
    """Return the covariance of the boards' y, and how much of each group's level rests on each state."""
    group, board = cells["group"].to_numpy(), cells["board"].to_numpy()
    same_group = group[:, None] == group
    same_board = same_group & (board[:, None] == board)
    shared = np.sqrt(np.outer(cells["board_variance"], cells["board_variance"]))
    own = same_board * shared + np.diag(cells["variance"])
    weights = {}
    for one in np.unique(group):
        at = group == one
        pull = np.linalg.solve(own[np.ix_(at, at)], np.ones(at.sum()))
        weights[int(one)] = np.bincount(cells["state"].to_numpy(int)[at], pull, count) / pull.sum()
    return own + same_group * _FLAT**2, weights


def elasticity(curves: CurveFit, group: int, dose) -> np.ndarray:
    """Return by how many percent the depth of a group's curve rises where the dose rises by one."""
    a, b, bend = curves.coefficients[group]
    x = np.atleast_1d(np.asarray(dose, float)) / curves.unit[group]
    depth = np.maximum(depth_and_slopes(x, curves.coefficients[group])[0], curves.faintest_mm[group])
    return np.clip(x * b * np.exp(-bend * x) / depth, *_ELASTICITY)


def _dose(rows) -> pd.Series:
    return (rows["module_w"] * rows["power_pct"] / 100 / rows["speed_mm_s"] * rows["passes"] / rows["line_pitch_mm"])


def said(states: States) -> str:
    """Say in words what is known of a module now, and what would make it surer."""
    name, off, told = columns.module_name(states.key[2], states.key[0]), states.mean[-1], states.told.iloc[-1]
    sd, done = float(np.sqrt(states.covariance[-1, -1])), states.done[-1]
    way = f"{abs(100 * np.expm1(off)):.0f} % {'less' if off < 0 else 'more'}"
    check = "Burn three swatches again on a board burned before: it tells most."
    if done == FADE:
        cure = "Wipe the lens" if off < 0 else "Check gauge and power"
        return (f"Since job {states.words[-1]} {name} has given the wood {way} energy: these settings count that in, give or take "
                f"{200 * sd:.0f} %. {cure}, write it into the machine's log, and burn the check board.")
    begun = f"{name}, {done} on {states.since.iloc[-1]:%Y-%m-%d}: "
    if not told[["boards", "jobs"]].any():
        return begun + f"nothing was burned since, so these settings are {200 * sd:.0f} % less sure. {check}"
    parts = [(told["boards"] - told["check_boards"], "new board"), (told["check_boards"], "check board"), (told["jobs"], "job")]
    seen = " and ".join(f"{count} {what}{'s' * (count != 1)}" for count, what in parts if count)
    counted = f"it gives the wood {way} energy" if abs(off) > _SHOWN else "it gives the wood as much energy as before"
    return begun + f"from {seen} since, {counted}, give or take {200 * sd:.0f} %; these settings count that in."
