"""The watchdog: a pulse beats as long as the work goes on, and no longer. The manager is a socket of the test's."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
from typing import TYPE_CHECKING

import pytest
from hand_rig import HandRig
from logger_process import wait_for
from pty_rig import PtyRig

from logger import pulse
from logger.daemon import Daemon
from logger.keeper import Keeper
from logger.link_state import Link
from logger.pulse import Caretaker, Progress, keep_beating
from logger.settings import settings_from_text

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator
    from pathlib import Path

COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()"]


class Manager:
    """What a service manager hears."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(f"\0{address[1:]}" if address.startswith("@") else address)
        self.socket.setblocking(False)
        self.said: list[str] = []

    def environment(self, watchdog_s: float = 0.15) -> dict[str, str]:
        return {"NOTIFY_SOCKET": self.address, "WATCHDOG_USEC": str(round(watchdog_s * 1e6))}

    def hear(self) -> list[str]:
        """What came since the last time."""
        new: list[str] = []
        with contextlib.suppress(BlockingIOError):
            while True:
                new.append(self.socket.recv(4096).decode())
        self.said += new
        return new

    def beats(self) -> int:
        self.hear()
        return sum("WATCHDOG=1" in one for one in self.said)


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    heard = Manager(str(tmp_path / "notify"))
    yield heard
    heard.socket.close()


async def until(condition: Callable[[], bool], what: str) -> None:
    end_s = asyncio.get_running_loop().time() + 60.0
    while not condition():
        assert asyncio.get_running_loop().time() < end_s, f"waited in vain: {what}"
        await asyncio.sleep(0.005)


@contextlib.asynccontextmanager
async def logging_rig(
    tmp_path: Path, manager: Manager, port: PtyRig, patience_s: float = 0.5
) -> AsyncIterator[Daemon]:
    """A daemon at a port, quick in everything, and its pulse."""
    text = f'[rig]\nname = "bay-2"\nport = "{port.path}"\n'
    daemon = Daemon(settings_from_text(text), tmp_path / "bay-2.journal")
    daemon._link = Link(first_wait_s=0.01, longest_wait_s=0.05)
    progress = daemon.progress()
    for stage in progress.stages:
        stage.patience_s = patience_s
    running = asyncio.create_task(daemon.run())
    caretaker = Caretaker(manager.environment())
    beating = asyncio.create_task(keep_beating(caretaker, progress, daemon.status, daemon.begun))
    try:
        await until(lambda: manager.beats() > 2, "the pulse")
        yield daemon
    finally:
        daemon.stop()
        await asyncio.wait_for(running, 20)
        beating.cancel()
        await asyncio.gather(beating, return_exceptions=True)
        caretaker.close()


async def test_a_rig_that_is_unplugged_is_no_standstill(tmp_path: Path, manager: Manager) -> None:
    port = PtyRig(tmp_path, HandRig(), period_s=0.02)
    patience_s = 3.0  # on a busy machine a try may take its time
    async with logging_rig(tmp_path, manager, port, patience_s) as daemon:
        with port:
            await until(lambda: port.acknowledged > 3, "readings")
            assert manager.said[0] == "READY=1"
            port.vanish()
            await until(lambda: daemon.status().startswith("no rig"), "the status")
            gone_s = asyncio.get_running_loop().time()
            mark = manager.beats()
            await until(lambda: asyncio.get_running_loop().time() > gone_s + 1.6 * patience_s, "time")
            assert manager.beats() > mark + 10
            assert not any("STANDS STILL" in one for one in manager.said)
            port.come_back()
            await until(lambda: "talks again" in daemon.status(), "the status")
            manager.hear()
            await until(
                lambda: any("talks again" in one for one in manager.hear()), "the status at the manager"
            )


