"""Drift: do finished jobs still come out as promised, or is it time to burn again?

Decides, from a frame of finished jobs, whether a module fades or one board is odd, and says it in words; and what
ladders of power and focus say of the machine. The ground: control charts as in the NIST/SEMATECH e-Handbook, 6.3.2, with
the board as the unit that varies.
"""

from testburn.drift.finished import expected_limits
from testburn.drift.machinecheck import FEWEST_STEPS, FocusCheck, PowerCheck, focus_check, power_check, power_ladders
from testburn.drift.trackrecord import TrackRecord, track_record
from testburn.drift.verdict import Drift, MODULE, check, past, past_of, state

__all__ = ["Drift", "FEWEST_STEPS", "FocusCheck", "MODULE", "PowerCheck", "TrackRecord", "check", "expected_limits", "focus_check", "past", "past_of", "power_check",
           "power_ladders", "state", "track_record"]
