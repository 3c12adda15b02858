"""When the next sample is due. Pure: the clock and its difference are handed in."""


class Pacer:
    """Uptime that doesn't wrap with the clock, and due times on a grid that being late doesn't shift."""

    def __init__(self, ticks, difference, period_ms, first_ms=0):
        """Begin now; the first sample is due at uptime `first_ms`.

        `ticks` are ms, `difference(later, earlier)` knows where they wrap.
        """
        self._difference = difference
        self._ticks = ticks
        self._due_ms = first_ms
        self._period_ms = period_ms
        self.uptime_ms = 0

    def advance(self, ticks):
        """Let time pass until `ticks`."""
        self.uptime_ms += self._difference(ticks, self._ticks)
        self._ticks = ticks

    def set_period(self, period_ms):
        """Take another period from the next sample on."""
        if period_ms != self._period_ms:
            # not in the past: after a long period a short one would find many due times missed
            self._due_ms = max(self._due_ms + period_ms - self._period_ms, self.uptime_ms)
            self._period_ms = period_ms

    def is_due(self):
        """Whether a sample is to be taken now."""
        return self.uptime_ms >= self._due_ms

    def wait_ms(self):
        """How long until the next sample is due; 0 if it is."""
        return max(0, self._due_ms - self.uptime_ms)

    def step(self):
        """A sample has been taken; return how many due times have passed without one (0 unless late)."""
        missed = max(0, self.uptime_ms - self._due_ms) // self._period_ms
        self._due_ms += (missed + 1) * self._period_ms
        return missed
