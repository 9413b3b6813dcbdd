"""Bags follow what a person changes on the board: originals move, records and sidecars agree, hashes match."""

from __future__ import annotations

import hashlib
import json
import re

import bagit
import pytest
from fastapi.testclient import TestClient
from support_board import put_claim, put_photos

from evidence import workspace as workspace_module
from evidence.board.app import make_app
from evidence.board.background import BackgroundWorker
from evidence.catalog.decisions import Correction
from evidence.filing.bags import file_away
from evidence.model import ClaimId, Duty
from evidence.workspace import Workspace

FIRST, SECOND = ClaimId("TC-1001"), ClaimId("TC-1002")


def bag_of(workspace, claim):
    """The claim's folder, proved by the Library of Congress's own bagit library (RFC 8493)."""
    folder = workspace.claims / workspace.catalog.claims.get(claim).folder
    bagit.Bag(str(folder)).validate()
    return folder


def originals(workspace, claim):
    """Digest by file name of every JPEG in the claim's bag, computed from the bytes on disk."""
    found = (bag_of(workspace, claim) / "data").rglob("*.JPG")
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in found}


def stated_in_bag(workspace, claim, sha):
    """Facets that a person stated of the photo, as the bag's records have them."""
    records = json.loads((bag_of(workspace, claim) / "records" / "photos.json").read_text(encoding="utf-8"))
    [said] = [one["said"] for one in records if one["record"]["sha256"] == sha]
    return {one["facet"]: one["value"] for one in said if one["source"] == "person"}


def sidecar(workspace, claim, name):
    [path] = (bag_of(workspace, claim) / "data").rglob(f"{name}.xmp")
    return path.read_text(encoding="utf-8")


