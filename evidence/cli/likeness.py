"""The command that lists photos which may have served another claim, and answers for them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from evidence.cli.common import FINDINGS, REVIEWER, Actor, Archive, Json, emit, opened
from evidence.errors import counted

if TYPE_CHECKING:
    from evidence.analysis.used_before import UsedBefore
    from evidence.model import ClaimId


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(rich_help_panel=REVIEWER)(alike)


def alike(
    claim: Annotated[str, typer.Argument(metavar="CLAIM")],
    fine: Annotated[
        list[str] | None,
        typer.Option("--fine", metavar="PHOTO", help="Same house, fine; may be given several times."),
    ] = None,
    look_into: Annotated[
        list[str] | None,
        typer.Option(
            "--look-into", metavar="PHOTO", help="Somebody is to look into it; may be given several times."
        ),
    ] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """List photos of a claim that may have served another claim.

    They are the same file as a photo of another claim, or look nearly the same. That is a reason to look, no accusation:
    pictures of plain walls are alike. The exit status is 1 while some are not answered.
    """
    from evidence.catalog.decisions import LikenessAnswer
    from evidence.lookup import known_claim
    from evidence.review.likeness import answer_photos, used_before_in

    with opened(archive, actor) as here:
        number = known_claim(here, claim)
        answers = [(name, LikenessAnswer.FINE) for name in fine or ()]
        answers += [(name, LikenessAnswer.LOOK_INTO) for name in look_into or ()]
        found = answer_photos(here, number, answers) if answers else used_before_in(here, number)
        radius = here.settings.coverage.used_before_bits
    emit(as_json, [_as_data(one) for one in found], lambda: _lines(number, found, radius))
    if any(one.answer is None for one in found):
        raise typer.Exit(FINDINGS)


def _as_data(one: UsedBefore) -> dict[str, Any]:
    row = one.answer
    return {
        "photo": one.photo,
        "name": one.name,
        "likeness": one.likeness.value,
        "others": [
            {"claim": other.claim, "photo": other.photo, "bits": other.bits, "turned": other.turned.value}
            for other in one.others
        ],
        "photos": one.photos,
        "claims": one.claims,
        "answer": row.decision.answer.value if row else None,
        "answered_by": row.actor if row else None,
        "answered_at": row.at if row else None,
        "decision": row.number if row else None,
    }


def _lines(claim: ClaimId, found: Sequence[UsedBefore], radius: int) -> Iterable[str]:
    from evidence.review.likeness import ANSWER_WORDS, words_of

    if not found:
        yield f"No photo of claim {claim} is known from another claim (pictures compared within {radius} of 64 bits)."
        return
    for one in found:
        answer = (
            f" Answered by {one.answer.actor}: {ANSWER_WORDS[one.answer.decision.answer]}."
            if one.answer
            else ""
        )
        yield f"{one.name} ({one.photo[:12]}): {words_of(one)}.{answer}"
    left = sum(one.answer is None for one in found)
    if left:
        yield f"{counted(left, 'photo is', 'photos are')} not answered. Compare them on the board (key R), then:"
        yield f"  evidence alike {claim} --fine PHOTO        same house, fine"
        yield f"  evidence alike {claim} --look-into PHOTO   somebody is to look into it"
