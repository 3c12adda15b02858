"""Where word goes: the broker (`[mqtt]`), InfluxDB (`[influx]`), people (`[notify]`), the page; and their secrets.

Each variable may be replaced by one whose name ends in _FILE and that names a file. `read_delivery.py` reads the tables.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from logger.environment import said
from logger.errors import PlainError

if TYPE_CHECKING:
    from datetime import time
    from pathlib import Path

PASSWORD_VARIABLE: Final = "CORNERHOLD_MQTT_PASSWORD"  # noqa: S105  a name, no password
USER_VARIABLE: Final = "CORNERHOLD_MQTT_USER"
TOKEN_VARIABLE: Final = "CORNERHOLD_INFLUX_TOKEN"  # noqa: S105  the same
URLS_VARIABLE: Final = "CORNERHOLD_NOTIFY_URLS"
_MOST_TOKEN = 4096


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """The broker, and who we are to it."""

    host: str = "localhost"
    port: int = 1883
    root: str = "cornerhold"
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca: Path | None = None
    """File with the certificate of the authority that signed the broker's; None: those that the system trusts."""

    def secret(self) -> str | None:
        """The password: of the settings, else of the environment."""
        return self.password or said(PASSWORD_VARIABLE)

    @property
    def address(self) -> str:
        """Host and port, for messages."""
        return f"{self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class InfluxSettings:
    """The InfluxDB that gets a copy of everything."""

    url: str = "http://localhost:8086"
    org: str = "cornerhold"
    bucket: str = "cornerhold"
    token: str | None = field(default=None, repr=False)
    token_file: Path | None = None
    ca: Path | None = None
    """File with the certificate of the authority that signed the server's; None: those that are trusted anyway."""

    def secret(self) -> str:
        """The token: of the settings, else of its file, else of the environment; PlainError if there is none.

        It is read anew each time, so that a file with another token needs no restart.
        """
        token = self.token
        if token is None and self.token_file is not None:
            try:
                with self.token_file.open(encoding="utf-8") as file:
                    token = file.read(_MOST_TOKEN).strip()
            except (OSError, UnicodeDecodeError) as error:
                reason = getattr(error, "strerror", None) or "is no text"
                raise PlainError(f"influx.token_file: {self.token_file}: {reason}") from None
        token = token or said(TOKEN_VARIABLE)
        if not token:
            raise PlainError(f"there is no token (influx.token, influx.token_file or {TOKEN_VARIABLE})")
        if not is_token(token):
            raise PlainError("the token has blanks or letters in it that no token has")
        return token


@dataclass(frozen=True, slots=True)
class NotifySettings:
    """Who gets word without MQTT, and when."""

    urls: tuple[str, ...] = field(default=(), repr=False)
    summary_at: time | None = None
    """When the morning's summary is sent, in the computer's zone."""
    repeat_s: float = 3 * 3600.0
    """After so long an alarm that nobody acknowledged is told again; then after twice as long, and so on."""

    def addresses(self) -> tuple[str, ...]:
        """Where to: of the settings, else of the environment."""
        return self.urls or tuple((said(URLS_VARIABLE) or "").split())


@dataclass(frozen=True, slots=True)
class PageSettings:
    """Where the page is, and who may see it from elsewhere."""

    token_sha256: str | None = field(default=None, repr=False)
    """Of the token, in hex; None: the page stays on this computer."""
    host: str = "127.0.0.1"
    port: int = 8460
    """0: a free one."""
    names: tuple[str, ...] = ()
    """What browsers call it where it is known by names that this computer doesn't know of itself."""


def is_token(text: str) -> bool:
    """Whether it can stand in a header line."""
    return re.fullmatch(r"[!-~]+", text) is not None
