"""Measures an intake against its stages alone: `python tests/bench/intake_bench.py [--photos 600] [--folder DIR]`.

The card holds photos of 12 megapixels, about 3 MB each: houses of 120 photos, each behind its sheet. In one run, by
turns: the stages alone (reading and copying the card, looking at its photos, copying it to a second disk), then the
whole intake with one backup target. Told are the wall time of each, the ratio of the whole to the slowest stage, the
processor time, the time to the first line for people, the longest time without one, and the memory of the whole tree
of processes. `--folder` keeps the card for the next run; put it and the archive on a disk, not in memory.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import psutil
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support"), str(ROOT / "tests" / "bench")]

HOUSE = 120
"""Photos of a house, its sheet among them."""
DRAWN = 24
"""Pictures drawn; every photo is one of them, moved and in other light."""
QUALITY = 90
TARGET = "\n[[target]]\nname = 'disk'\npath = '{path}'\noff_computer = false\n"


# --- the card -------------------------------------------------------------------------------


def make_card(root: Path, photos: int) -> list[str]:
    """Draw the card below `root`, unless it is there; returns its claims."""
    claims = [f"TC-{1001 + house}" for house in range(-(-photos // HOUSE))]
    if not (root / "done").exists():
        shutil.rmtree(root, ignore_errors=True)
        (root / "drawn").mkdir(parents=True)
        with ProcessPoolExecutor(os.cpu_count()) as pool:
            list(pool.map(_draw, [(root, number) for number in range(DRAWN)]))
            list(pool.map(_photograph, [(root, number) for number in range(photos)], chunksize=4))
        shutil.rmtree(root / "drawn")
        (root / "done").write_text("", encoding="ascii")
    return claims


def _draw(job: tuple[Path, int]) -> None:
    """One drawing, of which several photos are made."""
    import cv2
    from look_bench import CARD, card_photo

    root, number = job
    cv2.setNumThreads(1)
    rng = np.random.default_rng(number)
    sorts = [sort for sort, many in CARD.items() for _ in range(many) if sort != "sheet"]
    np.save(root / "drawn" / f"{number}.npy", card_photo(sorts[number * 7 % len(sorts)], number, rng))


def _photograph(job: tuple[Path, int]) -> None:
    """One photo of the card: a sheet, or a drawing moved a little and in other light, so that no two are equal."""
    import cv2
    from support_card import CardMaker

    root, number = job
    cv2.setNumThreads(1)
    house, place = divmod(number, HOUSE)
    card = CardMaker(root / "card", number=number + 1, seed=number)
    card.wait(minutes=45 * house, seconds=20 * number)
    sheets: list[bytes] = []
    card._keep = lambda jpeg, gps=None: sheets.append(jpeg) or ""  # type: ignore[method-assign]
    rng = np.random.default_rng(number)
    if place == 0:
        card.sheet(f"TC-{1001 + house}")
        sheet = np.asarray(Image.open(io.BytesIO(sheets[0])))
        photo = cv2.resize(sheet, (4032, 3024), interpolation=cv2.INTER_CUBIC)
    else:
        photo = np.load(root / "drawn" / f"{rng.integers(DRAWN)}.npy", mmap_mode="r")
        photo = np.roll(photo, rng.integers(-200, 200, 2), (0, 1))
        photo = cv2.convertScaleAbs(photo, alpha=rng.uniform(0.8, 1.1), beta=0)
    path = root / "card" / "DCIM" / card.folder / f"TEST{card.number:04d}.JPG"
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(photo).save(path, "JPEG", quality=QUALITY, exif=card._exif(None))


# --- the stages alone -----------------------------------------------------------------------


def drop_cache(*folders: Path) -> None:
    """Let the next reads of these files come from the disk."""
    for folder in folders:
        for path in folder.rglob("*"):
            if path.is_file():
                with path.open("rb") as handle:
                    os.fsync(handle.fileno())
                    os.posix_fadvise(handle.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def copying(card: Path, home: Path) -> None:
    """Every file copied into a store, read back and matched."""
    from evidence.cards.copying import copy_in
    from evidence.cards.files import list_card
    from evidence.cards.volumes import open_source

    source = open_source(card)
    for found in list_card(source.root).found:
        copy_in(source, found, home / "store")


def looking(card: Path, home: Path) -> None:
    """Every photo analysed, with its networks, on all cores; the start of the processes included."""
    from evidence.model import MediaKind, Sha256
    from evidence.sight.batch import look_all
    from evidence.sight.request import LookRequest

    requests = [
        LookRequest(
            path=path,
            sha256=Sha256(hashlib.sha256(path.name.encode()).hexdigest()),
            kind=MediaKind.PHOTO,
            thumb_dir=home / "thumbs",
        )
        for path in sorted(card.rglob("*.JPG"))
    ]
    for _ in look_all(requests):
        pass


STAGES = {"copying": copying, "looking": looking}


# --- measuring ------------------------------------------------------------------------------


class Tree:
    """The greatest memory and the processor time of a process and its children, sampled."""

    def __init__(self, pid: int) -> None:
        self._process = psutil.Process(pid)
        self._cpu: dict[int, float] = {}
        self.most_mb = 0.0

    def sample(self) -> None:
        """Look at all processes now; pages that they share count once."""
        total = 0
        for one in [self._process, *self._process.children(recursive=True)]:
            try:
                total += one.memory_full_info().pss
                times = one.cpu_times()
                self._cpu[one.pid] = times.user + times.system
            except psutil.Error:
                continue
        self.most_mb = max(self.most_mb, total / 1e6)

    @property
    def cpu(self) -> float:
        """Seconds of processor of all processes seen."""
        return sum(self._cpu.values())


def measured(command: list[str]) -> dict[str, object]:
    """Run a command: wall time, processor time, memory, when its lines on standard error came."""
    start = time.perf_counter()
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, "PYTHONUNBUFFERED": "1"}
    )
    lines: list[tuple[float, str]] = []

    def read() -> None:
        assert process.stderr is not None
        lines.extend(
            (time.perf_counter() - start, line.decode(errors="replace").rstrip()) for line in process.stderr
        )

    reader = threading.Thread(target=read)
    reader.start()
    tree = Tree(process.pid)
    while process.poll() is None:
        try:
            tree.sample()
        except psutil.Error:
            break
        time.sleep(0.2)
    wall = time.perf_counter() - start
    reader.join()
    assert process.stdout is not None
    out = process.stdout.read().decode()
    if process.returncode not in (0, 1):
        raise SystemExit("\n".join(line for _, line in lines))
    return {"wall": wall, "cpu": tree.cpu, "mb": tree.most_mb, "lines": lines, "out": out}


def whole(card: Path, home: Path, claims: list[str]) -> dict[str, object]:
    """The whole intake into a new archive with one backup target."""
    from support_cli import cli

    archive = home / "archive"
    assert cli("init", archive).status == 0
    target = home / "disk"
    target.mkdir()
    with (archive / "evidence.toml").open("a", encoding="utf-8") as file:
        file.write(TARGET.format(path=target))
    listed = home / "claims.csv"
    listed.write_text(
        "claim,insured\n" + "".join(f"{one},Person {one}\n" for one in claims), encoding="utf-8"
    )
    loaded = cli("assignments", listed, archive=archive)
    assert loaded.status == 0, loaded.err
    drop_cache(card)
    command = [sys.executable, str(Path(__file__)), "--intake", str(card), "--archive", str(archive)]
    return measured(command)


def intake(card: Path, archive: Path) -> None:
    """One intake; each call of its progress is a line on standard error."""
    from evidence.intake.pipeline import take_in
    from evidence.workspace import Workspace

    def show(what: str, done: int, total: int) -> None:
        print(f"{what}: {done} of {total}", file=sys.stderr, flush=True)

    with Workspace(archive) as workspace:
        report = take_in(workspace, card, progress=show)
    print(json.dumps({"files": report.files, "kept": report.kept, "copied": report.backup.copied}))


def gaps(lines: list[tuple[float, str]], wall: float) -> list[tuple[float, str]]:
    """The longest times without a line, and the line before each; the longest first."""
    ends = [*(at for at, _ in lines[1:]), wall]
    return sorted(((end - at, text) for (at, text), end in zip(lines, ends, strict=True)), reverse=True)[:5]


def steps(lines: list[tuple[float, str]]) -> str:
    """When each step had its first and its last line."""
    out: dict[str, list[float]] = {}
    for at, text in lines:
        out.setdefault(text.split(":")[0], []).append(at)
    return "; ".join(f"{what} {times[0]:.1f} to {times[-1]:.1f} s" for what, times in out.items())


def main() -> None:
    """Run as the command line asks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=600)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--only-whole", action="store_true")
    parser.add_argument("--stage", choices=STAGES)
    parser.add_argument("--home", type=Path)
    parser.add_argument("--intake", type=Path)
    parser.add_argument("--archive", type=Path)
    given = parser.parse_args()
    if given.stage:
        STAGES[given.stage](given.folder, given.home)
        return
    if given.intake:
        intake(given.intake, given.archive)
        return
    with tempfile.TemporaryDirectory(dir=given.folder) as name:
        folder = (given.folder or Path(name)) / f"card{given.photos}"
        claims = make_card(folder, given.photos)
        card = folder / "card"
        sizes = [path.stat().st_size for path in card.rglob("*.JPG")]
        print(f"{len(sizes)} photos, {sum(sizes) / len(sizes) / 1e6:.1f} MB each on the average")
        for number in range(given.rounds):
            one_round(card, claims, Path(name) / str(number), only_whole=given.only_whole)


