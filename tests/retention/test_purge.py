"""A purge needs an ended period, no hold, a frozen plan that still matches and two people; then no copy is left."""

from __future__ import annotations

import hashlib
import json
import os
import signal
from collections import Counter
from datetime import date, timedelta
from itertools import count

import pypdf
import pytest
import rfc8785
from support_retention import (
    NOON,
    DyingRepository,
    FolderRepository,
    KilledError,
    MemoryRepository,
    a_hold,
    closed,
    digest,
    intake_object,
)

from evidence.errors import BadInputError, DestinationError, PurgeRefusedError
from evidence.model import ClaimId
from evidence.paper import certificate_page
from evidence.paper.certificate_page import certificate_pdf
from evidence.retention.facts import ChangeKind, StateChange
from evidence.retention.purge.addresses import (
    REMOVAL_ORDER,
    ArchiveBag,
    AtStation,
    IntakeObject,
    OwedCopies,
    Stray,
    TargetBag,
    Thumbnail,
    Traces,
    from_stored,
    place_text,
    to_stored,
)
from evidence.retention.purge.approval import APPROVAL, approve
from evidence.retention.purge.plan_files import PLAN, details_path, load_plan
from evidence.retention.purge.planning import PlanTerms, make_plan
from evidence.retention.purge.plans import PlanFormat
from evidence.retention.purge.progress import PROGRESS
from evidence.retention.purge.run import run_plan
from evidence.retention.purge.taking_back import undo_plan
from evidence.retention.rule_file import load_schedule
from evidence.settings import default_text

pytestmark = pytest.mark.usefixtures("plain_certificates")
SCHEDULE = load_schedule(default_text("retention.toml"), "retention.toml")
ONE, TWO = ClaimId("HL-1"), ClaimId("HL-2")


@pytest.fixture
def repository() -> MemoryRepository:
    repository = MemoryRepository()
    repository.add(closed(ONE), b"front", b"back")
    repository.add(closed(TWO), b"roof")
    repository.add(closed("NEW", on=date(2026, 1, 1)), b"young")
    return repository


def approved(repository, tmp_path):
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path)
    approve(repository, frozen.folder, by="Bob")
    return frozen


def assert_untouched(repository, claim):
    assert not [c for c in repository.removed if c in repository.places[claim]]
    assert len(repository.places[claim]) > 1
    assert claim not in repository.tombstones


def test_a_plan_lists_every_due_claim_photo_and_known_copy_and_nothing_else(repository, tmp_path):
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path)
    assert [c.claim for c in frozen.plan.claims] == [ONE, TWO]
    for planned in frozen.plan.claims:
        assert set(planned.photos) == set(repository.held_photos[planned.claim])
        assert set(planned.copies) == repository.places[planned.claim]
        assert planned.since == date(2022, 3, 16)
        assert "customary" in planned.reason
    assert repository.removed == []


def test_the_plan_file_is_canonical_json_and_its_sha256_is_the_digest(repository, tmp_path):
    frozen = make_plan(repository, SCHEDULE, by="Ann Müller", plans_folder=tmp_path)
    data = (frozen.folder / PLAN).read_bytes()
    assert rfc8785.dumps(json.loads(data)) == data
    assert hashlib.sha256(data).hexdigest() == frozen.digest
    assert load_plan(frozen.folder).plan == frozen.plan


A = "2d8d693177ac44895fc02c009ec3f6af32e51eb00783c17000d7051d1662b93a"
B = "3c482346f375027677fa8a0d6830a32714d4f13f9e94c2d9e215e0ac205ad4e5"
OLD_PLAN = (
    '{"by":"Ann","claims":[{"claim":"HL-1","copies":['
    f'{{"by_digest":true,"kind":"thumbnail","place":"archive/thumbnails/2d/{A}_320.jpg","sha256":"{A}"}},'
    '{"by_digest":false,"kind":"other","place":"archive/claims/for the lawyer/copy.jpg","sha256":null},'
    '{"by_digest":false,"kind":"other","place":"target nas: lost+found/0001","sha256":null},'
    f'{{"by_digest":true,"kind":"intake","place":"archive/intake/2d/{A}.jpg","sha256":"{A}"}},'
    '{"by_digest":false,"kind":"target","place":"target nas: HL-1 Moss","sha256":null},'
    '{"by_digest":false,"kind":"bag","place":"archive/claims/HL-1 Moss","sha256":null}'
    f'],"photos":["{A}","{B}"],"reason":"closed 2015-03-15","since":"2022-03-16","spared":['
    f'{{"by_digest":true,"kind":"thumbnail","place":"archive/thumbnails/3c/{B}_1280.jpg","sha256":"{B}"}}'
    ']}],"format":"purge-plan-1","made":"2026-11-25T12:00:00Z"}'
)
"""As the program before `purge-plan-2` wrote it, with its digest."""
OLD_DIGEST = "ae3faba9f3c815a6966b1cc4058b4669c98cc69ea05dd000919eef3428790482"


