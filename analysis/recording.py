"""Recordings: a CSV file of readings, in.

One header row, one column of time (`time`, ISO 8601 with zone, or `elapsed_s`), then, in any order,
`<section>.pressure_kPa`, `<section>.height_mm`, `<section>.gas_degC`, `ambient.temperature_degC`,
`ambient.pressure_kPa`. An empty cell is no reading. What can't be used at all is refused with file, row (the
line in the file), column and reason; what can be left out is left out and noted.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from analysis.csv_cells import CellError, Column, read_numbers, read_times, shown
from analysis.plausible_units import barometer_unit, nonsense, slips_of_a_bus
from logger.bounded import file_bytes
from logger.errors import PlainError
from logger.settings import SECTION_NAME
from logger.units import ZERO_CELSIUS_K

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray


class RecordingError(PlainError, ValueError):
    """A recording that can't be used; its text is one line: file, row, column, reason."""

    def __init__(self, file: str, reason: str, row: int | None = None, column: str | None = None) -> None:
        """`row` is the line in the file, counted from 1 (the header)."""
        self.file, self.row, self.column, self.reason = file, row, column, reason
        where = [file, f"row {row}" if row is not None else "", f"column '{column}'" if column else ""]
        super().__init__(": ".join([", ".join(part for part in where if part), reason]))


class Field(NamedTuple):
    """A kind of column: its ending, the channel's ending, and how the number becomes SI."""

    ending: str
    channel: str
    factor: float
    offset: float
    lowest: float
    highest: float
    decimals: int
    """What is written: finer than any converter's step."""


MOST_BYTES: Final = 256 * 2**20
"""A week at 1 Hz with twenty columns takes half of that."""
MOST_COLUMNS: Final = 500
LONGEST_s: Final = 366 * 86400.0
"""No soak lasts a year: a time that was typed wrong is caught."""
YEARS: Final = (1900, 2199)
_YEARS_us = tuple(int(np.datetime64(str(year), "us").astype(np.int64)) for year in (YEARS[0], YEARS[1] + 1))
_MOST_kPa, _MOST_mm, _MOST_degC = 1e5, 1e5, 1000.0
"""No gas spring reads more than a thousand bar, no height a hundred metres (own choice): the arithmetic has an end."""
FIELDS = (
    Field("pressure_kPa", "pressure", 1e3, 0.0, -110.0, _MOST_kPa, 4),
    Field("height_mm", "height", 1e-3, 0.0, -_MOST_mm, _MOST_mm, 3),
    Field("gas_degC", "gas_temperature", 1.0, ZERO_CELSIUS_K, -ZERO_CELSIUS_K, _MOST_degC, 4),
)
"""Of a section. A gauge pressure can't lie further below zero than the barometer is high."""
AMBIENT_FIELDS = (
    Field("temperature_degC", "temperature", 1.0, ZERO_CELSIUS_K, -ZERO_CELSIUS_K, _MOST_degC, 4),
    Field("pressure_kPa", "pressure", 1e3, 0.0, 30.0, 120.0, 4),
)
"""Of the surroundings. No ground on earth lies outside 30–120 kPa: a barometer in hPa or bar is caught."""


@dataclass(frozen=True, slots=True)
class Readings:
    """A recording in SI: one time axis, one array per channel, NaN where there is no reading."""

    begin_utc: np.datetime64 | None
    """Label of the first row (µs); None if the file has `elapsed_s`."""
    time_s: NDArray[np.float64]
    """Seconds since the first row, strictly ascending."""
    values: dict[str, NDArray[np.float64]]
    notes: tuple[str, ...] = ()

    @property
    def sections(self) -> tuple[str, ...]:
        """Names of the sections that have a pressure, in the file's order."""
        names = (name.rpartition(".") for name in self.values)
        return tuple(section for section, _, what in names if what == "pressure" and section != "ambient")


def field_of(header: str) -> tuple[str, Field] | None:
    """The channel that a column holds, and how to read it; None for an unknown column.

    >>> field_of("front_left.gas_degC")[0], field_of("front_left.mood")
    ('front_left.gas_temperature', None)
    """
    section, _, ending = header.rpartition(".")
    if not SECTION_NAME.fullmatch(section):
        return None
    for field in AMBIENT_FIELDS if section == "ambient" else FIELDS:
        if field.ending == ending:
            return f"{section}.{field.channel}", field
    return None


def read_recording(path: Path | str) -> Readings:
    """Read a recording; raises RecordingError."""
    path = Path(path)
    try:
        data = file_bytes(path, MOST_BYTES)
    except OSError as error:
        raise RecordingError(str(path), f"can't be read: {error.strerror or error}") from None
    return parse_recording(data, str(path))


