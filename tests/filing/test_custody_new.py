"""`custody --verify-new` reads the entries behind the head that was proved last; `--verify` finds what it cannot."""

from __future__ import annotations

import json

import pytest
from support_cli import cli, make_archive
from support_custody import scanned
from support_intake import with_target

from evidence.archive.custody_checkpoint import checkpoint_path, read_checkpoint
from evidence.archive.custody_index import BLOCK
from evidence.archive.custody_key import log_of
from evidence.archive.custody_proof import LogReading
from evidence.filing.custody_check import check_log
from evidence.filing.custody_report import check_new_entries
from evidence.workspace import Workspace


@pytest.fixture
def archive(tmp_path):
    """An archive with a target, a log of more than a block of the index, and a signed head near its end."""
    made = make_archive(tmp_path)
    (tmp_path / "office").mkdir()
    with_target(made, tmp_path / "office", off=False)
    with Workspace(made, actor="Dana") as here:
        here.custody.append_all([_draft(here, n) for n in range(BLOCK + 50)])
    assert cli("backup", archive=made).status == 0
    note(made, 3)
    return made


def _draft(here, number):
    from evidence.archive.custody import Draft

    return Draft(actor="Dana", action="tried", subject=f"thing {number}", at=here.now())


def note(archive, many):
    with Workspace(archive, actor="Olga") as here:
        for number in range(many):
            here.record("looked_into", f"claim {number}")


def verdict(archive, *options):
    return cli("custody", *options, "--json", archive=archive)


def codes(ran):
    return [one["code"] for one in ran.data["findings"]]


def replaced(archive, old, new):
    path = log_of(archive).path
    content = path.read_bytes()
    assert content.count(old) == 1
    path.write_bytes(content.replace(old, new))


def test_new_entries_are_read_alone_and_the_next_head_is_where_the_next_run_begins(archive, monkeypatch):
    first = verdict(archive, "--verify-new")
    assert first.status == 0
    assert codes(first) == ["whole_log_read"]
    size = read_checkpoint(log_of(archive).path).end.seq
    length = log_of(archive).head().seq
    assert BLOCK < size < length

    read = []
    accept = LogReading._accept_line
    monkeypatch.setattr(
        LogReading, "_accept_line", lambda self, *rest: read.append(self.count + 1) or accept(self, *rest)
    )
    second = verdict(archive, "--verify-new")
    assert (second.status, second.data["valid"], second.data["since"]) == (0, True, size)
    assert second.data["entries"] == length
    assert read == list(range(size + 1, length + 1))

    assert cli("backup", archive=archive).status == 0
    note(archive, 2)
    assert verdict(archive, "--verify-new").data["since"] == size
    later = read_checkpoint(log_of(archive).path)
    assert size < later.end.seq < log_of(archive).head().seq
    read.clear()
    assert verdict(archive, "--verify-new").data["since"] == later.end.seq
    assert read[0] == later.end.seq + 1


@pytest.mark.parametrize("change", ["altered", "dropped", "swapped"])
def test_what_is_done_to_new_entries_is_found(archive, change):
    assert verdict(archive, "--verify").status == 0
    path = log_of(archive).path
    lines = path.read_bytes().splitlines(keepends=True)
    if change == "altered":
        lines[-2] = lines[-2].replace(b"claim", b"clime")
    elif change == "dropped":
        del lines[-2]
    else:
        lines[-2], lines[-1] = lines[-1], lines[-2]
    path.write_bytes(b"".join(lines))
    ran = verdict(archive, "--verify-new")
    assert (ran.status, ran.data["valid"]) == (1, False)


def test_an_entry_altered_before_the_proved_head_is_found_by_the_whole_verification_alone(archive):
    assert verdict(archive, "--verify").status == 0
    replaced(archive, b'"thing 77"', b'"thinG 77"')
    new = cli("custody", "--verify-new", archive=archive)
    assert new.status == 0
    assert "were not read" in new.out
    assert "`evidence custody --verify` reads all" in new.out
    whole = verdict(archive, "--verify")
    assert whole.status == 1
    assert codes(whole)[0] == "broken_chain"


def test_the_entry_at_the_proved_head_and_its_place_are_compared(archive):
    assert verdict(archive, "--verify").status == 0
    before = read_checkpoint(log_of(archive).path)
    lines = log_of(archive).path.read_bytes().splitlines(keepends=True)
    log_of(archive).path.write_bytes(b"".join(lines[:5] + lines[6:]))
    ran = verdict(archive, "--verify-new")
    assert (ran.status, codes(ran)[0]) == (1, "broken_chain")
    assert str(before.end.seq) in ran.data["findings"][0]["message"]


@pytest.mark.parametrize(
    "field", ["frontier", "sha256", "size", "seq", "signature", "key", "whole_at", "file"]
)
def test_a_checkpoint_that_does_not_fit_is_not_believed(archive, field):
    assert verdict(archive, "--verify").status == 0
    path = checkpoint_path(log_of(archive).path)
    value = json.loads(path.read_bytes())
    if field == "file":
        path.write_bytes(b"{")
    else:
        if field == "frontier":
            value["end"]["frontier"][0] = "0" * 64
        elif field == "whole_at":
            value["whole_at"] = "yesterday"
        elif field == "signature":
            value["signed"][field] = "0" * 128
        elif field == "key":
            key = value["signed"][field]
            value["signed"][field] = key[:-1] + ("1" if key.endswith("0") else "0")
        else:
            value["end"][field] = "0" * 64 if field == "sha256" else value["end"][field] - 1
        path.write_text(json.dumps(value))
    ran = verdict(archive, "--verify-new")
    if field == "size":  # the place in the file is in no signature: the log itself refutes it
        assert (ran.status, codes(ran)[0]) == (1, "broken_chain")
    else:
        assert (ran.status, codes(ran)) == (0, ["whole_log_read"])
        assert verdict(archive, "--verify-new").data["since"] > 0


