"""Fixtures of the tests of stations."""

from support_postgres import postgres_server, postgres_url

__all__ = ["postgres_server", "postgres_url"]
