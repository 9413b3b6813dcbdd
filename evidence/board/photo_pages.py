"""The pages of photos: all of a claim as tiles, one photo, and up to four side by side."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException, Path, Query
from fastapi.responses import HTMLResponse
from pydantic import StringConstraints

from evidence.analysis import coverage as covering
from evidence.board import view_models
from evidence.board.claim_pages import AnyUser, OpenedClaim, open_claim, queue_of
from evidence.board.context import DIGEST_PATTERN, CurrentUser, find_photo, local_path
from evidence.board.media import note_text, playable_type
from evidence.board.photo_filter import SHOW_WORDS, PhotoFilter, filtered
from evidence.catalog.decisions import Tag
from evidence.coverage.doubles import distance
from evidence.coverage.flags import distance_m
from evidence.coverage.report import Item
from evidence.coverage.shots import ShotList
from evidence.filing.originals import find_original, out_of_reach
from evidence.lookup import UNASSIGNED
from evidence.model import Facet, PhotoRecord, Sha256

router = APIRouter()

Digest = Annotated[str, Path(pattern=DIGEST_PATTERN)]
QueryDigest = Annotated[str, StringConstraints(pattern=DIGEST_PATTERN)]
NEIGHBOURS = 4
"""Photos shown on either side of the open one."""
MAX_HISTORY = 60
"""Most entries of the custody log about one photo, the newest first."""


def photo_filter(
    need: str = "",
    at: str = "",
    face: str = "",
    role: str = "",
    component: str = "",
    condition: str = "",
    show: str = "",
) -> PhotoFilter:
    """The filter of an address; it stays while photos are opened one after the other."""
    return PhotoFilter(
        need=need, at=at, face=face, role=role, component=component, condition=condition, show=show
    )


ChosenFilter = Annotated[PhotoFilter, Depends(photo_filter)]


def _matching(user: CurrentUser, view: OpenedClaim, chosen: PhotoFilter) -> list[PhotoRecord]:
    return filtered(
        view.records,
        chosen,
        item=_item(view, chosen),
        flagged=view_models.flags_by_photo(view.report) if view.report else {},
        vocabulary=user.workspace.vocabulary,
    )


def _item(view: OpenedClaim, chosen: PhotoFilter) -> Item | None:
    return view_models.find_item(view.report, chosen.need, chosen.at) if view.report and chosen.need else None


@router.get("/photos")
def photos_page(user: AnyUser, number: str, chosen: ChosenFilter) -> HTMLResponse:
    """The claim's photos, all or filtered, to look at and tag."""
    view = open_claim(user, number)
    flagged = view_models.flags_by_photo(view.report) if view.report else {}
    vocabulary = user.workspace.vocabulary
    records = _matching(user, view, chosen)
    return user.render(
        "photos.html",
        view=view,
        tab="photos",
        tiles=[view_models.tile_of(record, vocabulary, flagged.get(record.sha256, ())) for record in records],
        photo_filter=chosen,
        item=_item(view, chosen),
        queue=queue_of(user, view.number),
        shows=SHOW_WORDS,
        words={
            facet.value: [(word.id, word.words) for word in vocabulary.words if word.facet is facet]
            for facet in Facet
        },
        present={
            facet.value: sorted({v.value for r in view.records for f, v in r.tags.items() if f is facet})
            for facet in Facet
        },
        choices=view_models.tag_choices(vocabulary, _shots(user, view)),
        last=_my_last(user, view),
        claims=_claims_near(user, view),
    )


def _shots(user: CurrentUser, view: OpenedClaim) -> ShotList | None:
    return (
        covering.shot_list(user.workspace, covering.list_for(user.workspace, view.row.claim))
        if view.row
        else None
    )


def _my_last(user: CurrentUser, view: OpenedClaim) -> int | None:
    """The number of this person's latest tag decision in the claim, for the undo key."""
    mine = [
        one
        for one in user.workspace.catalog.claims.decisions(Tag, claim=view.claim)
        if one.actor == user.name
    ]
    return mine[-1].number if mine and view.claim else None


