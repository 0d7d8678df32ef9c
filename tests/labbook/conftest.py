"""The modules that the lab book's tests share: seeded mutations, and the reader of old as a witness."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
