"""Facets stated by a person: state or remove them, confirm guesses, read a typed word."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from evidence.analysis.refresh import Refreshed, retag
from evidence.archive.custody_texts import FreeText
from evidence.catalog.decisions import Tag
from evidence.errors import BadInputError
from evidence.model import Facet, FacetValue, PhotoRecord, Sha256
from evidence.review.recording import Corrected, build_outdated_bags, decide, require_open
from evidence.review.staleness import mark_of, require_marks
from evidence.tags.standing import Confirmable, confirmable
from evidence.workspace import Workspace


def tag(workspace: Workspace, digests: Sequence[Sha256], facets: Mapping[Facet, str | None]) -> Corrected:
    """State facets of photos; None removes what a person stated before. Their bags are built afterwards.

    Raises BadInputError for a photo of a claim that is signed or closed.
    """
    with workspace.locked():
        records = workspace.catalog.photos.records(digests)
        require_open(workspace, {record.claim for record in records}, what="tags")
        number, refreshed = state_facets(workspace, dict.fromkeys(digests, facets))
        return build_outdated_bags(workspace, number, refreshed, digests)


def tag_seen(
    workspace: Workspace, stated: Mapping[Sha256, Mapping[Facet, str | None]], *, seen: Mapping[Sha256, str]
) -> tuple[int, Refreshed]:
    """State facets of photos whose marks are still as they were `seen`; returns the decision's number too.

    The bags are only marked as outdated: `filing.bags.file_away` builds them. Raises ChangedError when somebody else
    stated something since, BadInputError for an unknown photo or a claim that is signed or closed.
    """
    with workspace.locked():
        records = workspace.catalog.photos.records(list(stated))
        if missing := set(stated) - {record.sha256 for record in records}:
            raise BadInputError(f"The archive keeps no photo {min(missing)[:12]}.", "Load the page again.")
        require_open(workspace, {record.claim for record in records}, what="tags")
        require_marks(workspace, {sha: seen.get(sha, "") for sha in stated})
        return state_facets(workspace, stated)


def undo_tags(workspace: Workspace, decision: Tag, digests: Sequence[Sha256]) -> Refreshed:
    """Put back what this tagging replaced, for those photos still kept, inside the caller's transaction."""
    photos = workspace.catalog.photos
    for sha in digests:
        photos.state([sha], decision.replaced[sha], reason=f"stated before; undone by {workspace.actor}")
    claims = {record.claim for record in photos.records(digests)}
    return retag(workspace, claims, stated=claims)


@dataclass(frozen=True, slots=True, kw_only=True)
class WouldState:
    """One photo's guesses: what a confirmation of many would state, and what it leaves."""

    record: PhotoRecord
    parts: Confirmable

    @property
    def stated(self) -> dict[Facet, str | None]:
        """The facets that it would state."""
        return {facet: value.value for facet, value in self.parts.states.items()}


def would_state(records: Sequence[PhotoRecord], *, level: float) -> list[WouldState]:
    """What confirming the guesses of these photos at once would state and leave, in their order.

    It leaves guesses less probable than `level`, and damage and hits that were guessed from the picture. Photos
    without a guess are left out.
    """
    plans = [WouldState(record=record, parts=confirmable(record.tags, level=level)) for record in records]
    return [one for one in plans if one.parts.states or one.parts.under_level or one.parts.unseen_damage]


def confirm_shown(workspace: Workspace, shown: Sequence[WouldState]) -> tuple[int, int]:
    """State exactly what was shown, as one decision of a person; the bags are only marked as outdated.

    Returns the decision's number (0 when there was nothing to state) and how many facets it states. Raises
    ChangedError when somebody else stated something since, BadInputError for a claim that is signed or closed.
    """
    stated = {one.record.sha256: one.stated for one in shown if one.stated}
    if not stated:
        return 0, 0
    number, _ = tag_seen(workspace, stated, seen={one.record.sha256: mark_of(one.record) for one in shown})
    return number, sum(len(facets) for facets in stated.values())


def state_facets(
    workspace: Workspace, stated: Mapping[Sha256, Mapping[Facet, str | None]]
) -> tuple[int, Refreshed]:
    """Record what a person states of each photo, as one decision, and tag the claims anew.

    None removes what a person stated before. Returns the number of the decision.
    """
    photos = workspace.catalog.photos
    digests = list(stated)
    records = photos.records(digests)
    claims = {record.claim for record in records}
    before = photos.by_person(digests)
    alike: dict[tuple[tuple[Facet, str | None], ...], list[Sha256]] = defaultdict(list)
    for sha, facets in stated.items():
        alike[tuple(facets.items())].append(sha)
    with workspace.catalog.transaction():
        number = decide(
            workspace,
            Tag(
                replaced={
                    sha: {facet: _stated_value(before.get(sha, {}), facet) for facet in facets}
                    for sha, facets in stated.items()
                },
                stated=stated,
            ),
            records[0].claim if records else None,
        )
        for said, group in alike.items():
            photos.state(group, dict(said), reason=f"stated by {workspace.actor}")
        refreshed = retag(workspace, claims, stated=claims)
        names = {record.sha256: record.name for record in records}
        for said, group in alike.items():
            workspace.record(
                "tagged",
                FreeText(", ".join(sorted(names[sha] for sha in group)[:5])),
                decision=number,
                photos=group,
                facets={facet.value: value for facet, value in said},
            )
    return number, refreshed


def _stated_value(values: Mapping[Facet, FacetValue], facet: Facet) -> str | None:
    return values[facet].value if facet in values else None


def known_word(workspace: Workspace, facet: Facet, word: str) -> str:
    """The vocabulary's id for a word that a person typed; raises BadInputError with the closest valid word."""
    if facet is not Facet.COUNT:
        word = word.strip().casefold().replace(" ", "_").replace("-", "_")
    return workspace.vocabulary.check(facet, word)
