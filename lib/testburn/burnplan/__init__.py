"""Burn plan: which swatches to burn next, on how many boards, and what that will teach.

Decides depths, settings, size and place of test swatches, and says how wide the interval will be once they
are measured. The ground: an optimal design for the fit's own curve, within what machine, scrap and gauge
allow.
"""

from testburn.burnplan.layout import svg
from testburn.burnplan.plan import BurnPlan, Scrap, propose

__all__ = ["BurnPlan", "Scrap", "propose", "svg"]
