"""Where a repair looks for good copies: other bags, the intake area, other places, and cards."""

from __future__ import annotations

import contextlib
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from evidence.archive.bagread import DATA
from evidence.archive.custody_texts import MissingTexts
from evidence.archive.targets import FolderTarget
from evidence.cards.files import list_card
from evidence.cards.reading import encode_name, path_on_card
from evidence.disk.objects import find_object
from evidence.errors import BagError, EvidenceError
from evidence.filing.bags import bag_folder
from evidence.filing.copies import place_name
from evidence.filing.findings import CollectsFindings
from evidence.model import ClaimId, Finding, Sha256
from evidence.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class Repaired:
    """A file that was replaced."""

    place: str
    """The archive, or the name of a backup target."""
    claim: ClaimId
    path: str
    """The bag's folder and the path inside the bag."""
    sha256: Sha256
    source: str
    """Where the good copy was."""
    kept_at: str
    """Where the bad bytes are kept; empty when the file was missing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """The archive itself, for `target` None, or a target that can be reached."""

    target: FolderTarget | None
    root: Path
    read_only: bool = False
    """True for a target that holds a later state of this archive: it gives copies, and nothing is changed there."""

    @property
    def name(self) -> str:
        """The archive, or the target's name."""
        return place_name(self.target)

    def bag(self, workspace: Workspace, claim: ClaimId) -> Path:
        """The claim's bag at this place. Raises BagError when it has no folder."""
        here = bag_folder(workspace, claim)
        return self.root / here.name if self.target else here


@dataclass(slots=True)
class Work(CollectsFindings):
    """The state of one repair."""

    workspace: Workspace
    places: list[Place]
    cards: list[Path]
    read: int = 0
    repaired: list[Repaired] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    by_size: dict[int, list[Path]] | None = None
    """Files on the cards by size in bytes; None until they are needed."""
    texts: MissingTexts | None = None
    """Texts of the custody log that are missing here; None until the log is read."""


class RepairSource(NamedTuple):
    """A file that may be an original; it was not read yet."""

    name: str
    """What to call its place."""
    path: Path
    on_card: bool = False
    """True for a file of a card, of which not even the time of the last access may change."""


def sources(work: Work, path: Path, sha: Sha256) -> Iterator[RepairSource]:
    """Files that may be the original."""
    held = work.workspace.catalog.keeping.held_in([sha]).get(sha, ())
    for other in work.places:
        for owner, inside in held:
            with contextlib.suppress(BagError):
                file = other.bag(work.workspace, owner) / DATA / inside
                if file != path and file.is_file() and not file.is_symlink():
                    yield RepairSource(other.name, file)
        if other.target is None:
            stored = find_object(work.workspace.store, sha)
            if stored is not None:
                yield RepairSource("the intake area", stored)
        else:
            yield from _moved_at(other.target, path, sha)
    original = work.workspace.catalog.photos.originals([sha]).get(sha)
    for file in _on_cards(work).get(original.size if original else -1, ()):
        yield RepairSource(f"the card at {encode_name(str(file))}", file, on_card=True)


def _moved_at(target: FolderTarget, path: Path, sha: Sha256) -> Iterator[RepairSource]:
    """The same bytes in any other bag of a target, by the manifests there."""
    for name in target.names():
        with contextlib.suppress(EvidenceError, OSError):
            for inside, digest in target.listed(name).items():
                file = target.root / name / DATA / inside
                if digest == sha and file != path and file.is_file() and not file.is_symlink():
                    yield RepairSource(target.name, file)


def _on_cards(work: Work) -> Mapping[int, list[Path]]:
    if work.by_size is None:
        work.by_size = defaultdict(list)
        for root in work.cards:
            for found in list_card(root).found:
                work.by_size[found.size].append(path_on_card(root, found.card_path))
    return work.by_size
