"""Burn plan: which swatches to burn next, on how many boards, and what that will teach.

Decides depths, settings, size and place of test swatches, and says how wide the interval will be once they
are measured; which three check the machine; draws the swatches, and one to prove a board with. The ground: an optimal design for the fit's own
curve, within what machine, scrap and gauge allow.
"""

from testburn.burnplan.checkburn import check
from testburn.burnplan.drawing import ProofSwatch, proof_swatch, svg
from testburn.burnplan.plan import BurnPlan, Scrap, propose

__all__ = ["BurnPlan", "ProofSwatch", "Scrap", "check", "proof_swatch", "propose", "svg"]
