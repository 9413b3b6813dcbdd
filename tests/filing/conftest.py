"""Fixtures of the tests of filing."""

import pytest
from support_cli import cli
from support_intake import with_target
from support_postgres import postgres_server, postgres_url

__all__ = ["postgres_server", "postgres_url"]


@pytest.fixture
def backed_up(houses, tmp_path):
    """An archive of two houses with a copy of every bag at the target `office`."""
    target = tmp_path / "office"
    target.mkdir()
    with_target(houses, target, off=False)
    assert cli("backup", archive=houses).status == 0
    return houses, target
