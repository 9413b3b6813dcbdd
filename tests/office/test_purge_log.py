"""A purge finds its own entries in a long custody log without reading all of it, and writes each of them once."""

from __future__ import annotations

from support_cli import make_archive
from support_intake import at_home

from evidence.archive import custody_search
from evidence.archive.custody import CustodyLog, Draft
from evidence.archive.custody_index import BLOCK
from evidence.office.purge_repository import ArchiveRepository
from evidence.retention.purge.repository import PurgeLogEntry


def test_an_entry_of_a_purge_is_found_by_its_key_alone_and_written_once(tmp_path, monkeypatch):
    with at_home(make_archive(tmp_path)) as here:
        at = here.now()

        def entry(key):
            return PurgeLogEntry(key=key, event="purge_planned", actor="Ann", at=at, claim=None, details={})

        ArchiveRepository(here).log(entry("first"))
        drafts = [Draft(actor="Ann", action="tried", subject=f"first {n}", at=at) for n in range(3 * BLOCK)]
        here.custody.append_all(drafts)
        here.custody.index.blocks()
        read = []
        lines_in = custody_search._lines_in
        monkeypatch.setattr(
            custody_search,
            "_lines_in",
            lambda path, start, stop, words: read.append(stop - start) or lines_in(path, start, stop, words),
        )
        monkeypatch.setattr(
            CustodyLog, "entries", lambda _self: (_ for _ in ()).throw(AssertionError("the whole log"))
        )
        repository = ArchiveRepository(here)
        assert repository.is_logged("first")
        assert not repository.is_logged("purge_planned"), "a word of the entry that is not its key"
        assert not repository.is_logged("second")
        assert sum(read) < here.custody.path.stat().st_size * 1.5
        length = here.custody.head().seq
        repository.log(entry("first"))
        repository.log(entry("second"))
        ArchiveRepository(here).log(entry("second"))
        assert here.custody.head().seq == length + 1
