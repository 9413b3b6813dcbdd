"""The catalog: claims, photos, bags, copies, counts and users in a database. No other room uses SQL."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

from evidence.catalog.base import Database, tries_again
from evidence.catalog.claims import Claims
from evidence.catalog.debts import Debts
from evidence.catalog.gauges import Gauges
from evidence.catalog.hashes import Hashes
from evidence.catalog.holds import Holds
from evidence.catalog.keeping import Keeping
from evidence.catalog.leases import Leases
from evidence.catalog.opening import emptied, open_engine, require_catalog_file
from evidence.catalog.owners import Owner, own_all
from evidence.catalog.photos import Photos
from evidence.catalog.pushes import Pushes
from evidence.catalog.quarantine import Quarantine
from evidence.catalog.read_backs import ReadBacks
from evidence.catalog.records import Records
from evidence.catalog.scrubbing import forget_photos, overwrite_deleted, reduce_to_tombstone
from evidence.catalog.stations import Stations
from evidence.catalog.summaries import Summaries
from evidence.catalog.tables import station_debt
from evidence.catalog.tallies import Tallies
from evidence.catalog.users import Users
from evidence.model import ClaimId, Sha256

T = TypeVar("T")
_PARTS: tuple[type[Any], ...] = (
    Claims,
    Debts,
    Hashes,
    Holds,
    Keeping,
    Photos,
    Pushes,
    Quarantine,
    ReadBacks,
    Records,
    Stations,
    Summaries,
    Tallies,
    Users,
)
for _part in _PARTS:
    tries_again(_part)


class Catalog:
    """All parts of the catalog, over one database.

    Each method commits by itself unless it runs inside `transaction()`.
    """

    def __init__(
        self, url: str, *, in_use: bool = False, owner: Owner | None = None, own_file: bool = False
    ) -> None:
        """Open the catalog at `url`; raises CatalogError for a damaged one, and `in_use` for a missing or empty one.

        Raises BadInputError, and changes nothing, when it does not belong to `owner`; see `opening.open_engine`.
        """
        if in_use:
            require_catalog_file(url)
        engine = open_engine(url, owner=owner, own_file=own_file, in_use=in_use)
        shared = owner is not None and engine.dialect.name != "sqlite"
        self._database = Database(engine, owner.archive if owner and shared else "")
        self.stations = Stations(self._database)
        self.leases = Leases(self._database)
        self.claims = Claims(self._database)
        self.debts = Debts(self._database)
        self.gauges = Gauges(self._database)
        self.hashes = Hashes(self._database)
        self.holds = Holds(self._database)
        self.photos = Photos(self._database)
        self.keeping = Keeping(self._database)
        self.pushes = Pushes(self._database)
        self.read_backs = ReadBacks(self._database)
        self.tallies = Tallies(self._database)
        self.summaries = Summaries(self._database)
        self.users = Users(self._database)
        self.records = Records(self._database)
        self.quarantine = Quarantine(self._database)
        if in_use and not self.keeping.bags() and not self.photos.any_kept():
            self.close()
            raise emptied()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Everything inside commits as one or not at all."""
        with self._database.transaction():
            yield

    def change(self, work: Callable[[], T]) -> T:
        """Run `work` in one transaction, and again when the server gave it up for another one. Raises LockedError."""

        def once() -> T:
            with self.transaction():
                return work()

        return self._database.retried(once)

    def own_all(self) -> None:
        """After a rebuild: every row belongs to the station that opened the catalog."""
        if self._database.station:
            with self._database.transaction() as db:
                own_all(db, self._database.station)

    def mark_changed(self, claims: Collection[ClaimId | None]) -> None:
        """Mark the bags of these claims as outdated and raise the claims' versions; None is the tray."""
        with self.transaction():
            self.keeping.mark_dirty(claims)
            self.claims.touch([claim for claim in claims if claim is not None])

    def forget_photos(self, photos: Collection[Sha256]) -> set[ClaimId]:
        """Take these digests out of every decision; returns the claims whose decisions changed. See `scrubbing`."""
        return forget_photos(self._database, photos)

    def reduce_to_tombstone(self, claim: ClaimId) -> None:
        """Keep of a purged claim its number, and of its holds the dates and people; see `scrubbing`."""
        reduce_to_tombstone(self._database, claim)

    def overwrite_deleted(self) -> str:
        """Leave no deleted row in the database's files; returns what could not be overwritten, or an empty text. See `scrubbing`."""
        return overwrite_deleted(self._database)

    def overwrite_debts(self) -> str:
        """`overwrite_deleted` for what stations owed."""
        return overwrite_deleted(self._database, [station_debt])

    def close(self) -> None:
        """Close the connections to the database."""
        self._database.close()
