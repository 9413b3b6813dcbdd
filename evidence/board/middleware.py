"""Checks every request before a route sees it, and adds the security headers to every response.

The host name is checked by the web framework's own TrustedHostMiddleware (see `app`).
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MAX_BYTES = 512 * 1024
"""Largest request body. Tagging 2,000 photos at once takes half of it; no file is ever uploaded."""

LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "[::1]"})

CONTENT_POLICY = (
    "default-src 'none'; img-src 'self'; media-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
"""Only the board's own files, and no script or style inside a page (Content Security Policy Level 3, W3C)."""

SECURITY_HEADERS: Mapping[str, str] = {
    "content-security-policy": CONTENT_POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=()",
}
_READING = frozenset({"GET", "HEAD"})


TOO_LARGE = "The request is too large. Select fewer photos and try again."


class _TooLargeError(Exception):
    """The request body is longer than allowed."""


class _LimitedBody:
    """A request body whose bytes are counted as they arrive: its length header may be wrong."""

    def __init__(self, receive: Receive, limit: int) -> None:
        self._receive, self._limit = receive, limit
        self._received = 0

    @property
    def too_large(self) -> bool:
        """Whether more bytes arrived than allowed."""
        return self._received > self._limit

    async def receive(self) -> Message:
        """The next message (ASGI). Raises _TooLargeError when the body is longer than allowed."""
        message = await self._receive()
        if message["type"] == "http.request":
            self._received += len(message.get("body", b""))
            if self.too_large:
                raise _TooLargeError
        return message


class SecurityMiddleware:
    """Refuses unknown methods, large bodies and requests from other sites; adds the security headers.

    It runs before the check of the host name, so that those refusals have the headers too.
    """

    def __init__(self, app: App, *, secure: bool, max_bytes: int = MAX_BYTES) -> None:
        self._app = app
        self._max_bytes = max_bytes
        self._always = [(name.encode(), value.encode()) for name, value in SECURITY_HEADERS.items()]
        if secure:
            self._always.append((b"strict-transport-security", b"max-age=31536000"))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request (ASGI)."""
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = {name.lower(): value.decode("latin-1") for name, value in scope["headers"]}
        body = _LimitedBody(receive, self._max_bytes)
        refused = False

        async def send_unless_too_large(message: Message) -> None:
            nonlocal refused
            if body.too_large:
                # The application may have answered the truncated body; this response replaces its own.
                if not refused:
                    refused = True
                    await _send_text(send_with_headers, 413, TOO_LARGE)
                return
            await send_with_headers(message)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = self._with_headers(message["headers"])
            await send(message)

        if refusal := self._refusal(scope, headers):
            await _send_text(send_with_headers, *refusal)
            return
        try:
            await self._app(scope, body.receive, send_unless_too_large)
        except _TooLargeError:
            if not refused:
                await _send_text(send_with_headers, 413, TOO_LARGE)

    def _refusal(self, scope: Scope, headers: Mapping[bytes, str]) -> tuple[int, str] | None:
        """Status and message when the request is refused, else None."""
        if scope["method"] not in {*_READING, "POST"}:
            return 405, "The board accepts only GET, HEAD and POST."
        length = headers.get(b"content-length", "0")
        if not length.isascii() or not length.isdigit() or int(length) > self._max_bytes:
            return 413, TOO_LARGE
        if scope["method"] not in _READING and not _same_site(headers):
            return 403, "Another site sent this request. Open the board and try again there."
        return None

    def _with_headers(self, headers: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
        present = {name.lower() for name, _ in headers}
        out = [(name, value) for name, value in headers if name.lower() != b"server"]
        out += [(name, value) for name, value in self._always if name not in present]
        if b"cache-control" not in present:
            out.append((b"cache-control", b"no-store"))
        return out


def _same_site(headers: Mapping[bytes, str]) -> bool:
    """Whether a page of this board sent the request, by Fetch Metadata (W3C) and Origin (RFC 6454).

    A page with the policy `no-referrer` sends the origin `null`; then Fetch Metadata must be there.
    """
    site, origin = headers.get(b"sec-fetch-site"), headers.get(b"origin")
    if site not in {None, "same-origin", "none"}:
        return False
    if origin == "null":
        return site == "same-origin"
    host = headers.get(b"host", "")
    return origin is None or origin.partition("://")[2].casefold() == host.casefold()


async def _send_text(send: Send, status: int, text: str) -> None:
    body = f"{text}\n".encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
