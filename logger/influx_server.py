"""The InfluxDB that a mirror writes to: one request at a time, and what each answer means.

Two things can be wrong. The server is away, full or busy, or won't have us at all (token, bucket, address): then nothing
is said against the points, and all of it is tried again later (`AwayError`). Or it refuses what we write
(`RefusedError`): which points are at fault is found by halving (`deliver`).
"""

from __future__ import annotations

import contextlib
import json
import re
import socket
import ssl
from typing import TYPE_CHECKING, Any, Final

from logger.errors import PlainError
from logger.foreign_json import foreign_object

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from logger.delivery_settings import InfluxSettings

TIMEOUT_s: Final = 10.0
LONGEST_HOLD_s: Final = 300.0
"""A server that asks us to come again later is believed for so long at most."""
_WRITTEN: Final = 204
_ABOUT_POINTS: Final = frozenset({400, 413, 422})
_LATER: Final = frozenset({408, 429})
_MOST_WORDS: Final = 300
_MOST_ANSWER: Final = 100_000
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]+")


class AwayError(Exception):
    """Nothing can be written now; try again, not before `wait_s`."""

    def __init__(self, reason: str, wait_s: float = 0.0) -> None:
        """A reason in words."""
        super().__init__(reason)
        self.reason, self.wait_s = reason, wait_s


class RefusedError(Exception):
    """The server takes writes, but not this one."""

    def __init__(self, words: str) -> None:
        """What it says."""
        super().__init__(words)
        self.words = words


class InfluxServer:
    """One server, used from one thread at a time. The library is loaded with the first request."""

    def __init__(self, settings: InfluxSettings, timeout_s: float = TIMEOUT_s) -> None:
        """Nothing is opened yet."""
        self._settings = settings
        self._timeout_s = timeout_s
        self._client: Any = None
        self._token: str | None = None

    def write(self, lines: Sequence[str]) -> None:
        """Write points; they are there when this returns. Raises AwayError or RefusedError."""
        from influxdb_client.service.write_service import WriteService  # noqa: PLC0415

        service = WriteService(self._open().api_client)
        body = "\n".join(lines).encode()
        where = {"org": self._settings.org, "bucket": self._settings.bucket}
        status = self._asked(
            lambda: service.post_write_with_http_info(
                **where,
                body=body,
                precision="ns",
                content_type="text/plain; charset=utf-8",
                # a token goes to no other address than the one in the settings
                urlopen_kw={"redirect": False},
            )[1]
        )
        # whatever else answers "fine" has not kept it
        if status != _WRITTEN:
            raise AwayError(f"answers {status} to a write: this is no InfluxDB (influx.url)")

    def query(self, statement: str) -> Any:
        """The answer to an InfluxQL statement, as JSON; raises AwayError or RefusedError."""
        api = self._open().api_client

        def ask() -> Any:
            asked = [("db", self._settings.bucket), ("q", statement)]
            response = api.request(
                "GET",
                f"{self._settings.url}/query",
                query_params=asked,
                headers={"Accept": "application/json"} | api.default_headers,
                redirect=False,
            )
            try:
                return json.loads(response.data)
            except RecursionError:
                raise ValueError("nested too deeply") from None

        return self._asked(ask)

    def close(self) -> None:
        """Let the connection go."""
        client, self._client = self._client, None
        if client is not None:
            client.close()

    def _open(self) -> Any:
        """The client; a new one if the token is another one by now."""
        try:
            token = self._settings.secret()
        except PlainError as error:
            raise AwayError(str(error)) from None
        if self._client is None or token != self._token:
            from influxdb_client import InfluxDBClient  # noqa: PLC0415

            self.close()
            ca = self._settings.ca
            self._client = InfluxDBClient(
                self._settings.url,
                token=token,
                org=self._settings.org,
                timeout=round(self._timeout_s * 1000),
                verify_ssl=True,
                ssl_ca_cert=None if ca is None else str(ca),
                debug=False,
            )
            self._token = token
        return self._client

    def _asked(self, ask: Callable[[], Any]) -> Any:
        """Ask, and translate what goes wrong."""
        import urllib3  # noqa: PLC0415
        from influxdb_client.rest import ApiException  # noqa: PLC0415

        try:
            return ask()
        except ApiException as error:
            raise self._judged(error) from None
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise AwayError(_trouble_words(error)) from None
        except ValueError:
            raise AwayError("its answer is not that of an InfluxDB (influx.url)") from None

    def _judged(self, error: Any) -> Exception:
        """What a refusal means."""
        status = int(error.status or 0)
        words = server_words(error.body) or str(error.reason or "")
        if not status:
            return AwayError(_tls_words(str(error.reason)))
        if status in _ABOUT_POINTS:
            return RefusedError(words or f"answer {status}")
        if status in {401, 403}:
            reason = f"refuses the token (influx.token, influx.token_file or the environment): {words}"
        elif status == 404:
            reason = f"has no such organisation or bucket (influx.org, influx.bucket): {words}"
        elif 300 <= status < 400:
            reason = f"sends us to another address ({status}): set influx.url to the right one"
        else:
            reason = f"can't take it now ({status}): {words}"
        hold_s = _hold_s(error.headers) if status in _LATER or status >= 500 else 0.0
        return AwayError(reason, hold_s)


