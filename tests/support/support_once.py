"""What every command of the program works out again from the same text, worked out once in a process of tests.

A command in its own process starts from nothing; the tests run thousands of commands in one process, and a fifth of
their time went into compiling the same SQL and reading the same shipped files. Each of these results depends on its
input alone. A new SQLite catalog gets the tables that the migrations made once in this process. Passwords are hashed
with little work.
"""

from __future__ import annotations

import functools
import threading
from collections.abc import Callable
from typing import Any

import alembic.command
import typer.main
from alembic.config import Config
from argon2 import PasswordHasher
from sqlalchemy import create_engine, inspect

from evidence import workspace
from evidence.analysis import models
from evidence.catalog import opening
from evidence.office import people, rules
from evidence.settings import Settings
from evidence.tags import vocabulary

slow_hasher = people._password_hasher
"""What the program hashes passwords with, slow on purpose; `test_people` looks at it."""

QUICK = {"time_cost": 1, "memory_cost": 8, "parallelism": 1}
"""The least work that argon2id allows: the tests hash a thousand passwords."""


class CompiledStatements(dict[Any, Any]):
    """Compiled SQL for all engines of one kind of database; SQLAlchemy keeps it for each engine alone."""

    def get(self, key: Any, default: Any = None) -> Any:
        return super().get(_for_any_engine(key), default)

    def __setitem__(self, key: Any, compiled: Any) -> None:
        super().__setitem__(_for_any_engine(key), compiled)


def _for_any_engine(key: Any) -> Any:
    dialect, *statement = key
    return (dialect.name, dialect.driver, *statement)


def once(make: Callable[..., object]) -> Callable[..., object]:
    """`make` for the same arguments once; texts are compared by value, other arguments by identity."""
    known: dict[Any, tuple[object, tuple[object, ...]]] = {}

    @functools.wraps(make, updated=())
    def made(*given: object) -> object:
        key = tuple(one if isinstance(one, str) else id(one) for one in given)
        if key not in known:
            known[key] = (make(*given), given)  # kept, so that no other object gets its identity
        return known[key][0]

    return made


def settings_once(load: Callable[..., Settings]) -> Callable[..., Settings]:
    """`load_settings` for the same text once; a text with a mistake is read each time, for the name of its file."""
    known: dict[str, Settings] = {}

    @functools.wraps(load)
    def loaded(text: str, *, origin: str) -> Settings:
        if text not in known:
            known[text] = load(text, origin=origin)
        return known[text]

    return loaded


def tables_once(upgrade: Callable[..., None]) -> Callable[..., None]:
    """Alembic's `upgrade` that runs the migrations on the first SQLite database without tables, and copies its tables to others.

    It works in the transaction that it is given, as the migrations do.
    """
    statements: list[str] = []
    one_at_a_time = threading.Lock()

    @functools.wraps(upgrade)
    def upgraded(config: Config, revision: str, *more: Any, **named: Any) -> None:
        connection = config.attributes.get("connection")
        if (
            revision != "head"
            or connection is None
            or connection.dialect.name != "sqlite"
            or inspect(connection).get_table_names()
        ):
            upgrade(config, revision, *more, **named)
            return
        with one_at_a_time:
            if not statements:
                with create_engine("sqlite://").begin() as config.attributes["connection"]:
                    upgrade(config, revision)
                    driver = config.attributes["connection"].connection.dbapi_connection
                    statements[:] = list(driver.iterdump())[1:-1]  # without BEGIN and COMMIT
                config.attributes["connection"] = connection
        driver = connection.connection.dbapi_connection
        for statement in statements:
            driver.execute(statement)

    return upgraded


def share() -> None:
    """Put all of this in force; once for a process."""
    alembic.command.upgrade = tables_once(alembic.command.upgrade)
    typer.main.get_command = functools.cache(typer.main.get_command)
    statements = CompiledStatements()
    opening.create_engine = functools.partial(create_engine, execution_options={"compiled_cache": statements})
    workspace.load_settings = settings_once(workspace.load_settings)
    vocabulary.load_vocabulary = once(vocabulary.load_vocabulary)
    models.load_plan = once(models.load_plan)
    rules.load_schedule = once(rules.load_schedule)
    people._password_hasher = functools.cache(functools.partial(PasswordHasher, **QUICK))
