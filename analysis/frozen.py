"""A height sensor that doesn't move although cold and load ask it to, whatever its noise: iced, jammed, unhooked.

A corner of a standing car goes with the temperature of its gas and against its pressure, h ~ T/p. A height that stays
within its own noise while that asks for millimetres is none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Heat of the engine bay may hold the gas up for a while against the air.
LEAST_s: Final = 5400.0
# A quick strut may stand still for a while at night as the slow ones still cool.
BESIDE_OTHERS_s: Final = 3.0 * 3600.0
ON_STOP_AIR: Final = 0.003  # of the temperature, as a standard deviation: 0.8 K
ON_STOP_SLOPE: Final = 0.5
ON_STOP_ALIKE: Final = 0.7
ON_STOP_STILL_m: Final = 1e-3
STILL_DEVIATIONS: Final = 6.0


@dataclass(frozen=True)
class Bounds:
    """What counts as standing still; common practice, no source."""

    still: float
    most_still: float
    asked: float
    stop: float
    others: float | None = None
    """So far all others have gone down meanwhile: then it is still whatever the air says."""


# A car may stick in its bushings by a millimetre or two; who has sunk by 40 mm stands on its stop.
HEIGHT: Final = Bounds(0.3e-3, 1e-3, 3e-3, 0.04)
STUCK_PRESSURE: Final = Bounds(3e-4, 2.5e-3, 0.012, np.inf, 0.008)
"""Of ln(p) in a fixed volume, with a column of one: 1.2 % is what 3 K do."""


class OnStop:
    """Whether a corner of a standing car lies on its stop: its height is still, and its pressure goes with the cold.

    On its wheels the load fixes the pressure; on the stop the volume is fixed, and p ~ T.
    """

    def __init__(self, sections: int) -> None:
        """Nothing was read yet."""
        self.count = np.zeros(sections)
        self.low_m, self.high_m = np.full(sections, np.inf), np.full(sections, -np.inf)
        self.mean, self.square = np.zeros((2, sections)), np.zeros((3, sections))

    def take(self, height_m: Array, absolute_Pa: Array, lagged_K: float) -> None:
        """Take a bin: heights and absolute pressures (S,), and the air as a usual strut follows it."""
        good = np.isfinite(height_m) & (absolute_Pa > 0.0)
        self.low_m = np.where(good, np.minimum(self.low_m, height_m), self.low_m)
        self.high_m = np.where(good, np.maximum(self.high_m, height_m), self.high_m)
        logs = np.stack([np.log(np.where(good, absolute_Pa, 1.0)), np.full(len(good), np.log(lagged_K))])
        self.count += good
        before = self.mean.copy()
        self.mean = before + np.where(good, (logs - before) / np.maximum(self.count, 1.0), 0.0)
        apart, now = np.where(good, logs - before, 0.0), np.where(good, logs - self.mean, 0.0)
        self.square += np.stack([apart[0] * now[0], apart[1] * now[1], apart[0] * now[1]])

    def found(self) -> NDArray[np.bool_]:
        """Return which corners lie on their stop, (S,)."""
        pressure, air, both = self.square / np.maximum(self.count, 1.0)
        moved = air > ON_STOP_AIR**2
        follows = both / np.maximum(air, 1e-12) > ON_STOP_SLOPE
        alike = both**2 > ON_STOP_ALIKE * air * np.maximum(pressure, 1e-12)
        still = self.high_m - self.low_m < ON_STOP_STILL_m
        return np.asarray(moved & follows & alike & still)


class FrozenHeights:
    """Follows the longest stretch in which each height stood still, in constant memory."""

    def __init__(self, column_m: Array, lags: int, bounds: Bounds | None = None) -> None:
        """`column_m` (S,) gas columns, NaN = not known: a usual one is taken."""
        self.bounds = bounds or HEIGHT
        count = len(column_m)
        self.column_m = np.where(np.isfinite(column_m), column_m, 0.2)
        self.begun_s = np.full(count, np.nan)
        self.low_m, self.high_m = np.full(count, np.inf), np.full(count, -np.inf)
        self.asked_high = np.full((count, lags), -np.inf)
        self.first_m = np.full(count, np.nan)
        self.others_at = np.full((count, count), np.nan)  # what the others read as its stretch began
        self.frozen_s = np.full(count, np.nan)
        self.asked_m = np.zeros(count)

    def take(
        self, time_s: float, height_m: Array, variance_m2: Array, absolute_Pa: Array, lagged_K: Array
    ) -> None:
        """Take a bin: heights (S,) with the variance of their means, absolute pressures (S,), lagged air (L,)."""
        self.first_m = np.where(np.isnan(self.first_m), height_m, self.first_m)
        good = np.isfinite(height_m) & np.isfinite(absolute_Pa) & (absolute_Pa > 0.0)
        still = np.clip(
            STILL_DEVIATIONS * np.sqrt(np.nan_to_num(variance_m2)), self.bounds.still, self.bounds.most_still
        )
        low, high = np.fmin(self.low_m, height_m), np.fmax(self.high_m, height_m)
        anew = good & (high - low > still)
        for i in np.flatnonzero(anew | (good & np.isnan(self.begun_s))):
            self.begun_s[i] = time_s
            self.low_m[i], self.high_m[i] = np.inf, -np.inf
            self.asked_high[i] = -np.inf
            self.others_at[i] = height_m
        for i in np.flatnonzero(good):
            self.low_m[i] = min(self.low_m[i], height_m[i])
            self.high_m[i] = max(self.high_m[i], height_m[i])
            asked = self.column_m[i] * (np.log(lagged_K) - np.log(absolute_Pa[i]))
            self.asked_high[i] = np.maximum(self.asked_high[i], asked)
            # down, for a leak that cancels the warmth looks still, too; and whatever its lag is
            range_m = float((self.asked_high[i] - asked).min())
            long = time_s - self.begun_s[i] >= LEAST_s
            # who has sunk so far stands on the stop, and is still by right
            on_stop = self.low_m[i] < self.first_m[i] - self.bounds.stop
            least = max(self.bounds.asked, 4.0 * float(still[i]), float(self.asked_m[i]))
            if long and not on_stop and range_m > least:
                self.frozen_s[i], self.asked_m[i] = self.begun_s[i], range_m
            gone_m = self._others_gone(int(i), time_s, height_m)
            if gone_m > self.asked_m[i]:
                self.frozen_s[i], self.asked_m[i] = self.begun_s[i], gone_m

    def _others_gone(self, i: int, time_s: float, height_m: Array) -> float:
        """Return how far all others at least have gone down while section `i` stood still; 0: not far, or not long."""
        gone = np.delete(self.others_at[i] - height_m, i)
        gone = gone[np.isfinite(gone)]
        if self.bounds.others is None or len(gone) < 2 or time_s - self.begun_s[i] < BESIDE_OTHERS_s:
            return 0.0
        least = float(gone.min())
        return least if least > self.bounds.others else 0.0
