"""Salted digests of purged files, kept for good, so that a backup may remove late copies of them.

A target that is put back to before the purge holds them again, maybe in another claim's bag, years later.
"""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

import rfc8785

from evidence.disk.durable import make_folder, replace_file, sync_folder
from evidence.disk.faults import writing
from evidence.model import ClaimId, Sha256

DECIDED_ELSEWHERE = "decided-elsewhere"
"""The folder beside those of plans with the digests of files that were purged by a plan of another station."""


def keep_released(folder: Path, claim: ClaimId, photos: Iterable[Sha256]) -> None:
    """Keep salted digests of the purged files for good, so that a backup may remove late copies of them.

    A target that is put back to before the purge holds them again, maybe in another claim's bag, years later.
    """
    digests = sorted(set(photos))
    if digests and not _released_path(folder, claim).exists():
        salt = secrets.token_hex(16)
        data = {"salt": salt, "digests": sorted(_salted(salt, sha) for sha in digests)}
        with writing(folder):
            make_folder(folder)
            replace_file(_released_path(folder, claim), rfc8785.dumps(data))
            sync_folder(folder)


class ReleasedFiles:
    """The digests of purged files: `sha in released` is True when the file was purged."""

    def __init__(self, plans_folder: Path) -> None:
        self._lists: list[tuple[str, frozenset[str]]] = []
        for path in sorted(plans_folder.glob("*/released-*.json")):
            with suppress(OSError, ValueError, KeyError, TypeError):
                data = json.loads(path.read_bytes())
                self._lists.append((str(data["salt"]), frozenset(data["digests"])))

    def __contains__(self, sha: Sha256) -> bool:
        return any(_salted(salt, sha) in digests for salt, digests in self._lists)


def _salted(salt: str, sha: Sha256) -> str:
    return hashlib.sha256(bytes.fromhex(salt) + bytes.fromhex(sha)).hexdigest()


def _released_path(folder: Path, claim: ClaimId) -> Path:
    return folder / f"released-{hashlib.sha256(claim.encode()).hexdigest()[:12]}.json"
