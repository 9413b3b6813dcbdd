"""Everything on the board that changes something: tags, houses, boundaries, waivers, sign-off, return, undo."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Depends, Form
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field

from evidence.board import view_models
from evidence.board.context import CurrentUser, find_photo, redirect_inside, require_post
from evidence.board.permissions import Permission
from evidence.catalog.decisions import Tag
from evidence.errors import BadInputError, EvidenceError
from evidence.lookup import UNASSIGNED, known_claim
from evidence.model import ClaimId, Facet, Sha256
from evidence.review import placing, signing, waivers
from evidence.review import undo as undoing
from evidence.review.staleness import ChangedError, require_day, require_marks
from evidence.review.tagging import known_word, shown_guesses, tag_seen
from evidence.workspace import Workspace

router = APIRouter()

Text = Annotated[str, Form(max_length=signing.MOST_NOTE + 500)]
Short = Annotated[str, Form(max_length=300)]
Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Mark = Annotated[str, Field(pattern=r"^[0-9a-f]{12}$")]
MAX_PHOTOS = 2000
"""In one go; a claim has a few hundred."""


class _Request(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


Seen = Annotated[dict[Digest, Mark], Field(min_length=1, max_length=MAX_PHOTOS)]


class TagRequest(_Request):
    """What a page's script sends: photos as they were seen, and what is said of them."""

    photos: Seen
    tags: dict[Facet, Annotated[str, Field(max_length=60)] | None] = Field(default_factory=dict)
    """None takes back what a person said."""
    confirm: bool = False
    """Say what the guesses say."""


class PlaceRequest(_Request):
    """Photos, and the claim that they belong to."""

    photos: Seen
    claim: Annotated[str, Field(max_length=200)]


class UndoRequest(_Request):
    """A correction to take back."""

    number: int


# --- from scripts ------------------------------------------------------------------------


@router.post("/do/tag")
def tag(user: Annotated[CurrentUser, Depends(require_post(Permission.TAG))], body: TagRequest) -> Response:
    """State facets of photos, or confirm their guesses; answers with the tiles that changed."""
    workspace = user.workspace
    marks = {Sha256(sha): mark for sha, mark in body.photos.items()}
    records = workspace.catalog.photos.records(list(marks))
    if body.confirm:
        stated = shown_guesses(records, workspace.vocabulary.guess.shows)
    else:
        said = {
            facet: None if value is None else known_word(workspace, facet, value)
            for facet, value in body.tags.items()
        }
        stated = {sha: dict(said) for sha in marks} if said else {}
    if not stated:
        raise BadInputError("Nothing is said.", "Choose a word, or photos with a guess in them.")
    claims = {record.claim for record in records}
    before = _tiles_of(workspace, claims)
    try:
        number, _ = tag_seen(workspace, stated, seen=marks)
    except ChangedError as trouble:
        changed = {change.subject: change.message for change in trouble.changes}
        now = workspace.catalog.photos.records([Sha256(sha) for sha in changed])
        return JSONResponse(
            {
                "message": trouble.message,
                "hint": trouble.hint,
                "changed": changed,
                "tiles": [
                    view_models.tile_data(view_models.tile_of(one, workspace.vocabulary)) for one in now
                ],
            },
            409,
        )
    user.board.worker.wake()
    return JSONResponse({"undo": number, "tiles": _changed_tiles(workspace, claims, before)})


def _tiles_of(workspace: Workspace, claims: set[ClaimId | None]) -> dict[Sha256, dict[str, object]]:
    """Every photo of these claims as its tile stands."""
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
    """Take one tagging back; answers with the tiles that changed."""
    decision = next(
        (one for one in user.workspace.catalog.claims.decisions(Tag) if one.number == body.number),
        None,
    )
    if decision is None:
        raise BadInputError("That is taken back already.", "Load the page again to see what stands.")
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
    """File photos under another claim, or in the tray."""
    workspace = user.workspace
    target = None if body.claim.casefold() == UNASSIGNED else known_claim(workspace, body.claim)
    digests = [Sha256(sha) for sha in body.photos]
    with workspace.locked():
        require_marks(workspace, {Sha256(sha): mark for sha, mark in body.photos.items()})
        done = placing.move(workspace, digests, target)
    many = "1 photo" if len(digests) == 1 else f"{len(digests)} photos"
    user.flash(f"{many} now {'belongs' if len(digests) == 1 else 'belong'} to {target or 'no house'}.")
    user.board.worker.wake()
    return JSONResponse({"undo": done.decision})


# --- from forms --------------------------------------------------------------------------


def _act(user: CurrentUser, back: str, work: Callable[[], str]) -> Response:
    """Do it and say so on the next page, or say there why not."""
    try:
        user.flash(work())
    except EvidenceError as trouble:
        user.flash(str(trouble), "bad")
    user.board.worker.wake()
    return redirect_inside(back)


