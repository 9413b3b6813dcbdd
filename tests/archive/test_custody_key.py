"""The key that signs the log: in the keyring where one works, else in a file that only its owner may read."""

from __future__ import annotations

import json
import os
import stat
from datetime import UTC, datetime

import keyring
import pytest
from keyring.backend import KeyringBackend

from evidence.archive.custody_key import (
    ID_FILE,
    KEY_ACTION,
    KEY_FILE,
    KEYRING_SERVICE,
    archive_key,
    first_key,
    known_archive_id,
    log_of,
    public_text,
    replace_key,
)
from evidence.errors import CustodyError
from evidence.workspace import make_archive

AT = datetime(2026, 6, 1, 12, tzinfo=UTC)


class MemoryKeyring(KeyringBackend):
    """A keyring that works, in memory."""

    priority = 5

    def __init__(self) -> None:
        super().__init__()
        self.kept: dict[tuple[str, str], str] = {}

    def get_password(self, service, username):
        return self.kept.get((service, username))

    def set_password(self, service, username, password):
        self.kept[service, username] = password


class BrokenKeyring(MemoryKeyring):
    """One that is locked: every call fails."""

    def get_password(self, service, username):
        raise RuntimeError("locked")

    set_password = get_password


class ForgetfulKeyring(MemoryKeyring):
    """One that reports success and does not keep the key."""

    def set_password(self, service, username, password):
        pass


@pytest.fixture
def use():
    """Put a keyring in place for one test."""
    before = keyring.get_keyring()
    yield lambda backend: keyring.set_keyring(backend) or backend
    keyring.set_keyring(before)


def key_of(root, actor="Olga"):
    return archive_key(log_of(root), root, actor=actor, at=AT)


def test_init_keeps_the_key_in_a_keyring_that_works_and_nothing_of_it_in_the_archive(tmp_path, use):
    kept = use(MemoryKeyring())
    make_archive(tmp_path / "a").close()
    (entry,) = log_of(tmp_path / "a").entries()
    assert entry.details["kept"] == "keyring"
    ((service, archive), secret), *rest = kept.kept.items()
    assert not rest
    assert (service, archive) == (KEYRING_SERVICE, entry.details["archive"])
    assert public_text(key_of(tmp_path / "a").private) == entry.details["public_key"]
    files = [path for path in (tmp_path / "a").rglob("*") if path.is_file()]
    assert all(secret.encode() not in path.read_bytes() for path in files)
    assert not (tmp_path / "a" / "custody" / KEY_FILE).exists()


@pytest.mark.parametrize(
    "backend", [BrokenKeyring, ForgetfulKeyring, None], ids=["locked", "forgetful", "none"]
)
def test_without_a_keyring_that_works_the_key_is_in_a_file_of_its_owner(tmp_path, use, backend):
    if backend:
        use(backend())
    make_archive(tmp_path / "a").close()
    path = tmp_path / "a" / "custody" / KEY_FILE
    (entry,) = log_of(tmp_path / "a").entries()
    assert entry.details["kept"] == "file"
    assert json.loads(path.read_bytes())["archive"] == entry.details["archive"]
    assert public_text(key_of(tmp_path / "a").private) == entry.details["public_key"]
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        path.chmod(0o644)
        key_of(tmp_path / "a")
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, "opened to others by hand, and closed again"


def test_the_key_file_is_never_readable_to_others_not_even_while_it_is_written(tmp_path, monkeypatch):
    modes = []
    whole = os.fsync

    def noting(descriptor):
        mode = os.fstat(descriptor).st_mode
        if stat.S_ISREG(mode):
            modes.append(stat.S_IMODE(mode))
        whole(descriptor)

    monkeypatch.setattr(os, "fsync", noting)
    first_key(tmp_path)
    if os.name == "posix":
        assert modes == [0o600]


def test_an_init_that_was_killed_before_its_end_keeps_one_id_and_one_key(tmp_path):
    before = first_key(tmp_path)
    after = first_key(tmp_path)
    assert after.noted() == before.noted()


def test_the_key_of_another_archive_is_refused(tmp_path):
    for name in "ab":
        make_archive(tmp_path / name).close()
    key = (tmp_path / "b" / "custody" / KEY_FILE).read_bytes()
    (tmp_path / "a" / "custody" / KEY_FILE).write_bytes(key)
    with pytest.raises(CustodyError, match="another archive"):
        key_of(tmp_path / "a")


@pytest.mark.parametrize("content", [b"", b"{}", b"[1]", b'{"archive":"%s","private_key":"00"}'])
def test_a_damaged_key_is_one_clear_error(tmp_path, content):
    make_archive(tmp_path / "a").close()
    archive = known_archive_id(tmp_path / "a", log_of(tmp_path / "a"))
    (tmp_path / "a" / "custody" / KEY_FILE).write_bytes(content.replace(b"%s", archive.encode()))
    with pytest.raises(CustodyError, match="--new-key"):
        key_of(tmp_path / "a")


def test_a_key_that_is_gone_is_never_replaced_unasked(tmp_path):
    make_archive(tmp_path / "a").close()
    (tmp_path / "a" / "custody" / KEY_FILE).unlink()
    with pytest.raises(CustodyError, match="not here"):
        key_of(tmp_path / "a")
    log = log_of(tmp_path / "a")
    made = replace_key(log, tmp_path / "a", actor="Olga", reason="disk lost", at=AT)
    last = list(log.entries())[-1]
    assert (last.action, last.details["reason"]) == (KEY_ACTION, "disk lost")
    assert public_text(key_of(tmp_path / "a").private) == public_text(made.private)


def test_the_id_comes_back_from_the_log_when_its_file_is_gone(tmp_path):
    make_archive(tmp_path / "a").close()
    known = json.loads((tmp_path / "a" / ID_FILE).read_bytes())["archive"]
    (tmp_path / "a" / ID_FILE).unlink()
    assert key_of(tmp_path / "a").archive == known
    assert json.loads((tmp_path / "a" / ID_FILE).read_bytes())["archive"] == known


def test_a_kill_before_the_key_is_in_the_log_of_an_earlier_archive_leaves_no_second_key(
    tmp_path, monkeypatch
):
    log = log_of(tmp_path)
    log.append("Ann", "archive_made", "a", {}, AT)

    def killed(*_given):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("evidence.archive.custody.CustodyLog.append", killed)
        with pytest.raises(KeyboardInterrupt):
            key_of(tmp_path)
    secret = (tmp_path / "custody" / KEY_FILE).read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr("evidence.archive.custody_key.keep_id", killed)
        with pytest.raises(KeyboardInterrupt):
            key_of(tmp_path)
    key = key_of(tmp_path)
    assert (tmp_path / "custody" / KEY_FILE).read_bytes() == secret
    assert [entry.action for entry in log.entries()] == ["archive_made", KEY_ACTION]
    assert list(log.entries())[-1].details["public_key"] == public_text(key.private)
