"""An opened archive: its folders, settings, catalog and custody log, and the person who acts."""

from __future__ import annotations

import contextlib
import copy
import difflib
import getpass
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, date, datetime
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Self

from evidence.archive.custody_end import RESTORE
from evidence.archive.custody_key import archive_key, first_key, keep_id, known_archive_id, log_of
from evidence.archive.custody_texts import FreeText
from evidence.archive.nesting import refuse_within
from evidence.catalog.leases import CHANGE, HOLDS, OFFICE
from evidence.catalog.owners import Owner
from evidence.catalog.store import Catalog
from evidence.disk.modes import in_an_archive, restrict_umask, set_modes
from evidence.disk.turns import TurnLock
from evidence.errors import BadInputError, CustodyError, DestinationError, LockedError
from evidence.model import ClaimId
from evidence.plain_words import typed_name
from evidence.settings import Settings, default_names, default_text, load_settings

if TYPE_CHECKING:
    from evidence.alike.archive_index import ArchiveIndex
    from evidence.tags.vocabulary import Vocabulary

SETTINGS = "evidence.toml"
CATALOG = "catalog.sqlite"
HASH_INDEX = "hashes.index"
"""The name of the file that holds the index of the photos' perceptual hashes; it may be deleted."""
DAMAGED = "damaged"
"""The folder of an archive or a target that keeps what was replaced: an old catalog, and bad files of bags."""
LOCK_WAIT_S = 20.0
"""How long a command waits for another command's change of the catalog before it fails."""
FILING_WAIT_S = 3600.0
"""How long a command that may take hours waits for one bag that another command builds, copies or reads."""
MOST_ACTOR = 100
"""Maximum length of an actor's name, in characters."""
FREE_TEXT = frozenset({"card", "label", "name", "note", "path", "photo", "reason", "source", "why"})
"""Details of a custody entry that a person wrote or a card gave: they may name somebody, so they are kept apart."""
PERMISSIONS = "permissions.mark"
"""The name of a file that says that the archive's files have the permissions of `disk.modes`."""
UNFINISHED = "unfinished.mark"
"""The name of a file that an archive holds while `make_archive` creates it."""


def utc_now() -> datetime:
    """Return the current time, aware, UTC. No other function reads the computer's clock for an archive."""
    return datetime.now(UTC)


def system_actor() -> str:
    """Return the operating system's name of the current user, or 'unknown'."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def named_actor(text: str) -> str:
    """Return an actor's name with spaces tidied; raises BadInputError for an empty, too long or unprintable name."""
    return typed_name(text, "The name after --actor", MOST_ACTOR)


def bag_in(root: Path, claim: ClaimId, folder: str | None) -> Path:
    """Return the directory of the claim's bag in an archive at `root`, or of the tray for an empty claim.

    Raises ValueError for a claim without a folder.
    """
    if not claim:
        return root / "unassigned"
    if not folder:
        raise ValueError(f"claim {claim} has no folder yet")
    return root / "claims" / folder


