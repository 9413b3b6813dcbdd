"""Coverage of the archive's claims: which required-shot list applies, and what it finds."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from evidence.coverage.check import check
from evidence.coverage.doubles import DoubleIndex
from evidence.coverage.report import CheckOptions, CoverageReport, NearMatch, OtherClaims, Waiver
from evidence.coverage.requirements import load_list
from evidence.coverage.shots import FACES, ShotList
from evidence.coverage.suppose import Supposition
from evidence.errors import BadInputError
from evidence.model import Claim, ClaimId, Face, PhotoRecord, Sha256
from evidence.workspace import Workspace


def list_names(workspace: Workspace) -> tuple[str, ...]:
    """Every list there is: the program's, and the office's own in the archive."""
    return workspace.list_names()


def shot_list(workspace: Workspace, name: str) -> ShotList:
    """The list of that name; raises BadInputError, with the line, when it cannot be read."""
    known = list_names(workspace)
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1)
        raise BadInputError(
            f"There is no required-shot list '{name}'.",
            f"Did you mean '{near[0]}'?" if near else f"The lists are {', '.join(known)}.",
        )
    file = f"required_shots/{name}.toml"
    return load_list(
        workspace.text(file),
        workspace.origin(file),
        workspace.vocabulary,
        lambda base: workspace.text(f"required_shots/{base}.toml"),
    )


def list_for(workspace: Workspace, claim: Claim) -> str:
    """The name of the list that the settings give the claim's peril."""
    coverage = workspace.settings.coverage
    return coverage.by_peril.get(claim.peril.casefold(), coverage.default_list)


def coverage_of(workspace: Workspace, claim: ClaimId) -> CoverageReport:
    """Every required shot of the claim (met, guessed, missing, waived or not needed) and the flags of its photos."""
    return CoverageChecker(workspace).report(claim)


@dataclass(frozen=True)
class CoverageChecker:
    """Checks many claims of one archive; what they share is read once, so use it for one moment only."""

    workspace: Workspace

    def report(self, claim: ClaimId, records: list[PhotoRecord] | None = None) -> CoverageReport:
        """The claim's report; pass `records` to save reading its photos again."""
        workspace = self.workspace
        row = workspace.catalog.claims.get(claim)
        assert row is not None
        photos = workspace.catalog.photos.of_claim(claim) if records is None else records
        return check(
            self._list(list_for(workspace, row.claim)),
            photos,
            row.claim,
            other_claims=OtherClaims(
                same=self.used_elsewhere(claim, photos), near=tuple(self.near_matches(claim, photos))
            ),
            waivers=self.waivers(claim),
            options=self.options,
        )

    def supposition(self, claim: Claim, records: list[PhotoRecord]) -> Supposition:
        """The claim, to try what its coverage would be if a person stated more."""
        return Supposition(
            shots=self._list(list_for(self.workspace, claim)),
            photos=records,
            claim=claim,
            options=self.options,
            waivers=self.waivers(claim.claim),
            ask_level=self.workspace.vocabulary.guess.shows,
        )

    @property
    def options(self) -> CheckOptions:
        """How strictly the settings let it check."""
        coverage = self.workspace.settings.coverage
        return CheckOptions(
            guess_level=coverage.guess_level, double_bits=coverage.double_bits, lot_m=coverage.lot_m
        )

    def waivers(self, claim: ClaimId) -> list[Waiver]:
        """The shots that a person set aside for the claim."""
        return [
            Waiver(
                requirement=one.requirement,
                by=one.by,
                why=one.why,
                face=Face(one.place) if one.place in FACES else None,
                structure="" if one.place in FACES else one.place,
            )
            for one in self.workspace.catalog.claims.waivers(claim)
        ]

    def used_elsewhere(self, claim: ClaimId, photos: list[PhotoRecord]) -> dict[Sha256, tuple[ClaimId, ...]]:
        """Photos that another claim's bag holds too, and which claims."""
        held = self.workspace.catalog.keeping.held_in([photo.sha256 for photo in photos])
        others = {sha: tuple(o for o, _ in bags if o and o != claim) for sha, bags in held.items()}
        return {sha: claims for sha, claims in others.items() if claims}

    def near_matches(self, claim: ClaimId, photos: list[PhotoRecord]) -> list[NearMatch]:
        """Photos of other claims that look nearly like one of these."""
        bits = self.workspace.settings.coverage.double_bits
        near = []
        for photo in photos:
            if photo.look.dividers or photo.look.labels:
                continue  # sheets and cards look alike in every claim
            for hit in self._index.near(photo.look.phash, bits):
                other, owner, _ = self._hashes[hit.place]
                if owner is not None and owner != claim:
                    near.append(NearMatch(photo=photo.sha256, other=other, claim=owner, bits=hit.bits))
        return near

    @cached_property
    def _hashes(self) -> list[tuple[Sha256, ClaimId | None, str]]:
        return self.workspace.catalog.photos.hashes()

    @cached_property
    def _index(self) -> DoubleIndex:
        return DoubleIndex([phash for _, _, phash in self._hashes])

    @cached_property
    def _lists(self) -> dict[str, ShotList]:
        return {}

    def _list(self, name: str) -> ShotList:
        if name not in self._lists:
            self._lists[name] = shot_list(self.workspace, name)
        return self._lists[name]


def asked_shot(workspace: Workspace, claim: ClaimId, requirement: str, place: str) -> tuple[str, str]:
    """The shot and the place that a person names, by their ids or by the words that the coverage shows.

    Raises BadInputError unless the claim's list asks for that shot (at that place).
    """
    items = coverage_of(workspace, claim).items
    named = [one for one in items if _is_named(requirement, one.requirement, one.title)]
    at = [one for one in named if place and _is_named(place, one.key[1], one.place)]
    requirement = named[0].requirement if named else requirement
    place = at[0].key[1] if at else place
    _require_asked(claim, [item.key for item in items], requirement, place)
    return requirement, place


def _is_named(text: str, *names: str) -> bool:
    wanted = " ".join(text.replace("_", " ").split()).casefold()
    return any(name and wanted == name.replace("_", " ").casefold() for name in names)


def _require_asked(claim: ClaimId, asked: Sequence[tuple[str, str]], requirement: str, place: str) -> None:
    shots = {shot for shot, _ in asked}
    if requirement not in shots:
        near = difflib.get_close_matches(requirement, shots, n=1)
        raise BadInputError(
            f"The list of claim {claim} asks for no '{requirement}'.",
            f"Did you mean '{near[0]}'?" if near else f"It asks for {', '.join(sorted(shots))}.",
        )
    places = {where for shot, where in asked if shot == requirement}
    if place and place not in places:
        raise BadInputError(
            f"'{requirement}' is not asked for at '{place}'.",
            f"The places are {', '.join(sorted(filter(None, places))) or 'none: leave it out'}.",
        )
