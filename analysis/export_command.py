"""`cornerhold export`: a recording (CSV) from the journal."""

from __future__ import annotations

import json
import shlex
from datetime import datetime
from pathlib import Path  # noqa: TC003  typer reads the annotations when the program runs
from typing import Annotated

import typer


def export(
    journal: Annotated[Path, typer.Option("--journal", "-j", help="Journal file.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="Recording to write (CSV).")],
    settings_file: Annotated[
        Path | None,
        typer.Option(
            "--settings", "-s", help="Convert by these settings; else by those under which it was logged."
        ),
    ] = None,
    soak: Annotated[str | None, typer.Option(help="Only the readings of this soak, as it is judged.")] = None,
    begin: Annotated[
        str | None, typer.Option("--from", help="First moment, ISO 8601 with zone; else the journal's first.")
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", help="Last moment, ISO 8601 with zone; else the journal's last.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Say what was written as one JSON object.")] = False,
) -> None:
    """Write a recording (CSV) from a journal, also while the logger is writing to it.

    Values that are not good (open, short, out of range, stuck) become empty cells. The file appears when it
    is complete; what stood there before stays until then.

    Example: cornerhold export --journal bay-2.journal --soak job-1042 -o night.csv
    """
    from analysis.export import export_recording  # noqa: PLC0415  numpy is not needed for --help
    from analysis.progress import shown_progress  # noqa: PLC0415
    from logger.clock import utc_from_us  # noqa: PLC0415
    from logger.journal_reader import JournalReader  # noqa: PLC0415
    from logger.settings import load_settings  # noqa: PLC0415

    span_us = (_moment_us(begin, "--from"), _moment_us(end, "--to"))
    settings = None if settings_file is None else load_settings(settings_file)
    if output.exists() and output.samefile(journal):
        raise typer.BadParameter("is the journal itself", param_hint="--output")
    entries, by_hand = _entries_of(journal, soak)
    if soak is not None and span_us != (None, None):
        raise typer.BadParameter(
            "has a begin and an end of its own: leave --from and --to out", param_hint="--soak"
        )
    with JournalReader(journal, whole=True) as reader, shown_progress("exporting") as progress:
        done = export_recording(reader, output, settings, span_us, progress, entries)
    first, last = (
        utc_from_us(us).isoformat(timespec="seconds").replace("+00:00", "Z")
        for us in (done.begin_utc_us, done.end_utc_us)
    )
    if as_json:
        said = {"recording": str(output), "rows": done.rows, "begin": first, "end": last}
        typer.echo(json.dumps({**said, "missing_samples": done.missing}))
        return
    lost = f", {done.missing} samples are known to be missing" if done.missing else ""
    typer.echo(f"{output}: {done.rows} rows from {first} to {last}{lost}")
    if by_hand:
        only = "" if soak is None else f" --soak {shlex.quote(soak)}"
        typer.echo(
            f"{by_hand} heights by hand are not in it: cornerhold tape list -j {shlex.quote(str(journal))}{only} --csv"
        )


def _entries_of(journal: Path, name: str | None) -> tuple[tuple[int, int | None], int]:
    """Return the limits of a soak (None: all of the journal), and how many heights by hand belong to it."""
    from analysis.live import chosen  # noqa: PLC0415
    from analysis.register import read_register  # noqa: PLC0415

    if name is None:
        heights = read_register(journal)[1].heights
        return (0, None), sum(h.withdrawn is None for h in heights)
    soak, beside = chosen(journal, name)
    if soak is None:
        return (0, None), 0
    counted = sum(h.withdrawn is None and h.belongs_to(soak) for h in beside.heights)
    return (soak.after_entry, soak.last_entry), counted


def _moment_us(text: str | None, option: str) -> int | None:
    from logger.clock import us_from_utc  # noqa: PLC0415

    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(
            f"'{text}' is no time like 2027-01-15T18:00:00Z", param_hint=option
        ) from None
    if moment.tzinfo is None:
        raise typer.BadParameter(f"'{text}' has no zone; write …Z or …+01:00", param_hint=option)
    return us_from_utc(moment)
