"""Entry: what a maker types, and nothing of it lost.

Decides how typed cells become readings, which words stand beside a row, and how a half-typed burn, a
correction, an order, a proof or a finished job is kept until it is saved. The ground: every accepted cell is on the disk before
the next is typed. One half knows no widget; the other half is boxes round it.
"""

from testburn.entry.jobform import job_form
from testburn.entry.offers import Offers
from testburn.entry.orderform import order_form, proof_form

__all__ = ["Offers", "job_form", "order_form", "proof_form"]
