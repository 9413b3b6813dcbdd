"""The catalog on SQLite and, where a server can be started, on PostgreSQL: shape, commits, what goes in comes out."""

from __future__ import annotations

import base64
import contextlib
import os
import re
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from sqlalchemy import create_engine, select, text
from support_catalog import copied, placing
from support_filled import Filler, digest_of, fill

import evidence.catalog
from evidence.catalog import tables as t
from evidence.catalog import totals
from evidence.catalog.base import dump
from evidence.catalog.decisions import Closure, Correction, Decision, Move, Tag
from evidence.catalog.intakes import IntakeRow
from evidence.catalog.keeping import TRAY, CopyRow
from evidence.catalog.opening import HEAD, differences, open_engine
from evidence.catalog.segments import Placing, SegmentRow
from evidence.catalog.store import Catalog
from evidence.catalog.tallies import Tally
from evidence.catalog.users import User
from evidence.codec import to_json
from evidence.errors import BadInputError
from evidence.model import (
    CameraFacts,
    Claim,
    ClaimId,
    ClaimState,
    Copied,
    DcfName,
    Duty,
    Facet,
    FacetValue,
    Finding,
    GeoPoint,
    HoldKind,
    HoldScope,
    IntakeId,
    Look,
    Refusal,
    Sha256,
    Source,
    TagResult,
)

NOW = datetime(2026, 6, 1, 12, 30, 15, 250000, tzinfo=UTC)
VERSIONS = Path(evidence.catalog.__file__).parent / "migrations" / "versions"


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request, tmp_path):
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'catalog.sqlite'}"
    return request.getfixturevalue("postgres_url")


def sha(number: int) -> Sha256:
    return Sha256(f"{number:064x}")


def kept(number: int, **more) -> Copied:
    given = {
        "card_path": f"DCIM/100TESTC/TEST{number:04d}.JPG",
        "size": 1000 + number,
        "modified": NOW,
        "dcf": DcfName(folder_number=100, file_number=number),
        "object_key": f"100/{number}",
    }
    return copied(sha=sha(number), **(given | more))


def keep(catalog: Catalog, *numbers: int, intake: str = "20260601-120000-aaaa") -> IntakeId:
    run = IntakeId(intake)
    catalog.photos.add_originals(run, [kept(n) for n in numbers])
    return run


def placed(number: int, claim: str | None, *, segment: str = "2026-05-14/1") -> Placing:
    return placing(
        sha(number),
        claim,
        number,
        segment=segment,
        confidence=0.123456789012345,
        reasons=("a sheet", "20 minutes passed"),
        corrected=datetime(2026, 5, 14, 9, number % 60),
    )


def a_segment(**more) -> SegmentRow:
    given = {
        "segment": "2026-05-14/1",
        "claim": ClaimId("TC-1"),
        "unknown": False,
        "first": sha(1),
        "photos": 2,
        "day": "2026-05-14",
        "position": 0,
        "probability": 0.97,
        "to_confirm": False,
        "reasons": ("a sheet",),
    }
    return SegmentRow(**(given | more))


# --- shape ---------------------------------------------------------------------------------


def test_the_newest_migration_file_is_the_one_the_program_asks_for():
    names = sorted(path.stem.partition("_")[0] for path in VERSIONS.glob("[0-9]*.py"))
    assert names[-1] == HEAD
    texts = [path.read_text(encoding="utf-8") for path in sorted(VERSIONS.glob("[0-9]*.py"))]
    revisions = [re.search(r'^revision = "(\w+)"', one, re.MULTILINE)[1] for one in texts]
    parents = [re.search(r'^down_revision = (?:"(\w+)"|None)', one, re.MULTILINE)[1] for one in texts]
    assert revisions == names
    assert parents == [None, *names[:-1]], "each follows from the one before"


def test_the_migrations_make_exactly_the_tables_that_the_program_uses(url):
    engine = open_engine(url)
    try:
        assert differences(engine) == []
    finally:
        engine.dispose()


