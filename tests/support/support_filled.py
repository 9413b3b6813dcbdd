"""Fills a catalog with the rows of very many photos, without pixels: deterministic by its seed, by bulk inserts.

Rows are written in the shape of migration `SHAPE`, then the program brings the catalog over as it would an archive of
that time. So a filled catalog also measures the migrations since.
"""

from __future__ import annotations

import functools
import hashlib
import json
import math
import random
import sqlite3
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import create_engine, inspect
from sqlalchemy.engine import make_url

from evidence.codec import from_json, to_json
from evidence.model import (
    Box,
    CameraFacts,
    ClaimId,
    DividerMark,
    GeoPoint,
    Look,
    Quality,
    SceneKind,
    WritingLine,
)

SHAPE = "0012"
"""The migration in whose shape the rows are written."""
MANY = 100
"""Claims whose migrations need what the server knows of the tables' rows."""
PHOTOS = 150
"""Photos of a claim."""
START = datetime(2019, 10, 7, 8, 30)
"""The first photo, local time."""
A_DAY = (3, 4, 5)
"""Claims of the working days, one after the other; one day of 50 has `BUSY`."""
BUSY = 8
"""Claims of a busy day: 1,200 photos."""
EDGE = 0.02
"""Degrees from one house of a day to the next."""
DISK = "b2c4e7a1d0f34c55a1e2c3d4e5f60718"
"""The id of the backup target's disk."""
PLACES = ("archive", "office")
_WALLS = 2_000
"""Plain walls, roofs and lawns that look alike in many claims."""
_VECTORS = 512
"""Embeddings to choose from."""

Row = tuple[Any, ...]

COLUMNS = {
    "claim": "claim insured address lat lon loss_date peril jurisdiction line stories state closed_on folder added_at "
    "policy_number carrier adjuster inspector version",
    "intake": "intake source label actor started_at finished_at refused card_id purged came_since told_safe safe_told_at",
    "original": "sha256 size suffix kind facts look embedding phash corrected correction utc claim position segment "
    "claim_confidence to_confirm claim_reasons tag_flags caption",
    "sighting": "intake card_path sha256 modified folder_number file_number object_key",
    "segment": "segment claim unknown first photos day position probability to_confirm reasons",
    "decision": "id at actor kind claim before after undone",
    "decision_photo": "sha256 decision",
    "tag": "sha256 facet source value confidence reason strongest",
    "bag": "claim dirty changes built_at",
    "target_disk": "disk place head",
    "pushed_bag": "disk claim tag_manifest due",
    "held_in": "sha256 claim payload_path",
    "copy": "sha256 place place_id off_computer claim verified_at",
    "hold": "claim kind reason insured peril area covered placed_by placed_at",
    "waiver": "claim requirement place by why at",
    "tally": "claim version basis met guessed missing waived flags",
}
"""The columns that are written, by table."""


