"""`cornerhold report`: one sheet for the customer's file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analysis import options
from logger.errors import PlainError

if TYPE_CHECKING:
    from analysis.report_data import Material
    from logger.settings import Settings


def report(  # noqa: PLR0913, PLR0917  each is an option of the command line
    what: Annotated[
        str | None,
        typer.Argument(metavar="[SOAK|FILE]", help="Name of a soak, or a journal, or a recording (CSV)."),
    ] = None,
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="File to write; else <soak or file>.report.html.")
    ] = None,
    tape: Annotated[
        Path | None, typer.Option(metavar="T.csv", help="Heights by hand of a recording.")
    ] = None,
    notes: Annotated[
        Path | None, typer.Option(metavar="N.csv", help="What was done meanwhile, of a recording.")
    ] = None,
    job: Annotated[str, typer.Option(help="The job's number, if the soak has none.")] = "",
    car: Annotated[str, typer.Option(help="The car, in your own words.")] = "",
    customer: Annotated[str, typer.Option(help="The customer's reference.")] = "",
) -> None:
    """Write the report of a soak: one HTML file that needs nothing beside it and prints on A4.

    Verdicts with interval and limit, a plot per section, weather, alarms, data quality, method and cautions. If
    the same job has an earlier soak, before and after. Without a name: the soak that was begun last. A report that
    is there already is replaced. Of a soak that still runs it tells the state so far, and says so.

    Example: cornerhold report job-1042 --settings bay-2.toml --output job-1042.html
    """
    from analysis.report import report_html  # noqa: PLC0415
    from logger.clock import utc_text  # noqa: PLC0415
    from logger.files import whole_file  # noqa: PLC0415  what --help does not need is loaded when needed
    from logger.settings import load_settings  # noqa: PLC0415

    settings = None if settings_file is None else load_settings(settings_file)
    material, name = _gather(what, settings, journal, tape, notes)
    path = output or Path(f"{name}.report.html")
    if not path.absolute().parent.is_dir():
        raise PlainError(f"{path}: there is no such folder")
    text = report_html(material, utc_text(), job=job, car=car, customer=customer)
    with whole_file(path) as file:
        file.write(text)
    typer.echo(f"{path}: {'state so far, the soak still runs' if material.running else 'report written'}")


def _gather(
    what: str | None,
    settings: Settings | None,
    journal: Path | None,
    tape: Path | None,
    notes: Path | None,
) -> tuple[Material, str]:
    """Find out what is meant; return it with the file name that suits it, without its end."""
    from analysis.judge import is_journal  # noqa: PLC0415
    from analysis.notes_file import read_notes  # noqa: PLC0415
    from analysis.recording import read_recording  # noqa: PLC0415
    from analysis.report_data import of_journal, of_readings  # noqa: PLC0415
    from analysis.tape_file import read_tape  # noqa: PLC0415
    from logger.journal_reader import require_journal  # noqa: PLC0415
    from logger.settings import default_settings  # noqa: PLC0415
    from logger.settings_files import journal_path  # noqa: PLC0415

    file = None if what is None or journal is not None else Path(what)
    if file is not None and file.is_file() and not is_journal(file):
        readings = read_recording(file)
        by_hand = () if tape is None else read_tape(tape, readings)
        noted = () if notes is None else read_notes(notes, readings)
        return of_readings(readings, settings or default_settings(), file.name, by_hand, noted), file.stem
    if tape is not None:
        raise PlainError(
            "--tape belongs to a recording; a journal's heights are entered by 'cornerhold tape add'"
        )
    if notes is not None:
        raise PlainError(
            "--notes belongs to a recording; a journal's notes are entered by 'cornerhold soak note'"
        )
    if file is not None and file.is_file():
        return of_journal(file, settings, None), file.stem
    path = journal or journal_path(settings or default_settings())
    if not path.exists():
        if what is None or journal is not None:
            require_journal(path)
        raise PlainError(f"{what}: no such file, and no journal {path} that could have a soak of this name")
    material = of_journal(path, settings, what)
    return material, _file_name(path.stem if what is None else what)


def _file_name(name: str) -> str:
    """A soak's name as a file may be called."""
    safe = "".join(c if c.isalnum() or c in "._-" else "_" for c in name)[:80]
    return safe.lstrip(".") or "soak"
