"""Workshop: which lab book is open, what state it is in, a new one, and the notebooks run headless.

Decides what a command and a notebook work on, and where cards go. The ground: the demo is only ever opened
as a scratch copy. `cards`, `chain` and `newbook` are commands, imported by name.
"""

from testburn.workshop import overview
from testburn.workshop.openbook import Workshop, cards_folder, open_workshop

__all__ = ["Workshop", "cards_folder", "open_workshop", "overview"]
