"""Measures the choices made in the analysis of photos, each against its alternative in the same run.

    python tests/bench/look_bench.py [decoding] [cost] [sheets] [cards] [real] [looks] [pace]

`pace` is the whole look with its networks over a card's worth of drawn photos, with memory. Times are medians of interleaved repeats, processor time but for the pace of many, and are told as ratios; read rates are counts. Pages are those
that `evidence sheets` and `evidence labels` print, rasterised and put into made-up photos by perspective
with uneven light, blur, noise and JPEG; the false-marker count is on the real photos where they are there.
"""

from __future__ import annotations

import hashlib
import os
import resource
import statistics
import sys
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import zxingcpp
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

import support_drawn as drawn  # noqa: E402
from support_sight import backdrop, held_in_frame, sensor_noise  # noqa: E402

from evidence.model import Claim, MediaKind  # noqa: E402
from evidence.paper.sheets import divider_sheets, label_cards  # noqa: E402
from evidence.settings import default_text  # noqa: E402
from evidence.sight import codes, label_tags  # noqa: E402
from evidence.sight.batch import look_all  # noqa: E402
from evidence.sight.look import look  # noqa: E402
from evidence.sight.pictures import load_full_grey, load_picture  # noqa: E402
from evidence.sight.pixels import fitted  # noqa: E402
from evidence.sight.request import LookOptions, LookRequest  # noqa: E402
from evidence.sight.workers import process_pool  # noqa: E402
from evidence.tags.vocabulary import load_vocabulary  # noqa: E402

PHOTO = (4032, 3024)
PLAIN = LookOptions(read_writing=False, scene_kinds=False)
REPEATS = 7


def timed(work, clock=time.process_time):
    """Seconds of this process's own work (not of waiting for a busy machine), and what came of it."""
    start = clock()
    result = work()
    return clock() - start, result


def side_by_side(one, other, repeats=REPEATS):
    """Median of the ratios of times, `one` to `other`, run in turns; and `other`'s median in milliseconds."""
    one(), other()
    pairs = [(timed(one)[0], timed(other)[0]) for _ in range(repeats)]
    return statistics.median(a / b for a, b in pairs), statistics.median(b for _, b in pairs) * 1000


