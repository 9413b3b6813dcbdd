"""Rule 6: a period that ran out, no hold, a frozen plan that still matches, two people; and nothing left."""

from __future__ import annotations

import hashlib
import json
import os
import signal
from collections import Counter
from datetime import date
from itertools import count

import pytest
import rfc8785
from support_retention import (
    NOON,
    DyingDesk,
    FolderDesk,
    KilledError,
    MemoryDesk,
    a_hold,
    closed,
    digest,
)

from evidence.errors import BadInputError, DestinationError, PurgeRefusedError
from evidence.model import ClaimId
from evidence.retention.desk import CopyKind, KnownCopy
from evidence.retention.plans import APPROVAL, PLAN, PROGRESS, thaw
from evidence.retention.purge import approve, make_plan, run_plan
from evidence.retention.rules import load_rules
from evidence.retention.schedule import Turn, TurnKind
from evidence.settings import default_text

RULES = load_rules(default_text("retention.toml"), "retention.toml")
ONE, TWO = ClaimId("HL-1"), ClaimId("HL-2")


@pytest.fixture
def desk() -> MemoryDesk:
    desk = MemoryDesk()
    desk.add(closed(ONE), b"front", b"back")
    desk.add(closed(TWO), b"roof")
    desk.add(closed("NEW", on=date(2026, 1, 1)), b"young")
    return desk


def approved(desk, tmp_path):
    frozen = make_plan(desk, RULES, by="Ann", shelf=tmp_path)
    approve(desk, frozen.folder, by="Bob")
    return frozen


def assert_untouched(desk, claim):
    assert not [c for c in desk.removed if c in desk.places[claim]]
    assert len(desk.places[claim]) > 1
    assert claim not in desk.tombstones


def test_a_plan_lists_every_due_claim_photo_and_known_copy_and_nothing_else(desk, tmp_path):
    frozen = make_plan(desk, RULES, by="Ann", shelf=tmp_path)
    assert [c.claim for c in frozen.plan.claims] == [ONE, TWO]
    for planned in frozen.plan.claims:
        assert set(planned.photos) == set(desk.held_photos[planned.claim])
        assert set(planned.copies) == desk.places[planned.claim]
        assert planned.since == date(2022, 3, 16)
        assert "customary" in planned.reason
    assert desk.removed == []


def test_the_plan_file_is_canonical_json_and_its_sha256_is_the_digest(desk, tmp_path):
    frozen = make_plan(desk, RULES, by="Ann Müller", shelf=tmp_path)
    data = (frozen.folder / PLAN).read_bytes()
    assert rfc8785.dumps(json.loads(data)) == data
    assert hashlib.sha256(data).hexdigest() == frozen.digest
    assert thaw(frozen.folder).plan == frozen.plan


def test_a_claim_that_is_not_due_cannot_be_planned(desk, tmp_path):
    with pytest.raises(PurgeRefusedError, match="NEW is not due"):
        make_plan(desk, RULES, by="Ann", shelf=tmp_path, claims=[ONE, ClaimId("NEW")])
    assert list(tmp_path.iterdir()) == []


def test_no_plan_is_made_where_nothing_is_due(tmp_path):
    with pytest.raises(PurgeRefusedError, match="No claim is due"):
        make_plan(MemoryDesk(), RULES, by="Ann", shelf=tmp_path)


def test_a_nameless_person_can_do_nothing(desk, tmp_path):
    with pytest.raises(PurgeRefusedError, match="name"):
        make_plan(desk, RULES, by="  ", shelf=tmp_path)
    with pytest.raises(PurgeRefusedError, match="name"):
        make_plan(desk, RULES, by="A\x00nn", shelf=tmp_path)


@pytest.mark.parametrize("name", ["Ann", "ann", "  ANN ", "Ａnn"])
def test_the_planner_cannot_approve_under_another_spelling(desk, tmp_path, name):
    frozen = make_plan(desk, RULES, by="Ann", shelf=tmp_path)
    with pytest.raises(PurgeRefusedError, match="cannot approve"):
        approve(desk, frozen.folder, by=name)
    assert not (frozen.folder / APPROVAL).exists()


