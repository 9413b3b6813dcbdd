"""The drawn card is what a camera would have written, and its truth says what is on it."""

from __future__ import annotations

import csv
import re
import sys
from collections import Counter
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import imagehash
import numpy as np
import piexif
import pytest
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

sys.path.insert(0, str(Path(__file__).parents[2]))

from demo_photos.card import SCENARIO, build_card, truth_path, write_assignments
from demo_photos.story import Frame, plan, read_labels, read_scenario
from demo_photos.truth import TruePhoto, Truth
from evidence.model import (
    CameraFacts,
    ClaimId,
    DividerMark,
    LabelMark,
    Look,
    PhotoRecord,
    Sha256,
)
from evidence.settings import default_text
from evidence.sight.codes import read_codes
from evidence.tags.label_cards import read_labels as read_statements
from evidence.tags.vocabulary import load_vocabulary

DCF = re.compile(r"DCIM/[1-9][0-9]{2}[0-9A-Z_]{5}/[0-9A-Z_]{4}(?!0000)[0-9]{4}\.(JPG|AVI)")
"""JEITA CP-3461, by way of a camera maker's manual: 100 to 999 and five characters, four and 0001 to 9999."""

WHOLE, HALF = "width = 1664\nheight = 1248\n", "width = 832\nheight = 624\n"
"""Pixels of the scenario's devices, and of those drawn here: at half the size the codes are read at the least."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    root: Path
    truth: Truth

    def photos(self) -> list[TruePhoto]:
        return [f for f in self.truth.files if f.card_path.endswith(".JPG") and f.special != "litter"]


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Drawn:
    """A thin part of the card at half the size: each sixteenth photo, the sheets and everything special."""
    folder = tmp_path_factory.mktemp("drawn")
    text = SCENARIO.read_text(encoding="utf-8")
    assert text.count(WHOLE) == 2, "two devices"
    (folder / "scenario.toml").write_text(text.replace(WHOLE, HALF), encoding="utf-8")
    return Drawn(
        root=folder / "card",
        truth=build_card(folder / "scenario.toml", folder / "card", every=16, workers=2),
    )


@pytest.fixture(scope="module")
def frames() -> list[Frame]:
    """The whole card, planned and not drawn."""
    return plan(read_scenario(SCENARIO), read_labels())


def test_the_whole_card_is_as_large_and_as_troubled_as_promised(frames: list[Frame]) -> None:
    photos = [f for f in frames if f.card_path.endswith(".JPG")]
    assert len(photos) >= 150
    assert all(f.device.width * f.device.height >= 2_000_000 for f in photos)
    assert len({f.truth.claim for f in frames}) >= 3
    assert {f.special for f in frames} >= {"rotated", "blurred", "doubled", "truncated", "video"}


def test_dcf_names_are_valid_unique_and_cross_a_folder(frames: list[Frame]) -> None:
    paths = [frame.card_path for frame in frames]
    assert [p for p in paths if not DCF.fullmatch(p)] == []
    assert len({p.rsplit(".", 1)[0] for p in paths}) == len(paths)
    folders = [p.split("/")[1] for p in paths]
    assert len(set(folders)) >= 2
    assert len({f[:3] for f in folders}) == len(set(folders)), "no two folders share a number"
    assert any(a.endswith("9999.JPG") and b.endswith("0001.JPG") for a, b in pairwise(paths))


def test_the_day_is_paced_like_an_inspection(frames: list[Frame]) -> None:
    shots = [f for f in frames if f.scene != "copy"]
    for before, after in pairwise(shots):
        gap = after.taken - before.taken
        if before.truth.claim != after.truth.claim:
            assert timedelta(minutes=15) <= gap <= timedelta(minutes=40)
        else:
            assert timedelta(0) < gap <= timedelta(seconds=40)


def test_every_drawn_file_is_in_the_truth_and_every_truth_is_a_file(drawn: Drawn) -> None:
    on_card = {p.relative_to(drawn.root).as_posix() for p in drawn.root.rglob("*") if p.is_file()}
    listed = [f.card_path for f in drawn.truth.files]
    assert sorted(on_card) == sorted(listed)
    assert Truth.read(truth_path(drawn.root)) == drawn.truth


def test_litter_a_stray_text_and_a_film_are_on_the_card(drawn: Drawn) -> None:
    kinds = Counter(f.special for f in drawn.truth.files)
    names = {Path(f.card_path).name for f in drawn.truth.files if f.special == "litter"}
    assert {".DS_Store", "Thumbs.db"} <= names
    assert any(name.startswith("._") for name in names)
    assert kinds["text"] == kinds["video"] == kinds["truncated"] == 1
    film = next(f for f in drawn.truth.files if f.special == "video")
    content = (drawn.root / film.card_path).read_bytes()
    # RIFF: the four letters, the length of what follows, the form (Microsoft's RIFF specification, from memory).
    assert (content[:4], content[8:12]) == (b"RIFF", b"AVI ")
    assert int.from_bytes(content[4:8], "little") + 8 <= len(content)


def test_another_reader_finds_the_exif_that_was_planned(drawn: Drawn, frames: list[Frame]) -> None:
    planned = {f.card_path: f for f in frames}
    for photo in drawn.photos():
        frame = planned[photo.card_path]
        tags = piexif.load(str(drawn.root / photo.card_path))
        first, exif, gps = tags["0th"], tags["Exif"], tags["GPS"]
        assert first[piexif.ImageIFD.Make].decode() == frame.device.make
        assert first[piexif.ImageIFD.Model].decode() == frame.device.model
        assert exif[piexif.ExifIFD.BodySerialNumber].decode() == frame.device.serial
        assert first[piexif.ImageIFD.Orientation] == frame.orientation
        stamp = exif[piexif.ExifIFD.DateTimeOriginal].decode()
        fraction = exif[piexif.ExifIFD.SubSecTimeOriginal].decode()
        # The digits are a decimal fraction of a second: 81 is .81 (exiftool t/Canon_2.out).
        assert datetime.strptime(f"{stamp}.{fraction}", "%Y:%m:%d %H:%M:%S.%f") == frame.taken
        offset = exif.get(piexif.ExifIFD.OffsetTimeOriginal, b"").decode()
        assert offset == frame.device.offset
        if frame.gps is not None:
            assert _degrees(gps[piexif.GPSIFD.GPSLatitude]) == pytest.approx(abs(frame.gps[0]), abs=1e-6)
            assert _degrees(gps[piexif.GPSIFD.GPSLongitude]) == pytest.approx(abs(frame.gps[1]), abs=1e-6)
            assert gps[piexif.GPSIFD.GPSLongitudeRef] == (b"W" if frame.gps[1] < 0 else b"E")


def _degrees(parts: tuple[tuple[int, int], ...]) -> float:
    return sum(top / bottom / 60**place for place, (top, bottom) in enumerate(parts))


def test_pixels_lie_as_the_orientation_says(drawn: Drawn) -> None:
    turned = [f for f in drawn.photos() if f.special == "rotated"]
    assert len(turned) >= 2
    for photo in turned:
        with Image.open(drawn.root / photo.card_path) as image:
            assert image.width > image.height, "stored lying on its side"
            assert image.getexif()[0x0112] in (6, 8)


def test_only_the_truncated_file_fails_to_decode(drawn: Drawn) -> None:
    broken = []
    for photo in drawn.photos():
        try:
            with Image.open(drawn.root / photo.card_path) as image:
                image.load()
        except (OSError, UnidentifiedImageError):
            broken.append(photo.special)
    assert broken == ["truncated"]


def test_distinct_shots_differ_and_doubled_ones_do_not(drawn: Drawn) -> None:
    order = [
        f
        for f in drawn.truth.files
        if f.card_path.endswith(".JPG") and f.special not in ("litter", "truncated")
    ]
    hashes = []
    for photo in order:
        with Image.open(drawn.root / photo.card_path) as image:
            hashes.append(imagehash.phash(image))
    doubled = [hashes[n] - hashes[n - 1] for n, f in enumerate(order) if f.special == "doubled"]
    assert len(doubled) == 4
    assert max(doubled) < 4
    single = [n for n, f in enumerate(order) if f.special != "doubled"]
    apart = [hashes[a] - hashes[b] for place, a in enumerate(single) for b in single[:place]]
    assert sum(distance > 10 for distance in apart) / len(apart) > 0.97


def test_one_file_is_another_byte_for_byte(drawn: Drawn) -> None:
    content = Counter((drawn.root / f.card_path).read_bytes() for f in drawn.photos())
    assert sorted(content.values())[-2:] == [1, 2]


def test_the_codes_in_the_photos_are_the_planned_ones(drawn: Drawn, frames: list[Frame]) -> None:
    planned = {f.card_path: f for f in frames}
    for photo in drawn.photos():
        if photo.special in ("truncated", "blurred"):
            continue
        with Image.open(drawn.root / photo.card_path) as image:
            seen = read_codes(_array(image))
        assert {mark.number for mark in seen.labels} == set(planned[photo.card_path].shown)
        assert [mark.claim for mark in seen.dividers] == ([photo.claim] if photo.role == "divider" else [])


def _array(image: Image.Image) -> NDArray[np.uint8]:
    return np.asarray(image.convert("L"))


def test_what_the_truth_calls_stated_is_what_the_cards_state(frames: list[Frame]) -> None:
    vocabulary = load_vocabulary(default_text("tags.toml"), "tags.toml")
    share = vocabulary.cards.tag_share
    for claim in {f.truth.claim for f in frames}:
        records, expected = [], {}
        for order, frame in enumerate(f for f in frames if f.truth.claim == claim):
            area = share * (0.7 if frame.scene == "label" else 0.05)
            look = Look(
                dividers=(DividerMark(claim=ClaimId(str(claim)), code_area=0.1),)
                if frame.scene == "sheet"
                else (),
                labels=tuple(LabelMark(number=n, code_area=area) for n in frame.shown),
            )
            key = Sha256(frame.card_path)
            records.append(
                PhotoRecord(
                    sha256=key,
                    name=key,
                    card_path=key,
                    claim=ClaimId(str(claim)),
                    order=order,
                    facts=CameraFacts(),
                    look=look,
                    corrected=frame.taken,
                )
            )
            # A film and a copied file follow the cards like any other photo of the walk; the truth leaves them out.
            if frame.scene not in ("video", "copy"):
                expected[key] = {name: str(getattr(frame.truth, name)) for name in frame.truth.stated}
        read = read_statements(records, vocabulary)
        got = {
            key: {facet.value: value.value for facet, value in read.stated.get(key, {}).items()}
            for key in expected
        }
        assert got == expected
        assert dict(read.flags) == {}


def test_the_complete_claim_has_a_photo_for_everything_on_the_list(frames: list[Frame]) -> None:
    table = read_scenario(SCENARIO)
    complete = next(claim["claim"] for claim in table["claim"] if claim.get("complete"))
    shots = Counter(
        (f.truth.role, f.truth.face, f.truth.component) for f in frames if f.truth.claim == complete
    )
    for face in ("front", "right", "back", "left"):
        assert shots["elevation", face, None]
        for component in ("gutter", "downspout", "screen", "siding"):
            assert shots["close_up", face, component] >= 2 or shots["no_damage_proof", face, component]
        assert shots["slope", face, None]
        hits = shots["test_square", face, None] and shots["close_up", face, "shingle"] >= 3
        assert hits or shots["no_damage_proof", face, "shingle"]
    once = {component for _, _, component in shots}
    assert once >= {
        "shingle_gauge",
        "pitch_gauge",
        "layers",
        "drip_edge",
        "vent",
        "pipe_boot",
        "ac_unit",
        "ridge",
    }


def test_the_assignments_are_the_scenario_s_claims(tmp_path: Path) -> None:
    write_assignments(SCENARIO, tmp_path / "claims.csv")
    with (tmp_path / "claims.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    claims = read_scenario(SCENARIO)["claim"]
    assert [row["claim"] for row in rows] == [claim["claim"] for claim in claims]
    assert [float(row["lat"]) for row in rows] == [claim["lat"] for claim in claims]
    assert list(rows[0]) == [
        "claim",
        "insured",
        "address",
        "lat",
        "lon",
        "loss_date",
        "peril",
        "jurisdiction",
        "stories",
        "policy_number",
        "carrier",
        "adjuster",
        "inspector",
        "inspection_start",
        "inspection_end",
    ]
