"""Burn plan: which swatches to burn next, on how many boards, and what that will teach.

Decides depths, settings, size and place of test swatches, and says how wide the interval will be once they
are measured; which three check the machine; draws the swatches, one to prove a board with, and a patch beside a drawing; which gauge reads what. The ground: an optimal design for the fit's own
curve, within what machine, scrap and gauge allow.
"""

from testburn.burnplan.checkburn import check
from testburn.burnplan.drawing import ProofSwatch, proof_swatch, svg
from testburn.burnplan.measuring import Patched, gauge_words, gauges, with_patch
from testburn.burnplan.plan import BurnPlan, Scrap, propose

__all__ = ["BurnPlan", "Patched", "ProofSwatch", "Scrap", "check", "gauge_words", "gauges", "proof_swatch", "propose", "svg", "with_patch"]
