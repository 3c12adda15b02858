"""`cornerhold alarms`: which alarms stand, and to acknowledge them without MQTT."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from pathlib import Path  # noqa: TC003  typer reads the annotations when the program runs
from typing import TYPE_CHECKING, Annotated, Final

import typer

from analysis import options
from logger.errors import PlainError

if TYPE_CHECKING:
    from analysis.alarm_store import Kept

PATIENCE_s: Final = 5.0
_LOOK_s: Final = 0.05


def alarms(
    settings_file: Annotated[
        Path | None, typer.Option("--settings", "-s", help="Settings (TOML), for the journal's name.")
    ] = None,
    journal: options.Journal = None,
    history: Annotated[bool, typer.Option("--all", "-a", help="Also those that are over.")] = False,
    acknowledge: Annotated[
        str | None,
        typer.Option(metavar="WHICH", help='An alarm\'s id, or "all": stop its repeats. It stands on.'),
    ] = None,
    by: Annotated[str, typer.Option(help="Who acknowledges.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per alarm.")] = False,
) -> None:
    """List the alarms that stand, or acknowledge them.

    The running analysis takes an acknowledgement within a second and passes it on to the broker. Exit 0.

    Example: cornerhold alarms --settings bay-2.toml --acknowledge all --by Mara
    """
    from analysis.alarm_store import read_alarms  # noqa: PLC0415  what --help does not need is loaded when needed
    from logger.journal_reader import require_journal  # noqa: PLC0415
    from logger.settings_files import journal_path, read_settings  # noqa: PLC0415

    path = journal or journal_path(read_settings(settings_file, None))
    require_journal(path)
    if acknowledge is not None:
        _acknowledge(path, acknowledge, by)
    found = [(name, alarm) for name, alarm in read_alarms(path) if history or alarm.cleared is None]
    for name, alarm in found:
        if as_json:
            typer.echo(json.dumps({"alarm": name, "state": alarm.state} | asdict(alarm), ensure_ascii=False))
        else:
            typer.echo(f"{name}  {_state(alarm)}: {alarm.sentence}")
    if not found and not as_json:
        typer.echo("no alarm stands" if not history else "there was no alarm")


def _state(alarm: Kept) -> str:
    who = f" by {alarm.acknowledged_by}" if alarm.state == "acknowledged" and alarm.acknowledged_by else ""
    return f"{alarm.kind} {alarm.state}{who}"


def _acknowledge(path: Path, which: str, by: str) -> None:
    from analysis.alarm_store import read_alarms  # noqa: PLC0415
    from analysis.register import Register  # noqa: PLC0415

    if not by.isprintable():
        raise PlainError("--by: must be a name that can be read")
    open_ones = [name for name, alarm in read_alarms(path) if alarm.state == "raised"]
    names = open_ones if which == "all" else [which]
    if which != "all" and which not in open_ones:
        raise PlainError(f"no alarm '{which}' stands that is not acknowledged yet")
    with Register.open(path) as register:
        register.acknowledge(names, by)
    end_s = time.monotonic() + PATIENCE_s
    while any(name in names and alarm.state == "raised" for name, alarm in read_alarms(path)):
        if time.monotonic() > end_s:
            raise PlainError("noted, but no analysis is running that would take it")
        time.sleep(_LOOK_s)
