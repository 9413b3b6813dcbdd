"""Facets stated by a person: state or take back, confirm guesses, read a typed word."""

from __future__ import annotations

import difflib
from collections import defaultdict
from collections.abc import Mapping

from evidence.analysis.refresh import Refreshed, retag
from evidence.errors import BadInputError
from evidence.model import ClaimId, Facet, FacetValue, Sha256
from evidence.tags.vocabulary import MAX_COUNT
from evidence.workspace import Workspace


def confirm_guesses(workspace: Workspace, claim: ClaimId, *, above: float) -> tuple[int, int]:
    """State every guess of the claim that is at least `above` probable, as one decision of a person.

    Returns the decision's number (0 when there was nothing to confirm) and how many facets it states.
    """
    wanted: dict[Sha256, dict[Facet, str | None]] = {}
    for record in workspace.catalog.photos.of_claim(claim):
        sure = {f: v.value for f, v in record.tags.items() if not v.stated and v.confidence >= above}
        if sure:
            wanted[record.sha256] = dict(sure)
    if not wanted:
        return 0, 0
    number, _ = state_facets(workspace, wanted)
    return number, sum(len(facets) for facets in wanted.values())


def state_facets(
    workspace: Workspace, stated: Mapping[Sha256, Mapping[Facet, str | None]]
) -> tuple[int, Refreshed]:
    """Record what a person states of each photo, as one decision, and tag the claims anew.

    None takes back what a person stated before. Returns the number of the decision.
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
        number = workspace.catalog.claims.record(
            at=workspace.now(),
            actor=workspace.actor,
            kind="tag",
            claim=records[0].claim if records else None,
            before={
                sha: {facet.value: _stated_value(before.get(sha, {}), facet) for facet in facets}
                for sha, facets in stated.items()
            },
            after={
                sha: {facet.value: value for facet, value in facets.items()} for sha, facets in stated.items()
            },
        )
        for said, group in alike.items():
            photos.state(group, dict(said), reason=f"stated by {workspace.actor}")
        refreshed = retag(workspace, claims, stated=claims)
        names = {record.sha256: record.name for record in records}
        for said, group in alike.items():
            workspace.record(
                "tagged",
                ", ".join(sorted(names[sha] for sha in group)[:5]),
                decision=number,
                photos=group,
                facets={facet.value: value for facet, value in said},
            )
    return number, refreshed


def _stated_value(values: Mapping[Facet, FacetValue], facet: Facet) -> str | None:
    return values[facet].value if facet in values else None


def known_word(workspace: Workspace, facet: Facet, word: str) -> str:
    """The vocabulary's id for a word that a person typed; raises BadInputError with the closest valid word."""
    if facet is Facet.COUNT:
        if word.isascii() and word.isdigit() and int(word) <= MAX_COUNT:
            return str(int(word))
        raise BadInputError(f"'{word}' is not a count.", f"Give a whole number up to {MAX_COUNT}.")
    wanted = word.strip().casefold().replace(" ", "_").replace("-", "_")
    known = [one.id for one in workspace.vocabulary.words if one.facet is facet]
    if wanted in known:
        return wanted
    near = difflib.get_close_matches(wanted, known, n=1)
    hint = f"Did you mean '{near[0]}'?" if near else f"The words are {', '.join(known)}."
    raise BadInputError(f"'{word}' is no {facet.value}.", hint)
