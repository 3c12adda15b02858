"""`run`: one process for both; when one part can't go on, the process says why and ends."""

from __future__ import annotations

import signal
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from hand_rig import HandRig
from logger_process import wait_for
from pty_rig import PtyRig

from analysis.alarm_store import alarms_path
from analysis.register import soaks_path
from logger.readings_mirror import cursor_path

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
    _, said = process.communicate(timeout=30)
    assert process.returncode == 1, said
    assert "Traceback" not in said
    return said.strip().splitlines()[-1]


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_stop_is_in_order_and_the_findings_are_whole(bay: Bay, how: signal.Signals) -> None:
    findings = bay.folder / "findings.json"
    process = bay.run("--findings", str(findings))
    wait_for(alarms_path(bay.journal).exists, "the watch")
    process.send_signal(how)
    _, said = process.communicate(timeout=30)
    assert process.returncode == 0, said
    assert "Traceback" not in said
    replayed = subprocess.run(
        [*COMMAND, "analyse", "--json", "--settings", str(bay.settings), str(bay.journal)],
        capture_output=True, text=True, check=True, timeout=60,
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
    looking.communicate(timeout=30)
    assert looking.returncode == 0


def test_when_the_watch_can_not_go_on_all_ends(bay: Bay) -> None:
    process = bay.run()
    wait_for(alarms_path(bay.journal).exists, "the watch")
    soaks_path(bay.journal).write_bytes(b"this is no register of soaks, whoever has put it here" * 4)
    assert ends(process).startswith(f"cornerhold: {soaks_path(bay.journal)}: can't be read: ")


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
    _, said = process.communicate(timeout=15)
    assert process.returncode == 0, said
    assert "Traceback" not in said
