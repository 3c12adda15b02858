"""Heights by hand beside a recording: a small CSV file, in and out.

A row for each time that somebody went round the car: `time` (ISO 8601 with zone) or `elapsed_s` (from the recording's
first row), `<section>.height_mm` for each section, optional `uncertainty_mm`. An empty cell is no reading.
"""

from __future__ import annotations

import csv
import io
from datetime import datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.csv_cells import shown
from analysis.recording import RecordingError, field_of
from analysis.tape import DEVIATION_m, REACH_s, TapeReading
from logger.bounded import file_bytes

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from analysis.recording import Readings

LOWEST_m, HIGHEST_m = 0.03, 2.0
"""No ride height lies outside (own choice): what was typed in cm or in m is caught."""
MOST_ROWS: Final = 1000
LEAST_DEVIATION_m, MOST_DEVIATION_m = 0.05e-3, 50e-3
_UNCERTAINTY: Final = "uncertainty_mm"


def read_tape(path: Path, readings: Readings) -> list[TapeReading]:
    """Read the heights by hand that belong to a recording; raises RecordingError with file, row, column, reason."""
    try:
        text = file_bytes(path).decode("utf-8-sig")
    except OSError as error:
        raise RecordingError(str(path), f"can't be read: {error.strerror or error}") from None
    except UnicodeDecodeError:
        raise RecordingError(str(path), "is not UTF-8 text") from None
    return parse_tape(text, readings, str(path))


def parse_tape(text: str, readings: Readings, file: str = "tape") -> list[TapeReading]:
    """Read the same from a text; times outside the recording and unknown sections are refused, not passed over."""
    rows = _rows(text, file)
    header = rows[0] if rows else []
    time_name = next((name for name in ("time", "elapsed_s") if name in header), None)
    if time_name is None:
        raise RecordingError(file, "has neither a column 'time' nor a column 'elapsed_s'", 1)
    if time_name == "time" and readings.begin_utc is None:
        raise RecordingError(
            file, "the recording has no clock: give 'elapsed_s', from its first row", 1, "time"
        )
    columns = _columns(header, time_name, readings, file)
    out = []
    for number, row in enumerate(rows[1:], 2):
        if not any(row):
            continue
        if len(row) != len(header):
            raise RecordingError(file, f"has {len(row)} cells, the header has {len(header)}", number)
        time_s = moment_s(row[header.index(time_name)], readings, (file, number, time_name))
        deviation_m = DEVIATION_m
        if _UNCERTAINTY in header and (cell := row[header.index(_UNCERTAINTY)]):
            bounds = (LEAST_DEVIATION_m, MOST_DEVIATION_m)
            deviation_m = _metres(cell, bounds, (file, number, _UNCERTAINTY))
        for place, section in columns.items():
            if row[place]:
                height_m = _metres(row[place], (LOWEST_m, HIGHEST_m), (file, number, header[place]))
                out.append(TapeReading(time_s, section, height_m, deviation_m))
    if not out:
        raise RecordingError(file, "holds no height")
    return out


def _rows(text: str, file: str) -> list[list[str]]:
    try:
        rows = [[cell.strip() for cell in row] for row in csv.reader(io.StringIO(text, newline=None))]
    except csv.Error as error:
        raise RecordingError(file, f"is no CSV table ({error})") from None
    if len(rows) > MOST_ROWS:
        raise RecordingError(
            file, f"has {len(rows)} rows: nobody measures by hand more than {MOST_ROWS} times"
        )
    return rows


def _columns(header: list[str], time_name: str, readings: Readings, file: str) -> dict[int, str]:
    """Return which column is the height of which section."""
    columns: dict[int, str] = {}
    for place, name in enumerate(header):
        if name in {time_name, _UNCERTAINTY}:
            continue
        section = name.rpartition(".")[0]
        if field_of(name) is None or not name.endswith(".height_mm"):
            raise RecordingError(file, "is no column like 'front_left.height_mm'", 1, _shown(name))
        if section not in readings.sections:
            known = ", ".join(readings.sections)
            raise RecordingError(file, f"the recording has no section '{section}', but {known}", 1, name)
        if section in columns.values():
            raise RecordingError(file, "stands twice in the header", 1, name)
        columns[place] = section
    if not columns:
        raise RecordingError(file, "has no column like 'front_left.height_mm'", 1)
    return columns


