"""Commands that show guesses with their reasons, confirm them, and learn from confirmed tags."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from evidence.cli.common import REVIEWER, Actor, Archive, Json, emit, opened, table
from evidence.errors import BadInputError, counted
from evidence.model import Facet
from evidence.plain_words import guess_percent

if TYPE_CHECKING:
    from rich.table import Table

    from evidence.analysis import learning
    from evidence.review.tagging import WouldState
    from evidence.tags.vocabulary import Vocabulary

Claim = Annotated[str, typer.Argument(metavar="CLAIM", help="A claim's number, or 'unassigned'.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    for command in (tags, confirm, learn):
        app.command(rich_help_panel=REVIEWER)(command)


def tags(
    claim: Claim,
    all_facets: Annotated[bool, typer.Option("--all", help="Stated tags too, not only guesses.")] = False,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """Show the guessed tags of a claim's photos, how sure, and why."""
    from evidence.lookup import photos_of

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
            "stated" if r["stated"] else f"guess {min(99, round(100 * float(r['confidence'])))}%",
            r["reason"],
        )
        for r in rows
    )
    emit(as_json, rows, lambda: [table(["photo", "facet", "value", "sure", "because"], shown)])


def confirm(
    claim: Claim,
    above: Annotated[
        float | None,
        typer.Option(
            "--above",
            help="State guesses of at least this probability; by default the setting confirm_level.",
            show_default=False,
        ),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="State them without asking.")] = False,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """List a claim's guesses, ask, and state them in your name.

    Weaker guesses and damage guessed from the picture are left for you to look at. With --json, only --yes states.
    """
    from evidence.filing.bags import file_away
    from evidence.lookup import known_claim
    from evidence.review.tagging import confirm_shown, would_state

    if above is not None and not 0 <= above <= 1:
        raise BadInputError(f"--above {above} is not a probability.", "Give a number from 0 to 1.")
    with opened(archive, actor) as here:
        number = known_claim(here, claim)
        level = here.settings.review.confirm_level if above is None else above
        shown = would_state(here.catalog.photos.of_claim(number), level=level)
        plan = _plan_data(shown, here.vocabulary)
        if not as_json:
            emit(False, None, lambda: _plan_lines(plan, level))
        decision = facets = 0
        if plan["states"] and (yes or (not as_json and _agreed(len(plan["states"])))):
            decision, facets = confirm_shown(here, shown)
            file_away(here, wait=False)
    emit(
        as_json,
        {"claim": number, "confirmed": facets, "decision": decision, "level": level, **plan},
        lambda: [
            f"{counted(facets, 'guess', 'guesses')} confirmed"
            + (f" (correction {decision}; undo it with `evidence undo`)." if decision else ".")
        ],
    )


def _agreed(many: int) -> bool:
    """Ask on the terminal; raises BadInputError where nobody can answer."""
    if not sys.stdin.isatty():
        raise BadInputError(
            "Nothing was stated: there is no terminal to ask on.", "Look at the list, then add --yes."
        )
    return typer.confirm(f"State {counted(many, 'guess', 'guesses')} in your name?")


def _plan_data(shown: Sequence[WouldState], vocabulary: Vocabulary) -> dict[str, list[dict[str, Any]]]:
    """What would be stated and what is left, as plain data: photo, facet, value, words, confidence, reason."""
    data: dict[str, list[dict[str, Any]]] = {"states": [], "under_level": [], "damage_left": []}
    for one in shown:
        parts = (one.parts.states, one.parts.under_level, one.parts.unseen_damage)
        for name, values in zip(data, parts, strict=True):
            data[name] += [
                {
                    "name": one.record.name,
                    "sha256": one.record.sha256,
                    "facet": facet.value,
                    "value": value.value,
                    "words": vocabulary.plain(facet, value.value),
                    "confidence": round(value.confidence, 4),
                    "reason": value.reason,
                }
                for facet, value in values.items()
            ]
    return data


def _plan_lines(plan: dict[str, list[dict[str, Any]]], level: float) -> Iterator[str | Table]:
    if plan["states"]:
        yield "This would be stated in your name:"
        yield table(
            ["photo", "facet", "value", "guess", "because"],
            [
                (r["name"], r["facet"], r["words"], f"{guess_percent(r['confidence'])}%", r["reason"])
                for r in plan["states"]
            ],
        )
    else:
        yield "No guess would be stated."
    if weak := len(plan["under_level"]):
        yield f"{counted(weak, 'guess', 'guesses')} left: less than {level:.0%} probable."
    if damage := len(plan["damage_left"]):
        yield f"{counted(damage, 'guess', 'guesses')} of damage or hits left: look at each photo and state it."


def learn(
    undo: Annotated[
        bool, typer.Option("--undo", help="Restore the models from before the last learning.")
    ] = False,
    export: Annotated[
        Path | None, typer.Option("--export", metavar="FILE", help="Write what was learned.")
    ] = None,
    take_over: Annotated[
        Path | None, typer.Option("--import", metavar="FILE", help="Use what another computer learned.")
    ] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Learn from every stated tag to improve the guesses.

    The new models are used only if they do as well as the old ones on photos held back from training.
    """
    from evidence.analysis import learning

    if sum((undo, export is not None, take_over is not None)) > 1:
        raise BadInputError(
            "Only one of --undo, --export and --import at a time.", "Run them one after the other."
        )
    with opened(archive, actor) as here:
        if undo:
            learning.undo_learning(here)
            emit(
                as_json,
                {"undone": True},
                lambda: ["The models from before the last learning are in use again."],
            )
        elif export is not None:
            size = learning.export_learned(here, export)
            emit(as_json, {"file": str(export), "bytes": size}, lambda: [f"{size} bytes in {export}."])
        elif take_over is not None:
            learning.import_learned(here, take_over)
            emit(as_json, {"imported": str(take_over)}, lambda: [f"New guesses use {take_over}."])
        else:
            report = learning.learn_from(here)
            emit(as_json, report, lambda: report_lines(report))


def report_lines(report: learning.LearnReport) -> list[str]:
    """Summarise what was learned in a few lines."""

    def share(value: float | None) -> str:
        return "not measured" if value is None else f"{value:.1%}"

    lines = [f"{report.photos} confirmed photos. {report.why}"]
    lines += [
        f"  {facet}: {share(report.before[facet])} right before, {share(report.after[facet])} after"
        for facet in report.before
        if report.after[facet] is not None
    ]
    scenes = report.scenes
    lines.append(
        f"  scene kinds ({counted(scenes.photos, 'photo')}): {share(scenes.before)} before, {share(scenes.after)} after"
        if scenes.after is not None
        else f"  scene kinds: {scenes.photos} photos show theirs clearly, too few to hold any out"
    )
    if scenes.forgotten:
        kinds = ", ".join(scenes.forgotten)
        lines.append(f"  scene kinds: not learned, because known kinds would be right less often: {kinds}")
    lines.append("The new models are in use." if report.kept else "Nothing was changed.")
    return lines
