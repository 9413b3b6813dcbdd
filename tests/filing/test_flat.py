"""Filing and backing up one claim is the same work in an archive of any size."""

from __future__ import annotations

from support_size import add_claim, counted, file_and_back_up, intake_of, new_archive

CHANCE = 10
"""Folders and lock files are named by digests, so a claim may need a few more of them or fewer; 45 claims are more."""


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


def test_ten_times_the_claims_are_no_more_statements_files_or_folders(tmp_path, other_disk):
    small, large = (work_of_one_more(tmp_path / f"{claims}", other_disk, claims) for claims in (5, 50))
    assert large.statements <= small.statements
    assert large.opened < small.opened + CHANCE
    assert large.listed < small.listed + CHANCE
