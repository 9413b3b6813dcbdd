"""`evidence doctor` finds what keeps an archive from working, and `evidence status` says how it stands."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta

import pytest
from support_cli import cli, make_archive

from evidence.cli.overview import days_left
from evidence.office import health
from evidence.office.health import Health, check_health
from evidence.workspace import Workspace


def found(archive):
    return {one.about: one for one in check_health(archive)}


def test_a_new_archive_is_well_but_for_the_disk_that_no_card_can_do_without(tmp_path):
    checks = found(make_archive(tmp_path))
    assert checks["settings"].outcome is Health.GOOD
    assert checks["catalog"].outcome is Health.GOOD
    assert checks["clock"].outcome is Health.GOOD
    assert checks["permissions"].outcome is Health.GOOD
    assert checks["safety"].outcome is Health.BAD
    assert "--off-computer" in checks["safety"].to_do


def test_a_disk_that_is_away_is_named_with_what_to_do(tmp_path, other_disk):
    archive = make_archive(tmp_path)
    place = other_disk / "red"
    assert cli("target", "add", "red", place, "--off-computer", archive=archive).status == 0
    assert found(archive)["backup target red"].outcome is Health.GOOD
    assert "safety" not in found(archive)
    place.rename(other_disk / "away")
    away = found(archive)["backup target red"]
    assert away.outcome is Health.WARNING
    assert "evidence backup" in away.to_do


def test_wrong_settings_and_a_missing_catalog_are_findings_with_their_own_hint(tmp_path):
    archive = make_archive(tmp_path)
    settings = archive / "evidence.toml"
    good = settings.read_text("utf-8")
    settings.write_text(good + "\n[wacth]\nsettle_s = 1\n", "utf-8")
    ran = cli("doctor", archive=archive)
    assert ran.status == 1
    assert "wacth" in ran.out
    assert ran.err == ""
    settings.write_text(good, "utf-8")
    (archive / "catalog.sqlite").write_bytes(b"no database" * 1000)
    assert found(archive)["archive"].outcome is Health.BAD


def test_a_clock_that_went_back_is_bad(tmp_path):
    archive = make_archive(tmp_path)
    with Workspace(archive, now=lambda: datetime.now(UTC) + timedelta(days=90)) as here:
        here.record("something", "subject")
    assert found(archive)["clock"].outcome is Health.BAD


@pytest.mark.skipif(os.name != "posix", reason="permissions are POSIX's")
def test_a_key_that_others_may_read_is_bad(tmp_path):
    archive = make_archive(tmp_path)
    keys = list(archive.rglob("signing-key.json"))
    for key in keys:
        key.chmod(0o644)
    checks = found(archive)
    assert (checks["permissions"].outcome is Health.BAD) == bool(keys)


def test_a_library_that_is_not_installed_is_named(monkeypatch):
    monkeypatch.setattr(
        health.metadata, "requires", lambda _: ["nothing-of-this-name>=1,<2", 'later; extra == "test"']
    )
    (check,) = [one for one in health._versions() if one.about == "libraries"]
    assert "nothing-of-this-name" in check.found
    assert "later" not in check.found


def test_status_shows_the_last_card_the_claims_that_need_someone_and_the_space(houses):
    shown = cli("status", archive=houses)
    assert shown.status == 0
    data = cli("status", "--json", archive=houses).data
    assert data["last_card"]["verdict"]["safe_to_erase"] is False
    assert {one["claim"] for one in data["needs"]} >= {"TC-1001"}
    assert all(one["missing"] or one["guessed"] or one["house_to_confirm"] for one in data["needs"])
    with Workspace(houses) as here:
        (run,) = here.catalog.photos.intakes()
        came = here.catalog.photos.octets_since(run.started_at)
        assert came == sum(one.size for one in here.catalog.photos.originals(every_digest(here)).values())
        assert here.catalog.photos.octets_since(run.started_at + timedelta(seconds=1)) == 0
    assert "Do NOT erase it yet" in shown.out
    assert "GB" in shown.out


def test_the_days_left_come_from_what_the_last_thirty_days_brought(houses):
    with Workspace(houses) as here:
        (run,) = here.catalog.photos.intakes()
        came = here.catalog.photos.octets_since(run.started_at)
    with Workspace(houses, now=lambda: run.started_at + timedelta(days=30)) as here:
        assert days_left(here, came * 2) == 60
    with Workspace(houses, now=lambda: run.started_at + timedelta(days=31)) as here:
        assert days_left(here, came * 2) is None


def every_digest(here):
    return [one.sha256 for claim in ("TC-1001", "TC-1002") for one in here.catalog.photos.of_claim(claim)]
