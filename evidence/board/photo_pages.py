"""A claim's photos as tiles, one photo at full attention, two side by side, and the small pictures themselves."""

from __future__ import annotations

import mimetypes
from collections.abc import Iterator
from typing import Annotated, Any

from fastapi import APIRouter, Depends, HTTPException, Path
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse, Response

from evidence.analysis import coverage as covering
from evidence.board import shown
from evidence.board.claim_pages import Looking, Opened, opened
from evidence.board.pictures import SIDES
from evidence.board.rights import Right
from evidence.board.shown import Filter
from evidence.board.state import DIGEST_PATTERN, Visitor, known_digest, looks
from evidence.coverage.doubles import distance
from evidence.coverage.flags import distance_m
from evidence.coverage.shots import ShotList
from evidence.filing import bags as filing
from evidence.lookup import UNASSIGNED
from evidence.model import Facet, PhotoRecord, Sha256

router = APIRouter()

Digest = Annotated[str, Path(pattern=DIGEST_PATTERN)]
NEIGHBOURS = 4
"""Photos shown on either side of the one that is looked at."""
MOST_HISTORY = 60
"""Entries of the custody log about one photo, the newest ones."""


@router.get("/photos")
def photos_page(
    me: Looking,
    number: str,
    need: str = "",
    at: str = "",
    face: str = "",
    role: str = "",
    component: str = "",
    condition: str = "",
    show: str = "",
) -> HTMLResponse:
    """The claim's photos, or those that a filter lets through, to look over and tag."""
    this = opened(me, number)
    wish = Filter(need=need, at=at, face=face, role=role, component=component, condition=condition, show=show)
    item = shown.found_item(this.report, need, at) if this.report and need else None
    flagged = shown.flags_by_photo(this.report) if this.report else {}
    vocabulary = me.workspace.vocabulary
    records = shown.wanted(this.records, wish, item=item, flagged=flagged, vocabulary=vocabulary)
    return me.page(
        "photos.html",
        this=this,
        tab="photos",
        tiles=[shown.tile_of(record, vocabulary, flagged.get(record.sha256, ())) for record in records],
        wish=wish,
        item=item,
        shows=shown.SHOW_WORDS,
        words={
            facet.value: [(word.id, word.words) for word in vocabulary.words if word.facet is facet]
            for facet in Facet
        },
        present={
            facet.value: sorted({v.value for r in this.records for f, v in r.tags.items() if f is facet})
            for facet in Facet
        },
        choices=shown.choices(vocabulary, _shots(me, this)),
        last=_my_last(me, this),
        claims=_claims_near(me, this),
    )


def _shots(me: Visitor, this: Opened) -> ShotList | None:
    return (
        covering.shot_list(me.workspace, covering.list_for(me.workspace, this.row.claim))
        if this.row
        else None
    )


def _my_last(me: Visitor, this: Opened) -> int | None:
    """The number of this person's latest tagging in the claim, for one press of undo."""
    mine = [
        one
        for one in me.workspace.catalog.claims.decisions(kinds=("tag",), claim=this.claim)
        if one.actor == me.name
    ]
    return mine[-1].number if mine and this.claim else None


def _claims_near(me: Visitor, this: Opened) -> list[tuple[str, str]]:
    """Claims that photos of this one may rather belong to: those of the same days."""
    known = {row.claim.claim: row.claim.insured for row in me.workspace.catalog.claims.all()}
    near = {row.claim for row in me.workspace.catalog.photos.segments_of(this.claim) if row.claim}
    return [(claim, known.get(claim, "")) for claim in sorted(near - {this.claim})]


# --- one photo ---------------------------------------------------------------------------


@router.get("/photo/{sha}")
def photo_page(me: Looking, sha: Digest) -> HTMLResponse:
    """One photo: large, with what is said and guessed of it, its data, its history, its neighbours."""
    this, record = _photo(me, sha)
    place = next(n for n, one in enumerate(this.records) if one.sha256 == sha)
    flags = shown.flags_by_photo(this.report).get(record.sha256, []) if this.report else list(record.flags)
    near = this.records[max(0, place - NEIGHBOURS) : place + NEIGHBOURS + 1]
    vocabulary = me.workspace.vocabulary
    return me.page(
        "photo.html",
        this=this,
        tab="photo",
        photo=record,
        tile=shown.tile_of(record, vocabulary, flags),
        facts=list(_facts(me, record)),
        seen=list(_seen(record)),
        words_said=[
            (
                facet.value,
                value,
                shown.plain(vocabulary, facet, value.value),
                shown.SOURCE_WORDS[value.source],
            )
            for facet in shown.FACET_ORDER
            if (value := record.tags.get(facet))
        ],
        history=list(me.workspace.custody.about(record.sha256, record.intake))[-MOST_HISTORY:][::-1],
        near=[shown.tile_of(one, vocabulary) for one in near],
        before=this.records[place - 1].sha256 if place else None,
        after=this.records[place + 1].sha256 if place + 1 < len(this.records) else None,
        choices=shown.choices(vocabulary, _shots(me, this)),
        words={
            facet.value: [(word.id, word.words) for word in vocabulary.words if word.facet is facet]
            for facet in Facet
        },
        last=_my_last(me, this),
        claims=_claims_near(me, this),
    )


