"""Fixtures of the catalog's tests."""

from support_postgres import _filled_database, filled_postgres_url, postgres_server, postgres_url

__all__ = ["_filled_database", "filled_postgres_url", "postgres_server", "postgres_url"]
