"""The index of an archive: always in step with its catalog, whatever happened to its file."""

from __future__ import annotations

import random

import pytest
from support_catalog import copied

from evidence.alike import archive_index
from evidence.alike.archive_index import ArchiveIndex
from evidence.catalog import hashes
from evidence.catalog.store import Catalog
from evidence.model import CameraFacts, IntakeId, Look, Sha256

RUN = IntakeId("20260601-120000-aaaa")


def digest(phash: str) -> Sha256:
    return Sha256(phash * 4)


def bring(catalog, *phashes):
    """One photo of each hash."""
    shas = [digest(phash) for phash in phashes]
    catalog.photos.add_originals(RUN, [copied(f"{sha}.JPG", sha) for sha in shas])
    catalog.photos.describe(
        [(sha, CameraFacts(), Look(phash=phash)) for sha, phash in zip(shas, phashes, strict=True)]
    )


def some(many, seed=1):
    chance = random.Random(seed)
    return [f"{chance.getrandbits(64):016x}" for _ in range(many)]


@pytest.fixture
def catalog(tmp_path):
    opened = Catalog(f"sqlite:///{tmp_path / 'catalog.sqlite'}")
    yield opened
    opened.close()


@pytest.fixture
def small(monkeypatch):
    """A file is written for a few hashes, and the tail is built in after a few."""
    monkeypatch.setattr(archive_index, "LEAST_SAVED", 5)
    monkeypatch.setattr(archive_index, "MOST_TAIL", 7)
    monkeypatch.setattr(hashes, "READ_AT_ONCE", 3)


def has(index, phash):
    return phash in index.near([phash], 0)[phash]


def test_each_use_reads_on_from_where_the_last_one_stopped(catalog, tmp_path, small):
    first, second = some(20), some(11, seed=2)
    bring(catalog, *first)
    index = ArchiveIndex(tmp_path / "hashes.index", catalog.hashes)
    assert all(has(index, phash) for phash in first)
    assert not has(index, second[0])
    bring(catalog, *second, first[0])
    assert all(has(index, phash) for phash in [*first, *second])


def test_another_process_starts_from_the_file_and_what_came_since(catalog, tmp_path, small, monkeypatch):
    path, first = tmp_path / "hashes.index", some(20)
    bring(catalog, *first)
    index = ArchiveIndex(path, catalog.hashes)
    index.save()
    assert path.exists()
    late = some(3, seed=3)
    bring(catalog, *late)
    monkeypatch.setattr(ArchiveIndex, "_built", lambda _: pytest.fail("the file was not used"))
    again = ArchiveIndex(path, catalog.hashes)
    assert all(has(again, phash) for phash in [*first, *late])
    before = path.stat().st_mtime_ns
    again.save()
    assert path.stat().st_mtime_ns == before  # three hashes are not worth a new file


def test_few_hashes_need_no_file(catalog, tmp_path):
    bring(catalog, *some(30))
    ArchiveIndex(tmp_path / "hashes.index", catalog.hashes).save()
    assert not (tmp_path / "hashes.index").exists()


def test_a_file_of_another_catalog_or_of_a_later_state_of_it_is_not_used(tmp_path, small):
    path = tmp_path / "hashes.index"
    for number in range(2):
        catalog = Catalog(f"sqlite:///{tmp_path / f'{number}.sqlite'}")
        mine = some(20, seed=number)
        bring(catalog, *mine)
        index = ArchiveIndex(path, catalog.hashes)
        assert all(has(index, phash) for phash in mine)
        index.save()
        catalog.close()
    older = Catalog(
        f"sqlite:///{tmp_path / 'older.sqlite'}"
    )  # the same first hashes, and other ones after them
    mine = [*some(20, seed=1)[:10], *some(15, seed=9)]
    bring(older, *mine)
    assert all(has(ArchiveIndex(path, older.hashes), phash) for phash in mine)
    older.close()


def test_a_damaged_file_is_replaced(catalog, tmp_path, small):
    path, mine = tmp_path / "hashes.index", some(20)
    path.write_bytes(b"not an index")
    bring(catalog, *mine)
    index = ArchiveIndex(path, catalog.hashes)
    assert all(has(index, phash) for phash in mine)
    index.save()
    assert path.stat().st_size > 4096


def test_hashes_of_purged_photos_leave_the_index_and_its_file(catalog, tmp_path, small):
    path, mine = tmp_path / "hashes.index", some(20)
    bring(catalog, *mine)
    index = ArchiveIndex(path, catalog.hashes)
    index.save()
    packed = int(mine[3], 16).to_bytes(8, "little")
    assert packed in path.read_bytes()
    catalog.photos.delete([digest(mine[3])])
    index.drop_unused(mine[:5])
    assert not has(index, mine[3])
    assert has(index, mine[4])
    assert packed not in path.read_bytes()
    assert has(ArchiveIndex(path, catalog.hashes), mine[4])
    bring(catalog, mine[3])  # its card comes again, and it is another claim's
    assert has(index, mine[3])
    catalog.photos.delete([digest(phash) for phash in mine[:18]])
    index.drop_unused(mine)
    assert not path.exists()  # the few that are left need none


def test_a_disk_that_refuses_the_file_stops_nothing(catalog, tmp_path, small):
    bring(catalog, *some(20))
    index = ArchiveIndex(tmp_path / "no folder" / "hashes.index", catalog.hashes)
    index.save()
    assert has(index, some(20)[0])
    index.discard()
    assert has(index, some(20)[0])


def test_an_empty_catalog_has_an_empty_index(catalog, tmp_path, small):
    index = ArchiveIndex(tmp_path / "hashes.index", catalog.hashes)
    assert index.near(["00000000000000ff"], 64) == {"00000000000000ff": {}}
    index.save()
    bring(catalog, *some(2))
    assert has(index, some(2)[1])


def test_an_answer_that_is_kept_is_forgotten_when_a_hash_comes_or_goes(catalog, tmp_path, small, monkeypatch):
    monkeypatch.setattr(archive_index, "MOST_KEPT", 3)
    bring(catalog, "00000000000000ff")
    index = ArchiveIndex(tmp_path / "hashes.index", catalog.hashes)
    asked = [
        "00000000000000ff",
        "00000000000000fe",
        "0000000000000000",
        "ffffffffffffffff",
        "00000000000000fc",
    ]
    first = index.near(asked, 2)
    assert index.near(asked, 2) == first
    assert first["00000000000000fc"] == {"00000000000000ff": 2}
    assert index.near(asked, 1)["00000000000000fc"] == {}
    bring(catalog, "00000000000000fd")
    assert index.near(asked, 2)["00000000000000fc"] == {"00000000000000fd": 1, "00000000000000ff": 2}
    catalog.photos.delete([digest("00000000000000ff")])
    index.drop_unused(["00000000000000ff"])
    assert index.near(asked, 2)["00000000000000fc"] == {"00000000000000fd": 1}
