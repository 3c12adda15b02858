"""The rig model of `rig_model` at a real pseudo-terminal, with the faults of real lines."""

from __future__ import annotations

import os
import random
import threading
import time
import tty
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

from rig_model import RingRig

from logger.framing import LineSplitter
from logger.protocol import Acknowledge, HostCommand, LineFault, decode_host, encode

if TYPE_CHECKING:
    from pathlib import Path


@dataclass
class Faults:
    """What goes wrong on the line; may be changed while the rig runs."""

    one_byte_at_a_time: bool = False
    corrupt: float = 0.0
    """Probability for each line sent that one of its bytes is another."""
    silent: bool = False
    """The rig measures, but nothing gets through in either direction."""


@dataclass
class PtyRig:
    """Runs in a thread of its own; `path` stays the same when the port vanishes and comes back."""

    directory: Path
    rig: RingRig = field(default_factory=RingRig)
    period_s: float = 0.01
    faults: Faults = field(default_factory=Faults)
    seed: int = 1
    measuring: bool = True
    heard: list[HostCommand] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.path = self.directory / "rig-port"
        self.lock = threading.RLock()
        self._rng = random.Random(self.seed)
        self._stop = threading.Event()
        self._master: int | None = None
        self._slave: int | None = None
        self._pending = b""
        self._splitter = LineSplitter()
        self.come_back()
        self.rig.start()
        self._thread = threading.Thread(target=self._run, name="pty rig", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self.vanish()

    def vanish(self) -> None:
        """Pull the plug."""
        with self.lock:
            for end in (self._master, self._slave):
                if end is not None:
                    os.close(end)
            self._master = self._slave = None
            self.path.unlink(missing_ok=True)

    def come_back(self) -> None:
        with self.lock:
            self._master, self._slave = os.openpty()
            # without raw mode the terminal would echo the rig's own lines back to it
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            self._pending = b""
            self._splitter.reset()
            self.path.symlink_to(os.ttyname(self._slave))

    @property
    def acknowledged(self) -> int:
        """The last sample of the present boot that the host called safe."""
        with self.lock:
            return self.rig.acknowledged

    def acknowledgements(self) -> list[Acknowledge]:
        with self.lock:
            return [command for command in self.heard if isinstance(command, Acknowledge)]

    def _run(self) -> None:
        due_s = time.monotonic()
        while not self._stop.is_set():
            with self.lock:
                self._listen()
                now_s = time.monotonic()
                while self.measuring and now_s >= due_s:
                    self.rig.take()
                    due_s += self.period_s
                if not self.measuring:
                    due_s = now_s
                self._talk()
            self._stop.wait(min(0.002, self.period_s))

    def _listen(self) -> None:
        if self._master is None:
            return
        try:
            data = os.read(self._master, 4096)
        except (BlockingIOError, OSError):
            return
        if self.faults.silent:
            return
        for line in self._splitter.feed(data):
            try:
                command = decode_host(line)
            except LineFault:
                continue
            self.heard.append(command)
            self.rig.hear(command)

    def _talk(self) -> None:
        if self._master is None or self.faults.silent:
            return
        if not self._pending:
            self._pending = b"".join(self._spoil(encode(record)) for record in self.rig.say(at_most=50))
        try:
            while self._pending:
                size = 1 if self.faults.one_byte_at_a_time else len(self._pending)
                self._pending = self._pending[os.write(self._master, self._pending[:size]) :]
        except (BlockingIOError, OSError):
            return

    def _spoil(self, line: bytes) -> bytes:
        if self._rng.random() >= self.faults.corrupt:
            return line
        position = self._rng.randrange(len(line))
        return line[:position] + self._rng.randbytes(1) + line[position + 1 :]
