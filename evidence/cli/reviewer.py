"""The file reviewer's commands: what is shown, what is missing, and corrections."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated

import typer
from rich.table import Table

from evidence.analysis import coverage as covering
from evidence.cli.common import FINDINGS, Actor, Archive, Json, emit, opened, table
from evidence.coverage.explain import explain
from evidence.coverage.report import CoverageReport, Status
from evidence.coverage.walk import still_to_shoot
from evidence.errors import BadInputError
from evidence.lookup import UNASSIGNED, found_photos, known_claim
from evidence.model import Facet, Sha256
from evidence.reports import views
from evidence.review import placing as corrections
from evidence.review.tagging import known_word

CLEAR = "-"
"""Given for a facet, it takes the person's earlier word back."""

Photo = Annotated[
    str, typer.Argument(metavar="PHOTO", help="A card path, a file name, or a digest's first digits.")
]
Photos = Annotated[
    list[str], typer.Argument(metavar="PHOTO...", help="Card paths, file names or first digits.")
]
Claim = Annotated[str, typer.Argument(metavar="CLAIM")]


def register(app: typer.Typer) -> None:
    """Add this room's commands."""
    for command in (tag, coverage, lists, segments, move, cut, join, name, waive, undo):
        app.command()(command)


def tag(
    photos: Photos,
    role: Annotated[
        str | None, typer.Option(help="What the photo is for; '-' takes an earlier word back.")
    ] = None,
    face: Annotated[str | None, typer.Option(help="front, right, back, left or none.")] = None,
    component: Annotated[
        str | None, typer.Option(help="gutter, downspout, screen, siding, vent, ...")
    ] = None,
    condition: Annotated[str | None, typer.Option(help="damage, no_damage or unstated.")] = None,
    count: Annotated[str | None, typer.Option(help="Hits in the test square, a whole number.")] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """State facets of photos; what a person states outranks every guess."""
    given = {"role": role, "face": face, "component": component, "condition": condition, "count": count}
    wanted = {Facet(facet): value for facet, value in given.items() if value is not None}
    if not wanted:
        raise BadInputError("Nothing is stated.", "Add --role, --face, --component, --condition or --count.")
    with opened(archive, actor) as here:
        facets = {
            facet: None if value == CLEAR else known_word(here, facet, value)
            for facet, value in wanted.items()
        }
        digests = found_photos(here, photos)
        corrections.tag(here, digests, facets)
        changed = [views.photo_view(record) for record in here.catalog.photos.records(digests)]
    emit(as_json, changed, lambda: [f"{len(changed)} photos tagged."])


def coverage(claim: Claim, archive: Archive = None, as_json: Json = False) -> None:
    """Show which required shots are met, guessed or missing, and why; status 1 when any is missing."""
    with opened(archive) as here:
        number = known_claim(here, claim)
        report = covering.coverage_of(here, number)
        names = {record.sha256: record.name for record in here.catalog.photos.of_claim(number)}
    emit(as_json, report, lambda: _told(report, names))
    if report.missing:
        raise typer.Exit(FINDINGS)


SHOWN_NAMES = 3
"""Photos named beside a required shot on the terminal; `--json` names them all."""


def _told(report: CoverageReport, names: Mapping[Sha256, str]) -> Iterable[str | Table]:
    yield f"{report.list_title} ({report.basis})"
    rows = []
    for item in report.items:
        if item.status is Status.NOT_NEEDED:
            continue
        photos = [*item.photos, *item.guesses]
        shown = ", ".join(names.get(sha, sha[:12]) for sha in photos[:SHOWN_NAMES])
        more = f" and {len(photos) - SHOWN_NAMES} more" if len(photos) > SHOWN_NAMES else ""
        rows.append((item.status.value, item.title, item.place, item.why, shown + more))
    yield table(["", "required shot", "where", "why", "photos"], rows)
    for flag in report.flags:
        about = names.get(Sha256(flag.subject), "")
        yield f"Look at {about}: {flag.message}" if about else f"Note: {flag.message}"
    to_shoot = still_to_shoot(report)
    if to_shoot.lines:
        yield "Still to shoot, in walking order:"
        yield from (f"  {line.text}" for line in to_shoot.lines)
    if to_shoot.safety:
        yield to_shoot.safety


def lists(
    name: Annotated[str | None, typer.Argument(metavar="[LIST]", show_default=False)] = None,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """Show the required-shot lists, or explain one in plain English."""
    with opened(archive) as here:
        if name is None:
            titles = [(one, covering.shot_list(here, one).title) for one in covering.list_names(here)]
            data: object = [{"list": one, "title": title} for one, title in titles]
            emit(as_json, data, lambda: [table(["list", "title"], titles)])
            return
        shots = covering.shot_list(here, name)
    emit(as_json, {"list": name, "title": shots.title, "explained": explain(shots)}, lambda: [explain(shots)])


def segments(archive: Archive = None, as_json: Json = False) -> None:
    """List the stretches of each day, why each begins where it does, and how sure that is."""
    with opened(archive) as here:
        listed = here.catalog.photos.segments()
    rows = (
        (
            one.segment,
            one.claim or ("unknown house, to name" if one.unknown else "between houses"),
            one.photos,
            f"{one.probability:.0%}" + (" to confirm" if one.to_confirm else ""),
            "; ".join(one.reasons),
        )
        for one in listed
    )
    emit(as_json, listed, lambda: [table(["segment", "claim", "files", "sure", "because"], rows)])


def _corrected(as_json: bool, done: corrections.Corrected, what: str) -> None:
    emit(
        as_json,
        done,
        lambda: [
            f"{what} (correction {done.decision}; `evidence undo` takes it back). Bags: {', '.join(done.claims)}."
        ],
    )


def move(
    photos: Photos,
    to: Annotated[str, typer.Option("--to", help="The claim they belong to, or 'unassigned'.")],
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """File photos under another claim, or in the unassigned tray."""
    with opened(archive, actor) as here:
        target = None if to.casefold() == UNASSIGNED else known_claim(here, to)
        done = corrections.move(here, found_photos(here, photos), target)
    _corrected(as_json, done, f"{done.photos} photos moved")


def cut(photo: Photo, archive: Archive = None, actor: Actor = None, as_json: Json = False) -> None:
    """Begin a new segment with this photo."""
    with opened(archive, actor) as here:
        done = corrections.cut(here, found_photos(here, [photo])[0])
    _corrected(as_json, done, "Cut")


def join(photo: Photo, archive: Archive = None, actor: Actor = None, as_json: Json = False) -> None:
    """Take away the boundary before this photo."""
    with opened(archive, actor) as here:
        done = corrections.join(here, found_photos(here, [photo])[0])
    _corrected(as_json, done, "Joined")


def name(
    segment: Annotated[
        str, typer.Argument(metavar="SEGMENT", help="As `evidence segments` shows it, or a photo in it.")
    ],
    claim: Claim,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Give a segment its claim."""
    with opened(archive, actor) as here:
        done = corrections.name(here, segment, known_claim(here, claim))
    _corrected(as_json, done, f"{done.photos} photos named")


def waive(
    claim: Claim,
    requirement: Annotated[
        str, typer.Argument(metavar="REQUIREMENT", help="As `evidence coverage --json` names it.")
    ],
    why: Annotated[str, typer.Option("--why", help="The reason; it is shown wherever the waiver is.")],
    at: Annotated[str, typer.Option("--at", help="Only at this face or structure.")] = "",
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Set a required shot aside for this claim."""
    with opened(archive, actor) as here:
        number = known_claim(here, claim)
        done = corrections.waive(here, number, requirement, place=at, why=why)
    _corrected(as_json, done, "Waived")


def undo(
    number: Annotated[int | None, typer.Argument(metavar="[CORRECTION]", show_default=False)] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Take back the last correction, or the one of that number."""
    with opened(archive, actor) as here:
        decision, done = corrections.undo(here, number)
    emit(
        as_json,
        {"undone": decision, "claims": done.claims},
        lambda: [f"Correction {decision.number} ({decision.kind} by {decision.actor}) is taken back."],
    )
