"""A real logger process, and a look into its journal that shares no code with the project."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

COMMAND = [sys.executable, "-c", "from analysis.commands import main; main()", "logger"]


def wait_for(condition: Callable[[], bool], what: str, patience_s: float = 120.0) -> None:
    """Poll a condition of another process; the time-out is only reached by a failure."""
    end_s = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < end_s, f"waited in vain: {what}"
        time.sleep(0.005)


@dataclass
class LoggerProcess:
    journal: Path
    port: str
    settings: Path | None = None
    log: str = ""
    started: list[subprocess.Popen[str]] = field(default_factory=list)

    def arguments(self, *more: str) -> list[str]:
        settings = [] if self.settings is None else ["--settings", str(self.settings)]
        return [*COMMAND, "--journal", str(self.journal), "--port", self.port, *settings, *more]

    def start(self, *more: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            self.arguments(*more), stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self.started.append(process)
        return process

    def clean_up(self) -> None:
        """After a test that failed half-way: leave no process running."""
        for process in self.started:
            if process.poll() is None:
                process.kill()
                process.communicate()

    def run(self, *more: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(self.arguments(*more), capture_output=True, text=True, timeout=120, check=False)

    def stop(self, process: subprocess.Popen[str]) -> int:
        """End it as a service manager would: one that is at work, not one that is still being loaded."""
        wait_for(lambda: process.poll() is not None or self._has_opened(process), "the logger at work")
        process.send_signal(signal.SIGTERM)
        out, err = process.communicate(timeout=120)
        self.log = err
        assert out == ""
        return process.returncode

    def _has_opened(self, process: subprocess.Popen[str]) -> bool:
        """Whether it has its journal open, which it does after it has learned to be stopped."""
        opened = Path(f"/proc/{process.pid}/fd")
        with suppress(OSError):
            return any(link.readlink() == self.journal for link in opened.iterdir())
        return False

    def rows(self, kind: str) -> list[tuple[int, int | None, int, int, str]]:
        """(boot_id, seq, rig_us, utc_us, body) of the entries of one kind, in order."""
        if not self.journal.exists():
            return []
        with closing(sqlite3.connect(self.journal)) as connection:
            try:
                found = connection.execute(
                    "SELECT boot_id, seq, rig_us, utc_us, body FROM entries WHERE kind = ? ORDER BY id",
                    (kind,),
                )
            except sqlite3.OperationalError:
                return []  # killed before the tables were made
            return found.fetchall()

    def seqs(self) -> list[int]:
        return [int(seq) for _, seq, *_ in self.rows("D") if seq is not None]
