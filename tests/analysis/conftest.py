"""Fixtures of the tests of the analysis."""

from __future__ import annotations

from support_board_fixtures import claim, workspace

__all__ = ["claim", "workspace"]
