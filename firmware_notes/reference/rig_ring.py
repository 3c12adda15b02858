"""The ring buffer: samples that the host has not acknowledged, packed, in memory taken once at the start.

Pure. A sample takes 4 + 4 × channels bytes: 3600 samples of seven channels are 115 kB.
"""

import struct

_MISSING = -0x80000000
_UNDER = -0x7FFFFFFF
_OVER = 0x7FFFFFFF
_MARKS = {_MISSING: None, _UNDER: "-", _OVER: "+"}


def _packed(value):
    if value is None:
        return _MISSING
    if value == "+":
        return _OVER
    if value == "-":
        return _UNDER
    return value


class Ring:
    """Samples with consecutive numbers from 0; when full, the oldest goes."""

    def __init__(self, depth, width):
        """Hold `depth` samples of `width` values."""
        self._format = "<I" + "i" * width
        self._size = struct.calcsize(self._format)
        self._store = bytearray(depth * self._size)
        self._depth = depth
        self.first_seq = 0
        self.last_seq = -1

    def __len__(self):
        """Count the samples held."""
        return self.last_seq + 1 - self.first_seq

    def push(self, uptime_ms, values):
        """Put the next sample in; True if the oldest had to go for it."""
        full = len(self) == self._depth
        if full:
            self.first_seq += 1
        self.last_seq += 1
        place = self.last_seq % self._depth * self._size
        struct.pack_into(self._format, self._store, place, uptime_ms, *[_packed(value) for value in values])
        return full

    def get(self, seq):
        """Give (uptime_ms, values) of a sample that is held, else None."""
        if not self.first_seq <= seq <= self.last_seq:
            return None
        uptime_ms, *values = struct.unpack_from(self._format, self._store, seq % self._depth * self._size)
        return uptime_ms, [_MARKS.get(value, value) for value in values]

    def forget(self, seq):
        """Forget samples up to and with `seq`; a number not given yet is ignored."""
        if self.first_seq <= seq <= self.last_seq:
            self.first_seq = seq + 1
