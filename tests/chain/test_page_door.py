"""The page's door: who keeps it busy without asking anything can neither shut it to others nor hold up the recording."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import logging
import re
import resource
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hand_rig import HandRig
from hypothesis import HealthCheck, given, settings, strategies
from logger_process import wait_for
from pty_rig import PtyRig

from analysis import page_door, page_log
from analysis.page_guard import new_token
from analysis.page_rigs import Rigs
from analysis.page_server import listening_on, make_server

if TYPE_CHECKING:
    from collections.abc import Iterator

COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()"]
TOKEN, HASHED = new_token()
AT_HOME = "127.0.0.1"


@contextlib.contextmanager
def open_page(most: int | None = None) -> Iterator[int]:
    """A page with a token and no rig in a thread of its own; gives its port."""
    listening = listening_on(AT_HOME, 0, HASHED)
    server = make_server(Rigs(()), HASHED, only_loopback=True)
    if most is not None:
        server.door.most = most
    thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[listening])))
    port = int(listening.getsockname()[1])
    thread.start()
    try:
        yield port
    finally:
        server.should_exit = True
        thread.join(30)
        assert not thread.is_alive()


@contextlib.contextmanager
def silent(port: int, count: int, begin: bytes = b"", source: str = AT_HOME) -> Iterator[list[socket.socket]]:
    """So many connections on which nobody says more than this."""
    with contextlib.ExitStack() as stack:
        lines = []
        for _ in range(count):
            line = stack.enter_context(socket.socket())
            line.setblocking(False)
            line.bind((source, 0))
            with contextlib.suppress(BlockingIOError):
                line.connect((AT_HOME, port))
            lines.append(line)
            if begin:
                with contextlib.suppress(OSError):  # not yet connected
                    line.send(begin)
        yield lines


def status(port: int, path: str = "/login", timeout_s: float = 20.0, **headers: str) -> int:
    with contextlib.closing(http.client.HTTPConnection(AT_HOME, port, timeout=timeout_s)) as line:
        line.request("GET", path, headers=headers)
        answer = line.getresponse()
        answer.read()
        return answer.status


def is_over(line: socket.socket) -> bool:
    """Whether the other side has hung up."""
    try:
        return line.recv(65536) == b""
    except BlockingIOError:
        return False
    except ConnectionResetError:
        return True


@pytest.mark.parametrize("begin", [b"", b"GET /login HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: "])
def test_a_crowd_that_asks_nothing_shuts_nobody_out(begin: bytes) -> None:
    """From another address, as a stranger's would be."""
    with open_page() as port, silent(port, 300, begin, "127.0.0.2"):
        for _ in range(3):
            assert status(port) == 200


def test_who_says_nothing_is_hung_up_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_door, "ASKING_s", 0.3)
    with open_page() as port, silent(port, 3) as lines:
        wait_for(lambda: all(is_over(line) for line in lines), "the end of all three", 20.0)
        assert status(port) == 200