def test_a_plan_of_an_older_program_is_read_with_its_digest(tmp_path):
    (tmp_path / PLAN).write_text(OLD_PLAN)
    frozen = load_plan(tmp_path)
    assert frozen.digest == OLD_DIGEST
    assert frozen.plan.format is PlanFormat.PLACES
    (claim,) = frozen.plan.claims
    assert claim.copies == (
        Thumbnail(sha256=A, name=f"{A}_320.jpg"),
        Stray(path="for the lawyer/copy.jpg"),
        Stray(path="lost+found/0001", target="nas"),
        IntakeObject(sha256=A, name=f"{A}.jpg"),
        TargetBag(target="nas", bag="HL-1 Moss"),
        ArchiveBag(bag="HL-1 Moss"),
    )
    assert claim.spared == (Thumbnail(sha256=B, name=f"{B}_1280.jpg"),)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("archive/claims/HL-1 Moss", "archive/elsewhere/HL-1 Moss"),
        ("archive/intake/2d/", "archive/intake/2e/"),
        ("target nas: HL-1 Moss", "nas: HL-1 Moss"),
        ("target nas: HL-1 Moss", "target nas"),
        ('"kind":"bag"', '"kind":"staging"'),
        ('"kind":"thumbnail","place":"archive/thumbnails', '"kind":"intake","place":"archive/thumbnails'),
        ("purge-plan-1", "purge-plan-2"),
        ("purge-plan-1", "purge-plan-3"),
    ],
)
def test_an_older_plan_with_any_other_place_is_refused(tmp_path, old, new):
    assert old in OLD_PLAN
    (tmp_path / PLAN).write_text(OLD_PLAN.replace(old, new, 1))
    with pytest.raises(PurgeRefusedError, match="altered or is damaged"):
        load_plan(tmp_path)


def test_every_address_has_its_own_place_and_reads_back_as_it_was_written():
    copies = [
        ArchiveBag(bag="target nas: HL-1"),
        TargetBag(target="nas", bag="HL-1"),
        IntakeObject(sha256=A, name=f"{A}.jpg"),
        Thumbnail(sha256=A, name=f"{A}_320.jpg"),
        Stray(path="a/b: c.jpg"),
        Stray(path="a/b: c.jpg", target="nas"),
        Traces(),
        AtStation(station="1" * 32, name="north", copy=TargetBag(target="nas", bag="HL-1")),
        AtStation(station="1" * 32, name="north", copy=IntakeObject(sha256=A, name=f"{A}.jpg")),
        AtStation(station="1" * 32, name="north", copy=Traces()),
    ]
    assert {type(one) for one in copies} == set(REMOVAL_ORDER)
    assert [from_stored(json.loads(json.dumps(to_stored(one)))) for one in copies] == copies
    assert len({place_text(one) for one in copies}) == len(copies)


def test_a_claim_that_is_not_due_cannot_be_planned(repository, tmp_path):
    with pytest.raises(PurgeRefusedError, match="NEW is not due"):
        make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path, claims=[ONE, ClaimId("NEW")])
    assert list(tmp_path.iterdir()) == []


def test_no_plan_is_made_where_nothing_is_due(tmp_path):
    with pytest.raises(PurgeRefusedError, match="No claim is due"):
        make_plan(MemoryRepository(), SCHEDULE, by="Ann", plans_folder=tmp_path)


def test_a_person_without_a_name_can_do_nothing(repository, tmp_path):
    with pytest.raises(PurgeRefusedError, match="name"):
        make_plan(repository, SCHEDULE, by="  ", plans_folder=tmp_path)
    with pytest.raises(PurgeRefusedError, match="name"):
        make_plan(repository, SCHEDULE, by="A\x00nn", plans_folder=tmp_path)


@pytest.mark.parametrize("name", ["Ann", "ann", "  ANN ", "Ａnn"])
def test_the_planner_cannot_approve_under_another_spelling(repository, tmp_path, name):
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path)
    with pytest.raises(PurgeRefusedError, match="cannot approve"):
        approve(repository, frozen.folder, by=name)
    assert not (frozen.folder / APPROVAL).exists()


def test_without_approval_nothing_is_removed(repository, tmp_path):
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path)
    with pytest.raises(PurgeRefusedError, match="not approved"):
        run_plan(repository, SCHEDULE, frozen.folder, by="Bob")
    assert_untouched(repository, ONE)


