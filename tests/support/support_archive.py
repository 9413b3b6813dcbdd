"""What the tests of the archive share: invented photos, and an outside judge of bags."""

from __future__ import annotations

import hashlib
import logging
from pathlib import Path

import bagit

from evidence.archive.bags import PayloadFile
from evidence.model import Sha256

INFO = (
    ("Source-Organization", "Hilltop Claims"),
    ("External-Identifier", "HT-1001"),
    ("Bagging-Date", "2026-03-04"),
)


def photo(folder: Path, name: str, content: bytes | None = None) -> PayloadFile:
    """A kept original in `folder`; the same name gives the same bytes."""
    content = name.encode() * 50 if content is None else content
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / hashlib.sha256(name.encode()).hexdigest()[:16]
    if not path.exists():
        path.write_bytes(content)
    return PayloadFile(sha256=Sha256(hashlib.sha256(content).hexdigest()), size=len(content), source=path)


def photos(folder: Path, *names: str) -> dict[str, PayloadFile]:
    return {name: photo(folder, name) for name in names}


def outside_verdict(bag: Path) -> str:
    """What the `bagit` library (Library of Congress) says: empty when the bag is valid, else why not."""
    logging.getLogger("bagit").setLevel(logging.CRITICAL)
    try:
        bagit.Bag(str(bag)).validate()
    except bagit.BagError as error:
        return str(error) or type(error).__name__
    except OSError as error:
        return f"unreadable: {error}"
    return ""
