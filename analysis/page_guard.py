"""Who may see the page: on this computer everybody, from elsewhere whoever has the token.

The token is 24 random bytes, made by `cornerhold page --make-token`; the settings hold only its SHA-256. A slow hash
would add nothing: nobody guesses 192 bits. A session is 24 random bytes in a cookie; what is kept of it is a hash
keyed with the token's, so that another token ends all sessions, and neither settings nor kept hashes let anybody in.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import ipaddress
import secrets
from typing import TYPE_CHECKING, Final

from analysis.page_sessions import Sessions
from logger.clock import utc_now

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

SESSION_s: Final = 12 * 3600.0
TRIES: Final = 5
"""So many wrong tokens from one address within TRIES_s are told that they are wrong; further ones are slowed down."""
TRIES_s: Final = 60.0
MOST_ADDRESSES: Final = 1000
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


def neighbourhood(address: str) -> str:
    """Return what counts as one address: with IPv6 everybody has as many as he likes of his own network.

    >>> [neighbourhood(x) for x in ("192.0.2.7", "::ffff:192.0.2.7", "2001:db8::1:2:3:4", "who knows")]
    ['192.0.2.7', '192.0.2.7', '2001:db8::/64', 'who knows']
    """
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address[:64]
    if isinstance(found, ipaddress.IPv4Address):
        return str(found)
    if found.ipv4_mapped is not None:
        return str(found.ipv4_mapped)
    return str(ipaddress.ip_network((found, 64), strict=False))


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
        self._failed: dict[str, list[float]] = {}
        self._slowed = 0
        self._key = secrets.token_bytes(32)

    def knows(self, session: str | None) -> bool:
        """Whether this session may see the page."""
        if self.token_sha256 is None:
            return True
        until_s = None if session is None else self._sessions.until_s(self._name(session))
        # a clock that was set back doesn't make a session longer
        return until_s is not None and 0.0 < until_s - self._utc_s() <= SESSION_s

    def is_token(self, token: str, address: str) -> bool:
        """Whether it is the token. It is looked at before anything else, so nobody's wrong ones keep the right one out.

        A wrong one counts as a try from that address.
        """
        if self.token_sha256 is not None and hmac.compare_digest(hash_of(token), self.token_sha256):
            return True
        where = neighbourhood(address)
        tries = [*self._tries(where), self._now_s()]
        self._failed.pop(where, None)
        while len(self._failed) >= MOST_ADDRESSES:
            del self._failed[next(iter(self._failed))]
        self._failed[where] = tries[-TRIES - 1 :]
        return False

    def wait_s(self, address: str) -> float:
        """For how long wrong tokens from there are slowed down; 0: they are not."""
        tries = self._tries(neighbourhood(address))
        return tries[-TRIES] + TRIES_s - self._now_s() if len(tries) > TRIES else 0.0

    def _tries(self, where: str) -> list[float]:
        now_s = self._now_s()
        return [at for at in self._failed.get(where, ()) if now_s - at < TRIES_s]

    @contextlib.asynccontextmanager
    async def slow_lane(self, most: int) -> AsyncIterator[bool]:
        """Whether fewer than so many are in it already; whoever finds room takes it up until the end."""
        free = self._slowed < most
        self._slowed += free
        try:
            yield free
        finally:
            self._slowed -= free

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
