"""The samples of one boot of the rig, put in order: each once, what is missing asked for, what is lost said.

A pure state machine; time is passed in as monotonic seconds. `logger.conversation` keeps one of these for the
boot it follows.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from logger.protocol import HostCommand, Identify, Identity, Resend, RigRecord, Sample


class Heard(NamedTuple):
    """Something for the journal, in the order in which it shall stand there."""

    record: RigRecord
    life: int
    """Which boot it belongs to, counted by the conversation: never used twice, as the rig's number may be."""
    at_s: float
    """Monotonic time of arrival."""
    resumed: bool = False
    """Of an identity: the boot was known before, its samples continue those in the journal."""


class Gap(NamedTuple):
    """Samples that will never come, both ends included."""

    boot: int
    first_seq: int
    last_seq: int
    reason: str
    life: int


Item = Heard | Gap

OVERWRITTEN = "overwritten in the rig"
NOT_SENT_AGAIN = "not sent again by the rig"
REBOOTED = "rig restarted"
VALUE_COUNT = "number of values is not that of the channels"


@dataclass(frozen=True, slots=True)
class Limits:
    """How patient the host is. Durations in seconds."""

    ask_s: float = 0.5
    """First interval between two questions for the identity; doubles up to `patience_s`."""
    retry_s: float = 0.5
    """First wait for a sample asked for; grows by half up to `patience_s`."""
    patience_s: float = 5.0
    between_resends_s: float = 0.1
    """However clear it is that a sample was lost, not more than one request in this time."""
    unanswered_tries: int = 6
    """Requests after which a rig that shows no sign of sending again is believed not to do it."""
    tries: int = 50
    """Requests after which a sample is given up even if the rig does send again (but never that one)."""
    hold: int = 4096
    """Samples ahead of the missing one that are kept; the rest must come again."""
    acknowledge_s: float = 0.25
    probe_s: float = 5.0
    """Silence after which the rig is asked for its identity, to tell a slow rig from a dead line."""
    skip_s: float = 60.0
    """A run of refused samples is written down as a gap at the latest after this time."""


@dataclass(slots=True)
class Counters:
    """What the conversation met with, for the log and the tests."""

    samples: int = 0
    duplicates: int = 0
    strays: int = 0
    """Samples of a boot that is not (or no longer) followed."""
    value_count: int = 0
    not_held: int = 0
    resends: int = 0
    questions: int = 0
    gaps: int = 0
    missing: int = 0
    """Samples in those gaps."""

    def words(self, line_faults: str, overlong: int) -> str:
        """A line for the log, with what the line itself had to do with it."""
        return (
            f"{self.samples} samples stored, {self.missing} missing in {self.gaps} gaps; line faults: {line_faults}; "
            f"overlong: {overlong}; resends asked for: {self.resends}, duplicates: {self.duplicates}, "
            f"wrong number of values: {self.value_count}"
        )


@dataclass(slots=True)
class Outbox:
    """What a state machine wants done: items to store, commands to send."""

    items: list[Item] = field(default_factory=list)
    commands: list[HostCommand] = field(default_factory=list)
    counters: Counters = field(default_factory=Counters)


@dataclass(slots=True)
class _Repair:
    """The wanted sample did not come and was asked for."""

    due_s: float
    wait_s: float
    sent_s: float
    tries: int = 0
    answered: bool = False


