"""`cornerhold wire-check`: does this firmware obey the protocol?"""

from __future__ import annotations

import json
import sys
import textwrap
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from logger.wirecheck.points import Point, Report

_COLOURS = {"obeys": "green", "fault": "red", "note": "yellow", "not tried": "bright_black"}


def wire_check(  # noqa: PLR0913, PLR0917  each is an option
    port: Annotated[
        str, typer.Option("--port", "-p", help='A device, "auto", or socket://host:port.')
    ] = "auto",
    baud: Annotated[int, typer.Option("--baud", min=1, help="Line speed.")] = 115200,
    depth: Annotated[
        int | None,
        typer.Option("--depth", min=2, help="Samples that the buffer holds, by the firmware's notes."),
    ] = None,
    patience: Annotated[
        float, typer.Option("--patience", min=1, help="Seconds that filling the buffer may take.")
    ] = 60.0,
    listen: Annotated[
        float, typer.Option("--listen", min=1, help="Seconds to listen before anything is asked for.")
    ] = 15.0,
    only_listen: Annotated[
        bool,
        typer.Option("--only-listen", help="Only listen and ask who it is: changes nothing at the rig."),
    ] = False,
    reboot: Annotated[
        float, typer.Option("--reboot", min=0, help="Wait so many seconds while you restart the rig.")
    ] = 0.0,
    marks: Annotated[
        float,
        typer.Option("--marks", min=0, help="Wait so many seconds while you drive an input over its range."),
    ] = 0.0,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object on stdout.")] = False,
) -> None:
    """Check point by point whether a rig's firmware obeys the line protocol, with the evidence.

    For the bench, not for a soak: it sets other periods, sends junk, and acknowledges samples, so that the rig forgets
    them. --only-listen does none of that. Exit 0 if every point that was tried holds, 1 if one doesn't.

    Example: cornerhold wire-check --port /dev/ttyUSB0 --depth 3600 --patience 400 --reboot 30
    """
    from logger.wirecheck.checker import Checker, Options  # noqa: PLC0415  loaded when it is needed
    from logger.wirecheck.session import PortLink  # noqa: PLC0415

    name = _found(baud) if port == "auto" else port
    options = Options(
        listen_s=listen,
        only_listen=only_listen,
        baud=baud,
        depth=depth,
        patience_s=patience,
        reboot_s=reboot,
        marks_s=marks,
    )
    link = PortLink(name, baud)
    try:
        report = Checker(link, name, options, _Teller().tell).run()
    finally:
        link.close()
        _Teller.clear()
    if as_json:
        typer.echo(json.dumps(report.as_dict()))
    else:
        _print(report)
    raise typer.Exit(0 if report.obeys else 1)


def _found(baud: int) -> str:
    from logger.detect import ask_all, candidates, choose  # noqa: PLC0415

    return choose(ask_all(candidates(), baud), "").port


class _Teller:
    """What goes on, on stderr: on a terminal one line that changes, else a line each."""

    def __init__(self) -> None:
        self._told = ""

    def tell(self, text: str) -> None:
        """Show what is being done."""
        kind = text.partition(":")[0]
        if sys.stderr.isatty():
            sys.stderr.write(
                f"\r\x1b[K{text}" if not text.startswith(("restart", "drive")) else f"\r\x1b[K{text}\n"
            )
        elif kind != self._told:
            sys.stderr.write(f"{kind}\n")
        self._told = kind
        sys.stderr.flush()

    @staticmethod
    def clear() -> None:
        """Take the changing line away."""
        if sys.stderr.isatty():
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()


def _print(report: Report) -> None:
    identity = report.identity
    if identity is not None:
        typer.echo(f"{identity.rig} at {report.port}, firmware {identity.firmware or 'not told'}\n")
    for point in report.points:
        _print_point(point)
    typer.echo(f"\n{report.sentence}")


def _print_point(point: Point) -> None:
    word = typer.style(f"{point.verdict.value:10}", fg=_COLOURS[point.verdict.value])
    typer.echo(f"{word} {point.key:12} {point.title}")
    for line in textwrap.wrap(point.evidence, 96):
        typer.echo(f"{'':23} {line}")
    for line in point.examples:
        typer.echo(f"{'':23} > {line}")
