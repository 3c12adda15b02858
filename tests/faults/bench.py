"""What a fault is tried on: a folder, a seed, how often; and the row that comes out."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol, Self

from logger_process import wait_for
from pty_rig import PtyRig

from tests.faults.truth import Ledger, Tally

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

MAIN = "from analysis.commands import main; main()"


@dataclass
class Row:
    """One line of the table."""

    done: str
    times: int
    samples: int
    lost: int
    doubled: int
    wrong: int
    note: str = ""

    @property
    def clean(self) -> bool:
        return self.lost == self.doubled == self.wrong == 0


@dataclass
class Bench:
    """Where, how often and by which chance a fault is done; `progress` is called once each time."""

    folder: Path
    times: int
    seed: int = 1
    progress: Callable[[], None] = lambda: None
    running: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        self.journal = self.folder / "bay.journal"
        self.log = self.folder / "log"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for process in self.running:
            if process.poll() is None:
                process.kill()
            process.wait()

    def start(
        self, *words: str, program: str = MAIN, arguments: Sequence[str] = (), environment: str = ""
    ) -> subprocess.Popen[bytes]:
        """Start a service; `program` runs before or instead of the command line, with `arguments` as its own."""
        variables = dict(os.environ)
        if environment:
            variables["CORNERHOLD_PORTS"] = environment
        with self.log.open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, "-c", program, *arguments, *words], stdout=log, stderr=log, env=variables
            )
        self.running = [one for one in self.running if one.poll() is None]
        self.running.append(process)
        return process

    def logger(self, port: Path | str, *more: str, **how: str) -> subprocess.Popen[bytes]:
        return self.start("logger", "--journal", str(self.journal), "--port", str(port), *more, **how)

    def said(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="replace") if self.log.exists() else ""

    def end(self, process: subprocess.Popen[bytes]) -> None:
        """As a service manager would."""
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=120) == 0, self.said()[-2000:]
        assert "Traceback" not in self.said(), self.said()[-4000:]

    def moment(self, shortest_s: float, longest_s: float) -> None:
        """A random moment: it is what is tried, there is no event to be awaited."""
        time.sleep(self.rng.uniform(shortest_s, longest_s))

    def row(self, done: str, tally: Tally, note: str = "") -> Row:
        return Row(done, self.times, tally.samples, tally.lost, tally.doubled, tally.wrong, note)


class Fault(Protocol):
    """One row's making."""

    def __call__(self, bench: Bench, /) -> Row: ...


def rig_at(bench: Bench, rig: Ledger | None = None, *, period_s: float = 0.01) -> PtyRig:
    """A rig at a pseudo-terminal, with room for everything that it is ever asked to hold."""
    return PtyRig(bench.folder, rig or Ledger(depth=1_000_000), period_s=period_s, seed=bench.seed)


def settle(port: PtyRig) -> None:
    """No more samples; wait until the last one was called safe."""
    with port.lock:
        port.measuring = False
        last = port.rig.next_seq - 1
    wait_for(lambda: port.acknowledged == last, "the last sample is acknowledged")


def heard_more(port: PtyRig, count: int) -> None:
    """Wait until so many more samples were called safe."""
    mark = port.acknowledged
    wait_for(lambda: port.acknowledged >= mark + count, f"{count} more samples are acknowledged")
