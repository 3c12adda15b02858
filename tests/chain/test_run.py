"""`run`: one process for both; when one part can't go on, the process says why and ends."""

from __future__ import annotations

import asyncio
import re
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from typing import TYPE_CHECKING

import pytest
from hand_rig import HandRig
from logger_process import wait_for
from pty_rig import PtyRig

from analysis import page_server, run_command
from analysis.alarm_store import alarms_path
from analysis.page_server import PageThread, listening_on
from analysis.register import soaks_path
from logger.readings_mirror import cursor_path
from logger.settings import settings_from_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()"]


class Bay:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = PtyRig(folder, HandRig(), period_s=0.05)
        self.settings = folder / "bay-2.toml"
        self.settings.write_text('[rig]\nname = "bay-2"\n[journal]\npath = "bay-2.journal"\n')
        self.journal = folder / "bay-2.journal"
        self.started: list[subprocess.Popen[str]] = []

    def start(self, *words: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [*COMMAND, *words, "-s", str(self.settings)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.started.append(process)
        return process

    def run(self, *more: str) -> subprocess.Popen[str]:
        process = self.start("run", "-p", str(self.port.path), *more)
        wait_for(lambda: process.poll() is not None or self.port.acknowledged > 10, "readings")
        return process


@pytest.fixture
def bay(tmp_path: Path) -> Iterator[Bay]:
    here = Bay(tmp_path)
    with here.port:
        yield here
        for process in here.started:
            if process.poll() is None:
                process.kill()
            process.communicate()


def ends(process: subprocess.Popen[str]) -> str:
    """The last line of a process that ends with 1."""
    _, said = process.communicate(timeout=120)
    assert process.returncode == 1, said
    assert "Traceback" not in said
    return said.strip().splitlines()[-1]


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_stop_is_in_order_and_the_findings_are_whole(bay: Bay, how: signal.Signals) -> None:
    findings = bay.folder / "findings.json"
    process = bay.run("--findings", str(findings))
    wait_for(alarms_path(bay.journal).exists, "the watch")
    process.send_signal(how)
    _, said = process.communicate(timeout=120)
    assert process.returncode == 0, said
    assert "Traceback" not in said
    replayed = subprocess.run(
        [*COMMAND, "analyse", "--json", "--settings", str(bay.settings), str(bay.journal)],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    assert findings.read_text() == replayed.stdout


def test_a_second_one_is_refused(bay: Bay) -> None:
    bay.run()
    assert ends(bay.start("run", "-p", str(bay.port.path))).endswith("is being written by another process")
    # an analysis beside it, too, unless it only looks
    wait_for(alarms_path(bay.journal).exists, "the watch")
    assert ends(bay.start("analysis")).endswith(
        "is being written by another process (--look watches without keeping alarms)"
    )
    looking = bay.start("analysis", "--look", "--findings", str(bay.folder / "f.json"))
    wait_for((bay.folder / "f.json").exists, "findings")
    looking.send_signal(signal.SIGTERM)
    looking.communicate(timeout=120)
    assert looking.returncode == 0


def test_a_file_that_is_damaged_ends_the_watch_and_not_the_recording(bay: Bay) -> None:
    process = bay.run("--findings", str(bay.folder / "f.json"))
    wait_for(alarms_path(bay.journal).exists, "the watch")
    register = soaks_path(bay.journal)
    beginning = bay.start("soak", "begin", "night", "--json")
    beginning.communicate(timeout=120)
    assert beginning.returncode == 0
    whole = register.read_bytes()
    register.write_bytes(b"this is no register of soaks, whoever has put it here" * 4)
    said: list[str] = []
    assert process.stderr is not None
    for line in process.stderr:
        said.append(line)
        if "NOT WATCHED" in line:
            assert f"NOT WATCHED: {register}: is damaged (" in line
            mark = bay.port.acknowledged
            wait_for(lambda mark=mark: bay.port.acknowledged > mark + 10, "more readings")
            register.write_bytes(whole)
        if "watched again" in line:
            break
    assert process.poll() is None, said
    process.terminate()
    _, rest = process.communicate(timeout=120)
    assert process.returncode == 0, rest
    assert "Traceback" not in "".join(said) + rest
    assert sum("NOT WATCHED" in line for line in said) == 1


def test_a_stop_while_nothing_is_watched_says_why(bay: Bay) -> None:
    process = bay.run()
    wait_for(alarms_path(bay.journal).exists, "the watch")
    soaks_path(bay.journal).write_bytes(b"this is no register of soaks, whoever has put it here" * 4)
    assert process.stderr is not None
    next(line for line in process.stderr if "NOT WATCHED" in line)
    process.terminate()
    assert ends(process).startswith(f"cornerhold: {soaks_path(bay.journal)}: is damaged (")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[mqtt]\nca = "nowhere.pem"\n', "mqtt.ca: "),
        ("[notify]\n", "notify: there is no address"),
        ('[notify]\nurls = ["nonsense"]\n', "notify.urls: number 1 is no address"),
    ],
)
def test_word_that_could_never_leave_is_refused_at_once(bay: Bay, text: str, words: str) -> None:
    with bay.settings.open("a") as file:
        file.write(text)
    assert words in ends(bay.run())


def answer(address: str) -> str:
    try:
        with urllib.request.urlopen(address, timeout=30) as found:  # noqa: S310  our own address
            return str(found.read().decode())
    except urllib.error.HTTPError as error:
        with error:
            return f"{error.code} {error.read().decode()}"


def test_the_page_comes_with_it_and_goes_with_it(bay: Bay) -> None:
    with bay.settings.open("a") as file:
        file.write("[page]\nport = 0\n")
    process = bay.run()
    assert process.stderr is not None
    address = next(found[1] for line in process.stderr if (found := re.search(r"page: (http\S+)", line)))
    wait_for(lambda: '"measuring":true' in answer(f"{address}api/rigs/bay-2"), "the page's first look")
    assert "front_left" in answer(address)
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=120)
    assert process.returncode == 0, said
    assert "Traceback" not in said
    with pytest.raises(OSError, match="refused"):
        answer(address)


