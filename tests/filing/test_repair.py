"""Bad and missing files replaced from copies that still match, never from one that does not."""

from __future__ import annotations

import hashlib
import shutil

import pytest
from support_archive import outside_verdict
from support_cli import CONFIRMED, cli
from support_intake import CLAIMS, actions, at_home, bags_of, filed, taken_in, with_target
from support_retention import reload_assignments

from evidence.errors import LockedError
from evidence.filing import repair as repairing


@pytest.fixture
def backed_up(kept, request, tmp_path, other_disk):

    def make():
        houses = request.getfixturevalue("houses")
        with_target(houses, other_disk)
        assert cli("backup", archive=houses).status == 0

    kept.put("backed up elsewhere", {"archive": tmp_path / "archive", "disk": other_disk}, make)
    return tmp_path / "archive"


def photo_of(claim_folder):
    return sorted(claim_folder.glob("data/**/*.JPG"))[1]


def bag(archive, claim="TC-1001"):
    return next((archive / "claims").glob(f"{claim}*"))


def spoil(path):
    path.chmod(0o644)
    path.write_bytes(b"x" * path.stat().st_size)


def repaired(archive, *more, status=0):
    ran = cli("repair", "--json", *more, archive=archive)
    assert ran.status == status, ran.err + ran.out
    return ran.data


@pytest.mark.parametrize("fault", ["flipped", "gone"])
@pytest.mark.parametrize("place", ["archive", "target"])
def test_a_bad_or_missing_file_is_replaced_from_the_other_place(backed_up, other_disk, fault, place):
    before = filed(backed_up)
    folder = bag(backed_up) if place == "archive" else other_disk / bag(backed_up).name
    path = photo_of(folder)
    spoil(path) if fault == "flipped" else path.unlink()
    assert cli("verify", archive=backed_up).status == 1
    report = repaired(backed_up)
    (one,) = report["repaired"]
    assert one["source"] == ("office" if place == "archive" else "archive")
    assert one["path"].endswith(path.name)
    root = backed_up if place == "archive" else other_disk
    kept = [p for p in (root / "damaged").rglob("*") if p.is_file()]
    assert [set(p.read_bytes()) for p in kept] == ([set(b"x")] if fault == "flipped" else [])
    assert filed(backed_up) == before
    assert all(
        outside_verdict(each) == "" for each in [*bags_of(backed_up), other_disk / bag(backed_up).name]
    )
    assert cli("verify", archive=backed_up).status == 0
    assert {"found_bad", "repaired"} <= set(actions(backed_up))
    assert repaired(backed_up)["repaired"] == []


def test_a_file_that_is_bad_everywhere_is_named_and_never_replaced_by_a_bad_one(backed_up, other_disk):
    here = photo_of(bag(backed_up))
    there = other_disk / bag(backed_up).name / here.relative_to(bag(backed_up))
    spoil(here)
    spoil(there)
    there.write_bytes(b"y" * there.stat().st_size)
    assert cli("verify", archive=backed_up).status == 1
    report = repaired(backed_up, status=1)
    assert report["repaired"] == []
    assert {one["code"] for one in report["findings"]} == {"not_repaired"}
    assert len(report["findings"]) == 2
    assert set(here.read_bytes()) == set(b"x")
    assert set(there.read_bytes()) == set(b"y")


def test_a_card_gives_back_what_no_other_place_has(backed_up, other_disk, two_houses_taken_in, tmp_path):
    here = photo_of(bag(backed_up))
    content, digest = here.read_bytes(), hashlib.sha256(here.read_bytes()).hexdigest()
    card = tmp_path / "card" / "DCIM" / "100TESTC"
    card.mkdir(parents=True)
    (card / "OTHER001.JPG").write_bytes(b"z" * len(content))
    (card / "TEST9999.JPG").write_bytes(content)
    spoil(here)
    spoil(other_disk / bag(backed_up).name / here.relative_to(bag(backed_up)))
    assert cli("verify", archive=backed_up).status == 1
    was = {path: path.read_bytes() for path in card.iterdir()}
    report = repaired(backed_up, "--card", tmp_path / "card")
    assert len(report["repaired"]) == 2
    assert "TEST9999.JPG" in report["repaired"][0]["source"]
    assert hashlib.sha256(here.read_bytes()).hexdigest() == digest
    assert {path: path.read_bytes() for path in card.iterdir()} == was
    assert cli("verify", archive=backed_up).status == 0


def test_all_reads_what_nobody_found_bad_yet_sidecars_too(backed_up, other_disk):
    here = photo_of(bag(backed_up))
    spoil(here)
    assert repaired(backed_up)["repaired"] == []
    assert len(repaired(backed_up, "--all")["repaired"]) == 1
    sidecar = next(iter(sorted(bag(backed_up).glob("data/**/*.xmp"))))
    spoil(sidecar)
    assert outside_verdict(bag(backed_up))
    repaired(backed_up, "--all")
    assert outside_verdict(bag(backed_up)) == ""
    there = other_disk / bag(backed_up).name / sidecar.relative_to(bag(backed_up))
    spoil(there)
    repaired(backed_up, "--all")
    assert outside_verdict(other_disk / bag(backed_up).name) == ""


@pytest.mark.parametrize("name", ["manifest-sha256.txt", "bagit.txt", "records/claim.json"])
def test_a_bags_records_come_back_from_a_target(backed_up, other_disk, name):
    before = filed(backed_up)
    spoil(bag(backed_up) / name)
    assert cli("verify", archive=backed_up).status == 1
    repaired(backed_up, "--all")
    assert filed(backed_up) == before
    assert outside_verdict(bag(backed_up)) == ""
    spoil(other_disk / bag(backed_up).name / name)
    repaired(backed_up, "--all")
    assert outside_verdict(other_disk / bag(backed_up).name) == ""


