"""`cornerhold tape add|list|correct|withdraw`: heights measured by hand."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from analysis import options
from logger.errors import PlainError

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.moments import Placed
    from analysis.soak_model import Soak
    from analysis.tape_check import Checker
    from analysis.tape_register import Height
    from logger.journal_reader import JournalReader
    from logger.settings import Settings

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="""Heights measured by hand, at any time: a car on its wheels can be judged by them, before and after.

    Measure each wheel always between the same two points, from the middle of the hub up to the edge of the arch, so that
    the tyre doesn't count. Keep hands and head out from between tyre and arch: a corner can drop without warning.
    A height counts if it was measured between the begin and the end of a soak.

    Example: cornerhold tape add front_left="652 mm" front_right="649 mm" --settings bay-2.toml
    """,
)
STALE_s = 900.0
SAME_m = 0.5e-3
"""What is typed again within this is the same."""

_JsonOption = Annotated[bool, typer.Option("--json", help="As JSON, one object a line.")]
_UncertaintyOption = Annotated[
    str, typer.Option(help="Of one reading: two in three repeat within it (standard uncertainty).")
]
_WhoOption = Annotated[str, typer.Option("--by", help="Who measured.")]
_SureOption = Annotated[bool, typer.Option("--sure", help="It is right, however unlikely it looks.")]


@app.command("add")
def add(
    heights: Annotated[
        list[str], typer.Argument(metavar="SECTION=HEIGHT...", help='Like front_left="652 mm".')
    ],
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    at: Annotated[str | None, typer.Option(help="When, like 2027-01-15T18:05:00Z; else now.")] = None,
    uncertainty: _UncertaintyOption = "1 mm",
    who: _WhoOption = "",
    sure: _SureOption = False,
    as_json: _JsonOption = False,
) -> None:
    """Enter heights; the analysis takes them in, also for a time that is past (it reads the soak again).

    A height that its neighbours and the cold speak against is asked about: type it again, or say --sure.

    Example: cornerhold tape add front_left="652 mm" front_right="649 mm" --settings bay-2.toml --by Mara
    """
    from analysis.register import Register, read_register  # noqa: PLC0415  not needed for --help
    from analysis.tape_check import Checker  # noqa: PLC0415
    from logger.clock import utc_text  # noqa: PLC0415  not needed for --help
    from logger.journal_reader import JournalReader  # noqa: PLC0415

    path, names, settings = _where(settings_file, journal)
    deviation_m = _deviation_m(uncertainty)
    typed = dict(_typed(text, names) for text in heights)
    if len(typed) < len(heights):
        raise PlainError(
            "a section stands there twice; measured again, it is entered by a command of its own"
        )
    with JournalReader(path) as reader:
        now = _moment(reader, settings, at)
        checker = Checker(reader, settings, now.placed, *read_register(path))
        if not sure:
            typed = _confirmed(typed, checker, names)
    with Register.open(path) as register:
        soaks = register.soaks()
        entered = utc_text()
        new = [now.height(0, name, height_m, deviation_m, entered, who) for name, height_m in typed.items()]
        new = register.add_heights(new)
        warnings = (*now.warnings, *_blocked(new, soaks, now.support))
        _tell(new, register.heights(), soaks, as_json=as_json, warnings=warnings)


@app.command("correct")
def correct(
    number: Annotated[int, typer.Argument(help="Of the height, as in the list.")],
    height: Annotated[str, typer.Argument(help='What it should be, like "652 mm".')],
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    uncertainty: Annotated[str | None, typer.Option(help="Of the reading; else as it was.")] = None,
    who: _WhoOption = "",
    sure: _SureOption = False,
    as_json: _JsonOption = False,
) -> None:
    """Put another height in the place of one that was wrong; both stay in the register.

    Example: cornerhold tape correct 3 "652 mm" --settings bay-2.toml
    """
    from dataclasses import replace  # noqa: PLC0415

    from analysis.moments import Placed  # noqa: PLC0415
    from analysis.register import Register, read_register  # noqa: PLC0415
    from analysis.tape_check import Checker  # noqa: PLC0415
    from logger.clock import utc_text  # noqa: PLC0415
    from logger.journal_reader import JournalReader  # noqa: PLC0415

    path, names, settings = _where(settings_file, journal)
    soaks, beside = read_register(path)
    old = next((h for h in beside.heights if h.id == number), None)
    if old is None:
        raise PlainError(f"there is no height number {number} (cornerhold tape list)")
    typed = dict([_typed(f"{old.section}={height}", names)])
    if not sure:
        others = replace(beside, heights=tuple(h for h in beside.heights if h.id != number))
        now = Placed(old.after_entry, old.rig_us, old.read_at, 0.0)
        with JournalReader(path) as reader:
            typed = _confirmed(typed, Checker(reader, settings, now, soaks, others), names)
    height_m = typed[old.section]
    with Register.open(path) as register:
        deviation_m = old.deviation_m if uncertainty is None else _deviation_m(uncertainty)
        better = replace(
            old, height_m=height_m, deviation_m=deviation_m, entered=utc_text(), who=who or old.who
        )
        new = register.withdraw_height(number, better)
        _tell([new], register.heights(), register.soaks(), as_json=as_json)


@app.command("withdraw")
def withdraw(
    number: Annotated[int, typer.Argument(help="Of the height, as in the list.")],
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    as_json: _JsonOption = False,
) -> None:
    """Take a height back: it no longer counts, and stays in the register.

    Example: cornerhold tape withdraw 3 --settings bay-2.toml
    """
    from analysis.register import Register  # noqa: PLC0415

    path, _, _ = _where(settings_file, journal)
    with Register.open(path) as register:
        gone = register.withdraw_height(number)
    if as_json:
        typer.echo(json.dumps(gone.as_dict(), ensure_ascii=False))
    else:
        typer.echo(f"{_line(gone)}: no longer counts")


@app.command("list")
def list_heights(
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    soak: Annotated[str | None, typer.Option(help="Of this soak only.")] = None,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="Those that count, as a file for analyse --tape.")
    ] = False,
    as_json: _JsonOption = False,
) -> None:
    """List the heights by hand, with their numbers, and to which soak each belongs.

    Example: cornerhold tape list --journal bay-2.journal --soak job-1042 --csv
    """
    from analysis.register import read_register  # noqa: PLC0415

    path, _, _ = _where(settings_file, journal)
    soaks, beside = read_register(path)
    heights = list(beside.heights)
    if soak is not None:
        named = next((one for one in soaks if one.name == soak), None)
        if named is None:
            raise PlainError(f"{path}: there is no soak '{soak}'")
        heights = [h for h in heights if h.belongs_to(named)]
    if as_csv:
        from analysis.tape_file import tape_csv  # noqa: PLC0415

        counting = [h for h in heights if h.withdrawn is None]
        typer.echo(tape_csv((h.read_at, h.section, h.height_m, h.deviation_m) for h in counting))
        return
    if not heights and not as_json:
        typer.echo("no height by hand was entered")
    for h in heights:
        where = _soak_of(h, soaks)
        if as_json:
            typer.echo(json.dumps({**h.as_dict(), "soak": where}, ensure_ascii=False))
            continue
        state = f"; in the soak '{where}'" if where else "; in no soak: does not count" if soaks else ""
        if h.withdrawn is not None:
            state = f"; withdrawn {h.withdrawn}" + ("" if h.instead is None else f", {h.instead} instead")
        typer.echo(f"{h.id}  {_line(h)}{state}")


class _Now:
    """The moment of a reading on the journal's axes, and what must be said of it."""

    def __init__(self, placed: Placed, warnings: tuple[str, ...], support: str) -> None:
        self.placed, self.warnings, self.support = placed, warnings, support

    def height(
        self, number: int, name: str, height_m: float, deviation_m: float, entered: str, who: str
    ) -> Height:
        from analysis.tape_register import Height  # noqa: PLC0415

        p = self.placed
        return Height(number, name, height_m, deviation_m, p.after_entry, p.rig_us, p.label, entered, who)


