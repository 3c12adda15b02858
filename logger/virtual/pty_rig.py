"""The virtual rig on a real pseudo-terminal: one loop that samples, sends, hears, and fails when told to.

Real time (`speed` 1) or time lapse. The rig never waits for its host: what the terminal doesn't take
stays in the ring buffer. In time lapse alone rig time itself waits while the ring is three quarters full
and the host is still answering, so that a slow computer loses nothing that a real rig wouldn't.
"""

from __future__ import annotations

import contextlib
import os
import queue
import random
import select
import threading
import time
import tty
from typing import TYPE_CHECKING, Final, Self

from logger.framing import LineSplitter
from logger.virtual import wire as rig_wire
from logger.virtual.buffer import DEPTH
from logger.virtual.counts import values_of
from logger.virtual.faults import BROWNOUT_V, LINE_FAULTS, RIG_FAULTS, Fault

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from types import TracebackType

    from logger.virtual.scenario import Scenario

_TICK_S: Final = 0.05
_CHUNK: Final = 2048
_SHORTEST_ABSENCE_S: Final = 0.3
"""In time lapse an absence of the port shorter than this could pass unseen."""
_START_PATIENCE_S: Final = 10.0
_STALL_PATIENCE_S: Final = 5.0
LINGER_S: Final = 10.0


