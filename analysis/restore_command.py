"""`cornerhold restore`: a backup in place of a journal, or where there is none."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  typer reads the annotations when the program runs
from typing import Annotated

import typer

from analysis import options


def restore(
    backup: Annotated[
        Path,
        typer.Argument(metavar="BACKUP", help="A backup's folder, or a journal with what lies beside it."),
    ],
    settings_file: Annotated[
        Path | None, typer.Option("--settings", "-s", help="Settings (TOML), for the journal's name.")
    ] = None,
    journal: options.Journal = None,
    force: Annotated[
        bool,
        typer.Option("--force", help="Also in place of a journal that holds something: it is moved aside."),
    ] = False,
    incomplete: Annotated[
        bool,
        typer.Option(
            "--incomplete",
            help="Take a lone copy as it is, without its newest entries, or without its soaks.",
        ),
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Say what was restored as one JSON object.")
    ] = False,
) -> None:
    """Restore a backup: the journal with its soaks, alarms and the places of the mirrors.

    Stop the logger, the analysis and the page of this rig first. The backup is checked before anything is touched. A
    journal that holds something is left alone without --force, and with it moved into a folder beside it. Broken off in
    the middle, nobody opens the journal until the same command has finished it. What the rig said after the backup, and
    was told is safe, is gone from the rig: a gap tells it.

    Example: cornerhold restore /mnt/backup/bay-2-20270115T180000Z --settings bay-2.toml
    """
    from analysis.journals import where  # noqa: PLC0415
    from analysis.progress import shown_progress  # noqa: PLC0415  what --help does not need is loaded when needed
    from analysis.restore import restore as put_back  # noqa: PLC0415
    from analysis.restore import told  # noqa: PLC0415
    from logger.errors import PlainError  # noqa: PLC0415

    if settings_file is None and journal is None:
        raise PlainError("which journal? Name it with --journal, or the rig's settings with --settings")
    _, path = where(settings_file, journal)
    with shown_progress(f"restoring {path.name}") as progress:
        done = put_back(backup, path, progress, force=force, incomplete=incomplete)
    typer.echo(told(done, as_json=as_json))
