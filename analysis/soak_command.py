"""`cornerhold soak`: which part of a journal is a soak, of which car, and what is planned."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from analysis import options
from analysis.correct_command import correct
from analysis.note_command import list_notes, note
from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from analysis.soak_model import Soak
    from analysis.tape_register import Height
    from logger.journal_reader import JournalReader
    from logger.settings import Settings

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="""Begin, end, list and correct soaks, and note what was done to the car meanwhile.

    Readings outside a soak are logged and not judged.

    As long as no soak was ever begun in a journal, the whole journal is judged as one.

    Example: cornerhold soak begin job-1042 --settings bay-2.toml --car "blue shuttle, front struts"
    """,
)

_AtOption = Annotated[
    str | None,
    typer.Option(help="A moment that is past, like 2027-01-15T18:00:00Z; else now."),
]
_JsonOption = Annotated[bool, typer.Option("--json", help="As JSON.")]


@app.command("begin")
def begin(  # noqa: PLR0913, PLR0917  each is an option of the command line
    name: Annotated[str, typer.Argument(help="What the soak is called; each name once per journal.")],
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    job: Annotated[str, typer.Option(help="The job's number or name.")] = "",
    car: Annotated[str, typer.Option(help="The car, in your own words.")] = "",
    customer: Annotated[str, typer.Option(help="The customer's reference.")] = "",
    support: Annotated[str | None, typer.Option(help="blocked or standing; else as in the settings.")] = None,
    gas: Annotated[str | None, typer.Option(help="nitrogen, dry air or shop air.")] = None,
    threshold: Annotated[
        list[str] | None,
        typer.Option(help='"2 %/day" for all, "front_left=3 %/day" for one section; may be repeated.'),
    ] = None,
    encloses: Annotated[
        list[str] | None,
        typer.Option(help='What is shut off together: "front_left=left strut, left line"; may be repeated.'),
    ] = None,
    planned_length: Annotated[str | None, typer.Option(help='How long it is to stand, like "14 h".')] = None,
    planned_cold: Annotated[str | None, typer.Option(help='How cold the gas is to get, "-10 degC".')] = None,
    at: _AtOption = None,
    as_json: _JsonOption = False,
) -> None:
    """Begin a soak: from now on (or from `--at` on) the readings are judged, and alarms are raised.

    What is not given here is taken from the settings, and stays with the soak. The soak begins when the corners were shut
    off: a car that was rolled out since then is noticed by the air, and that moment is given with `--at`.

    Example: cornerhold soak begin job-1042 --settings bay-2.toml --planned-length "14 h" --planned-cold "-8 degC"
    """
    from analysis.outside import seen_outside  # noqa: PLC0415  what --help does not need is loaded when needed
    from analysis.register import Register  # noqa: PLC0415
    from analysis.soak_model import Soak  # noqa: PLC0415
    from logger.journal_reader import JournalReader  # noqa: PLC0415

    given, path = where(settings_file, journal)
    with JournalReader(path) as reader:
        settings = stored_or(given, reader)
        changes = {
            "support": support,
            "gas": gas,
            "planned_length": planned_length,
            "planned_cold": planned_cold,
        }
        plan = plan_from(settings, changes, threshold or [], encloses or [])
        entry, label = moment(reader, at)
        outside = seen_outside(reader, given, entry)
    if not name.strip() or not name.isprintable():
        raise PlainError("a soak needs a name that can be read")
    with Register.open(path) as register:
        soak = register.begin(
            Soak(0, name.strip(), job, car, customer, after_entry=entry, begun=label, plan=plan)
        )
    if as_json:
        seen = None if outside is None else outside.as_dict()
        typer.echo(json.dumps({**soak.as_dict(), "rolled_out": seen}, ensure_ascii=False))
        return
    typer.echo(f"soak '{soak.name}' begun at {label}: {_plan_words(soak)}")
    if outside is not None:
        typer.echo(
            f"{outside.sentence}. If the corners were shut off before that, the begin is too late: give it as it was, "
            f"cornerhold soak correct '{soak.name}' --begin {outside.at} (or earlier)"
        )
    from logger.status import read_status  # noqa: PLC0415

    typer.echo(read_status(path, patience_s=3.0).sentence)
    if (missing := _without_height(path)) and soak.as_dict()["support"] == "standing":
        typer.echo(f"no height sensor: measure now, and at the end: cornerhold tape add {missing}")


@app.command("end")
def end(
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    at: _AtOption = None,
    as_json: _JsonOption = False,
) -> None:
    """End the soak that runs: later readings are logged and not judged, its standing alarms are closed.

    Example: cornerhold soak end --settings bay-2.toml
    """
    from analysis.register import Register  # noqa: PLC0415
    from logger.journal_reader import JournalReader  # noqa: PLC0415

    _, path = where(settings_file, journal)
    with JournalReader(path) as reader:
        entry, label = moment(reader, at)
    with Register.open(path) as register:
        soak = register.end(entry, label)
        heights = [h for h in register.heights() if h.withdrawn is None and h.belongs_to(soak)]
    if as_json:
        typer.echo(json.dumps(soak.as_dict(), ensure_ascii=False))
        return
    typer.echo(f"soak '{soak.name}' ended at {label}")
    if soak.as_dict()["support"] == "standing" and (missing := _without_height(path, heights)):
        typer.echo(f"no verdict without a height at the end: cornerhold tape add --at {label} {missing}")


@app.command("list")
def list_soaks(
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    history: Annotated[
        bool, typer.Option("--history", help="Also what stood before it was put right (soak correct).")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a line.")] = False,
) -> None:
    """List a journal's soaks, oldest first.

    Example: cornerhold soak list --journal bay-2.journal --json
    """
    from analysis.register import read_corrections, read_soaks  # noqa: PLC0415
    from logger.journal_reader import require_journal  # noqa: PLC0415

    _, path = where(settings_file, journal)
    require_journal(path)
    soaks = read_soaks(path)
    stood = read_corrections(path) if history else []
    if as_json:
        for soak in soaks:
            before = (
                {"history": [one.as_dict() for one in stood if one.stood.id == soak.id]} if history else {}
            )
            typer.echo(json.dumps({**soak.as_dict(), **before}, ensure_ascii=False))
        return
    if not soaks:
        typer.echo(f"{path}: no soak was begun yet, so the whole journal is judged as one")
    for soak in soaks:
        typer.echo(soak_words(soak))
        for one in stood:
            if one.stood.id == soak.id:
                by = f" by {one.who}" if one.who else ""
                typer.echo(f"  until it was put right {one.made}{by}: {soak_words(one.stood)}")


app.command("correct")(correct)
app.command("note")(note)
app.command("notes")(list_notes)


def _without_height(path: Path, heights: Sequence[Height] = ()) -> str:
    """Return the sections without a height sensor, and with less than two heights by hand, as one types them."""
    from collections import Counter  # noqa: PLC0415

    from logger.journal_reader import JournalReader  # noqa: PLC0415

    with JournalReader(path) as reader:
        channels, names = reader.channels(), reader.sections()
    often = Counter(h.section for h in heights)
    return " ".join(f'{n}="… mm"' for n in names if f"{n}.height" not in channels and often[n] < 2)


def where(settings_file: Path | None, journal: Path | None) -> tuple[Settings | None, Path]:
    """Return the settings that were given, and the journal that is meant."""
    from logger.commands import journal_path  # noqa: PLC0415
    from logger.settings import default_settings, load_settings  # noqa: PLC0415

    settings = None if settings_file is None else load_settings(settings_file)
    return settings, journal or journal_path(settings or default_settings())


def stored_or(settings: Settings | None, reader: JournalReader) -> Settings:
    """Return the settings that were given, else those under which the journal is logged."""
    from logger.conversions import stored_settings  # noqa: PLC0415

    if settings is not None:
        return settings
    stored = reader.configurations()
    return stored_settings(reader.path, stored[-1].text if stored else "")


def plan_from(
    settings: Settings, changes: dict[str, str | None], thresholds: list[str], encloses: list[str]
) -> str:
    """Return the plan as TOML: the settings', with what was given on the command line put over it."""
    from analysis.soak_model import plan_text  # noqa: PLC0415
    from logger.settings import SettingsError, settings_from_text  # noqa: PLC0415

    soak = settings.soak
    of_sections = {
        name: section.threshold.text for name, section in settings.sections.items() if section.threshold
    }
    given = {key: value for key, value in changes.items() if value is not None}
    for text in thresholds:
        section, equals, limit = text.rpartition("=")
        if equals:
            of_sections[section.strip()] = limit.strip()
        else:
            given["threshold"] = text
    try:
        lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in given.items()]
        read = settings_from_text("\n".join(["[soak]", *lines])).soak
        fields = {"planned_length": "planned_s", "planned_cold": "planned_cold_K"}
        soak = replace(soak, **{field: getattr(read, field) for field in (fields.get(k, k) for k in given)})
        plan = plan_text(soak, of_sections, _enclosed(settings, encloses))
        settings_from_text(plan)
    except SettingsError as error:
        raise PlainError(f"{error.key.removeprefix('soak.')}: {error.reason}") from None
    return plan


