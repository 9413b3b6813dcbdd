"""Faults that once lost, blocked or left something, each by the step at which it struck."""

from __future__ import annotations

from fnmatch import fnmatch

import pytest
from fault_disk import FaultKind
from fault_trials import Bench, Trial


def trials_at(here: Bench, scenario: str, kind: FaultKind, step: str) -> list[Trial]:
    """The trials of one kind whose fault strikes at events like `step`, for example `rename archive/thumbnails/*`."""
    found = [one for one in here.trials(scenario, kind) if fnmatch(here.event_of(one), step)]
    assert found, f"{scenario} has no event like {step}"
    return found


def all_clean(here: Bench, trials: list[Trial], *, most: int = 2) -> None:
    """At most so many of the trials, spread evenly: `run_all.py` runs every one."""
    stride = -(-len(trials) // most)
    for trial in trials[::stride]:
        outcome = here.run(trial)
        assert outcome.clean, outcome.text()


@pytest.mark.parametrize(
    ("scenario", "step"),
    [
        ("backup", "read archive/custody/custody.jsonl"),
        ("move", "read archive/custody/custody.jsonl.head"),
        ("purge", "read archive/claims/*/records/photos.json"),
        ("purge", "read archive/claims/*/bagit.txt"),
    ],
)
def test_a_read_error_ends_in_one_line_and_the_next_run_finishes(here, scenario, step):
    all_clean(here, trials_at(here, scenario, FaultKind.UNREADABLE, step))


def test_a_photo_that_could_not_be_read_for_the_analysis_is_analysed_by_the_next_run(here):
    steps = trials_at(here, "intake", FaultKind.UNREADABLE, "read archive/intake/??/*.jpg")
    all_clean(here, steps, most=3)


def test_a_killed_thumbnail_leaves_no_part_file(here):
    all_clean(here, trials_at(here, "intake", FaultKind.KILL, "rename archive/thumbnails/*"))


def test_what_a_move_left_of_the_old_bag_at_a_power_cut_is_removed_by_the_next_backup(here):
    all_clean(here, trials_at(here, "move", FaultKind.POWER, "mkdir archive/claims/.TC-????_*.next"))


@pytest.mark.parametrize("scenario", ["older-purge", "older-moved-purge"])
def test_a_purged_claim_that_an_older_target_brings_back_is_removed_there(here, scenario):
    all_clean(here, here.trials(scenario, FaultKind.OLDER))


def test_a_power_cut_after_a_target_was_replaced_does_not_block_the_next_replacement(here):
    steps = trials_at(here, "target-replace", FaultKind.POWER, "*")
    after = [one for one in steps if " target2/" in here.event_of(one)]
    all_clean(here, after)


def test_a_power_cut_during_a_purge_brings_no_thumbnail_back(here):
    steps = trials_at(here, "purge", FaultKind.POWER, "* archive/purges/*/progress.jsonl")
    all_clean(here, steps, most=4)


@pytest.mark.parametrize("step", ["write restored/claims/*/claim.json*", "write restored/custody/*"])
def test_a_restore_that_is_cut_in_the_middle_of_a_write_is_continued(here, step):
    all_clean(here, trials_at(here, "restore", FaultKind.TORN, step))


def test_a_power_cut_during_a_restore_leaves_no_piece_of_a_file_in_a_bag(here):
    all_clean(here, trials_at(here, "restore", FaultKind.POWER, "create restored/records/*"))
    all_clean(here, trials_at(here, "restore", FaultKind.POWER, "* target/archive/*"))


def test_a_kill_between_a_new_key_and_its_entry_leaves_no_head_that_counts_as_forged(here):
    steps = trials_at(here, "restore", FaultKind.KILL, "write restored/custody/custody.jsonl")
    all_clean(here, steps[-4:])


def test_a_power_cut_during_a_repair_leaves_no_part_file(here):
    all_clean(here, trials_at(here, "repair", FaultKind.POWER, "write archive/custody/custody.jsonl"))


def test_a_disk_that_fills_while_the_log_is_written_leaves_no_piece_of_a_line_at_the_target(here):
    all_clean(here, trials_at(here, "move", FaultKind.FULL, "write archive/custody/custody.jsonl")[:2])


@pytest.mark.parametrize("kind", [FaultKind.FULL, FaultKind.TORN])
def test_a_target_of_which_the_mark_was_written_by_half_is_prepared_by_the_next_run(here, kind):
    all_clean(here, trials_at(here, "target-replace", kind, "write target2/backup-target.json*"))


@pytest.mark.parametrize("scenario", ["backup", "repair"])
def test_a_target_that_wrote_the_log_wrongly_is_not_taken_for_a_later_state(here, scenario):
    all_clean(here, trials_at(here, scenario, FaultKind.LIE, "write target/archive/custody/custody.jsonl"))


@pytest.mark.parametrize("name", ["how_to_check.txt", "bag-info.txt", "tagmanifest-sha256.txt"])
def test_a_target_that_writes_a_record_of_a_bag_wrongly_is_found_at_once(here, name):
    all_clean(here, trials_at(here, "backup", FaultKind.LIE, f"write target/.*.next/*{name}")[:1])


@pytest.mark.parametrize("name", ["manifest-sha256.txt", "manifests/*"])
def test_a_restore_brings_the_settings_back_though_a_list_of_files_cannot_be_read(here, name):
    all_clean(here, trials_at(here, "restore", FaultKind.UNREADABLE, f"read target/archive/{name}"))


def test_a_disk_that_fills_during_the_backup_after_a_restore_leaves_no_part_file(here):
    all_clean(here, trials_at(here, "restore", FaultKind.FULL, "write target/archive/records/claims/*.part"))


@pytest.mark.parametrize("step", ["read archive/claims/.*.next/manifest-*", "read target/.*.next/manifest-*"])
def test_a_manifest_that_cannot_be_read_after_an_exchange_leaves_no_strays(here, step):
    all_clean(here, trials_at(here, "move", FaultKind.UNREADABLE, step))


def test_a_power_cut_after_the_analysis_leaves_the_folder_of_thumbnails(here):
    all_clean(here, trials_at(here, "intake", FaultKind.POWER, "mkdir archive/sidecars"))


def test_a_manifest_that_a_target_could_not_read_makes_no_strays_of_sidecars(here):
    all_clean(
        here, trials_at(here, "undo", FaultKind.UNREADABLE, "read target/TC-????_*/manifest-sha256.txt")
    )


@pytest.mark.parametrize("scenario", ["target-lost", "purge", "purge-undo"])
def test_a_last_entry_of_the_log_that_a_target_wrote_wrongly_does_not_block_it(here, scenario):
    all_clean(here, trials_at(here, scenario, FaultKind.LIE, "write target/archive/custody/custody.jsonl"))


def test_texts_that_a_restore_could_not_read_stay_at_the_target(here):
    step = "read target/archive/custody/custody-texts/*.jsonl"
    all_clean(here, trials_at(here, "restore", FaultKind.UNREADABLE, step))


def test_a_declaration_that_a_target_could_not_read_makes_no_strays(here):
    all_clean(here, trials_at(here, "move", FaultKind.UNREADABLE, "read target/TC-1001_*/bagit.txt"))


def test_a_sound_note_that_could_not_be_read_at_first_follows_its_photo(here):
    all_clean(here, trials_at(here, "intake", FaultKind.UNREADABLE, "read card/DCIM/*/TEST0003.WAV"))


def test_a_manifest_written_by_half_at_a_target_leaves_no_part_file(here):
    step = "write target/archive/manifests/records-claims-*.next.txt.part"
    all_clean(here, trials_at(here, "purge-undo", FaultKind.TORN, step), most=1)


def test_a_page_of_a_card_that_was_killed_halfway_leaves_no_part_file(here):
    all_clean(here, trials_at(here, "intake", FaultKind.KILL, "* archive/cards/*.part"))


def test_a_sheet_that_could_not_be_read_at_first_leaves_no_empty_bag_of_unassigned_photos(here):
    all_clean(here, trials_at(here, "intake", FaultKind.UNREADABLE, "read card/DCIM/*/TEST0001.JPG"), most=2)


def test_a_restored_manifest_that_could_not_be_read_at_first_is_no_finding_of_the_next_restore(here):
    step = "read restored/claims/TC-1001_*/manifest-sha256.txt"
    all_clean(here, trials_at(here, "restore", FaultKind.UNREADABLE, step))
