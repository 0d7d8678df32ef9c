"""Job: the job on the bench.

Decides how deep its recess must be, which settings reach that, whether a proof is worth its minutes, and
what is promised. The ground: films, sanding and flatness from published figures where there are any, each
with its source, and the distribution that the depth fit gives; nothing is counted in both.
"""

from testburn.job import cautions, finishing, infill, promise, settings, stakes
from testburn.job.bench import Job
from testburn.job.infill import AT_LEAST, Film, Window
from testburn.job.sheet import JobSheet
from testburn.job.stakes import COSTS, Prices, Stakes

__all__ = ["AT_LEAST", "COSTS", "Film", "Job", "JobSheet", "Prices", "Stakes", "Window", "cautions", "finishing",
           "infill", "promise", "settings", "stakes"]
