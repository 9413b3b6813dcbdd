"""What a person says of photos that may have served another claim: fine, or to be looked into."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from evidence.analysis.used_before import Likeness, UsedBefore, used_before, with_answers
from evidence.catalog.decisions import AnswerLikeness, LikenessAnswer
from evidence.errors import BadInputError
from evidence.model import ClaimId, Sha256
from evidence.review.recording import decide, require_open
from evidence.workspace import Workspace

ANSWER_WORDS = {LikenessAnswer.FINE: "same house, fine", LikenessAnswer.LOOK_INTO: "look into it"}
LEAST_DIGITS = 6
"""Digits of a digest that name a photo."""


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
        return answer_found(workspace, claim, used_before_in(workspace, claim), photo, answer, seen=seen)


def answer_photos(
    workspace: Workspace, claim: ClaimId, answers: Iterable[tuple[str, LikenessAnswer]]
) -> list[UsedBefore]:
    """`answer_likeness` for several photos by their names or the first digits of their digests.

    All are looked up before the first answer is stored, and the claim is searched once. Returns what is found, with
    the answers.
    """
    with workspace.locked():
        found = used_before_in(workspace, claim)
        for photo, answer in [(_named(name, found, claim), answer) for name, answer in answers]:
            answer_found(workspace, claim, found, photo, answer)
        return with_answers(workspace, claim, found)


def answer_found(
    workspace: Workspace,
    claim: ClaimId,
    found: Sequence[UsedBefore],
    photo: Sha256,
    answer: LikenessAnswer,
    *,
    seen: Sha256 | None = None,
) -> Answered:
    """`answer_likeness` among what was `found` while the caller has held the workspace's lock."""
    require_open(workspace, {claim}, what="answers")
    mine = [one for one in with_answers(workspace, claim, found) if one.photo == photo]
    if not mine:
        raise _not_listed(photo[:12], claim, "Photo ")
    shown = list(dict.fromkeys(other.photo for one in mine for other in one.others))
    if seen is not None and seen not in shown:
        raise BadInputError("The photos to compare have changed.", "Load the page again.")
    row = mine[0].answer
    if row is None or row.decision.answer is not answer:
        number = _store(workspace, claim, photo, shown, answer)
    else:
        number = row.number
    left = sum(one.answer is None for one in with_answers(workspace, claim, found))
    return Answered(decision=number, photo=photo, answer=answer, left=left)


def _named(name: str, listed: Sequence[UsedBefore], claim: ClaimId) -> Sha256:
    """The photo of that file name or of those first digits, among those that were listed."""
    wanted = name.strip().casefold()
    found = {
        one.photo
        for one in listed
        if one.name.casefold() == wanted or (len(wanted) >= LEAST_DIGITS and one.photo.startswith(wanted))
    }
    if not found:
        raise _not_listed(name, claim)
    if len(found) > 1:
        raise BadInputError(
            f"{len(found)} of the listed photos have the name {name}.", "Use the first digits of its SHA-256."
        )
    return found.pop()


def _not_listed(name: str, claim: ClaimId, what: str = "") -> BadInputError:
    return BadInputError(
        f"{what}{name} is not among {'those' if what else 'the photos'} of claim {claim} that may have been used before.",
        f"`evidence alike {claim}` lists them.",
    )


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


def sentence_of(one: UsedBefore) -> str:
    """The same with the photo's name, a whole sentence."""
    return f"{one.name}{'' if one.likeness is Likeness.ALIKE else ':'} {words_of(one)}."
