"""What is looked at before a soak or a hold begins: the last hour of readings, and how the checks are said."""

from __future__ import annotations

import shutil
import sys
import textwrap
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.readiness import Check, Seen
    from logger.settings import Settings

LOOK_BACK_us = 3_600_000_000


def last_hour(path: Path, settings: Settings) -> tuple[Seen | None, float | None]:
    """Return the last hour of readings of the newest boot's channels, and the newest label, s since the epoch."""
    import numpy as np  # noqa: PLC0415

    from analysis.readiness import Seen  # noqa: PLC0415
    from logger.channels import Quality  # noqa: PLC0415
    from logger.conversions import open_conversions  # noqa: PLC0415
    from logger.journal_reader import JournalReader  # noqa: PLC0415
    from logger.samples import sample_blocks  # noqa: PLC0415

    with JournalReader(path) as reader:
        newest = reader.newest("D")
        if newest is None:
            return None, None
        reader.seek(newest.rig_us - LOOK_BACK_us)
        conversions, boots, blocks, counts = open_conversions(reader, settings), reader.boots(), [], []
        while entries := reader.read():
            blocks += list(conversions.convert(entries, boots))
            counts += list(sample_blocks(entries, boots))
    names = blocks[-1].names
    blocks = [block for block in blocks if block.names == names]
    last = blocks[-1]
    good = np.concatenate([block.good() for block in blocks])
    faults = {
        name: Quality(word).name.lower().replace("_", " ")
        for name, word in zip(names, last.quality[-1], strict=True)
        if word not in {Quality.GOOD, Quality.MISSING}
    }
    time_s = np.concatenate([block.rig_us for block in blocks]) / 1e6
    raw = np.concatenate([block.raw for block in counts if block.channels == names])
    moved = np.vstack([np.ones((1, len(names)), np.bool_), raw[1:] != raw[:-1]])[::-1]
    still = dict(zip(names, (moved.argmax(axis=0) + 1).tolist(), strict=True))
    return Seen(
        time_s, {name: good[:, k] for k, name in enumerate(names)}, faults, still
    ), newest.utc_us / 1e6


def show_checks(checks: list[Check]) -> None:
    """Say them, a line for all that say the same."""
    word = {"ok": "ok  ", "care": "CARE", "no": "NO  "}
    order = {"ok": 0, "care": 1, "no": 2}
    # what must be put right stands last, where the eyes are; what is the same for several stands once
    together: dict[tuple[str, str], list[str]] = {}
    for check in sorted(checks, key=lambda one: order[one.state]):
        together.setdefault((check.state, check.sentence), []).append(check.what)
    for (state, sentence), names in together.items():
        line = f"{word[state]}  {', '.join(names)}: {sentence}"
        width = shutil.get_terminal_size().columns
        typer.echo(textwrap.fill(line, width, subsequent_indent=" " * 6) if sys.stdout.isatty() else line)
