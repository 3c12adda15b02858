"""What single readings say before any estimate: silence, a burst, too low a pressure or supply, a dead channel.

Rows are looked at in time order; every decision uses only rows up to its own, so that a live stream and a file give
the same, however the stream is cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.bins import MEDIAN_DIFFERENCE, median
from analysis.pressurised import FIRST_READINGS, EMPTY_Pa, default_floor_Pa

if TYPE_CHECKING:
    from analysis.alarms import AlarmBook

Array = NDArray[np.float64]

BURST_SIZE: Final = 0.02  # of the gas, within about a minute
BURST_GOING_ON: Final = 0.006  # by this much at least in each half of it
BURST_DEVIATIONS: Final = 10.0  # of the noise of a reading
NOISE_ROWS: Final = 32
LEAST_CHANGES: Final = 2
BURST_OVER_s: Final = 1800.0
FLOOR_HYSTERESIS: Final = 1.03
LOWEST_Pa: Final = -1e6  # no floor
SENSOR_DEAD_s: Final = 600.0
SUPPLY_LOW_V: Final = 4.6  # of a nominal 5 V
SUPPLY_GOOD_V: Final = 4.7
FIRST_ROWS: Final = 8


@dataclass(frozen=True)
class Rows:
    """A block of rows: time (n,), ln of the gas at constant temperature and gauge pressure (n, S)."""

    time_s: Array
    log_amount: Array
    pressure_Pa: Array
    supply_V: Array


class Watch:
    """Follow the rows of one recording and write into an alarm book."""

    def __init__(self, sections: tuple[str, ...], floors_Pa: Array, period_s: float | None) -> None:
        """`floors_Pa` (S,), NaN = by what it was filled to; `period_s` None = learn it from the first rows."""
        self.sections = sections
        self.floors_Pa = floors_Pa.copy()
        self.filled: list[list[float]] = [[] for _ in sections]  # first readings, until there is a floor
        self.period_s = period_s
        self.waiting: list[Rows] = []
        self.carry: Rows | None = None
        self.last_good_s = np.full(len(sections), np.nan)
        self.last_s = np.nan

    def feed(self, rows: Rows, book: AlarmBook) -> None:
        """Take rows; the first few wait until the sample period is known."""
        if self.period_s is None:
            self.waiting.append(rows)
            if sum(len(r.time_s) for r in self.waiting) < FIRST_ROWS:
                return
            rows = _join(self.waiting)
            self.waiting = []
            self.period_s = float(np.median(np.diff(rows.time_s[:FIRST_ROWS])))
        self._blind(rows, book)
        self._dead(rows, book)
        self._floor(rows, book)
        self._supply(rows, book)
        self._burst(rows, book)

    def finish(self, book: AlarmBook) -> None:
        """Look at what still waits (a recording of a few rows)."""
        if self.waiting:
            rows = _join(self.waiting)
            self.waiting = []
            self.period_s = float(np.median(np.diff(rows.time_s))) if len(rows.time_s) > 1 else 60.0
            self.feed(rows, book)

    def patience_s(self) -> float:
        """How long silence is no alarm yet: three sample periods and 30 s."""
        return 3.0 * (self.period_s or 60.0) + 30.0

    def _blind(self, rows: Rows, book: AlarmBook) -> None:
        times = np.concatenate(([self.last_s], rows.time_s)) if np.isfinite(self.last_s) else rows.time_s
        for i in np.flatnonzero(np.diff(times) > self.patience_s()):
            for name in self.sections:
                book.raise_(name, "blind", float(times[i] + self.patience_s()))
                book.clear(name, "blind", float(times[i + 1]))
        if len(rows.time_s):
            self.last_s = float(rows.time_s[-1])

    def _dead(self, rows: Rows, book: AlarmBook) -> None:
        """A channel without readings while the others have some."""
        for k, name in enumerate(self.sections):
            good = np.isfinite(rows.pressure_Pa[:, k])
            if np.isnan(self.last_good_s[k]) and len(rows.time_s):
                self.last_good_s[k] = rows.time_s[0]
            marks = rows.time_s[good]
            times = np.concatenate(([self.last_good_s[k]], marks))
            for i in np.flatnonzero(np.diff(times) > SENSOR_DEAD_s):
                inside = rows.time_s[(rows.time_s > times[i] + SENSOR_DEAD_s) & (rows.time_s < times[i + 1])]
                if len(inside):  # rows came, only this channel was empty
                    book.raise_(name, "sensor", float(inside[0]))
                book.clear(name, "sensor", float(times[i + 1]))
            if len(marks):
                book.clear(name, "sensor", float(marks[0]))
                self.last_good_s[k] = marks[-1]
            late = rows.time_s[rows.time_s > self.last_good_s[k] + SENSOR_DEAD_s]
            if len(late):
                book.raise_(name, "sensor", float(late[0]))

    def _floor(self, rows: Rows, book: AlarmBook) -> None:
        for k, name in enumerate(self.sections):
            pressure = rows.pressure_Pa[:, k]
            floor = self._floors(k, pressure)
            below = pressure < floor
            # two in a row: a single spike is no empty spring
            before = None if self.carry is None else self.carry.pressure_Pa[-1:, k]
            carried = before is not None and bool((before < floor[:1]).any())
            twice = below & np.concatenate(([carried], below[:-1])) if len(below) else below
            above = pressure > FLOOR_HYSTERESIS * floor
            for i in np.flatnonzero(twice | above):
                if twice[i]:
                    book.raise_(name, "floor", float(rows.time_s[i]), f"{pressure[i] / 1e5:.2f} bar")
                elif (name, "floor") in book.standing:
                    book.clear(name, "floor", float(rows.time_s[i]))

    def _floors(self, k: int, pressure_Pa: Array) -> Array:
        """Return the floor at each row: as given, or by what the section was filled to, from its first readings on."""
        if np.isfinite(self.floors_Pa[k]):
            return np.full(len(pressure_Pa), self.floors_Pa[k])
        floor = np.full(len(pressure_Pa), LOWEST_Pa)
        good = np.flatnonzero(np.isfinite(pressure_Pa))
        fresh = good[: FIRST_READINGS - len(self.filled[k])]
        self.filled[k] += pressure_Pa[fresh].tolist()
        if len(self.filled[k]) == FIRST_READINGS:
            filled_Pa = float(np.median(self.filled[k]))
            # what is empty from the begin is told as that, and not as an alarm
            self.floors_Pa[k] = default_floor_Pa(filled_Pa) if filled_Pa > EMPTY_Pa else LOWEST_Pa
            floor[fresh[-1] + 1 :] = self.floors_Pa[k]
        return floor

    def _supply(self, rows: Rows, book: AlarmBook) -> None:
        for i in np.flatnonzero((rows.supply_V < SUPPLY_LOW_V) | (rows.supply_V > SUPPLY_GOOD_V)):
            if rows.supply_V[i] < SUPPLY_LOW_V:
                for name in self.sections:
                    book.raise_(name, "supply", float(rows.time_s[i]), f"{rows.supply_V[i]:.2f} V")
            elif book.standing:
                for name in self.sections:
                    book.clear(name, "supply", float(rows.time_s[i]))

    def _burst(self, rows: Rows, book: AlarmBook) -> None:
        """A fall within about a minute, seen in the last two readings, and going on.

        The two readings before the fall both have to stand above it, so that neither a spike upward (then the fall is
        the way back) nor one downward (then it doesn't go on) counts.
        """
        back = max(2, round(60.0 / (self.period_s or 60.0)))
        joined = rows if self.carry is None else _join([self.carry, rows])
        fresh = len(joined.time_s) - len(rows.time_s)
        start = max(fresh, back + 1)
        x = joined.log_amount
        if len(x) > start:
            now = np.arange(start, len(x))
            base = np.minimum(x[now - back], x[now - back - 1])
            fallen = (x[now] < base - BURST_SIZE) & (x[now - 1] < base - 0.5 * BURST_SIZE)
            # both halves of the minute have to fall: a step lies in one of them only
            middle = x[now - back // 2]
            going_on = (x[now] < middle - BURST_GOING_ON) & (middle < base - BURST_GOING_ON)
            near = (joined.time_s[now] - joined.time_s[now - back - 1]) < 6.0 * 60.0
            # what holds nothing can't burst
            held = joined.pressure_Pa[now - back - 1] > EMPTY_Pa
            for i, k in zip(*np.nonzero(fallen & going_on & near[:, None] & held), strict=True):
                if base[i, k] - x[now[i], k] < BURST_DEVIATIONS * _noise(x[: now[i] - 1, k]):
                    continue
                time_s = float(joined.time_s[now[i]])
                self._burst_over(self.sections[k], time_s, book)
                book.raise_(self.sections[k], "burst", time_s)
        if len(joined.time_s):
            for name in self.sections:
                self._burst_over(name, float(joined.time_s[-1]), book)
        keep = max(len(joined.time_s) - back - 2 - NOISE_ROWS, 0)
        self.carry = Rows(*(a[keep:] for a in (joined.time_s, x, joined.pressure_Pa, joined.supply_V)))

    def _burst_over(self, name: str, time_s: float, book: AlarmBook) -> None:
        alarm = book.standing.get((name, "burst"))
        if alarm is not None and time_s > alarm.raised_s + BURST_OVER_s:
            book.clear(name, "burst", alarm.raised_s + BURST_OVER_s)


def _noise(log_amount: Array) -> float:
    """Return the noise of a single reading, from the newest differences of neighbours; 0 while there are too few."""
    changes = np.abs(np.diff(log_amount[-NOISE_ROWS:]))
    changes = changes[np.isfinite(changes)]
    return median(changes) / MEDIAN_DIFFERENCE if len(changes) >= LEAST_CHANGES else 0.0


def _join(parts: list[Rows]) -> Rows:
    return Rows(
        np.concatenate([r.time_s for r in parts]),
        np.concatenate([r.log_amount for r in parts]),
        np.concatenate([r.pressure_Pa for r in parts]),
        np.concatenate([r.supply_V for r in parts]),
    )
