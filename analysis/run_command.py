"""`cornerhold run`: logger, analysis and page in one process, from one settings file."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
from pathlib import Path  # noqa: TC003  typer reads the annotations when the program runs
from typing import TYPE_CHECKING, Annotated, Any

import typer

from analysis import options as own
from logger import options
from logger.errors import PlainError

if TYPE_CHECKING:
    import socket
    from collections.abc import Coroutine

    from analysis.service import View
    from logger.settings import Settings

log = logging.getLogger(__name__)


def run(
    settings_file: options.Settings = None,
    journal: options.Journal = None,
    port: options.Port = None,
    findings_file: own.Findings = None,
    with_page: Annotated[
        bool | None,
        typer.Option("--page/--no-page", help="Serve the page; else if the settings have a [page]."),
    ] = None,
    verbose: options.Verbose = False,
) -> None:
    """Log a rig, watch the soak and serve the page in one process, until stopped (Ctrl-C or SIGTERM, exit 0).

    The same as `cornerhold logger`, `cornerhold analysis` and `cornerhold page` side by side; when one of them ends, all
    end (exit 1). But a watch that fails on the way (a file that is damaged) is told, and begun again: the recording goes
    on. The page is at the [page] host and port of the settings (127.0.0.1, 8460), in a thread of its own that
    only looks. Soaks are begun and ended with `cornerhold soak`, meanwhile.

    Example: cornerhold run --settings bay-2.toml
    """
    from analysis.live_command import log_to_stderr  # noqa: PLC0415  what --help does not need
    from logger.settings_files import journal_path, read_settings  # noqa: PLC0415

    settings = read_settings(settings_file, port)
    path = journal or journal_path(settings)
    if findings_file is not None and not findings_file.absolute().parent.is_dir():
        raise PlainError(f"{findings_file}: there is no such folder")
    log_to_stderr(verbose=verbose)
    with contextlib.ExitStack() as stack:
        listening = _page_address(settings, with_page=with_page)
        if listening is not None:
            stack.enter_context(listening)
        asyncio.run(_run(settings, path, findings_file, listening))


def _page_address(settings: Settings, *, with_page: bool | None) -> socket.socket | None:
    """Take the page's address before anything is logged, so that what is wrong with it is said at once; None: no page."""
    from analysis.page_server import listening_on, missing_words  # noqa: PLC0415
    from logger.delivery_settings import PageSettings  # noqa: PLC0415

    wanted = settings.page is not None if with_page is None else with_page
    if not wanted:
        return None
    missing = missing_words()
    if missing is not None and with_page:
        raise PlainError(missing)
    if missing is not None:
        # [page] may be there for a page that runs elsewhere, and the recording does not need one
        log.warning("no page here: %s", missing)
        return None
    own = settings.page or PageSettings()
    return listening_on(own.host, own.port, own.token_sha256)


def _page(settings: Settings, path: Path, listening: socket.socket) -> Coroutine[Any, Any, None]:
    """The page, ready to be started."""
    from analysis.page_command import with_keys  # noqa: PLC0415
    from analysis.page_guard import is_loopback  # noqa: PLC0415
    from analysis.page_rigs import Rigs, Watched  # noqa: PLC0415
    from analysis.page_server import PageThread, address_of, make_server  # noqa: PLC0415
    from logger.delivery_settings import PageSettings  # noqa: PLC0415

    own = settings.page or PageSettings()
    server = make_server(
        Rigs(with_keys([Watched(settings.rig.name, path, settings)])),
        own.token_sha256,
        only_loopback=is_loopback(listening.getsockname()[0]),
        names=(own.host, *own.names),
    )
    log.info("page: %s", address_of(listening))
    return PageThread(server, listening).run()


async def _run(
    settings: Settings, path: Path, findings_file: Path | None, listening: socket.socket | None
) -> None:
    from analysis.live_command import last_word, shown  # noqa: PLC0415

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    with shown() as view:
        page = None if listening is None else _page(settings, path, listening)
        said = await run_all(settings, path, findings_file, view, stop, page)
    last_word(path, said)


async def run_all(
    settings: Settings,
    path: Path,
    findings_file: Path | None,
    view: View,
    stop: asyncio.Event,
    page: Coroutine[Any, Any, None] | None = None,
) -> dict[str, Any] | None:
    """Run logger, analysis and page until `stop`; return the last findings; raise the error of the first that ended."""
    from analysis.kept_watch import keep_watching  # noqa: PLC0415
    from analysis.service import Service  # noqa: PLC0415
    from logger.daemon import Daemon  # noqa: PLC0415
    from logger.pulse import Progress, beating  # noqa: PLC0415
    from logger.with_mirrors import log_and_mirror  # noqa: PLC0415

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
    watching = asyncio.create_task(keep_watching(service, stop_watch, settings.rig.name), name="analysis")
    progress = Progress([*daemon.progress().stages, *service.progress().stages])
    essential: list[asyncio.Task[Any]] = [logging_task, watching]
    if page is not None:
        essential.append(asyncio.create_task(page, name="page"))
    told = asyncio.create_task(stop.wait(), name="stop")
    try:
        async with beating(progress, lambda: f"{daemon.status()}; {service.status()}", daemon.begun):
            await asyncio.wait((*essential, told), return_when=asyncio.FIRST_COMPLETED)
        # whichever ended first has the cause
        first = next((task for task in essential if task.done()), None)
        # the rig first, so that the watch takes all that was heard
        daemon.stop()
        await asyncio.wait((logging_task,))
        stop_watch.set()
        await asyncio.wait((watching,))
    finally:
        for task in (told, *essential):
            task.cancel()
        await asyncio.gather(told, *essential, return_exceptions=True)
    for done in (first, logging_task, watching):
        if done is not None:
            done.result()
    if first is not None and not stop.is_set():
        raise PlainError(f"the {first.get_name()} ended")
    return watching.result()
