"""Play the evenings: `python -m tests.evenings [--seeds 5] [--only NAME] [--jobs 2]`."""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor

from rich.console import Console
from rich.progress import track

from tests.evenings.catalogue import rows, short_rows
from tests.evenings.judge import Said, hear
from tests.evenings.live import LIVE, Heard, PERIODS_s, listen, live_row, markdown
from tests.evenings.table import LIVE_BEGIN, LIVE_END, Line, lines_of, page_part, totals, write


def play(job: tuple[str, int, bool]) -> list[Said]:
    """Play one row with one seed."""
    name, seed, short = job
    [row] = [row for row in (short_rows() if short else rows()) if row.name == name]
    return hear(row, seed)


def hear_live(job: tuple[str, float, int]) -> tuple[tuple[str, float, int], Heard]:
    """Play one evening over a journal."""
    name, period_s, seed = job
    return job, listen(live_row(name, period_s), seed)


def live(options: argparse.Namespace) -> int:
    """Play the handful, print, write the page."""
    jobs = [
        (name, period_s, options.first_seed + k)
        for name in LIVE
        for period_s in PERIODS_s
        for k in range(options.seeds)
        if not options.only or name.startswith(tuple(options.only))
    ]
    with ProcessPoolExecutor(options.jobs) as pool:
        heard = dict(track(pool.map(hear_live, jobs), "live", total=len(jobs), console=Console(stderr=True)))
    part = markdown(heard) + "\n"
    print(part)
    if not (options.no_page or options.only):
        write(part, LIVE_BEGIN, LIVE_END)
    return int(any(one.wrong or one.false_alarms or one.other_verdicts for one in heard.values()))


def main() -> int:
    """Play, print, write the page; exit 1 if something confidently wrong was said where it could be known."""
    parser = argparse.ArgumentParser(prog="python -m tests.evenings", description=__doc__)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--first-seed", type=int, default=700_000)
    parser.add_argument("--only", nargs="*", default=[], help="rows or families whose name begins so")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--short", action="store_true", help="each evening once, at 60 s, as the test does")
    parser.add_argument("--each", action="store_true", help="say of every section what was said")
    parser.add_argument("--live", action="store_true", help="the handful over a journal, at 1, 10 and 60 s")
    parser.add_argument("--no-page", action="store_true", help="print only")
    options = parser.parse_args()
    if options.live:
        return live(options)
    chosen = short_rows() if options.short else rows()
    if options.only:
        chosen = [
            row for row in chosen if row.name.startswith(tuple(options.only)) or row.family in options.only
        ]
    said: list[Said] = []
    lines: list[Line] = []
    part = ""
    with ProcessPoolExecutor(options.jobs) as pool:
        for k in range(options.seeds):
            jobs = [(row.name, options.first_seed + k, options.short) for row in chosen]
            stream = pool.map(play, jobs, chunksize=2)
            console = Console(stderr=True, width=100)
            for one in track(stream, f"seed {k + 1}", total=len(jobs), console=console):
                said += one
            # a long run that is broken off has not been for nothing
            lines = lines_of(chosen, said)
            command = f"python -m tests.evenings --seeds {k + 1} --first-seed {options.first_seed}"
            part = page_part(lines, command)
            if not (options.no_page or options.only or options.short):
                write(part)
    if options.each:
        for one in said:
            mark = (
                "WRONG" if one.wrong else ("FALSE " + ",".join(one.false_alarms) if one.false_alarms else "")
            )
            print(
                f"{one.row} {one.seed} {one.section}: true {100 * one.lost_per_day:.2f}, "
                f"{one.verdict} {one.told} {mark}"
            )
    print(part)
    print(totals(lines))
    return int(any((line.wrong or line.false_alarms) and line.row.open is None for line in lines))


if __name__ == "__main__":
    sys.exit(main())
