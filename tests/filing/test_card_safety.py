"""SAFE means safe now: places that count, changed verdicts, cards that grew, purged claims."""

from __future__ import annotations

import copy
import json
import shutil
import tempfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import event
from support_card import CardMaker
from support_cards import flip
from support_catalog import copied
from support_cli import CONFIRMED, cli
from support_intake import (
    CLAIMS,
    PLAIN,
    actions,
    at_home,
    loaded_archive,
    set_settings,
    small_houses,
    taken_in,
    with_target,
)
from support_retention import reload_assignments

from evidence.catalog.intakes import IntakeRow
from evidence.cli import card_lines
from evidence.filing import card_safety
from evidence.filing.backup import back_up
from evidence.filing.card_safety import all_cards, judge_cards
from evidence.filing.verify import verify
from evidence.model import IntakeId

DAY = datetime(2026, 6, 1, 12, tzinfo=UTC)
"""The day of `at_home`."""
CARDS: list[CardMaker] = []
"""The card of `backed_up` after it was made: each test goes on from there."""


@pytest.fixture
def backed_up(kept, same_path, other_disk):
    """An archive, its card told SAFE, and the target on another disk."""
    archive, root = same_path / "archive", same_path / "card"

    def make():
        loaded_archive(same_path)
        with_target(archive, other_disk)
        made = small_houses(root)
        assert taken_in(archive, root).card.safe_to_erase
        CARDS.append(made)

    kept.put("card told safe", {"archive": archive, "card": root, "disk": other_disk}, make)
    return archive, copy.deepcopy(CARDS[0]), other_disk


def told(archive: Path, *, days: float = 0):
    """What the end of a backup tells, so many days after the intake."""
    with at_home(archive, now=DAY + timedelta(days=days)) as workspace:
        return judge_cards(workspace)


def unwrapped(text: str) -> str:
    """Lines that were broken at 80 columns, joined again."""
    return " ".join(text.split())


def only(report):
    (card,) = report.cards
    return card


def printed(report) -> str:
    lines = list(card_lines.card_summary(report))
    assert max(map(len, lines), default=0) <= 80, lines
    return "\n".join(lines)


def sentence(card) -> str:
    return " ".join(card.verdict.reasons)


def without_target(archive: Path) -> None:
    set_settings(archive, PLAIN)


# --- places that count ---------------------------------------------------------------------


def test_a_target_that_was_removed_from_the_settings_counts_no_more(backed_up):
    archive, card, _ = backed_up
    without_target(archive)
    again = taken_in(archive, card.root).card
    assert not again.safe_to_erase
    assert "The settings no longer name office, so its copy of 9 files does not count." in again.reasons
    (office,) = [place for place in again.places if place.name == "office"]
    assert (office.files, office.counted, office.named) == (9, 0, False)


def test_a_target_that_was_renamed_counts_no_more_under_its_old_name(backed_up, tmp_path):
    archive, card, disk = backed_up
    with_target(archive, disk, name="attic")
    again = taken_in(archive, card.root)
    assert [one.subject for one in again.backup.troubles] == ["attic"]
    assert not again.card.safe_to_erase


def test_a_target_that_is_not_off_this_computer_any_more_does_not_count_as_such(backed_up):
    archive, card, disk = backed_up
    with_target(archive, disk, off=False)
    assert any("off this computer" in one for one in taken_in(archive, card.root).card.reasons)


@pytest.mark.parametrize(("days", "safe"), [(29, True), (31, False)])
def test_a_target_that_is_away_counts_for_thirty_days_after_its_last_reading(backed_up, days, safe):
    archive, _, disk = backed_up
    disk.rename(disk.with_name(f"{disk.name}-away"))
    card = only(told(archive, days=days)) if days < 30 else None
    if card is None:
        with at_home(archive, now=DAY + timedelta(days=days)) as workspace:
            card = only(all_cards(workspace))
    disk.with_name(f"{disk.name}-away").rename(disk)
    assert card.verdict.safe_to_erase is safe
    if not safe:
        assert "was last read back more than 30 days ago. Connect it" in sentence(card)
        assert "NO LONGER SAFE" in card_lines.headline(card)


