"""A card from its files to the verdict: the main job through the commands a user types."""

from __future__ import annotations

import hashlib
import shutil
import stat
from datetime import UTC, datetime
from pathlib import Path

import bagit
import pytest
from support_card import CardMaker, two_houses
from support_cli import cli, make_archive
from support_intake import at_home, taken_in

from evidence.errors import LockedError
from evidence.intake.pipeline import new_intake_id

PLAIN = "\n[intake]\nworkers = 1\nread_writing = false\nscene_kinds = false\n"
"""Settings for tests that are not about pixels."""


def settings(archive: Path, text: str) -> None:
    """Replace the archive's settings."""
    (archive / "evidence.toml").write_text(text, encoding="utf-8")


@pytest.fixture
def archive(tmp_path):
    made = make_archive(tmp_path)
    settings(made, PLAIN)
    return made


@pytest.fixture
def card(tmp_path):
    return two_houses(tmp_path / "card")


def bags_of(archive: Path) -> list[Path]:
    return sorted(
        p for p in [*(archive / "claims").iterdir(), archive / "unassigned"] if (p / "bagit.txt").exists()
    )


def is_sidecar(path: Path) -> bool:
    """A file that the archive put beside an original; none of these cards brings such a file itself."""
    return path.suffix == ".xmp" and path.with_suffix("").is_file()


def originals_in(archive: Path) -> dict[str, Path]:
    found = {}
    for bag in bags_of(archive):
        for path in (bag / "data").rglob("*"):
            if path.is_file() and not is_sidecar(path):
                digest = hashlib.sha256(path.read_bytes()).hexdigest()
                assert digest not in found, "one original in two bags"
                found[digest] = path
    return found


def digests_of(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def test_each_house_gets_its_photos_and_every_file_is_accounted_for(archive, card, look_processes):
    report = cli("intake", card.root, "--json", archive=archive).data
    assert report["files"] == 12 == report["kept"] + report["already_kept"] + len(report["refused"])
    assert [(one["claim"], one["photos"]) for one in report["claims"]] == [("TC-1001", 6), ("TC-1002", 6)]
    assert report["unassigned"] == 0
    assert [p["name"] for p in cli("photos", "TC-1002", "--json", archive=archive).data] == [
        f"TEST{n:04d}.JPG" for n in range(7, 13)
    ]


def test_originals_stand_in_valid_bags_byte_for_byte_and_read_only(archive, card):
    before = digests_of(card.root)
    cli("intake", card.root, archive=archive)
    assert digests_of(card.root) == before, "the card changed"
    kept = originals_in(archive)
    assert set(kept) == set(before.values())
    for path in kept.values():
        assert not path.stat().st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH)
    for bag in bags_of(archive):
        bagit.Bag(str(bag)).validate()


def test_the_same_card_again_keeps_nothing_twice(archive, card):
    cli("intake", card.root, archive=archive)
    first = originals_in(archive)
    again = cli("intake", card.root, "--json", archive=archive).data
    assert (again["kept"], again["already_kept"]) == (0, 12)
    assert originals_in(archive).keys() == first.keys()


def test_the_same_card_with_more_photos_adds_only_those_to_the_claim_that_goes_on(archive, card):
    cli("intake", card.root, archive=archive)
    card.clock = card.clock.replace(hour=9, minute=40)
    card.wait(minutes=-card.clock.minute)
    for _ in range(3):
        card.scene()
    again = cli("intake", card.root, "--json", archive=archive).data
    assert (again["kept"], again["already_kept"]) == (3, 12)
    for bag in bags_of(archive):
        bagit.Bag(str(bag)).validate()


def test_a_sheet_seen_again_later_resumes_its_claim(archive, tmp_path):
    card = two_houses(tmp_path / "card", scenes=4)
    card.sheet("TC-1001")
    for _ in range(4):
        card.scene()
    report = cli("intake", card.root, "--json", archive=archive).data
    assert {one["claim"]: one["photos"] for one in report["claims"]} == {"TC-1001": 10, "TC-1002": 5}


def test_two_shots_of_one_sheet_are_one_divider(archive, tmp_path):
    card = CardMaker(tmp_path / "card")
    card.sheet("TC-1001")
    card.sheet("TC-1001")
    card.scene()
    report = cli("intake", card.root, "--json", archive=archive).data
    assert [(one["claim"], one["photos"]) for one in report["claims"]] == [("TC-1001", 3)]
    assert len(cli("segments", "--json", archive=archive).data) == 1


