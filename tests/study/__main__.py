"""Run the study: `python -m tests.study --soaks 200 --out study-results`."""

from __future__ import annotations

import argparse
import csv
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, fields
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Console
from rich.progress import track
from rich.table import Table

from tests.study.score import Score, score
from tests.study.soaks import CASES, Result, run

if TYPE_CHECKING:
    from collections.abc import Iterator


def results_of(case: str, soaks: int, first_seed: int, workers: int) -> Iterator[list[Result]]:
    """Yield the sections of each soak."""
    jobs = [(case, first_seed + k) for k in range(soaks)]
    if workers == 1:
        yield from map(run, jobs)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(run, jobs, chunksize=2)


def table_of(scores: list[Score]) -> Table:
    """Return the table of the study, losses in %/day."""
    table = Table(title="Loss in %/day; n sections of as many soaks as asked for", title_justify="left")
    for name in (
        "case",
        "n",
        "two readings",
        "line",
        "oracle",
        "RMS",
        "under 5",
        "bias",
        "covers",
        "width",
        "wrong",
        "decided",
    ):
        table.add_column(name, justify="left" if name == "case" else "right")
    table.add_column("false leak")
    for s in scores:
        table.add_row(
            s.case,
            str(s.sections),
            f"{100 * s.rms_two_readings:.2f}",
            f"{100 * s.rms_straight_line:.2f}",
            f"{100 * s.rms_oracle:.3f}",
            f"{100 * s.rms:.3f}",
            f"{100 * s.rms_slow:.3f}",
            f"{100 * s.bias:+.3f}",
            f"{100 * s.coverage:.1f} %",
            f"{s.sharpness:.2f}",
            f"{s.wrong_soaks} of {s.soaks}",
            f"{100 * s.decided:.0f} %",
            f"{s.false_alarm_soaks} of {s.soaks_without_leak}",
        )
    return table


def main() -> None:
    """Run the cases asked for, print the table, write CSV and plots."""
    parser = argparse.ArgumentParser(prog="python -m tests.study", description=__doc__)
    parser.add_argument("--soaks", type=int, default=200, help="per case")
    parser.add_argument("--first-seed", type=int, default=100_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--cases", nargs="*", default=list(CASES), choices=list(CASES))
    parser.add_argument("--out", type=Path, help="folder for results.csv and plots")
    parser.add_argument("--worst", type=int, default=0, help="list so many of the worst sections per case")
    options = parser.parse_args()
    console = Console(width=150)
    scores, all_results = [], {}
    for case in options.cases:
        stream = results_of(case, options.soaks, options.first_seed, options.workers)
        results = [
            r for rs in track(stream, case, total=options.soaks, console=Console(stderr=True)) for r in rs
        ]
        all_results[case] = results
        scores.append(score(case, results))
        if options.out:  # case by case: a long study that is broken off has not been for nothing
            write(options.out, all_results, case)
        for r in sorted(results, key=lambda r: -abs(r.loss - r.truth) / (r.high - r.low))[: options.worst]:
            console.print(
                f"  seed {r.seed} {r.section}: true {100 * r.truth:.2f}, said {100 * r.loss:.2f} "
                f"[{100 * r.low:.2f}, {100 * r.high:.2f}] {r.verdict}"
            )
    console.print(table_of(scores))
    for s in scores:
        if s.onsets or s.onsets_invented:
            console.print(
                f"{s.case}: {s.onsets} leaks over 2 %/day that open in the cold: onset named {s.onsets_named}, "
                f"its interval true {s.onsets_held}; named where there is none {s.onsets_invented}"
            )
        if CASES[s.case].leak == "night":
            console.print(
                f"{s.case}: 40 %/day starting in the night, alarm after (median / 90 % / worst) "
                f"{s.delay_min[0]:.0f} / {s.delay_min[1]:.0f} / {s.delay_min[2]:.0f} min, missed {s.missed}"
            )
    if options.out:
        console.print(f"written to {options.out}")


def write(folder: Path, results: dict[str, list[Result]], newest: str) -> None:
    """Write results.csv of all cases so far and the plot of the newest."""
    from tests.study.plots import plot_case  # noqa: PLC0415  (matplotlib only where a plot is drawn)

    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "results.csv").open("w", newline="", encoding="utf-8") as handle:
        writer = csv.DictWriter(handle, ["case", *(f.name for f in fields(Result))])
        writer.writeheader()
        for case, rows in results.items():
            writer.writerows({"case": case, **asdict(r)} for r in rows)
    plot_case(newest, results[newest], folder / f"{newest}.png")


if __name__ == "__main__":
    np.seterr(all="raise", under="ignore")
    main()
