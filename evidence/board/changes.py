"""Everything on the board that changes something: tags, houses, boundaries, waivers, sign-off, return, undo."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Depends, Form
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field

from evidence.board import shown
from evidence.board.rights import Right
from evidence.board.state import Visitor, home_again, known_digest, sends
from evidence.errors import BadInputError, EvidenceError
from evidence.lookup import UNASSIGNED, known_claim
from evidence.model import ClaimId, Facet, Sha256
from evidence.review import placing as corrections
from evidence.review import signing as reviewing
from evidence.review.tagging import known_word
from evidence.workspace import Workspace

router = APIRouter()

Text = Annotated[str, Form(max_length=reviewing.MOST_NOTE + 500)]
Short = Annotated[str, Form(max_length=300)]
Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Mark = Annotated[str, Field(pattern=r"^[0-9a-f]{12}$")]
MOST_PHOTOS = 2000
"""In one go; a claim has a few hundred."""


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


Seen = Annotated[dict[Digest, Mark], Field(min_length=1, max_length=MOST_PHOTOS)]


class TagAsked(_Asked):
    """What a page's script sends: photos as they were seen, and what is said of them."""

    photos: Seen
    say: dict[Facet, Annotated[str, Field(max_length=60)] | None] = Field(default_factory=dict)
    """None takes back what a person said."""
    confirm: bool = False
    """Say what the guesses say."""


class PlaceAsked(_Asked):
    """Photos, and the claim that they belong to."""

    photos: Seen
    claim: Annotated[str, Field(max_length=200)]


class UndoAsked(_Asked):
    """A correction to take back."""

    number: int


# --- from scripts ------------------------------------------------------------------------


@router.post("/do/tag")
def tag(me: Annotated[Visitor, Depends(sends(Right.TAG))], asked: TagAsked) -> Response:
    """State facets of photos, or confirm their guesses; answers with the tiles that changed."""
    workspace = me.workspace
    marks = {Sha256(sha): mark for sha, mark in asked.photos.items()}
    records = workspace.catalog.photos.records(list(marks))
    if asked.confirm:
        stated = reviewing.shown_guesses(records, workspace.vocabulary.guess.shows)
    else:
        said = {
            facet: None if value is None else known_word(workspace, facet, value)
            for facet, value in asked.say.items()
        }
        stated = {sha: dict(said) for sha in marks} if said else {}
    if not stated:
        raise BadInputError("Nothing is said.", "Choose a word, or photos with a guess in them.")
    claims = {record.claim for record in records}
    before = _marks_and_pills(workspace, claims)
    try:
        number, _ = reviewing.tag_seen(workspace, stated, seen=marks)
    except reviewing.ChangedError as trouble:
        changed = {change.subject: change.message for change in trouble.changes}
        now = workspace.catalog.photos.records([Sha256(sha) for sha in changed])
        return JSONResponse(
            {
                "message": trouble.message,
                "hint": trouble.hint,
                "changed": changed,
                "tiles": [shown.tile_data(shown.tile_of(one, workspace.vocabulary)) for one in now],
            },
            409,
        )
    me.board.follower.nudge()
    return JSONResponse({"undo": number, "tiles": _changed_tiles(workspace, claims, before)})


def _marks_and_pills(workspace: Workspace, claims: set[ClaimId | None]) -> dict[Sha256, dict[str, object]]:
    """Every photo of these claims as its tile stands."""
    return {
        record.sha256: shown.tile_data(shown.tile_of(record, workspace.vocabulary))
        for claim in claims
        for record in workspace.catalog.photos.of_claim(claim)
    }


def _changed_tiles(
    workspace: Workspace, claims: set[ClaimId | None], before: dict[Sha256, dict[str, object]]
) -> list[dict[str, object]]:
    after = _marks_and_pills(workspace, claims)
    return [tile for sha, tile in after.items() if before.get(sha) != tile]


@router.post("/do/undo-tag")
def undo_tag(me: Annotated[Visitor, Depends(sends(Right.TAG))], asked: UndoAsked) -> Response:
    """Take one tagging back; answers with the tiles that changed."""
    decision = next(
        (one for one in me.workspace.catalog.claims.decisions(kinds=("tag",)) if one.number == asked.number),
        None,
    )
    if decision is None:
        raise BadInputError("That is taken back already.", "Load the page again to see what stands.")
    photos = me.workspace.catalog.photos.records([Sha256(sha) for sha in decision.after])
    claims = {record.claim for record in photos}
    before = _marks_and_pills(me.workspace, claims)
    reviewing.undo_mine(me.workspace, asked.number, others_too=me.may("UNDO_OTHERS"))
    me.board.follower.nudge()
    return JSONResponse({"tiles": _changed_tiles(me.workspace, claims, before)})


@router.post("/do/place")
def place(me: Annotated[Visitor, Depends(sends(Right.PLACE))], asked: PlaceAsked) -> Response:
    """File photos under another claim, or in the tray."""
    workspace = me.workspace
    target = None if asked.claim.casefold() == UNASSIGNED else known_claim(workspace, asked.claim)
    digests = [Sha256(sha) for sha in asked.photos]
    with workspace.locked():
        reviewing.require_marks(workspace, {Sha256(sha): mark for sha, mark in asked.photos.items()})
        done = corrections.move(workspace, digests, target)
    many = "1 photo" if len(digests) == 1 else f"{len(digests)} photos"
    me.tell(f"{many} now {'belongs' if len(digests) == 1 else 'belong'} to {target or 'no house'}.")
    me.board.follower.nudge()
    return JSONResponse({"undo": done.decision})


