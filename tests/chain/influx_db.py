"""A real InfluxDB on the loopback (Debian's, version 1), behind a small front that speaks version 2's way of writing.

The front asks for a token, as version 2 always does, and answers 503 while the server is away, as a proxy does.
"""

from __future__ import annotations

import http.client
import json
import os
import resource
import signal
import ssl
import subprocess
import threading
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, Any, Self
from urllib.parse import parse_qs, urlencode, urlsplit

from broker import free_port, make_certificates
from logger_process import wait_for
from parts import need

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

TOKEN = "a-token-of-the-shop=="  # noqa: S105  not a real one
UNLIMITED = resource.RLIM_INFINITY


class _Front(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: _FrontServer

    def do_POST(self) -> None:
        database = self.server.database
        body = self.rfile.read(int(self.headers["Content-Length"]))
        address = urlsplit(self.path)
        asked = parse_qs(address.query)
        # what another server would do
        other = database.instead(body) if database.instead is not None else None
        if other is not None:
            status, headers, text = other
            self._answer(status, text.encode(), headers)
        elif self.headers.get("Authorization") != f"Token {TOKEN}":
            self._answer(401, b'{"code":"unauthorized","message":"unauthorized access"}')
        elif address.path != "/api/v2/write" or asked["precision"] != ["ns"]:
            self._answer(404, b'{"code":"not found","message":"path not found"}')
        else:
            database.writes += 1
            self._pass_on("POST", f"/write?{urlencode({'db': asked['bucket'][0], 'precision': 'n'})}", body)

    def do_GET(self) -> None:
        if self.headers.get("Authorization") != f"Token {TOKEN}":
            self._answer(401, b'{"code":"unauthorized","message":"unauthorized access"}')
        else:
            self._pass_on("GET", self.path, None)

    def _pass_on(self, method: str, path: str, body: bytes | None) -> None:
        connection = http.client.HTTPConnection("127.0.0.1", self.server.database.http, timeout=20)
        try:
            connection.request(method, path, body)
            response = connection.getresponse()
            self._answer(response.status, response.read())
        except OSError:
            self._answer(503, b'{"code":"unavailable","message":"the server is away"}')
        finally:
            connection.close()

    def _answer(self, status: int, body: bytes, headers: dict[str, str] | None = None) -> None:
        self.send_response(status)
        for key, value in (headers or {}).items():
            self.send_header(key, value)
        if status != 204:
            self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        if status != 204:
            self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Nothing to stderr."""


class _FrontServer(ThreadingHTTPServer):
    daemon_threads = True
    database: InfluxDb

    def handle_error(self, *_: object) -> None:
        """A client that was killed is no error of ours."""


@dataclass
class InfluxDb:
    folder: Path
    http: int = field(default_factory=free_port)
    inner: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None
    writes: int = 0
    tls: bool = False
    """The front speaks TLS, with a certificate of the authority in `ca.pem`."""
    instead: Callable[[bytes], tuple[int, dict[str, str], str] | None] | None = None
    """Answers in the server's place, where it returns something."""

    def __post_init__(self) -> None:
        self.program = need("influxd")  # before anything is open that a skipped test would leave behind
        self.folder.mkdir()
        self.front = _FrontServer(("127.0.0.1", 0), _Front)
        self.front.database = self
        if self.tls:
            make_certificates(self.folder)
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(self.folder / "ca-broker.pem", self.folder / "ca-broker.key")
            self.front.socket = context.wrap_socket(self.front.socket, server_side=True)
        self.port = int(self.front.server_address[1])
        self.thread = threading.Thread(target=self.front.serve_forever, args=(0.02,), daemon=True)
        self.thread.start()

    @property
    def url(self) -> str:
        return f"http{'s' if self.tls else ''}://127.0.0.1:{self.port}"

    def start(self, bucket: str = "shop") -> Self:
        """Start the server; what it holds on its disk is there again."""
        names = {"META_DIR": "meta", "DATA_DIR": "data", "DATA_WAL_DIR": "wal"}
        environment = os.environ | {f"INFLUXDB_{key}": f"{self.folder}/{name}" for key, name in names.items()}
        environment |= {
            "INFLUXDB_BIND_ADDRESS": f"127.0.0.1:{self.inner}",
            "INFLUXDB_HTTP_BIND_ADDRESS": f"127.0.0.1:{self.http}",
            "INFLUXDB_REPORTING_DISABLED": "true",
            "INFLUXDB_MONITOR_STORE_ENABLED": "false",
            "INFLUXDB_HTTP_LOG_ENABLED": "false",
        }
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [self.program, "run", "-config", "/dev/null"],
                env=environment,
                stdout=log,
                stderr=log,
                # a file that may not grow any further is an error of writing, as on a full disk, and no signal
                preexec_fn=lambda: signal.signal(signal.SIGXFSZ, signal.SIG_IGN),  # noqa: PLW1509  nothing else runs there
                restore_signals=False,
            )
        wait_for(self._up, "InfluxDB")
        self.ask(f'CREATE DATABASE "{bucket}"', "POST")
        return self

    def _up(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, (self.folder / "log").read_text()
        try:
            self.ask("SHOW DATABASES")
        except OSError:
            return False
        return True

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def close(self) -> None:
        self.kill()
        self.front.shutdown()
        self.front.server_close()
        self.thread.join()

    def fill_disk(self) -> None:
        """From now on no file of the server's grows beyond its largest log of writes: its disk is full."""
        assert self.process is not None
        largest = max(path.stat().st_size for path in (self.folder / "wal").rglob("*.wal"))
        resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE, (largest + 2000, UNLIMITED))

    def ask(self, statement: str, method: str = "GET", bucket: str = "shop") -> list[dict[str, Any]]:
        """The series that the server itself gives as an answer."""
        connection = http.client.HTTPConnection("127.0.0.1", self.http, timeout=20)
        asked = urlencode({"db": bucket, "q": statement, "epoch": "ns"})
        try:
            connection.request(method, f"/query?{asked}")
            said = json.loads(connection.getresponse().read())
        except http.client.HTTPException as error:
            raise OSError("no answer") from error
        finally:
            connection.close()
        [result] = said["results"]
        assert "error" not in result, result
        return result.get("series", [])

    def rows(self, statement: str) -> list[dict[str, Any]]:
        """The rows of all series, with their tags."""
        return [
            dict(zip(series["columns"], values, strict=True)) | series.get("tags", {})
            for series in self.ask(statement)
            for values in series["values"]
        ]

    def count(self, measurement: str = "readings", what: str = "entry") -> int:
        rows = self.rows(f'SELECT count("{what}") FROM "{measurement}"')  # noqa: S608  our own words
        return int(rows[0]["count"]) if rows else 0

    def settings(self, **changes: object) -> str:
        """The table `[influx]` of a settings file."""
        keys = {"url": self.url, "org": "shop", "bucket": "shop", "token": TOKEN} | changes
        lines = [f"{key} = {json.dumps(value)}" for key, value in keys.items() if value is not None]
        return "\n".join(["[influx]", *lines, ""])
