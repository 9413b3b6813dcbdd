"""Tiles of the full size over the web: who gets them, what they cost on disk, that a purge removes them; sound, film, notes."""

from __future__ import annotations

import io
import os
import struct
import threading

import pytest
from PIL import Image
from support_board import put_claim, put_files

from evidence.board.tiles import TileStore
from evidence.model import MediaKind
from evidence.sight.request import tiles_path


def jpeg(width=1600, height=1200, colour=(10, 120, 200)):
    data = io.BytesIO()
    Image.new("RGB", (width, height), colour).save(data, "JPEG", quality=95)
    return data.getvalue()


def wav():
    """A tenth of a second of silence (RIFF WAVE, 8 kHz, 16 bits)."""
    sound = bytes(1600)
    head = (
        b"RIFF"
        + struct.pack("<I", 36 + len(sound))
        + b"WAVEfmt "
        + struct.pack("<IHHIIHH", 16, 1, 1, 8000, 16000, 2, 16)
    )
    return head + b"data" + struct.pack("<I", len(sound)) + sound


pytestmark = pytest.mark.usefixtures("look_processes")


@pytest.fixture
def large(workspace):
    put_claim(workspace, "TL-1")
    return put_files(
        workspace,
        "TL-1",
        {"A0001.JPG": (MediaKind.PHOTO, jpeg()), "A0002.JPG": (MediaKind.PHOTO, b"no picture")},
    )


def test_tiles_are_made_on_request_and_kept(logged_in, workspace, large):
    client = logged_in()
    info = client.get(f"/tiles/{large[0]}").json()
    assert info == {"width": 1600, "height": 1200, "levels": [11], "message": ""}
    tile = client.get(f"/tile/{large[0]}/11/3_2.jpg")
    assert tile.headers["content-type"] == "image/jpeg"
    assert "private" in tile.headers["cache-control"]
    with Image.open(io.BytesIO(tile.content)) as opened:
        assert opened.size == (1600 - 3 * 512, 1200 - 2 * 512)
        assert opened.getpixel((5, 5)) == pytest.approx((10, 120, 200), abs=3)
    assert tiles_path(workspace.thumbs, large[0]).stat().st_mode & 0o077 == 0o040
    for path in (
        f"/tile/{large[0]}/11/4_0.jpg",
        f"/tile/{large[0]}/12/0_0.jpg",
        f"/tile/{'0' * 64}/1/0_0.jpg",
    ):
        assert client.get(path).status_code == 404


def test_a_file_that_is_no_picture_gives_a_message_once(logged_in, app, large):
    client = logged_in()
    assert "known kind" in client.get(f"/tiles/{large[1]}").json()["message"]
    app.state.board.tiles.close()
    assert "known kind" in client.get(f"/tiles/{large[1]}").json()["message"]


def test_nobody_gets_tiles_without_a_session(app, large):
    from fastapi.testclient import TestClient

    client = TestClient(app, base_url="http://127.0.0.1:8765", follow_redirects=False)
    for path in (f"/tiles/{large[0]}", f"/tile/{large[0]}/11/0_0.jpg", f"/play/{large[0]}"):
        assert client.get(path).status_code == 303


def test_the_tiles_on_disk_stay_within_the_setting(workspace, large, monkeypatch):
    shas = put_files(
        workspace, "TL-1", {f"B{n:04d}.JPG": (MediaKind.PHOTO, jpeg(colour=(n, 0, 0))) for n in range(4)}
    )
    store = TileStore(workspace)
    try:
        size = 0
        for n, sha in enumerate(shas):
            assert store.info(sha).width == 1600
            size = tiles_path(workspace.thumbs, sha).stat().st_size
            if n == 1:
                monkeypatch.setattr(store, "_most_bytes", int(2.5 * size))
                store.info(shas[0])  # looked at again: the other one is older now
        left = [sha for sha in shas if tiles_path(workspace.thumbs, sha).exists()]
        assert left == [shas[0], shas[3]] or left == [shas[2], shas[3]]
        assert sum(path.stat().st_size for path in workspace.thumbs.rglob("*_tiles.zip")) <= 2.5 * size
        assert not tiles_path(workspace.thumbs, shas[1]).exists()
    finally:
        store.close()


def test_a_damaged_file_of_tiles_is_made_again(workspace, large):
    store = TileStore(workspace)
    try:
        place = tiles_path(workspace.thumbs, large[0])
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(b"PK\x03\x04 half")
        assert store.info(large[0]).width == 1600
    finally:
        store.close()


def test_a_sound_plays_by_ranges_and_is_recorded_once(logged_in, workspace, large):
    shas = put_files(
        workspace,
        "TL-1",
        {"S0001.WAV": (MediaKind.SOUND, wav()), "S0002.WAV": (MediaKind.SOUND, b"<script>alert(1)</script>")},
    )
    client = logged_in()
    page = client.get(f"/photo/{shas[0]}").text
    assert f'<audio controls preload="metadata" src="/play/{shas[0]}">' in page
    part = client.get(f"/play/{shas[0]}", headers={"range": "bytes=0-3"})
    assert (part.status_code, part.content) == (206, b"RIFF")
    assert part.headers["content-type"] == "audio/wav"
    assert part.headers["x-content-type-options"] == "nosniff"
    assert part.headers["content-security-policy"] == "default-src 'none'; media-src 'self'; sandbox"
    client.get(f"/play/{shas[0]}", headers={"range": "bytes=4-"})
    played = [one for one in workspace.custody.entries() if one.action == "original_played"]
    assert [one.subject for one in played] == ["S0001.WAV"]
    assert client.get(f"/play/{shas[1]}").status_code == 404
    assert "<audio" not in client.get(f"/photo/{shas[1]}").text
    assert client.get(f"/play/{large[0]}").status_code == 404, "a photo is not played"


