"""Passwords of servers, in the keyring of this user's system or in a file that only its owner may read."""

from __future__ import annotations

import os
from pathlib import Path

from evidence.errors import BadInputError, TellingError

SERVICE = "photo-evidence-archive mail"
_FIX = "Run `evidence tell password`, or name a file in `password_file` of [tell.email]."


def keep_password(server: str, user: str, password: str) -> None:
    """Keep a password in the keyring. Raises BadInputError where there is no keyring that works."""
    import keyring  # noqa: PLC0415 - slow to import, and only messages by e-mail need it
    from keyring.errors import KeyringError  # noqa: PLC0415

    try:
        keyring.set_password(SERVICE, f"{user}@{server}", password)
        kept = keyring.get_password(SERVICE, f"{user}@{server}") == password
    except KeyringError:
        kept = False
    if not kept:
        raise BadInputError(
            "This computer has no keyring that keeps a password.",
            "Write it to a file that only you may read, and name that file in `password_file` of [tell.email].",
        )


def password_for(server: str, user: str, file: str) -> str:
    """The password in the file, or in the keyring when no file is named. Raises TellingError, without the password."""
    if file:
        return _from_file(Path(file))
    import keyring  # noqa: PLC0415
    from keyring.errors import KeyringError  # noqa: PLC0415

    try:
        found = keyring.get_password(SERVICE, f"{user}@{server}")
    except KeyringError:
        found = None
    if found is None:
        raise TellingError(f"There is no password of {user} at {server} in the keyring.", _FIX)
    return found


def _from_file(path: Path) -> str:
    try:
        mode = path.stat().st_mode
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise TellingError(f"The password file {path} cannot be read.", _FIX) from None
    if os.name == "posix" and mode & 0o077:
        raise TellingError(
            f"Other users may read the password file {path}.",
            f"Run `chmod 600 {path}`, and change the password.",
        )
    return text.rstrip("\r\n")
