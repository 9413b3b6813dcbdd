"""A question in words, and the choices that its page offers, each with its key."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from evidence.board.keys import FACET_KEYS
from evidence.board.view_models import TagChoice, tag_choices, value_words, with_percent
from evidence.coverage.report import Item
from evidence.coverage.shots import ShotList
from evidence.model import Condition, Face, Facet, PhotoRecord, Role
from evidence.plain_words import guess_percent
from evidence.questions.kinds import AskedFacet, PhotoQuestion
from evidence.tags.vocabulary import Vocabulary

FACET_TITLES = {
    Facet.FACE: "Side",
    Facet.COMPONENT: "Component",
    Facet.ROLE: "What for",
    Facet.CONDITION: "Damage",
    Facet.COUNT: "Hits",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FacetForm:
    """One asked facet on the page: its choices, and the guess with its reason."""

    facet: str
    title: str
    choices: tuple[TagChoice, ...]
    others: tuple[tuple[str, str], ...]
    """Further words without a key: id and words."""
    proposed: str
    """The chosen value; empty when the person has to choose."""
    guess: str
    """The guess in words with its probability; empty when there is none."""
    reason: str


def question_title(question: PhotoQuestion, record: PhotoRecord, vocabulary: Vocabulary) -> str:
    """The question in one sentence."""
    known = {facet: value.value for facet, value in record.tags.items() if value.stated}
    known |= {one.facet: one.proposed for one in question.facets if one.proposed is not None}
    unknown = {one.facet for one in question.facets if one.proposed is None}
    thing = _thing(known, vocabulary)
    asked = {one.facet for one in question.facets}
    if asked == {Facet.COUNT}:
        return f"How many hits does this {thing or 'test square'} show?"
    if Facet.CONDITION in unknown:
        return f"{thing[:1].upper()}{thing[1:]}: damage or not?" if thing else "Damage or not?"
    words = [thing, *_conditions(known, vocabulary)]
    if Facet.COUNT in asked:
        words.append(f"{known[Facet.COUNT]} hits" if Facet.COUNT in known else "and how many hits")
    return f"Is this the {', '.join(filter(None, words))}?"


def _thing(known: dict[Facet, str], vocabulary: Vocabulary) -> str:
    """What the photo shows, in a few words: `back gutter, close-up`."""
    face, component, role = known.get(Facet.FACE), known.get(Facet.COMPONENT), known.get(Facet.ROLE)
    first = [vocabulary.plain(Facet.FACE, face)] if face and face != Face.NONE else []
    if component:
        first.append(vocabulary.plain(Facet.COMPONENT, component))
    if role and role != Role.OTHER:
        words = vocabulary.plain(Facet.ROLE, role)
        if not component:
            return " ".join([*first, words])
        return f"{' '.join(first)}, {words}" if first else words
    return " ".join(first)


def _conditions(known: dict[Facet, str], vocabulary: Vocabulary) -> list[str]:
    condition = known.get(Facet.CONDITION)
    if condition is None or condition == Condition.UNSTATED:
        return []
    if condition == Condition.NO_DAMAGE and known.get(Facet.ROLE) == Role.NO_DAMAGE_PROOF:
        return []
    return [vocabulary.plain(Facet.CONDITION, condition)]


def facet_forms(question: PhotoQuestion, vocabulary: Vocabulary, shots: ShotList) -> list[FacetForm]:
    """The asked facets in the order of the page."""
    known = tag_choices(vocabulary, shots)
    return [_facet_form(one, known, vocabulary) for one in question.facets]


def _facet_form(one: AskedFacet, known: dict[str, list[TagChoice]], vocabulary: Vocabulary) -> FacetForm:
    choices = list(known.get(one.facet.value, ()))
    if one.proposed and one.facet is not Facet.COUNT and one.proposed not in {c.value for c in choices}:
        words = vocabulary.plain(one.facet, one.proposed)
        choices.insert(0, TagChoice(facet=one.facet.value, value=one.proposed, words=words, key=""))
    with_key = {choice.value for choice in choices}
    return FacetForm(
        facet=one.facet.value,
        title=FACET_TITLES[one.facet],
        choices=tuple(choices),
        others=tuple(
            sorted(
                (
                    (word.id, word.words)
                    for word in vocabulary.words
                    if word.facet is one.facet and one.facet not in FACET_KEYS and word.id not in with_key
                ),
                key=lambda pair: pair[1],
            )
        ),
        proposed=one.proposed or "",
        guess=""
        if one.guess is None
        else f"{value_words(vocabulary, one.facet, one.guess.value)}, {with_percent(guess_percent(one.guess.confidence))}",
        reason=one.guess.reason if one.guess else "",
    )


def shots_words(items: Sequence[Item]) -> str:
    """Several shots of one place in one line."""
    return ", ".join(item.title for item in items)
