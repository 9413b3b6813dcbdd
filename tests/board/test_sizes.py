"""Large claims and long lists: what must not grow with them. Bounds on structure, never on time."""

from __future__ import annotations

import contextlib
import re
from datetime import timedelta
from html.parser import HTMLParser

import pytest
from PIL import Image
from sqlalchemy import event
from support_board import START, facet_value, put_claim, put_photos
from support_card import CardMaker
from support_cli import cli, make_archive

from evidence.analysis.tallies import tally_basis
from evidence.board.background import BackgroundWorker, claims_to_count, count_claims
from evidence.board.claim_list import PER_PAGE
from evidence.catalog.tallies import Tally
from evidence.model import Duty, Facet
from evidence.sight.request import thumb_path
from evidence.workspace import Workspace


@contextlib.contextmanager
def statements(workspace):
    """Every SQL statement that the catalog runs while this is open."""
    seen: list[str] = []

    def note(_connection, _cursor, statement, *_):
        seen.append(statement)

    engine = workspace.catalog.claims._database.engine
    event.listen(engine, "before_cursor_execute", note)
    try:
        yield seen
    finally:
        event.remove(engine, "before_cursor_execute", note)


class Pictures(HTMLParser):
    """The pictures of a page."""

    def __init__(self, text):
        super().__init__()
        self.found: list[dict[str, str | None]] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        if tag == "img":
            self.found.append(dict(attrs))


def test_a_page_of_600_photos_loads_images_lazily_with_few_queries(workspace, logged_in):
    for number, many in (("BD-6", 6), ("BD-600", 600)):
        put_claim(workspace, number)
        put_photos(
            workspace,
            number,
            many,
            name=f"N{many}N",
            start=START + timedelta(days=many),
            originals=False,
            tags={
                n: (facet_value(Facet.FACE, "front"), facet_value(Facet.ROLE, "close_up", guess=0.7))
                for n in range(many)
            },
        )
    client = logged_in()
    asked = {}
    for number in ("BD-6", "BD-600"):
        client.get(f"/photos?number={number}")  # the count of its shots is kept once
        with statements(workspace) as seen:
            page = client.get(f"/photos?number={number}")
        asked[number] = len(seen)
    # A claim's photos come in pieces of 400, each a few statements.
    assert asked["BD-600"] <= asked["BD-6"] + 12
    tiles = [one for one in Pictures(page.text).found if "/thumb/" in one["src"]]
    assert len(tiles) == 600
    assert all(one["loading"] == "lazy" and one["src"].endswith("/320") for one in tiles)
    assert "/1280" not in page.text
    assert "/original/" not in page.text
    assert len(page.content) < 600 * 1500


def test_no_page_but_the_one_of_a_photo_offers_the_original(logged_in, claim):
    client = logged_in()
    for path in ("/claim?number=BD-1", "/photos?number=BD-1", "/day?number=BD-1", "/duplicates?number=BD-1"):
        assert "/original/" not in client.get(path).text
    page = client.get(f"/photo/{claim[0]}").text
    assert page.count("/original/") == 1
    assert re.search(r'<a [^>]*href="/original/[0-9a-f]{64}" download>', page)


def test_2000_claims_are_listed_in_pages_with_few_queries(workspace, logged_in):
    from evidence.model import Claim, ClaimId

    workspace.catalog.claims.put(
        [Claim(claim=ClaimId(f"L-{n:04d}"), insured=f"Owner {n}") for n in range(2000)], at=workspace.now()
    )
    client = logged_in()
    with statements(workspace) as seen:
        page = client.get("/")
    assert len(seen) < 15
    assert page.text.count('class="claim-row') == PER_PAGE
    assert len(page.content) < 120_000
    last = client.get(f"/?page={-(-2000 // PER_PAGE)}")
    assert "Owner 1999" in last.text
    found = client.get("/?q=owner+1234")
    assert found.text.count('class="claim-row') == 1


def test_the_most_urgent_claims_come_first(workspace, logged_in):
    for number, tally in {
        "A-ready": (4, 0, 0),
        "B-guess": (3, 1, 0),
        "C-missing": (1, 0, 3),
        "D-house": (4, 0, 0),
        "E-none": None,
    }.items():
        put_claim(workspace, number)
        if tally:
            put_photos(workspace, number, 1, name=number[0], to_confirm=number == "D-house")
            row = workspace.catalog.claims.get(number)
            met, guessed, missing = tally
            workspace.catalog.tallies.put(
                Tally(
                    claim=number,
                    version=row.version,
                    basis=tally_basis(workspace),
                    met=met,
                    guessed=guessed,
                    missing=missing,
                    waived=0,
                    flags=0,
                )
            )
    order = re.findall(r"<code>([A-E]-\w+)</code>", logged_in().get("/").text)
    assert order == ["D-house", "C-missing", "B-guess", "A-ready", "E-none"]
    shown = logged_in("Adam", Duty.ADJUSTER).get("/?need=shots").text
    assert re.findall(r"<code>([A-E]-\w+)</code>", shown) == ["C-missing"]


def test_counts_are_kept_until_the_claim_or_its_list_changes(workspace, claim):
    assert [row.claim.claim for row in claims_to_count(workspace)] == ["BD-1"]
    count_claims(workspace, claims_to_count(workspace))
    kept = workspace.catalog.tallies.all()["BD-1"]
    assert (kept.met, kept.guessed, kept.missing) == (3, 1, 0)
    assert claims_to_count(workspace) == []
    workspace.catalog.claims.touch(["BD-1"])
    assert len(claims_to_count(workspace)) == 1
    count_claims(workspace, claims_to_count(workspace))
    own = workspace.root / "config" / "required_shots" / "hail_roof.toml"
    own.write_text(own.read_text(encoding="utf-8").replace("Whole elevation", "Whole side"), encoding="utf-8")
    assert len(claims_to_count(workspace)) == 1


