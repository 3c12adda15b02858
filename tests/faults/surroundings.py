"""What the services stand on gives way: the broker, the disk, the clock."""

from __future__ import annotations

import json
import mmap
import resource
import sqlite3
import struct
import subprocess
import time
from contextlib import closing, contextmanager
from itertools import pairwise
from typing import TYPE_CHECKING

from broker import Broker, Subscriber
from influx_db import InfluxDb
from logger_process import wait_for
from parts import need

from tests.faults.bench import MAIN, Bench, Row, heard_more, rig_at, settle
from tests.faults.kills import SEVEN_BAR
from tests.faults.truth import Ledger, judge

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

BEGIN = "2027-01-15T18:00:00Z"
HOUR = 3600


def steady(_boot: int, seq: int) -> tuple[int, ...]:
    """Two tight corners in steady air."""
    wiggle = seq % 7
    return SEVEN_BAR + wiggle, SEVEN_BAR - wiggle, 160 + wiggle % 3, 26_667 + wiggle


def broker_away(bench: Bench) -> Row:
    """The broker is dead for an hour of the rig's time, in time lapse; everything must reach a subscriber afterwards."""
    broker = Broker(bench.folder / "broker").start()
    settings = bench.folder / "bay.toml"
    settings.write_text(
        f'[rig]\nname = "bench"\nclock = "rig"\nbegin = "{BEGIN}"\n{broker.settings()}', encoding="utf-8"
    )
    rig = Ledger(depth=1_000_000, period_ms=1000, values=steady)
    with (
        rig_at(bench, rig, period_s=0.0005) as port,
        Subscriber(broker, ("shop/bench/#",), session="faults") as subscriber,
    ):

        def all_of_it() -> None:
            settle(port)
            newest = _newest(bench.journal)
            wait_for(lambda: _numbers(subscriber.of("/readings"))[-1:] == [newest], "all is at the broker")

        process = bench.logger(port.path, "--settings", str(settings))
        wait_for(lambda: bool(subscriber.of("/readings")), "readings at the broker")
        for _ in range(bench.times):
            # at rest, so that what the broker itself forgets when it is killed is not laid at our door
            all_of_it()
            broker.kill()
            with port.lock:
                port.measuring = True
            mark = rig.next_seq
            wait_for(lambda mark=mark: rig.next_seq > mark + HOUR, "an hour without a broker")
            broker.start()
            bench.progress()
        all_of_it()
        heard = subscriber.of("/readings")
        bench.end(process)
        tally = judge(bench.journal, rig)
    broker.kill()
    numbers = _numbers(heard)
    kept = _entries(bench.journal)
    # what was handed out and not confirmed when the broker died comes again under its number, which tells a repeat
    again = len(numbers) - len(set(numbers))
    tally.samples = len(kept)
    tally.lost += len(set(kept) - set(numbers))
    first = list(dict.fromkeys(numbers))
    tally.wrong += sum(a > b for a, b in pairwise(first)) + len(set(numbers) - set(kept))
    tally.wrong += _different(heard, kept)
    return bench.row("broker: away for an hour of the rig's time", tally, f"{again} came twice, by number")


def _records(packs: list[str]) -> Iterator[tuple[int, int]]:
    """Number and time (µs) of each sample in SenML packs."""
    for text in packs:
        records = json.loads(text)
        begin_s = records[0]["bt"]
        for record in records:
            if record["n"].endswith("entry"):
                yield record["v"], round(1e6 * (begin_s + record.get("t", 0.0)))


def _numbers(packs: list[str]) -> list[int]:
    return [number for number, _ in _records(packs)]


def _entries(journal: Path) -> dict[int, int]:
    with closing(sqlite3.connect(journal)) as connection:
        return dict(connection.execute("SELECT id, utc_us FROM entries WHERE kind = 'D'").fetchall())


def _newest(journal: Path) -> int:
    return max(_entries(journal))


def _different(packs: list[str], kept: dict[int, int]) -> int:
    return sum(abs(utc_us - kept.get(number, 0)) > 1000 for number, utc_us in _records(packs))


