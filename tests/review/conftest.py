"""Fixtures of the review's tests."""

from __future__ import annotations

from support_board_fixtures import bagged, blank, claim, two_houses_archive, workspace

__all__ = ["bagged", "blank", "claim", "two_houses_archive", "workspace"]
