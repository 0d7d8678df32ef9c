"""What is each term of the model for? Cases of `honesty`, with one term after another left out.

    .venv/bin/python tests/benchmarks/terms.py [workshops] [words of the term ...]     (24)

A term is left out by its prior: its spread is held at next to nothing, in the place where it stands. The workshops are
the same for every term, so that a difference tells more than the standard error of either figure (about 0.015 on
`holds` at 24 workshops). A row is a quantity of a case that some term moves past its bar, or by 0.02 of what holds or a
twentieth of a width; the rest are counted.
"""

import contextlib
import sys
from unittest import mock

import honesty
import numpy as np

from testburn.depthfit import boards, components, curves, group, spreads, states, swatches

NOTHING = 1e-3
# One case of each kind: all of them, 200 workshops each, would take four hours.
CASES = ("home, 1 boards", "home, 3 boards", "all woods 4 %, 3 boards", "all woods 18 %, 3 boards", "curves that flatten, 60 to 600 mm/s, 5 boards",
         "one reading in a hundred gross, 3 boards", "unbalanced", "pairs never burned",
         "two pitches a board", "wood of 18 % beside 4 and 9, 5 boards", "proof at 60, job at 240, 1 boards",
         "proof at 0.1 mm, job at 0.05, 3 boards", "rings of 6 %, 3 boards", "usual proof, 3 boards", "faint marks")


def _shared(board=spreads.BOARD, slope=spreads.SLOPE, swatch=spreads.SWATCH) -> np.ndarray:
    return (spreads._log_normal(spreads.LEVEL_SDS, *board)[:, None, None, None] + np.full(2, np.log(0.5))[:, None, None]
            + spreads._log_normal(spreads.SLOPE_SDS, *slope)[:, None] + spreads._log_normal(spreads.SWATCH_SDS, *swatch))


def _alike() -> np.ndarray:
    """Return the chance of a wood's spread where all woods are held alike."""
    return np.array([[spreads._log_normal(spreads.LEVEL_SDS, middle, 0.02)] * 2 for middle in spreads.LEVEL_SDS])


_weights = spreads.Spreads.weights


def _one_node(known, asked) -> np.ndarray:
    """Return the likeliest node alone: spreads taken for known."""
    weights = _weights(known, asked)
    return (np.arange(len(weights)) == weights.argmax()).astype(float)


# The term → what is set where: (module or class, name, value).
TERMS = {
    "route slopes": [(place, "ROUTE_PRECISION", components.ROUTE_PRECISION / NOTHING**2) for place in (components, curves, spreads)],
    "slope of a board": [(spreads, "_SHARED", _shared(slope=(spreads.SLOPE_SDS[0], 0.05)))],
    "own spread of a wood": [(spreads, "_of_wood", lambda wood, alike=_alike(): alike)],
    "doubt of the spreads": [(spreads.Spreads, "weights", _one_node)],
    "place": [(place, "PLACE_SD", 0.0) for place in (boards, states)],
    "swatch": [(spreads, "_SHARED", _shared(swatch=(spreads.SWATCH_SDS[0], 0.05)))],
    "bend": [(place, "BEND_RANGE", (-NOTHING, NOTHING)) for place in (curves, group, spreads)],
    "gross": [(swatches, "GROSS", 1e9)],
}


def found(workshops: int, term: str = "") -> dict[tuple[str, str], tuple[float, bool]]:
    """Return every quantity of every case with a term left out: what was reached, and whether it misses its bar."""
    with contextlib.ExitStack() as left_out:
        for place, name, value in TERMS.get(term, []):
            if hasattr(place, name):
                left_out.enter_context(mock.patch.object(place, name, value))
        return {(case.name, row["quantity"]): (float(row["reached"]), row["verdict"] == "MISSED")
                for case in honesty.CASES if case.name in CASES for row in honesty.rows(case, honesty.reached(case, workshops))}


def tells(quantity: str, whole: tuple[float, bool], other: tuple[float, bool]) -> bool:
    """Return whether leaving a term out moved a quantity past its bar, or far."""
    move = abs(other[0] - whole[0])
    return other[1] != whole[1] or (move > 0.05 * whole[0] if quantity == "width" else move > 0.02)


def main(workshops: int = 24, *words: str) -> None:
    """Print a row a quantity that tells: as the model stands, and with each term left out."""
    terms = [term for term in TERMS if not words or any(word in term for word in words)]
    whole = found(workshops)
    out = {}
    for term in terms:
        out[term] = found(workshops, term)
        print(f"without {term}: {sum(miss for _, miss in out[term].values())} of {len(whole)} rows miss their bar, "
              f"{sum(miss for _, miss in whole.values())} as the model stands", flush=True)
    told = [row for row in whole if any(tells(row[1], whole[row], out[term][row]) for term in terms)]
    print(f"{workshops} workshops a case; * misses its bar; a cell left empty is no different; {len(whole) - len(told)} rows are so "
          "with every term", "", "| workshops | quantity | all terms | " + " | ".join(terms) + " |", "| --- " * (3 + len(terms)) + "|", sep="\n")
    for row in told:
        cells = [f"{whole[row][0]:.3f}", *(f"{value:.3f}{'*' * miss}" if tells(row[1], whole[row], (value, miss)) else ""
                                           for value, miss in (out[term][row] for term in terms))]
        print(f"| {row[0]} | {row[1]} | {' | '.join(cells)} |")


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    main(*(numbers or [24]), *(word for word in sys.argv[1:] if not word.isdigit()))
