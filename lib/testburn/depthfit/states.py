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

Where finished jobs say that it is one wood's curve, that wood has a factor of its own beside the state, as unsure
beforehand as a fade, until its jobs are accepted or another board of it is burned: jobs before its newest burn no longer
count against it.

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
from testburn.depthfit.components import PRIORS, Repeatability
from testburn.depthfit.curves import CurveFit, depth_and_slopes
from testburn.depthfit.spreads import within
from testburn.labbook import columns

FADE, FADE_SD, CURE_SD = "fade", 0.15, 0.10
# Work that no fade is cured by.
NO_CURE = ("belt", "other")
MODULE = list(columns.MODULE_KEY)
_BEGUN = ("since", "done", "sd", "words")
# Of `DepthFit.states`, a row a module.
COLUMNS = (*MODULE, "since", "done", "off_pct", "lower_pct", "upper_pct", "boards", "check_boards", "jobs", "words")
FLAT = 10.0                    # sd of a wood's level before anything was burned: no limit at all
_ELASTICITY = (0.3, 3.0)        # near "no mark" a curve answers without bound; no evidence rests on that


@dataclass(frozen=True, eq=False)
class Past:
    """What happened to the machine and its jobs, and how its gauge repeats, for `depthfit.fit`; `drift.past` gathers it.

    Attributes
    ----------
    log : DataFrame
        As in `labbook.machinelog`.
    jobs : DataFrame
        A row per job and board, from `drift.finished`.
    called : DataFrame
        What finished jobs were called for: module_w, wavelength_nm, module, species, since (job), since_on. A
        fade of the module has no species; with one it is that wood's curve that is off.
    spreads_pct : mapping
        What machine.toml says under [state] instead of `columns.DONE`.
    gauge : Repeatability, optional
        From the newest repeatability sheet.
    """

    log: pd.DataFrame
    jobs: pd.DataFrame
    called: pd.DataFrame
    spreads_pct: Mapping[str, float] = field(default_factory=dict)
    gauge: Repeatability | None = None
    _begun: dict = field(default_factory=dict, init=False, repr=False)

    @property
    def priors(self) -> dict[str, tuple[float, float]]:
        """What `curves.fitted` starts from: the gauge's own scatter as measured, where it was."""
        return PRIORS | ({"gauge": self.gauge.prior} if self.gauge else {})

    def begun(self, key: tuple) -> pd.DataFrame:
        """Return the states of a module in order: since, done, sd, words, and the place of the state it starts from."""
        if key not in self._begun:
            self._begun[key] = _begun(self, key)
        return self._begun[key]

    def strangers(self, readings: pd.DataFrame) -> str:
        """Say which modules the log names that no burn has: such an entry changes nothing; mostly nothing."""
        readings = columns.with_module(readings)
        names = [name for name in self.log["module"].unique() if name and not columns.of_module(readings, name).any()]
        there = sorted({columns.module_name(*one) for one in zip(readings["module"], readings["module_w"])})
        return "" if not names else (f"The machine's log names {', '.join(names)}, and no burn is of a module called so: these "
                                     f"entries count for nothing. Modules are: {', '.join(there)}.")


