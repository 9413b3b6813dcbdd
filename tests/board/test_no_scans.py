"""No query of the pages, of an intake or of a backup reads a whole table that grows with the photos.

On SQLite the plan says so. PostgreSQL rightly reads a small table whole although there is an index for the query, so it is
told that pages cost nothing and that rows alone count (`COUNT_ROWS`): it then reads a table whole only where no index leads
to fewer rows. An index that is walked from one end to the other is a scan as well: an index scan without a condition,
unless a LIMIT ends it.
"""

from __future__ import annotations

import json
import re
from contextlib import contextmanager
from datetime import UTC, timedelta

import pytest
from sqlalchemy import event, text
from starlette.testclient import TestClient
from support_cli import make_archive
from support_filled import DISK, Filler, claim_of, digest_of, fill, leave_ledger
from support_postgres import database

from evidence.analysis.refresh import refresh_days
from evidence.board.app import make_app
from evidence.model import ClaimId, Duty, Sha256
from evidence.office.retention import forecast_purges, review_dispositions
from evidence.reports.views import claim_views
from evidence.workspace import Workspace

COUNT_ROWS = {
    "jit": "off", "seq_page_cost": 0, "random_page_cost": 0, "cpu_operator_cost": 0, "cpu_tuple_cost": 1,
    "cpu_index_tuple_cost": 0.001,
}  # fmt: skip
"""Settings with which PostgreSQL's planner counts the rows that are read, and nothing else."""
LARGE = frozenset(
    {"original", "described", "embedding", "sighting", "tag", "held_in", "copy", "decision", "decision_photo"}
)
"""Tables with a row or more for each photo."""
SCAN = re.compile(r"^SCAN (\w+)")
PAGES = (
    "/", "/?sort=age&q=moss", "/claim?number={n}", "/photos?number={n}", "/day?number={n}", "/missing?number={n}",
    "/house?number={n}", "/history?number={n}", "/photos?number=unassigned", "/desk", "/desk/claims", "/desk/holds",
    "/desk/retention", "/desk/targets", "/desk/purges",
)  # fmt: skip


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def filled(request, tmp_path_factory):
    """An archive with 1,500 photos in its catalog.

    The database is of the fixture, not of the file: where tests of both kinds alternate, the fixture is made again.
    """
    archive = make_archive(tmp_path_factory.mktemp("filled"))
    (archive / "catalog.sqlite").unlink()
    url = f"sqlite:///{archive / 'catalog.sqlite'}"
    if request.param == "postgresql":
        made = database(request.getfixturevalue("postgres_server"))
        url = next(made)
        (archive / "evidence.toml").write_text(f'[catalog]\nurl = "{url}"\n', encoding="utf-8")
    filler = Filler(1500)
    fill(url, filler)
    leave_ledger(archive, filler)
    now = filler.days[-1][0].replace(tzinfo=UTC) + timedelta(days=1)
    with Workspace(archive, actor="Ada Clerk", now=lambda: now) as workspace:
        if request.param == "postgresql":
            with workspace.catalog._database.engine.begin() as db:
                db.execute(text("ANALYZE"))
        yield workspace
    if request.param == "postgresql":
        next(made, None)


@contextmanager
def statements(workspace):
    """The statements that run meanwhile, with the values of one run of each."""
    found: dict[str, object] = {}

    def note(_connection, _cursor, statement, values, _context, many):
        found.setdefault(statement, values[0] if many else values)

    engine = workspace.catalog._database.engine
    event.listen(engine, "before_cursor_execute", note)
    try:
        yield found
    finally:
        event.remove(engine, "before_cursor_execute", note)


def scans(workspace, found):
    """The large tables that these statements read from one end to the other, with the statement."""
    engine = workspace.catalog._database.engine
    read_whole = _whole_in_sqlite if engine.dialect.name == "sqlite" else _whole_in_postgres
    out = []
    with engine.connect() as db:
        for statement, values in found.items():
            if statement.lstrip().upper().startswith(("SELECT", "UPDATE", "DELETE", "INSERT", "WITH")):
                tables = read_whole(db, statement, values)
                out += [(table, " ".join(statement.split())[:300]) for table in tables if table in LARGE]
        db.rollback()
    return out


def _whole_in_sqlite(db, statement, values):
    plan = db.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", values).all()
    return [table[1] for line in plan if (table := SCAN.match(line.detail))]


def _whole_in_postgres(db, statement, values):
    for name, value in COUNT_ROWS.items():
        db.exec_driver_sql(f"SET LOCAL {name} = {value}")
    plan = db.exec_driver_sql(f"EXPLAIN (FORMAT JSON) {statement}", values).scalar()
    plan = json.loads(plan) if isinstance(plan, str) else plan
    return list(_whole_below(plan[0]["Plan"], limited=False))


