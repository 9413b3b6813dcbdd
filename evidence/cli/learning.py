"""Guesses shown with their reasons, confirmed, and learned from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from evidence.analysis import learning
from evidence.cli.common import Actor, Archive, Json, emit, opened, table
from evidence.errors import BadInputError
from evidence.filing import bags as filing
from evidence.lookup import known_claim, photos_of
from evidence.model import Facet
from evidence.review.tagging import confirm_guesses

SURE = 0.9
"""Guesses at least this probable are confirmed when no other level is named."""

Claim = Annotated[str, typer.Argument(metavar="CLAIM", help="A claim's number, or 'unassigned'.")]


def register(app: typer.Typer) -> None:
    """Add this room's commands."""
    for command in (tags, confirm, learn):
        app.command()(command)


def tags(
    claim: Claim,
    all_facets: Annotated[
        bool, typer.Option("--all", help="What is stated too, not the guesses alone.")
    ] = False,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """Show what is guessed of a claim's photos, how sure, and why."""
    with opened(archive) as here:
        records = photos_of(here, claim)
    rows = [
        {
            "name": record.name,
            "sha256": record.sha256,
            "facet": facet.value,
            "value": value.value,
            "stated": value.stated,
            "source": value.source.value,
            "confidence": round(value.confidence, 4),
            "reason": value.reason,
        }
        for record in records
        for facet in Facet
        if (value := record.tags.get(facet)) is not None and (all_facets or not value.stated)
    ]
    shown = (
        (
            r["name"],
            r["facet"],
            r["value"],
            "stated" if r["stated"] else f"guess {r['confidence']:.0%}",
            r["reason"],
        )
        for r in rows
    )
    emit(as_json, rows, lambda: [table(["photo", "facet", "value", "sure", "because"], shown)])


def confirm(
    claim: Claim,
    above: Annotated[
        float, typer.Option("--above", help="Least probability of a guess that is confirmed.")
    ] = SURE,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Take the guesses of a claim as your own word: look at them first, for you state them."""
    if not 0 <= above <= 1:
        raise BadInputError(f"--above {above} is no probability.", "Give a number from 0 to 1.")
    with opened(archive, actor) as here, here.locked():
        number = known_claim(here, claim)
        decision, facets = confirm_guesses(here, number, above=above)
        filing.file_away(here)
    emit(
        as_json,
        {"claim": number, "confirmed": facets, "decision": decision},
        lambda: [f"{facets} guesses confirmed" + (f" (correction {decision})." if decision else ".")],
    )


def learn(
    undo: Annotated[
        bool, typer.Option("--undo", help="Go back to the models before the last learning.")
    ] = False,
    export: Annotated[
        Path | None, typer.Option("--export", metavar="FILE", help="Write what was learned.")
    ] = None,
    take_over: Annotated[
        Path | None, typer.Option("--import", metavar="FILE", help="Take over what another machine learned.")
    ] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Learn from every stated tag; keep it where held-out photos say that it is no worse."""
    if sum((undo, export is not None, take_over is not None)) > 1:
        raise BadInputError(
            "Only one of --undo, --export and --import at a time.", "Run them one after the other."
        )
    with opened(archive, actor) as here:
        if undo:
            learning.undo_learning(here)
            emit(
                as_json, {"undone": True}, lambda: ["The models from before the last learning are in force."]
            )
        elif export is not None:
            size = learning.export_learned(here, export)
            emit(as_json, {"file": str(export), "bytes": size}, lambda: [f"{size} bytes in {export}."])
        elif take_over is not None:
            learning.import_learned(here, take_over)
            emit(as_json, {"imported": str(take_over)}, lambda: [f"{take_over} is in force for new guesses."])
        else:
            report = learning.learn_from(here)
            emit(as_json, report, lambda: _told(report))


def _told(report: learning.LearnReport) -> list[str]:
    def share(value: float | None) -> str:
        return "not asked" if value is None else f"{value:.1%}"

    lines = [f"{report.photos} confirmed photos. {report.why}"]
    lines += [
        f"  {facet}: {share(report.before[facet])} right before, {share(report.after[facet])} after"
        for facet in report.before
        if report.after[facet] is not None
    ]
    scenes = report.scenes
    lines.append(
        f"  scene kinds ({scenes.photos} photos): {share(scenes.before)} before, {share(scenes.after)} after"
        if scenes.after is not None
        else f"  scene kinds: {scenes.photos} photos show theirs plainly, too few to hold any back"
    )
    lines.append("The new models are in force." if report.kept else "Nothing was changed.")
    return lines