def test_an_approval_written_by_hand_is_refused(repository, tmp_path):
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path)
    forged = {"format": "purge-approval-1", "plan": frozen.digest, "by": "Bob", "at": "2026-11-25T12:00:00Z"}
    (frozen.folder / APPROVAL).write_bytes(rfc8785.dumps(forged))
    with pytest.raises(PurgeRefusedError, match="second person"):
        run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    with pytest.raises(PurgeRefusedError, match="second person"):
        approve(repository, frozen.folder, by="Carl")
    assert_untouched(repository, ONE)


def test_an_approval_of_another_plan_is_refused(repository, tmp_path):
    one = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path, claims=[ONE])
    two = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path, claims=[TWO])
    approve(repository, one.folder, by="Bob")
    (two.folder / APPROVAL).write_bytes((one.folder / APPROVAL).read_bytes())
    with pytest.raises(PurgeRefusedError, match="another plan"):
        run_plan(repository, SCHEDULE, two.folder, by="Ann")
    assert_untouched(repository, TWO)


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
def test_an_altered_plan_is_refused_whole(repository, tmp_path, edit, when):
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path)
    if when == "after approval":
        approve(repository, frozen.folder, by="Bob")
    path = frozen.folder / PLAN
    path.write_bytes(edit(path.read_bytes()))
    with pytest.raises(PurgeRefusedError):
        approve(repository, frozen.folder, by="Bob")
    with pytest.raises(PurgeRefusedError):
        run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    for claim in (ONE, TWO, ClaimId("NEW")):
        assert_untouched(repository, claim)


def test_a_folder_without_a_plan_is_bad_input(repository, tmp_path):
    with pytest.raises(BadInputError, match="no purge plan"):
        run_plan(repository, SCHEDULE, tmp_path / "nowhere", by="Ann")


def test_a_run_removes_every_copy_and_leaves_tombstone_certificate_and_custody(repository, tmp_path):
    frozen = approved(repository, tmp_path)
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert [p.claim for p in report.purged] == [ONE, TWO]
    assert report.refused == ()
    for claim in (ONE, TWO):
        assert repository.places[claim] == set()
        assert set(repository.tombstones[claim].photos) == set(repository.held_photos[claim])
        assert repository.events(claim) == {"purge_started": 1, "purged": 1}
    assert_untouched(repository, ClaimId("NEW"))
    entry = next(e for e in repository.entries if e.event == "purged" and e.claim == ONE)
    certificate = report.purged[0].certificate.read_bytes()
    assert entry.details["certificate"] == hashlib.sha256(certificate).hexdigest()
    assert (entry.details["planned_by"], entry.details["approved_by"]) == ("Ann", "Bob")


def test_the_bag_goes_last(repository, tmp_path):
    frozen = approved(repository, tmp_path)
    run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    of_one = repository.removed[:7]
    assert of_one[-1] == ArchiveBag(bag=ONE)
    assert [type(c) for c in of_one].count(ArchiveBag) == 1


def change_hold(repository):
    repository.known[ONE] = closed(ONE, holds=(a_hold(),))


def change_reopened(repository):
    changes = (*repository.known[ONE].history, StateChange(kind=ChangeKind.REOPENED, on=date(2026, 11, 24)))
    repository.known[ONE] = closed(ONE, history=changes)


def change_closing(repository):
    repository.known[ONE] = closed(ONE, on=date(2025, 1, 1))


def change_day(repository):
    repository.day = date(2020, 1, 1)


def change_more_photos(repository):
    repository.held_photos[ONE].append(digest(b"came later"))


def change_fewer_photos(repository):
    repository.held_photos[ONE].pop()


def change_new_copy(repository):
    repository.places[ONE].add(TargetBag(target="new", bag="HL-1"))


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
def test_a_claim_that_no_longer_matches_is_left_alone_and_reported(repository, tmp_path, change, reason):
    frozen = approved(repository, tmp_path)
    change(repository)
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    refused = next(r for r in report.refused if r.claim == ONE)
    assert reason in refused.reason
    assert not refused.begun
    assert_untouched(repository, ONE)
    assert repository.events(ONE) == {"purge_stopped": 1}
    if change is not change_day:
        assert [p.claim for p in report.purged] == [TWO]


def test_a_copy_that_is_gone_since_the_plan_is_no_hindrance(repository, tmp_path):
    frozen = approved(repository, tmp_path)
    repository.places[ONE] = {c for c in repository.places[ONE] if not isinstance(c, Thumbnail)}
    assert len(run_plan(repository, SCHEDULE, frozen.folder, by="Ann").purged) == 2


