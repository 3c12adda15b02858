"""From the journal to a recording: counts to SI, bad values to empty cells, in constant memory.

The labels of the rows run on rig time, set by the newest sample that is exported: so they ascend and their
differences are true, also where the host's clock was set in between.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.recording_writer import RecordingWriter, columns_for
from logger.conversions import open_conversions
from logger.errors import PlainError
from logger.files import whole_file
from logger.journal_reader import reaches_us

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from logger.channels import SiBlock
    from logger.journal_reader import JournalReader
    from logger.journal_schema import Entry
    from logger.settings import Settings

_PORTION = 5000
_WARM_UP_us = 3_600_000_000
"""Conversion begins so long before the first row: stuck sensors and the supply are known by then."""


class ExportError(PlainError):
    """A journal from which nothing can be exported."""


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written."""

    rows: int
    begin_utc_us: int
    end_utc_us: int
    missing: int
    """Samples that the journal knows to be lost within the range."""


@dataclass(frozen=True, slots=True)
class _Span:
    """A range on the rig's time axis, both ends included; None is open."""

    begin_us: int | None
    end_us: int | None

    def rows(self, block: SiBlock) -> slice:
        """The samples of a block that lie inside; they ascend in time."""
        first = 0 if self.begin_us is None else int(np.searchsorted(block.rig_us, self.begin_us))
        last = len(block)
        if self.end_us is not None:
            last = int(np.searchsorted(block.rig_us, self.end_us, side="right"))
        return slice(first, last)

    def missing(self, entries: list[Entry]) -> int:
        """Samples that are known to be lost, by the gaps inside."""
        count = 0
        for entry in entries:
            after_begin = self.begin_us is None or entry.rig_us >= self.begin_us
            if entry.kind == "G" and after_begin and not self.is_over([entry]):
                gap = json.loads(entry.body)
                count += gap["last_seq"] - gap["first_seq"] + 1
        return count

    def is_over(self, entries: list[Entry]) -> bool:
        """Whether the entries reach behind the end."""
        end_us = reaches_us(entries)
        return self.end_us is not None and end_us is not None and end_us > self.end_us


def export_recording(
    reader: JournalReader,
    target: Path,
    settings: Settings | None = None,
    span_utc_us: tuple[int | None, int | None] = (None, None),
    progress: Callable[[float], None] = lambda _share: None,
    entries_of: tuple[int, int | None] = (0, None),
) -> Exported:
    """Write the samples whose labels lie within `span_utc_us` (both ends included) to `target`.

    `entries_of`: only what came after this entry of the journal, up to that one (a soak's limits, which are no times).
    Without `settings`, counts are converted by those under which they were logged.
    """
    newest = reader.newest(up_to=entries_of[1])
    if newest is None or newest.id <= entries_of[0]:
        raise ExportError(f"{reader.path}: holds no sample{' in that soak' if any(entries_of) else ''}")
    boots = reader.boots()
    channels = [name for boot in boots.values() for name in boot.channels]
    if not columns_for(channels):
        raise ExportError(f"{reader.path}: its rig has no channel that a recording has a column for")
    label_us = label_offset_us(reader, newest, span_utc_us[1])
    span = _Span(*(None if end is None else end - label_us for end in span_utc_us))
    if entries_of != (0, None):
        before = reader.newest(up_to=entries_of[0])
        span = _Span(None if before is None else before.rig_us + 1, newest.rig_us)
    conversions = open_conversions(reader, settings)
    if span.begin_us is not None:
        reader.seek(span.begin_us - _WARM_UP_us)
    first_id = reader.cursor
    first_us: int | None = None
    last_us = missing = 0
    with whole_file(target) as file:
        writer = RecordingWriter(file, channels)
        # up to the sample that was the newest one at the start: a writer may well be faster than this
        while entries := reader.read(max(0, min(_PORTION, newest.id - reader.cursor))):
            for block in conversions.convert(entries, boots):
                rows = span.rows(block)
                labels_us = block.rig_us[rows] + label_us
                writer.write(labels_us, block.names, block.good()[rows])
                if len(labels_us):
                    first_us = int(labels_us[0]) if first_us is None else first_us
                    last_us = int(labels_us[-1])
            missing += span.missing(entries)
            progress((reader.cursor - first_id) / max(newest.id - first_id, 1))
            if span.is_over(entries):
                break
        if first_us is None:
            raise ExportError(f"{reader.path}: holds no sample in that time")
    return Exported(writer.rows, first_us, last_us, missing)


def label_offset_us(reader: JournalReader, newest: Entry, end_utc_us: int | None) -> int:
    """Label less rig time of the newest sample up to `end_utc_us`."""
    if end_utc_us is not None:
        reader.seek_label(end_utc_us + 1)
        newest = reader.newest(up_to=reader.cursor) or newest
        reader.cursor = 0
    return newest.utc_us - newest.rig_us
