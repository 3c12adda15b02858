"""Two real protocol ends joined by a line that loses, delays, repeats and corrupts."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import pytest
from rig_model import FaultyLine, RingRig, true_values

from logger.conversation import Conversation, Gap, Heard, StoredBoot
from logger.framing import LineSplitter
from logger.protocol import LineFault, Sample, decode_host, decode_rig, encode

STEP_S = 0.01


@dataclass
class Bench:
    """A rig and a host on either end of two faulty lines, in simulated time."""

    rig: RingRig
    up: FaultyLine
    down: FaultyLine
    conversation: Conversation = field(default_factory=Conversation)
    journal: list[Heard | Gap] = field(default_factory=list)
    now_s: float = 0.0
    commit_every_s: float = 0.05
    _to_host: LineSplitter = field(default_factory=LineSplitter)
    _to_rig: LineSplitter = field(default_factory=LineSplitter)
    _committed_s: float = 0.0
    faults: int = 0

    def run(self, seconds: float, *, measuring: bool = True) -> None:
        for _ in range(round(seconds / STEP_S)):
            self.now_s += STEP_S
            if measuring:
                self.rig.take()
            for record in self.rig.say(at_most=50):
                self.up.put(encode(record), self.now_s)
            self._host_step()
            for line in self._to_rig.feed(self.down.get(self.now_s)):
                try:
                    self.rig.hear(decode_host(line))
                except LineFault:
                    self.faults += 1

    def _host_step(self) -> None:
        for line in self._to_host.feed(self.up.get(self.now_s)):
            try:
                self.conversation.hear(decode_rig(line), self.now_s)
            except LineFault:
                self.faults += 1
        self.conversation.tick(self.now_s)
        if self.now_s - self._committed_s >= self.commit_every_s:
            self._committed_s = self.now_s
            self._commit()
        for command in self.conversation.take_commands():
            self.down.put(encode(command), self.now_s)

    def _commit(self) -> None:
        items = self.conversation.take_items()
        self.journal += items
        for item in reversed(items):
            if isinstance(item, Heard) and isinstance(item.record, Sample):
                self.conversation.committed(item.life, item.record.seq, self.now_s)
                break

    def restart_host(self) -> None:
        """The daemon is killed: what wasn't committed is forgotten."""
        stored = {}
        for item in self.journal:
            if isinstance(item, Heard) and isinstance(item.record, Sample):
                identity = self.rig.identity()
                stored[identity.rig, item.record.boot] = StoredBoot(item.record.seq, identity.channels)
        self.conversation = Conversation(stored)
        self.conversation.opened(self.now_s)
        self._to_host = LineSplitter()

    def samples(self, boot: int) -> list[Sample]:
        return [
            item.record
            for item in self.journal
            if isinstance(item, Heard) and isinstance(item.record, Sample) and item.record.boot == boot
        ]

    def gaps(self) -> list[Gap]:
        return [item for item in self.journal if isinstance(item, Gap)]


def bench(seed: int, *, rig: RingRig | None = None, **faults: float) -> Bench:
    rng = random.Random(seed)
    made = Bench(rig or RingRig(), FaultyLine(rng, **faults), FaultyLine(rng, **faults))
    made.rig.start()
    made.conversation.opened(0.0)
    return made


FAULTS = [
    pytest.param({}, id="clean"),
    pytest.param({"loss": 0.2}, id="loss"),
    pytest.param({"delay_s": 0.3}, id="delay"),
    pytest.param({"repeat": 0.3}, id="repeats"),
    pytest.param({"corrupt": 0.2}, id="corrupt"),
    pytest.param({"loss": 0.1, "delay_s": 0.2, "repeat": 0.1, "corrupt": 0.1}, id="all"),
]