def test_a_connected_target_counts_however_long_ago_it_was_read_back(backed_up):
    archive, _, _ = backed_up
    with at_home(archive, now=DAY + timedelta(days=900)) as workspace:
        assert only(all_cards(workspace)).verdict.safe_to_erase


def test_the_number_of_days_is_a_setting(backed_up):
    archive, _, disk = backed_up
    settings = archive / "evidence.toml"
    settings.write_text(settings.read_text() + "\n[safety]\nread_back_days = 2\n")
    shutil.rmtree(disk)
    assert only(told(archive, days=1)).verdict.safe_to_erase
    assert "more than 2 days ago" in sentence(only(told(archive, days=3)))
    settings.write_text(settings.read_text().replace("read_back_days = 2", "read_back_days = 0"))
    assert cli("cards", archive=archive).status == 2


def test_a_check_while_a_target_is_away_does_not_call_its_copies_bad(backed_up):
    archive, _, disk = backed_up
    away = disk.with_name(f"{disk.name}-away")
    disk.rename(away)
    with at_home(archive, now=DAY + timedelta(days=1)) as workspace:
        report = verify(workspace)
        assert {one.code for one in report.missing} == {"unreachable"}
        card = only(judge_cards(workspace))
    away.rename(disk)
    assert card.verdict.safe_to_erase
    assert [place.bad for place in card.verdict.places] == [0, 0]


def test_each_place_is_printed_with_when_it_was_last_read_back(backed_up):
    archive, card, disk = backed_up
    shown = cli("intake", card.root, archive=archive).out
    assert "  archive: 9 of 9 files, read back 2026-06-01" in shown
    assert "  office: 9 of 9 files, read back 2026-06-01" in shown
    assert cli("verify", archive=archive).status == 0
    shutil.rmtree(disk)
    for command in (["intake", card.root], ["watch", card.root, "--once"]):
        assert cli(*command, archive=archive).out.rstrip().endswith("; not connected now"), command
    places = cli("intake", card.root, "--json", archive=archive).data["card"]["places"]
    assert [(one["name"], one["files"], one["of"], one["reachable"]) for one in places] == [
        ("archive", 9, 9, True),
        ("office", 9, 9, False),
    ]
    assert all(one["read_back"] > "2026-06-01T12:00" for one in places)


def test_another_disk_under_a_targets_name_is_not_that_target(backed_up):
    archive, _, disk = backed_up
    marker = json.loads((disk / "backup-target.json").read_text())
    (disk / "backup-target.json").write_text(json.dumps({**marker, "id": "ab" * 16}))
    with at_home(archive) as workspace:
        report = verify(workspace)
        assert [(one.code, one.subject) for one in report.missing] == [("unreachable", "office")]
        card = only(judge_cards(workspace))
    assert card.verdict.safe_to_erase, "its copies were read back today"
    assert [place.reachable for place in card.verdict.places] == [True, False]


def test_a_target_that_was_replaced_counts_no_more(backed_up, tmp_path):
    archive, _, disk = backed_up
    with tempfile.TemporaryDirectory(dir=disk.parent) as fresh:
        assert cli("target", "replace", "office", fresh, archive=archive).status == 0
        with at_home(archive) as workspace:
            card = only(all_cards(workspace))
        assert card.no_longer_safe
        assert [(one.name, one.files) for one in card.verdict.places] == [("archive", 9), ("office", 0)]


# --- told again ----------------------------------------------------------------------------


def test_a_backup_tells_which_earlier_card_became_safe(tmp_path, other_disk):
    archive = loaded_archive(tmp_path)
    card = small_houses(tmp_path / "card")
    assert "Do NOT erase the card yet" in cli("intake", card.root, archive=archive).out
    with_target(archive, other_disk)
    ran = cli("backup", archive=archive)
    assert ran.status == 0
    assert "9 files: SAFE TO ERASE." in ran.out
    assert "office: 9 of 9 files, read back " in ran.out
    assert "card_told_safe" in actions(archive)
    again = cli("backup", archive=archive).out
    assert "SAFE TO ERASE" not in again
    assert "1 card is still safe to erase; `evidence cards` lists every card." in again
    data = cli("backup", "--json", archive=archive).data
    assert [one["verdict"]["safe_to_erase"] for one in data["cards"]["cards"]] == [True]
    assert "30 days" in data["cards"]["rule"]


