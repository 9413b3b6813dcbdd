"""Leases on a PostgreSQL server: session locks, which a killed process lets go of by itself.

A lease has a kind and a name. The leases of one thread share a connection of their own. `station NAME` is shared by the processes
of one station; `office` is shared by intakes, and whoever purges or declares a station gone has it alone; `change`, `holds`,
`day DATE` and `claim NUMBER` belong to one process at a time.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass

from sqlalchemy import Connection, select, text
from sqlalchemy.exc import DBAPIError

from evidence.catalog import tables as t
from evidence.catalog.base import Database
from evidence.catalog.faults import ServerLostError
from evidence.catalog.owners import key_of
from evidence.errors import LockedError

CHANGE = "change"
HOLDS = "holds"
OFFICE = "office"
_DOING = {
    CHANGE: "is changing the catalog",
    HOLDS: "is removing a copy of a claim to be purged",
    OFFICE: "is taking in a card or purging claims",
    "day": "is splitting {}",
    "claim": "is working on the bag of {}",
    "station": "is at work, or is declared gone now",
}
"""What a station does that holds a lease, by its kind."""
_NAMELESS = {"day": "photos without a time", "claim": "the unassigned tray"}
_LOCK_NOT_AVAILABLE = "55P03"
"""PostgreSQL manual, appendix A: lock_timeout passed."""


@dataclass(slots=True)
class _Session:
    """A connection that holds leases; it ends with the last of them."""

    db: Connection
    leases: int = 0

    @property
    def lives(self) -> bool:
        """True while it holds leases and its connection was not found dead."""
        return self.leases > 0 and not self.db.invalidated


class _Here(threading.local):
    """What a thread holds."""

    def __init__(self) -> None:
        self.held: set[str] = set()
        self.session: _Session | None = None


class Leases:
    """The leases of one process; without effect on a catalog in a file, which has locks of its own."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._here = _Here()

    @contextmanager
    def held(self, name: str, *, wait_s: float, shared: bool = False) -> Iterator[None]:
        """Hold a lease; a thread that holds it may take it again. Raises LockedError after `wait_s` seconds."""
        held = self._here.held  # of the thread that takes the lease; another one may let go of it
        if not self._database.station or name in held:
            yield
            return
        with self._session() as db:
            self._take(db, name, wait_s, shared=shared)
            held.add(name)
            try:
                yield
            finally:
                held.remove(name)
                unlock = "pg_advisory_unlock_shared" if shared else "pg_advisory_unlock"
                if not db.invalidated:
                    with suppress(ServerLostError):  # the lease ended with the connection
                        db.execute(text(f"SELECT {unlock}(:key)"), {"key": key_of(name)})

    @contextmanager
    def _session(self) -> Iterator[Connection]:
        """The connection of this thread's leases, which is given back with the last of them.

        A new one when the server ended the present one: else the thread could take no lease until it lets go of all.
        """
        here = self._here
        if here.session is None or not here.session.lives:
            db = self._database.engine.connect().execution_options(isolation_level="AUTOCOMMIT")
            here.session = _Session(db)
        session = here.session
        session.leases += 1
        try:
            yield session.db
        finally:
            session.leases -= 1
            if not session.leases:
                session.db.close()

    @contextmanager
    def all_held(self, names: list[str], *, wait_s: float) -> Iterator[None]:
        """Hold several leases, taken in the order of their names, so that two processes never wait for each other."""
        with ExitStack() as stack:
            for name in sorted(set(names)):
                stack.enter_context(self.held(name, wait_s=wait_s))
            yield

    def _take(self, db: Connection, name: str, wait_s: float, *, shared: bool) -> None:
        suffix = "_shared" if shared else ""
        key = {"key": key_of(name)}
        if db.execute(text(f"SELECT pg_try_advisory_lock{suffix}(:key)"), key).scalar_one():
            return
        if wait_s > 0:
            try:
                db.execute(
                    text("SELECT set_config('lock_timeout', :ms, false)"), {"ms": str(int(wait_s * 1000))}
                )
                db.execute(text(f"SELECT pg_advisory_lock{suffix}(:key)"), key)
            except DBAPIError as trouble:
                if getattr(trouble.orig, "sqlstate", None) != _LOCK_NOT_AVAILABLE:
                    raise
            else:
                return
            finally:
                db.execute(text("SELECT set_config('lock_timeout', '0', false)"))
        who = " and ".join(self.holders(name)) or "another station"
        kind, _, of = name.partition(" ")
        raise LockedError(
            f"{who[0].upper()}{who[1:]} {_DOING[kind].format(of or _NAMELESS.get(kind, ''))}.",
            "Wait until it ends, then run this again.",
        )

    def holders(self, name: str) -> list[str]:
        """The stations that hold the lease, as far as the server tells: 'station NAME'."""
        query = text(
            "SELECT DISTINCT a.application_name FROM pg_locks l JOIN pg_stat_activity a ON a.pid = l.pid"
            " WHERE l.locktype = 'advisory' AND l.granted AND l.classid = :high AND l.objid = :low"
            " AND l.database = (SELECT oid FROM pg_database WHERE datname = current_database())"
        )
        whole = key_of(name) & 0xFFFFFFFFFFFFFFFF
        with self._database.transaction() as db:
            found = set(db.execute(query, {"high": whole >> 32, "low": whole & 0xFFFFFFFF}).scalars())
            names = db.execute(select(t.station.c.archive, t.station.c.name)).all()
            return sorted(f"station {row.name}" for row in names if row.archive in found)

    def is_free(self, name: str) -> bool:
        """True when no process holds the lease now."""
        with self._database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as db:
            key = {"key": key_of(name)}
            free = bool(db.execute(text("SELECT pg_try_advisory_lock(:key)"), key).scalar_one())
            if free:
                db.execute(text("SELECT pg_advisory_unlock(:key)"), key)
            return free
