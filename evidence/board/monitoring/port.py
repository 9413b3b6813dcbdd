"""The port of metrics and health: a small server in a thread of its own, beside the board's."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator
from dataclasses import asdict

import uvicorn
from prometheus_client import (
    CONTENT_TYPE_LATEST,
    CollectorRegistry,
    PlatformCollector,
    ProcessCollector,
    generate_latest,
)
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from evidence import __version__
from evidence.board.monitoring.health import HealthChecks
from evidence.board.monitoring.metrics import ArchiveMetrics
from evidence.board.monitoring.requests import RequestMetrics
from evidence.board.server import BoardServer, make_config
from evidence.workspace import Workspace

START_S, STOP_S = 30.0, 5.0
"""Seconds to wait until the port listens, and for the thread to end."""


class Monitoring:
    """Metrics and health of one board."""

    def __init__(self, workspace: Workspace) -> None:
        self.registry = CollectorRegistry()
        self.requests = RequestMetrics(self.registry)
        self.health = HealthChecks(workspace)
        self.metrics = ArchiveMetrics(workspace)
        self.registry.register(self.metrics)
        ProcessCollector(registry=self.registry)
        PlatformCollector(registry=self.registry)

    def close(self) -> None:
        """Begin no more checks."""
        self.health.close()
        self.metrics.close()

    def app(self) -> Starlette:
        """The pages `/metrics`, `/health/alive` and `/health/ready`."""
        return Starlette(
            routes=[
                Route("/metrics", self._metrics),
                Route("/health/alive", self._alive),
                Route("/health/ready", self._ready),
            ]
        )

    def _metrics(self, _request: Request) -> Response:
        return Response(generate_latest(self.registry), headers={"content-type": CONTENT_TYPE_LATEST})

    def _alive(self, _request: Request) -> Response:
        return JSONResponse({"alive": True, "version": __version__})

    def _ready(self, _request: Request) -> Response:
        found = self.health.ready()
        return JSONResponse(asdict(found), 200 if found.ready else 503)


@contextlib.contextmanager
def serving(monitoring: Monitoring, config: uvicorn.Config, listening: socket.socket) -> Iterator[None]:
    """Answer on this socket while the block runs."""
    started = threading.Event()
    server = BoardServer(config, on_listening=started.set)
    thread = threading.Thread(
        target=server.run, kwargs={"sockets": [listening]}, name="board-monitoring", daemon=True
    )
    thread.start()
    started.wait(START_S)
    try:
        yield
    finally:
        server.should_exit = True
        thread.join(STOP_S)
        monitoring.close()
        listening.close()


def monitoring_config(
    monitoring: Monitoring, *, host: str, port: int, own_log: bool = True
) -> uvicorn.Config:
    """The server's settings; `port` 0 takes any free one. For `own_log` see `make_config`."""
    return make_config(monitoring.app(), host=host, port=port, own_log=own_log)