def test_a_check_lists_a_card_that_is_no_longer_safe_first_and_until_it_is_safe(backed_up):
    archive, _, disk = backed_up
    flip(next(p for p in sorted(disk.rglob("*.JPG"))))
    ran = cli("verify", archive=archive)
    assert ran.status == 1
    assert "NO LONGER SAFE, although it was called safe 2026-06-01" in unwrapped(ran.out)
    assert "Do NOT erase it" in ran.out
    assert "1 file found bad" in ran.out
    assert "card_no_longer_safe" in actions(archive)
    assert cli("verify", "--json", archive=archive).data["cards"]["cards"][0]["was_told_safe"] is False
    assert "SAFE TO ERASE" in cli("backup", archive=archive).out
    assert actions(archive).count("card_told_safe") == 2


def test_an_old_card_is_judged_again_only_when_a_copy_of_it_is_bad(backed_up):
    archive, _, _ = backed_up
    told(archive, days=39)
    later = told(archive, days=40)
    assert (later.cards, later.others) == ((), 1)
    with at_home(archive) as workspace:
        sha = next(iter(workspace.catalog.keeping.payload("TC-1002")))
        workspace.catalog.keeping.mark_corrupt("office", [sha], at=DAY + timedelta(days=39))
    card = only(told(archive, days=40))
    assert card.no_longer_safe
    assert "The copy of 1 file on office was found bad" in sentence(card)


def test_the_command_lists_every_run_with_its_verdict_now(backed_up, tmp_path):
    archive, card, _ = backed_up
    card.scene()
    taken_in(archive, card.root)
    other = CardMaker(tmp_path / "other", seed=70, number=50)
    other.scene()
    taken_in(archive, other.root)
    without_target(archive)
    data = cli("cards", "--json", archive=archive).data
    assert [one["files"] for one in data["cards"]] == [9, 10, 1]
    assert data["cards"][0]["superseded_by"] == data["cards"][1]["intake"]
    assert data["cards"][1]["superseded_by"] is None
    shown = cli("cards", archive=archive).out
    assert shown.count("NO LONGER SAFE") >= 2
    assert "Card other, " in shown
    assert "1 file: NO LONGER SAFE" in shown


def test_another_card_at_the_same_mount_point_does_not_stand_for_the_first(tmp_path):
    archive = loaded_archive(tmp_path)
    first = CardMaker(tmp_path / "card", seed=1)
    first.scene()
    taken_in(archive, first.root)
    shutil.rmtree(first.root)
    second = CardMaker(tmp_path / "card", seed=9)
    second.scene()
    taken_in(archive, second.root)
    with at_home(archive) as workspace:
        assert [one.superseded_by for one in all_cards(workspace).cards] == [None, None]


def run_row(number: int, *, card_id: str, source: str = "/media/A", finished: bool = True) -> IntakeRow:
    at = DAY + timedelta(minutes=number)
    return IntakeRow(
        intake=IntakeId(f"run-{number}"),
        source=source,
        label="A",
        actor="Ada",
        started_at=at,
        finished_at=at if finished else None,
        refused=(),
        card_id=card_id,
    )


def enter(workspace, row: IntakeRow, *numbers: int) -> IntakeRow:
    """Store a run that saw files with these numbers."""
    photos = workspace.catalog.photos
    photos.put_intake(row)
    photos.add_originals(row.intake, [copied(f"{n}.JPG", f"{n:064x}", size=n) for n in numbers])
    return row


