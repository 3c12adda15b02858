"""A rig as the protocol describes it, in memory: a ring buffer, a cursor, and the four commands.

Pure: time and transport are the test's. It shares the record types with the project and nothing of its logic.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from logger.protocol import (
    MAX_UINT32,
    Acknowledge,
    HostCommand,
    Identify,
    Identity,
    Resend,
    RigRecord,
    Sample,
    SetPeriod,
)

if TYPE_CHECKING:
    import random

CHANNELS = ("front_left.pressure", "front_right.pressure", "ambient.temperature", "rig.supply_voltage")


def true_values(boot: int, seq: int) -> tuple[int, ...]:
    """What sample `seq` of `boot` carries, so that a test can tell a right sample from a mixed-up one."""
    return (seq % 32768, (7 * seq + boot) % 32768, -(seq % 997), 5000 + boot % 100)


@dataclass
class RingRig:
    boot: int = 1
    depth: int = 1000
    period_ms: int = 10
    obeys_resend: bool = True
    name: str = "bench"
    first_uptime_ms: int = 0
    next_seq: int = 0
    cursor: int = 0
    acknowledged: int = -1
    ring: deque[Sample] = field(default_factory=deque)
    replies: deque[RigRecord] = field(default_factory=deque)

    def identity(self) -> Identity:
        first = self.ring[0].seq if self.ring else self.next_seq
        return Identity(1, self.name, "model", self.period_ms, self.boot, first, self.next_seq - 1, CHANNELS)

    def start(self) -> None:
        self.replies.append(self.identity())

    def reboot(self, boot: int) -> None:
        self.boot = boot
        self.next_seq = self.cursor = 0
        self.acknowledged = -1
        self.ring.clear()
        self.replies.clear()
        self.start()

    def take(self) -> Sample:
        """Measure once."""
        uptime_ms = (self.first_uptime_ms + self.next_seq * self.period_ms) & MAX_UINT32
        sample = Sample(self.boot, self.next_seq, uptime_ms, true_values(self.boot, self.next_seq))
        self.ring.append(sample)
        self.next_seq += 1
        if len(self.ring) > self.depth:
            self.ring.popleft()
        return sample

    def hear(self, command: HostCommand) -> None:
        match command:
            case Identify():
                self.replies.append(self.identity())
            case Resend(boot, seq) if boot == self.boot and self.obeys_resend:
                self.cursor = min(seq, self.next_seq)
            case Acknowledge(boot, seq) if boot == self.boot:
                assert seq < self.next_seq, "acknowledged what was never measured"
                self.acknowledged = max(self.acknowledged, seq)
                while self.ring and self.ring[0].seq <= seq:
                    self.ring.popleft()
            case SetPeriod(period_ms):
                self.period_ms = period_ms

    def say(self, at_most: int = 1_000_000) -> list[RigRecord]:
        """What goes out next: replies first, then samples from the cursor on."""
        said: list[RigRecord] = list(self.replies)
        self.replies.clear()
        if self.ring:
            self.cursor = max(self.cursor, self.ring[0].seq)
            begin = self.cursor - self.ring[0].seq
            samples = [self.ring[n] for n in range(begin, min(len(self.ring), begin + at_most))]
            self.cursor += len(samples)
            said += samples
        else:
            self.cursor = self.next_seq
        return said


@dataclass
class FaultyLine:
    """One direction of a line that loses, delays, repeats and corrupts whole lines, seeded."""

    rng: random.Random
    loss: float = 0.0
    delay_s: float = 0.0
    repeat: float = 0.0
    corrupt: float = 0.0
    _queue: list[tuple[float, bytes]] = field(default_factory=list)
    _last_s: float = 0.0

    def put(self, line: bytes, now_s: float) -> None:
        if self.rng.random() < self.loss:
            return
        if self.rng.random() < self.corrupt:
            position = self.rng.randrange(len(line))
            line = line[:position] + self.rng.randbytes(1) + line[position + 1 :]
        # a serial line doesn't reorder, so a delay holds up what comes behind it
        self._last_s = max(self._last_s, now_s + self.rng.random() * self.delay_s)
        self._queue.append((self._last_s, line))
        if self.rng.random() < self.repeat:
            self._queue.append((self._last_s, line))

    def get(self, now_s: float) -> bytes:
        due = [line for at_s, line in self._queue if at_s <= now_s]
        del self._queue[: len(due)]
        return b"".join(due)
