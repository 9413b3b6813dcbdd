"""Telling the result of a card: the page and the messages at the end of an intake, and the commands that try them."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated

import typer

from evidence.cli.common import ADJUSTER, Archive, Json, emit, opened, say
from evidence.errors import BadInputError, EvidenceError

if TYPE_CHECKING:
    from evidence.model import IntakeId
    from evidence.workspace import Workspace

tell = typer.Typer(help="Try and set up the messages about cards.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.add_typer(tell, name="tell", rich_help_panel=ADJUSTER)


def tell_result(here: Workspace, intake: IntakeId, *, show: Callable[[str], None] = say) -> None:
    """Write the card's page and send the messages about it. A failure is shown and never fails the intake."""
    from evidence.board.card_page import keep_card_page
    from evidence.telling.outbox import tell as send

    try:
        page = keep_card_page(here, intake)
        if page is not None:
            show(f"The page of this card: {page}")
        send(here, intake, show)
    except EvidenceError as trouble:
        show(f"The page or the message of this card failed: {trouble}")


@tell.command("test")
def tell_test(archive: Archive = None, as_json: Json = False) -> None:
    """Send a short message on every way that the settings name."""
    from evidence.telling.channels import CardMessage, channels

    message = CardMessage(
        subject="Test of the messages about cards",
        text="This is a test. No card was taken in.",
        data={"test": True},
    )
    with opened(archive) as here:
        ways = channels(here.settings.tell)
        if not ways:
            raise BadInputError(
                "The settings name no way to tell the result of a card.",
                "Set desktop, webhook or [tell.email] in [tell] of evidence.toml.",
            )
        failed: dict[str, EvidenceError] = {}
        for name, send in ways.items():
            try:
                send(message)
            except EvidenceError as trouble:
                failed[name] = trouble
    emit(
        as_json,
        {
            "sent": [name for name in ways if name not in failed],
            "failed": {n: str(t) for n, t in failed.items()},
        },
        lambda: [f"{name}: {failed.get(name, 'sent.')}" for name in ways],
    )
    if failed:
        raise typer.Exit(next(iter(failed.values())).exit_code)


@tell.command("password")
def tell_password(
    archive: Archive = None,
    as_json: Json = False,
    from_stdin: Annotated[
        bool, typer.Option("--stdin", help="Read the password from standard input instead of asking.")
    ] = False,
) -> None:
    """Keep the password of the mail server's user in this user's keyring."""
    from evidence.archive.passwords import keep_password

    with opened(archive) as here:
        email = here.settings.tell.email
        if not (email.server and email.user):
            raise BadInputError(
                "The settings name no mail server with a user.", "Set server and user in [tell.email] first."
            )
        given = sys.stdin.readline() if from_stdin else typer.prompt("Password", hide_input=True, err=True)
        password = given.rstrip("\r\n")
        if not password:
            raise BadInputError("The password is empty.", "Run the command again and type it.")
        keep_password(email.server, email.user, password)
    emit(
        as_json,
        {"kept": "keyring", "user": email.user, "server": email.server},
        lambda: [f"The password of {email.user} at {email.server} is in the keyring."],
    )
