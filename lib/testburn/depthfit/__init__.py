"""Depth fit: how deep the next board will be, and how sure that is.

Decides how readings become swatches, swatches curves and components of scatter together, a board a small
state, what happened to the machine one factor on its energy, and a question a distribution; and what a proof
swatch teaches. The ground: the unit that varies is the board, so an interval is for a board nobody has burned
yet, and it is judged on simulated workshops whose truth is not the model. `compare`, `suspects` and `width` are imported by name, where they are
shown.
"""

from testburn.depthfit import states
from testburn.depthfit.coldstart import Guess, guess
from testburn.depthfit.components import Repeatability
from testburn.depthfit.depths import DepthFit, fit, fit_if_enough
from testburn.depthfit.group import DOSE, ENERGY, GroupFit, LEVEL
from testburn.depthfit.proving import proof
from testburn.labbook import NEXT

__all__ = ["DOSE", "DepthFit", "ENERGY", "Guess", "GroupFit", "LEVEL", "NEXT", "Repeatability", "fit", "fit_if_enough", "guess", "proof", "states"]
