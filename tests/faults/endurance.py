"""A month in time lapse: what the two services hold in memory, and how long the write-ahead log gets."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from logger_process import wait_for

from tests.faults.bench import rig_at, settle
from tests.faults.kills import kept
from tests.faults.surroundings import BEGIN, steady
from tests.faults.truth import Ledger, judge

if TYPE_CHECKING:
    import subprocess

    from tests.faults.bench import Bench, Row

PERIOD_MS = 20_000
PER_DAY = 86_400_000 // PERIOD_MS
MOST_MORE_MB = 8.0
"""Allowed from the sixth part on to the end: what an allocator's moods are, and no more."""
MOST_WAL_MB = 16.0


def month(bench: Bench) -> Row:
    """Days (`times`) of a rig's time through daemon and analysis; memory is looked at once a day."""
    settings = bench.folder / "bay.toml"
    settings.write_text(f'[rig]\nname = "bench"\nclock = "rig"\nbegin = "{BEGIN}"\n')
    where = ("--settings", str(settings), "--journal", str(bench.journal))
    rig = Ledger(depth=1_000_000, period_ms=PERIOD_MS, values=steady)
    findings = bench.folder / "findings.json"
    memory: list[tuple[float, float]] = []
    longest = 0.0
    with rig_at(bench, rig, period_s=0.0005) as port:
        daemon = bench.logger(port.path, *where[:2])
        watch = bench.start("analysis", *where, "--findings", str(findings))
        for day in range(1, bench.times + 1):
            wait_for(lambda day=day: port.acknowledged >= day * PER_DAY, f"day {day}", 600.0)
            wait_for(
                lambda day=day: _judged_h(findings) >= 24 * (day - 1) + 20, f"day {day} is judged", 600.0
            )
            memory.append((_resident_MB(daemon), _resident_MB(watch)))
            longest = max(longest, _size_MB(bench.journal.with_name(bench.journal.name + "-wal")))
            bench.progress()
        settle(port)
        bench.end(daemon)
        bench.end(watch)
        tally = judge(bench.journal, rig)
    tally.wrong += len(kept(bench.journal))  # nothing happened that would be an alarm
    first = memory[max(1, bench.times // 6) - 1]
    more = [after - before for before, after in zip(first, memory[-1], strict=True)]
    assert max(more) < MOST_MORE_MB, f"memory grew by {more} MB: {memory}"
    assert longest < MOST_WAL_MB, f"the write-ahead log grew to {longest:.0f} MB"
    note = (
        f"daemon {memory[-1][0]:.0f} MB ({more[0]:+.1f} since day {max(1, bench.times // 6)}), analysis "
        f"{memory[-1][1]:.0f} MB ({more[1]:+.1f}), log at most {longest:.1f} MB"
    )
    return bench.row("days of a rig's time without a stop", tally, note)


def _judged_h(findings: Path) -> float:
    return float(json.loads(findings.read_text())["hours"]) if findings.exists() else 0.0


def _resident_MB(process: subprocess.Popen[bytes]) -> float:
    for line in Path(f"/proc/{process.pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    raise AssertionError("no such process")


def _size_MB(path: Path) -> float:
    return path.stat().st_size / 2**20 if path.exists() else 0.0
