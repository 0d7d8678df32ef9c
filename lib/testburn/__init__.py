"""testburn: calibrate the depth a laser module engraves into wood, and print the settings that reach it."""

__version__ = "0.1.0"