@dataclass(frozen=True, eq=False)
class States:
    """The states of one module: `since` (NaT: from the first on), `done` and `words` say when and why each began.

    `mean` and `covariance` are of the logarithms of their factors, `steep` is how depth answers them; `weights` holds
    for each group of the fit how much of its curve rests on each state. `told` counts for each state the boards, check
    boards and jobs that tell of it. `woods` holds for each group whose curve finished jobs contradict its own factor's
    logarithm, that one's variance, and its covariance with the states.
    """

    key: tuple
    since: pd.Series
    done: list[str]
    words: list[str]
    mean: np.ndarray
    covariance: np.ndarray
    weights: dict[int, np.ndarray]
    told: pd.DataFrame
    steep: float
    woods: dict[int, tuple[float, float, np.ndarray]] = field(default_factory=dict)

    def factor(self, group: int) -> float:
        """Return what of the energy takes effect in a group's wood now, against the standard."""
        return float(np.exp(self.mean[-1] + self.woods.get(group, (0.0,))[0]))

    def sd(self, group: int) -> float:
        """Return what the present state may be off, against the curve of a group, on the logarithm of the dose."""
        lean = -self.weights.get(group, np.eye(len(self.mean))[0])
        lean = lean + np.eye(len(self.mean))[-1]
        _, own, shared = self.woods.get(group, (0.0, 0.0, np.zeros(len(lean))))
        return float(np.sqrt(max(lean @ self.covariance @ lean + own + 2 * lean @ shared, 0.0)))

    @property
    def mark(self) -> str:
        """Twelve digits of what is known now."""
        known = f"{self.key} {[str(day) for day in self.since]} {self.done} {self.mean[-1]:.3f} {self.covariance[-1, -1]:.5f}"
        known += "".join(f" {group} {mean:.3f} {own:.5f}" for group, (mean, own, _) in self.woods.items())
        return hashlib.sha256(known.encode("utf-8")).hexdigest()[:12]

    @property
    def depth_pct(self) -> np.ndarray:
        """How much deeper, in percent, the module digs now than in its standard state: about 95 % limits and the middle."""
        return 100 * np.expm1(self.steep * (self.mean[-1] + np.array([-2, 0, 2]) * np.sqrt(self.covariance[-1, -1])))

    @cached_property
    def row(self) -> dict:
        """This module's row of `DepthFit.states`."""
        low, off, high = self.depth_pct
        return dict(zip(MODULE, self.key)) | {
            "since": self.since.iloc[-1], "done": self.done[-1], "off_pct": off, "lower_pct": low, "upper_pct": high,
            **self.told.iloc[-1], "words": self.said}

    @property
    def said(self) -> str:
        """What a maker should know of the present state, in one or two sentences; of a module that had only one, nothing."""
        return said(self) if len(self.mean) > 1 else ""

    def said_of(self, group: int) -> list[str]:
        """Return what a maker should know before burning a group's wood: of the state, and of the wood's own factor."""
        found = [self.said] if self.said else []
        if group in self.woods:
            mean, own, _ = self.woods[group]
            ends = 100 * np.expm1(self.steep * (mean + np.array([-2, 0, 2]) * np.sqrt(own)))
            found.append(f"Finished jobs of this wood came out {between(*ends)} against its curve, on all their boards: these "
                         "settings count that in. Accept its jobs into the fit, or burn another board of it.")
        return found


def covariance(rows: pd.DataFrame, common_curve: bool = True) -> np.ndarray:
    """Return the covariance of the log ratios of finished jobs (`drift.finished`) where nothing but chance shifts them."""
    species, board = rows["species"].to_numpy(), rows["board"].to_numpy()
    wood = species[:, None] == species
    same = wood & (board[:, None] == board)
    curve = np.minimum.outer(*[rows["curve_sd"].to_numpy()**2] * 2)
    shared = same * np.minimum.outer(*[rows["board_sd"].to_numpy()**2] * 2)
    total = shared + (wood * curve if common_curve else 0) + np.diag(rows["own_variance"])
    return total + np.diag(rows["curve_sd"]**2 * (not common_curve))


def entries(log: pd.DataFrame, key: tuple, spreads_pct: Mapping[str, float] | None = None) -> pd.DataFrame:
    """Return the entries of a log that open a state of one module: since, done, sd, words; of one day together."""
    name, spread, opened = columns.module_name(key[2], key[0]), columns.DONE | dict(spreads_pct or {}), {}
    for row in log.itertuples():
        if row.new_state != "no" and row.module in ("", name) and spread[row.done] > 0:
            opened.setdefault(row.day, {}).setdefault(row.done, []).append(spread[row.done] / 100)
    return pd.DataFrame([(day, " and ".join(kinds), float(np.hypot.reduce(sum(kinds.values(), []))),
                          f"the {' and '.join(kinds)} entry of {day:%Y-%m-%d}") for day, kinds in sorted(opened.items())],
                        columns=list(_BEGUN))


