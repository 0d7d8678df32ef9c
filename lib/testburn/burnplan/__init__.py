"""Burn plan: which swatches to burn next, on how many boards, and what that will teach.

Decides depths, settings, size and place of test swatches, and says how wide the interval will be once they
are measured; which check the machine, its power and its focus; draws the swatches, one to prove a board with, and a patch beside a drawing; which gauge reads what. The ground: an optimal design for the fit's own
curve, within what machine, scrap and gauge allow.
"""

from testburn.burnplan.checkburn import check, power_ladder
from testburn.burnplan.drawing import ProofSwatch, proof_swatch, svg
from testburn.burnplan.measuring import Drawn, focus_ladder, gauge_words, gauges, with_patch
from testburn.burnplan.plan import BurnPlan, Scrap, propose, usual_module

__all__ = ["BurnPlan", "Drawn", "ProofSwatch", "Scrap", "check", "focus_ladder", "gauge_words", "gauges", "power_ladder", "proof_swatch", "propose", "svg", "usual_module", "with_patch"]
