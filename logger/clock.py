"""Time: the one place that reads the host's clocks, and the clock that makes a rig's uptime a time axis.

Two times stand beside each entry of a journal. `rig_us` is one continuous axis in microseconds: within a boot
it is the rig's own uptime, moved by a constant, so that a wall clock that is set, or steps by a day, changes
no interval and no rate. `utc_us` is a label for people.

How a label comes about (clock = "host"): a sample can't arrive before it was taken, so the smallest
difference (host's arrival − rig's uptime) of the last while is the best estimate of the offset between the
two; samples that the rig had buffered arrive late and don't count. The wall clock is added last.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logger.journal_schema import BootRecord
    from logger.settings import ClockMode

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_STEP_us = 1_000_000
"""A wall clock that moves by more than this between two looks was set; less is ordinary disciplining."""
_WINDOW_us = 600_000_000
"""The smallest delay is taken over one to two such windows: long against jitter, short against drift."""
_WRAP_ms = 1 << 32
_MONOTONIC = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
"""Goes on while the host sleeps, where the system has such a clock."""


@dataclass(frozen=True, slots=True)
class HostTime:
    """One look at the host's clocks, µs: the monotonic one for intervals, the wall clock for labels."""

    monotonic_us: int
    utc_us: int


@dataclass(frozen=True, slots=True)
class Stamp:
    """The two times of an entry, µs."""

    rig_us: int
    utc_us: int


@dataclass(frozen=True, slots=True)
class ClockNote:
    """Something happened to the time labels; `sentence` is for people."""

    kind: str
    seconds: float
    sentence: str


