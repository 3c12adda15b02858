"""Notes beside a recording: a small CSV file, in and out.

A row for each thing that was done: `time` (ISO 8601 with zone) or `elapsed_s` (from the recording's first row), `kind`,
optional `section` (several with blanks between; empty: all), optional `text`.
"""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

import numpy as np

from analysis.notes import KINDS, NO_CLOCK, Note, kind_of
from analysis.recording import RecordingError
from analysis.tape_file import moment_s

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from analysis.recording import Readings

_COLUMNS = ("time", "elapsed_s", "kind", "section", "text")


def read_notes(path: Path, readings: Readings) -> list[Note]:
    """Read the notes that belong to a recording; raises RecordingError with file, row, column, reason."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise RecordingError(str(path), f"can't be read: {error.strerror or error}") from None
    except UnicodeDecodeError:
        raise RecordingError(str(path), "is not UTF-8 text") from None
    return parse_notes(text, readings, str(path))


def parse_notes(text: str, readings: Readings, file: str = "notes") -> list[Note]:
    """Read the same from a text; times outside the recording, unknown kinds and sections are refused."""
    try:
        rows = [[cell.strip() for cell in row] for row in csv.reader(io.StringIO(text), strict=True)]
    except csv.Error as error:
        raise RecordingError(file, f"bad quotes ({error})") from None
    header = rows[0] if rows else []
    time_name = _time_name(header, readings, file)
    out = []
    for number, row in enumerate(rows[1:], 2):
        if not any(row):
            continue
        if len(row) != len(header):
            raise RecordingError(file, f"has {len(row)} cells, the header has {len(header)}", number)
        cells = dict(zip(header, row, strict=True))
        out.append(_note(cells, readings, (file, number, time_name)))
    if not out:
        raise RecordingError(file, "holds no note")
    return out


def _time_name(header: list[str], readings: Readings, file: str) -> str:
    """Return which column has the time; RecordingError if the header can't be used."""
    found = next((name for name in ("time", "elapsed_s") if name in header), None)
    if found is None:
        raise RecordingError(file, "has neither a column 'time' nor a column 'elapsed_s'", 1)
    if found == "time" and readings.begin_utc is None:
        raise RecordingError(
            file, "the recording has no clock: give 'elapsed_s', from its first row", 1, "time"
        )
    if "kind" not in header:
        raise RecordingError(file, "has no column 'kind'", 1)
    for name in header:
        if name not in _COLUMNS or header.count(name) > 1:
            reason = "stands twice in the header" if name in _COLUMNS else "is none of " + ", ".join(_COLUMNS)
            raise RecordingError(file, reason, 1, name)
    return found


def _note(cells: dict[str, str], readings: Readings, where: tuple[str, int, str]) -> Note:
    file, row, time_name = where
    time_s = moment_s(cells[time_name], readings, where)
    kind = kind_of(cells["kind"])
    if kind is None:
        raise RecordingError(file, f"'{cells['kind']}' is none of {', '.join(KINDS)}", row, "kind")
    sections = tuple(dict.fromkeys(cells.get("section", "").split()))
    for section in sections:
        if section not in readings.sections:
            known = ", ".join(readings.sections)
            raise RecordingError(
                file, f"the recording has no section '{section}', but {known}", row, "section"
            )
    begin = NO_CLOCK if readings.begin_utc is None else readings.begin_utc
    return Note(kind, begin + np.timedelta64(round(1e6 * time_s), "us"), sections, cells.get("text", ""))


def notes_csv(notes: Iterable[tuple[str, str, tuple[str, ...], str]]) -> str:
    """Return such a file from (time, kind, sections, text).

    >>> print(notes_csv([("2027-01-15T21:40:00Z", "valve", ("a", "b"), "nut tightened, again")]))
    time,kind,section,text
    2027-01-15T21:40:00Z,valve,a b,"nut tightened, again"
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("time", "kind", "section", "text"))
    writer.writerows((time, kind, " ".join(sections), text) for time, kind, sections, text in sorted(notes))
    return out.getvalue().rstrip("\n")