@pytest.mark.parametrize(
    ("earlier", "numbers", "same"),
    [
        pytest.param({"card_id": "V1"}, [1], True, id="volume"),
        pytest.param({"card_id": "V1", "source": "/media/B"}, [1], True, id="volume-elsewhere"),
        pytest.param({"card_id": "V1"}, [7], False, id="volume-erased-and-filled-again"),
        pytest.param({"card_id": "V2"}, [1], False, id="another-volume-at-the-same-place"),
        pytest.param({"card_id": ""}, [1], True, id="unknown-volume-same-source"),
        pytest.param({"card_id": "", "source": "/media/B"}, [1], False, id="unknown-volume-another-source"),
        pytest.param({"card_id": "V1", "finished": False}, [], True, id="stopped-before-a-file"),
        pytest.param({"card_id": "V1", "finished": True}, [], False, id="ended-without-a-file"),
    ],
)
def test_which_runs_are_one_card(tmp_path, earlier, numbers, same):
    archive = loaded_archive(tmp_path)
    with at_home(archive) as workspace:
        enter(workspace, run_row(1, **earlier), *numbers)
        new = enter(workspace, run_row(2, card_id="V1"), 1, 2)
        assert bool(workspace.catalog.photos.supersede(new)) is same
        assert workspace.catalog.photos.intake(new.intake).superseded_by is None


def test_a_run_that_did_not_end_is_never_safe(backed_up):
    archive, _, _ = backed_up
    with at_home(archive) as workspace:
        (run,) = workspace.catalog.photos.intakes()
        workspace.catalog.photos.put_intake(run_row(0, card_id="").__class__(
            intake=run.intake, source=run.source, label=run.label, actor=run.actor,
            started_at=run.started_at, finished_at=None, refused=(),
        ))  # fmt: skip
        card = only(judge_cards(workspace))
    assert not card.verdict.safe_to_erase
    assert "did not end, or is still running" in sentence(card)


# --- cards that grew -----------------------------------------------------------------------


def test_a_card_that_grew_is_safe_for_the_files_seen_and_says_how_many_came(backed_up):
    archive, card, _ = backed_up
    before = {p: p.stat().st_mtime_ns for p in card.root.rglob("*")}
    for _ in range(4):
        card.scene()
    one = only(told(archive))
    assert not one.verdict.safe_to_erase
    assert (one.verdict.safe_as_seen, one.verdict.came_since) == (True, 4)
    shown = printed(told(archive))
    assert "SAFE for the 9 files seen 2026-06-01" in unwrapped(shown)
    assert "; 4 came since. Do NOT erase it yet." in unwrapped(shown)
    assert {p: t for p, t in before.items() if p.is_file()} == {
        p: p.stat().st_mtime_ns for p in before if p.is_file()
    }


def test_a_card_that_was_seen_to_grow_is_not_called_safe_once_it_is_away(backed_up):
    archive, card, _ = backed_up
    card.scene()
    assert not only(told(archive)).verdict.safe_to_erase
    shutil.rmtree(card.root)
    away = only(told(archive))
    assert (away.connected, away.verdict.came_since, away.verdict.safe_to_erase) == (False, 1, False)


def test_a_card_that_is_away_is_safe_for_the_files_seen(backed_up):
    archive, card, _ = backed_up
    shutil.rmtree(card.root)
    one = only(told(archive))
    assert one.verdict.safe_to_erase
    assert card_lines.headline(one) == "SAFE TO ERASE for the 9 files seen"


def test_a_changed_file_counts_as_one_that_came_and_a_removed_one_does_not(backed_up):
    archive, card, _ = backed_up
    (card.root / card.written[1]).unlink()
    assert only(told(archive)).verdict.came_since == 0
    path = card.root / card.written[2]
    path.write_bytes(path.read_bytes() + b"\0")
    assert only(told(archive)).verdict.came_since == 1


def test_a_folder_that_is_still_being_filled_is_not_called_safe_by_its_own_intake(
    tmp_path, other_disk, monkeypatch
):
    archive = loaded_archive(tmp_path)
    with_target(archive, other_disk)
    card = small_houses(tmp_path / "card")
    from evidence.intake import pipeline

    def slow(workspace, **more):
        card.scene()
        return back_up(workspace, **more)

    monkeypatch.setattr(pipeline, "back_up", slow)
    report = taken_in(archive, card.root)
    assert (report.card.safe_to_erase, report.card.safe_as_seen, report.card.came_since) == (False, True, 1)
    lines = list(card_lines.intake_verdict(report.card, report.files, report.seen_at))
    assert lines[0].startswith("SAFE for the 9 files seen 2026-06-01")
    assert lines[0].endswith("; 1 came since.")


