"""`cornerhold logger`: the daemon from the command line, and the question whether it is getting readings."""

from __future__ import annotations

import asyncio
import json
import logging
import signal
import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger import options

if TYPE_CHECKING:
    from collections.abc import Coroutine
    from pathlib import Path

    from logger.daemon import Daemon
    from logger.settings import Settings


log = logging.getLogger(__name__)

MIRROR_AGAIN_s = 60.0


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

    daemon = Daemon(settings, path)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, daemon.stop)
    async with beating(daemon.progress(), daemon.status, daemon.begun):
        await log_and_mirror(daemon, settings, path)


async def log_and_mirror(daemon: Daemon, settings: Settings, path: Path) -> None:
    """Run the daemon until it is stopped, and beside it the mirrors that the settings name."""
    from logger.outage import keep_going  # noqa: PLC0415

    mirrors: dict[str, Coroutine[Any, Any, None]] = {}
    if settings.mqtt is not None:
        from logger.mqtt import tls_context  # noqa: PLC0415
        from logger.readings_mirror import ReadingsMirror  # noqa: PLC0415

        tls_context(settings.mqtt)  # a file that can't be used is a mistake to be told at once
        mirror = ReadingsMirror(settings.mqtt, path, settings.rig.name)
        mirrors["readings mirror"] = keep_going("readings are not published", mirror.run, MIRROR_AGAIN_s)
    if settings.influx is not None:
        from logger.influx import journal_mirror  # noqa: PLC0415

        mirrors["InfluxDB mirror"] = journal_mirror(settings.influx, path, settings.rig.name).keep()
    tasks = [asyncio.create_task(body, name=name) for name, body in mirrors.items()]
    try:
        await daemon.run()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def _tell_status(path: Path, *, as_json: bool) -> None:
    from logger.status import read_status  # noqa: PLC0415

    found = read_status(path)
    typer.echo(json.dumps(found.as_dict()) if as_json else found.sentence)
    raise typer.Exit(0 if found.readings_come_in else 1)
