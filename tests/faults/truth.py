"""What the rig made and what it was told is safe, held against what the journal holds, by bare SQL."""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from rig_model import RingRig, true_values

from logger.protocol import Acknowledge

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from logger.protocol import HostCommand, Sample


@dataclass
class Ledger(RingRig):
    """A rig that remembers, per boot, how many samples it took and which one was called safe last."""

    values: Callable[[int, int], tuple[int, ...]] = true_values
    taken: dict[int, int] = field(default_factory=dict)
    safe: dict[int, int] = field(default_factory=dict)

    def take(self) -> Sample:
        sample = super().take()
        sample = replace(sample, values=self.values(sample.boot, sample.seq))
        self.ring[-1] = sample
        self.taken[self.boot] = self.next_seq
        return sample

    def hear(self, command: HostCommand) -> None:
        super().hear(command)
        if isinstance(command, Acknowledge) and command.boot == self.boot:
            self.safe[self.boot] = max(command.seq, self.safe.get(self.boot, -1))


@dataclass
class Tally:
    """What a fault did to the samples."""

    samples: int = 0  # acknowledged
    lost: int = 0  # acknowledged and not there
    doubled: int = 0  # there more than once
    wrong: int = 0  # there, and other than the rig said it, or at another time

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            self.samples + other.samples,
            self.lost + other.lost,
            self.doubled + other.doubled,
            self.wrong + other.wrong,
        )


_ROWS = (
    "SELECT b.boot, e.seq, e.rig_us, e.body FROM entries e JOIN boots b ON b.id = e.boot_id "
    "WHERE e.kind = 'D' ORDER BY e.id"
)


def judge(journal: Path, rig: Ledger) -> Tally:
    """Hold a journal against its rig, sample by sample; also the time between neighbours of a boot."""
    with closing(sqlite3.connect(journal)) as connection:
        rows = connection.execute(_ROWS).fetchall()
        [state] = connection.execute("PRAGMA integrity_check").fetchone()
    assert state == "ok", f"{journal}: {state}"
    tally = Tally(samples=sum(last + 1 for last in rig.safe.values()))
    count = Counter((boot, seq) for boot, seq, *_ in rows)
    tally.lost = sum((boot, seq) not in count for boot, last in rig.safe.items() for seq in range(last + 1))
    tally.doubled = sum(count.values()) - len(count)
    last: dict[int, tuple[int, int]] = {}
    newest_us = -1
    for boot, seq, rig_us, body in rows:
        taken = seq < rig.taken.get(boot, 0)
        right = taken and body == ",".join(map(str, rig.values(boot, seq)))
        if boot in last:
            seq0, us0 = last[boot]
            right &= rig_us - us0 == (seq - seq0) * rig.period_ms * 1000
        right &= rig_us > newest_us
        last[boot], newest_us = (seq, rig_us), rig_us
        tally.wrong += not right
    return tally


def gaps_told(journal: Path) -> int:
    """How many samples the journal says are missing."""
    with closing(sqlite3.connect(journal)) as connection:
        bodies = connection.execute("SELECT body FROM entries WHERE kind = 'G'").fetchall()
    gaps = [json.loads(body) for (body,) in bodies]
    return sum(gap["last_seq"] - gap["first_seq"] + 1 for gap in gaps)