def host_now() -> HostTime:
    """Read the host's clocks."""
    return HostTime(time.clock_gettime_ns(_MONOTONIC) // 1000, time.time_ns() // 1000)


def now_us() -> int:
    """The wall clock as a label, µs."""
    return time.time_ns() // 1000


def utc_now() -> datetime:
    """The wall clock, for a date in a report."""
    return utc_from_us(now_us())


def utc_from_us(utc_us: int) -> datetime:
    """A label as a datetime.

    >>> utc_from_us(1_500_000).isoformat()
    '1970-01-01T00:00:01.500000+00:00'
    """
    return _EPOCH + timedelta(microseconds=utc_us)


def us_from_utc(moment: datetime) -> int:
    """A datetime with zone as a label.

    >>> us_from_utc(utc_from_us(1_800_036_000_000_001))
    1800036000000001
    """
    return (moment - _EPOCH) // timedelta(microseconds=1)


def unwrap_ms(uptime_ms: int, previous_ms: int | None) -> int:
    """A 32-bit uptime that wraps every 49.7 days, as one that doesn't.

    `previous_ms` is the last unwrapped one of the same boot (None: none yet). The answer is the nearest one:
    up to 24.8 days may lie between the two, and a line that comes slightly out of order goes slightly back.

    >>> unwrap_ms(5, 2**32 - 10), unwrap_ms(2**32 - 20, 2**32 + 5), unwrap_ms(7, None)
    (4294967301, 4294967276, 7)
    """
    if previous_ms is None:
        return uptime_ms
    ahead = (uptime_ms - previous_ms) % _WRAP_ms
    return previous_ms + (ahead - _WRAP_ms if ahead >= _WRAP_ms // 2 else ahead)


class _SmallestDelay:
    """The smallest (arrival − uptime) of the last one to two windows."""

    def __init__(self) -> None:
        self._old: int | None = None
        self._new: int | None = None
        self._since_us = 0

    def feed(self, delay_us: int, now_us: int) -> None:
        if self._new is None:
            self._since_us = now_us
        elif now_us - self._since_us >= _WINDOW_us:
            self._old, self._new, self._since_us = self._new, None, now_us
        self._new = delay_us if self._new is None else min(self._new, delay_us)

    @property
    def value_us(self) -> int | None:
        known = [delay for delay in (self._old, self._new) if delay is not None]
        return min(known, default=None)


class RigClock:
    """Stamps what one rig says. Pure: the host's time comes in as `HostTime`.

    Order of calls: `hear_identity` for each identity line, then `stamp` for each sample and event of that
    boot, in order. After the first stamp of a boot `anchor` is known and belongs into the journal's boots
    table (`Journal.anchor_boot`), so that a daemon that starts again in the same boot goes on with the same
    axis.
    """

    def __init__(
        self, mode: ClockMode = "host", begin_utc: datetime | None = None, newest: Stamp | None = None
    ) -> None:
        """`newest` is the newest stamp in the journal (`Journal.newest_stamp`), None for an empty one."""
        self._mode = mode
        self._begin_us = None if begin_utc is None else us_from_utc(begin_utc)
        self._newest = newest
        self._newest_monotonic_us: int | None = None
        self._label_offset_us = None if newest is None else newest.utc_us - newest.rig_us
        self._wall_us: int | None = None
        self._notes: list[ClockNote] = []
        self._boot_id: int | None = None
        self._anchor: Stamp | None = None
        self._uptime_ms: int | None = None
        self._delay = _SmallestDelay()
        self._heard_at = HostTime(0, 0)
        self._period_ms = 1000
        self._backlog_end = -1

    @property
    def anchor(self) -> Stamp | None:
        """Rig time and label at uptime zero of the present boot; None before its first stamp."""
        return self._anchor

    def take_notes(self) -> list[ClockNote]:
        """What happened to the labels since the last call."""
        notes, self._notes = self._notes, []
        return notes

    def hear_identity(
        self, record: BootRecord, last_seq: int, now: HostTime, uptime_ms: int | None = None
    ) -> None:
        """An identity line came in. Samples up to its `last_seq` are backlog: they say nothing about delay.

        `record` and `uptime_ms` are what the journal knows of the boot (`Journal.note_boot`,
        `Journal.last_uptime_ms`); they matter only when the boot is not the one that this clock is on.
        """
        self._watch_wall(now)
        self._period_ms, self._backlog_end, self._heard_at = max(record.period_ms, 1), last_seq, now
        if record.id != self._boot_id:
            self._boot_id, self._delay = record.id, _SmallestDelay()
            self._anchor, self._uptime_ms = record.anchor, uptime_ms

    def stamp(self, uptime_ms: int, now: HostTime, seq: int | None = None) -> Stamp:
        """Rig time and label of a sample (`seq`) or an event (None), from the rig's 32-bit uptime."""
        self._watch_wall(now)
        self._uptime_ms = unwrap_ms(uptime_ms, self._uptime_ms)
        uptime_us = self._uptime_ms * 1000
        taken_us = self._taken_us(seq, now)
        if seq is None or seq > self._backlog_end or self._delay.value_us is None:
            self._delay.feed(taken_us - uptime_us, now.monotonic_us)
        delay_us = self._delay.value_us
        taken_us = uptime_us + (delay_us if delay_us is not None else taken_us - uptime_us)
        wall_us = taken_us + now.utc_us - now.monotonic_us
        if self._anchor is None:
            rig_us = self._continue_axis(taken_us, wall_us)
            self._anchor = Stamp(rig_us - uptime_us, self._label(rig_us, wall_us) - uptime_us)
        rig_us = self._anchor.rig_us + uptime_us
        if self._newest is not None:
            rig_us = max(rig_us, self._newest.rig_us + 1)
        self._newest, self._newest_monotonic_us = Stamp(rig_us, self._label(rig_us, wall_us)), taken_us
        return self._newest

    def aside(self, now: HostTime) -> Stamp:
        """The stamp of an entry without uptime (identity, gap, note): the axis doesn't advance by it."""
        self._watch_wall(now)
        if self._newest is None:
            begin_us = self._begin_us if self._mode == "rig" else None
            return Stamp(0, now.utc_us if begin_us is None else begin_us)
        if self._mode == "rig":
            return self._newest
        return Stamp(self._newest.rig_us, now.utc_us)

    def _taken_us(self, seq: int | None, now: HostTime) -> int:
        """When a sample was taken, on the monotonic clock: not after now; backlog by counting periods."""
        if seq is None or seq > self._backlog_end:
            return now.monotonic_us
        waited_us = (self._backlog_end - seq) * self._period_ms * 1000
        return min(now.monotonic_us, self._heard_at.monotonic_us - waited_us)

    def _continue_axis(self, taken_us: int, wall_us: int) -> int:
        """Rig time at the first stamp of a boot that has no anchor yet."""
        if self._newest is None:
            return 0
        least_us = self._period_ms * 1000
        if self._newest_monotonic_us is not None:
            return self._newest.rig_us + max(taken_us - self._newest_monotonic_us, least_us)
        if self._mode == "rig":
            return self._newest.rig_us + least_us
        passed_us = wall_us - self._newest.utc_us
        if passed_us < 0:
            self._notes.append(
                ClockNote(
                    "behind",
                    passed_us / 1e6,
                    f"the host's clock is {-passed_us / 1e6:.0f} s behind the journal's newest entry; "
                    "how long the logger was away is not known",
                )
            )
        return self._newest.rig_us + max(passed_us, least_us)

    def _label(self, rig_us: int, wall_us: int) -> int:
        if self._mode == "host":
            return wall_us
        if self._label_offset_us is None:
            self._label_offset_us = (wall_us if self._begin_us is None else self._begin_us) - rig_us
        return rig_us + self._label_offset_us

    def _watch_wall(self, now: HostTime) -> None:
        wall_us = now.utc_us - now.monotonic_us
        if self._wall_us is not None and abs(wall_us - self._wall_us) > _STEP_us:
            seconds = (wall_us - self._wall_us) / 1e6
            way = "forward" if seconds > 0 else "back"
            self._notes.append(
                ClockNote(
                    "step",
                    seconds,
                    f"the host's clock was set {way} by {abs(seconds):.1f} s; rig time goes on",
                )
            )
        self._wall_us = wall_us
