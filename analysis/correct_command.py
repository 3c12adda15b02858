"""`cornerhold soak correct`: put right what was said of a soak."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

from analysis import options
from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from analysis.soak_model import Soak
    from logger.journal_reader import JournalReader

_NONE = "none"


def correct(  # noqa: PLR0913, PLR0917  each is an option of the command line
    name: Annotated[str | None, typer.Argument(help="Of the soak; else the one begun last.")] = None,
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    begin: Annotated[str | None, typer.Option(help="When it began, like 2027-01-15T18:00:00Z.")] = None,
    end: Annotated[str | None, typer.Option(help="When it ended; of a soak that was ended.")] = None,
    new_name: Annotated[str | None, typer.Option("--name", help="What it is to be called.")] = None,
    job: Annotated[str | None, typer.Option(help="The job's number or name.")] = None,
    car: Annotated[str | None, typer.Option(help="The car, in your own words.")] = None,
    customer: Annotated[str | None, typer.Option(help="The customer's reference.")] = None,
    support: Annotated[str | None, typer.Option(help="blocked or standing.")] = None,
    gas: Annotated[str | None, typer.Option(help="nitrogen, dry air or shop air.")] = None,
    threshold: Annotated[
        list[str] | None,
        typer.Option(help='"2 %/day" for all, "front_left=3 %/day" for one section; may be repeated.'),
    ] = None,
    encloses: Annotated[
        list[str] | None,
        typer.Option(help='What is shut off together: "front_left=left strut, left line"; may be repeated.'),
    ] = None,
    planned_length: Annotated[
        str | None, typer.Option(help='How long it is to stand, like "14 h"; or none.')
    ] = None,
    planned_cold: Annotated[
        str | None, typer.Option(help='How cold the gas is to get, "-10 degC"; or none.')
    ] = None,
    who: Annotated[str, typer.Option("--by", help="Who puts it right.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="As JSON.")] = False,
) -> None:
    """Put right what was said of a soak: its begin, end, name, car, plan, and what its sections enclose.

    What isn't given stays. What stood before is kept (soak list --history). A running analysis reads the soak again, and
    takes back the alarms that don't hold any more.

    Example: cornerhold soak correct job-1042 --begin 2027-01-15T18:00:00Z --encloses "front_left=left strut"
    """
    from analysis.journals import where  # noqa: PLC0415
    from analysis.register import Register  # noqa: PLC0415  what --help does not need is loaded when needed
    from logger.journal_reader import JournalReader  # noqa: PLC0415

    _, path = where(settings_file, journal)
    plan = {"support": support, "gas": gas, "planned_length": planned_length, "planned_cold": planned_cold}
    with JournalReader(path) as reader, Register.open(path) as register:
        stood = _named(register.soaks(), name, path)
        better = replace(
            stood,
            name=stood.name if new_name is None else new_name.strip(),
            job=stood.job if job is None else job,
            car=stood.car if car is None else car,
            customer=stood.customer if customer is None else customer,
        )
        if begin is not None:
            after_entry, begun = _begin(reader, begin)
            better = replace(better, after_entry=after_entry, begun=begun)
        if end is not None:
            last_entry, ended = _end(reader, end, stood)
            better = replace(better, last_entry=last_entry, ended=ended)
        if threshold or encloses or any(plan.values()):
            better = replace(better, plan=_planned(stood, plan, threshold or [], encloses or []))
        if better == stood:
            raise PlainError(f"the soak '{stood.name}' stands so already: say what is to be put right")
        register.correct(better, who)
        beside = register.beside()
    if as_json:
        typer.echo(json.dumps(better.as_dict(), ensure_ascii=False))
    else:
        from analysis.plans import soak_words  # noqa: PLC0415

        typer.echo(f"put right: {soak_words(better)}")
    for what, ones in (("height(s) by hand", beside.heights), ("note(s)", beside.notes)):
        out = [
            one
            for one in ones
            if one.withdrawn is None and one.belongs_to(stood) and not one.belongs_to(better)
        ]
        if out:
            typer.echo(f"cornerhold: {len(out)} {what} lie outside it now and don't count", err=True)


def _named(soaks: Sequence[Soak], name: str | None, path: Path) -> Soak:
    if not soaks:
        raise PlainError(f"{path}: no soak was begun yet, so there is nothing to put right")
    found = soaks[-1] if name is None else next((soak for soak in soaks if soak.name == name), None)
    if found is None:
        known = ", ".join(f"'{soak.name}'" for soak in soaks)
        raise PlainError(f"{path}: there is no soak '{name}' (there: {known})")
    return found


def _begin(reader: JournalReader, begin: str) -> tuple[int, str]:
    from datetime import datetime  # noqa: PLC0415

    from analysis.moments import moment  # noqa: PLC0415
    from logger.clock import us_from_utc, utc_text  # noqa: PLC0415

    entry, label = moment(reader, begin, "--begin")
    reader.cursor = 0
    first = next(iter(reader.read(1)), None)
    if first is not None and us_from_utc(datetime.fromisoformat(label)) < first.utc_us - 1_000_000:
        raise PlainError(
            f"--begin: {label} is before the journal, whose first entry is of {utc_text(first.utc_us)}"
        )
    return entry, label


def _end(reader: JournalReader, end: str, stood: Soak) -> tuple[int, str]:
    from analysis.moments import moment  # noqa: PLC0415

    if stood.ended is None:
        raise PlainError(
            f"--end: the soak '{stood.name}' still runs: end it with 'cornerhold soak end --at {end}'"
        )
    return moment(reader, end, "--end")


def _planned(stood: Soak, changes: dict[str, str | None], thresholds: list[str], encloses: list[str]) -> str:
    """Return the soak's plan with what was given put over it."""
    from analysis.plans import plan_from  # noqa: PLC0415
    from logger.settings import settings_from_text  # noqa: PLC0415

    settings = settings_from_text(stood.plan)
    planned = settings.soak
    if changes["planned_length"] == _NONE:
        planned = replace(planned, planned_s=None)
    if changes["planned_cold"] == _NONE:
        planned = replace(planned, planned_cold_K=None)
    new = {key: None if word == _NONE else word for key, word in changes.items()}
    return plan_from(replace(settings, soak=planned), new, thresholds, encloses)
