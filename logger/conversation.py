"""The conversation with one rig: who is it, which samples are wanted next, what may it forget.

A pure state machine. It is told what is heard, what has been committed and what time it is (monotonic
seconds); it answers with items for the journal and commands for the rig. It holds no port, no clock and no
file, so that two of its kind can be joined by any transport in a test.

The rules, in short:

- Nothing is taken from a rig before its identity has been heard since the line was opened. Samples that come
  earlier are kept for a moment and looked at then.
- A known boot goes on after the last sample in the journal; a new one begins with what the rig still holds.
- Samples are acknowledged only after `committed`.
- The boot number of a known boot under which the rig holds less than the journal already has is a boot of its
  own, once the rig has said so twice: a single such identity may be an old line that was late.
- Other names under a known boot number are the same boot, with the new names from the wanted sample on, if what the rig
  holds fits what was said to be safe; else it is another rig, or a number used twice, and a boot of its own.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logger.ordering import OVERWRITTEN, BootSamples, Counters, Gap, Heard, Item, Limits, Outbox
from logger.protocol import (
    Acknowledge,
    HostCommand,
    Identify,
    Identity,
    RigEvent,
    RigRecord,
    Sample,
    SetPeriod,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["BootKey", "Conversation", "Counters", "Gap", "Heard", "Item", "Limits", "StoredBoot"]

_SAID_TWICE_S = 0.2
"""Two identities nearer than this may be the same line, delivered twice."""
_PERIOD_TRIES = 3
_LIVES_KEPT = 64

BootKey = tuple[str, int]
"""A rig's name and its boot number."""


@dataclass(frozen=True, slots=True)
class StoredBoot:
    """What the journal holds of a boot, at the start of the program."""

    last_seq: int
    channels: tuple[str, ...]