async def test_a_journal_that_takes_nothing_stops_the_pulse(
    tmp_path: Path, manager: Manager, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A disk that hangs: the process lives, its event loop turns, the rig talks."""
    disk = threading.Event()
    disk.set()
    sound = Keeper.keep

    def hanging(*arguments: object) -> object:
        disk.wait()
        return sound(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(Keeper, "keep", hanging)
    with PtyRig(tmp_path, HandRig(), period_s=0.02) as port:
        async with logging_rig(tmp_path, manager, port):
            await until(lambda: port.acknowledged > 3, "readings")
            disk.clear()
            await until(
                lambda: any("STANDS STILL: journal" in one for one in manager.hear()), "the standstill"
            )
            mark = manager.beats()
            for _ in range(3):  # it is said again and again, and no beat is among it
                await until(lambda: bool(manager.hear()), "word")
            assert manager.beats() == mark
            disk.set()
            await until(lambda: manager.beats() > mark + 1, "the pulse again")
    assert {r.levelname for r in caplog.records if "stands still" in r.getMessage()} == {"ERROR"}


async def test_a_link_that_hangs_stops_the_pulse(
    tmp_path: Path, manager: Manager, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A driver that doesn't come back from opening the port."""
    let_go = threading.Event()
    with PtyRig(tmp_path, HandRig(), period_s=0.02) as port:
        async with logging_rig(tmp_path, manager, port) as daemon:
            await until(lambda: port.acknowledged > 3, "readings")
            sound = daemon._open_port

            def hanging() -> object:
                let_go.wait()
                return sound()

            monkeypatch.setattr(daemon, "_open_port", hanging)
            port.vanish()
            await until(lambda: any("STANDS STILL: link" in one for one in manager.hear()), "the standstill")
            let_go.set()
            port.come_back()
            mark = manager.beats()
            await until(lambda: manager.beats() > mark + 1, "the pulse again")


class Service:
    """A service as a process, as systemd or a container starts it."""

    def __init__(self, tmp_path: Path, manager: Manager, *words: str) -> None:
        self.pulse = tmp_path / f"{words[0]}.pulse"
        self.log = tmp_path / f"{words[0]}.log"
        self.environment = {**os.environ, **manager.environment(0.6), "CORNERHOLD_PULSE": str(self.pulse)}
        with self.log.open("w") as log:
            self.process = subprocess.Popen([*COMMAND, *words], env=self.environment, stderr=log, stdout=log)

    def health(self, within_s: float = 30.0) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*COMMAND, "pulse", "--within", str(within_s)],
            env=self.environment, capture_output=True, text=True, check=False, timeout=60,
        )  # fmt: skip

    def stop(self) -> None:
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(20)
        assert self.process.returncode == 0, self.log.read_text()


@pytest.fixture
def started() -> Iterator[list[Service]]:
    services: list[Service] = []
    yield services
    for service in services:
        if service.process.poll() is None:
            service.process.kill()
            service.process.wait()


def test_the_services_tell_systemd_and_a_container(tmp_path: Path, started: list[Service]) -> None:
    settings = tmp_path / "bay-2.toml"
    with PtyRig(tmp_path, HandRig(), period_s=0.1) as port:
        settings.write_text(
            f'[rig]\nname = "bay-2"\nport = "{port.path}"\n[journal]\npath = "{tmp_path}/bay-2.journal"\n'
        )
        heard: list[Manager] = []
        for command, status in (
            ("logger", "the rig talks; "),
            ("analysis", "watching the whole journal"),
            ("page", "1 of 1 rigs shown"),
        ):
            manager = Manager(str(tmp_path / f"{command}.notify"))
            heard.append(manager)
            service = Service(tmp_path, manager, command, "--settings", str(settings))
            started.append(service)
            wait_for(lambda: any(status in one for one in manager.hear()), f"{command}'s status")  # noqa: B023
            assert manager.said[0] == "READY=1"
            assert manager.beats() > 0
            if command != "page":
                done = service.health()
                assert (done.returncode, status in done.stdout) == (0, True), (done.stdout, done.stderr)
            if command != "logger":
                service.stop()
                wait_for(lambda: "STOPPING=1" in manager.said or "STOPPING=1" in manager.hear(), "its end")  # noqa: B023
        # the event loop hangs: nothing more is said, and the health check sees it
        logger, manager = started[0], heard[0]
        mark = manager.beats()
        wait_for(lambda: manager.beats() > mark, "the logger's pulse")
        logger.process.send_signal(signal.SIGSTOP)
        os.waitid(os.P_PID, logger.process.pid, os.WSTOPPED | os.WNOWAIT)
        manager.hear()
        wait_for(lambda: logger.health(within_s=1.0).returncode == 1, "the health check")
        assert manager.hear() == []
        assert "no pulse for " in logger.health(within_s=1.0).stderr
        logger.process.send_signal(signal.SIGCONT)
        logger.stop()
        assert "nothing has begun, or it has ended" in logger.health().stderr
    for manager in heard:
        manager.socket.close()


