"""What a person says of photos that may have served another claim: fine, or to be looked into."""

from __future__ import annotations

from dataclasses import dataclass

from evidence.analysis.used_before import Likeness, UsedBefore, used_before
from evidence.catalog.decisions import AnswerLikeness, LikenessAnswer
from evidence.errors import BadInputError
from evidence.model import ClaimId, Sha256
from evidence.review.recording import decide, require_open
from evidence.workspace import Workspace

ANSWER_WORDS = {LikenessAnswer.FINE: "same house, fine", LikenessAnswer.LOOK_INTO: "look into it"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """What an answer was stored as."""

    decision: int
    photo: Sha256
    answer: LikenessAnswer
    left: int
    """Photos of the claim that nobody has answered yet."""


def used_before_in(workspace: Workspace, claim: ClaimId) -> list[UsedBefore]:
    """The photos of the claim that may have served another claim, answered or not."""
    return used_before(workspace, claim, workspace.catalog.photos.of_claim(claim))


def answer_likeness(
    workspace: Workspace, claim: ClaimId, photo: Sha256, answer: LikenessAnswer, *, seen: Sha256 | None = None
) -> Answered:
    """Store what somebody says of a photo that may have served another claim; the same answer again changes nothing.

    The bag is only marked as outdated. Raises BadInputError for a photo that is not among them, for a claim that is
    signed or closed, and when the photo of the other claim is no longer `seen`.
    """
    with workspace.locked():
        require_open(workspace, {claim}, what="answers")
        found = used_before_in(workspace, claim)
        mine = [one for one in found if one.photo == photo]
        if not mine:
            raise BadInputError(
                f"Photo {photo[:12]} is not among those of claim {claim} that may have been used before.",
                f"`evidence alike {claim}` lists them.",
            )
        shown = list(dict.fromkeys(other.photo for one in mine for other in one.others))
        if seen is not None and seen not in shown:
            raise BadInputError("The photos to compare have changed.", "Load the page again.")
        row = mine[0].answer
        if row is None or row.decision.answer is not answer:
            number = _store(workspace, claim, photo, shown, answer)
        else:
            number = row.number
        left = sum(one.answer is None and one.photo != photo for one in found)
        return Answered(decision=number, photo=photo, answer=answer, left=left)


def _store(
    workspace: Workspace, claim: ClaimId, photo: Sha256, shown: list[Sha256], answer: LikenessAnswer
) -> int:
    decision = AnswerLikeness(photo=photo, others=tuple(shown), answer=answer)
    with workspace.catalog.transaction():
        number = decide(workspace, decision, claim)
        workspace.catalog.mark_changed([claim])
        workspace.record(
            "likeness_answered", claim, decision=number, photos=[photo], others=shown, answer=answer.value
        )
        return number


def words_of(one: UsedBefore) -> str:
    """How alike the photo is, and how common that is: a sentence without its end."""
    nearest = one.nearest
    match one.likeness:
        case Likeness.SAME_FILE:
            return f"the same file is in claim {nearest.claim}"
        case Likeness.BROUGHT_AGAIN:
            return f"the file is in claim {nearest.claim}, and came again among the photos of this claim"
    alike = "looks the same as" if nearest.bits == 0 else "looks nearly the same as"
    turned = f", {nearest.turned}" if nearest.turned else ""
    start = f"{alike} a photo of claim {nearest.claim}{turned} ({nearest.bits} of 64 bits differ)"
    if one.photos < 2:
        return f"{start}; no other photo is this alike"
    claims = "1 other claim" if one.claims == 1 else f"{one.claims} other claims"
    return f"{start}; {one.photos} photos of {claims} are this alike"
