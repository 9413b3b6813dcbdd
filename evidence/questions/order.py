"""Finds the questions that can change a claim's outcome, and puts first what resolves most."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from evidence.coverage.doubles import pairs
from evidence.coverage.report import CoverageReport, Item
from evidence.coverage.shots import FACES, ForEach
from evidence.coverage.suppose import OpenPhoto, Supposition
from evidence.model import Facet, PhotoRecord, Role, Sha256
from evidence.questions.kinds import (
    AskedFacet,
    Conclusion,
    HouseQuestion,
    LikenessQuestion,
    NeedLine,
    NeedQuestion,
    PhotoQuestion,
    Question,
    StayQuestion,
    need_key,
)

_FACETS = (Facet.FACE, Facet.COMPONENT, Facet.ROLE, Facet.CONDITION, Facet.COUNT)
_OF_ONE_THING = frozenset({Role.CLOSE_UP.value, Role.NO_DAMAGE_PROOF.value})
"""Roles that say whether there is damage: their question asks for the condition, too."""


@dataclass(frozen=True)
class ReviewCase:
    """A claim as it stands: all that the questions depend on."""

    report: CoverageReport
    supposition: Supposition
    houses: tuple[HouseQuestion, ...] = ()
    """Runs of the claim's photos whose house is to confirm."""
    likenesses: tuple[LikenessQuestion, ...] = ()
    """Photos that may have served another claim, of which nobody has said anything."""
    passed: frozenset[str] = frozenset()
    """Keys of the questions that were put off or closed without a decision."""
    compared: frozenset[Sha256] = frozenset()
    """Photos for which a person decided already which of the nearly equal ones stay in the report."""

    @cached_property
    def records(self) -> dict[Sha256, PhotoRecord]:
        """The claim's photos by digest."""
        return {record.sha256: record for record in self.supposition.photos}


def next_step(case: ReviewCase) -> Question | Conclusion:
    """The question to ask now, or the conclusion when no answer can change the outcome any more."""
    found = open_questions(case)
    return found[0] if found else conclusion(case)


def open_questions(case: ReviewCase) -> list[Question]:
    """All questions that stand now, in the order in which they are asked.

    Houses come first, because they decide which photos count. Then photos: first the answer that resolves most; then
    whether the missing shots are needed. Photos that may have served another claim are asked about last before any
    decision, because they change none of the required shots. Nearly equal photos are asked about only when the claim can be signed off,
    because only then a report is made.
    """
    houses = [one for one in case.houses if one.key not in case.passed]
    photos = photo_questions(case)
    need = need_question(case, {one for each in photos for one in _keys(each.meets)})
    likenesses = [one for one in case.likenesses if one.key not in case.passed]
    found: list[Question] = [*houses, *photos, *([need] if need else []), *likenesses]
    if case.report.complete and not case.houses:
        found += stay_questions(case)
    return found


def photo_questions(case: ReviewCase) -> list[PhotoQuestion]:
    """One question for each photo that is needed for an unmet shot, first the one that resolves most.

    A guess that meets no unmet shot is not asked about; of several that meet the same one, the best is.
    """
    skipped = frozenset(Sha256(key.removeprefix("photo ")) for key in case.passed if key.startswith("photo "))
    plans: dict[Sha256, list[tuple[Item, OpenPhoto, tuple[OpenPhoto, ...]]]] = defaultdict(list)
    for item in (*case.report.guessed, *case.report.missing):
        chosen = case.supposition.cheapest(item, skipped)
        for one in chosen:
            plans[one.photo].append((item, one, chosen))
    found = []
    for sha, plan in plans.items():
        plan.sort(key=lambda one: (-one[1].share / len(one[2]), one[0].key))
        weight = sum(one.share / len(chosen) for _, one, chosen in plan)
        found.append((-weight, plan[0][1].order, _photo_question(case.records[sha], plan)))
    return [question for _, _, question in sorted(found, key=lambda one: (one[0], one[1], one[2].photo))]


