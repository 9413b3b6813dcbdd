"""Flags problems of a claim's photos: near-duplicates, wrong times, places far away, damaged files, contradictions."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from evidence.coverage.doubles import pairs
from evidence.coverage.match import TaggedPhoto, below_floor, within
from evidence.coverage.report import CheckOptions, Item, NearMatch, OtherClaims, Status
from evidence.coverage.shots import QualityFloor, ShotList
from evidence.errors import counted
from evidence.model import Claim, Condition, Face, Finding, GeoPoint, MediaKind, Role, Sha256

_FROM_CAMERA = frozenset(
    {"truncated", "empty_file", "not_an_image", "unreadable_image", "absurd_size", "edited", "absurd_time"}
    | {"no_original_time", "unreadable_exif", "no_exif"}
)
"""Flags of the camera data that are passed on; a missing position alone is no problem."""

_QUALITY = frozenset({"blurred", "dark", "bright", "small"})
"""Not passed on for a claim sheet or label card, which need only be readable."""

_EARTH_M = 6_371_008.8
"""Mean radius of the earth (IUGG), metres."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagInput:
    """What the flags are made from."""

    photos: tuple[TaggedPhoto, ...]
    """In shooting order, with sheets and label cards."""
    claim: Claim
    shots: ShotList
    items: tuple[Item, ...]
    window: tuple[datetime, datetime] | None
    options: CheckOptions
    elsewhere: OtherClaims


def all_flags(case: FlagInput) -> tuple[Finding, ...]:
    """All flags in shooting order; each code at most once per photo."""
    photos, options = case.photos, case.options
    shown = [seen for seen in photos if not seen.sheet]
    floor = _lowest_floor(case.shots)
    found: dict[tuple[str, str], Finding] = {}
    sources: Iterable[Iterator[Finding]] = (
        *(_about_quality(seen, floor) for seen in shown if seen.photo.kind is MediaKind.PHOTO),
        *(_about_file(seen) for seen in photos),
        *(_about_time(seen, case.claim, case.window) for seen in photos),
        *(_about_place(seen, case.claim, options) for seen in photos),
        _doubles(shown, options),
        flags_elsewhere({seen.photo.sha256 for seen in photos}, case.elsewhere),
        _counts(shown),
        _contradictions(shown, case.items),
    )
    for source in sources:
        for finding in source:
            found.setdefault((finding.code, finding.subject), finding)
    place = {seen.photo.sha256: number for number, seen in enumerate(photos)}
    return tuple(sorted(found.values(), key=lambda f: place.get(Sha256(f.subject), len(photos))))


def distance_m(one: GeoPoint, other: GeoPoint) -> float:
    """Great-circle distance in metres by the haversine formula, on a sphere of the earth's mean radius."""
    lat1, lat2 = math.radians(one.lat), math.radians(other.lat)
    half = math.radians(other.lon - one.lon) / 2
    h = math.sin((lat2 - lat1) / 2) ** 2 + math.cos(lat1) * math.cos(lat2) * math.sin(half) ** 2
    return 2 * _EARTH_M * math.asin(min(1.0, math.sqrt(h)))


def _finding(code: str, seen: TaggedPhoto, detail: str) -> Finding:
    return Finding(code=code, message=f"{detail}.", subject=seen.photo.sha256)


def _about_file(seen: TaggedPhoto) -> Iterator[Finding]:
    """Flags that were found when the file was read and analysed."""
    photo = seen.photo
    for flag in photo.facts.flags:
        if flag.code in _FROM_CAMERA and photo.kind in {MediaKind.PHOTO, MediaKind.RAW}:
            yield Finding(code=flag.code, message=flag.message, subject=photo.sha256)
    looked = [flag for flag in photo.look.flags if not (seen.sheet and flag.code in _QUALITY)]
    for flag in (*looked, *photo.flags):
        yield Finding(code=flag.code, message=flag.message, subject=photo.sha256)


def _about_time(
    seen: TaggedPhoto, claim: Claim, window: tuple[datetime, datetime] | None
) -> Iterator[Finding]:
    photo, taken = seen.photo, seen.taken
    if photo.kind is MediaKind.PHOTO and photo.facts.taken_local is None:
        yield _finding("no_original_time", seen, "The capture time is missing")
    if photo.correction:
        yield _finding("clock_corrected", seen, f"The time was corrected: {photo.correction.rstrip('.')}")
    if taken is None:
        return
    if claim.loss_date is not None and taken.date() < claim.loss_date:
        detail = f"Taken {taken:%Y-%m-%d}, before the date of loss, {claim.loss_date}"
        yield _finding("before_loss", seen, detail)
    if window is not None and not within(taken, window):
        first, last = window
        detail = (
            f"Taken {taken:%Y-%m-%d %H:%M}, outside the inspection of {first:%Y-%m-%d %H:%M} to {last:%H:%M}"
        )
        yield _finding("outside_inspection", seen, detail)


