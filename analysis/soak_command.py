"""`cornerhold soak`: which part of a journal is a soak, of which car, and what is planned."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

import typer

from analysis import options
from analysis.correct_command import correct
from analysis.journals import stored_or, where
from analysis.moments import moment
from analysis.note_command import list_notes, note
from analysis.plans import plan_from, plan_words, soak_words
from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from analysis.tape_register import Height

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
    typer.echo(f"soak '{soak.name}' begun at {label}: {plan_words(soak)}")
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