def parse_recording(data: bytes, file: str = "recording") -> Readings:
    """A recording from its bytes; `file` names it in messages."""
    data = _plain_lines(data, file)
    header_line, _, body = data.partition(b"\n")
    header = [cell.strip() for cell in header_line.decode("utf-8").split(",")]
    time_name, known, notes = _understand(header, file)
    columns = _cut(body, len(header), file)
    notes += [f"column '{shown(name.encode())}' is not known and was left out" for name in _unknown(header)]
    time_us, time_s = _read_time(columns[header.index(time_name)], time_name, file)
    kept, time_notes = _in_order(time_us if time_us is not None else time_s)
    _check_length((time_us / 1e6 if time_us is not None else time_s)[kept], file, time_name)
    notes += time_notes
    seconds = time_us[kept] / 1e6 if time_us is not None else time_s[kept]
    values: dict[str, NDArray[np.float64]] = {}
    read = {header[place]: _read_field(columns[place], header[place], file) for place, _, _ in known}
    _refuse_nonsense(read, {header[place]: columns[place] for place, _, _ in known}, file)
    for place, channel, field in known:
        numbers = read[header[place]]
        _refuse_impossible(numbers, columns[place], field, header[place], file)
        numbers = numbers[kept]
        if field.offset == ZERO_CELSIUS_K:
            numbers, slips = _without_slips(seconds, numbers, header[place])
            notes += slips
        values[channel] = numbers + field.offset if field.factor == 1.0 else numbers * field.factor
        if np.isnan(values[channel]).all():
            notes.append(f"column '{header[place]}' holds no reading")
    if not any(_is_pressure(name) and not np.isnan(column).all() for name, column in values.items()):
        raise RecordingError(file, "holds no reading of any section's pressure")
    if time_us is not None:
        first = time_us[kept][0]
        return Readings(np.datetime64(int(first), "us"), (time_us[kept] - first) / 1e6, values, tuple(notes))
    return Readings(None, time_s[kept] - time_s[kept][0], values, tuple(notes))


def _plain_lines(data: bytes, file: str) -> bytes:
    """UTF-8 without mark, LF line ends, no quotes, no blank lines at the end."""
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        raise RecordingError(file, "is UTF-16 text; save it as UTF-8")
    data = data.removeprefix(b"\xef\xbb\xbf")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        raise RecordingError(file, "is not UTF-8 text", row) from None
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n")
    if b'"' in data:
        data = _without_quotes(data, file)
    data = data.rstrip(b"\n \t")
    if not data:
        raise RecordingError(file, "is empty")
    return data


def _without_quotes(data: bytes, file: str) -> bytes:
    lines: list[str] = []
    reader = csv.reader(io.StringIO(data.decode("utf-8"), newline=""), strict=True)
    try:
        for row in reader:
            if reader.line_num != len(lines) + 1 or any("," in cell for cell in row):
                raise RecordingError(file, "a quoted cell holds a comma or a line end", len(lines) + 1)
            lines.append(",".join(row))
    except csv.Error as error:
        raise RecordingError(file, f"bad quotes ({error})", len(lines) + 1) from None
    return "\n".join(lines).encode()


def _understand(header: list[str], file: str) -> tuple[str, list[tuple[int, str, Field]], list[str]]:
    """Name of the time column, the known columns (place, channel, field), notes."""
    if len(header) == 1 and re.search("[;\t]", header[0]):
        raise RecordingError(file, "cells must be separated by commas", 1)
    if len(header) > MOST_COLUMNS:
        raise RecordingError(file, f"has {len(header)} columns, at most {MOST_COLUMNS} are read", 1)
    for name in header:
        if name and header.count(name) > 1:
            raise RecordingError(file, "stands twice in the header", 1, shown(name.encode()))
    notes = []
    if "time" in header and "elapsed_s" in header:
        notes.append("column 'elapsed_s' was left out, 'time' is there")
    elif "time" not in header and "elapsed_s" not in header:
        raise RecordingError(file, "has neither a column 'time' nor a column 'elapsed_s'", 1)
    known = [(place, *found) for place, name in enumerate(header) if (found := field_of(name)) is not None]
    if not any(_is_pressure(channel) for _, channel, _ in known):
        raise RecordingError(file, "has no column like 'front_left.pressure_kPa'", 1)
    return "time" if "time" in header else "elapsed_s", known, notes


def _unknown(header: list[str]) -> list[str]:
    return [name for name in header if name not in {"time", "elapsed_s"} and field_of(name) is None]


def _is_pressure(channel: str) -> bool:
    return channel.endswith(".pressure") and channel != "ambient.pressure"


