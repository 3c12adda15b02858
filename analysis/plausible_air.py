"""What a thermometer says that hasn't measured, and jumps that no air makes."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.units import ZERO_CELSIUS_K

Array = NDArray[np.float64]

POWER_ON_K: Final = (ZERO_CELSIUS_K + 85.0, ZERO_CELSIUS_K - 127.0)
"""What digital thermometers of 1/16 K say without having measured: 85 °C after power came on (their datasheet), -127 °C
where nothing answers (common drivers)."""
JUST_K: Final = 1e-3  # how exactly they say it

JUMP_K: Final = 15.0  # within a minute: no air does it where a car stands still (common practice, no source)
MINUTE_s: Final = 60.0
# Rolled out, brought in, and once more: that is no night of a soak any more, whoever moved what.
DOUBTFUL_JUMPS: Final = 3
KEPT_s: Final = 300.0


def is_power_on(kelvin: Array) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Return which of (n,) temperatures a digital thermometer says without having measured.

    >>> is_power_on(np.array([358.15, 358.2125, 146.15, np.nan])).tolist()
    [True, False, True, False]
    """
    return np.asarray(np.min([np.abs(kelvin - value) for value in POWER_ON_K], axis=0) < JUST_K)


class AirJumps:
    """Rolling a car out makes one jump, a loose plug many.

    Counts jumps that stay for two minutes, from means of a minute; one reading that strays is no jump.
    """

    def __init__(self) -> None:
        """Begin with nothing."""
        self.time_s: Array = np.empty(0)
        self.kelvin: Array = np.empty(0)
        self.done_s = -np.inf
        self.count = 0
        self.last_s = np.nan

    @property
    def doubtful(self) -> bool:
        """Whether there were more than any roll-out makes."""
        return self.count >= DOUBTFUL_JUMPS

    def feed(self, time_s: Array, kelvin: Array) -> None:
        """Take the rows of one block that ends at a whole minute, (n,) each, NaN = no reading."""
        there = np.isfinite(kelvin)
        self.time_s = np.concatenate((self.time_s, time_s[there]))
        self.kelvin = np.concatenate((self.kelvin, kelvin[there]))
        if not len(self.time_s):
            return
        if np.ptp(self.kelvin) > JUMP_K:
            self._look()
        kept = self.time_s >= np.floor(self.time_s[-1] / MINUTE_s) * MINUTE_s - KEPT_s
        self.time_s, self.kelvin = self.time_s[kept], self.kelvin[kept]

    def _look(self) -> None:
        minute = np.floor_divide(self.time_s, MINUTE_s)
        starts = np.concatenate(([0], np.flatnonzero(np.diff(minute)) + 1, [len(minute)]))
        spans = [slice(a, b) for a, b in pairwise(starts)]
        middle = np.array([np.median(self.kelvin[span]) for span in spans])
        at = minute[starts[:-1]] * MINUTE_s
        for k in range(2, len(middle) - 1):
            # both minutes before stand on one side, both after on the other; where time is missing nothing is said
            before, after = middle[k - 2 : k], middle[k : k + 2]
            if at[k + 1] - at[k - 2] > 3 * MINUTE_s or at[k] <= self.done_s:
                continue
            if after.max() < before.min() - JUMP_K or after.min() > before.max() + JUMP_K:
                self.count += 1
                self.last_s = float(at[k])
                self.done_s = self.last_s + 2 * MINUTE_s