@pytest.mark.parametrize("faults", FAULTS)
@pytest.mark.parametrize("seed", range(4))
def test_everything_within_the_buffer_arrives_in_order_once(seed: int, faults: dict[str, float]) -> None:
    made = bench(seed, rig=RingRig(depth=2000), **faults)
    made.run(15.0)
    made.run(60.0, measuring=False)  # long enough for the last lines to be asked for
    made.rig.take()  # shows that the one before it was lost, if it was
    made.run(60.0, measuring=False)
    arrived = made.samples(boot=1)
    # the very last lines may stay lost until the next sample: no one knows of them
    assert [sample.seq for sample in arrived] == list(range(len(arrived)))
    assert len(arrived) >= 1500
    assert all(sample.values == true_values(1, sample.seq) for sample in arrived)
    assert made.gaps() == []
    assert made.rig.acknowledged <= arrived[-1].seq
    # the faults were really there
    counters = made.conversation.counters
    assert (made.faults > 0) == ("corrupt" in faults)
    assert (counters.resends > 0) == ("loss" in faults or "corrupt" in faults)
    assert counters.duplicates > 0 or not faults.keys() & {"repeat", "loss"}


@pytest.mark.parametrize("seed", range(4))
def test_host_restarts_and_rig_reboots_on_a_bad_line(seed: int) -> None:
    rng = random.Random(seed)
    made = bench(seed, rig=RingRig(depth=2000), loss=0.1, delay_s=0.1, repeat=0.1, corrupt=0.05)
    for boot in (1, 2, 3):
        if boot > 1:
            made.run(20.0, measuring=False)  # what the rig held is delivered before it goes down
            made.rig.reboot(boot)
        for _ in range(5):
            made.run(1.0 + rng.random())
            made.restart_host()
    made.run(30.0, measuring=False)
    made.rig.take()
    made.run(30.0, measuring=False)
    for boot in (1, 2, 3):
        arrived = [sample.seq for sample in made.samples(boot)]
        assert arrived == list(range(len(arrived)))
        assert len(arrived) > 400
        assert all(sample.values == true_values(boot, sample.seq) for sample in made.samples(boot))


def test_an_outage_longer_than_the_buffer_is_one_gap_of_the_right_length() -> None:
    made = bench(1, rig=RingRig(depth=200))
    made.run(5.0)
    before = made.samples(1)[-1].seq
    made.up.loss = made.down.loss = 1.0
    made.run(10.0)  # 1,000 samples into a buffer of 200
    made.up.loss = made.down.loss = 0.0
    made.run(10.0)
    [gap] = made.gaps()
    arrived = [sample.seq for sample in made.samples(1)]
    assert gap.first_seq == arrived[arrived.index(gap.first_seq - 1)] + 1
    missing = range(gap.first_seq, gap.last_seq + 1)
    assert sorted([*arrived, *missing]) == list(range(arrived[-1] + 1))
    assert arrived == sorted(set(arrived))
    assert abs(gap.first_seq - before) <= 10
    assert 780 <= len(missing) <= 830  # 1,000 less the buffer, and what went on being overwritten meanwhile


def test_a_rig_that_ignores_requests_loses_only_the_lines_that_were_lost() -> None:
    made = bench(3, rig=RingRig(depth=100, obeys_resend=False), loss=0.02)
    made.run(60.0)
    made.up.loss = made.down.loss = 0.0
    made.run(30.0)
    arrived = [sample.seq for sample in made.samples(1)]
    missing = [seq for gap in made.gaps() for seq in range(gap.first_seq, gap.last_seq + 1)]
    assert arrived == sorted(set(arrived))
    assert sorted([*arrived, *missing]) == list(range(arrived[-1] + 1))
    assert len(missing) < 0.04 * len(arrived)  # 2 % lost, twice that allowed


def test_uptime_wraps_within_a_boot_and_nothing_notices() -> None:
    made = bench(4, rig=RingRig(first_uptime_ms=2**32 - 1000), loss=0.05)
    made.run(10.0)
    made.up.loss = made.down.loss = 0.0
    made.run(10.0)
    arrived = made.samples(1)
    assert [sample.seq for sample in arrived] == list(range(len(arrived)))
    assert arrived[0].uptime_ms > 2**31 > arrived[-1].uptime_ms
