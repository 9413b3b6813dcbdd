"""The four sides of a house and where each faces; without numpy, because the captions of a report need no more."""

from __future__ import annotations

SIDES = ("front", "right", "back", "left")
OUTWARD = (0.0, 270.0, 180.0, 90.0)
"""Degrees from the front's outward direction to each side's. Seen from the street, looking at a front
that faces south, the right side is to the east: a quarter turn counter-clockwise as seen from above."""
