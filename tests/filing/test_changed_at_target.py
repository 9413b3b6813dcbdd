"""A backup compares only what is due; what else changed at a target is found by verify, or by the target's head."""

from __future__ import annotations

import hashlib
import json
import shutil

from support_cli import cli
from support_copy import copy_tree
from support_intake import filed, holding


def bag_at(target, claim):
    return next(target.glob(f"{claim}*"))


def backup(archive):
    ran = cli("backup", "--json", archive=archive)
    assert ran.status == 0, ran.out
    return ran.data


def test_a_second_backup_compares_no_bag_and_says_so(backed_up):
    archive, _ = backed_up
    again = backup(archive)
    assert (again["copied"], again["unchanged"], again["compared"]) == (0, 0, 0)
    assert "no bag has changed since the last backup" in cli("backup", archive=archive).out


def test_a_bag_that_was_removed_at_the_target_is_found_by_verify_and_copied_again(backed_up):
    archive, target = backed_up
    shutil.rmtree(bag_at(target, "TC-1001"))
    assert backup(archive)["compared"] == 0
    assert cli("verify", archive=archive).status != 0
    again = backup(archive)
    assert again["compared"] == 1
    assert len(holding(target, set(filed(archive)))) == 9
    assert cli("verify", archive=archive).status == 0


def test_records_that_were_replaced_at_the_target_are_found_by_verify_and_copied_again(backed_up):
    archive, target = backed_up
    bag = bag_at(target, "TC-1002")
    record, listing = bag / "records" / "claim.json", bag / "tagmanifest-sha256.txt"
    before = record.read_bytes()
    forged = json.dumps({**json.loads(before), "state": "closed"}).encode()
    lines = listing.read_text().replace(
        hashlib.sha256(before).hexdigest(), hashlib.sha256(forged).hexdigest()
    )
    for path, content in ((record, forged), (listing, lines.encode())):
        path.chmod(0o600)
        path.write_bytes(content)
    ran = cli("verify", "--json", archive=archive)
    assert [(one["code"], one["subject"]) for one in ran.data["bad"]] == [
        ("not_as_copied", "office: TC-1002")
    ]
    assert backup(archive)["compared"] == 1
    assert record.read_bytes() == before
    assert cli("verify", archive=archive).status == 0


def test_a_target_that_was_put_back_to_an_earlier_time_is_compared_as_a_whole(backed_up, tmp_path):
    archive, target = backed_up
    copy_tree(target, tmp_path / "image")
    assert cli("tag", "TEST0002.JPG", "--face", "left", archive=archive).status == 0
    backup(archive)
    shutil.rmtree(target)
    shutil.move(tmp_path / "image", target)
    again = backup(archive)
    assert again["compared"] >= 2
    ours, theirs = (
        next(root.glob("TC-1001*")) / "tagmanifest-sha256.txt" for root in (archive / "claims", target)
    )
    assert ours.read_bytes() == theirs.read_bytes()
    assert cli("verify", archive=archive).status == 0


def test_an_emptied_target_gets_everything_again(backed_up):
    archive, target = backed_up
    for path in target.iterdir():
        if path.is_dir():
            shutil.rmtree(path)
    backup(archive)
    assert len(holding(target, set(filed(archive)))) == 9
