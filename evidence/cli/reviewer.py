"""The file reviewer's commands: what is shown, what is missing, and placing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Annotated

import typer

from evidence.cli.common import FINDINGS, REVIEWER, Actor, Archive, Json, emit, opened, table
from evidence.errors import BadInputError, counted
from evidence.model import Facet, Sha256

if TYPE_CHECKING:
    from rich.table import Table

    from evidence.coverage.report import CoverageReport
    from evidence.review.recording import Corrected

CLEAR = "-"
"""The value that removes what a person stated for a facet."""

Photo = Annotated[
    str, typer.Argument(metavar="PHOTO", help="A card path, a file name, or a digest's first digits.")
]
Photos = Annotated[list[str], typer.Argument(metavar="PHOTO", help="Card paths, file names or first digits.")]
Claim = Annotated[str, typer.Argument(metavar="CLAIM")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    for command in (tag, coverage, lists, segments, move, cut, join, name, waive, undo):
        app.command(rich_help_panel=REVIEWER)(command)


def tag(
    photos: Photos,
    role: Annotated[
        str | None, typer.Option(help="What the photo is for; '-' removes what was stated.")
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
    """State what photos show. A stated tag overrides every guess."""
    from evidence.lookup import found_photos
    from evidence.reports import views
    from evidence.review.tagging import known_word
    from evidence.review.tagging import tag as state_tags

    given = {"role": role, "face": face, "component": component, "condition": condition, "count": count}
    wanted = {Facet(facet): value for facet, value in given.items() if value is not None}
    if not wanted:
        raise BadInputError("No tag is given.", "Add --role, --face, --component, --condition or --count.")
    with opened(archive, actor) as here:
        facets = {
            facet: None if value == CLEAR else known_word(here, facet, value)
            for facet, value in wanted.items()
        }
        digests = found_photos(here, photos)
        state_tags(here, digests, facets)
        changed = views.photo_views(here, here.catalog.photos.records(digests))
    emit(as_json, changed, lambda: [f"{counted(len(changed), 'photo')} tagged."])


def coverage(claim: Claim, archive: Archive = None, as_json: Json = False) -> None:
    """Show which required shots are met, guessed or missing.

    Each line says why. The exit status is 1 when a shot is missing.
    """
    from evidence.analysis import coverage as covering
    from evidence.lookup import known_claim

    with opened(archive) as here:
        number = known_claim(here, claim)
        report = covering.coverage_of(here, number)
        names = {record.sha256: record.name for record in here.catalog.photos.of_claim(number)}
    emit(as_json, report, lambda: _report_lines(report, names))
    if report.missing:
        raise typer.Exit(FINDINGS)


SHOWN_NAMES = 3
"""Photos listed beside a required shot on the terminal; `--json` lists all."""


def _report_lines(report: CoverageReport, names: Mapping[Sha256, str]) -> Iterable[str | Table]:
    from evidence.coverage.report import Status
    from evidence.coverage.to_shoot import still_to_shoot

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
    name: Annotated[str | None, typer.Argument(metavar="LIST", show_default=False)] = None,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """Show the required-shot lists, or explain one of them."""
    from evidence.analysis import coverage as covering
    from evidence.coverage.explain import explain

    with opened(archive) as here:
        if name is None:
            titles = [(one, covering.shot_list(here, one).title) for one in covering.list_names(here)]
            data: object = [{"list": one, "title": title} for one, title in titles]
            emit(as_json, data, lambda: [table(["list", "title"], titles)])
            return
        shots = covering.shot_list(here, name)
    emit(
        as_json,
        {"list": name, "title": shots.title, "explained": explain(shots)},
        lambda: explain(shots).splitlines(),
    )


def segments(archive: Archive = None, as_json: Json = False) -> None:
    """List the segments of each day and why each one starts.

    The list also shows how sure the program is of each boundary.
    """
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


def _corrected(as_json: bool, done: Corrected, what: str) -> None:
    emit(
        as_json,
        done,
        lambda: [
            f"{what} (correction {done.decision}; undo it with `evidence undo`). Bags: {', '.join(done.claims)}."
        ],
    )


def move(
    photos: Photos,
    to: Annotated[str, typer.Option("--to", help="The claim they belong to, or 'unassigned'.")],
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Move photos to another claim or to the unassigned tray."""
    from evidence.lookup import UNASSIGNED, found_photos, known_claim
    from evidence.review import placing

    with opened(archive, actor) as here:
        target = None if to.casefold() == UNASSIGNED else known_claim(here, to)
        done = placing.move(here, found_photos(here, photos), target)
    _corrected(as_json, done, f"{counted(done.photos, 'photo')} moved")


def cut(photo: Photo, archive: Archive = None, actor: Actor = None, as_json: Json = False) -> None:
    """Start a new segment at this photo."""
    from evidence.lookup import found_photos
    from evidence.review import placing

    with opened(archive, actor) as here:
        done = placing.cut(here, found_photos(here, [photo])[0])
    _corrected(as_json, done, "Cut")


def join(photo: Photo, archive: Archive = None, actor: Actor = None, as_json: Json = False) -> None:
    """Remove the boundary before this photo."""
    from evidence.lookup import found_photos
    from evidence.review import placing

    with opened(archive, actor) as here:
        done = placing.join(here, found_photos(here, [photo])[0])
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
    """Assign a segment to a claim."""
    from evidence.lookup import known_claim
    from evidence.review import placing

    with opened(archive, actor) as here:
        done = placing.name(here, segment, known_claim(here, claim))
    _corrected(as_json, done, f"{counted(done.photos, 'photo')} assigned")


def waive(
    claim: Claim,
    requirement: Annotated[
        str, typer.Argument(metavar="SHOT", help="In the words that `evidence coverage` shows, or its id.")
    ],
    reason: Annotated[str, typer.Option("--reason", help="Shown wherever the waiver is shown.")] = "",
    at: Annotated[str, typer.Option("--at", help="Only here, as under 'where' in `evidence coverage`.")] = "",
    why: Annotated[str, typer.Option("--why", hidden=True, help="The earlier name of --reason.")] = "",
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Set a required shot aside for this claim."""
    from evidence.lookup import known_claim
    from evidence.review import waivers

    with opened(archive, actor) as here:
        number = known_claim(here, claim)
        done = waivers.waive(here, number, requirement, place=at, why=reason or why)
    _corrected(as_json, done, "Waived")


def undo(
    number: Annotated[int | None, typer.Argument(metavar="CORRECTION", show_default=False)] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Undo the last correction, or the one with this number."""
    from evidence.catalog.decision_json import as_record
    from evidence.review import undo as undoing

    with opened(archive, actor) as here:
        row, done = undoing.undo(here, number)
    emit(
        as_json,
        {"undone": as_record(row), "claims": done.claims},
        lambda: [f"Correction {row.number} ({row.decision.kind} by {row.actor}) is undone."],
    )
