"""Depth fit: depth against line energy, per species and module, honest for the next board.

Decides how deep a setting goes and how far a recess on a board not yet seen may lie from that. Each
species × module × wavelength has its own curve, because low irradiance wastes energy and the same
joules from another module or wavelength do not dig as deep. What boards, swatches and readings
scatter is shared by all groups (`components`). A prediction adds up what is not known of the
curve, the board, the swatch and the reading; one proof swatch on the actual board takes most of
the board's part away (`boards`).
"""

import hashlib
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd

from testburn import energy
from testburn.depthfit import boards, conditions, proving, states, swatches
from testburn.depthfit.boards import BoardState, Predictive
from testburn.depthfit.components import PRIORS
from testburn.depthfit.curves import CurveFit, fitted
from testburn.depthfit.group import DOSE, GroupFit, LEVEL, REACHED, meant
from testburn.depthfit.spreads import Spreads, of_density
from testburn.depthfit.swatches import COUNTED, Swatches
from testburn.labbook import columns, fingerprint, shown
from testburn.labbook import NEXT

GROUP = list(columns.GROUP_KEY)
FEWEST_ENERGIES = 3
LEVEL_AND_SLOPE = slice(6, 8)
_ROUNDS, _LEAST_MOVE = 6, 1e-3  # of curves and states, found in turns


