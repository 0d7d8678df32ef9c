"""Charts: the same numbers, drawn.

Decides how a wood, a board and a part of the time are told apart in colour and in grey, and what stands on
an axis. The ground: charts compute nothing; every number comes from a result, and text of a maker's is shown,
never run.
"""

from testburn.charts import drift, job, sweep
from testburn.charts.curves import (board_deviations, by_module, by_species, chance, depth, energy_needed,
                                    residuals)
from testburn.charts.style import AXIS_WORDS, plain

__all__ = ["AXIS_WORDS", "board_deviations", "by_module", "by_species", "chance", "depth", "drift",
           "energy_needed", "job", "plain", "residuals", "sweep"]