# --- from forms --------------------------------------------------------------------------


def _try(me: Visitor, back: str, work: Callable[[], str]) -> Response:
    """Do it and say so on the next page, or say there why not."""
    try:
        me.tell(work())
    except EvidenceError as trouble:
        me.tell(str(trouble), "bad")
    me.board.follower.nudge()
    return home_again(back)


@router.post("/do/undo")
def undo(
    me: Annotated[Visitor, Depends(sends())], number: Annotated[int, Form()], back: Short = "/"
) -> Response:
    """Take one correction back."""

    def work() -> str:
        reviewing.undo_mine(me.workspace, number, others_too=me.may("UNDO_OTHERS"))
        return "That is taken back."

    return _try(me, back, work)


@router.post("/do/waive")
def waive(
    me: Annotated[Visitor, Depends(sends(Right.WAIVE))],
    claim: Short,
    requirement: Short,
    at: Short = "",
    why: Text = "",
    back: Short = "/",
) -> Response:
    """Set a required shot aside, with a reason."""

    def work() -> str:
        number = known_claim(me.workspace, claim)
        corrections.waive(me.workspace, number, requirement, place=at, why=why.strip())
        return "That shot is set aside; the reason stands beside it."

    return _try(me, back, work)


@router.post("/do/sign")
def sign(
    me: Annotated[Visitor, Depends(sends(Right.SIGN))],
    claim: Short,
    seen: Annotated[int, Form()],
    note: Text = "",
    back: Short = "/",
) -> Response:
    """Sign the claim off in the visitor's name."""

    def work() -> str:
        reviewing.sign(me.workspace, known_claim(me.workspace, claim), note=note, seen=seen)
        return f"Claim {claim} is signed off by {me.name}."

    return _try(me, back, work)


@router.post("/do/send-back")
def send_back(
    me: Annotated[Visitor, Depends(sends(Right.SEND_BACK))],
    claim: Short,
    seen: Annotated[int, Form()],
    note: Text = "",
    back: Short = "/",
) -> Response:
    """Return the claim to the adjuster with the list of what is missing."""

    def work() -> str:
        _, wanted = reviewing.send_back(me.workspace, known_claim(me.workspace, claim), note=note, seen=seen)
        many = len(wanted.lines)
        return f"Claim {claim} is sent back with {many} {'shot' if many == 1 else 'shots'} to take."

    return _try(me, back, work)


@router.post("/do/take-back")
def take_back(
    me: Annotated[Visitor, Depends(sends(Right.REOPEN))],
    claim: Short,
    seen: Annotated[int, Form()],
    note: Text = "",
    back: Short = "/",
) -> Response:
    """Take a sign-off or a return back."""

    def work() -> str:
        reviewing.take_back(me.workspace, known_claim(me.workspace, claim), why=note, seen=seen)
        return f"Claim {claim} is open again."

    return _try(me, back, work)


# --- the day -----------------------------------------------------------------------------


def _on_day(me: Visitor, number: str, seen: str, back: str, work: Callable[[], str]) -> Response:
    """The same for a change of how a day is cut, unless somebody else changed it since it was `seen`."""

    def guarded() -> str:
        with me.workspace.locked():
            claim = None if number.casefold() == UNASSIGNED else known_claim(me.workspace, number)
            if seen:
                reviewing.require_day(me.workspace, claim, seen)
            return work()

    return _try(me, back, guarded)


def _photo(me: Visitor, sha: str) -> Sha256:
    digest = known_digest(me, sha)
    if digest is None:
        raise BadInputError("The archive keeps no such photo.", "Load the page again.")
    return digest


Placing = Annotated[Visitor, Depends(sends(Right.PLACE))]


@router.post("/do/cut")
def cut(me: Placing, number: Short, photo: Short, seen: Short = "", back: Short = "/") -> Response:
    """Let a new stretch begin with a photo."""

    def work() -> str:
        corrections.cut(me.workspace, _photo(me, photo))
        return "A new stretch begins there."

    return _on_day(me, number, seen, back, work)


@router.post("/do/join")
def join(me: Placing, number: Short, photo: Short, seen: Short = "", back: Short = "/") -> Response:
    """Take the boundary before a photo away."""

    def work() -> str:
        corrections.join(me.workspace, _photo(me, photo))
        return "That boundary is gone."

    return _on_day(me, number, seen, back, work)


@router.post("/do/shift")
def shift(
    me: Placing, number: Short, photo: Short, to: Short, seen: Short = "", back: Short = "/"
) -> Response:
    """Move the boundary before one photo to before another."""

    def work() -> str:
        done = corrections.shift(me.workspace, _photo(me, photo), _photo(me, to))
        many = "1 photo changes" if done.photos == 1 else f"{done.photos} photos change"
        return f"The boundary is moved; {many} house."

    return _on_day(me, number, seen, back, work)


@router.post("/do/name")
def name(
    me: Placing, number: Short, segment: Short, claim: Short, seen: Short = "", back: Short = "/"
) -> Response:
    """Say whose house a stretch is; for one that was doubted, that it is right."""

    def work() -> str:
        done = corrections.name(me.workspace, segment, known_claim(me.workspace, claim))
        many = "1 photo belongs" if done.photos == 1 else f"{done.photos} photos belong"
        return f"{many} to {claim}, and that is stated now."

    return _on_day(me, number, seen, back, work)
