"""`cornerhold analysis`: the live analysis as a service of its own."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import signal
import sys
from dataclasses import dataclass
from pathlib import Path  # noqa: TC003  typer reads the annotations when the program runs
from typing import TYPE_CHECKING, Annotated, Any, Protocol

import typer

from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.live import Live

    from analysis.live import JournalFollower
    from logger.journal_reader import JournalReader
    from logger.settings import Settings

log = logging.getLogger(__name__)

POLL_s = 0.1
WRITE_s = 1.0
WRITING_SHARE = 0.1
BEGINNING_s = 3.0
SILENCE_s = 30.0
"""So long without a sample (or three sample periods) is worth a word: a silent monitor must not look like a tight car."""


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

    The findings file is renewed when there is something new, at most about every second, and at the end (Ctrl-C or
    SIGTERM, exit 0). After a restart the journal is read again from its begin, so the findings don't depend on when
    the service was away. On a terminal each section has its line.

    Example: cornerhold analysis --settings bay-2.toml --journal bay-2.journal --findings bay-2.json
    """
    from logger.commands import journal_path  # noqa: PLC0415  what --help does not need is loaded when needed
    from logger.settings import default_settings, load_settings  # noqa: PLC0415

    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    settings = None if settings_file is None else load_settings(settings_file)
    path = journal or journal_path(settings or default_settings())
    if findings_file is not None and not findings_file.absolute().parent.is_dir():
        raise PlainError(f"{findings_file}: there is no such folder")
    asyncio.run(_follow(settings, path, findings_file, until_idle))


async def _follow(
    settings: Settings | None, path: Path, findings_file: Path | None, until_idle: float | None
) -> None:
    from analysis.live import JournalFollower  # noqa: PLC0415

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    reader = await _open(path, stop, until_idle)
    if reader is None:
        return
    with reader, _shown() as shown:
        follower = JournalFollower(reader, settings)
        await _loop(follower, stop, _Output(findings_file, shown), until_idle)
        said = _write(follower, findings_file, final=True)
    if said is None:
        log.info("%s: no samples of a section's pressure yet, so no findings", path)
    elif sys.stdout.isatty():
        from analysis.words import tell  # noqa: PLC0415

        tell(said)


async def _open(path: Path, stop: asyncio.Event, until_idle: float | None) -> JournalReader | None:
    """Wait for the logger to begin the journal; a file that stays unreadable is refused with its reason."""
    from logger.journal_reader import JournalReader  # noqa: PLC0415
    from logger.journal_schema import JournalError  # noqa: PLC0415

    loop = asyncio.get_running_loop()
    begun = loop.time()
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
            if until_idle is not None and loop.time() - begun >= until_idle:
                raise
        await _pause(stop, POLL_s)
    return None


@dataclass(frozen=True)
class _Output:
    """Where the findings so far go."""

    file: Path | None
    shown: _Shown


async def _loop(
    follower: JournalFollower,
    stop: asyncio.Event,
    output: _Output,
    until_idle: float | None,
) -> None:
    loop = asyncio.get_running_loop()
    file = _identity(follower.reader.path)
    heard = loop.time()
    due = heard + WRITE_s
    told_us = newest_us = 0
    while True:
        # after the call to stop everything that is there is still taken
        stopping = stop.is_set()
        some = follower.step() > 0
        if follower.journal.newest_us != newest_us:
            heard, newest_us = loop.time(), follower.journal.newest_us
        if newest_us != told_us and loop.time() >= due and not stopping:
            begun, told_us = loop.time(), newest_us
            said = _write(follower, output.file, final=False)
            if said is not None:
                output.shown.tell(said)
            # a slow machine looks less often; its time is for the readings
            due = loop.time() + max(WRITE_s, (loop.time() - begun) / WRITING_SHARE)
        if some:
            await asyncio.sleep(0)
            continue
        silent_s = loop.time() - heard
        if stopping or (until_idle is not None and silent_s >= until_idle):
            return
        if _identity(follower.reader.path) != file:
            raise PlainError(f"{follower.reader.path}: was taken away or replaced while it was followed")
        worth_a_word = silent_s > SILENCE_s and silent_s > 3.0 * follower.period_s()
        output.shown.silence(silent_s if worth_a_word else None)
        await _pause(stop, POLL_s)


