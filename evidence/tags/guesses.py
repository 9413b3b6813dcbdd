"""Guesses: the posterior of a claim's photos as facet values, each with a probability and a reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evidence.model import Facet, FacetValue, PhotoRecord, Role, Source
from evidence.tags.label_cards import ordinal
from evidence.tags.models import TagModels
from evidence.tags.reading.semantics import Reading
from evidence.tags.standing import BOARD_READS
from evidence.tags.vocabulary import GuessOptions, Vocabulary, Zone
from evidence.tags.walk.bearings import corner, overviews
from evidence.tags.walk.emission import EmissionModel
from evidence.tags.walk.marginals import Marginals, PhotoMarginals, Shares
from evidence.tags.walk.posterior import ClaimPosterior, claim_posterior

_SCENE_WORDS = {
    "house": "a house from outside",
    "roof": "a roof slope",
    "shingle": "shingles from near",
    "fixture": "a metal part or fixture",
    "interior": "a room",
    "sheet": "a sheet of paper",
    "gauge": "a gauge or tool",
    "other": "something else",
}

_CLEARLY_SIMILAR = 1.5
"""Likelihood ratio from which the similarity to the claim's other pictures is given as a reason."""

_IN_FAVOUR = 1.2
"""A source is given as a reason for a value that it makes this many times as probable as it usually is."""

_COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoEvidence:
    """A photo, its writing, and what label cards and people state of it."""

    photo: PhotoRecord
    position: int
    """Place in the claim's shooting order, from 0."""
    reading: Reading
    by_label: Mapping[Facet, FacetValue]
    by_person: Mapping[Facet, FacetValue]

    @property
    def stated(self) -> Mapping[Facet, FacetValue]:
        """What a person states, else what a label card states."""
        return {**self.by_label, **self.by_person}


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """The guessed values of a photo, and what each source gives by itself."""

    fused: Mapping[Facet, FacetValue]
    by_source: tuple[FacetValue, ...]


def guess_claim(
    photos: Sequence[PhotoEvidence],
    *,
    adjuster: str,
    vocabulary: Vocabulary,
    models: TagModels,
    options: GuessOptions,
) -> list[Guess]:
    """The guesses for one claim's photos of the walk, in shooting order; there must be at least one."""
    emission = EmissionModel(model=models.walk(adjuster), vocabulary=vocabulary, kind_head=models.kind_head)
    posterior = claim_posterior(
        emission,
        [one.photo for one in photos],
        [one.reading for one in photos],
        [one.stated for one in photos],
    )
    writer = _GuessWriter(posterior=posterior, models=models, vocabulary=vocabulary, options=options)
    guesses: list[Guess] = []
    before = ""
    for row, evidence in enumerate(photos):
        guess = writer.guess(row, evidence, before)
        subject = _subject({**guess.fused, **evidence.stated}, vocabulary)
        photo = f"{ordinal(evidence.position + 1)} photo"
        before = f"{subject} ({photo})" if subject else f"the {photo}"
        guesses.append(guess)
    return guesses


def _subject(values: Mapping[Facet, FacetValue], vocabulary: Vocabulary) -> str:
    """What a photo shows, in a few words: `left gutter`."""
    face, component, role = (values.get(facet) for facet in (Facet.FACE, Facet.COMPONENT, Facet.ROLE))
    named = [vocabulary.plain(value.facet, value.value) for value in (face, component) if value]
    if role and not component:
        named.append(vocabulary.plain(Facet.ROLE, role.value))
    return " ".join(name for name in named if name != vocabulary.plain(Facet.FACE, "none"))


def facet_value(facet: Facet, value: str, source: Source, share: float, reason: str) -> FacetValue:
    """A guess, its probability rounded to four digits."""
    return FacetValue(
        facet=facet, value=str(value), source=source, confidence=round(float(share), 4), reason=reason
    )


def board_reason(reading: Reading) -> str:
    """The reason for a value that was read from a board."""
    text = reading.text.upper()
    return f"{BOARD_READS} {text if len(text) <= 60 else text[:57] + '...'}"


