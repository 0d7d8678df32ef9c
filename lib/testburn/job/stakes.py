"""Stakes: is a proof swatch worth its minutes?

Decides by the expected cost of a job burned with the card as it is, at the surest speed there is without a
proof, or a little too shallow to be measured and finished with a second pass (`firstpiece.planned`), against one
proof swatch on the job's board first. What the proof may show is not known
before, so its worth is an average: over points of equal probability of what it is predicted to show, the
fit learns each, the speed is chosen again, and the chance that follows is counted (a preposterior
analysis: Raiffa & Schlaifer 1961, Applied Statistical Decision Theory, from memory).

A job comes out inside the window, too shallow or too deep. Too shallow is burned again where the maker
sees it before finishing; else board and finishing are lost. Too deep mostly serves, for more paint and
time. A lost board is replaced once; that the next one may fail too is left out. All prices are the
maker's, in the maker's money.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from testburn.depthfit import DepthFit, NEXT, proof
from testburn.job import firstpiece, settings
from testburn.labbook import Machine, columns, shown, tomlfile

AS_IS, SUREST, PROOF_FIRST = "card as it is", "surest speed, no proof", "one proof swatch first"
PLANNED = "too shallow on purpose, measured, finished"
_POINTS = 9
# A speed within this of the best chance counts as best: of these the fastest is taken.
_AS_GOOD = 0.005
_A_PROOF = "(the job's board)"
COSTS = ["cost_minutes", "cost_boards", "cost_reruns", "cost_paint"]


PRICES = tuple(
    columns.Field(name, "number", meaning, "Use your own money, 0 or more.", required=False, at_least=0)
    for name, meaning in (
        ("per_minute", "A minute at the machine."), ("board", "The wood of one piece, ready to burn."),
        ("finishing", "Sealer, paint and time for finishing one."), ("proof_minutes", "For one proof swatch."),
        ("rerun_minutes", "To burn a too shallow job once more."), ("deep_extra", "On top for a job that is too deep."),
        ("setup_minutes", "By hand, once for an order, before the first piece."),
        ("loading_minutes", "By hand, to load and unload one piece."),
        ("labour_per_minute", "A minute by hand; per_minute where it is not said."))
) + tuple(
    columns.Field(name, "number", meaning, "Use a share of all, from 0 to 1.", required=False, at_least=0, at_most=1)
    for name, meaning in (("shallow_rerun_share", "Of the too shallow, those seen in time."),
                          ("deep_lost_share", "Of the too deep, those that cannot be used.")))


@dataclass(frozen=True)
class Prices:
    """What things cost the maker, in the maker's money.

    Attributes
    ----------
    per_minute : float
        A minute at the machine: the maker's and the machine's.
    board : float
        The wood of one piece, ready to burn: a board, or its share of a plank.
    finishing : float
        Sealer, paint and the maker's time for finishing one; lost with a board found bad at the end.
    proof_minutes : float
        For one proof swatch: burning, brushing out, reading.
    rerun_minutes : float
        To set up and burn a too shallow job once more.
    deep_extra : float
        Paint and time on top for a job that is too deep but serves.
    shallow_rerun_share : float
        Of the too shallow, how many are seen in time and can be burned again, 0 to 1.
    deep_lost_share : float
        Of the too deep, how many cannot be used, 0 to 1.
    setup_minutes : float
        By hand, once for an order, before the first piece.
    loading_minutes : float
        By hand, to load and unload one piece.
    labour_per_minute : float, optional
        A minute by hand; as `per_minute` where it is not said.
    """

    per_minute: float
    board: float
    finishing: float
    proof_minutes: float
    rerun_minutes: float
    deep_extra: float
    shallow_rerun_share: float = 0.8
    deep_lost_share: float = 0.2
    setup_minutes: float = 0.0
    loading_minutes: float = 0.0
    labour_per_minute: float | None = None

    def __post_init__(self):
        for field in PRICES:
            if (value := getattr(self, field.name)) is not None:
                tomlfile.must_be(field, value)

    @property
    def by_hand(self) -> float:
        """A minute of work by hand."""
        return self.per_minute if self.labour_per_minute is None else self.labour_per_minute


@dataclass(frozen=True, eq=False)
class Stakes:
    """The cost of being wrong, with and without a proof.

    Attributes
    ----------
    table : DataFrame
        A row per way: way, minutes, chance_inside, chance_shallow, chance_deep, cost_minutes,
        cost_boards, cost_reruns, cost_paint, expected_cost.
    outcomes : DataFrame
        What the proof may show: proof_mm, speed_mm_s to burn at then, minutes, and the chances.
    prices : Prices
    """

    table: pd.DataFrame
    outcomes: pd.DataFrame
    prices: Prices

    @property
    def proof_cost(self) -> float:
        """What the proof swatch itself costs."""
        return self.prices.per_minute * self.prices.proof_minutes

    @property
    def without(self) -> str:
        """The cheapest way without a proof."""
        rows = self.table[self.table["way"] != PROOF_FIRST].set_index("way")["expected_cost"]
        return str(rows.idxmin())

    @property
    def saving(self) -> float:
        """What a proof saves on average against that, before it is paid; it may be negative."""
        costed = self.table.set_index("way")["expected_cost"]
        return float(costed[self.without] - costed[PROOF_FIRST]) + self.proof_cost

    @property
    def break_even_board_price(self) -> float:
        """The price of a board from which on a proof pays: 0 at any price, infinity at none.

        NaN where a proof loses more boards than it saves, so that a dearer board speaks against it.
        """
        rows = self.table.set_index("way")
        first = rows.loc[PROOF_FIRST]
        return max(_break_even(row, first, self.prices) for _, row in rows.drop(PROOF_FIRST).iterrows())

    @property
    def words(self) -> str:
        """Whether to burn a proof, with the numbers, in the maker's money."""
        chances = (100 * self.table.set_index("way")["chance_inside"]).map("{:.0f} %".format)
        gain = self.saving - self.proof_cost
        advised = "it makes no difference" if abs(gain) < 0.005 else "burn it" if gain > 0 else "leave it"
        saves = f"saves {self.saving:.2f} on average" if self.saving >= 0.005 else "saves nothing"
        price = self.break_even_board_price
        edge = ("" if abs(gain) < 0.005 or np.isnan(price) else
                "It pays at any price of a board." if price == 0 else
                "It pays at no price of a board." if price == np.inf else
                f"It pays from a board price of {price:.2f} on.")
        planned = f"{chances[PLANNED]} if burned a little too shallow, measured and finished, " if PLANNED in chances else ""
        return (f"A proof swatch costs {self.proof_cost:.2f} and {saves}, in your money: "
                f"{advised}. The chance to land inside: {chances[AS_IS]} with the card "
                f"as it is, {chances[SUREST]} at the surest speed, {planned}{chances[PROOF_FIRST]} after a proof, "
                f"averaged over what it may show. {edge}").rstrip()

    def _repr_html_(self) -> str:
        return f"<p>{shown.as_html(self.words)}</p>" + shown.table_as_html(self.table.round(2))