def database_away(bench: Bench) -> Row:
    """The same with InfluxDB: killed for an hour of the rig's time, then every point is there once."""
    database = InfluxDb(bench.folder / "influx").start()
    settings = bench.folder / "bay.toml"
    settings.write_text(
        f'[rig]\nname = "bench"\nclock = "rig"\nbegin = "{BEGIN}"\n{database.settings()}', encoding="utf-8"
    )
    rig = Ledger(depth=1_000_000, period_ms=1000, values=steady)
    try:
        with rig_at(bench, rig, period_s=0.0005) as port:
            process = bench.logger(port.path, "--settings", str(settings))
            for n in range(bench.times):
                before = database.count()
                wait_for(lambda before=before: database.count() > before, "readings in InfluxDB")
                database.kill()
                mark = rig.next_seq
                wait_for(lambda mark=mark: rig.next_seq > mark + HOUR, "an hour without InfluxDB")
                if not n:  # soon after the first it is the same trouble, and not told again
                    wait_for(lambda: "no InfluxDB" in bench.said(), "it is told")
                database.start()
                bench.progress()
            settle(port)
            wait_for(lambda: database.count() >= len(_entries(bench.journal)), "all is in InfluxDB", 600.0)
            bench.end(process)
            tally = judge(bench.journal, rig)
        rows = database.rows("SELECT entry, seq FROM readings WHERE section = 'rig'")
    finally:
        database.close()
    kept = _entries(bench.journal)
    there = [row["entry"] for row in rows]
    tally.samples = len(kept)
    tally.lost += len(set(kept) - set(there))
    tally.doubled += len(there) - len(set(there))
    tally.wrong += sum(row["time"] != 1000 * kept.get(row["entry"], -1) for row in rows)
    return bench.row("InfluxDB: away for an hour of the rig's time", tally)


# -- the disk ------------------------------------------------------------------------------------------------

_LIMIT_BYTES = 100_000
# The alarm for silence comes after half a minute; here it comes sooner.
SOON_BLIND = f"import analysis.watcher as w, analysis.watch; w.BLIND_s = 1.0; {MAIN}"


@contextmanager
def small_disk(folder: Path) -> Iterator[bool]:
    """A disk of 4 MB at `folder`; whether it could be had (it takes the right to mount)."""
    folder.mkdir()
    mounted = (
        subprocess.run(
            [need("mount"), "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)],
            capture_output=True,
            check=False,
        ).returncode
        == 0
    )
    try:
        yield mounted
    finally:
        if mounted:
            subprocess.run(["umount", "--lazy", str(folder)], check=True, capture_output=True)


def disk_full(bench: Bench) -> Row:
    """The disk is full for a while: an alarm, nothing called safe that isn't, and all there once there is room again."""
    settings = bench.folder / "bay.toml"

    def blind() -> int:
        """How many sections are, by the analysis's own word."""
        said = bench.said()
        return said.count("ALARM blind") - said.count("alarm blind of")

    with small_disk(bench.folder / "disk") as mounted, rig_at(bench, _steady_rig()) as port:
        bench.journal = bench.folder / "disk" / "bay.journal"
        settings.write_text('[rig]\nname = "bench"\n')
        process = bench.logger(port.path, "--settings", str(settings))
        heard_more(port, 20)
        where = ("--settings", str(settings), "--journal", str(bench.journal))
        findings = bench.journal.with_name("findings.json")
        watch = bench.start("analysis", *where, "--findings", str(findings), program=SOON_BLIND)
        wait_for(
            lambda: bench.said().count("tight so far") + bench.said().count("undecided") > 0, "the watch"
        )
        for n in range(bench.times):
            fill = _fill_disk if mounted and n % 2 == 0 else _limit_files
            heard_more(port, bench.rng.randrange(5, 50))
            with fill(bench, process):
                wait_for(lambda n=n: bench.said().count("nothing can be written") > n, "it is told")
                wait_for(lambda: blind() == 2, "the alarm")
                mark = port.rig.next_seq
                wait_for(lambda mark=mark: port.rig.next_seq > mark + 50, "samples while it is full")
                assert process.poll() is None, bench.said()[-2000:]
                assert watch.poll() is None, bench.said()[-2000:]
            wait_for(lambda: blind() == 0, "the alarm's end")
            bench.progress()
        settle(port)
        bench.end(process)
        bench.end(watch)
        assert isinstance(port.rig, Ledger)
        tally = judge(bench.journal, port.rig)
    way = (
        "a disk of 4 MB and a limit on file sizes"
        if mounted
        else "a limit on file sizes: no right to mount here"
    )
    return bench.row("disk: full for a while (alarm blind each time)", tally, way)


def _steady_rig() -> Ledger:
    return Ledger(depth=1_000_000, values=steady)


@contextmanager
def _fill_disk(bench: Bench, _process: object) -> Iterator[None]:
    ballast = bench.journal.with_name("somebody-elses-film")
    with ballast.open("wb", buffering=0) as file:
        for size in (65_536, 4096, 1):
            try:
                while file.write(b"x" * size) == size:
                    pass
            except OSError:
                continue
    yield
    ballast.unlink()


@contextmanager
def _limit_files(_bench: object, process: subprocess.Popen[bytes]) -> Iterator[None]:
    """The system refuses the daemon's writes beyond this; the log is shorter, the journal soon longer."""
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (_LIMIT_BYTES, resource.RLIM_INFINITY))
    yield
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))


