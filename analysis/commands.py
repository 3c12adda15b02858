"""The command line `cornerhold`: which commands there are, and what becomes of an error.

A command's module is imported only when the command is called (or when all are listed), so that the logger, a
small daemon, loads nothing of the analysis. To add a command, write a plain function with typer's annotations
in a module of its own and name it in `COMMANDS`.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import signal
import sys
import termios
import traceback
from importlib.metadata import version
from typing import TYPE_CHECKING, Annotated

import typer

from logger.errors import PlainError, one_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from types import FrameType

COMMANDS = {
    "run": "analysis.run_command:run",
    "logger": "logger.commands:log_rig",
    "rehearse": "analysis.rehearse_command:rehearse",
    "analysis": "analysis.live_command:follow",
    "ready": "analysis.ready_command:ready",
    "blank": "analysis.blank_command:app",
    "expect": "analysis.expect_command:expect",
    "soak": "analysis.soak_command:app",
    "tape": "analysis.tape_command:app",
    "alarms": "analysis.alarms_command:alarms",
    "check-delivery": "analysis.check_command:check_delivery",
    "analyse": "analysis.analyse_command:analyse",
    "show": "analysis.show_command:show",
    "page": "analysis.page_command:page",
    "report": "analysis.report_command:report",
    "compare": "analysis.compare_command:compare",
    "suspects": "analysis.suspects_command:suspects",
    "export": "analysis.export_command:export",
    "backup": "analysis.backup_command:backup",
    "restore": "analysis.restore_command:restore",
    "cylinder": "analysis.cylinder_command:cylinder",
    "calibrate": "analysis.calibrate_command:calibrate",
    "virtual-rig": "logger.virtual.commands:virtual_rig",
    "bench": "logger.bench.commands:bench",
    "pulse": "logger.pulse_command:pulse",
    "wire-check": "logger.wirecheck.commands:wire_check",
}
"""Name of the command: where its function is. In the order of the help page."""

_SHOW_CURSOR = "\x1b[?25h"


def build_app(names: Iterable[str] = tuple(COMMANDS)) -> typer.Typer:
    """The command line with the commands of these names."""
    app = typer.Typer(
        add_completion=False,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        help="Find out which corner of an air suspension holds its gas through a cold soak, and which leaks.",
    )
    app.callback()(_common)
    for name in names:
        module, _, function = COMMANDS[name].partition(":")
        found = getattr(importlib.import_module(module), function)
        if isinstance(found, typer.Typer):
            app.add_typer(found, name=name)
        else:
            app.command(name)(found)
    return app


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; ends with SystemExit.

    Exit codes: 0 done, 1 refused or failed (one line on stderr), 2 wrong usage, 130 and 143 interrupted.
    """
    arguments = sys.argv[1:] if arguments is None else arguments
    signal.signal(signal.SIGTERM, _end)
    with _sane_terminal():
        try:
            build_app(_called(arguments))(args=arguments, prog_name="cornerhold")
        except PlainError as error:
            _refuse(str(error))
        except KeyboardInterrupt:
            raise SystemExit(130) from None
        except BrokenPipeError:
            # whoever read the output has seen enough; the interpreter must not complain again at its end
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise SystemExit(1) from None
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            _refuse(f"{where}{error.strerror or error}")
        except Exception as error:  # noqa: BLE001  the last resort of a program that people use
            if os.environ.get("CORNERHOLD_TRACEBACK"):
                traceback.print_exc()
            else:
                reason = " ".join(str(error).split())
                _refuse(
                    f"a fault of the program: {type(error).__name__}: {reason} "
                    "(CORNERHOLD_TRACEBACK=1 shows where)"
                )
            raise SystemExit(1) from None


def _say_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"cornerhold {version('cornerhold')}")
        raise typer.Exit


def _common(
    _version: Annotated[
        bool,
        typer.Option("--version", callback=_say_version, is_eager=True, help="Say which version this is."),
    ] = False,
) -> None:
    """What stands before a command's name."""


def _called(arguments: list[str]) -> Iterable[str]:
    """The command that is called, alone; all of them where they must be listed."""
    first = next((argument for argument in arguments if not argument.startswith("-")), None)
    return (first,) if first in COMMANDS and arguments[0] == first else COMMANDS


def _refuse(reason: str) -> None:
    print(f"cornerhold: {one_line(reason)}", file=sys.stderr)
    raise SystemExit(1)


def _end(_number: int, _frame: FrameType | None) -> None:
    """SIGTERM ends the program in order: temporary files go, the cursor comes back."""
    raise SystemExit(143)


@contextlib.contextmanager
def _sane_terminal() -> Iterator[None]:
    """Leave the terminal as it was found, however the command ends."""
    terminal = next((s for s in (sys.stdin, sys.stdout, sys.stderr) if s is not None and s.isatty()), None)
    before = None
    if terminal is not None:
        with contextlib.suppress(termios.error, OSError):
            before = termios.tcgetattr(terminal.fileno())
    try:
        yield
    finally:
        # from the background it would not be set but stop the program, until somebody fetches it
        if terminal is not None and before is not None and _in_front(terminal.fileno()):
            with contextlib.suppress(termios.error, OSError):
                termios.tcsetattr(terminal.fileno(), termios.TCSADRAIN, before)
        for stream in (sys.stdout, sys.stderr):
            if stream is not None and stream.isatty():
                if _in_front(stream.fileno()):
                    with contextlib.suppress(OSError):
                        stream.write(_SHOW_CURSOR)
                        stream.flush()
                break


def _in_front(terminal: int) -> bool:
    """Whether this program is the one that the terminal listens to."""
    try:
        return os.tcgetpgrp(terminal) == os.getpgrp()
    except OSError:
        return True  # a terminal that controls nobody
