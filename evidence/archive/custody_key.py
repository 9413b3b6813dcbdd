"""The archive's id, and the key that signs the heads of its custody log.

The key is kept in the keyring of the user's system where there is one that works, or else in a file that
only its owner may read. An entry of the custody log names the id and each public key. Heads signed with a
key that no entry names are not accepted.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import rfc8785
from filelock import FileLock, Timeout

from evidence.archive.custody import CustodyLog, Entry
from evidence.disk.durable import make_folder, replace_file, sync_folder, write_all
from evidence.disk.faults import writing
from evidence.errors import CustodyError, LockedError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from keyring.backend import KeyringBackend

ID_FILE = "archive-id.json"
"""In the archive's folder; the same id is in the custody log."""
KEY_FILE = "signing-key.json"
"""Beside the custody log; never copied to a backup target."""
PENDING = "signing-key.pending"
"""Beside the key while a new one is made, until the log names it."""
KEY_ACTION = "signing_key_made"
KEYRING_SERVICE = "photo-evidence-archive"
_NEW_KEY = "Run it as the person who made the key, or make another with `evidence custody --new-key REASON`."


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveKey:
    """An archive's id and the key of the person who works now."""

    archive: str
    """32 hexadecimal digits, random."""
    private: Ed25519PrivateKey
    kept: str
    """`keyring` or `file`."""

    def noted(self) -> dict[str, str]:
        """What the custody log records of it."""
        return {"archive": self.archive, "public_key": public_text(self.private), "kept": self.kept}


def public_text(private: Ed25519PrivateKey) -> str:
    """The public key of a private one, 32 bytes as hexadecimal digits."""
    return private.public_key().public_bytes_raw().hex()


def first_key(root: Path) -> ArchiveKey:
    """The id and key of an archive that is being made: new ones, or those of an `init` that was killed.

    The caller notes it in the log and then calls `keep_id`. Raises DestinationError, CustodyError.
    """
    log = log_of(root)
    known = known_archive_id(root, log)
    if known is None:
        with contextlib.suppress(FileNotFoundError):
            known = str(_read_key_file(log.path.parent / KEY_FILE)["archive"])
    archive = known or secrets.token_hex(16)
    return _load_key(log.path.parent, archive) or _make_key(log.path.parent, archive)


def archive_key(log: CustodyLog, root: Path, *, actor: str, at: datetime) -> ArchiveKey:
    """The archive's id and key; an archive of an earlier version gets them now, with an entry in its log.

    Raises CustodyError when the key was made by another user or on another computer.
    """
    folder = log.path.parent
    with _alone(folder):
        archive = known_archive_id(root, log)
        if archive is not None:
            key = _load_key(folder, archive)
            if key is None:
                raise CustodyError("The key that signs the custody log is not here.", _NEW_KEY)
            if (folder / PENDING).exists():  # a killed command made the key
                _note_key(log, key, actor=actor, at=at)
            keep_id(root, archive)
            return key
        key = first_key(root)
        log.append(actor, KEY_ACTION, "custody log", key.noted(), at)
        keep_id(root, key.archive)
        return key


def replace_key(log: CustodyLog, root: Path, *, actor: str, reason: str, at: datetime) -> ArchiveKey:
    """Make another key for an archive that has an id, and note it in the log with the reason.

    A key in the file or in this user's keyring is replaced. Heads signed with the key before it stay valid.
    """
    folder = log.path.parent
    with _alone(folder):
        archive = known_archive_id(root, log) or secrets.token_hex(16)
        with writing(folder):
            (folder / PENDING).touch()
            sync_folder(folder)
        key = _make_key(folder, archive)
        _note_key(log, key, actor=actor, at=at, reason=reason)
        keep_id(root, archive)
        return key


