"""Fixtures of the review's tests."""

from __future__ import annotations

from support_board_fixtures import blank, claim, workspace

__all__ = ["blank", "claim", "workspace"]