def test_a_catalog_of_an_older_program_is_brought_up_with_what_it_holds(url):
    engine = catalog_of(url, "0001")
    with engine.begin() as db:
        db.execute(
            text(
                "INSERT INTO claim (claim, insured, address, peril, jurisdiction, state, added_at, version) "
                "VALUES ('TC-1', 'Ada', '', '', '', 'open', '2026', 3)"
            )
        )
        db.execute(
            text(
                "INSERT INTO original (sha256, size, suffix, kind, correction, claim, position, segment,"
                " claim_confidence, to_confirm, claim_reasons, tag_flags, version)"
                " VALUES (:sha, 10, '.jpg', 'photo', '', 'TC-1', 0, '', 1.0, false, '[]', '[]', 7)"
            ),
            {"sha": sha(1)},
        )
        db.execute(
            text(
                "INSERT INTO copy (sha256, place, place_id, off_computer, claim, verified_at)"
                " VALUES (:sha, 'office', 'disk-1', true, 'TC-1', '2026-05-14T08:00:00.000000Z')"
            ),
            {"sha": sha(1)},
        )
        db.execute(
            text("INSERT INTO held_in (sha256, claim, payload_path) VALUES (:sha, 'TC-1', 'a.jpg')"),
            {"sha": sha(1)},
        )
        db.execute(
            text(
                "INSERT INTO intake (intake, source, label, actor, started_at, refused)"
                " VALUES ('run-1', '/media/A', 'A', 'Ada', '2026-05-14T18:02:00.000000Z', '[]')"
            )
        )
        db.execute(
            text(
                "INSERT INTO decision (at, actor, kind, claim, before, after, undone)"
                " VALUES ('2026-05-15T08:00:00.000000Z', 'Rita', 'move', 'TC-1', :before, :after, false)"
            ),
            {
                "before": f'{{"{sha(1)}":null}}',
                "after": f'{{"photos":["{sha(1)}"],"claim":"TC-1","to":"TC-1"}}',
            },
        )
    engine.dispose()
    catalog = Catalog(url)
    assert catalog.claims.get(ClaimId("TC-1")).claim == Claim(claim=ClaimId("TC-1"), insured="Ada")
    now = datetime(2026, 6, 1, tzinfo=UTC)
    longest = list(catalog.read_backs.longest_unread("office", before=now))
    assert [(one.path, one.verified_at) for one in longest] == [
        ("a.jpg", datetime(2026, 5, 14, 8, tzinfo=UTC))
    ]
    (run,) = catalog.photos.runs_to_judge(datetime(2026, 6, 30, tzinfo=UTC))
    assert (run.label, run.card_id, run.superseded_by, run.purged, run.came_since) == ("A", "", None, 0, 0)
    assert (run.told_safe, run.safe_told_at) == (False, None)
    (moved,) = catalog.claims.decisions(Correction, photos=[sha(1), sha(2)])
    assert moved.actor == "Rita"
    assert catalog.claims.latest_about(sha(1), Correction) == moved
    assert catalog.claims.decisions(Correction, photos=[sha(2)]) == []
    assert [(record.sha256, record.caption) for record in catalog.photos.of_claim(ClaimId("TC-1"))] == [
        (sha(1), "")
    ]
    moved = Move(replaced={sha(1): None}, photos=(sha(1),), claim=ClaimId("TC-1"))
    assert [(one.actor, one.decision) for one in catalog.claims.decisions(Decision)] == [("Rita", moved)]
    assert differences(catalog._database.engine) == []
    owed = {(one.kind.value, one.key) for one in catalog.records.due()}
    assert owed == {("claim", "TC-1"), ("intake", "run-1"), ("office", "")}, (
        "its record files are all to be written"
    )
    catalog.close()


def test_a_catalog_of_a_newer_program_is_left_alone(url):
    Catalog(url).close()
    engine = create_engine(url)
    with engine.begin() as db:
        db.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    engine.dispose()
    with pytest.raises(BadInputError, match="newer"):
        Catalog(url)


