"""Who may come in: people with a duty and a password, which is kept only as its argon2id hash (RFC 9106)."""

from __future__ import annotations

import unicodedata

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from evidence.catalog.users import User
from evidence.errors import BadInputError
from evidence.model import Duty
from evidence.workspace import Workspace

LEAST_PASSWORD = 15
"""Characters, where a password is all that is asked for: NIST SP 800-63B-4, 3.1.1.2 (from memory)."""
MOST_PASSWORD = 256
"""Characters; enough for any phrase, and a bound on what one attempt may cost."""
MOST_NAME = 100
"""Characters of a name."""

_hasher = PasswordHasher()
_NOBODY = _hasher.hash("the password of nobody, hashed so that an unknown name costs the same time")


def add_person(workspace: Workspace, name: str, duty: Duty, password: str) -> bool:
    """Add a person, or give them another duty and password; returns whether they are new.

    Raises BadInputError for a name or password that cannot be used.
    """
    known = {one.name.casefold(): one.name for one in workspace.catalog.users.all()}
    name = unicodedata.normalize("NFC", name).strip()
    if not name or len(name) > MOST_NAME or not name.isprintable():
        raise BadInputError("That is no name.", f"Use up to {MOST_NAME} printable characters.")
    name = known.get(name.casefold(), name)
    _require_password(password, name)
    with workspace.locked():
        workspace.catalog.users.put(
            User(name=name, duty=duty, password=_hasher.hash(_normal(password))), at=workspace.now()
        )
        workspace.record(
            "person_added" if name.casefold() not in known else "person_changed", name, duty=duty.value
        )
    return name.casefold() not in known


def drop_person(workspace: Workspace, name: str) -> None:
    """The person may no longer come in; what they did stays in the custody log. Raises BadInputError if unknown."""
    with workspace.locked():
        if workspace.catalog.users.get(name) is None:
            raise BadInputError(f"There is nobody called {name}.", "`evidence people list` shows everyone.")
        workspace.catalog.users.drop(name)
        workspace.record("person_dropped", name)


def proven(workspace: Workspace, name: str, password: str) -> User | None:
    """The person of that name if the password is theirs; an unknown name takes as long as a wrong password."""
    person = workspace.catalog.users.get(unicodedata.normalize("NFC", name).strip())
    if len(password) > MOST_PASSWORD:
        return None
    try:
        _hasher.verify(person.password if person else _NOBODY, _normal(password))
    except (VerificationError, InvalidHashError):
        return None
    return person


def _require_password(password: str, name: str) -> None:
    if not LEAST_PASSWORD <= len(password) <= MOST_PASSWORD:
        raise BadInputError(
            f"A password needs {LEAST_PASSWORD} to {MOST_PASSWORD} characters.",
            "A few words that only you would put together are easy to keep.",
        )
    if len(set(password)) < 5 or password.casefold() in {name.casefold() * n for n in range(1, 40)}:
        raise BadInputError("That password is too easily guessed.", "Take a few words of your own.")


def _normal(password: str) -> str:
    return unicodedata.normalize("NFKC", password)
