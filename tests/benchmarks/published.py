"""How often 95 % intervals hold for units never seen in published sets of units × dose × readings.

The sets are not wood: no public table of engraved depth in wood was found. Each is scaled so that its median
is 1 mm and its mean dose 0.2 J/mm; the scaling fixes what the gauge's prior weighs. Units are left out one at a
time, or trained on 1, 2, 3 and 5 a group; a proof is one swatch of an unseen unit at its middle dose. A figure
rests on 5 to 20 units, not on its n: `lower` and `upper` are its 95 % limits by resampling the units scored.
"""

from pathlib import Path

import numpy as np
import pandas as pd

from testburn import depthfit

FILE = Path(__file__).parents[1] / "reference" / "units_by_dose.csv"
# Stated from the published sets: pooled, and after a proof for dnase. Any other cell: not clearly below.
POOLED, DNASE_PROVED, STATED = 0.94, 0.90, 0.95


def readings(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one set as tidy readings of an imagined module."""
    joules = rows["x"] / rows["x"].mean() * 0.2
    tidy = pd.DataFrame({
        "species": rows["group"].astype(str), "board": rows["group"].astype(str) + " " + rows["board"].astype(str),
        "module_w": 40.0, "wavelength_nm": 450.0, "power_pct": 100.0, "line_pitch_mm": 0.05, "passes": 1,
        "speed_mm_s": 40 / joules, "depth_mm": (rows["y"] / rows["y"].median()).clip(lower=0), "gauge_step_mm": 0.0005,
        "joules": joules, "invented": ""})
    tidy["burn"] = tidy["board"]
    order = tidy.groupby("board")["joules"].transform(lambda dose: dose.rank(method="dense")).astype(int)
    tidy["swatch"] = order.map("S{:02d}".format)
    return tidy.assign(reading=tidy.groupby(["board", "swatch"]).cumcount() + 1).reset_index(drop=True)


def held(fit, rows: pd.DataFrame, board: str = depthfit.NEXT) -> pd.DataFrame:
    """Return for every reading inside the burned doses which unit it is of and whether it held."""
    found = []
    for species, part in rows.groupby("species"):
        band = fit.predict(species, 40, part["joules"].to_numpy(), board=board)
        inside = part["depth_mm"].between(band["lower_mm"].set_axis(part.index), band["upper_mm"].set_axis(part.index))
        width = (band["upper_mm"] - band["lower_mm"]) / band["depth_mm"].clip(lower=0.02)
        found.append(pd.DataFrame({"board": part["board"], "held": inside, "width": width.to_numpy(),
                                   "inside": ~band["extrapolated"].to_numpy()}))
    found = pd.concat(found)
    return found[found["inside"]]


def scored(tidy: pd.DataFrame, draws: int, seed: int = 1) -> dict[str, pd.DataFrame]:
    """Return how → rows of `held`, for all but one and 1, 2, 3, 5 units, and 3 units with a proof."""
    rng, units = np.random.default_rng(seed), {name: part["board"].unique() for name, part in tidy.groupby("species")}
    found = {"all but one": [held(depthfit.fit(tidy[tidy["board"] != unit]), tidy[tidy["board"] == unit])
                             for unit in tidy["board"].unique()]}
    for count in (1, 2, 3, 5):
        if count >= min(map(len, units.values())):
            continue
        for _ in range(draws):
            picked = [unit for own in units.values() for unit in rng.choice(own, count, replace=False)]
            fit, rest = depthfit.fit(tidy[tidy["board"].isin(picked)]), tidy[~tidy["board"].isin(picked)]
            found.setdefault(f"{count} units", []).append(held(fit, rest))
            if count == 3:
                found.setdefault("3 units and a proof", []).extend(after_proofs(fit, rest, rng))
    return {how: pd.concat(parts) for how, parts in found.items()}


def after_proofs(fit, rest: pd.DataFrame, rng, most: int = 4) -> list[pd.DataFrame]:
    """Return what holds on unseen units after a proof at their middle dose; a blank mark proves nothing."""
    found, units = [], rest["board"].unique()
    for unit in rng.choice(units, min(most, len(units)), replace=False):
        own = rest[rest["board"] == unit]
        marks = np.sort(own["swatch"].unique())
        is_proof = own["swatch"] == marks[len(marks) // 2]
        if (own.loc[is_proof, "depth_mm"] > own.loc[is_proof, "gauge_step_mm"]).all():
            found.append(held(fit.proved(own[is_proof]), own[~is_proof], unit))
    return found


def limits(rows: pd.DataFrame, draws: int = 2000, seed: int = 2) -> tuple[float, float]:
    """Return 95 % limits of the share held, by resampling units."""
    by_unit = rows.groupby("board")["held"].agg(["sum", "size"]).to_numpy()
    picked = by_unit[np.random.default_rng(seed).integers(0, len(by_unit), (draws, len(by_unit)))].sum(axis=1)
    low, high = np.quantile(picked[:, 0] / picked[:, 1], [0.025, 0.975])
    return float(low), float(high)


def table(draws: int = 30) -> tuple[pd.DataFrame, int]:
    """Return a row per set and way of training, the pooled ones last, and how many targets are missed."""
    rows, pooled = [], {"unseen, pooled": [], "after a proof, pooled": []}
    for name, part in pd.read_csv(FILE).groupby("set", sort=False):
        for how, found in scored(readings(part), draws).items():
            proof = "proof" in how
            low, high = limits(found)
            wanted = DNASE_PROVED if (name, proof) == ("dnase", True) else STATED
            share = found["held"].mean()
            missed = share < wanted and (wanted == DNASE_PROVED or high < wanted)
            rows.append((name, how, share, low, high, found["width"].median(), len(found), missed))
            pooled["after a proof, pooled" if proof else "unseen, pooled"].append(found)
    for how, parts in pooled.items():
        found = pd.concat(parts)
        share = found["held"].mean()
        rows.append(("all sets", how, share, *limits(found), found["width"].median(), len(found), share < POOLED))
    columns = ["published set", "trained on", "holds", "lower", "upper", "width", "readings", "MISSED"]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.round(3), int(frame["MISSED"].sum())
