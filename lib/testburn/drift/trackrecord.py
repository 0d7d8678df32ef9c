"""Track record: of the recesses that cards said would land, how many did?

Decides how the suite's own promises are held against what was measured. Each finished recess has a range and a chance
that its card gave it: its depth window, or, where the card named none, the range that holds 80 of 100 readings' means
about the depth it expected (a t distribution, as wide as curve, board, swatch and the machine's state may be off). Over many recesses as
many should have landed as those chances add up to. Below ten nothing is told: a percentage of four says nothing.
Recesses of one board fall together, so what chance alone does to the count is reckoned as if all of a board did: too
wide rather than too narrow.

Source: the count of independent trials with chances of their own has mean Σp and variance Σp(1 - p)
(Poisson's binomial; Wang 1993, Statistica Sinica 3:295-312, from memory).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from testburn.labbook import shown

FEWEST = 10
_RECESS = ["burn", "board", "species", "swatch"]
_FACTS = ("expected_mm", "at_least_mm", "at_most_mm", "curve_sd", "board_sd", "swatch_sd", "reading_sd", "gauge_sd_mm", "df", "state_sd")
_WITHOUT_WINDOW = 0.80
# What the card said of a recess, in percent.
_BANDS = ((0, 70), (70, 90), (90, 100))


@dataclass(frozen=True, eq=False)
class TrackRecord:
    """What was said and what came of it.

    Attributes
    ----------
    recesses : DataFrame
        A row per finished recess: burn, board, species, swatch, depth_mm, at_least_mm, at_most_mm, said (chance), landed.
    table : DataFrame
        A row per band of what was said: said from_pct, to_pct, recesses, said_pct, landed_pct.
    words : str
    """

    recesses: pd.DataFrame
    table: pd.DataFrame
    words: str

    def __str__(self) -> str:
        return self.words

    def _repr_html_(self) -> str:
        return shown.table_as_html(self.table) if len(self.table) else f"<p>{shown.as_html(self.words)}</p>"


def track_record(finished: pd.DataFrame) -> TrackRecord:
    """Return how many recesses landed where their cards said, beside how many were said to.

    Parameters
    ----------
    finished : DataFrame
        From `jobs.read`.
    """
    finished = finished.assign(state_sd=finished["state_sd"].fillna(0.0) if "state_sd" in finished else 0.0)
    recess = finished.groupby(_RECESS, sort=False).agg(
        depth_mm=("depth_mm", "mean"), count=("depth_mm", "size"),
        **{name: (name, "first") for name in _FACTS}).reset_index()
    expected = recess["expected_mm"]
    sd_mm = expected * np.sqrt(recess["curve_sd"]**2 + recess["board_sd"]**2 + recess["swatch_sd"]**2
                               + recess["state_sd"]**2)
    mean_sd_mm = np.sqrt(sd_mm**2 + ((recess["reading_sd"] * expected)**2 + recess["gauge_sd_mm"]**2) / recess["count"])
    half_mm = special.stdtrit(recess["df"], (1 + _WITHOUT_WINDOW) / 2) * mean_sd_mm
    below = [special.stdtr(recess["df"], (recess[end] - expected) / np.maximum(sd_mm, 1e-9))
             for end in ("at_least_mm", "at_most_mm")]
    recess = recess.assign(said=np.subtract(*below[::-1]).fillna(_WITHOUT_WINDOW),
                           at_least_mm=recess["at_least_mm"].fillna(expected - half_mm),
                           at_most_mm=recess["at_most_mm"].fillna(expected + half_mm))
    recess = recess.assign(landed=recess["depth_mm"].between(recess["at_least_mm"], recess["at_most_mm"]))
    recess = recess[[*_RECESS, "depth_mm", "at_least_mm", "at_most_mm", "said", "landed"]]
    said_pct = 100 * recess["said"]
    bands = [(low, high, recess[(said_pct >= low) & (said_pct < high + (high == 100))]) for low, high in _BANDS]
    table = pd.DataFrame([{"from_pct": low, "to_pct": high, "recesses": len(part), "said_pct": 100 * part["said"].mean(),
                           "landed_pct": 100 * part["landed"].mean()} for low, high, part in bands if len(part)],
                         columns=["from_pct", "to_pct", "recesses", "said_pct", "landed_pct"])
    return TrackRecord(recess, table, _in_words(recess))


def _in_words(recess) -> str:
    if len(recess) < FEWEST:
        return (f"{len(recess)} finished recess{'es' * (len(recess) != 1)} so far. From {FEWEST} on this page "
                "tells how many landed, beside how many the cards said.")
    said, landed, number = recess["said"].sum(), int(recess["landed"].sum()), len(recess)
    doubt = recess["said"] * (1 - recess["said"])
    boards = doubt.groupby([recess["species"], recess["board"]]).agg(["sum", "size"])
    chance = 1.96 * np.sqrt((boards["sum"] * boards["size"]).sum())
    low, high = max(0, int(np.ceil(said - chance))), min(number, int(np.floor(said + chance)))
    verdict = ("that is what chance does" if low <= landed <= high else
               "that is fewer than chance explains: see the verdict above, and trust the cards less until it is found"
               if landed < low else "that is more than chance explains: the cards are too careful")
    return (f"Of {number} finished recesses, the cards said that {said:.0f} ({100 * said / number:.0f} %) would "
            f"land where they said, and {landed} ({100 * landed / number:.0f} %) did. Between {low} and {high} would be usual; {verdict}.")
