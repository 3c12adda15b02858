"""From what the conversation delivers to entries in the journal: which boot, which time, which body.

One keeper owns the journal and the rig's clock, and is used from one thread. What `keep` has returned from is
on the disk. When nothing can be written (a full disk) it holds what it was given, in order and with the times of its
arrival, and writes it with the next call that can.

Bodies: D the value fields as sent; I, E, G and C a JSON object each (I the identity's fields, E ``code``, ``text``
and ``uptime_ms`` as sent, G ``first_seq``, ``last_seq`` and ``reason``, C ``kind``, ``seconds`` and ``sentence``). A G
entry's seq is the first missing one. Times ascend from entry to entry, but for an E's: that is its own.
"""

from __future__ import annotations

import json
import logging
from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

from logger.clock import RIG_NOTES, HostTime
from logger.conversation import BootKey, Gap, Heard, Item, StoredBoot
from logger.journal import BootRecord, Entry, Journal, JournalBlockedError
from logger.protocol import Identity, RigEvent, Sample
from logger.rig_clock import ClockNote, RigClock

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logger.clock import Stamp
    from logger.settings import RigSettings


_log = logging.getLogger(__name__)


class _Last(NamedTuple):
    """The last sample of a boot, and under which row of the boots table it stands."""

    boot_id: int
    seq: int
    rig_us: int


