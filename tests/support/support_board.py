"""Archives for the board's tests, written straight into the catalog, and a running board."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import io
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from fastapi import FastAPI
from PIL import Image
from support_catalog import copied, placing
from support_cli import make_archive

from evidence.board.app import make_app
from evidence.board.server import BoardServer, bind, make_config
from evidence.catalog.segments import SegmentRow
from evidence.disk.objects import object_path
from evidence.model import (
    CameraFacts,
    Claim,
    ClaimId,
    Duty,
    Facet,
    FacetValue,
    IntakeId,
    Look,
    MediaKind,
    Quality,
    Sha256,
    Source,
    TagResult,
)
from evidence.sight.request import thumb_path
from evidence.workspace import Workspace

START = datetime(2026, 5, 14, 9, 0)
PASSWORD = "three blue herons at dusk"


def new_archive(folder: Path) -> Workspace:
    """An archive without photos."""
    return Workspace(make_archive(folder), actor="office clerk")


def digest(text: str) -> Sha256:
    """Stands for an original of that name."""
    return Sha256(hashlib.sha256(text.encode()).hexdigest())


def facet_value(facet: Facet, value: str, *, guess: float | None = None, reason: str = "") -> FacetValue:
    """A facet as a person states it, or as a guess of that probability."""
    source = Source.PERSON if guess is None else Source.PIXELS
    return FacetValue(facet=facet, value=value, source=source, confidence=guess or 1.0, reason=reason)


def put_claim(
    workspace: Workspace, number: str, *, insured: str = "", address: str = "", peril: str = "hail"
) -> None:
    """A claim of the office's list."""
    claim = Claim(claim=ClaimId(number), insured=insured, address=address, peril=peril)
    workspace.catalog.claims.put([claim], at=workspace.now())


def put_photos(
    workspace: Workspace,
    number: str | None,
    many: int,
    *,
    start: datetime = START,
    name: str = "TEST",
    facts: Mapping[str, str] | None = None,
    tags: Mapping[int, tuple[FacetValue, ...]] | None = None,
    phash: str = "",
    to_confirm: bool = False,
    pictures: bool = False,
    originals: bool = True,
) -> list[Sha256]:
    """Photos of a claim (None: the tray) as an intake leaves them, half a minute apart.

    Each original is a few bytes of text in the intake area, so that bags can be built; without `originals` the
    photos are in the catalog alone.
    """
    claim = ClaimId(number) if number else None
    intake = IntakeId(f"20260514-090000-{name.lower()}")
    photos = workspace.catalog.photos
    contents = [f"{number} {name} {n}" for n in range(many)]
    shas = [digest(content) for content in contents]
    if originals:
        for sha, content in zip(shas, contents, strict=True):
            place = object_path(workspace.store, sha, ".jpg")
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content.encode())
    segment = f"{start.date().isoformat()}/{number or 'tray'}"
    with workspace.catalog.transaction():
        photos.add_originals(
            intake,
            [
                copied(f"DCIM/100TEST/{name}{n:04d}.JPG", sha, size=len(contents[n].encode()))
                for n, sha in enumerate(shas)
            ],
        )
        photos.describe([(sha, _facts(start, n, facts), _look(sha, phash)) for n, sha in enumerate(shas)])
        photos.place(
            [
                placing(
                    sha,
                    claim,
                    n,
                    segment=segment,
                    confidence=0.7 if to_confirm else 1.0,
                    to_confirm=to_confirm,
                    reasons=("for the test",),
                    corrected=start + timedelta(seconds=30 * n),
                )
                for n, sha in enumerate(shas)
            ],
            [
                SegmentRow(
                    segment=segment,
                    claim=claim,
                    unknown=False,
                    first=shas[0],
                    photos=many,
                    day=start.date().isoformat(),
                    position=int(start.timestamp()) % 100_000,
                    probability=0.99,
                    to_confirm=to_confirm,
                    reasons=("for the test",),
                )
            ],
        )
        photos.put_tags(
            {
                shas[n]: TagResult(tags={one.facet: one for one in values}, by_source=values)
                for n, values in (tags or {}).items()
            }
        )
    if pictures:
        for n, sha in enumerate(shas):
            _picture(workspace, sha, n)
    return shas


