"""Finds photos that already served another claim: the same file, or a picture that is alike.

Pictures of plain walls are alike, so a finding says how alike, and how many photos of how many claims are. It is a
reason to look and never an accusation. Nothing of it is stored but what a person answers: photos move between claims,
and a purge leaves no finding behind.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

from evidence.alike.turning import Turned, turned_hashes
from evidence.catalog.decisions import AnswerLikeness, DecisionRow
from evidence.catalog.hashes import HashInClaim
from evidence.catalog.intakes import IntakeRow, Sighting
from evidence.coverage.match import is_sheet
from evidence.model import ClaimId, IntakeId, PhotoRecord, Sha256
from evidence.workspace import Workspace

MOST_NAMED = 20
"""Other claims that a finding names, the most alike first; the others are counted."""


class Likeness(StrEnum):
    """How a photo is like one of another claim."""

    SAME_FILE = "same_file"
    """The file is in another claim's bag too."""
    BROUGHT_AGAIN = "brought_again"
    """A card brought it among this claim's photos, but another claim has had the file before, and keeps it."""
    ALIKE = "alike"
    """The perceptual hashes differ in few bits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlikeInClaim:
    """The photos of one other claim that are alike, by the most alike of them."""

    claim: ClaimId
    photo: Sha256
    bits: int
    """Of 64, by which the hashes differ; 0 for an equal file."""
    turned: Turned = Turned.NOT
    """How the other photo is turned or mirrored."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UsedBefore:
    """A photo that may have served another claim before."""

    photo: Sha256
    name: str
    """The camera's file name."""
    likeness: Likeness
    others: tuple[AlikeInClaim, ...]
    """The other claims whose photos came earlier or with the same card, the most alike first; at least one, at most `MOST_NAMED`."""
    photos: int
    """Photos of other claims that are this alike, whenever they came."""
    claims: int
    """The claims of those photos."""
    answer: DecisionRow[AnswerLikeness] | None = None
    """What a person said of it; None when nobody did."""

    @property
    def nearest(self) -> AlikeInClaim:
        """The most alike."""
        return self.others[0]


def used_before(workspace: Workspace, claim: ClaimId, photos: Sequence[PhotoRecord]) -> list[UsedBefore]:
    """What may have served another claim before, of these photos of `claim` and of the files on their cards.

    In shooting order, then the files that belong to another claim. Exact within the setting `used_before_bits`: no
    photo that came earlier, or with the same card, is left out. Sheets and label cards are compared by file only, since
    they look alike in every claim.
    """
    found = [*_same_file_in_a_bag(workspace, claim, photos), *_alike(workspace, claim, photos)]
    place = {photo.sha256: number for number, photo in enumerate(photos)}
    found.sort(key=lambda one: place[one.photo])
    found += _brought_again(workspace, claim, photos)
    return with_answers(workspace, claim, found)


def _alike(workspace: Workspace, claim: ClaimId, photos: Sequence[PhotoRecord]) -> list[UsedBefore]:
    shown = [photo for photo in photos if photo.look.phash and not is_sheet(photo)]
    near = _near(workspace, {photo.look.phash for photo in shown})
    every = {phash for hits in near.values() for phash in hits}
    by_hash: dict[str, list[HashInClaim]] = defaultdict(list)
    for one in workspace.catalog.hashes.in_claims(every):
        if one.claim != claim:
            by_hash[one.phash].append(one)
    found = []
    for photo in shown:
        hits = [(how, one) for phash, how in near[photo.look.phash].items() for one in by_hash[phash]]
        earlier = _nearest_of_each([hit for hit in hits if not photo.intake or hit[1].first <= photo.intake])
        if earlier:
            found.append(
                UsedBefore(
                    photo=photo.sha256,
                    name=photo.name,
                    likeness=Likeness.ALIKE,
                    others=earlier[:MOST_NAMED],
                    photos=sum(one.photos for _, one in hits),
                    claims=len({one.claim for _, one in hits}),
                )
            )
    return found


class _Nearness(NamedTuple):
    """How near a hash is: by how many bits it differs from the photo's, turned so."""

    bits: int
    turned: Turned


def _near(workspace: Workspace, phashes: Collection[str]) -> dict[str, dict[str, _Nearness]]:
    """For each hash those of the catalog within the radius, by the way of turning that is nearest."""
    coverage = workspace.settings.coverage
    ways = {
        phash: turned_hashes(phash) if coverage.used_before_turned else {Turned.NOT: phash}
        for phash in phashes
    }
    hits = workspace.hash_index.near(
        [one for turned in ways.values() for one in turned.values()], coverage.used_before_bits
    )
    found: dict[str, dict[str, _Nearness]] = {}
    for phash, turned in ways.items():
        best = found.setdefault(phash, {})
        for way, asked in turned.items():
            for hit, bits in hits[asked].items():
                if hit not in best or bits < best[hit].bits:
                    best[hit] = _Nearness(bits, way)
    return found