def test_many_who_open_a_new_catalog_at_once_all_find_it_whole(url, migrations):
    with ThreadPoolExecutor(6) as pool:
        opened = list(pool.map(lambda _: Catalog(url), range(6)))
    for one in opened:
        assert one.claims.all() == []
        one.close()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_a_kill_while_the_tables_are_made_leaves_a_catalog_that_can_be_made(tmp_path, migrations):
    from sqlalchemy import Engine, event

    for step in range(0, 24, 3):
        url = f"sqlite:///{tmp_path / str(step)}.sqlite"
        child = os.fork()
        if child == 0:
            count = [0]

            def tick(*_args, count=count, step=step):
                if count[0] == step:
                    os.kill(os.getpid(), 9)
                count[0] += 1

            event.listen(Engine, "after_cursor_execute", tick)
            Catalog(url)
            os._exit(0)
        os.waitpid(child, 0)
        again = Catalog(url)
        assert differences(again._database.engine) == [], f"killed after statement {step}"
        again.close()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_a_forked_process_uses_no_connection_of_its_parent(tmp_path):
    """sqlite.org/howtocorrupt.html, 2.6: "Carrying an open database connection across a fork()"."""
    opened = Catalog(f"sqlite:///{tmp_path / 'catalog.sqlite'}")
    with ThreadPoolExecutor(
        3
    ) as several:  # some of the connections wait in the engine's pool, some outside it
        together = threading.Barrier(3)

        def use(_number):
            with opened._database.transaction() as db:
                together.wait(60)
                return db.connection.dbapi_connection

        mine = list(several.map(use, range(3)))
    with opened._database.engine.connect() as one:
        mine.append(one.connection.dbapi_connection)
    child = os.fork()
    if child == 0:
        status = 1
        with contextlib.suppress(BaseException), opened._database.transaction() as db:
            status = 2 if db.connection.dbapi_connection in mine else 0
        os._exit(status)
    _, status = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(status) == 0
    opened.close()


def test_a_thread_that_waits_for_a_connection_gets_the_first_that_is_free(tmp_path):
    opened = Catalog(f"sqlite:///{tmp_path / 'catalog.sqlite'}")
    pool = opened._database.engine.pool
    most = pool.size() + pool._max_overflow
    held = [ExitStack() for _ in range(most)]
    for one in held:
        one.enter_context(opened._database.transaction())
        opened._database._here.connection = None  # as if it were another thread's
    reading = ThreadPoolExecutor(1)
    read = reading.submit(
        opened.claims.all
    )  # it waits, as the pool makes no more connections, or takes the first that is free
    held.pop().close()
    assert read.result(20) == [], "a wait for the pool ends after 30 seconds"
    held.pop().close()
    assert pool.checkedin() > 0
    reading.shutdown()
    for one in held:
        one.close()
    opened.close()


# --- commits -------------------------------------------------------------------------------


def test_a_catalog_that_is_closed_has_no_open_connection(catalog):
    with catalog._database.transaction() as db:
        driver = db.connection.dbapi_connection
    assert driver.execute("SELECT 1").fetchone() == (1,)
    catalog.close()
    with pytest.raises(Exception, match="closed"):
        driver.execute("SELECT 1")


def test_what_fails_halfway_leaves_nothing(catalog):
    class StopError(Exception):
        pass

    def work():
        with catalog.transaction():
            catalog.claims.put([Claim(claim=ClaimId("TC-1"))], at=NOW)
            with catalog.transaction():
                keep(catalog, 1, 2)
                catalog.photos.place([placed(1, "TC-1"), placed(2, None)], [a_segment()])
                catalog.mark_changed([ClaimId("TC-1"), None])
            assert catalog.keeping.dirty() == [TRAY, "TC-1"]
            raise StopError

    with pytest.raises(StopError):
        work()
    assert catalog.claims.all() == []
    assert catalog.keeping.dirty() == []
    catalog.claims.put([Claim(claim=ClaimId("TC-2"))], at=NOW)
    assert len(catalog.claims.all()) == 1


def test_a_change_marks_the_bags_that_there_are_and_raises_the_versions(catalog):
    catalog.claims.put([Claim(claim=ClaimId(f"TC-{n}")) for n in (1, 2, 3)], at=NOW)
    keep(catalog, 1)
    catalog.photos.place([placed(1, "TC-1")], [a_segment()])
    catalog.keeping.mark_clean(ClaimId("TC-3"), {}, at=NOW)
    catalog.mark_changed([ClaimId("TC-1"), ClaimId("TC-2"), None])
    assert catalog.keeping.dirty() == ["TC-1"], "TC-2 and the tray have neither photos nor a bag"
    catalog.mark_changed([ClaimId("TC-3")])
    assert catalog.keeping.dirty() == ["TC-1", "TC-3"], "a bag that lost its photos is built again"
    assert [catalog.claims.get(ClaimId(f"TC-{n}")).version for n in (1, 2, 3)] == [1, 1, 1]