def tree_of(folder):
    """Digest of every file of a bag, by its path."""
    files = (path for path in folder.rglob("*") if path.is_file())
    return {str(path): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def client_of(app, duty=Duty.REVIEWER):
    client = TestClient(app, base_url="http://localhost", follow_redirects=False)
    session, cookie = app.state.board.sessions.start("Rhea", duty)
    client.cookies.set(app.state.board.sessions.cookie, cookie)
    client.token = session.token
    return client


def mark(client, claim, sha):
    """The photo's mark, as the page shows it."""
    page = client.get(f"/photos?number={claim}").text
    return re.search(rf'data-sha="{sha}" data-mark="(\w+)"', page)[1]


def send_json(client, path, body):
    answer = client.post(path, json=body, headers={"x-board-token": client.token})
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_a_boundary_moved_on_the_board_moves_the_originals_to_the_other_bag_and_undo_moves_them_back(bagged):
    first, second = originals(bagged, FIRST), originals(bagged, SECOND)
    assert len(first) == len(second) == 6
    photos = bagged.catalog.photos
    boundary, to = photos.of_claim(SECOND)[0].sha256, photos.of_claim(FIRST)[4].sha256
    moved = {record.name: record.sha256 for record in photos.of_claim(FIRST)[4:]}
    app = make_app(bagged, background=False)
    client, worker = client_of(app), app.state.board.worker
    form = {
        "token": client.token,
        "number": FIRST,
        "photo": boundary,
        "to": to,
        "back": "/day?number=TC-1001",
    }
    assert client.post("/do/shift", data=form).status_code == 303
    assert (originals(bagged, FIRST), originals(bagged, SECOND)) == (first, second), "no page waits for a bag"
    worker.update_bags()
    assert originals(bagged, FIRST) == {k: v for k, v in first.items() if k not in moved}
    assert originals(bagged, SECOND) == second | moved
    number = bagged.catalog.claims.decisions(Correction)[-1].number
    undo = {"token": client.token, "number": number, "back": "/"}
    assert client.post("/do/undo", data=undo).status_code == 303
    worker.update_bags()
    assert (originals(bagged, FIRST), originals(bagged, SECOND)) == (first, second)


def test_a_photo_moved_on_the_board_takes_its_original_and_its_sidecar_along(bagged):
    record = bagged.catalog.photos.of_claim(FIRST)[3]
    app = make_app(bagged, background=False)
    client = client_of(app)
    body = {"photos": {record.sha256: mark(client, FIRST, record.sha256)}, "claim": SECOND}
    send_json(client, "/do/place", body)
    assert client.get(f"/original/{record.sha256}").content == next(
        path.read_bytes() for path in bag_of(bagged, FIRST).rglob(record.name)
    )
    app.state.board.worker.update_bags()
    assert record.name not in originals(bagged, FIRST)
    assert originals(bagged, SECOND)[record.name] == record.sha256
    assert SECOND in sidecar(bagged, SECOND, record.name)


def test_tags_reach_the_bag_in_the_background_at_the_latest_when_the_board_ends(bagged):
    record = bagged.catalog.photos.of_claim(FIRST)[3]
    app = make_app(bagged, background=True)
    client = client_of(app)
    with client:
        body = {
            "photos": {record.sha256: mark(client, FIRST, record.sha256)},
            "tags": {"face": "back", "component": "gutter"},
        }
        send_json(client, "/do/tag", body)
    assert stated_in_bag(bagged, FIRST, record.sha256) == {"face": "back", "component": "gutter"}
    assert "gutter" in sidecar(bagged, FIRST, record.name)
    assert bagged.catalog.keeping.dirty() == []


def test_a_shot_set_aside_on_the_board_is_in_the_bag_with_its_reason(bagged):
    app = make_app(bagged, background=False)
    client = client_of(app)
    page = client.get(f"/claim?number={FIRST}").text
    requirement = re.search(
        r'name="requirement" value="([^"]+)"><input type="hidden" name="at" value="([^"]*)"', page
    )
    form = {"token": client.token, "claim": FIRST, "requirement": requirement[1], "at": requirement[2]}
    client.post("/do/waive", data=form | {"why": "a wall shared with the next house"})
    app.state.board.worker.update_bags()
    records = (bag_of(bagged, FIRST) / "records" / "claim.json").read_text(encoding="utf-8")
    assert "a wall shared with the next house" in records


def test_a_bag_that_could_not_be_updated_is_reported_on_every_page_until_it_is(bagged, monkeypatch):
    monkeypatch.setattr(workspace_module, "LOCK_WAIT_S", 0)
    record = bagged.catalog.photos.of_claim(FIRST)[3]
    app = make_app(bagged, background=False)
    client, worker = client_of(app), app.state.board.worker
    send_json(
        client,
        "/do/tag",
        {"photos": {record.sha256: mark(client, FIRST, record.sha256)}, "tags": {"face": "back"}},
    )
    with Workspace(bagged.root, actor="another process") as other, other.locked():
        worker.update_bags()
        assert "Another command is working" in worker.last_error
        assert "The bags on disk are not up to date" in client.get("/").text
        assert stated_in_bag(bagged, FIRST, record.sha256) == {}
    worker.update_bags()
    assert worker.last_error == ""
    assert "not up to date" not in client.get("/").text
    assert stated_in_bag(bagged, FIRST, record.sha256) == {"face": "back"}


@pytest.mark.parametrize("clean", [True, False], ids=["no bag is behind", "a bag is behind"])
def test_bags_are_built_only_when_one_is_behind(bagged, clean):
    folder = bag_of(bagged, FIRST)
    before = (folder / "records" / "photos.json").stat().st_ino
    if not clean:
        bagged.catalog.keeping.mark_dirty([FIRST])
    BackgroundWorker(bagged).update_bags()
    assert ((bag_of(bagged, FIRST) / "records" / "photos.json").stat().st_ino == before) == clean


@pytest.mark.parametrize(
    ("duty", "path", "form"),
    [
        (Duty.REVIEWER, "/do/send-back", {"claim": FIRST, "note": "one more of the ridge"}),
        (Duty.OFFICE, "/do/desk/close", {"claim": FIRST, "on": "2026-05-20"}),
        (Duty.OFFICE, "/do/desk/hold", {"claim": FIRST, "reason": "a letter from counsel"}),
    ],
    ids=["sent back", "closed", "held"],
)
def test_no_page_waits_for_a_bag(bagged, duty, path, form):
    app = make_app(bagged, background=False)
    client = client_of(app, duty)
    before = {claim: tree_of(bag_of(bagged, claim)) for claim in (FIRST, SECOND)}
    seen = {"seen": bagged.catalog.claims.get(FIRST).version} if path == "/do/send-back" else {}
    assert client.post(path, data={"token": client.token, **form, **seen}).status_code == 303
    assert FIRST in bagged.catalog.keeping.dirty()
    assert {claim: tree_of(bag_of(bagged, claim)) for claim in (FIRST, SECOND)} == before
    app.state.board.worker.update_bags()
    assert bagged.catalog.keeping.dirty() == []
    assert tree_of(bag_of(bagged, FIRST)) != before[FIRST]


def test_an_answer_about_a_house_waits_for_no_bag(workspace):
    for number in ("BD-1", "BD-2"):
        put_claim(workspace, number, insured=f"Insured of {number}")
    photos = put_photos(workspace, "BD-1", 3, to_confirm=True)
    workspace.catalog.keeping.mark_dirty([ClaimId("BD-1")])
    file_away(workspace)
    app = make_app(workspace, background=False)
    client, folder = client_of(app), bag_of(workspace, ClaimId("BD-1"))
    before = tree_of(folder)
    page = client.get("/review?number=BD-1").text
    assert "Whose house are these 3 photos?" in page
    form = {"number": "BD-1", "do": "yes", "seen": re.search(r'name="seen" value="(\w+)"', page)[1]}
    answer = client.post("/do/answer", data={"token": client.token, "house": "BD-2", **form})
    assert answer.status_code == 303
    assert {one.claim for one in workspace.catalog.photos.records(photos)} == {"BD-2"}
    assert tree_of(folder) == before
    app.state.board.worker.update_bags()
    assert len(list((bag_of(workspace, ClaimId("BD-2")) / "data").rglob("*.JPG"))) == 3