def _enclosed(settings: Settings, given: list[str]) -> dict[str, tuple[str, ...]]:
    """Return what each section encloses: as in the settings, with what was given on the command line put over it."""
    encloses = {name: section.encloses for name, section in settings.sections.items() if section.encloses}
    for text in given:
        name, equals, components = text.partition("=")
        named = tuple(part.strip() for part in components.split(",") if part.strip())
        if not equals or not named:
            raise PlainError(f"--encloses: '{text}': write section=component, component")
        encloses[name.strip()] = named
    return encloses


def moment(reader: JournalReader, at: str | None, option: str = "--at") -> tuple[int, str]:
    """Return the last entry before a moment (now), and the moment's label; `option` said it."""
    from logger.clock import us_from_utc, utc_now, utc_text  # noqa: PLC0415

    if at is None:
        newest = reader.newest_id()
        sample = reader.newest()
        return newest, utc_text(None if sample is None else sample.utc_us)
    try:
        moment = datetime.fromisoformat(at)
    except ValueError:
        raise PlainError(f"{option}: '{at}' is no time like 2027-01-15T18:00:00Z") from None
    if moment.tzinfo is None:
        raise PlainError(f"{option}: needs a zone, like 2027-01-15T18:00:00Z")
    sample = reader.newest()
    latest_us = max(us_from_utc(utc_now()), 0 if sample is None else sample.utc_us)
    if us_from_utc(moment) > latest_us:
        raise PlainError(f"{option}: a moment that is yet to come: the newest reading is older")
    reader.seek_label(us_from_utc(moment))
    return reader.cursor, utc_text(us_from_utc(moment.astimezone(UTC)))


def soak_words(soak: Soak) -> str:
    """Return all that the register says of a soak, in a line."""
    words = [f"{soak.name}: {soak.begun} to {soak.ended or 'now'}", _plan_words(soak)]
    words += [
        f"{what} {text}"
        for what, text in (("job", soak.job), ("car", soak.car), ("customer", soak.customer))
        if text
    ]
    enclosed = soak.as_dict()["encloses"]
    words += [f"{section} encloses {', '.join(parts)}" for section, parts in enclosed.items()]
    return "; ".join(words)


def _plan_words(soak: Soak) -> str:
    said = soak.as_dict()
    words = [said["support"], said["gas"], f"limit {said['threshold']}"]
    if said["planned_hours"] is not None:
        words.append(f"planned {said['planned_hours']:.3g} h")
    if said["planned_cold_degC"] is not None:
        words.append(f"down to {said['planned_cold_degC']:g} °C")
    return ", ".join(words)