def test_contents_are_not_read_when_a_card_is_looked_at_again(backed_up, monkeypatch):
    archive, _, _ = backed_up
    from evidence.cards import files

    def fails(path):
        raise AssertionError(f"{path} was opened")

    monkeypatch.setattr(files, "open_on_card", fails)
    assert only(told(archive)).connected


# --- refused files, litter, purged claims ----------------------------------------------------


def test_refused_files_and_litter_have_their_sentences_at_every_later_verdict(tmp_path, other_disk):
    archive = loaded_archive(tmp_path)
    with_target(archive, other_disk)
    card = small_houses(tmp_path / "card")
    (card.root / ".DS_Store").write_bytes(b"x")
    taken_in(archive, card.root)
    assert "1 file is a system file and not needed." in only(told(archive)).verdict.reasons
    try:
        (card.root / "link.jpg").symlink_to(tmp_path / "elsewhere.jpg")
    except OSError:
        pytest.skip("this system makes no links")
    taken_in(archive, card.root)
    one = only(told(archive))
    assert not one.verdict.safe_to_erase
    assert "1 file was not kept and is only on the card: link.jpg" in sentence(one)
    assert one.verdict.came_since == 0, "a refused file did not come since"


def purge(archive: Path, claim: str) -> None:
    assert reload_assignments(archive, CLAIMS.replace("2026-05-01", "2015-01-01")).status == 0
    assert cli("close", claim, "--on", "2016-01-04", archive=archive).status == 0
    assert cli("backup", archive=archive).status == 0
    plan = cli("purge", "plan", *CONFIRMED, claim, "--json", archive=archive, actor="Ada Clerk").data["plan"]
    assert cli("purge", "approve", plan, archive=archive, actor="Ben Witness").status == 0
    assert cli("purge", "run", "--yes", *CONFIRMED, plan, archive=archive, actor="Ada Clerk").status == 0


def test_a_card_with_two_claims_one_of_which_was_purged_is_judged_by_the_other(backed_up):
    archive, _, disk = backed_up
    purge(archive, "TC-1001")
    one = only(told(archive))
    assert (one.files, one.verdict.safe_to_erase, one.verdict.came_since) == (9, True, 0)
    assert "5 files belonged to claims that were purged since." in sentence(one)
    assert [place.of for place in one.verdict.places] == [4, 4]
    flip(next(p for p in sorted(disk.rglob("*.JPG"))))
    cli("verify", archive=archive)
    assert not only(told(archive)).verdict.safe_to_erase


def test_a_card_whose_claims_were_all_purged_says_so(backed_up):
    archive, _, _ = backed_up
    purge(archive, "TC-1001")
    purge(archive, "TC-1002")
    one = only(told(archive))
    assert one.verdict.safe_to_erase
    assert "Nothing of this card is kept any more: 9 files belonged to claims that were purged" in sentence(
        one
    )
    assert "purged since" in printed(card_safety.CardsReport(cards=(one_not_told(one),), others=0, rule=""))


def one_not_told(card):
    from dataclasses import replace

    return replace(card, was_told_safe=False)


# --- size ----------------------------------------------------------------------------------


def test_the_end_of_a_backup_asks_no_more_of_the_catalog_for_many_old_cards_than_for_few(backed_up):
    archive, _, _ = backed_up

    def statements(workspace) -> int:
        count = [0]

        def tick(*_args):
            count[0] += 1

        engine = workspace.catalog._database.engine
        event.listen(engine, "before_cursor_execute", tick)
        judge_cards(workspace)
        event.remove(engine, "before_cursor_execute", tick)
        return count[0]

    with at_home(archive, now=DAY + timedelta(days=400)) as workspace:
        judge_cards(workspace)
        few = statements(workspace)
        for number in range(1, 200):
            row = enter(workspace, run_row(number, card_id=f"V{number}"), number)
            told_once = workspace.catalog.photos.intake(row.intake)
            workspace.catalog.photos.put_verdict(replace(told_once, told_safe=True, safe_told_at=DAY))
        assert statements(workspace) == few
        assert judge_cards(workspace).others == 200


