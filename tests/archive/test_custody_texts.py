"""Free text beside the custody log: it reads back, it can be removed, and the chain still verifies."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime

import pytest

from evidence.archive.custody import CustodyLog
from evidence.archive.custody_texts import NO_TEXT, FreeText
from evidence.errors import CustodyError

NOON = datetime(2026, 11, 2, 12, tzinfo=UTC)


@pytest.fixture
def log(tmp_path):
    made = CustodyLog(tmp_path / "custody" / "custody.jsonl")
    made.append("Ada", "hold_placed", "HL-1", {"hold": 1, "reason": FreeText("suit of Rosalind Quay")}, NOON)
    made.append("Ada", "tagged", FreeText("QUAY0001.JPG"), {"facets": {"face": "north"}}, NOON)
    made.append("Ada", "closed", "HL-1", {"on": "2026-01-01"}, NOON)
    return made


def every_byte(log):
    return b"".join(path.read_bytes() for path in log.path.parent.rglob("*") if path.is_file())


def removed(log):
    return log.remove_texts(
        lambda entry, text: entry.subject == "HL-1" or "QUAY" in text, actor="Ada", subject="HL-1", at=NOON
    )


def test_the_log_holds_no_free_text_and_a_reader_gets_all_of_it(log):
    raw = log.path.read_bytes()
    assert b"Rosalind" not in raw
    assert b"QUAY0001" not in raw
    first, second, third = log.entries()
    assert (first.details["reason"], second.subject) == ("suit of Rosalind Quay", "QUAY0001.JPG")
    assert third.details == {"on": "2026-01-01"}
    assert next(log.about("HL-1")).details["reason"] == "suit of Rosalind Quay"
    assert log.verify().valid


def test_an_entry_holds_the_sha256_of_sixteen_random_bytes_and_the_text(log):
    digest = json.loads(log.path.read_bytes().splitlines()[0])["details"]["reason"]["text_sha256"]
    line = next((log.path.parent / "custody-texts").iterdir()).read_bytes().splitlines()[1]
    salt = bytes.fromhex(json.loads(line)["salt"])
    assert len(salt) == 16
    assert digest == hashlib.sha256(salt + b"suit of Rosalind Quay").hexdigest()


def test_removed_texts_are_gone_from_the_disk_and_the_chain_still_verifies(log):
    before = log.path.read_bytes()
    assert removed(log) == 2
    assert b"Quay" not in every_byte(log)
    assert b"QUAY" not in every_byte(log)
    assert log.path.read_bytes().startswith(before), "no entry was rewritten"
    assert log.verify().valid
    first, second, *_, last = log.entries()
    assert (first.details["reason"], second.subject) == (NO_TEXT, NO_TEXT)
    assert (last.action, last.details) == ("texts_removed", {"entries": [1, 2]})
    assert removed(log) == 0, "a second removal finds nothing"


@pytest.mark.parametrize(
    "spoil", [lambda text: text.replace(b"Rosalind", b"Rosamund"), lambda _text: b""], ids=["altered", "lost"]
)
def test_a_text_that_is_altered_or_lost_without_an_entry_makes_the_log_invalid(log, spoil):
    (path,) = (log.path.parent / "custody-texts").iterdir()
    path.write_bytes(spoil(path.read_bytes()))
    check = log.verify()
    assert not check.valid
    assert [one.code for one in check.findings] == ["text_missing"]


def test_a_removal_that_was_killed_after_its_entry_is_finished_by_the_next(log, monkeypatch):
    class KilledError(BaseException):
        pass

    def killed(*_):
        raise KilledError

    with monkeypatch.context() as patch:
        patch.setattr(type(log.texts), "write_file", killed)
        with pytest.raises(KilledError):
            removed(log)
    assert b"Rosalind" in every_byte(log)
    removed(log)
    assert b"Rosalind" not in every_byte(log)
    assert log.verify().valid


def test_a_text_that_a_killed_append_left_without_an_entry_goes_with_the_next_removal(log):
    from evidence.archive.custody_texts import KeptText

    log.texts.add(4, [KeptText("00" * 16, "Rosalind again")])
    assert log.verify().valid
    removed(log)
    assert b"Rosalind" not in every_byte(log)


def test_a_text_that_an_altered_entry_may_name_is_not_removed(tmp_path):
    """The altered entry may come back from a backup target, and its text must be there then."""
    log = CustodyLog(tmp_path / "custody.jsonl")
    for number in range(3):
        log.append("dana", "tried", f"thing {number}", {"why": FreeText(f"reason {number}")}, NOON)
    lines = log.path.read_bytes().splitlines(keepends=True)
    lines[1] = b"{" + b" " * (len(lines[1]) - 2) + b"\n"
    log.path.write_bytes(b"".join(lines))
    before = log.texts.of_file(1)
    with pytest.raises(CustodyError, match="Line 2"):
        log.remove_texts(lambda entry, _text: entry.seq == 1, actor="dana", subject="x", at=NOON)
    assert log.texts.of_file(1) == before
