"""Leases and turns on a PostgreSQL server: who waits, who is named, and what is tried again."""

from __future__ import annotations

import subprocess
import sys
import threading
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime

import psycopg
import pytest
from sqlalchemy import create_engine, event, select, text, update
from sqlalchemy.engine import make_url

from evidence.catalog import base, opening, totals
from evidence.catalog import tables as t
from evidence.catalog.faults import ServerLostError, TryAgainError
from evidence.catalog.owners import Owner, key_of
from evidence.catalog.store import Catalog
from evidence.errors import BadInputError, LockedError
from evidence.model import Claim, ClaimId

OWNER = Owner(
    archive=f"{1:032x}", name="north", actor="Ada", at=datetime(2026, 5, 14, tzinfo=UTC), knows=lambda _: True
)
HOLD = """
import sys
from datetime import UTC, datetime
from evidence.catalog.owners import Owner
from evidence.catalog.store import Catalog

catalog = Catalog(sys.argv[1], owner=Owner(archive=sys.argv[2], name="north", actor="Ada", at=datetime.now(UTC), knows=lambda _: True))
with catalog.leases.held(sys.argv[3], wait_s=0):
    print("held", flush=True)
    sys.stdin.readline()
"""


@pytest.fixture
def catalog(filled_postgres_url):
    opened = Catalog(filled_postgres_url, owner=OWNER)
    yield opened
    opened.close()


