"""Backup and restore among real processes: a logger that writes, and kill -9 in the middle."""

from __future__ import annotations

import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from typing import TYPE_CHECKING

import pytest
from logger_process import LoggerProcess, wait_for

from logger.journal import Entry, Journal, JournalError
from logger.journal_reader import JournalReader

if TYPE_CHECKING:
    from pathlib import Path

RUN = [sys.executable, "-c", "from analysis.commands import main; main()"]
SETTINGS = '[rig]\nname = "bay"\n'


def cornerhold(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*RUN, *map(str, words)], capture_output=True, text=True, timeout=300, check=False)


def seqs(path: Path) -> list[int]:
    """The samples of a journal, by bare SQL."""
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
        return [seq for (seq,) in connection.execute("SELECT seq FROM entries WHERE kind = 'D' ORDER BY id")]


def test_a_backup_beside_a_running_logger_and_the_rig_goes_on_after_a_restore(tmp_path: Path) -> None:
    port = tmp_path / "port"
    disk = tmp_path / "disk"
    disk.mkdir()
    rig = subprocess.Popen(
        [*RUN, "virtual-rig", "--link", str(port), "--seed", "1", "--speed", "200"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    bay = LoggerProcess(tmp_path / "bay.journal", str(port))
    try:
        assert rig.stdout is not None
        assert rig.stdout.readline().startswith("port: ")
        logger = bay.start()
        wait_for(lambda: len(bay.rows("D")) > 50, "samples")
        began = cornerhold("soak", "begin", "job-1042", "-j", bay.journal)
        assert began.returncode == 0, began.stderr
        taken = []
        for n in range(3):
            into = disk / str(n)
            into.mkdir()
            before = len(bay.seqs())
            done = cornerhold("backup", "-j", bay.journal, "--to", into)
            assert (done.returncode, done.stderr) == (0, "")
            (folder,) = into.iterdir()
            held = seqs(folder / "bay.journal")
            # all that was there when it began, each once, in order
            assert len(held) >= before
            assert held == list(range(held[0], held[0] + len(held)))
            taken.append(folder)
        assert logger.poll() is None
        in_the_way = cornerhold("restore", taken[-1], "-j", bay.journal, "--force")
        assert in_the_way.returncode == 1
        assert "is being written by another process" in in_the_way.stderr
        assert bay.stop(logger) == 0
        refused = cornerhold("restore", taken[-1], "-j", bay.journal)
        assert refused.returncode == 1
        assert "1 soaks already; nothing was changed. With --force" in refused.stderr
        restored = cornerhold("restore", taken[-1], "-j", bay.journal, "--force")
        assert (restored.returncode, restored.stderr) == (0, "")
        held = bay.seqs()
        listed = cornerhold("soak", "list", "-j", bay.journal)
        assert listed.stdout.startswith("job-1042: ")
        logger = bay.start()
        wait_for(lambda: len(bay.seqs()) > len(held) + 20, "samples after the restore")
        assert bay.stop(logger) == 0
    finally:
        bay.clean_up()
        rig.kill()
        rig.communicate()
    now = bay.seqs()
    assert now[: len(held)] == held
    assert len(set(now)) == len(now)
    if (
        now[len(held)] != held[-1] + 1
    ):  # what the rig had been told was safe, and has forgotten, is told as a gap
        (_, _, _, _, gap), *_ = bay.rows("G")
        assert f'"first_seq":{held[-1] + 1}' in gap.replace(" ", "")


def filled(path: Path, count: int) -> list[int]:
    with Journal.open(path, SETTINGS) as journal:
        boot = journal.note_boot(
            boot=7, rig="bay", firmware="1", period_ms=1000, channels=("a.pressure",), resumed=True
        )
        journal.append([Entry(0, "D", boot.id, n, n, n, str(n)) for n in range(count)])
    return list(range(count))


def killed(words: list[str | Path], after_s: float) -> int:
    process = subprocess.Popen([*RUN, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    time.sleep(after_s)  # the moment is the experiment, nothing is waited for
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=120)
    return process.returncode


def kill_in_the_middle(tmp_path: Path, kills: int, seed: int) -> None:
    chance = random.Random(seed)
    source, target, disk = tmp_path / "a.journal", tmp_path / "b.journal", tmp_path / "disk"
    disk.mkdir()
    new = filled(source, 120_000)
    began_s = time.monotonic()
    assert cornerhold("backup", "-j", source, "--to", disk).returncode == 0
    whole_s = time.monotonic() - began_s
    (good,) = disk.iterdir()
    for _ in range(kills):
        killed(["backup", "-j", source, "--to", disk], chance.uniform(0.0, whole_s))
        # whatever has the name of a backup is one
        for folder in disk.glob("a-*"):
            assert seqs(folder / "a.journal") == new
            assert (folder / "backup.json").exists()
    for _ in range(kills):
        for file in tmp_path.glob("b.journal*"):
            if file.is_file():
                file.unlink()
        old = filled(target, 500)
        killed(["restore", good, "-j", target, "--force"], chance.uniform(0.3 * whole_s, 1.2 * whole_s))
        try:
            with JournalReader(target) as reader:
                found = [entry.seq for entry in reader.read(10**6)]
            assert found in (old, new)
        except JournalError as error:
            assert "was broken off here" in str(error)  # noqa: PT017  either of two ends is right
        again = cornerhold("restore", good, "-j", target, "--force")
        assert (again.returncode, again.stderr) == (0, "")
        assert seqs(target) == new
    assert cornerhold("backup", "-j", source, "--to", disk).returncode == 0
    assert not list(disk.glob(".*"))


def test_a_kill_in_the_middle_leaves_nothing_half(tmp_path: Path) -> None:
    kill_in_the_middle(tmp_path, kills=3, seed=1)


@pytest.mark.long
@pytest.mark.parametrize("part", range(10))
def test_a_hundred_kills_leave_nothing_half(tmp_path: Path, part: int) -> None:
    kill_in_the_middle(tmp_path, kills=10, seed=10 + part)
