"""How many frames a second one core decodes, puts in order, makes safe in the journal, reads back and converts.

    pytest -s tests/study/test_throughput.py

prints the rate and what each stage costs. Speed depends on the machine, so the same rows are also written in
the same run by bare sqlite3 (no decoding, no conversation, no clock, no index): the ratio to that peer is what
the test holds; the rate is printed beside the one asked for. Seconds are this process's own (CPU): what a commit waits
for the disk, and for other work on the machine, is not in them.
"""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from typing import TYPE_CHECKING

from logger.channels import Conversion
from logger.clock import host_now
from logger.conversation import Conversation
from logger.framing import LineSplitter
from logger.journal import Journal
from logger.journal_reader import JournalReader
from logger.keeper import Keeper
from logger.protocol import Identity, Sample, decode_rig, encode
from logger.samples import sample_blocks
from logger.settings import default_settings

if TYPE_CHECKING:
    from pathlib import Path

FRAMES = 40_000
CHUNK = 16_384  # bytes, as the port reads at most
COMMIT_EVERY = 2_000  # frames; at 20,000/s ten commits a second, as the daemon does under load
RUNS = 3
ASKED_FOR_per_s = 20_000  # aim: 60,000
CORNERS = ("front_left", "front_right", "rear_left", "rear_right")
CHANNELS = (
    *(f"{corner}.{quantity}" for corner in CORNERS for quantity in ("pressure", "height")),
    "ambient.temperature",
)


def wire_bytes() -> bytes:
    identity = Identity(1, "bench", "model", 10, 7, 0, -1, CHANNELS)
    lines = [encode(identity)]
    for n in range(FRAMES):
        counts = (
            12_000 + n % 50,
            20_000,
            12_010,
            20_100,
            12_345 + n % 7,
            20_200,
            12_500,
            20_300,
            15_000 + n % 11,
        )
        lines.append(encode(Sample(7, n, 10 * n, counts)))
    return b"".join(lines)


def log_and_convert(data: bytes, path: Path, seconds: dict[str, float]) -> int:
    """The whole way from bytes to SI; add each stage's time to `seconds`; return how many samples came out."""
    begin_s = time.process_time()

    def lap(stage: str) -> None:
        nonlocal begin_s
        now_s = time.process_time()
        seconds[stage] = seconds.get(stage, 0.0) + now_s - begin_s
        begin_s = now_s

    settings = default_settings()
    splitter, conversation = LineSplitter(), Conversation()
    conversation.opened(0.0)
    keeper = Keeper(Journal.open(path), settings.rig)
    conversion = Conversion(settings)
    converted = 0
    lap("open")
    for offset in range(0, len(data), CHUNK):
        lines = splitter.feed(data[offset : offset + CHUNK])
        records = [decode_rig(line) for line in lines]
        lap("split and decode")
        now = host_now()
        for record in records:
            conversation.hear(record, now.monotonic_us / 1e6)
        lap("put in order")
        if conversation.items_waiting >= COMMIT_EVERY or offset + CHUNK >= len(data):
            keeper.keep(conversation.take_items(), now)
            lap("commit")
    keeper.close()
    with JournalReader(path) as reader:
        lap("open")
        boots = reader.boots()
        while entries := reader.read():
            lap("read back")
            for block in sample_blocks(entries, boots):
                converted += len(conversion.convert(block).rig_us)
            lap("convert")
    return converted


def bare_sqlite(rows: list[tuple[object, ...]], path: Path) -> float:
    """The peer: the same rows into a table, as fast as the same database can, as safe."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(
            "CREATE TABLE rows (id INTEGER PRIMARY KEY, kind, boot_id, seq, rig_us, utc_us, body)"
        )
        begin_s = time.process_time()
        for offset in range(0, len(rows), COMMIT_EVERY):
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(
                "INSERT INTO rows VALUES (?,?,?,?,?,?,?)", rows[offset : offset + COMMIT_EVERY]
            )
            connection.execute("COMMIT")
        return time.process_time() - begin_s


def test_frames_per_second(tmp_path: Path) -> None:
    data = wire_bytes()
    best: dict[str, float] = {}
    for run in range(RUNS):
        seconds: dict[str, float] = {}
        assert log_and_convert(data, tmp_path / f"{run}.journal", seconds) == FRAMES
        if not best or sum(seconds.values()) < sum(best.values()):
            best = seconds
    with JournalReader(tmp_path / "0.journal") as reader:
        rows = [tuple(entry) for entry in reader.read(FRAMES + 10)]
    peer_s = min(bare_sqlite(rows, tmp_path / f"{run}.sqlite") for run in range(RUNS))
    total_s = sum(best.values())
    rate_per_s = FRAMES / total_s
    print(
        f"\n{rate_per_s:,.0f} frames/s (asked for {ASKED_FOR_per_s:,}); "
        f"{total_s / peer_s:.1f} times as long as bare sqlite3 for the same rows"
    )
    for stage, stage_s in best.items():
        print(f"  {stage:18} {1e6 * stage_s / FRAMES:6.2f} µs/frame")
    print(f"  {'(bare sqlite3)':18} {1e6 * peer_s / FRAMES:6.2f} µs/frame")
    # machines are shared, so no limit in seconds; own measurement 13 to 16, regression only
    assert total_s / peer_s < 30
