"""Drag area of riding positions from field runs, and the minutes it is worth at the race."""

__version__ = "0.1.0"
