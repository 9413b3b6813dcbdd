"""Fixtures of the catalog's tests."""

import pytest
import support_cli  # noqa: F401 - new SQLite catalogs then get copied tables

from evidence.catalog.store import Catalog


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
