"""What stands before every request (its host, origin and size), and the headers of every answer."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Collection, Mapping, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MAX_BYTES = 512 * 1024
"""Of a request's body. 2,000 photos tagged at once come to half of it; no file is ever sent here."""

LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "[::1]"})

CONTENT_POLICY = (
    "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
"""Nothing from elsewhere, nothing written into a page itself (Content Security Policy Level 3, W3C)."""

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


TOO_LARGE = "That is more than a page of this board ever sends."


class _TooLargeError(Exception):
    """The body goes on beyond what is allowed."""


class _LimitedBody:
    """A request's body, counted as it comes: its length need not be what its header says."""

    def __init__(self, receive: Receive, most: int) -> None:
        self._receive, self._most = receive, most
        self._received = 0

    @property
    def too_large(self) -> bool:
        """Whether more came than is allowed."""
        return self._received > self._most

    async def receive(self) -> Message:
        """The next piece (ASGI); raises when it is one too many."""
        message = await self._receive()
        if message["type"] == "http.request":
            self._received += len(message.get("body", b""))
            if self.too_large:
                raise _TooLargeError
        return message


class SecurityMiddleware:
    """Refuses what cannot be meant for this board, and puts the safety headers on every answer.

    A request under another host's name is refused: a name that an attacker's DNS points here would otherwise
    make their page this board's own (DNS rebinding).
    """

    def __init__(self, app: App, *, hosts: Collection[str], secure: bool, max_bytes: int = MAX_BYTES) -> None:
        self._app = app
        self._hosts = {host.casefold() for host in hosts}
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
        answered = False

        async def send_unless_too_large(message: Message) -> None:
            nonlocal answered
            if body.too_large:
                # Whatever the board makes of a body that was cut off, this is the answer.
                if not answered:
                    answered = True
                    await _send_text(send_with_headers, 413, TOO_LARGE)
                return
            await send_with_headers(message)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = self._with_headers(message["headers"])
            await send(message)

        if refused := self._refusal(scope, headers):
            await _send_text(send_with_headers, *refused)
            return
        try:
            await self._app(scope, body.receive, send_unless_too_large)
        except _TooLargeError:
            if not answered:
                await _send_text(send_with_headers, 413, TOO_LARGE)

    def _refusal(self, scope: Scope, headers: Mapping[bytes, str]) -> tuple[int, str] | None:
        host = headers.get(b"host", "")
        name = host if host.endswith("]") else host.rpartition(":")[0] or host
        if name.casefold() not in self._hosts:
            return 421, "This board does not go by that name."
        if scope["method"] not in {*_READING, "POST"}:
            return 405, "The board is only read from and posted to."
        length = headers.get(b"content-length", "0")
        if not length.isascii() or not length.isdigit() or int(length) > self._max_bytes:
            return 413, TOO_LARGE
        if scope["method"] not in _READING:
            # Fetch Metadata (W3C) and RFC 6454: what another site's page sends says so. A page that names no
            # referrer gives its origin as null, so then the browser's own word on the site must be there.
            site, origin = headers.get(b"sec-fetch-site"), headers.get(b"origin")
            known = origin is None or origin.partition("://")[2].casefold() == host.casefold()
            if site not in {None, "same-origin", "none"} or not (
                known or (origin == "null" and site == "same-origin")
            ):
                return 403, "That was sent from another site's page."
        return None

    def _with_headers(self, headers: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
        present = {name.lower() for name, _ in headers}
        out = [(name, value) for name, value in headers if name.lower() != b"server"]
        out += [(name, value) for name, value in self._always if name not in present]
        if b"cache-control" not in present:
            out.append((b"cache-control", b"no-store"))
        return out


async def _send_text(send: Send, status: int, words: str) -> None:
    body = f"{words}\n".encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