def test_a_hold_placed_while_copies_are_removed_stops_before_the_next_one(repository, tmp_path):
    frozen = approved(repository, tmp_path)
    planned = set(repository.places[ONE])

    def hold_after_two(method):
        if method == "remove" and len(repository.removed) == 2:
            change_hold(repository)

    repository.before = hold_after_two
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    refused = next(r for r in report.refused if r.claim == ONE)
    assert refused.begun
    assert len(planned - repository.places[ONE]) == 3, "the two before the hold, and the one under way"
    assert ArchiveBag(bag=ONE) in repository.places[ONE]
    assert ONE not in repository.tombstones
    repository.before = lambda _method: None
    repository.known[ONE] = closed(ONE)
    assert [p.claim for p in run_plan(repository, SCHEDULE, frozen.folder, by="Ann").purged] == [ONE, TWO]


def test_a_copy_that_cannot_be_removed_is_found_and_no_certificate_is_given(repository, tmp_path):
    repository.undeletable = {intake_object(b"front")}
    frozen = approved(repository, tmp_path)
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    refused = next(r for r in report.refused if r.claim == ONE)
    assert refused.left == (intake_object(b"front"),)
    assert "still there" in refused.reason
    assert ONE not in repository.tombstones
    assert len(list(frozen.folder.glob("certificate-*.txt"))) == 1
    repository.undeletable = set()
    assert len(run_plan(repository, SCHEDULE, frozen.folder, by="Ann").purged) == 2


def test_a_target_that_cannot_be_reached_stops_the_claim_before_anything_is_removed(repository, tmp_path):
    frozen = approved(repository, tmp_path)

    def unreachable(method):
        if method == "known_copies":
            raise DestinationError("target nas: not reachable.", "Connect it.")

    repository.before = unreachable
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert [r.begun for r in report.refused] == [False, False]
    assert repository.removed == []


def test_a_photo_that_another_claim_holds_stays_where_both_share_one_copy(repository, tmp_path):
    repository.add(closed("NEW", on=date(2026, 1, 1)), b"young", b"front")
    frozen = approved(repository, tmp_path)
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert len(report.purged) == 2
    assert intake_object(b"front") in repository.places[ClaimId("NEW")]
    assert intake_object(b"front") not in repository.removed
    text = report.purged[0].certificate.read_text()
    spared = text.split("Places that stay")[1]
    assert "originals in the intake area, 1" in spared
    assert "originals in the intake area, 1:" in text.split("Places emptied")[1].split("Places that stay")[0]


def test_two_claims_of_one_plan_that_share_a_photo_are_both_purged_whole(repository, tmp_path):
    repository.add(closed(TWO), b"roof", b"front")
    frozen = approved(repository, tmp_path)
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert [p.claim for p in report.purged] == [ONE, TWO]
    assert repository.places[ONE] == repository.places[TWO] == set()
    first, last = (one.certificate.read_text() for one in report.purged)
    assert "originals in the intake area, 1:" in first.split("Places emptied")[1].split("Places that stay")[0]
    assert "originals in the intake area, 1" in first.split("Places that stay")[1]
    assert "originals in the intake area, 2:" in last.split("Places emptied")[1].split("Places that stay")[0]


def test_a_claim_that_took_over_a_photo_since_the_plan_keeps_it(repository, tmp_path):
    frozen = approved(repository, tmp_path)
    repository.add(closed("NEW", on=date(2026, 1, 1)), b"front")
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert ONE in [p.claim for p in report.purged]
    assert intake_object(b"front") in repository.places[ClaimId("NEW")]


def test_a_run_killed_at_any_call_is_finished_by_the_next_run_and_nothing_is_done_twice(tmp_path):
    """Every call to the archive dies in turn, before or after its effect; the result is always the same."""
    for at in count(1):
        repository = MemoryRepository()
        repository.add(closed(ONE), b"front", b"back")
        repository.add(closed(TWO), b"roof", b"front")
        frozen = approved(repository, tmp_path / str(at))
        calls = count(1)

        def die(_method, calls=calls, at=at):
            if next(calls) == at:
                raise KilledError

        repository.before = die
        try:
            run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
            died = False
        except KilledError:
            died = True
        repository.before = lambda _method: None
        report = run_plan(repository, SCHEDULE, frozen.folder, by="Carl")
        assert [p.claim for p in report.purged] == [ONE, TWO], f"killed at call {at}"
        for claim in (ONE, TWO):
            assert repository.places[claim] == set()
            assert repository.events(claim) == {"purge_started": 1, "purged": 1}
            assert claim in repository.tombstones
        certificates = {p.name: p.read_bytes() for p in frozen.folder.glob("certificate-*")}
        run_plan(repository, SCHEDULE, frozen.folder, by="Dora")
        assert certificates == {p.name: p.read_bytes() for p in frozen.folder.glob("certificate-*")}
        if not died:
            break
    assert at > 30