# --- claims --------------------------------------------------------------------------------


def test_a_claim_comes_back_as_it_went_in_and_an_unchanged_one_is_no_change(catalog):
    claim = Claim(
        claim=ClaimId("TC-1"),
        insured="Zoë Müller-O'Brien; DROP TABLE claim",
        address="1 Larch Way",
        place=GeoPoint(lat=39.7392358, lon=-104.990251),
        loss_date=date(2026, 5, 1),
        peril="hail",
        jurisdiction="CO",
        stories=2,
        policy_number="P-77",
        carrier="Elder Mutual",
        adjuster="A. Quill",
        inspector="B. Tarn",
        inspection_start=datetime(2026, 5, 14, 8, 30),
        inspection_end=datetime(2026, 5, 14, 10, 0),
    )
    assert catalog.claims.put([claim], at=NOW) == (1, 0)
    assert catalog.claims.put([claim], at=NOW) == (0, 0)
    assert catalog.claims.get(claim.claim).claim == claim
    before = catalog.claims.get(claim.claim).version
    catalog.claims.set_state(claim.claim, ClaimState.CLOSED, closed_on=date(2026, 6, 1))
    row = catalog.claims.get(claim.claim)
    assert (row.state, row.closed_on, row.version) == (ClaimState.CLOSED, date(2026, 6, 1), before + 1)
    catalog.reduce_to_tombstone(claim.claim)
    left = catalog.claims.get(claim.claim).claim
    named = (left.insured, left.address, left.policy_number, left.carrier, left.adjuster, left.inspector)
    assert set(named) == {""}, "a purged claim names no person"
    assert (left.place, left.inspection_start, left.inspection_end) == (None, None, None)


def catalog_of(url, revision):
    """A catalog as the program of that migration made it."""
    import alembic.command
    import alembic.config

    config = alembic.config.Config()
    config.set_main_option("script_location", str(VERSIONS.parent))
    engine = create_engine(url)
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        alembic.command.upgrade(config, revision)
    return engine


def test_holds_of_an_older_program_are_brought_over(url):
    """A hold in force stays in force on its claim, and a lifted one stays lifted, by the person who lifted it."""
    engine = catalog_of(url, "0011")
    with engine.begin() as db:
        db.execute(
            text(
                "INSERT INTO hold (claim, reason, placed_by, placed_at, lifted_by, lifted_at, lifted_why) VALUES"
                " ('TC-1', 'suit', 'Ada', '2026-05-14T08:00:00.000000Z', NULL, NULL, NULL),"
                " ('TC-2', 'inquiry', 'Ada', '2026-05-14T08:00:00.000000Z', 'Ben', '2026-05-15T08:00:00.000000Z',"
                " 'settled')"
            )
        )
    engine.dispose()
    catalog = Catalog(url)
    kept, lifted = catalog.holds.all()
    at = datetime(2026, 5, 14, 8, tzinfo=UTC)
    assert (kept.claim, kept.scope, kept.kind, kept.until) == (
        "TC-1", HoldScope(claim=ClaimId("TC-1")), HoldKind.OWN, None,
    )  # fmt: skip
    assert (kept.reason, kept.placed_by, kept.placed_at, kept.active, kept.lift_asked_by) == (
        "suit", "Ada", at, True, None,
    )  # fmt: skip
    assert (lifted.active, lifted.lifted_by, lifted.lifted_why) == (False, "Ben", "settled")
    assert (lifted.lift_asked_by, lifted.lift_asked_at) == ("Ben", lifted.lifted_at)
    assert catalog.holds.all(active_only=True) == [kept]
    catalog.close()


FOUND = {
    "facts": dump(to_json(CameraFacts(make="Test", model="One"))),
    "look": dump(to_json(Look(phash="00000000000000ff"))),
    "embedding": b"\x01\x02" * 1280,
}
"""What an earlier program found in a file, in the file's own row."""


