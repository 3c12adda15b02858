"""A conversation with a rig in which nothing is forgotten: every line said or heard, with its time."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from logger.errors import PlainError
from logger.framing import LineSplitter
from logger.port import DEFAULT_BAUD, Port, PortError, PortFullError
from logger.protocol import (
    HostCommand,
    Identify,
    Identity,
    LineFault,
    RigEvent,
    RigRecord,
    Sample,
    decode_rig,
    encode,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ANSWER_S: Final = 3.0
"""How long an answer is waited for: `?` has to be answered at once, but a line may be full of samples."""
_LONGEST_RAW: Final = 4096
_LOOK_UP_S: Final = 0.05
_CHUNK: Final = 256


class Link(Protocol):
    """What a session talks through: a port, or a rig that lives in a test."""

    def send(self, data: bytes) -> None:
        """Send bytes."""

    def read(self, timeout_s: float) -> bytes:
        """The bytes that have arrived, nothing after `timeout_s`."""

    def now_s(self) -> float:
        """Monotonic time."""

    def reopen(self) -> bool:
        """Open the port again after it went away; False if it isn't there."""

    def pause(self, seconds: float) -> None:
        """Let time pass while there is no port."""


class PortLink:
    """A real port."""

    def __init__(self, name: str, baud: int) -> None:
        """Open it for this program alone."""
        self._name, self._baud = name, baud
        self._port = Port(name, baud)

    def send(self, data: bytes) -> None:
        """Send in pieces; a rig that takes nothing for a second is lost, a port that is gone is a `PortError`."""
        for begin in range(0, len(data), _CHUNK):
            try:
                self._port.write(data[begin : begin + _CHUNK])
            except PortFullError as full:
                raise LostError(f"the rig takes no more bytes ({full.reason})") from full

    def read(self, timeout_s: float) -> bytes:
        """What has arrived."""
        return self._port.read(timeout_s)

    def now_s(self) -> float:
        """Monotonic time."""
        return time.monotonic()

    def reopen(self) -> bool:
        """Try to open it again."""
        self._port.close()
        try:
            self._port = Port(self._name, self._baud)
        except PortError:
            return False
        return True

    def pause(self, seconds: float) -> None:
        """Let time pass."""
        time.sleep(seconds)

    def close(self) -> None:
        """Let the port go."""
        self._port.close()


class LostError(PlainError):
    """The rig stopped answering in the middle."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A line said (`sent`) or heard. Heard: a record, or the fault for which it is none."""

    at_s: float
    sent: bool
    line: bytes
    record: RigRecord | HostCommand | None = None
    fault: LineFault | None = None


class Session:
    """Says and hears through a link and keeps it all."""

    def __init__(self, link: Link, baud: int = DEFAULT_BAUD) -> None:
        """Begin with an empty line of that speed."""
        self.link = link
        self.bytes_per_s = baud / 10  # start bit, eight, stop bit
        self.entries: list[Entry] = []
        self.opened_s = link.now_s()
        self.identity: Identity | None = None
        self.newest: Sample | None = None
        """The latest sample by number of the boot that is running."""
        self.newest_s = self.opened_s
        """When that came."""
        self.latest = -1
        """The number of the sample heard last."""
        self.bytes_heard = 0
        self._splitter = LineSplitter(_LONGEST_RAW)
        self._first = True

    def say(self, words: HostCommand | bytes) -> None:
        """Send a command, or any bytes."""
        line = words if isinstance(words, bytes) else encode(words)
        record = None if isinstance(words, bytes) else words
        self.entries.append(Entry(self.link.now_s(), True, line.rstrip(b"\n"), record))
        self.link.send(line)

    def listen(self, seconds: float, until: Callable[[], bool] | None = None) -> bool:
        """Hear for so long, or until a condition holds; says whether it does."""
        end_s = self.link.now_s() + seconds
        while until is None or not until():
            rest_s = end_s - self.link.now_s()
            if rest_s <= 0:
                return False
            self._hear(self.link.read(min(rest_s, _LOOK_UP_S)))
        return True

    def _hear(self, data: bytes) -> None:
        self.bytes_heard += len(data)
        for line in self._splitter.feed(data):
            try:
                record = decode_rig(line)
            except LineFault as refused:
                # what stood on the line when the port was opened may begin in the middle
                if not self._first:
                    self.entries.append(Entry(self.link.now_s(), False, line, fault=refused))
            else:
                self.entries.append(Entry(self.link.now_s(), False, line, record))
                self._remember(record)
            self._first = False

    def _remember(self, record: RigRecord) -> None:
        if isinstance(record, Identity):
            if self.identity is not None and record.boot != self.identity.boot:
                self.newest, self.latest = None, -1
            self.identity = record
        elif isinstance(record, Sample) and (self.identity is None or record.boot == self.identity.boot):
            self.latest = record.seq
            if self.newest is None or record.seq > self.newest.seq:
                self.newest, self.newest_s = record, self.link.now_s()

    def reopened(self) -> None:
        """The port was away: what comes doesn't continue the line before."""
        self._splitter.reset()
        self._first = True

    @property
    def sample_s(self) -> float:
        """How long a sample is on the line."""
        return (
            max((len(e.line) for e in self.heard() if isinstance(e.record, Sample)), default=100)
            / self.bytes_per_s
        )

    @property
    def overwritten(self) -> bool:
        """Whether the rig has said that its buffer was full."""
        return any(isinstance(e.record, RigEvent) and e.record.code == "overwritten" for e in self.entries)

    # ---------------------------------------------------------------- what the phases ask for

    def mark(self) -> int:
        """A place in the conversation, for `heard(since)`."""
        return len(self.entries)

    def heard(self, since: int = 0) -> Iterator[Entry]:
        """The lines heard since a mark."""
        return (entry for entry in self.entries[since:] if not entry.sent)

    def samples(self, since: int = 0) -> list[Sample]:
        """The samples heard since a mark."""
        return [entry.record for entry in self.heard(since) if isinstance(entry.record, Sample)]

    def identities(self, since: int = 0) -> list[Identity]:
        """The identities heard since a mark."""
        return [entry.record for entry in self.heard(since) if isinstance(entry.record, Identity)]

    def answer(
        self, words: HostCommand | bytes, seconds: float = ANSWER_S, tries: int = 2
    ) -> Identity | None:
        """Say something that is answered with an identity; the answer, or None.

        Said again only if a line came that was refused: that may have been the answer, and is a fault by itself.
        """
        begin = self.mark()
        self.say(words)
        self.listen(seconds, lambda: bool(self.identities(begin)))
        found = self.identities(begin)
        if not found and tries > 1 and any(entry.fault is not None for entry in self.heard(begin)):
            return self.answer(words, seconds, tries - 1)
        return found[-1] if found else None

    def ask(self, tries: int = 3) -> Identity:
        """Who are you, what do you hold? `LostError` if there is no answer."""
        for _ in range(tries):
            found = self.answer(Identify())
            if found is not None:
                return found
        raise LostError(f"the rig no longer answers '?' ({tries} times asked)")

    def wait_samples(self, count: int, longest_s: float) -> bool:
        """Hear until so many more samples were there."""
        begin = self.mark()
        return self.listen(longest_s, lambda: len(self.samples(begin)) >= count)