def test_a_certificate_written_before_a_crash_stays_as_it_is_under_a_newer_program(
    repository, tmp_path, monkeypatch
):
    frozen = approved(repository, tmp_path)

    def die(method):
        if method == "record_tombstone":
            raise KilledError

    repository.before = die
    with pytest.raises(KilledError):
        run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    repository.before = lambda _method: None
    (written,) = frozen.folder.glob("certificate-*.txt")
    text = written.read_bytes()
    monkeypatch.setattr("evidence.retention.purge.certifying._tool", lambda: "a newer one 9.9")
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Carl")
    assert report.purged[0].certificate == written
    assert written.read_bytes() == text
    entry = next(e for e in repository.entries if e.event == "purged" and e.claim == ONE)
    assert entry.details["certificate"] == hashlib.sha256(text).hexdigest()


def test_a_plan_in_any_other_form_than_the_canonical_one_is_not_a_plan(repository, tmp_path):
    path = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path).folder / PLAN
    path.write_bytes(json.dumps(json.loads(path.read_bytes()), indent=1).encode())
    with pytest.raises(PurgeRefusedError, match="altered or is damaged"):
        load_plan(path.parent)


@pytest.mark.parametrize("cut", range(1, 60, 7))
def test_a_progress_line_that_a_crash_cut_short_does_not_count(repository, tmp_path, cut):
    frozen = approved(repository, tmp_path)
    run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    path = frozen.folder / PROGRESS
    path.write_bytes(path.read_bytes()[:-cut])
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert [p.claim for p in report.purged] == [ONE, TWO]
    assert all(json.loads(line) for line in path.read_bytes().splitlines()[-1:])


def test_a_run_that_an_older_program_began_is_finished(repository, tmp_path):
    """The progress lines are as that program wrote them; `spared` holds the certificate's lines as text."""
    frozen = approved(repository, tmp_path)
    stays = f"intake: {place_text(intake_object(b'back'))}"
    repository.places[ONE] = set()
    (frozen.folder / PROGRESS).write_text(
        '{"at":"2026-11-25T12:00:00Z","by":"Ann","claim":"HL-1","step":"started"}\n'
        f'{{"at":"2026-11-25T12:00:00Z","by":"Ann","claim":"HL-1","spared":["{stays}"],"step":"cleared"}}\n'
    )
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Carl")
    assert [p.claim for p in report.purged] == [ONE, TWO]
    text = report.purged[0].certificate.read_text()
    assert "Deleted and verified by Ann" in text
    emptied, rest = text.split("Places emptied")[1].split("Places that stay")
    assert "originals in the intake area, 1:" in emptied
    assert "originals in the intake area, 1" in rest


def test_a_photo_that_comes_after_a_broken_off_run_is_not_removed_with_the_rest(repository, tmp_path):
    frozen = approved(repository, tmp_path)

    def die(method):
        if method == "remove" and len(repository.removed) == 2:
            raise KilledError

    repository.before = die
    with pytest.raises(KilledError):
        run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    repository.before = lambda _method: None
    change_more_photos(repository)
    before = len(repository.removed)
    refused = run_plan(repository, SCHEDULE, frozen.folder, by="Ann").refused[0]
    assert refused.begun
    targets = [c for c in repository.removed[before:] if isinstance(c, TargetBag)]
    assert targets == [TargetBag(target="nas", bag=f"{TWO}/{digest(b'roof')[:8]}")], "only the other claim's"


def test_a_purged_claim_cannot_be_purged_by_a_second_plan(repository, tmp_path):
    first, second = approved(repository, tmp_path / "a"), approved(repository, tmp_path / "b")
    assert first.digest != second.digest, "each has its own salt"
    repository.day = date(2026, 11, 26)
    other = make_plan(repository, SCHEDULE, by="Carl", plans_folder=tmp_path / "c")
    approve(repository, other.folder, by="Bob")
    run_plan(repository, SCHEDULE, first.folder, by="Ann")
    assert {r.claim for r in run_plan(repository, SCHEDULE, second.folder, by="Ann").refused} == {ONE, TWO}
    report = run_plan(repository, SCHEDULE, other.folder, by="Ann")
    assert {r.claim for r in report.refused} == {ONE, TWO}
    assert repository.events(ONE)["purged"] == 1