def _note_key(log: CustodyLog, key: ArchiveKey, *, actor: str, at: datetime, **details: str) -> None:
    """Name a key in the log, once."""
    named = {entry.details["public_key"] for entry in key_entries(log)}
    if public_text(key.private) not in named:
        log.append(actor, KEY_ACTION, "custody log", {**key.noted(), **details}, at)
    folder = log.path.parent
    with writing(folder):
        (folder / PENDING).unlink(missing_ok=True)
        sync_folder(folder)


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Hold the lock of the key, so that two commands make one. Raises LockedError, DestinationError."""
    lock = FileLock(folder / "signing-key.lock", timeout=60)
    with writing(folder):
        try:
            lock.acquire()
        except Timeout as error:  # an OSError too
            raise LockedError(
                "Another command is making the key that signs the custody log.",
                "Wait for it to end, then run it again.",
            ) from error
    try:
        yield
    finally:
        lock.release()


def log_of(root: Path) -> CustodyLog:
    """The custody log of the archive at `root`."""
    return CustodyLog(root / "custody" / "custody.jsonl")


# --- the id ------------------------------------------------------------------------------


def kept_id(root: Path) -> str | None:
    """The id in the archive's folder; None when there is none that can be read."""
    try:
        archive = json.loads((root / ID_FILE).read_bytes())["archive"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return archive if isinstance(archive, str) else None


def keep_id(root: Path, archive: str) -> None:
    """Write the id into the archive's folder, unless it is there."""
    if kept_id(root) != archive:
        with writing(root):
            replace_file(root / ID_FILE, rfc8785.dumps({"archive": archive}) + b"\n")


def known_archive_id(root: Path, log: CustodyLog) -> str | None:
    """The archive's id by its file, or by its log when the file is gone; None before the first key."""
    kept = kept_id(root)
    return kept or next((str(entry.details["archive"]) for entry in key_entries(log)), None)


def key_entries(log: CustodyLog) -> list[Entry]:
    """The entries that name a key, in order, not verified. The log is searched as bytes, which is quick."""
    return [entry for entry in log.about("public_key") if names_key(entry)]


def names_key(entry: Entry) -> bool:
    """True for an entry that names the archive's id and a public key."""
    return entry.action in {"archive_made", KEY_ACTION} and {"archive", "public_key"} <= entry.details.keys()


# --- the private key ---------------------------------------------------------------------


def _make_key(folder: Path, archive: str) -> ArchiveKey:
    """Make a key and keep it, in the keyring if that works; a key of the same place is replaced."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey  # noqa: PLC0415

    private = Ed25519PrivateKey.generate()
    text = private.private_bytes_raw().hex()
    if not (folder / KEY_FILE).exists() and _put_in_keyring(archive, text):
        return ArchiveKey(archive=archive, private=private, kept="keyring")
    _write_key_file(folder / KEY_FILE, rfc8785.dumps({"archive": archive, "private_key": text}) + b"\n")
    return ArchiveKey(archive=archive, private=private, kept="file")


def _load_key(folder: Path, archive: str) -> ArchiveKey | None:
    """The key in the file or in the keyring; None when it is in neither. Raises CustodyError."""
    try:
        stored = _read_key_file(folder / KEY_FILE)
    except FileNotFoundError:
        text = _from_keyring(archive)
        return ArchiveKey(archive=archive, private=_private(text), kept="keyring") if text else None
    if stored["archive"] != archive:
        raise CustodyError("The key file in the custody folder is that of another archive.", _NEW_KEY)
    return ArchiveKey(archive=archive, private=_private(str(stored["private_key"])), kept="file")


def _private(text: str) -> Ed25519PrivateKey:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey  # noqa: PLC0415

    try:
        return Ed25519PrivateKey.from_private_bytes(bytes.fromhex(text))
    except ValueError:
        raise CustodyError("The key that signs the custody log is damaged.", _NEW_KEY) from None


def _read_key_file(path: Path) -> Mapping[str, Any]:
    """Raises FileNotFoundError; CustodyError for a file that cannot be read or is no key."""
    try:
        stored = json.loads(path.read_bytes())
        if os.name == "posix" and path.stat().st_mode & 0o077:
            path.chmod(0o600)  # somebody gave others access
    except FileNotFoundError:
        raise
    except (OSError, ValueError):
        raise CustodyError(
            "The file with the key that signs the custody log cannot be read.", _NEW_KEY
        ) from None
    if not isinstance(stored, dict) or not {"archive", "private_key"} <= stored.keys():
        raise CustodyError("The file with the key that signs the custody log is damaged.", _NEW_KEY)
    return stored


def _write_key_file(path: Path, content: bytes) -> None:
    """Write a file that only its owner may read, from the moment it exists."""
    part = path.with_name(f"{path.name}.part")
    with writing(path):
        make_folder(path.parent)
        part.unlink(missing_ok=True)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        descriptor = os.open(part, flags, 0o600)
        try:
            write_all(descriptor, content)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        part.replace(path)
        sync_folder(path.parent)


def _keyring() -> KeyringBackend | None:
    """The system's keyring; None when there is none, or only one that keeps nothing."""
    import keyring  # noqa: PLC0415 - asks the system for its services, so only when a key is needed

    try:
        backend = keyring.get_keyring()
        works = backend.priority >= 1
    except Exception:  # a backend may fail in any way of its own
        return None
    return backend if works else None


def _put_in_keyring(archive: str, text: str) -> bool:
    """True when the keyring has taken the key and gives it back."""
    backend = _keyring()
    if backend is None:
        return False
    try:
        backend.set_password(KEYRING_SERVICE, archive, text)
    except Exception:  # see above
        return False
    return _from_keyring(archive) == text


def _from_keyring(archive: str) -> str | None:
    backend = _keyring()
    if backend is None:
        return None
    try:
        return backend.get_password(KEYRING_SERVICE, archive)
    except Exception:  # see above
        return None
