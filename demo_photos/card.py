"""Draw the scenario's camera card, its ground truth, and the assignments that go with it."""

from __future__ import annotations

import csv
import multiprocessing
import os
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np

from demo_photos import eaves, gauges, onroof, outside, papers, printing
from demo_photos.develop import develop, encode
from demo_photos.outside import View
from demo_photos.story import Frame, plan, read_labels, read_scenario
from demo_photos.truth import TruePhoto, Truth
from demo_photos.world import Picture, vec

Progress = Callable[[int, int], None]

SCENARIO = Path(__file__).with_name("scenario.toml")
TRUTH_FILE = "truth.json"
QUALITY = 84
ASSIGNMENT_COLUMNS = (
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
)

SCENES: Mapping[str, Callable[[View], Picture]] = {
    "elevation": outside.elevation,
    "overview": outside.overview,
    "gutter": eaves.gutter,
    "downspout": eaves.downspout,
    "screen": outside.screen,
    "siding": outside.siding,
    "ac_unit": outside.ac_unit,
    "slope": onroof.slope,
    "test_square": onroof.test_square,
    "close_up": onroof.close_up,
    "vent": onroof.vent,
    "pipe_boot": onroof.pipe_boot,
    "ridge": onroof.ridge,
    "shingle_gauge": gauges.shingle_gauge,
    "pitch_gauge": gauges.pitch_gauge,
    "layers": gauges.layers,
    "drip_edge": gauges.drip_edge,
}


def build_card(
    scenario: Path, out: Path, *, progress: Progress | None = None, workers: int | None = None, every: int = 1
) -> Truth:
    """Draw the card into `out` (its root; `out/DCIM/...`) and return the ground truth of each file.

    The truth is also written as JSON beside the card, where `truth_path` says. `progress` is called
    with files done and files in all. `workers` processes draw; all processors by default. With
    `every` above one, only every n-th photo is drawn, and all special ones.
    """
    table = read_scenario(scenario)
    frames = _chosen(plan(table, read_labels()), every)
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        pages = printing.pages(table["claim"], _numbers(frames), Path(scratch))
        jobs = [(frame, out, pages) for frame in frames if frame.scene != "copy"]
        count = workers or min(8, os.cpu_count() or 1)
        if count == 1:
            _follow(map(_write_frame, jobs), len(jobs), progress)
        else:
            # Spawned, not forked: OpenCV's threads do not survive a fork.
            with ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn")) as pool:
                _follow(pool.map(_write_frame, jobs, chunksize=2), len(jobs), progress)
    _copies(frames, out)
    others = _strays(frames, out)
    truth = Truth(
        files=tuple(frame.truth for frame in frames) + others,
        claims=tuple(claim["claim"] for claim in table["claim"]),
        complete=tuple(claim["claim"] for claim in table["claim"] if claim.get("complete")),
        without_divider=tuple(claim["claim"] for claim in table["claim"] if not claim.get("divider", True)),
    )
    truth.write(truth_path(out))
    return truth


def truth_path(card: Path) -> Path:
    """Return the file of a card's ground truth: beside the card, not on it."""
    return card.parent / TRUTH_FILE


def write_assignments(scenario: Path, csv_path: Path) -> None:
    """Write the scenario's claims as the office's CSV file."""
    with csv_path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, ASSIGNMENT_COLUMNS, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(read_scenario(scenario)["claim"])


# --- one file ----------------------------------------------------------------------------


def draw(frame: Frame, pages: printing.Pages) -> Picture:
    """Return the upright picture of a frame, as the sensor records it."""
    assert frame.house is not None
    rng = np.random.default_rng(frame.seed)
    upright = frame.orientation in (1, 3)
    size = (frame.device.width, frame.device.height)
    width, height = size if upright else size[::-1]
    view = View(
        house=frame.house,
        face=frame.face,
        rng=rng,
        sun=vec(*frame.sun),
        cover=frame.cover,
        damage=frame.damage,
        count=frame.count,
        width=width,
        height=height,
    )
    if frame.scene == "sheet":
        picture = papers.sheet_photo(view, papers.page(pages.sheets[str(frame.truth.claim)]))
    elif frame.scene == "label":
        picture = papers.label_photo(view, papers.page(pages.labels[frame.shown[0]]))
    else:
        picture = SCENES[frame.scene](view)
        if frame.shown:
            papers.hold_cards(view, picture, tuple(papers.page(pages.labels[n]) for n in frame.shown))
        if frame.board:
            papers.hold_board(view, picture, frame.board)
    if frame.special == "doubled":
        moved = np.array([[1.004, 0.001, -3.0], [-0.001, 1.004, -2.0]])
        picture = cv2.warpAffine(picture, moved, (width, height), borderMode=cv2.BORDER_REFLECT)
        rng = np.random.default_rng([frame.seed, 2])
    return develop(picture, rng, shake=34.0 if frame.special == "blurred" else 0.0)


