"""One tag for each photo of a claim, from all sources: people, label cards, writing, pixels, place and habit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from evidence.model import Facet, FacetValue, Finding, PhotoRecord, Sha256, Source, TagResult
from evidence.tags.guesses import Guess, PhotoEvidence, board_reason, facet_value, guess_claim
from evidence.tags.label_cards import read_labels
from evidence.tags.models import TagModels
from evidence.tags.reading.parser import parser_of
from evidence.tags.reading.semantics import Reading
from evidence.tags.vocabulary import CardOptions, GuessOptions, Vocabulary
from evidence.tags.walk.emission import OFF_WALK_ROLES

_UNDECODABLE = "undecodable"
"""The flag of a look at a file that holds no picture of a known kind, see `sight.look`."""
_CLEARLY_READ = 0.8
"""Confidence from which a board that contradicts a label card is flagged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TagOptions:
    """Settings of one run; None takes those of the vocabulary."""

    adjuster: str = ""
    """Whose habits to use; empty for everyone's."""
    cards: CardOptions | None = None
    guess: GuessOptions | None = None


def tag_claim(
    photos: Sequence[PhotoRecord],
    *,
    person: Mapping[Sha256, Mapping[Facet, FacetValue]],
    vocabulary: Vocabulary,
    models: TagModels | None = None,
    options: TagOptions | None = None,
) -> Mapping[Sha256, TagResult]:
    """Tag all photos of ONE claim, given in shooting order.

    `person` holds what people stated; it comes before what label cards state, and both come before any
    guess. Guesses carry a probability and never count as reviewed (rule 9); no damage is never
    concluded from pixels, and nothing is guessed about a file that holds no picture. Without `models` only
    people, label cards and writing are used.
    """
    options = options or TagOptions()
    labels = read_labels(photos, vocabulary, options.cards)
    parser = parser_of(vocabulary)
    evidence = [
        PhotoEvidence(
            photo=photo,
            position=position,
            reading=parser.read_photo(photo.look),
            by_label=labels.stated.get(photo.sha256, {}),
            by_person=person.get(photo.sha256, {}),
        )
        for position, photo in enumerate(photos)
    ]
    walked = [one for one in evidence if not _off_walk(one) and not _holds_no_picture(one.photo)]
    guesses: dict[Sha256, Guess] = {}
    if models is not None and walked:
        made = guess_claim(
            walked,
            adjuster=options.adjuster,
            vocabulary=vocabulary,
            models=models,
            options=options.guess or vocabulary.guess,
        )
        guesses = {one.photo.sha256: guess for one, guess in zip(walked, made, strict=True)}
    return {
        one.photo.sha256: _result(one, guesses.get(one.photo.sha256), labels.flags.get(one.photo.sha256, ()))
        for one in evidence
    }


def _off_walk(evidence: PhotoEvidence) -> bool:
    """Whether the photo is stated to be a sheet, a label card or a stray: not part of the walk."""
    role = evidence.stated.get(Facet.ROLE)
    return role is not None and role.value in OFF_WALK_ROLES


def _holds_no_picture(photo: PhotoRecord) -> bool:
    """Whether the file, for instance an empty one, could not be decoded: nobody can check a guess about it."""
    return any(flag.code == _UNDECODABLE for flag in photo.look.flags)


def _result(evidence: PhotoEvidence, guess: Guess | None, flags: Sequence[Finding]) -> TagResult:
    written = _written(evidence.reading)
    tags: dict[Facet, FacetValue] = {}
    if guess is None and not _off_walk(evidence):
        tags.update({value.facet: value for value in reversed(written)})
    if guess is not None:
        tags.update(guess.fused)
    tags.update(evidence.stated)
    return TagResult(
        tags=tags,
        by_source=(
            *evidence.by_person.values(),
            *evidence.by_label.values(),
            *written,
            *(guess.by_source if guess else ()),
        ),
        flags=(*flags, *evidence.reading.flags, *_contradictions(evidence)),
    )


def _written(reading: Reading) -> list[FacetValue]:
    """The written values of each facet, alternatives after the value to take."""
    return [
        facet_value(one.facet, one.value, Source.WRITING, min(0.99, one.confidence), board_reason(reading))
        for one in reading.facets
    ]


def _contradictions(evidence: PhotoEvidence) -> list[Finding]:
    """Facets on which a label card and the board in the same photo differ."""
    found = []
    for facet, label in evidence.by_label.items():
        written = evidence.reading.best(facet)
        if (
            facet in evidence.by_person
            or written is None
            or written.implied
            or written.confidence < _CLEARLY_READ
            or facet is Facet.ROLE
        ):
            continue
        if written.value != label.value:
            card = label.reason[:1].upper() + label.reason[1:]
            found.append(
                Finding(
                    code="label_and_board_differ",
                    message=f"{card} says {label.value}, but the {board_reason(evidence.reading)}.",
                    subject=evidence.photo.sha256,
                )
            )
    return found
