"""Fixtures of the tests of stations: their catalogs have the tables already, of which the making has tests of its own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from support_connections import KEPT
from support_postgres import database


@pytest.fixture(scope="module", autouse=True)
def _kept_connections() -> Iterator[None]:
    """Commands in this process use the connections of earlier ones; those in processes of their own do not."""
    with KEPT.used():
        yield


@pytest.fixture
def postgres_url(filled_postgres_url: str) -> str:
    """The address of a database that holds an empty catalog."""
    return filled_postgres_url


@pytest.fixture(scope="module")
def postgres_database(postgres_server: Path, filled_database: str) -> Iterator[str]:
    """The address of a database that holds an empty catalog when the first test of a file asks for it."""
    yield from database(postgres_server, template=filled_database)
