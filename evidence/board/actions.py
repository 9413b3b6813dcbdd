"""Requests that change a photo or a claim: tags, houses, waivers, captions, sign-off, sending back, undo."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Form
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field

from evidence.board import view_models
from evidence.board.context import CurrentUser, find_photo, redirect_local, require_post
from evidence.board.permissions import Permission
from evidence.catalog.decisions import Tag
from evidence.errors import BadInputError, EvidenceError, counted
from evidence.lookup import UNASSIGNED, known_claim
from evidence.model import ClaimId, Facet, Sha256
from evidence.plain_words import guess_percent
from evidence.review import captions, placing, signing, waivers
from evidence.review import undo as undoing
from evidence.review.staleness import ChangedError, require_marks
from evidence.review.tagging import known_word, tag_seen, would_state
from evidence.workspace import Workspace

router = APIRouter()

Text = Annotated[str, Form(max_length=signing.MOST_NOTE + 500)]
Short = Annotated[str, Form(max_length=300)]
Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Mark = Annotated[str, Field(pattern=r"^[0-9a-f]{12}$")]
MAX_PHOTOS = 2000
"""Most photos in one request; a claim has a few hundred."""


class _Request(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


Seen = Annotated[dict[Digest, Mark], Field(min_length=1, max_length=MAX_PHOTOS)]


class TagRequest(_Request):
    """Photos with the marks that the page showed, and the facets to state."""

    photos: Seen
    tags: dict[Facet, Annotated[str, Field(max_length=60)] | None] = Field(default_factory=dict)
    """None removes what a person stated."""
    each: dict[Digest, dict[Facet, Annotated[str, Field(max_length=60)]]] = Field(default_factory=dict)
    """Instead of `tags`: what to state of each photo, as `/do/would-confirm` returned and the page showed it."""


class WouldConfirmRequest(_Request):
    """Photos whose guesses somebody wants to confirm."""

    photos: Annotated[list[Digest], Field(min_length=1, max_length=MAX_PHOTOS)]


class PlaceRequest(_Request):
    """Photos with the marks that the page showed, and the claim to move them to."""

    photos: Seen
    claim: Annotated[str, Field(max_length=200)]


class UndoRequest(_Request):
    """The number of a correction to undo."""

    number: int


# --- from scripts ------------------------------------------------------------------------


@router.post("/do/tag")
def tag(user: Annotated[CurrentUser, Depends(require_post(Permission.TAG))], body: TagRequest) -> Response:
    """State facets of photos: the same of all, or those of each. Returns the tiles that changed."""
    workspace = user.workspace
    marks = {Sha256(sha): mark for sha, mark in body.photos.items()}
    records = workspace.catalog.photos.records(list(marks))
    stated: dict[Sha256, dict[Facet, str | None]]
    if body.each:
        stated = {
            Sha256(sha): {facet: known_word(workspace, facet, value) for facet, value in facets.items()}
            for sha, facets in body.each.items()
            if facets
        }
    else:
        said = {
            facet: None if value is None else known_word(workspace, facet, value)
            for facet, value in body.tags.items()
        }
        stated = {sha: dict(said) for sha in marks} if said else {}
    if not stated:
        raise BadInputError("No tag selected.", "Choose a tag, or photos with a guess that may be confirmed.")
    claims = {record.claim for record in records}
    before = _tiles_of(workspace, claims)
    try:
        number, _ = tag_seen(workspace, stated, seen=marks)
    except ChangedError as error:
        changed = {change.subject: change.message for change in error.changes}
        now = workspace.catalog.photos.records([Sha256(sha) for sha in changed])
        return JSONResponse(
            {
                "message": error.message,
                "hint": error.hint,
                "changed": changed,
                "tiles": [
                    view_models.tile_data(view_models.tile_of(one, workspace.vocabulary)) for one in now
                ],
            },
            409,
        )
    user.board.worker.wake()
    return JSONResponse({"undo": number, "tiles": _changed_tiles(workspace, claims, before)})


@router.post("/do/would-confirm")
def would_confirm(
    user: Annotated[CurrentUser, Depends(require_post(Permission.TAG))], body: WouldConfirmRequest
) -> Response:
    """What confirming the guesses of these photos would state, and how many it leaves. Nothing changes.

    Of several photos only guesses of at least the setting `confirm_level` are stated; of one, all that are shown.
    Damage and hits that were guessed from the picture are never among them.
    """
    workspace = user.workspace
    records = workspace.catalog.photos.records([Sha256(sha) for sha in body.photos])
    shows = workspace.vocabulary.guess.shows
    level = shows if len(records) == 1 else workspace.settings.review.confirm_level
    plan = would_state(records, level=level)
    seen = [value for one in plan for value in one.parts.under_level.values() if value.confidence >= shows]
    return JSONResponse(
        {
            "each": {one.record.sha256: one.stated for one in plan if one.stated},
            "shown": [
                {
                    "sha": one.record.sha256,
                    "name": one.record.name,
                    "values": [
                        f"{view_models.value_words(workspace.vocabulary, facet, value.value)}, "
                        f"guess {view_models.with_percent(guess_percent(value.confidence))}"
                        for facet, value in one.parts.states.items()
                    ],
                }
                for one in plan
                if one.stated
            ],
            "level": view_models.percent(level),
            "left_weak": len(seen),
            "left_damage": sum(len(one.parts.unseen_damage) for one in plan),
        }
    )


def _tiles_of(workspace: Workspace, claims: set[ClaimId | None]) -> dict[Sha256, dict[str, object]]:
    """The tiles of all photos of these claims."""
    return {
        record.sha256: view_models.tile_data(view_models.tile_of(record, workspace.vocabulary))
        for claim in claims
        for record in workspace.catalog.photos.of_claim(claim)
    }


def _changed_tiles(
    workspace: Workspace, claims: set[ClaimId | None], before: dict[Sha256, dict[str, object]]
) -> list[dict[str, object]]:
    after = _tiles_of(workspace, claims)
    return [tile for sha, tile in after.items() if before.get(sha) != tile]


@router.post("/do/undo-tag")
def undo_tag(
    user: Annotated[CurrentUser, Depends(require_post(Permission.TAG))], body: UndoRequest
) -> Response:
    """Undo one tag decision. Returns the tiles that changed."""
    decision = user.workspace.catalog.claims.in_force(Tag, body.number)
    if decision is None:
        raise BadInputError("This correction was undone already.", "Load the page again.")
    photos = user.workspace.catalog.photos.records(decision.decision.about())
    claims = {record.claim for record in photos}
    before = _tiles_of(user.workspace, claims)
    undoing.undo(user.workspace, body.number, others_too=user.can("UNDO_OTHERS"))
    user.board.worker.wake()
    return JSONResponse({"tiles": _changed_tiles(user.workspace, claims, before)})


@router.post("/do/place")
def place(
    user: Annotated[CurrentUser, Depends(require_post(Permission.PLACE))], body: PlaceRequest
) -> Response:
    """Move photos to another claim, or make them unassigned."""
    workspace = user.workspace
    target = None if body.claim.casefold() == UNASSIGNED else known_claim(workspace, body.claim)
    digests = [Sha256(sha) for sha in body.photos]
    with workspace.locked():
        require_marks(workspace, {Sha256(sha): mark for sha, mark in body.photos.items()})
        done = placing.move(workspace, digests, target)
    many = counted(len(digests), "photo")
    user.flash(f"{many} moved to {target}." if target else f"{many} now unassigned.")
    user.board.worker.wake()
    return JSONResponse({"undo": done.decision})


# --- from forms --------------------------------------------------------------------------


def act(user: CurrentUser, back: str, work: Callable[[], str]) -> Response:
    """Do the work; the next page shows its message, or the error."""
    try:
        user.flash(work())
    except EvidenceError as error:
        user.flash(str(error), "bad")
    user.board.worker.wake()
    return redirect_local(back)


def known_photo(user: CurrentUser, sha: str) -> Sha256:
    """The digest of a photo that this person may see. Raises BadInputError."""
    digest = find_photo(user, sha)
    if digest is None:
        raise BadInputError("The archive has no such photo.", "Load the page again.")
    return digest


@router.post("/do/undo")
def undo(
    user: Annotated[CurrentUser, Depends(require_post())], number: Annotated[int, Form()], back: Short = "/"
) -> Response:
    """Undo one correction."""

    def work() -> str:
        undoing.undo(user.workspace, number, others_too=user.can("UNDO_OTHERS"))
        return "The correction is undone."

    return act(user, back, work)


@router.post("/do/waive")
def waive(
    user: Annotated[CurrentUser, Depends(require_post(Permission.WAIVE))],
    claim: Short,
    requirement: Short,
    at: Short = "",
    why: Text = "",
    back: Short = "/",
) -> Response:
    """Set a required shot aside, with a reason."""

    def work() -> str:
        number = known_claim(user.workspace, claim)
        waivers.waive(user.workspace, number, requirement, place=at, why=why.strip())
        return "The shot is set aside; the reason stays beside it."

    return act(user, back, work)


@router.post("/do/caption")
def caption(
    user: Annotated[CurrentUser, Depends(require_post(Permission.TAG))],
    photo: Short,
    text: Text = "",
    seen: Text = "",
) -> Response:
    """Write the caption of one photo for the report; an empty text removes it."""

    def work() -> str:
        number = captions.write_caption(user.workspace, known_photo(user, photo), text, seen=seen)
        if not number:
            return "The caption is as it was."
        return "The caption is saved; the report prints it beside the photo."

    return act(user, f"/photo/{photo}", work)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewForm:
    """What a reviewer sends about a whole claim, with the version of it that the page showed."""

    claim: str
    seen: int
    note: str
    back: str


def _review_form(
    claim: Short, seen: Annotated[int, Form()], note: Text = "", back: Short = "/"
) -> ReviewForm:
    return ReviewForm(claim=claim, seen=seen, note=note, back=back)


ClaimForm = Annotated[ReviewForm, Depends(_review_form)]


@router.post("/do/sign")
def sign(
    user: Annotated[CurrentUser, Depends(require_post(Permission.SIGN))],
    form: ClaimForm,
) -> Response:
    """Sign off the claim in the person's name."""

    def work() -> str:
        signing.sign(user.workspace, known_claim(user.workspace, form.claim), note=form.note, seen=form.seen)
        return f"Claim {form.claim} is signed off by {user.name}."

    return act(user, form.back, work)


@router.post("/do/send-back")
def send_back(
    user: Annotated[CurrentUser, Depends(require_post(Permission.SEND_BACK))],
    form: ClaimForm,
) -> Response:
    """Send the claim back to the adjuster with the list of what is missing."""

    def work() -> str:
        _, wanted = signing.send_back(
            user.workspace, known_claim(user.workspace, form.claim), note=form.note, seen=form.seen
        )
        return f"Claim {form.claim} is sent back with {counted(len(wanted.lines), 'shot')} to take."

    return act(user, form.back, work)


@router.post("/do/take-back")
def take_back(
    user: Annotated[CurrentUser, Depends(require_post(Permission.REOPEN))],
    form: ClaimForm,
) -> Response:
    """Reopen a claim that was signed off or sent back."""

    def work() -> str:
        signing.take_back(
            user.workspace, known_claim(user.workspace, form.claim), why=form.note, seen=form.seen
        )
        return f"Claim {form.claim} is open again."

    return act(user, form.back, work)