def _claims_near(user: CurrentUser, view: OpenedClaim) -> list[tuple[str, str]]:
    """Other claims with photos on the same days: a wrong photo most likely belongs to one of them."""
    near = {row.claim for row in user.workspace.catalog.photos.segments_of(view.claim) if row.claim}
    known = user.workspace.catalog.claims.of(near - {view.claim})
    return [
        (claim, known[claim].claim.insured if claim in known else "") for claim in sorted(near - {view.claim})
    ]


# --- one photo ---------------------------------------------------------------------------


@router.get("/photo/{sha}")
def photo_page(user: AnyUser, sha: Digest, chosen: ChosenFilter) -> HTMLResponse:
    """One photo: large, with its tags, camera data, history and neighbours."""
    view, record = _photo(user, sha)
    around = {one.sha256 for one in _matching(user, view, chosen)} | {record.sha256}
    records = [one for one in view.records if one.sha256 in around]
    place = next(n for n, one in enumerate(records) if one.sha256 == sha)
    flags = (
        view_models.flags_by_photo(view.report).get(record.sha256, []) if view.report else list(record.flags)
    )
    near = records[max(0, place - NEIGHBOURS) : place + NEIGHBOURS + 1]
    vocabulary = user.workspace.vocabulary
    return user.render(
        "photo.html",
        view=view,
        tab="photo",
        photo=record,
        tile=view_models.tile_of(record, vocabulary, flags),
        playable=_playable(user, record),
        at_station=out_of_reach(user.workspace, record.sha256),
        note=note_text(user, record),
        facts=list(camera_rows(user, record)),
        seen=list(_analysis_rows(record)),
        tag_rows=[
            (
                facet.value,
                value,
                view_models.value_words(vocabulary, facet, value.value),
                view_models.SOURCE_WORDS[value.source],
            )
            for facet in view_models.FACET_ORDER
            if (value := record.tags.get(facet))
        ],
        history=list(islice(user.workspace.custody.newest(record.sha256, record.intake), MAX_HISTORY)),
        near=[view_models.tile_of(one, vocabulary) for one in near],
        before=records[place - 1].sha256 if place else None,
        after=records[place + 1].sha256 if place + 1 < len(records) else None,
        place=place + 1,
        many=len(records),
        photo_filter=chosen,
        queue=queue_of(user, view.number),
        choices=view_models.tag_choices(vocabulary, _shots(user, view)),
        words={
            facet.value: [(word.id, word.words) for word in vocabulary.words if word.facet is facet]
            for facet in Facet
        },
        last=_my_last(user, view),
        claims=_claims_near(user, view),
    )


def _playable(user: CurrentUser, record: PhotoRecord) -> str | None:
    place = find_original(user.workspace, record.sha256) if user.can("ORIGINAL") else None
    return playable_type(record, place) if place else None


def _photo(user: CurrentUser, sha: str) -> tuple[OpenedClaim, PhotoRecord]:
    digest = find_photo(user, sha)
    if digest is None:
        raise HTTPException(404)
    record = user.workspace.catalog.photos.records([digest])[0]
    view = open_claim(user, record.claim or UNASSIGNED)
    found = next((one for one in view.records if one.sha256 == digest), None)
    if found is None:
        raise HTTPException(404)
    return view, found