def test_the_page_of_a_run_has_its_limits_and_its_option(bay: Bay) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        number = taken.getsockname()[1]
        text = bay.settings.read_text()
        bay.settings.write_text(f"{text}[page]\nport = {number}\n")
        assert f"can't listen on 127.0.0.1 port {number}: Address already in use" in ends(bay.start("run"))
        bay.settings.write_text(f'{text}[page]\nhost = "0.0.0.0"\nport = 0\n')
        assert "the settings need [page] token_sha256" in ends(bay.start("run"))
        process = bay.run("--no-page")
        process.terminate()
        assert "page" not in process.communicate(timeout=120)[1]
        assert process.returncode == 0


@pytest.mark.parametrize(
    ("text", "option", "expected"),
    [
        ("", None, None),
        ("", True, ("127.0.0.1", 8460, None)),
        ("[page]\nport = 9\n", None, ("127.0.0.1", 9, None)),
        ("[page]\nport = 9\n", False, None),
    ],
)
def test_who_gets_a_page(
    text: str, option: bool | None, expected: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page_server, "listening_on", lambda *words: words)
    assert run_command._page_address(settings_from_text(text), with_page=option) == expected


def test_without_the_extra_the_recording_goes_on_and_says_so(bay: Bay) -> None:
    """A process in which the page's libraries can't be found."""
    with bay.settings.open("a") as file:
        file.write("[page]\nport = 0\n")
    without = "from analysis import page_server as s; s.NEEDED = ('no_such_part',); "
    started = [*COMMAND[:2], without + COMMAND[2], "run", "-s", str(bay.settings), "-p", str(bay.port.path)]
    process = subprocess.Popen(started, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    bay.started.append(process)
    wait_for(lambda: process.poll() is not None or bay.port.acknowledged > 10, "readings")
    process.terminate()
    _, said = process.communicate(timeout=120)
    assert process.returncode == 0, said
    assert "no page here: the page needs no_such_part: pip install '.[page]'" in said
    asked = subprocess.run([*started, "--page"], capture_output=True, text=True, check=False, timeout=120)
    assert asked.returncode == 1
    assert asked.stderr == "cornerhold: the page needs no_such_part: pip install '.[page]'\n"


def test_when_the_page_can_not_go_on_all_ends(bay: Bay) -> None:
    """A process whose page breaks down after the first readings."""
    with bay.settings.open("a") as file:
        file.write("[page]\nport = 0\n")
    breaking = (
        "import asyncio, uvicorn\n"
        "async def serve(self, sockets=None):\n"
        "    await asyncio.sleep(0.2)\n"
        "uvicorn.Server.serve = serve\n"
    )
    process = subprocess.Popen(
        [*COMMAND[:2], breaking + COMMAND[2], "run", "-s", str(bay.settings), "-p", str(bay.port.path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    bay.started.append(process)
    assert ends(process) == "cornerhold: the page ended"


async def test_what_breaks_the_server_reaches_the_process(monkeypatch: pytest.MonkeyPatch) -> None:
    class Broken:
        should_exit = False

        async def serve(self, sockets: list[socket.socket]) -> None:  # noqa: ARG002  as the real one
            raise ZeroDivisionError

    with listening_on("127.0.0.1", 0, None) as listening, pytest.raises(ZeroDivisionError):
        await PageThread(Broken(), listening).run()  # type: ignore[arg-type]

    class Hanging(Broken):
        async def serve(self, sockets: list[socket.socket]) -> None:  # noqa: ARG002  as the real one
            await asyncio.Event().wait()

    # one that hears no call to end holds up nothing for long
    monkeypatch.setattr(page_server, "ENDING_s", 0.05)
    task = asyncio.create_task(PageThread(Hanging(), listening_on("127.0.0.1", 0, None)).run())  # type: ignore[arg-type]
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


def test_a_mirror_that_fails_does_not_end_the_recording(bay: Bay) -> None:
    with bay.settings.open("a") as file:
        file.write('[mqtt]\nhost = "127.0.0.1"\nport = 1\n')
    # where the mirror keeps its place there is something that is no file
    cursor_path(bay.journal).mkdir()
    process = bay.run()
    mark = bay.port.acknowledged
    wait_for(lambda: bay.port.acknowledged > mark + 10, "more readings")
    process.terminate()
    # the mirror can't save its place on the way out, and that holds up nothing
    _, said = process.communicate(timeout=120)
    assert process.returncode == 0, said
    assert "Traceback" not in said
