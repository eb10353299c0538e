"""Hears when a mill cuts, and holds it against the program."""

__version__ = "0.1.0"
