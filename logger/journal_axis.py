"""A time axis that an event has spoilt, put right as a journal is read.

Before events had a time of their own, one that was heard between older samples carried the axis with it: each sample
after it stands a microsecond behind the one before, until the samples had caught up with the event. What such an event's
entry lacks is the uptime in its body; all that is read here has to do with those.

The samples' own times are still there. With the host's clock a label is the sample's uptime and one offset, the same for
the event and for the samples behind it, so label and rig time of the event tell the rig time of each. With the rig's own
clock the labels went along, and samples are counted on from the last good one by the period. Where neither
can be, or the two contradict the event, reading is refused.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from logger.journal_schema import (
    SELECT_BOOTS,
    SELECT_ENTRIES,
    BootRecord,
    Entry,
    JournalError,
    checked_boots,
    checked_entries,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

Rows = Callable[[str, tuple[object, ...]], list[tuple[Any, ...]]]
"""Runs a statement of ours with these values."""

_BESIDE = f"{SELECT_ENTRIES} WHERE kind IN ('D', 'E') AND id <= ? ORDER BY id DESC LIMIT 1"
_EVENT = f"{SELECT_ENTRIES} WHERE kind = 'E' AND id <= ? ORDER BY id DESC LIMIT 1"
_SAMPLE = f"{SELECT_ENTRIES} WHERE kind = 'D' AND id <= ? ORDER BY id DESC LIMIT 1"
_SLACK_us = 1_000_000
"""By so much a host's clock may have been disciplined while a backlog came in; more means that it was set."""
_JITTER_us = 100_000
"""Less than this between two samples is how the rig took them; more, and no whole jump, is a label that moved."""