def _about_place(seen: TaggedPhoto, claim: Claim, options: CheckOptions) -> Iterator[Finding]:
    here = seen.photo.facts.gps
    if here is None or claim.place is None:
        return
    metres = distance_m(here, claim.place)
    if metres > options.lot_m:
        yield _finding("far_from_address", seen, f"Taken {_metres(metres)} from the loss address")


def _about_quality(seen: TaggedPhoto, floor: QualityFloor) -> Iterator[Finding]:
    for words in below_floor(seen, floor):
        code = "blurred" if words.startswith("too blurred") else "small"
        yield _finding(code, seen, f"{words[0].upper()}{words[1:]}, so it does not count")


def _lowest_floor(shots: ShotList) -> QualityFloor:
    """The lowest floor of the list: a photo below it counts for no shot."""
    return QualityFloor(
        sharpness=min((s.quality.sharpness for s in shots.shots), default=0.0),
        pixels=min((s.quality.pixels for s in shots.shots), default=0),
    )


def _doubles(photos: Sequence[TaggedPhoto], options: CheckOptions) -> Iterator[Finding]:
    """Each later photo of a nearly equal pair, with the name of the earliest photo that it resembles."""
    hashes = [seen.photo.look.phash for seen in photos]
    told: set[int] = set()
    for first, second, bits in sorted(pairs(hashes, options.double_bits), key=lambda p: (p[1], p[0])):
        if second not in told:
            told.add(second)
            name = photos[first].photo.name
            yield _finding(
                "near_duplicate",
                photos[second],
                f"Nearly the same picture as {name} ({bits} of 64 bits differ)",
            )


USED_BEFORE = frozenset({"used_elsewhere", "alike_elsewhere", "brought_again"})
"""Codes of the flags of photos that may have served another claim before."""


def flags_elsewhere(known: Collection[Sha256], others: OtherClaims) -> Iterator[Finding]:
    """The flags of photos that may have served another claim: of `known`, and of files that a card brought again."""

    def ending(photo: Sha256) -> str:
        return "; somebody is to look into it" if photo in others.look_into else ""

    for sha, claims in others.same.items():
        if sha in known and claims:
            detail = f"The same file is in claim {', '.join(sorted(claims))}{ending(sha)}"
            yield Finding(code="used_elsewhere", message=f"{detail}.", subject=sha)
    for match in sorted(others.near, key=lambda m: (m.bits, m.claim)):
        if match.photo in known and match.claim not in others.same.get(match.photo, ()):
            turned = f", {match.turned}," if match.turned else ""
            detail = (
                f"Nearly the same picture{turned} is in claim {match.claim} ({match.bits} of 64 bits differ)"
            )
            detail += f"{_how_common(match)}{ending(match.photo)}"
            yield Finding(code="alike_elsewhere", message=f"{detail}.", subject=match.photo)
    for again in others.brought:
        detail = (
            f"{again.name} came again among these photos; the file is in claim {again.claim} and stays there"
        )
        yield Finding(code="brought_again", message=f"{detail}{ending(again.photo)}.", subject=again.photo)


def _how_common(match: NearMatch) -> str:
    """How common such a likeness is in the archive; empty when it is the only one."""
    if match.photos < 2:
        return ""
    return f"; {match.photos} photos of {counted(match.claims, 'claim')} are this alike"


def _counts(photos: Sequence[TaggedPhoto]) -> Iterator[Finding]:
    """Hit counts on a face where no photo shows the test square."""
    faces = {seen.face[0] for seen in photos if seen.role[0] == Role.TEST_SQUARE}
    for seen in photos:
        count, face = seen.count[0], seen.face[0]
        if count is not None and face not in faces:
            where = f"the {face} slope" if face not in {None, Face.NONE} else "that slope"
            yield _finding(
                "count_without_square",
                seen,
                f"A count of {count} is stated, but no photo shows the test square of {where}",
            )


def _contradictions(photos: Sequence[TaggedPhoto], items: Sequence[Item]) -> Iterator[Finding]:
    """Items for which both a damage close-up and a no-damage proof were counted."""
    known = {seen.photo.sha256: seen for seen in photos}
    for item in items:
        if item.status is not Status.MET:
            continue
        shown = [known[sha] for sha in item.photos]
        proofs = [s for s in shown if s.role[0] == Role.NO_DAMAGE_PROOF]
        damaged = [s for s in shown if s.condition[0] == Condition.DAMAGE]
        if proofs and damaged:
            thing = f"{item.place}: {item.title}" if item.place else item.title
            yield _finding(
                "damage_and_proof",
                proofs[0],
                f"{thing} is shown as undamaged here and as damaged in {damaged[0].photo.name}",
            )


def _metres(metres: float) -> str:
    return f"{metres / 1000:.1f} km" if metres >= 1000 else f"{metres:.0f} m"
