"""The daemon, and beside it the mirrors that the settings name."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any, Final

from logger.outage import keep_going

if TYPE_CHECKING:
    from collections.abc import Coroutine
    from pathlib import Path

    from logger.daemon import Daemon
    from logger.settings import Settings

MIRROR_AGAIN_s: Final = 60.0


async def log_and_mirror(daemon: Daemon, settings: Settings, path: Path) -> None:
    """Run the daemon until it is stopped, and beside it the mirrors that the settings name."""
    mirrors: dict[str, Coroutine[Any, Any, None]] = {}
    if settings.mqtt is not None:
        from logger.mqtt import tls_context  # noqa: PLC0415  a logger without mirrors loads no numpy
        from logger.readings_mirror import ReadingsMirror  # noqa: PLC0415

        tls_context(settings.mqtt)  # a file that can't be used is a mistake to be told at once
        mirror = ReadingsMirror(settings.mqtt, path, settings.rig.name)
        mirrors["readings mirror"] = keep_going("readings are not published", mirror.run, MIRROR_AGAIN_s)
    if settings.influx is not None:
        from logger.influx_readings import journal_mirror  # noqa: PLC0415

        mirrors["InfluxDB mirror"] = journal_mirror(settings.influx, path, settings.rig.name).keep()
    tasks = [asyncio.create_task(body, name=name) for name, body in mirrors.items()]
    try:
        await daemon.run()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
