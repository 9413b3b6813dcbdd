"""The hashes of the catalog: each once, in the order in which they came, gone with their last photo; on both databases."""

from __future__ import annotations

import threading
from datetime import UTC, datetime

from sqlalchemy import select
from support_catalog import copied, placing

from evidence.catalog import hashes
from evidence.catalog import tables as t
from evidence.model import CameraFacts, Claim, ClaimId, IntakeId, Look, Sha256

NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)
RUN = IntakeId("20260601-120000-aaaa")
WALL, FENCE, ROOF = "00000000000000ff", "0f0f0f0f0f0f0f0f", "8000000000000000"


def sha(number: int) -> Sha256:
    return Sha256(f"{number:064x}")


def bring(catalog, numbered, *, run=RUN):
    """Photos by number, each with its hash."""
    catalog.photos.add_originals(run, [copied(f"{n}.JPG", sha(n)) for n in numbered])
    catalog.photos.describe([(sha(n), CameraFacts(), Look(phash=phash)) for n, phash in numbered.items()])


def listed(catalog):
    return [phash for _, piece in catalog.hashes.after(0) for phash in piece]


def consistent(catalog):
    """Whether the numbered hashes are those of the photos."""
    with catalog.transaction(), catalog._database.transaction() as db:
        kept = set(db.execute(select(t.original.c.phash)).scalars()) - {None}
    return kept == set(listed(catalog))


def test_each_hash_has_one_number_and_later_ones_higher_numbers(catalog):
    bring(catalog, {1: WALL, 2: ROOF, 3: WALL, 4: ""})
    ((last, first),) = catalog.hashes.after(0)
    assert sorted(first) == [WALL, ROOF]
    bring(catalog, {5: WALL, 6: FENCE})
    ((later, second),) = catalog.hashes.after(last)
    assert second == [FENCE]
    assert later > last
    assert catalog.hashes.at([last, later, later + 9]) == {last: first[-1], later: FENCE}
    assert later in catalog.hashes.samples(later, 4)
    assert consistent(catalog)


def test_a_hash_goes_with_its_last_photo_and_comes_back_with_a_new_number(catalog):
    bring(catalog, {1: WALL, 2: WALL, 3: ROOF})
    ((last, _),) = catalog.hashes.after(0)
    catalog.photos.delete([sha(1)])
    assert sorted(listed(catalog)) == [WALL, ROOF]
    catalog.photos.delete([sha(2)])
    assert listed(catalog) == [ROOF]
    assert catalog.hashes.present([WALL, ROOF]) == {ROOF}
    bring(catalog, {4: WALL})
    ((number, again),) = catalog.hashes.after(last)
    assert again == [WALL]
    assert number > last
    assert consistent(catalog)


def test_a_number_is_never_given_again(catalog):
    bring(catalog, {1: WALL, 2: ROOF})
    ((last, _),) = catalog.hashes.after(0)
    catalog.photos.delete([sha(1), sha(2)])
    bring(catalog, {3: FENCE})
    assert next(catalog.hashes.after(0))[0] > last


def test_quarantine_takes_the_hashes_and_puts_them_back(catalog):
    catalog.claims.put([Claim(claim=ClaimId("TC-1"))], at=NOON)
    bring(catalog, {1: WALL, 2: ROOF, 3: ROOF})
    rows = catalog.quarantine.rows(ClaimId("TC-1"), [sha(1), sha(2)])
    catalog.quarantine.take(ClaimId("TC-1"), rows)
    assert listed(catalog) == [ROOF]
    assert consistent(catalog)
    catalog.quarantine.put_back(ClaimId("TC-1"), rows)
    assert sorted(listed(catalog)) == [WALL, ROOF]
    assert consistent(catalog)


def test_a_rebuild_numbers_the_hashes_of_the_photos_that_it_finds(catalog):
    bring(catalog, {1: WALL, 2: ROOF})
    ((last, _),) = catalog.hashes.after(0)
    rows = catalog.records.every_row()
    assert "picture_hash" not in rows
    catalog.records.replace_all(rows)
    assert consistent(catalog)
    assert next(catalog.hashes.after(last))[1] == [WALL, ROOF]


def test_the_claims_of_a_hash_are_counted_with_the_card_that_brought_it_first(catalog):
    catalog.claims.put([Claim(claim=ClaimId(one)) for one in ("TC-1", "TC-2")], at=NOON)
    later = IntakeId("20260701-120000-aaaa")
    bring(catalog, {1: WALL, 2: ROOF})
    bring(catalog, {1: WALL, 3: WALL, 4: WALL, 5: WALL}, run=later)
    catalog.photos.place(
        [
            placing(sha(n), claim, n, segment="")
            for n, claim in ((1, "TC-1"), (3, "TC-1"), (4, "TC-2"), (5, None))
        ],
        [],
    )
    found = {one.claim: one for one in catalog.hashes.in_claims([WALL, FENCE])}
    assert {claim: (one.photos, one.first, one.example) for claim, one in found.items()} == {
        "TC-1": (2, RUN, sha(1)),
        "TC-2": (1, later, sha(4)),
    }


def test_hashes_that_several_programs_bring_at_once_are_seen_in_the_order_of_their_numbers(catalog):
    """A reader that has seen a number has seen every lower one, or it would never read it: a photo would be missed."""
    chunks = [{100 * who + n: f"{100 * who + n:016x}" for n in range(20)} for who in range(1, 5)]
    seen: list[str] = []
    last, done = 0, threading.Event()

    def read_on():
        nonlocal last
        for number, piece in catalog.hashes.after(last):
            seen.extend(piece)
            last = number

    def write(mine):
        for n, phash in mine.items():
            bring(catalog, {n: phash}, run=IntakeId(f"20260601-120000-{n:04d}"))

    def read():
        while not done.is_set():
            read_on()

    reader = threading.Thread(target=read)
    writers = [threading.Thread(target=write, args=[mine]) for mine in chunks]
    reader.start()
    for one in writers:
        one.start()
    for one in writers:
        one.join()
    done.set()
    reader.join()
    read_on()
    assert sorted(seen) == sorted(phash for mine in chunks for phash in mine.values())


def test_dropping_or_noting_nothing_asks_the_database_nothing(catalog):
    hashes.note(catalog._database, ["", None])
    hashes.drop_unused(catalog._database, [])
    assert listed(catalog) == []


def test_a_photo_that_is_described_again_takes_its_earlier_hash_away(catalog):
    """A purge of the photo would leave that hash."""
    bring(catalog, {1: WALL, 2: ROOF, 3: ROOF})
    catalog.photos.describe([(sha(n), CameraFacts(), Look(phash=FENCE)) for n in (1, 2)])
    assert set(listed(catalog)) == {FENCE, ROOF}
    assert consistent(catalog)
