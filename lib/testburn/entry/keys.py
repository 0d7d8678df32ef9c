"""Keys: Enter moves on to the next box of a form, as Tab does; arrows go up and down a column.

Decides what a key does inside a form. A plain widget cannot: by the time its kernel has heard of
Enter and sent the focus on, the next digits are typed into the old box. Shift+Enter goes back,
Ctrl+S presses Save, and the notebook's own single-letter commands are off while a form has the
focus, as one of them cuts the cell that the form stands in. Where the kernel no longer answers,
the page says that what is typed is not kept.
"""

from pathlib import Path

import anywidget
import traitlets


class Keys(anywidget.AnyWidget):
    """An unseen widget; put into a box of the class burn-entry, it listens to that box's keys.

    With `begin`, the first empty box that must be filled gets the focus once it is on the page.
    """

    _esm = Path(__file__).with_name("keys.js").read_text(encoding="utf-8")
    begin = traitlets.Bool(False).tag(sync=True)
    # The page counts the boxes that were left; what has been answered has been kept.
    asked = traitlets.Int(0).tag(sync=True)
    answered = traitlets.Int(0).tag(sync=True)

    @traitlets.observe("asked")
    def _answer(self, change) -> None:
        self.answered = change["new"]