def moment_s(cell: str, readings: Readings, where: tuple[str, int, str]) -> float:
    """Return a cell's time in seconds since a recording's begin; `where` is file, row, and `time` or `elapsed_s`."""
    file, row, column = where
    if column == "elapsed_s":
        time_s = _number(cell, where)
    else:
        try:
            moment = datetime.fromisoformat(cell)
        except ValueError:
            raise RecordingError(
                file, f"'{_shown(cell)}' is no time like 2027-01-15T18:00:00Z", row, column
            ) from None
        if moment.tzinfo is None:
            raise RecordingError(file, f"'{_shown(cell)}' has no zone; write …Z or …+01:00", row, column)
        begin = readings.begin_utc
        begin_s = 0.0 if begin is None else float(begin.astype("datetime64[us]").astype(np.int64)) / 1e6
        time_s = moment.timestamp() - begin_s
    end_s = float(readings.time_s[-1])
    if not -REACH_s <= time_s <= end_s + REACH_s:
        side = "before the recording begins" if time_s < 0.0 else "after the recording ends"
        away_h = (-time_s if time_s < 0.0 else time_s - end_s) / 3600.0
        raise RecordingError(file, f"lies {away_h:.1f} h {side}: it can't count", row, column)
    return time_s


def _metres(cell: str, bounds: tuple[float, float], where: tuple[str, int, str]) -> float:
    file, row, column = where
    value = _number(cell, where) / 1000.0
    low, high = bounds
    if low <= value <= high:
        return value
    meant = next(
        (unit for unit, factor in (("cm", 10.0), ("m", 1000.0)) if low <= value * factor <= high), None
    )
    hint = f": in {meant}? The column is in mm" if meant and column != _UNCERTAINTY else ""
    raise RecordingError(file, f"{_shown(cell)} mm is implausible{hint}", row, column)


def _number(cell: str, where: tuple[str, int, str]) -> float:
    file, row, column = where
    try:
        value = float(cell)
    except ValueError:
        value = np.nan
    if not np.isfinite(value):
        raise RecordingError(file, f"'{_shown(cell)}' is no number", row, column)
    return value


def _shown(cell: str) -> str:
    return shown(cell.encode("utf-8"))


def tape_csv(readings: Iterable[tuple[str, str, float, float]]) -> str:
    """Return such a file from (time, section, height in m, standard uncertainty in m), a row per time and uncertainty.

    >>> print(tape_csv([("2027-01-15T18:05:00Z", "a", 0.652, 1e-3), ("2027-01-15T18:05:00Z", "b", 0.65, 1e-3)]))
    time,a.height_mm,b.height_mm,uncertainty_mm
    2027-01-15T18:05:00Z,652,650,1
    """
    table: list[tuple[str, float, dict[str, float]]] = []
    sections: dict[str, None] = {}
    for time, section, height_m, deviation_m in sorted(readings, key=lambda one: one[0]):
        sections.setdefault(section)
        row = next((r for r in table if r[:2] == (time, deviation_m) and section not in r[2]), None)
        if row is None:
            row = (time, deviation_m, {})
            table.append(row)
        row[2][section] = height_m
    lines = [",".join(["time", *(f"{name}.height_mm" for name in sections), _UNCERTAINTY])]
    for time, deviation_m, heights in table:
        cells = [f"{1000.0 * heights[name]:.10g}" if name in heights else "" for name in sections]
        lines.append(",".join([time, *cells, f"{1000.0 * deviation_m:.10g}"]))
    return "\n".join(lines)