@dataclass(frozen=True, eq=False)
class DepthFit:
    """Depth against line energy for every species × module of a lab book.

    Attributes
    ----------
    readings : DataFrame
        Every reading given, with line energy, areal dose, `counted_mm` (see `swatches.drawn_in`) and `used` (False where
        struck out or where its group has too little data).
    curves : CurveFit
    left_out : DataFrame
        The key and `why` of the groups that could not be fitted.
    proved_boards : dict
        What proof swatches taught: (group index, board) → BoardState.
    proof_marks : tuple of str
        The fingerprint of each proof's readings.
    modules : dict
        What is known of the states of each module that had more than one: `columns.MODULE_KEY` → `states.States`.
    conditions : DataFrame
        See `conditions.conditions`.
    """

    readings: pd.DataFrame
    curves: CurveFit
    left_out: pd.DataFrame
    proved_boards: dict[tuple[int, str], BoardState] = field(default_factory=dict)
    invented_proof: bool = False
    proof_marks: tuple[str, ...] = ()
    modules: dict[tuple, states.States] = field(default_factory=dict)
    conditions: pd.DataFrame = field(default_factory=pd.DataFrame)

    @cached_property
    def spreads(self) -> Spreads:
        """How much boards of each wood differ, with its doubt; worked out when first asked."""
        return Spreads(self.curves)

    @cached_property
    def groups(self) -> tuple[GroupFit, ...]:
        """Each species × module, in the order of its name."""
        used = self.readings[self.readings["used"]]
        return tuple(GroupFit(*key, used.iloc[rows], self.curves, self.curves.group_index(*key))
                     for key, rows in sorted(used.groupby(GROUP, sort=True).indices.items()))

    @cached_property
    def table(self) -> pd.DataFrame:
        """A row per species × module_w × wavelength_nm."""
        return pd.DataFrame([group.row for group in self.groups])

    @property
    def components(self) -> pd.DataFrame:
        """What boards, swatches and readings scatter, and how much of that is prior."""
        return self.curves.components.table

    @cached_property
    def best_known(self) -> GroupFit:
        """The group with the most boards, and among these the most readings."""
        return max(self.groups, key=lambda group: (group.boards, len(group.readings)))

    @cached_property
    def fitted(self) -> pd.DataFrame:
        """The readings used, with `fitted_mm`, `residual_pct` (percent of the curve) and `order`.

        `order` is the place of the swatch in its burn, as the file has it.
        """
        rows = pd.concat([group.readings.assign(fitted_mm=group.mean(group.readings[REACHED]))
                          for group in self.groups])
        return rows.assign(
            residual_pct=100 * (rows["depth_mm"] / rows["fitted_mm"] - 1),
            order=rows.groupby("burn")["swatch"].transform(lambda names: pd.factorize(names)[0] + 1))

    @property
    def invented(self) -> bool:
        """True where any reading used, or any proof, is invented demo data."""
        used = self.readings["used"]
        return self.invented_proof or bool((self.readings["invented"] == "yes")[used].any())

    @cached_property
    def readings_mark(self) -> str:
        """Twelve hex digits of the readings used, of what is known of their machine's states, and of a measured gauge.

        A card whose mark is another is out of date; see `labbook.fingerprint`.
        """
        return _joined_marks(fingerprint(self.readings[self.readings["used"]]),
                             *sorted(one.mark for one in self.modules.values()), *self.curves.components.marks)

    @cached_property
    def fingerprint(self) -> str:
        """Twelve hex digits of all that a prediction rests on: the readings used, and the proofs."""
        return _joined_marks(self.readings_mark, *sorted(self.proof_marks))

    def group(self, species: str, module_w: float, wavelength_nm: float | None = None,
              module: str | None = None) -> GroupFit:
        """Return the fit of one species × module; the module without a name is called by its watts, or "".

        Raises
        ------
        LookupError
            If it was never burned, or with several modules or wavelengths and none is said.
        """
        return meant(self.groups, species, module_w, wavelength_nm, module)

    def group_of(self, row) -> GroupFit:
        """Return the fit that a row of a table, or anything with its names, is of; see `group`."""
        return self.group(*(row.get(name) for name in GROUP))

    def board_state(self, group: GroupFit, board: str) -> BoardState:
        """Return what is known of a board: the next one, one that was burned, or one proved.

        Raises
        ------
        LookupError
            If a board is named that is neither.
        """
        if (group.index, board) in self.proved_boards:
            return self.proved_boards[group.index, board]
        if board == NEXT:
            return self._now(group, boards.next_board(self.spreads, group.index))
        if board in set(group.readings["board"]):
            return self._now(group, boards.burned_board(self.spreads, group.index, board))
        known = ", ".join(sorted(set(group.readings["board"])
                                 | {name for at, name in self.proved_boards if at == group.index}))
        raise LookupError(f"Board {board} is not known for {group.name}. Known are: {known}. "
                          f"Prove it with a swatch, or ask for the {NEXT} board.")

    def unproved(self, group: GroupFit, board: str) -> BoardState:
        """Return what its burn says of a board, or what is known of any board."""
        try:
            return self._now(group, boards.burned_board(self.spreads, group.index, board))
        except LookupError:
            return self._now(group, boards.next_board(self.spreads, group.index))

    def machine_factor(self, group: GroupFit) -> float:
        """Return what of the energy reaches the wood now, against the burns the curve rests on; 1 where nothing changed."""
        return self.modules[group.module_key].factor(group.index) if group.module_key in self.modules else 1.0

    def machine_sd(self, group: GroupFit) -> float:
        """Return what the present state of its module may be off, as a share of the depth."""
        if group.module_key not in self.modules:
            return 0.0
        middle = np.sqrt(np.prod(group.doses))
        return self.modules[group.module_key].sd(group.index) * float(
            states.elasticity(self.curves, group.index, middle)[0])

    def _now(self, group: GroupFit, state: BoardState) -> BoardState:
        """Return the state of a board under the module as it is now: what is not known of that moves every board."""
        if not (sd := self.machine_sd(group)):
            return state
        covariance = state.covariance.copy()
        covariance[:, boards.LEVEL, boards.LEVEL] += sd**2
        return replace(state, covariance=covariance)

    def predictive(self, group: GroupFit, line_energy_j_mm, line_pitch_mm=None, of: str = "reading",
                   board: str = NEXT, power_pct=None, passes=None) -> tuple[Predictive, np.ndarray, np.ndarray]:
        """Return the predictive distribution at line energies, where it is outside the burns, and why in words."""
        route, pitch = group.route(power_pct, line_pitch_mm, passes)
        dose = energy.areal_dose(np.atleast_1d(np.asarray(line_energy_j_mm, float)), pitch)
        state = self.board_state(group, board)
        if of == "mean" and board == NEXT:
            # The mean curve is that of the average board: no board's own deviation in it.
            covariance = state.covariance.copy()
            covariance[:, LEVEL_AND_SLOPE, :] = covariance[:, :, LEVEL_AND_SLOPE] = 0
            state = self._now(group, replace(state, covariance=covariance))
        step = group.gauge_step_mm
        why = group.outside(dose, power_pct, line_pitch_mm, passes)
        reached = dose * self.machine_factor(group)
        return boards.predictive(self.spreads, state, reached, route, of, step), why != "", why

    def predict(self, species: str, module_w: float, line_energy_j_mm, line_pitch_mm=None,
                level: float = LEVEL, of: str = "reading", board: str = NEXT,
                wavelength_nm: float | None = None, power_pct: float | None = None,
                passes: int | None = None, module: str | None = None) -> pd.DataFrame:
        """Predict depth at line energies.

        Parameters
        ----------
        species, module_w, wavelength_nm, module
            The group; wavelength and module only where the watts alone could mean several.
        line_energy_j_mm : float or (n,) array
        line_pitch_mm : float, optional
            Needed where the group was burned at several.
        level : float
            Share of cases the interval is meant to hold, between 0 and 1.
        of : "reading", "swatch" or "mean"
            A single reading, the mean of a recess, or the mean curve (on a named board: that
            board's own).
        board : "next" or a board's id
            One never seen, one that was burned, or one that was proved.
        power_pct, passes : float and int, optional
            The rest of the route; None: as burned.

        Returns
        -------
        DataFrame
            line_energy_j_mm, depth_mm, lower_mm, upper_mm, sd_mm, df, extrapolated (outside the burns), why
            (in words, or empty).
        """
        return self.band(self.group(species, module_w, wavelength_nm, module), line_energy_j_mm, line_pitch_mm, level,
                         of, board, power_pct, passes)

    def band(self, group: GroupFit, line_energy_j_mm, line_pitch_mm=None, level: float = LEVEL,
             of: str = "reading", board: str = NEXT, power_pct=None, passes=None) -> pd.DataFrame:
        """Predict depth in one group; see `predict`."""
        spread, outside, why = self.predictive(group, line_energy_j_mm, line_pitch_mm, of, board, power_pct, passes)
        lower, upper = spread.limits(level)
        return pd.DataFrame({
            "line_energy_j_mm": np.atleast_1d(np.asarray(line_energy_j_mm, float)),
            "depth_mm": spread.depth_mm, "lower_mm": lower, "upper_mm": upper,
            "sd_mm": spread.sd_mm, "df": spread.df,
            "extrapolated": outside, "why": why})

    def proved(self, proof_readings: pd.DataFrame) -> "DepthFit":
        """Return a fit that has learned boards from proof swatches.

        The ratio of observed to predicted depth is shrunk toward what boards do: a proof of three
        readings is never believed whole. Several swatches of a board add up. The curves and
        components stay as they are; only `predict(board=...)` of the proved boards changes.

        Parameters
        ----------
        proof_readings : DataFrame
            Tidy readings of one or more swatches of one or more boards of fitted groups.

        Raises
        ------
        ValueError
            If they cannot prove anything; see `proving.checked`.
        """
        rows = proving.checked(proof_readings, self.readings[self.readings["used"]])
        made_up = "invented" in rows and (rows["invented"] == "yes").any()
        learned = replace(self, proved_boards=self.proved_boards | proving.learned(self, rows),
                          proof_marks=(*self.proof_marks, fingerprint(rows)),
                          invented_proof=bool(self.invented_proof or made_up))
        # No proof changes what rests on curves and readings alone: it is worked out once.
        learned.__dict__.update({name: self.__dict__[name] for name in ("spreads", "groups", "table") if name in self.__dict__})
        return learned

    def proved_elsewhere(self, choice: pd.Series, board: str) -> str:
        """Say how far a setting lies from the board's proofs; see `boards.elsewhere`."""
        group = self.group_of(choice)
        route, pitch = group.route(choice["power_pct"], choice["line_pitch_mm"], choice["passes"])
        return boards.elsewhere(self.board_state(group, board), choice["line_energy_j_mm"] / pitch, route,
                                self.machine_factor(group))

    @cached_property
    def board_deviations(self) -> pd.DataFrame:
        """How far each burned board lies off its curve; see `boards.deviations`."""
        return boards.deviations(self.groups, self.spreads)

    @cached_property
    def woods(self) -> pd.DataFrame:
        """How much the boards of each wood differ, and how sure that is; see `boards.by_wood`."""
        return boards.by_wood(self.groups, self.spreads)

    @property
    def proofs(self) -> pd.DataFrame:
        """A row per proved board: how it differs, with a warning; see `boards.proofs`."""
        return boards.proofs(self.groups, self.proved_boards)

    @property
    def states(self) -> pd.DataFrame:
        """A row per module that had more than one state: what is known of the present one."""
        return pd.DataFrame([one.row for one in self.modules.values() if len(one.mean) > 1], columns=list(states.COLUMNS))

    def said_of(self, group: GroupFit) -> str:
        """Say what a maker should know of a group's module as it is now, of burns under other conditions, of its wood; mostly nothing."""
        known = self.modules[group.module_key].said_of(group.index) if group.module_key in self.modules else []
        own = self.conditions[_of_key(self.conditions, [getattr(group, name) for name in GROUP])] if len(self.conditions) else {}
        return " ".join(filter(None, [*known, *own.get("words", ()), of_density(group.species)]))

    def _repr_html_(self) -> str:
        return shown.table_as_html(self.table.round(3))