def one_round(card: Path, claims: list[str], home: Path, *, only_whole: bool) -> None:
    """The stages alone, then the whole."""
    slowest = 0.0
    for stage in () if only_whole else STAGES:
        place = home / stage
        place.mkdir(parents=True)
        drop_cache(card)
        load = os.getloadavg()[0]
        command = [
            sys.executable,
            str(Path(__file__)),
            "--stage",
            stage,
            "--folder",
            str(card),
            "--home",
            str(place),
        ]
        told = measured(command)
        slowest = max(slowest, told["wall"])
        print(
            f"{stage} alone: {told['wall']:.1f} s, processor {told['cpu']:.1f} s, {told['mb']:.0f} MB, load {load:.1f}"
        )
        shutil.rmtree(place)
    place = home / "whole"
    place.mkdir(parents=True)
    load = os.getloadavg()[0]
    told = whole(card, place, claims)
    lines, wall = told["lines"], told["wall"]
    ratio = f", {wall / slowest:.2f} times the slowest stage" if slowest else ""
    print(
        f"the whole: {wall:.1f} s{ratio}, processor {told['cpu']:.1f} s, {told['mb']:.0f} MB, load {load:.1f}; {told['out'].strip()}"
    )
    print(f"first line after {lines[0][0]:.1f} s; {steps(lines)}")
    for gap, text in gaps(lines, wall):
        print(f"  {gap:.1f} s after '{text}'")
    shutil.rmtree(place)


if __name__ == "__main__":
    main()