def test_what_is_no_photo_is_kept_or_refused_by_name(archive, card, tmp_path):
    card.put("NOTES.TXT", b"call the agent")
    card.put("._TEST0001.JPG", b"\0\5\26\7")
    (card.root / ".DS_Store").write_bytes(b"x")
    (card.root / "DCIM" / "100TESTC" / "TEST0003.WAV").write_bytes(b"RIFF....WAVE")
    try:
        (card.root / "link.jpg").symlink_to(tmp_path / "elsewhere.jpg")
    except OSError:
        pytest.skip("this system makes no links")
    report = cli("intake", card.root, "--json", archive=archive).data
    assert report["files"] == 17
    assert {one["path"] for one in report["refused"]} == {
        ".DS_Store",
        "DCIM/100TESTC/._TEST0001.JPG",
        "link.jpg",
    }
    assert all(one["reason"] for one in report["refused"])
    assert hashlib.sha256(b"call the agent").hexdigest() in originals_in(archive)
    sound = hashlib.sha256(b"RIFF....WAVE").hexdigest()
    companions = [p["name"] for p in cli("photos", "TC-1001", "--json", archive=archive).data]
    assert "TEST0003.WAV" in companions, "a sound note goes with its photo"
    assert sound in originals_in(archive)


def test_a_truncated_photo_is_kept_and_flagged(archive, card):
    whole = (card.root / card.written[2]).read_bytes()
    card.put("TEST0099.JPG", whole[: len(whole) // 2])
    cli("intake", card.root, archive=archive)
    photos = [
        p
        for c in ("TC-1001", "TC-1002", "unassigned")
        for p in cli("photos", c, "--json", archive=archive).data
    ]
    flags = {p["name"]: [f["code"] for f in p["flags"]] for p in photos}
    assert "truncated" in flags["TEST0099.JPG"]


def test_label_cards_state_facets_until_another_one_says_otherwise(archive, tmp_path):
    from evidence.model import Facet
    from evidence.settings import default_text
    from evidence.tags.vocabulary import load_vocabulary

    labels = load_vocabulary(default_text("tags.toml"), "tags.toml").labels
    number = {dict(one.sets).get(Facet.FACE): one.number for one in labels if len(one.sets) == 1}
    end = next(one.number for one in labels if one.ends)
    card = CardMaker(tmp_path / "card")
    card.sheet("TC-1001")
    card.label(number["front"])
    card.scene()
    card.label(number["left"])
    card.scene()
    card.label(end)
    card.scene()
    cli("intake", card.root, archive=archive)
    photos = cli("photos", "TC-1001", "--json", archive=archive).data
    assert [p["role"] for p in photos[:2]] == ["divider", "label"]
    faces = [(p["face"], "face" in p["stated"]) for p in photos]
    assert faces[2] == ("front", True)
    assert faces[4] == ("left", True)
    assert not faces[6][1]


def test_without_a_place_elsewhere_a_card_is_never_called_safe(archive, card):
    verdict = cli("intake", card.root, "--json", archive=archive).data["card"]
    assert verdict["safe_to_erase"] is False
    assert any("off this computer" in reason for reason in verdict["reasons"])


def with_target(archive: Path, folder: Path, *, off: bool = True) -> None:
    settings(
        archive,
        f"{PLAIN}\n[[target]]\nname = 'office'\npath = '{folder.as_posix()}'\noff_computer = {str(off).lower()}\n",
    )


def test_a_card_is_safe_once_every_file_was_matched_in_enough_places(archive, card, other_disk):
    with_target(archive, other_disk)
    report = cli("intake", card.root, "--json", archive=archive).data
    assert report["card"]["safe_to_erase"] is True, report["card"]["reasons"]
    for bag in bags_of(archive):
        copy = other_disk / bag.name
        bagit.Bag(str(copy)).validate()
        assert digests_of(copy / "data") == digests_of(bag / "data")


def test_a_bad_byte_in_a_stored_copy_is_found_and_the_card_is_safe_no_more(archive, card, other_disk):
    with_target(archive, other_disk)
    cli("intake", card.root, archive=archive)
    assert cli("verify", "--json", archive=archive).status == 0
    victim = next(p for p in sorted(other_disk.rglob("*.JPG")))
    victim.chmod(0o644)
    spoilt = bytearray(victim.read_bytes())
    spoilt[len(spoilt) // 2] ^= 1
    victim.write_bytes(spoilt)
    found = cli("verify", "--json", archive=archive)
    assert found.status == 1
    assert any(victim.name in one["subject"] for one in found.data["bad"])
    mended = cli("backup", archive=archive)
    assert mended.status == 0
    assert cli("verify", archive=archive).status == 0


def test_a_target_on_the_archives_own_disk_cannot_pass_for_one_off_this_computer(archive, card, tmp_path):
    (tmp_path / "second").mkdir()
    with_target(archive, tmp_path / "second")
    report = cli("intake", card.root, "--json", archive=archive)
    assert report.status == 1
    assert report.data["card"]["safe_to_erase"] is False
    assert "same disk" in report.data["backup"]["troubles"][0]["message"]


def test_a_target_whose_disk_went_away_is_not_filled_in_its_absence(archive, card, other_disk):
    with_target(archive, other_disk)
    cli("intake", card.root, archive=archive)
    shutil.rmtree(other_disk)
    other_disk.mkdir()
    card.scene()
    report = cli("intake", card.root, "--json", archive=archive).data
    assert report["card"]["safe_to_erase"] is False
    assert report["backup"]["troubles"]
    assert list(other_disk.iterdir()) == []


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        pytest.param(["intake", "{tmp}/nowhere"], ["no folder"], id="no source"),
        pytest.param(["intake", "{tmp}/empty"], ["empty"], id="empty source"),
        pytest.param(["photos", "TC-9"], ["no claim TC-9"], id="unknown claim"),
        pytest.param(["coverage", "TC-9"], ["no claim TC-9"], id="coverage of an unknown claim"),
        pytest.param(["tag", "NOPE.JPG", "--face", "left"], ["no photo NOPE.JPG"], id="unknown photo"),
        pytest.param(["close", "TC-9", "--on", "2026-05-14"], ["no claim"], id="closing an unknown claim"),
        pytest.param(["backup"], ["No backup target"], id="no target"),
        pytest.param(["init", "{tmp}/archive"], ["archive already"], id="archive twice"),
        pytest.param(["intake", "{tmp}"], ["inside one another"], id="archive inside the source"),
    ],
)
def test_bad_input_is_one_line_with_what_to_do_and_changes_nothing(archive, tmp_path, arguments, words):
    (tmp_path / "empty").mkdir()
    entries = (archive / "custody" / "custody.jsonl").read_bytes()
    ran = cli(
        *(one.replace("{tmp}", str(tmp_path)) for one in arguments),
        archive=archive if arguments[0] != "init" else None,
    )
    assert ran.status == 2
    assert ran.err.count("\n") == 1
    assert all(word in ran.err for word in words), ran.err
    assert (archive / "custody" / "custody.jsonl").read_bytes() == entries


def test_no_archive_yet_says_how_to_make_one(tmp_path):
    ran = cli("claims", archive=tmp_path / "none")
    assert ran.status == 2
    assert "evidence init" in ran.err


def test_a_settings_key_with_a_typo_names_the_nearest_right_one(archive, card):
    settings(archive, "[safety]\nplacs = 3\n")
    ran = cli("intake", card.root, archive=archive)
    assert ran.status == 2
    assert "placs" in ran.err
    assert "'places'" in ran.err
    assert not any((archive / "claims").iterdir())


NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)


def test_two_intakes_of_one_second_are_in_the_order_in_which_they_began():
    for _ in range(50):
        first = new_intake_id(NOON)
        second = new_intake_id(NOON, first)
        third = new_intake_id(NOON, second)
        assert first < second < third
        assert {len(one) for one in (first, second, third)} == {len("20260601-120000-0000")}
    with pytest.raises(LockedError):
        new_intake_id(NOON, "20260601-120000-ffff")


def test_an_intake_finds_the_last_one_of_its_second(archive, tmp_path):
    names = []
    for number in range(6):
        card = CardMaker(tmp_path / f"card-{number}", serial=f"TC-1{number}", seed=900 + number)
        card.scene()
        names.append(taken_in(archive, card.root).intake)
    assert {name[:15] for name in names} == {"20260601-120000"}
    assert names == sorted(names)
    with at_home(archive) as here:
        assert here.catalog.photos.last_intake_at(NOON) == names[-1]
        assert here.catalog.photos.last_intake_at(NOON.replace(second=1)) is None