# --- originals, thumbnails and bags ------------------------------------------------------


@pytest.fixture(scope="module")
def taken_in(tmp_path_factory):
    """A small card taken in: three photos, and a picture whose header claims 40,000 by 40,000 pixels."""
    folder = tmp_path_factory.mktemp("sizes")
    archive = make_archive(folder)
    (archive / "evidence.toml").write_text(
        "[intake]\nworkers = 1\nread_writing = false\nscene_kinds = false\n", encoding="utf-8"
    )
    card = CardMaker(folder / "card")
    card.sheet("TC-1001")
    card.scene()
    card.scene()
    card.put("TEST0900.PNG", bomb())
    assert cli("intake", card.root, archive=archive).status in {0, 1}
    return archive


def bomb():
    """A PNG of a few bytes whose header (PNG, ISO/IEC 15948, IHDR) claims 1.6 gigapixels."""
    import struct
    import zlib

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", 40_000, 40_000, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b"\0" * 1000))
        + chunk(b"IEND", b"")
    )


@pytest.fixture
def small_archive(taken_in):
    with Workspace(taken_in, actor="Tess") as opened:
        yield opened


def client_of(workspace):
    from fastapi.testclient import TestClient

    from evidence.board.app import make_app

    app = make_app(workspace, background=False)
    client = TestClient(app, base_url="http://localhost", follow_redirects=False)
    session, cookie = app.state.board.sessions.start("Tess", Duty.REVIEWER)
    client.cookies.set(app.state.board.sessions.cookie, cookie)
    client.token = session.token
    return client


def sha_of(workspace, name):
    return workspace.catalog.photos.find(name)[0]


@pytest.mark.usefixtures("look_processes")
def test_a_thumbnail_that_was_deleted_is_made_again_and_kept(small_archive):
    workspace, sha = small_archive, sha_of(small_archive, "TEST0002.JPG")
    place = thumb_path(workspace.thumbs, sha, 320)
    place.unlink()
    answer = client_of(workspace).get(f"/thumb/{sha}/320")
    assert answer.headers["content-type"] == "image/jpeg"
    with Image.open(place) as picture:
        assert max(picture.size) == 320
    assert client_of(workspace).get(f"/thumb/{sha}/77").status_code == 404


@pytest.mark.usefixtures("look_processes")
def test_no_original_is_decoded_in_the_boards_own_process(small_archive, monkeypatch):
    from evidence.sight import look, pictures

    def here(*_args, **_more):
        pytest.fail("decoded in the process of the board")

    monkeypatch.setattr(look, "load_picture", here)
    monkeypatch.setattr(pictures, "_load", here)
    workspace, sha = small_archive, sha_of(small_archive, "TEST0003.JPG")
    thumb_path(workspace.thumbs, sha, 320).unlink()
    assert client_of(workspace).get(f"/thumb/{sha}/320").headers["content-type"] == "image/jpeg"


def test_a_decompression_bomb_gives_a_drawing_instead_and_is_not_tried_twice(small_archive, monkeypatch):
    workspace, sha = small_archive, sha_of(small_archive, "TEST0900.PNG")
    client = client_of(workspace)
    assert client.get(f"/thumb/{sha}/320").headers["location"] == "/static/no-picture.svg"
    from evidence.board import thumbnails

    monkeypatch.setattr(thumbnails.LookProcess, "look", lambda *_: pytest.fail("decoded again"))
    assert client.get(f"/thumb/{sha}/320").headers["location"] == "/static/no-picture.svg"


def test_the_original_goes_out_whole_as_an_attachment_and_the_log_says_to_whom(small_archive):
    import hashlib

    workspace, sha = small_archive, sha_of(small_archive, "TEST0002.JPG")
    answer = client_of(workspace).get(f"/original/{sha}")
    assert hashlib.sha256(answer.content).hexdigest() == sha
    assert answer.headers["content-disposition"].startswith("attachment")
    entry = list(workspace.custody.about(sha))[-1]
    assert (entry.actor, entry.action) == ("Tess", "original_taken_out")


def test_a_tag_is_answered_before_its_bag_is_built(small_archive):
    workspace, sha = small_archive, sha_of(small_archive, "TEST0003.JPG")
    client = client_of(workspace)
    mark = re.search(rf'data-sha="{sha}" data-mark="(\w+)"', client.get("/photos?number=TC-1001").text)[1]
    answer = client.post(
        "/do/tag",
        json={"photos": {sha: mark}, "tags": {"face": "back"}},
        headers={"x-board-token": client.token},
    )
    assert answer.status_code == 200
    changed = {one["sha"]: one for one in answer.json()["tiles"]}
    assert changed[sha]["mark"] != mark
    assert {"facet": "face", "text": "back", "guess": False}.items() <= changed[sha]["pills"][0].items()
    assert workspace.catalog.keeping.dirty() == ["TC-1001"]
    BackgroundWorker(workspace).update_bags()
    assert workspace.catalog.keeping.dirty() == []
    again = client.post(
        "/do/undo-tag", json={"number": answer.json()["undo"]}, headers={"x-board-token": client.token}
    )
    assert again.status_code == 200
    assert [
        pill
        for pill in next(t for t in again.json()["tiles"] if t["sha"] == sha)["pills"]
        if not pill["guess"]
    ] == []
