"""kill -9 at random moments: of the daemon, and of the analysis that follows its journal."""

from __future__ import annotations

import json
import sqlite3
import time
from contextlib import closing
from typing import TYPE_CHECKING

from logger_process import wait_for

from tests.faults.bench import Bench, Row, heard_more, rig_at, settle
from tests.faults.truth import Ledger, Tally, judge

if TYPE_CHECKING:
    from pathlib import Path

SEVEN_BAR, TWO_BAR = 12_000, 5_333  # counts, as in tests/chain/hand_rig.py
PERIOD_MS = 20
EVERY, LOW = 60, 12  # a dip of so many samples in each row of so many
CHANNELS = ("front_left.pressure", "front_right.pressure", "ambient.temperature", "rig.supply_voltage")
SETTINGS = '[rig]\nname = "bench"\n[sections.front_left]\nfloor = "3 bar"\n'


def daemon_killed(bench: Bench) -> Row:
    """The daemon dies while the rig talks; each time what was called safe must be there."""
    lost = useful = 0
    with rig_at(bench, period_s=0.005) as port:
        assert isinstance(port.rig, Ledger)
        rig, start_s = port.rig, 0.5
        for _ in range(bench.times):
            before = rig.safe.get(1, -1)
            begun_s = time.monotonic()
            process = bench.logger(port.path)
            if bench.rng.random() < 0.3:
                # while it is loaded, opens the journal, finds the rig
                bench.moment(0.05, start_s)
            else:
                wait_for(lambda before=before: rig.safe.get(1, -1) > before, "it is at work")
                start_s = time.monotonic() - begun_s
                bench.moment(0.0, 0.6)
            process.kill()
            process.wait()
            with port.lock:
                safe = rig.safe.get(1, -1)
            lost = max(lost, safe + 1 - _count(bench.journal, safe))
            useful += safe > before
            bench.progress()
        process = bench.logger(port.path)
        settle(port)
        bench.end(process)
        tally = judge(bench.journal, rig)
    tally.lost = max(tally.lost, lost)
    return bench.row("daemon: kill -9 at a random moment", tally, f"{useful} while it was at work")


def _count(journal: Path, up_to: int) -> int:
    if not journal.exists():
        return 0
    with closing(sqlite3.connect(journal)) as connection:
        try:
            [count] = connection.execute(
                "SELECT count(*) FROM entries WHERE kind = 'D' AND seq <= ?", (up_to,)
            ).fetchone()
        except sqlite3.OperationalError:
            return 0  # killed before the tables were made
    return int(count)


def dipping(_boot: int, seq: int) -> tuple[int, ...]:
    """Two corners; the front left is under its floor for a while, again and again."""
    low = seq >= EVERY and seq % EVERY < LOW
    wiggle = seq % 7
    return (TWO_BAR if low else SEVEN_BAR) + wiggle, SEVEN_BAR - wiggle, 160 + wiggle, 26_667 + wiggle


def analysis_killed(bench: Bench) -> Row:
    """The analysis dies and comes back; each alarm must be kept once, with the times that the readings give it."""
    settings = bench.folder / "bay.toml"
    settings.write_text(SETTINGS)
    findings = bench.folder / "findings.json"
    words = ("analysis", "--settings", str(settings), "--journal", str(bench.journal))
    with rig_at(
        bench, Ledger(depth=1_000_000, period_ms=PERIOD_MS, values=dipping), period_s=PERIOD_MS / 1000
    ) as port:
        assert isinstance(port.rig, Ledger)
        daemon = bench.logger(port.path, "--settings", str(settings))
        heard_more(port, 10)
        for _ in range(bench.times):
            process = bench.start(*words, "--findings", str(findings))
            bench.moment(0.4, 2.2)
            process.kill()
            process.wait()
            bench.progress()
        heard_more(port, 2 * EVERY)
        settle(port)
        process = bench.start(*words, "--findings", str(findings))
        newest = port.rig.next_seq - 1
        expected = episodes(newest)
        wait_for(lambda: len(kept(bench.journal)) >= len(expected), "all alarms are kept")
        bench.end(process)
        bench.end(daemon)
        samples = judge(bench.journal, port.rig)
    rows = kept(bench.journal)
    tally = Tally(len(expected))
    raised = [raised_us for raised_us, _ in rows]
    tally.lost = len(set(expected) - set(raised))
    tally.doubled = len(raised) - len(set(raised))
    tally.wrong = sum(expected.get(raised_us, -1) != cleared_us for raised_us, cleared_us in rows)
    # a replay in one go says what the killed one says in the end
    replay = bench.folder / "replay.json"
    again = bench.start(
        *words[:1],
        "--journal",
        str(bench.journal),
        "--look",
        "--until-idle",
        "0.5",
        "--findings",
        str(replay),
    )
    assert again.wait(timeout=300) == 0, bench.said()[-2000:]
    told = [json.loads(path.read_text())["sections"] for path in (findings, replay)]
    tally.wrong += told[0] != told[1]
    assert (samples.lost, samples.doubled, samples.wrong) == (0, 0, 0), samples
    return bench.row(
        "analysis: kill -9 at a random moment (alarms)", tally, "and the same findings as a replay"
    )


def episodes(newest: int) -> dict[int, int | None]:
    """When each dip is raised and cleared, in µs of the rig's axis, by hand: two readings raise, one clears."""
    out: dict[int, int | None] = {}
    step_us = PERIOD_MS * 1000
    for begin in range(EVERY, newest + 1, EVERY):
        if begin + 1 <= newest:
            end = begin + LOW
            out[(begin + 1) * step_us] = end * step_us if end <= newest else None
    return out


def kept(journal: Path) -> list[tuple[int, int | None]]:
    """The alarms in the file beside the journal: when raised, when cleared."""
    path = journal.with_name(journal.name + ".alarms")
    if not path.exists():
        return []
    with closing(sqlite3.connect(path)) as connection:
        try:
            rows = connection.execute("SELECT kind, raised_us, cleared_us FROM alarms ORDER BY id").fetchall()
        except sqlite3.OperationalError:
            return []  # just being made
    assert {kind for kind, *_ in rows} <= {"floor"}, rows
    return [(raised, cleared) for _, raised, cleared in rows]