class Workspace:
    """An opened archive. Use as a context manager, or call `close`."""

    def __init__(
        self,
        root: Path,
        *,
        actor: str | None = None,
        now: Callable[[], datetime] = utc_now,
        catalog_url: str | None = None,
        joins: str = "",
    ) -> None:
        """Open the archive at `root`; raises BadInputError if there is none or its settings are wrong.

        Raises CatalogError when the catalog is missing, emptied or damaged. `catalog_url` is another catalog
        than the archive's own, for a rebuild; it may be empty. `joins` is the name under which the archive becomes a
        station of a catalog that belongs to others; see `catalog.stations`.
        """
        self.root = root.absolute()
        settings_file = self.root / SETTINGS
        if not settings_file.is_file():
            if log_of(self.root).path.is_file():
                raise BadInputError(
                    f"The archive {root} lacks its settings, {SETTINGS}.",
                    f"Copy archive/{SETTINGS} from the folder of a backup target into it, then run this again.",
                )
            raise BadInputError(
                f"No archive at {root}.",
                "Create one with `evidence init DIR`, or name another with --archive DIR.",
            )
        self.actor = system_actor() if actor is None else named_actor(actor)
        self.logged_in = False
        """True when the actor logged in as a registered person."""
        self.bags_follow = False
        """True on the board, whose background thread builds outdated bags: a change then waits for no bag."""
        self.now = now
        restrict_umask()
        _restrict_permissions(self.root)
        self.settings: Settings = load_settings(_read(settings_file), origin=str(settings_file))
        refuse_overlaps(self.root, self.settings)
        self._refuse_unknown_lists()
        self.custody = log_of(self.root)
        self.catalog = Catalog(
            catalog_url or self.catalog_url,
            in_use=catalog_url is None and holds_bags(self.root),
            owner=self.owner(joins),
            own_file=not self.settings.catalog.url,
        )
        self._vocabulary: Vocabulary | None = None
        self._hash_index: list[
            ArchiveIndex
        ] = []  # one for all that act in this archive, made when it is used
        self._changes = TurnLock(self.root / "archive.lock")
        self._bags = TurnLock(self.root / "filing.lock")
        self._holds = TurnLock(self.root / "holds.lock")
        self._at_work = ExitStack()
        if self.shared:
            station = f"station {self.station}"
            try:
                self._at_work.enter_context(
                    self.catalog.leases.held(station, wait_s=LOCK_WAIT_S, shared=True)
                )
            except LockedError:
                self.close()
                raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the catalog."""
        try:
            self._at_work.close()
        finally:
            self.catalog.close()

    @property
    def catalog_url(self) -> str:
        """The database URL of the archive's own catalog."""
        return self.settings.catalog.url or f"sqlite:///{self.root / CATALOG}"

    @property
    def station(self) -> str:
        """The archive's id in a catalog on a server, which other stations may share; empty with a file of its own."""
        return self.catalog.stations.own

    @property
    def shared(self) -> bool:
        """True when the catalog is on a server."""
        return bool(self.station)

    def owner(self, joins: str = "") -> Owner | None:
        """Return this archive as the owner of its catalog; None for a file of its own without an id.

        On a database server, an archive of an earlier program gets its id now; with a file of its own, at its first
        backup. Raises CustodyError.
        """
        archive = known_archive_id(self.root, self.custody)
        if archive is None:
            if not self.settings.catalog.url:
                return None
            if not self.custody.path.exists():
                raise CustodyError("The custody log is missing.", RESTORE)
            archive = archive_key(self.custody, self.root, actor=self.actor, at=self.now()).archive
        return Owner(
            archive=archive,
            name=joins or self.root.name,
            actor=self.actor,
            at=self.now(),
            knows=self._knows_intake,
            path=str(self.root),
            joins=bool(joins),
        )

    def _knows_intake(self, intakes: Sequence[str]) -> bool:
        """True when a ledger or the custody log shows that one of these intakes ran on this archive."""
        if any((self.ledgers / f"{one}.jsonl").is_file() for one in intakes):
            return True
        return any(True for _ in self.custody.about(*intakes))

    # --- folders ---

    @property
    def claims(self) -> Path:
        """The folder of the claims' bags, one folder for each claim."""
        return self.root / "claims"

    @property
    def tray(self) -> Path:
        """The bag of photos that fit no claim."""
        return self.root / "unassigned"

    @property
    def store(self) -> Path:
        """The intake area: verified originals that are not in a bag yet, named by digest."""
        return self.root / "intake"

    @property
    def ledgers(self) -> Path:
        """The folder of ledgers, one for each intake."""
        return self.root / "ledgers"

    @property
    def thumbs(self) -> Path:
        """The folder of thumbnails, small upright copies for screens and reports; it may be deleted."""
        return self.root / "thumbnails"

    @property
    def plans(self) -> Path:
        """The folder of purge plans, approvals, certificates and tombstones."""
        return self.root / "purges"

    @property
    def learnt(self) -> Path:
        """The folder of models learned from confirmed tags."""
        return self.root / "learnt"

    def bag_of(self, claim: ClaimId, folder: str | None) -> Path:
        """Return `bag_in` of this archive."""
        return bag_in(self.root, claim, folder)

    # --- words and lists ---

    def text(self, name: str) -> str:
        """Return the text of the archive's own `config/NAME`, or of the program's default if it has none."""
        own = self.root / "config" / name
        return _read(own) if own.is_file() else default_text(name)

    def origin(self, name: str) -> str:
        """Return the name of that file for error messages."""
        own = self.root / "config" / name
        return str(own) if own.is_file() else f"config/{name}"

    @property
    def vocabulary(self) -> Vocabulary:
        """The vocabulary of the tags and the label cards."""
        if self._vocabulary is None:
            from evidence.tags.vocabulary import load_vocabulary  # noqa: PLC0415 - many commands never need it

            self._vocabulary = load_vocabulary(self.text("tags.toml"), self.origin("tags.toml"))
        return self._vocabulary

    @property
    def hash_index(self) -> ArchiveIndex:
        """The index of the perceptual hashes of all photos."""
        if not self._hash_index:
            from evidence.alike.archive_index import ArchiveIndex  # noqa: PLC0415 - many commands never need it

            self._hash_index.append(ArchiveIndex(self.root / HASH_INDEX, self.catalog.hashes))
        return self._hash_index[0]

    def today(self) -> date:
        """The calendar day of the computer's time zone."""
        return self.now().astimezone().date()

    def list_names(self) -> tuple[str, ...]:
        """Return the names of all required-shot lists: the program's and the archive's own."""
        own = self.root / "config" / "required_shots"
        names = {path.stem for path in own.glob("*.toml")} if own.is_dir() else set()
        return tuple(sorted(names | _shipped_lists()))

    def _refuse_unknown_lists(self) -> None:
        coverage = self.settings.coverage
        named = [("default_list", coverage.default_list), *sorted(coverage.by_peril.items())]
        shipped = _shipped_lists()
        for key, name in named:
            if name not in shipped and name not in (known := self.list_names()):
                near = difflib.get_close_matches(name, known, n=1)
                raise BadInputError(
                    f"{SETTINGS}: coverage, {key}: there is no required-shot list '{name}'.",
                    f"Did you mean '{near[0]}'?" if near else f"The lists are {', '.join(known)}.",
                )

    # --- changing ---

    @contextmanager
    def locked(self, *, wait: bool = True) -> Iterator[None]:
        """Lock the catalog for one change at a time; raises LockedError when another process holds the lock.

        On a server, the lease `change` keeps out the other stations too.
        Hold it for short steps only: no copying, no reading of photos. A thread that holds it may take
        it again. Whoever needs `filing` too takes that first, or does not wait for it.
        """
        seconds = LOCK_WAIT_S if wait else 0.0
        with (
            self._changes.held(seconds, self._busy("Another command is working on")),
            self.catalog.leases.held(CHANGE, wait_s=seconds),
        ):
            yield

    @contextmanager
    def filing(self, *, wait: bool = True) -> Iterator[None]:
        """Lock the bags, here and at the targets, while one is built, copied, read or removed.

        Raises LockedError when another process holds the lock, with `wait=False` at once.
        """
        seconds = FILING_WAIT_S if wait else 0.0
        with self._bags.held(seconds, self._busy("Another command is working on the bags of")):
            yield

    @contextmanager
    def holding(self) -> Iterator[None]:
        """Lock the holds, to place or lift one, or to check them and remove one copy. Raises LockedError.

        On a server, the lease `holds` keeps out the other stations too.
        """
        with (
            self._holds.held(LOCK_WAIT_S, self._busy("A purge is removing a copy in")),
            self.catalog.leases.held(HOLDS, wait_s=LOCK_WAIT_S),
        ):
            yield

    @contextmanager
    def taking_in(self) -> Iterator[None]:
        """Keep purges of other stations, and their declaring that one is gone, out while an intake runs. Raises LockedError."""
        with self.catalog.leases.held(OFFICE, wait_s=LOCK_WAIT_S, shared=True):
            yield

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Be the only station at work: no intake runs at another. Raises LockedError when one does."""
        with self.catalog.leases.held(OFFICE, wait_s=LOCK_WAIT_S):
            yield

    @contextmanager
    def splitting(self, days: Iterable[str]) -> Iterator[None]:
        """Be the only station that splits these days (ISO dates; empty for no day). Raises LockedError."""
        with self.catalog.leases.all_held([f"day {day}" for day in days], wait_s=FILING_WAIT_S):
            yield

    @contextmanager
    def filing_claim(self, claim: ClaimId) -> Iterator[None]:
        """Be the only station that builds or gives away the claim's bag. Raises LockedError."""
        with self.catalog.leases.held(f"claim {claim}", wait_s=FILING_WAIT_S):
            yield

    def _busy(self, what: str) -> LockedError:
        return LockedError(f"{what} {self.root}.", "Wait until it ends, then run this again.")

    def acting_as(self, name: str, *, logged_in: bool = False, bags_follow: bool = False) -> Workspace:
        """Return the same open archive with another actor; closing it closes both."""
        twin = copy.copy(self)
        twin.actor = name
        twin.logged_in = logged_in
        twin.bags_follow = bags_follow
        return twin

    def record(self, action: str, subject: str, **details: object) -> None:
        """Add one entry to the custody log, with the current actor and time.

        Call it before the change is committed: a kill between the two leaves one entry too many, never one too few.
        The details in `FREE_TEXT`, and a subject that is `FreeText`, are kept beside the log, so that a purge can
        remove them.
        Raises CustodyError when the log is missing: an archive in use never starts a new log.
        """
        if not self.custody.path.exists():
            raise CustodyError("The custody log is missing.", RESTORE)
        kept = {
            name: FreeText(value) if name in FREE_TEXT and isinstance(value, str) else value
            for name, value in details.items()
        }
        self.custody.append(actor=self.actor, action=action, subject=subject, details=kept, at=self.now())


