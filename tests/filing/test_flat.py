"""Filing and backing up one claim is the same work in an archive of any size."""

from __future__ import annotations

from support_size import add_claim, claim_of, counted, file_and_back_up, intake_of, new_archive

from evidence.filing.card_safety import judge_cards
from evidence.filing.record_files import keep_records
from evidence.filing.verify import Budget, verify
from evidence.office.holds import place_hold

CHANCE = 10
"""Folders and lock files are named by digests, so a claim may need a few more of them or fewer; 25 claims are more."""


def work_of_one_more(folder, other_disk, claims):
    """The work of one more claim of two photos, each with its sidecar, in an archive of so many; two targets."""
    disks = [other_disk / folder.name, folder / "second"]
    for disk in disks:
        disk.mkdir(parents=True)
    workspace = new_archive(folder, claims, disks)
    try:
        for number in range(claims):
            add_claim(workspace, number, photos=2)
        assert file_and_back_up(workspace, intake_of(0)).copied == 8 * claims
        add_claim(workspace, claims, photos=2)
        with counted(workspace) as work:
            report = file_and_back_up(workspace, intake_of(claims))
        assert (report.copied, report.compared) == (8, 2)
        return work
    finally:
        workspace.close()


def test_six_times_the_claims_are_no_more_statements_files_or_folders(tmp_path, other_disk):
    small, large = (work_of_one_more(tmp_path / f"{claims}", other_disk, claims) for claims in (5, 30))
    assert large.statements <= small.statements
    assert large.opened < small.opened + CHANCE
    assert large.listed < small.listed + CHANCE


def files_opened(folder, other_disk, claims):
    """Files that a hold, the verdicts on cards and a short check open in an archive of so many claims."""
    disk = other_disk / f"held {claims}"
    disk.mkdir()
    workspace = new_archive(folder / f"held {claims}", claims, [disk])
    try:
        for number in range(claims):
            add_claim(workspace, number, photos=2)
        assert file_and_back_up(workspace, intake_of(0)).copied == 4 * claims
        judge_cards(workspace)
        keep_records(workspace)  # of the cards that were just judged
        opened = []
        for work in (
            lambda: place_hold(workspace, claim_of(0), reason="suit filed"),
            lambda: judge_cards(workspace),
            lambda: verify(workspace, budget=Budget(octets=1)),
        ):
            with counted(workspace) as count:
                work()
            opened.append(count.opened)
        return opened
    finally:
        workspace.close()


def test_a_hold_the_verdicts_on_cards_and_a_short_check_open_no_file_of_other_claims(tmp_path, other_disk):
    few, many = (files_opened(tmp_path, other_disk, claims) for claims in (5, 30))
    assert all(more < less + CHANCE for less, more in zip(few, many, strict=True)), (few, many)
