"""Jumps of the air's temperature: rolling a car out makes one; a loose plug and a wandering thermometer make many."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

JUMP_K: Final = 15.0  # within a minute: no air does it where a car stands still (common practice, no source)
MINUTE_s: Final = 60.0
# Rolled out, brought in, and once more: that is no night of a soak any more, whoever moved what.
DOUBTFUL_JUMPS: Final = 3
KEPT_s: Final = 300.0


class AirJumps:
    """Count jumps that stay for two minutes, from means of a minute; one reading that strays is no jump."""

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