def test_what_an_older_program_found_in_a_file_is_brought_over(url):
    engine = catalog_of(url, "0012")
    one = (
        "INSERT INTO original (sha256, size, suffix, kind, correction, claim, position, segment, claim_confidence,"
        " to_confirm, claim_reasons, tag_flags, caption, facts, look, embedding, phash)"
        " VALUES (:sha, 10, '.jpg', 'photo', '', 'TC-1', :place, '', 1.0, false, '[]', '[]', '', :facts, :look,"
        " :embedding, :phash)"
    )
    nothing = dict.fromkeys(FOUND)
    with engine.begin() as db:
        db.execute(text(one), {"sha": sha(1), "place": 0, "phash": "00000000000000ff", **FOUND})
        db.execute(text(one), {"sha": sha(2), "place": 1, "phash": None, **nothing})
        db.execute(text(one), {"sha": sha(3), "place": 2, "phash": None, **FOUND, "embedding": None})
    engine.dispose()
    catalog = Catalog(url)
    kept = catalog.photos.of_claim(ClaimId("TC-1"), embeddings=True)
    assert [one.facts.make for one in kept] == ["Test", None, "Test"]
    assert [one.look.phash for one in kept] == ["00000000000000ff", "", "00000000000000ff"]
    assert [one.look.embedding for one in kept] == [FOUND["embedding"], b"", b""]
    assert [one.described for _, one in sorted(catalog.photos.originals([sha(1), sha(2), sha(3)]).items())] == [
        True, False, True,
    ]  # fmt: skip
    assert differences(catalog._database.engine) == []
    catalog.close()


def test_the_counts_of_a_filled_catalog_of_an_older_program_are_made(url):
    """What the migration counts is what the program counts, and photos are found by the names of their files."""
    filler = Filler(300)
    fill(url, filler)
    catalog = Catalog(url)
    tables = (t.claim_total, t.copy_total, t.place_set)

    def rows():
        with catalog._database.transaction() as db:
            return [sorted(tuple(row) for row in db.execute(select(one))) for one in tables]

    made = rows()
    totals.count_all(catalog._database)
    assert made == rows()
    assert all(made)
    assert catalog.photos.counts()[ClaimId("HT-00001")][0] == 150
    assert catalog.photos.find("TEST0007.JPG") == [digest_of(0, 7), digest_of(1, 7)]
    assert catalog.photos.of_claim(ClaimId("HT-00001"), embeddings=True)[149].look.embedding
    assert differences(catalog._database.engine) == []
    catalog.close()


def test_rows_that_an_older_program_took_into_quarantine_come_back_whole(catalog):
    intake = keep(catalog, 1)
    catalog.claims.put([Claim(claim=ClaimId("TC-1"))], at=NOW)
    catalog.photos.place([placed(1, "TC-1")], [a_segment(photos=1)])
    rows = catalog.quarantine.rows(ClaimId("TC-1"), [sha(1)])
    catalog.quarantine.take(ClaimId("TC-1"), rows)
    assert catalog.photos.of_claim(ClaimId("TC-1")) == []
    encoded = {"base64": base64.b64encode(FOUND["embedding"]).decode()}
    earlier = {name: each for name, each in rows.items() if name not in ("described", "embedding")}
    earlier["original"] = [{**row, **FOUND, "embedding": encoded} for row in rows["original"]]
    catalog.quarantine.put_back(ClaimId("TC-1"), earlier)
    (back,) = catalog.photos.of_claim(ClaimId("TC-1"), embeddings=True)
    assert (back.intake, back.facts.make, back.look.embedding) == (intake, "Test", FOUND["embedding"])