class Keeper:
    """Writes the conversation's items into the journal, in order."""

    def __init__(self, journal: Journal, rig: RigSettings) -> None:
        """Go on where the journal ends."""
        self._journal = journal
        self._clock = RigClock(rig.clock, rig.begin_utc, journal.newest_stamp())
        self._boots: dict[int, BootRecord] = {}
        self._items: deque[tuple[Item, HostTime]] = deque()  # with the time at which they were handed over
        self._entries: list[Entry] = []  # stamped, and not on the disk yet
        self._anchors: dict[int, Stamp] = {}  # of boots, the same
        self._last: dict[int, _Last] = {}  # of each life
        self._safe: tuple[int, int] | None = None
        self._at = HostTime(0, 0)
        self._arrived = (0.0, self._at)

    @property
    def waiting(self) -> int:
        """How many items are held because nothing could be written."""
        return len(self._items) + len(self._entries)

    def stored_boots(self) -> dict[BootKey, StoredBoot]:
        """What the conversation needs to know of the journal when the program starts."""
        stored = {}
        for record in self._journal.boots():
            last = self._journal.last_sample(record)
            if last is not None and last.seq is not None:
                stored[record.rig, record.boot] = StoredBoot(last.seq, record.channels)
        return stored

    def keep(self, items: Sequence[Item], now: HostTime) -> tuple[int, int] | None:
        """Write `items` and what was held, all or none; return life and seq of the last sample among them, now safe.

        Raises `JournalBlockedError` when nothing can be written: everything is held then, don't hand it over again.
        """
        self._items += [(item, now) for item in items]
        while self._items:
            self._take(*self._items[0])
            self._items.popleft()
        self._entries += [self._note(note, now) for note in self._clock.take_notes()]
        # where a boot's uptime lies on the time axis stands there before its first sample
        while self._anchors:
            boot_id, anchor = next(iter(self._anchors.items()))
            self._journal.anchor_boot(boot_id, anchor)
            del self._anchors[boot_id]
        self._journal.append(self._entries)
        self._entries = []
        safe, self._safe = self._safe, None
        return safe

    def forget_older_than(self, keep_days: float) -> int:
        """Let old entries go; return how many. On a full disk none: that takes room, too, and comes round again."""
        try:
            return self._journal.retention(keep_days)
        except JournalBlockedError:
            return 0

    def close(self) -> None:
        """Let the journal go."""
        self._journal.close()

    # ---------------------------------------------------------------- inside

    def _take(self, item: Item, now: HostTime) -> None:
        """Stamp one item. Only an identity writes to the journal, before anything else is done for it."""
        if isinstance(item, Gap):
            self._entries.append(self._gap(item, now))
            return
        if (item.at_s, now) != self._arrived:  # lines that were read together arrived together
            self._arrived, arrival_us = (item.at_s, now), round(item.at_s * 1e6)
            self._at = HostTime(arrival_us, arrival_us + now.utc_us - now.monotonic_us)
        at = self._at
        record = item.record
        if isinstance(record, Sample):
            self._entries.append(self._sample(record, item.life, at))
            self._safe = item.life, record.seq
        elif isinstance(record, Identity):
            self._entries.append(self._identity(record, item, at))
        else:
            self._entries.append(self._event(record, item.life, at))

    def _identity(self, identity: Identity, item: Heard, at: HostTime) -> Entry:
        previous = self._boots.get(item.life) if item.resumed else None
        record = self._journal.note_boot(
            boot=identity.boot,
            rig=identity.rig,
            firmware=identity.firmware,
            period_ms=identity.period_ms,
            channels=identity.channels,
            resumed=item.resumed,
            anchor=None if previous is None else previous.anchor,
        )
        if previous is not None and previous.anchor not in {None, record.anchor}:
            record = replace(record, anchor=previous.anchor)  # not on the disk yet
            self._anchors[record.id] = previous.anchor
        self._boots[item.life] = record
        last = self._last.get(item.life) or self._stored_last(record)
        uptime_ms = (
            None
            if last is None or record.anchor is None
            else round((last.rig_us - record.anchor.rig_us) / 1000)
        )
        self._clock.hear_identity(
            record, identity.last_seq, at, uptime_ms, None if last is None else last.seq
        )
        if last is not None and last.boot_id != record.id:
            self._note_names(last, record, at)
        body = {
            "rig": identity.rig,
            "firmware": identity.firmware,
            "period_ms": identity.period_ms,
            "boot": identity.boot,
            "first_seq": identity.first_seq,
            "last_seq": identity.last_seq,
            "channels": identity.channels,
        }
        return self._aside("I", record.id, None, at, body)

    def _sample(self, sample: Sample, life: int, at: HostTime) -> Entry:
        record = self._boots[life]
        stamp = self._clock.stamp(sample.uptime_ms, at, sample.seq)
        self._last[life] = _Last(record.id, sample.seq, stamp.rig_us)
        if record.anchor is not self._clock.anchor:
            self._anchor(life, record)
        return Entry(0, "D", record.id, sample.seq, stamp.rig_us, stamp.utc_us, sample.body)

    def _event(self, event: RigEvent, life: int, at: HostTime) -> Entry:
        record = self._boots[life]
        stamp = self._clock.stamp_event(event.uptime_ms, at)
        body = _json({"code": event.code, "text": event.text, "uptime_ms": event.uptime_ms})
        return Entry(0, "E", record.id, None, stamp.rig_us, stamp.utc_us, body)

    def _anchor(self, life: int, record: BootRecord) -> None:
        anchor = self._clock.anchor
        if anchor is not None:
            self._anchors[record.id] = anchor
            self._boots[life] = replace(record, anchor=anchor)

    def _stored_last(self, record: BootRecord) -> _Last | None:
        entry = self._journal.last_sample(record)
        if entry is None or entry.boot_id is None or entry.seq is None:
            return None
        return _Last(entry.boot_id, entry.seq, entry.rig_us)

    def _note_names(self, last: _Last, record: BootRecord, at: HostTime) -> None:
        """A boot goes on under other names: from which sample on, for whoever reads the journal."""
        before = next(boot for boot in self._journal.boots() if boot.id == last.boot_id)
        changed = [
            f"{what} {', '.join(old)} became {', '.join(new)}"
            for what, old, new in (
                ("rig", (before.rig,), (record.rig,)),
                ("channels", before.channels, record.channels),
            )
            if old != new
        ]
        sentence = (
            f"the rig changed its names without a new boot number: {'; '.join(changed)}; "
            f"samples from {last.seq + 1} on stand under the new ones"
        )
        self._entries.append(self._note(ClockNote("names", 0.0, sentence), at))

    def _gap(self, gap: Gap, now: HostTime) -> Entry:
        body = {"first_seq": gap.first_seq, "last_seq": gap.last_seq, "reason": gap.reason}
        record = self._boots.get(gap.life)
        return self._aside("G", None if record is None else record.id, gap.first_seq, now, body)

    def _note(self, note: ClockNote, now: HostTime) -> Entry:
        if note.kind in RIG_NOTES:
            _log.warning("%s", note.sentence)
        body = {"kind": note.kind, "seconds": note.seconds, "sentence": note.sentence}
        return self._aside("C", None, None, now, body)

    def _aside(
        self, kind: str, boot_id: int | None, seq: int | None, at: HostTime, body: dict[str, Any]
    ) -> Entry:
        stamp = self._clock.aside(at)
        return Entry(0, kind, boot_id, seq, stamp.rig_us, stamp.utc_us, _json(body))


def _json(body: dict[str, Any]) -> str:
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"))
