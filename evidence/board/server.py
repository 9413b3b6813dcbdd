"""The web server around the board: time limits for requests, a limit on connections, and a log that stays short.

The server library has no time limit for the head or body of a request, so its protocol class is extended here. When all
connections are taken, the one that has waited longest without a whole request makes room for the next visitor.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import h11
import uvicorn
from starlette.applications import Starlette
from uvicorn.protocols.http.h11_impl import H11Protocol

from evidence.errors import DestinationError

HEAD_SECONDS = 10.0
"""Time for a whole request head. A browser sends it at once; common practice, no source."""
BODY_SECONDS = 30.0
"""Time for a whole request body, at most 512 kB: 17 kB a second."""
MAX_CONNECTIONS = 400
"""Connections at once: a browser opens six to one host, so this serves about 60 people."""
BACKLOG = 128
"""Connections that the system may hold until they are accepted."""
OPEN_FILES = 4096
"""Files and connections that the process may have open, where the system allows it."""
LINES_A_MINUTE = 20
"""Lines of the server's log; more of them are counted."""


class TimedProtocol(H11Protocol):
    """One connection, which must send its requests within HEAD_SECONDS and BODY_SECONDS."""

    _timer: asyncio.TimerHandle | None = None
    _phase: object = None
    since = 0.0
    """When it began to wait for a request, in seconds of the event loop."""

    @property
    def is_waiting(self) -> bool:
        """Whether no request of it is being answered."""
        return self.cycle is None or bool(self.cycle.response_complete)

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """A visitor connected (asyncio)."""
        super().connection_made(transport)
        self.since = self.loop.time()
        if len(self.connections) > MAX_CONNECTIONS:
            others = (one for one in self.connections if isinstance(one, TimedProtocol) and one.is_waiting)
            min(others, key=lambda one: one.since, default=self).abort()
        self._watch()

    def data_received(self, data: bytes) -> None:
        """Bytes arrived (asyncio)."""
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        """A request was answered; until the next one begins, the server's own keep-alive limit holds."""
        super().on_response_complete()
        self.since = self.loop.time()
        self._stop()

    def connection_lost(self, exc: Exception | None) -> None:
        """The visitor is gone (asyncio)."""
        self._stop()
        super().connection_lost(exc)

    def abort(self) -> None:
        """Close the connection without an answer."""
        self._stop()
        self.transport.abort()

    def _watch(self) -> None:
        """Run the timer of the part that is being received: a head, a body, or none."""
        state = self.conn.their_state
        if state is self._phase and self._timer is not None:
            return
        self._stop()
        seconds = {h11.IDLE: HEAD_SECONDS, h11.SEND_BODY: BODY_SECONDS}.get(state)
        if seconds is not None and not self.transport.is_closing():
            self._phase, self._timer = state, self.loop.call_later(seconds, self.abort)

    def _stop(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._phase = self._timer = None


class BoardServer(uvicorn.Server):
    """The server; it reports when its port listens."""

    def __init__(self, config: uvicorn.Config, *, on_listening: Callable[[], None] = lambda: None) -> None:
        super().__init__(config)
        self._on_listening = on_listening

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Open the port (uvicorn)."""
        loop = asyncio.get_running_loop()
        if self.config.is_ssl:  # the library passes no limit for the handshake, and asyncio's own is a minute
            create = loop.create_server
            loop.create_server = partial(create, ssl_handshake_timeout=HEAD_SECONDS)  # type: ignore[method-assign]
        await super().startup(sockets=sockets)
        if self.started:
            self._on_listening()


class FewLines(logging.Filter):
    """Lets through LINES_A_MINUTE records a minute, without tracebacks, and counts the others in the next one."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._clock = clock
        self._minute, self._lines, self._left_out = -1, 0, 0

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether the record is written."""
        minute = int(self._clock() // 60)
        if minute != self._minute:
            self._minute, self._lines = minute, 0
        if self._lines >= LINES_A_MINUTE:
            self._left_out += 1
            return False
        self._lines += 1
        if record.exc_info and isinstance(record.exc_info[1], OSError):
            record.msg, record.args = f"{record.getMessage().splitlines()[0]}: {record.exc_info[1]}", None
            record.exc_info = record.exc_text = None
        if self._left_out:
            record.msg, record.args = f"{record.getMessage()} ({self._left_out} more lines left out)", None
            self._left_out = 0
        return True


def make_config(
    app: Starlette,
    *,
    host: str = "127.0.0.1",
    port: int = 0,
    cert: Path | None = None,
    key: Path | None = None,
    behind_tls: bool = False,
    own_log: bool = True,
) -> uvicorn.Config:
    """The server's settings; without `own_log` its lines go where the program's go. Raises the number of files that this process may open, and keeps the log short."""
    _allow_files()
    options: dict[str, Any] = {"ssl_certfile": cert, "ssl_keyfile": key} if cert else {}
    if not own_log:
        options["log_config"] = None
    config = uvicorn.Config(
        app,
        host=host,
        port=port,
        loop="asyncio",
        http=TimedProtocol,
        ws="none",
        backlog=BACKLOG,
        log_level="warning",
        access_log=False,  # a link's secret is part of its address
        server_header=False,
        proxy_headers=behind_tls,
        **options,
    )
    for name in ("uvicorn.error", "asyncio"):
        logger = logging.getLogger(name)
        if not any(isinstance(one, FewLines) for one in logger.filters):
            logger.addFilter(FewLines())
    return config


def bind(config: uvicorn.Config) -> socket.socket:
    """Take the board's port; raises DestinationError when it cannot be used."""
    try:
        return config.bind_socket()
    except SystemExit as trouble:  # the server library would end the process here
        raise DestinationError(
            f"Cannot listen on {config.host}, port {config.port}.",
            "Another board may be running: choose another port with --port.",
        ) from trouble


def _allow_files() -> None:
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource  # noqa: PLC0415 - Windows has none, and no such limit

        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        most = OPEN_FILES if hard == resource.RLIM_INFINITY else min(OPEN_FILES, hard)
        if soft < most:
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
