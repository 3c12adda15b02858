"""`cornerhold analysis`: the live analysis as a service of its own."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import signal
import sys
from pathlib import Path  # noqa: TC003  typer reads the annotations when the program runs
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from analysis.live import JournalSoak
    from logger.journal_reader import JournalReader
    from logger.settings import Settings

log = logging.getLogger(__name__)

POLL_s = 0.1
WRITE_s = 1.0
BEGINNING_s = 3.0


def follow(
    settings_file: Annotated[
        Path | None,
        typer.Option(
            "--settings", "-s", help="Settings (TOML); else those under which the journal was logged."
        ),
    ] = None,
    journal: Annotated[
        Path | None, typer.Option("--journal", "-j", help="Journal file; else as the logger would choose it.")
    ] = None,
    findings_file: Annotated[
        Path | None, typer.Option("--findings", "-f", help="Keep the findings so far in this file (JSON).")
    ] = None,
    until_idle: Annotated[
        float | None,
        typer.Option("--until-idle", min=0.1, help="End after so many seconds without a new sample."),
    ] = None,
) -> None:
    """Follow a journal while the logger writes it, and keep saying how each section stands.

    The findings file is renewed about every second and at the end (Ctrl-C or SIGTERM, exit 0). After a restart the
    journal is read again from its begin, so the findings don't depend on when the service was away.

    Example: cornerhold analysis --settings bay-2.toml --journal bay-2.journal --findings bay-2.json
    """
    from logger.commands import journal_path  # noqa: PLC0415  what --help does not need is loaded when needed
    from logger.settings import default_settings, load_settings  # noqa: PLC0415

    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    settings = None if settings_file is None else load_settings(settings_file)
    path = journal or journal_path(settings or default_settings())
    asyncio.run(_follow(settings, path, findings_file, until_idle))


async def _follow(
    settings: Settings | None, path: Path, findings_file: Path | None, until_idle: float | None
) -> None:
    from analysis.live import JournalSoak, settings_for  # noqa: PLC0415

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    reader = await _open(path, stop)
    if reader is None:
        return
    with reader:
        follower = JournalSoak(settings_for(reader, settings))
        await _loop(reader, follower, stop, findings_file, until_idle)
    _write(follower, path, findings_file, final=True)


async def _open(path: Path, stop: asyncio.Event) -> JournalReader | None:
    """Wait for the logger to begin the journal; a file that stays unreadable is refused with its reason."""
    from logger.journal_reader import JournalReader  # noqa: PLC0415
    from logger.journal_schema import JournalError  # noqa: PLC0415

    loop = asyncio.get_running_loop()
    there_since: float | None = None
    told = False
    while not stop.is_set():
        try:
            return JournalReader(path)
        except JournalError:
            # a journal that is just being made has no tables yet
            if os.path.exists(path):  # noqa: ASYNC240, PTH110  one look at a local file
                there_since = there_since or loop.time()
                if loop.time() - there_since > BEGINNING_s:
                    raise
            elif not told:
                log.info("%s: not there yet, waiting for the logger", path)
                told = True
        await _pause(stop, POLL_s)
    return None


async def _loop(
    reader: JournalReader,
    follower: JournalSoak,
    stop: asyncio.Event,
    findings_file: Path | None,
    until_idle: float | None,
) -> None:
    from analysis.live import PORTION  # noqa: PLC0415

    loop = asyncio.get_running_loop()
    written = heard = loop.time()
    shown = _Shown()
    while True:
        # after the call to stop everything that is there is still taken
        stopping = stop.is_set()
        entries = reader.read(PORTION)
        if entries:
            follower.take(entries, reader.boots())
            heard = loop.time()
        if loop.time() - written >= WRITE_s and follower.soak is not None and not stopping:
            shown.tell(_write(follower, reader.path, findings_file, final=False))
            written = loop.time()
        if not entries:
            idle = until_idle is not None and loop.time() - heard >= until_idle
            if stopping or idle:
                return
            await _pause(stop, POLL_s)
        else:
            await asyncio.sleep(0)


async def _pause(stop: asyncio.Event, seconds: float) -> None:
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(stop.wait(), seconds)


def _write(follower: JournalSoak, path: Path, file: Path | None, *, final: bool) -> dict[str, object] | None:
    from analysis.files import whole_file  # noqa: PLC0415

    said = follower.findings(str(path), final=final)
    if said is not None and file is not None:
        with whole_file(file) as handle:
            handle.write(json.dumps(said, ensure_ascii=False, allow_nan=False) + "\n")
    return said


class _Shown:
    """A line per section on a terminal, one after the other when something changed."""

    def __init__(self) -> None:
        self.last: dict[str, str] = {}

    def tell(self, said: dict[str, object] | None) -> None:
        """Say which sections' verdicts or alarms changed."""
        from analysis.words import loss_words  # noqa: PLC0415

        sections = said["sections"] if said is not None else []
        assert isinstance(sections, list)  # noqa: S101  (findings are plain JSON)
        for section in sections:
            alarms = [a["kind"] for a in section["alarms"] if a["cleared"] is None]
            state = f"{section['verdict']}{', alarm ' + ' and '.join(alarms) if alarms else ''}"
            if self.last.get(section["name"]) != state:
                self.last[section["name"]] = state
                log.info("%s: %s, loss %s", section["name"], state, loss_words(section))
