"""Do every fault by the hundred and print what became of it: `python -m tests.faults` (about half an hour).

Example: python -m tests.faults --short --only daemon disk
"""

from __future__ import annotations

import argparse
import json
import logging
import signal
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from tests.faults.bench import Bench, Row
from tests.faults.catalogue import KINDS, Kind


def done(kind: Kind, times: int, seed: int, progress: Progress) -> Row:
    """One row; a fault that ends in an error of its own counts as wrong, with its reason."""
    task = progress.add_task(kind.name, total=times)
    step = 1000 if kind.name == "lines" else 1
    with (
        tempfile.TemporaryDirectory(prefix="faults-", ignore_cleanup_errors=True) as folder,
        Bench(Path(folder), times, seed, lambda: progress.advance(task, step)) as bench,
    ):
        try:
            return kind.fault(bench)
        except Exception as error:  # noqa: BLE001  the other rows are worth having all the same
            return Row(kind.name, times, 0, 0, 0, 1, f"failed: {type(error).__name__}: {error}")


def table_of(rows: list[Row]) -> Table:
    """The table as it stands in the README."""
    table = Table(title="What was done, and what became of what had been called safe", title_justify="left")
    table.add_column("what was done", overflow="fold")
    for name in ("times", "things", "lost", "doubled", "wrong"):
        table.add_column(name, justify="right")
    table.add_column("beside", overflow="fold")
    for row in rows:
        numbers = (row.times, row.samples, row.lost, row.doubled, row.wrong)
        table.add_row(row.done, *(f"{n:,}" for n in numbers), row.note, style="" if row.clean else "bold red")
    return table


def main() -> int:
    """Do what was asked for; exit 1 if anything was lost, doubled or wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.faults", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    names = [kind.name for kind in KINDS]
    parser.add_argument(
        "--only", nargs="+", choices=names, default=names, metavar="NAME", help=", ".join(names)
    )
    parser.add_argument("--short", action="store_true", help="as often as CI does it")
    parser.add_argument("--seed", type=int, default=2, help="the same seed, the same chance")
    parser.add_argument("--json", action="store_true", help="one JSON object per row instead of the table")
    options = parser.parse_args()
    # one word for each cursor that was spoilt would hide the progress
    logging.getLogger("logger.cursor_file").setLevel(logging.ERROR)
    rows = []
    columns = (TextColumn("{task.description:>9}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True)) as progress:
        for kind in (kind for kind in KINDS if kind.name in options.only):
            rows.append(done(kind, kind.short if options.short else kind.long, options.seed, progress))
            if options.json:
                print(json.dumps(asdict(rows[-1])), flush=True)
    if not options.json:
        Console(width=None if sys.stdout.isatty() else 150).print(table_of(rows))
    return 0 if all(row.clean for row in rows) else 1


if __name__ == "__main__":
    # what was started must not stay behind: a logger would take the next one's port
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        sys.exit(130)
