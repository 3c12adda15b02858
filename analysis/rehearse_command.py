"""`cornerhold rehearse`: the whole chain once, on a virtual rig, under a minute."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager

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

    Needs no rig, no broker, no server and no root; takes under a minute. Leaves journal, recording and findings in a
    folder and says where. Exit 0 if every verdict was right, 1 if one was wrong or a process failed.

    Example: cornerhold rehearse --keep friday
    """
    from analysis.rehearse import Files, right_corner  # noqa: PLC0415  the simulator's imports take a while
    from analysis.rehearse import rehearse as run  # noqa: PLC0415
    from analysis.words import tell as tell_findings  # noqa: PLC0415
    from logger.virtual.scenario import load_scenario, shipped_scenario  # noqa: PLC0415

    try:
        scenario = shipped_scenario() if scenario_file is None else load_scenario(scenario_file)
    except ValueError as fault:
        raise PlainError(str(fault)) from None
    folder = keep or Path(
        time.strftime("rehearsal-%Y%m%d-%H%M%S")
    )  # a label for a folder, nothing is computed from it
    if folder.exists() and any(folder.iterdir()):
        raise PlainError(f"{folder}: is there already and is not empty")
    folder.mkdir(parents=True, exist_ok=True)
    files = Files(folder)
    typer.echo(
        f"A cold weekend in time lapse: {scenario.plan.hours:.0f} h of rig {scenario.rig.name}, "
        f"{scenario.plan.support}, about {scenario.plan.hours * 3600.0 / scenario.rig.speed:.0f} s."
    )
    with _display(scenario) as tell:
        outcome = run(scenario_file, scenario, seed, files, tell)
    typer.echo("")
    tell_findings(outcome.findings)
    wrong = right_corner(outcome)
    leaking = [s["name"] for s in outcome.findings["sections"] if s["verdict"] == "leaking"]
    typer.echo("")
    if wrong:
        typer.echo("The scenario knows better: " + "; ".join(wrong) + ".")
    else:
        typer.echo(f"Leaking: {', '.join(leaking) or 'none'}. That is what the scenario did.")
    typer.echo(f"Took {outcome.seconds:.0f} s. Written to {folder}:")
    for path, what in (
        (files.journal, "all that the rig said"),
        (files.recording, "the readings (CSV)"),
        (files.findings, "the findings (JSON)"),
        (files.settings, "the settings"),
    ):
        typer.echo(f"  {path.name:<18} {what}")
    if wrong:
        raise typer.Exit(1)


def _display(scenario: Scenario) -> AbstractContextManager[Callable[[dict[str, Any] | None], None]]:
    return _live_lines(scenario) if sys.stdout.isatty() else _plain_lines(scenario)


def _now(said: dict[str, Any], total_h: float) -> str:
    return f"{said['hours']:4.1f} of {total_h:.0f} h, coldest air {said['coldest_ambient_degC']:5.1f} °C"


def _corner(section: dict[str, Any]) -> tuple[str, str, str]:
    """Return verdict so far, loss and alarms of a section, in words."""
    from analysis.words import loss_words  # noqa: PLC0415

    alarms = [a["kind"] for a in section["alarms"] if a["cleared"] is None]
    return section["verdict"], loss_words(section), f"alarm: {', '.join(alarms)}" if alarms else ""


def _plain_lines(scenario: Scenario) -> AbstractContextManager[Callable[[dict[str, Any] | None], None]]:
    from contextlib import contextmanager  # noqa: PLC0415

    @contextmanager
    def lines() -> Iterator[Callable[[dict[str, Any] | None], None]]:
        last = time.monotonic()

        def tell(said: dict[str, Any] | None) -> None:
            nonlocal last
            if said is None or time.monotonic() - last < PLAIN_EVERY_s:
                return
            last = time.monotonic()
            corners = ", ".join(
                f"{s['name']} {' '.join(x for x in _corner(s) if x)}" for s in said["sections"]
            )
            typer.echo(f"{_now(said, scenario.plan.hours)}: {corners}")

        yield tell

    return lines()


def _live_lines(scenario: Scenario) -> AbstractContextManager[Callable[[dict[str, Any] | None], None]]:
    from contextlib import contextmanager  # noqa: PLC0415

    from rich.console import Group  # noqa: PLC0415
    from rich.live import Live  # noqa: PLC0415
    from rich.progress_bar import ProgressBar  # noqa: PLC0415
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    from analysis.words import STYLE  # noqa: PLC0415

    total = scenario.plan.hours

    def picture(said: dict[str, Any] | None) -> Group:
        if said is None:
            return Group(Text("  waiting for the first readings"))
        table = Table.grid(padding=(0, 2))
        for section in said["sections"]:
            verdict, loss, alarms = _corner(section)
            # before the end nothing is decided for good: the verdict so far stands in brackets
            table.add_row(
                section["name"],
                Text(f"({verdict})", style=STYLE[verdict]),
                loss,
                Text(alarms, style="bold red"),
            )
        bar = ProgressBar(total=total, completed=said["hours"], width=40)
        # a grid, because a bar alone doesn't end its line
        whole = Table.grid(padding=(0, 0, 0, 2))
        for part in (Text(_now(said, total)), bar, table):
            whole.add_row(part)
        return Group(whole)

    @contextmanager
    def live() -> Iterator[Callable[[dict[str, Any] | None], None]]:
        with Live(picture(None), refresh_per_second=5, transient=True) as view:
            yield lambda said: view.update(picture(said))

    return live()
