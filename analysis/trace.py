"""What the estimator saw, every half hour: the bounded record from which plots are drawn.

Nothing is estimated from it. A point holds what a bin read and what the bank needs to say later, with all that is known
by then, how much gas was left at that time. When the record is full every other point is dropped and the rest comes half
as often, so memory stays constant however long the soak is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Self

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from analysis.inputs import Bin

Array = NDArray[np.float64]

SPACING_s: Final = 1800.0
MOST_POINTS: Final = 192
"""Four days at half an hour; about 1 MB with four sections."""
MOST_BY_HAND: Final = 48


@dataclass(frozen=True, slots=True)
class Point:
    """One bin. S sections, L lags, N states, J shapes of a leak but the steady one and those with a start."""

    time_s: float
    reading: Bin
    observed: Array  # (S, L) ln of the amount as the bin says, NaN where it was not used
    regressor: Array  # (S, L, N)
    lagged_K: Array  # (L,)
    curve_s: NDArray[np.float32]  # (S, L, J)


class Trace:
    """The points so far, in time order."""

    def __init__(self) -> None:
        """Nothing yet."""
        self._kept: list[Point] = []
        self._newest: list[Point] = []
        self.spacing_s = SPACING_s

    @property
    def points(self) -> list[Point]:
        """What was kept, and the newest bin in any case."""
        return [*self._kept, *self._newest]

    def note(self, point: Point) -> None:
        """Take a point, later than all before it."""
        if not point.reading.by_hand and not self._due(point.time_s):
            self._newest = [point]
            return
        self._newest = []
        self._kept.append(point)
        if len(self._kept) >= MOST_POINTS:
            by_hand = sum(p.reading.by_hand for p in self._kept) <= MOST_BY_HAND
            last = self._kept[-1]
            # what a person has measured stays, unless there is very much of it
            self._kept = [
                p for k, p in enumerate(self._kept) if k % 2 == 0 or (by_hand and p.reading.by_hand)
            ]
            self._newest = [] if self._kept[-1] is last else [last]
            self.spacing_s *= 2.0

    def _due(self, time_s: float) -> bool:
        return not self._kept or time_s - self._kept[-1].time_s >= self.spacing_s - 1.0

    def __deepcopy__(self, _memo: dict[int, Any]) -> Self:
        """Points never change, so a copy shares them."""
        twin = type(self)()
        twin._kept, twin._newest = list(self._kept), list(self._newest)  # noqa: SLF001  its own kind
        twin.spacing_s = self.spacing_s
        return twin
