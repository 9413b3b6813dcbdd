"""The people who log in."""

from __future__ import annotations

from enum import StrEnum


class Duty(StrEnum):
    """The role of a person on the review page; it decides what they may do."""

    ADJUSTER = "adjuster"
    REVIEWER = "reviewer"
    OFFICE = "office"
