"""`cornerhold compare`: is the repair proven?"""

from __future__ import annotations

import json
import textwrap
from pathlib import Path  # noqa: TC003  (typer reads the annotations when it runs)
from typing import Annotated

import typer

from logger.errors import PlainError


def compare(
    before: Annotated[
        str, typer.Argument(help="The soak before: findings (JSON), a recording, or JOURNAL#SOAK.")
    ],
    after: Annotated[str, typer.Argument(help="The soak after the repair, likewise.")],
    settings_file: Annotated[
        Path | None, typer.Option("--settings", "-s", help="Settings for recordings; else the defaults.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, one line per section.")] = False,
) -> None:
    """Compare a soak before the repair with one after it: is the repair proven, or was it merely warmer?

    The ratio is loss after over loss before, with its 95 % interval. Two soaks of one rig have errors in common
    (transducers, sensors, beliefs); how much isn't known, so it is the widest interval that any share of them makes.

    Example: cornerhold compare bay-2.journal#job-1042 bay-2.journal#job-1042-repaired
    """
    from analysis.compare import ASSUMED, compare_section, conditions  # noqa: PLC0415  what --help does not need
    from analysis.found import findings_from  # noqa: PLC0415
    from logger.settings import load_settings  # noqa: PLC0415

    settings = None if settings_file is None else load_settings(settings_file)
    first, second = (findings_from(text, settings) for text in (before, after))
    later = {section["name"]: section for section in second["sections"]}
    pairs = [(section, later[section["name"]]) for section in first["sections"] if section["name"] in later]
    if not pairs:
        names = [", ".join(s["name"] for s in found["sections"]) for found in (first, second)]
        raise PlainError(f"the two soaks have no section in common: {names[0]} before, {names[1]} after")
    compared = [compare_section(one, other) for one, other in pairs]
    if as_json:
        for one in compared:
            typer.echo(json.dumps(one.as_dict(), ensure_ascii=False))
        return
    from analysis.wording import loss_words  # noqa: PLC0415

    for one, pair in zip(compared, pairs, strict=True):
        typer.echo(f"{one.name}: {one.outcome}")
        typer.echo(f"  before {loss_words(pair[0])}, after {loss_words(pair[1])}")
        if one.ratio is not None and one.ratio_interval95 is not None:
            low, high = one.ratio_interval95
            typer.echo(f"  after/before {one.ratio:.2f} ({low:.2f} to {high:.2f})")
        typer.echo(textwrap.fill(one.sentence, 100, initial_indent="  ", subsequent_indent="  "))
    if any(one.ratio_interval95 is not None for one in compared):
        typer.echo(ASSUMED)
    alone = [s["name"] for s in first["sections"] if s["name"] not in later]
    for line in (*conditions(first, second), *(f"{name}: not in the second soak." for name in alone)):
        typer.echo(line)
