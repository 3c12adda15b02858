"""Readings into bins: robust means and the noise of single readings, the same whether they come live or from a file.

A bin closes when the first reading after its end arrives. What it holds depends only on the readings in it and on
the noise estimate carried from the bins before, never on how the stream was cut into chunks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# A reading further from the median than this many standard deviations is a spike.
SPIKE_DEVIATIONS = 5.0
# The noise estimate averages over about this many bins.
NOISE_MEMORY_BINS = 60.0
# Fewer equal readings in a row prove nothing.
STUCK_READINGS = 4
# Median of |difference of two normal readings|: 0.6745·√2 standard deviations.
MEDIAN_DIFFERENCE = 0.6745 * np.sqrt(2.0)
# The median of few differences is too large on average, by this over the number of readings (found by simulation,
# 3 to 60 normal readings; held by tests/unit/test_bins.py).
FEW_READINGS = 0.55


def median(values: Array) -> float:
    """Return the median of (n,) finite values; numpy's own spends ten times as long on a few hundred of them.

    >>> median(np.array([3.0, 1.0, 2.0])), median(np.array([4.0, 1.0, 2.0, 3.0]))
    (2.0, 2.5)
    """
    return float(medians(values))


def medians(rows: Array) -> Array:
    """Return the median of each column of (n, k) finite values, (k,)."""
    ordered = np.sort(rows, axis=0)
    return np.asarray(0.5 * (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]))


@dataclass(frozen=True)
class RawBin:
    """One closed bin. Arrays are (k,), one value per column; NaN where the bin had no reading."""

    time_s: float
    mean: Array
    used: NDArray[np.intp]
    spikes: NDArray[np.intp]
    variance: Array  # of `mean`, from the noise of single readings
    stuck: NDArray[np.bool_]  # every reading the same although the channel is known to be noisy


class BinMaker:
    """Collect rows into bins of `width_s`, aligned to time zero."""

    def __init__(self, columns: int, width_s: float, floor: Array) -> None:
        """`floor` (k,): the smallest believable standard deviation of a single reading of each column, its unit."""
        self.width_s = width_s
        self.floor = floor
        self.noise = np.full(columns, np.nan)
        self.bins = np.zeros(columns)
        self.step = np.full(columns, np.inf)  # smallest change ever seen: the converter's step
        self.index: int | None = None
        self.times: list[Array] = []
        self.rows: list[Array] = []

    def feed(self, time_s: Array, values: Array) -> list[RawBin]:
        """Take rows in time order, `time_s` (n,) and `values` (n, k); return the bins that they close."""
        if len(time_s) == 0:
            return []
        index = np.floor_divide(time_s, self.width_s).astype(np.int64)
        closed: list[RawBin] = []
        cuts = np.flatnonzero(np.diff(index)) + 1
        for start, end in zip((0, *cuts), (*cuts, len(time_s)), strict=True):
            here = int(index[start])
            if self.index is not None and here != self.index:
                closed.extend(self.finish())
            self.index = here
            self.times.append(time_s[start:end])
            self.rows.append(values[start:end])
        return closed

    def finish(self) -> list[RawBin]:
        """Close the open bin, if it holds anything."""
        if not self.times:
            return []
        time_s, rows = np.concatenate(self.times), np.concatenate(self.rows)
        self.times, self.rows = [], []
        return [self._close(time_s, rows)]

    def _close(self, time_s: Array, rows: Array) -> RawBin:
        columns = rows.shape[1]
        mean = np.full(columns, np.nan)
        used = np.zeros(columns, dtype=np.intp)
        spikes = np.zeros(columns, dtype=np.intp)
        stuck = np.zeros(columns, dtype=np.bool_)
        for k in range(columns):
            column = rows[:, k]
            good = column[np.isfinite(column)]
            if len(good) == 0:
                continue
            stuck[k] = self._is_stuck(k, good)
            if stuck[k]:
                continue
            self._learn_noise(k, good)
            noise = max(self.noise[k], self.floor[k]) if np.isfinite(self.noise[k]) else np.inf
            middle = median(good)
            # the scatter inside the bin holds the trend as well: a steep hour is no row of spikes
            spread = 1.4826 * median(np.abs(good - middle))
            limit = SPIKE_DEVIATIONS * max(noise, spread)
            kept = good[np.abs(good - middle) <= limit] if len(good) > 2 else good
            mean[k] = kept.mean()
            used[k] = len(kept)
            spikes[k] = len(good) - len(kept)
        noise = np.where(np.isfinite(self.noise), np.maximum(self.noise, self.floor), self.floor)
        return RawBin(float(time_s.mean()), mean, used, spikes, noise**2 / np.maximum(used, 1), stuck)

    def _is_stuck(self, column: int, good: Array) -> bool:
        if len(good) < STUCK_READINGS or np.ptp(good) > 0.0 or not np.isfinite(self.noise[column]):
            return False
        return bool(self.noise[column] > 2.0 * self.step[column])

    def _learn_noise(self, column: int, good: Array) -> None:
        """Average the noise of a single reading over bins, from the differences of neighbours."""
        if len(good) < 3:
            return
        changes = np.abs(np.diff(good))
        changes = changes[changes > 0.0]
        if len(changes):
            self.step[column] = min(self.step[column], float(changes.min()))
        noise = median(np.abs(np.diff(good))) / (MEDIAN_DIFFERENCE * (1.0 + FEW_READINGS / len(good)))
        self.bins[column] += 1.0
        weight = 1.0 / min(self.bins[column], NOISE_MEMORY_BINS)
        old = self.noise[column] if self.bins[column] > 1 else 0.0
        self.noise[column] = old + weight * (noise - old)