def test_without_approval_nothing_is_removed(desk, tmp_path):
    frozen = make_plan(desk, RULES, by="Ann", shelf=tmp_path)
    with pytest.raises(PurgeRefusedError, match="not approved"):
        run_plan(desk, RULES, frozen.folder, by="Bob")
    assert_untouched(desk, ONE)


def test_an_approval_written_by_hand_is_not_believed(desk, tmp_path):
    frozen = make_plan(desk, RULES, by="Ann", shelf=tmp_path)
    forged = {"format": "purge-approval-1", "plan": frozen.digest, "by": "Bob", "at": "2026-11-25T12:00:00Z"}
    (frozen.folder / APPROVAL).write_bytes(rfc8785.dumps(forged))
    with pytest.raises(PurgeRefusedError, match="second person"):
        run_plan(desk, RULES, frozen.folder, by="Ann")
    with pytest.raises(PurgeRefusedError, match="second person"):
        approve(desk, frozen.folder, by="Carl")
    assert_untouched(desk, ONE)


def test_an_approval_of_another_plan_is_not_believed(desk, tmp_path):
    one = make_plan(desk, RULES, by="Ann", shelf=tmp_path, claims=[ONE])
    two = make_plan(desk, RULES, by="Ann", shelf=tmp_path, claims=[TWO])
    approve(desk, one.folder, by="Bob")
    (two.folder / APPROVAL).write_bytes((one.folder / APPROVAL).read_bytes())
    with pytest.raises(PurgeRefusedError, match="another plan"):
        run_plan(desk, RULES, two.folder, by="Ann")
    assert_untouched(desk, TWO)


@pytest.mark.parametrize("when", ["before approval", "after approval"])
@pytest.mark.parametrize(
    "edit",
    [
        pytest.param(lambda data: data.replace(b'"HL-2"', b'"NEW"'), id="another-claim"),
        pytest.param(lambda data: data.replace(b'"by":"Ann"', b'"by":"Eve"'), id="another-planner"),
        pytest.param(lambda data: data + b"\n", id="one-more-newline"),
        pytest.param(lambda data: data[:-1], id="cut-short"),
        pytest.param(lambda _: b"{}", id="empty"),
        pytest.param(lambda _: b"[1]", id="not-a-plan"),
    ],
)
def test_an_altered_plan_is_refused_whole(desk, tmp_path, edit, when):
    frozen = make_plan(desk, RULES, by="Ann", shelf=tmp_path)
    if when == "after approval":
        approve(desk, frozen.folder, by="Bob")
    path = frozen.folder / PLAN
    path.write_bytes(edit(path.read_bytes()))
    with pytest.raises(PurgeRefusedError):
        approve(desk, frozen.folder, by="Bob")
    with pytest.raises(PurgeRefusedError):
        run_plan(desk, RULES, frozen.folder, by="Ann")
    for claim in (ONE, TWO, ClaimId("NEW")):
        assert_untouched(desk, claim)


def test_a_folder_without_a_plan_is_bad_input(desk, tmp_path):
    with pytest.raises(BadInputError, match="no purge plan"):
        run_plan(desk, RULES, tmp_path / "nowhere", by="Ann")


def test_a_run_removes_every_copy_and_leaves_tombstone_certificate_and_custody(desk, tmp_path):
    frozen = approved(desk, tmp_path)
    report = run_plan(desk, RULES, frozen.folder, by="Ann")
    assert [p.claim for p in report.purged] == [ONE, TWO]
    assert report.refused == ()
    for claim in (ONE, TWO):
        assert desk.places[claim] == set()
        assert set(desk.tombstones[claim].photos) == set(desk.held_photos[claim])
        assert desk.events(claim) == {"purge_started": 1, "purged": 1}
    assert_untouched(desk, ClaimId("NEW"))
    entry = next(e for e in desk.log if e.event == "purged" and e.claim == ONE)
    certificate = report.purged[0].certificate.read_bytes()
    assert entry.details["certificate"] == hashlib.sha256(certificate).hexdigest()
    assert (entry.details["planned_by"], entry.details["approved_by"]) == ("Ann", "Bob")


