"""Coming in and being known: signed cookies, single-use links, form tokens, and patience with wrong passwords.

Everything lives in this process and ends with it: a new start of the board knows nobody.
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

from evidence.model import Duty

LINK_MINUTES = 15
"""How long a printed link may be used: enough to change windows, too short to lie about."""
MAX_FAILURES = 5
"""Wrong passwords of one name, or from one address, before it must wait (OWASP's usual order of size)."""
FAILURE_WINDOW_S = 15 * 60.0
MAX_SESSIONS = 500
"""Held at once; the oldest goes. An office has a few dozen people."""


@dataclass(kw_only=True)
class Session:
    """One person's visit, from coming in to going out."""

    id: str
    name: str
    duty: Duty
    until: float
    """Seconds of the board's clock."""
    password: str
    """The hash that the person came in with, or empty for a link: another one now ends the visit."""
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    """Comes back with everything that changes something."""
    flashes: list[tuple[str, str]] = field(default_factory=list)
    """What the next page tells: a kind (`good`, `bad`) and a sentence."""

    def token_matches(self, token: str) -> bool:
        """Whether a form or script of this visit's own pages sent it."""
        return hmac.compare_digest(token.encode(), self.token.encode())


class SessionStore:
    """Lets people in and remembers who is inside. Safe for many threads."""

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
        """How long a visit may last."""
        return int(self._hours * 3600)

    # --- visits ---

    def start(self, name: str, duty: Duty, *, password: str = "") -> tuple[Session, str]:
        """A new visit, and the signed text for its cookie."""
        session = Session(
            id=secrets.token_urlsafe(24),
            name=name,
            duty=duty,
            until=self._clock() + self.seconds,
            password=password,
        )
        with self._lock:
            while len(self._sessions) >= MAX_SESSIONS:
                self._sessions.pop(next(iter(self._sessions)))
            self._sessions[session.id] = session
        return session, str(self._session_signer.dumps(session.id))

    def find(self, cookie: str) -> Session | None:
        """The visit behind a cookie; None for a forged, ended or expired one."""
        try:
            visit = self._session_signer.loads(cookie)
        except BadSignature:
            return None
        with self._lock:
            session = self._sessions.get(visit) if isinstance(visit, str) else None
            if session is not None and session.until <= self._clock():
                del self._sessions[session.id]
                return None
            return session

    def end(self, session: Session) -> None:
        """The visit is over, whoever still holds its cookie."""
        with self._lock:
            self._sessions.pop(session.id, None)

    # --- links ---

    def create_link(self, name: str, duty: Duty) -> str:
        """A secret that lets this person in once, soon."""
        secret = secrets.token_urlsafe(32)
        with self._lock:
            self._links[_digest(secret)] = (name, duty, self._clock() + LINK_MINUTES * 60)
        return secret

    def link_is_valid(self, secret: str) -> bool:
        """Whether the link can still be used."""
        with self._lock:
            waiting = self._links.get(_digest(secret))
        return waiting is not None and waiting[2] > self._clock()

    def redeem_link(self, secret: str) -> tuple[str, Duty] | None:
        """Who the link lets in; it never works again."""
        with self._lock:
            waiting = self._links.pop(_digest(secret), None)
        if waiting is None or waiting[2] <= self._clock():
            return None
        return waiting[0], waiting[1]

    # --- forms before anyone is known ---

    def new_form_token(self) -> tuple[str, str]:
        """A cookie and the form token that only goes with it."""
        cookie = str(self._form_signer.dumps(secrets.token_urlsafe(16)))
        return cookie, self._form_token(cookie)

    def form_token_matches(self, cookie: str, token: str) -> bool:
        """Whether cookie and token were given out together by this board."""
        try:
            self._form_signer.loads(cookie)
        except BadSignature:
            return False
        return hmac.compare_digest(token.encode(), self._form_token(cookie).encode())

    def _form_token(self, cookie: str) -> str:
        """The token that goes with a guest's cookie."""
        return str(self._form_signer.dumps(_digest(cookie)))


class RateLimiter:
    """Counts failures of a name and of an address, and says how long to wait."""

    def __init__(
        self,
        *,
        most: int = MAX_FAILURES,
        window_s: float = FAILURE_WINDOW_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._most, self._window, self._clock = most, window_s, clock
        self._failed: dict[str, deque[float]] = {}
        self._lock = threading.Lock()

    def retry_after_s(self, *who: str) -> float:
        """Seconds until any of these may try again; 0 when now."""
        now = self._clock()
        with self._lock:
            return max((self._wait(one, now) for one in who), default=0.0)

    def record_failure(self, *who: str) -> None:
        """One more wrong attempt of each of these."""
        now = self._clock()
        with self._lock:
            for one in who:
                self._failed.setdefault(one, deque(maxlen=self._most)).append(now)
            if len(self._failed) > 10_000:  # an attacker with many names; keep the newest
                for stale in [key for key in self._failed if not self._wait(key, now)]:
                    del self._failed[stale]

    def reset(self, *who: str) -> None:
        """They came in: their failures are forgotten."""
        with self._lock:
            for one in who:
                self._failed.pop(one, None)

    def _wait(self, one: str, now: float) -> float:
        times = self._failed.get(one)
        if times is None or len(times) < self._most:
            return 0.0
        return max(0.0, times[0] + self._window - now)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
