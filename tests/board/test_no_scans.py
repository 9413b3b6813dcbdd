"""No query of the pages, of an intake or of a backup reads a whole table that grows with the photos."""

from __future__ import annotations

import re
from contextlib import contextmanager
from datetime import UTC, timedelta

import pytest
from sqlalchemy import event, text
from starlette.testclient import TestClient
from support_cli import make_archive
from support_filled import DISK, Filler, claim_of, digest_of, fill

from evidence.analysis.refresh import refresh_days
from evidence.board.app import make_app
from evidence.model import ClaimId, Duty, Sha256
from evidence.office.retention import forecast_purges, review_dispositions
from evidence.reports.views import claim_views
from evidence.workspace import Workspace

LARGE = frozenset(
    {"original", "described", "embedding", "sighting", "tag", "held_in", "copy", "decision_photo"}
)
"""Tables with a row or more for each photo."""
SCAN = re.compile(r"^SCAN (\w+)")
PAGES = (
    "/", "/?sort=age&q=moss", "/claim?number={n}", "/photos?number={n}", "/day?number={n}", "/missing?number={n}",
    "/house?number={n}", "/history?number={n}", "/photos?number=unassigned", "/desk", "/desk/claims", "/desk/holds",
    "/desk/retention", "/desk/targets", "/desk/purges",
)  # fmt: skip


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    archive = make_archive(tmp_path_factory.mktemp("filled"))
    (archive / "catalog.sqlite").unlink()
    filler = Filler(1500)
    fill(f"sqlite:///{archive / 'catalog.sqlite'}", filler)
    now = filler.days[-1][0].replace(tzinfo=UTC) + timedelta(days=1)
    with Workspace(archive, actor="Ada Clerk", now=lambda: now) as workspace:
        yield workspace


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
    out = []
    with workspace.catalog._database.engine.connect() as db:
        for statement, values in found.items():
            if not statement.lstrip().upper().startswith(("SELECT", "UPDATE", "DELETE", "INSERT")):
                continue
            plan = db.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", values).all()
            for line in plan:
                table = SCAN.match(line.detail)
                if table and table[1] in LARGE:
                    out.append((table[1], " ".join(statement.split())[:300]))
    return out


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
    photos.octets_since(workspace.now() - timedelta(days=3))
    photos.runs_to_judge(workspace.now() - timedelta(days=3))


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


def test_a_query_that_scans_is_found(filled):
    with statements(filled) as found, filled.catalog._database.transaction() as db:
        db.execute(text("SELECT count(*) FROM original WHERE correction = 'x'"))
    assert [table for table, _ in scans(filled, found)] == ["original"]
