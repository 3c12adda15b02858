"""From what the conversation delivers to entries in the journal: which boot, which time, which body.

One keeper owns the journal and the rig's clock, and is used from one thread. What `keep` has returned from is
on the disk.

Bodies: D the value fields as sent; I, E, G and C a JSON object each (I the identity's fields, E ``code`` and
``text``, G ``first_seq``, ``last_seq`` and ``reason``, C ``kind``, ``seconds`` and ``sentence``). A G entry's
seq is the first missing one.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from logger.clock import ClockNote, HostTime, RigClock
from logger.conversation import BootKey, Gap, Heard, Item, StoredBoot
from logger.journal import BootRecord, Entry, Journal
from logger.protocol import Identity, RigEvent, Sample

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logger.settings import RigSettings


class Keeper:
    """Writes the conversation's items into the journal, in order."""

    def __init__(self, journal: Journal, rig: RigSettings) -> None:
        """Go on where the journal ends."""
        self._journal = journal
        self._clock = RigClock(rig.clock, rig.begin_utc, journal.newest_stamp())
        self._boots: dict[int, BootRecord] = {}

    def stored_boots(self) -> dict[BootKey, StoredBoot]:
        """What the conversation needs to know of the journal when the program starts."""
        stored = {}
        for record in self._journal.boots():
            last_seq = self._journal.last_seq(record.id)
            if last_seq is not None:
                stored[record.rig, record.boot] = StoredBoot(last_seq, record.channels)
        return stored

    def keep(self, items: Sequence[Item], now: HostTime) -> tuple[int, int] | None:
        """Write `items`, all or none; return life and seq of the last sample among them, now safe."""
        entries: list[Entry] = []
        safe: tuple[int, int] | None = None
        wall_us = now.utc_us - now.monotonic_us
        at_s, at = 0.0, HostTime(0, wall_us)
        for item in items:
            if isinstance(item, Gap):
                entries.append(self._gap(item, now))
                continue
            if item.at_s != at_s:  # lines that were read together arrived together
                at_s, arrival_us = item.at_s, round(item.at_s * 1e6)
                at = HostTime(arrival_us, arrival_us + wall_us)
            record = item.record
            if isinstance(record, Sample):
                entries.append(self._sample(record, item.life, at))
                safe = item.life, record.seq
            elif isinstance(record, Identity):
                entries.append(self._identity(record, item, at))
            else:
                entries.append(self._event(record, item.life, at))
        entries += [self._note(note, now) for note in self._clock.take_notes()]
        self._journal.append(entries)
        return safe

    def forget_older_than(self, keep_days: float) -> int:
        """Let old entries go; return how many."""
        return self._journal.retention(keep_days)

    def close(self) -> None:
        """Let the journal go."""
        self._journal.close()

    # ---------------------------------------------------------------- inside

    def _identity(self, identity: Identity, item: Heard, at: HostTime) -> Entry:
        record = self._boots.get(item.life) if item.resumed else None
        known = record is not None
        record = self._journal.note_boot(
            boot=identity.boot,
            rig=identity.rig,
            firmware=identity.firmware,
            period_ms=identity.period_ms,
            channels=identity.channels,
            resumed=item.resumed,
        )
        self._boots[item.life] = record
        uptime_ms = None if known else self._journal.last_uptime_ms(record)
        self._clock.hear_identity(record, identity.last_seq, at, uptime_ms)
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
        if record.anchor is None:
            self._anchor(life, record)
        return Entry(0, "D", record.id, sample.seq, stamp.rig_us, stamp.utc_us, sample.body)

    def _event(self, event: RigEvent, life: int, at: HostTime) -> Entry:
        record = self._boots[life]
        stamp = self._clock.stamp(event.uptime_ms, at)
        if record.anchor is None:
            self._anchor(life, record)
        body = _json({"code": event.code, "text": event.text})
        return Entry(0, "E", record.id, None, stamp.rig_us, stamp.utc_us, body)

    def _anchor(self, life: int, record: BootRecord) -> None:
        """Write down where the boot's uptime lies on the time axis, before its first sample."""
        anchor = self._clock.anchor
        if anchor is not None:
            self._journal.anchor_boot(record.id, anchor)
            self._boots[life] = BootRecord(
                record.id,
                record.boot,
                record.rig,
                record.firmware,
                record.period_ms,
                record.channels,
                anchor,
                record.first_entry,
            )

    def _gap(self, gap: Gap, now: HostTime) -> Entry:
        body = {"first_seq": gap.first_seq, "last_seq": gap.last_seq, "reason": gap.reason}
        record = self._boots.get(gap.life)
        return self._aside("G", None if record is None else record.id, gap.first_seq, now, body)

    def _note(self, note: ClockNote, now: HostTime) -> Entry:
        body = {"kind": note.kind, "seconds": note.seconds, "sentence": note.sentence}
        return self._aside("C", None, None, now, body)

    def _aside(
        self, kind: str, boot_id: int | None, seq: int | None, at: HostTime, body: dict[str, Any]
    ) -> Entry:
        stamp = self._clock.aside(at)
        return Entry(0, kind, boot_id, seq, stamp.rig_us, stamp.utc_us, _json(body))


def _json(body: dict[str, Any]) -> str:
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"))