def _where(settings_file: Path | None, journal: Path | None) -> tuple[Path, list[str], Settings]:
    """Return the journal, its sections, and the settings."""
    from analysis.journals import stored_or, where  # noqa: PLC0415
    from logger.journal_reader import JournalReader  # noqa: PLC0415

    settings, path = where(settings_file, journal)
    with JournalReader(path) as reader:
        settings = stored_or(settings, reader)
        names = list(reader.sections() or settings.sections)
    return path, names, settings


def _moment(reader: JournalReader, settings: Settings, at: str | None) -> _Now:
    """Place a moment by the newest sample before it."""
    from analysis.moments import placed  # noqa: PLC0415

    found = placed(reader, settings, at, "a height needs its pressure beside it")
    warnings: tuple[str, ...] = ()
    if found.late_s > STALE_s:
        old = f"the rig's last reading before that is {found.late_s / 60.0:.0f} min older"
        warnings = (f"{old}: a height without the rig's readings around it does not count",)
    return _Now(found, warnings, settings.soak.support)


def _typed(text: str, names: list[str]) -> tuple[str, float]:
    """Return section and height in m of `front_left=652 mm`."""
    from analysis.tape_file import HIGHEST_m, LOWEST_m  # noqa: PLC0415
    from analysis.typed import read_option  # noqa: PLC0415
    from logger import units  # noqa: PLC0415

    name, equals, height = text.partition("=")
    if not equals:
        raise PlainError(f"'{text}': write section=height, like front_left=\"652 mm\"")
    if name.strip() not in names:
        raise PlainError(f"there is no section '{name.strip()}' (there: {', '.join(names)})")
    return name.strip(), read_option(name.strip(), height, units.LENGTH, LOWEST_m, HIGHEST_m)


