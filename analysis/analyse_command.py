"""`cornerhold analyse`: recordings in, findings out."""

from __future__ import annotations

import json
from pathlib import Path  # noqa: TC003  (typer reads the annotations when it runs)
from typing import Annotated

import typer

from analysis.judge import judge
from logger.errors import PlainError
from logger.settings import load_settings


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
            from analysis.findings_table import tell  # noqa: PLC0415  (rich is loaded only for people)

            tell(result)