def camera_rows(user: CurrentUser, record: PhotoRecord) -> Iterator[tuple[str, str]]:
    """What the camera recorded, in words; without what it did not record."""
    facts = record.facts
    if facts.taken_text:
        offset = facts.offset_minutes
        zone = "" if offset is None else f" (UTC{offset / 60:+g})"
        yield "Camera clock", f"{facts.taken_text}{zone}"
    if record.corrected:
        yield (
            "Corrected time",
            f"{view_models.day_words(record.corrected.isoformat())}, {record.corrected:%H:%M:%S}",
        )
    if record.correction:
        yield "Why corrected", record.correction
    if facts.gps:
        yield "Position", f"{facts.gps.lat:.5f}, {facts.gps.lon:.5f}"
        row = user.workspace.catalog.claims.get(record.claim) if record.claim else None
        if row and row.claim.place:
            yield "Distance from the loss address", f"{distance_m(facts.gps, row.claim.place):.0f} m"
    if facts.direction is not None:
        north = {True: " true", False: " magnetic", None: ""}[facts.direction_is_true]
        yield "Direction of view", f"{facts.direction:.0f} degrees{north}"
    if camera := " ".join(filter(None, [facts.make, facts.model])):
        yield "Camera", camera
    if facts.serial:
        yield "Serial number", facts.serial
    if facts.software:
        yield "Software", facts.software
    if facts.width and facts.height:
        yield "Pixels", f"{facts.width} x {facts.height}"
    yield "On the card", record.card_path
    yield "SHA-256", record.sha256


def _analysis_rows(record: PhotoRecord) -> Iterator[tuple[str, str]]:
    """What the analysis of the pixels found."""
    look = record.look
    for divider in look.dividers:
        yield "Divider sheet", divider.claim
    for label in look.labels:
        yield "Label card", f"number {label.number}"
    if look.writing:
        yield "Writing", " / ".join(line.text for line in look.writing[:12])
    if look.chalk and look.chalk.marks is not None:
        where = "Chalk marks" if look.chalk.rings is None else "Chalk rings without a square"
        yield where, str(look.chalk.marks)
    if look.quality:
        yield "Sharpness", f"{look.quality.sharpness:.0f}"
        yield "Brightness", f"{look.quality.brightness:.0%}"


# --- two photos --------------------------------------------------------------------------


@router.get("/compare")
def compare_page(user: AnyUser, one: str, other: str) -> HTMLResponse:
    """Two photos side by side, with the differences in their data."""
    pair = []
    for sha in (one, other):
        if len(sha) != 64 or find_photo(user, sha) is None:
            raise HTTPException(404)
        pair.append(user.workspace.catalog.photos.records([Sha256(sha)])[0])
    left, right = pair
    lines = [
        (name, first, second, first != second)
        for name, first, second in in_both(dict(camera_rows(user, left)), dict(camera_rows(user, right)))
    ]
    vocabulary = user.workspace.vocabulary
    return user.render(
        "compare.html",
        left=left,
        right=right,
        pills=[view_models.pills_of(record, vocabulary) for record in pair],
        lines=lines,
        bits=distance(left.look.phash, right.look.phash),
        apart=_apart(left, right),
        number=left.claim or UNASSIGNED,
    )


@router.get("/side-by-side")
def side_by_side_page(
    user: AnyUser, photo: Annotated[list[QueryDigest], Query(min_length=2, max_length=4)], back: str = "/"
) -> HTMLResponse:
    """Two to four photos, which are magnified together."""
    digests = [Sha256(sha) for sha in dict.fromkeys(photo)]
    by_digest = {record.sha256: record for record in user.workspace.catalog.photos.records(digests)}
    records = [by_digest[sha] for sha in digests if sha in by_digest]
    if len(records) < 2:
        raise HTTPException(404)
    vocabulary = user.workspace.vocabulary
    return user.render(
        "side_by_side.html",
        photos=[(record, view_models.tile_of(record, vocabulary)) for record in records],
        back=local_path(back),
    )


def in_both(one: dict[str, str], other: dict[str, str]) -> Iterator[tuple[str, str, str]]:
    """Each line of either, with the value in both."""
    for name in dict.fromkeys([*one, *other]):
        yield name, one.get(name, "not recorded"), other.get(name, "not recorded")


def _apart(left: PhotoRecord, right: PhotoRecord) -> str:
    if not left.corrected or not right.corrected:
        return "at least one of them has no time"
    seconds = abs((left.corrected - right.corrected).total_seconds())
    if seconds < 120:
        return f"{seconds:.0f} seconds apart"
    return f"{seconds / 60:.0f} minutes apart" if seconds < 7200 else f"{seconds / 3600:.0f} hours apart"
