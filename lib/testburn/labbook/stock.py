"""Stock: does this board go under this module?

Decides from five heights. The board lies on its support. In focus the module's nose stands one focus
gap above the face, so the board fits where thickness + gap is no more than the clearance between the support and
the nose with the module at its top, and no less than that clearance less the module's travel. Without the support
there is the support's height more clearance. The heights are the maker's, from machine.toml.
"""

import html
from dataclasses import dataclass

from testburn.labbook.machine import Machine

FITS, WITHOUT_SUPPORT, TOO_THICK = "fits", "fits without the support", "needs more clearance"
TOO_THIN, NOT_KNOWN = "too thin to reach focus", "not known"
_ASKED = {"clearance_mm": "from the top of the support to the module's nose, module at its top",
          "support_height_mm": "height of what the board lies on; 0 without one",
          "focus_gap_mm": "nose to face, in focus",
          "focus_travel_mm": "how far the module moves up and down"}
SUPPORT_OUT = ("With the support out the beam reaches what is below: lay a sheet under the board that neither burns nor "
               "mirrors, keep the air flowing under it, and stay beside it (common practice; the machine's "
               "manual decides).")


@dataclass(frozen=True)
class Stock:
    """Whether a board fits.

    Attributes
    ----------
    verdict : str
        "fits", "fits without the support", "needs more clearance", "too thin to reach focus", or
        "not known".
    words : str
        The verdict with its numbers, and what to do.
    more_clearance_mm : float
        Missing even without the support; 0 where it fits.
    raise_board_mm : float
        To be laid under the board so that the module comes down to focus; 0 where it does.
    """

    verdict: str
    words: str
    more_clearance_mm: float = 0.0
    raise_board_mm: float = 0.0

    @property
    def fits(self) -> bool:
        """Whether the board can be burned as the words say, without another machine or board."""
        return self.verdict in (FITS, WITHOUT_SUPPORT, TOO_THIN)

    def _repr_html_(self) -> str:
        return f"<p><b>{html.escape(self.verdict)}</b>: {html.escape(self.words)}</p>"


def check(board_thickness_mm: float, machine: Machine) -> Stock:
    """Say whether a board goes under the module in focus.

    Parameters
    ----------
    board_thickness_mm : float
    machine : Machine

    Raises
    ------
    ValueError
        If the thickness is not above 0.
    """
    if not 0 < board_thickness_mm < float("inf"):
        raise ValueError(f"A board {board_thickness_mm:g} mm thick is none. Give its thickness in mm.")
    if missing := [name for name in _ASKED if getattr(machine, name) is None]:
        lines = "; ".join(f"{name} = … ({_ASKED[name]})" for name in missing)
        return Stock(NOT_KNOWN, f"machine.toml does not say enough. Measure and write into it: {lines}.")
    clear, support, travel = machine.clearance_mm, machine.support_height_mm, machine.focus_travel_mm
    needed = board_thickness_mm + machine.focus_gap_mm
    said = (f"The board ({board_thickness_mm:g} mm) and the focus gap ({machine.focus_gap_mm:g} mm) take "
            f"{needed:g} mm; the clearance above the support is {clear:g} mm")
    if needed <= clear:
        lift = clear - travel - needed
        if lift > 0:
            return Stock(TOO_THIN, f"{said}, and the module comes down by {travel:g} mm only. Raise the board by "
                                   f"{lift:g} mm or more, up to {clear - needed:g} mm, flat and so that it "
                                   "cannot move.", raise_board_mm=lift)
        return Stock(FITS, f"{said}: {clear - needed:g} mm to spare.")
    if needed <= clear + support:
        lift = max(clear + support - travel - needed, 0.0)
        under = f" and raise the board by {lift:g} mm or more" if lift else ""
        return Stock(WITHOUT_SUPPORT, f"{said}. Take the support ({support:g} mm) out{under}; "
                                        f"{clear + support - needed:g} mm to spare. {SUPPORT_OUT}",
                     raise_board_mm=lift)
    short = needed - clear - support
    return Stock(TOO_THICK, f"{said}, {clear + support:g} mm without it. It needs {short:g} mm more: use a "
                            f"board of at most {board_thickness_mm - short:g} mm, or lift the module where it is mounted.",
                 more_clearance_mm=short)