@pytest.mark.parametrize("name", ["manifest-sha256.txt", "records/claim.json", "a sidecar"])
def test_a_bad_record_or_sidecar_names_the_command_that_makes_it_anew(backed_up, name):
    hint = "evidence repair --all"
    assert hint not in cli("verify", archive=backed_up).out
    here = bag(backed_up)
    if name == "manifest-sha256.txt":
        (here / name).chmod(0o644)
        (here / name).write_text((here / name).read_text() + "x\n")
    else:
        spoil(here / name if name != "a sidecar" else next(iter(sorted(here.glob("data/**/*.xmp")))))
    assert hint in cli("verify", archive=backed_up).out
    ran = cli("repair", archive=backed_up)
    assert "0 repaired" in ran.out
    assert hint in ran.out
    assert hint not in cli("repair", "--all", archive=backed_up).out
    assert cli("verify", archive=backed_up).status == 0


@pytest.mark.parametrize("place", ["archive", "target"])
def test_a_bag_that_is_gone_whole_comes_back(backed_up, other_disk, place):
    before = filed(backed_up)
    shutil.rmtree(bag(backed_up) if place == "archive" else other_disk / bag(backed_up).name)
    assert cli("verify", archive=backed_up).status == 1
    with at_home(backed_up) as workspace:
        assert workspace.catalog.keeping.found_bad(), "nothing of a bag that is gone was verified"
    repaired(backed_up)
    assert filed(backed_up) == before
    assert cli("verify", archive=backed_up).status == 0


def test_a_purge_removes_the_bad_bytes_that_a_repair_kept(houses, other_disk):
    assert reload_assignments(houses, CLAIMS.replace("2026-05-01", "2015-01-01")).status == 0
    with_target(houses, other_disk)
    assert cli("backup", archive=houses).status == 0
    assert cli("close", "TC-1001", "--on", "2016-01-04", archive=houses).status == 0
    assert cli("backup", archive=houses).status == 0
    name = bag(houses).name
    spoil(photo_of(bag(houses)))
    spoil(photo_of(bag(houses, "TC-1002")))
    repaired(houses, "--all")
    spoil(photo_of(other_disk / name))
    repaired(houses, "--all")
    for place in (houses, other_disk):
        assert list((place / "damaged" / name).rglob("*.JPG.*"))
    plan = cli("purge", "plan", *CONFIRMED, "TC-1001", "--json", archive=houses, actor="Ada Clerk").data[
        "plan"
    ]
    assert cli("purge", "approve", plan, archive=houses, actor="Ben Witness").status == 0
    ran = cli("purge", "run", "--yes", *CONFIRMED, plan, archive=houses, actor="Ada Clerk")
    assert ran.status == 0, ran.err + ran.out
    for place in (houses, other_disk):
        assert not (place / "damaged" / name).exists()
    assert list((houses / "damaged").rglob("*.JPG.*")), "the other claim's stay"


def test_a_repair_ends_with_the_cards_that_became_safe_again(houses, two_houses_taken_in, other_disk):
    with_target(houses, other_disk)
    assert taken_in(houses, two_houses_taken_in[1].root).card.safe_to_erase
    spoil(photo_of(bag(houses)))
    assert "NO LONGER SAFE" in cli("verify", archive=houses).out
    ran = cli("repair", archive=houses)
    assert ran.status == 0
    assert "SAFE TO ERASE" in ran.out
    assert "NO LONGER" not in ran.out
    spoil(photo_of(bag(houses)))
    assert cli("verify", archive=houses).status == 1
    (card,) = repaired(houses)["cards"]["cards"]
    assert card["verdict"]["safe_to_erase"]


@pytest.mark.parametrize("fault", ["spoilt", "lost"])
@pytest.mark.parametrize(
    "name",
    ["bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt", "records/photos.json"],
)
def test_records_that_no_target_holds_are_made_again_from_the_catalog(houses, name, fault):
    before = filed(houses)
    path = bag(houses) / name
    spoil(path) if fault == "spoilt" else path.unlink()
    report = repaired(houses, "--all")
    assert {one["source"] for one in report["repaired"]} == {"the catalog"}
    assert filed(houses) == before
    assert outside_verdict(bag(houses)) == ""
    assert repaired(houses, "--all")["repaired"] == []


def test_a_bad_original_is_still_found_when_the_records_are_made_again(houses):
    spoil(bag(houses) / "manifest-sha256.txt")
    bad = photo_of(bag(houses))
    spoil(bad)
    report = repaired(houses, "--all", status=1)
    assert [bad.name in one["subject"] for one in report["findings"]] == [True]


def test_a_repair_locks_the_bags_for_one_bag_at_a_time(backed_up, monkeypatch):
    """Before each bag another command may lock the bags; while one is repaired it may not."""
    between, within = [], []

    def may_file() -> bool:
        with at_home(backed_up) as other:
            try:
                with other.filing(wait=False):
                    return True
            except LockedError:
                return False

    real = repairing._repair_bag

    def watched(*given):
        within.append(may_file())
        real(*given)

    real_repair = repairing.repair
    monkeypatch.setattr(repairing, "_repair_bag", watched)
    monkeypatch.setattr(
        repairing,
        "repair",
        lambda *given, **more: real_repair(
            *given, **{**more, "progress": lambda *_: between.append(may_file())}
        ),
    )
    repaired(backed_up, "--all")
    assert len(within) >= 4
    assert set(within) == {False}
    assert set(between) == {True}