def compare(fit: DepthFit, choice: pd.Series, at_least_mm: float, at_most_mm: float, minutes: float,
            prices: Prices, machine: Machine = Machine(), board: str = NEXT, readings: int = 3,
            loses: firstpiece.Second | None = None) -> Stakes:
    """Weigh burning with a choice at once against one proof swatch first.

    Parameters
    ----------
    fit : DepthFit
    choice : Series
        A row of `settings.choose`; the proof is burned with it.
    at_least_mm, at_most_mm : float
        The window.
    minutes : float
        Of the job at the choice's settings; another speed changes them as it does a block's.
    prices : Prices
    board : "next" or a board's id
        The job's board.
    readings : int
        Of the proof swatch.
    loses : firstpiece.Second, optional
        What a second pass loses, with what was recorded of earlier ones.

    Raises
    ------
    ValueError
        Minutes that are none, or a choice that no speed of the machine brings near the window.
    """
    if not 0 < minutes < float("inf"):
        raise ValueError(f"A job of {minutes:g} minutes is none. Give its minutes at the machine.")
    options = settings.by_speed(fit, choice, at_least_mm, at_most_mm, machine, board=board)
    scale = minutes / np.interp(choice["speed_mm_s"], options["speed_mm_s"], options["minutes"])
    options = options.assign(minutes=scale * options["minutes"])
    own = choice.to_frame().T.astype({"line_energy_j_mm": float, "line_pitch_mm": float})
    group = fit.group_of(choice)
    step = group.gauge_step_mm
    named = _A_PROOF if board == NEXT else board
    asked = group, options, at_least_mm, at_most_mm
    rows = []
    for depth in _may_show(fit, group, own, board, readings):
        seen = proof(choice, named, [max(depth, 2 * step)] * readings, step, "(not burned yet)")
        rows.append({"proof_mm": depth, **_surest(fit.proved(seen), *asked, named)})
    outcomes = pd.DataFrame(rows)
    as_is = {"speed_mm_s": choice["speed_mm_s"], "minutes": minutes,
             **_chances(fit, group, own, at_least_mm, at_most_mm, board)}
    table = pd.DataFrame([
        {"way": AS_IS, **_costed(pd.DataFrame([as_is]), prices, 0.0)},
        {"way": SUREST, **_costed(pd.DataFrame([_surest(fit, *asked, board)]), prices, 0.0)},
        *_planned(fit, choice, at_least_mm, at_most_mm, options, prices, machine, board, loses),
        {"way": PROOF_FIRST, **_costed(outcomes, prices, prices.proof_minutes)}])
    return Stakes(table, outcomes, prices)


