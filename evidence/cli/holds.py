"""Commands on holds: place, lift, list."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from evidence.cli.common import (
    OFFICE,
    Actor,
    Archive,
    Json,
    PasswordStdin,
    emit,
    opened,
    opened_by_person,
    require_reason_or_confirm,
    table,
)
from evidence.errors import counted
from evidence.model import HoldKind, HoldScope
from evidence.plain_words import typed_date_or_none

if TYPE_CHECKING:
    from evidence.office.holds import PlacedHold

hold = typer.Typer(help="Place, lift and list holds. A held claim is never purged.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.add_typer(hold, name="hold", rich_help_panel=OFFICE)


@hold.command("place")
def hold_place(
    reason: Annotated[
        str, typer.Option("--reason", help="The reason; whoever lifts the hold later reads it.")
    ],
    claim: Annotated[
        str | None, typer.Argument(metavar="CLAIM", help="One claim; or give conditions instead.")
    ] = None,
    kind: Annotated[HoldKind, typer.Option("--kind", help="What it is for.")] = HoldKind.OWN,
    insured: Annotated[str, typer.Option("--insured", metavar="NAME", help="All claims of an insured.")] = "",
    peril: Annotated[str, typer.Option("--peril", help="All claims of a storm: its peril.")] = "",
    loss_from: Annotated[
        str | None, typer.Option("--loss-from", metavar="DATE", help="The first date of loss.")
    ] = None,
    loss_to: Annotated[
        str | None, typer.Option("--loss-to", metavar="DATE", help="The last date of loss.")
    ] = None,
    area: Annotated[
        list[str] | None,
        typer.Option("--area", metavar="NAME", help="A town, county, state or ZIP code; may be repeated."),
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", metavar="DATE", help="Its last day; default: until it is lifted.")
    ] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Place a hold on a claim, an insured, a storm, or all claims of a range of dates of loss.

    Claims that arrive later and fit are held too. What is not known of a claim does not take it out of a hold.
    """
    from evidence.lookup import known_claim
    from evidence.office import holds

    with opened(archive, actor) as here:
        scope = HoldScope(
            claim=known_claim(here, claim) if claim else None,
            insured=insured,
            peril=peril,
            first_loss=typed_date_or_none(loss_from, "--loss-from"),
            last_loss=typed_date_or_none(loss_to, "--loss-to"),
            area=tuple(area or ()),
        )
        number = holds.place_hold(
            here, scope, reason=reason, kind=kind, until=typed_date_or_none(until, "--until")
        )
        placed = next(one for one in holds.holds_listed(here) if one.hold.number == number)
    emit(
        as_json,
        {"claim": placed.hold.claim, "hold": number, "kind": kind, "claims": placed.claims},
        lambda: [_placed(placed)],
    )


def _placed(placed: PlacedHold) -> str:
    if placed.hold.claim:
        return f"Hold {placed.hold.number} on claim {placed.hold.claim}."
    covered = counted(len(placed.claims), "claim")
    names = f": {', '.join(placed.claims)}" if placed.claims else ""
    return f"Hold {placed.hold.number} covers {covered} now{names}. Claims that arrive later and fit are held too."


@hold.command("lift")
def hold_lift(
    number: Annotated[int, typer.Argument(metavar="HOLD", help="The hold's number.")],
    reason: Annotated[str | None, typer.Option("--reason", help="Why the hold may end.")] = None,
    confirm: Annotated[bool, typer.Option("--confirm", help="Confirm it, as another person.")] = False,
    password_stdin: PasswordStdin = False,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Lift a hold. Another person confirms it with --confirm.

    Until then the hold stays in force.
    """
    from evidence.office import holds

    require_reason_or_confirm(reason, confirm=confirm)
    with opened_by_person(archive, actor, password_stdin=password_stdin) as here:
        if confirm:
            holds.lift_hold(here, number)
        else:
            holds.ask_to_lift(here, number, why=reason or "")
    emit(
        as_json,
        {"hold": number, "lifted": confirm},
        lambda: [
            f"Hold {number} is lifted."
            if confirm
            else f"To confirm it, as another person: evidence hold lift {number} --confirm --actor NAME"
        ],
    )


@hold.command("list")
def hold_list(
    all_holds: Annotated[bool, typer.Option("--all", help="Show ended holds too.")] = False,
    archive: Archive = None,
    as_json: Json = False,
) -> None:
    """List holds and the claims that each covers."""
    from evidence.codec import to_json
    from evidence.office import holds
    from evidence.retention.holds import kind_words, scope_words

    with opened(archive) as here:
        found = holds.holds_listed(here, ended_too=all_holds)
    rows = (
        (
            one.hold.number,
            kind_words(one.hold.kind),
            scope_words(one.hold.scope),
            len(one.claims),
            one.hold.reason,
            one.hold.placed_by,
            one.hold.placed_at.date(),
            one.hold.until or "",
            one.hold.lifted_by or (f"asked by {one.hold.lift_asked_by}" if one.hold.lift_asked_by else ""),
        )
        for one in found
    )
    headings = ["hold", "kind", "covers", "claims", "reason", "by", "since", "until", "lifted by"]
    data = [{**to_json(one.hold), "claims": one.claims} for one in found]
    emit(as_json, data, lambda: [table(headings, rows)])
