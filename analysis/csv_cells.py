"""Columns of text cells to numbers and times, a whole column at a time.

A recording of a weekend has two million cells, and nearly all cells of a column look alike: `587.2000`,
`2027-01-15T18:00:00Z`. So the cells of a column are grouped by their *layout*, which is the text with every
digit replaced by 0; each group is one small block of bytes from which the digits are added up by numpy. A
number so read is exact: an integer below 10^15, divided by a power of ten that is exact itself, is rounded
once, as `float()` rounds it. Whatever is laid out in an unusual way goes through Python, cell by cell; so
nothing is read in the fast way that would be refused in the slow one.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple, TypeVar

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

_LONGEST = 40
"""Cells of so many characters or more are not worth grouping, nor is"""
_LAYOUTS = 64
"""what has more different layouts than this in one column."""
_LONGEST_NUMBER = 100
_NUMBER = re.compile(rb"[+-]?(?:\d++(?:\.\d*+)?|\.\d++)(?:[eE][+-]?\d++)?")
_NUMBER_LAYOUT = re.compile(rb"([+-]?)(0*)(?:\.(0*))?")
_TIME_LAYOUT = re.compile(rb"0000-00-00[T ]00:00:00(?:\.(0{1,6}))?(?:Z|([+-])00:00)")
T = TypeVar("T")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Column(NamedTuple):
    """Where the cells of one column begin and end in the file's bytes."""

    text: NDArray[np.uint8]
    begin: NDArray[np.int64]
    end: NDArray[np.int64]

    def cell(self, row: int) -> bytes:
        """The text of one cell."""
        return self.text[self.begin[row] : self.end[row]].tobytes()


class CellError(ValueError):
    """A cell that can't be read; `row` counts from 0 within the column."""

    def __init__(self, row: int, reason: str) -> None:
        """Keep row and reason."""
        self.row, self.reason = row, reason
        super().__init__(reason)


class _Group(NamedTuple):
    rows: NDArray[np.int64]
    layout: bytes
    digits: NDArray[np.uint8]
    """(width, rows): the characters, less the code of "0"."""


def _groups(column: Column, other: list[NDArray[np.int64]]) -> Iterator[_Group]:
    """The cells by layout; rows that were left ungrouped are added to `other`. Empty cells are in none."""
    width = np.minimum(column.end - column.begin, _LONGEST)
    groups = 0
    for size in np.flatnonzero(np.bincount(width)).tolist():
        if size == 0:
            continue
        rows = np.flatnonzero(width == size)
        if size == _LONGEST:
            other.append(rows)
            continue
        windows = np.lib.stride_tricks.sliding_window_view(column.text, size)
        digits = np.ascontiguousarray(windows[column.begin[rows]].T) - np.uint8(48)
        while len(rows):
            groups += 1
            if groups > _LAYOUTS:
                other.append(rows)
                break
            first = digits[:, 0]
            like_first = np.ones(len(rows), np.bool_)
            for place in range(size):
                if first[place] < 10:
                    like_first &= digits[place] < 10
                else:
                    like_first &= digits[place] == first[place]
            layout = bytes(48 if code < 10 else (int(code) + 48) & 255 for code in first)
            if like_first.all():
                yield _Group(rows, layout, digits)
                break
            yield _Group(rows[like_first], layout, digits[:, like_first])
            rows, digits = rows[~like_first], digits[:, ~like_first]


def _whole(digits: NDArray[np.uint8]) -> NDArray[np.int64]:
    """The whole numbers that the digits (width, rows) spell."""
    number = np.zeros(digits.shape[1], np.int64)
    for place in digits:
        number *= 10
        number += place
    return number


def _each(
    column: Column, other: list[NDArray[np.int64]], read: Callable[[bytes], T]
) -> Iterator[tuple[int, T]]:
    if not other:
        return
    for row in np.sort(np.concatenate(other)).tolist():
        try:
            yield row, read(column.cell(row))
        except ValueError as error:
            raise CellError(row, str(error)) from None