# -- the clock -----------------------------------------------------------------------------------------------

# The one module that reads the wall clock gets one that can be set from outside; everything else is the real process.
SET_CLOCK = f"""
import mmap, struct, sys, time, types
import logger.clock
with open(sys.argv.pop(1), "r+b") as file:
    shared = mmap.mmap(file.fileno(), 8)
real_ns = time.time_ns
fake = types.SimpleNamespace(**vars(time))
fake.time_ns = lambda: real_ns() + 1000 * struct.unpack("q", shared[:8])[0]
logger.clock.time = fake
{MAIN}
"""
DAY_us = 86_400_000_000


def clock_set(bench: Bench) -> Row:
    """The wall clock is set by a day, either way; now and then the daemon starts in 1970 and learns the time later."""
    shared, setting = _clock(bench)
    settings = bench.folder / "bay.toml"
    settings.write_text('[rig]\nname = "bench"\n')
    where = ("--settings", str(settings), "--journal", str(bench.journal))
    in_1970_us = -round(time.time() * 1e6) + 60_000_000
    started = 0
    with rig_at(bench, _steady_rig()) as port:
        setting(in_1970_us)
        process = bench.start(
            "logger", *where, "--port", str(port.path), program=SET_CLOCK, arguments=[str(shared)]
        )
        heard_more(port, 10)
        watch = bench.start("analysis", *where, program=SET_CLOCK, arguments=[str(shared)])
        setting(0)
        offset_us = 0
        for n in range(bench.times):
            heard_more(port, bench.rng.randrange(10, 40))
            if n % 5 == 4:
                # the battery of the clock is flat: killed, begun in 1970, set by the network a while later
                process.kill()
                process.wait()
                setting(in_1970_us)
                process = bench.start(
                    "logger", *where, "--port", str(port.path), program=SET_CLOCK, arguments=[str(shared)]
                )
                started += 1
                heard_more(port, 10)
                offset_us = 0
            else:
                offset_us += DAY_us * (1 if n % 2 else -1)
            setting(offset_us)
            bench.progress()
        heard_more(port, 40)
        settle(port)
        bench.end(watch)
        bench.end(process)
        assert isinstance(port.rig, Ledger)
        tally = judge(bench.journal, port.rig)
    told = _notes(bench.journal)
    assert told >= bench.times, f"{told} notes in the journal"
    # the clock is no reading: it must raise no alarm
    tally.wrong += bench.said().count("ALARM")
    return bench.row(
        "clock: set by a day, or started in 1970", tally, f"{started + 1} times in 1970; {told} notes"
    )


def _clock(bench: Bench) -> tuple[Path, Callable[[int], None]]:
    path = bench.folder / "clock"
    path.write_bytes(bytes(8))

    def setting(offset_us: int) -> None:
        with path.open("r+b") as file, mmap.mmap(file.fileno(), 8) as shared:
            shared[:8] = struct.pack("q", offset_us)

    return path, setting


def _notes(journal: Path) -> int:
    with closing(sqlite3.connect(journal)) as connection:
        [count] = connection.execute("SELECT count(*) FROM entries WHERE kind = 'C'").fetchone()
    return int(count)
