"""People who may use the board."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from evidence.catalog import tables as t
from evidence.catalog.base import Database, deleted_with, every_row, rows_with, to_text
from evidence.model import Duty


@dataclass(frozen=True, slots=True, kw_only=True)
class User:
    """A person with a password."""

    name: str
    duty: Duty
    password: str
    """argon2id in PHC string format; never the password itself."""


class Users:
    """Users of the board."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put(self, user: User, *, at: datetime) -> None:
        """Add a person or replace their duty and password."""
        row = {"name": user.name, "role": user.duty.value, "password": user.password, "added_at": to_text(at)}
        with self._database.transaction():
            self._database.changed("office", [""])
            self._database.upsert(t.user, [row])

    def get(self, name: str) -> User | None:
        """The person of that name, or None."""
        with self._database.transaction() as db:
            row = db.execute(rows_with(t.user.c.name), {"value": name}).first()
        return User(name=row.name, duty=Duty(row.role), password=row.password) if row else None

    def all(self) -> list[User]:
        """Everyone, by name."""
        with self._database.transaction() as db:
            rows = db.execute(every_row(t.user))
            return [User(name=r.name, duty=Duty(r.role), password=r.password) for r in rows]

    def drop(self, name: str) -> None:
        """Delete a person; the custody log keeps what they did."""
        with self._database.transaction() as db:
            self._database.changed("office", [""])
            db.execute(deleted_with(t.user.c.name), {"value": name})
