"""`cornerhold ready`: go or no go, before the car is left."""

from __future__ import annotations

import asyncio
import json
import logging
import shutil
import sys
from pathlib import Path  # noqa: TC003  (typer reads the annotations when it runs)
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.checks import last_hour, show_checks

if TYPE_CHECKING:
    from analysis.readiness import Check
    from logger.settings import Settings


def ready(
    settings_file: Annotated[Path, typer.Option("--settings", "-s", help="Settings file (TOML).")],
    journal: Annotated[
        Path | None, typer.Option("--journal", "-j", help="Journal file; else as the logger would choose it.")
    ] = None,
    hold: Annotated[
        str, typer.Option(help="How long the last readings are held against a fast leak.")
    ] = "2 min",
    confirmed: Annotated[
        bool, typer.Option("--confirmed", help="What only a person can see was looked at; don't ask.")
    ] = False,
    no_delivery: Annotated[
        bool, typer.Option("--no-delivery", help="Don't try broker and addresses (a test letter to each).")
    ] = False,
    begin: Annotated[str | None, typer.Option(help="Begin a soak of this name if it is a go.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON.")] = False,
) -> None:
    """Go or no go: sensors, fill, fast leaks, settling, supply, disk, clock, broker; then what only you can see.

    The logger must be running. It looks at the last hour of readings. Exit 0: go, 1: no go.

    Example: cornerhold ready --settings bay-2.toml --begin job-1042
    """
    from analysis.readiness import as_dicts, by_hand, check_readings  # noqa: PLC0415  not for --help
    from analysis.typed import read_option  # noqa: PLC0415
    from logger import units  # noqa: PLC0415
    from logger.settings import load_settings  # noqa: PLC0415
    from logger.settings_files import journal_path  # noqa: PLC0415

    settings = load_settings(settings_file)
    hold_s = read_option("--hold", hold, units.DURATION, 30.0, 3600.0)
    path = journal or journal_path(settings)
    seen, newest_s = last_hour(path, settings)
    checks = _computer(path, settings_file, newest_s)
    if seen is not None:
        checks += check_readings(seen, settings, hold_s)
        checks += _blanks(path, settings)
        checks += _outside(path, settings)
    if not no_delivery:
        checks += _delivery(settings)
    machine = all(check.state != "no" for check in checks)
    if not as_json:
        show_checks(checks)
    questions = by_hand(settings.soak.support)
    person = confirmed or (machine and not as_json and _confirm(questions))
    go = machine and person
    if as_json:
        said = {"cornerhold": "ready/1", "go": go, "checks": as_dicts(checks), "by_hand": questions,
                "confirmed": confirmed}  # fmt: skip
        typer.echo(json.dumps(said, ensure_ascii=False))
    else:
        typer.echo("GO" if go else "NO GO" if not machine else "NO GO: not everything was confirmed by hand")
    if go and begin is not None:
        from analysis.soak_command import begin as begin_soak  # noqa: PLC0415

        begin_soak(begin, settings_file, path, as_json=as_json)
    elif go and not as_json:
        typer.echo("Begin the soak: cornerhold soak begin NAME --settings " + str(settings_file))
    raise typer.Exit(0 if go else 1)


def _blanks(path: Path, settings: Settings) -> list[Check]:
    """Look at what the rig itself loses, of the sections whose settings name the rig's volume."""
    from analysis.blank_hold import verdict_of  # noqa: PLC0415
    from analysis.blank_register import blanks_for  # noqa: PLC0415
    from analysis.readiness import Check  # noqa: PLC0415
    from analysis.register import read_register  # noqa: PLC0415
    from logger.journal_reader import JournalReader  # noqa: PLC0415

    with JournalReader(path) as reader:
        newest = reader.newest("D")
    now_us = 0 if newest is None else newest.rig_us
    known = blanks_for(read_register(path)[1].blanks, None, now_us)
    checks = []
    for name, section in settings.sections.items():
        if name in known:
            checks.append(Check(f"{name} blank", *verdict_of(*known[name], settings)))
        elif section.rig_volume_m3 is not None:
            checks.append(
                Check(f"{name} blank", "care", "the rig's own loss was never measured (blank measure)")
            )
    return checks


def _outside(path: Path, settings: Settings) -> list[Check]:
    """Look whether the car was rolled out in the hours before."""
    from analysis.outside import seen_outside  # noqa: PLC0415
    from analysis.readiness import Check  # noqa: PLC0415
    from logger.journal_reader import JournalReader  # noqa: PLC0415

    with JournalReader(path) as reader:
        outside = seen_outside(reader, settings)
    if outside is None:
        return [Check("roll-out", "ok", "the air hasn't fallen as it does when a car is rolled out")]
    given = f"soak begin NAME --at {outside.at} (or earlier)"
    shut = f"if the corners were shut off before that, give the begin as it was: {given}"
    return [Check("roll-out", "care", f"{outside.sentence}; {shut}")]


def _computer(path: Path, settings_file: Path, newest_s: float | None) -> list[Check]:
    from analysis.readiness import check_computer  # noqa: PLC0415
    from logger.clock import utc_now  # noqa: PLC0415

    free = shutil.disk_usage(path.resolve().parent).free
    return check_computer(free, utc_now().timestamp(), newest_s, settings_file.stat().st_mtime)


def _delivery(settings: Settings) -> list[Check]:
    from analysis.check_command import try_delivery  # noqa: PLC0415
    from analysis.readiness import Check  # noqa: PLC0415

    if settings.mqtt is None and settings.notify is None:
        return [Check("delivery", "care", "neither [mqtt] nor [notify]: nobody will get word of an alarm")]
    logging.basicConfig(level=logging.CRITICAL)
    results = asyncio.run(try_delivery(settings.mqtt, settings.notify, settings.rig.name))
    return [Check(one.what, "ok" if one.works else "no", one.sentence) for one in results]


def _confirm(questions: list[str]) -> bool:
    """Ask for each; without a terminal nothing is confirmed."""
    if not sys.stdin.isatty():
        for question in questions:
            typer.echo(f"?     {question}")
        return False
    return all(typer.confirm(f"{question}?") for question in questions)
