"""The rig's ring buffer: what has not been acknowledged, oldest first, bounded.

Depth 4096 samples by default: 68 minutes at 1 Hz, 68 hours at one sample a minute.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from logger.protocol import Sample

DEPTH: Final = 4096


class RingBuffer:
    """Samples of one boot with consecutive numbers."""

    def __init__(self, depth: int = DEPTH) -> None:
        """Hold at most `depth` samples."""
        if depth < 1:
            raise ValueError("a buffer needs room for one sample at least")
        self._held: deque[Sample] = deque()
        self._depth = depth
        self._last = -1
        self.overwritten = 0

    @property
    def last_seq(self) -> int:
        """Number of the newest sample ever put in; −1 before the first."""
        return self._last

    @property
    def first_seq(self) -> int:
        """Number of the oldest sample held; one more than the newest if none is."""
        return self._last + 1 - len(self._held)

    def __len__(self) -> int:
        """Count the samples held."""
        return len(self._held)

    def push(self, sample: Sample) -> bool:
        """Put the next sample in; True if the oldest had to go for it."""
        if sample.seq != self._last + 1:
            raise ValueError(f"sample {sample.seq} can't follow sample {self._last}")
        full = len(self._held) == self._depth
        if full:
            self._held.popleft()
            self.overwritten += 1
        self._held.append(sample)
        self._last = sample.seq
        return full

    def get(self, seq: int) -> Sample | None:
        """Give a sample that is held, else None."""
        index = seq - self.first_seq
        return self._held[index] if 0 <= index < len(self._held) else None

    def forget(self, seq: int) -> None:
        """Forget samples up to and with `seq`; a number not yet given is ignored."""
        if seq > self._last:
            return
        while self._held and self._held[0].seq <= seq:
            self._held.popleft()
