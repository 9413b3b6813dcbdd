"""Fixtures of the catalog's tests."""

from support_postgres import postgres_server, postgres_url

__all__ = ["postgres_server", "postgres_url"]
