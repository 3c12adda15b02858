"""`cornerhold analyse`: recordings in, findings out."""

from __future__ import annotations

import json
from pathlib import Path  # noqa: TC003  (typer reads the annotations when it runs)
from typing import TYPE_CHECKING, Annotated, Any

import typer

from analysis.findings import findings
from analysis.notes_file import read_notes
from analysis.recording import Readings, read_recording
from analysis.soak import SoakAnalysis
from analysis.tape_file import read_tape
from logger.bounded import first_bytes
from logger.errors import PlainError
from logger.settings import Settings, default_settings, load_settings

if TYPE_CHECKING:
    from collections.abc import Sequence

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


def analyse(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Recordings (CSV) or journals.")],
    settings: Annotated[
        Path | None,
        typer.Option(metavar="S.toml", help="Support, gas, sensors, thresholds; else the defaults."),
    ] = None,
    soak: Annotated[
        str | None, typer.Option(help="Of a journal: the soak of this name; else the one begun last.")
    ] = None,
    tape: Annotated[
        Path | None,
        typer.Option(metavar="T.csv", help="Heights by hand of a recording; a journal has its own (tape)."),
    ] = None,
    notes: Annotated[
        Path | None,
        typer.Option(
            metavar="N.csv",
            help="What was done meanwhile, of a recording (time,kind,section,text); a journal has its own "
            "(soak note).",
        ),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Findings as JSON, one line per recording.")
    ] = False,
) -> None:
    """Judge recordings: is each section tight, leaking or undecided, and how sure is that?

    A journal is analysed like a live soak, by the settings under which it was logged unless others are named: the
    soak that was begun last, or all of it if none ever was.

    Example: cornerhold analyse --settings soak.toml --json weekend.csv
    """
    given = load_settings(settings) if settings is not None else None
    # all are read before anything is said: a bad file among several leaves no half answer
    for option, file in (("--tape", tape), ("--notes", notes)):
        if file is not None and len(files) > 1:
            raise PlainError(f"{option} belongs to one recording: give one at a time")
    results = [judge(path, given, soak, tape, notes) for path in files]
    for result in results:
        if as_json:
            typer.echo(json.dumps(result, ensure_ascii=False, allow_nan=False))
        else:
            from analysis.words import tell  # noqa: PLC0415  (rich is loaded only for people)

            tell(result)


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
