"""Binding: the binder of the open lab book, on both papers.

Decides what the command prints: where the two PDFs are, and before that which sheets on the wall are
out of date and must come down. A fault is said in words, without a traceback.
`python -m testburn.workshop.binding` binds.
"""

import sys
from dataclasses import replace

from testburn import depthfit, labbook
from testburn.paper import binder, record
from testburn.workshop.openbook import cards_folder, open_workshop


def main() -> int:
    """Bind the open lab book's cards on both papers; return the exit code."""
    try:
        workshop = replace(open_workshop(), cards=cards_folder())
        fit = depthfit.fit(labbook.read(workshop.book))
        kept = record.kept(workshop.records)
        made = [binder.write(workshop.cards / name, fit, workshop.machine, workshop.records, paper)
                for paper, name in binder.FILES.items()]
    except (labbook.ReadingsError, OSError, ValueError) as fault:
        print(fault)
        return 1
    print("\n".join([*binder.told(fit, kept), *(f"Binder: {path}" for path in made)]))
    return 0


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(130)
