"""Counts that are kept beside the rows are always what counting the rows anew gives."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from sqlalchemy import select
from support_catalog import copied, placing

from evidence.catalog import tables as t
from evidence.catalog import totals
from evidence.catalog.keeping import CopyRow
from evidence.catalog.segments import SegmentRow
from evidence.catalog.store import Catalog
from evidence.model import Claim, ClaimId, IntakeId, Sha256

AT = datetime(2026, 5, 14, 9, tzinfo=UTC)
CLAIMS = (None, ClaimId("TC-1"), ClaimId("TC-2"))
PLACES = ("archive", "office", "vault")
KEPT = (t.claim_total, t.copy_total, t.place_set)


def sha(number):
    return Sha256(f"{number:064x}")


numbers = st.integers(0, 7)
some = st.lists(numbers, min_size=1, max_size=4, unique=True)
claims = st.sampled_from(CLAIMS)
places = st.sampled_from(PLACES)
edits = st.one_of(
    st.tuples(st.just("keep"), some),
    st.tuples(st.just("place"), some, claims, st.booleans()),
    st.tuples(st.just("copies"), some, places, claims, st.integers(-1, 3)),
    st.tuples(st.just("corrupt"), some, places),
    st.tuples(st.just("drop"), places, claims),
    st.tuples(st.just("retire"), places),
    st.tuples(st.just("delete"), some),
    st.tuples(st.just("delete_bag"), claims),
    st.tuples(st.just("quarantine"), st.sampled_from(CLAIMS[1:]), st.booleans()),
    st.tuples(st.just("rebuild")),
)


def rows(catalog):
    with catalog._database.transaction() as db:
        return {one.name: sorted(tuple(row) for row in db.execute(select(one)).all()) for one in KEPT}


class Edited:
    """A catalog, and one method for each kind of edit."""

    def __init__(self, url):
        self.catalog = Catalog(url)
        self.begin()

    def begin(self):
        """Empty the catalog but for two claims."""
        self.taken = {}
        self.catalog.records.replace_all({})
        self.catalog.claims.put([Claim(claim=one) for one in CLAIMS if one], at=AT)

    def _known(self, digests):
        found = self.catalog.photos.known([sha(one) for one in digests])
        return [one for one in digests if sha(one) in found]

    def keep(self, digests):
        intake = IntakeId(f"20260514-09000{digests[0]}-aaaa")
        self.catalog.photos.add_originals(
            intake, [copied(f"DCIM/{one}.JPG", sha(one), size=1000 + one) for one in digests]
        )

    def place(self, digests, claim, unsure):
        digests = self._known(digests)
        if not digests:
            return
        name = f"2026-05-14/{claim}"
        segment = SegmentRow(
            segment=name, claim=claim, unknown=False, first=sha(digests[0]), photos=len(digests), day="2026-05-14",
            position=0, probability=1.0, to_confirm=unsure, reasons=(),
        )  # fmt: skip
        times = [None if one == 7 else datetime(2026, 5, 14, 9) + timedelta(minutes=one) for one in digests]
        self.catalog.photos.place(
            [
                placing(sha(one), claim, k, segment=name, to_confirm=unsure, corrected=times[k])
                for k, one in enumerate(digests)
            ],
            [segment],
        )

    def copies(self, digests, place, claim, read):
        verified = AT + timedelta(days=read) if read >= 0 else None
        bad = None if read > 0 else AT + timedelta(days=1)
        self.catalog.keeping.put_copies(
            [
                CopyRow(sha256=sha(one), place=place, place_id="disk", off_computer=False, claim=claim or ClaimId(""),
                        verified_at=verified, found_bad_at=bad)
                for one in self._known(digests)
            ]
        )  # fmt: skip

    def corrupt(self, digests, place):
        self.catalog.keeping.mark_corrupt(place, [sha(one) for one in digests], at=AT + timedelta(days=2))

    def drop(self, place, claim):
        self.catalog.keeping.drop_copies(place, claim or ClaimId(""))

    def retire(self, place):
        self.catalog.keeping.retire_place(place, f"{place}#1")

    def delete(self, digests):
        self.catalog.photos.delete([sha(one) for one in digests])

    def delete_bag(self, claim):
        self.catalog.keeping.delete_bag(claim or ClaimId(""))

    def quarantine(self, claim, put_back):
        catalog = self.catalog
        if claim in self.taken:
            catalog.quarantine.put_back(claim, self.taken.pop(claim))
            return
        gone = catalog.quarantine.rows(claim, catalog.photos.digests_of(claim))
        catalog.quarantine.take(claim, gone)
        self.taken[claim] = gone
        if put_back:
            catalog.quarantine.put_back(claim, self.taken.pop(claim))

    def rebuild(self):
        self.catalog.records.replace_all(self.catalog.records.every_row())


@pytest.fixture(scope="module")
def on_sqlite(tmp_path_factory):
    made = Edited(f"sqlite:///{tmp_path_factory.mktemp('edited') / 'catalog.sqlite'}")
    yield made
    made.catalog.close()


@settings(max_examples=60, deadline=None)
@given(made=st.lists(edits, min_size=1, max_size=14))
@example(made=[("keep", [1, 2]), ("keep", [2, 3])])  # to what is in the tray, new files are added
def test_after_any_edits_the_kept_counts_are_those_of_counting_anew(made, on_sqlite):
    on_sqlite.begin()
    for name, *arguments in made:
        getattr(on_sqlite, name)(*arguments)
        kept = rows(on_sqlite.catalog)
        totals.count_all(on_sqlite.catalog._database)
        assert kept == rows(on_sqlite.catalog), (name, arguments)


def test_files_of_which_copies_lie_somewhere_already_are_counted_with_them(on_sqlite):
    on_sqlite.begin()
    catalog = on_sqlite.catalog
    for claim in (CLAIMS[1], ""):
        copy = CopyRow(
            sha256=sha(9), place=f"disk {claim}", place_id="", off_computer=False, claim=claim, verified_at=AT
        )
        catalog.keeping.put_copies([copy])
    on_sqlite.keep([8, 9])
    kept = rows(catalog)
    assert {(row[0], row[2]) for row in kept["copy_total"]} == {(CLAIMS[1], 1), ("", 1)}
    totals.count_all(catalog._database)
    assert kept == rows(catalog)


@pytest.fixture
def edited(postgres_url):
    made = Edited(postgres_url)
    yield made
    made.catalog.close()


def test_the_counts_on_postgresql_are_the_same(edited):
    edited.keep([1, 2, 3])
    edited.place([1, 2], CLAIMS[1], True)
    edited.copies([1, 2, 3], "office", CLAIMS[1], 1)
    edited.corrupt([2], "office")
    kept = rows(edited.catalog)
    totals.count_all(edited.catalog._database)
    assert kept == rows(edited.catalog)
    assert edited.catalog.photos.to_confirm() == {"TC-1": 2}
    assert edited.catalog.keeping.place_totals()["office"].copies == 2
    assert edited.catalog.keeping.place_sets() == {frozenset(): 1, frozenset({"office"}): 2}
