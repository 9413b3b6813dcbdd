"""Makes an archive as an earlier version of the program left it: bags whose files have names of the earlier naming."""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import alembic.command
import alembic.config
from sqlalchemy import create_engine

import evidence.catalog
from evidence.archive.assembly import PayloadFile
from evidence.archive.bagread import read_manifest
from evidence.archive.bags import build_bag
from evidence.archive.names import folder_name
from evidence.filing.records import PHOTO_RECORD


def earlier_path(path: str) -> str:
    """A payload path in the earlier naming: eight digits behind each name that is not all in capital letters."""
    card, *parts = path.split("/")
    return "/".join([card, *map(folder_name, parts)])


def rebuild_with_earlier_names(bag: Path) -> None:
    """Build a bag anew with the earlier names, in its manifest, its record of photos, and on the disk."""
    records = {
        path.relative_to(bag).as_posix(): path.read_bytes()
        for path in (bag / "records").rglob("*")
        if path.name != "names_on_the_card.txt"
    }
    photos = json.loads(records[PHOTO_RECORD])
    for one in photos:
        one["payload_path"] = earlier_path(one["payload_path"])
        del one["card_path"]
    records[PHOTO_RECORD] = json.dumps(photos, indent=1).encode()
    payload = {}
    for path, sha in read_manifest(bag).items():
        source = bag / "data" / path
        plain = path.removesuffix(".xmp") if path.endswith(".xmp") else path
        name = earlier_path(plain) + path.removeprefix(plain)
        payload[name] = PayloadFile(sha256=sha, size=source.stat().st_size, source=source)
    info = [
        (label, value)
        for label, _, value in (
            line.partition(": ") for line in (bag / "bag-info.txt").read_text().splitlines()
        )
        if label != "Payload-Oxum"
    ]
    build_bag(bag, payload, records, info)


MIGRATIONS = Path(evidence.catalog.__file__).parent / "migrations"
BEFORE = re.search(
    r'^down_revision = "(\w+)"', next(MIGRATIONS.glob("versions/*_bag_changes.py")).read_text(), re.MULTILINE
)[1]
"""The migration before the one that brings the names over."""


def set_back_catalog(archive: Path) -> None:
    """Give the catalog the earlier names and the shape that it had then."""
    with closing(sqlite3.connect(archive / "catalog.sqlite")) as db, db:
        rows = db.execute("SELECT sha256, claim, payload_path FROM held_in").fetchall()
        for sha, claim, path in rows:
            db.execute(
                "UPDATE held_in SET payload_path = ? WHERE sha256 = ? AND claim = ?",
                (earlier_path(path), sha, claim),
            )
    config = alembic.config.Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    engine = create_engine(f"sqlite:///{archive / 'catalog.sqlite'}")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        alembic.command.downgrade(config, BEFORE)
    engine.dispose()


def digests_below(folder: Path) -> list[str]:
    """The SHA-256 of every file below a folder's bags' payload, sorted."""
    return sorted(
        hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.glob("*/data/**/*") if path.is_file()
    )