class BootSamples:
    """In-order delivery of one boot's samples, each once, into an outbox."""

    def __init__(self, life: int, identity: Identity, wanted: int, outbox: Outbox, limits: Limits) -> None:
        """Follow the boot of `identity` from the sample `wanted` on."""
        self.life = life
        self.identity = identity
        self.wanted = wanted
        self._width = len(identity.channels)
        self._out = outbox
        self._limits = limits
        self._held: dict[int, tuple[Sample, float]] = {}
        self._repair: _Repair | None = None
        self._previous = wanted - 1
        self._obeys_resend = True
        self._skipped: tuple[int, int, float] | None = None

    @property
    def repairing(self) -> bool:
        """Whether a sample was asked for and hasn't come yet."""
        return self._repair is not None

    def hear(self, sample: Sample, now_s: float) -> None:
        """Take a sample as it arrives, of this boot, in any order."""
        seq = sample.seq
        if seq == self.wanted:
            if sample.width == self._width:
                self._deliver(sample, now_s)
            else:
                self._skip(seq, now_s)
            if self._held or self._repair is not None:
                self._settle(now_s)
        elif seq < self.wanted:
            self._out.counters.duplicates += 1
        else:
            self._hear_ahead(sample, now_s)
        self._previous = seq

    def request(self, now_s: float) -> None:
        """Ask for everything from the wanted sample on."""
        if self._repair is None:
            self._repair = _Repair(due_s=0.0, wait_s=self._limits.retry_s, sent_s=now_s)
        repair = self._repair
        repair.tries += 1
        repair.sent_s = now_s
        repair.due_s = now_s + repair.wait_s
        repair.wait_s = min(repair.wait_s * 1.5, self._limits.patience_s)
        self._out.counters.resends += 1
        self._out.commands.append(Resend(self.identity.boot, self.wanted))
        if repair.tries > 1:
            # the rig may no longer have it: its identity says what it holds
            self._out.commands.append(Identify())

    def rename(self, identity: Identity) -> None:
        """The boot goes on under other names: what was sent under the old ones and isn't delivered must come again."""
        self.identity = identity
        self._width = len(identity.channels)
        self._held.clear()
        self.restart_repair()

    def restart_repair(self) -> None:
        """The line was opened again: a request sent before may never have arrived."""
        self._repair = None
        self._previous = self.wanted - 1

    def tick(self, now_s: float) -> None:
        """Let time pass: ask again, or give up."""
        if self._skipped is not None and now_s - self._skipped[2] >= self._limits.skip_s:
            self._write_skipped()
        repair = self._repair
        if repair is None or now_s < repair.due_s:
            return
        if self._held and self._hopeless(repair):
            self._obeys_resend = self._obeys_resend and repair.answered
            self._repair = None
            self.give_up(min(self._held), NOT_SENT_AGAIN, now_s)
        else:
            self.request(now_s)

    def give_up(self, before: int, reason: str, now_s: float) -> None:
        """Stop waiting for samples before `before`: deliver those held, name the others as gaps."""
        while self.wanted < before:
            if self.wanted in self._held:
                self._deliver(*self._held.pop(self.wanted))
                continue
            last = min([before, *(seq for seq in self._held if seq > self.wanted)]) - 1
            self._write_skipped()
            self._write_gap(self.wanted, last, reason)
            self.wanted = last + 1
        self._settle(now_s)

    def end(self, now_s: float) -> None:
        """The rig has left this boot: nothing of it will come any more."""
        if self._held:
            self.give_up(max(self._held) + 1, REBOOTED, now_s)
        self._repair = None
        self._write_skipped()

    def flush(self) -> None:
        """Write down what is only remembered, before the program ends."""
        self._write_skipped()

    # ---------------------------------------------------------------- inside

    def _hear_ahead(self, sample: Sample, now_s: float) -> None:
        if sample.width != self._width:
            self._out.counters.value_count += 1
        elif sample.seq in self._held:
            self._out.counters.duplicates += 1
        elif len(self._held) < self._limits.hold:
            self._held[sample.seq] = (sample, now_s)
        else:
            self._out.counters.not_held += 1
        went_back = sample.seq <= self._previous
        if went_back and self._repair is not None:
            self._repair.answered = True
            self._obeys_resend = True
        # Only a stream that jumped over the wanted sample, or went back but not to it, has lost it; one that
        # merely runs on may still hold the answer to a request.
        if self._previous < self.wanted or went_back or self._repair is None:
            self._hurry(now_s)

    def _hurry(self, now_s: float) -> None:
        repair = self._repair
        if repair is None:
            self.request(now_s)
        elif now_s - repair.sent_s < self._limits.between_resends_s:
            repair.due_s = min(repair.due_s, repair.sent_s + self._limits.between_resends_s)
        elif not self._hopeless(repair):
            self.request(now_s)

    def _hopeless(self, repair: _Repair) -> bool:
        if repair.answered:
            return repair.tries >= self._limits.tries
        return repair.tries >= (self._limits.unanswered_tries if self._obeys_resend else 2)

    def _settle(self, now_s: float) -> None:
        """The wanted sample has moved on: deliver what follows, and see whether another one is missing."""
        while self.wanted in self._held:
            self._deliver(*self._held.pop(self.wanted))
        if not self._held:
            self._repair = None
            return
        # The samples of the next hole are probably on their way: wait before asking.
        self._repair = _Repair(now_s + self._limits.retry_s, self._limits.retry_s, sent_s=now_s)

    def _deliver(self, sample: Sample, at_s: float) -> None:
        if self._skipped is not None:
            self._write_skipped()
        self.wanted = sample.seq + 1
        self._out.counters.samples += 1
        self._out.items.append(Heard(sample, self.life, at_s))

    def _skip(self, seq: int, now_s: float) -> None:
        """Pass over a sample that the rig really sent like this: sending it again wouldn't mend it."""
        self._out.counters.value_count += 1
        first, since_s = (seq, now_s) if self._skipped is None else (self._skipped[0], self._skipped[2])
        self._skipped = (first, seq, since_s)
        self.wanted = seq + 1

    def _write_skipped(self) -> None:
        if self._skipped is not None:
            first, last, _ = self._skipped
            self._skipped = None
            self._write_gap(first, last, VALUE_COUNT)

    def _write_gap(self, first: int, last: int, reason: str) -> None:
        self._out.counters.gaps += 1
        self._out.counters.missing += last - first + 1
        self._out.items.append(Gap(self.identity.boot, first, last, reason, self.life))
