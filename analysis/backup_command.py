"""`cornerhold backup`: copies that have all that belongs together, while everything runs."""

from __future__ import annotations

import sys
from pathlib import Path  # noqa: TC003  typer reads the annotations when the program runs
from typing import Annotated

import typer

from logger.errors import PlainError


def backup(
    to: Annotated[Path, typer.Option("--to", "-t", help="Folder in which each backup gets one of its own.")],
    settings: Annotated[
        list[Path] | None,
        typer.Option(
            "--settings", "-s", help="Settings (TOML) of a rig, or a folder of them; once for each."
        ),
    ] = None,
    journals: Annotated[
        list[Path] | None,
        typer.Option("--journal", "-j", help="Journal; else the settings' one, else <rig name>.journal."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per journal.")] = False,
) -> None:
    """Back up journals with their soaks, alarms and the places of the mirrors, while everything runs.

    A copy of the journal's file alone lacks what its logger has not folded in yet, and the soaks. This takes one state of
    all, reads it again with every check, and only then gives it its name: <journal>-<moment> in the folder. Settings are
    not in it (they hold secrets), nor sessions of the page. Exit 1 if a journal could not be backed up; the others are.

    Example: cornerhold backup --settings /etc/cornerhold/rigs --to /mnt/backup
    """
    from analysis.backup import make_backup, told  # noqa: PLC0415  what --help does not need is loaded when needed
    from analysis.progress import shown_progress  # noqa: PLC0415
    from analysis.rig_files import rig_files  # noqa: PLC0415

    rigs = rig_files(settings or [], journals or [])
    if not rigs:
        raise PlainError("nothing to back up: name --settings or --journal, once for each rig")
    failed: list[str] = []
    for rig in rigs:
        try:
            _, path = rig.read()
            with shown_progress(f"backing up {path.name}") as progress:
                done = make_backup(path, to, progress)
        except (PlainError, OSError) as error:
            if len(rigs) == 1:
                raise
            failed.append(rig.label)
            print(f"cornerhold: {error}", file=sys.stderr)
        else:
            typer.echo(told(done, as_json=as_json))
    if failed:
        raise PlainError(f"{len(failed)} of {len(rigs)} journals were not backed up: {', '.join(failed)}")