def _identity(path: Path) -> tuple[int, int] | None:
    """Which file stands under a name: one that was moved away would be followed for ever, in silence."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino


async def _pause(stop: asyncio.Event, seconds: float) -> None:
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(stop.wait(), seconds)


def _write(follower: JournalFollower, file: Path | None, *, final: bool) -> dict[str, Any] | None:
    from analysis.files import whole_file  # noqa: PLC0415

    said = follower.findings(final=final)
    if said is not None and file is not None:
        with whole_file(file) as handle:
            handle.write(json.dumps(said, ensure_ascii=False, allow_nan=False) + "\n")
    return said


class _Shown(Protocol):
    """Where a person looks."""

    def tell(self, said: dict[str, Any]) -> None:
        """Take findings so far."""

    def silence(self, seconds: float | None) -> None:
        """Take how long there has been no sample, None while they come in; called several times a second."""


@contextlib.contextmanager
def _shown() -> Iterator[_Shown]:
    """A line per section that is kept up to date on a terminal; else a line in the log whenever something changed."""
    if not sys.stdout.isatty():
        yield _Changes()
        return
    from rich.live import Live  # noqa: PLC0415

    from analysis.running import picture  # noqa: PLC0415

    # transient: the picture makes room for the last word, the table
    with Live(picture(None), refresh_per_second=2, transient=True) as view:
        yield _Picture(view)


class _Picture:
    """A picture that is kept up to date on a terminal."""

    def __init__(self, view: Live) -> None:
        self.view = view
        self.said: dict[str, Any] | None = None
        self.silent_s: float | None = None

    def tell(self, said: dict[str, Any]) -> None:
        """Show findings."""
        self.said, self.silent_s = said, None
        self._draw()

    def silence(self, seconds: float | None) -> None:
        """Show for how long nothing has come in."""
        if seconds != self.silent_s:
            self.silent_s = seconds
            self._draw()

    def _draw(self) -> None:
        from rich.console import Group  # noqa: PLC0415
        from rich.text import Text  # noqa: PLC0415

        from analysis.running import picture  # noqa: PLC0415

        whole = picture(self.said)
        if self.silent_s is not None:
            whole = Group(whole, Text(f"  {_silence_words(self.silent_s)}", style="bold red"))
        self.view.update(whole)


def _silence_words(seconds: float) -> str:
    from logger.link_state import duration_text  # noqa: PLC0415

    return f"NO READINGS for {duration_text(seconds)}: are logger and rig running?"


class _Changes:
    """What changed since the last look, for a service's log."""

    def __init__(self) -> None:
        self.last: dict[str, str] = {}
        self.silent = False

    def tell(self, said: dict[str, Any]) -> None:
        """Say which sections' verdicts or alarms changed."""
        from analysis.running import standing_alarms  # noqa: PLC0415
        from analysis.words import loss_words  # noqa: PLC0415

        for section in said["sections"]:
            alarms = standing_alarms(section)
            state = f"{section['verdict']} so far{', alarm ' + ' and '.join(alarms) if alarms else ''}"
            if self.last.get(section["name"]) != state:
                self.last[section["name"]] = state
                log.info("%s: %s, loss %s", section["name"], state, loss_words(section))

    def silence(self, seconds: float | None) -> None:
        """Say it once, and its end once."""
        if seconds is not None and not self.silent:
            log.warning("%s", _silence_words(seconds))
        elif seconds is None and self.silent:
            log.info("readings come in again")
        self.silent = seconds is not None