class PtyRig:
    """Runs one scenario. `with PtyRig(...) as rig:` runs it in a thread; `run()` runs it here."""

    def __init__(
        self,
        scenario: Scenario,
        *,
        link: Path | None = None,
        speed: float | None = None,
        lines: int | None = None,
        linger_s: float = LINGER_S,
    ) -> None:
        """Prepare all counts and open the terminal."""
        table = scenario.table()
        self._counts, self._grid_s, self.channels = table.counts, table.period_s, table.channels
        self._options = scenario.rig
        self._speed = scenario.rig.speed if speed is None else speed
        self._end_s = (len(self._counts) - 1) * self._grid_s
        self._lines = lines
        self._linger_s = linger_s
        self._pending_faults = sorted(
            (f for f in scenario.faults if f.kind in RIG_FAULTS + LINE_FAULTS), key=lambda f: f.at_s
        )
        self._line_faults: list[Fault] = []
        self._chance = random.Random(scenario.seed)  # noqa: S311  which bytes to corrupt, no secret
        boot = scenario.rig.boot
        self.wire = rig_wire.RigWire(
            scenario.rig.name,
            self.channels,
            round(self._grid_s * 1000.0),
            self._new_boot() if boot is None else boot,
            depth=scenario.rig.depth or DEPTH,
            uptime_ms=scenario.rig.uptime_ms,
        )
        self.taken = 0
        self.rig_s = 0.0
        self._since_ms = 0
        self._link = link
        self._out = bytearray()
        self._splitter = LineSplitter()
        self._master = self._slave = -1
        self.path: str | None = None
        self._back_at: float | None = None
        self._wake_read, self._wake_write = os.pipe()
        self._orders: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._present = threading.Event()
        self._thread: threading.Thread | None = None
        self._failure: BaseException | None = None
        self._appear()

    # ---------------------------------------------------------------- orders from other threads

    def stop(self) -> None:
        """Ask the loop to end soon; safe from a signal handler."""
        self._stop.set()
        with contextlib.suppress(OSError):
            os.write(self._wake_write, b".")

    def order(self, action: Callable[[], None]) -> None:
        """Have the loop do something between two samples."""
        self._orders.put(action)
        with contextlib.suppress(OSError):
            os.write(self._wake_write, b".")

    def vanish(self, seconds: float | None = None) -> None:
        """Pull the plug, for a time or until `appear`."""
        self._present.clear()
        self.order(lambda: self._vanish(seconds))

    def appear(self) -> None:
        """Put the plug back: a new terminal, under the same link."""
        self.order(self._appear)

    def wait_present(self, timeout_s: float = 10.0) -> bool:
        """Wait until there is a terminal."""
        return self._present.wait(timeout_s)

    def reboot(self, code: str = "watchdog", text: str = "ordered") -> None:
        """Start the rig again."""
        self.order(lambda: self.wire.reboot(self._new_boot(), code, text))

    def __enter__(self) -> Self:
        """Run in a thread."""
        self._thread = threading.Thread(target=self._guarded, name="virtual rig", daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop and wait; what went wrong in the thread is raised here."""
        self.stop()
        self.join()

    def join(self, timeout_s: float | None = None) -> bool:
        """Wait for the end of the thread; True if it has ended."""
        if self._thread is not None:
            self._thread.join(timeout_s)
            if self._thread.is_alive():
                return False
        if self._failure is not None:
            raise self._failure
        return True

    def _guarded(self) -> None:
        try:
            self.run()
        except BaseException as failure:  # noqa: BLE001  handed to whoever joins
            self._failure = failure

    # ---------------------------------------------------------------- the loop

    def run(self) -> None:
        """Run the scenario to its end, or until `stop`."""
        try:
            self._await_host()
            self._run_samples()
            self._linger()
        finally:
            self._close()
            ends = (self._wake_read, self._wake_write)
            self._wake_read = self._wake_write = -1  # their numbers may be used again at once
            for end in ends:
                os.close(end)

    @property
    def acknowledged(self) -> bool:
        """Whether the host has all samples of this boot."""
        return len(self.wire.buffer) == 0

    def _await_host(self) -> None:
        """In time lapse the first hours would be gone before a host opened the port: wait for it."""
        waits = self._options.wait_for_host
        if waits is None:
            waits = self._speed > 1.0
        patience = time.monotonic() + (_START_PATIENCE_S if waits else 0.0)
        while not self._stop.is_set() and not self.wire.heard_commands and time.monotonic() < patience:
            self._serve(_TICK_S)

    def _run_samples(self) -> None:
        due = time.monotonic()
        moved = due
        while not self._stop.is_set() and self.rig_s <= self._end_s + 1e-6:
            if self._lines is not None and self.taken >= self._lines:
                return
            now = time.monotonic()
            held = len(self.wire.buffer)
            if self._crowded() and now - moved < _STALL_PATIENCE_S:
                self._serve(_TICK_S)
                moved = now if len(self.wire.buffer) < held else moved
                due = time.monotonic()
                continue
            if now < due:
                self._serve(due - now)
                continue
            step_s = self.wire.period_ms / 1000.0
            self._take(step_s)
            due += step_s / self._speed
            if not self._crowded():
                moved = now
            if self.taken % 16 == 0 or due > now:
                self._serve(0.0)

    def _crowded(self) -> bool:
        return self._speed > 1.0 and len(self.wire.buffer) >= 0.75 * (self._options.depth or DEPTH)

    def _take(self, step_s: float) -> None:
        """Take the sample of this moment of rig time, and let the faults of this moment begin."""
        while self._pending_faults and self._pending_faults[0].at_s <= self.rig_s:
            self._begin(self._pending_faults.pop(0))
        row = min(int(self.rig_s / self._grid_s + 1e-6), len(self._counts) - 1)
        after_ms = 0 if self.wire.buffer.last_seq < 0 else self._since_ms
        self.wire.take(values_of(self._counts[row]), after_ms)
        self.taken += 1
        self.rig_s += step_s
        self._since_ms = round(step_s * 1000.0)  # a period set meanwhile holds from the next sample on

    def _begin(self, fault: Fault) -> None:
        if fault.kind == "reboot":
            self.wire.reboot(self._new_boot(), "watchdog", "the watchdog reset the rig")
        elif fault.kind == "brownout":
            self.wire.event("brownout", f"supply fell to {BROWNOUT_V} V")
        elif fault.kind == "vanish":
            self._vanish(max(fault.lasts_s / self._speed, _SHORTEST_ABSENCE_S))
        else:
            self._line_faults.append(fault)

    def _linger(self) -> None:
        """After the end: serve the host until it has everything, but not for ever."""
        patience = time.monotonic() + self._linger_s
        while not self._stop.is_set() and not self.acknowledged and time.monotonic() < patience:
            self._serve(_TICK_S)

    def _new_boot(self) -> int:
        return int.from_bytes(os.urandom(4), "big")

    # ---------------------------------------------------------------- the terminal

    def _appear(self) -> None:
        if self._master >= 0:
            return
        self._master, self._slave = os.openpty()
        # the rig keeps the far side open, so that raw mode outlives a host that comes and goes
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self._splitter = LineSplitter()
        self._back_at = None
        if self._link is not None:
            fresh = self._link.with_name(self._link.name + ".new")
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(self.path)
            fresh.replace(self._link)
        self._present.set()

    def _vanish(self, seconds: float | None) -> None:
        self._close()
        self._back_at = None if seconds is None else time.monotonic() + seconds

    def _close(self) -> None:
        if self._master < 0:
            return
        if self._link is not None:
            self._link.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self._master)
        self._master = self._slave = -1
        self.path = None
        self._out.clear()
        self._present.clear()

    def _serve(self, timeout_s: float) -> None:
        """Send and hear for at most `timeout_s`."""
        now = time.monotonic()
        if self._back_at is not None and now >= self._back_at:
            self._appear()
        self._line_faults = [f for f in self._line_faults if f.holds(self.rig_s)]
        silent = any(f.kind == "silence" for f in self._line_faults)
        if not silent:
            self._fill()
        readers = [self._wake_read] + ([self._master] if self._master >= 0 else [])
        writers = [self._master] if self._master >= 0 and self._out and not silent else []
        readable, writable, _ = select.select(readers, writers, [], min(timeout_s, _TICK_S))
        if writable:
            self._send()
        if self._master in readable:
            self._hear(deaf=silent)
        if self._wake_read in readable:
            os.read(self._wake_read, 4096)
            while not self._orders.empty():
                self._orders.get_nowait()()

    def _fill(self) -> None:
        if self._master < 0:
            return
        while len(self._out) < _CHUNK and (line := self.wire.next_line()) is not None:
            self._out += self._spoiled(line)

    def _spoiled(self, line: bytes) -> bytes:
        share = max((f.share for f in self._line_faults if f.kind == "corrupt"), default=0.0)
        if self._chance.random() >= share:
            return line
        place = self._chance.randrange(len(line) - 1)
        return line[:place] + bytes([line[place] ^ (1 << self._chance.randrange(8))]) + line[place + 1 :]

    def _send(self) -> None:
        with contextlib.suppress(BlockingIOError):
            sent = os.write(self._master, self._out)
            del self._out[:sent]

    def _hear(self, *, deaf: bool) -> None:
        with contextlib.suppress(BlockingIOError):
            data = os.read(self._master, 4096)
            for line in [] if deaf else self._splitter.feed(data):
                self.wire.hear(line)
