"""The journal among real processes: a writer that is killed, a follower that reads while it is written."""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from logger.journal import Journal, JournalError
from logger.journal_reader import JournalReader

WRITER = """
import sys
from pathlib import Path
from logger.journal import Entry, Journal
with Journal.open(Path(sys.argv[1]), sys.argv[2]) as journal:
    boot = journal.note_boot(
        boot=7, rig="bay", firmware="1", period_ms=1, channels=("a.pressure",), resumed=True
    )
    last = journal.last_seq(boot.id)
    seq = 0 if last is None else last + 1
    while True:
        new = range(seq, seq + 1 + seq % 37)
        batch = [Entry(0, "D", boot.id, n, n * 1000, n * 1000, str(n)) for n in new]
        journal.append(batch)
        seq += len(batch)
        print(seq - 1, flush=True)
"""


def start_writer(path: Path, settings: str = "") -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), settings],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def said_last(process: subprocess.Popen[str]) -> int:
    """The last sample that the dead writer had reported as safe; a torn last line doesn't count."""
    assert process.stdout is not None
    lines = process.stdout.read().split("\n")[:-1]
    return int(lines[-1]) if lines else -1


def check_whole(path: Path) -> int:
    """Every sample once, in order, none in between missing; returns the last one (−1: none)."""
    with JournalReader(path) as reader:
        seqs: list[int] = []
        while entries := reader.read(10_000):
            assert all(entry.body == str(entry.seq) for entry in entries)
            seqs += [entry.seq for entry in entries if entry.seq is not None]
    assert seqs == list(range(len(seqs)))
    return len(seqs) - 1


def kill_and_look(path: Path, kills: int, seed: int) -> None:
    chance = random.Random(seed)
    safe = -1
    for _ in range(kills):
        process = start_writer(path, settings=f"# {chance.random()}")
        assert process.stdout is not None
        first = process.stdout.readline()
        assert first, process.stderr and process.stderr.read()
        time.sleep(chance.uniform(0, 0.05))  # the moment is the experiment, nothing is waited for
        process.send_signal(signal.SIGKILL)
        process.wait(timeout=120)
        reported = max(int(first), said_last(process))
        process.stdout.close()
        if process.stderr is not None:
            process.stderr.close()
        with Journal.open(path, "# check") as journal:  # it opens, is sound, and takes the lock over
            assert journal.last_seq(1) is not None
        last = check_whole(path)
        assert last >= reported > safe
        safe = last


def test_kill_9_loses_nothing_that_was_reported_and_writes_nothing_twice(tmp_path: Path) -> None:
    kill_and_look(tmp_path / "bay.journal", kills=8, seed=1)


@pytest.mark.long
@pytest.mark.parametrize("part", range(20))
def test_kill_9_five_hundred_times(tmp_path: Path, part: int) -> None:
    kill_and_look(tmp_path / "bay.journal", kills=25, seed=100 + part)


def test_a_follower_reads_while_another_process_writes(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    writer = start_writer(path)
    try:
        assert writer.stdout is not None
        assert writer.stdout.readline()
        seen: list[int] = []
        with JournalReader(path) as reader:
            while len(seen) < 3000:
                assert writer.poll() is None
                seen += [entry.seq for entry in reader.read(100) if entry.seq is not None]
            cursor = reader.cursor
        with JournalReader(path, cursor) as again:  # a follower that was restarted goes on after its cursor
            while len(seen) < 6000:
                seen += [entry.seq for entry in again.read(1000) if entry.seq is not None]
        assert seen == list(range(len(seen)))
    finally:
        writer.kill()
        writer.communicate(timeout=120)


def test_a_second_writing_process_is_refused_until_the_first_is_dead(tmp_path: Path) -> None:
    path = tmp_path / "bay.journal"
    writer = start_writer(path)
    try:
        assert writer.stdout is not None
        assert writer.stdout.readline()
        with pytest.raises(JournalError, match="another process"):
            Journal.open(path)
        second = start_writer(path)
        _, complaint = second.communicate(timeout=120)
        assert second.returncode == 1
        assert "another process" in complaint
        assert writer.poll() is None
    finally:
        os.kill(writer.pid, signal.SIGKILL)
        writer.communicate(timeout=120)
    Journal.open(path).close()


EXPORTER = """
import sys
from analysis.commands import main
main(["export", "-j", sys.argv[1], "-o", sys.argv[2]])
"""


def test_an_export_that_is_ended_leaves_no_file(tmp_path: Path) -> None:
    path, target = tmp_path / "bay.journal", tmp_path / "out.csv"
    writer = start_writer(path)
    try:
        assert writer.stdout is not None
        for _ in range(200):
            assert writer.stdout.readline()
        exporter = subprocess.Popen([sys.executable, "-c", EXPORTER, str(path), str(target)])
        while exporter.poll() is None and not list(tmp_path.glob(".out.csv.*.part")):
            time.sleep(0.001)
        exporter.send_signal(signal.SIGTERM)
        code = exporter.wait(timeout=120)
    finally:
        writer.kill()
        writer.communicate(timeout=120)
    assert code in {143, 0}  # 0: it was done before the signal came
    assert target.exists() == (code == 0)
    assert not list(tmp_path.glob("*.part"))
    assert not list(tmp_path.glob(".*.part"))