def fit(readings: pd.DataFrame, past: states.Past | None = None) -> DepthFit:
    """Fit every species × module of the readings, each module as it is now.

    Parameters
    ----------
    readings : DataFrame
        From `labbook.read` or `labbook.check`; rows with a reason in `struck_because` stay out.
    past : states.Past, optional
        The log of the machine, the finished jobs and the gauge, see `drift.past_of`. Without it nothing ever happened.

    Raises
    ------
    ValueError
        If no group at all has enough readings to fit.
    """
    rows = energy.with_energy(columns.with_module(readings))
    used, priors = np.ones(len(rows), bool), past.priors if past else PRIORS
    if "struck_because" in rows:
        used &= (rows["struck_because"] == "").to_numpy()
    if not used.any():
        raise ValueError(_nothing([]))
    tidy = _reduced(rows, used)
    energies = swatches.different_doses(tidy)
    thin = tidy.group_keys[energies < FEWEST_ENERGIES].assign(
        why=[f"left a mark at {count} different energies, {FEWEST_ENERGIES} are needed"
             for count in energies[energies < FEWEST_ENERGIES]])
    if len(thin) == len(tidy.group_keys):
        raise ValueError(_nothing(thin.to_dict("records")))
    if len(thin):
        used &= ~pd.MultiIndex.from_frame(rows[GROUP]).isin(list(thin[GROUP].itertuples(index=False)))
        tidy = _reduced(rows, used)
    counted = rows["depth_mm"].to_numpy(float).copy()
    counted[used], tidy = swatches.drawn_in(rows[used], tidy)
    rows[COUNTED] = counted
    curves = fitted(tidy, priors)
    compared = conditions.conditions(curves, rows[used])
    if len(apart := compared[~compared["one_curve"].astype(bool)]):
        used &= ~np.logical_or.reduce([_of_key(rows, one[GROUP].tolist()) & (rows[one["condition"]] == one["value"])
                                       for _, one in apart.iterrows()])
        curves = fitted(_reduced(rows, used), priors)
    curves, known, factor = _in_states(rows[used], curves, past)
    reached = rows[DOSE].to_numpy().copy()
    reached[used] *= factor
    return DepthFit(rows.assign(used=used, **{REACHED: reached}), curves, thin.reset_index(drop=True), modules=known,
                    conditions=compared)


