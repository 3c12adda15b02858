"""Linear first-order processes on an even time grid, without a Python loop over time.

A recurrence y[i+1] = a[i]·y[i] + b[i] is a chain of affine maps, and affine maps compose associatively;
so all partial chains come out of log2(n) passes over the whole array (doubling), also where `a` changes
with time.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from logger.virtual.draws import FloatArray


def recurrence(decay: FloatArray, drive: FloatArray, start: FloatArray) -> FloatArray:
    """Solve y[0] = start, y[i+1] = decay[i]·y[i] + drive[i].

    `decay` and `drive` are (n-1, k), `start` is (k,); the answer is (n, k).

    >>> recurrence(np.full((3, 1), 0.5), np.ones((3, 1)), np.array([4.0]))[:, 0]
    array([4.  , 3.  , 2.5 , 2.25])
    """
    a = np.array(decay, dtype=np.float64)
    b = np.array(drive, dtype=np.float64)
    shift = 1
    while shift < len(a):
        b[shift:] += a[shift:] * b[:-shift].copy()
        a[shift:] *= a[:-shift].copy()
        a[np.abs(a) < 1e-200] = 0.0  # denormal numbers would make the next pass ten times slower
        shift *= 2
    out = np.empty((len(a) + 1, a.shape[1]))
    out[0] = start
    out[1:] = a * start + b
    return out


def lagged(driver: FloatArray, step_s: float, lag_s: FloatArray, start: FloatArray) -> FloatArray:
    """First-order response dy/dt = (x − y)/τ to an input that runs straight from sample to sample (exact).

    y₁ = a·y₀ + (w − a)·x₀ + (1 − w)·x₁ with a = exp(−Δt/τ), w = (1 − a)·τ/Δt.  `driver` (n, k); `lag_s`
    (k,) or (n, k) (then the mean of both ends holds for a step); a lag of 0 follows at once. Closed form
    of the ramp response, e.g. Coughanowr & Koppel, first-order systems (from memory).
    """
    lag = np.broadcast_to(np.maximum(lag_s, 1e-6), driver.shape)
    middle = 0.5 * (lag[1:] + lag[:-1])
    decay = np.exp(-step_s / middle)
    weight = (1.0 - decay) * middle / step_s
    return recurrence(decay, (weight - decay) * driver[:-1] + (1.0 - weight) * driver[1:], start)


def wandering(
    rng: np.random.Generator,
    count: int,
    step_s: float,
    sd: FloatArray,
    correlation_s: FloatArray,
    *,
    settled: bool,
) -> FloatArray:
    """Ornstein–Uhlenbeck paths (count, k), exact at any step: x₁ = a·x₀ + sd·√(1 − a²)·ε, a = exp(−Δt/τ).

    `settled` starts from the stationary distribution, else from zero.
    """
    width = len(sd)
    decay = np.exp(-step_s / correlation_s)
    start = sd * rng.standard_normal(width)
    drive = sd * np.sqrt(1.0 - decay**2) * rng.standard_normal((count - 1, width))
    return recurrence(np.broadcast_to(decay, drive.shape), drive, start if settled else np.zeros(width))


def episodes(
    rng: np.random.Generator, count: int, step_s: float, per_day: float, mean_s: float
) -> FloatArray:
    """Mark (1.0) samples in episodes: Poisson beginnings, exponential lengths of at least one step."""
    mask = np.zeros(count)
    for begin in rng.uniform(0.0, count * step_s, rng.poisson(per_day * count * step_s / 86400.0)):
        first = math.floor(begin / step_s)
        length = max(1, round(rng.exponential(mean_s) / step_s))
        mask[first : first + length] = 1.0
    return mask