def test_a_pulse_of_no_sense_is_refused_in_a_line(tmp_path: Path) -> None:
    file = tmp_path / "pulse"
    file.write_text("yes")
    for words, said in ((["pulse", str(file)], "is no pulse"), (["pulse"], "set CORNERHOLD_PULSE")):
        plain = {key: value for key, value in os.environ.items() if key != "CORNERHOLD_PULSE"}
        done = subprocess.run(
            [*COMMAND, *words], capture_output=True, text=True, check=False, timeout=60, env=plain
        )
        assert done.returncode == 1
        assert said in done.stderr
        assert done.stderr.count("\n") == 1


def test_nobody_there_costs_nothing_and_a_wrong_address_is_told(caplog: pytest.LogCaptureFixture) -> None:
    assert not Caretaker({}).there
    gone = Caretaker({"NOTIFY_SOCKET": "/nowhere/at/all"})
    assert not gone.there
    assert [r.getMessage() for r in caplog.records] == [
        "the pulse is not told: NOTIFY_SOCKET: No such file or directory"
    ]


def test_an_address_in_no_directory(tmp_path: Path) -> None:
    heard = Manager(f"@cornerhold-test-{os.getpid()}-{tmp_path.name}")
    caretaker = Caretaker({**heard.environment(), "WATCHDOG_PID": str(os.getpid())})
    caretaker.ready()
    caretaker.beat("two\nlines")
    assert heard.hear() == ["READY=1", "WATCHDOG=1\nSTATUS=two lines"]
    assert caretaker.every_s == pytest.approx(0.05)
    caretaker.close()
    heard.socket.close()


def test_a_watchdog_that_is_meant_for_another_process_sets_no_pace() -> None:
    assert Caretaker({"WATCHDOG_USEC": "300000", "WATCHDOG_PID": "1"}).every_s == pulse.EVERY_s


def test_the_file_is_renewed_whole(tmp_path: Path) -> None:
    file = tmp_path / "pulse"
    caretaker = Caretaker({"CORNERHOLD_PULSE": str(file)})
    caretaker.beat("well")
    assert json.loads(file.read_text())["status"] == "well"
    caretaker.close()
    assert list(tmp_path.iterdir()) == []


def test_a_stage_without_work_never_stands_still() -> None:
    progress = Progress()
    waits = [False]
    progress.add("commands", lambda: (waits[0], 0))
    assert progress.standstill(0.0) is None
    assert progress.standstill(1e6) is None
    waits[0] = True
    # from now on, not from the last time there was work
    assert progress.standstill(1e6 + pulse.PATIENCE_s) is None
    assert "commands" in (progress.standstill(1e6 + 2 * pulse.PATIENCE_s + 1) or "")


HANGS = """
import asyncio
from logger import pulse

pulse.GIVE_UP_s = 0.3

async def main():
    progress = pulse.Progress()
    progress.add("journal", lambda: (True, 0))
    progress.stages[0].patience_s = -1.0
    async with pulse.beating(progress, str):
        pulse.Caretaker().beat("once")
        await asyncio.Event().wait()

asyncio.run(main())
"""


def test_what_stands_still_in_a_container_ends_itself_and_says_where(tmp_path: Path) -> None:
    """An engine begins again what has ended; what hangs it only calls unhealthy."""
    environment = {**os.environ, "CORNERHOLD_PULSE": str(tmp_path / "pulse")}
    done = subprocess.run(
        [sys.executable, "-c", HANGS],
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 1
    assert "it stands still, and the watchdog is not told any more: journal" in done.stderr
    assert "Timeout (0:00:00.3" in done.stderr
    assert "in main" in done.stderr or "in run_forever" in done.stderr