def test_the_bag_goes_last(desk, tmp_path):
    frozen = approved(desk, tmp_path)
    run_plan(desk, RULES, frozen.folder, by="Ann")
    of_one = [c.kind for c in desk.removed][:7]
    assert of_one[-1] is CopyKind.BAG
    assert of_one.count(CopyKind.BAG) == 1


def change_hold(desk):
    desk.known[ONE] = closed(ONE, holds=(a_hold(),))


def change_reopened(desk):
    turns = (*desk.known[ONE].history, Turn(kind=TurnKind.REOPENED, on=date(2026, 11, 24)))
    desk.known[ONE] = closed(ONE, history=turns)


def change_closing(desk):
    desk.known[ONE] = closed(ONE, on=date(2025, 1, 1))


def change_day(desk):
    desk.day = date(2020, 1, 1)


def change_more_photos(desk):
    desk.held_photos[ONE].append(digest(b"came later"))


def change_fewer_photos(desk):
    desk.held_photos[ONE].pop()


def change_new_copy(desk):
    desk.places[ONE].add(KnownCopy(kind=CopyKind.TARGET, place="target new: HL-1"))


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        pytest.param(change_hold, "suit filed", id="hold-placed-meanwhile"),
        pytest.param(change_reopened, "reopened 2026-11-24", id="reopened"),
        pytest.param(change_closing, "not due", id="closed-anew"),
        pytest.param(change_day, "not due", id="clock-set-back"),
        pytest.param(change_more_photos, "1 file came to the claim", id="new-photo"),
        pytest.param(change_fewer_photos, "1 file left the claim", id="photo-moved-away"),
        pytest.param(change_new_copy, "target new: HL-1 is not in the plan", id="new-copy"),
    ],
)
def test_a_claim_that_no_longer_matches_is_left_alone_and_said_so(desk, tmp_path, change, reason):
    frozen = approved(desk, tmp_path)
    change(desk)
    report = run_plan(desk, RULES, frozen.folder, by="Ann")
    refused = next(r for r in report.refused if r.claim == ONE)
    assert reason in refused.reason
    assert not refused.begun
    assert_untouched(desk, ONE)
    assert desk.events(ONE) == {"purge_stopped": 1}
    if change is not change_day:
        assert [p.claim for p in report.purged] == [TWO]


def test_a_copy_that_is_gone_since_the_plan_is_no_hindrance(desk, tmp_path):
    frozen = approved(desk, tmp_path)
    desk.places[ONE] = {c for c in desk.places[ONE] if c.kind is not CopyKind.THUMBNAIL}
    assert len(run_plan(desk, RULES, frozen.folder, by="Ann").purged) == 2


def test_a_hold_placed_while_copies_are_removed_stops_before_the_next_one(desk, tmp_path):
    frozen = approved(desk, tmp_path)

    def hold_after_two(deed):
        if deed == "remove" and len(desk.removed) == 2:
            change_hold(desk)

    desk.before = hold_after_two
    report = run_plan(desk, RULES, frozen.folder, by="Ann")
    refused = next(r for r in report.refused if r.claim == ONE)
    assert refused.begun
    assert len([c for c in desk.removed if c not in desk.places[ONE] and c.sha256 != digest(b"roof")]) <= 4
    assert KnownCopy(kind=CopyKind.BAG, place="archive/claims/HL-1") in desk.places[ONE]
    assert ONE not in desk.tombstones
    desk.before = lambda _deed: None
    desk.known[ONE] = closed(ONE)
    assert [p.claim for p in run_plan(desk, RULES, frozen.folder, by="Ann").purged] == [ONE, TWO]


def test_a_copy_that_will_not_go_is_found_and_no_certificate_is_given(desk, tmp_path):
    desk.stubborn = {"intake/" + digest(b"front")[:8]}
    frozen = approved(desk, tmp_path)
    report = run_plan(desk, RULES, frozen.folder, by="Ann")
    refused = next(r for r in report.refused if r.claim == ONE)
    assert [c.place for c in refused.left] == ["intake/" + digest(b"front")[:8]]
    assert "still there" in refused.reason
    assert ONE not in desk.tombstones
    assert len(list(frozen.folder.glob("certificate-*"))) == 1
    desk.stubborn = set()
    assert len(run_plan(desk, RULES, frozen.folder, by="Ann").purged) == 2


