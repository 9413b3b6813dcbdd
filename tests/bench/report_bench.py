"""What a photo report of 300 photos costs: seconds, processor seconds, memory and bytes, each in its own process.

    python tests/bench/report_bench.py [photos]

The pictures are made up and as hard to compress as a sharp photo of shingles. Once they come from the
thumbnails that an intake leaves, once from 12-megapixel originals, as when the thumbnails were thrown away.
Memory is the largest resident set of the whole process, the Python libraries included.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import psutil
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

FACES = ("front", "right", "back", "left")
ORIGINALS = 6
"""Different originals; the others are the same files under other names, decoded anew each time."""


def photo_like(seed: int, size: tuple[int, int]) -> Image.Image:
    """Texture at every scale, as a roof has it."""
    noise = np.random.default_rng(seed)
    frame = np.zeros((size[1], size[0], 3), np.float32)
    for step, weight in ((256, 60), (64, 40), (16, 25), (4, 14), (1, 7)):
        small = noise.normal(0, weight, (max(1, size[1] // step), max(1, size[0] // step), 3)).astype(
            np.float32
        )
        frame += cv2.resize(small, size, interpolation=cv2.INTER_LINEAR)
    return Image.fromarray(np.clip(frame + 110, 0, 255).astype(np.uint8))


def records(count: int):
    from support_report import record, tag

    return [
        record(
            order,
            tag(role="close_up", face=FACES[order * 4 // count], component="gutter", condition="damage"),
        )
        for order in range(count)
    ]


def prepare(folder: Path, count: int) -> None:
    from evidence.sight.request import THUMB_SIDES, thumb_path

    for number in range(ORIGINALS):
        photo_like(1000 + number, (4000, 3000)).save(folder / f"original{number}.jpg", quality=92)
    for seed, one in enumerate(records(count)):
        large = photo_like(seed, (1280, 960))
        for side in THUMB_SIDES:
            path = thumb_path(folder / "thumbs", one.sha256, side)
            path.parent.mkdir(parents=True, exist_ok=True)
            large.resize((side, side * 3 // 4), Image.Resampling.LANCZOS).save(path, quality=82)


def one_report(folder: Path, count: int, per_page: int, source: str) -> None:
    """In a process of its own: write one report and say what it cost."""
    from support_report import content

    from evidence.paper.photo_report import write_report
    from evidence.paper.report_document import ReportOptions
    from evidence.paper.report_pictures import PictureSource

    process = psutil.Process()
    made = records(count)
    number = {one.sha256: place % ORIGINALS for place, one in enumerate(made)}
    pictures = PictureSource(
        thumbs=folder / ("thumbs" if source == "thumbnails" else "none"),
        original=lambda sha: folder / f"original{number[sha]}.jpg",
    )
    given = content(folder, made, options=ReportOptions(per_page=per_page), pictures=pictures)
    before, clock, own = process.memory_info().rss, time.perf_counter(), time.process_time()
    out = folder / f"{source}{per_page}.pdf"
    written = write_report(given, out)
    seconds, busy = time.perf_counter() - clock, time.process_time() - own
    print(
        f"| {source} | {per_page} | {written.pages} | {seconds:.1f} | {busy:.1f} | {before / 1e6:.0f} "
        f"| {largest(process) / 1e6:.0f} | {out.stat().st_size / 1e6:.1f} |"
    )


def largest(process: psutil.Process) -> int:
    """The most memory that the process ever held at once, in bytes."""
    try:
        import resource
    except ImportError:  # Windows keeps it elsewhere
        return process.memory_info().peak_wset
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most if sys.platform == "darwin" else most * 1024


def main() -> None:
    if sys.argv[1:2] == ["--one"]:
        one_report(Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]), sys.argv[5])
        return
    if sys.argv[1:2] == ["--prepare"]:
        prepare(Path(sys.argv[2]), int(sys.argv[3]))
        return
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # In a process of its own: a process takes its parent's largest memory over for its own.
        subprocess.run([sys.executable, __file__, "--prepare", name, str(count)], check=True)
        print("| pictures from | a page | pages | s | processor s | MB before | MB at most | MB of PDF |")
        print("| --- | --- | --- | --- | --- | --- | --- | --- |", flush=True)
        for source in ("thumbnails", "originals"):
            for per_page in (2, 4, 6):
                given = [__file__, "--one", str(folder), str(count), str(per_page), source]
                subprocess.run([sys.executable, *given], check=True)


if __name__ == "__main__":
    main()