def read_numbers(column: Column) -> NDArray[np.float64]:
    """Numbers; an empty cell is NaN, anything else that is no finite number raises CellError."""
    values = np.full(len(column.begin), np.nan)
    other: list[NDArray[np.int64]] = []
    for group in _groups(column, other):
        match = _NUMBER_LAYOUT.fullmatch(group.layout)
        count = group.layout.count(b"0")
        if match is None or not 0 < count <= 15:
            other.append(group.rows)
            continue
        places = [place for place, code in enumerate(group.layout) if code == 48]
        sizes = _whole(group.digits[places]) / 10.0 ** len(match[3] or b"")
        values[group.rows] = -sizes if match[1] == b"-" else sizes
    for row, value in _each(column, other, _number):
        values[row] = value
    return values


def _number(cell: bytes) -> float:
    cell = cell.strip()
    if not cell:
        return np.nan
    value = float(cell) if len(cell) <= _LONGEST_NUMBER and _NUMBER.fullmatch(cell) else np.nan
    if not np.isfinite(value):
        raise ValueError(f"'{shown(cell)}' is no number")
    return value


def read_times(column: Column) -> NDArray[np.int64]:
    """ISO 8601 times with zone, as µs since 1970 UTC; anything else raises CellError."""
    times = np.zeros(len(column.begin), np.int64)
    other: list[NDArray[np.int64]] = [np.flatnonzero(column.end == column.begin)]
    for group in _groups(column, other):
        match = _TIME_LAYOUT.fullmatch(group.layout)
        us = None if match is None else _fast_times(group.digits, len(match[1] or b""), match[2])
        if us is None:
            other.append(group.rows)
        else:
            times[group.rows] = us
    for row, value in _each(column, other, _time):
        times[row] = value
    return times


def _fast_times(digits: NDArray[np.uint8], decimals: int, sign: bytes | None) -> NDArray[np.int64] | None:
    """Times of one layout; None if any of them names no possible day, hour, minute, second or offset."""
    day_number = _whole(digits[[0, 1, 2, 3, 5, 6, 8, 9]])
    days = np.zeros_like(day_number)
    for number in np.unique(day_number).tolist():
        try:
            ordinal = date(number // 10000, number // 100 % 100, number % 100).toordinal()
        except ValueError:
            return None
        days[day_number == number] = ordinal - _EPOCH.toordinal()
    hour, minute, second = (_whole(digits[[place, place + 1]]) for place in (11, 14, 17))
    if (hour > 23).any() or (minute > 59).any() or (second > 59).any():
        return None
    us = ((days * 24 + hour) * 60 + minute) * 60_000_000 + second * 1_000_000
    if decimals:
        us += _whole(digits[20 : 20 + decimals]) * 10 ** (6 - decimals)
    if sign is not None:
        offset_hour, offset_minute = _whole(digits[-5:-3]), _whole(digits[-2:])
        if (offset_hour > 23).any() or (offset_minute > 59).any():
            return None
        offset_us = (offset_hour * 60 + offset_minute) * 60_000_000
        us = us + offset_us if sign == b"-" else us - offset_us
    return us


def _time(cell: bytes) -> int:
    text = shown(cell)
    if not text:
        raise ValueError("no time")
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"'{text}' is no time like 2027-01-15T18:00:00Z") from None
    if moment.tzinfo is None:
        raise ValueError(f"'{text}' has no zone; write it like 2027-01-15T18:00:00Z or …+01:00")
    return (moment - _EPOCH) // timedelta(microseconds=1)


def shown(cell: bytes) -> str:
    """A cell as it may stand in a message."""
    text = cell.decode("utf-8", "replace").strip()
    text = "".join(character if character.isprintable() else "?" for character in text)
    return text if len(text) <= 40 else text[:39] + "…"
