"""The catalog: what the archive knows, in SQL. The only room that speaks it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from evidence.catalog.base import Session
from evidence.catalog.claims import Claims
from evidence.catalog.keeping import Keeping
from evidence.catalog.opening import open_engine
from evidence.catalog.photos import Photos
from evidence.catalog.tallies import Tallies
from evidence.catalog.users import Users


class Catalog:
    """Claims, photos, keeping, counts and users, over one engine.

    Methods commit on their own unless they run inside `together()`.
    """

    def __init__(self, url: str) -> None:
        self._session = Session(open_engine(url))
        self.claims = Claims(self._session)
        self.photos = Photos(self._session)
        self.keeping = Keeping(self._session)
        self.tallies = Tallies(self._session)
        self.users = Users(self._session)

    @contextmanager
    def together(self) -> Iterator[None]:
        """Everything inside commits as one or not at all."""
        with self._session.together():
            yield

    def close(self) -> None:
        """Let go of the database."""
        self._session.engine.dispose()
