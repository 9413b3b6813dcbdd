"""Coverage of the archive's claims: which required-shot list applies, and what it finds."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from evidence.analysis.used_before import Likeness, UsedBefore, used_before
from evidence.catalog.decisions import LikenessAnswer
from evidence.coverage.check import check
from evidence.coverage.report import (
    BroughtAgain,
    CheckOptions,
    CoverageReport,
    NearMatch,
    OtherClaims,
    Waiver,
)
from evidence.coverage.requirements import load_list
from evidence.coverage.shots import FACES, ShotList
from evidence.coverage.suppose import Supposition
from evidence.errors import BadInputError
from evidence.model import Claim, ClaimId, Face, PhotoRecord
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

    def report(
        self,
        claim: ClaimId,
        records: list[PhotoRecord] | None = None,
        found: Sequence[UsedBefore] | None = None,
    ) -> CoverageReport:
        """The claim's report; pass `records`, and what `used_before` found of them, to save reading them again."""
        workspace = self.workspace
        row = workspace.catalog.claims.get(claim)
        assert row is not None
        photos = workspace.catalog.photos.of_claim(claim) if records is None else records
        return check(
            self._list(list_for(workspace, row.claim)),
            photos,
            row.claim,
            other_claims=other_claims(used_before(workspace, claim, photos) if found is None else found),
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

    @cached_property
    def _lists(self) -> dict[str, ShotList]:
        return {}

    def _list(self, name: str) -> ShotList:
        if name not in self._lists:
            self._lists[name] = shot_list(self.workspace, name)
        return self._lists[name]


def other_claims(found: Sequence[UsedBefore]) -> OtherClaims:
    """What the flags say of photos that may have served another claim; nothing of those that a person called fine."""
    open_ones = [
        one for one in found if one.answer is None or one.answer.decision.answer is not LikenessAnswer.FINE
    ]
    of = {likeness: [one for one in open_ones if one.likeness is likeness] for likeness in Likeness}
    return OtherClaims(
        same={one.photo: tuple(other.claim for other in one.others) for one in of[Likeness.SAME_FILE]},
        near=tuple(
            NearMatch(
                photo=one.photo,
                other=other.photo,
                claim=other.claim,
                bits=other.bits,
                photos=one.photos,
                claims=one.claims,
                turned=other.turned.value,
            )
            for one in of[Likeness.ALIKE]
            for other in one.others
        ),
        brought=tuple(
            BroughtAgain(photo=one.photo, name=one.name, claim=one.nearest.claim)
            for one in of[Likeness.BROUGHT_AGAIN]
        ),
        look_into=frozenset(one.photo for one in open_ones if one.answer),
    )


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