def test_a_target_that_cannot_be_reached_stops_the_claim_before_anything_is_removed(desk, tmp_path):
    frozen = approved(desk, tmp_path)

    def unreachable(deed):
        if deed == "copies":
            raise DestinationError("target nas: not reachable.", "Connect it.")

    desk.before = unreachable
    report = run_plan(desk, RULES, frozen.folder, by="Ann")
    assert [r.begun for r in report.refused] == [False, False]
    assert desk.removed == []


def test_a_photo_that_another_claim_holds_stays_where_both_share_one_copy(desk, tmp_path):
    desk.add(closed("NEW", on=date(2026, 1, 1)), b"young", b"front")
    frozen = approved(desk, tmp_path)
    report = run_plan(desk, RULES, frozen.folder, by="Ann")
    assert len(report.purged) == 2
    shared = "intake/" + digest(b"front")[:8]
    assert shared in {c.place for c in desk.places[ClaimId("NEW")]}
    assert shared not in {c.place for c in desk.removed}
    text = report.purged[0].certificate.read_text()
    spared = text.split("Places that stay")[1].split("Files deleted")[0]
    assert shared in spared
    assert shared not in text.split("Places emptied")[1].split("Places that stay")[0]


def test_two_claims_of_one_plan_that_share_a_photo_are_both_purged_whole(desk, tmp_path):
    desk.add(closed(TWO), b"roof", b"front")
    frozen = approved(desk, tmp_path)
    report = run_plan(desk, RULES, frozen.folder, by="Ann")
    assert [p.claim for p in report.purged] == [ONE, TWO]
    assert desk.places[ONE] == desk.places[TWO] == set()
    last = report.purged[1].certificate.read_text()
    assert "intake/" + digest(b"front")[:8] in last.split("Places emptied")[1].split("Places that stay")[0]


def test_a_claim_that_took_over_a_photo_since_the_plan_keeps_it(desk, tmp_path):
    frozen = approved(desk, tmp_path)
    desk.add(closed("NEW", on=date(2026, 1, 1)), b"front")
    report = run_plan(desk, RULES, frozen.folder, by="Ann")
    assert ONE in [p.claim for p in report.purged]
    assert "intake/" + digest(b"front")[:8] in {c.place for c in desk.places[ClaimId("NEW")]}


def test_killing_the_run_at_any_deed_is_finished_by_the_next_run_without_doubling_anything(tmp_path):
    """Every call to the desk in turn dies, before or after its effect; the sum is always the same."""
    for at in count(1):
        desk = MemoryDesk()
        desk.add(closed(ONE), b"front", b"back")
        desk.add(closed(TWO), b"roof", b"front")
        frozen = approved(desk, tmp_path / str(at))
        calls = count(1)

        def die(_deed, calls=calls, at=at):
            if next(calls) == at:
                raise KilledError

        desk.before = die
        try:
            run_plan(desk, RULES, frozen.folder, by="Ann")
            died = False
        except KilledError:
            died = True
        desk.before = lambda _deed: None
        report = run_plan(desk, RULES, frozen.folder, by="Carl")
        assert [p.claim for p in report.purged] == [ONE, TWO], f"killed at call {at}"
        for claim in (ONE, TWO):
            assert desk.places[claim] == set()
            assert desk.events(claim) == {"purge_started": 1, "purged": 1}
            assert claim in desk.tombstones
        certificates = {p.name: p.read_bytes() for p in frozen.folder.glob("certificate-*")}
        run_plan(desk, RULES, frozen.folder, by="Dora")
        assert certificates == {p.name: p.read_bytes() for p in frozen.folder.glob("certificate-*")}
        if not died:
            break
    assert at > 30


def test_a_certificate_written_before_a_crash_stays_as_it_is_under_a_newer_program(
    desk, tmp_path, monkeypatch
):
    frozen = approved(desk, tmp_path)

    def die(deed):
        if deed == "bury":
            raise KilledError

    desk.before = die
    with pytest.raises(KilledError):
        run_plan(desk, RULES, frozen.folder, by="Ann")
    desk.before = lambda _deed: None
    (written,) = frozen.folder.glob("certificate-*")
    text = written.read_bytes()
    monkeypatch.setattr("evidence.retention.purge._tool", lambda: "a newer one 9.9")
    report = run_plan(desk, RULES, frozen.folder, by="Carl")
    assert report.purged[0].certificate == written
    assert written.read_bytes() == text
    entry = next(e for e in desk.log if e.event == "purged" and e.claim == ONE)
    assert entry.details["certificate"] == hashlib.sha256(text).hexdigest()


