"""Removes what names a purged claim outside its bags: lines of ledgers, texts of the custody log, what was kept aside."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from pathlib import Path

import rfc8785

from evidence.archive import exchange
from evidence.archive.custody import Entry
from evidence.cards.ledger import thin
from evidence.disk.faults import writing
from evidence.errors import counted
from evidence.model import ClaimId, Sha256
from evidence.workspace import DAMAGED, Workspace

SHORTEST = 3
"""Letters of a name that is looked for in texts; a shorter one would be found everywhere."""


def thin_ledgers(workspace: Workspace, intakes: Iterable[str], photos: Collection[Sha256]) -> int:
    """Thin the lines of these files in the ledgers of these intakes; returns how many. Raises DestinationError."""
    thinned = 0
    for intake in sorted(set(intakes)):
        path = workspace.ledgers / f"{intake}.jsonl"
        with writing(path):
            thinned += thin(path, set(photos))
    return thinned


def remove_texts(
    workspace: Workspace, claim: ClaimId, photos: Collection[Sha256], private: Collection[str]
) -> int:
    """Remove the free texts of entries about the claim or its files, and those that hold a private word."""
    gone = frozenset(photos)
    words = [word.casefold() for word in private if len(word) >= SHORTEST]

    def is_private(entry: Entry, text: str) -> bool:
        named = entry.details.get("photos", ())
        about = entry.subject == claim or (
            isinstance(named, list) and any(isinstance(one, str) and one in gone for one in named)
        )
        return about or any(word in text.casefold() for word in words)

    return workspace.custody.remove_texts(
        is_private, actor=workspace.actor, subject=claim, at=workspace.now()
    )


def entries_that_stay(workspace: Workspace, private: Collection[str]) -> str:
    """What to say of entries that hold a private word themselves, as an earlier program wrote them; empty for none."""
    words = [rfc8785.dumps(word)[1:-1] for word in private if len(word) >= SHORTEST]
    count = sum(any(word in line for word in words) for line in workspace.custody.lines()) if words else 0
    if not count:
        return ""
    return (
        f"{counted(count, 'entry', 'entries')} of the custody log, as an earlier program wrote them, still name the "
        "insured, the address or the bag. An entry cannot be changed without breaking the proof of all others."
    )


def remove_damaged(root: Path, bag: str) -> None:
    """Remove what a repair and a rebuild kept aside of a bag: bad files of it, and catalogs that name its claim."""
    aside = root / DAMAGED
    with writing(aside):
        for folder in (aside / bag, *aside.glob("catalog-*")):
            exchange.remove_tree(folder)
