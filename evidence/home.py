"""An archive on disk, opened: its folders, its settings, its catalog, its custody log, and who is at work."""

from __future__ import annotations

import copy
import getpass
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

import filelock

from evidence.archive.custody import CustodyLog
from evidence.catalog.store import Catalog
from evidence.errors import BadInputError, DestinationError, LockedError
from evidence.model import ClaimId
from evidence.settings import Settings, default_text, load_settings
from evidence.tags.vocabulary import Vocabulary, load_vocabulary

SETTINGS = "evidence.toml"
LOCK_WAIT_S = 20.0
"""How long a command waits for another one on the same archive before it gives up."""


def utc_now() -> datetime:
    """The computer's clock, aware, UTC: the one place where the program asks it."""
    return datetime.now(UTC)


def system_actor() -> str:
    """The name of the person at this computer, as the system knows it."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


class ArchiveHome:
    """An opened archive. Use as a context manager, or call `close`."""

    def __init__(
        self, root: Path, *, actor: str | None = None, now: Callable[[], datetime] = utc_now
    ) -> None:
        """Open the archive at `root`; raises BadInputError when there is none or its settings are wrong."""
        self.root = root.absolute()
        settings_file = self.root / SETTINGS
        if not settings_file.is_file():
            raise BadInputError(
                f"No archive at {root}.", "Make one with `evidence init DIR`, or name it with --archive DIR."
            )
        self.actor = actor or system_actor()
        self.now = now
        self.settings: Settings = load_settings(_read(settings_file), origin=str(settings_file))
        _refuse_contradictions(self.root, self.settings)
        self.custody = CustodyLog(self.root / "custody" / "custody.jsonl")
        self.catalog = Catalog(self.settings.catalog.url or f"sqlite:///{self.root / 'catalog.sqlite'}")
        self._vocabulary: Vocabulary | None = None
        self._lock = filelock.FileLock(self.root / "archive.lock")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the catalog."""
        self.catalog.close()

    # --- folders ---

    @property
    def claims(self) -> Path:
        """The claims' bags, one folder a claim."""
        return self.root / "claims"

    @property
    def tray(self) -> Path:
        """The bag of photos that fit no claim."""
        return self.root / "unassigned"

    @property
    def store(self) -> Path:
        """The intake area: verified originals on their way into a bag, by digest."""
        return self.root / "intake"

    @property
    def ledgers(self) -> Path:
        """One journal for each run of a card."""
        return self.root / "ledgers"

    @property
    def thumbs(self) -> Path:
        """Small upright copies for screens and reports; disposable."""
        return self.root / "thumbnails"

    @property
    def plans(self) -> Path:
        """Purge plans, their approvals, certificates and tombstones."""
        return self.root / "purges"

    @property
    def learnt(self) -> Path:
        """What confirmed tags taught."""
        return self.root / "learnt"

    def bag_of(self, claim: ClaimId, folder: str | None) -> Path:
        """Where the claim's bag lives; the tray's for an empty claim."""
        if not claim:
            return self.tray
        if not folder:
            raise ValueError(f"claim {claim} has no folder yet")
        return self.claims / folder

    # --- words and lists ---

    def text(self, name: str) -> str:
        """The office's own `config/NAME` in the archive where there is one, else the program's default."""
        own = self.root / "config" / name
        return _read(own) if own.is_file() else default_text(name)

    def origin(self, name: str) -> str:
        """What to call that file in an error."""
        own = self.root / "config" / name
        return str(own) if own.is_file() else f"config/{name}"

    @property
    def vocabulary(self) -> Vocabulary:
        """The words of the tags and the label cards."""
        if self._vocabulary is None:
            self._vocabulary = load_vocabulary(self.text("tags.toml"), self.origin("tags.toml"))
        return self._vocabulary

    # --- working ---

    @contextmanager
    def working(self) -> Iterator[None]:
        """Hold the archive for one change at a time; raises LockedError when another keeps it.

        A thread that holds it may take it again.
        """
        try:
            with self._lock.acquire(timeout=LOCK_WAIT_S):
                yield
        except filelock.Timeout:
            raise LockedError(
                f"Another command is working on {self.root}.", "Wait until it is done, then run this again."
            ) from None

    def acting_as(self, name: str) -> ArchiveHome:
        """The same open archive with another person at work; closing it closes both."""
        twin = copy.copy(self)
        twin.actor = name
        return twin

    def note(self, action: str, subject: str, **details: object) -> None:
        """One entry in the custody log, by whoever is at work, now."""
        self.custody.append(
            actor=self.actor, action=action, subject=subject, details=dict(details), at=self.now()
        )


def make_archive(
    root: Path, *, actor: str | None = None, now: Callable[[], datetime] = utc_now
) -> ArchiveHome:
    """Make a new archive at `root`, with commented settings, and open it.

    Raises BadInputError when there is one already or the folder holds other things, DestinationError
    when it cannot be written.
    """
    if (root / SETTINGS).exists():
        raise BadInputError(
            f"{root} is an archive already.", "Use it with --archive, or choose another folder."
        )
    try:
        if root.exists() and (not root.is_dir() or any(root.iterdir())):
            raise BadInputError(
                f"{root} is not an empty folder.", "Choose a new or empty folder for the archive."
            )
        for part in ("claims", "intake", "ledgers", "custody", "config/required_shots", "purges", "learnt"):
            (root / part).mkdir(parents=True, exist_ok=True)
        if os.name == "posix":
            root.chmod(0o750)
        (root / "config" / "README.txt").write_text(_OWN_CONFIG, encoding="utf-8")
        (root / SETTINGS).write_text(default_text("evidence.toml"), encoding="utf-8")
    except OSError as trouble:
        raise DestinationError(
            f"{root} cannot be written: {trouble.strerror}.", "Choose a folder you may write to, with room."
        ) from trouble
    home = ArchiveHome(root, actor=actor, now=now)
    home.note("archive_made", str(root.name))
    return home


_OWN_CONFIG = """\
A file put here stands in place of the program's default of the same name:
tags.toml, walk.toml, retention.toml, and required_shots/NAME.toml for a required-shot list.
`evidence lists` shows which lists are in force and what they ask for.
"""


def _refuse_contradictions(root: Path, settings: Settings) -> None:
    for target in settings.target:
        place = target.path.absolute()
        if place == root or root in place.parents or place in root.parents:
            raise BadInputError(
                f"Backup target '{target.name}' and the archive lie inside one another.",
                f"Give it a path on another disk in {SETTINGS}.",
            )


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise BadInputError(f"{path} is not UTF-8 text.", "Save it as UTF-8, then run this again.") from None
    except OSError as trouble:
        raise BadInputError(
            f"{path} cannot be read: {trouble.strerror}.", "Check its permissions."
        ) from trouble
