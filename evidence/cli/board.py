"""The board's commands: open the review page, and say who may come in."""

from __future__ import annotations

import contextlib
import getpass
import ipaddress
import sys
from pathlib import Path
from typing import Annotated

import typer

from evidence.cli.common import Actor, Archive, Json, emit, opened, table, talk
from evidence.errors import BadInputError, DestinationError
from evidence.model import Duty
from evidence.office.people import add_person, drop_person

people_app = typer.Typer(no_args_is_help=True, help="Who may use the board, and as what.")


def register(app: typer.Typer) -> None:
    """Add this room's commands."""
    app.command()(board)
    app.add_typer(people_app, name="people")


def board(
    port: Annotated[int | None, typer.Option(help="Port; 0 takes a free one.", show_default=False)] = None,
    bind: Annotated[
        str, typer.Option(help="Address to listen at; this computer alone by default.")
    ] = "127.0.0.1",
    name: Annotated[
        list[str] | None,
        typer.Option("--name", help="A host name people reach it by, for others than this computer."),
    ] = None,
    cert: Annotated[
        Path | None, typer.Option(help="TLS certificate chain (PEM).", show_default=False)
    ] = None,
    key: Annotated[Path | None, typer.Option(help="Its private key (PEM).", show_default=False)] = None,
    behind_tls: Annotated[
        bool, typer.Option("--behind-tls", help="A server in front speaks HTTPS for it.")
    ] = False,
    duty: Annotated[
        Duty, typer.Option(help="What the one-time link lets you be, unless `people` says otherwise.")
    ] = Duty.REVIEWER,
    archive: Archive = None,
    actor: Actor = None,
) -> None:
    """Open the review page; prints a link that lets you in once."""
    import uvicorn  # noqa: PLC0415 - only this command needs a web server

    from evidence.board.app import make_app  # noqa: PLC0415 - the same
    from evidence.board.sessions import LINK_MINUTES  # noqa: PLC0415 - the same

    _require_safe(bind, cert, key, name or [])
    secure = cert is not None or behind_tls
    with opened(archive, actor) as here:
        app = make_app(here, names=name or [], secure=secure)
        config = uvicorn.Config(
            app,
            host=bind,
            port=here.settings.board.port if port is None else port,
            ssl_certfile=cert,
            ssl_keyfile=key,
            log_level="warning",
            access_log=False,  # a link's secret is part of its address
            server_header=False,
            proxy_headers=behind_tls,
        )
        server = uvicorn.Server(config)
        try:
            listening = config.bind_socket()
        except SystemExit as trouble:
            raise DestinationError(
                f"Nothing can listen at {bind}, port {config.port}.",
                "Another board may be running: choose another port with --port.",
            ) from trouble
        known = here.catalog.users.get(here.actor)
        secret = app.state.board.door.new_link(here.actor, known.duty if known else duty)
        host = (name or [bind])[0]
        place = f"{'https' if secure else 'http'}://{f'[{host}]' if ':' in host else host}:{listening.getsockname()[1]}"
        print(f"{place}/link/{secret}", flush=True)
        talk.print(
            f"The link lets {here.actor} in once, within {LINK_MINUTES} minutes. Stop the board with Ctrl-C.",
            markup=False,
        )
        with contextlib.suppress(KeyboardInterrupt):  # Ctrl-C is how a board is meant to end
            server.run(sockets=[listening])


def _require_safe(bind: str, cert: Path | None, key: Path | None, names: list[str]) -> None:
    """Passwords and photos go over no network in the clear."""
    if (cert is None) != (key is None):
        raise BadInputError("--cert and --key go together.", "Give both.")
    for file in (cert, key):
        if file is not None and not file.is_file():
            raise BadInputError(f"There is no file {file}.", "Name the PEM file.")
    try:
        local = ipaddress.ip_address(bind).is_loopback
    except ValueError:
        raise BadInputError(f"'{bind}' is no address.", "Give an IP address such as 127.0.0.1.") from None
    if not local and cert is None:
        raise BadInputError(
            f"At {bind} others on the network would reach the board without encryption.",
            "Give --cert and --key, or bind to 127.0.0.1 with a server in front and --behind-tls.",
        )
    if not local and not names:
        raise BadInputError(
            f"At {bind} the board must know the name it is reached by.", "Add --name board.example.org."
        )


@people_app.command("add")
def add(
    name: Annotated[str, typer.Argument(metavar="NAME")],
    duty: Annotated[Duty, typer.Option(help="What this person does, and so what they may.")],
    password_file: Annotated[
        Path | None,
        typer.Option(help="A file whose first line is the password; '-' reads it from standard input."),
    ] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Let a person use the board, or give them another duty and password."""
    with opened(archive, actor) as here:
        new = add_person(here, name, duty, _password(password_file))
    done = "may use the board" if new else "has a new duty and password"
    emit(
        as_json, {"name": name, "duty": duty.value, "new": new}, lambda: [f"{name} {done}, as {duty.value}."]
    )


@people_app.command("list")
def everyone(archive: Archive = None, as_json: Json = False) -> None:
    """Show who may use the board."""
    with opened(archive) as here:
        known = [{"name": one.name, "duty": one.duty.value} for one in here.catalog.users.all()]
    emit(as_json, known, lambda: [table(["name", "duty"], [(one["name"], one["duty"]) for one in known])])


@people_app.command("drop")
def drop(
    name: Annotated[str, typer.Argument(metavar="NAME")],
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Take a person off; what they did stays in the custody log, and a visit of theirs ends at once."""
    with opened(archive, actor) as here:
        drop_person(here, name)
    emit(as_json, {"dropped": name}, lambda: [f"{name} may no longer use the board."])


def _password(file: Path | None) -> str:
    """Asked for twice without showing it, or read from a file: never from the command line, where others see it."""
    if file is None:
        if not sys.stdin.isatty():
            raise BadInputError(
                "No password is given.", "Add --password-file FILE, or '-' for standard input."
            )
        first = getpass.getpass("Password: ")
        if first != getpass.getpass("The same again: "):
            raise BadInputError("The two are not the same.", "Run it again.")
        return first
    try:
        text = sys.stdin.read() if str(file) == "-" else file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as trouble:
        raise BadInputError(f"{file} cannot be read as text.", "Name a UTF-8 file.") from trouble
    return text.split("\n", 1)[0].rstrip("\r")