def holder(url: str, name: str) -> subprocess.Popen[str]:
    """A process that holds a lease until it is killed."""
    running = subprocess.Popen(
        [sys.executable, "-c", HOLD, url, f"{1:032x}", name],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert running.stdout is not None
    assert running.stdout.readline() == "held\n"
    return running


def test_a_lease_is_held_by_one_names_its_station_and_is_free_when_the_process_is_killed(
    catalog, filled_postgres_url
):
    leases = catalog.leases
    running = holder(filled_postgres_url, "day 2026-05-14")
    try:
        assert not leases.is_free("day 2026-05-14")
        with (
            pytest.raises(LockedError, match="Station north is splitting 2026-05-14"),
            leases.held("day 2026-05-14", wait_s=0.2),
        ):
            pass
        with leases.held("day 2026-05-15", wait_s=0), leases.held("day 2026-05-15", wait_s=0):
            assert not leases.is_free("day 2026-05-15")
        assert leases.is_free("day 2026-05-15")
    finally:
        running.kill()
        running.communicate()
    with leases.held("day 2026-05-14", wait_s=30):
        pass


def end_connections(url: str) -> None:
    """End every connection to the database, as a restart of its server does."""
    address = make_url(url)
    with psycopg.connect(
        host=address.query["host"], user="office", dbname="postgres", autocommit=True
    ) as server:
        query = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s"
        server.execute(query, [address.database])


def test_a_thread_whose_connection_the_server_ended_takes_its_next_lease_on_a_new_one(
    catalog, filled_postgres_url
):
    """A station's lease lasts as long as its archive is open, and the other leases of the thread share its connection."""
    with catalog.leases.held(f"station {OWNER.archive}", wait_s=0, shared=True):
        end_connections(filled_postgres_url)
        with pytest.raises(ServerLostError), catalog.leases.held("change", wait_s=0):
            pass
        for _ in range(2):
            with catalog.leases.held("change", wait_s=0):
                assert not catalog.leases.is_free("change")
            assert catalog.leases.is_free("change")
    with catalog.leases.held("change", wait_s=0):
        pass


def test_a_server_that_ends_the_connections_is_named_and_the_next_query_has_a_new_one(
    catalog, filled_postgres_url
):
    def waits_for_the_end() -> None:
        with catalog._database.transaction() as db:
            db.execute(select(t.claim)).all()
            end_connections(filled_postgres_url)
            db.execute(select(t.claim)).all()

    with pytest.raises(
        ServerLostError, match=r"cannot be reached any more: .*administrator command"
    ) as caught:
        waits_for_the_end()
    assert caught.value.exit_code == 31
    assert catalog.claims.all() == []


def test_a_server_that_is_gone_is_named(catalog, monkeypatch):
    """A new connection is refused: as after the server stopped."""
    catalog._database.close()
    refused = psycopg.OperationalError("connection to server on socket failed: No such file or directory")

    def connect(*_given: object, **_named: object) -> None:
        raise refused

    monkeypatch.setattr(catalog._database.engine.dialect, "connect", connect)
    with pytest.raises(
        ServerLostError, match=r"any more: connection to server on socket failed: No such file"
    ):
        catalog.claims.all()


def test_a_lease_whose_connection_ended_unnoticed_is_let_go_of_without_an_error(catalog, filled_postgres_url):
    with catalog.leases.held("change", wait_s=0):
        end_connections(filled_postgres_url)
    with catalog.leases.held("change", wait_s=0):
        assert not catalog.leases.is_free("change")


def test_another_thread_can_let_go_of_a_lease(catalog):
    held = ExitStack()

    def take() -> None:
        held.enter_context(catalog.leases.held("office", wait_s=0))

    taking = threading.Thread(target=take)
    taking.start()
    taking.join(60)
    assert not catalog.leases.is_free("office")
    held.close()
    assert catalog.leases.is_free("office")


def test_tables_are_not_changed_while_another_station_is_at_work(catalog, filled_postgres_url, monkeypatch):
    other = replace(OWNER, archive=f"{2:032x}", name="south", joins=True)
    Catalog(filled_postgres_url, owner=other).close()
    running = holder(filled_postgres_url, f"station {OWNER.archive}")
    monkeypatch.setattr(opening, "HEAD", "9998")
    migrated = []
    monkeypatch.setattr(opening, "_migrate", migrated.append)
    try:
        with pytest.raises(BadInputError, match="the station 'north' is at work with them"):
            Catalog(filled_postgres_url, owner=other)
        assert migrated == []
    finally:
        running.kill()
        running.communicate()
    with catalog.leases.held(f"station {OWNER.archive}", wait_s=30):
        pass  # the server has noticed that the process is gone
    Catalog(filled_postgres_url, owner=other).close()
    assert len(migrated) == 1


def test_shared_leases_keep_out_only_who_wants_it_alone(catalog, filled_postgres_url):
    other = Catalog(filled_postgres_url, owner=OWNER)
    with (
        catalog.leases.held("office", wait_s=0, shared=True),
        other.leases.held("office", wait_s=0, shared=True),
    ):
        assert not catalog.leases.is_free("office")
    with (
        catalog.leases.held("office", wait_s=0),
        pytest.raises(LockedError),
        other.leases.held("office", wait_s=0),
    ):
        pass
    other.close()


def test_the_key_of_a_lease_is_64_bits_of_sha256():
    """The same in every version: two programs of an office must mean the same lock (hashlib is the reference)."""
    assert key_of("change") == int.from_bytes(
        bytes.fromhex(subprocess.run(
            ["sha256sum"], input=b"evidence change", capture_output=True, check=True
        ).stdout[:16].decode()), signed=True,
    )  # fmt: skip


def test_a_lease_of_one_thread_is_not_that_of_another(catalog):
    told = []

    def take():
        try:
            with catalog.leases.held("day 2026-05-14", wait_s=0):
                told.append("held")
        except LockedError:
            told.append("refused")

    with catalog.leases.held("day 2026-05-14", wait_s=0):
        other = threading.Thread(target=take)
        other.start()
        other.join(60)
    assert told == ["refused"]


def test_a_change_keeps_out_others_until_its_transaction_ends(catalog, filled_postgres_url):
    free = f"SELECT pg_try_advisory_xact_lock({opening._WRITING_LOCK})"
    where = make_url(filled_postgres_url).set(drivername="postgresql").render_as_string(hide_password=False)
    with psycopg.connect(where, autocommit=True) as other:
        with catalog.transaction():
            assert catalog.claims.all() == []
            assert other.execute(free).fetchone() == (True,)
            catalog.claims.put([Claim(claim=ClaimId("TC-1"))], at=OWNER.at)
            assert other.execute(free).fetchone() == (False,)
        assert other.execute(free).fetchone() == (True,)


def test_changes_of_two_stations_wait_for_each_other_and_counts_stay_right(catalog, filled_postgres_url):
    """Both insert files of the tray and count it: without turns the later count would miss the other's files."""
    other = Catalog(filled_postgres_url, owner=OWNER)

    def add(mine: Catalog, start: int) -> None:
        for number in range(start, start + 20):
            with mine.transaction():
                mine._database.upsert(
                    t.original,
                    [{"sha256": f"{number:064x}", "size": 1, "suffix": ".jpg", "kind": "photo"}],
                )
                totals.count_photos(mine._database, [None])

    both = [threading.Thread(target=add, args=(one, start)) for one, start in ((catalog, 0), (other, 1000))]
    for one in both:
        one.start()
    for one in both:
        one.join(60)
    with catalog._database.transaction() as db:
        assert db.execute(select(t.claim_total.c.files)).scalar_one() == 40
    other.close()


def test_a_transaction_begins_at_the_server_with_its_first_change_and_is_undone_as_a_whole(catalog):
    seen = []

    def look(db):
        seen.append(db.connection.dbapi_connection.info.transaction_status.name)

    def change():
        with catalog._database.transaction() as db:
            assert catalog.claims.all() == []
            look(db)
            catalog.claims.put([Claim(claim=ClaimId("TC-1"))], at=OWNER.at)
            look(db)
            catalog.claims.put([Claim(claim=ClaimId("TC-2"))], at=OWNER.at)
            assert len(catalog.claims.all()) == 2
            assert db.execute(text("SHOW transaction_isolation")).scalar_one() == "read committed"
            raise KeyError

    for _ in range(2):  # the second time on a connection that had a transaction
        with pytest.raises(KeyError):
            change()
        with catalog._database.transaction() as db:
            assert db.execute(select(t.claim)).all() == []
            look(db)
            opening_lock = text("SELECT pg_advisory_xact_lock(1)")
            db.execute(opening_lock)
            look(db)
    assert seen == ["IDLE", "INTRANS"] * 4
    assert catalog.claims.all() == []


@pytest.mark.parametrize("failures", [base.MOST_TRIES - 1, base.MOST_TRIES])
def test_what_the_server_gives_up_is_tried_again_up_to_a_bound(catalog, monkeypatch, failures):
    monkeypatch.setattr(base.time, "sleep", lambda _: None)
    left = [failures]

    def give_up(*_args: object) -> None:
        if left[0]:
            left[0] -= 1
            raise psycopg.errors.SerializationFailure("could not serialize access due to concurrent update")

    def fail(connection, cursor, statement, *_):
        if statement.startswith("INSERT INTO claim "):
            give_up()

    event.listen(catalog._database.engine, "before_cursor_execute", fail)
    put = lambda: catalog.claims.put([Claim(claim=ClaimId("TC-1"))], at=OWNER.at)  # noqa: E731
    if failures < base.MOST_TRIES:
        put()
        assert [row.claim.claim for row in catalog.claims.all()] == ["TC-1"]
    else:
        with pytest.raises(TryAgainError):
            put()
        assert catalog.claims.all() == []


def test_a_real_deadlock_is_solved_by_trying_again(catalog, filled_postgres_url):
    """A program outside ours locks two rows in the other order; the server ends one of the two transactions."""
    catalog.claims.put([Claim(claim=ClaimId(name)) for name in ("TC-1", "TC-2")], at=OWNER.at)
    outside = create_engine(filled_postgres_url)
    first_locked, second_locked = threading.Event(), threading.Event()

    def touch(db, claim):
        db.execute(update(t.claim).where(t.claim.c.claim == claim).values(version=t.claim.c.version + 1))

    def other_way() -> None:
        with outside.begin() as db:
            db.execute(text("SET LOCAL deadlock_timeout = '10s'"))
            touch(db, "TC-2")
            second_locked.set()
            first_locked.wait(20)
            touch(db, "TC-1")

    beside = threading.Thread(target=other_way)
    tries = [0]

    def work() -> None:
        tries[0] += 1
        with catalog._database.transaction() as db:
            touch(db, "TC-1")
            if tries[0] == 1:
                beside.start()
                second_locked.wait(20)
                first_locked.set()
            touch(db, "TC-2")

    catalog.change(work)
    beside.join(30)
    outside.dispose()
    assert tries[0] == 2, "the first try was ended by the server"
    assert {row.version for row in catalog.claims.all()} == {2}


def test_a_row_that_two_stations_insert_at_once_is_there_once(catalog, filled_postgres_url):
    other = Catalog(filled_postgres_url, owner=OWNER)
    row = {"sha256": "a" * 64, "station": catalog.stations.own}
    both = [
        threading.Thread(
            target=lambda one=one: [one._database.upsert(t.waiting_at, [row]) for _ in range(20)]
        )
        for one in (catalog, other)
    ]
    for one in both:
        one.start()
    for one in both:
        one.join(60)
    with catalog._database.transaction() as db:
        assert db.execute(select(t.waiting_at)).all() == [("a" * 64, catalog.stations.own)]
    other.close()