def _nearest_of_each(hits: Sequence[tuple[_Nearness, HashInClaim]]) -> tuple[AlikeInClaim, ...]:
    """The most alike photo of each claim, the most alike claim first."""
    best: dict[ClaimId, AlikeInClaim] = {}
    for how, one in sorted(hits, key=lambda hit: (hit[0].bits, hit[1].first, hit[1].example)):
        alike = AlikeInClaim(claim=one.claim, photo=one.example, bits=how.bits, turned=how.turned)
        best.setdefault(one.claim, alike)
    return tuple(best.values())


# --- equal files -------------------------------------------------------------------------


def _same_file_in_a_bag(
    workspace: Workspace, claim: ClaimId, photos: Sequence[PhotoRecord]
) -> list[UsedBefore]:
    """Photos of the claim that another claim's bag holds too."""
    held = workspace.catalog.keeping.held_in([photo.sha256 for photo in photos])
    found = []
    for photo in photos:
        claims = sorted(other for other, _ in held.get(photo.sha256, ()) if other and other != claim)
        if claims:
            found.append(_equal(photo.sha256, photo.name, Likeness.SAME_FILE, claims))
    return found


def _equal(sha: Sha256, name: str, likeness: Likeness, claims: Sequence[ClaimId]) -> UsedBefore:
    return UsedBefore(
        photo=sha,
        name=name,
        likeness=likeness,
        others=tuple(AlikeInClaim(claim=one, photo=sha, bits=0) for one in claims),
        photos=1,
        claims=len(claims),
    )


def _brought_again(workspace: Workspace, claim: ClaimId, photos: Sequence[PhotoRecord]) -> list[UsedBefore]:
    """Files that another claim has had from an earlier card, and that came again among new photos of this claim.

    Such a file stays with its claim. A card that still holds what it held at an earlier intake, at the same path with
    the same time, brings nothing again.
    """
    catalog = workspace.catalog.photos
    new_here: dict[IntakeId, set[Sha256]] = defaultdict(set)
    for photo in photos:
        new_here[photo.intake].add(photo.sha256)
    found = []
    for intake, new in sorted(new_here.items()):
        again = catalog.seen_again(intake, not_of=claim)
        if not again:
            continue
        run = catalog.intake(intake)
        before = catalog.sightings(list(again))
        runs = {one.intake: catalog.intake(one.intake) for seen in before.values() for one in seen}
        on_card = catalog.on_card(intake)
        mine = _beside(on_card, new, set(catalog.first_seen(intake)))
        for one in on_card:
            if one.sha256 in again and one.card_path in mine and run is not None:
                earlier = [each for each in before[one.sha256] if each.intake < intake]
                if not any(_still_there(one, run, each, runs[each.intake]) for each in earlier):
                    name = one.card_path.rsplit("/", 1)[-1]
                    found.append(_equal(one.sha256, name, Likeness.BROUGHT_AGAIN, [again[one.sha256]]))
    return list({one.photo: one for one in found}.values())


def _beside(on_card: Sequence[Sighting], new: set[Sha256], all_new: set[Sha256]) -> set[str]:
    """The paths of files beside which, in the card's order, the nearest file that is new on the card is one of `new`."""
    found = set()
    for sightings in (on_card, on_card[::-1]):
        nearest = None
        for one in sightings:
            if one.sha256 in all_new:
                nearest = one.sha256
            elif nearest in new:
                found.add(one.card_path)
    return found


def _still_there(now: Sighting, run: IntakeRow, before: Sighting, earlier: IntakeRow | None) -> bool:
    """Whether the card simply still holds the file: as far as is known the same card, at the same path and time."""
    same_card = earlier is None or not run.card_id or not earlier.card_id or run.card_id == earlier.card_id
    return same_card and (now.card_path, now.modified) == (before.card_path, before.modified)


# --- answers -----------------------------------------------------------------------------


def with_answers(workspace: Workspace, claim: ClaimId, found: Sequence[UsedBefore]) -> list[UsedBefore]:
    """The same with what people say of each by now; an answer counts no longer when a claim that it did not see is the nearest."""
    answers = {
        row.decision.photo: row for row in workspace.catalog.claims.decisions(AnswerLikeness, claim=claim)
    }
    compared = {sha for row in answers.values() for sha in row.decision.others}
    claims: Mapping[Sha256, ClaimId | None] = workspace.catalog.photos.claims_of(sorted(compared))

    def holds(one: UsedBefore, row: DecisionRow[AnswerLikeness]) -> bool:
        seen = {claims.get(sha) for sha in row.decision.others}
        return one.nearest.claim in seen or one.nearest.photo in row.decision.others

    return [
        replace(one, answer=row if (row := answers.get(one.photo)) and holds(one, row) else None)
        for one in found
    ]