def pages(folder):
    """A sheet and the first card, as printed, in grey."""
    claim = Claim(claim="HX-204881", insured="A. Person", address="1408 Pecan Hollow Drive", peril="Hail")
    divider_sheets([claim], folder / "s.pdf")
    cards = load_vocabulary(default_text("tags.toml"), "tags.toml").labels[:1]
    label_cards(cards, folder / "l.pdf")
    sheet, card = (rasterised(folder / name) for name in ("s.pdf", "l.pdf"))
    return sheet, card[: card.shape[0] // 2]


def rasterised(path):
    document = pypdfium2.PdfDocument(path)
    picture = np.ascontiguousarray(document[0].render(scale=100 / 72, grayscale=True).to_numpy())
    document.close()
    return picture


def saved(path, grey):
    """A colour JPEG of that grey picture, as heavy to decode as a camera's."""
    Image.fromarray(np.dstack([grey, np.roll(grey, 3, 0), grey])).save(path, quality=88)
    return path


def plain_photo():
    return np.clip(backdrop(*PHOTO) + 6 * sensor_noise(*PHOTO), 0, 255).astype(np.uint8)


def decoding(folder):
    path = saved(folder / "plain.jpg", plain_photo())

    def square_box():
        with Image.open(path) as photo:
            photo.draft("RGB", (1600, 1600))
            return np.asarray(photo.convert("RGB")).shape

    def full():
        with Image.open(path) as photo:
            return np.asarray(photo.convert("RGB")).shape

    ours = lambda: load_picture(path, MediaKind.PHOTO)  # noqa: E731
    ratio, ms = side_by_side(full, ours)
    print(f"decoding a 12 MP JPEG to 1,600 px: ours {ms:.0f} ms; full size {ratio:.1f} times that", end="")
    print(f", a square draft box {side_by_side(square_box, ours)[0]:.1f} times")


def sheets_read(sheet):
    print(
        "\nsheet: share of frame, blur (px at 12 MP): read at 1,600 px | with the hinted retry (retries) | always full size"
    )
    rng = np.random.default_rng(1)
    for area in (0.3, 0.1, 0.03, 0.015, 0.0075):
        for blur in (0.0, 2.0, 4.0):
            reduced = hinted = retries = full = 0
            for _ in range(8):
                photo = held_in_frame(sheet, PHOTO, rng, area=area, blur=blur)
                small = fitted(photo, codes.REDUCED_SIDE)
                asked = []
                reduced += bool(codes.read_codes(small).dividers)
                hinted += bool(codes.read_codes(small, lambda p=photo, a=asked: a.append(1) or p).dividers)
                full += bool(codes._dividers(codes._read_qr(photo)))
                retries += len(asked)
            print(f"  {area:6.4f} {blur:3.0f}: {reduced:2d} | {hinted:2d} ({retries}) | {full:2d} of 8")


def reading_cost(folder):
    photo = plain_photo()
    path = saved(folder / "plain.jpg", photo)
    small = fitted(photo, codes.REDUCED_SIDE)
    every = lambda: codes._read_qr(load_full_grey(path, MediaKind.PHOTO))  # noqa: E731
    ratio, ms = side_by_side(every, lambda: codes._read_qr(small))
    print(
        f"\nQR on a photo without one: reduced {ms:.1f} ms; always decoding and reading in full {ratio:.0f} times that"
    )
    all_formats = lambda: zxingcpp.read_barcodes(small)  # noqa: E731
    print(
        f"  every format instead of QR: {side_by_side(all_formats, lambda: codes._read_qr(small))[0]:.0f} times"
    )


def three_windows():
    """OpenCV's own parameters: thresholds of 3, 13 and 23 pixels at one size."""
    detector = cv2.aruco.ArucoDetector(label_tags.family(), cv2.aruco.DetectorParameters())

    def read(grey):
        found = detector.detectMarkers(grey)[1]
        return set() if found is None else set(found.ravel().tolist())

    return read


def tags_read(card):
    theirs = three_windows()
    ours = lambda grey: {mark.number for mark in codes._read_labels(grey)}  # noqa: E731
    rng = np.random.default_rng(2)
    print(
        "\ncard: its width in px at 1,600, blur: ours (three sizes, one window) | one size, three windows | time ratio theirs/ours"
    )
    for width in (1200, 500, 150, 60):
        area = width * width * 5.5 / 8.5 / (1600 * 1200)
        for blur in (0.5, width / 100, width / 60):
            good = [0, 0]
            for _ in range(16):
                photo = held_in_frame(
                    card, (1600, 1200), rng, area=min(area, 0.75), blur=blur, turn=30, tilt=0.15
                )
                good[0] += ours(photo) == {0}
                good[1] += theirs(photo) == {0}
            ratio, ms = side_by_side(lambda p=photo: theirs(p), lambda p=photo: ours(p))
            print(
                f"  {width:4d} {blur:4.1f}: {good[0]:2d} | {good[1]:2d} of 16 | {ratio:.1f} (ours {ms:.0f} ms)"
            )


def real_photos():
    folder = ROOT.parent / "shared" / "real_photos"
    if not folder.is_dir():
        print("\nno folder ../shared/real_photos beside this checkout: false markers not counted")
        return
    looked = marks = 0
    for path in sorted(p for p in folder.rglob("*") if p.suffix.lower() in (".jpg", ".heic")):
        seen = look(LookRequest(path=path, sha256="0" * 64, kind=MediaKind.PHOTO, options=PLAIN))
        looked += bool(seen.quality)
        marks += len(seen.dividers) + len(seen.labels)
    print(f"\nreal photos looked at: {looked}; false dividers and labels: {marks}")
    paths = sorted(p for p in folder.rglob("*.jp*g") if p.parent.name != "broken")
    greys = [fitted(load_picture(path, MediaKind.PHOTO).grey, codes.REDUCED_SIDE) for path in paths]
    whole = one_window()
    ratio, ms = side_by_side(
        lambda: [whole(grey) for grey in greys], lambda: [codes._read_labels(grey) for grey in greys], 3
    )
    print(
        f"  labels of {len(greys)}: {ms / len(greys):.1f} ms a photo; with the whole family {ratio:.1f} times that"
    )


def one_window():
    """The three sizes as `codes` reads them, each outline compared with the whole family."""
    every = tuple(range(label_tags.LABEL_TAGS))
    detectors = [label_tags._detector(every, large_only, False) for large_only in (False, False, True)]
    return lambda grey: [
        detector.detectMarkers(fitted(grey, side))
        for side, detector in zip(codes.TAG_SIDES, detectors, strict=True)
    ]


def looks(folder):
    """Photos per second from the first result to the last, without the start of the processes."""
    requests = []
    for n in range(24):
        path = saved(folder / f"{n}.jpg", np.roll(plain_photo(), 97 * n, axis=0))
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        requests.append(
            LookRequest(path=path, sha256=digest, kind=MediaKind.PHOTO, thumb_dir=folder / "t", options=PLAIN)
        )
    look(requests[0])
    taken, _ = timed(lambda: [look(request) for request in requests], time.perf_counter)
    one = len(requests) / taken
    print(f"\none look at 12 MP without the networks, in this process: {1000 / one:.0f} ms")
    for workers in (1, 2):
        start = time.perf_counter()
        done = [time.perf_counter() for _ in look_all(requests, workers=workers)]
        pace = (len(done) - 1) / (done[-1] - done[0])
        print(
            f"look_all, {workers} at once: {pace / one:.2f} times that pace; first result after {done[0] - start:.1f} s"
        )


CARD = {"house": 16, "shingles": 26, "square": 6, "board": 10, "chalk": 6, "sheet": 2, "desk": 6}
"""Photos of each sort: three in four without writing, as on an ordinary card."""


def card_photo(sort, number, rng):
    """One drawn photo at 12 megapixels, with a camera's noise so that it is as heavy to decode as one."""
    hand = drawn.HANDS[number % len(drawn.HANDS)]
    if sort == "board":
        words = [["LEFT GUTTER", "NO DMG"], ["F TS 8"], ["REAR ELEVATION"], ["RT DOWNSPOUT", "DENTS"]][
            number % 4
        ]
        photo = drawn.board_photo(words, hand, rng, drawn.USUAL, rng.uniform(0.1, 0.6))
    elif sort == "chalk":
        photo = drawn.chalk_photo(
            [["F TS 8"], ["BACK SLOPE"], ["10+"]][number % 3], hand, rng, drawn.USUAL, 0.5
        )
    elif sort == "square":
        photo = drawn.square_photo(rng, drawn.USUAL, int(rng.integers(14)))
    elif sort == "sheet":
        lines = ["CLAIM 24-0117", "A. PERSON", "1408 PECAN HOLLOW", "HAIL 5/14/24"]
        page = drawn.board(lines, hand, rng, size=110)
        ground = drawn.table(rng)
        photo = drawn.photographed(
            drawn.lay(ground, page, drawn.quad(rng, page.shape[:2], 0.7, drawn.USUAL)), rng, drawn.USUAL
        )
    else:
        ground = {"house": drawn.yard, "shingles": drawn.shingles, "desk": drawn.table}[sort](rng)
        photo = drawn.photographed(ground, rng, drawn.USUAL)
    large = cv2.resize(photo, PHOTO, interpolation=cv2.INTER_CUBIC).astype(np.float32)
    return np.clip(large + 5 * sensor_noise(*PHOTO)[..., None], 0, 255).astype(np.uint8)


def memory_peak(_=None):
    """This process's id and its peak memory in megabytes."""
    return os.getpid(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def pace(folder):
    """The whole look with its networks over a card, in one process and in two."""
    rng = np.random.default_rng(5100)
    sorts = [sort for sort, many in CARD.items() for _ in range(many)]
    requests = []
    for number, at in enumerate(rng.permutation(len(sorts))):
        path = folder / f"p{number}.jpg"
        Image.fromarray(card_photo(sorts[at], number, rng)).save(path, quality=90)
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        requests.append(LookRequest(path=path, sha256=digest, kind=MediaKind.PHOTO, thumb_dir=folder / "t"))
    heavy = statistics.mean(request.path.stat().st_size for request in requests) / 1e6
    print(
        f"\n{len(requests)} photos of 12 MP, {heavy:.1f} MB each on the average; load {os.getloadavg()[0]:.1f}"
    )
    for workers in (1, 2):
        with process_pool(workers, preload="evidence.sight.look") as pool:
            warm = list(look_all(requests[: 2 * workers], executor=pool, workers=workers))
            start, load = time.perf_counter(), os.getloadavg()[0]
            seen = dict(look_all(requests, executor=pool, workers=workers))
            taken = time.perf_counter() - start
            peaks = dict(pool.map(memory_peak, range(40 * workers)))
        written = sum(bool(one.writing) for one in seen.values())
        held = " and ".join(f"{peak:.0f}" for peak in peaks.values())
        print(
            f"{workers} at once: {len(seen) / taken:.2f} photos/s (load {load:.1f}), writing in {written}, "
            f"at most {held} MB a process ({len(warm)} photos to warm up)"
        )
    start, used = time.perf_counter(), time.process_time()
    for request in requests[:24]:
        look(request)
    print(
        f"one look in this process: {(time.process_time() - used) / 24:.3f} s of processor, {(time.perf_counter() - start) / 24:.3f} s"
    )


def main():
    """Run all parts, or those named on the command line."""
    parts = sys.argv[1:] or ["decoding", "cost", "sheets", "cards", "real", "looks", "pace"]
    cv2.setNumThreads(1)
    print(f"OpenCV {cv2.__version__}, zxing-cpp {version('zxing-cpp')}, Pillow {Image.__version__}\n")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sheet, card = pages(folder)
        if "decoding" in parts:
            decoding(folder)
        if "cost" in parts:
            reading_cost(folder)
        if "sheets" in parts:
            sheets_read(sheet)
        if "cards" in parts:
            tags_read(card)
        if "real" in parts:
            real_photos()
        if "looks" in parts:
            looks(folder)
        if "pace" in parts:
            pace(folder)


if __name__ == "__main__":
    main()