def deliver(
    write: Callable[[Sequence[str]], None], lines: Sequence[str], harmless: str
) -> list[tuple[str, str]]:
    """Write lines; return those that the server refuses, each with its words. Raises AwayError.

    A refused portion is halved until the points at fault are found. Before that the server must have taken a `harmless`
    point: one that refuses everything has nothing against ours. Where it says itself that it dropped as many points as
    there were, there is no need to ask for each.
    """
    try:
        write(lines)
    except RefusedError as error:
        _prove(write, harmless)
        return _halved(write, lines, error.words)
    return []


def _prove(write: Callable[[Sequence[str]], None], harmless: str) -> None:
    try:
        write([harmless])
    except RefusedError as error:
        raise AwayError(f"refuses whatever we write: {error.words}") from None


def _halved(
    write: Callable[[Sequence[str]], None], lines: Sequence[str], words: str
) -> list[tuple[str, str]]:
    dropped = re.search(r"dropped=(\d+)\s*$", words)
    if len(lines) == 1 or (dropped is not None and int(dropped[1]) == len(lines)):
        return [(line, words) for line in lines]
    refused: list[tuple[str, str]] = []
    middle = len(lines) // 2
    for part in (lines[:middle], lines[middle:]):
        try:
            write(part)
        except RefusedError as error:
            refused += _halved(write, part, error.words)
    return refused


def server_words(body: object) -> str:
    """What a server says in an answer, on one line.

    >>> server_words('{"error":"database not found: \\\\"b\\\\""}'), server_words('{"code":"x","message":"no"}')
    ('database not found: "b"', 'no')
    """
    text = (
        body.decode("utf-8", "replace") if isinstance(body, bytes) else body if isinstance(body, str) else ""
    )
    with contextlib.suppress(ValueError):
        said = foreign_object(text, _MOST_ANSWER)
        told = said.get("error") or said.get("message")
        text = told if isinstance(told, str) else text
    text = text[:_MOST_ANSWER]
    text = " ".join(_CONTROL.sub(" ", text).split())
    return text if len(text) <= _MOST_WORDS else text[: _MOST_WORDS - 1] + "…"


def _hold_s(headers: Mapping[str, str] | None) -> float:
    """How long a server wants us to wait; 0 if it doesn't say, or gives a date."""
    said = dict(headers or {})
    text = next((value for key, value in said.items() if key.lower() == "retry-after"), "")
    return min(float(text), LONGEST_HOLD_s) if text.strip().isdecimal() else 0.0


def _trouble_words(error: BaseException) -> str:
    """What is wrong on the way to the server."""
    chain: list[BaseException] = []
    cause: BaseException | None = error
    while cause is not None and cause not in chain:
        chain.append(cause)
        cause = (
            getattr(cause, "reason", None)
            if isinstance(getattr(cause, "reason", None), BaseException)
            else (cause.__cause__ or cause.__context__)
        )
    for one in chain:
        if isinstance(one, ssl.SSLError):
            return _tls_words(str(one))
        if isinstance(one, socket.gaierror):
            return "there is no such host"
        if isinstance(one, ConnectionRefusedError):
            return "nothing listens there"
        if isinstance(one, TimeoutError) or "timed out" in str(one).lower():
            return "no answer"
        if isinstance(one, FileNotFoundError):
            return "the file in influx.ca is not there"
    return "connection lost"


def _tls_words(text: str) -> str:
    """What is wrong with TLS, of the library's words."""
    if "CERTIFICATE_VERIFY_FAILED" in text:
        found = re.search(r"certificate verify failed: ([^(\n]+)", text)
        return f"its certificate is not accepted (influx.ca): {found[1].strip() if found else 'unknown'}"
    if "WRONG_VERSION_NUMBER" in text or "record layer" in text:
        return "doesn't speak TLS (influx.url begins with https)"
    return f"no connection by TLS (influx.url, influx.ca): {' '.join(text.split())[:120]}"
