"""Recordings and journals in, findings out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.findings import findings
from analysis.notes_file import read_notes
from analysis.recording import Readings, read_recording
from analysis.soak import SoakAnalysis
from analysis.tape_file import read_tape
from logger.bounded import first_bytes
from logger.errors import PlainError
from logger.settings import Settings, default_settings

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from analysis.notes import Note
    from analysis.tape import TapeReading

SQLITE_HEADER = b"SQLite format 3\x00"


def analyse_readings(
    readings: Readings,
    settings: Settings,
    name: str,
    tape: Sequence[TapeReading] = (),
    notes: Sequence[Note] = (),
) -> dict[str, Any]:
    """Return the findings of one recording, with the heights by hand and the notes that belong to it."""
    soak = SoakAnalysis(settings, readings.sections, begin_utc=readings.begin_utc, tape=tape, notes=notes)
    soak.feed(readings.time_s, readings.values)
    soak.finish()
    return findings(soak, name, readings.notes)


def judge(
    path: Path,
    settings: Settings | None,
    soak: str | None,
    tape: Path | None = None,
    notes: Path | None = None,
) -> dict[str, Any]:
    """Return the findings of a recording (with files of heights by hand, of notes) or a journal (of one soak)."""
    if is_journal(path):
        if tape is not None:
            raise PlainError(f"{path}: a journal's heights are entered by 'cornerhold tape add', not --tape")
        if notes is not None:
            raise PlainError(f"{path}: a journal's notes are entered by 'cornerhold soak note', not --notes")
        from analysis.live import analyse_journal  # noqa: PLC0415  (a recording needs no journal)

        return analyse_journal(path, settings, soak=soak)
    if soak is not None:
        raise PlainError(f"{path}: --soak names a soak of a journal, and this is none")
    readings = read_recording(path)
    by_hand = () if tape is None else read_tape(tape, readings)
    noted = () if notes is None else read_notes(notes, readings)
    return analyse_readings(readings, settings or default_settings(), str(path), by_hand, noted)


def is_journal(path: Path) -> bool:
    """Whether a file is a journal, by its first bytes."""
    try:
        return first_bytes(path, len(SQLITE_HEADER)) == SQLITE_HEADER
    except OSError:
        return False  # the reader of recordings says in one line what is wrong with the file
