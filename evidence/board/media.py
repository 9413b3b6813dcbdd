"""The files that pages show or play: thumbnails, tiles of the full size, sound and film; and the download."""

from __future__ import annotations

import contextlib
import mimetypes
from pathlib import Path as FilePath
from typing import Annotated, Any

from fastapi import APIRouter, Depends, HTTPException, Path
from fastapi.responses import FileResponse, JSONResponse, RedirectResponse, Response

from evidence.archive.custody_texts import FreeText
from evidence.board.claim_pages import AnyUser
from evidence.board.context import DIGEST_PATTERN, CurrentUser, find_photo, require
from evidence.board.permissions import Permission
from evidence.board.thumbnails import SIDES
from evidence.board.tiles import BusyError
from evidence.filing.originals import find_original, require_original
from evidence.model import MediaKind, PhotoRecord, Sha256

router = APIRouter()

Digest = Annotated[str, Path(pattern=DIGEST_PATTERN)]
Taker = Annotated[CurrentUser, Depends(require(Permission.ORIGINAL))]
_KEPT = {"cache-control": "private, max-age=31536000, immutable"}
NOTE_BYTES = 64 * 1024
"""Most bytes of a text note that a page shows."""
PLAY_POLICY = "default-src 'none'; media-src 'self'; sandbox"
"""Content policy of a sound or film that is opened on its own: it runs nothing."""


@router.get("/thumb/{sha}/{side}")
def thumb(user: AnyUser, sha: Digest, side: int) -> Response:
    """A thumbnail; a drawing that says 'no picture' where there is none."""
    if side not in SIDES:
        raise HTTPException(404)
    place = user.board.thumbnails.path(_known(user, sha), side)
    if place is None:
        return RedirectResponse("/static/no-picture.svg", status_code=303)
    return FileResponse(place, media_type="image/jpeg", headers=_KEPT)


@router.get("/tiles/{sha}")
def tiles(user: AnyUser, sha: Digest) -> JSONResponse:
    """Size and levels of a photo's tiles, made now if needed; a message when it has none."""
    digest = _known(user, sha)
    try:
        found = user.board.tiles.info(digest)
    except BusyError:
        return JSONResponse(
            {"message": "Other photos are being prepared."}, 503, headers={"retry-after": "2"}
        )
    return JSONResponse(
        {"width": found.width, "height": found.height, "levels": found.levels, "message": found.message}
    )


@router.get("/tile/{sha}/{level}/{column}_{row}.jpg")
def tile(
    user: AnyUser,
    sha: Digest,
    level: Annotated[int, Path(ge=0, le=30)],
    column: Annotated[int, Path(ge=0, le=10_000)],
    row: Annotated[int, Path(ge=0, le=10_000)],
) -> Response:
    """One tile of the original's own pixels, upright, without its metadata."""
    data = user.board.tiles.tile(_known(user, sha), level, column, row)
    if data is None:
        raise HTTPException(404)
    return Response(data, media_type="image/jpeg", headers=_KEPT)


@router.get("/play/{sha}")
def play(user: Taker, sha: Digest) -> Response:
    """A sound or film, for the player of a page; the custody log records the first time in each session."""
    digest = _known(user, sha)
    record = user.workspace.catalog.photos.records([digest])[0]
    place = require_original(user.workspace, digest)
    kind = playable_type(record, place)
    if kind is None:
        raise HTTPException(404)
    if digest not in user.session.played:
        user.workspace.record("original_played", FreeText(record.name), photos=[digest])
        user.session.played.add(digest)
    return FileResponse(
        place,
        media_type=kind,
        filename=record.name,
        content_disposition_type="inline",
        headers={"content-security-policy": PLAY_POLICY},
    )


@router.get("/original/{sha}")
def original(user: Taker, sha: Digest) -> Response:
    """Download the original, byte for byte; no page shows it. The custody log records the download."""
    digest = _known(user, sha)
    record: Any = user.workspace.catalog.photos.records([digest])[0]
    place = require_original(user.workspace, digest)
    user.workspace.record("original_taken_out", FreeText(record.name), photos=[digest])
    kind = mimetypes.guess_type(record.name)[0] or ""
    media = kind if kind.startswith(("image/", "video/", "audio/")) and "svg" not in kind else ""
    return FileResponse(place, media_type=media or "application/octet-stream", filename=record.name)


def _known(user: CurrentUser, sha: str) -> Sha256:
    digest = find_photo(user, sha)
    if digest is None:
        raise HTTPException(404)
    return digest


# --- what a browser may play ---------------------------------------------------------------


def playable_type(record: PhotoRecord, place: FilePath) -> str | None:
    """The media type of a sound or film, from its first bytes; None for a kind that browsers do not play.

    Signatures: MIME Sniffing Standard (WHATWG), section 6.2; in an ISO media file the brand `qt` is QuickTime.
    """
    if record.kind not in (MediaKind.SOUND, MediaKind.VIDEO):
        return None
    try:
        with place.open("rb") as file:
            head = file.read(64)
    except OSError:
        return None
    found = _type_of(head)
    if found in ("video/mp4", "application/ogg", "video/webm") and record.kind is MediaKind.SOUND:
        return f"audio/{found.partition('/')[2]}"
    return "video/ogg" if found == "application/ogg" else found


def _type_of(head: bytes) -> str | None:
    if head[:4] == b"RIFF" and head[8:12] == b"WAVE":
        return "audio/wav"
    if head[:3] == b"ID3" or (head[:1] == b"\xff" and head[1:2] in (b"\xfb", b"\xfa", b"\xf3", b"\xf2")):
        return "audio/mpeg"
    if head[:5] == b"OggS\x00":
        return "application/ogg"
    if head[4:8] == b"ftyp":
        return "video/mp4"  # a browser that plays QuickTime's films plays them under this name, too
    if head[:4] == b"\x1a\x45\xdf\xa3" and b"webm" in head:
        return "video/webm"
    return None


def note_text(user: CurrentUser, record: PhotoRecord) -> str | None:
    """The beginning of a text file, to show as text; None for a file of another kind."""
    place = find_original(user.workspace, record.sha256) if record.kind is MediaKind.OTHER else None
    if place is None:
        return None
    try:
        with place.open("rb") as file:
            data = file.read(NOTE_BYTES + 4)
    except OSError:
        return None
    text = _decoded(data)
    if text is None or any(not (one.isprintable() or one in "\t\r\n\f\ufeff") for one in text[:NOTE_BYTES]):
        return None
    shown = text.lstrip("\ufeff")[:NOTE_BYTES]
    return (
        shown if len(data) <= NOTE_BYTES else f"{shown}\n(The file is longer. Download it to read the rest.)"
    )


def _decoded(data: bytes) -> str | None:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data[: len(data) & ~1].decode("utf-16", "replace")
    cut = 3 if len(data) > NOTE_BYTES else 0  # the cut may fall inside a character
    for encoding in ("utf-8", "cp1252"):
        for end in range(len(data), len(data) - cut - 1, -1):
            with contextlib.suppress(UnicodeDecodeError):
                return data[:end].decode(encoding)
    return None