@dataclass(frozen=True, kw_only=True)
class _GuessWriter:
    """Writes the guesses for the photos of one claim."""

    posterior: ClaimPosterior
    models: TagModels
    vocabulary: Vocabulary
    options: GuessOptions

    @cached_property
    def _marginals(self) -> Marginals:
        return Marginals(posterior=self.posterior)

    def guess(self, row: int, evidence: PhotoEvidence, before: str) -> Guess:
        """The guessed values of one photo; `before` describes the photo before it."""
        posterior = self.posterior
        marginals = self._marginals.of_photo(evidence.reading, evidence.stated)
        steps, off = posterior.walk.steps[row], posterior.off_walk(row)
        sides = self._sides(row)
        fused = marginals.shares(steps, off, sides)
        square = fused[Facet.ROLE].get(Role.TEST_SQUARE, 0.0)
        usual = marginals.shares(posterior.base_rates, posterior.plan.off_walk)
        alone = self._alone(row, marginals)
        self._withhold(fused, alone, marginals)
        values: dict[Facet, FacetValue] = {}
        by_source: list[FacetValue] = []
        for facet, shares in fused.items():
            reasons = self._reasons(facet, row, evidence, before)
            values |= self._best(facet, shares, alone, usual, reasons, evidence)
            by_source += self._of_each_source(facet, alone, reasons)
        for facet, shares in (
            (Facet.CONDITION, marginals.condition(steps)),
            (Facet.COUNT, marginals.count(evidence.photo, square, float(steps @ self._on_roof))),
        ):
            values |= self._off_walk_facet(facet, shares, evidence)
        return Guess(
            fused=values, by_source=(*by_source, *(v for v in values.values() if v.source is Source.FUSED))
        )

    def _alone(self, row: int, marginals: PhotoMarginals) -> dict[Source, dict[Facet, Shares]]:
        """The marginals that follow from each source alone."""
        posterior = self.posterior
        steps: dict[Source, NDArray[np.float64]] = {
            Source.PIXELS: posterior.from_alone(posterior.likelihoods.pixels[row]),
            Source.HABIT: posterior.walk.habit[row],
        }
        if posterior.place is not None:
            steps[Source.PLACE] = posterior.from_alone(posterior.place[row])
        return {
            source: marginals.shares(each, 0.0, self._sides(row) if source is Source.PLACE else None)
            for source, each in steps.items()
        }

    def _sides(self, row: int) -> NDArray[np.float64] | None:
        """(4,): the sides of an overview by its place; None for a photo without a place."""
        sides = self.posterior.overview_sides
        return None if sides is None or np.isnan(sides[row]).any() else sides[row]

    def _withhold(
        self, fused: dict[Facet, Shares], alone: dict[Source, dict[Facet, Shares]], marginals: PhotoMarginals
    ) -> None:
        """Drop no-damage proofs unless the condition is written or stated: pixels and habit never conclude them."""
        if not marginals.condition_given:
            for shares in (fused, *alone.values()):
                shares[Facet.ROLE].pop(Role.NO_DAMAGE_PROOF.value, None)

    def _best(
        self,
        facet: Facet,
        shares: Shares,
        alone: dict[Source, dict[Facet, Shares]],
        usual: dict[Facet, Shares],
        reasons: dict[Source, str],
        evidence: PhotoEvidence,
    ) -> dict[Facet, FacetValue]:
        """The most probable value of a facet of the walk, with the reasons of the sources in favour of it."""
        value, share = max(shares.items(), key=lambda item: item[1], default=("", 0.0))
        confidence = self.models.calibrated(facet, share)
        if not value or confidence < self.options.floor:
            return {}
        written = [one.value for one in evidence.reading.all(facet)]
        favour = [Source.WRITING] if value in written else []
        favour += [
            source
            for source, own in alone.items()
            if own[facet].get(value, 0.0) > _IN_FAVOUR * usual[facet].get(value, 0.0) and source in reasons
        ]
        if not favour:
            favour = [Source.HABIT]
        reason = "; ".join(reasons[source] for source in favour if source in reasons)
        return {facet: facet_value(facet, value, Source.FUSED, confidence, reason)}

    def _of_each_source(
        self, facet: Facet, alone: dict[Source, dict[Facet, Shares]], reasons: dict[Source, str]
    ) -> list[FacetValue]:
        """The most probable value of a facet by each source alone."""
        values = []
        for source, own in alone.items():
            value, share = max(own[facet].items(), key=lambda item: item[1], default=("", 0.0))
            if value and source in reasons and share >= self.options.floor:
                values.append(facet_value(facet, value, source, share, reasons[source]))
        return values

    def _off_walk_facet(
        self, facet: Facet, shares: Shares, evidence: PhotoEvidence
    ) -> dict[Facet, FacetValue]:
        """The condition or the count, which the steps of the walk do not have."""
        value, share = max(shares.items(), key=lambda item: item[1], default=("", 0.0))
        confidence = self.models.calibrated(facet, share)
        least = self.options.shows if facet is Facet.CONDITION else self.options.floor
        if not value or confidence < least:
            return {}
        if evidence.reading.best(facet):
            reason = board_reason(evidence.reading)
        elif facet is Facet.COUNT:
            chalk = evidence.photo.look.chalk
            outside = chalk is not None and chalk.rings is not None
            reason = (
                f"{value} rings in chalk counted, no square seen"
                if outside
                else f"{value} chalk marks counted"
            )
        else:
            reason = "usual for close-ups of this kind; nothing in the photo shows it"
        return {facet: facet_value(facet, value, Source.FUSED, confidence, reason)}

    # --- reasons -------------------------------------------------------------------------

    def _reasons(self, facet: Facet, row: int, evidence: PhotoEvidence, before: str) -> dict[Source, str]:
        reasons = {Source.HABIT: self._habit(before), Source.WRITING: board_reason(evidence.reading)}
        if pixels := self._pixels(facet, row, evidence.photo):
            reasons[Source.PIXELS] = pixels
        if facet is Facet.FACE and (place := self._place(row, evidence)):
            reasons[Source.PLACE] = place
        return reasons

    def _habit(self, before: str) -> str:
        style = self.posterior.styles[int(np.argmax(self.posterior.walk.styles))].name
        return (
            f"usual after {before} on a walk {style}" if before else f"usual at the start of a walk {style}"
        )

    def _pixels(self, facet: Facet, row: int, photo: PhotoRecord) -> str:
        look, reasons = photo.look, []
        if look.scenes:
            kind, share = max(look.scenes.items(), key=lambda item: item[1])
            reasons.append(f"looks like {_SCENE_WORDS[kind]} ({share:.0%})")
        if facet is Facet.ROLE and look.chalk and look.chalk.square >= 0.5:
            reasons.append("shows a chalked square")
        similarity = self.posterior.similarity[row, np.argmax(self.posterior.walk.steps[row])]
        if facet is Facet.ROLE and similarity > _CLEARLY_SIMILAR:
            reasons.append("similar to this claim's other photos of this kind")
        return ", ".join(reasons)

    @cached_property
    def _on_roof(self) -> NDArray[np.float64]:
        """(steps,): 1 for a step on the roof."""
        return np.array([float(step.zone is Zone.ROOF) for step in self.posterior.plan.steps])

    @cached_property
    def _whole_views(self) -> NDArray[np.float64]:
        """(steps,): 1 for an elevation or an overview from outside."""
        steps = self.posterior.plan.steps
        return np.array([float(step.role == Role.ELEVATION) for step in steps]) + overviews(
            self.posterior.plan
        )

    def _place(self, row: int, evidence: PhotoEvidence) -> str:
        reasons = []
        if (direction := evidence.photo.facts.direction) is not None:
            reasons.append(f"facing {direction:.0f} degrees")
        if evidence.reading.compass is not None:
            reasons.append(f"board names the {_COMPASS[round(evidence.reading.compass / 45) % 8]} side")
        if evidence.photo.facts.gps is not None:
            reasons.append("by its GPS position")
        front = self.posterior.front
        if reasons and front is not None:
            reasons.append(f"the front faces {_COMPASS[round(front / 45) % 8]}")
            seen, whole = self.posterior.seen, self.posterior.walk.steps[row] @ self._whole_views
            both = corner(front, float(seen.facing[row]), float(seen.standing[row]))
            if both and whole > 0.5:
                reasons.append(f"a view of the corner of {both[0]} and {both[1]}")
        return ", ".join(reasons)
