"""People who may log in to the review page. A password is stored only as its argon2id hash (RFC 9106)."""

from __future__ import annotations

import unicodedata
from functools import cache
from typing import TYPE_CHECKING

from evidence.catalog.users import User
from evidence.errors import BadInputError, PurgeRefusedError
from evidence.model import Duty
from evidence.workspace import Workspace

if TYPE_CHECKING:
    from argon2 import PasswordHasher

MIN_PASSWORD = 15
"""Characters, where no second factor is asked for: NIST SP 800-63B-4, 3.1.1.2 (from memory)."""
MAX_PASSWORD = 256
"""Characters; enough for any phrase, and a limit on the cost of one attempt."""
MAX_NAME = 100
"""Characters of a name."""


@cache
def _password_hasher() -> PasswordHasher:
    from argon2 import PasswordHasher  # noqa: PLC0415 - most commands never need it

    return PasswordHasher()


@cache
def _hash_for_unknown_names() -> str:
    """A hash that no login matches, so that an unknown name takes as long as a wrong password."""
    return _password_hasher().hash("nobody has this password")


def add_person(workspace: Workspace, name: str, duty: Duty, password: str) -> bool:
    """Add a person, or change their duty and password; returns True for a new person.

    Raises BadInputError for a name or password that cannot be used.
    """
    known = {one.name.casefold(): one.name for one in workspace.catalog.users.all()}
    name = unicodedata.normalize("NFC", name).strip()
    if not name or len(name) > MAX_NAME or not name.isprintable():
        raise BadInputError("That name cannot be used.", f"Use 1 to {MAX_NAME} printable characters.")
    name = known.get(name.casefold(), name)
    _require_password(password, name)
    with workspace.locked(), workspace.catalog.transaction():
        workspace.catalog.users.put(
            User(name=name, duty=duty, password=_password_hasher().hash(_normal(password))),
            at=workspace.now(),
        )
        workspace.record(
            "person_added" if name.casefold() not in known else "person_changed", name, duty=duty.value
        )
    return name.casefold() not in known


def drop_person(workspace: Workspace, name: str) -> None:
    """Remove a person, who can no longer log in; the custody log keeps what they did. Raises BadInputError if unknown."""
    with workspace.locked(), workspace.catalog.transaction():
        if workspace.catalog.users.get(name) is None:
            raise BadInputError(f"There is no person called {name}.", "`evidence people list` shows all.")
        workspace.catalog.users.drop(name)
        workspace.record("person_dropped", name)


def verify_password(workspace: Workspace, name: str, password: str) -> User | None:
    """The person, or None for an unknown name or a wrong password; both take the same time."""
    from argon2.exceptions import InvalidHashError, VerificationError  # noqa: PLC0415 - see above

    unknown = (
        _hash_for_unknown_names()
    )  # made by the first attempt for any name, so that all take the same time
    person = workspace.catalog.users.get(unicodedata.normalize("NFC", name).strip())
    if len(password) > MAX_PASSWORD:
        return None
    try:
        _password_hasher().verify(person.password if person else unknown, _normal(password))
    except (VerificationError, InvalidHashError):
        return None
    return person


def log_in(workspace: Workspace, name: str, password: str) -> Workspace:
    """The archive with that registered person as its actor. Raises PurgeRefusedError for a wrong name or password."""
    person = verify_password(workspace, name, password)
    if person is None:
        workspace.acting_as("login").record("login_refused", unicodedata.normalize("NFC", name).strip()[:100])
        raise PurgeRefusedError(
            "The name or the password is wrong.",
            "Give the name as `evidence people list` shows it, with --actor, and your own password.",
        )
    return workspace.acting_as(person.name, logged_in=True)


def must_log_in(workspace: Workspace) -> bool:
    """True where people are registered: then two people are told apart by their passwords, not by typed names."""
    return bool(workspace.catalog.users.all())


def require_login(workspace: Workspace) -> None:
    """Raise PurgeRefusedError when people are registered and the actor did not log in as one of them."""
    if must_log_in(workspace) and not workspace.logged_in:
        raise PurgeRefusedError(
            "This archive has registered people, so this step needs one of them to log in.",
            "Give --actor NAME and type the password; in a script, --password-stdin reads it from standard input.",
        )


def require_office(workspace: Workspace, what: str) -> None:
    """Raise PurgeRefusedError when people are registered and the actor is not one of the office, logged in."""
    require_login(workspace)
    if not must_log_in(workspace):
        return
    person = workspace.catalog.users.get(workspace.actor)
    if person is None or person.duty is not Duty.OFFICE:
        duty = f"has the duty {person.duty.value}" if person else "is not registered"
        raise PurgeRefusedError(
            f"{workspace.actor} {duty} and may not {what}.",
            "A person of the duty office does that: `evidence people list` shows who has it.",
        )


def _require_password(password: str, name: str) -> None:
    if not MIN_PASSWORD <= len(password) <= MAX_PASSWORD:
        raise BadInputError(
            f"A password needs {MIN_PASSWORD} to {MAX_PASSWORD} characters.",
            "Use a few words that only you would put together.",
        )
    if len(set(password)) < 5 or password.casefold() in {name.casefold() * n for n in range(1, 40)}:
        raise BadInputError("That password is too easy to guess.", "Use a few words of your own.")


def _normal(password: str) -> str:
    return unicodedata.normalize("NFKC", password)