# --- age alone -----------------------------------------------------------------------------


def test_a_card_whose_copy_grew_too_old_at_a_disk_that_is_away_is_told(backed_up):
    archive, _, disk = backed_up
    disk.rename(disk.with_name(f"{disk.name} away"))
    try:
        assert only(told(archive, days=29)).verdict.safe_to_erase
        (lost,) = told(archive, days=40).cards
        assert lost.no_longer_safe
        assert actions(archive).count("card_no_longer_safe") == 1
    finally:
        disk.with_name(f"{disk.name} away").rename(disk)
    assert only(told(archive, days=41)).verdict.safe_to_erase


def test_a_card_is_told_when_the_disk_with_its_old_copy_is_taken_away(backed_up):
    archive, _, disk = backed_up
    told(archive, days=49)  # the first time all cards are judged
    assert told(archive, days=50).cards == ()
    disk.rename(disk.with_name(f"{disk.name} away"))
    try:
        (lost,) = told(archive, days=51).cards
        assert lost.no_longer_safe
        with at_home(archive, now=DAY + timedelta(days=51)) as workspace:
            assert only(all_cards(workspace)).verdict == lost.verdict
    finally:
        disk.with_name(f"{disk.name} away").rename(disk)


# --- cards of long ago -----------------------------------------------------------------------


def old_cards(archive, number):
    """Enter so many cards that were called safe a year before, and judge all cards once."""
    with at_home(archive, now=DAY + timedelta(days=400)) as workspace:
        for each in range(1, number + 1):
            row = enter(workspace, run_row(each, card_id=f"V{each}"), each)
            told_once = workspace.catalog.photos.intake(row.intake)
            workspace.catalog.photos.put_verdict(replace(told_once, told_safe=True, safe_told_at=DAY))


@pytest.mark.parametrize("how", ["removed", "replaced", "lost"])
def test_a_card_of_long_ago_is_told_when_the_disk_that_made_it_safe_is_gone(backed_up, how):
    archive, _, disk = backed_up
    report = told(archive, days=400)
    assert told(archive, days=401).others == 1
    assert report.cards[0].verdict.safe_to_erase
    if how == "removed":
        without_target(archive)
    elif how == "replaced":
        new = disk.with_name(f"{disk.name}-new")
        assert cli("target", "replace", "office", new, archive=archive).status == 0
    else:
        shutil.rmtree(disk)
        lost = ("target", "lost", "office")
        assert cli(*lost, "--reason", "stolen", archive=archive, actor="Ada Clerk").status == 0
        assert cli(*lost, "--confirm", archive=archive, actor="Bo Example").status == 0
    card = only(told(archive, days=402))
    assert card.no_longer_safe
    assert "NO LONGER SAFE" in printed(told(archive, days=403)), "and again until it is safe"
    if how == "replaced":
        with at_home(archive, now=DAY + timedelta(days=404)) as workspace:
            assert back_up(workspace).troubles == ()
        assert only(told(archive, days=404)).verdict.safe_to_erase
        assert told(archive, days=405).others == 1
        shutil.rmtree(new)


def test_a_change_of_the_rule_for_safety_has_every_card_judged_once(backed_up):
    archive, _, _ = backed_up
    told(archive, days=400)
    with (archive / "evidence.toml").open("a") as settings:
        settings.write("\n[safety]\nplaces = 3\n")
    assert only(told(archive, days=401)).no_longer_safe


def test_at_most_twenty_cards_are_printed_and_the_others_counted(backed_up):
    archive, _, _ = backed_up
    old_cards(archive, 30)
    report = told(archive, days=400)
    assert len(report.cards) == 31
    text = printed(report)
    assert text.count("NO LONGER SAFE") == card_lines.MOST_CARDS == 20
    assert "10 more cards, 10 of them not safe: `evidence cards`" in unwrapped(text)
