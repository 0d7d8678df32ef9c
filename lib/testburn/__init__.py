"""testburn: calibrate the depth a laser module engraves into wood, and print the settings that reach it."""

from importlib.metadata import version

__version__ = version("testburn")
