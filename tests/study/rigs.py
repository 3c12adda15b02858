"""What a rig costs a server, and where that ends: N real daemons at N pseudo-terminals, one analysis for all of them.

    python -m tests.study.rigs --rigs 20 100 --seconds 60

First what the analysis takes in time lapse. Then, for each N, a line: CPU seconds and memory per rig, cores that all of
them take, how long from the sample that makes a `floor` alarm (the second one under it) at the port to the alarm in its
file, and how many samples that were acknowledged are missing. The rigs are played in this process; its CPU time is not
counted, but on the same machine it is in the way.
"""

from __future__ import annotations

import argparse
import os
import random
import select
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import tty
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.alarm_store import AlarmStore
from analysis.live import PORTION
from analysis.register import RegisterReader
from analysis.service import WRITING_SHARE
from analysis.watcher import Watcher
from logger.framing import LineSplitter
from logger.journal import Entry, Journal
from logger.journal_reader import JournalReader
from logger.protocol import (
    Acknowledge,
    HostCommand,
    Identify,
    Identity,
    LineFault,
    Resend,
    Sample,
    decode_host,
    encode,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()"]
CORNERS = ("front_left", "front_right", "rear_left", "rear_right")
CHANNELS = (
    *(f"{corner}.pressure" for corner in CORNERS),
    "ambient.temperature",
    "ambient.pressure",
    "rig.supply_voltage",
)
FULL, LOW = 12_000, 5_333  # counts: 7 and 2 bar by the default converter
FLOOR = "3 bar"
APART_s = 0.25  # between two rigs whose pressure falls
TARGET = 200
CORES = 2
LOOKING_SHARE = 0.1
"""Of a core, however many the rigs are: a look without news takes some 40 µs, and there is one every 0.5 ms at most."""
_TICKS_per_s = os.sysconf("SC_CLK_TCK")


@dataclass
class Rig:
    """A rig at 1 Hz on a pseudo-terminal, which keeps what isn't acknowledged."""

    name: str
    boot: int
    due_s: float
    rng: random.Random
    pressure: int = FULL
    low_s: float | None = None
    """When the second sample of a pressure that fell was sent: the alarm's evidence is complete."""
    alarm_s: float | None = None
    lows: int = 0
    next_seq: int = 0
    cursor: int = 0
    acknowledged: int = -1
    kept: dict[int, Sample] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.port = os.ttyname(self.slave)
        self.splitter = LineSplitter()
        self.begun_s = time.monotonic()
        self.out = [encode(self.identity())]

    def identity(self) -> Identity:
        first = min(self.kept, default=self.next_seq)
        return Identity(1, self.name, "yard", 1000, self.boot, first, self.next_seq - 1, CHANNELS)

    def take(self) -> None:
        """Measure."""
        corners = [self.pressure + self.rng.randrange(9) for _ in CORNERS]
        values = (*corners, 160 + self.rng.randrange(3), 20_000 + self.rng.randrange(9), 26_667)
        uptime_ms = round(1000.0 * (time.monotonic() - self.begun_s))
        self.kept[self.next_seq] = Sample(self.boot, self.next_seq, uptime_ms, values)
        self.next_seq += 1

    def hear(self) -> None:
        """Take what the daemon says."""
        try:
            data = os.read(self.master, 4096)
        except OSError:
            return
        for line in self.splitter.feed(data):
            try:
                self._obey(decode_host(line))
            except LineFault:
                continue

    def _obey(self, command: HostCommand) -> None:
        match command:
            case Identify():
                self.out.append(encode(self.identity()))
            case Resend(_, seq):
                self.cursor = seq
            case Acknowledge(_, seq):
                self.acknowledged = max(self.acknowledged, seq)
                for old in [n for n in self.kept if n <= seq]:
                    del self.kept[old]

    def say(self) -> None:
        """Send what is due; what doesn't fit stays."""
        due = [self.kept[n] for n in range(self.cursor, self.next_seq) if n in self.kept]
        self.out += [encode(sample) for sample in due]
        self.lows += sum((sample.values[0] or 0) < FULL for sample in due)
        if self.low_s is None and self.lows >= 2:
            self.low_s = time.monotonic()
        self.cursor = self.next_seq
        try:
            while self.out:
                os.write(self.master, self.out[0])
                self.out.pop(0)
        except OSError:
            return

    def close(self) -> None:
        os.close(self.master)
        os.close(self.slave)


class Yard:
    """All rigs, the daemons and the analysis."""

    def __init__(self, folder: Path, count: int) -> None:
        self.folder = folder
        rng = random.Random(1)
        now_s = time.monotonic()
        # not all in the same moment
        self.rigs = [Rig(f"bay-{n}", n + 1, now_s + rng.random(), random.Random(n)) for n in range(count)]
        self._poll = select.poll()
        for rig in self.rigs:
            self._poll.register(rig.master, select.POLLIN)
            (folder / f"{rig.name}.toml").write_text(
                f'[rig]\nname = "{rig.name}"\nport = "{rig.port}"\n[journal]\npath = "{self.journal(rig)}"\n'
                + "".join(f'[sections.{corner}]\nfloor = "{FLOOR}"\n' for corner in CORNERS)
            )
        self._of = {rig.master: rig for rig in self.rigs}
        self.log = folder / "log"
        self.daemons: list[subprocess.Popen[bytes]] = []
        self.analysis: subprocess.Popen[bytes] | None = None

    def journal(self, rig: Rig) -> Path:
        return self.folder / f"{rig.name}.journal"

    def start(self, *words: str) -> subprocess.Popen[bytes]:
        with self.log.open("a") as log:
            return subprocess.Popen([*COMMAND, *words], stdout=log, stderr=log)

    def turn(self, until_s: float, done: Callable[[], bool] = lambda: False) -> bool:
        """Play all rigs until a moment, or until `done`, which is asked often; return whether it was."""
        while not done():
            if time.monotonic() >= until_s:
                return False
            for master, _ in self._poll.poll(10):
                self._of[master].hear()
            now_s = time.monotonic()
            for rig in self.rigs:
                if now_s >= rig.due_s:
                    rig.take()
                    rig.due_s += 1.0
                if rig.cursor < rig.next_seq or rig.out:
                    rig.say()
        return True

    def begin(self, patience_s: float) -> None:
        """Start all, and wait until every rig is logged and watched."""
        for rig in self.rigs:
            self.daemons.append(self.start("logger", "--settings", str(self.folder / f"{rig.name}.toml")))
            self.turn(time.monotonic() + 0.05)
        end_s = time.monotonic() + patience_s
        self._until(end_s, lambda: all(rig.acknowledged > 1 for rig in self.rigs), "logged")
        findings = self.folder / "findings"
        findings.mkdir()
        self.analysis = self.start("analysis", "--settings", str(self.folder), "--findings", str(findings))
        self._until(end_s, lambda: len(list(findings.glob("*.json"))) == len(self.rigs), "watched")

    def _until(self, end_s: float, done: Callable[[], bool], what: str) -> None:
        """Play until `done`; a service that has ended is an error at once, with the end of what was logged."""
        processes = [*self.daemons, *([] if self.analysis is None else [self.analysis])]
        if self.turn(end_s, lambda: done() or any(p.poll() is not None for p in processes)) and done():
            return
        raise RuntimeError(f"not all rigs are {what}: {self.log.read_text()[-500:]}")

    def end(self) -> None:
        """Stop all."""
        processes = [*([] if self.analysis is None else [self.analysis]), *self.daemons]
        for process in processes:
            process.send_signal(signal.SIGTERM)
        end_s = time.monotonic() + 60.0
        self.turn(end_s, lambda: all(process.poll() is not None for process in processes))
        for process in processes:
            if process.poll() is None:
                process.kill()
            process.wait()
        for rig in self.rigs:
            rig.close()

    def alarms(self, most: int = 40, patience_s: float = 60.0) -> tuple[int, list[float]]:
        """Let the pressure of some rigs fall; return of how many, and the times to their alarms in their files, s."""
        fallen = self.rigs[:: max(1, len(self.rigs) // most)]
        with ExitStack() as stack:
            files = {
                rig.name: stack.enter_context(
                    closing(sqlite3.connect(f"{self.journal(rig).as_uri()}.alarms?mode=ro", uri=True))
                )
                for rig in fallen
            }
            begun_s = time.monotonic()

            def all_told() -> bool:
                for number, rig in enumerate(fallen):
                    if time.monotonic() >= begun_s + APART_s * number:
                        rig.pressure = LOW
                    if rig.low_s is not None and rig.alarm_s is None:
                        words = "SELECT count(*) FROM alarms WHERE kind = 'floor'"
                        if files[rig.name].execute(words).fetchone()[0]:
                            rig.alarm_s = time.monotonic()
                return all(rig.alarm_s for rig in fallen)

            self.turn(time.monotonic() + patience_s, all_told)
        return len(fallen), sorted(rig.alarm_s - rig.low_s for rig in fallen if rig.alarm_s and rig.low_s)


@dataclass(frozen=True)
class Cost:
    """What so many rigs took; per rig, CPU seconds an hour and MB."""

    rigs: int
    daemon_cpu_s_per_h: float
    analysis_cpu_s_per_h: float
    daemon_MB: float
    analysis_MB: float
    """Of the one analysis, whole."""
    fallen: int
    """Of so many rigs the pressure fell."""
    alarms_s: tuple[float, ...]
    missing: int
    written_MB_per_h: float
    busy: float
    """Share of the machine's time that was used by anything at all meanwhile."""

    @property
    def cores(self) -> float:
        """What all of them take."""
        return self.rigs * (self.daemon_cpu_s_per_h + self.analysis_cpu_s_per_h) / 3600.0

    def line(self) -> str:
        """A row of the table."""
        late = self.alarms_s
        alarm = f"{1e3 * late[len(late) // 2]:5.0f} {1e3 * late[-1]:6.0f}" if late else "    –      –"
        return (
            f"{self.rigs:5d} {self.daemon_cpu_s_per_h:8.1f} {self.analysis_cpu_s_per_h:9.1f} {self.cores:7.2f} "
            f"{self.daemon_MB:9.1f} {self.analysis_MB:9.0f} {self.written_MB_per_h:8.1f} {alarm} "
            f"{len(late):4d}/{self.fallen:<3d}{self.missing:8d} {100.0 * self.busy:5.0f} %"
        )


HEAD = (
    " rigs  daemon  analysis   cores    daemon  analysis  written  alarm ms      raised  missing  machine\n"
    "       CPU s / rig-hour           MB each  MB whole MB/rig-h median   last                     busy"
)


def measure(count: int, seconds: float, folder: Path) -> Cost:
    """Run `count` rigs for so long."""
    yard = Yard(folder, count)
    try:
        yard.begin(60.0 + 3.0 * count)
        yard.turn(time.monotonic() + min(seconds, 10.0))
        pids = [process.pid for process in yard.daemons]
        if yard.analysis is None:
            raise RuntimeError("no analysis")
        watch = yard.analysis.pid
        cpu_s, watch_s, written, busy, begun_s = (
            sum(map(_cpu_s, pids)), _cpu_s(watch), sum(map(_written, [*pids, watch])), _busy(), time.monotonic(),
        )  # fmt: skip
        yard.turn(begun_s + seconds)
        hours = (time.monotonic() - begun_s) / 3600.0
        idle_s, all_s = (after - before for after, before in zip(_busy(), busy, strict=True))
        cost_s = sum(map(_cpu_s, pids)) - cpu_s, _cpu_s(watch) - watch_s
        wrote = sum(map(_written, [*pids, watch])) - written
        memory = sum(map(_pss_MB, pids)) / count, _pss_MB(watch)
        fallen, alarms_s = yard.alarms()
    finally:
        yard.end()
    if any(process.returncode for process in (*yard.daemons, yard.analysis)):
        raise RuntimeError(f"a service did not end in order: {yard.log.read_text()[-500:]}")
    return Cost(
        count,
        cost_s[0] / count / hours,
        cost_s[1] / count / hours,
        *memory,
        fallen,
        tuple(alarms_s),
        sum(max(0, rig.acknowledged + 1 - _stored(yard.journal(rig))) for rig in yard.rigs),
        wrote / count / hours / 1e6,
        1.0 - idle_s / all_s,
    )


@dataclass(frozen=True)
class Lapse:
    """What the analysis of one rig takes without waiting for the rig."""

    hours: float
    live_cpu_s_per_h: float
    """Each reading taken by itself, as it comes at 1 Hz."""
    again_cpu_s_per_h: float
    """After a restart: all that is there at once."""
    findings_ms: float
    """To say once how it stands."""

    def line(self) -> str:
        """In words."""
        return (
            f"time lapse, {self.hours:g} h of a rig: analysis {self.live_cpu_s_per_h:.2f} CPU s per rig-hour, each "
            f"reading by itself; {self.again_cpu_s_per_h:.3f} after a restart; {self.findings_ms:.0f} ms to say "
            "how it stands"
        )


def lapse(folder: Path, hours: float) -> Lapse:
    """Follow a journal that is there already: once reading by reading, once in portions."""
    path = folder / "lapse.journal"
    rig = Rig("lapse", 1, 0.0, random.Random(1))
    rig.close()
    count = round(3600 * hours)
    with Journal.open(path) as journal:
        boot = journal.note_boot(
            boot=1, rig=rig.name, firmware="yard", period_ms=1000, channels=CHANNELS, resumed=False
        )
        for _ in range(count):
            rig.take()
        rows = [
            Entry(0, "D", boot.id, n, n * 1_000_000, n * 1_000_000, rig.kept[n].body) for n in range(count)
        ]
        journal.append(rows)
    taken_s, said_s = [], 0.0
    for limit in (1, PORTION):
        with JournalReader(path) as reader, RegisterReader(path) as register, ExitStack() as stack:
            alarms = folder / f"{limit}.journal"
            store = stack.enter_context(AlarmStore.open(alarms, rig=rig.name, publishing=False))
            begun_s = time.process_time()
            watcher = Watcher(reader, None, register, store, rig=rig.name)
            while watcher.step(time.monotonic(), limit):
                continue
            taken_s.append(time.process_time() - begun_s)
            begun_s = time.process_time()
            watcher.findings()
            said_s = time.process_time() - begun_s
    return Lapse(hours, taken_s[0] / hours, taken_s[1] / hours, 1e3 * said_s)


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _TICKS_per_s


def _busy() -> tuple[float, float]:
    """Idle and all time of the machine."""
    numbers = [int(n) for n in Path("/proc/stat").read_text().splitlines()[0].split()[1:9]]
    return numbers[3] + numbers[4], sum(numbers)


def _written(pid: int) -> int:
    fields = dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text().splitlines())
    return int(fields["write_bytes"])


def _pss_MB(pid: int) -> float:
    """Memory, with that which processes share counted in equal parts."""
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return sum(int(line.split()[1]) for line in lines if line.startswith("Pss:")) * 1024 / 1e6


def _stored(journal: Path) -> int:
    with closing(sqlite3.connect(journal)) as connection:
        return int(connection.execute("SELECT count(*) FROM entries WHERE kind = 'D'").fetchone()[0])


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rigs", type=int, nargs="+", default=[20], help="how many; several runs")
    parser.add_argument("--seconds", type=float, default=60.0, help="how long each is measured")
    parser.add_argument("--lapse", type=float, default=4.0, help="hours of a rig in time lapse; 0: none")
    options = parser.parse_args(arguments)
    if options.lapse:
        with tempfile.TemporaryDirectory(prefix="rigs-") as folder:
            lapsed = lapse(Path(folder), options.lapse)
        print(lapsed.line(), flush=True)
    print(HEAD)
    for count in options.rigs:
        with tempfile.TemporaryDirectory(prefix="rigs-") as folder:
            cost = measure(count, options.seconds, Path(folder))
        print(cost.line(), flush=True)
    if options.lapse and options.rigs:
        fit = (
            (CORES - WRITING_SHARE - LOOKING_SHARE)
            * 3600.0
            / (cost.daemon_cpu_s_per_h + lapsed.live_cpu_s_per_h)
        )
        print(
            f"by CPU time alone {fit:.0f} rigs fit on {CORES} cores (target {TARGET}), with {WRITING_SHARE:.0%} of one "
            f"to say how they stand and {LOOKING_SHARE:.0%} to look for news; the daemons of {TARGET} "
            f"take {TARGET * cost.daemon_MB / 1e3:.1f} GB"
        )


if __name__ == "__main__":
    main()
