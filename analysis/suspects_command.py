"""`cornerhold suspects`: which component leaks, from several soaks of one job."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path
from typing import Annotated

import typer

from analysis import options
from logger.errors import PlainError


def suspects(
    soaks: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[SOAK...]",
            help="A job's file (TOML), or findings, recordings, JOURNAL#SOAK with --settings.",
        ),
    ] = None,
    settings_file: Annotated[
        Path | None,
        typer.Option("--settings", "-s", help="Settings whose sections say what they enclose."),
    ] = None,
    job_name: Annotated[
        str | None, typer.Option("--job", help="All soaks of this job (soak begin --job), from the journal.")
    ] = None,
    journal: options.Journal = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON.")] = False,
) -> None:
    """Which component leaks? Several soaks that enclosed different components, weighed together.

    Says of each component how probable it leaks, down to which temperature it is cleared, which verdicts contradict the
    others, and what to isolate next.

    With --job it takes the soaks that were begun with that job, each with what its sections enclosed then.

    Example: cornerhold suspects --job 1042 --settings bay-2.toml
    """
    from analysis.found import findings_from  # noqa: PLC0415  what --help does not need
    from analysis.job import enclosed_by, job_of, read_job, registered_soaks  # noqa: PLC0415
    from analysis.journals import where  # noqa: PLC0415
    from analysis.suspects import weigh  # noqa: PLC0415
    from analysis.suspects_words import said, sentences  # noqa: PLC0415
    from logger.journal_reader import require_journal  # noqa: PLC0415
    from logger.settings import load_settings  # noqa: PLC0415

    settings = None if settings_file is None else load_settings(settings_file)
    soaks = soaks or []
    if bool(soaks) == (job_name is not None):
        raise PlainError("give either soaks (or a job's file), or --job with the job's name")
    if job_name is not None:
        _, path = where(settings_file, journal)
        require_journal(path)
        job = job_of(registered_soaks(path, job_name, settings))
    elif len(soaks) == 1 and soaks[0].endswith(".toml"):
        job = read_job(Path(soaks[0]))
    elif any(text.endswith(".toml") for text in soaks):
        raise PlainError("a job's file stands alone; settings are given with --settings")
    elif settings is None:
        raise PlainError("--settings is needed: its sections say what they enclose; or write a job's file")
    else:
        encloses = enclosed_by(settings)
        job = job_of([(text, findings_from(text, settings), encloses) for text in soaks])
    result = said(job, weigh(job.priors, job.observations))
    if as_json:
        typer.echo(json.dumps(result, ensure_ascii=False))
        return
    for line in sentences(result):
        typer.echo(textwrap.fill(line, 100, subsequent_indent="  "))