class Filler:
    """The rows of so many photos."""

    def __init__(self, photos: int, *, seed: int = 16, basis: str = "") -> None:
        """`basis` is that of the stored tallies; with the archive's own they are current."""
        self.claims = photos // PHOTOS
        self.basis = basis
        self._chance = random.Random(seed)
        numbers = np.random.default_rng(seed)
        vectors = numbers.normal(size=(_VECTORS, 1280))
        vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
        self._vectors = [one.astype("<f2").tobytes() for one in vectors]
        self._walls = numbers.integers(0, 2**63, size=_WALLS).tolist()
        self._looks = [self._look(kind) for kind in range(64)]
        self._decisions = 0
        self._facts_template = ""
        self._template_of = (0, 0, START)
        self.days = list(self._calendar())
        """For each working day its date and the numbers of its claims."""

    def _calendar(self) -> Iterator[tuple[datetime, range]]:
        first, day, turn = 0, START, 0
        while first < self.claims:
            many = BUSY if turn % 50 == 12 else A_DAY[turn % len(A_DAY)]
            yield day, range(first, min(first + many, self.claims))
            first += many
            turn += 1
            day += timedelta(days=3 if day.weekday() == 4 else 1)

    def rows(self) -> Iterator[tuple[str, list[Row]]]:
        """Rows by table, a working day at a time."""
        yield "target_disk", [(DISK, PLACES[1], 1)]
        for day, numbers in self.days:
            made: dict[str, list[Row]] = {table: [] for table in COLUMNS}
            self._day(made, day, numbers)
            yield from ((table, rows) for table, rows in made.items() if rows)

    def _day(self, made: dict[str, list[Row]], day: datetime, numbers: Sequence[int]) -> None:
        evening = day + timedelta(hours=10)
        intake = intake_of(day, numbers)
        made["intake"].append(
            (intake, f"/media/card-{numbers[0]}", "card", "Ada Clerk", _z(evening), _z(evening), "[]", "", 0, 0,
             True, _z(evening))
        )  # fmt: skip
        for place, number in enumerate(numbers):
            self._claim(made, number, day + timedelta(minutes=70 * place), intake, place)

    def _claim(self, made: dict[str, list[Row]], number: int, at: datetime, intake: str, place: int) -> None:
        chance, claim = self._chance, claim_of(number)
        state, closed = self._state(number, at)
        where = house_of(number)
        made["claim"].append(
            (claim, f"{_NAMES[number % len(_NAMES)]} {number}", f"{number % 900 + 1} Elm Street", where.lat, where.lon,
             f"{at - timedelta(days=12):%Y-%m-%d}", ("hail", "wind", "fire")[number % 3], ("CO", "NH", "VA")[number % 3],
             "homeowners", 1 + number % 2, state, closed, f"{claim} {_NAMES[number % len(_NAMES)]}", _z(at - timedelta(days=3)),
             f"P-{number:06}", "Granite Mutual", f"Adjuster {number % 12}", "Ada Clerk", 4)
        )  # fmt: skip
        digests = [digest_of(number, photo) for photo in range(PHOTOS)]
        day, unsure = f"{at:%Y-%m-%d}", number % 25 == 0
        segment = f"{day}/{place + 1}"
        made["segment"].append(
            (
                segment,
                claim,
                False,
                digests[0],
                PHOTOS,
                day,
                place,
                0.99,
                unsure,
                '["the sheet of this claim"]',
            )
        )
        wall = 0
        for k, sha in enumerate(digests):
            taken = at + timedelta(seconds=24 * k)
            phash, wall = self._phash(k, wall)
            look = self._looks[k % len(self._looks)].replace('"phash":""', f'"phash":"{phash}"', 1)
            if k == 0:
                sheet = _dump(to_json(self._sheet(claim)))
                look = look.replace('"dividers":[]', f'"dividers":{sheet}', 1)
            path = f"DCIM/{100 + place}TESTC/TEST{k:04}.JPG"
            made["original"].append(
                (sha, 2_400_000 + chance.randrange(3_000_000), ".jpg", "photo", self._facts_text(number, k, taken), look,
                 self._vectors[chance.randrange(_VECTORS)], phash, taken.isoformat(timespec="microseconds"), "",
                 _z(taken + timedelta(hours=6)), claim, PHOTOS * place + k, segment, 0.91 if unsure and k > 140 else 0.998,
                 unsure and k > 140, '["the sheet of this claim"]', "[]", "")
            )  # fmt: skip
            made["sighting"].append(
                (
                    intake,
                    path,
                    sha,
                    taken.isoformat(timespec="microseconds"),
                    100 + place,
                    k,
                    f"{100 + place}{k:04}",
                )
            )
            made["held_in"].append((sha, claim, f"{day} card {intake[-4:]}/{path[5:]}"))
            for copied in PLACES:
                made["copy"].append(
                    (sha, copied, f"disk {copied}", copied != PLACES[0], claim, _z(at + timedelta(hours=12)))
                )
            self._tags(made["tag"], sha, k)
        self._decided(made, claim, digests, at, closed)
        made["bag"].append((claim, False, 3, _z(at + timedelta(hours=11))))
        made["pushed_bag"].append((DISK, claim, hashlib.sha256(claim.encode()).hexdigest(), False))
        made["tally"].append(
            (claim, 4, self.basis, 30 + number % 7, number % 5, number % 3, number % 2, number % 4)
        )
        if number % 170 == 0:
            made["hold"].append(
                (claim, "litigation", "a suit was filed", "", "", "[]", "[]", "Counsel", _z(at))
            )
        if number % 3 == 0:
            made["waiver"].append((claim, "soft_metal", "front", "Rita", "none on this side", _z(at)))

    def _state(self, number: int, at: datetime) -> tuple[str, str | None]:
        """The newest 300 claims are open, the 100 before them signed, and of the others 1 in 50."""
        if number >= self.claims - min(300, self.claims // 2):
            return ("returned" if number % 40 == 0 else "open"), None
        if number >= self.claims - 400 or number % 50 == 0:
            return "signed", None
        return "closed", f"{at + timedelta(days=30 + number % 200):%Y-%m-%d}"

    def _phash(self, k: int, wall: int) -> tuple[str, int]:
        """One in eight is nearly that of the photo before, one in twenty that of a wall, few walls being common."""
        chance = self._chance.random()
        if k and chance < 0.125:
            code = wall
        elif chance < 0.175:
            code = self._walls[int(_WALLS * self._chance.random() ** 2)]
        else:
            code = self._chance.getrandbits(64)
        for _ in range(self._chance.randrange(4) if chance < 0.175 else 0):
            code ^= 1 << self._chance.randrange(64)
        return f"{code:016x}", code

    def facts(self, number: int, k: int, taken: datetime) -> CameraFacts:
        """What the file of a photo says of itself; the camera has a receiver of positions."""
        return CameraFacts(
            taken_text=f"{taken:%Y:%m:%d %H:%M:%S}", taken_local=taken, offset_minutes=-360,
            gps=self._fix(number, k),
            direction=float(k * 37 % 360), direction_is_true=True, make="Test", model="Field One", serial="0042",
            software="1.2", width=4000, height=3000,
        )  # fmt: skip

    def _facts_text(self, number: int, k: int, taken: datetime) -> str:
        """The JSON of `facts`, by replacing what differs: 1.05 M of them are encoded too slowly one by one."""
        if not self._facts_template:
            self._facts_template = _dump(to_json(self.facts(number, k, taken)))
            self._template_of = (number, k, taken)
        text = self._facts_template
        for old, new in zip(self._parts(*self._template_of), self._parts(number, k, taken), strict=True):
            text = text.replace(old, new, 1)
        return text

    def _parts(self, number: int, k: int, taken: datetime) -> list[str]:
        where = self._fix(number, k)
        return [
            f'"{taken:%Y:%m:%d %H:%M:%S}"',
            f'"{taken.isoformat()}"',
            f'"lat":{where.lat}',
            f'"lon":{where.lon}',
            f'"direction":{float(k * 37 % 360)}',
        ]

    @staticmethod
    def _fix(number: int, k: int) -> GeoPoint:
        where, turn = house_of(number), k * 0.4
        return GeoPoint(
            lat=round(where.lat + 1e-4 * math.sin(turn), 6),
            lon=round(where.lon + 1e-4 * math.cos(turn), 6),
            alt=1600.0,
        )

    @staticmethod
    def _sheet(claim: str) -> tuple[DividerMark, ...]:
        return (DividerMark(claim=ClaimId(claim), code_area=0.2),)

    def look(self, number: int, k: int) -> Look:
        """What the analysis found in a photo of a claim."""
        found = json.loads(self._looks[k % len(self._looks)]) | {"phash": self._phash(k, 0)[0]}
        if k == 0:
            found["dividers"] = to_json(self._sheet(claim_of(number)))
        vector = self._vectors[(number * 31 + k) % _VECTORS]
        return replace(from_json(Look, found), embedding=vector)

    def _look(self, kind: int) -> str:
        shares = [self._chance.random() ** 3 for _ in SceneKind]
        scenes = {one: round(share / sum(shares), 6) for one, share in zip(SceneKind, shares, strict=True)}
        lines = tuple(
            WritingLine(
                text=("FRONT", "N SLOPE", "GUTTER OK", "7/12")[line],
                confidence=0.93,
                box=Box(left=0.1, top=0.2 + 0.1 * line, right=0.4, bottom=0.28 + 0.1 * line),
            )
            for line in range(kind % 5 if kind % 3 == 0 else 0)
        )
        look = Look(
            writing=lines,
            scenes=scenes,
            quality=Quality(width=4000, height=3000, sharpness=412.25 + kind, brightness=0.47, clipped=0.004),
        )
        return _dump(to_json(look))

    def _tags(self, rows: list[Row], sha: str, k: int) -> None:
        role = _ROLES[k // 10 % len(_ROLES)]
        face = _FACES[k // 30 % len(_FACES)]
        for facet, value in (
            ("role", role),
            ("face", face),
            ("component", "gutter"),
            ("condition", "no_damage"),
        ):
            rows.append((sha, facet, "pixels", value, 0.62, "the picture looks like one of these", True))
        if k % 6 == 0:
            rows.append((sha, "face", "person", face, 1.0, "stated by Rita", False))

    def _decided(
        self, made: dict[str, list[Row]], claim: str, digests: Sequence[str], at: datetime, closed: str | None
    ) -> None:
        moved = digests[140:143]
        decided: list[tuple[str, Any, Any, Sequence[str]]] = [
            ("tag", {sha: {"face": None} for sha in digests[6:8]}, {sha: {"face": "front"} for sha in digests[6:8]}, digests[6:8]),
            ("move", dict.fromkeys(moved), {"photos": moved, "claim": claim}, moved),
        ]  # fmt: skip
        if closed:
            decided.append(("closed", None, {"on": closed}, ()))
            decided.append(("event", None, {"event": "settled", "on": closed, "why": ""}, ()))
        for kind, before, after, about in decided:
            self._decisions += 1
            made["decision"].append(
                (
                    self._decisions,
                    _z(at + timedelta(days=1)),
                    "Rita",
                    kind,
                    claim,
                    _dump(before),
                    _dump(after),
                    False,
                )
            )
            made["decision_photo"] += [(sha, self._decisions) for sha in about]


_NAMES = ("Moss", "Hale", "Finch", "Rowan", "Carver", "Dunn", "Eddy", "Frost", "Quill", "Stone", "Teague")
_ROLES = (
    "elevation",
    "close_up",
    "overview",
    "slope",
    "test_square",
    "no_damage_proof",
    "measurement",
    "other",
)
_FACES = ("front", "right", "back", "left", "none")


def claim_of(number: int) -> str:
    """The number of a claim."""
    return f"HT-{number:05}"


def intake_of(day: datetime, numbers: Sequence[int]) -> str:
    """The intake of that day's card."""
    return f"{day + timedelta(hours=10):%Y%m%d-%H%M%S}-{numbers[0] % 65536:04x}"


def leave_ledger(archive: Path, filler: Filler) -> None:
    """Leave the last card's ledger, empty, by which an archive knows the catalog for its own."""
    (archive / "ledgers" / f"{intake_of(*filler.days[-1])}.jsonl").touch()


def house_of(number: int) -> GeoPoint:
    """Where a claim's house stands."""
    return GeoPoint(
        lat=round(39.0 + EDGE * (number % 60), 6), lon=round(-105.0 + EDGE * (number // 60 % 60), 6)
    )


def digest_of(number: int, photo: int) -> str:
    """The digest of an original."""
    return hashlib.sha256(f"claim {number}, photo {photo}".encode()).hexdigest()


def _z(moment: datetime) -> str:
    return f"{moment.isoformat(timespec='microseconds')}Z"


def _dump(data: Any) -> str:
    return json.dumps(data, ensure_ascii=False, separators=(",", ":"))


def fill(url: str, filler: Filler, *, shape: str = SHAPE) -> None:
    """Make the tables at `url`, an empty database, in the shape of that migration, and write what they have room for.

    Up to `SHAPE` the rows are written in that shape; a later shape is made from `SHAPE` by its migrations.
    """
    file = make_url(url).database if make_url(url).get_backend_name() == "sqlite" else None
    if file:
        Path(file).write_bytes(_empty_file(min(shape, SHAPE)))
    else:
        upgrade(url, min(shape, SHAPE))
    engine = create_engine(url)
    present = inspect(engine)
    rooms = {
        table: _Room.of(table, [one["name"] for one in present.get_columns(table)])
        for table in COLUMNS
        if present.has_table(table)
    }
    engine.dispose()
    if make_url(url).get_backend_name() == "sqlite":
        _fill_sqlite(make_url(url).database or "", filler, rooms)
    else:
        _fill_postgres(url, filler, rooms)
    if shape > SHAPE:
        upgrade(url, shape)


@functools.cache
def _empty_file(shape: str) -> bytes:
    """An SQLite catalog of this shape without rows, made from the one of the shape before."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "catalog.sqlite"
        if shape > "0001":
            path.write_bytes(_empty_file(f"{int(shape) - 1:04}"))
        upgrade(f"sqlite:///{path}", shape)
        return path.read_bytes()


def upgrade(url: str, shape: str) -> None:
    """Bring the tables at `url` to the shape of that migration."""
    import alembic.command
    import alembic.config

    import evidence.catalog

    config = alembic.config.Config()
    config.set_main_option("script_location", str(Path(evidence.catalog.__file__).parent / "migrations"))
    engine = create_engine(url)
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        alembic.command.upgrade(config, shape)
    engine.dispose()


@dataclass(frozen=True)
class _Room:
    """Which of a table's generated values its present shape has columns for."""

    names: tuple[str, ...]
    places: tuple[int, ...]
    more: Row
    """Values of columns that no later shape has."""

    @classmethod
    def of(cls, table: str, columns: Sequence[str]) -> _Room:
        written = COLUMNS[table].split()
        kept = [name for name in written if name in columns]
        once = {name: value for name, value in _ONCE.get(table, {}).items() if name in columns}
        return cls((*kept, *once), tuple(written.index(name) for name in kept), tuple(once.values()))

    def fit(self, row: Row) -> Row:
        """The row as this shape holds it."""
        return (*(row[place] for place in self.places), *self.more)


_ONCE = {"original": {"version": 0}}
"""Columns that a later shape dropped."""


def _fill_sqlite(path: str, filler: Filler, rooms: Mapping[str, _Room]) -> None:
    with sqlite3.connect(path, isolation_level=None) as db:
        db.execute("PRAGMA journal_mode = OFF")
        db.execute("PRAGMA synchronous = OFF")
        db.execute("PRAGMA cache_size = -3000000")  # kB
        indexes = db.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL"
        ).fetchall()
        for name, _ in indexes:
            db.execute(f"DROP INDEX {name}")
        db.execute("BEGIN")
        for table, rows in filler.rows():
            if room := rooms.get(table):
                names = ", ".join(f'"{name}"' for name in room.names)
                marks = ", ".join("?" for _ in room.names)
                db.executemany(f"INSERT INTO {table} ({names}) VALUES ({marks})", map(room.fit, rows))
        for _, made in indexes:
            db.execute(made)
        db.execute("COMMIT")
    db.close()


def _fill_postgres(url: str, filler: Filler, rooms: Mapping[str, _Room]) -> None:
    import psycopg

    parsed = make_url(url)
    with psycopg.connect(
        host=str(parsed.query["host"]), user=parsed.username, dbname=parsed.database, autocommit=True
    ) as db:
        made = db.execute(
            "SELECT indexname, indexdef FROM pg_indexes WHERE indexname LIKE 'ix\\_%'"
        ).fetchall()
        for name, _ in made:
            db.execute(f"DROP INDEX {name}")  # type: ignore[arg-type]
        waiting: dict[str, list[Row]] = {table: [] for table in COLUMNS}
        for table, rows in filler.rows():
            waiting[table] += rows
            if len(waiting[table]) > 20_000:
                _copy(db, table, waiting[table], rooms.get(table))
                waiting[table] = []
        for table, rows in waiting.items():
            _copy(db, table, rows, rooms.get(table))
        for _, definition in made:
            db.execute(definition)
        db.execute("SELECT setval(pg_get_serial_sequence('decision', 'id'), (SELECT max(id) FROM decision))")
        if filler.claims >= MANY:
            db.execute("VACUUM ANALYZE")


def _copy(db: Any, table: str, rows: Sequence[Row], room: _Room | None) -> None:
    if room is None:
        return
    names = ", ".join(f'"{name}"' for name in room.names)
    with db.cursor() as cursor, cursor.copy(f"COPY {table} ({names}) FROM STDIN") as target:
        for row in rows:
            target.write_row(room.fit(row))
