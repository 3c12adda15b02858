"""Is it gas under pressure at all? A section that holds nothing, or stands on its stop, has not been tested."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.reasons import Reason

Array = NDArray[np.float64]

# All gauge; common practice, no source.
EMPTY_Pa: Final = 50e3
EMPTY_SHARE: Final = 0.12
"""Of what the other sections hold: a line may hold less than a spring, but not nothing."""
EMPTY_SHARE_STANDING: Final = 0.4
"""Of the other corners: each of them carries its share of the car, unless the bump stop does."""
FLOOR_SHARE: Final = 0.25
"""Of what it was filled to: the floor of a section that was given none."""
FIRST_READINGS: Final = 8
FIRST_BINS: Final = 3


def default_floor_Pa(filled_Pa: float) -> float:
    """Return the floor of a section that was filled to a gauge pressure.

    >>> default_floor_Pa(8e5), default_floor_Pa(1e3)
    (200000.0, 50000.0)
    """
    return max(EMPTY_Pa, FLOOR_SHARE * filled_Pa)


class Pressurised:
    """Remembers what each section held at the begin, from its first bins."""

    def __init__(self, sections: tuple[str, ...], *, standing: bool) -> None:
        """Nothing was read yet."""
        self.sections = sections
        self.share = EMPTY_SHARE_STANDING if standing else EMPTY_SHARE
        self.standing = standing
        self.first_Pa = np.full((FIRST_BINS, len(sections)), np.nan)
        self.seen = np.zeros(len(sections), dtype=np.intp)

    def take(self, gauge_Pa: Array) -> None:
        """Take the gauge pressures of a bin (S,), NaN = no reading."""
        for i in np.flatnonzero(np.isfinite(gauge_Pa) & (self.seen < FIRST_BINS)):
            self.first_Pa[self.seen[i], i] = gauge_Pa[i]
            self.seen[i] += 1

    def begin_Pa(self) -> Array:
        """Return what each section held at the begin, gauge, (S,); NaN = nothing was read."""
        out = np.full(len(self.sections), np.nan)
        for i in np.flatnonzero(self.seen > 0):
            out[i] = np.median(self.first_Pa[: self.seen[i], i])
        return out

    def empty(self, i: int) -> Reason | None:
        """Return why section `i` was not tested, or None."""
        begin = self.begin_Pa()
        if not np.isfinite(begin[i]):
            return None
        others = np.delete(begin, i)
        others = others[np.isfinite(others)]
        needed = max(EMPTY_Pa, self.share * float(np.median(others))) if len(others) else EMPTY_Pa
        if begin[i] >= needed:
            return None
        held = f"it held {begin[i] / 1e5:.2f} bar at the begin"
        if begin[i] >= EMPTY_Pa:
            held += f", the others {np.median(others) / 1e5:.1f} bar"
            if self.standing:
                held += ": the car rests on its stop there"
        return Reason("empty", f"empty: nothing was tested, {held}; fill it and soak again")