class Axis:
    """Puts entries right in the order in which they are read, wherever the reading begins."""

    def __init__(self, path: Path, rows: Rows) -> None:
        """`rows` reads the journal `path`, for what stands before the first entry that is put right."""
        self._path, self._rows = path, rows
        self._at = 0
        self._event: Entry | None = None
        """The event that the samples stand behind."""
        self._last: Entry | None = None
        """The last sample, put right."""
        self._pace_us: float | None = None
        self._shift_us = 0
        """By how much labels behind the event are later than the event's own."""

    def put_right(self, entries: Sequence[Entry], after: int) -> list[Entry]:
        """Entries that follow entry `after`, with their own rig times; raises JournalError where they can't be known."""
        if after != self._at:
            self._go_to(after)
        if entries:
            self._at = entries[-1].id
        if self._event is None and not any(entry.kind == "E" and _spoils(entry) for entry in entries):
            self._last = next((entry for entry in reversed(entries) if entry.kind == "D"), self._last)
            return list(entries)
        return [self._one(entry) for entry in entries]

    def _go_to(self, after: int) -> None:
        """Find the event whose stretch goes on behind entry `after`, if there is one, and the last good sample."""
        self._event = self._last = self._pace_us = None
        self._at = after
        newest = self._entry(_BESIDE, after)
        if newest is None:
            return
        before = self._entry(_BESIDE, newest.id - 1)
        if newest.kind == "D" and (before is None or newest.rig_us - before.rig_us != 1):
            self._last = newest
            return
        event = self._entry(_EVENT, newest.id)
        while event is not None and (event.id == newest.id or _is_behind(newest, event)):
            if _spoils(event):
                self._event, self._shift_us = event, 0
            event = self._entry(_EVENT, event.id - 1)
        if self._event is None:
            self._last = self._entry(_SAMPLE, after)
            return
        self._last = self._entry(_SAMPLE, self._event.id)
        for row in checked_entries(
            self._rows(f"{SELECT_ENTRIES} WHERE id > ? AND id <= ? ORDER BY id", (self._event.id, after)),
            self._path,
        ):
            self._one(row)

    def _entry(self, statement: str, up_to: int) -> Entry | None:
        return next(iter(checked_entries(self._rows(statement, (up_to,)), self._path)), None)

    def _boot(self, entry: Entry) -> BootRecord:
        rows = self._rows(f"{SELECT_BOOTS} WHERE id = ?", (entry.boot_id,))
        return checked_boots(rows, self._path)[0]

    def _one(self, entry: Entry) -> Entry:
        if entry.kind not in {"D", "E"}:
            return entry
        event = self._event
        if event is not None and _is_behind(entry, event):
            entry = entry._replace(rig_us=self._own_time_us(entry, event))
        elif _spoils(entry):
            self._event, self._shift_us = entry, 0
        elif entry.kind == "D":
            self._event = None
        if entry.kind == "D":
            last, self._last = self._last, entry
            self._pace_us = _pace_us(last, entry)
        return entry

    def _own_time_us(self, entry: Entry, event: Entry) -> int:
        last = self._last if self._last is not None and self._last.boot_id == entry.boot_id else None
        offset_us = event.utc_us - event.rig_us
        if entry.utc_us - entry.rig_us == offset_us:
            return self._counted_us(entry, event, last)
        rig_us = entry.utc_us - offset_us - self._shift_us
        boot = self._boot(entry)
        if entry.kind == "D" and last is not None and last.seq is not None and entry.seq is not None:
            paces_us = [boot.period_ms * 1000.0, *([] if self._pace_us is None else [self._pace_us])]
            count, step_us = entry.seq - last.seq, rig_us - last.rig_us
            over_us = min([step_us - round(pace_us * count) for pace_us in paces_us], key=abs)
            if abs(over_us) > _JITTER_us:
                # the first one may be shifted against the event, which was late and has moved the labels, too
                if abs(over_us) > _SLACK_us and last.id > event.id:
                    raise self._refusal(entry, event)
                self._shift_us += over_us
                rig_us -= over_us
            rig_us = max(rig_us, last.rig_us + 1)
        if boot.anchor is not None:
            # an uptime has whole milliseconds
            rig_us = boot.anchor.rig_us + round((rig_us - boot.anchor.rig_us) / 1000) * 1000
        if entry.kind == "D" and rig_us > event.rig_us + _SLACK_us:
            raise self._refusal(entry, event)
        return rig_us

    def _counted_us(self, entry: Entry, event: Entry, last: Entry | None) -> int:
        """Rig time by the number of periods since the last sample: the labels were made from the spoilt axis."""
        if entry.kind == "E" or last is None or last.seq is None or entry.seq is None:
            return entry.rig_us  # the first of its boot: nothing denies the place where it stands
        period_ms = self._boot(entry).period_ms
        rig_us = last.rig_us + (entry.seq - last.seq) * period_ms * 1000
        if rig_us > event.rig_us + _SLACK_us:
            raise self._refusal(entry, event)
        return rig_us

    def _refusal(self, entry: Entry, event: Entry) -> JournalError:
        return JournalError(
            self._path,
            f"an event of the rig (entry {event.id}) has moved the samples behind it, and their own times can't be told: "
            f"entry {entry.id} contradicts them. What lies before or behind can be read: begin or end a soak there",
        )


def put_right(path: Path, rows: Rows, entry: Entry) -> Entry:
    """One entry of a journal, with its own rig time."""
    if entry.kind not in {"D", "E"}:
        return entry
    axis = Axis(path, rows)
    return axis.put_right([entry], entry.id - 1)[0]


def _spoils(entry: Entry) -> bool:
    """Whether an entry is an event that has moved what came behind it."""
    return entry.kind == "E" and '"uptime_ms":' not in entry.body


def _is_behind(entry: Entry, event: Entry) -> bool:
    """Whether an entry stands behind an event by microseconds that only count the entries."""
    return entry.boot_id == event.boot_id and 0 < entry.rig_us - event.rig_us <= entry.id - event.id


def _pace_us(last: Entry | None, entry: Entry) -> float | None:
    if last is None or last.boot_id != entry.boot_id or last.seq is None or entry.seq is None:
        return None
    return (entry.rig_us - last.rig_us) / max(entry.seq - last.seq, 1)
