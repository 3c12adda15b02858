"""Events of the rig between samples of an hour ago: no sample's time may move, in the journal or in an export."""

from __future__ import annotations

import json
import random
import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from logger_process import wait_for

from analysis.export import export_recording
from analysis.recording import read_recording
from logger.journal_reader import JournalReader
from logger.protocol import MAX_UINT32, RigEvent
from tests.faults.bench import heard_more, rig_at, settle
from tests.faults.surroundings import HOUR, steady
from tests.faults.truth import Ledger, judge

if TYPE_CHECKING:
    from pathlib import Path

    from logger.protocol import RigRecord
    from tests.faults.bench import Bench, Row

FAR_BEHIND = 200
"""Samples that wait to be sent again while an event goes out, at least."""


@dataclass
class TalkingLedger(Ledger):
    """A rig that reports things while it sends its buffer again: of now, late, or by a clock of its own ahead."""

    rng: random.Random = field(default_factory=lambda: random.Random(1))
    uptimes_ms: list[int] = field(default_factory=list)
    """Of each event, counted without a wrap."""

    def say(self, at_most: int = 1_000_000) -> list[RigRecord]:
        said = super().say(at_most)
        if len(said) > 1 and self.next_seq - self.cursor > FAR_BEHIND and self.rng.random() < 0.1:
            now_ms = self.first_uptime_ms + (self.next_seq - 1) * self.period_ms
            uptime_ms = now_ms - self.rng.choice((0, 0, 1, 600_000, 7_200_000, -600_000))
            self.uptimes_ms.append(uptime_ms)
            event = RigEvent(
                self.boot, uptime_ms & MAX_UINT32, "converter", f"number {len(self.uptimes_ms) - 1}"
            )
            said.insert(self.rng.randrange(1, len(said)), event)
        return said


def reported(bench: Bench) -> Row:
    """The line or the logger is away for an hour of the rig's time; while it is sent again the rig reports things."""
    rig = TalkingLedger(
        depth=1_000_000,
        period_ms=1000,
        values=steady,
        first_uptime_ms=MAX_UINT32 - 2_000_000,  # it wraps while the first hour is away
        rng=bench.rng,
    )
    with rig_at(bench, rig, period_s=0.0005) as port:
        process = bench.logger(port.path)
        heard_more(port, 10)
        for n in range(bench.times):
            heard_more(port, bench.rng.randrange(1, 50))
            if n % 2:
                process.kill()
                process.wait()
            else:
                port.vanish()
            mark = rig.next_seq
            wait_for(lambda mark=mark: rig.next_seq > mark + HOUR, "an hour without the logger")
            told = len(rig.uptimes_ms)
            if n % 2:
                process = bench.logger(port.path)
            else:
                port.come_back()
            wait_for(lambda mark=mark: port.acknowledged > mark + HOUR, "the hour is there", 120.0)
            assert len(rig.uptimes_ms) > told, "nothing was reported"
            bench.progress()
        settle(port)
        bench.end(process)
        tally = judge(bench.journal, rig)
    stored, misplaced = _events(bench.journal, rig)
    exported = _exported(bench.folder, bench.journal)
    tally.wrong += misplaced + exported
    assert stored, "no event is in the journal"
    note = f"{stored:,} events stored, {misplaced} of them elsewhere than at their own time"
    return bench.row("rig: events while an hour is sent again", tally, note)


def _events(journal: Path, rig: TalkingLedger) -> tuple[int, int]:
    """How many events are stored, and how many of them at another time than their own."""
    with closing(sqlite3.connect(journal)) as connection:
        events = connection.execute("SELECT rig_us, body FROM entries WHERE kind = 'E'").fetchall()
        [seq, sample_us] = connection.execute("SELECT seq, rig_us FROM entries WHERE kind = 'D'").fetchone()
    zero_us = sample_us - 1000 * (rig.first_uptime_ms + seq * rig.period_ms)
    wrong = 0
    for rig_us, body in events:
        number = int(json.loads(body)["text"].split()[1])
        wrong += rig_us - zero_us != 1000 * rig.uptimes_ms[number]
    return len(events), wrong


def _exported(folder: Path, journal: Path) -> int:
    """How many rows of an export stand at another second than their sample was taken at."""
    with JournalReader(journal) as reader:
        export_recording(reader, folder / "out.csv")
    time_s = read_recording(folder / "out.csv").time_s
    return int(np.sum(np.abs(time_s - np.arange(len(time_s))) > 1e-6))
