"""Fixtures of the review's tests."""

from __future__ import annotations

from support_board_fixtures import bagged, claim, workspace

__all__ = ["bagged", "claim", "workspace"]