def _write_frame(job: tuple[Frame, Path, printing.Pages]) -> str:
    """Draw one frame and write its file; in a worker process."""
    frame, out, pages = job
    cv2.setNumThreads(1)
    path = out / frame.card_path
    path.parent.mkdir(parents=True, exist_ok=True)
    if frame.scene == "video":
        _write_video(frame, path)
    else:
        data = encode(draw(frame, pages), frame, QUALITY)
        if frame.special == "truncated":
            data = data[: int(len(data) * 0.55)]
        path.write_bytes(data)
    _stamp(path, frame)
    return frame.card_path


def _write_video(frame: Frame, path: Path) -> None:
    """Two seconds of walking along the house: Motion JPEG in an AVI container."""
    assert frame.house is not None
    view = View(
        house=frame.house,
        face=frame.face,
        rng=np.random.default_rng(frame.seed),
        sun=vec(*frame.sun),
        cover=frame.cover,
        width=960,
        height=720,
    )
    wide = develop(outside.elevation(view), view.rng)
    film = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 15, (640, 480))
    if not film.isOpened():
        raise RuntimeError("OpenCV cannot write Motion JPEG here")
    for step in range(30):
        left = 40 + step * 6
        film.write(np.ascontiguousarray(wide[120:600, left : left + 640]))
    film.release()


def _stamp(path: Path, frame: Frame) -> None:
    """Give the file the time of its shot, as the card's file system would."""
    moment = (frame.taken - frame.zone - datetime(1970, 1, 1)) / timedelta(seconds=1)
    os.utime(path, (moment, moment))


# --- the rest of the card -------------------------------------------------------------------


def _chosen(frames: Sequence[Frame], every: int) -> list[Frame]:
    """Keep every n-th frame; always keep sheets, special frames and the frames that they repeat."""
    doubled = {index - 1 for index, frame in enumerate(frames) if frame.special == "doubled"}
    return [
        frame
        for index, frame in enumerate(frames)
        if index % every == 0 or frame.special or frame.scene == "sheet" or index in doubled
    ]


def _numbers(frames: Iterable[Frame]) -> tuple[int, ...]:
    return tuple(sorted({number for frame in frames for number in frame.shown}))


def _follow(done: Iterable[str], total: int, progress: Progress | None) -> None:
    for number, _ in enumerate(done, 1):
        if progress:
            progress(number, total)


def _copies(frames: Sequence[Frame], out: Path) -> None:
    """Copy files byte for byte under another name."""
    for frame in frames:
        if frame.scene == "copy":
            path = out / frame.card_path
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes((out / frame.source).read_bytes())
            _stamp(path, frame)


def _strays(frames: Sequence[Frame], out: Path) -> tuple[TruePhoto, ...]:
    """Add the other files of a card: a saved note, and files that operating systems leave."""
    first = next(frame for frame in frames if frame.scene not in ("copy", "video"))
    folder, name = first.card_path.rsplit("/", 1)
    note = "Thu: three stops. Ladder is on the truck. Call the office about the second roof.\r\n"
    double = b"\x00\x05\x16\x07\x00\x02\x00\x00" + b"Mac OS X        " + b"\x00\x02" + bytes(56)
    shelf = b"\x00\x00\x00\x01Bud1" + bytes(6140)
    compound = bytes.fromhex("d0cf11e0a1b11ae1") + bytes(3064)
    files = {
        "NOTES.TXT": (note.encode("ascii"), "text"),
        ".DS_Store": (shelf, "litter"),
        "DCIM/.DS_Store": (shelf, "litter"),
        f"{folder}/Thumbs.db": (compound, "litter"),
        f"{folder}/._{name}": (double, "litter"),
    }
    for card_path, (content, _) in files.items():
        (out / card_path).write_bytes(content)
        _stamp(out / card_path, replace(first, taken=frames[-1].taken))
    return tuple(TruePhoto(card_path=path, claim=None, special=kind) for path, (_, kind) in files.items())
