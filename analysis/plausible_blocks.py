"""Readings in blocks of ten minutes, and spells of blocks: how doubts look at a soak, in constant memory.

A block closes when the first row after its end arrives, so nothing depends on how the stream was cut into chunks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BLOCK_s: Final = 600.0


@dataclass(frozen=True)
class Block:
    """One closed block: its rows, and the median of each column, (k,), NaN where there was no reading."""

    begin_s: float  # of its first row
    end_s: float  # of its last row
    time_s: Array
    rows: Array  # (n, k)
    middle: Array


class BlockMaker:
    """Collect rows into blocks aligned to time zero."""

    def __init__(self) -> None:
        """Begin with nothing."""
        self.index: int | None = None
        self.times: list[Array] = []
        self.rows: list[Array] = []

    def feed(self, time_s: Array, rows: Array) -> list[Block]:
        """Take rows in time order, (n,) and (n, k); return the blocks that they close."""
        if len(time_s) == 0:
            return []
        closed: list[Block] = []
        index = np.floor_divide(time_s, BLOCK_s).astype(np.int64)
        cuts = np.flatnonzero(np.diff(index)) + 1
        for start, end in zip((0, *cuts), (*cuts, len(time_s)), strict=True):
            here = int(index[start])
            if self.index is not None and here != self.index:
                closed.extend(self.finish())
            self.index = here
            self.times.append(time_s[start:end])
            self.rows.append(rows[start:end])
        return closed

    def finish(self) -> list[Block]:
        """Close the open block, if it holds anything."""
        if not self.times:
            return []
        time_s, rows = np.concatenate(self.times), np.concatenate(self.rows)
        self.times, self.rows = [], []
        return [Block(float(time_s[0]), float(time_s[-1]), time_s, rows, middle_of(rows))]


def middle_of(rows: Array) -> Array:
    """Return the median of each column of (n, k), NaN left out; NaN where a column has no reading.

    >>> middle_of(np.array([[1.0, np.nan], [4.0, np.nan], [2.0, 7.0]]))
    array([2., 7.])
    """
    ordered = np.sort(rows, axis=0)  # NaN goes last
    count = np.isfinite(rows).sum(axis=0)
    column = np.arange(rows.shape[1])
    low = ordered[np.maximum(count - 1, 0) // 2, column]
    high = ordered[np.minimum(count // 2, len(rows) - 1), column]
    return np.asarray(np.where(count > 0, 0.5 * (low + high), np.nan))


class Spell:
    """Follows one condition from block to block; it counts once it has held for so many in a row."""

    def __init__(self, needed: int) -> None:
        """`needed` blocks in a row make a spell: one alone may be a spike where readings are rare."""
        self.needed = needed
        self.length = 0
        self.run_begin_s = self.run_end_s = np.nan
        self.run_worst = 0.0
        self.begin_s = self.end_s = np.nan
        self.worst = 0.0
        self.over = False
        self.was = False  # whether there was such a spell

    def feed(self, block: Block, value: float, *, holds: bool) -> None:
        """Take what one block says: `value` is what was read; a value of NaN says nothing either way."""
        if math.isnan(value):
            return
        if not holds:
            self.length = 0
            self.over = self.was
            return
        if self.length == 0:
            self.run_begin_s, self.run_worst = block.begin_s, value
        self.length += 1
        self.run_end_s = block.end_s
        self.run_worst = max(self.run_worst, value, key=abs)
        if self.length >= self.needed:
            if not self.was:
                self.was, self.begin_s, self.worst = True, self.run_begin_s, self.run_worst
            self.worst = max(self.worst, self.run_worst, key=abs)
            self.end_s, self.over = self.run_end_s, False


class Extent:
    """Least and greatest of a column, by the median of three blocks in a row: one that strays doesn't count."""

    def __init__(self, columns: int) -> None:
        """For (k,) values."""
        self.older, self.last = np.full((2, columns), np.nan)
        self.low = np.full(columns, np.inf)
        self.high = np.full(columns, -np.inf)

    def feed(self, values: Array) -> None:
        """Take the values of one block, (k,), NaN where there is none."""
        less, more = np.minimum(self.older, self.last), np.maximum(self.older, self.last)
        calm = np.maximum(
            less, np.minimum(more, values)
        )  # NaN until there are three, and where there is no value
        self.low, self.high = np.fmin(self.low, calm), np.fmax(self.high, calm)
        there = np.isfinite(values)
        self.older = np.where(there, self.last, self.older)
        self.last = np.where(there, values, self.last)

    def swing(self) -> Array:
        """Return greatest minus least, (k,); NaN before three blocks."""
        return np.where(np.isfinite(self.low), self.high - self.low, np.nan)