def _deviation_m(text: str) -> float:
    from analysis.tape_file import LEAST_DEVIATION_m, MOST_DEVIATION_m  # noqa: PLC0415
    from analysis.typed import read_option  # noqa: PLC0415
    from logger import units  # noqa: PLC0415

    return read_option("--uncertainty", text, units.LENGTH, LEAST_DEVIATION_m, MOST_DEVIATION_m)


def _confirmed(typed: dict[str, float], checker: Checker, names: list[str]) -> dict[str, float]:
    """Return the heights once they are beyond doubt: at a terminal each doubtful one is asked for again."""
    sure = dict(typed)
    for name, height_m in typed.items():
        why = checker.doubt(name, height_m, sure)
        if why is None:
            continue
        if not can_ask():
            raise PlainError(f"{why}: measure again, between the same two points; if it is so, add --sure")
        typer.echo(f"{why}.", err=True)
        again = typer.prompt(f"{name}, measured again, to confirm it", err=True)
        sure[name] = _typed(f"{name}={again}", names)[1]
        if abs(sure[name] - height_m) > SAME_m and (why := checker.doubt(name, sure[name], sure)) is not None:
            raise PlainError(f"{why}, nor is it what was typed before: nothing was entered")
    return sure


def can_ask() -> bool:
    """Whether somebody sits at the terminal."""
    return sys.stdin.isatty()


def _soak_of(height: Height, soaks: list[Soak]) -> str | None:
    return next((soak.name for soak in reversed(soaks) if height.belongs_to(soak)), None)


def _blocked(new: list[Height], soaks: list[Soak], support: str) -> list[str]:
    """Return a warning if the heights belong to a soak whose struts can't move."""
    soak = next((one for one in reversed(soaks) if new[0].belongs_to(one)), None)
    if (soak.as_dict()["support"] if soak is not None else support) == "standing":
        return []
    return ["the soak is blocked, so heights say nothing; on its wheels it begins with --support standing"]


def _line(h: Height) -> str:
    by = f" by {h.who}" if h.who else ""
    return f"{h.section} {1000.0 * h.height_m:g} mm ±{1000.0 * h.deviation_m:g} mm at {h.read_at}{by}"


def _tell(
    new: list[Height],
    known: list[Height],
    soaks: list[Soak],
    *,
    as_json: bool,
    warnings: tuple[str, ...] = (),
) -> None:
    for h in new:
        where = _soak_of(h, soaks)
        if as_json:
            typer.echo(json.dumps({**h.as_dict(), "soak": where}, ensure_ascii=False))
            continue
        others = [o for o in known if o.section == h.section and o.withdrawn is None and o.id != h.id]
        others = [o for o in others if _soak_of(o, soaks) == where]
        if soaks and where is None:
            said = "in no soak: it does not count (--at says when it was measured)"
        elif not others:
            said = "the first one; measure again at the end"
        else:
            change_mm = 1000.0 * (h.height_m - others[0].height_m)
            said = f"{change_mm:+.1f} mm from the first one at {others[0].read_at}"
        typer.echo(f"{h.id}  {_line(h)}; {said}")
    for warning in warnings:
        typer.echo(f"cornerhold: {warning}", err=True)
