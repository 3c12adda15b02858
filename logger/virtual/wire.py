"""The rig's half of the line protocol, pure: host lines in, rig lines out.

firmware_notes/line-protocol.md is the law.

No port, no clock: whoever drives it says when a sample is taken and asks for the next line whenever the
port takes one.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Final

from logger.protocol import (
    MAX_LINE,
    MAX_PERIOD_MS,
    MAX_UINT32,
    VERSION,
    Acknowledge,
    Identify,
    Identity,
    LineFault,
    Resend,
    RigEvent,
    Sample,
    SetPeriod,
    Value,
    decode_host,
    encode,
)
from logger.virtual.buffer import DEPTH, RingBuffer

if TYPE_CHECKING:
    from collections.abc import Sequence

FIRMWARE: Final = "v1"
"""Short: with four corners' pressures and heights the names leave ten bytes for rig and firmware."""
_UINT32: Final = MAX_UINT32 + 1


class RigWire:
    """State of a rig as its line sees it: boot, ring buffer, what to send next."""

    def __init__(
        self,
        rig: str,
        channels: Sequence[str],
        period_ms: int,
        boot: int,
        *,
        depth: int = DEPTH,
        uptime_ms: int = 0,
    ) -> None:
        """Boot; `uptime_ms` lets the 32-bit uptime begin anywhere, also just before it wraps."""
        self._rig, self._channels, self._depth = rig, tuple(channels), depth
        self.period_ms = period_ms
        self.faulty_lines = 0
        self.heard_commands = 0
        self._urgent: deque[bytes] = deque()
        self._start(boot, uptime_ms)

    def _start(self, boot: int, uptime_ms: int) -> None:
        self.boot = boot
        self.uptime_ms = uptime_ms
        self.buffer = RingBuffer(self._depth)
        self._next = 0
        self._overflowing = False
        self._urgent.clear()
        self._urgent.append(encode(self.identity()))

    def identity(self) -> Identity:
        """Who the rig is right now."""
        return Identity(
            VERSION,
            self._rig,
            FIRMWARE,
            self.period_ms,
            self.boot,
            self.buffer.first_seq,
            self.buffer.last_seq,
            self._channels,
        )

    # ---------------------------------------------------------------- what happens at the rig

    def reboot(self, boot: int, code: str, text: str) -> None:
        """Start again under another boot number; buffer and uptime are lost, `code` says why."""
        self._start(boot, 0)
        self.event(code, text)

    def take(self, values: tuple[Value, ...], after_ms: int) -> None:
        """Take a sample, `after_ms` after the one before."""
        self.uptime_ms += after_ms
        sample = Sample(self.boot, self.buffer.last_seq + 1, self.uptime_ms % _UINT32, values)
        if not self.buffer.push(sample):
            self._overflowing = False
        elif not self._overflowing:
            self._overflowing = True
            self.event("overwritten", "buffer full")
        self._next = max(self._next, self.buffer.first_seq)

    def event(self, code: str, text: str) -> None:
        """Report something; events are sent once and not kept."""
        self._urgent.append(encode(RigEvent(self.boot, self.uptime_ms % _UINT32, code, text)))

    # ---------------------------------------------------------------- the line

    def hear(self, line: bytes) -> None:
        """Take a line from the host; a faulty one is dropped and counted."""
        try:
            command = decode_host(line)
        except LineFault:
            self.faulty_lines += 1
            return
        self.heard_commands += 1
        match command:
            case Identify():
                self._identify()
            case Resend(boot, seq):
                self._resend(boot, seq)
            case SetPeriod(period_ms):
                self.period_ms = period_ms
                self._identify()
            case Acknowledge(boot, seq):
                if boot == self.boot:
                    self.buffer.forget(seq)
                    self._next = max(self._next, self.buffer.first_seq)

    def _identify(self) -> None:
        self._urgent.append(encode(self.identity()))

    def _resend(self, boot: int, seq: int) -> None:
        if boot != self.boot:
            self._identify()
        elif seq <= self.buffer.last_seq:
            self._next = max(seq, self.buffer.first_seq)

    def next_line(self) -> bytes | None:
        """Give the next line to send, or None: identities and events first, then samples in order."""
        if self._urgent:
            return self._urgent.popleft()
        sample = self.buffer.get(self._next)
        if sample is None:
            return None
        self._next += 1
        return encode(sample)


def fitting_channels(rig: str, channels: Sequence[str]) -> tuple[str, ...]:
    """Leave the supply out if the identity would outgrow a line; ValueError if that is not enough."""
    for names in (tuple(channels), tuple(name for name in channels if name != "rig.supply_voltage")):
        largest = Identity(VERSION, rig, FIRMWARE, MAX_PERIOD_MS, MAX_UINT32, 10**7, 10**7, names)
        try:
            encode(largest)
        except LineFault:
            continue
        return names
    raise ValueError(
        f"the names of {len(channels)} channels don't fit into a line of {MAX_LINE} bytes; shorten them"
    )