@pytest.mark.parametrize(
    ("head", "kind", "expected"),
    [
        (b"\x00\x00\x00\x18ftypmp42", MediaKind.VIDEO, "video/mp4"),
        (b"\x00\x00\x00\x14ftypqt  ", MediaKind.VIDEO, "video/mp4"),
        (b"\x00\x00\x00\x18ftypM4A ", MediaKind.SOUND, "audio/mp4"),
        (b"ID3\x04\x00", MediaKind.SOUND, "audio/mpeg"),
        (b"OggS\x00\x02", MediaKind.SOUND, "audio/ogg"),
        (b"\x1a\x45\xdf\xa3\x9f\x42\x86\x81\x01\x42\x82\x84webm", MediaKind.VIDEO, "video/webm"),
        (b"\x1a\x45\xdf\xa3\x9f\x42\x86\x81\x01\x42\x82\x88matroska", MediaKind.VIDEO, None),
        (b"<html>", MediaKind.VIDEO, None),
        (b"\x00\x00\x00\x18ftypmp42", MediaKind.OTHER, None),
    ],
)
def test_the_type_comes_from_the_content(workspace, tmp_path, head, kind, expected):
    from evidence.board.media import playable_type

    put_claim(workspace, "TL-2")
    sha = put_files(workspace, "TL-2", {"X0001.BIN": (kind, head)})[0]
    place = tmp_path / "x"
    place.write_bytes(head)
    assert playable_type(workspace.catalog.photos.records([sha])[0], place) == expected


@pytest.mark.parametrize(
    ("data", "shown"),
    [
        ("Dach nicht betreten: <b>naß</b>".encode(), "naß"),
        ("Dach naß".encode("utf-16"), "naß"),
        ("Dach naß".encode("cp1252"), "naß"),
        (b"\x00\x01\x02binary", None),
    ],
)
def test_a_text_note_is_shown_as_text(logged_in, workspace, data, shown):
    put_claim(workspace, "TL-3")
    sha = put_files(workspace, "TL-3", {"NOTE.TXT": (MediaKind.OTHER, data)})[0]
    page = logged_in().get(f"/photo/{sha}").text
    if shown is None:
        assert "text-note" not in page
        assert "cannot show it" in page
    else:
        assert shown in page.partition('<pre class="text-note"')[2].partition("</pre>")[0]
        assert "<b>" not in page.partition('<pre class="text-note"')[2].partition("</pre>")[0]


@pytest.mark.slow
def test_a_file_of_96_megapixels_is_cut_while_others_are_served(logged_in, app, workspace, large):
    pyvips = pytest.importorskip("pyvips")
    path = workspace.root / "large.jpg"
    pyvips.Image.black(12_000, 8_000, bands=3).draw_circle(
        [255, 40, 9], 6_000, 6_000, 900, fill=True
    ).jpegsave(str(path), Q=60)
    content = path.read_bytes()
    path.unlink()
    sha = put_files(workspace, "TL-1", {"Z0001.JPG": (MediaKind.PHOTO, content)})[0]
    client, answers = logged_in(), []
    cutting = threading.Thread(target=lambda: answers.append(client.get(f"/tiles/{sha}").json()))
    cutting.start()
    other = logged_in()
    served = 0
    while cutting.is_alive():
        assert other.get("/claim", params={"number": "TL-1"}).status_code == 200
        served += 1
        cutting.join(0.2)
    assert served >= 2
    assert answers[0]["message"] == ""
    assert (answers[0]["width"], answers[0]["height"]) == (12_000, 8_000)
    tile = client.get(f"/tile/{sha}/14/11_11.jpg")
    with Image.open(io.BytesIO(tile.content)) as opened:
        assert opened.getpixel((300, 300)) == pytest.approx((255, 40, 9), abs=6)


@pytest.mark.skipif(not hasattr(os, "kill"), reason="ends a process by its number")
def test_a_file_that_ends_the_process_that_decodes_it_leaves_the_board_running(logged_in, app, large):
    store = app.state.board.tiles
    client = logged_in()
    client.get(f"/tiles/{large[1]}")  # starts the process
    for process in list(store._process._pool._processes.values()):
        process.kill()
    assert "cannot be shown" in client.get(f"/tiles/{large[0]}").json()["message"]
    store._failed.clear()
    assert client.get(f"/tiles/{large[0]}").json()["width"] == 1600, "the next request starts a new process"


def test_beyond_the_most_waiting_a_request_is_told_to_come_again(logged_in, app, large, monkeypatch):
    store = app.state.board.tiles
    for _ in range(8):
        assert store._places.acquire(blocking=False)
    answer = logged_in().get(f"/tiles/{large[0]}")
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "2")
    for _ in range(8):
        store._places.release()
    assert logged_in().get(f"/tiles/{large[0]}").json()["width"] == 1600
