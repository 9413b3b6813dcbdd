"""The photo report and the sidecars of a claim, through the commands."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from pathlib import Path

import bagit
import pypdf
import pytest
from defusedxml import ElementTree as SafeET
from PIL import Image
from support_cli import cli
from support_intake import loaded_archive, small_houses, taken_in, with_target


def bag_of(archive: Path, claim: str) -> Path:
    return next(path for path in (archive / "claims").iterdir() if path.name.startswith(claim))


def sidecars(bag: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (bag / "data").rglob("*.xmp")}


# --- sidecars in the bag -----------------------------------------------------------------


def test_every_photo_of_a_bag_has_its_sidecar_beside_it_and_the_bag_is_valid(houses):
    for claim in ("TC-1001", "TC-1002"):
        bag = bag_of(houses, claim)
        photos = list((bag / "data").rglob("*.JPG"))
        assert len(photos) == 4
        for photo in photos:
            said = photo.with_name(f"{photo.name}.xmp").read_text(encoding="utf-8")
            assert hashlib.sha256(photo.read_bytes()).hexdigest() in said
            assert f">{claim}<" in said
        bagit.Bag(str(bag)).validate()
    assert not (houses / "sidecars").exists()


def test_a_tag_changes_only_its_own_photos_sidecar_and_all_still_verifies(houses):
    bag = bag_of(houses, "TC-1001")
    before = sidecars(bag)
    cli("tag", "TEST0002.JPG", "--role", "elevation", "--face", "front", archive=houses, actor="R. Viewer")
    after = sidecars(bag)
    assert after["TEST0001.JPG.xmp"] == before["TEST0001.JPG.xmp"]
    assert [name for name, said in after.items() if b"Front elevation" in said] == ["TEST0002.JPG.xmp"]
    assert b"Guessed" in after["TEST0003.JPG.xmp"], "the neighbour's guess follows, as a guess"
    bagit.Bag(str(bag)).validate()
    checked = cli("verify", "--json", archive=houses)
    assert checked.status == 0
    assert (checked.data["bad"], checked.data["missing"]) == ([], [])


def test_an_altered_sidecar_is_found(houses):
    path = next((bag_of(houses, "TC-1001") / "data").rglob("*.xmp"))
    path.chmod(0o644)
    path.write_bytes(path.read_bytes().replace(b"TC-1001", b"TC-9999"))
    found = cli("verify", "--json", archive=houses)
    assert found.status != 0
    assert path.name in json.dumps(found.data["bad"])


def test_a_file_that_no_photo_stands_beside_is_not_taken_for_a_sidecar(houses):
    bag = bag_of(houses, "TC-1001")
    made = bagit.Bag(str(bag))
    (bag / "data" / "stray.xmp").write_text("<x/>")
    made.save(manifests=True)
    found = cli("verify", "--json", archive=houses)
    assert found.status != 0
    assert "stray.xmp" in json.dumps(found.data)


def test_sidecars_spare_what_a_card_brings_itself_and_are_backed_up_but_count_for_no_original(tmp_path):
    archive, card, target = loaded_archive(tmp_path), small_houses(tmp_path / "card"), tmp_path / "elsewhere"
    theirs = card.put("TEST0002.JPG.XMP", b"<from-the-camera/>")
    target.mkdir()
    with_target(archive, target, off=False)
    report = taken_in(archive, card.root)
    assert (report.files, report.kept) == (10, 10)
    kept = {path: path.read_bytes() for path in archive.rglob("TEST0002.JPG*") if path.is_file()}
    assert [p.name for p, data in kept.items() if data == b"<from-the-camera/>"] == [Path(theirs).name]
    assert len([path for path, data in kept.items() if b"xmpmeta" in data]) == 1
    for bag in (archive / "claims").iterdir():
        if (bag / "bagit.txt").exists():
            bagit.Bag(str(bag)).validate()
    assert len([path for path in target.rglob("TEST*.xmp") if b"xmpmeta" in path.read_bytes()]) == 8
    assert cli("verify", archive=archive).status == 0
    assert sum(one["photos"] for one in cli("claims", "--json", archive=archive).data) == 10


def test_what_a_sidecar_says_is_well_formed(houses):
    found = sidecars(bag_of(houses, "TC-1001"))
    assert len(found) == 4
    for data in found.values():
        SafeET.fromstring(data)


# --- the report --------------------------------------------------------------------------


def test_the_report_command_writes_a_pdf_and_says_so_in_the_custody_log(houses, tmp_path):
    out = tmp_path / "report.pdf"
    ran = cli("report", "tc-1001", out, "--per-page", "4", archive=houses, actor="R. Viewer")
    assert ran.status == 0
    reader = pypdf.PdfReader(out)
    assert f"{len(reader.pages)} pages, 3 photos, " in " ".join(ran.out.split())
    assert "photos of the report: 3 of 3" in ran.err
    cover = reader.pages[0].extract_text()
    assert "Claim TC-1001" in cover
    assert "Not complete" in cover
    log = (houses / "custody" / "custody.jsonl").read_text(encoding="utf-8").splitlines()
    entry = json.loads(log[-1])
    assert "report_written" in log[-1]
    assert "R. Viewer" in log[-1]
    assert hashlib.sha256(out.read_bytes()).hexdigest() in json.dumps(entry)
    assert cli("custody", "--verify", archive=houses).status == 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["report", "TC-9", "x.pdf"], "There is no claim TC-9"),
        (["report", "TC-1001", "no/such/folder/x.pdf"], "cannot be written"),
        (["report", "TC-1001", "x.pdf", "--per-page", "5"], "Choose 2, 4 or 6"),
        (["report", "TC-1001", "x.pdf", "--max-mb", "0.001"], "with the smallest pictures"),
        (["report", "TC-1001", "x.pdf", "--max-mb", "-1"], "is no size"),
        (["table", "TC-9"], "There is no claim TC-9"),
        (["table", "TC-1001", "--json", "--csv"], "either CSV or JSON"),
        (["table", "TC-1001", "--out", "no/such/folder/x.csv"], "cannot be written"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_bad_input_is_one_line_and_status_2(houses, tmp_path, monkeypatch, arguments, says):
    monkeypatch.chdir(tmp_path)
    ran = cli(*arguments, archive=houses)
    assert ran.status == 2
    (line,) = [one for one in ran.err.splitlines() if not one.startswith("photos of the report:")]
    assert says in line
    assert not list(tmp_path.glob("x.*"))


@pytest.mark.parametrize(
    "command",
    [
        ["report", "TC-1001", "out"],
        ["sheets", "out"],
        ["labels", "out"],
        ["table", "TC-1001", "--out", "out"],
    ],
    ids=lambda command: command[0],
)
def test_no_command_replaces_a_file_without_force(houses, tmp_path, monkeypatch, command):
    monkeypatch.chdir(tmp_path)
    out = tmp_path / "out"
    out.write_text("older")
    refused = cli(*command, archive=houses)
    assert refused.status == 2
    assert "exists already; it was not replaced" in refused.err
    assert refused.err.count("\n") == 1
    assert "--force" in refused.err
    assert out.read_text() == "older"
    assert cli(*command, "--force", archive=houses).status == 0
    assert out.read_bytes() != b"older"
    assert not list(tmp_path.glob("*.part"))


def test_the_report_has_the_offices_name_and_refuses_a_logo_that_is_no_picture(houses, tmp_path):
    settings = houses / "evidence.toml"
    before = settings.read_text(encoding="utf-8")
    out = tmp_path / "report.pdf"
    logo = houses / "config" / "logo.png"
    logo.parent.mkdir(exist_ok=True)
    Image.new("RGB", (300, 100), (20, 90, 90)).save(logo)
    settings.write_text(
        before + '\n[office]\nname = "Marl & Tarn"\nlogo = "config/logo.png"\n', encoding="utf-8"
    )
    assert cli("report", "TC-1001", out, archive=houses).status == 0
    cover = pypdf.PdfReader(out).pages[0]
    assert "Marl & Tarn" in cover.extract_text()
    assert len(cover.images) == 1
    Image.new("RGBA", (300, 100)).save(logo)
    clear = cli("report", "TC-1001", out, "--force", archive=houses)
    assert (clear.status, clear.err.count("\n")) == (2, 1)
    assert "transparent" in clear.err
    logo.write_text("no picture")
    broken = cli("report", "TC-1001", out, "--force", archive=houses)
    assert (broken.status, broken.err.count("\n")) == (2, 1)
    assert "cannot be read as a picture" in broken.err


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX systems")
def test_a_report_is_readable_to_the_owner_and_the_group_only(houses, tmp_path):
    out = tmp_path / "report.pdf"
    cli("report", "TC-1001", out, archive=houses)
    assert stat.S_IMODE(out.stat().st_mode) == 0o640
