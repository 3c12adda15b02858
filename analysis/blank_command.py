"""`cornerhold blank measure|list|withdraw`: what the rig itself loses, with its ports capped."""

from __future__ import annotations

import json
from pathlib import Path  # noqa: TC003  (typer reads the annotations when it runs)
from typing import TYPE_CHECKING, Annotated

import typer

from analysis import options
from logger.errors import PlainError
from logger.units import SECONDS_PER_DAY, ZERO_CELSIUS_K

if TYPE_CHECKING:
    from analysis.blank import Measured
    from analysis.blank_register import Blank
    from analysis.readiness import Check, Seen
    from logger.settings import Settings

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="""What the rig itself loses, measured with its ports capped, and subtracted from what the sections lose.

    Cap each port where the section is joined on, fill to the pressure of the soak, shut the fill valves, wait ten minutes
    until gas and metal are of one temperature, in still air. The logger must be running, and no soak. Caps rated for the
    pressure, eye protection on; let the gas out before a cap comes off.

    Example: cornerhold blank measure --settings bay-2.toml --hold "20 min"
    """,
)
_JsonOption = Annotated[bool, typer.Option("--json", help="As JSON, one object a line.")]
OLD_s = 30.0


@app.command("measure")
def measure(
    settings_file: Annotated[Path, typer.Option("--settings", "-s", help="Settings file (TOML).")],
    sections: Annotated[
        list[str] | None, typer.Argument(metavar="[SECTION...]", help="Which are capped; else all.")
    ] = None,
    journal: options.Journal = None,
    hold: Annotated[str, typer.Option(help="How long the last readings are held.")] = "15 min",
    who: Annotated[str, typer.Option("--by", help="Who measured.")] = "",
    as_json: _JsonOption = False,
) -> None:
    """Hold the capped rig, and keep what it loses. Exit 0: fit to soak with; 1: it leaks, or can't be measured.

    It is subtracted only where the settings name both volumes of a section, `volume` and the rig's part of it,
    `rig_volume`; for a month, and for fills within 30 % of its pressure.

    Example: cornerhold blank measure front_left front_right --settings bay-2.toml --hold "20 min"
    """
    from analysis.blank_register import Blank  # noqa: PLC0415  what --help does not need is loaded when needed
    from analysis.checks import last_hour, show_checks  # noqa: PLC0415
    from analysis.readiness import as_dicts, sections_of  # noqa: PLC0415
    from analysis.register import Register  # noqa: PLC0415
    from analysis.typed import read_option  # noqa: PLC0415
    from logger import units  # noqa: PLC0415
    from logger.clock import utc_text  # noqa: PLC0415
    from logger.journal_reader import JournalReader  # noqa: PLC0415
    from logger.settings import load_settings  # noqa: PLC0415
    from logger.settings_files import journal_path  # noqa: PLC0415

    settings = load_settings(settings_file)
    hold_s = read_option("--hold", hold, units.DURATION, 120.0, 3600.0)
    path = journal or journal_path(settings)
    seen, newest_s = last_hour(path, settings)
    if seen is None or newest_s is None:
        raise PlainError(f"{path}: holds no reading yet: is the logger running?")
    _refuse_old(settings, newest_s)
    with JournalReader(path) as reader:
        newest, entry = reader.newest("D"), reader.newest_id()
    if newest is None:
        raise PlainError(f"{path}: holds no reading yet: is the logger running?")
    names = sections or sections_of(seen)
    if unknown := [name for name in names if name not in sections_of(seen)]:
        raise PlainError(f"there is no section '{unknown[0]}' (there: {', '.join(sections_of(seen))})")
    with Register.open(path) as register:
        if running := next((soak.name for soak in register.soaks() if soak.ended is None), None):
            raise PlainError(f"the soak '{running}' runs, and capped ports are none of it: end it first")
        checks, found = _hold(seen, names, settings, hold_s)
        label = utc_text(newest.utc_us)
        kept = [Blank(0, one, entry, newest.rig_us, label, who) for one in found]
        kept = register.add_blanks(kept) if kept else []
    go = bool(kept) and all(check.state != "no" for check in checks)
    if as_json:
        said = {"go": go, "checks": as_dicts(checks), "kept": [one.as_dict() for one in kept]}
        typer.echo(json.dumps({"cornerhold": "blank/1", **said}, ensure_ascii=False))
    else:
        show_checks(checks)
        typer.echo(f"kept {len(kept)} of {len(names)}; {'GO' if go else 'NO GO'}")
    raise typer.Exit(0 if go else 1)


@app.command("list")
def list_blanks(
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    as_json: _JsonOption = False,
) -> None:
    """List the blanks, oldest first; the last one of a section before a soak counts for it.

    Example: cornerhold blank list --journal bay-2.journal
    """
    from analysis.journals import where  # noqa: PLC0415
    from analysis.register import read_register  # noqa: PLC0415
    from logger.journal_reader import require_journal  # noqa: PLC0415

    _, path = where(settings_file, journal)
    require_journal(path)
    blanks = read_register(path)[1].blanks
    if not blanks and not as_json:
        typer.echo("no blank was measured")
    for one in blanks:
        typer.echo(json.dumps(one.as_dict(), ensure_ascii=False) if as_json else _line(one))


@app.command("withdraw")
def withdraw(
    number: Annotated[int, typer.Argument(help="Of the blank, as in the list.")],
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    as_json: _JsonOption = False,
) -> None:
    """Take a blank back, say because a fitting was changed since; it stays in the register.

    Example: cornerhold blank withdraw 2 --settings bay-2.toml
    """
    from analysis.journals import where  # noqa: PLC0415
    from analysis.register import Register  # noqa: PLC0415
    from logger.journal_reader import require_journal  # noqa: PLC0415

    _, path = where(settings_file, journal)
    require_journal(path)
    with Register.open(path) as register:
        gone = register.withdraw_blank(number)
    typer.echo(json.dumps(gone.as_dict(), ensure_ascii=False) if as_json else _line(gone))


def _refuse_old(settings: Settings, newest_s: float) -> None:
    from logger.clock import utc_now  # noqa: PLC0415

    age_s = utc_now().timestamp() - newest_s
    # the labels of a play in time lapse say nothing of the clock
    if settings.rig.clock == "host" and age_s > OLD_s:
        raise PlainError(f"the newest reading is {age_s / 60.0:.0f} min old: is the logger running?")


def _hold(
    seen: Seen, names: list[str], settings: Settings, hold_s: float
) -> tuple[list[Check], list[Measured]]:
    from analysis.blank_hold import judged_blank  # noqa: PLC0415

    checks, found = [], []
    for name in names:
        check, one = judged_blank(seen, name, settings, hold_s)
        checks.append(check)
        if one is not None:
            found.append(one)
    return checks, found


def _line(one: Blank) -> str:
    m, day = one.measured, 100.0 * SECONDS_PER_DAY
    air = "" if m.air_K is None else f", {m.air_K - ZERO_CELSIUS_K:.0f} °C"
    by = f" by {one.who}" if one.who else ""
    gone = "" if one.withdrawn is None else f"; withdrawn {one.withdrawn}"
    return (
        f"{one.id}  {m.section} {day * m.loss_per_s:.3g} ± {day * m.deviation_per_s:.2g} %/day of the rig's own volume "
        f"at {m.absolute_Pa / 1e5:.2f} bar absolute{air}, {m.hold_s / 60.0:g} min until {one.read_at}{by}{gone}"
    )
