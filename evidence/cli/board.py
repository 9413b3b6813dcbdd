"""The board's commands: start the review page, and manage who may use it."""

from __future__ import annotations

import contextlib
import getpass
import ipaddress
import logging
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from evidence.cli.common import (
    OFFICE,
    REVIEWER,
    Actor,
    Archive,
    Json,
    emit,
    opened,
    say,
    stderr_console,
    table,
)
from evidence.cli.json_logs import LogJson, is_on, write_json_lines
from evidence.errors import BadInputError, DestinationError
from evidence.model import Duty

if TYPE_CHECKING:
    from evidence.board.monitoring.port import Monitoring
    from evidence.board.sessions import SessionStore
    from evidence.workspace import Workspace

log = logging.getLogger(__name__)
LOOPBACK = "127.0.0.1"
people_app = typer.Typer(no_args_is_help=True, help="Manage who may use the board.")


Port = Annotated[int | None, typer.Option("--port", help="Port; 0 takes any free port.", show_default=False)]
BindTo = Annotated[
    str, typer.Option("--bind", help="Address to listen on; by default only this computer can connect.")
]
Names = Annotated[
    list[str] | None,
    typer.Option("--name", help="A host name by which other computers reach the board."),
]
Cert = Annotated[Path | None, typer.Option("--cert", help="TLS certificate chain (PEM).", show_default=False)]
Key = Annotated[Path | None, typer.Option("--key", help="Its private key (PEM).", show_default=False)]
BehindTls = Annotated[
    bool, typer.Option("--behind-tls", help="A server in front of the board handles HTTPS.")
]
LinkDuty = Annotated[
    Duty, typer.Option("--duty", help="The duty that the single-use link gives you; `people` overrides it.")
]
MetricsPort = Annotated[
    int | None,
    typer.Option(
        "--metrics",
        metavar="PORT",
        min=0,
        max=65535,
        help="Serve metrics and health on this port, 0 for any free one; off without this option.",
        show_default=False,
    ),
]
MetricsBind = Annotated[
    str,
    typer.Option("--metrics-bind", help="Address for --metrics; by default only this computer can connect."),
]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(rich_help_panel=REVIEWER)(board)
    app.add_typer(people_app, name="people", rich_help_panel=OFFICE)


def board(
    port: Port = None,
    bind_to: BindTo = LOOPBACK,
    name: Names = None,
    cert: Cert = None,
    key: Key = None,
    behind_tls: BehindTls = False,
    duty: LinkDuty = Duty.REVIEWER,
    metrics: MetricsPort = None,
    metrics_bind: MetricsBind = LOOPBACK,
    log_json: LogJson = False,
    archive: Archive = None,
    actor: Actor = None,
) -> None:
    """Start the review page and print a single-use login link.

    With --log-json no link is printed, because logs are kept: people log in with their passwords.
    """
    from evidence.board.app import make_app
    from evidence.board.server import BoardServer, bind, make_config

    names = name or []
    _require_safe(bind_to, cert, key, names)
    secure = cert is not None or behind_tls
    with opened(archive, actor) as here, contextlib.ExitStack() as closing:
        if log_json:
            _require_people(here)
            write_json_lines()
        monitoring = _monitored(here, closing, metrics, metrics_bind) if metrics is not None else None
        app = make_app(
            here,
            names=names,
            secure=secure,
            metrics=monitoring.requests if monitoring else None,
            watched=log_json,
        )
        config = make_config(
            app,
            host=bind_to,
            port=here.settings.board.port if port is None else port,
            cert=cert,
            key=key,
            behind_tls=behind_tls,
            own_log=not log_json,
        )
        listening = bind(config)
        known = here.catalog.users.get(here.actor)
        address = _address(names[0] if names else bind_to, listening.getsockname()[1], secure=secure)

        def show_link() -> None:
            """Print the link, once the port listens."""
            if log_json:
                log.info("board_listens port=%d", listening.getsockname()[1])
                return
            _print_link(address, app.state.board.sessions, here.actor, known.duty if known else duty)

        server = BoardServer(config, on_listening=show_link)
        with contextlib.suppress(KeyboardInterrupt):  # Ctrl-C is the usual way to stop a board
            server.run(sockets=[listening])


def _require_people(here: Workspace) -> None:
    """Raise BadInputError when nobody could log in without a link."""
    if not here.catalog.users.all():
        raise BadInputError(
            "With --log-json no login link is printed, and nobody has a password.",
            "Add the people first: `evidence people add NAME --duty office`.",
        )


