"""testburn: calibrate the depth a laser module engraves into wood, and print the settings that reach it."""

import os

__version__ = "0.1.0"

# Said before numpy is loaded: our matrices are small, and threads that wait for each other cost more than half of a fit. Who sets it otherwise
# has it otherwise.
os.environ.setdefault("OMP_NUM_THREADS", "1")
