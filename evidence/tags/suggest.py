"""One tag for each photo from everything that speaks of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from evidence.model import Facet, FacetValue, Finding, PhotoRecord, Sha256, Source, Tags
from evidence.tags.grammar import Grammar, Reading
from evidence.tags.labels import read_labels
from evidence.tags.vocabulary import CardOptions, GuessOptions, Vocabulary


@dataclass(frozen=True, slots=True, kw_only=True)
class TagModels:
    """What was learned. Empty: what ships."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TagOptions:
    """Settings of one run; None takes the vocabulary's own."""

    adjuster: str = ""
    """Whose habits to use; empty for everyone's."""
    cards: CardOptions | None = None
    guess: GuessOptions | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TagResult:
    """A photo's tag, everything that was said about it, and what needs a person's eye."""

    tags: Tags
    """The strongest value of each facet; what is stated always comes before a guess."""
    said: tuple[FacetValue, ...] = ()
    """Every source's word, the tag's own values among them."""
    flags: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()
    """What writing says and no facet holds: a pitch, the number of layers."""


@dataclass(frozen=True, slots=True)
class _Voices:
    """What each photo of the claim was told by people, cards and writing."""

    stated: Mapping[Sha256, Mapping[Facet, FacetValue]] = field(default_factory=dict)


def tag_claim(
    photos: Sequence[PhotoRecord],
    *,
    person: Mapping[Sha256, Mapping[Facet, FacetValue]],
    vocabulary: Vocabulary,
    models: TagModels | None = None,
    options: TagOptions | None = None,
) -> Mapping[Sha256, TagResult]:
    """Tag all photos of ONE claim, given in shooting order.

    `person` holds what people stated; it comes before what cards state, and both come before any
    guess. Guesses carry a probability and never count as reviewed (rule 9).
    """
    del models  # nothing has been learned yet
    options = options or TagOptions()
    labels = read_labels(photos, vocabulary, options.cards)
    grammar = Grammar(vocabulary)
    results: dict[Sha256, TagResult] = {}
    for photo in photos:
        reading = grammar.read(photo.look.writing)
        stated = {**labels.stated.get(photo.sha256, {}), **person.get(photo.sha256, {})}
        written = _written(reading)
        results[photo.sha256] = TagResult(
            tags={**{value.facet: value for value in reversed(written)}, **stated},
            said=(
                *person.get(photo.sha256, {}).values(),
                *labels.stated.get(photo.sha256, {}).values(),
                *written,
            ),
            flags=(*labels.flags.get(photo.sha256, ()), *reading.flags),
            notes=reading.notes,
        )
    return results


def _written(reading: Reading) -> list[FacetValue]:
    """The writing's word for each facet, alternatives after the value to take."""
    return [
        FacetValue(
            facet=spoken.facet,
            value=spoken.value,
            source=Source.WRITING,
            confidence=round(min(0.99, spoken.sure), 3),
            reason=f"board reads {reading.text.upper()}",
        )
        for spoken in reading.spoken
    ]
