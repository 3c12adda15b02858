"""Time: the one place that reads the host's clocks, and the clock that makes a rig's uptime a time axis.

Two times stand beside each entry of a journal. `rig_us` is one continuous axis in microseconds: within a boot
it is the rig's own uptime, moved by a constant, so that a wall clock that is set, or steps by a day, changes
no interval and no rate. `utc_us` is a label for people.

How a label comes about (clock = "host"): a sample can't arrive before it was taken, so the smallest
difference (host's arrival − rig's uptime) of the last while is the best estimate of the offset between the
two; samples that the rig had buffered arrive late and don't count. The wall clock is added last.

The axis comes from samples alone. An event has a place on it, that of its own uptime, and moves nothing: it is sent
when it happens, also between samples of an hour ago.
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
RIG_NOTES = ("uptime", "names")
"""Kinds of notes about what a rig did and must not do; the other ones are about the host's clock."""
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


def utc_text(utc_us: int | None = None) -> str:
    """Return a label as ISO 8601 to the second with Z; None: now, by the clock.

    >>> utc_text(1_500_000)
    '1970-01-01T00:00:01Z'
    """
    moment = utc_now() if utc_us is None else utc_from_us(utc_us)
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")


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

    def move(self, by_us: int) -> None:
        """Uptime is counted from another zero, so much later."""
        self._old = None if self._old is None else self._old + by_us
        self._new = None if self._new is None else self._new + by_us

    @property
    def value_us(self) -> int | None:
        known = [delay for delay in (self._old, self._new) if delay is not None]
        return min(known, default=None)