def _shipped_lists() -> set[str]:
    """The names of the program's required-shot lists."""
    return {name.removesuffix(".toml") for name in default_names("required_shots")}


def bag_folders(root: Path) -> Iterator[Path]:
    """The bags of an archive's folder: those of its claims, by name, then the tray's."""
    claims = root / "claims"
    places = [*(sorted(claims.iterdir()) if claims.is_dir() else ()), root / "unassigned"]
    return (one for one in places if not one.name.startswith(".") and (one / "bagit.txt").is_file())


def holds_bags(root: Path) -> bool:
    """True when the archive's folder holds a bag of a claim, or the tray's."""
    return any(True for _ in bag_folders(root))


def make_archive(root: Path, *, actor: str | None = None, now: Callable[[], datetime] = utc_now) -> Workspace:
    """Create an archive at `root` with commented settings, and open it.

    Raises BadInputError if there is an archive already or the folder holds other files, DestinationError
    if it cannot be written.
    """
    if (root / SETTINGS).exists():
        (root / UNFINISHED).unlink(missing_ok=True)  # a kill at the last step left it
        raise BadInputError(
            f"{root} is an archive already.", "Use it with --archive, or choose another folder."
        )
    refuse_within(root)
    name = system_actor() if actor is None else named_actor(actor)
    restrict_umask()
    try:
        unfinished = (root / UNFINISHED).exists()  # a killed `init` left it: start again
        if root.exists() and not unfinished and (not root.is_dir() or any(root.iterdir())):
            raise BadInputError(
                f"{root} is not an empty folder.", "Choose a new or empty folder for the archive."
            )
        root.mkdir(parents=True, exist_ok=True)
        (root / UNFINISHED).touch()
        for part in ("claims", "intake", "ledgers", "custody", "config/required_shots", "purges", "learnt"):
            (root / part).mkdir(parents=True, exist_ok=True)
        (root / "config" / "README.txt").write_text(_OWN_CONFIG, encoding="utf-8")
        key = first_key(root)
        log_of(root).append(name, "archive_made", root.absolute().name, key.noted(), now())
        keep_id(root, key.archive)
        # Write the settings last: a folder with settings counts as an archive.
        fresh = root / f"{SETTINGS}.part"
        fresh.write_text(default_text("evidence.toml"), encoding="utf-8")
        fresh.replace(root / SETTINGS)
        (root / UNFINISHED).unlink()
    except OSError as trouble:
        raise DestinationError(
            f"{root} cannot be written: {trouble.strerror}.",
            "Choose a folder that you may write to, with enough free space.",
        ) from trouble
    return Workspace(root, actor=actor, now=now)


