"""Copies beside a logger that writes: backups, some killed, each restored with a kill on the way; and bare copies."""

from __future__ import annotations

import copy
import shutil
from typing import TYPE_CHECKING

from logger.journal import JournalError
from logger.journal_reader import JournalReader
from tests.faults.bench import Bench, Row, heard_more, rig_at, settle
from tests.faults.truth import Ledger, Tally, judge

if TYPE_CHECKING:
    from pathlib import Path

LONGEST_s = 1.5
"""A backup or a restore of this size takes about so long, most of it to be loaded."""


def copied(bench: Bench) -> Row:
    """What was safe when a backup began must be in it, and in what is restored; what lacks it must say so."""
    tally = Tally()
    killed = restored = 0
    disk, target = bench.folder / "disk", bench.folder / "restored.journal"
    disk.mkdir()
    with rig_at(bench, period_s=0.005) as port:
        assert isinstance(port.rig, Ledger)
        logger = bench.logger(port.path)
        heard_more(port, 20)
        for _ in range(bench.times):
            with port.lock:
                safe = copy.copy(port.rig)
                safe.safe = dict(port.rig.safe)
            tally.wrong += _bare_copy_is_taken(bench)
            process = bench.start("backup", "-j", str(bench.journal), "--to", str(disk))
            if bench.rng.random() < 0.3:
                bench.moment(0.0, LONGEST_s)
                process.kill()
                killed += 1
            process.wait()
            with port.lock:  # it may hold what was measured since
                safe.taken = dict(port.rig.taken)
            folders = list(disk.glob("bay-*"))
            assert folders or process.returncode, bench.said()[-2000:]
            for folder in folders:
                tally += judge(folder / "bay.journal", safe)
                _restored_in_two_goes(bench, folder, target)
                tally += judge(target, safe)
                restored += 1
                shutil.rmtree(folder)
            bench.progress()
        settle(port)
        bench.end(logger)
        tally += judge(bench.journal, port.rig)
    return bench.row(
        "copies: backup beside a running logger, restored with a kill on the way, and the bare file",
        tally,
        f"{killed} backups killed, {restored} restored, each bare copy refused",
    )


def _bare_copy_is_taken(bench: Bench) -> bool:
    bare = bench.folder / "bare" / "bay.journal"
    shutil.rmtree(bare.parent, ignore_errors=True)
    bare.parent.mkdir()
    shutil.copyfile(bench.journal, bare)
    try:
        JournalReader(bare).close()
    except JournalError:
        return False
    return True


def _restored_in_two_goes(bench: Bench, folder: Path, target: Path) -> None:
    words = ("restore", str(folder), "-j", str(target), "--force")
    process = bench.start(*words)
    bench.moment(0.0, LONGEST_s)
    process.kill()
    process.wait()
    assert bench.start(*words).wait(timeout=120) == 0, bench.said()[-2000:]
    for aside in target.parent.glob(f"{target.name}.before-*"):
        shutil.rmtree(aside)
