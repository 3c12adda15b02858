"""Bytes as they come from the port, to whole lines."""

from __future__ import annotations

from logger.protocol import MAX_LINE


class LineSplitter:
    """Cuts a byte stream at its line ends, whatever pieces it arrives in.

    Only lines that ended are handed out (a partial line may pass for a number), CR is ignored, empty lines
    are skipped. The buffer is bounded: a line that grows past `limit` is dropped up to its end and counted.
    """

    def __init__(self, limit: int = MAX_LINE) -> None:
        """Hand out lines of at most `limit` bytes."""
        self._limit = limit
        self._tail = b""
        self._dropping = False
        self.overlong = 0
        self.overlong_start = b""
        """The first bytes of the last line that was dropped: enough to tell what it wanted to be."""

    def feed(self, data: bytes) -> list[bytes]:
        """Take the next piece of the stream; return the lines that it completes, without their ends."""
        if b"\r" in data:
            data = data.replace(b"\r", b"")
        *ended, self._tail = (self._tail + data).split(b"\n")
        if self._dropping and ended:
            del ended[0]  # the end of a line that was already counted
            self._dropping = False
        lines = [line for line in ended if 0 < len(line) <= self._limit]
        if len(lines) != len(ended):
            for line in ended:
                if len(line) > self._limit:
                    self._count(line)
        if self._dropping:
            self._tail = b""
        elif len(self._tail) > self._limit:
            self._count(self._tail)
            self._tail = b""
            self._dropping = True
        return lines

    def _count(self, line: bytes) -> None:
        self.overlong += 1
        self.overlong_start = line[:2]

    def reset(self) -> None:
        """Forget a partial line: the port was opened again, what follows doesn't continue it."""
        self._tail = b""
        self._dropping = False