class Conversation:
    """Follows one rig through its boots and through losses of the line."""

    def __init__(
        self,
        stored: Mapping[BootKey, StoredBoot] | None = None,
        *,
        period_ms: int | None = None,
        limits: Limits | None = None,
    ) -> None:
        """Go on from `stored`; ask the rig for `period_ms` unless it is None."""
        self._stored = dict(stored or {})
        self._period_ms = period_ms
        self._limits = limits or Limits()
        self._out = Outbox()
        self._lives: dict[BootKey, BootSamples] = {}
        self._safe: dict[int, int] = {}
        self._life_count = 0
        self._current: BootSamples | None = None
        self._open = False
        self._identified = False
        self._early: deque[tuple[Sample, float]] = deque(maxlen=self._limits.hold)
        self._early_events: deque[tuple[RigEvent, float]] = deque(maxlen=64)
        self._recent_events: deque[RigEvent] = deque(maxlen=64)
        self._begins: deque[int] = deque(maxlen=64)
        """Where the buffer of the rig that is followed may begin, by what it said and what it was told is safe."""
        self._ask_due_s = 0.0
        self._ask_wait_s = self._limits.ask_s
        self._wondering = False
        self._doubt_s: float | None = None
        self._heard_s = 0.0
        self._probe_s = 0.0
        self._acknowledge_due: int | None = None
        self._acknowledged_s = -1e9
        self._period_tries = 0

    # ---------------------------------------------------------------- what is told to it

    def opened(self, now_s: float) -> None:
        """The line has been opened."""
        self._open = True
        self._identified = False
        self._wondering = False
        self._doubt_s = None
        self._heard_s = self._probe_s = now_s
        self._ask_wait_s = self._limits.ask_s
        self._period_tries = 0
        self._early.clear()
        if self._current is not None:
            self._current.restart_repair()
        self._ask(now_s)

    def closed(self) -> None:
        """The line is gone; what was heard stays."""
        self._open = False
        self._identified = False

    def hear(self, record: RigRecord, now_s: float) -> None:
        """Take a record that arrived."""
        self._heard_s = now_s
        if isinstance(record, Sample):
            current = self._current
            if self._identified and current is not None and record.boot == current.identity.boot:
                current.hear(record, now_s)
            else:
                self._early.append((record, now_s))
                self._ask_soon(now_s)
        elif isinstance(record, Identity):
            self._hear_identity(record, now_s)
        else:
            self._hear_event(record, now_s)

    def committed(self, life: int, seq: int, now_s: float) -> None:
        """Samples of `life` up to `seq` are on disk."""
        self._safe[life] = max(seq, self._safe.get(life, -1))
        if self._current is not None and life == self._current.life:
            self._acknowledge_due = self._safe[life]
            self._acknowledge(now_s)

    def tick(self, now_s: float) -> None:
        """Let time pass."""
        if not self._open:
            return
        unsure = not self._identified or self._wondering or self._doubt_s is not None
        if unsure and now_s >= self._ask_due_s:
            self._ask(now_s)
        if self._identified and self._current is not None:
            self._current.tick(now_s)
        if now_s - max(self._heard_s, self._probe_s) >= self._limits.probe_s:
            self._probe_s = now_s
            self._question()
        self._acknowledge(now_s)

    def finish(self, now_s: float) -> None:
        """The program ends: say what is only remembered, acknowledge what is safe at once."""
        if self._current is not None:
            self._current.flush()
        self._acknowledged_s = -1e9
        self._acknowledge(now_s)

    # ---------------------------------------------------------------- what it answers

    def take_items(self) -> list[Item]:
        """Items for the journal since the last call, in order."""
        items, self._out.items = self._out.items, []
        return items

    @property
    def items_waiting(self) -> int:
        """How many items `take_items` would give."""
        return len(self._out.items)

    def take_commands(self) -> list[HostCommand]:
        """Commands for the rig since the last call, in order."""
        commands, self._out.commands = self._out.commands, []
        return commands

    @property
    def counters(self) -> Counters:
        """A copy of the counters."""
        return replace(self._out.counters)

    @property
    def identity(self) -> Identity | None:
        """Who is at the other end, once it has said so on the line that is open."""
        return self._current.identity if self._identified and self._current is not None else None

    @property
    def unidentified_samples(self) -> int:
        """Samples that wait for the rig to say who it is."""
        return len(self._early)

    # ---------------------------------------------------------------- identities

    def _hear_identity(self, identity: Identity, now_s: float) -> None:
        known = self._lives.get(_key(identity)) or self._renamed(identity)
        stored = self._stored.get(_key(identity))
        if known is not None:
            same_boot = self._goes_on(known, identity)
            holds_less = identity.last_seq < known.wanted - 1
        elif stored is not None:
            # who holds the first sample again, which it was told is safe, has begun anew
            same_boot = identity.channels == stored.channels or identity.first_seq > 0
            holds_less = identity.last_seq < stored.last_seq
        else:
            same_boot, holds_less = False, False
        steps_back = holds_less or (known is not None and known is not self._current)
        if same_boot and steps_back and not self._said_twice(now_s):
            return
        self._doubt_s = None
        self._wondering = False
        if not same_boot or holds_less:
            # What a rig took before it was ever logged is not missing; what it took since then is.
            logged_before = any(rig == identity.rig for rig, _ in (*self._stored, *self._lives))
            fresh = self._new_life(identity, 0 if logged_before else identity.first_seq)
            self._follow(fresh, identity, now_s, resumed=False)
        elif known is not None:
            self._lives[_key(identity)] = known
            self._follow(known, identity, now_s, resumed=True)
        elif stored is not None:
            life = self._new_life(identity, stored.last_seq + 1)
            self._safe[life.life] = stored.last_seq
            self._follow(life, identity, now_s, resumed=True)

    def _renamed(self, identity: Identity) -> BootSamples | None:
        """The boot that is followed, if this is its rig under another name and not another rig with the same number."""
        life = self._current
        if life is None or identity.boot != life.identity.boot or identity.last_seq < life.wanted - 1:
            return None
        if identity.first_seq > life.wanted:
            return life if self._identified else None  # what it lost meanwhile is a gap
        # where its buffer begins is our own doing
        return life if identity.first_seq in self._begins else None

    def _goes_on(self, life: BootSamples, identity: Identity) -> bool:
        if identity.channels == life.identity.channels:
            return True
        listening = self._identified and life is self._current
        return listening or identity.first_seq > 0 or life.life not in self._safe

    def _said_twice(self, now_s: float) -> bool:
        if self._doubt_s is None:
            self._doubt_s = now_s
            self._ask_wait_s = max(self._limits.ask_s, _SAID_TWICE_S)
            self._ask(now_s)
            return False
        return now_s - self._doubt_s >= _SAID_TWICE_S

    def _new_life(self, identity: Identity, wanted: int) -> BootSamples:
        self._life_count += 1
        life = BootSamples(self._life_count, identity, wanted, self._out, self._limits)
        self._lives[_key(identity)] = life
        if len(self._lives) > _LIVES_KEPT:
            self._forget(next(key for key, old in self._lives.items() if old not in {life, self._current}))
        return life

    def _forget(self, key: BootKey) -> None:
        life = self._lives.pop(key)
        self._safe.pop(life.life, None)
        self._stored[key] = StoredBoot(life.wanted - 1, life.identity.channels)

    def _follow(self, life: BootSamples, identity: Identity, now_s: float, *, resumed: bool) -> None:
        first_of_session = not self._identified
        changed = _without_range(identity) != _without_range(life.identity)
        if life is not self._current:
            if self._current is not None:
                self._current.end(now_s)
            self._current = life
            self._begins.clear()
            self._period_tries = 0
            self._acknowledge_due = None
            self._recent_events.clear()
        if changed and resumed and identity.channels != life.identity.channels:
            life.rename(identity)
        life.identity = identity
        self._begins.append(identity.first_seq)
        self._identified = True
        self._ask_wait_s = self._limits.ask_s
        self._ask_due_s = now_s
        if first_of_session or changed or not resumed:
            self._out.items.append(Heard(identity, life.life, now_s, resumed))
        if identity.first_seq > life.wanted:
            life.give_up(identity.first_seq, OVERWRITTEN, now_s)
        if identity.last_seq >= life.wanted and not life.repairing:
            life.request(now_s)
        safe = self._safe.get(life.life, -1)
        if safe >= identity.first_seq:
            # the rig still holds what is safe: the acknowledgement was lost
            self._acknowledge_due = safe
            self._acknowledge(now_s)
        self._set_period(identity)
        self._look_at_early(life)

    def _look_at_early(self, life: BootSamples) -> None:
        boot = life.identity.boot
        while self._early:
            sample, at_s = self._early.popleft()
            if sample.boot == boot:
                life.hear(sample, at_s)
            else:
                self._out.counters.strays += 1
        events = list(self._early_events)
        self._early_events.clear()
        for event, at_s in events:
            if event.boot == boot:
                self._hear_event(event, at_s)
            else:
                self._out.counters.strays += 1

    # ---------------------------------------------------------------- events, questions, acknowledgements

    def _hear_event(self, event: RigEvent, now_s: float) -> None:
        if not self._identified or self._current is None:
            self._early_events.append((event, now_s))
            self._ask_soon(now_s)
        elif event.boot != self._current.identity.boot:
            # one of a boot that isn't followed yet waits for its identity, one of an old boot is late
            if any(boot == event.boot for _, boot in self._lives):
                self._out.counters.strays += 1
            else:
                self._early_events.append((event, now_s))
                self._ask_soon(now_s)
        elif event in self._recent_events:
            self._out.counters.duplicates += 1
        else:
            self._recent_events.append(event)
            self._out.items.append(Heard(event, self._current.life, now_s))

    def _ask_soon(self, now_s: float) -> None:
        """Ask for the identity, unless that was done a moment ago."""
        self._wondering = True
        if now_s >= self._ask_due_s:
            self._ask(now_s)

    def _ask(self, now_s: float) -> None:
        self._ask_due_s = now_s + self._ask_wait_s
        self._ask_wait_s = min(2 * self._ask_wait_s, self._limits.patience_s)
        self._question()

    def _question(self) -> None:
        self._out.counters.questions += 1
        self._out.commands.append(Identify())

    def _acknowledge(self, now_s: float) -> None:
        due = self._acknowledge_due
        if due is None or not self._identified or self._current is None:
            return
        if now_s - self._acknowledged_s >= self._limits.acknowledge_s:
            self._out.commands.append(Acknowledge(self._current.identity.boot, due))
            self._begins.append(due + 1)
            self._acknowledge_due = None
            self._acknowledged_s = now_s

    def _set_period(self, identity: Identity) -> None:
        period_ms = self._period_ms
        if period_ms is None or period_ms == identity.period_ms or self._period_tries >= _PERIOD_TRIES:
            return
        self._period_tries += 1
        self._out.commands += [SetPeriod(period_ms), Identify()]


def _key(identity: Identity) -> BootKey:
    return identity.rig, identity.boot


def _without_range(identity: Identity) -> Identity:
    return replace(identity, first_seq=0, last_seq=-1)