_OWN_CONFIG = """\
A file in this folder replaces the program's default file of the same name:
tags.toml, walk.toml, retention.toml, and required_shots/NAME.toml for a required-shot list.
`evidence lists` shows the lists and what they ask for.
"""


def refuse_overlaps(root: Path, settings: Settings) -> None:
    """Raise BadInputError for a target that lies inside the archive or another target, or that contains one."""
    places = [(f"backup target '{one.name}'", one.path) for one in settings.target]
    for (name, place), (other, beside) in combinations([("the archive", root), *places], 2):
        if place == beside or place in beside.parents or beside in place.parents:
            raise BadInputError(
                f"{SETTINGS}: {name} and {other} lie inside one another.",
                "Give each backup target a folder of its own on another disk.",
            )


def _restrict_permissions(root: Path) -> None:
    """Give the files of an archive that an earlier program made their permissions, once."""
    mark = root / PERMISSIONS
    if mark.exists():
        return
    set_modes(root, in_an_archive)
    with contextlib.suppress(OSError):  # an archive that cannot be written can still be read
        mark.touch()


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise BadInputError(f"{path} is not UTF-8 text.", "Save it as UTF-8, then run this again.") from None
    except OSError as trouble:
        raise BadInputError(
            f"{path} cannot be read: {trouble.strerror}.", "Check its permissions."
        ) from trouble