def _monitored(here: Workspace, closing: contextlib.ExitStack, port: int, address: str) -> Monitoring:
    """Serve metrics and health until `closing` is closed, and print where. Raises BadInputError, DestinationError."""
    from evidence.board.monitoring.port import Monitoring, monitoring_config, serving
    from evidence.board.server import bind

    _require_address(address)
    monitoring = Monitoring(here)
    config = monitoring_config(monitoring, host=address, port=port, own_log=not is_on())
    try:
        listening = bind(config)
    except DestinationError as trouble:
        raise DestinationError(trouble.message, "Choose another port with --metrics.") from trouble
    closing.enter_context(serving(monitoring, config, listening))
    where = _address(address, listening.getsockname()[1], secure=False)
    if is_on():
        log.info("metrics_listen port=%d", listening.getsockname()[1])
    else:
        say(f"Metrics: {where}/metrics. Health: {where}/health/ready and {where}/health/alive.")
    return monitoring


def _address(host: str, port: int, *, secure: bool) -> str:
    return f"{'https' if secure else 'http'}://{f'[{host}]' if ':' in host else host}:{port}"


def _print_link(address: str, sessions: SessionStore, actor: str, duty: Duty) -> None:
    from evidence.board.sessions import LINK_MINUTES

    print(f"{address}/link/{sessions.create_link(actor, duty)}", flush=True)
    stderr_console().print(
        f"The link logs {actor} in once, within {LINK_MINUTES} minutes. Stop the board with Ctrl-C.",
        markup=False,
    )


def _require_safe(bind: str, cert: Path | None, key: Path | None, names: list[str]) -> None:
    """Raise BadInputError for options that would send passwords and photos unencrypted over a network."""
    if (cert is None) != (key is None):
        raise BadInputError("--cert and --key belong together.", "Give both.")
    for file in (cert, key):
        if file is not None and not file.is_file():
            raise BadInputError(f"There is no file {file}.", "Name the PEM file.")
    local = _require_address(bind).is_loopback
    if not local and cert is None:
        raise BadInputError(
            f"On {bind} other computers would reach the board without encryption.",
            "Give --cert and --key, or bind to 127.0.0.1 with a server in front and --behind-tls.",
        )
    if not local and not names:
        raise BadInputError(
            f"On {bind} the board needs the host name by which others reach it.",
            "Add --name board.example.org.",
        )


def _require_address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    """The IP address. Raises BadInputError."""
    try:
        return ipaddress.ip_address(text)
    except ValueError:
        raise BadInputError(f"'{text}' is not an address.", "Give an IP address such as 127.0.0.1.") from None


@people_app.command("add")
def add(
    name: Annotated[str, typer.Argument(metavar="NAME")],
    duty: Annotated[Duty, typer.Option(help="What this person does; it decides what they may do.")],
    password_file: Annotated[
        Path | None,
        typer.Option(help="A file whose first line is the password; '-' reads it from standard input."),
    ] = None,
    archive: Archive = None,
    actor: Actor = None,
    as_json: Json = False,
) -> None:
    """Add a person, or change their duty and password."""
    from evidence.office.people import add_person

    with opened(archive, actor) as here:
        new = add_person(here, name, duty, _password(password_file))
    done = "may use the board" if new else "has a new duty and password"
    emit(
        as_json, {"name": name, "duty": duty.value, "new": new}, lambda: [f"{name} {done}, as {duty.value}."]
    )


@people_app.command("list")
def everyone(archive: Archive = None, as_json: Json = False) -> None:
    """List the people who may use the board."""
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
    """Remove a person and end their sessions at once.

    The custody log keeps what they did.
    """
    from evidence.office.people import drop_person

    with opened(archive, actor) as here:
        drop_person(here, name)
    emit(as_json, {"dropped": name}, lambda: [f"{name} may no longer use the board."])


def _password(file: Path | None) -> str:
    """Ask twice for the password, hidden, or read it from a file.

    It never comes from the command line, where other users of the computer could see it.
    """
    if file is None:
        if not sys.stdin.isatty():
            raise BadInputError(
                "No password is given.", "Add --password-file FILE, or '-' for standard input."
            )
        first = getpass.getpass("Password: ")
        if first != getpass.getpass("Repeat the password: "):
            raise BadInputError("The two passwords differ.", "Run the command again.")
        return first
    try:
        text = sys.stdin.read() if str(file) == "-" else file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as trouble:
        raise BadInputError(f"{file} cannot be read as text.", "Name a UTF-8 file.") from trouble
    return text.split("\n", 1)[0].rstrip("\r")
