"""Fixtures of the catalog's tests."""

import alembic.command
import pytest
import support_cli  # noqa: F401 - new SQLite catalogs then get copied tables

from evidence.catalog.store import Catalog


@pytest.fixture
def migrations(monkeypatch):
    """A new catalog is made by its migrations, not copied from one that they made in this process."""
    upgrade = alembic.command.upgrade
    monkeypatch.setattr(alembic.command, "upgrade", getattr(upgrade, "__wrapped__", upgrade))


@pytest.fixture(params=["sqlite", "postgresql"])
def catalog(request, tmp_path):
    """A new catalog; how its tables are made has tests of its own."""
    if request.param == "sqlite":
        url = f"sqlite:///{tmp_path / 'catalog.sqlite'}"
    else:
        url = request.getfixturevalue("filled_postgres_url")
    opened = Catalog(url)
    yield opened
    opened.close()
