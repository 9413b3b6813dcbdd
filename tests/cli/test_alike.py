"""From a card to an answer on the command line: a photo that is saved again for another claim is found at its intake."""

from __future__ import annotations

import io
from datetime import timedelta

import numpy as np
import pytest
from PIL import Image
from support_cli import cli, make_archive
from support_kill import HereExecutor

from evidence.intake.pipeline import take_in
from evidence.workspace import Workspace, utc_now

CLAIMS = "claim,insured,peril\nTC-1001,Ann Example,hail\nTC-1002,Bo Sample,hail\n"


def drawn(seed):
    """A picture of broad light and dark areas, as a photo of a house is."""
    coarse = np.random.default_rng(seed).integers(0, 256, (7, 9, 3), dtype=np.uint8)
    return Image.fromarray(coarse).resize((900, 700), Image.Resampling.BICUBIC)


def saved(picture, path, taken, quality=90):
    """The picture as a camera would save it, taken at that moment."""
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = taken
    path.parent.mkdir(parents=True, exist_ok=True)
    data = io.BytesIO()
    picture.save(data, "JPEG", quality=quality, exif=exif)
    path.write_bytes(data.getvalue())


@pytest.fixture
def archive(tmp_path):
    """Claim TC-1001 with three photos."""
    made = make_archive(tmp_path)
    (made / "evidence.toml").write_text(
        "[intake]\nworkers = 1\nread_writing = false\nscene_kinds = false\n", encoding="utf-8"
    )
    listed = tmp_path / "claims.csv"
    listed.write_text(CLAIMS, encoding="utf-8")
    assert cli("assignments", listed, archive=made).status == 0
    for n in range(3):
        saved(drawn(n), tmp_path / "one" / "DCIM" / "100TEST" / f"A{n:04d}.JPG", f"2026:05:14 09:0{n}:00")
    earlier = utc_now() - timedelta(hours=1)  # the names of two intakes of one second tell no order
    with Workspace(made, actor="Ada Clerk", now=lambda: earlier) as here:
        take_in(here, tmp_path / "one", executor=HereExecutor())
    move(made, "A0000.JPG", "A0001.JPG", "A0002.JPG", to="TC-1001")
    return made


def move(archive, *photos, to):
    assert cli("move", *photos, "--to", to, archive=archive).status == 0


def test_a_copy_that_was_mirrored_and_saved_again_is_found_answered_and_undone(archive, tmp_path):
    card = tmp_path / "two" / "DCIM" / "100TEST"
    saved(drawn(1).transpose(Image.Transpose.FLIP_LEFT_RIGHT), card / "B0000.JPG", "2026:07:02 10:00:00", 60)
    saved(drawn(8), card / "B0001.JPG", "2026:07:02 10:01:00")
    cli("intake", tmp_path / "two", archive=archive)
    move(archive, "B0000.JPG", "B0001.JPG", to="TC-1002")
    again = cli("intake", tmp_path / "two", "--json", archive=archive)
    assert again.data["used_before"] == [{"claim": "TC-1002", "photos": ["B0000.JPG"], "others": ["TC-1001"]}]
    told = cli("intake", tmp_path / "two", archive=archive).out
    assert "Claim TC-1002: 1 photo the same as, or nearly the same as" in " ".join(told.split())

    found = cli("alike", "TC-1002", "--json", archive=archive)
    assert found.status == 1
    (one,) = found.data
    assert (one["name"], one["likeness"], one["answer"]) == ("B0000.JPG", "alike", None)
    (other,) = one["others"]
    assert (other["claim"], other["turned"]) == ("TC-1001", "mirrored")
    assert other["bits"] <= 6
    assert cli("alike", "TC-1001", archive=archive).status == 0

    listed = cli("photos", "TC-1002", "--json", archive=archive).data
    flags = {photo["name"]: [flag["code"] for flag in photo["flags"]] for photo in listed}
    assert "alike_elsewhere" in flags["B0000.JPG"]
    assert "alike_elsewhere" not in flags["B0001.JPG"]

    done = cli("alike", "TC-1002", "--look-into", "B0000.JPG", archive=archive, actor="Rita")
    assert done.status == 0
    assert "Answered by Rita: look into it." in " ".join(done.out.split())
    flags = cli("coverage", "TC-1002", "--json", archive=archive).data["flags"]
    assert any(flag["message"].endswith("somebody is to look into it.") for flag in flags)
    assert cli("rebuild", archive=archive).status in {0, 1}
    kept = cli("alike", "TC-1002", "--json", archive=archive)
    assert (kept.status, kept.data[0]["answer"], kept.data[0]["answered_by"]) == (0, "look_into", "Rita")
    assert cli("undo", archive=archive).status == 0
    assert cli("alike", "TC-1002", archive=archive).status == 1


def test_a_photo_that_is_no_finding_is_refused_in_one_line(archive):
    refused = cli("alike", "TC-1001", "--fine", "A0000.JPG", archive=archive)
    assert refused.status == 2
    assert "A0000.JPG is not among the photos of claim TC-1001" in refused.err
    assert "Traceback" not in refused.err
