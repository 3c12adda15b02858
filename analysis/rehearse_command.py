"""`cornerhold rehearse`: the whole chain once, on a virtual rig, under a minute."""

from __future__ import annotations

import signal
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager
    from types import FrameType

    from logger.virtual.scenario import Scenario

PLAIN_EVERY_s = 5.0


def rehearse(
    keep: Annotated[
        Path | None,
        typer.Option("--keep", help="Folder for what is written; else rehearsal-<date-time> here."),
    ] = None,
    scenario_file: Annotated[
        Path | None,
        typer.Option("--scenario", help="Scenario file (TOML); the shipped cold weekend if not given."),
    ] = None,
    seed: Annotated[
        int | None, typer.Option("--seed", min=0, help="Another seed than the scenario's.")
    ] = None,
) -> None:
    """Run a cold weekend in time lapse: virtual rig, logger and analysis as real processes, verdicts at the end.

    Needs no rig, no broker, no server and no root; takes under a minute. Leaves report, journal, recording and findings
    in a folder and says where; Ctrl-C keeps nothing. Exit 1 if a verdict was wrong or a process failed, 0 if not.

    Example: cornerhold rehearse --keep friday
    """
    # the simulator's imports take a while
    from analysis.findings_table import tell as tell_findings  # noqa: PLC0415
    from analysis.rehearse import Files, compare, play_speed, remove  # noqa: PLC0415
    from analysis.rehearse import rehearse as run  # noqa: PLC0415
    from logger.clock import utc_now  # noqa: PLC0415
    from logger.virtual.scenario import load_scenario, shipped_scenario  # noqa: PLC0415

    try:
        scenario = shipped_scenario() if scenario_file is None else load_scenario(scenario_file)
    except ValueError as fault:
        raise PlainError(str(fault)) from None
    folder = keep or Path(utc_now().astimezone().strftime("rehearsal-%Y%m%d-%H%M%S"))
    if folder.exists() and any(folder.iterdir()):
        raise PlainError(f"{folder}: is there already and is not empty")
    folder_is_new = not folder.exists()
    folder.mkdir(parents=True, exist_ok=True)
    files = Files(folder)
    typer.echo(
        f"A cold weekend in time lapse: {scenario.plan.hours:.0f} h of rig {scenario.rig.name}, "
        f"{scenario.plan.support}, about {scenario.plan.hours * 3600.0 / play_speed(scenario):.0f} s."
    )
    _end_when_hung_up()
    try:
        with _display(scenario) as tell:
            try:
                outcome = run(scenario_file, scenario, seed, files, tell)
            except (KeyboardInterrupt, SystemExit):
                # before the display ends, which a terminal that is gone turns into another error
                remove(files, folder_too=folder_is_new)
                raise
    except (KeyboardInterrupt, SystemExit):
        typer.echo("Stopped before the end; nothing is left running, nothing was kept.", err=True)
        raise
    typer.echo("")
    tell_findings(outcome.findings)
    did, wrong, left_open = compare(outcome)
    typer.echo("")
    others = ", the others nothing" if did else ""
    typer.echo(f"In truth {'; '.join(did) or 'nothing leaked'}{others}.")
    for sentence in wrong:
        typer.echo(f"WRONG: {sentence}.")
    for sentence in left_open:
        typer.echo(f"Open: {sentence}.")
    if not wrong and not left_open:
        typer.echo("The verdicts are right.")
    typer.echo(f"Took {outcome.seconds:.0f} s. Written to {folder}:")
    for path, what in (
        (files.report, "the report, for a browser or the printer"),
        (files.journal, "all that the rig said"),
        (files.recording, "the readings (CSV)"),
        (files.findings, "the findings (JSON)"),
        (files.settings, "the settings"),
    ):
        typer.echo(f"  {path.name:<18} {what}")
    if wrong:
        raise typer.Exit(1)


def _end_when_hung_up() -> None:
    """A window that is closed ends the rehearsal as Ctrl-C does (unless somebody asked for going on, as nohup does)."""
    if signal.getsignal(signal.SIGHUP) is signal.SIG_DFL:

        def end(_number: int, _frame: FrameType | None) -> None:
            raise SystemExit(129)

        signal.signal(signal.SIGHUP, end)


def _display(scenario: Scenario) -> AbstractContextManager[Callable[[dict[str, Any] | None], None]]:
    return _live_lines(scenario) if sys.stdout.isatty() else _plain_lines(scenario)


def _plain_lines(scenario: Scenario) -> AbstractContextManager[Callable[[dict[str, Any] | None], None]]:
    from contextlib import contextmanager  # noqa: PLC0415

    from analysis.words import plain_lines  # noqa: PLC0415

    @contextmanager
    def lines() -> Iterator[Callable[[dict[str, Any] | None], None]]:
        last = time.monotonic()

        def tell(said: dict[str, Any] | None) -> None:
            nonlocal last
            if said is None or time.monotonic() - last < PLAIN_EVERY_s:
                return
            last = time.monotonic()
            for line in plain_lines(said, scenario.plan.hours):
                typer.echo(line)

        yield tell

    return lines()


def _live_lines(scenario: Scenario) -> AbstractContextManager[Callable[[dict[str, Any] | None], None]]:
    from contextlib import contextmanager  # noqa: PLC0415

    from rich.live import Live  # noqa: PLC0415

    from analysis.running import picture  # noqa: PLC0415

    @contextmanager
    def live() -> Iterator[Callable[[dict[str, Any] | None], None]]:
        with Live(picture(None), refresh_per_second=5, transient=True) as view:
            yield lambda said: view.update(picture(said, scenario.plan.hours))

    return live()
