"""A leak so fast that nobody should wait for an estimate, though too slow for a burst: a `leak` within minutes.

The estimator weighs what a car did before against a leak, and needs an hour for it. Some falls need no weighing: cooling
can't be that fast. Gas cools towards the air around it with a lag, so a tight section obeys

    -d(ln x)/dt  ≤  (T - T_air) / (lag · T)

x being pressure (times height, standing). T is bounded from above by the section itself: it began no warmer than
`WARMEST` allows, and if it is tight its temperature has gone the way of its own reading since, T = T0 · x / x0. So a leak
that is taken for cooling soon makes the gas "colder than the air", where no fall is left to be explained. To this is
added what the transducer may do when the air changes. What falls faster, in each of three parts of some minutes (a
step lies in one or two of them), twice in a row, is a leak.

Minutes are closed by the first row of a later one, so it doesn't matter how the stream is cut.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.bins import median, medians

if TYPE_CHECKING:
    from analysis.alarms import AlarmBook

Array = NDArray[np.float64]

# Under the shortest lag that is believed (17 min, analysis/priors.py); a share of it is the transducer's, which
# follows the gas, too.
SHORTEST_LAG_s: Final = 900.0
# Gas at the begin: so much over the air, and after a drive or a fill so warm, wherever the sensor hangs by then.
WARMEST_OVER_AIR_K: Final = 20.0
WARMEST_K: Final = 303.15
# The air at the strut may be colder than at the sensor.
AIR_ERROR_K: Final = 3.0
# Nothing is known of the air: as cold as it may be, and the gas as warm.
COLDEST_AIR_K: Final = 243.15
# A fall slower than this, 0.1 % a minute or 144 % a day, is the estimator's to judge.
LEAST_per_s: Final = 0.001 / 60.0
# This much within a minute is a step or a burst (analysis/watch.py); what the gas did before it says nothing any more.
STEP: Final = 0.015
# The others fall at this share of it, too: then it is cold for all.
OTHERS: Final = 0.3
PARTS: Final = 3
PART_s: Final = 120.0
# Longer than that between two parts is a gap, over which nothing is said.
LONGEST_PART_s: Final = 600.0
# Each part falls at least by this share of what the whole must.
EACH_PART: Final = 0.5
AIR_MEMORY_s: Final = 1800.0
# So long after the last sign of it the estimator may say that it is over.
HELD_s: Final = 3600.0


class FastLeak:
    """Follow the rows of one recording, minute by minute."""

    def __init__(self, sections: tuple[str, ...]) -> None:
        """Nothing is known before the first row."""
        self.sections = sections
        count = len(sections)
        # by how much of the absolute pressure a transducer may drift with its temperature
        self.drift_per_K = np.zeros(count)
        self.minute: int | None = None
        self.open: list[tuple[Array, Array, Array]] = []
        self.closed: deque[tuple[float, Array]] = deque()  # time and ln of the amount (S,), one per minute
        self.air: deque[tuple[float, float]] = deque()
        self.warmest_air_K = -np.inf
        self.begun = np.full(
            count, np.nan
        )  # ln(T0) - ln(x0): the highest that the temperature may be, over ln(x)
        self.seen = np.zeros(count, dtype=np.intp)
        self.last_s = np.full(count, -np.inf)

    def feed(self, time_s: Array, log_amount: Array, air_K: Array, book: AlarmBook) -> None:
        """Take rows: (n,), ln of the amount at constant temperature (n, S), air temperature (n,); NaN = none."""
        if len(time_s) == 0:
            return
        minutes = np.floor_divide(time_s, 60.0).astype(np.int64)
        cuts = np.flatnonzero(np.diff(minutes)) + 1
        for start, end in zip((0, *cuts), (*cuts, len(time_s)), strict=True):
            here = int(minutes[start])
            if self.minute is not None and here != self.minute:
                self._close(book)
            self.minute = here
            self.open.append((time_s[start:end], log_amount[start:end], air_K[start:end]))

    def held(self, time_s: float) -> NDArray[np.bool_]:
        """Return which sections had a sign of a fast leak not long before a time, (S,)."""
        return np.asarray(time_s <= self.last_s + HELD_s)

    # -- a minute --------------------------------------------------------------------------------------------

    def _close(self, book: AlarmBook) -> None:
        rows, air = (np.concatenate([part[i] for part in self.open]) for i in (1, 2))
        now_s = float(self.open[-1][0][-1])
        self.open = []
        middle = _of_the_finite(np.column_stack((rows, air)))
        amount, air_K = middle[:-1], float(middle[-1])
        if np.isfinite(air_K):
            self.air.append((now_s, air_K))
            self.warmest_air_K = max(self.warmest_air_K, air_K)
        while self.air and self.air[0][0] < now_s - AIR_MEMORY_s - LONGEST_PART_s * PARTS:
            self.air.popleft()
        self._anchor(amount)
        self.closed.append((now_s, amount))
        while len(self.closed) > 2 and self.closed[1][0] < now_s - LONGEST_PART_s * PARTS:
            self.closed.popleft()
        fast = self._fast()
        self.seen = np.where(np.isfinite(fast), self.seen + 1, 0)
        for k in np.flatnonzero(self.seen >= 2):
            self.last_s[k] = now_s
            book.raise_(self.sections[k], "leak", now_s, f"{100.0 * 60.0 * fast[k]:.2g} % a minute")

    def _anchor(self, amount: Array) -> None:
        """From the begin on, and again after a step, the gas is as warm as it may be."""
        highest = np.log(max(self.warmest_air_K + WARMEST_OVER_AIR_K, WARMEST_K))
        before = self.closed[-1][1] if self.closed else np.full(len(self.sections), np.nan)
        fresh = np.isfinite(amount) & (np.isnan(self.begun) | (amount < before - STEP))
        self.begun = np.where(fresh, highest - amount, self.begun)

    def _points(self) -> list[tuple[float, Array]] | None:
        """The newest minute and those about two, four and six minutes before it; None over a gap."""
        points = [self.closed[-1]]
        for one in reversed(self.closed):
            if points[-1][0] - one[0] >= PART_s:
                if points[-1][0] - one[0] > LONGEST_PART_s:
                    return None
                points.append(one)
                if len(points) > PARTS:
                    return points[::-1]
        return None

    def _fast(self) -> Array:
        """Return the loss per second where the fall is no cooling, (S,); NaN where it may be."""
        none = np.full(len(self.sections), np.nan)
        points = self._points()
        if points is None:
            return none
        times, amounts = np.array([t for t, _ in points]), np.stack([x for _, x in points])
        span_s = times[-1] - times[0]
        whole = (amounts[0] - amounts[-1]) / span_s
        if not (whole > LEAST_per_s).any():  # nearly always
            return none
        air = [value for at_s, value in self.air if at_s >= times[0] - AIR_MEMORY_s]
        swing_K = max(air) - min(air) if air else 0.0
        gas_K = np.exp(self.begun + amounts[0])
        falls = -np.diff(amounts, axis=0) / np.diff(times)[:, None]

        def faster_than_cooling(coldest_K: float) -> NDArray[np.bool_]:
            cooling_per_s = np.maximum(gas_K - coldest_K, 0.0) / gas_K / SHORTEST_LAG_s
            bound = np.maximum(cooling_per_s + self.drift_per_K * swing_K / span_s, LEAST_per_s)
            return np.asarray((whole > bound) & (falls > EACH_PART * bound).all(axis=0))

        fast = faster_than_cooling((min(air) if air else COLDEST_AIR_K) - AIR_ERROR_K)
        if fast.any():
            # what the others do at once is rather the cold, and a thermometer that doesn't see it
            others = whole[~fast & np.isfinite(whole)]
            if fast.sum() > 1 or (len(others) and float(np.median(others)) > OTHERS * LEAST_per_s):
                fast = faster_than_cooling(COLDEST_AIR_K)
        return np.asarray(np.where(fast, whole, np.nan))


def _of_the_finite(rows: Array) -> Array:
    """Return the median of the finite values of each column of (n, k), NaN where there is none, (k,)."""
    if np.isfinite(rows).all():
        return medians(rows)
    good = [column[np.isfinite(column)] for column in rows.T]
    return np.array([median(values) if len(values) else np.nan for values in good])