def test_holds_and_decisions_are_numbered_and_kept_in_order(catalog):
    one, two = (
        catalog.holds.place(
            HoldScope(claim=ClaimId(claim)),
            kind=HoldKind.LITIGATION,
            reason="suit",
            until=None,
            covered=(),
            by="Counsel",
            at=NOW,
        )
        for claim in ("TC-1", "TC-2")
    )
    assert two > one > 0
    catalog.holds.ask_lift(one, by="Counsel", why="settled", at=NOW)
    assert [h.number for h in catalog.holds.all(active_only=True)] == [one, two]
    catalog.holds.lift(one, by="Ben", at=NOW)
    assert [h.number for h in catalog.holds.all(active_only=True)] == [two]
    assert catalog.holds.of(ClaimId("TC-1"))[0].lifted_at == NOW
    moved = [Move(replaced={}, photos=(sha(n),), claim=None) for n in range(3)]
    tagged = Tag(replaced={sha(1): {}}, stated={sha(1): {Facet.FACE: "left"}})
    numbers = [
        catalog.claims.record(decision, claim=None, at=NOW, actor="Rita")
        for decision in (moved[0], tagged, moved[2])
    ]
    catalog.claims.mark_undone(numbers[0])
    assert [(d.number, d.decision) for d in catalog.claims.decisions(Move)] == [(numbers[2], moved[2])]
    assert [d.number for d in catalog.claims.decisions(Correction)] == numbers[1:]
    assert catalog.claims.decisions(Closure) == []
    assert catalog.claims.latest_about(sha(2), Move).number == numbers[2]
    assert catalog.claims.latest_about(sha(0), Move) is None, "undone"


# --- photos --------------------------------------------------------------------------------


def test_a_photo_comes_back_as_it_went_in(catalog):
    run = keep(catalog, 1, 2)
    facts = CameraFacts(
        taken_text="2026:05:14 09:01:00\x00",
        taken_local=datetime(2026, 5, 14, 9, 1, 0, 500000),
        gps=GeoPoint(lat=1.5, lon=-2.25, alt=None),
        make="Testcam",
        flags=(Finding(code="odd", message="a \u0000 byte and a ünïcode"),),
    )
    look = Look(embedding=bytes(range(16)), phash="00ff00ff00ff00ff")
    catalog.photos.describe([(sha(1), facts, look)])
    catalog.photos.place([placed(1, "TC-1"), placed(2, None)], [a_segment()])
    record = catalog.photos.of_claim(ClaimId("TC-1"), embeddings=True)[0]
    assert record.facts == facts
    assert record.look == look
    assert record.claim_confidence == 0.123456789012345
    assert record.intake == run
    assert record.corrected == datetime(2026, 5, 14, 9, 1)
    assert catalog.photos.counts()[None][0] == 1
    assert set(catalog.photos.of_days(["2026-05-14"])) == {sha(1), sha(2)}
    assert catalog.photos.sightings([sha(1)])[sha(1)][0].modified == NOW
    assert {o.described for o in catalog.photos.originals([sha(1)]).values()} == {True}


def test_placing_again_touches_only_what_changed_and_removes_stale_segments(catalog):
    keep(catalog, 1, 2)
    first = catalog.photos.place([placed(1, "TC-1"), placed(2, "TC-1")], [a_segment()])
    assert first == {"TC-1", None}
    assert catalog.photos.place([placed(1, "TC-1"), placed(2, "TC-1")], [a_segment()]) == set()
    moved = placed(2, "TC-2", segment="2026-05-14/2")
    new = a_segment(segment="2026-05-14/2", claim=ClaimId("TC-2"), first=sha(2), position=1)
    assert catalog.photos.place([placed(1, "TC-1"), moved], [a_segment(), new]) == {"TC-1", "TC-2"}
    assert len(catalog.photos.segments()) == 2
    catalog.photos.place([placed(1, "TC-1"), placed(2, "TC-1")], [a_segment()])
    assert [row.segment for row in catalog.photos.segments()] == ["2026-05-14/1"]


def test_what_a_person_states_outranks_guesses_and_can_be_removed(catalog):
    keep(catalog, 1)
    guess = FacetValue(facet=Facet.FACE, value="left", source=Source.PLACE, confidence=0.7, reason="compass")
    catalog.photos.put_tags({sha(1): TagResult(tags={Facet.FACE: guess})})
    assert catalog.photos.put_tags({sha(1): TagResult(tags={Facet.FACE: guess})}) == set()
    catalog.photos.state([sha(1)], {Facet.FACE: "back"}, reason="stated by Rita")
    assert catalog.photos.by_person([sha(1)])[sha(1)][Facet.FACE].value == "back"
    assert catalog.photos.records([sha(1)])[0].tags[Facet.FACE].value == "back"
    catalog.photos.state([sha(1)], {Facet.FACE: None}, reason="taken back")
    assert catalog.photos.by_person([sha(1)]) == {}