def _whole_below(node, *, limited):
    """Tables that this part of a plan reads whole; `limited` is below a LIMIT that stops it early."""
    kind = node["Node Type"]
    if (
        kind == "Seq Scan"
        or (kind in {"Index Scan", "Index Only Scan"} and "Index Cond" not in node and not limited)
        or (kind == "Bitmap Heap Scan" and any("Index Cond" not in one for one in _indexes(node)))
    ):
        yield node["Relation Name"]
    stops = kind == "Limit" or (
        limited and kind not in {"Sort", "Incremental Sort", "Aggregate", "Hash", "Hash Join"}
    )
    for below in node.get("Plans", ()):
        yield from _whole_below(below, limited=stops)


def _indexes(node):
    for below in node.get("Plans", ()):
        if below["Node Type"] == "Bitmap Index Scan":
            yield below
        yield from _indexes(below)


@pytest.fixture(scope="module")
def board(filled):
    app = make_app(filled, background=False)
    client = TestClient(app, base_url="http://127.0.0.1")
    sessions = app.state.board.sessions
    _, cookie = sessions.start("Ada Clerk", Duty.OFFICE, listed=False)
    client.cookies.set(sessions.cookie, cookie)
    return client


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("page", PAGES)
def test_a_page_scans_no_large_table(filled, board, page):
    number = claim_of(8)
    with statements(filled) as found:
        answer = board.get(page.format(n=number), follow_redirects=False)
    assert answer.status_code in {200, 303}, answer.text[:500]
    assert found
    assert scans(filled, found) == []


def settle(workspace):
    with workspace.locked():
        refresh_days(workspace, [Sha256(digest_of(8, photo)) for photo in range(150)])


def back_up_nothing(workspace):
    catalog = workspace.catalog
    catalog.pushes.begin(DISK, "office", head=1)
    catalog.pushes.due(DISK)
    for claim in catalog.keeping.bags():
        copies = catalog.keeping.copies(list(catalog.keeping.payload(claim)))
        catalog.keeping.put_copies(copies[Sha256(digest_of(1, 1))])
    catalog.keeping.mark_corrupt("office", [Sha256(digest_of(1, 1))], at=workspace.now())
    catalog.keeping.found_bad()
    catalog.keeping.place_totals()
    catalog.keeping.place_sets()


def look_for_photos(workspace):
    photos = workspace.catalog.photos
    assert photos.find("TEST0007.JPG")
    assert photos.find(digest_of(1, 7)[:12]) == [digest_of(1, 7)]
    assert photos.find("DCIM/100TESTC/TEST0007.JPG")
    photos.unfiled()
    photos.sizes({5, 6})
    photos.octets_since(workspace.now() - timedelta(days=1))
    photos.runs_to_judge(workspace.now() - timedelta(days=1))


def take_out_and_put_back(workspace):
    claim = ClaimId(claim_of(2))
    rows = workspace.catalog.quarantine.rows(claim, workspace.catalog.photos.digests_of(claim))
    workspace.catalog.quarantine.take(claim, rows)
    workspace.catalog.quarantine.put_back(claim, rows)
    workspace.catalog.photos.delete([Sha256(digest_of(3, 3))])
    workspace.catalog.keeping.delete_bag(ClaimId(claim_of(4)))


@pytest.mark.parametrize(
    "work",
    [settle, back_up_nothing, look_for_photos, claim_views, review_dispositions, forecast_purges,
     take_out_and_put_back],
)  # fmt: skip
def test_the_work_behind_the_commands_scans_no_large_table(filled, work):
    with statements(filled) as found:
        work(filled)
    assert found
    assert scans(filled, found) == []


@pytest.mark.parametrize(
    "query",
    [
        "SELECT count(*) FROM original WHERE correction = 'x'",
        "SELECT sha256 FROM original WHERE caption = 'x' ORDER BY sha256",
        "SELECT max(size) FROM original WHERE suffix = '.jpg' GROUP BY claim",
        "UPDATE original SET position = 1 WHERE tag_flags = 'x'",
    ],
)
def test_a_query_that_scans_is_found(filled, query):
    with statements(filled) as found, filled.catalog._database.engine.connect() as db:
        db.execute(text(query))
        db.rollback()
    assert [table for table, _ in scans(filled, found)] == ["original"]


def test_a_query_by_an_index_or_with_an_early_end_is_no_scan(filled):
    with statements(filled) as found, filled.catalog._database.engine.connect() as db:
        db.execute(text("SELECT sha256 FROM original WHERE claim = 'HT-00001'"))
        db.execute(text("SELECT id FROM decision WHERE kind = 'tag' ORDER BY id DESC LIMIT 1"))
    assert scans(filled, found) == []
