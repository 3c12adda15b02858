"""`cornerhold analysis`: the live analysis as a service of its own."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
import sys
from pathlib import Path  # noqa: TC003  typer reads the annotations when the program runs
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.live import Live

    from analysis.rig_files import RigFiles
    from analysis.service import View
    from logger.settings import Settings

log = logging.getLogger(__name__)


def follow(
    settings_files: Annotated[
        list[Path] | None,
        typer.Option(
            "--settings",
            "-s",
            help="Settings (TOML), once for each rig, or a folder of them; else those in the journal.",
        ),
    ] = None,
    journals: Annotated[
        list[Path] | None,
        typer.Option(
            "--journal", "-j", help="Journal, once for each rig; else as the logger would choose it."
        ),
    ] = None,
    findings_file: Annotated[
        Path | None,
        typer.Option(
            "--findings",
            "-f",
            help="Keep the findings so far in this file (JSON); of several rigs: in this folder.",
        ),
    ] = None,
    until_idle: Annotated[
        float | None,
        typer.Option("--until-idle", min=0.1, help="End after so many seconds without a new sample."),
    ] = None,
    look: Annotated[
        bool,
        typer.Option("--look", help="Only look: keep no alarms, send no word, beside an analysis that does."),
    ] = False,
) -> None:
    """Follow a journal while the logger writes it, and keep saying how each section stands.

    The findings file is renewed when there is something new, at most about every second, and at the end (Ctrl-C or
    SIGTERM, exit 0). After a restart the journal is read again from its begin, so the findings don't depend on when
    the service was away. On a terminal each section has its line.

    Only the soak that runs is judged (`cornerhold soak`); a journal in which none was ever begun is judged whole. Alarms
    are kept in a file beside the journal and go to the broker and to people, if the settings name them.

    Several rigs are watched by one process. One that fails is told, tried again and costs the others nothing.

    Example: cornerhold analysis --settings bay-2.toml --journal bay-2.journal --findings bay-2.json
    """
    from analysis.rig_files import RigFiles, rig_files  # noqa: PLC0415  what --help does not need is loaded when needed
    from logger.settings import default_settings  # noqa: PLC0415
    from logger.settings_files import journal_path  # noqa: PLC0415

    log_to_stderr()
    rigs = rig_files(settings_files or [], journals or [])
    if len(rigs) > 1:
        _check_folder(findings_file)
        asyncio.run(_follow_several(rigs, findings_file, until_idle, look=look))
        return
    # neither settings nor journal: the logger's defaults
    files = rigs[0] if rigs else RigFiles(None, journal_path(default_settings()))
    settings, path = files.read()
    if findings_file is not None and not findings_file.absolute().parent.is_dir():
        raise PlainError(f"{findings_file}: there is no such folder")
    asyncio.run(_follow(settings, path, findings_file, until_idle, look=look))


def _check_folder(folder: Path | None) -> None:
    if folder is not None and not folder.is_dir():
        raise PlainError(
            f"{folder}: with several rigs --findings is a folder, and there is none of this name"
        )


class _Stderr(logging.Handler):
    """Writes to what stderr is at the moment: while a picture stands on the terminal, lines go above it.

    Where several rigs are watched, a line begins with the name of the one that it is about.
    """

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        from analysis.service import RIG  # noqa: PLC0415

        name = RIG.get()
        if name:
            # a copy: other handlers get the record as it was
            record = logging.makeLogRecord(
                vars(record) | {"msg": f"{name}: {record.getMessage()}", "args": None}
            )
        return super().format(record)

    def emit(self, record: logging.LogRecord) -> None:
        """Write one line."""
        try:
            print(self.format(record), file=sys.stderr)
        except (OSError, ValueError):
            self.handleError(record)


def log_to_stderr(*, verbose: bool = False) -> None:
    """Let the program's log go to stderr, a line each."""
    handler = _Stderr()
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    logging.basicConfig(handlers=[handler], level=logging.DEBUG if verbose else logging.INFO)


async def _follow(
    settings: Settings | None, path: Path, findings_file: Path | None, until_idle: float | None, *, look: bool
) -> None:
    from analysis.service import Service  # noqa: PLC0415
    from logger.pulse import beating  # noqa: PLC0415

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    with shown() as view:
        service = Service(
            settings, path, findings_file=findings_file, until_idle=until_idle, view=view, look=look
        )
        async with beating(service.progress(), service.status):
            said = await service.run(stop)
    last_word(path, said)


async def _follow_several(
    rigs: tuple[RigFiles, ...], findings_folder: Path | None, until_idle: float | None, *, look: bool
) -> None:
    from analysis.several import Several  # noqa: PLC0415
    from logger.pulse import beating  # noqa: PLC0415

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    several = Several(rigs, _Changes, findings_folder=findings_folder, until_idle=until_idle, look=look)
    async with beating(several.progress(), several.status):
        await several.run(stop)


def last_word(path: Path, said: dict[str, Any] | None) -> None:
    """Say at the end what was found, on a terminal as a table."""
    if said is None:
        log.info("%s: no samples of a section's pressure yet, so no findings", path)
    elif sys.stdout.isatty():
        from analysis.findings_table import tell  # noqa: PLC0415

        tell(said)


@contextlib.contextmanager
def shown() -> Iterator[View]:
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
    from logger.notice import duration_text  # noqa: PLC0415

    return f"NO READINGS for {duration_text(seconds)}: are logger and rig running?"


class _Changes:
    """What changed since the last look, for a service's log."""

    def __init__(self) -> None:
        self.last: dict[str, str] = {}
        self.silent = False

    def tell(self, said: dict[str, Any]) -> None:
        """Say which sections' verdicts or alarms changed."""
        from analysis.wording import loss_words  # noqa: PLC0415
        from analysis.words import standing_alarms  # noqa: PLC0415

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