def test_the_certificate_says_what_was_done_by_whom_and_on_what_authority(repository, tmp_path):
    frozen = approved(repository, tmp_path)
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Carl")
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
    lines = "".join(f"{photo}\n" for photo in sorted(repository.held_photos[ONE]))
    assert hashlib.sha256(lines.encode()).hexdigest() in text
    assert not any(photo in text for photo in repository.held_photos[ONE])


def test_a_claim_number_cannot_forge_a_line_of_the_certificate(tmp_path):
    repository = MemoryRepository()
    repository.add(closed("X\nApproved by Eve"), b"one")
    frozen = approved(repository, tmp_path)
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    lines = report.purged[0].certificate.read_text().splitlines()
    assert not [line for line in lines if line.startswith("Approved by Eve")]


def test_over_real_folders_no_byte_of_a_purged_claim_is_left_and_the_neighbour_is_whole(tmp_path):
    repository = FolderRepository(tmp_path)
    repository.file(closed("HL-1"), {"DSC00001.JPG": b"front", "DSC00002.JPG": b"shared"})
    repository.file(
        closed("HL-9", on=date(2026, 1, 1)), {"DSC00001.JPG": b"other", "DSC00002.JPG": b"shared"}
    )
    neighbour = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file() and "HL-9" in p.parts}
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path / "purges")
    approve(repository, frozen.folder, by="Bob")
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert report.refused == ()
    left = [p for p in tmp_path.rglob("*") if p.is_file() and "purges" not in p.parts]
    assert not [p for p in left if p.read_bytes().endswith(b"front")]
    assert not [p for p in left if "HL-1" in p.parts]
    assert neighbour == {p: p.read_bytes() for p in neighbour}
    assert (tmp_path / "intake" / digest(b"shared")).exists()
    assert [e["event"] for e in repository.logged()] == [
        "purge_planned",
        "purge_approved",
        "purge_started",
        "purged",
    ]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork a process to kill")
@pytest.mark.parametrize("call", range(1, 40, 3))
def test_over_real_folders_a_killed_run_is_finished_by_the_next_one(tmp_path, call):
    repository = FolderRepository(tmp_path)
    repository.file(closed("HL-1"), {"DSC00001.JPG": b"front", "DSC00002.JPG": b"shared"})
    repository.file(closed("HL-2"), {"DSC00001.JPG": b"roof", "DSC00002.JPG": b"shared"})
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path / "purges")
    approve(repository, frozen.folder, by="Bob")
    child = os.fork()
    if child == 0:
        run_plan(DyingRepository(tmp_path, repository.index, call), SCHEDULE, frozen.folder, by="Ann")
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
    again = FolderRepository(tmp_path)
    again.index = repository.index
    assert [p.claim for p in run_plan(again, SCHEDULE, frozen.folder, by="Carl").purged] == ["HL-1", "HL-2"]
    assert [p for p in tmp_path.rglob("*") if "HL-1" in p.parts or "HL-2" in p.parts] == []
    assert list((tmp_path / "intake").iterdir()) == list((tmp_path / "thumbs").iterdir()) == []
    events = Counter((e["event"], e["claim"]) for e in again.logged() if e["claim"])
    assert events == {(e, c): 1 for e in ("purge_started", "purged") for c in ("HL-1", "HL-2")}


@pytest.mark.parametrize(
    "leftover", ["unsorted/DSC00001.JPG.part", "target_b/lost+found/0001", "claims/.HL-1.old/data/a.jpg"]
)
def test_a_forgotten_copy_that_only_the_search_finds_stops_the_certificate(tmp_path, leftover):
    repository = FolderRepository(tmp_path)
    repository.file(closed("HL-1"), {"DSC00001.JPG": b"front"})
    path = tmp_path / leftover
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"front")
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path / "purges")
    approve(repository, frozen.folder, by="Bob")
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert report.refused[0].left == (Stray(path=leftover),)
    assert list(frozen.folder.glob("certificate-*")) == []
    path.unlink()
    assert [p.claim for p in run_plan(repository, SCHEDULE, frozen.folder, by="Ann").purged] == ["HL-1"]


def test_the_frozen_moment_has_whole_seconds_in_utc(repository, tmp_path):
    assert make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path).plan.made == NOON


# --- quarantine ---------------------------------------------------------------------------

TERMS = PlanTerms(quarantine_days=14, approval_days=30)


def quarantined(repository, tmp_path):
    """An approved plan with a quarantine of 14 days, run once."""
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path, terms=TERMS)
    approve(repository, frozen.folder, by="Bob")
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert {one.claim for one in report.quarantined} == {ONE, TWO}
    return frozen


