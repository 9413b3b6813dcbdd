"""The tiles of a photo: the original's own pixels, upright, for each EXIF orientation and kind of file."""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path

import numpy as np
import pi_heif
import pytest
from PIL import Image, ImageOps

from evidence.model import MediaKind, Sha256
from evidence.sight.request import TileRequest, tile_levels, tiles_path
from evidence.sight.tiles import make_tiles

SHA = Sha256("c" * 64)
TILE = 512
REAL_HEIC = Path(__file__).parents[3] / "shared" / "real_photos" / "cameras" / "iphone_13_pro_max.HEIC"


def picture(width, height):
    """Soft colours that differ at every place, with a block of two colours in one corner."""
    across, down = np.linspace(0, 255, width)[None, :], np.linspace(0, 255, height)[:, None]
    pixels = np.empty((height, width, 3), np.uint8)
    for place, colour in enumerate((across, down, (across + down) / 2)):
        pixels[..., place] = colour.astype(np.uint8)
    pixels[: height // 5, : width // 7] = (250, 20, 20)
    return Image.fromarray(pixels)


def tiled(path, tmp_path, *, orientation=1, kind=MediaKind.PHOTO, memory_mb=1200):
    request = TileRequest(
        path=path,
        sha256=SHA,
        kind=kind,
        orientation=orientation,
        thumb_dir=tmp_path / "t",
        memory_mb=memory_mb,
    )
    return make_tiles(request)


def together(tmp_path, level=None):
    """The picture that the tiles of one level make, and what the ZIP file says of it."""
    with zipfile.ZipFile(tiles_path(tmp_path / "t", SHA)) as file:
        info = json.loads(file.read("info.json"))
        level = info["levels"][0] if level is None else level
        scale = 2 ** (info["levels"][0] - level)
        width, height = -(-info["width"] // scale), -(-info["height"] // scale)
        whole = Image.new("RGB", (width, height))
        for column in range(-(-width // TILE)):
            for row in range(-(-height // TILE)):
                tile = Image.open(io.BytesIO(file.read(f"{level}/{column}_{row}.jpg")))
                assert tile.size == (min(TILE, width - column * TILE), min(TILE, height - row * TILE))
                whole.paste(tile, (column * TILE, row * TILE))
    return np.asarray(whole, np.int16), info


@pytest.mark.parametrize("orientation", range(1, 9))
def test_tiles_are_the_upright_picture_for_each_orientation(tmp_path, orientation):
    path = tmp_path / "one.jpg"
    exif = Image.Exif()
    exif[0x0112] = orientation  # Exif 2.32: Orientation
    picture(1301, 877).save(path, quality=97, subsampling=0, exif=exif)
    made = tiled(path, tmp_path, orientation=orientation)
    with Image.open(path) as opened:
        upright = np.asarray(ImageOps.exif_transpose(opened).convert("RGB")).astype(
            np.int16
        )  # Pillow's own reading
    assert (made.width, made.height) == upright.shape[1::-1]
    assert made.message == ""
    pixels, _ = together(tmp_path)
    assert np.abs(pixels - upright).mean() < 1.5
    assert np.abs(pixels - upright).max() < 60  # at the edge of the block, where JPEG rings


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("p.jpg", {"quality": 95, "progressive": True}),
        ("g.png", {"compress_level": 1}),
        ("t.tif", {"compression": "tiff_lzw"}),
        ("w.webp", {"quality": 95, "method": 0}),
    ],
)
def test_each_kind_of_picture_has_tiles(tmp_path, name, options):
    path = tmp_path / name
    picture(1700, 1100).save(path, **options)
    assert tiled(path, tmp_path).message == ""
    pixels, info = together(tmp_path)
    assert (info["width"], info["height"]) == (1700, 1100)
    with Image.open(path) as opened:
        assert np.abs(pixels - np.asarray(opened.convert("RGB")).astype(np.int16)).mean() < 3


def test_a_grey_picture_and_one_with_transparency_have_tiles(tmp_path):
    for mode in ("L", "RGBA", "CMYK"):
        path = tmp_path / f"{mode}.{'png' if mode == 'RGBA' else 'jpg'}"
        picture(700, 600).convert(mode).save(path)
        assert tiled(path, tmp_path).message == "", mode
        pixels, _ = together(tmp_path)
        assert pixels.shape == (600, 700, 3)


def test_the_levels_halve_down_to_the_preview(tmp_path):
    path = tmp_path / "large.jpg"
    picture(4101, 1333).save(path, quality=95)
    tiled(path, tmp_path)
    _, info = together(tmp_path)
    assert info["levels"] == [13, 12]  # 2 ** 13 is the first power of two from 4,101
    small, _ = together(tmp_path, 12)
    assert small.shape == (667, 2051, 3)
    expected = picture(4101, 1333).resize((2051, 667), Image.Resampling.BOX)
    assert np.abs(small - np.asarray(expected).astype(np.int16)).mean() < 2
    assert tile_levels(1280, 900) == [11]
    assert tile_levels(1, 1) == [0]


def test_no_tile_holds_the_originals_metadata(tmp_path):
    path = tmp_path / "exif.jpg"
    exif = Image.Exif()
    exif[0x010F] = "CAMERAMAKER"
    picture(900, 700).save(path, exif=exif, comment=b"a comment of the camera")
    tiled(path, tmp_path)
    with zipfile.ZipFile(tiles_path(tmp_path / "t", SHA)) as file:
        for name in file.namelist():
            data = file.read(name)
            assert b"CAMERAMAKER" not in data
            assert b"comment of" not in data
            assert b"Exif" not in data


def test_a_truncated_file_gives_what_it_has_and_a_bad_one_a_message(tmp_path):
    path = tmp_path / "cut.jpg"
    picture(1400, 1200).save(path, quality=95)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 2 // 3])
    assert tiled(path, tmp_path).message == ""
    pixels, _ = together(tmp_path)
    assert np.abs(pixels[:400] - np.asarray(picture(1400, 1200)).astype(np.int16)[:400]).mean() < 3
    path.write_bytes(b"not a picture at all")
    assert "known kind" in tiled(path, tmp_path).message
    assert "No such file" in tiled(tmp_path / "gone.jpg", tmp_path).message


def test_a_picture_beyond_the_memory_is_refused_with_the_setting_to_raise(tmp_path):
    path = tmp_path / "big.png"
    Image.new("L", (9000, 8000)).save(path)
    made = tiled(path, tmp_path, memory_mb=100)
    assert made.width == 0
    assert "picture_memory_mb" in made.message
    assert not tiles_path(tmp_path / "t", SHA).exists()


def test_a_killed_run_leaves_nothing_that_stays(tmp_path):
    target = tiles_path(tmp_path / "t", SHA)
    target.parent.mkdir(parents=True)
    left = target.with_name(f"{target.name}.0badf00d.part")
    left.write_bytes(b"half")
    path = tmp_path / "one.jpg"
    picture(700, 600).save(path)
    tiled(path, tmp_path)
    assert sorted(one.name for one in target.parent.iterdir()) == [target.name]


def test_a_phones_heic_is_cut_into_tiles_upright_once(tmp_path):
    """`turned.heic` is `picture(1040, 780)` with EXIF orientation 6, written by pillow-heif (libheif and x265).

    Its decoder turns it, so the orientation that the reader of EXIF found must not turn it again.
    """
    path = Path(__file__).with_name("turned.heic")
    made = tiled(path, tmp_path, orientation=6)
    assert (made.message, made.width, made.height) == ("", 780, 1040)
    pixels, info = together(tmp_path)
    assert (info["width"], info["height"]) == (780, 1040)
    upright = np.asarray(picture(1040, 780).transpose(Image.Transpose.ROTATE_270)).astype(np.int16)
    assert np.abs(pixels - upright).mean() < 4, (
        "the red corner is at the top right, the colours are the picture's"
    )
    wrong = np.asarray(picture(1040, 780).transpose(Image.Transpose.ROTATE_90)).astype(np.int16)
    assert np.abs(pixels - wrong).mean() > 40


def test_a_heic_that_is_cut_off_or_needs_too_much_memory_has_no_tiles_and_says_why(tmp_path):
    whole = Path(__file__).with_name("turned.heic")
    half = tmp_path / "half.heic"
    half.write_bytes(whole.read_bytes()[:2000])
    assert tiled(half, tmp_path).message == "The file does not hold a picture of a known kind."
    assert "the limit is 5 MB" in tiled(whole, tmp_path, memory_mb=5).message
    assert not list((tmp_path / "t").rglob("*"))


@pytest.mark.skipif(not REAL_HEIC.is_file(), reason="no folder ../shared/real_photos beside this checkout")
def test_a_real_phones_heic_has_tiles_of_all_its_pixels(tmp_path):
    made = tiled(REAL_HEIC, tmp_path)
    assert (made.message, made.width, made.height) == ("", *pi_heif.open_heif(REAL_HEIC).size)
    pixels, _ = together(tmp_path)
    assert pixels[::4, ::4].std() > 10