def _photo(me: Visitor, sha: str) -> tuple[Opened, PhotoRecord]:
    digest = known_digest(me, sha)
    if digest is None:
        raise HTTPException(404)
    record = me.workspace.catalog.photos.records([digest])[0]
    this = opened(me, record.claim or UNASSIGNED)
    found = next((one for one in this.records if one.sha256 == digest), None)
    if found is None:
        raise HTTPException(404)
    return this, found


def _facts(me: Visitor, record: PhotoRecord) -> Iterator[tuple[str, str]]:
    """What the camera says, in words; what it does not say is left out."""
    facts = record.facts
    if facts.taken_text:
        offset = facts.offset_minutes
        zone = "" if offset is None else f" (UTC{offset / 60:+g})"
        yield "Camera's clock", f"{facts.taken_text}{zone}"
    if record.corrected:
        yield (
            "Time on the job",
            f"{shown.day_words(record.corrected.isoformat())}, {record.corrected:%H:%M:%S}",
        )
    if record.correction:
        yield "Why it differs", record.correction
    if facts.gps:
        yield "Position", f"{facts.gps.lat:.5f}, {facts.gps.lon:.5f}"
        row = me.workspace.catalog.claims.get(record.claim) if record.claim else None
        if row and row.claim.place:
            yield "From the loss address", f"{distance_m(facts.gps, row.claim.place):.0f} m"
    if facts.direction is not None:
        north = {True: " true", False: " magnetic", None: ""}[facts.direction_is_true]
        yield "Looking toward", f"{facts.direction:.0f} degrees{north}"
    if camera := " ".join(filter(None, [facts.make, facts.model])):
        yield "Camera", camera
    if facts.serial:
        yield "Serial number", facts.serial
    if facts.software:
        yield "Written by", facts.software
    if facts.width and facts.height:
        yield "Pixels", f"{facts.width} x {facts.height}"
    yield "On the card", record.card_path
    yield "SHA-256", record.sha256


def _seen(record: PhotoRecord) -> Iterator[tuple[str, str]]:
    """What the look at the pixels found."""
    look = record.look
    for divider in look.dividers:
        yield "Claim sheet", divider.claim
    for label in look.labels:
        yield "Label card", f"number {label.number}"
    if look.writing:
        yield "Writing read", " / ".join(line.text for line in look.writing[:12])
    if look.chalk and look.chalk.marks is not None:
        yield "Chalk marks counted", str(look.chalk.marks)
    if look.quality:
        yield "Sharpness", f"{look.quality.sharpness:.0f}"
        yield "Brightness", f"{look.quality.brightness:.0%}"


# --- two photos --------------------------------------------------------------------------


@router.get("/compare")
def compare_page(me: Looking, one: str, other: str) -> HTMLResponse:
    """Two photos side by side, with what differs in their data."""
    pair = []
    for sha in (one, other):
        if len(sha) != 64 or known_digest(me, sha) is None:
            raise HTTPException(404)
        pair.append(me.workspace.catalog.photos.records([Sha256(sha)])[0])
    left, right = pair
    lines = [
        (name, first, second, first != second)
        for name, first, second in _both(dict(_facts(me, left)), dict(_facts(me, right)))
    ]
    vocabulary = me.workspace.vocabulary
    return me.page(
        "compare.html",
        left=left,
        right=right,
        pills=[shown.pills_of(record, vocabulary) for record in pair],
        lines=lines,
        bits=distance(left.look.phash, right.look.phash),
        apart=_apart(left, right),
        number=left.claim or UNASSIGNED,
    )


def _both(one: dict[str, str], other: dict[str, str]) -> Iterator[tuple[str, str, str]]:
    for name in dict.fromkeys([*one, *other]):
        yield name, one.get(name, "not said"), other.get(name, "not said")


def _apart(left: PhotoRecord, right: PhotoRecord) -> str:
    if not left.corrected or not right.corrected:
        return "at least one has no time"
    seconds = abs((left.corrected - right.corrected).total_seconds())
    if seconds < 120:
        return f"{seconds:.0f} seconds apart"
    return f"{seconds / 60:.0f} minutes apart" if seconds < 7200 else f"{seconds / 3600:.0f} hours apart"


# --- pictures ----------------------------------------------------------------------------


@router.get("/thumb/{sha}/{side}")
def thumb(me: Looking, sha: Digest, side: int) -> Response:
    """A small upright picture; a drawing that says so where there is none."""
    if side not in SIDES:
        raise HTTPException(404)
    digest = known_digest(me, sha)
    if digest is None:
        raise HTTPException(404)
    place = me.board.pictures.small(digest, side)
    if place is None:
        return RedirectResponse("/static/nopicture.svg", status_code=303)
    return FileResponse(
        place, media_type="image/jpeg", headers={"cache-control": "private, max-age=31536000, immutable"}
    )


@router.get("/original/{sha}")
def original(me: Annotated[Visitor, Depends(looks(Right.ORIGINAL))], sha: Digest) -> Response:
    """A copy of the original, byte for byte, to keep: never shown in a page."""
    digest = known_digest(me, sha)
    if digest is None:
        raise HTTPException(404)
    record: Any = me.workspace.catalog.photos.records([digest])[0]
    place = filing.require_original(me.workspace, digest)
    me.workspace.record("original_taken_out", record.name, photos=[digest])
    kind = mimetypes.guess_type(record.name)[0] or ""
    media = kind if kind.startswith(("image/", "video/", "audio/")) and "svg" not in kind else ""
    return FileResponse(place, media_type=media or "application/octet-stream", filename=record.name)
