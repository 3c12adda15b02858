"""`cornerhold show`: how a soak stands, live in the terminal."""

from __future__ import annotations

import json
import sys
import time
from typing import TYPE_CHECKING, Annotated, Final

import typer

from analysis import options

if TYPE_CHECKING:
    from analysis.state import Look, State

EVERY_s: Final = 1.0


def show(
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    once: Annotated[bool, typer.Option("--once", help="Say it once and end.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Say it once, as one JSON object.")] = False,
) -> None:
    """Show how the soak stands: is it measuring, the verdict of each section so far, alarms, gas left, until when.

    It only looks, beside the logger and the analysis; Ctrl-C ends it (exit 0). Where the output is no terminal it says
    it once.

    Example: cornerhold show --settings bay-2.toml
    """
    from analysis.state import Look  # noqa: PLC0415  what --help does not need is loaded when needed
    from logger.journal_reader import require_journal  # noqa: PLC0415
    from logger.settings import default_settings, load_settings  # noqa: PLC0415
    from logger.settings_files import journal_path  # noqa: PLC0415

    settings = None if settings_file is None else load_settings(settings_file)
    path = journal or journal_path(settings or default_settings())
    require_journal(path)
    with Look(path, settings) as look:
        state = look.state()
        if as_json:
            typer.echo(json.dumps(state.as_dict(), ensure_ascii=False, allow_nan=False))
        elif once or not sys.stdout.isatty():
            from rich.console import Console  # noqa: PLC0415

            from analysis.show import picture  # noqa: PLC0415

            Console(highlight=False).print(picture(state))
        else:
            _live(look, state)


def _live(look: Look, state: State) -> None:
    from rich.live import Live  # noqa: PLC0415

    from analysis.show import picture  # noqa: PLC0415

    try:
        with Live(picture(state), refresh_per_second=4, screen=False, vertical_overflow="crop") as view:
            while True:
                time.sleep(EVERY_s)
                view.update(picture(look.state()))
    except KeyboardInterrupt:
        return
