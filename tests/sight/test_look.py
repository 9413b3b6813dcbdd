"""The analysis of one photo, and of many photos of which some fail."""

from __future__ import annotations

import hashlib
import io
import json
import os
import struct
import subprocess
import sys
import zlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial

import cv2
import numpy as np
import piexif
import pytest
from PIL import Image, ImageOps
from support_looks import failing_look
from support_sight import backdrop, held_in_frame, on_white, qr_pixels, sensor_noise

import evidence.sight.look as look_module
from evidence.codec import from_json, to_json
from evidence.model import Look, MediaKind, SceneKind
from evidence.sight import contents, large_pictures, pictures
from evidence.sight.batch import look_all
from evidence.sight.codes import divider_qr, label_tag_image
from evidence.sight.large_pictures import memory_needed
from evidence.sight.look import look
from evidence.sight.pictures import MOST_PIXELS, load_full_grey, load_picture
from evidence.sight.request import THUMB_SIDES, LookOptions, LookRequest, thumb_path
from evidence.sight.workers import Tasks

QUICK = LookOptions(read_writing=False, scene_kinds=False)
"""For tests of what happens round a look, not of what it sees."""


PLAIN = LookOptions(read_writing=False, scene_kinds=False)
"""Without the networks, which have tests of their own and take most of a look's time."""


def request_for(path, **more):
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    return LookRequest(path=path, sha256=digest, **{"kind": MediaKind.PHOTO, "options": PLAIN, **more})


def scene(width=1200, height=900, seed=0):
    grey = np.clip(backdrop(width, height, seed) + 8 * sensor_noise(width, height), 0, 255).astype(np.uint8)
    return np.dstack([grey, np.roll(grey, 7, 1), 255 - grey])


def saved(path, pixels, **more):
    Image.fromarray(pixels).save(path, **{"quality": 90, "compress_level": 1, **more})
    return path


def codes_of(result):
    return [flag.code for flag in result.flags]


def test_a_look_finds_the_divider_and_the_label_and_measures_the_photo(tmp_path):
    rng = np.random.default_rng(1)
    page = np.hstack(
        [
            on_white(qr_pixels(divider_qr("HX-204881")), 500, page=(700, 800)),
            on_white(label_tag_image(9, 300), 300, page=(600, 800)),
        ]
    )
    photo = held_in_frame(page, (2400, 1800), rng, area=0.4)
    seen = look(request_for(saved(tmp_path / "a.jpg", photo)))
    assert [mark.claim for mark in seen.dividers] == ["HX-204881"]
    assert [mark.number for mark in seen.labels] == [9]
    assert (seen.quality.width, seen.quality.height) == (2400, 1800)
    assert len(seen.phash) == 16
    assert int(seen.phash, 16) > 0
    assert seen.flags == ()
    assert from_json(Look, json.loads(json.dumps(to_json(seen)))) == seen


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_is_brought_upright_as_pillow_does(tmp_path, orientation):
    """Exif 2.32 table of the orientation tag; Pillow's exif_transpose is the second reader."""
    exif = piexif.dump({"0th": {piexif.ImageIFD.Orientation: orientation}})
    path = saved(tmp_path / "o.jpg", scene(640, 400), exif=exif)
    with Image.open(path) as photo:
        expected = np.asarray(ImageOps.exif_transpose(photo).convert("RGB"))
    picture = load_picture(path, MediaKind.PHOTO, orientation)
    assert np.array_equal(picture.rgb, expected)
    assert (picture.height, picture.width) == expected.shape[:2]


def test_the_same_photo_held_another_way_gives_the_same_look(tmp_path):
    upright = scene()
    first = look(request_for(saved(tmp_path / "a.png", upright)))
    turned = look(request_for(saved(tmp_path / "b.png", np.rot90(upright, 1)), orientation=6))
    assert turned.phash == first.phash
    assert turned.quality == first.quality


