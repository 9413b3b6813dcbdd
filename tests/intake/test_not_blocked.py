"""Nobody waits for an intake or a purge that runs: holds and corrections take effect at once.

The other process is stopped meanwhile, so a wait for it would end as an error: no test needs a clock.
"""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable
from datetime import UTC, datetime

import bagit
import pytest
from support_card import CardMaker
from support_cli import cli
from support_intake import actions, at_home, bags_of, filed, taken_in, today, with_target

from evidence.analysis import refresh, splitting, tagging
from evidence.archive import bags
from evidence.archive.targets import FolderTarget
from evidence.errors import LockedError
from evidence.filing.bags import bag_folder
from evidence.intake import copy_card
from evidence.intake.describe import Describing
from evidence.intake.entering import Entering
from evidence.model import ClaimId, Facet, Source
from evidence.office import purge_repository, purging
from evidence.office.holds import place_hold
from evidence.office.retention import facts_of
from evidence.review import placing
from evidence.review.tagging import tag

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")

FIRST, SECOND = ClaimId("TC-1001"), ClaimId("TC-1002")


class Stopped:
    """A process that runs `work` and is stopped (SIGSTOP) at the `number`th call of a function."""

    def __init__(self, owner: object, name: str, work: Callable[[], None], *, number: int = 1) -> None:
        self.pid = os.fork()
        if self.pid == 0:
            try:
                _stop_at(owner, name, number)
                work()
                os._exit(0)
            except BaseException as trouble:
                os.write(2, f"{trouble!r}\n".encode())
                os._exit(1)
        _, status = os.waitpid(self.pid, os.WUNTRACED)
        assert os.WIFSTOPPED(status), "the work ended before it came to this step"

    def finish(self) -> int:
        os.kill(self.pid, signal.SIGCONT)
        return os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])


def _stop_at(owner: object, name: str, number: int) -> None:
    real, calls = getattr(owner, name), [0]

    def stopping(*given, **more):
        calls[0] += 1
        if calls[0] == number:
            os.kill(os.getpid(), signal.SIGSTOP)
        return real(*given, **more)

    setattr(owner, name, stopping)


@pytest.fixture
def next_card(tmp_path):
    card = CardMaker(tmp_path / "next", serial="TC-0002", seed=800, number=60)
    card.wait(days=1)
    card.sheet("TC-1003")
    card.scene()
    card.scene()
    return card.root


@pytest.mark.parametrize(
    ("owner", "name"),
    [
        (copy_card, "copy_in"),
        (Describing, "finish"),
        (splitting, "plan_day"),
        (tagging, "tag_claim"),
        (bags, "assemble"),
        (FolderTarget, "put_bag"),
    ],
    ids=["copying", "looking", "splitting", "tagging", "filing", "backing up"],
)
def test_a_hold_and_a_correction_take_effect_while_an_intake_is_stopped(
    houses, other_disk, next_card, owner, name
):
    with_target(houses, other_disk)
    stopped = Stopped(owner, name, lambda: taken_in(houses, next_card))
    try:
        with at_home(houses) as workspace:
            number = place_hold(workspace, FIRST, reason="suit filed")
            assert [one.name for one in facts_of(workspace, FIRST).holds] == [f"hold {number}"]
            photo = workspace.catalog.photos.of_claim(SECOND)[1].sha256
            placing.move(workspace, [photo], FIRST)
            assert {record.claim for record in workspace.catalog.photos.records([photo])} == {FIRST}
    finally:
        assert stopped.finish() == 0
    with at_home(houses) as workspace:
        assert len(facts_of(workspace, FIRST).holds) == 1
        assert workspace.catalog.keeping.dirty() == []
        said = json.loads((bag_folder(workspace, FIRST) / "records" / "claim.json").read_text())
        assert [one["reason"] for one in said["holds"]] == ["suit filed"]
        assert photo in workspace.catalog.keeping.payload(FIRST)
    assert len(filed(houses)) == 12
    assert "hold_placed" in actions(houses)
    assert cli("verify", archive=houses).status in (0, 1), "the target follows with the next backup"
    assert cli("backup", archive=houses).status == 0
    for bag in bags_of(houses):
        bagit.Bag(str(other_disk / bag.name)).validate()


@pytest.fixture
def more_of_the_first(tmp_path):
    """A card of the next day with two more photos of the first claim."""
    card = CardMaker(tmp_path / "more", serial="TC-0004", seed=950, number=90)
    card.wait(days=1)
    card.sheet(FIRST)
    card.scene()
    card.scene()
    return card.root


