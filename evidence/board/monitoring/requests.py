"""Counts and times the board's requests by route: the route's pattern, never the path that was asked for."""

from __future__ import annotations

import logging
import time

from prometheus_client import CollectorRegistry, Counter, Histogram
from starlette.types import ASGIApp, Message, Receive, Scope, Send

BUCKETS = (0.01, 0.025, 0.05, 0.1, 0.15, 0.3, 0.5, 1.0, 2.5, 5.0, 10.0)
"""Seconds; 0.15 and 0.3 are the targets of the list of claims and of a claim's page."""
STATIC = "/static"
OTHER = "other"
"""The route of an address that no route has."""

log = logging.getLogger(__name__)


class RequestMetrics:
    """Request times by route, and failed logins, in one registry."""

    def __init__(self, registry: CollectorRegistry) -> None:
        self._seconds = Histogram(
            "evidence_request_seconds",
            "Time to answer a request, by route.",
            ("method", "route", "status"),
            buckets=BUCKETS,
            registry=registry,
        )
        self._logins = Counter(
            "evidence_logins_refused",
            "Logins that were refused since the board started: wrong, or too many of them.",
            ("why",),
            registry=registry,
        )
        for why in ("wrong", "too_many"):
            self._logins.labels(why)

    def count(self, method: str, route: str, status: int, seconds: float) -> None:
        """Count one answered request."""
        self._seconds.labels(method, route, f"{status // 100}xx").observe(seconds)
        if route in ("/login", "/link") and method == "POST" and status in (401, 403, 429):
            self._logins.labels("too_many" if status == 429 else "wrong").inc()


class RequestWatch:
    """ASGI middleware that times each request and writes a line of the log about it."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        metrics: RequestMetrics | None,
    ) -> None:
        self._app, self._metrics = app, metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request (ASGI)."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        status, begun = 500, time.perf_counter()

        async def sending(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self._app(scope, receive, sending)
        finally:
            seconds = time.perf_counter() - begun
            method, route = _method(scope), _pattern(scope)
            if self._metrics:
                self._metrics.count(method, route, status, seconds)
            log.info(
                "request method=%s route=%s status=%d ms=%.1f",
                method,
                route,
                status,
                round(seconds * 1000, 1),
            )


def _method(scope: Scope) -> str:
    """The method when it is a common one: others could be any text."""
    method = str(scope["method"])
    return method if method in ("GET", "HEAD", "POST") else OTHER


def _pattern(scope: Scope) -> str:
    """The pattern of the route that answered, such as `/photo/{sha}`; the web framework leaves it in the scope."""
    route = scope.get("route")
    if route is not None:
        return str(getattr(route, "path", OTHER))
    return STATIC if str(scope["path"]).startswith(f"{STATIC}/") else OTHER