@pytest.mark.parametrize("size", [(4000, 3000), (3000, 4000), (4608, 1976), (5000, 1000)])
def test_a_large_jpeg_is_decoded_reduced_whatever_its_shape(tmp_path, size, monkeypatch):
    """A known mistake: a square box on a 4:3 photo silently decodes at full size."""
    path = saved(tmp_path / "a.jpg", np.zeros((size[1], size[0], 3), np.uint8))
    decoded = []
    true_load = pictures._load
    monkeypatch.setattr(pictures, "_load", lambda *a: decoded.append(true_load(*a)) or decoded[-1])
    picture = load_picture(path, MediaKind.PHOTO)
    assert 1600 <= max(decoded[0].size) < 3200
    assert max(picture.rgb.shape) == 1600
    assert (picture.width, picture.height) == size
    assert load_full_grey(path, MediaKind.PHOTO).shape == (size[1], size[0])


def test_thumbnails_are_upright_small_and_carry_nothing_of_the_cameras_data(tmp_path):
    exif = piexif.dump({
        "0th": {piexif.ImageIFD.Orientation: 6, piexif.ImageIFD.Make: b"Halden"},
        "GPS": {piexif.GPSIFD.GPSLatitude: ((35, 1), (0, 1), (0, 1)), piexif.GPSIFD.GPSLatitudeRef: b"N"},
    })  # fmt: skip
    request = request_for(
        saved(tmp_path / "a.jpg", scene(2000, 1500), exif=exif), orientation=6, thumb_dir=tmp_path / "t"
    )
    look(request)
    for side in THUMB_SIDES:
        path = thumb_path(tmp_path / "t", request.sha256, side)
        assert path == tmp_path / "t" / request.sha256[:2] / f"{request.sha256}_{side}.jpg"
        with Image.open(path) as thumb:
            assert thumb.size == (side * 3 // 4, side)
            assert not thumb.getexif()
        assert b"Halden" not in path.read_bytes()
    assert not list(tmp_path.rglob("*.part"))


def test_the_photo_itself_is_not_touched(tmp_path):
    path = saved(tmp_path / "a.jpg", scene())
    path.chmod(0o444)
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    look(request_for(path, thumb_dir=tmp_path / "t"))
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def test_a_folder_that_cannot_be_written_loses_only_the_thumbnail(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    seen = look(request_for(saved(tmp_path / "a.jpg", scene()), thumb_dir=blocked))
    assert codes_of(seen) == ["no_thumbnail"]
    assert seen.phash
    assert seen.quality


def png_claiming(width, height):
    """A PNG header and little else (ISO/IEC 15948)."""

    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(b"\0" * 100)) + chunk(b"IEND", b"")


BAD = {
    "empty": (b"", "undecodable"),
    "text": (b"this is no picture\n" * 50, "undecodable"),
    "a jpeg of three bytes": (b"\xff\xd8\xff", "undecodable"),
    "a bomb": (png_claiming(60_000, 60_000), "decompression_bomb"),
    "a png cut short": (png_claiming(800, 600), "undecodable"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_picture_is_flagged_and_never_raises(tmp_path, name):
    content, code = BAD[name]
    path = tmp_path / "bad.jpg"
    path.write_bytes(content)
    seen = look(request_for(path, thumb_dir=tmp_path / "t"))
    assert codes_of(seen) == [code]
    assert (seen.phash, seen.quality) == ("", None)


def test_a_photo_of_the_largest_camera_is_not_a_decompression_bomb():
    assert MOST_PIXELS > 200_000_000
    assert Image.MAX_IMAGE_PIXELS * 2 == MOST_PIXELS


MEASURED = """
import json, os, sys
from pathlib import Path
from evidence.model import MediaKind
from evidence.sight.large_pictures import memory_needed
from evidence.sight.look import look
from evidence.sight.request import LookOptions, LookRequest

def peak():  # megabytes that this process held at most (Linux proc(5), VmHWM)
    line = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024

plain = LookOptions(read_writing=False, scene_kinds=False)

def measured(name):
    before = peak()
    seen = look(LookRequest(path=Path(name), sha256="0" * 64, kind=MediaKind.PHOTO, options=plain, thumb_dir=Path(sys.argv[1])))
    print(json.dumps([[flag.code for flag in seen.flags], seen.quality and seen.quality.width, peak() - before]), flush=True)

measured(sys.argv[2])
for name in sys.argv[3:]:
    child = os.fork()  # its peak begins with what this process holds
    if not child:
        measured(name)
        os._exit(0)
    os.waitpid(child, 0)
"""
"""A look of each file named: the first one, a small one, in the process itself, each other in a process forked from it."""


def as_users_have_it():
    """The environment without what the tests set about memory."""
    return {name: value for name, value in os.environ.items() if not name.startswith("MALLOC_")}


WHOLE = {"large.bmp": {}, "large.webp": {"method": 0, "quality": 40}}
"""Of kinds that are decoded whole, and how Pillow writes them."""


@pytest.fixture(scope="module")
def large_pictures_seen(tmp_path_factory):
    """The folder of large pictures, and of each by its name: the flags, the width, and megabytes that a look took."""
    pyvips = pytest.importorskip("pyvips")
    folder = tmp_path_factory.mktemp("large")
    slope = (
        np.add.outer(np.arange(750), np.arange(1000)) // 8
    )  # what it shows takes no memory, and this is quick
    tile = pyvips.Image.new_from_array(np.dstack([slope, slope, slope]).astype(np.uint8))
    large = tile.replicate(12, 12)  # 12,000 by 9,000
    large.jpegsave(str(folder / "large.jpg"), Q=80)
    large.pngsave(str(folder / "large.png"), compression=1)
    large.tiffsave(str(folder / "large.tif"), compression="deflate")
    (folder / "bomb.png").write_bytes(png_claiming(60_000, 60_000))
    twelve = Image.fromarray(np.tile(scene(1000, 750), (4, 4, 1)))  # megapixels
    for name, options in WHOLE.items():
        twelve.save(folder / name, **options)
    saved(folder / "small.jpg", scene())
    names = ["small.jpg", "bomb.png", "large.jpg", "large.png", "large.tif", *WHOLE]
    command = [sys.executable, "-c", MEASURED, str(folder), *(str(folder / name) for name in names)]
    lines = subprocess.run(
        command, capture_output=True, text=True, check=True, env=as_users_have_it()
    ).stdout.splitlines()
    return folder, dict(zip(names, map(json.loads, lines), strict=True))


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="peak memory is read from /proc")
def test_a_picture_of_108_megapixels_takes_little_memory_and_a_bomb_none(large_pictures_seen):
    _, found = large_pictures_seen
    assert found["bomb.png"][0] == ["decompression_bomb"]
    assert found["bomb.png"][2] < 20
    for name in ("large.jpg", "large.png", "large.tif"):
        flags, width, megabytes = found[name]
        assert "too_large" not in flags
        assert width == 12_000
        assert megabytes < 200, name  # decoded whole, the pixels alone take 324 MB


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="peak memory is read from /proc")
@pytest.mark.parametrize("name", WHOLE)
def test_a_kind_that_is_decoded_whole_takes_no_more_memory_than_was_estimated(large_pictures_seen, name):
    folder, found = large_pictures_seen
    megabytes = found[name][2]
    with Image.open(folder / name) as image:
        estimate = memory_needed(image, 1600) / 1e6
    assert estimate / 4 < megabytes < 1.1 * estimate


def test_a_picture_that_needs_more_memory_than_allowed_is_flagged_before_it_is_decoded(tmp_path, monkeypatch):
    path = saved(tmp_path / "a.bmp", np.zeros((4000, 5000, 3), np.uint8))
    allowed = replace(PLAIN, memory_mb=170)
    assert "too_large" not in codes_of(look(request_for(path, options=allowed)))
    monkeypatch.setattr(pictures, "_load", lambda *_: pytest.fail("decoded"))
    seen = look(request_for(path, options=replace(PLAIN, memory_mb=150)))
    assert codes_of(seen) == ["too_large"]
    assert "5000 by 4000 pixels" in seen.flags[0].message
    assert "raise 'picture_memory_mb' in [intake]" in seen.flags[0].message


def test_the_need_of_a_progressive_jpeg_is_that_of_its_coefficients(tmp_path):
    """ITU-T T.81: a progressive scan refines coefficients, so all are kept; at 4:2:0 half as many are colour."""
    pixels = scene(2000, 1500)
    path = saved(tmp_path / "a.jpg", pixels, progressive=True, subsampling="4:2:0")
    with Image.open(path) as image:
        need = memory_needed(image, 250)
    assert need == pytest.approx(2 * 1.5 * 3e6, rel=0.5)
    with Image.open(saved(tmp_path / "b.jpg", pixels)) as image:
        assert memory_needed(image, 250) < 2.5e6


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "L", "LA", "P", "1"])
@pytest.mark.parametrize("kind", ["png", "tif"])
def test_a_picture_read_in_strips_is_the_same_as_one_read_whole(tmp_path, kind, mode, monkeypatch):
    path = tmp_path / f"a.{kind}"
    Image.fromarray(scene(1200, 900)).convert(mode).save(path, compress_level=1)
    whole = load_picture(path, MediaKind.PHOTO, 6), load_full_grey(path, MediaKind.PHOTO)
    monkeypatch.setattr(large_pictures, "STREAMED_FROM", 1)
    monkeypatch.setattr(pictures, "FULL_PIXELS", 500_000)
    strips = load_picture(path, MediaKind.PHOTO, 6), load_full_grey(path, MediaKind.PHOTO)
    assert strips[0].rgb.shape == whole[0].rgb.shape
    assert (strips[0].width, strips[0].height) == (900, 1200)
    tone = 8 if mode != "1" else 60  # a dithered picture depends on the filter
    assert np.abs(strips[0].rgb.astype(int) - whole[0].rgb).mean() < tone
    assert strips[1].size <= 500_000
    assert strips[1].ndim == 2


