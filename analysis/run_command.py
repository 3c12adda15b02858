"""`cornerhold run`: logger and analysis in one process, from one settings file."""

from __future__ import annotations

import asyncio
import signal
from pathlib import Path  # noqa: TC003  typer reads the annotations when the program runs
from typing import TYPE_CHECKING, Any

from analysis import options as own
from logger import options
from logger.errors import PlainError

if TYPE_CHECKING:
    from analysis.service import View
    from logger.settings import Settings


def run(
    settings_file: options.Settings = None,
    journal: options.Journal = None,
    port: options.Port = None,
    findings_file: own.Findings = None,
    verbose: options.Verbose = False,
) -> None:
    """Log a rig and watch the soak in one process, until stopped (Ctrl-C or SIGTERM, exit 0).

    The same as `cornerhold logger` and `cornerhold analysis` side by side; when one of the two ends, both end (exit 1).
    Soaks are begun and ended with `cornerhold soak`, meanwhile.

    Example: cornerhold run --settings bay-2.toml
    """
    from analysis.live_command import log_to_stderr  # noqa: PLC0415  what --help does not need
    from logger.commands import journal_path, read_settings  # noqa: PLC0415

    settings = read_settings(settings_file, port)
    path = journal or journal_path(settings)
    if findings_file is not None and not findings_file.absolute().parent.is_dir():
        raise PlainError(f"{findings_file}: there is no such folder")
    log_to_stderr(verbose=verbose)
    asyncio.run(_run(settings, path, findings_file))


async def _run(settings: Settings, path: Path, findings_file: Path | None) -> None:
    from analysis.live_command import last_word, shown  # noqa: PLC0415

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    with shown() as view:
        said = await run_both(settings, path, findings_file, view, stop)
    last_word(path, said)


async def run_both(
    settings: Settings, path: Path, findings_file: Path | None, view: View, stop: asyncio.Event
) -> dict[str, Any] | None:
    """Run logger and analysis until `stop`; return the last findings; raise the first error of either."""
    from analysis.service import Service  # noqa: PLC0415
    from logger.commands import log_and_mirror  # noqa: PLC0415
    from logger.daemon import Daemon  # noqa: PLC0415

    daemon = Daemon(settings, path)
    service = Service(
        settings,
        path,
        findings_file=findings_file,
        until_idle=None,
        view=view,
        look=False,
        beside_logger=True,
    )
    stop_watch = asyncio.Event()
    logging_task = asyncio.create_task(log_and_mirror(daemon, settings, path), name="logger")
    watching = asyncio.create_task(service.run(stop_watch), name="analysis")
    told = asyncio.create_task(stop.wait(), name="stop")
    try:
        await asyncio.wait((logging_task, watching, told), return_when=asyncio.FIRST_COMPLETED)
        # whichever ended first has the cause
        first = next((task for task in (logging_task, watching) if task.done()), None)
        # the rig first, so that the watch takes all that was heard
        daemon.stop()
        await asyncio.wait((logging_task,))
        stop_watch.set()
        await asyncio.wait((watching,))
    finally:
        for task in (told, logging_task, watching):
            task.cancel()
        await asyncio.gather(told, logging_task, watching, return_exceptions=True)
    for done in (first, logging_task, watching):
        if done is not None:
            done.result()
    if first is not None and not stop.is_set():
        raise PlainError(f"the {first.get_name()} ended")
    return watching.result()
