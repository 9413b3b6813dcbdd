"""Logging in: the same work for an unknown name as for a wrong password, and no password library until then."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime

import pytest
from argon2 import extract_parameters
from argon2.profiles import RFC_9106_LOW_MEMORY
from support_cli import make_archive
from support_once import slow_hasher

from evidence.errors import BadInputError
from evidence.model import Duty
from evidence.office import people
from evidence.workspace import Workspace

PASSWORD = "seven blue ladders lean"


class RecordingHasher:
    """Hashes as the tests do and records every call."""

    def __init__(self, hasher) -> None:
        self.calls: list[tuple[str, object]] = []
        self._hasher = hasher

    def hash(self, password):
        self.calls.append(("hash", None))
        return self._hasher.hash(password)

    def verify(self, stored, password):
        self.calls.append(("verify", extract_parameters(stored)))
        return self._hasher.verify(stored, password)


@pytest.fixture
def workspace(tmp_path):
    archive = make_archive(tmp_path)
    with Workspace(archive, actor="Ada Clerk", now=lambda: datetime(2026, 6, 1, tzinfo=UTC)) as opened:
        people.add_person(opened, "Rhea", Duty.REVIEWER, PASSWORD)
        yield opened


@pytest.fixture
def work_of(workspace, monkeypatch):
    """The hashing that the first logins of a fresh process do."""
    quick = people._password_hasher()

    def attempts(*names):
        hasher = RecordingHasher(quick)
        monkeypatch.setattr(people, "_password_hasher", lambda: hasher)
        people._hash_for_unknown_names.cache_clear()
        for name in names:
            assert people.verify_password(workspace, name, "not the right password") is None
        people._hash_for_unknown_names.cache_clear()
        return hasher.calls

    return attempts


def test_an_unknown_name_costs_the_same_hashing_as_a_wrong_password(work_of):
    known = work_of("Rhea", "Rhea")
    assert known == work_of("Nobody", "Nobody") == work_of("Nobody", "Rhea")
    assert [call for call, _ in known] == ["hash", "verify", "verify"]


def test_a_stored_password_is_as_slow_to_guess_as_the_standard_recommends(workspace, monkeypatch):
    """RFC 9106, section 4, its second recommended option: 3 passes over 64 MiB with 4 lanes."""
    monkeypatch.setattr(people, "_password_hasher", slow_hasher)
    people.add_person(workspace, "Zoe", Duty.ADJUSTER, PASSWORD)
    cost = extract_parameters(workspace.catalog.users.get("Zoe").password)
    assert cost == RFC_9106_LOW_MEMORY
    assert (cost.time_cost, cost.memory_cost, cost.parallelism) == (3, 64 * 1024, 4)
    assert people.verify_password(workspace, "Zoe", PASSWORD).name == "Zoe"


def test_the_right_password_logs_its_person_in_however_the_name_is_composed(workspace):
    people.add_person(workspace, "Zo\u00eb", Duty.ADJUSTER, PASSWORD)
    found = people.verify_password(workspace, " Zoe\u0308 ", PASSWORD)
    assert (found.name, found.duty) == ("Zo\u00eb", Duty.ADJUSTER)
    assert people.verify_password(workspace, "Zo\u00eb", PASSWORD + "x") is None
    assert people.verify_password(workspace, "Zo\u00eb", "x" * 5000) is None


def test_a_removed_person_cannot_log_in(workspace):
    people.drop_person(workspace, "Rhea")
    assert people.verify_password(workspace, "Rhea", PASSWORD) is None
    with pytest.raises(BadInputError, match="no person called Rhea"):
        people.drop_person(workspace, "Rhea")


def test_importing_the_room_loads_no_password_library_and_hashes_nothing():
    script = "import sys, evidence.office.people; sys.exit('argon2' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", script], check=False, timeout=60).returncode == 0
