"""Time: the one place that reads the host's clocks, and the two times of an entry.

Two times stand beside each entry of a journal. `rig_us` is one continuous axis in microseconds: within a boot
it is the rig's own uptime, moved by a constant, so that a wall clock that is set, or steps by a day, changes
no interval and no rate. `utc_us` is a label for people. `rig_clock.py` makes both.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
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
