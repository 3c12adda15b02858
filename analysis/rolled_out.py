"""Was the car rolled out of the shop? The air's thermometer falls by many kelvin within minutes, and stays there.

An evening cools by a few kelvin an hour, a cold front by some five in half an hour; a door that is opened and a cloud
come back. What the sun does to a thermometer is told by how it came: the air had been as cold before.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable

Array = NDArray[np.float64]

BIN_s: Final = 60.0
LEVEL: Final = 15
"""Minutes with readings that make a level before."""
SETTLED: Final = 5
"""Minutes with readings that make a level after, and the fewest that make one before."""
WITHIN_s: Final = 1800.0
"""A roll-out is over by then for most of its fall, whatever the thermometer's lag (own choice, as those below)."""
STOOD_s: Final = 600.0
"""So long it must have stayed cold: a door stands open for less."""
LEAST_K: Final = 6.0
"""More than a cold front or an evening takes within half an hour."""
WARM_K: Final = 283.15
LEAST_FROM_COLD_K: Final = 12.0
"""From a level that is no heated shop's a fall must be more than what the sun adds to a thermometer."""
RANGE_K: Final = 2.0
"""A shop's air is as steady as this for a quarter of an hour."""
LOOK_BACK_s: Final = 3.0 * 3600.0
COLD_BEFORE: Final = 0.2
"""If the air was as cold for more than this share of the hours before, it was the sun that came and went."""
LOWEST_K, HIGHEST_K = 213.15, 333.15
"""No air where people park cars; a digital thermometer that has lost its supply says 85 °C."""


@dataclass(frozen=True, slots=True)
class RollOut:
    """When the air began to fall, by how many kelvin it has fallen, and within how long nine tenths of that."""

    at_s: float
    fall_K: float
    over_s: float


def roll_out(time_s: Array, air_K: Array) -> RollOut | None:
    """Return the largest such fall of the air, times (n,) ascending, air (n,) in K with NaN = no reading; or None.

    Whoever has been rolled in again since is not outside: None.
    """
    minutes, level_K = _minutes(time_s, air_K)
    best: RollOut | None = None
    for i in range(SETTLED, len(minutes) - SETTLED + 1):
        found = _fall_at(i, minutes, level_K)
        if found is not None and (best is None or found.fall_K > best.fall_K):
            best = found
    return best


def _minutes(time_s: Array, air_K: Array) -> tuple[Array, Array]:
    """Return the minutes (m,) that have readings, and their air (m,): medians, so that no spike counts."""
    good = (air_K > LOWEST_K) & (air_K < HIGHEST_K)  # NaN is neither
    if good.sum() < 2 * SETTLED:
        return np.empty(0), np.empty(0)
    minute = np.floor(time_s[good] / BIN_s)
    begins = np.flatnonzero(np.diff(minute, prepend=-np.inf))
    medians = np.array([np.median(part) for part in np.split(air_K[good], begins[1:])])
    padded = np.pad(medians, 1, mode="edge")
    return minute[begins] * BIN_s, np.median(np.lib.stride_tricks.sliding_window_view(padded, 3), axis=1)


def _fall_at(i: int, minutes: Array, level_K: Array) -> RollOut | None:
    """Return the fall that lies between minutes `i - 1` and the half hour after; None if it is no roll-out."""
    before = level_K[max(i - LEVEL, 0) : i][minutes[max(i - LEVEL, 0) : i] >= minutes[i - 1] - WITHIN_s]
    after = level_K[i:][minutes[i:] <= minutes[i - 1] + WITHIN_s]
    if len(before) < SETTLED or len(after) < SETTLED:
        return None
    start_K, end_K = float(np.median(before)), float(np.median(after[-SETTLED:]))
    if start_K - end_K < (LEAST_K if start_K >= WARM_K else LEAST_FROM_COLD_K) or np.ptp(before) > RANGE_K:
        return None
    # with a slow thermometer it goes on falling
    end_K = min(
        end_K, float(np.median(level_K[i:][minutes[i:] <= minutes[i - 1] + 2.0 * WITHIN_s][-SETTLED:]))
    )
    fall_K, middle_K = start_K - end_K, 0.5 * (start_K + end_K)
    below = i + np.flatnonzero(level_K[i:] < middle_K)
    if not len(below) or minutes[-1] - minutes[below[0]] < STOOD_s:
        return None
    since = level_K[below[0] :]
    if np.median(since) > middle_K or np.median(since[-SETTLED:]) > middle_K:
        return None
    earlier = level_K[:i][minutes[:i] >= minutes[i - 1] - LOOK_BACK_s]
    if np.mean(earlier < middle_K) > COLD_BEFORE:
        return None
    warm = np.flatnonzero(level_K[: below[0]] > start_K - 0.1 * fall_K)
    done = i + np.flatnonzero(level_K[i:] <= start_K - 0.9 * fall_K)
    at_s, done_s = float(minutes[warm[-1]]), float(minutes[done[0]] if len(done) else minutes[-1])
    return RollOut(at_s, fall_K, done_s - at_s)


def fall_words(found: RollOut, label: Callable[[float], str]) -> str:
    """Say what was seen; `label` makes a moment readable.

    >>> fall_words(RollOut(0.0, 24.7, 700.0), lambda _: "18:31 UTC")
    'the air fell 25 K at 18:31 UTC, within 12 min'
    """
    return f"the air fell {found.fall_K:.0f} K at {label(found.at_s)}, within {max(found.over_s / 60.0, 1.0):.0f} min"
