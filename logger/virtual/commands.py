"""`cornerhold virtual-rig`: a rig for developing against, on a real pseudo-terminal."""

from __future__ import annotations

import contextlib
import json
import signal
from pathlib import Path  # noqa: TC003  typer reads the annotations at run time
from typing import TYPE_CHECKING, Annotated

import typer

from logger.errors import PlainError

if TYPE_CHECKING:
    from types import FrameType

    from logger.virtual.scenario import Scenario


def virtual_rig(
    scenario: Annotated[
        Path | None,
        typer.Option("--scenario", "-s", help="Scenario file (TOML); the shipped cold weekend if not given."),
    ] = None,
    link: Annotated[
        Path | None,
        typer.Option("--link", help="Keep a symbolic link to the port here, also when it changes."),
    ] = None,
    speed: Annotated[
        float | None, typer.Option("--speed", min=0.01, help="Rig seconds per second, over the scenario's.")
    ] = None,
    lines: Annotated[int | None, typer.Option("--lines", min=1, help="End after so many samples.")] = None,
    seed: Annotated[
        int | None, typer.Option("--seed", min=0, help="Another seed than the scenario's.")
    ] = None,
    truth: Annotated[
        Path | None, typer.Option("--truth", help="Write what really happens to this file (JSON).")
    ] = None,
) -> None:
    """Play a rig on a pseudo-terminal: a simulated soak, spoken in the line protocol.

    The first line of output is the port. Time lapse waits for a host's first word (10 s at most); at the end
    the rig waits for the acknowledge of the last samples (10 s at most).

    Example: cornerhold virtual-rig --scenario my.toml --link /tmp/rig --speed 5000
    """
    from dataclasses import replace  # noqa: PLC0415  the simulator's imports would slow every other command

    from logger.virtual.pty_rig import PtyRig  # noqa: PLC0415
    from logger.virtual.scenario import load_scenario, shipped_scenario  # noqa: PLC0415

    try:
        chosen = shipped_scenario() if scenario is None else load_scenario(scenario)
        if seed is not None:
            chosen = replace(chosen, seed=seed)
        if link is not None and link.exists() and not link.is_symlink():
            raise PlainError(f"{link}: is there already and is no link")
        rig = PtyRig(chosen, link=link, speed=speed, lines=lines)
        if truth is not None:
            truth.write_text(json.dumps(truth_of(chosen), indent=1) + "\n", encoding="utf-8")
    except ValueError as fault:  # a settings error among them
        raise PlainError(str(fault)) from None

    def stop(_number: int, _frame: FrameType | None) -> None:
        rig.stop()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, stop)
    with contextlib.suppress(BrokenPipeError):  # whoever started us may have stopped reading
        typer.echo(f"port: {rig.path}")
    rig.run()
    missing = len(rig.wire.buffer)
    with contextlib.suppress(BrokenPipeError):
        typer.echo(
            f"{rig.taken} samples, all acknowledged"
            if not missing
            else f"{rig.taken} samples, the last {missing} never acknowledged",
            err=True,
        )


def truth_of(scenario: Scenario) -> dict[str, object]:
    """What really happens in a scenario, by section, in the units of the findings."""
    soak = scenario.simulated()
    per_day = 86400.0
    onsets = {leak.section: leak.below_K for leak in scenario.plan.leaks if leak.below_K is not None}
    return {
        "support": scenario.plan.support,
        "seed": scenario.seed,
        "sections": [
            {
                "name": name,
                "loss_per_day": soak.truth.loss_per_s[name] * per_day,
                "cold_onset_degC": onsets[name] - 273.15 if name in onsets else None,
                "coldest_gas_degC": soak.truth.coldest_gas_K[name] - 273.15,
            }
            for name in scenario.plan.sections
        ],
    }