def test_a_run_moves_copies_aside_and_only_a_run_after_its_days_deletes_them(repository, tmp_path):
    before = {claim: set(repository.places[claim]) for claim in (ONE, TWO)}
    frozen = quarantined(repository, tmp_path)
    assert repository.aside == before
    assert repository.places[ONE] == set()
    assert {ONE, TWO} == repository.counted
    assert not repository.tombstones
    repository.later = timedelta(days=14) - timedelta(seconds=1)
    early = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert {one.until for one in early.quarantined} == {NOON + timedelta(days=14)}
    assert repository.aside == before
    repository.later = timedelta(days=14)
    assert [one.claim for one in run_plan(repository, SCHEDULE, frozen.folder, by="Carl").purged] == [
        ONE,
        TWO,
    ]
    assert not any(repository.aside.values())
    assert repository.events(ONE) == {"purge_started": 1, "purged": 1}
    text = next(frozen.folder.glob("certificate-*.txt")).read_text()
    assert "Quarantine:   moved aside at 2026-11-25 12:00:00 UTC" in text


def test_undo_brings_every_copy_back_and_the_plan_is_spent(repository, tmp_path):
    before = {claim: set(repository.places[claim]) for claim in (ONE, TWO)}
    frozen = quarantined(repository, tmp_path)
    assert undo_plan(repository, frozen.folder, by="Dora").claims == (ONE, TWO)
    assert {claim: repository.places[claim] for claim in (ONE, TWO)} == before
    assert not repository.counted
    assert repository.events(ONE) == {"purge_started": 1, "purge_undone": 1}
    repository.later = timedelta(days=20)
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert ["took this purge back" in one.reason for one in report.refused] == [True, True]
    assert undo_plan(repository, frozen.folder, by="Dora").claims == ()
    assert {claim: repository.places[claim] for claim in (ONE, TWO)} == before


def test_a_purge_cannot_be_taken_back_once_copies_are_deleted(repository, tmp_path):
    frozen = quarantined(repository, tmp_path)
    repository.later = timedelta(days=14)
    run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    with pytest.raises(PurgeRefusedError, match="deleted already"):
        undo_plan(repository, frozen.folder, by="Ann")


@pytest.mark.parametrize("change", [change_hold, change_reopened])
@pytest.mark.parametrize("days", [3, 20])
def test_a_claim_that_may_no_longer_be_purged_comes_back_from_quarantine(repository, tmp_path, change, days):
    before = set(repository.places[ONE])
    frozen = quarantined(repository, tmp_path)
    change(repository)
    repository.later = timedelta(days=days)
    (refused,) = run_plan(repository, SCHEDULE, frozen.folder, by="Ann").refused
    assert (refused.claim, refused.begun) == (ONE, False)
    assert "every copy was brought back" in refused.reason
    assert repository.places[ONE] == before
    assert ONE not in repository.counted


def test_an_approval_expires_but_not_for_copies_that_are_in_quarantine_already(repository, tmp_path):
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path / "a", terms=TERMS)
    approve(repository, frozen.folder, by="Bob")
    repository.later = timedelta(days=30, seconds=1)
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert ["has expired after 30 days" in one.reason for one in report.refused] == [True, True]
    assert_untouched(repository, ONE)
    repository.later = timedelta(0)
    begun = quarantined(repository, tmp_path / "b")
    repository.later = timedelta(days=40)
    assert len(run_plan(repository, SCHEDULE, begun.folder, by="Ann").purged) == 2


def test_a_target_that_is_away_is_owed_and_one_that_went_away_since_the_plan_stops_it(repository, tmp_path):
    gone = OwedCopies(
        target="nas", place="nas", state="away", since="2026-11-25", reason="not connected", by="Ann", files=2
    )
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path / "a", terms=TERMS)
    approve(repository, frozen.folder, by="Bob")
    repository.away = {ONE: [gone]}
    (refused,) = run_plan(repository, SCHEDULE, frozen.folder, by="Ann").refused
    assert "was there when the plan was made and is away now" in refused.reason
    assert_untouched(repository, ONE)
    other = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path / "b", claims=[ONE], terms=TERMS)
    approve(repository, other.folder, by="Bob")
    run_plan(repository, SCHEDULE, other.folder, by="Ann")
    repository.later = timedelta(days=14)
    (purged,) = run_plan(repository, SCHEDULE, other.folder, by="Ann").purged
    assert "target nas, away since 2026-11-25" in purged.owed[0]
    assert "STILL OWED" in purged.certificate.read_text()