def put_files(
    workspace: Workspace,
    number: str,
    files: Mapping[str, tuple[MediaKind, bytes]],
    *,
    start: datetime = START,
) -> list[Sha256]:
    """Files of a claim by name, with these kinds and contents, as an intake leaves them; no thumbnails."""
    photos = workspace.catalog.photos
    shas = [Sha256(hashlib.sha256(content).hexdigest()) for _, content in files.values()]
    listed = []
    for sha, (name, (kind, content)) in zip(shas, files.items(), strict=True):
        ending = Path(name).suffix.lower()
        place = object_path(workspace.store, sha, ending)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(content)
        listed.append(copied(f"DCIM/100TEST/{name}", sha, size=len(content), kind=kind))
    stem = Path(next(iter(files))).stem.lower()
    with workspace.catalog.transaction():
        photos.add_originals(IntakeId(f"20260514-100000-{stem}"), listed)
        photos.describe(
            [
                (sha, CameraFacts(), _seen(content))
                for sha, (_, content) in zip(shas, files.values(), strict=True)
            ]
        )
        segment = f"{start.date().isoformat()}/{number}-{stem}"
        photos.place(
            [
                placing(
                    sha,
                    number,
                    900 + n,
                    segment=segment,
                    reasons=("for the test",),
                    corrected=start + timedelta(hours=1, seconds=n),
                )
                for n, sha in enumerate(shas)
            ],
            [
                SegmentRow(
                    segment=segment,
                    claim=ClaimId(number),
                    unknown=False,
                    first=shas[0],
                    photos=len(shas),
                    day=start.date().isoformat(),
                    position=90_000,
                    probability=0.99,
                    to_confirm=False,
                    reasons=("for the test",),
                )
            ],
        )
    return shas


def _seen(content: bytes) -> Look:
    try:
        with Image.open(io.BytesIO(content)) as image:
            width, height = image.size
    except (OSError, Image.DecompressionBombError):
        return Look()
    return Look(quality=Quality(width=width, height=height, sharpness=300.0, brightness=0.5, clipped=0.0))


def _facts(start: datetime, n: int, more: Mapping[str, str] | None) -> CameraFacts:
    taken = start + timedelta(seconds=30 * n)
    return CameraFacts(
        taken_text=taken.strftime("%Y:%m:%d %H:%M:%S"),
        taken_local=taken,
        width=4000,
        height=3000,
        **dict({"make": "Testcam", "model": "T-1"}, **(more or {})),
    )


def _look(sha: Sha256, phash: str) -> Look:
    quality = Quality(width=4000, height=3000, sharpness=300.0, brightness=0.5, clipped=0.0)
    return Look(phash=phash or sha[:16], quality=quality)


def _picture(workspace: Workspace, sha: Sha256, n: int) -> None:
    for side in (320, 1280):
        place = thumb_path(workspace.thumbs, sha, side)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(_plain_picture(side, (n * 37) % 255))


@functools.cache
def _plain_picture(side: int, red: int) -> bytes:
    made = io.BytesIO()
    Image.new("RGB", (side, side * 3 // 4), (red, 120, 90)).save(made, "JPEG")
    return made.getvalue()


FOUR_SIDES = """
[list]
id = "hail_roof"
title = "The four sides"
basis = "for tests"

[[shot]]
id = "elevation"
title = "Whole elevation"
for_each = "elevation"
facets = { role = "elevation" }
"""


def four_sides(workspace: Workspace) -> None:
    """Make the archive require only the four sides of the house."""
    own = workspace.root / "config" / "required_shots"
    own.mkdir(parents=True, exist_ok=True)
    (own / "hail_roof.toml").write_text(FOUR_SIDES, encoding="utf-8")


@dataclass
class Served:
    """A board that a browser can reach."""

    url: str
    app: FastAPI

    def link(self, name: str, duty: Duty = Duty.REVIEWER) -> str:
        """A single-use login address for this person."""
        return f"{self.url}/link/{self.app.state.board.sessions.create_link(name, duty)}"

    def session(self, name: str, duty: Duty = Duty.REVIEWER) -> tuple[str, str]:
        """The cookie, name and value, of a new session of this person, as the link gives it."""
        state = self.app.state.board
        listed = state.workspace.catalog.users.get(name) is not None
        return state.sessions.cookie, state.sessions.start(name, duty, listed=listed)[1]


@contextlib.contextmanager
def served(workspace: Workspace, *, cert: Path | None = None, key: Path | None = None) -> Iterator[Served]:
    """The board over this archive, on a free port of this computer."""
    app = make_app(workspace, background=False)
    config = make_config(app, cert=cert, key=key)
    listening = bind(config)
    started = threading.Event()
    server = BoardServer(config, on_listening=started.set)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    assert started.wait(30)
    try:
        yield Served(f"http://127.0.0.1:{listening.getsockname()[1]}", app)
    finally:
        server.should_exit = True
        thread.join(30)
