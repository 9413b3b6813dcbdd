"""Sessions, single-use login links, form tokens, and the limit on failed logins.

All of it is held in memory: when the board is started again, everybody has to log in again.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from itsdangerous import BadSignature, URLSafeSerializer

from evidence.board.claim_list import ListView
from evidence.model import ClaimId, Duty

LINK_MINUTES = 15
"""How long a printed link can be used: time to switch windows, but not to be found later in a terminal."""
MAX_FAILURES = 5
"""Wrong passwords for one name, or from one address, before the next attempt must wait: a low, one-digit limit as
OWASP's Authentication Cheat Sheet advises."""
FAILURE_WINDOW_S = 15 * 60.0
MAX_SESSIONS = 500
"""Sessions held at once; the oldest is dropped. An office has a few dozen people."""


@dataclass(kw_only=True)
class Session:
    """One person's session, from login to logout."""

    id: str
    name: str
    duty: Duty
    until: float
    """When it expires, in seconds of the board's clock."""
    password: str
    """The password hash at login; empty for a login by link. A new password ends the session."""
    listed: bool = False
    """For a login by link: whether the person was in the list of people then. The session ends when that changes, or
    their duty."""
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    """The CSRF token that every form and script of the session sends back."""
    flashes: list[tuple[str, str]] = field(default_factory=list)
    """Messages for the next page: a kind (`good`, `bad`) and a sentence."""
    list_view: ListView = field(default_factory=ListView)
    """What they last chose to see of the list of claims."""
    queue: tuple[ClaimId, ...] = ()
    """The claims of that list, in its order, that they work through."""
    played: set[str] = field(default_factory=set)
    """Digests of the sounds and films that were played: each is recorded once."""

    @property
    def list_path(self) -> str:
        """The address of the list of claims as they last saw it."""
        return self.list_view.path

    def token_matches(self, token: str) -> bool:
        """Whether `token` is this session's CSRF token; compared in constant time."""
        return hmac.compare_digest(token.encode(), self.token.encode())


class SessionStore:
    """All sessions and login links of a running board. Safe for many threads."""

    def __init__(self, *, hours: float, secure: bool, clock: Callable[[], float] = time.time) -> None:
        secret = secrets.token_bytes(32)
        self._hours = hours
        self._clock = clock
        self._session_signer = URLSafeSerializer(
            secret, salt="session", signer_kwargs={"digest_method": hashlib.sha256, "key_derivation": "hmac"}
        )
        self._form_signer = URLSafeSerializer(
            secret,
            salt="login form",
            signer_kwargs={"digest_method": hashlib.sha256, "key_derivation": "hmac"},
        )
        self._sessions: dict[str, Session] = {}
        self._links: dict[str, tuple[str, Duty, float]] = {}
        self._lock = threading.Lock()
        self.cookie = "__Host-evidence" if secure else "evidence"
        self.form_cookie = "__Host-evidence-login" if secure else "evidence-login"

    @property
    def seconds(self) -> int:
        """How long a session lasts."""
        return int(self._hours * 3600)

    # --- sessions ---

    def start(
        self, name: str, duty: Duty, *, password: str = "", listed: bool = False
    ) -> tuple[Session, str]:
        """Start a session; returns it with the signed value for its cookie."""
        session = Session(
            id=secrets.token_urlsafe(24),
            name=name,
            duty=duty,
            until=self._clock() + self.seconds,
            password=password,
            listed=listed,
        )
        with self._lock:
            while len(self._sessions) >= MAX_SESSIONS:
                self._sessions.pop(next(iter(self._sessions)))
            self._sessions[session.id] = session
        return session, str(self._session_signer.dumps(session.id))

    def find(self, cookie: str) -> Session | None:
        """The session of a cookie; None when the cookie is forged or the session has ended or expired."""
        try:
            session_id = self._session_signer.loads(cookie)
        except BadSignature:
            return None
        with self._lock:
            session = self._sessions.get(session_id) if isinstance(session_id, str) else None
            if session is not None and session.until <= self._clock():
                del self._sessions[session.id]
                return None
            return session

    def end(self, session: Session) -> None:
        """End the session; its cookie is invalid from now on."""
        with self._lock:
            self._sessions.pop(session.id, None)

    # --- links ---

    def create_link(self, name: str, duty: Duty) -> str:
        """The secret of a new single-use login link that expires after LINK_MINUTES."""
        secret = secrets.token_urlsafe(32)
        with self._lock:
            self._links[_digest(secret)] = (name, duty, self._clock() + LINK_MINUTES * 60)
        return secret

    def link_is_valid(self, secret: str) -> bool:
        """Whether the link can still be used."""
        with self._lock:
            link = self._links.get(_digest(secret))
        return link is not None and link[2] > self._clock()

    def redeem_link(self, secret: str) -> tuple[str, Duty] | None:
        """The name and duty that the link was made for; None when it is used or expired. Uses the link up."""
        with self._lock:
            link = self._links.pop(_digest(secret), None)
        if link is None or link[2] <= self._clock():
            return None
        return link[0], link[1]

    # --- the login form, before there is a session ---

    def new_form_token(self) -> tuple[str, str]:
        """A cookie value, and the CSRF token that belongs to it and to no other."""
        cookie = str(self._form_signer.dumps(secrets.token_urlsafe(16)))
        return cookie, self._form_token(cookie)

    def form_token_matches(self, cookie: str, token: str) -> bool:
        """Whether this board made the cookie and the token together."""
        try:
            self._form_signer.loads(cookie)
        except BadSignature:
            return False
        return hmac.compare_digest(token.encode(), self._form_token(cookie).encode())

    def _form_token(self, cookie: str) -> str:
        return str(self._form_signer.dumps(_digest(cookie)))


class RateLimiter:
    """Counts failed attempts per key (a name, an address) in a sliding window. Safe for many threads."""

    def __init__(
        self,
        *,
        limit: int = MAX_FAILURES,
        window_s: float = FAILURE_WINDOW_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._limit, self._window, self._clock = limit, window_s, clock
        self._failures: dict[str, deque[float]] = {}
        self._lock = threading.Lock()

    def retry_after_s(self, *keys: str) -> float:
        """Seconds until the next attempt with these keys is allowed; 0 when it is allowed now."""
        now = self._clock()
        with self._lock:
            return max((self._wait_s(key, now) for key in keys), default=0.0)

    def record_failure(self, *keys: str) -> None:
        """Count one failed attempt for each key."""
        now = self._clock()
        with self._lock:
            for key in keys:
                self._failures.setdefault(key, deque(maxlen=self._limit)).append(now)
            if len(self._failures) > 10_000:  # an attacker who tries many names: drop keys that need not wait
                for key in [key for key in self._failures if not self._wait_s(key, now)]:
                    del self._failures[key]

    def reset(self, *keys: str) -> None:
        """Delete the failures of these keys, after a successful login."""
        with self._lock:
            for key in keys:
                self._failures.pop(key, None)

    def _wait_s(self, key: str, now: float) -> float:
        times = self._failures.get(key)
        if times is None or len(times) < self._limit:
            return 0.0
        return max(0.0, times[0] + self._window - now)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
