"""Who can rewrite the log and its head is found by the signed heads that were kept elsewhere.

The attacker of these tests may change every file of the archive, knows the formats, and lacks either the
key or the targets.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import socket
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime

import pypdf
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from support_cli import CONFIRMED, cli
from support_copy import copy_tree
from support_intake import PLAIN, set_settings, with_target

from evidence.archive.custody import CustodyLog, Draft
from evidence.archive.custody_key import ID_FILE, KEY_FILE, log_of
from evidence.archive.heads import HEADS, newest_head, read_heads, sign_head, write_head
from evidence.catalog.users import User
from evidence.errors import CustodyError
from evidence.model import Duty
from evidence.office.people import add_person, drop_person
from evidence.workspace import Workspace

AT = datetime(2026, 6, 1, 12, tzinfo=UTC)
CLAIMS = "claim,insured\nTC-1,Ann Example\nTC-2,Bea Example\n"
PHRASE = "four words of our own"


def make(folder, name: str = "archive", *, target: bool = True):
    """An archive with two claims, one of them closed long ago, and a target `office` beside it."""
    archive = folder / name
    assert cli("init", archive).status == 0
    set_settings(archive, PLAIN)  # a purge deletes at once
    if target:
        (folder / "office").mkdir(exist_ok=True)
        with_target(archive, folder / "office", off=False)
    claims = folder / "claims.csv"
    claims.write_text(CLAIMS, encoding="utf-8")
    assert cli("assignments", claims, archive=archive).status == 0
    assert cli("close", "TC-1", "--on", "2010-01-01", archive=archive).status == 0
    return archive


@pytest.fixture
def archive(kept, same_path):
    """Such an archive, backed up."""

    def make_it():
        assert cli("backup", archive=make(same_path)).status == 0

    kept.put("heads", {part: same_path / part for part in ("archive", "office")}, make_it)
    return same_path / "archive"


def target_of(archive):
    return archive.parent / "office"


def verdict(archive, *more):
    return cli("custody", "--verify", "--json", *more, archive=archive)


def codes(archive, *more):
    """The codes of the findings; the verdict and the exit status must agree."""
    ran = verdict(archive, *more)
    assert ran.status == (0 if ran.data["valid"] else 1)
    return {one["code"] for one in ran.data["findings"]}


def forget_own_heads(archive):
    shutil.rmtree(archive / "custody" / HEADS)


def forge(archive, change):
    """Write the log anew from its entries as `change` returns them: chain, head and frontier all fit."""
    log = log_of(archive)
    drafts = [
        Draft(actor=e.actor, action=e.action, subject=e.subject, details=e.details, at=e.at)
        for e in log.entries()
    ]
    log.path.unlink()
    log.head_path.unlink()
    CustodyLog(log.path).append_all(change(drafts))
    forget_own_heads(archive)


def purge(archive):
    plan = cli("purge", "plan", *CONFIRMED, "TC-1", "--json", archive=archive, actor="Olga").data["plan"]
    assert cli("purge", "approve", plan, archive=archive, actor="Pia").status == 0
    assert cli("purge", "run", "--yes", *CONFIRMED, plan, archive=archive, actor="Pia").status == 0
    return archive / "purges" / plan


# --- what is found -------------------------------------------------------------------------


def test_an_archive_that_nobody_touched_is_intact_and_was_compared(archive):
    ran = verdict(archive)
    assert (ran.status, ran.data["valid"], ran.data["findings"]) == (0, True, [])
    assert ran.data["heads"] == 2, "the archive's own list and the target's"
    assert ran.data["targets"] == ["office"]
    shown = cli("custody", "--verify", archive=archive).out
    assert "compared with 2 signed heads, targets read: office" in shown


def test_a_log_cut_back_past_a_purge_is_found_though_its_head_was_rewritten(archive):
    purge(archive)
    count = log_of(archive).head().seq
    forge(archive, lambda drafts: drafts[:4])
    ran = verdict(archive)
    assert [one["code"] for one in ran.data["findings"]] == ["entries_missing"]
    assert ran.data["findings"][0]["subject"] == "5"
    assert f"entries 5 to {count} are missing" in ran.data["findings"][0]["message"]
    assert "backup target office" in ran.data["findings"][0]["message"]
    assert ran.status == 1


def test_without_a_target_the_archives_own_list_and_the_certificate_find_the_cut(same_path):
    archive = make(same_path, target=False)
    certificate = next(purge(archive).glob("certificate-*.txt")).read_text()
    size, root = _printed_head(" ".join(certificate.split()))
    assert codes(archive, "--noted", f"{size}:{root}") == set()
    whole = [log_of(archive).path.read_bytes(), log_of(archive).head_path.read_bytes()]
    lines = whole[0].splitlines(keepends=True)
    assert json.loads(lines[size - 1])["action"] == "purge_started"
    kept = archive / "custody" / HEADS
    copy_tree(kept, same_path / "kept")
    forge(archive, lambda drafts: drafts[:3])
    assert codes(archive) == set(), "nothing else keeps a head: the threat model says so"
    assert codes(archive, "--noted", f"{size}:{root}") == {"entries_missing"}
    copy_tree(same_path / "kept", kept)
    assert codes(archive) == {"entries_missing"}


def _printed_head(text):
    after = text.partition("Custody log")[2].lstrip(": ")
    after = after.removeprefix("when this report was made: ")
    size, _, rest = after.partition(" entries, root ")
    return int(size), rest[:64]


@pytest.mark.parametrize("number", [2, 3, 4])
@pytest.mark.parametrize("how", ["altered", "dropped", "doubled", "reordered"])
def test_a_changed_entry_with_all_later_hashes_recomputed_is_found(archive, how, number):
    assert cli("hold", "place", "TC-2", "--reason", "suit", archive=archive).status == 0
    assert cli("backup", archive=archive).status == 0
    place = number - 1

    def change(drafts):
        if how == "altered":
            one = drafts[place]
            drafts[place] = Draft(
                actor="Mara", action=one.action, subject=one.subject, details=one.details, at=one.at
            )
        elif how == "dropped":
            del drafts[place]
            drafts.append(Draft(actor="Mara", action="hold_placed", subject="TC-2", at=AT))
        elif how == "doubled":
            drafts.insert(place, drafts[place])
        else:
            drafts[place], drafts[place - 1] = drafts[place - 1], drafts[place]
        return drafts

    keys = (archive / "custody" / KEY_FILE).read_bytes()
    forge(archive, change)
    assert (archive / "custody" / KEY_FILE).read_bytes() == keys
    ran = verdict(archive)
    assert ran.status == 1
    found = ran.data["findings"][0]
    assert found["code"] == "not_as_noted"
    assert "is not as it was written" in found["message"]
    first, last = 1, newest_head(target_of(archive), _id(archive)).head.size
    assert first <= number <= int(found["subject"]) <= last


def test_the_entries_between_the_last_head_that_agrees_and_the_first_that_does_not_are_named(archive):
    size = log_of(archive).head().seq
    for day in (1, 2, 3):
        assert cli("hold", "place", "TC-2", "--reason", f"suit {day}", archive=archive).status == 0
    assert cli("backup", archive=archive).status == 0

    def change(drafts):
        one = drafts[size + 1]
        drafts[size + 1] = Draft(
            actor="Mara", action=one.action, subject=one.subject, details=one.details, at=one.at
        )
        return drafts

    forge(archive, change)
    (found,) = verdict(archive).data["findings"]
    assert found["subject"] == str(size + 3)
    assert f"one of the entries {size + 1} to {size + 3} is not as it was written" in found["message"]


def test_a_whole_rollback_is_found_by_a_target_that_has_a_later_head(archive, same_path):
    copy_tree(archive, same_path / "image")
    assert cli("hold", "place", "TC-2", "--reason", "suit", archive=archive).status == 0
    assert cli("backup", archive=archive).status == 0
    assert verdict(archive).status == 0
    shutil.rmtree(archive)
    copy_tree(same_path / "image", archive)
    assert codes(archive) == {"entries_missing"}
    # and still after the older archive has gone on by itself, as long as the other
    assert cli("hold", "place", "TC-2", "--reason", "another", archive=archive).status == 0
    assert cli("close", "TC-2", "--on", "2026-05-01", archive=archive).status == 0
    assert codes(archive) == {"not_as_noted"}


def test_another_archives_log_in_place_of_this_one_is_found(archive, same_path):
    other = make(same_path, "other")
    for name in ("custody.jsonl", "custody.jsonl.head"):
        shutil.copy(other / "custody" / name, archive / "custody" / name)
    assert {"head_other_key", "other_archive"} <= codes(archive)
    (same_path / "office" / HEADS).rename(same_path / "away")
    forget_own_heads(archive)
    assert codes(archive) == {"other_archive"}, "by the archive's id alone"


def test_another_archives_whole_custody_folder_is_found(archive, same_path):
    other = make(same_path, "other", target=False)
    shutil.rmtree(archive / "custody")
    copy_tree(other / "custody", archive / "custody")
    assert "other_archive" in codes(archive)
    shutil.copy(other / ID_FILE, archive / ID_FILE)
    with Workspace(other) as workspace:
        from evidence.filing.custody_heads import signed_head

        signed_head(workspace)
    copy_tree(other / "custody", archive / "custody", dirs_exist_ok=True)
    ran = verdict(archive)
    assert (ran.status, "belongs to another archive" in ran.err) == (2, True), "by its catalog"
    for path in archive.glob("catalog.sqlite*"):
        path.unlink()
    assert cli("rebuild", archive=archive).status == 0
    assert codes(archive) == {"other_archive"}, "the target knows only the archive that was here"


def test_another_archives_head_file_in_place_of_this_one_is_found(archive, same_path):
    other = make(same_path, "other", target=False)
    assert cli("hold", "place", "TC-2", "--reason", "suit", archive=other).status == 0
    shutil.copy(log_of(other).head_path, log_of(archive).head_path)
    assert codes(archive) & {"not_as_noted", "entries_missing", "broken_chain"}


def test_two_logs_mixed_into_one_are_found_even_if_the_chain_fits(archive, same_path):
    other = make(same_path, "other", target=False)
    foreign = list(log_of(other).entries())
    target_of(archive).rename(same_path / "away")

    def change(drafts):
        mixed = [
            Draft(actor=e.actor, action=e.action, subject=e.subject, details=e.details, at=e.at)
            for e in foreign
        ]
        return [*drafts, *mixed]

    forge(archive, change)
    assert "other_archive" in codes(archive)


def test_a_head_signed_with_another_key_is_found_at_a_target(archive):
    log = log_of(archive)
    thief = Ed25519PrivateKey.generate()
    forge(archive, lambda drafts: drafts[:3])
    folder = target_of(archive) / HEADS
    shutil.rmtree(folder)
    write_head(target_of(archive), sign_head(_id(archive), log.head(), thief, AT))
    ran = verdict(archive)
    assert [one["code"] for one in ran.data["findings"]] == ["head_other_key"]
    assert ran.status == 1


def test_a_head_whose_signature_does_not_fit_is_found(archive):
    path = target_of(archive) / HEADS / _id(archive) / "heads.jsonl"
    value = json.loads(path.read_bytes())
    value["head"]["size"] -= 1
    path.write_text(json.dumps(value) + "\n")
    assert codes(archive) == {"head_forged"}


def test_a_torn_line_among_the_heads_is_a_note(archive):
    path = target_of(archive) / HEADS / _id(archive) / "heads.jsonl"
    with path.open("ab") as handle:
        handle.write(b'{"head"')
    assert codes(archive) == {"head_unreadable"}
    assert verdict(archive).data["valid"] is True


def test_a_target_that_is_away_is_named_and_breaks_nothing(archive):
    target_of(archive).rename(archive.parent / "away")
    assert codes(archive) == {"target_absent"}
    assert verdict(archive).data["targets"] == []


@pytest.mark.parametrize(
    ("sql", "code"),
    [
        (
            "INSERT INTO board_user SELECT 'Mallory', role, password, added_at FROM board_user",
            "person_without_entry",
        ),
        ("DELETE FROM board_user", "person_missing"),
        ("UPDATE board_user SET role = 'office'", "person_changed"),
    ],
)
def test_people_added_dropped_or_changed_in_the_catalog_alone_are_found(archive, sql, code):
    import sqlite3

    with Workspace(archive, actor="Olga") as here:
        add_person(here, "Rita", Duty.REVIEWER, PHRASE)
        add_person(here, "Sam", Duty.REVIEWER, PHRASE)
        drop_person(here, "Sam")
    assert codes(archive) == set()
    database = sqlite3.connect(archive / "catalog.sqlite")
    database.execute(sql)
    database.commit()
    database.close()
    assert codes(archive) == {code}


@pytest.mark.parametrize("how", ["added", "dropped"])
def test_people_added_or_dropped_in_the_log_and_the_catalog_with_a_new_head_are_found(archive, how):
    """Catalog and log agree here, and the chain and its head fit: only the signed heads tell."""
    with Workspace(archive, actor="Olga") as here:
        add_person(here, "Rita", Duty.REVIEWER, PHRASE)
        rita = here.catalog.users.get("Rita")
    assert cli("backup", archive=archive).status == 0

    def change(drafts):
        place = next(n for n, one in enumerate(drafts) if one.action == "person_added")
        if how == "dropped":
            del drafts[place]
        else:
            one = drafts[place]
            drafts.insert(
                place,
                Draft(actor=one.actor, action=one.action, subject="Mallory", details=one.details, at=one.at),
            )
        return drafts

    forge(archive, change)
    with Workspace(archive, actor="Olga") as here:
        if how == "dropped":
            here.catalog.users.drop("Rita")
        else:
            here.catalog.users.put(replace(rita, name="Mallory"), at=here.now())
    found = codes(archive)
    assert found
    assert found <= {"not_as_noted", "entries_missing"}


def test_a_person_whose_entry_fails_is_not_added_and_not_dropped(archive, monkeypatch):
    with Workspace(archive, actor="Olga") as here:
        add_person(here, "Rita", Duty.REVIEWER, PHRASE)

        def failing(*_given, **_more):
            raise OSError("no disk")

        monkeypatch.setattr(here, "record", failing)
        with pytest.raises(OSError, match="no disk"):
            add_person(here, "Sam", Duty.REVIEWER, PHRASE)
        with pytest.raises(OSError, match="no disk"):
            drop_person(here, "Rita")
        assert [one.name for one in here.catalog.users.all()] == ["Rita"]
    assert codes(archive) == set()


def test_a_target_whose_heads_are_deleted_is_named(archive):
    shutil.rmtree(target_of(archive) / HEADS)
    ran = verdict(archive)
    assert (ran.status, [one["code"] for one in ran.data["findings"]]) == (0, ["no_heads"])
    assert "office" in ran.data["findings"][0]["message"]


def test_a_backup_changes_nothing_at_a_target_with_a_head_that_the_log_does_not_extend(archive, same_path):
    copy_tree(archive, same_path / "image")
    assert cli("hold", "place", "TC-2", "--reason", "suit", archive=archive).status == 0
    assert cli("backup", archive=archive).status == 0
    shutil.rmtree(archive)
    copy_tree(same_path / "image", archive)

    def state():
        return {p: p.read_bytes() for p in target_of(archive).rglob("*") if p.is_file()}

    before = state()
    ran = cli("backup", "--json", archive=archive)
    assert ran.status == 32
    assert [one["code"] for one in ran.data["troubles"]] == ["archive_older"]
    assert "has a head of" in ran.data["troubles"][0]["message"]
    assert state() == before


def test_a_photo_report_prints_the_head_and_the_log_extends_it(houses, same_path):
    file = same_path / "report.pdf"
    assert cli("report", "TC-1001", file, archive=houses).status == 0
    pages = [page.extract_text() for page in pypdf.PdfReader(file).pages]
    text = next(" ".join(page.split()) for page in pages if "Custody log when" in " ".join(page.split()))
    size, root = _printed_head(text[text.index("Custody log when") :])
    head = newest_head(houses / "custody", _id(houses)).head
    assert (size, root) == (head.size, head.root)
    assert verdict(houses, "--noted", f"{size}:{root}").data["valid"] is True
    assert verdict(houses, "--noted", f"{size}:{root[::-1]}").data["valid"] is False


# --- writing heads -------------------------------------------------------------------------


def _id(archive):
    return json.loads((archive / ID_FILE).read_bytes())["archive"]


def test_each_backup_and_each_purge_writes_the_newest_head_to_each_target(archive):
    (first,) = read_heads(target_of(archive))
    log = log_of(archive)
    assert first.head.root == log.head().root
    assert cli("backup", archive=archive).status == 0
    assert len(read_heads(target_of(archive))) == 1, "the log did not grow"
    purge(archive)
    heads = read_heads(target_of(archive))
    assert heads[-1].head.size == log.head().seq
    assert list(log.entries())[-1].action == "purged"
    assert all(one.is_genuine() for one in heads)


def test_an_archive_of_an_earlier_version_gets_its_id_and_key_with_the_first_backup(archive):
    forge(
        archive, lambda drafts: [Draft(actor="Ann", action="archive_made", subject="a", at=AT), *drafts[1:]]
    )
    (archive / ID_FILE).unlink()
    (archive / "custody" / KEY_FILE).unlink()
    for folder in (HEADS, "archive"):  # an earlier version wrote neither
        shutil.rmtree(target_of(archive) / folder)
    with contextlib.closing(sqlite3.connect(archive / "catalog.sqlite")) as db:
        db.execute("DELETE FROM station")
        db.commit()
    assert codes(archive) == set()
    assert cli("backup", archive=archive, actor="Olga").status == 0
    entry = list(log_of(archive).entries())[-1]
    assert (entry.action, entry.actor, entry.details["archive"]) == ("signing_key_made", "Olga", _id(archive))
    (head,) = read_heads(target_of(archive))
    assert head.key == entry.details["public_key"]
    assert codes(archive) == set()


def test_without_the_key_a_backup_goes_on_and_says_so_until_another_is_made(archive):
    (archive / "custody" / KEY_FILE).unlink()
    assert cli("close", "TC-2", "--on", "2026-05-01", archive=archive).status == 0
    ran = cli("backup", "--json", archive=archive)
    assert ran.status == 1
    assert [one["code"] for one in ran.data["troubles"]] == ["head_not_signed"]
    assert "--new-key" in ran.data["troubles"][0]["message"]
    assert cli("custody", "--new-key", " ", archive=archive).status == 2
    made = cli("custody", "--new-key", "new computer", "--json", archive=archive, actor="Olga")
    assert made.data["kept"] == "file"
    assert cli("backup", archive=archive).status == 0
    ran = verdict(archive)
    assert (ran.status, [one["code"] for one in ran.data["findings"]]) == (0, ["key_added"])
    assert "Olga" in ran.data["findings"][0]["message"]
    assert "new computer" in ran.data["findings"][0]["message"]
    assert ran.data["heads"] == 4, "those of the first key still count"


def test_a_lost_id_file_is_made_again_from_the_log(archive):
    known = _id(archive)
    (archive / ID_FILE).unlink()
    assert codes(archive) == set()
    assert cli("close", "TC-2", "--on", "2026-05-01", archive=archive).status == 0
    assert cli("backup", archive=archive).status == 0
    assert _id(archive) == known


def test_verifying_changes_nothing_in_the_archive_or_at_a_target(archive):
    def state():
        files = [p for root in (archive, target_of(archive)) for p in root.rglob("*") if p.is_file()]
        return {p: p.read_bytes() for p in files if p.suffix not in {".lock", ".sqlite-shm", ".sqlite-wal"}}

    before = state()
    assert verdict(archive).status == 0
    assert state() == before


def test_a_head_noted_by_hand_must_have_the_form_of_one(archive):
    assert cli("custody", "--verify", "--noted", "42", archive=archive).status == 2
    assert cli("custody", "--noted", f"2:{'0' * 64}", archive=archive).status == 2
    assert codes(archive, "--noted", f"2:{'0' * 64}") == {"not_as_noted"}


def test_verification_reaches_no_network(archive, monkeypatch):
    def refused(*_given, **_more):
        raise AssertionError("network")

    monkeypatch.setattr(socket.socket, "connect", refused)
    assert verdict(archive).status == 0


def test_a_user_put_into_the_catalog_by_its_own_code_is_found_too(archive):
    with Workspace(archive) as here:
        here.catalog.users.put(User(name="Rita", duty=Duty.REVIEWER, password="x"), at=AT)
    assert codes(archive) == {"person_without_entry"}


# --- a lost head file ----------------------------------------------------------------------


def headless(archive):
    log_of(archive).head_path.unlink()


def resealed(archive, reason="the file was deleted by mistake"):
    return cli("custody", "--reseal", reason, "--json", archive=archive, actor="Olga Office")


def test_a_lost_head_file_is_written_anew_once_every_kept_head_agrees(archive):
    headless(archive)
    ran = cli("close", "TC-2", "--on", "2026-05-20", archive=archive)
    assert ran.status == CustodyError.exit_code
    assert "evidence custody --reseal REASON" in ran.err
    assert verdict(archive).status == 1
    ran = resealed(archive)
    assert ran.status == 0, ran.err
    assert (ran.data["action"], ran.data["actor"]) == ("log_resealed", "Olga Office")
    assert verdict(archive).data["valid"]
    assert cli("close", "TC-2", "--on", "2026-05-20", archive=archive).status == 0
    assert cli("backup", archive=archive).status == 0


@pytest.mark.parametrize("own_heads", [True, False])
def test_a_log_that_was_cut_is_not_resealed(archive, own_heads):
    log = log_of(archive)
    lines = log.path.read_bytes().splitlines(keepends=True)
    log.path.write_bytes(b"".join(lines[:-2]))
    headless(archive)
    if not own_heads:
        shutil.rmtree(log.path.parent / HEADS)
    before = log.path.read_bytes()
    ran = cli("custody", "--reseal", "lost", archive=archive)
    assert ran.status == CustodyError.exit_code
    assert "evidence restore TARGET DIR" in ran.err
    assert not log.head_path.exists()
    assert log.path.read_bytes() == before


def test_a_log_is_not_resealed_while_a_target_with_heads_is_away(archive):
    headless(archive)
    target_of(archive).rename(archive.parent / "away")
    ran = cli("custody", "--reseal", "lost", archive=archive)
    assert ran.status == CustodyError.exit_code
    assert "office" in ran.err
    assert not log_of(archive).head_path.exists()
    (archive.parent / "away").rename(target_of(archive))
    assert resealed(archive).status == 0


def test_a_log_with_its_head_or_without_a_reason_or_without_entries_is_not_resealed(archive):
    assert resealed(archive).status == 2
    headless(archive)
    assert resealed(archive, " ").status == 2
    log_of(archive).path.unlink()
    ran = cli("custody", "--reseal", "lost", archive=archive)
    assert ran.status == CustodyError.exit_code
    assert "evidence restore TARGET DIR" in ran.err