def _in_states(rows, curves, past) -> tuple[CurveFit, dict, np.ndarray]:
    """Return curves that allow for the state each burn was made in, the states, and the factor of each reading.

    Curves and states are found in turns: boards in a state that dug less are no odd boards.
    """
    factor, shift, known = np.ones(len(rows)), {}, {}
    for _ in range(_ROUNDS if past is not None else 0):
        known = states.known(curves, rows, past, shift)
        found = states.factors(rows, known)
        moved, factor = np.abs(np.log(found / factor)).max(), found
        if moved < _LEAST_MOVE:
            break
        shift = {key: one.mean for key, one in known.items()}
        curves = fitted(swatches.reduced(rows, rows[DOSE].to_numpy() * factor), past.priors)
    return curves, known, factor


def fit_if_enough(readings: pd.DataFrame, past: states.Past | None = None) -> DepthFit | None:
    """Return the fit, or None where there is too little for one yet."""
    try:
        return fit(readings, past)
    except ValueError:
        return None


def _reduced(rows: pd.DataFrame, used: np.ndarray) -> Swatches:
    """Reduce the used readings to swatches over areal dose, which is one scale for every pitch."""
    kept = rows if used.all() else rows[used]
    return swatches.reduced(kept, kept[DOSE].to_numpy())


def _nothing(thin: list[dict]) -> str:
    why = "; ".join(f"{one['species']} with {one['module_w']:g} W {one['why']}" for one in thin)
    return (f"There is nothing to fit yet: {why or 'the lab book has no readings'}. "
            "Burn more swatches and enter their depths.")


def _joined_marks(first: str, *others: str) -> str:
    """Return one fingerprint of several; of one alone, itself."""
    if not others:
        return first
    return hashlib.sha256(" ".join((first, *others)).encode("ascii")).hexdigest()[:12]


def _of_key(rows: pd.DataFrame, key: list) -> np.ndarray:
    return (rows[GROUP] == key).all(axis=1).to_numpy()
