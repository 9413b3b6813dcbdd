"""Damaged files for the fuzzing run: small seed files of each kind, and a seeded mutator over them.

Input number `n` of a seed is always the same bytes, so that a run can be continued and a failure repeated.
"""

from __future__ import annotations

import io
import random
import struct
import zlib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import piexif
from PIL import Image

from evidence.model import MediaKind

REAL = Path(__file__).parents[3] / "shared" / "real_photos"
SMALL = 40_000
"""Bytes: a larger JPEG is made smaller, with its camera data kept, so that many inputs can be tried."""
SIDE = 200
"""Pixels of the long side of a photo that was made smaller."""
WORTH_TRYING = (0, 1, 2, 7, 8, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
"""Numbers at which a length, a count or an offset goes wrong."""

KINDS = {".jpg": 50, ".heic .avif": 15, ".dng .nef .cr2 .tif": 20, ".png .webp": 8, ".mp4 .mov": 7}
"""Shares of the inputs, in hundredths, by kind of file."""


@dataclass(frozen=True)
class Seed:
    """A whole file, and how its kind and name end."""

    name: str
    data: bytes
    kind: MediaKind

    @property
    def suffix(self) -> str:
        """The extension, with its dot."""
        return Path(self.name).suffix.lower()


@cache
def seeds() -> tuple[Seed, ...]:
    """Made files of each kind, and the real photos where they are there. In a fixed order."""
    return (*_made(), *_real())


def mutated(number: int, seed: int) -> tuple[Seed, bytes]:
    """Input `number`: the seed file it comes from, and its damaged bytes."""
    rng = random.Random(f"{seed}/{number}")
    group = rng.choices(tuple(KINDS), tuple(KINDS.values()))[0]
    one = rng.choice([one for one in seeds() if one.suffix in group.split()] or seeds())
    data = bytearray(one.data)
    for _ in range(1 + min(15, int(rng.expovariate(0.4)))):
        rng.choice(_MUTATIONS)(data, rng)
    return one, bytes(data)


# --- mutations ------------------------------------------------------------------------------


def _place(data: bytearray, rng: random.Random) -> int:
    """A place in the file, most often in its first bytes, where headers and camera data are."""
    most = len(data) if rng.random() < 0.3 else min(len(data), rng.choice((64, 512, 4096)))
    return rng.randrange(max(1, most))


def _flip(data: bytearray, rng: random.Random) -> None:
    if data:
        data[min(_place(data, rng), len(data) - 1)] ^= 1 << rng.randrange(8)


def _number(data: bytearray, rng: random.Random) -> None:
    size, code = rng.choice(((1, "B"), (2, "H"), (4, "I"), (8, "Q")))
    value = rng.choice(WORTH_TRYING) & ((1 << 8 * size) - 1)
    at = _place(data, rng)
    data[at : at + size] = struct.pack(rng.choice("<>") + code, value)


def _cut_end(data: bytearray, rng: random.Random) -> None:
    del data[_place(data, rng) :]


def _cut_out(data: bytearray, rng: random.Random) -> None:
    at = _place(data, rng)
    del data[at : at + rng.choice((1, 2, 4, 16, 200, 3000))]


def _repeat(data: bytearray, rng: random.Random) -> None:
    at = _place(data, rng)
    piece = data[at : at + rng.choice((1, 4, 12, 100, 2000))]
    data[at:at] = piece * rng.choice((1, 1, 2, 30))


def _insert(data: bytearray, rng: random.Random) -> None:
    at = _place(data, rng)
    data[at:at] = rng.randbytes(rng.choice((1, 2, 4, 64, 1000)))


def _overwrite(data: bytearray, rng: random.Random) -> None:
    at, size = _place(data, rng), rng.choice((1, 2, 4, 12, 64, 1000))
    data[at : at + size] = rng.choice((bytes(size), b"\xff" * size, rng.randbytes(size)))


def _splice(data: bytearray, rng: random.Random) -> None:
    other = rng.choice(seeds()).data
    start, size = rng.randrange(max(1, len(other))), rng.choice((16, 200, 4000))
    at = _place(data, rng)
    data[at : at + size] = other[start : start + size]


_MUTATIONS = (
    _flip,
    _flip,
    _number,
    _number,
    _number,
    _cut_end,
    _cut_out,
    _repeat,
    _insert,
    _overwrite,
    _splice,
)


# --- seed files -----------------------------------------------------------------------------


def _made() -> list[Seed]:
    picture = _picture()
    exif = camera_data()
    out = [
        Seed("plain.jpg", _saved(picture, "JPEG", exif=exif), MediaKind.PHOTO),
        Seed("progressive.jpg", _saved(picture, "JPEG", exif=exif, progressive=True), MediaKind.PHOTO),
        Seed("made.png", _saved(picture, "PNG", exif=exif), MediaKind.PHOTO),
        Seed("made.webp", _saved(picture, "WEBP", exif=exif), MediaKind.PHOTO),
        Seed("made.tif", _saved(picture, "TIFF", exif=exif), MediaKind.PHOTO),
        Seed("packed.tif", _saved(picture, "TIFF", compression="tiff_lzw"), MediaKind.PHOTO),
        Seed("made.avif", _saved(picture, "AVIF", exif=exif), MediaKind.PHOTO),
    ]
    raw = _saved(picture.resize((16, 12)), "TIFF", exif=exif) + _saved(picture, "JPEG")
    out += [Seed(name, raw, MediaKind.RAW) for name in ("made.dng", "made.nef", "made.cr2")]
    out += [
        Seed("made.mp4", _film(b"isom"), MediaKind.VIDEO),
        Seed("made.mov", _film(b"qt  "), MediaKind.VIDEO),
    ]
    return out


def _picture() -> Image.Image:
    rng = np.random.default_rng(7)
    small = rng.integers(0, 255, (9, 12, 3), np.uint8)
    return Image.fromarray(small).resize((160, 120), Image.Resampling.BICUBIC)


def _saved(picture: Image.Image, form: str, **options: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, form, **options)
    return out.getvalue()


def camera_data() -> bytes:
    """A block of camera data with a time, a place and a direction; it begins with `Exif`."""
    whole = {
        "0th": {
            piexif.ImageIFD.Make: b"Tester",
            piexif.ImageIFD.Model: b"T-1",
            piexif.ImageIFD.Orientation: 6,
        },
        "Exif": {
            piexif.ExifIFD.DateTimeOriginal: b"2026:05:14 08:41:12",
            piexif.ExifIFD.SubSecTimeOriginal: b"25",
            piexif.ExifIFD.OffsetTimeOriginal: b"-05:00",
        },
        "GPS": {
            piexif.GPSIFD.GPSLatitudeRef: b"N",
            piexif.GPSIFD.GPSLatitude: ((30, 1), (16, 1), (1234, 100)),
            piexif.GPSIFD.GPSLongitudeRef: b"W",
            piexif.GPSIFD.GPSLongitude: ((97, 1), (44, 1), (567, 100)),
            piexif.GPSIFD.GPSAltitude: (150, 1),
            piexif.GPSIFD.GPSImgDirection: (12345, 100),
            piexif.GPSIFD.GPSDateStamp: b"2026:05:14",
            piexif.GPSIFD.GPSTimeStamp: ((13, 1), (41, 1), (12, 1)),
        },
    }
    return piexif.dump(whole)


def box(kind: bytes, *content: bytes) -> bytes:
    """A box of an ISO base media file (ISO/IEC 14496-12, 4.2)."""
    body = b"".join(content)
    return struct.pack(">I", 8 + len(body)) + kind + body


def _film(brand: bytes) -> bytes:
    header = box(b"mvhd", bytes(4), struct.pack(">IIII", 0, 0, 1000, 5000), bytes(80))
    return box(b"ftyp", brand, bytes(4), brand) + box(b"moov", header) + box(b"mdat", bytes(range(256)) * 8)


def _real() -> list[Seed]:
    found = sorted(one for one in REAL.glob("*/*") if one.suffix.lower() in (".jpg", ".heic"))
    out = []
    for path in found:
        data = path.read_bytes()
        if path.suffix.lower() == ".heic":
            out += [Seed(f"tile{number}.heic", _one_tile(data, number), MediaKind.PHOTO) for number in (0, 1)]
        else:
            out.append(Seed(path.name, data if len(data) <= SMALL else _smaller(data), MediaKind.PHOTO))
    return out


def _smaller(data: bytes) -> bytes:
    """A JPEG with its camera data as they are and few pixels; the beginning of one that cannot be decoded."""
    try:
        with Image.open(io.BytesIO(data)) as image:
            exif = image.info.get("exif", b"")
            image.draft("RGB", (SIDE, SIDE))
            small = image.convert("RGB")
        small.thumbnail((SIDE, SIDE))
        whole = _saved(small, "JPEG", quality=80)
        return whole[:2] + _segment(exif) + whole[2:]
    except Exception:
        return data[:SMALL]


def _segment(exif: bytes) -> bytes:
    """Camera data as an APP1 segment (Exif 3.0, 4.5.4); nothing when they are absent or too long for one."""
    if not exif or len(exif) > 65_533:
        return b""
    return b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif


# --- a small HEIC ---------------------------------------------------------------------------


def _boxes(data: bytes, start: int, end: int) -> dict[bytes, list[tuple[int, int]]]:
    """The boxes of a range: where each one's content begins and ends."""
    out: dict[bytes, list[tuple[int, int]]] = {}
    while start + 8 <= end:
        size = int.from_bytes(data[start : start + 4], "big")
        if size < 8:
            break
        out.setdefault(data[start + 4 : start + 8], []).append((start + 8, start + size))
        start += size
    return out


def _one_tile(data: bytes, number: int) -> bytes:
    """A HEIC of one of the tiles of a larger one (ISO/IEC 23008-12), so that it decodes in milliseconds."""
    meta, meta_end = _boxes(data, 0, len(data))[b"meta"][0]
    inside = _boxes(data, meta + 4, meta_end)
    at, _ = inside[b"iloc"][0]
    version, sizes, bases = data[at], data[at + 4], data[at + 5]
    offset_size, length_size, base_size = sizes >> 4, sizes & 15, bases >> 4
    index_size = bases & 15 if version else 0
    count = int.from_bytes(data[at + 6 : at + 8], "big")
    spot, places = at + 8, []
    for _ in range(count):
        spot += 2
        method = int.from_bytes(data[spot : spot + 2], "big") & 15 if version else 0
        spot += 2 * bool(version) + 2 + base_size
        extents = int.from_bytes(data[spot : spot + 2], "big")
        spot += 2
        for _ in range(extents):
            spot += index_size
            offset = int.from_bytes(data[spot : spot + offset_size], "big")
            length = int.from_bytes(data[spot + offset_size : spot + offset_size + length_size], "big")
            spot += offset_size + length_size
            if method == 0:
                places.append((offset, length))
    start, length = places[number]
    properties = _boxes(data, *_boxes(data, *inside[b"iprp"][0])[b"ipco"][0])
    setup, setup_end = properties[b"hvcC"][0]
    return heic(data[start : start + length], data[setup:setup_end])


def heic(tile: bytes, setup: bytes, *, brand: bytes = b"heic") -> bytes:
    """A HEIC of one tile of 512 x 512 pixels with camera data; `setup` is the decoder's (`hvcC`)."""
    kind = box(b"ftyp", brand, bytes(4), b"mif1", brand)
    exif = struct.pack(">I", 6) + camera_data()

    def meta(start: int) -> bytes:
        first = struct.pack(">HHHII", 1, 0, 1, start, len(tile))
        second = struct.pack(">HHHII", 2, 0, 1, start + len(tile), len(exif))
        return box(
            b"meta",
            bytes(4),
            box(b"hdlr", bytes(8), b"pict", bytes(13)),
            box(b"pitm", bytes(4), struct.pack(">H", 1)),
            box(b"iloc", bytes(4), b"\x44\x00", struct.pack(">H", 2), first, second),
            box(b"iinf", bytes(4), struct.pack(">H", 2), _item(1, b"hvc1"), _item(2, b"Exif")),
            box(b"iref", bytes(4), box(b"cdsc", struct.pack(">HHH", 2, 1, 1))),
            box(
                b"iprp",
                box(b"ipco", box(b"hvcC", setup), box(b"ispe", bytes(4), struct.pack(">II", 512, 512))),
                box(b"ipma", bytes(4), struct.pack(">IHBBB", 1, 1, 2, 0x81, 0x02)),
            ),
        )

    start = len(kind) + len(meta(0)) + 8
    return kind + meta(start) + box(b"mdat", tile, exif)


def _item(number: int, kind: bytes) -> bytes:
    return box(b"infe", b"\x02\x00\x00\x00", struct.pack(">HH", number, 0), kind, b"\x00")


# --- odd names ------------------------------------------------------------------------------

_WORDS = (
    "Haus", "maison", "caf\u00e9", "na\u00efve", "\u0434\u043e\u043c", "\u03c3\u03c0\u03af\u03c4\u03b9", "\u05d1\u05d9\u05ea", "\u0628\u064a\u062a", "\u062e\u0627\u0646\u0647",
    "\u0918\u0930", "\u09ac\u09be\u09dc\u09bf", "\u0a18\u0a30", "\u0b98\u0bb0", "\u0bb5\u0bc0\u0b9f\u0bc1", "\u0c07\u0c32\u0c4d\u0c32\u0c41", "\u0cae\u0ca8\u0cc6", "\u0d35\u0d40\u0d1f\u0d4d", "\u0d9c\u0dd9\u0daf\u0dbb",
    "\u0e1a\u0e49\u0e32\u0e19", "\u0ec0\u0eae\u0eb7\u0ead\u0e99", "\u0f41\u0f44\u0f0b\u0f54", "\u1021\u102d\u1019\u103a", "\u10e1\u10d0\u10ee\u10da\u10d8", "\u1264\u1275", "\u1795\u17d2\u1791\u17c7", "\u1820\u1821",
    "\u3044\u3048", "\u30a4\u30a8", "\u5bb6", "\uc9d1", "\u13e3", "\u1401", "\u2d30", "\u07d0", "\ua000", "\U00010900", "\U0001f3e0", "\U0001f468\u200d\U0001f469\u200d\U0001f467",
)  # fmt: skip
"""A house in many scripts, from right to left among them, and pictures of one character and of several."""
_DEVICES = (
    "CON",
    "PRN",
    "AUX",
    "NUL",
    *(f"COM{n}" for n in range(1, 10)),
    *(f"LPT{n}" for n in range(1, 10)),
    "COM\u00b9",
    "CONIN$",
    "CONOUT$",
)
"""Names that mean a device on Windows (Naming Files, Paths, and Namespaces)."""
_SIGNS = (*range(0x01, 0x20), 0x7F, 0x80, 0x85, 0x9B, 0xA0, 0xAD)
"""Control characters, C0 and C1 (ISO/IEC 6429), and blanks that nobody sees."""
_TURNS = "\u200b\u200c\u200d\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2028\u2029\u2060\u2066\u2067\u2068\u2069\ufeff\ufe0f\ue000\ufffd\ufdd0"
"""Characters of no width, and those that change the direction of text (UAX 9)."""
_BYTES = (
    b"bad\xff",
    b"\xc3\x28",
    b"\xe2\x82",
    b"\xf0\x28\x8c\x28",
    b"\xed\xa0\x80",
    b"\xc0\xaf",
    b"\xf8\x88\x80\x80\x80",
    b"half\x80",
    b"\xfe\xfe\xff\xff",
)
"""Bytes that are not UTF-8 (RFC 3629)."""
_SHAPES = (
    b"x" * 251 + b".jpg", b"y" * 250 + b".jpeg", "\u00e9".encode() * 125 + b"a.jpg", "\u5bb6".encode() * 83 + b".jpg",
    b".jpg", b"..jpg", b"...jpg", b"....", b".hidden.jpg", b"~", b"~$x.jpg", b"-rf.jpg", b"--help", b"-.jpg", b"#x.jpg", b"%41.jpg", b"%2e%2e.jpg",
    b"%00.jpg", b"%0a.jpg", b"50%.jpg", b"a%", b"$HOME.jpg", b"$(id).jpg", b"`id`.jpg", b"a;b.jpg", b"a|b.jpg", b"a&b.jpg", b"a<b>.jpg", b"a>b.jpg",
    b'a"b.jpg', b"a'b.jpg", b"a*b.jpg", b"a?b.jpg", b"a:b.jpg", b"C:x.jpg", b"\\\\srv\\x.jpg", b"..\\up.jpg", b"a\\b.jpg", b"x.jpg.", b"x.jpg..", b"x.jpg ",
    b" x.jpg", b"x .jpg", b"x\tb.jpg", b"x\nb.jpg", b"x\r\nb.jpg", b"\nx.jpg", b"x.jpg\n", b"[red]x.jpg", b"<b>x.jpg", b"<script>.jpg", b"{x}.jpg",
    b"=1+1.jpg", b"+x.jpg", b"@x.jpg", b"x,y.jpg", b"x;y.csv", b"x.JPG.XMP", b"x.jpg.part", b"manifest-sha256.txt", b"bagit.txt", b"bag-info.txt", b"fetch.txt",
    b"data", b"records", b"strays", b"x.jpg:stream", b"null", b"None", b"true", b"1e5", b"0", b"00", b"a" * 64, b"a" * 64 + b".jpg", b"\x1b[31mred.jpg", b"\x1b]0;t\x07.jpg",
    b"\x9b31m.jpg", b"\xc2\x9b31m.jpg", b"b\x08\x08c.jpg", b"tilde~1.jpg", b"LONGFI~1.JPG", b"a.b.c.d.jpg", b"noext", b"x.", b"desk top.jpg",
)  # fmt: skip


def odd_names() -> list[bytes]:
    """308 names that a card may hold and that some system or program takes badly, each once."""
    names = [f"{word}.jpg".encode() for word in _WORDS]
    names += [f"{name}.jpg".encode() for name in _DEVICES] + [name.lower().encode() for name in _DEVICES]
    names += [f"{name}.tar.jpg".encode() for name in _DEVICES[:12]]
    names += [b"c" + bytes([sign]) + b".jpg" for sign in _SIGNS if sign < 0x80]
    names += [f"c{chr(sign)}.jpg".encode() for sign in _SIGNS]
    names += [f"r{sign}l.jpg".encode() for sign in _TURNS] + [f"{sign}.jpg".encode() for sign in _TURNS]
    names += [raw + end for raw in _BYTES for end in (b".jpg", b"", b".mp4")]
    names += [b"Twin.jpg", b"twin.jpg", b"TWIN.JPG", b"tWIN.jpg", b"stra\xc3\x9fe.jpg", b"STRASSE.JPG"]
    names += [
        "\u00e5.jpg".encode(),
        "a\u030a.jpg".encode(),
        "\u212b.jpg".encode(),
        "\uff21.jpg".encode(),
        "\u0130.jpg".encode(),
        "i\u0307.jpg".encode(),
        "\ufb01.jpg".encode(),
        b"fi.jpg",
    ]
    names += _SHAPES
    return list(dict.fromkeys(names))[:308]


# --- pictures that want much memory ---------------------------------------------------------


@cache
def bombs(*, small: bool = False) -> tuple[Seed, ...]:
    """Small files that claim or unpack to very large pictures; with `small` only those that only claim."""
    progressive = _resized_jpeg(15_000, 15_000, progressive=True)
    claiming = {
        "claims.png": _png(60_000, 60_000, b""),
        "claims_most.png": _png(0x7FFFFFFF, 0x7FFFFFFF, b""),
        "claims.jpg": _resized_jpeg(65_500, 65_500),
        "large.jpg": _resized_jpeg(15_000, 15_000),
        "progressive.jpg": progressive,
        "inside.dng": progressive,
    }
    if not small:
        claiming |= {
            "unpacks.png": _png(15_000, 15_000, _zeros(15_000 * 15_001)),
            "interlaced.png": _png(14_000, 14_000, _zeros(14_000 * 14_100), interlaced=True),
            "text.png": _png(1, 1, b"\0\0", text=_zeros(100_000_000)),
            "grey.tif": _saved(Image.new("L", (15_000, 15_000)), "TIFF", compression="tiff_adobe_deflate"),
            "bits.tif": _saved(Image.new("1", (15_800, 15_800)), "TIFF", compression="group4"),
            "large.webp": _saved(Image.new("RGB", (8_000, 8_000)), "WEBP"),
        }
    kind = {".dng": MediaKind.RAW}
    return tuple(
        Seed(name, data, kind.get(Path(name).suffix, MediaKind.PHOTO)) for name, data in claiming.items()
    )


def _chunk(kind: bytes, data: bytes) -> bytes:
    """A chunk of a PNG file (PNG, third edition, 5.3)."""
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _png(width: int, height: int, rows: bytes, *, interlaced: bool = False, text: bytes = b"") -> bytes:
    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, interlaced)
    told = _chunk(b"zTXt", b"Comment\0\0" + text) if text else b""
    return (
        b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", header) + told + _chunk(b"IDAT", rows) + _chunk(b"IEND", b"")
    )


def _zeros(number: int) -> bytes:
    """So many zero bytes, deflated piece by piece."""
    deflate, piece = zlib.compressobj(1), bytes(1 << 20)
    out = b"".join(deflate.compress(piece) for _ in range(number // len(piece) + 1))
    return out + deflate.flush()


def _resized_jpeg(width: int, height: int, *, progressive: bool = False) -> bytes:
    """A JPEG whose frame header (ITU-T T.81, B.2.2) claims another size than its data have."""
    data = bytearray(_saved(_picture(), "JPEG", progressive=progressive))
    at = data.index(b"\xff\xc2" if progressive else b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)
