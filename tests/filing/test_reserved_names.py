"""A claim's folder never has a name that a backup target uses for something else."""

from __future__ import annotations

from support_cli import cli
from support_intake import at_home, with_target

from evidence.archive.names import fold
from evidence.filing.backup import open_targets
from evidence.filing.bags import NOT_A_BAG, bag_folder
from evidence.model import ClaimId

NUMBERS = ("Archive", "DAMAGED", "custody-heads", "RECORDS")


def test_claims_named_like_a_targets_own_folders_are_filed_backed_up_and_repaired(
    houses, other_disk, tmp_path
):
    with_target(houses, other_disk)
    listed = tmp_path / "odd.csv"
    listed.write_text("\n".join(("claim", *NUMBERS, "")), encoding="utf-8")
    assert cli("assignments", listed, archive=houses).status == 0
    photos = [f"TEST000{n}.JPG" for n in range(1, 1 + len(NUMBERS))]
    for photo, claim in zip(photos, NUMBERS, strict=True):
        assert cli("move", photo, "--to", claim, archive=houses).status == 0, claim
    assert cli("backup", archive=houses).status == 0
    with at_home(houses) as here:
        folders = {claim: bag_folder(here, ClaimId(claim)).name for claim in NUMBERS}
        (target,) = open_targets(here)
        assert set(folders.values()) <= set(target.names())
    assert len({fold(one) for one in folders.values()}) == len(NUMBERS)
    assert not {fold(one) for one in folders.values()} & NOT_A_BAG
    assert folders["RECORDS"] == "RECORDS", "no name of a target's own"
    assert cli("verify", archive=houses).status == 0


def test_every_entry_of_a_target_that_is_no_claims_bag_is_reserved(houses, other_disk):
    with_target(houses, other_disk)
    assert cli("backup", archive=houses).status == 0
    photo = next((houses / "claims").glob("TC-1001*/data/**/*.JPG"))
    there = other_disk / photo.relative_to(houses / "claims")
    there.chmod(0o640)
    there.write_bytes(b"spoilt")
    assert cli("repair", "--all", archive=houses).status == 0
    with at_home(houses) as here:
        bags = {row.folder for row in here.catalog.claims.all()}
    entries = {one.name for one in other_disk.iterdir() if not one.name.startswith(".")} - bags
    assert {"archive", "damaged", "custody-heads"} <= entries
    assert entries <= NOT_A_BAG
