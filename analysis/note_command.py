"""`cornerhold soak note` and `soak notes`: what somebody did to the car, so that it passes for no leak."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

import typer

from analysis import options
from analysis.notes import KINDS, MEANINGS, kind_of
from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.note_register import Noted
    from analysis.soak_model import Soak

_JsonOption = Annotated[bool, typer.Option("--json", help="As JSON, one object a line.")]
_KINDS_HELP = "; ".join(f"{kind}: {MEANINGS[kind]}" for kind in KINDS)


def note(  # noqa: PLR0913, PLR0917  each is an option of the command line
    kind: Annotated[str | None, typer.Argument(metavar="KIND", help=f"What was done. {_KINDS_HELP}.")] = None,
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    sections: Annotated[
        list[str] | None,
        typer.Option("--section", help="To which section; may be repeated; else to all."),
    ] = None,
    at: Annotated[str | None, typer.Option(help="When, like 2027-01-15T21:40:00Z; else now.")] = None,
    text: Annotated[str, typer.Option(help="In your own words.")] = "",
    who: Annotated[str, typer.Option("--by", help="Who did it.")] = "",
    withdraw: Annotated[
        int | None, typer.Option(min=1, help="Take the note of this number back; it stays in the register.")
    ] = None,
    as_json: _JsonOption = False,
) -> None:
    """Say what you did to the car during a soak, at once or afterwards: then it passes for no leak.

    The soak is then judged in the pieces before and after, and is read again if the note comes late.

    Example: cornerhold soak note valve --section front_left --at 2027-01-15T21:40:00Z --text "nut tightened"
    """
    from analysis.journals import stored_or, where  # noqa: PLC0415
    from analysis.register import Register  # noqa: PLC0415  what --help does not need is loaded when needed
    from logger.journal_reader import JournalReader  # noqa: PLC0415

    given, path = where(settings_file, journal)
    if (kind is None) == (withdraw is None):
        raise PlainError(f"say what was done ({', '.join(KINDS)}), or --withdraw and the number of a note")
    with JournalReader(path) as reader:
        settings = stored_or(given, reader)
        if withdraw is not None:
            with Register.open(path) as register:
                gone = register.withdraw_note(withdraw)
            _tell([gone], [], as_json=as_json)
            return
        from analysis.moments import placed  # noqa: PLC0415
        from analysis.note_register import Noted  # noqa: PLC0415
        from logger.clock import utc_text  # noqa: PLC0415

        found = kind_of(kind or "")
        if found is None:
            raise PlainError(f"there is no kind '{kind}': it is one of {', '.join(KINDS)}")
        named = _known(sections or [], reader.sections() or tuple(settings.sections))
        if not text.isprintable():
            raise PlainError("--text: one line that can be read")
        p = placed(reader, settings, at, "there is nothing yet that a note could be of")
        new = Noted(0, found, named, text.strip(), p.after_entry, p.rig_us, p.label, utc_text(), who)
    with Register.open(path) as register:
        _tell([register.add_note(new)], register.soaks(), as_json=as_json)


def list_notes(
    settings_file: options.LoggedSettings = None,
    journal: options.Journal = None,
    soak: Annotated[str | None, typer.Option(help="Of this soak only.")] = None,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="Those that count, as a file for analyse --notes.")
    ] = False,
    as_json: _JsonOption = False,
) -> None:
    """List what was noted, with the numbers, and to which soak each belongs; also what was withdrawn.

    Example: cornerhold soak notes --journal bay-2.journal --soak job-1042
    """
    from analysis.journals import where  # noqa: PLC0415
    from analysis.register import read_register  # noqa: PLC0415
    from logger.journal_reader import require_journal  # noqa: PLC0415

    _, path = where(settings_file, journal)
    require_journal(path)
    soaks, beside = read_register(path)
    notes = beside.notes
    if soak is not None:
        named = next((one for one in soaks if one.name == soak), None)
        if named is None:
            raise PlainError(f"{path}: there is no soak '{soak}'")
        notes = tuple(one for one in notes if one.belongs_to(named))
    if as_csv:
        from analysis.notes_file import notes_csv  # noqa: PLC0415

        typer.echo(notes_csv((n.at, n.kind, n.sections, n.text) for n in notes if n.withdrawn is None))
        return
    if not notes and not as_json:
        typer.echo("nothing was noted")
    _tell(notes, soaks, as_json=as_json)


def _known(named: list[str], sections: Sequence[str]) -> tuple[str, ...]:
    """Return the sections without repeats; PlainError if one isn't there."""
    for name in named:
        if name not in sections:
            raise PlainError(f"--section: there is no section '{name}' (there: {', '.join(sections)})")
    return tuple(dict.fromkeys(named))


def _tell(notes: Sequence[Noted], soaks: Sequence[Soak], *, as_json: bool) -> None:
    for one in notes:
        where = next((soak.name for soak in reversed(soaks) if one.belongs_to(soak)), None)
        if as_json:
            typer.echo(json.dumps({**one.as_dict(), "soak": where}, ensure_ascii=False))
            continue
        state = f"; in the soak '{where}'" if where else "; in no soak: it does not count" if soaks else ""
        if one.withdrawn is not None:
            state = f"; withdrawn {one.withdrawn}, it no longer counts"
        typer.echo(f"{one.id}  {one.words()}{state}")
