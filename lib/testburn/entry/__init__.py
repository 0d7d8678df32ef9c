"""Entry: what a maker types, and nothing of it lost.

Decides how typed cells become readings, which words stand beside a row, and how a half-typed burn, a
correction, an order, a proof, a finished job or a line of a small file is kept until it is saved. The ground: every
accepted cell is on the disk before the next is typed. One half knows no widget; the other half is boxes round it.
"""

from testburn.entry.bookforms import log_form, retire_form, second_pass_form, set_aside_form, wood_form
from testburn.entry.burnform import curve_choice
from testburn.entry.jobform import job_form
from testburn.entry.machineform import focus_form, ladder_choice, machine_form, repeats_form, timed_form
from testburn.entry.offers import Offers, plan_form, sheet_button
from testburn.entry.orderform import figures_form, order_form, proof_form

__all__ = ["Offers", "curve_choice", "figures_form", "focus_form", "job_form", "ladder_choice", "log_form", "machine_form", "order_form", "plan_form",
           "proof_form", "repeats_form", "retire_form", "second_pass_form", "set_aside_form", "sheet_button", "timed_form", "wood_form"]