def test_photos_are_found_by_digest_path_and_name_and_a_wildcard_finds_nothing(catalog):
    keep(catalog, 1, 2)
    assert catalog.photos.find("TEST0002.JPG") == [sha(2)]
    assert catalog.photos.find("DCIM/100TESTC/TEST0001.JPG") == [sha(1)]
    assert catalog.photos.find(sha(1)) == [sha(1)]
    assert set(catalog.photos.find("000000")) == {sha(1), sha(2)}
    for nothing in ("TEST%.JPG", "TEST____.JPG", "%", "'; --", ""):
        assert catalog.photos.find(nothing) == []


def test_a_refused_file_and_a_long_name_are_kept_with_the_run(catalog):
    run = IntakeId("20260601-120000-bbbb")
    refused = (Refusal(path="x" * 300, code="symlink", reason="it is a link"),)
    row = IntakeRow(
        intake=run,
        source="/card",
        label="CARD",
        actor="Ada",
        started_at=NOW,
        finished_at=None,
        refused=refused,
    )
    catalog.photos.put_intake(row)
    assert catalog.photos.intakes() == [row]
    long = "notes." + "y" * 100
    catalog.photos.add_originals(run, [kept(9, card_path=long, dcf=None)])
    assert catalog.photos.originals([sha(9)])[sha(9)].suffix.startswith(".yyy")


# --- keeping -------------------------------------------------------------------------------


def test_more_photos_than_one_statement_holds_are_kept_and_asked_for(catalog):
    numbers = range(1, 1001)
    keep(catalog, *numbers)
    digests = [sha(n) for n in numbers]
    assert len(catalog.photos.known(digests)) == 1000
    catalog.photos.place([placed(n, "TC-1") for n in numbers], [a_segment(photos=1000)])
    assert len(catalog.photos.of_claim(ClaimId("TC-1"))) == 1000
    catalog.keeping.mark_clean(ClaimId("TC-1"), {d: f"card/{d}.jpg" for d in digests}, at=NOW)
    assert len(catalog.keeping.payload(ClaimId("TC-1"))) == 1000
    assert catalog.photos.unfiled() == []
    catalog.photos.delete(digests)
    assert catalog.photos.known(digests) == set()


def test_copies_do_not_count_until_matched_again_and_dropped_with_their_place(catalog):
    def copy(number, place="office", verified=NOW, bad=None):
        return CopyRow(
            sha256=sha(number),
            place=place,
            place_id="disk:1",
            off_computer=True,
            claim=ClaimId("TC-1"),
            verified_at=verified,
            found_bad_at=bad,
        )

    catalog.keeping.put_copies([copy(1), copy(2), copy(1, "archive")])
    catalog.keeping.mark_corrupt("office", [sha(1)], at=NOW)
    assert {row.place: row.found_bad_at for row in catalog.keeping.copies([sha(1)])[sha(1)]} == {
        "office": NOW,
        "archive": None,
    }
    catalog.keeping.put_copies([copy(1)])
    assert copy(1) in catalog.keeping.copies([sha(1)])[sha(1)]
    catalog.keeping.drop_copies("office", ClaimId("TC-1"), but=[sha(1)])
    assert catalog.keeping.copies([sha(2)]) == {}
    catalog.keeping.delete_bag(ClaimId("TC-1"))
    assert catalog.keeping.copies([sha(1)]) == {}


def test_counts_and_people_are_kept_and_replaced(catalog):
    tally = Tally(claim=ClaimId("TC-1"), version=1, basis="b", met=1, guessed=2, missing=3, waived=4, flags=5)
    catalog.tallies.put(tally)
    catalog.tallies.put(tally)
    assert catalog.tallies.all() == {"TC-1": tally}
    catalog.users.put(User(name="Rita", duty=Duty.REVIEWER, password="x"), at=NOW)
    catalog.users.put(User(name="Rita", duty=Duty.OFFICE, password="y"), at=NOW)
    assert [(one.name, one.duty) for one in catalog.users.all()] == [("Rita", Duty.OFFICE)]
    catalog.users.drop("Rita")
    assert catalog.users.get("Rita") is None