@pytest.mark.parametrize("kind", ["png", "tif"])
def test_a_large_picture_cut_short_is_flagged(tmp_path, kind, monkeypatch):
    monkeypatch.setattr(large_pictures, "STREAMED_FROM", 1)
    path = saved(tmp_path / f"a.{kind}", scene())
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert codes_of(look(request_for(path))) == ["undecodable"]


def test_a_missing_file_is_flagged(tmp_path):
    gone = LookRequest(path=tmp_path / "gone.jpg", sha256="0" * 64, kind=MediaKind.PHOTO)
    assert codes_of(look(gone)) == ["unreadable"]


def test_a_jpeg_cut_short_is_looked_at_as_far_as_it_goes(tmp_path):
    whole = saved(tmp_path / "whole.jpg", scene()).read_bytes()
    cut = tmp_path / "cut.jpg"
    cut.write_bytes(whole[: len(whole) * 6 // 10])
    seen = look(request_for(cut, thumb_dir=tmp_path / "t"))
    assert codes_of(seen)[0] == "truncated"
    assert (seen.quality.width, seen.quality.height) == (1200, 900)
    upper = load_picture(cut, MediaKind.PHOTO).rgb[:400].astype(int)
    assert np.abs(upper - load_picture(tmp_path / "whole.jpg", MediaKind.PHOTO).rgb[:400]).max() == 0


def test_flipped_bytes_anywhere_in_a_jpeg_never_raise(tmp_path):
    rng = np.random.default_rng(6)
    whole = bytearray(saved(tmp_path / "whole.jpg", scene(320, 240)).read_bytes())
    path = tmp_path / "hurt.jpg"
    for _ in range(80):
        hurt = bytearray(whole)
        for _ in range(int(rng.integers(1, 20))):
            hurt[int(rng.integers(2, len(hurt)))] = int(rng.integers(256))
        path.write_bytes(hurt)
        assert isinstance(
            look(LookRequest(path=path, sha256="0" * 64, kind=MediaKind.PHOTO, options=QUICK)), Look
        )


def test_other_kinds_are_not_looked_at(tmp_path):
    path = tmp_path / "a.mov"
    path.write_bytes(b"moov")
    for kind in (MediaKind.VIDEO, MediaKind.SOUND, MediaKind.OTHER):
        assert look(request_for(path, kind=kind)) == Look()


def jpeg_bytes(pixels):
    target = io.BytesIO()
    Image.fromarray(pixels).save(target, "JPEG", quality=88)
    return target.getvalue()


def test_of_a_raw_file_the_largest_preview_is_looked_at(tmp_path):
    large = held_in_frame(
        on_white(qr_pixels(divider_qr("RAW-7")), 500), (1500, 1000), np.random.default_rng(2), area=0.4
    )
    tiny = cv2.resize(large, (160, 107))
    path = tmp_path / "IMG_0001.XYZ"
    noise = np.random.default_rng(1).integers(0, 255, 200_000, dtype=np.uint8).tobytes()
    path.write_bytes(b"II*\0" + bytes(60) + jpeg_bytes(tiny) + noise + jpeg_bytes(large) + noise)
    seen = look(request_for(path, kind=MediaKind.RAW))
    assert [mark.claim for mark in seen.dividers] == ["RAW-7"]
    assert (seen.quality.width, seen.quality.height) == (1500, 1000)


def test_a_raw_file_without_a_preview_is_flagged(tmp_path):
    path = tmp_path / "a.raw"
    path.write_bytes(b"II*\0" + bytes(5000) + b"\xff\xd8\xff" + bytes(500))
    assert codes_of(look(request_for(path, kind=MediaKind.RAW))) == ["no_preview"]


def test_one_step_that_fails_leaves_the_other_results(tmp_path, monkeypatch):
    def broken(*_):
        raise ValueError("broken step")

    monkeypatch.setattr(look_module, "read_codes", broken)
    seen = look(request_for(saved(tmp_path / "a.jpg", scene())))
    assert "look_failed" in codes_of(seen)
    assert seen.phash
    assert seen.quality


@pytest.mark.parametrize("folder", ["cameras", "broken", "sheets"])
def test_every_real_photo_is_looked_at_without_a_failure(real_photos, folder, tmp_path):
    paths = sorted(p for p in (real_photos / folder).iterdir() if p.is_file())
    assert paths
    for path in paths:
        options = LookOptions() if folder == "broken" else PLAIN
        seen = look(request_for(path, thumb_dir=tmp_path, options=options))
        assert "look_failed" not in codes_of(seen), path.name
        assert (seen.dividers, seen.labels) == ((), ()), path.name
        assert bool(seen.quality) == bool(seen.phash), path.name
        if folder != "broken":
            assert seen.quality, path.name


def test_the_pixels_are_those_another_decoder_gives(real_photos):
    """OpenCV's JPEG decoder, reduced the same way; the difference is that of two resamplings."""
    for name in ("cameras/jolla.jpg", "gps_walk/berlin_01.jpg", "cameras/DSCN0012.jpg"):
        path = real_photos / name
        with Image.open(path) as photo:
            orientation = photo.getexif().get(274, 1)
        ours = load_picture(path, MediaKind.PHOTO, orientation).rgb
        theirs = cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB)
        theirs = cv2.resize(theirs, ours.shape[1::-1], interpolation=cv2.INTER_AREA)
        assert np.abs(ours.astype(int) - theirs).mean() < 3, name


# --- many --------------------------------------------------------------------------------


@pytest.fixture
def photos(tmp_path):
    names = ["a.jpg", "kills.jpg", "b.jpg", "raises.jpg", "c.jpg", "hangs.jpg", "d.jpg"]
    return {
        name: request_for(saved(tmp_path / name, scene(320, 240, seed=n)), options=QUICK)
        for n, name in enumerate(names)
    }


def test_photos_that_crash_hang_or_raise_do_not_affect_the_others(photos, monkeypatch):
    monkeypatch.setattr("evidence.sight.batch._look", failing_look)
    monkeypatch.setattr("evidence.sight.workers.START_GRACE_S", 20.0)
    looks = list(look_all(list(photos.values()), workers=2, timeout_s=3.0))
    assert len(looks) == len(photos)
    by_sha = dict(looks)
    assert set(by_sha) == {request.sha256 for request in photos.values()}
    expected = {"kills.jpg": "look_crashed", "raises.jpg": "look_failed", "hangs.jpg": "look_timed_out"}
    for name, request in photos.items():
        if name in expected:
            assert codes_of(by_sha[request.sha256]) == [expected[name]], name
        else:
            assert by_sha[request.sha256] == look(request), name


def test_any_executor_can_be_used(photos):
    good = [request for name, request in photos.items() if len(name) == 5]
    with ThreadPoolExecutor(2) as executor:
        looks = dict(look_all(good, workers=2, executor=executor))
    assert looks == {request.sha256: look(request) for request in good}


def test_a_request_and_a_look_can_be_sent_between_processes(photos):
    import pickle

    request = photos["a.jpg"]
    assert pickle.loads(pickle.dumps(request)) == request
    seen = pickle.loads(pickle.dumps(partial(look, request)))()
    assert pickle.loads(pickle.dumps(seen)) == seen == look(request)


def test_no_photos_need_no_processes():
    assert list(look_all([], workers=2)) == []
    with Tasks(len, make_pool=lambda: pytest.fail("made"), at_once=1, timeout_s=1) as tasks:
        assert list(tasks.rest()) == []


def test_the_look_keeps_to_one_thread(photos):
    look(photos["a.jpg"])
    assert cv2.getNumThreads() == 1
    assert os.getpid() > 0


def test_without_a_network_only_its_results_are_missing(tmp_path, monkeypatch):
    def absent(*_, **__):
        raise OSError("the weights are gone")

    path = saved(tmp_path / "a.jpg", scene(3200, 320))  # searching a strip for writing is quick
    for name in ("embed", "shipped_head", "find_writing", "see_chalk"):
        with monkeypatch.context() as patch:
            if name == "see_chalk":  # it runs on roofs only
                patch.setattr(contents, "_scene", lambda *_: ({SceneKind.ROOF: 1.0}, b""))
            patch.setattr(contents, name, absent)
            seen = look(request_for(path, options=LookOptions()))
        assert codes_of(seen) == ["look_failed"], name
        assert seen.quality
        assert seen.phash


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_the_full_picture_is_as_upright_as_the_reduced_one(tmp_path, orientation):
    path = tmp_path / "turned.jpg"
    grey = np.zeros((600, 800), np.uint8)
    grey[:200, :300] = 255
    Image.fromarray(grey).convert("RGB").save(path, quality=95)
    full = load_full_grey(path, MediaKind.PHOTO, orientation)
    upright = load_picture(path, MediaKind.PHOTO, orientation).grey
    assert full.shape == upright.shape
    assert np.abs(full.astype(int) - upright).max() < 12


@pytest.mark.parametrize(
    "module", ["request", "batch", "scene_head", "workers"], ids=lambda name: f"evidence.sight.{name}"
)
def test_modules_that_only_pass_requests_load_no_imaging_library(module):
    code = (
        f"import sys, evidence.sight.{module}; "
        "heavy = {'cv2', 'PIL', 'onnxruntime', 'rapidocr', 'zxingcpp', 'imagehash', 'pi_heif', 'pyvips', 'scipy', 'onnx'}; "
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], check=False, timeout=60, capture_output=True, text=True
    )
    assert (ran.returncode, ran.stderr) == (0, "")