def _photo_question(
    record: PhotoRecord, plan: Sequence[tuple[Item, OpenPhoto, tuple[OpenPhoto, ...]]]
) -> PhotoQuestion:
    first, others = plan[0], plan[0][2]
    open_facets = {one.facet: one for one in first[1].facets}
    asked = set(open_facets)
    role = record.tags.get(Facet.ROLE)
    condition = record.tags.get(Facet.CONDITION)
    if role and role.value in _OF_ONE_THING and condition and not condition.stated:
        asked.add(Facet.CONDITION)
    facets = []
    for facet in _FACETS:
        if facet in asked:
            one = open_facets.get(facet)
            guess = record.tags.get(facet)
            sure = one is None or one.guess is not None
            facets.append(
                AskedFacet(facet=facet, guess=guess, proposed=guess.value if guess and sure else None)
            )
    return PhotoQuestion(
        photo=record.sha256,
        facets=tuple(facets),
        meets=tuple(item for item, _, _ in plan),
        supposed={one.photo: one.statement for one in others},
    )


def _keys(items: Sequence[Item]) -> list[tuple[str, str]]:
    return [item.key for item in items]


def need_question(case: ReviewCase, asked: set[tuple[str, str]]) -> NeedQuestion | None:
    """Whether the missing shots are needed, all in one question; those in `asked` have a photo to ask about first."""
    lines: dict[str, list[Item]] = defaultdict(list)
    for item in case.report.missing:
        if item.key not in asked and need_key(item) not in case.passed:
            lines[item.place if item.for_each is not ForEach.STRUCTURE else ""].append(item)
    if not lines:
        return None
    found = [
        NeedLine(place=place, items=tuple(items))
        for place, items in sorted(lines.items(), key=lambda line: _walked(line[1][0]))
        if place
    ]
    if once := lines.get(""):
        found.append(NeedLine(place="", items=tuple(once)))
    return NeedQuestion(lines=tuple(found))


def _walked(item: Item) -> tuple[bool, int]:
    """Sort key of a place: the elevations, then the slopes, each from the front to the right round the house."""
    return item.for_each is ForEach.SLOPE, FACES.index(item.face) if item.face in FACES else len(FACES)


def stay_questions(case: ReviewCase) -> list[StayQuestion]:
    """For each group of nearly equal photos which of them stay in the report."""
    shown = [
        record
        for record in sorted(case.supposition.photos, key=lambda one: one.order)
        if record.look.phash and not _is_sheet(record)
    ]
    group = {record.sha256: record.sha256 for record in shown}
    for first, second, _ in pairs(
        [record.look.phash for record in shown], case.supposition.options.double_bits
    ):
        old, new = group[shown[second].sha256], group[shown[first].sha256]
        group = {sha: new if root == old else root for sha, root in group.items()}
    groups: dict[Sha256, list[PhotoRecord]] = defaultdict(list)
    for record in shown:
        groups[group[record.sha256]].append(record)
    counted = {sha for item in case.report.met for sha in item.photos}
    found = []
    for members in groups.values():
        open_ones = [record for record in members if record.sha256 not in case.compared]
        if len(members) < 2 or not open_ones:
            continue
        question = StayQuestion(
            photos=tuple(record.sha256 for record in members),
            proposed=max(members, key=lambda one: (one.sha256 in counted, *_sharpness(one))).sha256,
        )
        if question.key not in case.passed:
            found.append(question)
    return found


def _is_sheet(record: PhotoRecord) -> bool:
    role = record.tags.get(Facet.ROLE)
    return bool(role and role.value in {Role.DIVIDER, Role.LABEL}) or bool(record.look.dividers)


def _sharpness(record: PhotoRecord) -> tuple[float, int]:
    quality = record.look.quality
    return (quality.sharpness if quality else 0.0), -record.order


def conclusion(case: ReviewCase) -> Conclusion:
    """What is left once nothing is asked any more."""
    houses = sum(len(one.photos) for one in case.houses)
    still = {one.key for one in case.houses} | {one.key for one in case.likenesses}
    return Conclusion(
        ready=case.report.complete and not houses,
        missing=case.report.missing,
        guessed=case.report.guessed,
        houses=houses,
        skipped=len([key for key in case.passed if key in still or key.startswith(("photo ", "stay "))]),
    )