def _cut(body: bytes, width: int, file: str) -> list[Column]:
    """The cells of each column; every row must have as many as the header."""
    if not body:
        raise RecordingError(file, "has a header and no rows")
    text = np.frombuffer(body, np.uint8)
    commas = np.flatnonzero(text == 44)
    line_ends = np.append(np.flatnonzero(text == 10), len(text))
    cells = np.diff(np.searchsorted(commas, line_ends), prepend=0) + 1
    bad = np.flatnonzero(cells != width)
    if len(bad):
        row = int(bad[0])
        count = int(cells[row])
        what = "1 cell" if count == 1 else f"{count} cells"
        raise RecordingError(file, f"has {what}, the header has {width}", row + 2)
    rows = len(line_ends)
    bounds = np.empty((rows, width + 1), np.int64)
    bounds[1:, 0] = line_ends[:-1]
    bounds[0, 0] = -1
    bounds[:, 1:-1] = commas.reshape(rows, width - 1)
    bounds[:, -1] = line_ends
    return [Column(text, bounds[:, place] + 1, bounds[:, place + 1].copy()) for place in range(width)]


def _read_time(column: Column, name: str, file: str) -> tuple[NDArray[np.int64] | None, NDArray[np.float64]]:
    """Times in µs (None for elapsed_s), and seconds."""
    try:
        if name == "time":
            times = read_times(column)
            _check_years(times, column, file)
            return times, np.empty(0)
        seconds = read_numbers(column)
    except CellError as error:
        raise RecordingError(file, error.reason, error.row + 2, name) from None
    missing = np.flatnonzero(np.isnan(seconds))
    if len(missing):
        raise RecordingError(file, "no time", int(missing[0]) + 2, name)
    return None, seconds


def _check_years(times_us: NDArray[np.int64], column: Column, file: str) -> None:
    bad = np.flatnonzero((times_us < _YEARS_us[0]) | (times_us >= _YEARS_us[1]))
    if len(bad):
        row = int(bad[0])
        reason = f"{shown(column.cell(row))} lies outside the years {YEARS[0]} to {YEARS[1]}"
        raise RecordingError(file, reason, row + 2, "time")


def _check_length(times_s: NDArray[np.float64], file: str, name: str) -> None:
    """Of the rows that count: they ascend."""
    far = np.flatnonzero(times_s - times_s[0] > LONGEST_s)
    if len(far):
        days = float(times_s[far[0]] - times_s[0]) / 86400.0
        reason = f"a time lies {days:.4g} days after the first: no soak lasts that long"
        raise RecordingError(file, reason, None, name)


def _in_order(times: NDArray[np.int64] | NDArray[np.float64]) -> tuple[NDArray[np.int64] | slice, list[str]]:
    """Which rows go forward in time, and a note on those that don't."""
    forward = np.ones(len(times), np.bool_)
    forward[1:] = times[1:] > np.maximum.accumulate(times)[:-1]
    if forward.all():
        return slice(None), []
    left_out = np.flatnonzero(~forward)
    twice = np.isin(times[left_out], times[forward])
    notes = []
    for rows, what in (
        (left_out[twice], "a time that was there before"),
        (left_out[~twice], "a time that goes back"),
    ):
        if len(rows) == 1:
            notes.append(f"row {rows[0] + 2} has {what}; it was left out")
        elif len(rows):
            notes.append(f"{len(rows)} rows have {what}, the first is row {rows[0] + 2}; they were left out")
    return np.flatnonzero(forward), notes


def _read_field(column: Column, name: str, file: str) -> NDArray[np.float64]:
    try:
        return read_numbers(column)
    except CellError as error:
        raise RecordingError(file, error.reason, error.row + 2, name) from None


def _refuse_nonsense(
    read: Mapping[str, NDArray[np.float64]], columns: Mapping[str, Column], file: str
) -> None:
    """Refuse a column that can only be in another unit."""
    found = nonsense(read)
    if found is not None:
        cell = shown(columns[found.column].cell(found.place))
        raise RecordingError(file, f"{cell} {found.reason}", found.place + 2, found.column)


def _refuse_impossible(
    numbers: NDArray[np.float64], column: Column, field: Field, name: str, file: str
) -> None:
    """Refuse what no single reading can be."""
    bad = np.flatnonzero((numbers < field.lowest) | (numbers > field.highest))
    if not len(bad):
        return
    row = int(bad[0])
    unit = barometer_unit(float(numbers[row])) if name == "ambient.pressure_kPa" else ""
    hint = f"; it looks like {unit}" if unit else ""
    raise RecordingError(file, f"{shown(column.cell(row))} is physically impossible{hint}", row + 2, name)


def _without_slips(
    time_s: NDArray[np.float64], celsius: NDArray[np.float64], name: str
) -> tuple[NDArray[np.float64], list[str]]:
    """Take out what a digital thermometer said without having measured, and note it."""
    slips = slips_of_a_bus(time_s, celsius)
    if not len(slips):
        return celsius, []
    said = " or ".join(f"{value:.1f} °C" for value in np.unique(celsius[slips])[::-1])
    celsius = celsius.copy()
    celsius[slips] = np.nan
    times = "once" if len(slips) == 1 else f"{len(slips)} times"
    return celsius, [
        f"column '{name}' reads {said}, which such a thermometer says when it has not measured, {times}; left out"
    ]
