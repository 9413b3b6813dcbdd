"""Connections to a PostgreSQL server that commands run in this process share, one after the other."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from typing import Any

import psycopg
from sqlalchemy import URL, Engine
from sqlalchemy.pool import QueuePool
from support_postgres import BEFORE_DROP

from evidence.catalog import opening


class KeptPool(QueuePool):
    """Connections that stay open when a catalog is closed. They let go of every lock then, as if they were closed."""

    def dispose(self) -> None:
        for record in self._idle():
            raw = record.dbapi_connection
            try:
                raw.execute("SELECT pg_advisory_unlock_all()")
                self._pool.put(record, False)
            except psycopg.Error:
                record.close()
                self._dec_overflow()

    def close(self) -> None:
        """Close the connections that nobody uses."""
        for record in self._idle():
            record.close()

    def _idle(self) -> list[Any]:
        return [self._pool.get(False) for _ in range(self.checkedin())]


class KeptEngines:
    """Engines that are made once for each station of a database, with connections that outlive a command.

    Two commands in one process are two processes to the program: what a connection costs the server and the driver,
    some 10 ms with what each new one reads first, was a third of the time of the stations' tests.
    """

    def __init__(self) -> None:
        self._engines: dict[tuple[str, str], Engine] = {}
        self._parents: list[object] = []
        """Not closed here: the connections of the process that forked this one."""
        if hasattr(os, "register_at_fork"):
            os.register_at_fork(after_in_child=self._forked)

    def _forked(self) -> None:
        self._parents.append(self._engines)
        self._engines = {}

    @contextlib.contextmanager
    def used(self) -> Iterator[None]:
        """Let the program have these engines for a while."""
        make = opening.create_engine

        def kept(address: URL, **given: Any) -> Engine:
            if address.get_backend_name() == "sqlite":
                return make(address, **given)
            key = str(address.database), f"{address} {given.get('connect_args')}"
            if key not in self._engines:
                self._engines[key] = make(address, **given, poolclass=KeptPool, pool_use_lifo=True)
            return self._engines[key]

        opening.create_engine = kept
        try:
            yield
        finally:
            opening.create_engine = make
            for name, _ in list(self._engines):
                self.forget(name)

    def forget(self, database: str) -> None:
        """Close the connections to a database."""
        for key in [key for key in self._engines if key[0] == database]:
            self._engines.pop(key).pool.close()


KEPT = KeptEngines()
BEFORE_DROP.append(KEPT.forget)