def test_what_a_person_states_while_an_intake_tags_the_same_claim_is_kept(houses, more_of_the_first):
    stopped = Stopped(tagging, "tag_claim", lambda: taken_in(houses, more_of_the_first))
    try:
        with at_home(houses) as workspace:
            photo = workspace.catalog.photos.of_claim(FIRST)[1].sha256
            tag(workspace, [photo], {Facet.FACE: "front"})
    finally:
        assert stopped.finish() == 0
    with at_home(houses) as workspace:
        assert len(workspace.catalog.photos.of_claim(FIRST)) == 8
        stated = workspace.catalog.photos.by_person([photo])[photo][Facet.FACE]
        assert (stated.value, stated.source) == ("front", Source.PERSON)
        assert refresh.retag(workspace, [FIRST, SECOND, None]).touched == frozenset()
    assert len(filed(houses)) == 12


def test_an_intake_that_is_overtaken_each_time_computes_with_the_archive_locked_at_last(
    houses, more_of_the_first, monkeypatch
):
    """Each time that the intake has computed, a person states something; the fourth time nobody can."""
    real, moments = refresh._plan, []

    def overtaken(workspace, digests):
        made = real(workspace, digests)
        with at_home(houses, "Tess Field") as other:
            try:
                with other.locked(wait=False):
                    moments.append("free")
            except LockedError:
                moments.append("locked")
                return made
            photo = other.catalog.photos.of_claim(FIRST)[1].sha256
            tag(other, [photo], {Facet.FACE: ["front", "left", "rear"][len(moments) - 1]})
        return made

    monkeypatch.setattr(refresh, "_plan", overtaken)
    taken_in(houses, more_of_the_first)
    assert moments == ["free", "free", "free", "locked"]
    with at_home(houses) as workspace:
        photo = workspace.catalog.photos.of_claim(FIRST)[1].sha256
        assert workspace.catalog.photos.by_person([photo])[photo][Facet.FACE].value == "rear"
    assert len(filed(houses)) == 12


def test_a_second_intake_does_not_wait_for_one_that_is_stopped(houses, next_card, tmp_path):
    other = CardMaker(tmp_path / "other", serial="TC-0003", seed=900, number=80)
    other.wait(days=2)
    other.sheet("TC-1002")
    other.scene()
    stopped = Stopped(Describing, "finish", lambda: taken_in(houses, next_card))
    try:
        report = taken_in(houses, other.root)
        assert (report.kept, [one.claim for one in report.claims]) == (2, ["TC-1002"])
        assert len(filed(houses)) == 11, "the photos of the other intake are left to it"
    finally:
        assert stopped.finish() == 0
    assert len(filed(houses)) == 14


def test_a_hold_stops_a_purge_before_its_next_removal(houses, other_disk):
    with_target(houses, other_disk)
    assert cli("backup", archive=houses).status == 0
    assert cli("close", FIRST, "--on", "2026-05-20", archive=houses).status == 0
    assert cli("backup", archive=houses).status == 0
    later = datetime(2046, 6, 1, tzinfo=UTC)
    with at_home(houses, now=later) as workspace:
        plan = purging.plan_purge(workspace, [FIRST], confirmed=today(workspace)).plan
        purging.approve_purge(workspace.acting_as("Ben Witness"), plan)

    def work():
        with at_home(houses, now=later) as workspace:
            report = purging.run_purge(workspace, plan, confirmed=today(workspace))
            assert [(one.claim, one.begun) for one in report.refused] == [(FIRST, True)], report
            assert "suit filed" in report.refused[0].reason

    stopped = Stopped(purge_repository.ArchiveRepository, "removing", work, number=2)
    try:
        with at_home(houses, now=later) as workspace:
            place_hold(workspace, FIRST, reason="suit filed")
    finally:
        assert stopped.finish() == 0
    with at_home(houses) as workspace:
        assert len(facts_of(workspace, FIRST).holds) == 1
        held = set(workspace.catalog.keeping.payload(FIRST))
    assert held <= set(filed(houses)), "the archive's own bag is removed last"


def test_photos_that_a_purge_removed_during_an_intake_of_the_same_card_are_copied_again(
    houses, two_houses_taken_in
):
    assert cli("close", FIRST, "--on", "2026-05-20", archive=houses).status == 0
    later = datetime(2046, 6, 1, tzinfo=UTC)
    card = two_houses_taken_in[1].root
    stopped = Stopped(Entering, "_enter", lambda: taken_in(houses, card))
    try:
        with at_home(houses, now=later) as workspace:
            plan = purging.plan_purge(workspace, [FIRST], confirmed=today(workspace)).plan
            purging.approve_purge(workspace.acting_as("Ben Witness"), plan)
            assert purging.run_purge(workspace, plan, confirmed=today(workspace)).refused == ()
    finally:
        assert stopped.finish() == 0
    assert len(filed(houses)) == 9
    assert cli("verify", archive=houses).status == 0
