"""Paper: the same numbers, in words and on paper, in one set of digits.

Decides what stands in a table a maker reads, on a card, a binder and a burn sheet; what a card promised and
where that is kept; and that a page is put in its place whole. The ground: tagged PDF (PDF/UA-1), the same
bytes from the same input.
"""

from testburn.paper import binder, burnsheet, card, ordercard, pdf, record, tables
from testburn.paper.record import promises

__all__ = ["binder", "burnsheet", "card", "ordercard", "pdf", "promises", "record", "tables"]