def test_a_checkpoint_that_another_key_signed_is_not_believed(archive):
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from evidence.archive.custody_checkpoint import Checkpoint, write_checkpoint
    from evidence.archive.custody_lines import Anchor
    from evidence.archive.heads import sign_head

    assert verdict(archive, "--verify").status == 0
    path = log_of(archive).path
    true = read_checkpoint(path)
    end = Anchor(seq=true.end.seq, sha256=true.end.sha256, root=true.signed.head.root)
    signed = sign_head(true.signed.head.archive, end, Ed25519PrivateKey.generate(), true.whole_at)
    write_checkpoint(path, Checkpoint(signed=signed, end=true.end, whole_at=true.whole_at))
    assert read_checkpoint(path) is not None
    assert codes(verdict(archive, "--verify-new")) == ["whole_log_read"]


def test_a_noted_head_that_is_earlier_has_the_whole_log_read(archive):
    assert verdict(archive, "--verify").status == 0
    noted = f"7:{'0' * 64}"
    ran = verdict(archive, "--verify-new", "--noted", noted)
    assert ran.status == 1
    assert "not_as_noted" in codes(ran)


def test_a_later_head_at_a_target_is_compared(archive):
    assert verdict(archive, "--verify").status == 0
    before = log_of(archive)
    log, head = before.path.read_bytes(), before.head_path.read_bytes()
    note(archive, 2)
    assert cli("backup", archive=archive).status == 0
    before.path.write_bytes(log)
    before.head_path.write_bytes(head)
    (before.path.parent / "custody-heads").rename(archive.parent / "away")
    ran = verdict(archive, "--verify-new")
    assert (ran.status, codes(ran)[0]) == (1, "entries_missing")


def test_a_whole_verification_makes_an_index_that_hides_an_entry_anew(archive):
    assert verdict(archive, "--verify").status == 0
    index = log_of(archive).index
    true = index.path.read_bytes()
    other = archive.parent / "other.jsonl"
    other.write_bytes(log_of(archive).path.read_bytes().replace(b'"thing 9"', b'"thing X"'))
    index.path.write_bytes(true[:40] + bytes(8) + true[48:])
    assert verdict(archive, "--verify").status == 0
    assert index.path.read_bytes() == true
    assert [one.seq for one in log_of(archive).about("thing 9")] == scanned(log_of(archive).path, "thing 9")


def test_a_proof_after_new_entries_were_verified_is_the_same(archive):
    assert verdict(archive, "--verify").status == 0
    whole = cli("custody", "--prove", 7, "--since", 5, archive=archive)
    quick = cli("custody", "--verify-new", "--prove", 7, "--since", 5, archive=archive)
    assert whole.status == quick.status == 0
    first, second = json.loads(whole.out), json.loads(quick.out)
    assert first["extends"]["root"] == second["extends"]["root"]
    proof = archive.parent / "proof.json"
    proof.write_text(quick.out, encoding="utf-8")
    assert cli("custody", "--check-proof", proof).status == 0


def test_neither_the_index_nor_the_checkpoint_is_copied_to_a_target(archive):
    assert verdict(archive, "--verify").status == 0
    assert log_of(archive).index.path.exists()
    assert checkpoint_path(log_of(archive).path).exists()
    note(archive, 1)
    assert cli("backup", archive=archive).status == 0
    copied = {one.name for one in (archive.parent / "office" / "archive" / "custody").iterdir()}
    assert "custody.jsonl" in copied
    assert not {one for one in copied if one.endswith((".index", ".proved"))}


def test_both_kinds_of_verification_at_once_are_refused(archive):
    ran = cli("custody", "--verify", "--verify-new", archive=archive)
    assert ran.status == 2


def test_a_log_without_a_signed_head_is_read_whole(tmp_path):
    made = make_archive(tmp_path)
    with Workspace(made) as here:
        report = check_new_entries(here)
        assert report.valid
        assert report.since == 0
        assert [one.code for one in report.findings] == ["whole_log_read"]
        assert check_log(here).valid


def test_the_entries_about_a_photo_are_those_of_its_digest_and_its_intake(houses):
    with Workspace(houses) as here:
        photos = here.catalog.photos
        record = photos.records(photos.digests_of(here.catalog.claims.numbers()[0])[:1])[0]
        expected = scanned(here.custody.path, record.sha256, record.intake)
    assert expected
    shown = cli("custody", record.sha256[:16], "--json", archive=houses).data["shown"]
    assert [one["seq"] for one in shown] == expected
    assert cli("custody", "no such photo", archive=houses).status == 2
    assert cli("custody", record.sha256[:16], "--claim", "TC-1001", archive=houses).status == 2


def test_the_whole_verification_reports_its_progress(archive, monkeypatch):
    monkeypatch.setattr("evidence.filing.custody_check.SHOWN_EVERY", 100)
    told = []
    with Workspace(archive) as here:
        check_log(here, progress=lambda what, done, total: told.append((what, done, total)))
        length = here.custody.head().seq
    assert told == [("entries verified", done, length) for done in range(100, length + 1, 100)]
