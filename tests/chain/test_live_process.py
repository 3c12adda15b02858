"""The live analysis as a process, beside a real logger and a virtual rig: stopped, killed, started again, replayed."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from importlib.resources import files
from typing import TYPE_CHECKING

import pytest
from logger_process import LoggerProcess, wait_for

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()"]
SPEED = 30_000  # 62 h in about 8 s


class Bay:
    """Rig, logger and analysis in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.findings = folder / "findings.json"
        settings = folder / "s.toml"
        settings.write_text('[rig]\nname = "bay"\nclock = "rig"\nbegin = "2027-01-15T18:00:00Z"\n')
        self.logger = LoggerProcess(folder / "bay.journal", str(folder / "port"), settings)

    def start(self, *words: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [*COMMAND, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        self.logger.started.append(process)
        return process

    def play(self) -> subprocess.Popen[str]:
        shipped = files("logger.virtual") / "scenarios" / "cold_weekend.toml"
        rig = self.start(
            *("virtual-rig", "--scenario", str(shipped), "--link", str(self.folder / "port")),
            *("--speed", str(SPEED)),
        )
        assert rig.stdout is not None
        assert rig.stdout.readline().startswith("port: ")
        return rig

    def follow(self) -> subprocess.Popen[str]:
        return self.start("analysis", "--journal", str(self.logger.journal), "--findings", str(self.findings))

    def replay(self) -> str:
        words = ["analyse", "--json", str(self.logger.journal)]
        return subprocess.run(
            [*COMMAND, *words], capture_output=True, text=True, check=True, timeout=120
        ).stdout


@pytest.fixture
def bay(tmp_path: Path) -> Iterator[Bay]:
    here = Bay(tmp_path)
    yield here
    here.logger.clean_up()


def hours(bay: Bay) -> float:
    return float(json.loads(bay.findings.read_text())["hours"]) if bay.findings.exists() else 0.0


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_live_across_a_restart_is_the_replay_byte_for_byte(bay: Bay, how: signal.Signals) -> None:
    rig, logger, first = bay.play(), bay.logger.start(), bay.follow()
    wait_for(lambda: hours(bay) > 5.0, "findings on the way")
    first.send_signal(how)
    first.communicate(timeout=120)
    assert first.returncode == (0 if how == signal.SIGTERM else -signal.SIGKILL)
    bay.findings.unlink()
    second = bay.follow()
    wait_for(
        bay.findings.exists, "the second to be at work"
    )  # a process that starts up can't end in good order
    rig.communicate(timeout=120)
    assert bay.logger.stop(logger) == 0
    second.send_signal(signal.SIGTERM)
    _, said = second.communicate(timeout=120)
    assert second.returncode == 0, said
    assert hours(bay) == 62.0
    assert bay.replay() == bay.findings.read_text()
    assert not list(bay.folder.glob(".*.part")) or how == signal.SIGKILL


def test_until_idle_ends_by_itself(bay: Bay) -> None:
    nothing = bay.start("analysis", "--journal", str(bay.logger.journal), "--until-idle", "0.2")
    _, said = nothing.communicate(timeout=120)
    assert nothing.returncode == 1
    assert "there is no such journal" in said.strip().splitlines()[-1]
    assert "Traceback" not in said


def test_findings_into_no_folder_are_refused_at_once(bay: Bay) -> None:
    where = str(bay.folder / "not there" / "f.json")
    refused = bay.start("analysis", "--journal", str(bay.logger.journal), "--findings", where)
    _, said = refused.communicate(timeout=120)
    assert refused.returncode == 1
    assert said.strip().splitlines() == [f"cornerhold: {where}: there is no such folder"]