def _planned(fit, choice, at_least_mm, at_most_mm, options, prices, machine, board, loses) -> list[dict]:
    """Return the row of a second pass planned from the start: pieces that get one pay a rerun; none for several passes."""
    if choice["passes"] != 1:
        return []
    plan = firstpiece.planned(fit, choice, at_least_mm, at_most_mm, machine, board, loses=loses)
    chances = {name: plan[name] for name in ("chance_inside", "chance_shallow", "chance_deep")}
    minutes = np.interp(plan["speed_mm_s"], options["speed_mm_s"], options["minutes"])
    row = _costed(pd.DataFrame([{"minutes": minutes, **chances}]), prices, 0.0)
    reruns = plan["topped_up"] * prices.per_minute * prices.rerun_minutes
    return [{"way": PLANNED, **row, "cost_reruns": row["cost_reruns"] + reruns, "expected_cost": row["expected_cost"] + reruns}]


def _surest(fit, group, options, at_least_mm, at_most_mm, board) -> dict[str, float]:
    """Return the fastest of the speeds with the best chance: speed_mm_s, minutes and its chances."""
    inside = settings.chance_inside(fit, group, options, at_least_mm, at_most_mm, board)
    best = options[inside >= inside.max() - _AS_GOOD]
    row = best.loc[[best["minutes"].idxmin()]]
    return {"speed_mm_s": float(row["speed_mm_s"].iloc[0]), "minutes": float(row["minutes"].iloc[0]),
            **_chances(fit, group, row, at_least_mm, at_most_mm, board)}


def costs(row: pd.Series, prices: Prices, proof_minutes: float = 0.0, handling: float = 0.0) -> dict[str, float]:
    """Return the expected costs of one way: cost_minutes, cost_boards, cost_reruns, cost_paint.

    Parameters
    ----------
    row : Series or mapping
        minutes, chance_shallow, chance_deep.
    proof_minutes : float
        Spent before each board; a lost board's successor needs them again.
    handling : float
        What loading one piece costs; a lost one's successor is loaded again.
    """
    once = prices.per_minute * (row["minutes"] + proof_minutes)
    return {"cost_minutes": once,
            "cost_boards": _lost_share(row, prices) * (prices.board + prices.finishing + once + handling),
            "cost_reruns": (row["chance_shallow"] * prices.shallow_rerun_share * prices.per_minute
                            * prices.rerun_minutes),
            "cost_paint": row["chance_deep"] * (1 - prices.deep_lost_share) * prices.deep_extra}


def _costed(outcomes: pd.DataFrame, prices: Prices, proof_minutes: float) -> dict[str, float]:
    """Return the average over equally probable outcomes of chances, minutes and costs."""
    paid = pd.DataFrame([costs(row, prices, proof_minutes) for _, row in outcomes.iterrows()])
    means = outcomes.drop(columns=["proof_mm", "speed_mm_s"], errors="ignore").mean()
    means["minutes"] += proof_minutes
    return {**means, **paid.mean(), "expected_cost": float(paid.mean().sum())}


def _break_even(without: pd.Series, first: pd.Series, prices: Prices) -> float:
    """Return the board's price from which on a proof is cheaper than one way without."""
    # Costs rise in a straight line with the board's price, by the share of boards lost.
    fewer = _lost_share(without, prices) - _lost_share(first, prices)
    dearer = first["expected_cost"] - without["expected_cost"]
    if fewer <= 0:
        return np.nan if fewer < 0 and dearer <= 0 else 0.0 if dearer <= 0 else np.inf
    return max(prices.board + float(dearer / fewer), 0.0)


def _lost_share(row, prices: Prices) -> float:
    """Return how many boards are lost for each that is burned."""
    return (row["chance_shallow"] * (1 - prices.shallow_rerun_share)
            + row["chance_deep"] * prices.deep_lost_share)


def _may_show(fit, group, own, board, readings) -> np.ndarray:
    """Return depths of equal probability that a proof swatch's mean of readings may have."""
    route = {name: own[name].iloc[0] for name in ("line_pitch_mm", "power_pct", "passes")}
    recess, reading = (fit.predictive(group, own["line_energy_j_mm"].to_numpy(), of=of, board=board, **route)[0]
                       for of in ("swatch", "reading"))
    # What a reading scatters beyond its recess shrinks with their number; the recess's own part stays.
    variance = recess.sds_mm**2 + (reading.sds_mm**2 - recess.sds_mm**2) / readings
    points = (np.arange(_POINTS) + 0.5) / _POINTS
    return replace(recess, sds_mm=np.sqrt(variance)).quantile(points)


def _chances(fit, group, option, at_least_mm, at_most_mm, board) -> dict[str, float]:
    """Return the chances of one setting: inside, too shallow, too deep."""
    inside, shallow = (float(settings.chance_inside(fit, group, option, *ends, board)[0])
                       for ends in ((at_least_mm, at_most_mm), (-np.inf, at_least_mm)))
    return {"chance_inside": inside, "chance_shallow": shallow, "chance_deep": 1 - inside - shallow}
