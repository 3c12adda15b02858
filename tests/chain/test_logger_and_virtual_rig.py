"""The logger's process and the virtual rig's, joined by a pseudo-terminal: whole soaks in time lapse."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from importlib.resources import files
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from logger_process import LoggerProcess, wait_for

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

VIRTUAL_RIG = [sys.executable, "-c", "from analysis.commands import main; main()", "virtual-rig"]
PERIOD_us = 60_000_000  # the shipped scenario: a sample a minute for 62 h
LEAST_SAMPLES = 62 * 60
BEGIN_us = 1_800_036_000_000_000  # 2027-01-15T18:00:00Z (GNU date)


@pytest.fixture
def logged(tmp_path: Path) -> Iterator[LoggerProcess]:
    settings = tmp_path / "s.toml"
    settings.write_text('[rig]\nname = "shuttle-7"\nclock = "rig"\nbegin = "2027-01-15T18:00:00Z"\n')
    process = LoggerProcess(tmp_path / "a.journal", str(tmp_path / "port"), settings)
    yield process
    process.clean_up()


def play(tmp_path: Path, logged: LoggerProcess, speed: int, faults: str = "") -> subprocess.Popen[str]:
    """Start the shipped weekend with more faults; the port is linked when this returns."""
    scenario = tmp_path / "weekend.toml"
    shipped = files("logger.virtual") / "scenarios" / "cold_weekend.toml"
    scenario.write_text(shipped.read_text() + faults)
    words = ["--scenario", str(scenario), "--link", str(tmp_path / "port"), "--speed", str(speed)]
    rig = subprocess.Popen([*VIRTUAL_RIG, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    logged.started.append(rig)
    assert rig.stdout is not None
    assert rig.stdout.readline().startswith("port: ")
    return rig


def end_of(rig: subprocess.Popen[str]) -> str:
    """What the rig says when its soak is over and the host has called everything safe."""
    _, err = rig.communicate(timeout=120)
    assert rig.returncode == 0
    return err


def test_a_weekend_at_2000_lines_a_second_is_complete(tmp_path: Path, logged: LoggerProcess) -> None:
    rig = play(tmp_path, logged, speed=120_000)
    process = logged.start()
    assert "all acknowledged" in end_of(rig)
    assert logged.stop(process) == 0
    rows = logged.rows("D")
    assert len(rows) >= LEAST_SAMPLES
    assert [seq for _, seq, *_ in rows] == list(range(len(rows)))
    # the 32-bit uptime wraps 25 h after the beginning; the axis goes on
    assert {later[2] - earlier[2] for earlier, later in pairwise(rows)} == {PERIOD_us}
    assert rows[0][3] == BEGIN_us
    assert rows[-1][3] - BEGIN_us == (len(rows) - 1) * PERIOD_us
    assert logged.rows("G") == []
    # the shipped hour of a loose connector arrives as what the converter saw, not as a hole in the samples
    assert len({body.count(",") for *_, body in rows}) == 1


def test_pulled_plugs_silence_bad_lines_and_a_killed_logger_lose_nothing(
    tmp_path: Path, logged: LoggerProcess
) -> None:
    faults = "".join(
        f'[[faults]]\nkind = "{kind}"\nat = "{at} h"\nlasts = "{lasts} h"\n'
        for kind, at, lasts in [("corrupt", 2, 50), ("vanish", 12, 4), ("silence", 30, 3), ("vanish", 40, 2)]
    )
    rig = play(tmp_path, logged, speed=30_000, faults=faults)
    for share in (0.3, 0.5, 0.8):
        process = logged.start()
        wait_for(lambda share=share: len(logged.seqs()) > share * LEAST_SAMPLES, "enough samples")
        process.kill()
        process.communicate()
    process = logged.start()
    assert "all acknowledged" in end_of(rig)
    assert logged.stop(process) == 0
    rows = logged.rows("D")
    assert len(rows) >= LEAST_SAMPLES
    assert [seq for _, seq, *_ in rows] == list(range(len(rows)))
    assert {later[2] - earlier[2] for earlier, later in pairwise(rows)} == {PERIOD_us}
    assert logged.rows("G") == []


def test_a_rig_that_restarts_goes_on_in_another_boot_and_its_events_are_kept(
    tmp_path: Path, logged: LoggerProcess
) -> None:
    faults = (
        '[[faults]]\nkind = "brownout"\nat = "10 h"\nlasts = "1 h"\n'
        '[[faults]]\nkind = "reboot"\nat = "20 h"\nlasts = "0 h"\n'
    )
    rig = play(tmp_path, logged, speed=60_000, faults=faults)
    process = logged.start()
    assert "all acknowledged" in end_of(rig)
    assert logged.stop(process) == 0
    rows = logged.rows("D")
    by_boot = Counter(boot_id for boot_id, *_ in rows)
    assert len(by_boot) == 2
    for boot_id, count in by_boot.items():
        seqs = [seq for boot, seq, *_ in rows if boot == boot_id]
        assert seqs == list(range(count))
    # of the boot that ended, no more is lost than was on its way at that moment
    assert len(rows) >= LEAST_SAMPLES - 300
    times_us = [rig_us for _, _, rig_us, _, _ in rows]
    assert times_us == sorted(set(times_us))
    codes = [json.loads(body)["code"] for *_, body in logged.rows("E")]
    assert "brownout" in codes