@pytest.mark.parametrize(
    "begin",
    [
        b"GET /login HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ",
        (
            b"POST /login HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 5000\r\n"
            b"Content-Type: application/x-www-form-urlencoded\r\n\r\ntoken="
        ),
    ],
)
def test_a_request_byte_by_byte_has_its_end(begin: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each byte shows that somebody is there, and does not make the time longer."""
    monkeypatch.setattr(page_door, "ASKING_s", 0.5)
    with open_page() as port, silent(port, 1, source="127.0.0.2") as (line,):
        line.setblocking(True)
        line.sendall(begin)
        line.setblocking(False)
        deadline_s = time.monotonic() + 20.0

        def over() -> bool:
            assert time.monotonic() < deadline_s
            with contextlib.suppress(OSError):
                line.send(b"x")
            return is_over(line)

        wait_for(over, "its end", 20.0)


def test_no_more_are_in_than_there_is_room_for() -> None:
    listening = listening_on(AT_HOME, 0, HASHED)
    server = make_server(Rigs(()), HASHED, only_loopback=True)
    server.door.most = 8
    port = int(listening.getsockname()[1])
    most = 0

    async def serve() -> None:
        nonlocal most
        serving = asyncio.create_task(server.serve(sockets=[listening]))
        while not serving.done():
            most = max(most, len(server.server_state.connections))
            await asyncio.sleep(0.001)
        await serving

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    with silent(port, 60, source="127.0.0.2"):
        assert status(port) == 200
    server.should_exit = True
    thread.join(30)
    # the one more is the next, for which somebody has just had to go
    assert 8 <= most <= 9


def test_an_answer_that_nobody_takes_has_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_door, "ANSWERING_s", 0.5)
    ask = b"GET /page.css HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    with open_page() as port, socket.socket() as line:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
        line.connect((AT_HOME, port))
        line.setblocking(False)
        with contextlib.suppress(BlockingIOError, ConnectionError):
            for _ in range(5000):
                line.send(ask)

        def over() -> bool:
            # whoever was hung up on is told so when he goes on to send
            try:
                line.send(b"x")
            except BlockingIOError:
                return False
            except ConnectionError:
                return True
            return False

        wait_for(over, "its end", 20.0)


def test_scarce_descriptors_are_one_line(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """As when the process has none left."""
    page_log.seldom.forget()
    refused = 0
    real = asyncio.SelectorEventLoop.sock_accept

    async def accept(loop: asyncio.SelectorEventLoop, listening: socket.socket) -> object:
        nonlocal refused
        if refused < 4:
            refused += 1
            raise OSError(24, "Too many open files")
        return await real(loop, listening)

    monkeypatch.setattr(asyncio.SelectorEventLoop, "sock_accept", accept)
    monkeypatch.setattr(page_door, "AGAIN_s", 0.01)
    with open_page() as port:
        assert status(port) == 200
    said = [record for record in caplog.records if record.levelno >= logging.WARNING]
    assert [record.getMessage() for record in said] == [
        "page: can't take a connection: Too many open files; trying again"
    ]


BAD = [
    b"\x16\x03\x01\x02\x00",
    b"GET / HTTP/9.9\r\n\r\n",
    b"GET /login HTTP/1.1\r\n\r\n",
    b"\r\n\r\n\0\r\n\r\n",
]


def sent(port: int, data: bytes) -> bytes:
    """What comes back for some bytes after which nothing more is said."""
    with socket.create_connection((AT_HOME, port), 20.0) as line:
        back = b""
        with contextlib.suppress(ConnectionError):
            line.sendall(data)
            line.shutdown(socket.SHUT_WR)
            while more := line.recv(65536):
                back += more
        return back


def test_junk_by_the_hundred_is_one_line(caplog: pytest.LogCaptureFixture) -> None:
    page_log.seldom.forget()
    with open_page() as port:
        for number in range(200):
            sent(port, BAD[number % len(BAD)])
        assert status(port) == 200
    said = [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]
    assert said == ["page: Invalid HTTP request received."]


def test_the_servers_lines_look_like_all_others(tmp_path: Path) -> None:
    settings_file = tmp_path / "bay-2.toml"
    settings_file.write_text(f'[rig]\nname = "bay-2"\n[journal]\npath = "{tmp_path}/bay-2.journal"\n')
    process = subprocess.Popen(
        [*COMMAND, "page", "-s", str(settings_file), "--port", "0"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    address = process.stdout.readline()
    assert sent(int(address.rpartition(":")[2].strip("/\n")), BAD[0]).startswith(b"HTTP/1.1 400 ")
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 0, said
    form = r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d,\d{3} WARNING page: Invalid HTTP request received\.\n"
    assert re.fullmatch(form, said), said


HEADER = strategies.sampled_from(
    [
        "Host", "Content-Length", "Content-Type", "Cookie", "Authorization", "X-Forwarded-For", "Connection",
        "X-Forwarded-Proto", "Transfer-Encoding", "Expect", "Upgrade", "Range", "Accept", "X-Y",
    ]
)  # fmt: skip
VALUE = strategies.one_of(
    strategies.sampled_from(
        [
            "127.0.0.1", "x/login?", "9" * 5000, "-1", "0", "٣", "10", "Bearer " + "x" * 3000, "Bearer \xff",
            "cornerhold_session=" + "a" * 9000, "multipart/form-data; boundary=" + "b" * 70,
            "application/x-www-form-urlencoded", "application/json", "chunked", "100-continue", "websocket",
            "upgrade", "[::1", "[" * 1000, "bytes=" + "0-," * 1000, ";" * 5000, "1.2.3.4, " * 500,
        ]
    ),
    strategies.text(max_size=60),
)  # fmt: skip
TARGET = strategies.one_of(
    strategies.sampled_from(
        ["/login", "/", "/api/rigs", "/now?key=" + "%ff" * 300, "//", "/login/", "*", "http://x/login", "@x"]
    ),
    strategies.text(max_size=60).map(lambda text: "/" + text),
)
BODY = strategies.one_of(
    strategies.binary(max_size=300),
    strategies.sampled_from(
        [b"[" * 8000, b"token=" + b"%" * 8000, b"a=&" * 2700, b"&" * 8000, b"--b\r\n" * 1500, b"\r" * 8000]
    ),
)
METHOD = strategies.sampled_from(["GET", "POST", "HEAD", "OPTIONS", "PUT", "TRACE", "CONNECT", "get", "Ä"])
REQUEST = strategies.builds(
    lambda method, target, headers, length, body: (
        f"{method} {target} HTTP/1.1\r\nHost: 127.0.0.1\r\n".encode("utf-8", "replace")
        + "".join(f"{name}: {value}\r\n" for name, value in headers).encode("utf-8", "replace")
        + (f"Content-Length: {len(body)}\r\n".encode() if length else b"")
        + b"\r\n"
        + body
    ),
    METHOD,
    TARGET,
    strategies.lists(strategies.tuples(HEADER, VALUE), max_size=6),
    strategies.booleans(),
    BODY,
)


@pytest.mark.parametrize("examples", [150, pytest.param(20_000, marks=pytest.mark.long)])
def test_no_bytes_end_or_hang_the_page(examples: int, caplog: pytest.LogCaptureFixture) -> None:
    page_log.seldom.forget()
    with open_page() as port:

        @given(data=strategies.one_of(REQUEST, strategies.binary(max_size=500)))
        @settings(max_examples=examples, suppress_health_check=list(HealthCheck), database=None)
        def ask(data: bytes) -> None:
            begun_s = time.monotonic()
            back = sent(port, data)
            assert time.monotonic() - begun_s < 5.0
            assert not back or re.match(rb"HTTP/1\.1 (?!5)\d\d\d ", back)

        ask()
        assert status(port) == 200
    assert not [record for record in caplog.records if record.exc_info or record.levelno >= logging.ERROR]


@pytest.mark.parametrize(
    ("head", "code"),
    [
        ("GET /login?" + "x" * 9000 + " HTTP/1.1\r\nHost: 127.0.0.1\r\n", 414),
        ("GET /login HTTP/1.1\r\nHost: 127.0.0.1\r\n" + "X-Y: y\r\n" * 9000, 431),
        ("GET /login HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: " + "a=b; " * 8000 + "\r\n", 431),
        ("GET /login HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 99999999\r\n", 413),
        ("POST /login HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 8193\r\n", 413),
        ("POST /login HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n", 411),
    ],
)
def test_what_is_too_large_is_refused_before_it_is_looked_at(head: str, code: int) -> None:
    with open_page() as port, socket.create_connection((AT_HOME, port), 20.0) as line:
        line.sendall(f"{head}\r\n".encode())
        back = line.recv(65536)
    # a head that comes in one piece is read whole; one in many pieces is cut off by the server itself
    assert back.startswith(f"HTTP/1.1 {code} ".encode()) or (code in {414, 431} and b" 400 " in back[:20])


class Run:
    """`run` with few descriptors, at a rig."""

    def __init__(self, folder: Path, descriptors: int) -> None:
        self.port = PtyRig(folder, HandRig(), period_s=0.05)
        self.log = folder / "log"
        (folder / "bay-2.toml").write_text(
            '[rig]\nname = "bay-2"\n[journal]\npath = "bay-2.journal"\n[page]\nport = 0\n'
        )
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [*COMMAND, "run", "-s", str(folder / "bay-2.toml"), "-p", str(self.port.path)],
                stderr=log,
                stdout=log,
                preexec_fn=lambda: resource.setrlimit(  # noqa: PLW1509  this test starts no thread in between
                    resource.RLIMIT_NOFILE, (descriptors, descriptors)
                ),
            )

    def descriptors(self) -> int:
        return sum(1 for _ in Path(f"/proc/{self.process.pid}/fd").iterdir())

    def page_port(self) -> int:
        return int(re.findall(r"page: http://127\.0\.0\.1:(\d+)/", self.log.read_text())[0])


def test_silent_connections_never_keep_the_recording_from_its_rig(tmp_path: Path) -> None:
    """With 128 descriptors and 400 silent connections the plug is pulled and comes back."""
    run = Run(tmp_path, 128)
    with run.port:
        try:
            wait_for(lambda: run.process.poll() is not None or run.port.acknowledged > 10, "readings")
            port = run.page_port()
            with silent(port, 400, source="127.0.0.2"):
                wait_for(lambda: run.descriptors() > 40, "the crowd")
                run.port.vanish()
                wait_for(lambda: "no rig: port" in run.log.read_text(), "the fault")
                run.port.come_back()
                mark = run.port.acknowledged
                wait_for(lambda: run.port.acknowledged > mark + 10, "readings again", 60.0)
                assert run.descriptors() < 100
                assert status(port) == 200
            run.process.send_signal(signal.SIGTERM)
            assert run.process.wait(60) == 0
        finally:
            run.process.kill()
            run.process.wait()
    said = run.log.read_text()
    assert "Traceback" not in said
    assert len(said.splitlines()) < 40, said