def test_a_plan_in_any_other_form_than_the_canonical_one_is_not_a_plan(desk, tmp_path):
    path = make_plan(desk, RULES, by="Ann", shelf=tmp_path).folder / PLAN
    path.write_bytes(json.dumps(json.loads(path.read_bytes()), indent=1).encode())
    with pytest.raises(PurgeRefusedError, match="not a plan as it was written"):
        thaw(path.parent)


@pytest.mark.parametrize("cut", range(1, 60, 7))
def test_a_progress_line_broken_off_by_a_crash_counts_as_unwritten(desk, tmp_path, cut):
    frozen = approved(desk, tmp_path)
    run_plan(desk, RULES, frozen.folder, by="Ann")
    path = frozen.folder / PROGRESS
    path.write_bytes(path.read_bytes()[:-cut])
    report = run_plan(desk, RULES, frozen.folder, by="Ann")
    assert [p.claim for p in report.purged] == [ONE, TWO]
    assert all(json.loads(line) for line in path.read_bytes().splitlines()[-1:])


def test_a_photo_that_comes_after_a_broken_off_run_is_not_removed_with_the_rest(desk, tmp_path):
    frozen = approved(desk, tmp_path)

    def die(deed):
        if deed == "remove" and len(desk.removed) == 2:
            raise KilledError

    desk.before = die
    with pytest.raises(KilledError):
        run_plan(desk, RULES, frozen.folder, by="Ann")
    desk.before = lambda _deed: None
    change_more_photos(desk)
    before = len(desk.removed)
    refused = run_plan(desk, RULES, frozen.folder, by="Ann").refused[0]
    assert refused.begun
    assert [c for c in desk.removed[before:] if c.place.startswith("target nas: HL-1")] == []


def test_a_purged_claim_cannot_be_purged_by_a_second_plan(desk, tmp_path):
    first, second = approved(desk, tmp_path / "a"), approved(desk, tmp_path / "b")
    assert first.digest == second.digest  # the same plan, made in the same second
    desk.day = date(2026, 11, 26)
    other = make_plan(desk, RULES, by="Carl", shelf=tmp_path / "c")
    approve(desk, other.folder, by="Bob")
    run_plan(desk, RULES, first.folder, by="Ann")
    report = run_plan(desk, RULES, other.folder, by="Ann")
    assert {r.claim for r in report.refused} == {ONE, TWO}
    assert desk.events(ONE)["purged"] == 1


def test_the_certificate_says_what_was_done_by_whom_and_on_what_authority(desk, tmp_path):
    frozen = approved(desk, tmp_path)
    report = run_plan(desk, RULES, frozen.folder, by="Carl")
    text = report.purged[0].certificate.read_text(encoding="utf-8")
    flat = " ".join(text.split())
    assert "file deletion, not media sanitization" in flat
    # Fields of NIST SP 800-88 Rev. 1, section 4.8, as read in a secondary copy.
    for field in (
        "Medium: maker, model, serial, property number, type: not applicable",
        "Description: file deletion; neither clear, purge nor destroy",
        "Method:",
        "Tool: photo-evidence-archive",
        "Verification: full:",
        "Destination:",
        "Title ___",
        "Location ___",
        "Contact ___",
        "Signature ___",
    ):
        assert field in flat
    for fact in (
        "Planned by Ann, 2026-11-25 12:00:00 UTC",
        "Approved by Bob",
        "Deleted and verified by Carl",
        "customary",
        "counsel",
    ):
        assert fact in flat
    assert frozen.digest in text
    for photo in desk.held_photos[ONE]:
        assert photo in text


