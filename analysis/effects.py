"""The states of the estimator by name, and the time courses of the effects that have one of their own."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LEVEL: Final = 0  # ln of the amount of gas at the start
OFFSET: Final = 1  # K, gas over lagged air at the start
HEAT_FAST: Final = 2  # K, heat of the engine bay, soon gone
HEAT_SLOW: Final = 3  # K, the same, long lasting
AIR_SIDE: Final = 4  # temperature effect of the transducer at air temperature, in datasheet limits
GAS_SIDE: Final = 5  # the same by the gas's share in the transducer's temperature
CREEP: Final = 6  # of volume per decade of time
LAG: Final = 7  # ln(lag) beyond the grid's
AMBIENT: Final = 8  # K, constant error of the ambient sensor
BAROMETER: Final = 9  # Pa
COLUMN: Final = 10  # error of a standing section's gas column, as a fraction
DISTURBANCE: Final = 11  # K, slow, Ornstein-Uhlenbeck
WOBBLE: Final = 12  # gas lost beyond a loss that is steady while it leaks, as ln
AIR_LAG: Final = (
    13  # s, of the ambient sensor behind the air (or, negative, of the arch's air behind the air outside)
)
WATER: Final = 14  # share of what could condense in shop air
SUN: Final = 15  # first of three, K: morning, noon, afternoon
SUN_PARTS: Final = 3
STATES: Final = SUN + SUN_PARTS
THERMAL: Final = (OFFSET, HEAT_FAST, HEAT_SLOW, LAG, AMBIENT, DISTURBANCE, AIR_LAG, *range(SUN, STATES))


def sun_parts(time_of_day_s: float) -> Array:
    """Return how much of the sun's warmth falls into the morning, the noon and the afternoon part, (3,).

    Three overlapping cos² bumps around 09:40, 12:00 and 14:20 of sun time: their weighted sum follows any smooth
    winter day, early or late sun included. Common practice in regression with a smooth unknown shape, no source.
    """
    hours = (time_of_day_s / 3600.0) % 24.0
    distance = (hours - np.array([9.667, 12.0, 14.333])) / 2.333
    return np.where(np.abs(distance) < 1.0, np.cos(0.5 * np.pi * distance) ** 2, 0.0)


def followed(before: Array, now: Array, share: float, use: NDArray[np.bool_]) -> Array:
    """Return a smoothed quantity moved by `share` towards what is read now, (S,); NaN begins with the first reading.

    >>> followed(np.array([np.nan, 1.0, 1.0]), np.array([3.0, 2.0, 2.0]), 0.5, np.array([True, True, False]))
    array([3. , 1.5, 1. ])
    """
    moved = np.where(np.isnan(before), now, before + share * (now - before))
    return np.where(use, moved, before)


def warmth(elapsed_s: float, fading_s: float, lags_s: Array) -> Array:
    """Return the response of the lagged gas to heat that starts at one kelvin and fades: (L,).

    tau·dx/dt = exp(-t/f) - x, x(0) = 0:  x = f/(f - tau)·(exp(-t/f) - exp(-t/tau)),
    which for f = tau is t/tau·exp(-t/tau).
    """
    gap = fading_s - lags_s
    close = np.abs(gap) < 1e-6 * fading_s
    safe = np.where(close, 1.0, gap)
    apart = fading_s / safe * (np.exp(-elapsed_s / fading_s) - np.exp(-elapsed_s / lags_s))
    return np.asarray(np.where(close, elapsed_s / lags_s * np.exp(-elapsed_s / lags_s), apart))


def day_begins_s(begin_utc: np.datetime64 | None, longitude_deg: float) -> float | None:
    """Return when the day of the begin began by the mean sun of the place, in seconds since the begin.

    The sun goes 15 degrees an hour; the equation of time, a quarter of an hour at most, is left out.
    """
    if begin_utc is None:
        return None
    midnight_s = float((begin_utc.astype("datetime64[D]") - begin_utc) / np.timedelta64(1, "s"))
    return midnight_s - 240.0 * longitude_deg
