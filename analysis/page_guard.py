"""Who may see the page: on this computer everybody, from elsewhere whoever has the token.

The token is 24 random bytes, made by `cornerhold page --make-token`; the settings hold only its SHA-256. A slow hash
would add nothing: nobody guesses 192 bits. A session is 24 random bytes in a cookie; what is kept of it is a hash
keyed with the token's, so that another token ends all sessions, and neither settings nor kept hashes let anybody in.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
from typing import TYPE_CHECKING, Final

from analysis.page_sessions import Sessions
from logger.clock import utc_now

if TYPE_CHECKING:
    from collections.abc import Callable

SESSION_s: Final = 12 * 3600.0
TRIES: Final = 5
"""So many wrong tokens are taken from all sides together within TRIES_s."""
TRIES_s: Final = 60.0
COOKIE: Final = "cornerhold_session"
HEADERS: Final = {
    # styles stand inside the drawings; nothing but our own script runs
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
    "connect-src 'self'; img-src 'self' data:; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Cache-Control": "no-store",
}


def new_token() -> tuple[str, str]:
    """Return a new token and its hash for the settings."""
    token = secrets.token_urlsafe(24)
    return token, hash_of(token)


def hash_of(token: str) -> str:
    """Return what the settings hold of a token."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def _keyed(key: bytes, text: str) -> str:
    return hmac.new(key, text.encode("utf-8", "replace"), hashlib.sha256).hexdigest()


def is_loopback(host: str) -> bool:
    """Whether an address is this computer's own.

    >>> [is_loopback(host) for host in ("127.0.0.1", "::1", "localhost", "0.0.0.0", "shop.example")]
    [True, True, True, False, False]
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def host_of(header: str) -> str:
    """Return the host of a Host header without its port.

    >>> host_of("127.0.0.1:80"), host_of("[::1]:80"), host_of("shop.example")
    ('127.0.0.1', '[::1]', 'shop.example')
    """
    host, _, port = header.rpartition(":")
    return host if port.isdigit() and host else header


class Guard:
    """Sessions, tries, and the secret in the forms. Without a token everybody who reaches it may see the page."""

    def __init__(
        self,
        token_sha256: str | None,
        now_s: Callable[[], float],
        sessions: Sessions | None = None,
        utc_s: Callable[[], float] = lambda: utc_now().timestamp(),
    ) -> None:
        """`now_s` is monotonic, for the tries; sessions outlast the process and need the wall clock `utc_s`."""
        self.token_sha256 = token_sha256
        self._now_s, self._utc_s = now_s, utc_s
        self._sessions = sessions or Sessions()
        self._failed: list[float] = []
        self._key = secrets.token_bytes(32)

    def knows(self, session: str | None) -> bool:
        """Whether this session may see the page."""
        if self.token_sha256 is None:
            return True
        until_s = None if session is None else self._sessions.until_s(self._name(session))
        # a clock that was set back doesn't make a session longer
        return until_s is not None and 0.0 < until_s - self._utc_s() <= SESSION_s

    def wait_s(self) -> float:
        """How long no further try is taken; 0: one is."""
        now = self._now_s()
        self._failed = [at for at in self._failed if now - at < TRIES_s]
        return self._failed[0] + TRIES_s - now if len(self._failed) >= TRIES else 0.0

    def is_token(self, token: str) -> bool:
        """Whether it is the token; a wrong one counts as a try. Not to be asked while `wait_s` is positive."""
        if self.token_sha256 is not None and hmac.compare_digest(hash_of(token), self.token_sha256):
            return True
        self._failed.append(self._now_s())
        return False

    def begin(self) -> str:
        """Begin a session; return what its cookie holds."""
        now_s = self._utc_s()
        session = secrets.token_urlsafe(24)
        self._sessions.begin(self._name(session), now_s + SESSION_s, now_s)
        return session

    def end(self, session: str | None) -> None:
        """End a session."""
        self._sessions.end(self._name(session or ""))

    def close(self) -> None:
        """Let the file of the sessions go."""
        self._sessions.close()

    def _name(self, session: str) -> str:
        """Under which name a session is kept."""
        return _keyed((self.token_sha256 or "").encode(), session)

    def form_secret(self, session: str | None) -> str:
        """What a form of this session holds; no other site can know it. It outlasts the process as the session does.

        Without a token nobody has a session; then the secret is of this process, for a cookie could be anybody's.
        """
        if self.token_sha256 is not None and session:
            return _keyed(session.encode("utf-8", "replace"), "form")
        return _keyed(self._key, "form")

    def is_own_form(self, session: str | None, secret: str) -> bool:
        """Whether a form was ours."""
        return hmac.compare_digest(self.form_secret(session).encode(), secret.encode("utf-8", "replace"))