@pytest.mark.parametrize("ending", ["purge", "undo"])
def test_killed_at_any_call_a_quarantine_is_finished_or_taken_back(tmp_path, ending):
    for at in count(1):
        repository = MemoryRepository()
        repository.add(closed(ONE), b"front", b"back")
        before = set(repository.places[ONE])
        frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path / str(at), terms=TERMS)
        approve(repository, frozen.folder, by="Bob")
        calls = count(1)

        def die(_method, calls=calls, at=at):
            if next(calls) == at:
                raise KilledError

        def work(repository=repository, frozen=frozen):
            run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
            if ending == "undo":
                undo_plan(repository, frozen.folder, by="Ann")
            repository.later = timedelta(days=14)
            return run_plan(repository, SCHEDULE, frozen.folder, by="Ann")

        repository.before = die
        try:
            work()
            died = False
        except KilledError:
            died = True
        repository.before = lambda _method: None
        if ending == "undo":
            undo_plan(repository, frozen.folder, by="Carl")
            assert repository.places[ONE] == before, f"killed at call {at}"
            assert not repository.counted
        else:
            assert [one.claim for one in work().purged] == [ONE], f"killed at call {at}"
            assert repository.events(ONE) == {"purge_started": 1, "purged": 1}
        if not died:
            break
    assert at > 15


@pytest.mark.parametrize(
    ("planner", "approver", "refused"),
    [
        (("Ann", True), ("Ann", True), True),
        (("Ann Lee", True), ("Ann Lea", True), False),
        (("Ann", True), ("ANN", False), True),
        (("Ann", False), ("\u0410nn", True), True),
    ],
)
def test_two_logins_are_compared_by_their_rows_and_typed_names_by_how_they_look(
    repository, tmp_path, planner, approver, refused
):
    frozen = make_plan(repository, SCHEDULE, by=planner[0], logged_in=planner[1], plans_folder=tmp_path)
    try:
        approve(repository, frozen.folder, by=approver[0], logged_in=approver[1])
        got = False
    except PurgeRefusedError:
        got = True
    assert got is refused


@pytest.mark.parametrize("logged_in", [True, False])
def test_the_certificate_says_whether_the_people_logged_in(repository, tmp_path, logged_in):
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path, logged_in=logged_in)
    approve(repository, frozen.folder, by="Bob", logged_in=logged_in)
    report = run_plan(repository, SCHEDULE, frozen.folder, by="Ann", logged_in=logged_in)
    assert ("ON TRUST" in report.purged[0].certificate.read_text()) is not logged_in


def test_the_certificate_is_a_page_to_print_with_the_digest_of_its_text(repository, tmp_path, monkeypatch):
    monkeypatch.setattr(certificate_page, "certificate_pdf", certificate_pdf)
    report = run_plan(repository, SCHEDULE, approved(repository, tmp_path).folder, by="Ann")
    path = report.purged[0].certificate
    assert path.with_suffix(".pdf").read_bytes().startswith(b"%PDF-")
    printed = " ".join(page.extract_text() for page in pypdf.PdfReader(path.with_suffix(".pdf")).pages)
    assert hashlib.sha256(path.read_bytes()).hexdigest() in printed
    assert f"{report.purged[0].claim}" in printed


def test_after_the_purge_the_plan_still_verifies_and_names_no_file_and_no_bag(repository, tmp_path):
    frozen = approved(repository, tmp_path)
    run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert load_plan(frozen.folder).digest == frozen.digest
    assert [one.thinned for one in load_plan(frozen.folder).plan.claims] == [True, True]
    everything = b"".join(path.read_bytes() for path in frozen.folder.iterdir())
    for sha in repository.held_photos[ONE]:
        assert sha.encode() not in everything


def test_a_purge_removes_the_details_of_its_claims_from_plans_that_were_never_run(repository, tmp_path):
    never_run = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path, claims=[ONE])
    killed = tmp_path / "20260101T000000Z-0123456789ab"
    killed.mkdir()
    for name in (details_path(killed, ONE).name, f"{details_path(killed, ONE).name}.part"):
        (killed / name).write_bytes(details_path(never_run.folder, ONE).read_bytes())
    repository.later = timedelta(minutes=1)
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path, claims=[ONE])
    approve(repository, frozen.folder, by="Bob")
    run_plan(repository, SCHEDULE, frozen.folder, by="Ann")
    assert list(tmp_path.glob("*/details-*")) == []
    approve(repository, never_run.folder, by="Bob")
    assert [one.claim for one in run_plan(repository, SCHEDULE, never_run.folder, by="Ann").refused] == [ONE]


def test_details_of_another_claim_are_refused(repository, tmp_path):
    frozen = make_plan(repository, SCHEDULE, by="Ann", plans_folder=tmp_path)
    details_path(frozen.folder, ONE).write_bytes(details_path(frozen.folder, TWO).read_bytes())
    with pytest.raises(PurgeRefusedError, match="altered or is damaged"):
        load_plan(frozen.folder)