def known(curves: CurveFit, readings: pd.DataFrame, past: Past, shift: Mapping[tuple, np.ndarray]) -> dict[tuple, States]:
    """Return the states of every module that had more than one, or has a wood that finished jobs contradict.

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
        begun = past.begun(key)
        mine = [group for group, own in enumerate(groups) if own == key]
        own = jobs[of_key(jobs, key)] if len(jobs) else jobs
        called = past.called[of_key(past.called, key)]["species"]
        woods = {group: _against(swatches.group_keys["species"].iloc[group], own, burned_on[swatches.group_of == group])
                 for group in mine if swatches.group_keys["species"].iloc[group] in set(called)}
        woods = {group: jobs_of for group, jobs_of in woods.items() if jobs_of.any()}
        if len(begun) > 1 or woods:
            state = numbered(begun["since"], burned_on)
            used = shift.get(key, np.zeros(len(begun)))
            steep = np.mean([elasticity(curves, group, curves.unit[group])[0] for group in mine])
            found[key] = _solved(key, begun, pd.concat([boards_in(curves, group, state, used) for group in mine]),
                                 _works(curves, mine, own, begun), float(steep), woods)
    return found


def of_key(rows: pd.DataFrame, key: tuple) -> np.ndarray:
    """Return which rows are of one module."""
    return np.logical_and.reduce([(rows[name] == value).to_numpy(bool) for name, value in zip(MODULE, key)])


def _against(species: str, jobs: pd.DataFrame, burned_on: np.ndarray) -> np.ndarray:
    """Return which jobs speak against a wood's curve: its own, finished after the newest board that curve rests on."""
    return ((jobs["species"] == species) & (jobs["finished_on"] > burned_on.max())).to_numpy(bool)


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
    called = past.called[of_key(past.called, key) & (past.called["species"] == "").to_numpy()]
    fades = [(row.since_on, FADE, FADE_SD, row.since) for row in called.itertuples()]
    later = sorted([*logged.itertuples(index=False, name=None), *fades], key=lambda one: one[0])
    begun = pd.DataFrame([(pd.NaT, "", 0.0, ""), *later], columns=list(_BEGUN)).astype({"since": "datetime64[ns]"})
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


def boards_in(curves: CurveFit, group: int, state, shift, at=None) -> pd.DataFrame:
    """Return each board of a group in each state, of these swatches only: y, its own variance and the board's."""
    s = curves.swatches
    own = np.flatnonzero(s.group_of == group) if at is None else np.asarray(at)
    at = state[own]
    steep = elasticity(curves, group, s.regressor[own])
    board_sd2, swatch, _, _ = curves.components.variances
    noise = swatch + PLACE_SD**2 + within(curves, curves.weight_depth_mm[own], s.count[own], s.gauge_step_mm[own])
    y = np.log1p(np.clip(curves.residual[own], -0.95, 20.0)) / steep + shift[at]
    weight = steep**2 / noise
    cell, place = np.unique(s.board_of[own] * (at.max(initial=0) + 1) + at, return_inverse=True)
    total = np.bincount(place, weight)
    board, begun = np.divmod(cell, at.max(initial=0) + 1)
    return pd.DataFrame({"board": board, "state": begun, "y": np.bincount(place, weight * y) / total,
                         "board_variance": np.bincount(place, weight * board_sd2 / steep**2) / total,
                         "variance": 1 / total, "group": group})


def _works(curves: CurveFit, mine: list[int], jobs: pd.DataFrame, begun: pd.DataFrame):
    """Return the state of each finished job, its y, and their covariance, on the logarithm of the dose."""
    woods = {curves.swatches.group_keys["species"].iloc[group]: group for group in mine}
    steep = np.array([float(elasticity(curves, woods[wood], dose)[0]) if wood in woods and dose > 0 else 1.0
                      for wood, dose in zip(jobs["species"], jobs["dose_j_mm2"])]) if len(jobs) else np.zeros(0)
    total = covariance(jobs) / np.outer(steep, steep) if len(jobs) else np.zeros((0, 0))
    state = numbered(begun["since"], jobs["finished_on"]) if len(jobs) else np.zeros(0, int)
    return state, (jobs["log_ratio"].to_numpy() / steep if len(jobs) else steep), total, jobs


