"""Fixtures of the tests of the analysis."""

from __future__ import annotations

from support_board_fixtures import blank, claim, workspace

__all__ = ["blank", "claim", "workspace"]