@router.post("/do/undo")
def undo(
    user: Annotated[CurrentUser, Depends(require_post())], number: Annotated[int, Form()], back: Short = "/"
) -> Response:
    """Take one correction back."""

    def work() -> str:
        undoing.undo(user.workspace, number, others_too=user.can("UNDO_OTHERS"))
        return "That is taken back."

    return _act(user, back, work)


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
        return "That shot is set aside; the reason stands beside it."

    return _act(user, back, work)


@router.post("/do/sign")
def sign(
    user: Annotated[CurrentUser, Depends(require_post(Permission.SIGN))],
    claim: Short,
    seen: Annotated[int, Form()],
    note: Text = "",
    back: Short = "/",
) -> Response:
    """Sign the claim off in the visitor's name."""

    def work() -> str:
        signing.sign(user.workspace, known_claim(user.workspace, claim), note=note, seen=seen)
        return f"Claim {claim} is signed off by {user.name}."

    return _act(user, back, work)


@router.post("/do/send-back")
def send_back(
    user: Annotated[CurrentUser, Depends(require_post(Permission.SEND_BACK))],
    claim: Short,
    seen: Annotated[int, Form()],
    note: Text = "",
    back: Short = "/",
) -> Response:
    """Return the claim to the adjuster with the list of what is missing."""

    def work() -> str:
        _, wanted = signing.send_back(
            user.workspace, known_claim(user.workspace, claim), note=note, seen=seen
        )
        many = len(wanted.lines)
        return f"Claim {claim} is sent back with {many} {'shot' if many == 1 else 'shots'} to take."

    return _act(user, back, work)


@router.post("/do/take-back")
def take_back(
    user: Annotated[CurrentUser, Depends(require_post(Permission.REOPEN))],
    claim: Short,
    seen: Annotated[int, Form()],
    note: Text = "",
    back: Short = "/",
) -> Response:
    """Take a sign-off or a return back."""

    def work() -> str:
        signing.take_back(user.workspace, known_claim(user.workspace, claim), why=note, seen=seen)
        return f"Claim {claim} is open again."

    return _act(user, back, work)


# --- the day -----------------------------------------------------------------------------


def _act_on_day(user: CurrentUser, number: str, seen: str, back: str, work: Callable[[], str]) -> Response:
    """The same for a change of how a day is cut, unless somebody else changed it since it was `seen`."""

    def guarded() -> str:
        with user.workspace.locked():
            claim = None if number.casefold() == UNASSIGNED else known_claim(user.workspace, number)
            if seen:
                require_day(user.workspace, claim, seen)
            return work()

    return _act(user, back, guarded)


def _photo(user: CurrentUser, sha: str) -> Sha256:
    digest = find_photo(user, sha)
    if digest is None:
        raise BadInputError("The archive keeps no such photo.", "Load the page again.")
    return digest


Placing = Annotated[CurrentUser, Depends(require_post(Permission.PLACE))]


@router.post("/do/cut")
def cut(user: Placing, number: Short, photo: Short, seen: Short = "", back: Short = "/") -> Response:
    """Let a new stretch begin with a photo."""

    def work() -> str:
        placing.cut(user.workspace, _photo(user, photo))
        return "A new stretch begins there."

    return _act_on_day(user, number, seen, back, work)


@router.post("/do/join")
def join(user: Placing, number: Short, photo: Short, seen: Short = "", back: Short = "/") -> Response:
    """Take the boundary before a photo away."""

    def work() -> str:
        placing.join(user.workspace, _photo(user, photo))
        return "That boundary is gone."

    return _act_on_day(user, number, seen, back, work)


@router.post("/do/shift")
def shift(
    user: Placing, number: Short, photo: Short, to: Short, seen: Short = "", back: Short = "/"
) -> Response:
    """Move the boundary before one photo to before another."""

    def work() -> str:
        done = placing.shift(user.workspace, _photo(user, photo), _photo(user, to))
        many = "1 photo changes" if done.photos == 1 else f"{done.photos} photos change"
        return f"The boundary is moved; {many} house."

    return _act_on_day(user, number, seen, back, work)


@router.post("/do/name")
def name(
    user: Placing, number: Short, segment: Short, claim: Short, seen: Short = "", back: Short = "/"
) -> Response:
    """Say whose house a stretch is; for one that was doubted, that it is right."""

    def work() -> str:
        done = placing.name(user.workspace, segment, known_claim(user.workspace, claim))
        many = "1 photo belongs" if done.photos == 1 else f"{done.photos} photos belong"
        return f"{many} to {claim}, and that is stated now."

    return _act_on_day(user, number, seen, back, work)