def _solved(key, begun, cells: pd.DataFrame, works, steep: float, woods: Mapping[int, np.ndarray]) -> States:
    """Return what boards and jobs say of the states and of each contradicted wood, over what is thought of them before."""
    count, (job_state, job_y, job_v, jobs) = len(begun), works
    boards_v, weights = of_boards(cells, count)
    design = np.eye(count)[np.r_[cells["state"].to_numpy(int), job_state]]
    design = np.column_stack([design, *(np.r_[np.zeros(len(cells)), of] for of in woods.values())])
    y = np.r_[cells["y"], job_y]
    total = np.zeros((len(y), len(y)))
    total[:len(cells), :len(cells)], total[len(cells):, len(cells):] = boards_v, job_v
    standard = int(cells["state"].min())
    before = np.zeros((design.shape[1],) * 2)
    before[:count, :count] = prior(begun, standard)
    before[count:, count:] = np.eye(len(woods)) * FADE_SD**2
    mean, spread = posterior(before, design, y, total)
    per_board = cells.groupby(["group", "board"])["state"].transform("nunique")
    told = pd.DataFrame([{
        "boards": int((cells["state"] == place).sum()),
        "check_boards": int(((cells["state"] == place) & (per_board > 1)).sum()),
        "jobs": int(jobs.loc[job_state == place, "job"].nunique()) if len(jobs) else 0} for place in range(count)])
    return States(key, begun["since"], begun["done"].tolist(), begun["words"].tolist(), mean[:count],
                  spread[:count, :count], weights, told, steep,
                  {group: (mean[at], spread[at, at], spread[at, :count]) for at, group in enumerate(woods, count)})


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


def of_boards(cells: pd.DataFrame, count: int) -> tuple[np.ndarray, dict[int, np.ndarray]]:
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
    return own + same_group * FLAT**2, weights


def elasticity(curves: CurveFit, group: int, dose) -> np.ndarray:
    """Return by how many percent the depth of a group's curve rises where the dose rises by one."""
    a, b, bend = curves.coefficients[group]
    x = np.atleast_1d(np.asarray(dose, float)) / curves.unit[group]
    depth = np.maximum(depth_and_slopes(x, curves.coefficients[group])[0], curves.faintest_mm[group])
    return np.clip(x * b * np.exp(-bend * x) / depth, *_ELASTICITY)


def said(states: States) -> str:
    """Say in words what is known of a module now, and what would make it surer."""
    name, told, done = columns.module_name(states.key[2], states.key[0]), states.told.iloc[-1], states.done[-1]
    low, off, high = states.depth_pct
    if done == FADE:
        cure = "Wipe the lens" if off < 0 else "Check gauge and power"
        return (f"{name} has come out {between(low, off, high)} since {states.words[-1]}: these settings count that in. {cure}, "
                "write it into the machine's log, and burn the check board.")
    begun, half = f"{name}, {done} on {states.since.iloc[-1]:%Y-%m-%d}: ", (high - low) / 2
    if states.covariance[-1, -1] < 1e-12:  # the standard itself: no board of the fit was burned before it
        return begun + "every burn here is from that day or later, so there is nothing to compare it with, and nothing changes."
    if not told[["boards", "jobs"]].any():
        return begun + (f"nothing was burned since, so these settings are less sure, by {half:.0f} %. Burn three swatches again "
                        "on the check board: they know the machine to a few percent.")
    parts = [(told["boards"] - told["check_boards"], "new board"), (told["check_boards"], "check board"), (told["jobs"], "job")]
    seen = " and ".join(f"{count} {what}{'s' * int(count != 1)}" for count, what in parts if count)
    return begun + f"{seen} since came out {between(low, off, high)} against before; these settings count that in."


def between(low: float, off: float, high: float) -> str:
    """Say a deviation with its limits: '14 % (8 to 20 %) shallower'."""
    if low * high > 0:
        near, far = sorted(abs(round(end)) for end in (low, high))
        return f"{abs(round(off))} % ({near} to {far} %) {'deeper' if off > 0 else 'shallower'}"
    return f"{round(off):+d} % in depth ({round(low):+d} to {round(high):+d} %)"
