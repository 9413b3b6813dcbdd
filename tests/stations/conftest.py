"""Fixtures of the tests of stations."""

from support_postgres import postgres_database, postgres_server, postgres_url

__all__ = ["postgres_database", "postgres_server", "postgres_url"]