# --- the whole program on PostgreSQL -------------------------------------------------------


def test_an_office_with_postgresql_takes_a_card_in_and_corrects_it(postgres_url, tmp_path):
    from support_cli import cli
    from support_intake import CLAIMS, PLAIN, set_settings, small_houses, taken_in, where

    from evidence.workspace import make_archive

    archive = tmp_path / "archive"
    make_archive(archive).close()
    for path in archive.glob("catalog.sqlite*"):
        path.unlink()
    set_settings(archive, f"{PLAIN}\n[catalog]\nurl = '{postgres_url}'\n")
    (tmp_path / "claims.csv").write_text(CLAIMS, encoding="utf-8")
    assert cli("assignments", tmp_path / "claims.csv", archive=archive).status == 0
    card = small_houses(tmp_path / "card")
    card.put("notes." + "x" * 60, b"a long ending")
    assert taken_in(archive, card.root).kept == 10
    assert where(archive)["TEST0006.JPG"] == "TC-1002"
    assert cli("move", "TEST0007.JPG", "--to", "TC-1001", archive=archive).status == 0
    assert cli("tag", "TEST0002.JPG", "--face", "left", archive=archive).status == 0
    assert where(archive)["TEST0007.JPG"] == "TC-1001"
    assert cli("undo", archive=archive).status == 0
    assert cli("undo", archive=archive).status == 0
    assert where(archive)["TEST0007.JPG"] == "TC-1002"
    assert cli("close", "TC-1001", "--on", "2026-05-20", archive=archive).status == 0
    assert cli("verify", archive=archive).status == 0
    assert cli("claims", archive=archive).status == 0
    assert cli("coverage", "TC-1002", archive=archive).status == 1
    assert not list(archive.glob("catalog.sqlite*"))


def test_the_newest_decisions_of_some_claims_are_read_and_no_others(catalog):
    def move(n, claim):
        return catalog.claims.record(
            Move(replaced={}, photos=(sha(n),), claim=claim and ClaimId(claim)),
            claim=claim and ClaimId(claim), at=NOW, actor="Ada",
        )  # fmt: skip

    one, two, tray, other, three = (
        move(1, "TC-1"),
        move(2, "TC-2"),
        move(3, None),
        move(4, "TC-9"),
        move(5, "TC-1"),
    )
    catalog.claims.mark_undone(two)

    def numbers(claims, **more):
        rows = catalog.claims.newest_of(Correction, [ClaimId(claim) for claim in claims], **more)
        return [row.number for row in rows]

    assert numbers(["TC-1", "TC-2"], tray=False, most=9) == [three, one]
    assert numbers(["TC-1", "TC-9"], tray=True, most=3) == [three, other, tray]
    assert numbers([], tray=False, most=9) == []
    assert catalog.claims.in_force_by_claim(Move) == {
        "TC-1": [Move(replaced={}, photos=(sha(n),), claim=ClaimId("TC-1")) for n in (1, 5)],
        "TC-9": [Move(replaced={}, photos=(sha(4),), claim=ClaimId("TC-9"))],
    }


def test_the_last_open_claims_are_given_by_number(catalog):
    numbers = [ClaimId(f"TC-{n}") for n in range(5)]
    catalog.claims.put([Claim(claim=number) for number in numbers], at=NOW)
    catalog.claims.set_state(numbers[3], ClaimState.SIGNED)
    assert catalog.claims.last_open(3) == [numbers[1], numbers[2], numbers[4]]


def test_photos_are_found_by_the_flags_of_their_analysis(catalog):
    keep(catalog, 1, 2, 3)
    unread = Look(flags=(Finding(code="unreadable", message="m", subject="s"),))
    blurred = Look(flags=(Finding(code="blurred", message='"code":"unreadable"', subject="s"),))
    catalog.photos.describe([(sha(1), CameraFacts(), unread), (sha(2), CameraFacts(), blurred)])
    assert catalog.photos.with_flags([sha(1), sha(2), sha(3)], {"unreadable", "look_failed"}) == {sha(1)}