class RigClock:
    """Stamps what one rig says. Pure: the host's time comes in as `HostTime`.

    Order of calls: `hear_identity` for each identity line, then `stamp` for each sample of that boot, in order, and
    `stamp_event` for its events in between. After a boot's first sample `anchor` is known and belongs into the
    journal's boots table (`Journal.anchor_boot`), so that a daemon that starts again in the same boot goes on with the
    same axis; where the rig's uptime goes back `anchor` moves, and belongs there again.
    """

    def __init__(
        self, mode: ClockMode = "host", begin_utc: datetime | None = None, newest: Stamp | None = None
    ) -> None:
        """`newest` is the newest sample's stamp in the journal (`Journal.newest_stamp`), None for an empty one."""
        self._mode = mode
        self._begin_us = None if begin_utc is None else us_from_utc(begin_utc)
        self._newest = newest
        self._newest_monotonic_us: int | None = None
        self._label_offset_us = None if newest is None else newest.utc_us - newest.rig_us
        self._wall_us: int | None = None
        self._notes: list[ClockNote] = []
        self._boot: tuple[int, int] | None = None
        """Row and number of the boot that the clock is on."""
        self._anchor: Stamp | None = None
        self._before: Stamp | None = None
        """The anchor before the last sample's, if that one's uptime went back."""
        self._uptime_ms: int | None = None
        self._seq: int | None = None
        self._in_step = False
        """The newest sample is this boot's last one."""
        self._slips = 0
        self._delay = _SmallestDelay()
        self._heard_at = HostTime(0, 0)
        self._period_ms = 1000
        self._backlog_end = -1

    @property
    def anchor(self) -> Stamp | None:
        """Rig time and label at uptime zero of the present boot; None before its first sample."""
        return self._anchor

    def take_notes(self) -> list[ClockNote]:
        """What happened to the labels and to the rig's uptime since the last call."""
        notes, self._notes = self._notes, []
        return notes

    def hear_identity(
        self,
        record: BootRecord,
        last_seq: int,
        now: HostTime,
        uptime_ms: int | None = None,
        seq: int | None = None,
    ) -> None:
        """An identity line came in. Samples up to its `last_seq` are backlog: they say nothing about delay.

        `record`, and `uptime_ms` and `seq` of its last sample, are what the journal knows of the boot
        (`Journal.note_boot`, `Journal.last_sample`); they matter only when this clock is not on that boot.
        """
        self._watch_wall(now)
        self._period_ms, self._backlog_end, self._heard_at = max(record.period_ms, 1), last_seq, now
        was, self._boot = self._boot, (record.id, record.boot)
        # under other names a boot goes on in a row of its own, with the same anchor
        renamed = was is not None and was[1] == record.boot and record.anchor == self._anchor is not None
        if self._boot != was and not renamed:
            self._delay, self._slips = _SmallestDelay(), 0
            self._anchor, self._before = record.anchor, None
            self._uptime_ms, self._seq, self._in_step = uptime_ms, seq, False

    def stamp(self, uptime_ms: int, now: HostTime, seq: int) -> Stamp:
        """Rig time and label of a sample, from the rig's 32-bit uptime; later than those of the sample before."""
        self._watch_wall(now)
        taken_us = self._taken_us(seq, now)
        unwrapped_ms = self._unwrapped_ms(uptime_ms, seq, now, taken_us)
        uptime_us = unwrapped_ms * 1000
        self._uptime_ms, self._seq = unwrapped_ms, seq
        if seq > self._backlog_end or self._delay.value_us is None:
            self._delay.feed(taken_us - uptime_us, now.monotonic_us)
        delay_us = self._delay.value_us
        taken_us = uptime_us + (delay_us if delay_us is not None else taken_us - uptime_us)
        wall_us = taken_us + now.utc_us - now.monotonic_us
        if self._anchor is None:
            rig_us = self._continue_axis(taken_us, wall_us)
            self._anchor = Stamp(rig_us - uptime_us, self._label(rig_us, wall_us) - uptime_us)
        rig_us = self._anchor.rig_us + uptime_us
        if self._newest is not None:
            rig_us = max(rig_us, self._newest.rig_us + 1)  # two samples of the same millisecond
        self._newest, self._newest_monotonic_us = Stamp(rig_us, self._label(rig_us, wall_us)), taken_us
        self._in_step = True
        return self._newest

    def stamp_event(self, uptime_ms: int, now: HostTime) -> Stamp:
        """Rig time and label of an event. Its uptime is its own: it may lie before or behind any sample."""
        if self._anchor is None or self._uptime_ms is None:
            # before its first sample a boot has no place on the axis: the event stands where it was heard
            stamp = self.aside(now)
            return Stamp(stamp.rig_us + max(self._passed_us(now) or 0, 0), stamp.utc_us)
        self._watch_wall(now)
        if self._mode == "host" and self._newest_monotonic_us is not None:
            expected_ms: int | None = self._uptime_ms + (now.monotonic_us - self._newest_monotonic_us) // 1000
        else:
            expected_ms = self._expected_ms(self._backlog_end, now)
        uptime_us = 1000 * unwrap_ms(uptime_ms, expected_ms)
        rig_us = self._anchor.rig_us + uptime_us
        delay_us = self._delay.value_us
        taken_us = now.monotonic_us if delay_us is None else uptime_us + delay_us
        return Stamp(rig_us, self._label(rig_us, taken_us + now.utc_us - now.monotonic_us))

    def aside(self, now: HostTime) -> Stamp:
        """The stamp of an entry without uptime (identity, gap, note): the axis doesn't advance by it."""
        self._watch_wall(now)
        if self._newest is None:
            begin_us = self._begin_us if self._mode == "rig" else None
            return Stamp(0, now.utc_us if begin_us is None else begin_us)
        if self._mode == "rig":
            return self._newest
        return Stamp(self._newest.rig_us, now.utc_us)

    # ---------------------------------------------------------------- uptime

    def _unwrapped_ms(self, uptime_ms: int, seq: int, now: HostTime, taken_us: int) -> int:
        """A sample's uptime from the anchor's zero; the anchor is moved where that would go back."""
        last_ms, last_seq = self._uptime_ms, self._seq
        if self._in_step and self._before is None and last_ms is not None and seq - 1 == last_seq:
            # the next one, a while later: that is nearly all of them, by the ten thousand a second
            ahead_ms = (uptime_ms - last_ms) % _WRAP_ms
            if 0 < ahead_ms < _WRAP_ms // 2:
                return last_ms + ahead_ms
        before, self._before = self._before, None
        expected_ms = self._expected_ms(seq, now)
        if before is not None and self._anchor is not None and expected_ms is not None:
            # only one sample was wrong if this one goes on where those before it were
            moved_us = self._anchor.rig_us - before.rig_us
            expected_before_ms = expected_ms + moved_us // 1000
            unwrapped_ms = unwrap_ms(uptime_ms, expected_before_ms)
            if 2 * abs(unwrapped_ms - expected_before_ms) <= self._period_ms:
                self._anchor = before
                self._delay.move(-moved_us)
                return unwrapped_ms
        unwrapped_ms = unwrap_ms(uptime_ms, expected_ms)
        if self._anchor is None or self._newest is None or unwrapped_ms == self._uptime_ms:
            return unwrapped_ms
        if self._anchor.rig_us + unwrapped_ms * 1000 > self._newest.rig_us:
            return unwrapped_ms
        self._note_slip(seq, unwrapped_ms)
        rig_us = self._newest.rig_us + self._step_us(seq, taken_us)
        moved = self._moved(self._anchor, rig_us, uptime_ms)
        if self._uptime_ms is not None and unwrapped_ms < self._uptime_ms:
            self._before = self._anchor
            self._delay.move(moved.rig_us - self._anchor.rig_us)
        else:
            self._delay.move((unwrapped_ms - uptime_ms) * 1000)
        self._anchor = moved
        return uptime_ms

    def _expected_ms(self, seq: int, now: HostTime) -> int | None:
        """Uptime at sample `seq` by counting periods from the last sample; no more than the host saw pass."""
        if self._uptime_ms is None:
            return None
        counted_ms = 0 if self._seq is None else max(seq - self._seq, 0) * self._period_ms
        passed_us = self._passed_us(now)
        if passed_us is not None and passed_us >= 0:
            # the period may have been another one while nobody listened
            counted_ms = min(counted_ms, passed_us // 1000)
        return self._uptime_ms + counted_ms

    def _passed_us(self, now: HostTime) -> int | None:
        """What has passed on the host's clocks since the newest sample was taken; None: they can't tell."""
        if self._mode == "rig" or self._newest is None:
            return None
        if self._newest_monotonic_us is not None:
            return now.monotonic_us - self._newest_monotonic_us
        return now.utc_us - self._newest.utc_us

    def _step_us(self, seq: int, taken_us: int) -> int:
        """From the newest sample to `seq` when uptime can't tell: by periods, or what the host saw if much more."""
        counted_us = self._period_ms * 1000 * (1 if self._seq is None else max(seq - self._seq, 1))
        if self._mode == "host" and seq > self._backlog_end and self._newest_monotonic_us is not None:
            seen_us = taken_us - self._newest_monotonic_us
            if seen_us > counted_us + 2 * max(self._period_ms * 1000, _STEP_us):
                return seen_us // 1000 * 1000
        return counted_us

    @staticmethod
    def _moved(anchor: Stamp, rig_us: int, uptime_ms: int) -> Stamp:
        """The anchor by which `uptime_ms` is at `rig_us`."""
        moved_us = rig_us - uptime_ms * 1000 - anchor.rig_us
        return Stamp(anchor.rig_us + moved_us, anchor.utc_us + moved_us)

    def _note_slip(self, seq: int, unwrapped_ms: int) -> None:
        """Say it the first time, the second, the fourth …: a rig whose uptime stands would fill the journal."""
        self._slips += 1
        if self._slips & (self._slips - 1):
            return
        back_ms = 0 if self._uptime_ms is None else self._uptime_ms - unwrapped_ms
        times = "" if self._slips == 1 else f" ({self._slips} times in this boot)"
        what = (
            f"the rig's uptime went back by {back_ms / 1000:.1f} s without a new boot number"
            if back_ms > 0
            else "the rig's uptime runs into the time of another boot's samples"
        )
        sentence = f"{what}, at sample {seq}{times}: rig time goes on by counting periods from there"
        self._notes.append(ClockNote("uptime", -back_ms / 1000, sentence))

    # ---------------------------------------------------------------- labels

    def _taken_us(self, seq: int, now: HostTime) -> int:
        """When a sample was taken, on the monotonic clock: not after now; backlog by counting periods."""
        if seq > self._backlog_end:
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
