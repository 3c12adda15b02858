"""`cornerhold logger`: the daemon from the command line, and the question whether it is getting readings."""

from __future__ import annotations

import asyncio
import json
import logging
import signal
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from logger import options

if TYPE_CHECKING:
    from pathlib import Path

    from logger.settings import Settings


def log_rig(
    settings_file: options.Settings = None,
    journal: options.Journal = None,
    port: options.Port = None,
    status: Annotated[
        bool, typer.Option("--status", help="Log nothing; say whether readings come in (exit 1 if not).")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="With --status: one JSON object.")] = False,
    verbose: options.Verbose = False,
) -> None:
    """Log a rig into a journal until stopped (Ctrl-C or SIGTERM), through unplugged cables and restarts.

    With `[mqtt]` in the settings the readings are published, too, with `[influx]` they go to InfluxDB; what is away
    gets them afterwards.
    What the rig has said is on disk within a second and only then acknowledged; what was lost all the same
    stands in the journal as a gap. Exit 0 after a stop, 1 if logging could not begin or go on.

    Example: cornerhold logger --settings bay-2.toml --journal bay-2.journal
    """
    from logger.settings_files import journal_path, read_settings  # noqa: PLC0415  what --help does not need

    settings = read_settings(settings_file, port)
    path = journal or journal_path(settings)
    if status:
        _tell_status(path, as_json=as_json)
    else:
        logging.basicConfig(
            stream=sys.stderr,
            level=logging.DEBUG if verbose else logging.INFO,
            format="%(asctime)s %(levelname)s %(message)s",
        )
        asyncio.run(_run(settings, path))


async def _run(settings: Settings, path: Path) -> None:
    from logger.daemon import Daemon  # noqa: PLC0415
    from logger.pulse import beating  # noqa: PLC0415
    from logger.with_mirrors import log_and_mirror  # noqa: PLC0415

    daemon = Daemon(settings, path)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, daemon.stop)
    async with beating(daemon.progress(), daemon.status, daemon.begun):
        await log_and_mirror(daemon, settings, path)


def _tell_status(path: Path, *, as_json: bool) -> None:
    from logger.status import read_status  # noqa: PLC0415

    found = read_status(path)
    typer.echo(json.dumps(found.as_dict()) if as_json else found.sentence)
    raise typer.Exit(0 if found.readings_come_in else 1)