def test_a_claim_number_cannot_forge_a_line_of_the_certificate(tmp_path):
    desk = MemoryDesk()
    desk.add(closed("X\nApproved by Eve"), b"one")
    frozen = approved(desk, tmp_path)
    report = run_plan(desk, RULES, frozen.folder, by="Ann")
    lines = report.purged[0].certificate.read_text().splitlines()
    assert not [line for line in lines if line.startswith("Approved by Eve")]


def test_over_real_folders_no_byte_of_a_purged_claim_is_left_and_the_neighbour_is_whole(tmp_path):
    desk = FolderDesk(tmp_path)
    desk.file(closed("HL-1"), {"DSC00001.JPG": b"front", "DSC00002.JPG": b"shared"})
    desk.file(closed("HL-9", on=date(2026, 1, 1)), {"DSC00001.JPG": b"other", "DSC00002.JPG": b"shared"})
    neighbour = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file() and "HL-9" in p.parts}
    frozen = make_plan(desk, RULES, by="Ann", shelf=tmp_path / "purges")
    approve(desk, frozen.folder, by="Bob")
    report = run_plan(desk, RULES, frozen.folder, by="Ann")
    assert report.refused == ()
    left = [p for p in tmp_path.rglob("*") if p.is_file() and "purges" not in p.parts]
    assert not [p for p in left if p.read_bytes().endswith(b"front")]
    assert not [p for p in left if "HL-1" in p.parts]
    assert neighbour == {p: p.read_bytes() for p in neighbour}
    assert (tmp_path / "intake" / digest(b"shared")).exists()
    assert [e["event"] for e in desk.entries()] == [
        "purge_planned",
        "purge_approved",
        "purge_started",
        "purged",
    ]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork a process to kill")
@pytest.mark.parametrize("call", range(1, 40, 3))
def test_over_real_folders_a_killed_run_is_finished_by_the_next_one(tmp_path, call):
    desk = FolderDesk(tmp_path)
    desk.file(closed("HL-1"), {"DSC00001.JPG": b"front", "DSC00002.JPG": b"shared"})
    desk.file(closed("HL-2"), {"DSC00001.JPG": b"roof", "DSC00002.JPG": b"shared"})
    frozen = make_plan(desk, RULES, by="Ann", shelf=tmp_path / "purges")
    approve(desk, frozen.folder, by="Bob")
    child = os.fork()
    if child == 0:
        run_plan(DyingDesk(tmp_path, desk.index, call), RULES, frozen.folder, by="Ann")
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) in {-signal.SIGKILL, 0}
    again = FolderDesk(tmp_path)
    again.index = desk.index
    assert [p.claim for p in run_plan(again, RULES, frozen.folder, by="Carl").purged] == ["HL-1", "HL-2"]
    assert [p for p in tmp_path.rglob("*") if "HL-1" in p.parts or "HL-2" in p.parts] == []
    assert list((tmp_path / "intake").iterdir()) == list((tmp_path / "thumbs").iterdir()) == []
    events = Counter((e["event"], e["claim"]) for e in again.entries() if e["claim"])
    assert events == {(e, c): 1 for e in ("purge_started", "purged") for c in ("HL-1", "HL-2")}


@pytest.mark.parametrize(
    "leftover", ["staging/DSC00001.JPG.part", "target_b/lost+found/0001", "claims/.HL-1.old/data/a.jpg"]
)
def test_a_forgotten_copy_that_only_the_look_finds_stops_the_certificate(tmp_path, leftover):
    desk = FolderDesk(tmp_path)
    desk.file(closed("HL-1"), {"DSC00001.JPG": b"front"})
    path = tmp_path / leftover
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"front")
    frozen = make_plan(desk, RULES, by="Ann", shelf=tmp_path / "purges")
    approve(desk, frozen.folder, by="Bob")
    report = run_plan(desk, RULES, frozen.folder, by="Ann")
    assert [c.place for c in report.refused[0].left] == [leftover]
    assert list(frozen.folder.glob("certificate-*")) == []
    path.unlink()
    assert [p.claim for p in run_plan(desk, RULES, frozen.folder, by="Ann").purged] == ["HL-1"]


def test_the_frozen_moment_has_whole_seconds_in_utc(desk, tmp_path):
    assert make_plan(desk, RULES, by="Ann", shelf=tmp_path).plan.made == NOON
