"""`cornerhold analyse`: recordings in, findings out."""

from __future__ import annotations

import json
from pathlib import Path  # noqa: TC003  (typer reads the annotations when it runs)
from typing import Annotated, Any

import typer

from analysis.findings import findings
from analysis.live import analyse_journal
from analysis.recording import Readings, read_recording
from analysis.soak import SoakAnalysis
from logger.settings import Settings, default_settings, load_settings

SQLITE_HEADER = b"SQLite format 3\x00"


def analyse_readings(readings: Readings, settings: Settings, name: str) -> dict[str, Any]:
    """Return the findings of one recording."""
    soak = SoakAnalysis(settings, readings.sections, begin_utc=readings.begin_utc)
    soak.feed(readings.time_s, readings.values)
    soak.finish()
    return findings(soak, name, readings.notes)


def analyse(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Recordings (CSV) or journals.")],
    settings: Annotated[
        Path | None,
        typer.Option(metavar="S.toml", help="Support, gas, sensors, thresholds; else the defaults."),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Findings as JSON, one line per recording.")
    ] = False,
) -> None:
    """Judge recordings: is each section tight, leaking or undecided, and how sure is that?

    A journal is analysed like a live soak, by the settings under which it was logged unless others are named.

    Example: cornerhold analyse --settings soak.toml --json weekend.csv
    """
    given = load_settings(settings) if settings is not None else None
    # all are read before anything is said: a bad file among several leaves no half answer
    results = [_judge(path, given) for path in files]
    for result in results:
        if as_json:
            typer.echo(json.dumps(result, ensure_ascii=False, allow_nan=False))
        else:
            from analysis.words import tell  # noqa: PLC0415  (rich is loaded only for people)

            tell(result)


def _judge(path: Path, settings: Settings | None) -> dict[str, Any]:
    if _is_journal(path):
        return analyse_journal(path, settings)
    return analyse_readings(read_recording(path), settings or default_settings(), str(path))


def _is_journal(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(SQLITE_HEADER)) == SQLITE_HEADER
    except OSError:
        return False  # the reader of recordings says in one line what is wrong with the file
