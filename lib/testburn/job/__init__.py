"""Job: an order, and what it comes to.

Decides what an order may say and how its file is kept, how deep its recess must be, which settings reach that, whether
a proof is worth its minutes, and what is promised. The ground: films, sanding and flatness from published figures where
there are any, each with its source, and the distribution that the depth fit gives; nothing is counted in both.
"""

from testburn.job import cautions, finishing, firstpiece, infill, orders, outcome, promise, quote, settings, stakes
from testburn.job.bench import Job
from testburn.job.infill import AT_LEAST, Film, Window
from testburn.job.order import Order
from testburn.job.stakes import COSTS, Prices, Stakes

__all__ = ["AT_LEAST", "COSTS", "Film", "Job", "Order", "Prices", "Stakes", "Window", "cautions", "finishing", "firstpiece",
           "infill", "orders", "outcome", "promise", "quote", "settings", "stakes"]
