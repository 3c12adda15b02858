"""The tables that hold secrets read strictly: the broker, InfluxDB, people, the page.

    [mqtt]    host, port, root, user (or CORNERHOLD_MQTT_USER), password (or CORNERHOLD_MQTT_PASSWORD), tls, ca (relative
              to the settings file)
    [influx]  url, org, bucket, token (or token_file, or CORNERHOLD_INFLUX_TOKEN), ca (files as above)
    [page]    token_sha256 (of the token that the page asks for), host, port, names (what browsers call it)
    [notify]  urls (or CORNERHOLD_NOTIFY_URLS, separated by blanks), summary ("06:30", the computer's zone), repeat

A journal keeps the text of the settings under which it was written; these tables are left out of it.
"""

from __future__ import annotations

import ipaddress
import re
from datetime import time
from pathlib import Path
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from logger import units
from logger.bounded import toml_of
from logger.delivery_settings import (
    USER_VARIABLE,
    InfluxSettings,
    MqttSettings,
    NotifySettings,
    PageSettings,
    is_token,
)
from logger.environment import said
from logger.errors import PlainError

if TYPE_CHECKING:
    from logger.settings_table import Table

SECRET_TABLES: Final = ("mqtt", "influx", "notify", "page")
_PORT_TLS: Final = 8883
_NAME = re.compile(r"[\w-]{1,63}(\.[\w-]{1,63}){0,9}\.?")
_ROOT = re.compile(r"[A-Za-z0-9_.-]+(/[A-Za-z0-9_.-]+)*")


def read_page(table: Table) -> PageSettings:
    """The table `[page]`."""
    hashed = table.text("token_sha256", "").lower()
    if hashed and not re.fullmatch(r"[0-9a-f]{64}", hashed):
        raise table.error(
            "token_sha256", "must be 64 hex digits, as `cornerhold page --make-token` says them"
        )
    base = PageSettings()
    host = _host(table, base.host)
    port = table.whole("port", base.port, 0, 65535)
    names = table.texts("names")
    for name in names:
        if not re.fullmatch(r"[A-Za-z0-9._-]{1,253}", name):
            raise table.error(
                "names", f'"{name[:60]}" is no name of a computer: without port and without https://'
            )
    table.finish()
    return PageSettings(hashed or None, host, port, names)


def read_mqtt(table: Table, settings_path: Path | None) -> MqttSettings:
    """The table `[mqtt]`."""
    ca = _file(table, "ca", settings_path)
    tls = table.flag("tls", default=ca is not None)
    if ca is not None and not tls:
        raise table.error("ca", "means something only with tls = true")
    base = MqttSettings()
    mqtt = MqttSettings(
        host=_host(table, base.host),
        port=table.whole("port", _PORT_TLS if tls else base.port, 1, 65535),
        root=table.text("root", base.root),
        # where services share a settings file and the broker tells them apart
        user=table.text("user", "") or said(USER_VARIABLE),
        password=_secret(table),
        tls=tls,
        ca=ca,
    )
    if not _ROOT.fullmatch(mqtt.root):
        raise table.error("root", "must be letters, digits, '_', '-' and '.', parted by single '/'")
    if mqtt.password is not None and mqtt.user is None:
        raise table.error("password", "means something only with a user")
    table.finish()
    return mqtt


def _host(table: Table, default: str) -> str:
    """A computer's name or address; a wrong one is not shown, for it may hold a password."""
    host = table.text("host", default)
    try:
        ipaddress.ip_address(host)
    except ValueError:
        if not _NAME.fullmatch(host):
            raise table.error(
                "host", f"must be a name or an address by itself, as '{default}': no user, no port"
            ) from None
    return host


def _secret(table: Table, key: str = "password") -> str | None:
    """The password; a wrong one is refused without being shown."""
    try:
        return table.text(key, "") or None
    except PlainError:
        raise table.error(key, "must be a text in quotes") from None


def read_influx(table: Table, settings_path: Path | None) -> InfluxSettings:
    """The table `[influx]`."""
    influx = InfluxSettings(
        url=_url(table),
        org=table.text("org", "cornerhold"),
        bucket=table.text("bucket", "cornerhold"),
        token=_secret(table, "token"),
        token_file=_file(table, "token_file", settings_path),
        ca=_file(table, "ca", settings_path),
    )
    if influx.token is not None and influx.token_file is not None:
        raise table.error("token_file", "there is a token already")
    if influx.token is not None and not is_token(influx.token):
        raise table.error("token", "has blanks or letters in it that no token has")
    if influx.ca is not None and not influx.url.startswith("https:"):
        raise table.error("ca", "means something only with a url that begins with https")
    table.finish()
    return influx


def _url(table: Table) -> str:
    """The server's address; a wrong one is not shown, for it may hold a password."""
    url = table.text("url", InfluxSettings().url).rstrip("/")
    try:
        parts = urlsplit(url)
        sound = parts.scheme in {"http", "https"} and bool(parts.hostname) and parts.port != 0
    except ValueError:
        sound = False
    if not sound or not is_token(url):
        raise table.error("url", "must be an address like 'http://localhost:8086'")
    if parts.username is not None or parts.query or parts.fragment:
        raise table.error("url", "host, port and path only; the token stands by itself")
    return url


def _file(table: Table, key: str, settings_path: Path | None) -> Path | None:
    """A file, relative to the settings."""
    text = table.text(key, "")
    if not text:
        return None
    path = Path(text).expanduser()
    return path if settings_path is None or path.is_absolute() else settings_path.parent / path


def read_notify(table: Table) -> NotifySettings:
    """The table `[notify]`."""
    summary_at: time | None = None
    text = table.text("summary", "")
    if text:
        found = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", text)
        if found is None:
            raise table.error("summary", "is no time of day like '06:30'")
        summary_at = time(int(found[1]), int(found[2]))
    notify = NotifySettings(
        urls=_urls(table),
        summary_at=summary_at,
        repeat_s=table.quantity("repeat", units.DURATION, 3 * 3600.0, 600.0, 7 * 86400.0),
    )
    table.finish()
    return notify


def _urls(table: Table) -> tuple[str, ...]:
    try:
        return table.texts("urls")
    except PlainError:
        raise table.error("urls", "must be a list of texts in quotes") from None


def without_secrets(text: str) -> str | None:
    """Return a settings text without the tables that hold secrets, None if they aren't written as tables.

    >>> without_secrets('[rig]\\nname = "bay-2"\\n[mqtt]\\npassword = "x"\\n[soak]\\n')
    '[rig]\\nname = "bay-2"\\n[soak]\\n'
    """
    kept, secret = [], False
    for line in text.splitlines(keepends=True):
        head = re.match(r"\s*\[\[?\s*(\"?)([\w-]+)\1\s*[\].]", line)
        if head is not None:
            secret = head[2] in SECRET_TABLES
        if not secret:
            kept.append(line)
    rest = "".join(kept)
    try:
        left = toml_of(rest)
    except ValueError:
        return None
    return None if any(name in left for name in SECRET_TABLES) else rest
